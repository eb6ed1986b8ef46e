"""Verdicts by the calendar: each period that a limit has, and beside it each day and month; and the last week's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.event_tables import NOT_DECLARED, CountedEvents, counts_of
from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.indices.counted import VARIATIONS
from halfcycle.pipeline.nightly.days import Day, read_days
from halfcycle.pipeline.nightly.surveyed import of_a
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.store.partitions import Store, day_of, day_start_ns
from halfcycle.pipeline.survey.compliance import Assessment, LimitProfile, assess, assessments_at, calendar_period_ns
from halfcycle.pipeline.survey.stored import StoredTrend, with_needed


def judged_by_calendar(
    stored: Mapping[float, StoredTrend], profile: LimitProfile, site: Site, demand_a: float | None
) -> list[Assessment]:
    """By the calendar: each period that a limit has, and beside it each day and month."""
    tables = {
        interval_s: trend.table
        for interval_s, trend in with_needed({s: one.trend for s, one in stored.items()}, profile).items()
    }
    found: list[Assessment] = []
    for period in (None, "day", "month"):
        rows = tuple(
            row if period is None else row.model_copy(update={"period": period, "name": of_a(row.name, period)})
            for row in profile.rows
            if period is None or row.period not in (period, "year")
        )
        if rows:
            found += assess(
                tables, profile.model_copy(update={"rows": rows}), nominal_voltage_v=site.nominal_voltage_v,
                declared=True, demand_current_a=demand_a, aligned="calendar",
                voltages_of=next(iter(stored.values())).certificate.voltages_of,
            )  # fmt: skip
    return found


def with_those_that_stand(
    found: Mapping[tuple[str, str], Sequence[Assessment]], path: Path, *, first: date, since: date
) -> dict[tuple[str, str], list[Assessment]]:
    """Verdicts, with those made before on periods whose trends have gone since.

    Parameters
    ----------
    found : by site and point.
    path : of the verdicts made before; nothing stands where they cannot be read.
    first, since : the first day that ever had trends, and the first that has some now. Periods that hold a day between
        them stand as they were judged, when all was there.
    """
    try:
        before = assessments_at(path)
    except ReadError:
        return {key: list(of_point) for key, of_point in found.items()}
    gone_from, gone_to = day_start_ns(first), day_start_ns(since)

    def stands(one: Assessment) -> bool:
        if not one.period:
            return False
        begin, end = calendar_period_ns(one.period)
        return max(begin, gone_from) < min(end, gone_to)

    joined: dict[tuple[str, str], list[Assessment]] = {}
    for key in dict.fromkeys((*before, *found)):
        old = [one for one in before.get(key, ()) if stands(one)]
        known = {(one.name, one.series, one.period) for one in old}
        joined[key] = [*old, *(one for one in found.get(key, ()) if (one.name, one.series, one.period) not in known)]
    return {key: of_point for key, of_point in joined.items() if of_point}


def counted_by_calendar(fleet: Fleet, site: Site, profile: LimitProfile) -> dict[tuple[str, str, str], CountedEvents]:
    """How many dips, swells and interruptions of a site's catalogue each week, month and year held, by point.

    Parameters
    ----------
    fleet, site : in whose store the catalogue lies.
    profile : names the tables.
    """
    days = Store(fleet.store).catalogue_days(site.name)
    events = events_of(read_days(fleet, [Day(site.name, day) for day in days])[0])
    points = sorted({one.point or "" for one in events if one.kind in VARIATIONS}) or [""]
    if site.nominal_voltage_v is None:
        return {(site.name, point, ""): CountedEvents(reason=NOT_DECLARED) for point in points}
    periods = sorted({name for day in days for name in _periods(day)})
    held: dict[tuple[str, str], list[Event]] = {}
    for one in events:
        for name in _periods(day_of(one.start)):
            held.setdefault((one.point or "", name), []).append(one)
    return {
        (site.name, point, name): counts_of(held.get((point, name), []), profile)
        for point in points
        for name in periods
    }


def _periods(day: date) -> tuple[str, str, str]:
    """Week, month and year of a day, by the names that verdicts have."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}", f"{day:%Y-%m}", f"{day:%Y}"


def last_week(site: str, point: str, found: Sequence[Assessment]) -> tuple[str, str, int, int, int] | None:
    """(site and point, week, how many are exceeded, met, cannot tell), or None where no limit has a week."""
    weeks = sorted({one.period for one in found if "-W" in one.period})
    if not weeks:
        return None
    last = [one.verdict for one in found if one.period == weeks[-1]]
    name = f"{site} {point}".strip()
    return name, weeks[-1], last.count("exceeded"), last.count("met"), last.count("cannot tell")
