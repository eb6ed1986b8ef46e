"""The integral of the square between any two (fractional) sample positions: block sums, and the few samples beyond.

Working in counts, so that raw samples are never turned into units one by one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.impossible import bridged
from halfcycle.pipeline.measures.quality import MISSING
from halfcycle.pipeline.measures.tracking import HopGrid

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]

FEWEST_SAMPLES_A_CYCLE: Final = 8
_CACHE_BLOCK = 1 << 16
_EXPAND_WITHIN = 1.0  # samples between a window's end and the crossing whose neighbourhood serves for it
# Lagrange cubic through the samples at -1, 0, 1 and 2: coefficients of its powers of theta, by sample
_EXTENDED: Final = np.array([4, -6, 4, -1], np.float32)  # the cubic of four samples, one sample before them
_CUBIC: Final = np.array(
    [[0, 1, 0, 0], [-1 / 3, -1 / 2, 1, -1 / 6], [1 / 2, -1, 1 / 2, 0], [-1 / 6, 1 / 2, -1 / 2, 1 / 6]]
)


@dataclass(frozen=True, slots=True)
class Sums:
    """What one pass over a channel's samples gives.

    Attributes
    ----------
    sums : float32, shape (n // decimation,). Of each `decimation` samples; none where they were not asked for. [counts]
    squares : float32, shape (n // hop,). Sums of the squares of each `hop` samples. [counts²]
    lines : float32, shape (3, n // hop + 1). The samples before, at and after each start of a hop; that before the
        first lies on the straight line through it and the next, those beyond the end are 0. [counts]
    sparse : raw, shape (ceil(n / step),). Every so many samples one.
    extremes_at : where the least and the largest sample are first; None for floats, which may be no numbers.
    """

    sums: F32
    squares: F32
    lines: F32
    sparse: Raw
    extremes_at: tuple[int, int] | None


def sums_of(
    row: Raw,
    channel: Channel,
    flags: U8 | None,
    *,
    decimation: int,
    hop: int,
    sparse_step: int,
    with_sums: bool = True,
) -> Sums:
    """Sums of a channel's samples and of their squares, and some of them side by side, in one pass.

    Parameters
    ----------
    row : shape (n,), at least one. Raw samples.
    channel : of the samples; its offset is taken into account.
    flags : of the samples; short gaps of missing ones are bridged, others count as zero.
    decimation : samples in a sum.
    hop : samples in a sum of squares, a multiple of `decimation`.
    sparse_step : samples from one of the sparse ones to the next.
    with_sums : the sums are wanted, not only those of the squares.

    Source: definition of the mean square.
    """
    offset = offset_counts(channel)
    row = _cleaned(row, flags, offset, cycle=2 * hop)
    n_sums, n_hops = row.size // decimation if with_sums else 0, row.size // hop
    sums, squares = np.empty(n_sums, np.float32), np.empty(n_hops, np.float32)
    lines = np.zeros((3, n_hops + 1), np.float32)
    sparse = np.empty(-(-row.size // sparse_step), row.dtype)
    ones = np.ones(decimation, np.float32)
    step = max(_CACHE_BLOCK // hop, 1) * hop
    work = np.empty(min(step, row.size), np.float32)
    whole_numbers = row.dtype.kind == "i"
    low_at = high_at = 0
    for a in range(0, row.size, step):
        raw = row[a : a + step]
        few = raw[-a % sparse_step :: sparse_step]
        first = -(-a // sparse_step)
        sparse[first : first + few.size] = few
        if whole_numbers:
            low, high = int(raw.argmin()), int(raw.argmax())
            low_at = a + low if raw[low] < row[low_at] else low_at
            high_at = a + high if raw[high] > row[high_at] else high_at
        part = work[: raw.size]
        np.copyto(part, raw, casting="unsafe")
        if offset:
            part += np.float32(offset)
        if with_sums:
            first = a // decimation
            grouped = part[: part.size // decimation * decimation].reshape(-1, decimation)
            np.matmul(grouped, ones, out=sums[first : first + grouped.shape[0]])
        rows = part[: part.size // hop * hop].reshape(-1, hop)
        first = a // hop
        np.vecdot(rows, rows, out=squares[first : first + rows.shape[0]])
        for k, (place, later) in enumerate(((hop - 1, 1), (0, 0), (1, 0))):
            near = part[place::hop]
            lines[k, first + later : first + later + near.size] = near
    lines[0, 0] = 2 * lines[1, 0] - lines[2, 0]
    return Sums(sums, squares, lines, sparse, (low_at, high_at) if whole_numbers else None)


def offset_counts(channel: Channel) -> float:
    """The offset that a channel's samples are stored with. [counts] Source: derived."""
    return channel.offset / channel.scale if channel.offset and channel.scale else 0.0


def _cleaned(row: Raw, flags: U8 | None, offset: float, *, cycle: float) -> Raw:
    """Samples with short gaps bridged and longer ones at zero; their windows are flagged whichever it is."""
    if flags is None or not (flags & MISSING).any():
        return row
    return bridged(row, (flags & MISSING) != 0, zero=-offset, samples_per_cycle=cycle)


@dataclass(frozen=True, slots=True)
class Cut:
    """The samples around some windows of one channel, for `mean_squares`.

    Attributes
    ----------
    samples : float32, shape (n,), a multiple of the decimation. [counts]
    starts, cycle : shape (n_windows,). Windows, fractional positions in the samples. [samples]
    """

    samples: F32
    starts: F64
    cycle: F64

    @classmethod
    def of(cls, row: Raw, channel: Channel, flags: U8 | None, starts: F64, cycle: F64, grid: HopGrid) -> Cut:
        """Cut out of a channel's samples, shape (n_samples,), with one more at each end of these if need be."""
        decimation = grid.decimation
        a = max(int(starts[0]) - decimation - 2, 0)
        b = min(int((starts + cycle).max()) + decimation + 4, row.size)
        offset = offset_counts(channel)
        part = _cleaned(row[a:b], None if flags is None else flags[a:b], offset, cycle=2 * grid.hop_samples)
        samples = np.zeros((-(-(b - a + 1) // decimation) + 1) * decimation, np.float32)
        inside = samples[decimation : decimation + b - a]
        inside[:] = part
        if offset:
            inside += np.float32(offset)
        if b - a >= len(_EXTENDED):  # the cubic at the ends goes on as it is
            samples[decimation - 1] = inside[: len(_EXTENDED)] @ _EXTENDED
            samples[decimation + b - a] = inside[: -len(_EXTENDED) - 1 : -1] @ _EXTENDED
        return cls(samples, starts - (a - decimation), cycle)


def mean_squares(cuts: Sequence[Cut], decimation: int) -> list[F64]:
    """Mean of the square over each [start, start + cycle) of each of some cuts. [counts²]

    Parameters
    ----------
    cuts : of any channels; small ones are measured together.
    decimation : samples in a block whose squares are summed once and for all.

    Source: definition of the mean square; samples at an edge count by their part in the window: derived.
    """
    found: list[F64] = []
    for batch in _batches(cuts):
        before = np.cumsum([0] + [cut.samples.size for cut in batch[:-1]])
        row = batch[0].samples if len(batch) == 1 else np.concatenate([cut.samples for cut in batch])
        starts = np.concatenate([cut.starts + first for cut, first in zip(batch, before.tolist(), strict=True)])
        cycle = np.concatenate([cut.cycle for cut in batch])
        values = _mean_square(row, starts, cycle, decimation)
        found += np.split(values, np.cumsum([cut.starts.size for cut in batch[:-1]]))
    return found


def _batches(cuts: Sequence[Cut]) -> Iterator[list[Cut]]:
    batch: list[Cut] = []
    n_samples = 0
    for cut in cuts:
        if batch and n_samples + cut.samples.size > _CACHE_BLOCK:
            yield batch
            batch, n_samples = [], 0
        batch.append(cut)
        n_samples += cut.samples.size
    if batch:
        yield batch


def _mean_square(row: F32, starts: F64, cycle: F64, decimation: int) -> F64:
    """Mean of the square over each [start, start + cycle) of a row of whole blocks. [counts²]"""
    squares = np.square(row).reshape(-1, decimation) @ np.ones(decimation, np.float32)
    edge = _edges(row, starts, decimation)
    integral = edge.beyond_block + _sum_to_blocks(squares, edge.block)
    ends = starts + cycle
    total = np.empty(starts.size)
    # In steady state the window ends where the next but one begins: its value there, moved by the small difference.
    apart = np.full(starts.size, np.inf)
    apart[:-2] = ends[:-2] - starts[2:]
    near = np.abs(apart) <= _EXPAND_WITHIN
    i = np.flatnonzero(near)
    moved = apart[i]
    total[i] = integral[i + 2] - integral[i] + moved * (edge.square[i + 2] + 0.5 * moved * edge.slope[i + 2])
    far = np.flatnonzero(~near)
    end = _edges(row, ends[far], decimation)
    total[far] = end.beyond_block - edge.beyond_block[far] + _sum_between(squares, edge.block[far], end.block)
    return np.maximum(total, 0.0) / cycle


def _sum_to_blocks(squares: F32, block: I64) -> F64:
    """Sum of the blocks before each one named; up to a constant, which differences drop."""
    if (np.diff(block) > 0).all() and block[-1] < squares.size:
        pieces = np.add.reduceat(squares, block)[:-1]
        return np.concatenate(([0.0], np.cumsum(pieces, dtype=np.float64)))
    return np.concatenate(([0.0], np.cumsum(squares, dtype=np.float64)))[block]


def _sum_between(squares: F32, first: I64, stop: I64) -> F64:
    return np.array([squares[a:b].sum(dtype=np.float64) for a, b in zip(first, stop, strict=True)])


@dataclass(frozen=True, slots=True)
class _Edges:
    """The integral of the square up to some positions: whole blocks before them, and what lies beyond these."""

    block: I64
    beyond_block: F64
    square: F64
    slope: F64


def _edges(row: F32 | F64, at: F64, decimation: int) -> _Edges:
    """Integral of the square up to fractional positions (one sample interval is 1), the square there, its slope.

    The sum over samples becomes the integral by the Euler-Maclaurin terms at the edge, with the samples' cubic there:
    so a window of any length leaves no ripple. Source: derived; DLMF 2.10(i) has the formula.
    """
    i = np.clip(np.floor(at).astype(np.int64), 1, row.size - 3)
    theta = at - i
    q, c, b, a = _CUBIC @ np.stack([row.take(i + k) for k in (-1, 0, 1, 2)]).astype(np.float64)
    value = q + theta * (c + theta * (b + theta * a))
    slope = c + theta * (2 * b + 3 * theta * a)
    square, square_slope = value * value, 2 * value * slope
    integral = (theta - 0.5) * square - (0.5 * (theta * (theta - 1)) + 1 / 12) * square_slope
    block = (i + 1) // decimation
    if decimation > 1:
        last = row.size // decimation - 1
        block = np.minimum(block, last)
        inside = row[: (last + 1) * decimation].reshape(-1, decimation).take(block, axis=0)
        # Column k of the product: the sum of the first k squares of the block.
        sums = np.square(inside) @ _first_ones(decimation)
        integral += sums.ravel().take(np.arange(i.size) * (decimation + 1) + i + 1 - block * decimation)
    return _Edges(block, integral, square, square_slope)


@lru_cache(maxsize=16)
def _first_ones(n: int) -> F32:
    """Shape (n, n + 1), column k with k ones at its top."""
    return np.triu(np.ones((n, n + 1), np.float32), 1)


def rms_between(x: F64, edges: F64) -> F64:
    """RMS from each of some positions to the next but one.

    Parameters
    ----------
    x : shape (n_samples,). [any unit]
    edges : shape (n,). Half a cycle apart. [samples]

    Returns
    -------
    shape (n - 2,), or none where there are under three edges. [unit of x]

    Raises
    ------
    SignalError : edges that do not rise or lie outside the samples, or under 8 samples per cycle.

    Source: definition of the RMS value; samples at an edge count by their part in the window: derived.
    """
    if edges.size < 3:
        return np.zeros(0)
    if not (edges.min() >= 0 and edges.max() <= x.size - 1 and (np.diff(edges) > 0).all()):
        raise SignalError("crossings must rise and lie within the samples")
    if float((edges[2:] - edges[:-2]).min()) < FEWEST_SAMPLES_A_CYCLE:
        raise SignalError(f"crossings leave fewer than {FEWEST_SAMPLES_A_CYCLE} samples per cycle")
    edge = _edges(x, edges, 1)
    integral = edge.beyond_block + np.concatenate(([0.0], np.cumsum(x * x)))[edge.block]
    return np.asarray(np.sqrt(np.maximum(integral[2:] - integral[:-2], 0.0) / (edges[2:] - edges[:-2])))
