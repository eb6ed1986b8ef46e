"""Values of 10/12-cycle blocks to those of longer intervals: 150/180 cycles, seconds, ten minutes, two hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from pipeline.errors import SignalError

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

Rule = Literal["rms", "mean", "max", "min", "sum", "last"]

TICK_NS: Final = 600_000_000_000
"""Blocks begin anew at each ten-minute tick of the clock."""


@dataclass(frozen=True, slots=True)
class Intervals:
    """Blocks grouped by the interval of the clock in which they start; intervals without a block are left out.

    Attributes
    ----------
    starts_ns : int64, shape (n,). Of each interval. [ns since 1970-01-01 UTC]
    first : int64, shape (n,). First block of each; its last is the one before the next interval's first.
    n_blocks : in all.
    measured : float64, shape (n,). Share of the interval that its blocks cover, up to 1.
    """

    starts_ns: I64
    first: I64
    n_blocks: int
    measured: F64


def block_numbers(crossings_ns: npt.ArrayLike, *, n_half_cycles: int, tick_ns: int = TICK_NS) -> I64:
    """First half cycle of each block: blocks follow one another without a gap and begin anew at each tick.

    Parameters
    ----------
    crossings_ns : int64, shape (n,), rising. Start of each half cycle. [ns since 1970-01-01 UTC]
    n_half_cycles : in a block: 20 at 50 Hz, 24 at 60 Hz.
    tick_ns : between ticks. [ns]

    Returns
    -------
    int64, shape (n_blocks,). The block that a tick falls into is finished, so it overlaps the one that begins at the
    first half cycle after the tick; a block without all its half cycles is left out.

    Raises
    ------
    SignalError : crossings that do not rise, or under one half cycle in a block.

    Source: IEC 61000-4-30 Ed. 3, 4.4.2 (overlap 1) [memory].  Departs: a block begins at the half cycle after the tick,
    not at the tick itself.
    """
    times = np.asarray(crossings_ns, np.int64)
    if times.ndim != 1 or n_half_cycles < 1 or (np.diff(times) <= 0).any():
        raise SignalError(f"crossings of shape {times.shape} must rise; half cycles in a block: {n_half_cycles}")
    if not times.size:
        return np.zeros(0, np.int64)
    ticks = np.arange(-(-times[0] // tick_ns), times[-1] // tick_ns + 1) * tick_ns
    anchors = np.unique(np.concatenate(([0], np.searchsorted(times, ticks))))
    ends = np.append(anchors[1:], times.size)
    starts = [np.arange(a, b, n_half_cycles) for a, b in zip(anchors, ends, strict=True)]
    whole = np.concatenate(starts)
    return whole[whole + n_half_cycles <= times.size]


def intervals_of(starts_ns: npt.ArrayLike, lengths_ns: npt.ArrayLike, *, interval_ns: int) -> Intervals:
    """Blocks by the interval of the UTC clock in which each starts.

    Parameters
    ----------
    starts_ns : int64, shape (n,), rising. Of the blocks. [ns since 1970-01-01 UTC]
    lengths_ns : shape (n,) or scalar. Of the blocks. [ns]
    interval_ns : of the intervals, which begin at whole multiples of it. [ns]

    Raises
    ------
    SignalError : starts that do not rise, or no interval.

    Source: IEC 61000-4-30 Ed. 3, 4.4 [memory]: the block that a tick falls into finishes the old interval.
    """
    starts = np.asarray(starts_ns, np.int64)
    if starts.ndim != 1 or interval_ns < 1 or (np.diff(starts) <= 0).any():
        raise SignalError(f"starts of shape {starts.shape} must rise; the interval is {interval_ns} ns")
    lengths = np.broadcast_to(np.asarray(lengths_ns, np.float64), starts.shape)
    numbers = starts // interval_ns
    first = np.flatnonzero(np.diff(numbers, prepend=numbers[:1] - 1))
    if not first.size:
        return Intervals(np.zeros(0, np.int64), first, 0, np.zeros(0))
    inside = np.minimum(lengths, (numbers + 1) * interval_ns - starts)
    measured = np.minimum(np.add.reduceat(inside, first) / interval_ns, 1.0)
    return Intervals(numbers[first] * interval_ns, first, starts.size, measured)


def aggregated(values: npt.ArrayLike, intervals: Intervals, rule: Rule) -> F64:
    """One value an interval.

    Parameters
    ----------
    values : shape (..., n_blocks). NaN where a block was not measured: it does not count. [any unit]
    intervals : of the blocks.
    rule : ``rms``: root of the mean of squares; ``mean``, ``max``, ``min``, ``sum``; ``last``: that of the last block.

    Returns
    -------
    float64, shape (..., n). NaN where no block of an interval was measured. [unit of values]

    Raises
    ------
    SignalError : another number of values than of blocks.

    Source: IEC 61000-4-30 Ed. 3, 4.4.1: square root of the mean of squares [memory].
    """
    series = np.asarray(values, np.float64)
    if series.shape[-1:] != (intervals.n_blocks,):
        raise SignalError(f"values have shape {series.shape}; there are {intervals.n_blocks} blocks")
    first = intervals.first
    if not first.size:
        return np.zeros((*series.shape[:-1], 0))
    if rule in ("max", "min"):
        extreme: F64 = (np.fmax if rule == "max" else np.fmin).reduceat(series, first, axis=-1)
        return extreme
    seen = ~np.isnan(series)
    if rule == "last":
        last = np.maximum.reduceat(np.where(seen, np.arange(series.shape[-1]), -1), first, axis=-1)
        return np.where(last >= first, np.take_along_axis(series, np.maximum(last, 0), axis=-1), np.nan)
    terms = np.where(seen, series**2 if rule == "rms" else series, 0.0)
    total, count = np.add.reduceat(terms, first, axis=-1), np.add.reduceat(seen.astype(np.int64), first, axis=-1)
    if rule == "sum":
        return np.where(count > 0, total, np.nan)
    mean: F64 = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
    return np.sqrt(mean) if rule == "rms" else mean


def flagged(flags: npt.ArrayLike, intervals: Intervals) -> Mask:
    """Whether an interval holds a flagged block.

    Parameters
    ----------
    flags : bool, shape (n_blocks,). Blocks that a sag, swell or interruption touches, on any phase.
    intervals : of the blocks.

    Source: IEC 61000-4-30 Ed. 3, 4.7: a flag goes up into each longer interval that contains the block [memory].
    """
    marks = np.asarray(flags, np.bool_)
    if marks.shape != (intervals.n_blocks,):
        raise SignalError(f"flags have shape {marks.shape}; there are {intervals.n_blocks} blocks")
    if not intervals.first.size:
        return np.zeros(0, np.bool_)
    return np.logical_or.reduceat(marks, intervals.first)
