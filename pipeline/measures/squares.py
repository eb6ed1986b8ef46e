"""The integral of the square between any two (fractional) sample positions: block sums, and the few samples beyond.

Working in counts, so that raw samples are never turned into units one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.capture import Channel
from pipeline.capture import SampleArray as Raw
from pipeline.errors import SignalError
from pipeline.measures.quality import MISSING

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]

FEWEST_SAMPLES_A_CYCLE: Final = 8
_CACHE_BLOCK = 1 << 16
_EXPAND_WITHIN = 1.0  # samples between a window's end and the crossing whose neighbourhood serves for it
# Lagrange cubic through the samples at -1, 0, 1 and 2: coefficients of its powers of theta, by sample
_CUBIC: Final = np.array(
    [[0, 1, 0, 0], [-1 / 3, -1 / 2, 1, -1 / 6], [1 / 2, -1, 1 / 2, 0], [-1 / 6, 1 / 2, -1 / 2, 1 / 6]]
)


def block_sums(raw: Raw, channels: Sequence[Channel], flags: Sequence[U8 | None], decimation: int) -> tuple[F32, F32]:
    """Sums of each `decimation` samples and of their squares.

    Parameters
    ----------
    raw : shape (n_channels, n). Raw samples.
    channels : of the samples; their offset is taken into account.
    flags : of each channel's samples; missing ones count as zero.
    decimation : samples in a block.

    Returns
    -------
    (sums, squares), float32, each of shape (n_channels, n // decimation). [counts], [counts²]
    """
    n_blocks = raw.shape[1] // decimation
    sums = np.empty((raw.shape[0], n_blocks), np.float32)
    squares = np.empty_like(sums)
    ones = np.ones(decimation, np.float32)
    step = max(_CACHE_BLOCK // decimation, 1) * decimation
    work = np.empty(step, np.float32)
    for c, channel in enumerate(channels):
        offset = _offset_counts(channel)
        row = _cleaned(raw[c], flags[c], offset)
        for a in range(0, n_blocks * decimation, step):
            b = min(a + step, n_blocks * decimation)
            part = work[: b - a]
            np.copyto(part, row[a:b], casting="unsafe")
            if offset:
                part += np.float32(offset)
            grouped = part.reshape(-1, decimation)
            blocks = slice(a // decimation, b // decimation)
            np.matmul(grouped, ones, out=sums[c, blocks])
            np.multiply(part, part, out=part)
            np.matmul(grouped, ones, out=squares[c, blocks])
    return sums, squares


def _offset_counts(channel: Channel) -> float:
    return channel.offset / channel.scale if channel.offset and channel.scale else 0.0


def _cleaned(row: Raw, flags: U8 | None, offset: float) -> Raw:
    """Samples with the missing ones at zero: their windows are flagged, and the tracking sees a lost voltage."""
    if flags is None or not (flags & MISSING).any():
        return row
    zero = -offset
    if row.dtype.kind == "i":
        info = np.iinfo(row.dtype)
        zero = min(max(round(zero), info.min), info.max)
    return np.where(flags & MISSING, np.asarray(zero, row.dtype), row)


def mean_square(
    raw: Raw, squares: F32, starts: F64, cycle: F64, channel: Channel, flags: U8 | None, *, decimation: int
) -> F64:
    """Mean of the square over each [start, start + cycle).

    Parameters
    ----------
    raw : shape (n_samples,). Raw samples of one channel.
    squares : of them, as `block_sums` gives them. [counts²]
    starts, cycle : shape (n,). Windows, fractional positions; none beyond the last whole block. [samples]
    channel, flags, decimation : as for `block_sums`.

    Returns
    -------
    shape (n,). [counts²]
    """
    if not starts.size:
        return np.zeros(0)
    offset = _offset_counts(channel)
    row = _cleaned(raw, flags, offset)
    edge = _edges(row, starts, decimation, offset)
    integral = edge.beyond_block + _sum_to_blocks(squares, edge.block)
    ends = starts + cycle
    total = np.empty(starts.size)
    # In steady state the window ends where the next but one begins: its value there, moved by the small difference.
    apart = np.full(starts.size, np.inf)
    apart[:-2] = ends[:-2] - starts[2:]
    near = np.abs(apart) <= _EXPAND_WITHIN
    if near[:-2].all():
        moved = apart[:-2]
        square, slope = edge.square[2:], edge.slope[2:]
        total[:-2] = integral[2:] - integral[:-2] + moved * (square + 0.5 * moved * slope)
        far = np.arange(max(starts.size - 2, 0), starts.size)
    else:
        i = np.flatnonzero(near)
        moved = apart[i]
        total[i] = integral[i + 2] - integral[i] + moved * (edge.square[i + 2] + 0.5 * moved * edge.slope[i + 2])
        far = np.flatnonzero(~near)
    end = _edges(row, ends[far], decimation, offset)
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


def _edges(row: Raw, at: F64, decimation: int, offset: float) -> _Edges:
    """Integral of the square up to fractional positions (one sample interval is 1), the square there, its slope.

    The sum over samples becomes the integral by the Euler-Maclaurin terms at the edge, with the samples' cubic there:
    so a window of any length leaves no ripple. Source: derived; DLMF 2.10(i) has the formula.
    """
    i = np.clip(np.floor(at).astype(np.int64), 1, row.size - 3)
    theta = at - i
    q, c, b, a = _CUBIC @ np.stack([row.take(i + k) for k in (-1, 0, 1, 2)]).astype(np.float64)
    value = q + offset + theta * (c + theta * (b + theta * a))
    slope = c + theta * (2 * b + 3 * theta * a)
    square, square_slope = value * value, 2 * value * slope
    integral = (theta - 0.5) * square - (0.5 * (theta * (theta - 1)) + 1 / 12) * square_slope
    block = (i + 1) // decimation
    if decimation > 1:
        last = row.size // decimation - 1
        block = np.minimum(block, last)
        inside = row[: (last + 1) * decimation].reshape(-1, decimation).take(block, axis=0).astype(np.float32)
        inside += np.float32(offset)
        # Column k of the product: the sum of the first k squares of the block.
        sums = np.square(inside) @ np.triu(np.ones((decimation, decimation + 1), np.float32), 1)
        integral += sums.ravel().take(np.arange(i.size) * (decimation + 1) + i + 1 - block * decimation)
    return _Edges(block, integral, square, square_slope)


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
    SignalError : edges that do not rise or lie outside the samples, or under 8 samples a cycle.
    """
    if edges.size < 3:
        return np.zeros(0)
    if not (edges.min() >= 0 and edges.max() <= x.size - 1 and (np.diff(edges) > 0).all()):
        raise SignalError("crossings must rise and lie within the samples")
    if float((edges[2:] - edges[:-2]).min()) < FEWEST_SAMPLES_A_CYCLE:
        raise SignalError(f"crossings leave under {FEWEST_SAMPLES_A_CYCLE} samples a cycle")
    edge = _edges(x, edges, 1, 0.0)
    integral = edge.beyond_block + np.concatenate(([0.0], np.cumsum(x * x)))[edge.block]
    return np.sqrt(np.maximum(integral[2:] - integral[:-2], 0.0) / (edges[2:] - edges[:-2]))
