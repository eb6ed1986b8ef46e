"""Windows tied to the clock, and their values over longer intervals: 150/180 cycles, 1 s, 10 min, 2 h.

A row of 10/12-cycle blocks starts anew at each ten-minute tick of UTC. The block that a tick falls into still belongs
to the interval before, so it overlaps the first of the new row; and the old row runs on until its last 150/180-cycle
interval is whole. Flags of events go up with the values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Method = Literal["rms", "mean", "max", "min", "sum", "last"]

TEN_MINUTES_NS: Final = 600 * 10**9
TWO_HOURS_NS: Final = 7200 * 10**9
BLOCKS_IN_LONG: Final = 15  # blocks of 10/12 cycles in an interval of 150/180
_MOST_LONG = 1 << 20  # intervals of 150/180 cycles between two ticks, for numbers that tell all of them apart


@dataclass(frozen=True, slots=True)
class ClockBlocks:
    """Windows of a whole number of cycles that start anew at each ten-minute tick.

    Attributes
    ----------
    first : int64, shape (n,). Half cycle with which each begins.
    starts, lengths : float64, shape (n,). [samples]
    starts_ns : int64, shape (n,). [ns UTC]
    row : int64, shape (n,). Number of the ten-minute interval at whose start its row began; the record's start counts.
    number : int64, shape (n,). Place in its row, from 0.
    runs_on : bool, shape (n,). Starts at the next tick or after it; only the last 150/180-cycle interval holds it.
    n_cycles : in each.
    """

    first: I64
    starts: F64
    lengths: F64
    starts_ns: I64
    row: I64
    number: I64
    runs_on: Mask
    n_cycles: int

    @property
    def long_intervals(self) -> I64:
        """For each block a number of its 150/180-cycle interval, never falling; shape (n,)."""
        return self.row * _MOST_LONG + self.number // BLOCKS_IN_LONG

    def clock_intervals(self, length_ns: int) -> I64:
        """Number of the interval of the clock in which each block starts, for those that do not run on.

        Parameters
        ----------
        length_ns : of the intervals, which start at multiples of it since 1970. [ns]

        Returns
        -------
        int64, shape (n of `~runs_on`,), never falling.

        Source: IEC 61000-4-30 Ed. 3, 4.4 (from memory): the block that a tick falls into counts for what ends there.
        """
        return self.starts_ns[~self.runs_on] // length_ns


def clock_blocks(half_cycle_starts: npt.ArrayLike, *, rate_hz: float, start_ns: int, n_cycles: int) -> ClockBlocks:
    """Blocks of 10/12 cycles without a gap, each row from the first half cycle at or after a ten-minute tick.

    Parameters
    ----------
    half_cycle_starts : shape (n,), rising. Zero crossings of the reference channel, rising and falling. [samples]
    rate_hz : float > 0. [Hz]
    start_ns : of the record. [ns UTC]
    n_cycles : 10 at 50 Hz, 12 at 60 Hz.

    Returns
    -------
    ClockBlocks, in order of their rows; only whole ones. The first row begins with the record.

    Raises
    ------
    SignalError : crossings that do not rise, n_cycles below 1, or a rate that is not above zero.

    Source: IEC 61000-4-30 Ed. 3, 4.4 and 4.5 (from memory).  Departs: a row begins with the first zero crossing after
    the tick, at most half a cycle late.
    """
    places = np.asarray(half_cycle_starts, np.float64)
    if places.ndim != 1 or not (np.diff(places) > 0).all() or n_cycles < 1 or not rate_hz > 0:
        raise SignalError(
            f"crossings {places.shape} must rise, n_cycles ({n_cycles}) and rate_hz ({rate_hz:g}) be above 0"
        )
    ns = start_ns + np.rint(places * (1e9 / rate_hz)).astype(np.int64)
    step = 2 * n_cycles
    if places.size <= step:
        none = np.zeros(0, np.int64)
        return ClockBlocks(none, np.zeros(0), np.zeros(0), none, none, none, none > 0, n_cycles)
    interval = ns // TEN_MINUTES_NS
    begins = np.flatnonzero(np.diff(interval, prepend=interval[0] - 1))
    first, row, number, runs_on = [], [], [], []
    for begin, stop in zip(begins.tolist(), [*begins[1:].tolist(), places.size], strict=True):
        own = -(-(stop - begin) // step)
        n = min(-(-own // BLOCKS_IN_LONG) * BLOCKS_IN_LONG, (places.size - 1 - begin) // step)
        first.append(begin + step * np.arange(n))
        row.append(np.full(n, interval[begin]))
        number.append(np.arange(n))
        runs_on.append(np.arange(n) >= own)
    i = np.concatenate(first)
    return ClockBlocks(
        i, places[i], places[i + step] - places[i], ns[i], np.concatenate(row), np.concatenate(number),
        np.concatenate(runs_on), n_cycles,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Aggregate:
    """Values of longer intervals.

    Attributes
    ----------
    intervals : int64, shape (n,). Number of each, rising.
    values : float64, shape (..., n). NaN where nothing was measured. [unit of what was aggregated]
    counts : int64, shape (..., n). Values that each was made of.
    flagged : bool, shape (n,). One of these values at least was flagged.
    """

    intervals: I64
    values: F64
    counts: I64
    flagged: Mask


def aggregate(
    values: npt.ArrayLike, intervals: npt.ArrayLike, *, how: Method, flagged: npt.ArrayLike | None = None
) -> Aggregate:
    """Values of intervals from those of the shorter ones in them.

    Parameters
    ----------
    values : shape (..., n). NaN where not measured, which does not count. [any unit]
    intervals : int, shape (n,), never falling. Number of the interval to which each value belongs.
    how : ``rms`` (root of the mean of squares), ``mean`` (frequency, powers), ``max``, ``min``, ``sum``, or ``last``.
    flagged : bool, shape (n,). Values of times at which there was a sag, swell or interruption; None: none.

    Returns
    -------
    Aggregate. Flagged values are among those aggregated; who leaves them out gives NaN for them.

    Raises
    ------
    SignalError : shapes that do not fit, intervals that fall, or a way of aggregating that is not known.

    Source: IEC 61000-4-30 Ed. 3, 4.4.1 (root of the mean of squares) and 4.7 (flags of what is aggregated); memory.
    """
    of_each, number = np.asarray(values, np.float64), np.asarray(intervals, np.int64)
    marks = np.zeros(number.shape, np.bool_) if flagged is None else np.asarray(flagged, np.bool_)
    if number.ndim != 1 or of_each.shape[-1:] != number.shape or marks.shape != number.shape:
        raise SignalError(f"values {of_each.shape}, intervals {number.shape} and flagged {marks.shape} must agree")
    if (np.diff(number) < 0).any():
        raise SignalError("intervals must never fall")
    if not number.size:
        return Aggregate(number, of_each, np.zeros(of_each.shape, np.int64), marks)
    begins = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    measured = ~np.isnan(of_each)
    counts = np.add.reduceat(measured, begins, axis=-1, dtype=np.int64)
    together = _together(of_each, measured, begins, counts, how)
    together = np.where(counts > 0, together, np.nan)
    return Aggregate(number[begins], together, counts, np.logical_or.reduceat(marks, begins))


def _together(values: F64, measured: Mask, begins: I64, counts: I64, how: Method) -> F64:
    if how in ("rms", "mean", "sum"):
        filled = np.where(measured, values, 0.0)
        total: F64 = np.add.reduceat(filled**2 if how == "rms" else filled, begins, axis=-1)
        if how == "sum":
            return total
        mean: F64 = total / np.maximum(counts, 1)
        return np.sqrt(mean) if how == "rms" else mean
    if how in ("max", "min"):
        extreme = np.fmax if how == "max" else np.fmin
        return np.asarray(extreme.reduceat(values, begins, axis=-1), np.float64)
    if how == "last":
        place = np.where(measured, np.arange(values.shape[-1]), -1)
        return np.take_along_axis(values, np.maximum.reduceat(place, begins, axis=-1), axis=-1)
    raise SignalError(f"values cannot be aggregated by {how!r}; allowed are rms, mean, max, min, sum and last")


def touched_by_events(
    starts_ns: npt.ArrayLike, ends_ns: npt.ArrayLike, *, event_starts_ns: npt.ArrayLike, event_ends_ns: npt.ArrayLike
) -> Mask:
    """Which intervals an event lies in, even for an instant.

    Parameters
    ----------
    starts_ns, ends_ns : int, shape (n,). Of the intervals, ends not included. [ns UTC]
    event_starts_ns, event_ends_ns : int, shape (n_events,). Of sags, swells and interruptions on any channel; in any
        order, ends not included. [ns UTC]

    Returns
    -------
    bool, shape (n,).

    Raises
    ------
    SignalError : starts and ends that do not fit.

    Source: IEC 61000-4-30 Ed. 3, 4.7 (from memory): in polyphase systems an event on one channel flags all of them.
    """
    begin, end = np.asarray(starts_ns, np.int64), np.asarray(ends_ns, np.int64)
    first, last = np.asarray(event_starts_ns, np.int64), np.asarray(event_ends_ns, np.int64)
    if begin.shape != end.shape or first.shape != last.shape or begin.ndim != 1 or first.ndim != 1:
        raise SignalError(f"starts {begin.shape} and ends {end.shape}, of events {first.shape} and {last.shape}")
    if not first.size:
        return np.zeros(begin.shape, np.bool_)
    order = np.argsort(first, kind="stable")
    latest_end = np.maximum.accumulate(np.maximum(last, first + 1)[order])
    n_begun = np.searchsorted(first[order], end)
    touched: Mask = (n_begun > 0) & (latest_end[np.maximum(n_begun, 1) - 1] > begin)
    return touched
