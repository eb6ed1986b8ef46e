"""Each further quantity of a survey against closed forms of what was put in."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from made_fleet import halfcycle
from survey.test_measure import TICK_NS, made

from halfcycle.pipeline.capture import Capture, Channel
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.quantities import BANDS_HZ, QUANTITIES, chosen_quantities
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.survey.demand import DemandMeter
from halfcycle.pipeline.survey.measure import Survey, Trend, measure_record
from halfcycle.pipeline.survey.notes import notes_of
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

SOURCE = "closed forms of the waves that were put in; IEC 61000-4-7:2002, 5.5 (groups); IEEE 1459-2010, 3.1.2 (powers)"
F64 = npt.NDArray[np.float64]
SECONDS, FREQUENCY_HZ = 6.0, 50.0


def tone(t: F64, rms: float, hertz: float, angle_deg: float = 0.0) -> F64:
    """Of some RMS; the angle as a sine has it."""
    return np.sqrt(2) * rms * np.sin(2 * np.pi * hertz * t + np.radians(angle_deg))


def capture_of(
    rows: dict[str, F64], *, rate_hz: float, start_ns: int = TICK_NS + 10_000_000_000, hookup: str = "single-phase"
) -> Capture:
    """Channels by name: U or I and the phase."""
    channels = tuple(
        Channel(name, "voltage" if name[0] == "U" else "current", name[1:], "V" if name[0] == "U" else "A")
        for name in rows
    )
    samples = np.stack(list(rows.values())).astype(np.float32)
    header = replace(
        made(seconds=0.1).header, rate_hz=rate_hz, n_samples=samples.shape[1], sample_type="float32",
        start_ns=start_ns, channels=channels, nominal_frequency_hz=None,
    )  # fmt: skip
    return Capture(header, samples)


def trend_of(capture: Capture, *symbols: str, hookup: str = "single-phase", **further: object) -> Trend:
    (record,) = records_of([Piece(capture.header, partial(_same, capture), lambda: "d")])
    (point,) = points_of(record.header, hookup=hookup)
    survey = Survey(chosen_quantities(symbols), **({"interval_s": 1.0} | further))  # type: ignore[arg-type]
    (found,) = measure_record(record, point, [survey])
    assert isinstance(found, Trend), found
    return found


def _same(capture: Capture) -> Capture:
    return capture


def value(trend: Trend, name: str, i: int = 3) -> float:
    return float(trend.table.column(name)[i].as_py())


def time_of(rate_hz: float, seconds: float = SECONDS) -> F64:
    return np.arange(round(rate_hz * seconds)) / rate_hz


@pytest.mark.parametrize("letter", ["u", "i"])
def test_groups_take_the_lines_between_the_orders_and_subgroups_do_not(letter: str) -> None:
    """IEC 61000-4-7:2002, 5.5: order 7 at 350 Hz; 370 Hz is in its group, 365 in none of subgroups, 375 half of two."""
    t = time_of(6400.0)
    parts = {350.0: 10.0, 355.0: 3.0, 370.0: 4.0, 375.0: 2.0}
    u = tone(t, 230.0, FREQUENCY_HZ, 10.0) + sum(tone(t, rms, hertz) for hertz, rms in parts.items())
    rows = {"UA": u, "IA": u} if letter == "i" else {"UA": u}
    trend = trend_of(capture_of(rows, rate_hz=6400.0), *(letter + kind for kind in ("h", "g", "ih", "ig")))
    assert value(trend, f"{letter}h07_a") == pytest.approx(np.hypot(10.0, 3.0), rel=1e-3)
    assert value(trend, f"{letter}g07_a") == pytest.approx(np.sqrt(10.0**2 + 3.0**2 + 4.0**2 + 2.0**2 / 2), rel=1e-3)
    assert value(trend, f"{letter}g08_a") == pytest.approx(2.0 / np.sqrt(2), rel=1e-3)
    assert value(trend, f"{letter}ih07_a") == pytest.approx(np.hypot(4.0, 2.0), rel=1e-3)
    assert value(trend, f"{letter}ig07_a") == pytest.approx(np.sqrt(3.0**2 + 4.0**2 + 2.0**2), rel=1e-3)


def test_smoothed_harmonics_follow_a_step_as_the_low_pass_does() -> None:
    """IEC 61000-4-7:2002, Figure 3: first order, 1.5 s; of a step 1 - exp(-t / 1.5 s) by then (derived)."""
    t = time_of(6400.0)
    u = tone(t, 230.0, FREQUENCY_HZ) + np.where(t >= 3.0, 1.0, 0.0) * tone(t, 10.0, 5 * FREQUENCY_HZ)
    trend = trend_of(capture_of({"UA": u}, rate_hz=6400.0), "uhs", "ugs")
    for name in ("uhs05_a", "ugs05_a"):
        assert value(trend, name, 2) == pytest.approx(0.0, abs=0.2)
        assert value(trend, name, 3) == pytest.approx(10 * (1 - np.exp(-1.0 / 1.5)), abs=0.6)
        assert value(trend, name, 4) == pytest.approx(10 * (1 - np.exp(-2.0 / 1.5)), abs=0.4)


def test_angles_are_those_at_the_rising_zero_crossing_and_go_over_180_degrees_unharmed() -> None:
    t = time_of(6400.0)
    u = tone(t, 230.0, FREQUENCY_HZ, 33.0) + tone(t, 10.0, 250.0, 5 * 33.0 + 179.5) + tone(t, 5.0, 350.0, 7 * 33.0 - 60)
    trend = trend_of(capture_of({"UA": u}, rate_hz=6400.0), "uha")
    assert abs(value(trend, "uha05_a")) == pytest.approx(179.5, abs=0.05)
    assert value(trend, "uha07_a") == pytest.approx(-60.0, abs=0.05)
    assert value(trend, "uha01_a") == pytest.approx(0.0, abs=1e-3)


def test_powers_of_harmonics_say_which_the_load_gives_back() -> None:
    t = time_of(6400.0)
    u = tone(t, 230.0, FREQUENCY_HZ) + tone(t, 10.0, 250.0, 40.0)
    i = tone(t, 5.0, FREQUENCY_HZ, -30.0) + tone(t, 1.0, 250.0, 40.0 + 120.0)
    symbols = ("ph", "qh", "d_i", "d_v", "d_h", "d", "s", "p", "q1")
    trend = trend_of(capture_of({"UA": u, "IA": i}, rate_hz=6400.0), *symbols)
    assert value(trend, "ph01_a") == pytest.approx(1150 * np.cos(np.radians(30)), rel=1e-4)
    assert value(trend, "qh01_a") == pytest.approx(1150 * np.sin(np.radians(30)), rel=1e-4)
    assert value(trend, "ph05_a") == pytest.approx(10 * np.cos(np.radians(120)), rel=1e-3)
    assert value(trend, "qh05_a") == pytest.approx(-10 * np.sin(np.radians(120)), rel=1e-3)
    # Distortion powers are what is left of RMS and fundamental: 2e-5 of a fundamental is 5e-3 of a twentieth of it.
    assert value(trend, "d_i_a") == pytest.approx(230.0 * 1.0, abs=4e-4 * 1150)
    assert value(trend, "d_v_a") == pytest.approx(10.0 * 5.0, abs=4e-4 * 1150)
    assert value(trend, "d_h_a") == pytest.approx(np.sqrt(10.0**2 - (10 * np.cos(np.radians(120))) ** 2), rel=2e-2)
    s, p, q1 = (value(trend, name) for name in ("s_a", "p_a", "q1_a"))
    assert value(trend, "d_a") == pytest.approx(np.sqrt(s**2 - p**2 - q1**2), rel=1e-4)


@pytest.mark.parametrize(("hertz", "actual_hz"), [(316.67, 50.0), (183.3, 50.37), (283.3, 49.6), (1042.0, 50.0)])
def test_mains_signalling_is_measured_at_its_frequency_wherever_that_lies_between_the_lines(
    hertz: float, actual_hz: float
) -> None:
    """IEC 61000-4-30 Ed. 3, 5.10: 5 % of reading from 3 % of Udin, 0.15 % of Udin below (memory); a quarter of them."""
    t = time_of(6400.0)
    u = tone(t, 230.0, actual_hz) + tone(t, 11.5, 5 * actual_hz) + tone(t, 6.9, hertz)
    u += tone(t, 4.0, 21 * actual_hz)
    trend = trend_of(capture_of({"UA": u}, rate_hz=6400.0), "u_sig", signal_hz=hertz)
    assert value(trend, "u_sig_a") == pytest.approx(6.9, rel=0.0125)
    silent = trend_of(capture_of({"UA": tone(t, 230.0, actual_hz)}, rate_hz=6400.0), "u_sig", signal_hz=hertz)
    assert value(silent, "u_sig_a") == pytest.approx(0.0, abs=0.15 / 4 / 100 * 230)


def test_without_its_frequency_or_beyond_reach_there_is_no_signalling_voltage_but_a_reason() -> None:
    capture = capture_of({"UA": tone(time_of(3200.0), 230.0, FREQUENCY_HZ)}, rate_hz=3200.0)
    reasons = [
        notes_of(trend_of(capture, "u_sig", signal_hz=hertz).table)["u_sig_a"]["reason"] for hertz in (None, 1600.0)
    ]
    assert reasons[0] == "the frequency of the mains signal is not declared"
    assert reasons[1] == "a mains signal can be measured up to 1265 Hz"


@pytest.mark.parametrize(("rate_hz", "hertz", "band"), [
    (12_800.0, 3456.0, 3500), (25_600.0, 8870.0, 8900), (100_000.0, 33_300.0, 34_000), (400_000.0, 147_200.0, 148_000),
])  # fmt: skip
def test_emission_above_the_harmonics_lies_in_its_band(rate_hz: float, hertz: float, band: int) -> None:
    """IEC 61000-4-7:2002, annex B; class I: 0.05 % of nominal, of which a quarter (memory)."""
    t = time_of(rate_hz, 2.6)
    u = tone(t, 230.0, 50.13) + tone(t, 0.7, hertz)
    trend = trend_of(capture_of({"UA": u}, rate_hz=rate_hz), "ub")
    found = {low + high >> 1: value(trend, f"ub{(low + high) // 2:06d}_a", 1) for low, high in BANDS_HZ
             if notes_of(trend.table).get(f"ub{(low + high) // 2:06d}_a", {}).get("reason") is None}  # fmt: skip
    assert found.pop(band) == pytest.approx(0.7, rel=0.0125)
    assert max(found.values()) < 0.0125 / 100 * 230
    assert max(found) <= 0.46 * rate_hz
    assert all(high > 0.46 * rate_hz for low, high in BANDS_HZ if (low + high) // 2 not in (*found, band))


def test_dc_is_measured_with_its_sign() -> None:
    t = time_of(6400.0)
    rows = {"UA": tone(t, 230.0, FREQUENCY_HZ) - 1.5, "IA": tone(t, 10.0, FREQUENCY_HZ) + 0.25}
    trend = trend_of(capture_of(rows, rate_hz=6400.0), "u_dc", "i_dc")
    assert (value(trend, "u_dc_a"), value(trend, "i_dc_a")) == pytest.approx((-1.5, 0.25), abs=1e-4)


def test_the_neutral_current_is_what_the_lines_leave_over_and_says_so_where_no_channel_has_it() -> None:
    """Currents 10, 8 and 6 A: their sum; third harmonics add up (derived)."""
    t = time_of(6400.0)
    rows = {f"U{p}": tone(t, 230.0, FREQUENCY_HZ, -120.0 * k) for k, p in enumerate("ABC")}
    for k, (p, amperes) in enumerate(zip("ABC", (10.0, 8.0, 6.0), strict=True)):
        rows[f"I{p}"] = tone(t, amperes, FREQUENCY_HZ, -120.0 * k) + tone(t, 2.0, 150.0)
    without = trend_of(capture_of(rows, rate_hz=6400.0), "i_rms", "ih", "i0", "i2", hookup="four-wire")
    rows["IN"] = -(rows["IA"] + rows["IB"] + rows["IC"])
    with_it = trend_of(capture_of(rows, rate_hz=6400.0), "i_rms", "ih", "i0", "i2", hookup="four-wire")
    first = abs(sum(a * np.exp(-2j * np.pi * k / 3) for k, a in enumerate((10.0, 8.0, 6.0))))
    for trend in (without, with_it):
        assert value(trend, "ih03_n") == pytest.approx(6.0, rel=1e-3)
        assert value(trend, "ih01_n") == pytest.approx(first, rel=1e-3)
        assert value(trend, "i_rms_n") == pytest.approx(np.hypot(first, 6.0), rel=1e-3)
        assert value(trend, "i0") == pytest.approx(100 * (first / 3) / 8.0, rel=1e-3)
        assert value(trend, "i2") == pytest.approx(100 * (first / 3) / 8.0, rel=1e-3)
    assert notes_of(without.table)["i_rms_n"] == {"derived": "minus the sum of the line currents"}
    assert "i_rms_n" not in notes_of(with_it.table)


@pytest.mark.parametrize(("angle_deg", "number"), [(-40.0, 1), (-140.0, 2), (140.0, 3), (40.0, 4)])
def test_reactive_energy_lies_in_its_quadrant(angle_deg: float, number: int) -> None:
    """Common practice, no source: quadrants as the module of powers states them."""
    t = time_of(6400.0)
    rows = {"UA": tone(t, 230.0, FREQUENCY_HZ), "IA": tone(t, 10.0, FREQUENCY_HZ, angle_deg)}
    trend = trend_of(capture_of(rows, rate_hz=6400.0), *(f"energy_q{k}" for k in (1, 2, 3, 4)))
    q = 2300 * abs(np.sin(np.radians(angle_deg)))
    found = {k: sum(trend.table.column(f"energy_q{k}").to_pylist()) * 3600 for k in (1, 2, 3, 4)}
    assert found.pop(number) == pytest.approx(q * SECONDS, rel=0.08)  # the record's ends hold no whole block
    assert set(found.values()) == {0.0}


def test_demand_of_the_clock_and_a_sliding_one() -> None:
    """Blocks of 15 minutes; 2 kW but for 9 kW from minute 20 to 30: at most (10 * 9 + 5 * 2) / 15 kW (calculated)."""
    meter = DemandMeter(900)
    starts = TICK_NS + np.arange(0, 3600 * 10**9, 200_000_000, dtype=np.int64)
    minute = (starts - TICK_NS) // (60 * 10**9)
    power = np.where((minute >= 20) & (minute < 30), 9000.0, 2000.0)
    for part in np.array_split(np.arange(starts.size), 7):
        meter.add(power[part], starts_ns=starts[part], lengths_ns=np.full(part.size, 200_000_000))
    intervals = TICK_NS + np.arange(6, dtype=np.int64) * 600 * 10**9
    block, sliding = meter.of_intervals(intervals, interval_s=600.0)
    first, second, third = 2000.0, (5 * 2000 + 10 * 9000) / 15, 2000.0
    assert block == pytest.approx([np.nan, first, second, np.nan, third, 2000.0], nan_ok=True)
    assert sliding[1] == pytest.approx(2000.0)
    assert sliding[2:4] == pytest.approx([second, second])
    with pytest.raises(ConfigError, match="multiple of 60 s"):
        DemandMeter(90)


def test_the_largest_rapid_change_of_an_interval_is_zero_without_one_and_null_without_a_nominal() -> None:
    """IEC 61000-4-30 Ed. 3, 5.11: a step of 5 % that stays (found)."""
    t = time_of(1600.0, 20.0)
    u = tone(t, 230.0, FREQUENCY_HZ) * np.where(t >= 10.3, 0.95, 1.0)
    capture = capture_of({"UA": u}, rate_hz=1600.0, start_ns=TICK_NS)
    trend = trend_of(capture, "rvc", nominal_voltage_v=230.0)
    found = trend.table.column("rvc").to_pylist()
    assert found[10] == pytest.approx(5.0, abs=0.05)
    assert {*found[:10], *found[11:]} == {0.0}
    odd = capture_of({"UA": u * 0.37}, rate_hz=1600.0)
    assert notes_of(trend_of(odd, "rvc").table)["rvc"] == {"reason": "the nominal voltage is unknown"}


def test_all_means_all_quantities_nothing_the_usual_ones_and_a_family_its_numbers() -> None:
    assert chosen_quantities(["all"]) == tuple(QUANTITIES.values())
    assert {one.symbol for one in chosen_quantities([])} == {s for s, one in QUANTITIES.items() if one.usual}
    assert [one.symbol for one in chosen_quantities(["uih"])] == [f"uih{n:02d}" for n in range(50)]
    with pytest.raises(ConfigError, match="nearest is"):
        chosen_quantities(["uhx05"])


@pytest.mark.parametrize("f_hz", [49.7, 50.0, 50.4])
def test_intervals_of_150_cycles_begin_anew_at_a_tick_and_overlap_there(f_hz: float) -> None:
    """IEC 61000-4-30 Ed. 3, 4.4 (memory): 15 blocks of ten cycles without a gap, synchronised anew at each tick."""
    before_s, step_ns = 7.0, 150e9 / f_hz
    t = time_of(3200.0, 20.0)
    u = tone(t, 230.0, f_hz) * np.where(t >= before_s, 1.05, 1.0)
    capture = capture_of({"UA": u}, rate_hz=3200.0, start_ns=TICK_NS - round(before_s * 1e9))
    trend = trend_of(capture, "u_rms", "f", "uh", interval_s=3.0, of_cycles=True)
    starts = trend.table.column("start").cast("int64").to_numpy() - TICK_NS
    whole = trend.table.column("measured").to_numpy() > 0.99
    old, new = starts[starts < -1e6], starts[starts >= -1e6]
    assert abs(new[0]) < 0.5e9 / f_hz + 1e6  # the first crossing after the tick
    for row in (old[1:], new):  # of the first its first block lies too near to the record's start
        assert np.diff(row) == pytest.approx(step_ns, abs=1e5)
    assert old[-1] + step_ns > new[0]  # they overlap: the last of before runs on to its end
    assert whole[1:-2].all()
    values = trend.table.column("u_rms_a").to_numpy()
    over_tick = old.size - 1
    share = (old[-1] + step_ns) / step_ns  # of the last old interval that lies after the step
    assert values[over_tick] == pytest.approx(230 * np.sqrt(1 - share + share * 1.05**2), rel=2e-3)
    assert values[over_tick + 1] == pytest.approx(230 * 1.05, rel=1e-3)
    assert values[1] == pytest.approx(230.0, rel=1e-5)
    assert "energy_in" not in trend.table.column_names


@pytest.mark.slow
def test_the_command_takes_intervals_of_cycles_a_signal_and_a_demand_interval(tmp_path: Path) -> None:
    write_waveform_parquet(made(seconds=12.0), tmp_path / "a.parquet")
    out = tmp_path / "trend.csv"
    asked = ("--quantities", "u_sig,u_rms,energy_in,demand_block,uih03", "--nominal-voltage", "230", "--out", out)
    done = halfcycle("measure", tmp_path / "a.parquet", "--interval", "150/180", "--signal", "316.7", *asked)
    assert done.returncode == 0, done.stderr
    with out.open() as lines:
        rows = list(csv.DictReader(lines))
    assert float(rows[1]["u_sig_a"]) < 0.1
    assert float(rows[1]["uih03_b"]) < 0.1
    assert "energy_in" not in rows[0]
    whole = halfcycle("measure", tmp_path / "a.parquet", "--interval", "10", "--demand-interval", "60", *asked)
    assert whole.returncode == 0, whole.stderr
    for wrong, words in ((("--interval", "0.5"), "from 1 on"), (("--demand-interval", "90"), "multiple of 60 s")):
        refused = halfcycle("measure", tmp_path / "a.parquet", *wrong, *asked)
        assert refused.returncode == 2
        assert words in refused.stderr
    listed = halfcycle("measure", "--list").stdout
    assert all(name in listed for name in ("(uih)", "(qh)", "(ub)", "u_sig", "energy_q4", "s_u1", "demand_sliding"))
