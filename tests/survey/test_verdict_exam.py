"""Drawn weeks and years of trends with known truth, under every profile: no false "met", no false "exceeded".

The verdicts are compared with `twins.twin_compliance`, which tries every fate of the missing intervals, and with what
the same intervals say once the missing ones are shown.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from time import perf_counter

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest
from twins.twin_compliance import TwinInterval, TwinLimit, twin_limits, twin_periods, twin_verdict

from halfcycle.pipeline.resources import resource_names
from halfcycle.pipeline.survey.compliance import Assessment, assess, load_limit_profile

ROOT = Path(__file__).resolve().parents[2]
PROFILES = resource_names("configs", "limits", ".toml")
NOT_MEASURED = ("u_sig",)  # not drawn: its bound depends on the frequency of the signal
DAY_S = 86_400
PERIOD_DAYS = {"day": 1, "week": 7, "year": 365}
ONE_PERCENT = Fraction(1, 100)


@dataclass(frozen=True)
class World:
    """A trend with its truth: of each interval its level, and what a recorder saw of it."""

    start_s: int
    interval_s: float
    levels: dict[str, npt.NDArray[np.int64]]
    coverage: npt.NDArray[np.float64]
    there: npt.NDArray[np.bool_]
    flagged: npt.NDArray[np.bool_]
    interrupted: npt.NDArray[np.bool_]
    says_interrupted: bool


@dataclass(frozen=True)
class Supply:
    """What is told of the supply, and what it really is."""

    volts: Fraction
    declared: bool
    demand_a: Fraction | None
    ratio: float | None


def drawn_supply(rng: np.random.Generator) -> Supply:
    volts = Fraction(str(rng.choice([120.0, 230.0, 277.0, 11_547.0, 63_508.5])))
    demand = Fraction(int(rng.integers(20, 900)))
    return Supply(
        volts, bool(rng.random() < 0.9), demand if rng.random() < 0.9 else None,
        float(rng.choice([5, 20, 35, 99.9, 400, 1000])) if rng.random() < 0.9 else None,
    )  # fmt: skip


def scale_of(limit: TwinLimit, supply: Supply) -> Fraction:
    """What a bound of 1 is in the unit of the values; a fundamental is the true nominal voltage here."""
    return {
        "absolute": Fraction(1),
        "pct_of_nominal": supply.volts * ONE_PERCENT,
        "pu_of_nominal": supply.volts,
        "pct_of_fundamental": supply.volts * ONE_PERCENT,
        "pct_of_demand": (supply.demand_a or Fraction(1)) * ONE_PERCENT,
    }[limit.of]


def values_of(limit: TwinLimit, scale: Fraction) -> tuple[list[Fraction], list[int], list[int]]:
    """Values that an interval may have, and which of them are within and which beyond: on the bound, near, far."""
    slightly = Fraction(1, 10_000)
    low, high = (None if bound is None else bound * scale for bound in (limit.low, limit.high))
    within = [bound for bound in (low, high) if bound is not None]
    if low is not None and high is not None:
        within.append((low + high) / 2)
    elif high is not None:
        within += [high / 3, high * (1 - slightly)]
    beyond = [] if high is None else [high * (1 + slightly), high * Fraction(6, 5)]
    beyond += [] if low is None else [low * (1 - slightly), low / 2]
    values = within + beyond
    return values, list(range(len(within))), list(range(len(within), len(values)))


def drawn_breaches(rng: np.random.Generator, n: int, share_pct: float) -> npt.NDArray[np.bool_]:
    """Intervals beyond the bound: none, one, as many as are allowed and one more, a stretch, the whole period."""
    allowed = int(n * (100 - share_pct) / 100)
    count = int(rng.choice([0, 0, 1, allowed, allowed + 1, 2 * allowed + 1, n // 10, n // 2, n]))
    beyond = np.zeros(n, np.bool_)
    if rng.random() < 0.5:
        beyond[rng.choice(n, min(count, n), replace=False)] = True
    else:
        first = int(rng.integers(0, max(n - count, 0) + 1))
        beyond[first : first + count] = True
    return beyond


def drawn_few(rng: np.random.Generator, n: int, shares: list[float]) -> npt.NDArray[np.bool_]:
    """A share of intervals, scattered or in one stretch."""
    count = round(float(rng.choice(shares)) * n)
    some = np.zeros(n, np.bool_)
    if rng.random() < 0.5:
        some[rng.choice(n, min(count, n), replace=False)] = True
    else:
        first = int(rng.integers(0, n - count + 1))
        some[first : first + count] = True
    return some


def drawn_world(
    rng: np.random.Generator, limits: list[TwinLimit], supply: Supply, *, days: float, start_s: int
) -> World:
    interval_s = limits[0].interval_s
    n = round(days * DAY_S / interval_s)
    missing = drawn_few(rng, n, [0, 0, 0, 1 / n, 0.005, 0.02, 0.05, 0.11, 0.6])
    flagged = drawn_few(rng, n, [0, 0, 1 / n, 0.01, 0.1, 1.0])
    interrupted = flagged & (rng.random(n) < 0.3)
    levels = {}
    for limit in limits:
        _, within, beyond = values_of(limit, scale_of(limit, supply))
        out = drawn_breaches(rng, n, float(limit.share_pct))
        out &= {0: flagged, 1: interrupted}.get(int(rng.integers(0, 5)), out)  # now and then all of them are excused
        beyond = beyond if rng.random() < 0.5 else [int(rng.choice(beyond))]
        hidden = rng.choice(["as drawn", "within", "beyond"])  # what nobody saw may be the worst, or hide a breach
        out = np.where(missing & (hidden != "as drawn"), hidden == "beyond", out)
        levels[f"{limit.quantity}_a"] = np.where(out, rng.choice(beyond, n), rng.choice(within, n))
    partly = missing & (rng.random(n) < 0.5)
    coverage = np.where(partly, rng.choice([0.001, 0.5, 0.89], n), rng.choice([0.9, 0.95, 1.0], n))
    return World(
        start_s, interval_s, levels, coverage, ~missing | partly, flagged, interrupted, bool(rng.random() < 0.7)
    )


def table_of(world: World, limits: list[TwinLimit], supply: Supply) -> pa.Table:
    """What a recorder would have written."""
    n = world.there.size
    starts = world.start_s * 10**9 + (np.arange(n) * round(world.interval_s * 1e9)).astype(np.int64)
    columns: dict[str, object] = {
        "start": pa.array(starts[world.there], pa.timestamp("ns", tz="UTC")),
        "measured": world.coverage[world.there].astype(np.float32),
        "flag": world.flagged[world.there],
    }
    if world.says_interrupted:
        columns["interrupted"] = world.interrupted[world.there]
    for limit in limits:
        values = np.array([float(value) for value in values_of(limit, scale_of(limit, supply))[0]])
        name = f"{limit.quantity}_a"
        columns[name] = values[world.levels[name]][world.there].astype(np.float32)
    if any(limit.of == "pct_of_fundamental" for limit in limits):
        columns["uh01_a"] = np.full(int(world.there.sum()), float(supply.volts), np.float32)
    return pa.table(columns)


def intervals_of(world: World, name: str, *, everything: bool) -> list[TwinInterval]:
    """As the twin sees them: those that were recorded, or all with nothing missing."""
    n = world.there.size
    kept = np.ones(n, np.bool_) if everything else world.there
    coverage = np.ones(n) if everything else world.coverage
    columns = (
        world.start_s + np.arange(n) * world.interval_s, world.levels[name], coverage, world.flagged,
        world.interrupted & world.says_interrupted,
    )  # fmt: skip
    return list(zip(*(column[kept].tolist() for column in columns), strict=True))


def name_of(at: datetime, period: str, *, calendar: bool) -> str:
    if not calendar:
        return f"{period} from {at:%Y-%m-%d %H:%M} UTC"
    year, week, _ = at.isocalendar()  # ISO 8601 weeks
    return {"day": f"{at:%Y-%m-%d}", "week": f"{year}-W{week:02d}", "year": str(at.year)}[period]


def within(intervals: list[TwinInterval], at: datetime, end: datetime | None) -> list[TwinInterval]:
    """Those that start in a period."""
    stop_s = float("inf") if end is None else end.timestamp()
    first, stop = (bisect_left(intervals, edge, key=lambda one: one[0]) for edge in (at.timestamp(), stop_s))
    return intervals[first:stop]


def expected_obstacle(limit: TwinLimit, supply: Supply) -> bool:
    """Whether something that nobody told leaves it open."""
    return (
        limit.quantity in NOT_MEASURED
        or (limit.needs_ratio and (supply.ratio is None or supply.demand_a is None))
        or (limit.of in ("pct_of_nominal", "pu_of_nominal") and not supply.declared)
    )


def check_against_twin(
    found: list[Assessment], limit: TwinLimit, world: World, supply: Supply, *, calendar: bool
) -> dict[str, int]:
    """Each period of a limit: the twin's verdict, and the truth where it is complete. Counts of the verdicts."""
    name = f"{limit.quantity}_a"
    seen = intervals_of(world, name, everything=False)
    levels = values_of(limit, scale_of(limit, supply))[0]
    periods = twin_periods(seen, limit, calendar=calendar)
    assert [one.period for one in found] == [name_of(at, limit.period, calendar=calendar) for at, _ in periods]
    decided = {"met", "exceeded"} & {one.verdict for one in found}
    whole = intervals_of(world, name, everything=True) if decided else []
    ends = [at for at, _ in periods[1:]] + [None]
    counts: dict[str, int] = {}
    for one, (at, n_expected), end in zip(found, periods, ends, strict=True):
        inside, truth = within(seen, at, end), within(whole, at, end)
        scale = scale_of(limit, supply)
        verdict = twin_verdict(inside, levels, n_expected, limit, scale=scale)
        if expected_obstacle(limit, supply):
            verdict = "cannot tell"
        assert one.verdict == verdict, (limit, one)
        assert one.n + one.n_flagged + one.n_missing == one.n_expected == n_expected
        assert bool(one.reason) == (verdict == "cannot tell")
        if verdict != "cannot tell" and len(truth) == n_expected:
            assert twin_verdict(truth, levels, n_expected, limit, scale=scale) == verdict, (limit, one)
        counts[one.verdict] = counts.get(one.verdict, 0) + 1
    return counts


def examine(seed: int) -> dict[str, int]:
    """One drawn site under one profile."""
    rng = np.random.default_rng([20261129, seed])
    name, supply = PROFILES[seed % len(PROFILES)], drawn_supply(rng)
    calendar = bool(rng.random() < 0.4)
    limits = twin_limits(name, ROOT, ratio=supply.ratio)
    lengths = sorted({limit.interval_s for limit in limits if limit.quantity not in NOT_MEASURED})
    interval_s = float(rng.choice(lengths))
    bounded = [x for x in limits if x.low is not None or x.high is not None]  # currents are not, without their ratio
    mine = [x for x in bounded if x.interval_s == interval_s and x.quantity not in NOT_MEASURED]
    first = mine[int(rng.integers(len(mine)))]
    others = [x for x in mine if x.period == first.period and x.quantity != first.quantity]
    further = [others[i] for i in rng.choice(len(others), min(2, len(others)), replace=False)]
    chosen = [first, *further]
    if len({x.quantity for x in chosen}) < len(chosen):
        chosen = [first]
    days = float(rng.choice([0.7, 1.0, 1.4, 2.3])) * PERIOD_DAYS[first.period]
    if interval_s == 10.0 and rng.random() < 0.7:
        days = float(rng.choice([0.3, 0.8]))  # a breach may be certain long before the week is over
    if first.period == "year" and rng.random() < 0.95:
        days = float(rng.choice([3.0, 15.0]))  # a year of ten-second values is drawn now and then
    elif interval_s >= 600 and rng.random() < 0.03:
        days = 366.0
    start_s = 1_767_225_600 + int(rng.integers(0, 400)) * 7200
    world = drawn_world(rng, chosen, supply, days=days, start_s=start_s)
    if not world.there.any():
        return {}
    # One series carries the values of one limit; other limits of the same quantity judge them too.
    found = assess(
        {interval_s: table_of(world, chosen, supply)}, load_limit_profile(name), nominal_voltage_v=float(supply.volts),
        declared=supply.declared, demand_current_a=None if supply.demand_a is None else float(supply.demand_a),
        short_circuit_ratio=supply.ratio, aligned="calendar" if calendar else "record",
    )  # fmt: skip
    counts: dict[str, int] = {}
    for limit in limits:
        source = next((x for x in chosen if x.quantity == limit.quantity and x.interval_s == limit.interval_s), None)
        mine_found = [one for one in found if one.name == limit.name]
        if source is None or limit.quantity in NOT_MEASURED or (limit.needs_ratio and supply.ratio is None):
            assert {one.verdict for one in mine_found} == {"cannot tell"}
            assert all(one.reason for one in mine_found)
            continue
        if limit != source:  # judged on another limit's values, which lie elsewhere against this bound
            limit_here = replace(limit)
            world_here = replace(world, levels={f"{limit.quantity}_a": world.levels[f"{limit.quantity}_a"]})
            of = values_of(source, scale_of(source, supply))[0]
            for key, n in check_with_levels(mine_found, limit_here, world_here, supply, of, calendar=calendar).items():
                counts[key] = counts.get(key, 0) + n
            continue
        for key, n in check_against_twin(mine_found, limit, world, supply, calendar=calendar).items():
            counts[key] = counts.get(key, 0) + n
    return counts


def check_with_levels(
    found: list[Assessment], limit: TwinLimit, world: World, supply: Supply, levels: list[Fraction], *, calendar: bool
) -> dict[str, int]:
    """As `check_against_twin`, of values that were drawn for another limit."""
    seen = intervals_of(world, f"{limit.quantity}_a", everything=False)
    periods = twin_periods(seen, limit, calendar=calendar)
    counts: dict[str, int] = {}
    ends = [at for at, _ in periods[1:]] + [None]
    for one, (at, n_expected), end in zip(found, periods, ends, strict=True):
        inside = within(seen, at, end)
        verdict = twin_verdict(inside, levels, n_expected, limit, scale=scale_of(limit, supply))
        verdict = "cannot tell" if expected_obstacle(limit, supply) else verdict
        assert one.verdict == verdict, (limit, one)
        counts[one.verdict] = counts.get(one.verdict, 0) + 1
    return counts


def examined(seeds: range) -> dict[str, int]:
    counts: dict[str, int] = {}
    for seed in seeds:
        for verdict, n in examine(seed).items():
            counts[verdict] = counts.get(verdict, 0) + n
    return counts


@pytest.mark.slow
def test_verdicts_of_drawn_sites_are_those_of_the_twin_and_never_false() -> None:
    counts = examined(range(len(PROFILES)))
    assert min(counts.get(verdict, 0) for verdict in ("met", "exceeded", "cannot tell")) >= 20, counts


@pytest.mark.exam
@pytest.mark.slow
@pytest.mark.parametrize("part", range(20))
def test_verdicts_of_two_thousand_drawn_weeks_and_years_are_those_of_the_twin_and_never_false(part: int) -> None:
    counts = examined(range(1000 + 100 * part, 1100 + 100 * part))
    assert min(counts.get(verdict, 0) for verdict in ("met", "exceeded", "cannot tell")) >= 20, counts


def test_a_year_of_ten_minute_values_of_22_quantities_is_judged_within_five_seconds() -> None:
    """The project's own bar; each week of the year has its verdict."""
    n = 365 * 144
    rng = np.random.default_rng(7)
    starts = 1_767_225_600 * 10**9 + np.arange(n) * 600 * 10**9
    columns: dict[str, object] = {
        "start": pa.array(starts, pa.timestamp("ns", tz="UTC")),
        "measured": np.ones(n, np.float32),
        "flag": rng.random(n) < 0.001,
    }
    for phase in "abc":
        columns[f"u_rms_{phase}"] = rng.normal(230, 4, n).astype(np.float32)
        columns[f"thd_u_{phase}"] = rng.normal(3, 0.5, n).astype(np.float32)
        columns[f"uh01_{phase}"] = np.full(n, 230, np.float32)
        for order in (3, 5, 7, 11):
            columns[f"uh{order:02d}_{phase}"] = rng.normal(2, 0.4, n).astype(np.float32)
    columns["u2"] = rng.normal(0.5, 0.1, n).astype(np.float32)
    begun = perf_counter()
    found = assess(
        {600.0: pa.table(columns)}, load_limit_profile("en-50160-lv"), nominal_voltage_v=230.0, declared=True
    )
    elapsed_s = perf_counter() - begun
    weeks = [one for one in found if one.name == "voltage, 95 % of a week" and one.series == "u_rms_a"]
    assert [one.verdict for one in weeks] == ["met"] * 52 + ["cannot tell"]
    assert elapsed_s < 5.0
