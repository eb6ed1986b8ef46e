"""Values that a recorder made itself: interval records (average, least, largest) and logs of RMS values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Statistic = Literal["average", "least", "largest"]

LONGEST_LOG_STEP_S: Final = 0.25  # a value this often or more often is a log of RMS, not an interval record
LONGEST_EVENT_STEP_S: Final = 1.0  # rows farther apart show that something was, not what: common practice, no source
_STEADY_SHARE: Final = 0.5  # of the steps between rows that must be the interval


@dataclass(frozen=True, slots=True)
class IntervalSeries:
    """One series of values.

    Attributes
    ----------
    symbol, phase, statistic : of `halfcycle.pipeline.quantities`; "" for the phase of a point's quantity.
    values : float64, shape (n,). NaN where there is none. [unit of the quantity]
    label : as the file has it.
    """

    symbol: str
    phase: str
    statistic: Statistic
    values: F64
    label: str

    @property
    def column(self) -> str:
        """Name of its column in a trend."""
        ending = {"average": "", "least": "_min", "largest": "_max"}[self.statistic]
        return f"{self.symbol}_{self.phase.lower()}{ending}" if self.phase else f"{self.symbol}{ending}"


@dataclass(frozen=True, slots=True)
class IntervalRecords:
    """What a recorder wrote of one point.

    Attributes
    ----------
    station, point : "" where the file names none.
    starts_ns : int64, shape (n,), rising. Of each interval. [ns UTC]
    step_ns : length of the intervals. [ns]
    series : of different columns.
    flagged : bool, shape (n,). By the recorder's own status.
    left_out : (label, reason) of what was not taken.
    notes : what was odd, assumed or put right.
    nominal_v : stated. [V]
    """

    station: str
    starts_ns: I64
    step_ns: int
    series: tuple[IntervalSeries, ...]
    flagged: Mask
    left_out: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    nominal_v: float | None = None
    point: str = ""

    @property
    def step_s(self) -> float:
        """Length of the intervals. [s]"""
        return self.step_ns / 1e9

    @property
    def is_rms_log(self) -> bool:
        """Whether its rows follow one another more closely than the intervals of any trend."""
        return self.step_s <= LONGEST_LOG_STEP_S

    @property
    def shows_events(self) -> bool:
        """Whether sags, swells and interruptions can be told from its rows."""
        return self.step_s <= LONGEST_EVENT_STEP_S and any(one.symbol == "u_rms" for one in self.series)

    @property
    def remark(self) -> str:
        """What the file holds, in words."""
        what = "an RMS log, one value every" if self.is_rms_log else "interval records of"
        told = "; ".join(f"{label} is ignored: {reason}" for label, reason in self.left_out)
        words = f"{what} {self.step_s:g} s, {self.starts_ns.size} rows of {len(self.series)} series, no waveform"
        shows = "; `halfcycle screen` finds events in it" if self.shows_events else ""
        return f"{words}; `halfcycle measure` makes a trend of it{shows}{f'; {told}' if told else ''}"


def step_of(starts_ns: I64) -> int:
    """The length of intervals, told from when each starts.

    Raises
    ------
    ValueError : times that do not rise, or steps without a common length.
    """
    steps = np.diff(starts_ns)
    if not steps.size:
        raise ValueError("the length of the intervals cannot be found from one row")
    if (steps <= 0).any():
        row = int(np.flatnonzero(steps <= 0)[0]) + 2
        raise ValueError(f"row {row}: the times must increase, each occurring once")
    step = int(np.median(steps))
    near = np.abs(steps - step) <= max(step * 0.02, 1e6)
    if near.mean() < _STEADY_SHARE:
        raise ValueError("the steps between rows have no common length")
    return _rounded(round(float(steps[near].mean())))


def _rounded(step_ns: int) -> int:
    """A step that is a whole number of seconds but for the rounding of the stamps is that."""
    second = 10**9
    whole = round(step_ns / second) * second
    return whole if whole and abs(step_ns - whole) <= 0.002 * step_ns else step_ns


def without_twins(series: Sequence[IntervalSeries]) -> tuple[tuple[IntervalSeries, ...], tuple[tuple[str, str], ...]]:
    """Series of different columns; where two say that they are the same, neither is taken, and the reason."""
    by_column: dict[str, list[IntervalSeries]] = {}
    for one in series:
        by_column.setdefault(one.column, []).append(one)
    kept = tuple(ones[0] for ones in by_column.values() if len(ones) == 1)
    twins = tuple(
        (one.label, f"{' and '.join(repr(other.label) for other in ones)} both map to {column}; describe them")
        for column, ones in by_column.items()
        if len(ones) > 1
        for one in ones
    )
    return kept, twins
