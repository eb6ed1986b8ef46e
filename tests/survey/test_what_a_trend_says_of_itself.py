"""Orders that a sampling rate reaches, the lamp, flags of what passes and none of what stays: said, never silent."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from made_fleet import halfcycle
from survey.test_measure import START_NS, TICK_NS, made, record_of

from halfcycle.pipeline.capture import Capture, Channel
from halfcycle.pipeline.measures.flickermeter import Lamp
from halfcycle.pipeline.quantities import QUANTITIES, chosen_quantities
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.survey import series, totals
from halfcycle.pipeline.survey.compliance import load_limit_profile
from halfcycle.pipeline.survey.files import measure_files
from halfcycle.pipeline.survey.joining import joined_trends
from halfcycle.pipeline.survey.lamps import lamp_of
from halfcycle.pipeline.survey.measure import Survey, Trend, measure_record
from halfcycle.pipeline.survey.notes import joined_notes, notes_of, with_notes
from halfcycle.pipeline.synthesis import Stage
from halfcycle.pipeline.writers.parquet import write_waveform_parquet


def trend_of(capture: Capture, *symbols: str, interval_s: float = 1.0, nominal_v: float | None = 230.0) -> Trend:
    (record,) = records_of([Piece(capture.header, partial(_same, capture), lambda: "d")])
    (point,) = points_of(record.header)
    (found,) = measure_record(record, point, [Survey(chosen_quantities(symbols), interval_s, nominal_v)])
    assert isinstance(found, Trend), found
    return found


def _same(capture: Capture) -> Capture:
    return capture


def sine(
    *, rate_hz: float, seconds: float, volts: float = 230.0, f_hz: float = 50.0, start_ns: int = START_NS
) -> Capture:
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    u = (volts * np.sqrt(2) * (np.sin(2 * np.pi * f_hz * t) + 0.05 * np.sin(10 * np.pi * f_hz * t)))[None]
    header = replace(
        made(seconds=0.1).header, rate_hz=rate_hz, n_samples=t.size, sample_type="float32", start_ns=start_ns,
        channels=(Channel("UA", "voltage", "A", "V"),),
    )  # fmt: skip
    return Capture(header, u.astype(np.float32))


@pytest.mark.parametrize(("rate_hz", "highest"), [(1600.0, 12), (3200.0, 25), (5000.0, 39), (6400.0, 50)])
def test_a_sum_over_orders_says_which_it_covers_and_an_order_beyond_reach_is_null_with_the_reason(
    rate_hz: float, highest: int
) -> None:
    """Orders that lie below 0.46 of the sampling rate at a frequency 15 % above nominal: the meter's own rule."""
    table = trend_of(sine(rate_hz=rate_hz, seconds=3.0), "thd_u", "u_hc", "uh").table
    notes = notes_of(table)
    assert notes["thd_u_a"] == notes["thd_u_a_max"] == {"orders": f"2-{min(highest, 40)}"}
    assert notes["u_hc_a"] == {"orders": f"2-{highest}"}
    assert table.column("thd_u_a")[1].as_py() == pytest.approx(5.0, rel=2e-3)
    assert table.column("u_hc_a")[1].as_py() == pytest.approx(0.05 * 230.0, rel=2e-3)
    for order in range(1, 51):
        column = table.column(f"uh{order:02d}_a")
        if order <= highest:
            assert column.null_count == 0
        else:
            assert column.null_count == table.num_rows
            assert notes[f"uh{order:02d}_a"] == {"reason": f"the sampling rate reaches only order {highest}"}


def test_what_needs_a_spectrum_is_null_with_the_reason_where_samples_are_too_few_and_the_rest_is_measured() -> None:
    table = trend_of(sine(rate_hz=700.0, seconds=3.0), "u_rms", "thd_u", "uh05").table
    assert table.column("u_rms_a").null_count == 0
    assert table.column("thd_u_a").null_count == table.num_rows
    assert "16 samples per cycle" in notes_of(table)["thd_u_a"]["reason"]


def test_trends_that_go_together_claim_no_more_than_the_least_of_them() -> None:
    fine, coarse = (trend_of(sine(rate_hz=rate_hz, seconds=3.0), "thd_u", "uh") for rate_hz in (6400.0, 1600.0))
    for pair in ([fine, coarse], [coarse, fine]):
        notes = notes_of(joined_trends(pair).table)
        assert notes["thd_u_a"] == {"orders": "2-12"}
        assert notes["uh20_a"] == {"orders": "20-20"}  # one of them has it
    assert notes_of(joined_trends([coarse, coarse]).table)["uh20_a"]["reason"].endswith("only order 12")
    plain = pa.table({"pst_a": [1.0]})
    lamps = [with_notes(plain, {"pst_a": {"lamp": lamp}}) for lamp in ("230 V, stated", "120 V, stated")]
    assert joined_notes(lamps) == {"pst_a": {"lamp": "120 V, stated; 230 V, stated"}}


@pytest.mark.parametrize(
    ("stated", "nominal_v", "line_to_line", "hertz", "lamp", "words"),
    [
        (None, 230.0, False, 60.0, 230, "inferred from the nominal voltage of 230 V"),
        (None, 230.0, False, 50.0, 230, "inferred from the nominal voltage of 230 V"),
        (None, 400.0, True, 60.0, 230, "inferred from the nominal voltage of 400 V"),
        (None, 120.0, False, 60.0, 120, "inferred from the nominal voltage of 120 V"),
        (None, 100.0, False, 50.0, 120, "inferred from the nominal voltage of 100 V"),
        (None, 208.0, True, 60.0, 120, "inferred from the nominal voltage of 208 V"),
        (None, 277.0, False, 60.0, 120, "inferred from 60 Hz, as no lamp runs on 277 V"),
        (None, 10_000.0, True, 50.0, 230, "inferred from 50 Hz, as no lamp runs on 10 kV"),
        (120, 230.0, False, 50.0, 120, "stated"),
        (230, 120.0, False, 60.0, 230, "stated"),
    ],
)
def test_the_lamp_is_the_stated_one_or_that_of_the_service(
    stated: Lamp | None, nominal_v: float, line_to_line: bool, hertz: float, lamp: int, words: str
) -> None:
    """Lamps of 120 V and 230 V, each at 50 Hz and 60 Hz: IEC 61000-4-15:2010. Which a service has: common practice."""
    assert lamp_of(stated, nominal_v=nominal_v, line_to_line=line_to_line, nominal_hz=hertz) == (lamp, words)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("stated", "volts", "modulation_pct", "words"),
    [
        (None, 230.0, 0.895, "230 V, inferred from the nominal voltage of 230 V"),
        (120, 230.0, 1.040, "120 V, stated"),
        (None, 120.0, 1.040, "120 V, inferred from the nominal voltage of 120 V"),
        (230, 120.0, 0.895, "230 V, stated"),
    ],
)
def test_flicker_at_60_hz_is_metered_with_the_lamp_of_the_service_or_the_stated_one(
    stated: Lamp | None, volts: float, modulation_pct: float, words: str
) -> None:
    """IEC 61000-4-15:2010, Table 5, 39 changes a minute at 60 Hz: 0.895 % (230 V lamp), 1.040 % (120 V) give Pst 1."""
    rate_hz, seconds = 1600.0, 661.0
    capture = sine(rate_hz=rate_hz, seconds=seconds, volts=volts, f_hz=60.0, start_ns=TICK_NS - 61_000_000_000)
    t = np.arange(round(rate_hz * seconds)) / rate_hz
    level = 1 + np.where(np.floor(t * 39 / 60) % 2 == 0, 0.5, -0.5) * modulation_pct / 100
    u = (volts * np.sqrt(2) * level * np.sin(2 * np.pi * 60 * t))[None].astype(np.float32)
    (record,) = records_of([Piece(capture.header, lambda: Capture(capture.header, u), lambda: "d")])
    (point,) = points_of(record.header)
    (found,) = measure_record(record, point, [Survey(chosen_quantities(["pst"]), 600.0, volts, lamp_v=stated)])
    assert isinstance(found, Trend)
    assert found.table.column("pst_a")[1].as_py() == pytest.approx(1.0, abs=0.05)
    assert notes_of(found.table)["pst_a"] == {"lamp": words}


def flags_of(*stages: Stage, seconds: float = 100.0) -> dict[str, list[bool]]:
    capture = made(seconds=seconds, stages=stages)
    (point,) = points_of(capture.header)
    (found,) = measure_record(record_of(capture), point, [Survey(chosen_quantities(["u_rms"]), 10.0, 230.0)])
    assert isinstance(found, Trend)
    return {name: found.table.column(name).to_pylist() for name in ("flag", "interrupted")}


@pytest.mark.slow
def test_what_passes_within_a_minute_flags_and_what_stays_beyond_a_threshold_does_not() -> None:
    """IEC 61000-4-30 Ed. 3, 4.7 (flags); EN 50160, 3: a dip lasts up to a minute (both from memory)."""
    passing = flags_of(Stage(start_s=20.0, duration_s=50.0, residual_pu=(0.8, 0.8, 0.8)))
    assert sum(passing["flag"]) == 6  # 50 s in intervals of 10 s that begin 3 s before them
    assert not any(passing["interrupted"])
    lasting = flags_of(Stage(start_s=20.0, duration_s=65.0, residual_pu=(0.8, 0.8, 0.8)))
    assert not any(lasting["flag"])
    swell = flags_of(Stage(start_s=0.0, duration_s=100.0, residual_pu=(1.2, 1.2, 1.2)))
    assert not any(swell["flag"])  # from one end of the record to the other: a state, not an event
    gone = flags_of(Stage(start_s=20.0, duration_s=65.0, residual_pu=(0.0, 0.0, 0.0)))
    assert sum(gone["flag"]) == sum(gone["interrupted"]) >= 7


@pytest.mark.long
def test_a_site_at_12_percent_over_breaches_what_must_always_hold_though_a_swell_lies_in_it(tmp_path: Path) -> None:
    """EN 50160:2010, 4.2.2.2: +10 %. Where nobody tells the declared voltage, there is no verdict."""
    write_waveform_parquet(sine(rate_hz=1600.0, seconds=1200.0, volts=258.0, start_ns=TICK_NS), tmp_path / "a.parquet")
    known = load_limit_profile("en-50160-lv")
    for nominal_v, verdict in ((230.0, "exceeded"), (None, "cannot tell")):
        measured = measure_files([tmp_path], Survey((), nominal_voltage_v=nominal_v), profile=known)
        (found,) = measured.assessments.values()
        (always,) = [one for one in found if one.name == "voltage, always"]
        assert (always.verdict, always.declared_voltage_v) == (verdict, nominal_v)
        (distortion,) = [one for one in found if one.quantity == "thd_u"]
        assert distortion.verdict == "cannot tell"  # two of 1008 intervals
    of_supply = known.model_copy(update={"declared_voltage_v": 258.0})
    (found,) = measure_files([tmp_path], Survey(()), profile=of_supply).assessments.values()
    assert {one.declared_voltage_v for one in found} == {258.0}
    assert "exceeded" not in {one.verdict for one in found}


def test_every_quantity_has_its_function_and_no_function_is_without_a_quantity() -> None:
    listed = [*series._OF_CHANNEL, *series._OF_HARMONICS, *series._OF_CONDUCTOR, *totals.SYMBOLS, "tdd", "u_sig"]
    further = {symbol for symbol, one in QUANTITIES.items() if one.family or one.needs_whole_record}
    assert sorted([*listed, *further]) == sorted(QUANTITIES)


def test_the_command_takes_a_lamp_lists_distortions_and_prints_the_declared_voltage(tmp_path: Path) -> None:
    write_waveform_parquet(made(), tmp_path / "a.parquet")
    done = halfcycle(
        "measure", tmp_path / "a.parquet", "--interval", "10", "--quantities", "u_rms", "--limits", "en-50160-lv",
        "--nominal-voltage", "230", "--lamp", "120",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "declared voltage 230 V" in done.stdout
    assert "not judged" in done.stdout
    refused = halfcycle("measure", tmp_path / "a.parquet", "--limits", "en-50160-lv", "--lamp", "110")
    assert refused.returncode == 2
    assert "allowed are 120 and 230" in refused.stderr
    listed = halfcycle("measure", "--list").stdout
    assert all(symbol in listed for symbol in ("thd_u", "thd_r_u", "thd_i", "u_hc"))
