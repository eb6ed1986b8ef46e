"""Surveys from samples to trends: values by closed forms, intervals of the clock, flags, gaps, and the command."""

from __future__ import annotations

import csv
import gc
import pickle
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from made_fleet import halfcycle
from readers.pqdif_bytes import interval_file

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.flickermeter import Flickermeter
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter
from halfcycle.pipeline.quantities import QUANTITIES, chosen_quantities
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.sites.account import Declared, draft
from halfcycle.pipeline.sites.evidence import evidence_of
from halfcycle.pipeline.store.trends import read_trend
from halfcycle.pipeline.survey.blocks import BlockMeter
from halfcycle.pipeline.survey.compliance import load_limit_profile
from halfcycle.pipeline.survey.files import measure_files, surveys_for
from halfcycle.pipeline.survey.joining import joined_trends
from halfcycle.pipeline.survey.measure import Survey, Trend, measure_record
from halfcycle.pipeline.survey.notes import notes_of
from halfcycle.pipeline.synthesis import Harmonic, Load, Quantisation, Stage, Waveform, synthesise
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

SOURCE = "closed forms of what was put in: IEEE 1459-2010, 3.1 (P, Q1, PF); IEC 61000-4-7 (THD); symmetrical components"
TICK_NS = 1_772_409_600_000_000_000  # 2026-03-02T00:00:00Z, a ten-minute tick
START_NS = TICK_NS - 7_000_000_000
RATE_HZ = 6400.0
DISPLACEMENT = np.radians(30.0)
U5, I5 = 0.05, 0.20
MAGNITUDES, CURRENTS = (1.0, 0.98, 1.02), (10.0, 12.0, 11.0)


def made(
    *, seconds: float = 25.0, hookup: str = "four-wire", stages: tuple[Stage, ...] = (), quantised: bool = True
) -> Capture:
    waveform = Waveform(
        hookup=hookup,
        nominal_voltage_v=230.0,
        rate_hz=RATE_HZ,
        duration_s=seconds,
        frequency_hz=50.02,
        magnitudes_pu=MAGNITUDES,
        harmonics=(Harmonic(order=5, magnitude_pu=U5, angle_deg=40.0),),
        load=Load(
            current_a=CURRENTS,
            displacement_deg=(30.0, 30.0, 30.0),
            harmonics=(Harmonic(order=5, magnitude_pu=I5, angle_deg=100.0),),
        ),
        stages=stages,
        quantisation=Quantisation() if quantised else None,
    )
    return synthesise(waveform, start_ns=START_NS, station="Mill Lane").capture


def record_of(*captures: Capture) -> Record:
    pieces = [Piece(capture.header, partial(_same, capture), lambda: "d") for capture in captures]
    (record,) = records_of(pieces)
    return record


def _same(capture: Capture) -> Capture:
    return capture


def measured(record: Record, *symbols: str, interval_s: float = 1.0, **further: object) -> Trend:
    (point,) = points_of(record.header)
    survey = Survey(chosen_quantities(symbols), interval_s, **further)  # type: ignore[arg-type]
    (found,) = measure_record(record, point, [survey])
    if isinstance(found, SignalError):
        raise found
    return found


def row(trend: Trend, i: int = 10) -> dict[str, float]:
    return {name: column[i] for name, column in trend.table.to_pydict().items()}


@pytest.fixture(scope="module")
def whole() -> Trend:
    return measured(record_of(made()), demand_current_a=20.0)


def test_voltages_currents_and_frequency_are_what_was_put_in(whole: Trend) -> None:
    values = row(whole)
    assert whole.nominal_voltage_v == 230.0
    assert values["f"] == pytest.approx(50.02, abs=2e-3)
    for phase, u, i in zip("abc", MAGNITUDES, CURRENTS, strict=True):
        first_v = 230.0 * u
        assert values[f"u_rms_{phase}"] == pytest.approx(first_v * np.hypot(1, U5), rel=1e-4)
        assert values[f"uh01_{phase}"] == pytest.approx(first_v, rel=1e-4)
        assert values[f"uh05_{phase}"] == pytest.approx(first_v * U5, rel=2e-3)
        assert values[f"thd_u_{phase}"] == pytest.approx(100 * U5, rel=2e-3)
        assert values[f"thd_r_u_{phase}"] == pytest.approx(100 * U5 / np.hypot(1, U5), rel=2e-3)
        assert values[f"i_rms_{phase}"] == pytest.approx(i * np.hypot(1, I5), rel=1e-4)
        assert values[f"thd_i_{phase}"] == pytest.approx(100 * I5, rel=2e-3)
        assert values[f"tdd_{phase}"] == pytest.approx(100 * i * I5 / 20.0, rel=2e-3)
        assert values[f"k_factor_{phase}"] == pytest.approx((1 + 25 * I5**2) / (1 + I5**2), rel=2e-3)
        assert values[f"u_under_{phase}"] == pytest.approx(max(0.0, 100 * (1 - u * np.hypot(1, U5))), abs=0.02)
        assert values[f"u_over_{phase}"] == pytest.approx(max(0.0, 100 * (u * np.hypot(1, U5) - 1)), abs=0.02)
    assert values["u_half_min_a"] <= values["u_rms_a"] <= values["u_half_max_a"]


def test_power_is_that_of_the_fundamentals_and_of_the_fifth_harmonics(whole: Trend) -> None:
    values = row(whole)
    # The fifth harmonics stand at 40 and 100 degrees to their own fundamentals, which are 30 degrees apart.
    apart = np.radians(40.0) - (np.radians(100.0) - 5 * DISPLACEMENT)
    total = 0.0
    for phase, u, i in zip("abc", MAGNITUDES, CURRENTS, strict=True):
        s1 = 230.0 * u * i
        p = s1 * (np.cos(DISPLACEMENT) + U5 * I5 * np.cos(apart))
        s = s1 * np.hypot(1, U5) * np.hypot(1, I5)
        assert values[f"p_{phase}"] == pytest.approx(p, rel=5e-4)
        assert values[f"q1_{phase}"] == pytest.approx(s1 * np.sin(DISPLACEMENT), rel=5e-4)
        assert values[f"s_{phase}"] == pytest.approx(s, rel=5e-4)
        assert values[f"pf_{phase}"] == pytest.approx(p / s, rel=5e-4)
        assert values[f"dpf_{phase}"] == pytest.approx(np.cos(DISPLACEMENT), rel=5e-4)
        total += p
    assert values["p_total"] == pytest.approx(total, rel=5e-4)
    energy_wh = np.sum(whole.table.column("energy_in").to_numpy())
    assert energy_wh == pytest.approx(total * 25.0 / 3600, rel=0.02)  # all but what has no whole block at the ends
    assert np.sum(whole.table.column("energy_out").to_numpy()) == 0.0
    assert values["s_e"] >= values["p_total"]


def test_no_energy_counts_twice_where_blocks_begin_anew_at_a_tick() -> None:
    """The block that the tick falls into overlaps the next one: IEC 61000-4-30 Ed. 3, 4.4 (from memory)."""
    trend = measured(record_of(made(seconds=30.0)), "energy_in", "p_total", interval_s=600.0).table
    energy, power = (trend.column(name).to_numpy() for name in ("energy_in", "p_total"))
    # From the first whole block to the tick, and from there to the end of the last complete one.
    covered_s = trend.column("measured").to_numpy() * 600.0
    assert energy == pytest.approx(power * covered_s / 3600, rel=1e-4)


def test_unbalance_is_that_of_the_phasors(whole: Trend) -> None:
    turn = np.exp(2j * np.pi / 3)
    u = np.array(MAGNITUDES) * np.array([1, turn**2, turn])
    positive, negative, zero = (abs(u @ np.array(k)) for k in ([1, turn, turn**2], [1, turn**2, turn], [1, 1, 1]))
    values = row(whole)
    assert values["u2"] == pytest.approx(100 * negative / positive, abs=0.01)
    assert values["u0"] == pytest.approx(100 * zero / positive, abs=0.01)


def test_intervals_are_those_of_the_clock_and_a_sag_flags_the_one_it_lies_in() -> None:
    stage = Stage(start_s=15.0, duration_s=0.2, residual_pu=(0.5, 0.9, 0.95))
    trend = measured(record_of(made(stages=(stage,))), "u_rms", "f", interval_s=10.0).table.to_pydict()
    starts = [round(stamp.timestamp() - TICK_NS / 1e9) for stamp in trend["start"]]
    assert starts == [-10, 0, 10]
    assert trend["flag"] == [False, True, False]  # the sag is 8 s after the tick
    assert trend["measured"] == pytest.approx([0.7, 1.0, 0.8], abs=0.05)
    assert trend["u_rms_a_min"][1] < 0.75 * 230 < trend["u_rms_a"][1] < trend["u_rms_a_max"][1]


def test_a_record_in_pieces_gives_the_trend_of_the_whole() -> None:
    capture = made()
    n = capture.header.n_samples
    cuts = [0, 31_001, 77_777, 140_000, n]
    parts = [
        Capture(
            type(capture.header)(
                **{
                    **{name: getattr(capture.header, name) for name in capture.header.__slots__},
                    "start_ns": capture.header.time_ns(a), "n_samples": b - a,
                }
            ),
            capture.samples[:, a:b],
        )
        for a, b in pairwise(cuts)
    ]  # fmt: skip
    one, many = measured(record_of(capture)), measured(record_of(*parts))
    assert one.table.column_names == many.table.column_names
    for name in one.table.column_names[3:]:
        a, b = one.table.column(name).to_numpy(), many.table.column(name).to_numpy()
        assert np.allclose(a, b, rtol=1e-5, atol=1e-6, equal_nan=True), name


def test_without_a_neutral_power_is_that_of_its_elements_and_quantities_that_a_point_cannot_have_are_left_out() -> None:
    capture = made(hookup="three-wire")
    trend = measured(record_of(capture), "p_total", "pf", "u0", "u2", "s_e")
    values = row(trend)
    assert "u0" not in values
    assert not any(name.startswith("pf") for name in values)
    # Three wattmeters to the star point of the line voltages, on the raw samples of whole cycles: derived. What was put
    # in has currents that do not add up to zero, as no circuit has; two wattmeters would tell something else.
    u_ab, u_bc, u_ca, i_a, i_b, i_c = (capture.physical(k) for k in range(6))
    n = round(RATE_HZ / 50.02 * 50)
    power = ((u_ab - u_ca) * i_a + (u_bc - u_ab) * i_b + (u_ca - u_bc) * i_c) / 3
    assert values["p_total"] == pytest.approx(float(np.mean(power[:n])), rel=0.01)


def test_missing_samples_leave_their_blocks_out_and_lower_the_share_that_was_measured() -> None:
    capture = made(quantised=False)
    samples = capture.samples.copy()
    samples[1, 50_000:53_000] = np.nan
    trend = measured(record_of(Capture(capture.header, samples)), "u_rms", "thd_u", interval_s=10.0).table.to_pydict()
    assert trend["measured"][1] < 0.95
    assert trend["u_rms_b"][1] == pytest.approx(230 * 0.98 * np.hypot(1, U5), rel=1e-3)


def test_flicker_of_ten_minutes_is_that_of_the_standards_table() -> None:
    """IEC 61000-4-15:2010, Table 5: 230 V 50 Hz lamp, 39 rectangular changes a minute of 0.906 % give Pst 1 (found)."""
    rate_hz, seconds = 1600.0, 661.0
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    level = np.where(np.floor(t * 39 / 60) % 2 == 0, 1 + 0.00906 / 2, 1 - 0.00906 / 2)
    base = made(seconds=0.1).header
    header = type(base)(
        **{
            **{name: getattr(base, name) for name in base.__slots__},
            "rate_hz": rate_hz, "n_samples": t.size, "sample_type": "float32", "channels": base.channels[:1],
            "start_ns": TICK_NS - 61_000_000_000,
        }
    )  # fmt: skip
    channel = type(base.channels[0])("UA", "voltage", "A", "V")
    header = type(base)(**{**{name: getattr(header, name) for name in base.__slots__}, "channels": (channel,)})
    u = (230 * np.sqrt(2) * level * np.sin(2 * np.pi * 50 * t))[None].astype(np.float32)
    trend = measured(record_of(Capture(header, u)), "pst", "u_rms", interval_s=600.0).table.to_pydict()
    assert np.isnan(trend["pst_a"][0])  # the minute before the tick is no interval
    assert trend["pst_a"][1] == pytest.approx(1.0, abs=0.05)


def test_trends_of_records_apart_go_together_in_order_and_an_interval_counts_once() -> None:
    first = measured(record_of(made()), "u_rms", interval_s=10.0)
    both = joined_trends([first, first])
    assert both.table.equals(first.table)


def test_surveys_in_one_pass_load_each_capture_once_and_one_that_fails_does_not_stop_the_others() -> None:
    """The demand current must be above zero: IEEE 519-2022 has the distortion as a share of it."""
    capture = made()
    loaded: list[int] = []

    def load() -> Capture:
        loaded.append(1)
        return capture

    (record,) = records_of([Piece(capture.header, load, lambda: "d")])
    (point,) = points_of(record.header)
    wanted = (["u_rms", "f"], 10.0, None), (["tdd"], 600.0, 0.0), (["thd_u"], 1.0, None)
    surveys = [
        Survey(chosen_quantities(symbols), interval_s, demand_current_a=demand)
        for symbols, interval_s, demand in wanted
    ]
    account = draft("Mill Lane", [evidence_of(record)], Declared())
    loaded.clear()
    first, failed, last = measure_record(record, point, surveys, account=account)
    assert len(loaded) == 1
    assert isinstance(failed, SignalError)
    assert "demand current" in str(failed)
    for one, symbols, interval_s in ((first, ["u_rms", "f"], 10.0), (last, ["thd_u"], 1.0)):
        assert isinstance(one, Trend)
        assert one.table.equals(measured(record, *symbols, interval_s=interval_s).table)


def test_all_intervals_that_a_profile_needs_share_one_set_of_meters(monkeypatch: pytest.MonkeyPatch) -> None:
    """derived: the samples are the same; half cycles are measured once, blocks once with spectra and once without."""
    made_ones: list[str] = []
    for meter in (HalfCycleMeter, BlockMeter, Flickermeter):
        monkeypatch.setattr(meter, "__init__", _noted(meter.__init__, meter.__name__, made_ones))
    record = record_of(made(seconds=3.0))
    (point,) = points_of(record.header)
    surveys = surveys_for(Survey(chosen_quantities(["pst"])), load_limit_profile("en-50160-lv"))
    assert len(surveys) == 4
    found = measure_record(record, point, surveys)
    assert all(isinstance(one, Trend) for one in found)
    assert sorted(made_ones) == ["BlockMeter", "BlockMeter", "Flickermeter", "HalfCycleMeter"]


def _noted(begin: Callable[..., None], name: str, made_ones: list[str]) -> Callable[..., None]:
    def noted(*args: object, **further: object) -> None:
        made_ones.append(name)
        begin(*args, **further)

    return noted


def test_extremes_of_pinst_are_measured_without_pst_too() -> None:
    """derived: of a steady sine nothing is seen, and the meter's own trace stays small."""
    trend = measured(record_of(made(seconds=75.0)), "pinst_max", interval_s=600.0)
    assert trend.table.column("pinst_max_a")[1].as_py() == pytest.approx(0.0, abs=0.01)


def test_a_trend_from_another_process_is_the_same_with_all_its_notes() -> None:
    first = measured(record_of(made(seconds=3.0)), "u_rms", "pst", "thd_u")
    again = pickle.loads(pickle.dumps(first))
    assert again.table.equals(first.table, check_metadata=True)
    assert notes_of(again.table)
    assert replace(again, table=first.table) == first


def test_voltages_that_are_not_connected_are_measured_and_have_no_deviation() -> None:
    capture = made(seconds=3.0)
    samples = capture.samples.copy()
    samples[:3] = 0
    table = measured(
        record_of(Capture(capture.header, samples)), "u_rms", "u_under", nominal_frequency_hz=50.0
    ).table  # fmt: skip
    assert table.column("u_rms_a").to_pylist() == pytest.approx([0.0] * table.num_rows, abs=0.5)
    assert table.column("u_under_a").null_count == table.num_rows
    assert notes_of(table)["u_under_a"] == {"reason": "the nominal voltage is unknown"}


def test_nothing_to_measure_is_said() -> None:
    with pytest.raises(SignalError):
        measured(record_of(made(seconds=0.05)), "u_rms")


def test_every_quantity_is_measured_or_needs_what_the_table_says(whole: Trend) -> None:
    names = {name.rsplit("_", 1)[0] if name.rsplit("_", 1)[-1] in "abc" else name for name in whole.table.column_names}
    of_ten_minutes = {"pst", "plt", "pinst_min", "pinst_max"}  # or of two hours, and of no other interval
    assert {symbol for symbol, one in QUANTITIES.items() if one.usual} - names == of_ten_minutes


def test_files_are_measured_by_site_judged_and_a_bad_one_is_set_aside(tmp_path: Path) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    (tmp_path / "bad.parquet").write_bytes(b"PAR1")
    found = measure_files([tmp_path], Survey(chosen_quantities(["u_rms"]), 10.0))
    assert list(found.trends) == [("Mill Lane", "")]
    assert [item.path.name for item in found.set_aside] == ["bad.parquet"]
    judged = measure_files([tmp_path / "a.parquet"], Survey(()), profile=load_limit_profile("en-50160-lv"))
    verdicts = {(one.verdict, one.declared_voltage_v) for one in judged.assessments["Mill Lane", ""]}
    assert verdicts == {("cannot tell", None)}


def test_a_sound_file_that_holds_no_waveform_is_named_with_what_it_holds(tmp_path: Path) -> None:
    """IEEE 1159.3 has files of RMS intervals alone."""
    (tmp_path / "x.pqd").write_bytes(interval_file())
    found = measure_files([tmp_path], Survey(chosen_quantities(["u_rms"]), 10.0))
    assert (found.trends, found.set_aside) == ({}, ())
    assert found.not_measured == (("x", "", "3 interval observations (RMS) not read as waveforms"),)


@pytest.mark.slow
def test_the_command_writes_a_table_or_a_store_lists_quantities_and_refuses_what_is_wrong(tmp_path: Path) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    done = halfcycle(
        "measure", tmp_path / "a.parquet", "--out", tmp_path / "t.csv", "--store", tmp_path / "store",
        "--interval", "10", "--quantities", "u_rms,f", "--limits", "en-50160-lv",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "cannot tell" in done.stdout
    assert "no voltage is declared" in done.stdout
    assert "Mill Lane: 3 intervals of 10 s, 2 intervals of 600 s" in done.stdout
    of_orders = [line for line in done.stdout.splitlines() if "harmonic 25" in line]
    assert len(of_orders) == 1  # limits of which nothing can be told for one and the same reason are one line
    assert of_orders[0].startswith("cannot tell, 100")
    with (tmp_path / "t.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert [one["site"] for one in rows] == ["Mill Lane"] * 3
    assert read_trend(tmp_path / "store", site="Mill Lane", interval_s=10.0).num_rows == 3
    listed = halfcycle("measure", "--list").stdout
    assert "k_factor" in listed
    assert "IEEE 1459" in listed
    assert halfcycle("measure", tmp_path / "a.parquet").returncode == 2
    assert halfcycle("measure", tmp_path / "a.parquet", "--out", "x.csv", "--quantities", "volts").returncode == 2


@pytest.mark.slow
def test_nothing_of_a_record_outlasts_its_measuring(tmp_path: Path) -> None:
    """derived: what no reference cycle holds is gone without a search for cycles, however many records there are."""
    for i in range(3):
        capture = made(seconds=3.0)
        later = replace(capture.header, start_ns=START_NS + i * 3600 * 10**9)
        write_waveform_parquet(Capture(later, capture.samples), tmp_path / f"{i}.parquet")
    gc.collect()
    gc.disable()
    try:
        measure_files([tmp_path], Survey(chosen_quantities(["u_rms", "rvc"]), 10.0, nominal_voltage_v=230.0))
        held = [
            one for one in gc.get_objects() if type(one).__name__ in ("_Run", "Meters", "HalfCycleMeter", "BlockMeter")
        ]
    finally:
        gc.enable()
    assert held == []
