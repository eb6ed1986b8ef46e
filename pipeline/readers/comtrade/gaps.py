"""Time stamps against the rate table: a recording is cut where samples were lost, and its rates are not bent to fit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.order_statistics import median_of
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.comtrade.stamps import NS_PER_S
from halfcycle.pipeline.readers.comtrade.timing import (
    MAX_STAMP,
    STAMP_TOLERANCE,
    STAMP_WRAP,
    Elapsed,
    RecordingTiming,
    RowsAtRate,
)
from halfcycle.pipeline.readers.contract import Repair

_FEWEST_ROWS: Final = 8  # tell how fast the stamps run
_STANDING_SHARE: Final = 0.1  # of the steps that are 0 where stamps are coarser than the sampling
_GRID_ROWS: Final = 1 << 11
_PROBE_ROWS: Final = 1 << 14
_BLOCK_ROWS: Final = 1 << 18
_JITTER_TICKS: Final = 2  # two rounded stamps differ from their true distance by less
_LEAST_GAP: Final = 0.5  # of a sample interval
_MOST_GAPS: Final = 1 / 8  # of the rows: stamps that jump at more of them are no times; common practice, no source
_AROUND: Final = (8, 4096)  # rows to each side that must agree on a gap: at least, at most
_DECADES: Final = 6  # of the stamps' unit, that a wrong multiplier may be off by
_UNITS: Final = {1.0: "nanoseconds", 1e3: "microseconds", 1e6: "milliseconds", 1e9: "seconds"}


class StampedRows(Protocol):
    """As much of the data's rows as this needs."""

    @property
    def stamps_wrap(self) -> bool: ...
    def stamps(self, *, first_row: int, n_rows: int, every: int = 1) -> Elapsed: ...


@dataclass(frozen=True, slots=True)
class _Pace:
    """How fast stamps run: as a multiple of the rate table, to within a share; and what they are rounded to. [ticks]"""

    speed: float
    resolution: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class _Scale:
    """How the stamps count. [ns]

    Attributes
    ----------
    tick_ns : what one counts, by the rate table where the stated unit does not fit it.
    resolution_ns : what they are rounded to.
    """

    tick_ns: float
    resolution_ns: float


def cut_at_gaps(timing: RecordingTiming, rows: StampedRows, *, tick_ns: float) -> RecordingTiming:
    """Cut a recording where its time stamps jump ahead of its rate table.

    Parameters
    ----------
    timing : from the rate table.
    rows : the data, whose stamps are read block by block.
    tick_ns : what a stamp counts, as stated. [ns]

    Returns
    -------
    RecordingTiming. A stretch ends at a gap of half a sample interval or more that the stamps around it agree on, and
    the next begins where its stamp says; what comes later moves with it. Stamps that do not change, or are missing,
    say nothing.
    """
    n_rows = timing.n_rows
    if len(timing.stretches) == 1 and _is_regular(rows, timing, tick_ns):
        return replace(timing, is_stamped=True)
    probe = rows.stamps(first_row=0, n_rows=min(n_rows, _PROBE_ROWS))
    pace = _pace(probe, timing, tick_ns, wraps=rows.stamps_wrap)
    if pace is None:
        return timing
    notes: tuple[str, ...] = ()
    decade = 10.0 ** min(max(round(math.log10(pace.speed)), -_DECADES), _DECADES)
    fits = abs(pace.speed / decade - 1) <= max(STAMP_TOLERANCE, pace.uncertainty)
    speed = decade if fits else pace.speed
    if fits and decade != 1:
        unit = _UNITS.get(tick_ns / decade, f"{tick_ns / decade:g} ns")
        notes = (Repair(f"the time stamps of the data are in {unit}, as the sampling rates show"),)
    scale = _Scale(tick_ns / speed, pace.resolution * tick_ns / speed)
    jumps = list(_jumps(rows, timing, scale))
    gaps = [(row, excess_ns) for row, excess_ns in jumps if excess_ns > 0]
    if n_back := len(jumps) - len(gaps):
        notes += (Repair(f"the time stamps of the data jump back {n_back} times; the sampling rates are used there"),)
    if not gaps:
        return RecordingTiming(timing.stretches, (*timing.notes, *notes), is_stamped=fits)
    if len(gaps) > _MOST_GAPS * n_rows:
        no_times = f"the time stamps of the data jump ahead {len(gaps)} times in {n_rows} samples, which is implausible"
        return RecordingTiming(
            timing.stretches, (*timing.notes, *notes, Repair(f"{no_times}; the sampling rates are used"))
        )
    longest_ns = max(excess_ns for _, excess_ns in gaps)
    notes += (
        Repair(
            f"the time stamps of the data jump ahead of the sampling rates {len(gaps)} times, by "
            f"{longest_ns / NS_PER_S:.6g} s at most; the recording is split there"
        ),
    )
    return RecordingTiming(tuple(_cut(timing.stretches, gaps)), (*timing.notes, *notes), is_stamped=True)


def _is_regular(rows: StampedRows, timing: RecordingTiming, tick_ns: float) -> bool:
    """Whether the stamps of a recording of one rate fit it: each in a short recording, one in some thousand in others.

    A gap shows in the steps between stamps that are far apart just as well, as the clocks of a recorder hardly wander.
    """
    n_rows, ticks_a_row = timing.n_rows, NS_PER_S / timing.stretches[0].rate_hz / tick_ns
    every = _GRID_ROWS if n_rows >= _FEWEST_ROWS * _GRID_ROWS else 1
    on_grid = rows.stamps(first_row=0, n_rows=n_rows, every=every)
    if n_rows < _FEWEST_ROWS:
        return False
    steps = _steps(on_grid, wraps=rows.stamps_wrap)
    least, most = float(steps.min()), float(steps.max())  # no numbers where one of them is none
    off = max(abs(least - every * ticks_a_row), abs(most - every * ticks_a_row))
    jitter = max(_LEAST_GAP / 2 * ticks_a_row, _JITTER_TICKS)
    if every == 1 and off <= STAMP_TOLERANCE * ticks_a_row and most - least <= jitter:
        return True  # whichever of them is the median
    step = median_of(steps) if math.isfinite(most - least) else math.nan
    largest = max(most - step, step - least)
    if every > 1:
        end = rows.stamps(first_row=n_rows - 1, n_rows=1)
        last = float(_steps(np.array([on_grid[-1], end[0]]), wraps=rows.stamps_wrap)[0])
        largest = max(largest, abs(last - step * ((n_rows - 1) % every / every)))
    fits = abs(step - every * ticks_a_row) <= STAMP_TOLERANCE * every * ticks_a_row
    return fits and largest <= jitter


def _elapsed_ns(timing: RecordingTiming, first_row: int, n_rows: int) -> Elapsed:
    """Time of rows after the first row of the file, by the rate table; shape (n_rows,). [ns]"""
    elapsed = np.empty(n_rows)
    for stretch in timing.stretches:
        low = max(stretch.first_row, first_row)
        high = min(stretch.first_row + stretch.n_samples, first_row + n_rows)
        if low < high:
            inside = np.arange(low - stretch.first_row, high - stretch.first_row)
            elapsed[low - first_row : high - first_row] = stretch.offset_ns + inside * (NS_PER_S / stretch.rate_hz)
    return elapsed


def _steps(stamps: Elapsed, *, wraps: bool) -> Elapsed:
    steps: Elapsed = stamps[1:] - stamps[:-1]
    if not wraps or not steps.size or (abs(steps.min()) < STAMP_WRAP / 2 and abs(steps.max()) < STAMP_WRAP / 2):
        return steps
    return (steps + STAMP_WRAP / 2) % STAMP_WRAP - STAMP_WRAP / 2


def _known(stamps: Elapsed) -> npt.NDArray[np.intp]:
    return np.flatnonzero(np.abs(stamps) <= MAX_STAMP)  # not NaN either


def _pace(stamps: Elapsed, timing: RecordingTiming, tick_ns: float, *, wraps: bool) -> _Pace | None:
    """How fast the stamps run; None where they stand or run backwards, or are too few."""
    known = _known(stamps)
    steps = _steps(stamps[known], wraps=wraps)
    ahead = steps[steps > 0]
    if known.size < _FEWEST_ROWS or not ahead.size:
        return None
    if np.mean(steps == 0) > _STANDING_SHARE:
        resolution, step = float(ahead.min()), float(ahead.min()) * ahead.size / steps.size
    else:
        resolution, step = 1.0, float(np.median(ahead))
    lag = min(math.ceil(2 * resolution / (STAMP_TOLERANCE * step)), known.size // 4)
    counted = np.concatenate(([0.0], np.cumsum(steps)))
    expected = _elapsed_ns(timing, 0, stamps.size)[known] / tick_ns
    speed = float(np.median((counted[lag:] - counted[:-lag]) / (expected[lag:] - expected[:-lag])))
    return _Pace(speed, resolution, resolution / (lag * step)) if speed > 0 else None


def _jumps(rows: StampedRows, timing: RecordingTiming, scale: _Scale) -> Iterator[tuple[int, float]]:
    """Rows that come late or early by their stamps, and by how much they do more than the row before. [ns]"""
    n_rows = timing.n_rows
    intervals_ns = [NS_PER_S / stretch.rate_hz for stretch in timing.stretches]
    least, most = _AROUND
    around = min(max(least, 2 * math.ceil(scale.resolution_ns / min(intervals_ns))), most)
    edge = around // 2 if scale.resolution_ns > min(intervals_ns) else 0  # nearer an end it may be rounding
    for first in range(0, n_rows, _BLOCK_ROWS):
        check_time(f"row {first + 1}")
        begin, end = max(first - around, 0), min(first + _BLOCK_ROWS + around, n_rows)
        stamps = rows.stamps(first_row=begin, n_rows=end - begin)
        known = _known(stamps)
        steps_ns = _steps(stamps[known], wraps=rows.stamps_wrap) * scale.tick_ns
        excess = steps_ns - np.diff(_elapsed_ns(timing, begin, end - begin)[known])
        least_ns = _LEAST_GAP * _intervals(timing, begin + known)
        least_ns = np.maximum(least_ns, _JITTER_TICKS * scale.tick_ns)
        for i in np.flatnonzero(np.abs(excess) > least_ns).tolist():
            row = begin + int(known[i + 1])
            inside = max(first, edge) <= row < min(first + _BLOCK_ROWS, n_rows - edge)
            if inside and _holds(excess, i, around, float(least_ns[i])):
                yield row, float(excess[i])


def _intervals(timing: RecordingTiming, rows: npt.NDArray[np.intp]) -> Elapsed:
    """The longer of the two sample intervals at each pair of rows that follow one another. [ns]"""
    starts = [stretch.first_row for stretch in timing.stretches]
    intervals = np.array([NS_PER_S / stretch.rate_hz for stretch in timing.stretches])
    of_rows = intervals[np.searchsorted(starts, rows, side="right") - 1]
    longer: Elapsed = np.maximum(of_rows[1:], of_rows[:-1])
    return longer


def _holds(excess: Elapsed, i: int, around: int, least_ns: float) -> bool:
    """Whether the stamps stay late (or early) after a step as they did not before: rounded ones fall back at once."""
    sign = math.copysign(1.0, float(excess[i]))
    before = np.concatenate((np.cumsum(sign * excess[max(i - around, 0) : i][::-1]), [0.0]))
    after = np.concatenate(([0.0], np.cumsum(sign * excess[i + 1 : i + 1 + around])))
    # How late rows before were, seen from the row before the step, is minus what has been added since.
    return bool(abs(excess[i]) + after.min() - (-before).max() > least_ns)


def _cut(stretches: tuple[RowsAtRate, ...], gaps: list[tuple[int, float]]) -> Iterator[RowsAtRate]:
    """Stretches that end at the gaps; each gap moves what follows."""
    shift_ns = 0.0
    for stretch in stretches:
        end = stretch.first_row + stretch.n_samples
        inside = [gap for gap in gaps if stretch.first_row <= gap[0] < end]
        bounds = [stretch.first_row, *(row for row, _ in inside if row > stretch.first_row), end]
        moved = dict(inside)
        for low, high in itertools.pairwise(bounds):
            shift_ns += moved.get(low, 0.0)
            offset_ns = stretch.offset_ns + (low - stretch.first_row) * NS_PER_S / stretch.rate_hz + shift_ns
            yield replace(stretch, first_row=low, n_samples=high - low, offset_ns=round(offset_ns))
