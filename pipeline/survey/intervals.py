"""Blocks of 10/12 cycles brought together in longer intervals as they come: sums are kept, not blocks.

However long an interval is, what is held of it is a few numbers for each series.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.aggregation import BLOCKS_IN_LONG
from halfcycle.pipeline.quantities import Aggregation
from halfcycle.pipeline.survey.blocks import Blocks
from halfcycle.pipeline.survey.series import Series, SeriesOfBlocks

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Values = npt.NDArray[np.floating]

_SUMMED: Final = ("rms", "mean", "sum", "ratio", "angle")
_MOST_PARTS: Final = 32  # that lie apart in memory before they are put together


@dataclass(frozen=True, slots=True)
class Gathered:
    """A series' values of intervals; shape (n_intervals, n_names) each, NaN where nothing was measured.

    Attributes
    ----------
    values : of the whole interval.
    low, high : least and largest of its blocks; None where they are not kept.
    """

    values: F64 | F32
    low: F32 | None
    high: F32 | None


@dataclass(slots=True)
class Gathering:
    """One series on its way from blocks to intervals: sums in double precision, extremes in that of a trend.

    Attributes
    ----------
    aggregation : of `quantities.Quantity`; ``ratio`` and ``angle`` take two values a block: numerator and denominator,
        or the parts of a complex number whose angle is wanted.
    extremes : keep the least and the largest block too.
    """

    aggregation: Aggregation
    extremes: bool
    _parts: dict[str, list[Values]] = field(default_factory=dict)

    def add(self, values: Values, begins: I64, *, joins: bool) -> None:
        """Takes further blocks.

        Parameters
        ----------
        values : shape (n_blocks, n_names); of ``ratio`` and ``angle`` (2, n_blocks, n_names). NaN where not measured.
        begins : block with which each interval begins.
        joins : the first of these intervals is the last of the call before.
        """
        new = self._sums(values, begins) if self.aggregation in _SUMMED else {}
        if self.extremes or self.aggregation in ("min", "max"):
            new |= self._of_single(_quotient(*values) if self.aggregation == "ratio" else values, begins)
        for name, rows in new.items():
            held = self._parts.setdefault(name, [])
            if joins and held:
                held[-1] = _as_wide(held[-1], rows.shape[-1])
                held[-1][..., -1, :] = _merged(name, held[-1][..., -1, :], rows[..., 0, :])
            fresh = rows[..., 1:, :] if joins and held else rows
            if fresh.shape[-2]:
                held.append(fresh)
            if len(held) > _MOST_PARTS:
                held[:] = [_together(held)]

    def result(self) -> Gathered:
        """The values of all intervals so far."""
        whole = {name: _together(parts) for name, parts in self._parts.items()}
        low, high = (whole.get(name) if self.extremes else None for name in ("low", "high"))
        return Gathered(self._value(whole), low, high)

    def _sums(self, values: Values, begins: I64) -> dict[str, Values]:
        squared = values * values if self.aggregation == "rms" else values
        total = np.add.reduceat(squared, begins, axis=-2, dtype=np.float64)
        lengths = np.diff(begins, append=values.shape[-2])
        if not np.isnan(total).any():
            counts = np.broadcast_to(lengths[:, None], (*total.shape[:-1], 1))  # the same for all names
            return {"total": total, "count": counts.astype(np.float64)}
        known = ~np.isnan(squared)
        total = np.add.reduceat(np.where(known, squared, 0.0), begins, axis=-2, dtype=np.float64)
        return {"total": total, "count": np.add.reduceat(known, begins, axis=-2, dtype=np.float64)}

    def _of_single(self, values: Values, begins: I64) -> dict[str, Values]:
        found: dict[str, Values] = {}
        if self.extremes or self.aggregation == "min":
            found["low"] = np.fmin.reduceat(values, begins, axis=0).astype(np.float32)
        if self.extremes or self.aggregation == "max":
            found["high"] = np.fmax.reduceat(values, begins, axis=0).astype(np.float32)
        return found

    def _value(self, whole: dict[str, Values]) -> F64 | F32:
        if self.aggregation in ("min", "max"):
            return np.asarray(whole["low" if self.aggregation == "min" else "high"], np.float32)
        total, count = whole["total"], whole["count"]
        if self.aggregation == "ratio":
            return _quotient(total[0], total[1])
        if self.aggregation == "angle":
            known = (np.hypot(*total) > 0) & (count[0] > 0)
            angle: F64 = np.where(known, np.degrees(np.arctan2(total[1], total[0])), np.nan)
            return angle
        value = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
        if self.aggregation == "sum":
            return np.asarray(np.where(count > 0, total, np.nan), np.float64)
        return np.asarray(np.sqrt(value) if self.aggregation == "rms" else value, np.float64)


@dataclass(frozen=True, slots=True)
class IntervalValues:
    """What all blocks came to.

    Attributes
    ----------
    starts_ns : int64, shape (n_intervals,), rising. [ns UTC]
    measured : shape (n_intervals,). Share of each that was measured, up to 1.
    columns : by name, shape (n_intervals,) each; ``NAME_min`` and ``NAME_max`` are of single blocks. Double precision,
        extremes in single.
    notes : by column, see `survey.notes`.
    """

    starts_ns: I64
    measured: F64
    columns: dict[str, F64 | F32]
    notes: dict[str, dict[str, str]]


class Intervals:
    """Takes blocks as they come and gives the values of the intervals in which they start.

    Parameters
    ----------
    source : of the series.
    interval_ns : length of the intervals, which lie on ticks of the clock. [ns]
    of_cycles : they are of 150/180 cycles instead, as the blocks number them.
    """

    def __init__(self, source: SeriesOfBlocks, *, interval_ns: int, of_cycles: bool = False) -> None:
        self._source, self._interval_ns, self._of_cycles = source, interval_ns, of_cycles
        self._numbers: list[I64] = []
        self._starts_ns: list[I64] = []
        self._measured = Gathering("sum", extremes=False)
        self._series: list[tuple[Series, Gathering]] = []

    @property
    def empty(self) -> bool:
        """Whether no block has come yet."""
        return not self._numbers

    def add(self, blocks: Blocks) -> None:
        """Takes further blocks, later than those before."""
        numbers = blocks.long_numbers if self._of_cycles else blocks.starts_ns // self._interval_ns
        if not numbers.size:
            return
        begins = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1)).astype(np.int64)
        joins = bool(self._numbers) and int(self._numbers[-1][-1]) == int(numbers[0])
        own = numbers[begins]
        if own.size > joins:
            self._numbers.append(own[int(joins) :])
            starts_ns = blocks.starts_ns[begins] if self._of_cycles else own * self._interval_ns
            self._starts_ns.append(starts_ns[int(joins) :])
        self._measured.add(self._shares(blocks, numbers)[:, None], begins, joins=joins)
        found = self._source.of(blocks)
        if not self._series:
            self._series = [(one, Gathering(one.quantity.aggregation, one.quantity.extremes)) for one in found]
        for series, (_, gathering) in zip(found, self._series, strict=True):
            gathering.add(series.values, begins, joins=joins)

    def _shares(self, blocks: Blocks, numbers: I64) -> F64:
        """Share of its interval that each block is."""
        if self._of_cycles:
            return np.full(numbers.shape, 1 / BLOCKS_IN_LONG)
        inside = np.minimum(blocks.lengths_ns, (numbers + 1) * self._interval_ns - blocks.starts_ns)
        return np.asarray(inside / self._interval_ns, np.float64)

    def result(self) -> IntervalValues:
        """The values of all intervals, once all blocks have come; at least one has."""
        columns: dict[str, F64 | F32] = {}
        notes: dict[str, dict[str, str]] = {}
        for series, gathering in self._series:
            found = gathering.result()
            for k, name in enumerate(series.names):
                ends = (("", found.values), ("_min", found.low), ("_max", found.high))
                for suffix, values in ends:
                    if values is not None:
                        columns[name + suffix] = values[:, k]
                        notes[name + suffix] = series.notes_of(name)
        measured = np.minimum(self._measured.result().values[:, 0], 1.0)
        told = {name: own for name, own in notes.items() if own}
        return IntervalValues(np.concatenate(self._starts_ns), measured, columns, told)


class CycleIntervals:
    """Intervals of 150/180 cycles; those before and after a ten-minute tick overlap, so odd and even rows go apart.

    Parameters
    ----------
    odd, even : sources of the series, one each.

    Source: IEC 61000-4-30 Ed. 3, 4.4 (from memory): 15 blocks of 10/12 cycles, synchronised anew at each tick.
    """

    def __init__(self, odd: SeriesOfBlocks, even: SeriesOfBlocks) -> None:
        self._rows = tuple(Intervals(source, interval_ns=1, of_cycles=True) for source in (even, odd))

    @property
    def empty(self) -> bool:
        """Whether no block has come yet."""
        return all(rows.empty for rows in self._rows)

    def add(self, blocks: Blocks) -> None:
        """Takes further blocks, later than those before."""
        for rows, chosen in zip(self._rows, (~blocks.row_is_odd, blocks.row_is_odd), strict=True):
            if chosen.any():
                rows.add(blocks.kept(chosen))

    def result(self) -> IntervalValues:
        """The values of all intervals, once all blocks have come; at least one has."""
        parts = [rows.result() for rows in self._rows if not rows.empty]
        starts_ns = np.concatenate([part.starts_ns for part in parts])
        order = np.argsort(starts_ns, kind="stable")
        columns = {name: np.concatenate([part.columns[name] for part in parts])[order] for name in parts[0].columns}
        measured = np.concatenate([part.measured for part in parts])[order]
        return IntervalValues(starts_ns[order], measured, columns, parts[0].notes)


def _quotient(above: Values, below: Values) -> F64:
    out = np.full(below.shape, np.nan)
    np.divide(above, below, out=out, where=below > 0)
    return out


def _merged(name: str, before: Values, after: Values) -> Values:
    if name in ("total", "count"):
        return np.asarray(before + after)
    return np.asarray(np.fmin(before, after) if name == "low" else np.fmax(before, after))


def _together(parts: Sequence[Values]) -> Values:
    """Parts one after the other; those with one value for all names among those with one for each are spread out."""
    width = max(part.shape[-1] for part in parts)
    return np.concatenate([_as_wide(part, width) for part in parts], axis=-2)


def _as_wide(part: Values, width: int) -> Values:
    return part if part.shape[-1] >= width else np.repeat(part, width, axis=-1)
