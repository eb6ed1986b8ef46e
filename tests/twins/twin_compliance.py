"""Verdicts by brute force: each interval told apart by itself, each fate of the missing ones tried.

Source: EN 50160:2010, 3 and 4.2 (share of the valid intervals of a period that are within; intervals with sags, swells
and interruptions left out) and IEC 61000-4-30 Ed. 3, 4.7 (flags), both from memory; the figures are read from the
project's data files, plainly. A verdict is certain where every fate of the missing intervals (within, beyond, left out)
leads to it.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

MANY_FATES = 1500  # above that a sample of them is tried, the first and the last among them


@dataclass(frozen=True)
class TwinLimit:
    """One bound of a profile, its figures exact."""

    name: str
    quantity: str
    low: Fraction | None
    high: Fraction | None
    of: str
    interval_s: float
    period: str
    share_pct: Fraction
    without_flagged: bool
    needs_ratio: bool


TwinInterval = tuple[float, int | None, float, bool, bool]
"""Of an interval its start [s since 1970], the number of its value's level (None: there is none), the share that was
measured, whether it is flagged, and whether it holds an interruption."""


def twin_limits(name: str, folder: Path, *, ratio: float | None) -> list[TwinLimit]:
    """All bounds of a profile below a checkout's `configs`, orders of tables one by one."""
    found: list[TwinLimit] = []
    for row in _rows(name, folder / "configs" / "limits"):
        for suffix, high in _bounds(row, folder / "datasets" / "limits", ratio):
            low = row.get("below")
            found.append(
                TwinLimit(
                    row["name"] + suffix,
                    row["quantity"] + (f"{int(suffix):02d}" if suffix else ""),
                    None if low is None else Fraction(str(low)),
                    high,
                    row.get("measured_as", "absolute"),
                    float(row.get("interval_s", 600)),
                    row.get("period", "week"),
                    Fraction(str(row.get("share_pct", 95))),
                    row.get("without_flagged", True),
                    _is_current(row),
                )
            )
    return found


def _rows(name: str, folder: Path) -> list[dict[str, Any]]:
    document = tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))
    own: list[dict[str, Any]] = document.get("rows", [])
    if "like" not in document:
        return own
    rows = [row for row in _rows(document["like"], folder) if row["name"] not in document.get("without", [])]
    for row in own:
        places = [i for i, other in enumerate(rows) if other["name"] == row["name"]]
        rows = [row if i in places else other for i, other in enumerate(rows)] + ([] if places else [row])
    return rows


def _is_current(row: dict[str, Any]) -> bool:
    return str(row.get("table", "")).startswith("ieee-519")


def _bounds(row: dict[str, Any], folder: Path, ratio: float | None) -> Iterator[tuple[str, Fraction | None]]:
    """(" 5" or "" for a single order, upper bound)."""
    quantity, table = row["quantity"], row.get("table")
    first, last = row.get("orders", (1, 50))
    parity = row.get("parity", "all")
    orders = [h for h in range(first, last + 1) if parity == "all" or (h % 2 == 1) == (parity == "odd")]
    above = row.get("above")
    if table is None:
        high = None if above is None else Fraction(str(above))
        for order in orders if quantity in ("uh", "ih") else [None]:
            yield ("" if order is None else f" {order}"), high
        return
    if _is_current(row) and ratio is None:
        yield "", None
        return
    times = Fraction(str(row.get("times", 1)))
    file = "current-distortion.csv" if _is_current(row) else "compatibility-levels.csv"
    with (folder / file).open(encoding="utf-8", newline="") as stream:
        lines = [line for line in csv.DictReader(stream) if line["table"] == table]
    for line in lines:
        if _is_current(row) and not _in_class(line, ratio):
            continue
        is_total = line["quantity"] in ("thd", "tdd")
        if is_total != (quantity not in ("uh", "ih")):
            continue
        high = Fraction(line["limit_pct"]) * times
        if is_total:
            yield "", high
            continue
        begin, end = (line["order_from"], line["order_to"]) if _is_current(row) else (line["order"], line["order"])
        for order in range(int(begin), int(end) + 1):
            if order in orders:
                yield f" {order}", high


def _in_class(line: dict[str, str], ratio: float | None) -> bool:
    above = float(line["ratio_to"]) if line["ratio_to"] else float("inf")
    return ratio is not None and float(line["ratio_from"]) <= ratio < above


def twin_periods(intervals: Sequence[TwinInterval], limit: TwinLimit, *, calendar: bool) -> list[tuple[datetime, int]]:
    """(start, intervals of the whole period) of each period from the first measured interval to the last one."""
    begun = at_second(next((start_s for start_s, _, share, *_ in intervals if share >= 0.9), intervals[0][0]))
    at = _begin(begun, limit.period) if calendar else begun
    found = []
    while at <= at_second(intervals[-1][0]):
        after = _after(at, limit.period, calendar=calendar)
        found.append((at, round((after - at).total_seconds() / limit.interval_s)))
        at = after
    return found


def _begin(at: datetime, period: str) -> datetime:
    day = at.replace(hour=0, minute=0, second=0, microsecond=0)
    if period == "week":
        return day - timedelta(days=day.weekday())
    return day.replace(month=1, day=1) if period == "year" else day


def _after(at: datetime, period: str, *, calendar: bool) -> datetime:
    if period == "year":
        return at.replace(year=at.year + 1) if calendar else at + timedelta(days=365)
    return at + timedelta(days=7 if period == "week" else 1)


def twin_verdict(
    intervals: Sequence[TwinInterval], levels: Sequence[Fraction], n_expected: int, limit: TwinLimit,
    *, scale: Fraction,
) -> str:  # fmt: skip
    """met, exceeded or cannot tell, of the intervals of one period.

    levels are the values that intervals may have, scale is what a bound of 1 is in their unit.
    """
    is_over = [limit.high is not None and value > limit.high * scale for value in levels]
    is_under = [limit.low is not None and value < limit.low * scale for value in levels]
    within = beyond = left_out = 0
    for _, level, coverage, flagged, interrupted in intervals:
        known = level is not None and coverage >= 0.9
        if limit.without_flagged:
            if flagged or interrupted:
                left_out += 1
                continue
        elif interrupted and not (known and is_over[level or 0]):
            left_out += 1
            continue
        if not known:
            continue
        if is_over[level or 0] or is_under[level or 0]:
            beyond += 1
        else:
            within += 1
    missing = n_expected - within - beyond - left_out
    fates = {
        fate
        for lost in _some(missing)
        for fate in (
            _share(within + missing - lost, beyond + lost, limit.share_pct),  # the others were within
            _share(within, beyond + lost, limit.share_pct),  # the others were left out
        )
    }
    if within + beyond == 0 or len(fates) > 1:
        return "cannot tell"
    (verdict,) = fates
    known_enough = 10 * (within + beyond) >= 9 * (within + beyond + missing)
    return verdict if verdict == "exceeded" or known_enough else "cannot tell"


def _some(n: int) -> Iterator[int]:
    if n <= MANY_FATES:
        yield from range(n + 1)
        return
    yield from (k * n // MANY_FATES for k in range(MANY_FATES + 1))


def _share(within: int, beyond: int, needed_pct: Fraction) -> str:
    if within + beyond == 0:
        return "cannot tell"
    enough = 100 * within * needed_pct.denominator >= needed_pct.numerator * (within + beyond)
    return "met" if enough else "exceeded"


def at_second(seconds: float) -> datetime:
    """A time of UTC by its seconds since 1970."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
