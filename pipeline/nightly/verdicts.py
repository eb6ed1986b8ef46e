"""Verdicts by the calendar: each period that a limit has, and beside it each day and month; and the last week's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.nightly.surveyed import of_a
from pipeline.settings import Site
from pipeline.survey.compliance import Assessment, LimitProfile, assess
from pipeline.survey.stored import StoredTrend, with_needed


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
            )  # fmt: skip
    return found


def last_week(site: str, point: str, found: Sequence[Assessment]) -> tuple[str, str, int, int, int] | None:
    """(site and point, week, how many are exceeded, met, cannot tell), or None where no limit has a week."""
    weeks = sorted({one.period for one in found if "-W" in one.period})
    if not weeks:
        return None
    last = [one.verdict for one in found if one.period == weeks[-1]]
    name = f"{site} {point}".strip()
    return name, weeks[-1], last.count("exceeded"), last.count("met"), last.count("cannot tell")
