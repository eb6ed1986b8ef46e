"""Days, weeks, months and years of a trend: which interval lies in which, how many each has, and what it is called."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.survey.compliance.profile import Period

if TYPE_CHECKING:
    import pyarrow as pa

I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Aligned = Literal["record", "calendar"]

_DAY_NS: Final = 86_400 * 10**9
_DAYS: Final = {"day": 1, "week": 7, "month": 30, "year": 365}
_MONDAY: Final = 3  # 1970-01-01 was a Thursday: days since a Monday


@dataclass(frozen=True, slots=True)
class IntervalGrid:
    """The intervals of a trend, as periods see them; shape (n,) each.

    Attributes
    ----------
    starts_ns : rising. [ns UTC]
    covered : measured for long enough to count.
    flagged : holds a sag, swell or interruption.
    interrupted : holds an interruption; all False where the trend does not say.
    """

    starts_ns: I64
    covered: Mask
    flagged: Mask
    interrupted: Mask


@dataclass(frozen=True, slots=True)
class Periods:
    """The periods that a trend touches, from its first to its last.

    Attributes
    ----------
    names : of each, with its start.
    number : int64, shape (n_intervals,). Of the period in which each interval starts, from 0; -1 before the first.
    expected : int64, shape (n_periods,). Intervals that each has when it is whole.
    """

    names: tuple[str, ...]
    number: I64
    expected: I64


def grid_of(trend: pa.Table, *, least_coverage_pct: float) -> IntervalGrid:
    """The intervals of a trend.

    Parameters
    ----------
    trend : with ``start``, and where they are known ``measured``, ``flag`` and ``interrupted``.
    least_coverage_pct : of an interval that must have been measured. [%]
    """
    n = trend.num_rows
    starts = trend.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    share = _column(trend, "measured", np.ones(n))
    # A share is stored with single precision: what is 90 % must not fall short by its rounding.
    covered = share >= least_coverage_pct / 100 - 1e-6
    flagged, interrupted = (_column(trend, name, np.zeros(n)) > 0 for name in ("flag", "interrupted"))
    return IntervalGrid(starts, covered, flagged | interrupted, interrupted)


def periods_of(grid: IntervalGrid, period: Period, *, interval_s: float, aligned: Aligned) -> Periods:
    """The periods of one length.

    Parameters
    ----------
    grid : the intervals.
    period : day, week, month or year.
    interval_s : of the intervals. [s]
    aligned : ``record``: one after another from the first interval that was measured, a month of 30 days, a year of
        365; ``calendar``: UTC days, weeks from Monday (ISO 8601), months and years of the calendar.
    """
    starts = grid.starts_ns[grid.covered]
    if not starts.size:
        starts = grid.starts_ns
    if not starts.size:
        return Periods((), np.zeros(0, np.int64), np.zeros(0, np.int64))
    if aligned == "calendar":
        edges = _calendar_edges(int(starts[0]), int(grid.starts_ns[-1]), period)
    else:
        step = _DAYS[period] * _DAY_NS
        edges = np.arange(starts[0], max(int(grid.starts_ns[-1]), int(starts[0])) + step + 1, step, dtype=np.int64)
        edges = edges[: int(np.searchsorted(edges, grid.starts_ns[-1], side="right")) + 1]
    number = np.searchsorted(edges, grid.starts_ns, side="right") - 1
    expected = np.rint(np.diff(edges) / (interval_s * 1e9)).astype(np.int64)
    names = tuple(_name(int(start), period, aligned) for start in edges[:-1])
    return Periods(names, number.astype(np.int64), expected)


def _calendar_edges(first_ns: int, last_ns: int, period: Period) -> I64:
    first, last = first_ns // _DAY_NS, last_ns // _DAY_NS
    if period in ("month", "year"):
        unit = "datetime64[M]" if period == "month" else "datetime64[Y]"
        held = np.array([first, last], "datetime64[D]").astype(unit)
        span = np.arange(held[0], held[1] + 2)
        return np.asarray(span.astype("datetime64[ns]").astype(np.int64))
    step = _DAYS[period]
    begin = first - (first + _MONDAY) % step if period == "week" else first
    return np.arange(begin, last + step + 1, step, dtype=np.int64)[: (last - begin) // step + 2] * _DAY_NS


def _name(start_ns: int, period: Period, aligned: Aligned) -> str:
    start = np.datetime64(start_ns, "ns").astype("datetime64[s]").item()
    if aligned == "record":
        return f"{period} from {start:%Y-%m-%d %H:%M} UTC"
    return {"day": f"{start:%Y-%m-%d}", "week": f"{start:%G-W%V}", "month": f"{start:%Y-%m}", "year": f"{start:%Y}"}[
        period
    ]


def calendar_period_ns(name: str) -> tuple[int, int]:
    """The instants of a period of the calendar, half-open. name: as `periods_of` gives it. [ns since 1970-01-01 UTC]"""
    if "-W" in name:
        start = np.datetime64(date.fromisoformat(f"{name}-1"), "D")
        stop = start + 7
    else:
        unit: Literal["Y", "M", "D"] = "Y" if len(name) == 4 else "M" if len(name) == 7 else "D"
        start = np.datetime64(name, unit)
        stop = start + 1
    first, last = (int(edge.astype("datetime64[ns]").astype(np.int64)) for edge in (start, stop))
    return first, last


def _column(trend: pa.Table, name: str, otherwise: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    if name not in trend.column_names:
        return otherwise
    return np.nan_to_num(np.asarray(trend.column(name).to_numpy(zero_copy_only=False), np.float64), nan=0.0)
