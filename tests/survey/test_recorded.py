"""Interval records of drawn recorders in several layouts: every value, unit, phase and statistic right, or refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_fleet import halfcycle

from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers.intervals import IntervalRecords, interval_records
from halfcycle.pipeline.readers.intervals.names import ColumnMeaning, Unclear, told_by
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.compared import compared
from halfcycle.pipeline.survey.compliance import load_limit_profile
from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.recorded import recorded_trends
from halfcycle.pipeline.survey.stored import StoredTrend, judge_trends
from halfcycle.pipeline.trend_table import Certificate

SOURCE = "derived: what was drawn is what must be read; column names in the trade's words, common practice, no source"

STEP_S, N = 600, 1008  # a week of ten minutes
START = datetime(2026, 10, 21, 22, 0, tzinfo=UTC)  # holds the night in which summer time ends in Europe
VIENNA = ZoneInfo("Europe/Vienna")


def drawn(seed: int = 1, n: int = N) -> dict[str, np.ndarray]:
    """A week in the columns of a trend, rounded as the layouts write them."""
    rng = np.random.default_rng(seed)
    values: dict[str, np.ndarray] = {}
    for phase in "abc":
        level = 230 + 4 * np.sin(np.arange(n) / 23 + ord(phase)) + rng.normal(0, 1, n)
        values[f"u_rms_{phase}"] = level
        values[f"u_rms_{phase}_min"] = level - rng.uniform(0, 3, n)
        values[f"u_rms_{phase}_max"] = level + rng.uniform(0, 3, n)
        values[f"i_rms_{phase}"] = rng.uniform(0, 90, n)
        values[f"thd_u_{phase}"] = rng.uniform(1, 6, n)
    values |= {"p_total": rng.uniform(-50e3, 50e3, n), "f": rng.normal(50, 0.02, n), "u2": rng.uniform(0, 1, n)}
    return {name: np.round(one, 3) for name, one in values.items()}


def rows(
    path: Path, values: dict[str, np.ndarray], labels: dict[str, str], *, separator: str, comma: bool,
    stamp: Callable[[datetime], str], head: str, above: str = "", units: str = "",
    scale: dict[str, float] | None = None, shift_s: int = 0,
) -> None:  # fmt: skip
    """Write columns in a layout; labels by column name, stamp the text of the time cells."""
    lines = [*([above] if above else []), separator.join([head, *labels.values()]), *([units] if units else [])]
    for i in range(len(next(iter(values.values())))):
        cells = [f"{values[name][i] / (scale or {}).get(name, 1):.6f}" for name in labels]
        cells = [cell.replace(".", ",") for cell in cells] if comma else cells
        lines.append(separator.join([stamp(START + timedelta(seconds=STEP_S * i + shift_s)), *cells]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def named(form: str, power: str = "P total (kW)") -> dict[str, str]:
    """Labels for all columns; in the form {letter} {phase} {statistic} ({unit})."""
    labels = {}
    for phase in "abc":
        for ending, word in (("", "avg"), ("_min", "min"), ("_max", "max")):
            labels[f"u_rms_{phase}{ending}"] = form.format(letter="U", phase=phase.upper(), stat=word, unit="V")
        labels[f"i_rms_{phase}"] = form.format(letter="I", phase=phase.upper(), stat="avg", unit="A")
        labels[f"thd_u_{phase}"] = form.format(letter="THD U", phase=phase.upper(), stat="avg", unit="%")
    return labels | {"p_total": power, "f": "Frequency avg (Hz)", "u2": "Unbalance (%)"}


def iso_utc(path: Path, values: dict[str, np.ndarray]) -> Path:
    file = path / "iso.csv"
    rows(
        file, values, named("{letter} {phase} {stat} ({unit})"), separator=",", comma=False, head="time",
        stamp=lambda t: t.strftime("%Y-%m-%dT%H:%M:%SZ"), scale={"p_total": 1e3},
    )  # fmt: skip
    return file


def local_with_commas(path: Path, values: dict[str, np.ndarray]) -> Path:
    """A time of day in its own column, local with summer time, decimal commas, a preamble."""
    file = path / "local.csv"
    labels = named("{letter}_{phase}_{stat} [{unit}]", power="P tot [kW]")
    rows(
        file, values, labels, separator=";", comma=True, head="Datum;Zeit", above="Messung Muehle",
        stamp=lambda t: t.astimezone(VIENNA).strftime("%d.%m.%Y;%H:%M:%S"), scale={"p_total": 1e3},
    )  # fmt: skip
    (path / "local.csv.toml").write_text('[intervals]\ntime_zone = "Europe/Vienna"\n')
    return file


def half_day_clock(path: Path, values: dict[str, np.ndarray]) -> Path:
    """Months first with AM and PM, an offset said in a description, stamps of the ends."""
    file = path / "us.csv"
    labels = named("{letter} {phase} {stat} ({unit})")
    labels |= {name: label.replace("THD U", "VTHD") for name, label in labels.items() if name.startswith("thd")}
    rows(
        file, values, labels, separator=",", comma=False, head="Date and time", shift_s=STEP_S, scale={"p_total": 1e3},
        stamp=lambda t: (t - timedelta(hours=5)).strftime("%m/%d/%Y %I:%M:%S %p"),
    )  # fmt: skip
    (path / "us.csv.toml").write_text('[intervals]\ntime_zone = "-05:00"\nstamps = "end"\n')
    return file


def units_in_a_line(path: Path, values: dict[str, np.ndarray]) -> Path:
    """Tabs, units below the header, kilovolts, offsets in the stamps."""
    file = path / "tabs.tsv"
    labels = named("{letter}{phase} {stat}", power="Ptot")
    labels |= {name: "THD " + label.replace("THD U", "U") for name, label in labels.items() if name.startswith("thd")}
    labels |= {"f": "Freq", "u2": "Unbalance"}
    kinds = {"u_": "kV", "i_": "A", "th": "%", "p_": "kW", "f": "Hz", "u2": "%"}
    units = ["", *(kinds.get(name, kinds.get(name[:2], "")) for name in labels)]
    scale = {name: 1e3 for name in labels if name.startswith(("u_rms", "p_total"))}
    rows(
        file, values, labels, separator="\t", comma=False, head="Time", units="\t".join(units), scale=scale,
        stamp=lambda t: t.astimezone(VIENNA).isoformat(sep=" "),
    )  # fmt: skip
    return file


def by_description(path: Path, values: dict[str, np.ndarray]) -> Path:
    """Names that tell nothing, described by pattern."""
    file = path / "codes.csv"
    labels = {}
    for phase, number in zip("abc", "123", strict=True):
        for ending, code in (("", "M"), ("_min", "L"), ("_max", "H")):
            labels[f"u_rms_{phase}{ending}"] = f"K1{code} {number}"
        labels |= {f"i_rms_{phase}": f"K2M {number}", f"thd_u_{phase}": f"K3M {number}"}
    labels |= {"p_total": "K4", "f": "K5", "u2": "K6"}
    rows(file, values, labels, separator=";", comma=False, head="t", stamp=lambda t: t.strftime("%Y-%m-%d %H:%M"))
    text = '[intervals]\nstation = "Coded Mill"\ntime_zone = "+00:00"\nnominal_voltage_v = 230.0\n'
    for code, word in (("M", "average"), ("L", "least"), ("H", "largest")):
        text += f'columns."K1{code} {{phase}}" = {{quantity = "u_rms", unit = "V", statistic = "{word}"}}\n'
    text += 'columns."K2M {phase}" = {quantity = "i_rms", unit = "A"}\n'
    text += 'columns."K3M {phase}" = {quantity = "thd_u", unit = "%"}\n'
    text += 'columns."K4" = {quantity = "p_total", unit = "W"}\ncolumns."K5" = {quantity = "f", unit = "Hz"}\n'
    text += 'columns."K6" = {quantity = "u2", unit = "%"}\n'
    (path / "codes.csv.toml").write_text(text)
    return file


def parquet(path: Path, values: dict[str, np.ndarray]) -> Path:
    file = path / "table.parquet"
    starts = pa.array([START + timedelta(seconds=STEP_S * i) for i in range(N)], pa.timestamp("us", tz="UTC"))
    labels = named("{letter} {phase} {stat} ({unit})", power="P total (W)")
    pq.write_table(pa.table({"time": starts, **{labels[name]: values[name] for name in labels}}), file)
    return file


LAYOUTS = (iso_utc, local_with_commas, half_day_clock, units_in_a_line, by_description, parquet)


def read(file: Path) -> IntervalRecords:
    (one,) = interval_records(file)
    return one


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_value_unit_phase_and_statistic_of_a_layout_is_read(
    tmp_path: Path, layout: Callable[[Path, dict[str, np.ndarray]], Path]
) -> None:
    values = drawn()
    found = read(layout(tmp_path, values))
    assert found.left_out == ()
    assert found.step_s == STEP_S
    starts = round(START.timestamp()) * 10**9 + np.arange(N) * STEP_S * 10**9
    np.testing.assert_array_equal(found.starts_ns, starts)
    assert {one.column for one in found.series} == set(values)
    for one in found.series:  # six decimals of the unit written
        np.testing.assert_allclose(one.values, values[one.column], atol=6e-4, err_msg=one.label)


def declared_230(file: Path, interval_s: float = 600.0) -> list[StoredTrend]:
    return recorded_trends(
        file, sites=SiteTable(), declared=Declared(nominal_voltage_v=230.0), thresholds=Thresholds(),
        interval_s=interval_s,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("low", [False, True])
def test_all_layouts_give_the_verdicts_that_the_drawn_values_give(tmp_path: Path, low: bool) -> None:
    values = drawn()
    if low:  # a tenth of the week at 190 V: below 90 % of 230 V
        for name in [name for name in values if name.startswith("u_rms_b")]:
            values[name] = np.where(np.arange(N) % 10 == 0, values[name] - 40, values[name])
    inside = np.mean((values["u_rms_b"] >= 207) & (values["u_rms_b"] <= 253))
    profile = load_limit_profile("en-50160-lv")
    for layout in LAYOUTS:
        folder = tmp_path / layout.__name__
        folder.mkdir()
        (found,) = judge_trends(declared_230(layout(folder, values)), profile, declared=Declared(230.0)).values()
        (judged,) = [one for one in found if one.name == "voltage, 95 % of a week" and one.series == "u_rms_b"]
        assert judged.verdict == ("exceeded" if inside < 0.95 else "met")
        assert judged.share_pct == pytest.approx(100 * inside)
        assert (judged.n, judged.n_missing, judged.n_flagged) == (N, 0, 0)


def test_a_gap_is_missing_and_a_status_that_is_not_in_order_flags(tmp_path: Path) -> None:
    lines = ["time,U L1 avg (V),status"]
    lines += [f"2026-03-02 {i // 6:02d}:{i % 6}0:00,{230 + i},{'OK' if i % 7 else 'bad'}" for i in range(60) if i != 30]
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    found = read(tmp_path / "a.csv")
    assert found.starts_ns.size == 59
    assert found.flagged.sum() == len([i for i in range(60) if i % 7 == 0])
    assert "read as UTC" in found.notes[0]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("time,T (C)\n2026-03-02 00:00:00,1\n2026-03-02 00:10:00,2\n2026-03-02 00:20:00,2\n", "no column states"),
        ("time,U L1 (V)\n02/03/2026 00:00:00,1\n02/03/2026 00:10:00,2\n02/03/2026 00:20:00,2\n", "day or the month"),
        ("time,U L1 (V)\n2026-10-25 02:40:00,1\n2026-10-25 02:50:00,2\n2026-10-25 03:00:00,2\n2026-10-25 02:00:00,1\n",
         "give time_zone"),
        ("time,U L1 (V)\n2026-10-25 02:40:00,1\n2026-10-25 02:50:00,x\n2026-10-25 03:00:00,2\n", "are not numbers"),
        ("time,U L1 (V)\n2026-10-25 02:40:00,1\n2026-10-25 02:50:00,-2\n2026-10-25 03:00:00,2\n", "below zero"),
        ("time,U L1 (V),V1 (V)\n2026-10-25 02:40:00,1,1\n2026-10-25 02:50:00,2,1\n2026-10-25 03:00:00,2,1\n",
         "both map to u_rms_a"),
    ],
)  # fmt: skip
def test_what_cannot_be_told_is_refused_with_the_reason(tmp_path: Path, text: str, reason: str) -> None:
    (tmp_path / "a.csv").write_text(text)
    with pytest.raises(ReadError, match=reason):
        interval_records(tmp_path / "a.csv")


def test_an_hour_that_summer_time_leaves_out_is_refused_and_one_that_is_there_twice_is_told_by_order(
    tmp_path: Path,
) -> None:
    (tmp_path / "a.csv").write_text(
        "time,U L1 (V)\n2026-03-29 01:40:00,1\n2026-03-29 01:50:00,2\n2026-03-29 02:10:00,2\n2026-03-29 03:20:00,2\n"
    )
    (tmp_path / "a.csv.toml").write_text('[intervals]\ntime_zone = "Europe/Vienna"\n')
    with pytest.raises(ReadError, match=r"row 3.*does not exist"):
        interval_records(tmp_path / "a.csv")


@pytest.mark.parametrize(
    ("name", "unit", "told"),
    [
        ("Vrms AN Avg", "V", ColumnMeaning("u_rms", "A", "average")),
        ("U L1-L2 max", "kV", ColumnMeaning("u_rms", "AB", "largest", 1e3)),
        ("I_N max", "A", ColumnMeaning("i_rms", "N", "largest")),
        ("Active power L2 mean", "MW", ColumnMeaning("p", "B", "average", 1e6)),
        ("P total", "kW", ColumnMeaning("p_total", "", "average", 1e3)),
        ("Q", "kvar", ColumnMeaning("q1_total", "", "average", 1e3)),
        ("cos phi L1", None, ColumnMeaning("dpf", "A", "average")),
        ("PF L1", "%", ColumnMeaning("pf", "A", "average", 0.01)),
        ("Pst L3", "", ColumnMeaning("pst", "C", "average")),
        ("h05 U L1", "V", ColumnMeaning("uh05", "A", "average")),
    ],
)  # fmt: skip
def test_names_of_the_trade_say_quantity_phase_and_statistic(name: str, unit: str | None, told: ColumnMeaning) -> None:
    assert told_by(name, unit) == told


@pytest.mark.parametrize(
    ("name", "unit", "reason"),
    [
        ("S total", "kVA", "several definitions"),
        ("Harmonic 5 U L1", "%", "does not state which"),
        ("U avg", "V", "no phase"),
        ("U L1 L2", "V", "phases A and B"),
        ("U L1 min max", "V", "two statistics"),
        ("Temperature", "degC", "is not known"),
        ("THD L1", "%", "of voltage or current"),
        ("Frequency L1", "Hz", "has no phase"),
        ("U L1", "A", "does not match|neither"),
        ("Humidity", "%", "neither its name nor its unit"),
    ],
)  # fmt: skip
def test_a_name_that_leaves_a_doubt_is_left_out_with_the_reason(name: str, unit: str, reason: str) -> None:
    with pytest.raises(Unclear, match=reason):
        told_by(name, unit)


def test_least_and_largest_values_flag_what_passed_and_an_average_that_stays_off_flags_nothing(tmp_path: Path) -> None:
    """As IEC 61000-4-30, 4.7: a sag or swell flags, chronic undervoltage must be able to breach."""
    lines = ["time,U L1 avg (V),U L1 min (V),U L1 max (V)"]
    cells = [(230, 228, 232), (229, 150, 231), (231, 229, 265), (200, 198, 203), (180, 5, 231)]
    lines += [f"2026-03-02 00:{i}0:00,{a},{b},{c}" for i, (a, b, c) in enumerate(cells)]
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    (one,) = declared_230(tmp_path / "a.csv")
    assert one.trend.table.column("flag").to_pylist() == [False, True, True, False, True]
    assert one.trend.table.column("interrupted").to_pylist() == [False, False, False, False, True]


def pair(
    change: Callable[[dict[str, np.ndarray]], dict[str, np.ndarray]], *, late_s: int = 0
) -> tuple[StoredTrend, StoredTrend]:
    values = {name: one for name, one in drawn().items() if not name.endswith(("_min", "_max"))}

    def stored(columns: dict[str, np.ndarray], origin: str, shift_s: int) -> StoredTrend:
        starts = round(START.timestamp()) * 10**9 + (np.arange(N) * STEP_S + shift_s) * 10**9
        table = pa.table({
            "start": pa.array(starts, pa.timestamp("ns", tz="UTC")), "measured": np.ones(N, np.float32),
            "flag": np.zeros(N, np.bool_), **columns,
        })  # fmt: skip
        return StoredTrend(Trend(table, 230.0), Certificate("Mill", "", origin, 600.0))  # type: ignore[arg-type]

    return stored(values, "measured from waveforms", 0), stored(
        change(dict(values)), "recorded by the instrument", late_s
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "late_s", "finding"),
    [
        (lambda v: v, 0, None),
        (lambda v: {name: one * 1.003 for name, one in v.items()}, 0, None),
        (lambda v: v | {"i_rms_a": 20 * v["i_rms_a"]}, 0, "i_rms_a is 20 times"),
        (lambda v: v | {f"u_rms_{p}": v[f"u_rms_{p}"] * 3**0.5 for p in "abc"}, 0, "to neutral: wiring"),
        (lambda v: v | {"p_total": -v["p_total"]}, 0, "sign of power is reversed"),
        (lambda v: v | {"u_rms_a": v["u_rms_b"], "u_rms_b": v["u_rms_a"]}, 0, "u_rms_b of the waveforms: wiring"),
        (lambda v: v, 600, "stamps lie 600 s later"),
        (lambda v: v, 3600, "stamps lie 3600 s later"),
        (lambda v: v, -7200, "stamps lie -7200 s later"),
        (lambda v: v | {"i_rms_c": v["i_rms_c"][::-1]}, 0, "i_rms_c differs by .* not by a constant ratio"),
    ],
)  # fmt: skip
def test_a_disagreement_with_the_waveforms_is_a_finding_about_ratio_clock_or_wiring(
    change: Callable[[dict[str, np.ndarray]], dict[str, np.ndarray]], late_s: int, finding: str | None
) -> None:
    told, found = compared(pair(change, late_s=late_s))
    assert len(told) == 1
    texts = " | ".join(one.text for one in found)
    if finding is None:
        assert texts == ""
    else:
        import re

        assert re.search(finding, texts), texts


@pytest.mark.slow
def test_measure_reads_them_and_screen_and_inspect_do_not_take_them_for_waveforms(tmp_path: Path) -> None:
    file = iso_utc(tmp_path, drawn())
    done = halfcycle(
        "measure", file, "--out", tmp_path / "t.parquet", "--nominal-voltage", "230", "--limits", "en-50160-lv",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "1008 intervals of 600 s, recorded by the instrument" in done.stdout
    again = halfcycle("measure", tmp_path / "t.parquet", "--limits", "en-50160-lv")
    assert again.stdout.splitlines()[-2:] == done.stdout.splitlines()[-2:]
    screened = halfcycle("screen", file, "--out", tmp_path / "e.csv", "--notes")
    assert "interval records of 600 s" in screened.stdout
    shown = halfcycle("inspect", file)
    assert "interval records of 600 s" in shown.stdout
