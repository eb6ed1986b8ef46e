"""Indices against the worked values of IEEE 1564, EN 50160 cells, ride-through curves and exact intervals."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from scipy import integrate, stats

from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.errors import ConfigError, SignalError
from halfcycle.pipeline.events import Event, Uncertainty
from halfcycle.pipeline.indices.cells import cell_probabilities, count_cells, grid, grids
from halfcycle.pipeline.indices.counted import Counted, counted_by, per_phase, polyphase, time_aggregated
from halfcycle.pipeline.indices.coverage import CoverageSpan, coverage_table, exposure_of, read_coverage
from halfcycle.pipeline.indices.curves import curve, curves
from halfcycle.pipeline.indices.rates import Exposure, by_month, dispersion, poisson_interval, scaled
from halfcycle.pipeline.indices.sarfi import LEVELS_PCT, sarfi, sarfi_curve, system_sarfi, worse_than
from halfcycle.pipeline.indices.severity import event_energy_s, lost_voltage_s, sag_energy_s, sag_score, severity
from halfcycle.pipeline.indices.table import index_rows, index_table
from halfcycle.pipeline.resources import resource

IEEE_1564 = "IEEE Std 1564-2014; definitions in substance, worked values calculated from them by hand"
EN_50160 = "EN 50160:2010, tables 2 and 5 (from memory; a public excerpt agrees with the classes)"
S = 1_000_000_000


def counted(start_s: float, residual: float, duration_s: float, *, kind: str = "sag", site: str = "S") -> Counted:
    return Counted(site, None, kind, round(start_s * 1e9), residual, duration_s, (f"{start_s}",))  # type: ignore[arg-type]


def event(start_s: float, magnitude: float, observed_s: float, **more: object) -> Event:
    given: dict[str, object] = {
        "event_id": f"{start_s}-{magnitude}", "site": "S", "kind": "sag", "start": round(start_s * 1e9),
        "duration_s": observed_s, "observed_s": observed_s, "magnitude": magnitude, "phases": "A",
        "line_to_line": False, "reference_v": 230.0, "capture": "d",
    }  # fmt: skip
    return Event(**{**given, **more})  # type: ignore[arg-type]


WORKED = [
    counted(*one) for one in ((0, 0.62, 0.12), (0.9, 0.55, 0.10), (31, 0.00, 2.0), (95, 0.83, 0.3), (4000, 0.45, 0.08))
]


# --- SARFI


@pytest.mark.parametrize(("level", "raw", "aggregated"), [(90, 5, 3), (80, 4, 2), (70, 4, 2), (50, 2, 2), (10, 1, 1)])
def test_sarfi_of_the_worked_site(level: float, raw: int, aggregated: int) -> None:
    # IEEE_1564.
    assert sarfi(WORKED, level) == raw
    assert sarfi(time_aggregated(WORKED, window_s=60), level) == aggregated


@pytest.mark.parametrize(("name", "raw", "aggregated"), [("iti", 4, 2), ("semi-reference", 2, 2)])
def test_sarfi_by_curve_of_the_worked_site(name: str, raw: int, aggregated: int) -> None:
    # IEEE_1564.
    assert sarfi_curve(WORKED, curve(name)) == raw
    assert sarfi_curve(time_aggregated(WORKED, window_s=60), curve(name)) == aggregated


def test_aggregation_in_time_keeps_the_worst_and_does_not_slide() -> None:
    # IEEE_1564: the window starts at the first event; 0 and 50 s are one, 70 s is more than 60 s from 0.
    merged = time_aggregated([counted(0, 0.8, 0.1), counted(50, 0.6, 0.2), counted(70, 0.7, 0.3)], window_s=60)
    assert [(one.start // S, one.magnitude_pu, one.duration_s) for one in merged] == [(0, 0.6, 0.2), (70, 0.7, 0.3)]
    assert merged[0].event_ids == ("50", "0")
    apart = time_aggregated([counted(0, 0.8, 0.1), counted(1, 1.2, 0.1, kind="swell"), counted(2, 0.5, 0.1, site="T")])
    assert len(apart) == 3


def test_an_event_on_the_level_is_not_beyond_it_and_a_long_one_is_not_counted() -> None:
    # IEEE_1564: below X %, half a cycle to 60 s.
    assert sarfi([counted(0, 0.9, 1)], 90) == 0
    assert sarfi([counted(0, 0.8999, 60)], 90) == 1
    assert sarfi([counted(0, 0.5, 60.1)], 90) == 0
    assert sarfi([counted(0, 1.1, 1, kind="swell")], 110) == 0
    assert sarfi([counted(0, 1.1001, 1, kind="swell")], 110) == 1
    for wrong in (0, -1, 100):
        with pytest.raises(SignalError):
            sarfi([], wrong)


def drawn(seed: int, n: int = 400) -> list[Counted]:
    import numpy as np

    draw = np.random.default_rng(seed)
    made = []
    for _ in range(n):
        kind = "swell" if draw.random() < 0.3 else "sag"
        level = draw.uniform(1.02, 1.6) if kind == "swell" else draw.uniform(0, 0.98)
        seconds = float(10 ** draw.uniform(-2, 2.2))
        made.append(counted(draw.uniform(0, 4000), float(level), seconds, kind=kind, site=f"S{draw.integers(4)}"))
    return made


@pytest.mark.parametrize("seed", range(5))
def test_sarfi_of_a_drawn_fleet_is_that_of_a_twin_that_counts_by_hand(seed: int) -> None:
    # Brute force from the definition: look at each event of each site, one by one.
    fleet = drawn(seed)
    for level in LEVELS_PCT:
        for site in ("S0", "S1", "S2", "S3"):
            by_hand = 0
            for one in fleet:
                if one.site != site or one.duration_s > 60:
                    continue
                beyond = one.magnitude_pu * 100 < level if level < 100 else one.magnitude_pu * 100 > level
                if beyond and ((one.variation == "sag") == (level < 100)):
                    by_hand += 1
            assert sarfi([one for one in fleet if one.site == site], level) == by_hand
    steps = {
        "iti": [(0.02, 0), (0.5, 0.7), (10, 0.8), (1e9, 0.9)],
        "semi-f47": [(0.02, 0), (0.2, 0.5), (0.5, 0.7), (1, 0.8), (1e9, 0.9)],
    }
    for name, table in steps.items():
        by_hand = 0
        for one in fleet:
            if one.variation == "sag" and one.duration_s <= 60:
                limit = next(level for until, level in table if one.duration_s <= until)
                by_hand += one.magnitude_pu < limit
        assert sarfi_curve(fleet, curve(name)) == by_hand


@pytest.mark.parametrize("seed", range(5))
def test_aggregation_in_time_of_a_drawn_fleet_is_that_of_a_twin(seed: int) -> None:
    # Brute force: per site and kind, take the first event left, throw together all within a minute, repeat.
    fleet = drawn(seed)
    for site in ("S0", "S1"):
        for kind in ("sag", "swell"):
            left = sorted(
                (one for one in fleet if (one.site, one.variation) == (site, kind)), key=lambda one: one.start
            )
            expected = []
            while left:
                group = [one for one in left if one.start - left[0].start <= 60 * S]
                worst = (max if kind == "swell" else min)(group, key=lambda one: one.magnitude_pu)
                expected.append((left[0].start, worst.magnitude_pu, worst.duration_s))
                left = left[len(group) :]
            got = [one for one in time_aggregated(fleet, window_s=60) if (one.site, one.variation) == (site, kind)]
            assert [(one.start, one.magnitude_pu, one.duration_s) for one in got] == expected


@pytest.mark.parametrize("seed", range(3))
def test_sarfi_falls_with_depth_and_is_the_sum_of_its_spans(seed: int) -> None:
    # IEEE_1564: SARFI-90 >= SARFI-80 >= …; SARFI-90 = SIARFI-90 + SMARFI-90 + STARFI-90.
    fleet = drawn(seed)
    for nominal_hz in (50.0, 60.0):
        spans = [sarfi(fleet, 90, span=s, nominal_hz=nominal_hz) for s in ("instantaneous", "momentary", "temporary")]  # type: ignore[arg-type]
        assert sum(spans) == sarfi(fleet, 90)
        assert all(spans)
    down = [sarfi(fleet, level) for level in (90, 80, 70, 50, 10)]
    assert down == sorted(down, reverse=True)
    assert sarfi(fleet, 110) >= sarfi(fleet, 120) >= sarfi(fleet, 140)
    assert worse_than(fleet, magnitude_pu=0.5, duration_s=1) <= worse_than(fleet, magnitude_pu=0.7, duration_s=0.5)


def test_a_systems_sarfi_is_weighted_by_customers() -> None:
    # IEEE_1564: sum over events of customers below X, over customers served; (2*10 + 6*30) / 40 = 5, by hand.
    assert system_sarfi({"a": 2, "b": 6}) == 4
    assert system_sarfi({"a": 2, "b": 6}, weights={"a": 10, "b": 30}) == 5
    with pytest.raises(SignalError):
        system_sarfi({})


# --- curves


@pytest.mark.parametrize(
    ("name", "magnitude", "duration_s", "region"),
    [
        ("iti", 0.0, 0.020, "inside"),
        ("iti", 0.0, 0.0201, "below"),
        ("iti", 0.7, 0.5, "inside"),
        ("iti", 0.7, 0.5001, "below"),
        ("iti", 0.69, 0.3, "below"),
        ("iti", 0.8, 10, "inside"),
        ("iti", 0.8, 10.1, "below"),
        ("iti", 0.9, 1e4, "inside"),
        ("iti", 1.2, 0.5, "inside"),
        ("iti", 1.2, 0.51, "above"),
        ("iti", 1.21, 0.1, "above"),
        ("iti", 1.3, 0.003, "inside"),
        ("iti", 1.41, 0.003, "above"),
        ("iti", 1.99, 0.001, "inside"),
        ("iti", 5.1, 0.0001667, "above"),
        ("semi-f47", 0.5, 0.2, "inside"),
        ("semi-f47", 0.49, 0.2, "below"),
        ("semi-f47", 0.7, 0.5, "inside"),
        ("semi-f47", 0.8, 1.0, "inside"),
        ("semi-f47", 0.8, 1.1, "below"),
        ("semi-f47", 2.0, 1.0, "inside"),
        ("iec-class-2", 0.7, 0.5, "inside"),
        ("iec-class-3", 0.4, 0.2, "inside"),
        ("iec-class-3", 0.8, 5, "inside"),
        ("iec-class-3-60hz", 0.0, 1 / 60, "inside"),
        ("iec-class-3-60hz", 0.0, 0.02, "below"),
    ],
)
def test_where_events_lie_against_curves(name: str, magnitude: float, duration_s: float, region: str) -> None:
    # Corners: ITI curve of 2000 (found), SEMI F47-0706 (50 % for 0.2 s found, rest from memory), IEC 61000-4-11
    # (found); an event on a line is inside.
    assert curve(name).region(magnitude, duration_s) == region


def test_the_slope_of_the_iti_curve_is_linear_over_the_logarithm_of_time() -> None:
    # Our stated choice: halfway between 1 and 3 ms on a logarithmic axis lies halfway between 200 and 140 %.
    assert curve("iti").upper_pu((0.001 * 0.003) ** 0.5) == pytest.approx(1.7)
    assert curve("iti").upper_pu(1e-5) is None
    assert curve("semi-f47").upper_pu(1.0) is None


@pytest.mark.parametrize(
    ("name", "cells"),
    [("iec-class-2", {"A1", "A2", "B1", "B2"}), ("iec-class-3", {"A1", "A2", "A3", "A4", "B1", "B2", "C1"})],
)
def test_classes_of_immunity_cover_the_cells_of_en_50160_that_it_says(name: str, cells: set[str]) -> None:
    # EN_50160, note to the table of dips: class 2 and class 3. A cell is covered if its worst corner is.
    table = grid("en-50160-dips")
    covered = {
        row.label + column.label
        for row in table.rows
        for column in table.columns
        if curve(name).region(row.low / 100, column.high / 1000) == "inside"
    }
    assert covered == cells


def test_unknown_names_are_refused_with_those_that_there_are() -> None:
    with pytest.raises(ConfigError, match="iti"):
        curve("none")
    with pytest.raises(ConfigError, match="en-50160-dips"):
        grid("none")
    assert len({one.name for one in curves()}) == len(curves()) == 7


def test_every_figure_of_the_data_files_has_a_source_and_a_mark() -> None:
    for name in ("ride-through-curves", "magnitude-duration-cells"):
        with resource("datasets", f"indices/{name}.csv").open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                assert row["source"]
                assert row["mark"] in {"found", "memory", "calculated"}


# --- cells


@pytest.mark.parametrize(
    ("u_pct", "t_ms", "cell"),
    [
        (40, 200, "C1"), (39.9, 200, "D1"), (70, 500, "B2"), (70, 501, "B3"), (80, 5000, "A4"), (89.9, 60000, "A5"),
        (90, 100, None), (5, 10, "D1"), (4.9, 10, "X1"), (4.9, 9, None), (80, 60001, None),
    ],
)  # fmt: skip
def test_cells_of_the_dip_table(u_pct: float, t_ms: float, cell: str | None) -> None:
    # EN_50160, vectors calculated from its edges.
    assert grid("en-50160-dips").cell(u_pct, t_ms) == cell


@pytest.mark.parametrize(
    ("u_pct", "t_ms", "cell"),
    [(120, 500, "S1"), (119.9, 500, "T1"), (110, 500, None), (110.1, 501, "T2"), (130, 5001, "S3"), (130, 60001, None)],
)
def test_cells_of_the_swell_table(u_pct: float, t_ms: float, cell: str | None) -> None:
    # EN_50160, vectors calculated from its edges.
    assert grid("en-50160-swells").cell(u_pct, t_ms) == cell


def test_every_sag_is_in_one_cell_or_in_none_and_nothing_is_lost() -> None:
    fleet = [one for one in drawn(1) if one.variation == "sag"]
    for table in grids():
        cells = count_cells(fleet, table)
        assert sum(cells.counts.values()) + cells.outside == len(fleet)
        assert cells.expected == pytest.approx({name: float(n) for name, n in cells.counts.items()})
        assert set(cells.variance.values()) == {0.0}


def test_an_event_near_an_edge_belongs_to_two_cells() -> None:
    # Worked: residual 0.703 ± 0.002 -> 6.7 % below 0.70; 196 ms ± 4.1 ms -> 16 % beyond 200 ms (normal distribution).
    table = grid("en-50160-dips")
    low = Counted("S", None, "sag", 0, 0.703, 0.1, magnitude_u=0.002)
    assert cell_probabilities(low, table) == pytest.approx({"B1": 0.9332, "C1": 0.0668}, abs=5e-4)
    late = Counted("S", None, "sag", 0, 0.75, 0.196, duration_s_u=0.0041)
    found = cell_probabilities(late, table)
    assert found["B2"] == pytest.approx(0.16, abs=0.006)
    assert found["B2"] == pytest.approx(stats.norm.sf(200, 196, 4.1))
    cells = count_cells([low, low], table)
    assert cells.expected["C1"] == pytest.approx(2 * 0.0668, abs=1e-3)
    assert cells.variance["C1"] == pytest.approx(2 * 0.0668 * 0.9332, abs=1e-3)


# --- severity


@pytest.mark.parametrize(("v", "d", "energy"), [(0.5, 0.2, 0.150), (0.7, 0.5, 0.255), (0, 0.1, 0.100), (0.9, 1, 0.190)])
def test_sag_energy_of_the_worked_sags_and_by_integration(v: float, d: float, energy: float) -> None:
    # IEEE_1564.
    assert sag_energy_s(v, d) == pytest.approx(energy)
    assert sag_energy_s(v, d) == pytest.approx(integrate.quad(lambda t: 1 - v**2, 0, d)[0])
    assert event_energy_s([0.5, 0.5, 1.0], [0.2] * 3) == pytest.approx(0.3)
    assert sag_energy_s(1.2, 1.0) == 0
    assert lost_voltage_s(0.5, 0.2) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("name", "v", "d", "se"),
    [
        ("semi-reference", 0.5, 0.1, 1.0), ("semi-reference", 0.3, 0.2, 1.4), ("semi-reference", 0.7, 0.3, 1.0),
        ("semi-reference", 0.6, 0.3, 1.333), ("semi-reference", 0.75, 2, 1.25), ("semi-reference", 0, 0.015, 1.0),
        ("iti", 0.6, 0.1, 1.333), ("iti", 0.85, 2, 0.75), ("semi-reference", 0.5, 20, 5.0),
    ],
)  # fmt: skip
def test_severity_of_the_worked_sags(name: str, v: float, d: float, se: float) -> None:
    # IEEE_1564 (values from memory): 1 - V, times 1, 2, 3.33, 5 or 10 by duration for the SEMI reference.
    assert severity(v, d, curve(name)) == pytest.approx(se, abs=6e-4)


def test_sag_score_is_the_mean_depth_of_three_phases() -> None:
    # Quoted in IEEE_1564 (from memory): 1 - (Va + Vb + Vc) / 3.
    assert sag_score([0.5, 0.8, 0.8]) == pytest.approx(0.3)
    with pytest.raises(SignalError):
        sag_score([0.5])


# --- how events are counted


def test_one_fault_is_counted_per_phase_per_point_and_per_minute() -> None:
    # Derived by hand. A sag on A and B with an interruption of A within it; a swell meanwhile; a later sag that
    # overlaps the first; a second one 30 s on.
    fault = event(10, 0.02, 0.5, phases="AB", magnitude_a=0.02, magnitude_b=0.6, duration_a_s=0.5, duration_b_s=0.2)
    inside = event(10.1, 0.02, 0.3, kind="interruption", part_of=fault.event_id, magnitude_a=0.02)
    swell = event(10, 1.2, 0.4, kind="swell", phases="C", magnitude_c=1.2, duration_c_s=0.4)
    overlapping = event(10.3, 0.7, 0.9, phases="C", magnitude_c=0.7, duration_c_s=0.9)
    later = event(40, 0.8, 0.1, phases="A", magnitude_a=0.8, duration_a_s=0.1)
    other = event(10, 0.5, 0.1, kind="oscillatory_transient")
    every = [later, fault, inside, swell, overlapping, other]
    ways = counted_by(every)
    assert {basis: len(found) for basis, found in ways.items()} == {
        "per phase": 5, "polyphase": 3, "time-aggregated": 2,
    }  # fmt: skip
    first = next(one for one in ways["polyphase"] if one.variation == "sag")
    assert first.magnitude_pu == 0.02
    assert first.duration_s == pytest.approx(1.2)  # from 10 s to 11.2 s
    assert first.event_ids == (fault.event_id, overlapping.event_id)
    assert polyphase([fault, event(10.3, 0.7, 0.9, point="bus 2")])[1].point == "bus 2"
    assert len(per_phase([event(0, 0.5, 0.1)])) == 1
    alone = event(10.1, 0.02, 0.3, kind="interruption", part_of="not in this table")
    assert len(polyphase([alone])) == 1


# --- rates


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [(0, 0, 3.7), (1, 0.0, 5.6), (3, 0.6, 8.8), (10, 4.8, 18.4), (30, 20, 43), (100, 81, 122), (400, 362, 441)],
)
def test_poisson_intervals(n: int, low: float, high: float) -> None:
    # Worked by the chi-square distribution; and by the definition: each tail of the Poisson distribution holds 2.5 %.
    got = poisson_interval(n)
    assert got == pytest.approx((low, high), abs=0.06 if n <= 10 else 0.6)
    assert stats.poisson.cdf(n, got[1]) == pytest.approx(0.025)
    if n:
        assert stats.poisson.sf(n - 1, got[0]) == pytest.approx(0.025)


def test_a_rate_is_scaled_by_judged_time_and_withheld_where_too_little_was_judged() -> None:
    # By hand: 6 events in 60 judged days of 62 are 3 in 30 days. Nine tenths: common practice, from memory.
    day = 86_400.0
    rate = scaled(6, Exposure(60 * day, 62 * day))
    assert rate.value == pytest.approx(3.0)
    assert rate.low == pytest.approx(poisson_interval(6)[0] / 2)
    assert not rate.withheld
    assert scaled(6, Exposure(60 * day, 62 * day), days=365).value == pytest.approx(36.5)
    short = scaled(6, Exposure(8.9 * day, 10 * day))
    assert short.value is short.low is short.high is None
    assert "89 %" in short.withheld
    assert scaled(6, Exposure(9 * day, 10 * day)).value is not None
    assert "unknown" in scaled(6, None).withheld
    with pytest.raises(SignalError):
        poisson_interval(-1)


def test_months_without_an_event_count_and_dispersion_is_variance_over_mean() -> None:
    # By hand: counts 4, 0, 2 have mean 2 and variance 4.
    start = 1_767_225_600 * S  # 2026-01-01
    starts = [start, start + S, start + 2 * S, start + 3 * S, start + 60 * 86_400 * S, start + 61 * 86_400 * S]
    months = by_month(starts, from_ns=start, to_ns=start + 70 * 86_400 * S)
    assert months == {"2026-01": 4, "2026-02": 0, "2026-03": 2}
    assert dispersion(list(months.values())) == pytest.approx(2.0)
    assert dispersion([3]) is None
    assert dispersion([0, 0]) is None


# --- coverage and the table


def test_exposure_is_what_was_judged_of_the_period() -> None:
    spans = [
        CoverageSpan("S", None, 0, 100 * S, 95.0, 5.0, "missing samples"),
        CoverageSpan("S", None, 100 * S, 200 * S, 80.0),
        CoverageSpan("T", None, 0, 200 * S, 10.0),
    ]
    assert exposure_of(spans, "S") == Exposure(175.0, 200.0)
    assert exposure_of(spans, "S", from_ns=0, to_ns=400 * S) == Exposure(175.0, 400.0)
    assert exposure_of(spans, "U") is None
    assert (spans[0].missing_s, spans[1].missing_s) == (0.0, 20.0)
    two = [CoverageSpan("S", point, 0, 100 * S, judged) for point, judged in (("a", 90.0), ("b", 100.0))]
    assert exposure_of(two, "S") == Exposure(95.0, 100.0)


@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_coverage_is_read_back_as_it_was_written(tmp_path: Path, ending: str) -> None:
    spans = [CoverageSpan("S", None, 5, 100 * S + 7, 95.0, 5.0, "missing samples"), CoverageSpan("T", "p", 0, S, 1.0)]
    write_table(coverage_table(spans), tmp_path / f"c{ending}")
    assert read_coverage(tmp_path / f"c{ending}") == spans
    (tmp_path / "x.csv").write_text("a,b\n1,2\n")
    for wrong in ("none.csv", "x.csv", "x.txt"):
        with pytest.raises(ConfigError):
            read_coverage(tmp_path / wrong)


def test_the_table_holds_every_index_of_every_site_with_its_rule() -> None:
    events = [event(100 * i, 0.62, 0.12, phases="A", magnitude_a=0.62, duration_a_s=0.12) for i in range(4)]
    rows = index_rows(events, coverage=[CoverageSpan("quiet", None, 0, S, 1.0)], judged_days=30)
    by_name = {(row.site, row.index, row.item, row.basis): row for row in rows}
    row = by_name["S", "SARFI-X", "70 %", "polyphase"]
    assert (row.value, row.rate) == (4, pytest.approx(4.0))
    assert row.rate_low == pytest.approx(poisson_interval(4)[0])
    assert row.rule
    assert by_name["S", "SARFI-curve", "iti", "per phase"].value == 4
    assert by_name["S", "EN 50160 dips", "C1", "polyphase"].value == 4
    assert by_name["S", "sag energy", "sum", "per phase"].value == pytest.approx(4 * (1 - 0.62**2) * 0.12)
    assert by_name["S", "severity", "worst", "polyphase"].value == pytest.approx(0.76)
    assert by_name["quiet", "SARFI-X", "90 %", "polyphase"].value == 0
    table = index_table(rows)
    assert table.num_rows == len(rows)
    unknown = index_rows(events)
    assert all(row.rate is None for row in unknown)
    assert "unknown" in unknown[0].withheld
    outside = index_rows(events, period_ns=(150 * S, 250 * S), judged_days=1)
    assert next(r for r in outside if (r.index, r.item) == ("SARFI-X", "70 %")).value == 1


# --- what stands beside the counts


def test_a_systems_row_is_the_mean_of_its_sites_and_has_a_rate_only_where_all_have() -> None:
    # By hand: three sags below 90 % at A, one at B; the mean is 2 events a site, and 2 in 30 days of 30 judged.
    events = [event(k * 1000.0, 0.5, 0.2, site="A") for k in range(3)] + [event(50.0, 0.5, 0.2, site="B")]
    made = index_rows(events, judged_days=30)
    system = {one.item: one for one in made if one.index == "system SARFI-X" and one.basis == "polyphase"}
    assert (system["90 %"].value, system["90 %"].rate) == (2.0, pytest.approx(2.0))
    assert system["10 %"].value == 0.0
    unknown = {one.item: one for one in index_rows(events) if one.index == "system SARFI-X"}
    assert unknown["90 %"].rate is None
    assert "2 of 2 sites have no rate" in unknown["90 %"].withheld
    assert not [one for one in index_rows(events[:3]) if one.index == "system SARFI-X"]


def test_the_contour_counts_what_is_at_least_as_deep_and_as_long() -> None:
    events = [event(0, 0.5, 0.2), event(1000, 0.7, 1.0), event(2000, 0.05, 0.1)]
    counts = {one.item: one.value for one in index_rows(events) if one.index == "sags as deep and as long"}
    # By hand: at 70 % or less there are three, two of them of 0.2 s or longer, one of a second.
    assert [counts[f"70 %, {s} s"] for s in ("0.1", "0.2", "1", "5")] == [3, 2, 1, 0]
    assert counts["10 %, 0.1 s"] == 1


def test_cells_of_a_catalogue_carry_their_expected_counts() -> None:
    # The reference figures: 0.703 with 0.002 pu lies in the row below 70 % with 6.7 %; 196 ms with half a cycle's
    # rectangular error at both ends, 4.1 ms, lies beyond 200 ms with 16 % [calculated].
    made = {one.item: one for one in index_rows([event(0, 0.703, 0.1)]) if one.index == "EN 50160 dips"}
    assert made["B1"].value == 1
    assert made["C1"].expected == pytest.approx(0.067, abs=5e-4)
    assert made["B1"].expected == pytest.approx(0.933, abs=5e-4)
    assert made["C1"].expected_u == pytest.approx((0.067 * 0.933) ** 0.5, abs=2e-3)
    made = {one.item: one for one in index_rows([event(0, 0.75, 0.196)]) if one.index == "EN 50160 dips"}
    assert made["B2"].expected == pytest.approx(0.164, abs=2e-3)


def test_energy_of_the_worst_row_and_sag_score_by_hand() -> None:
    # Three phases at 0.5, 0.5 and 1.0 for 0.2 s: energy 0.3 s [calculated in the reference figures], score 1/3.
    phases = {f"magnitude_{p}": v for p, v in zip("abc", (0.5, 0.5, 1.0), strict=True)}
    lasted = {f"duration_{p}_s": 0.2 for p in "abc"}
    made = {(one.index, one.item): one.value for one in index_rows([event(0, 0.5, 0.2, **phases, **lasted)])}
    assert made["sag energy", "worst row"] == pytest.approx(0.3)
    assert made["sag score", "sum"] == pytest.approx(1 / 3)
    assert made["sag energy", "sum"] == pytest.approx(0.3)


def test_what_a_row_says_of_its_uncertainty_goes_into_its_cells() -> None:
    # JCGM 100, F.2.4.5: of a magnitude that is not corrected, √(u² + bias²); a row that tells none has that of Class A.
    told = Uncertainty(magnitude_u=0.003, magnitude_corrected=0.804)
    (own,) = polyphase([event(0.0, 0.8, 0.1, uncertainty=told)])
    (usual,) = polyphase([event(0.0, 0.8, 0.1)])
    assert (own.magnitude_u, usual.magnitude_u) == (pytest.approx(0.005), 0.002)
