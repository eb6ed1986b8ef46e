"""What a waveform is, less what it was a cycle before: a cheap look for every sample, an exact one for a few.

Steady harmonics, notches and noise fall out of the difference, so it follows what is steady by itself. The look
takes one delay and gives one level for each eighth of a cycle; the exact residue is taken against cycles of any
length, read between the samples by a windowed sine cardinal.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import runs

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
SampleSpan = tuple[int, int]
"""First sample, and the one after the last."""

BLOCKS_A_CYCLE: Final = 8
FEWEST_SAMPLES_A_CYCLE: Final = 16
_PIECE = 1 << 16  # samples that are worked on at one go: they stay in the cache
_FLOOR_CYCLES = 64  # cycles that share one noise floor
_FLOOR_QUANTILE = 0.25  # of the levels of these cycles: three in four of them may hold events
_HALF_TAPS: Final = 16  # samples to each side that a value between samples is made of
_FRACTIONS = 512  # places between two samples for which the weights are tabulated
_KAISER_BETA = 8.0
_AT_ONCE = 1 << 13  # places that are worked on at one go
_LAGRANGE = 6  # nodes at the record's edges, where there are no samples to one side


def candidate_blocks(samples: Raw, *, delay: float, block: int) -> F32:
    """RMS difference from a cycle before, for each block of an eighth of a cycle or so.

    Parameters
    ----------
    samples : shape (n,). Raw samples of one channel, the first ceil(`delay`) of them the cycle before the first block.
    delay : samples in a cycle. With a fraction, the value a cycle before lies on the line between two samples.
    block : samples in a block.

    Returns
    -------
    float32, shape ((n - ceil(delay)) // block,). Block i covers samples ceil(delay) + i * block on. [raw units]

    Raises
    ------
    SignalError : samples not 1-D, or a delay or block under one sample.

    Notes
    -----
    The RMS, and not the largest difference: a row's sum of squares is a product that runs at the pace of memory, a
    row's maximum is not; and in noise it sees a small oscillation sooner. A difference of two int16 samples beyond
    their range wraps around, and is large still.

    Source: the comparison with the cycle before is common practice, no source.
    """
    if samples.ndim != 1 or delay < 1 or block < 1:
        raise SignalError(f"samples of shape {samples.shape}, delay {delay} and block {block} give no blocks")
    lead = int(np.ceil(delay))
    share = np.float32(lead - delay)
    n_blocks = max(samples.size - lead, 0) // block
    levels = np.empty(n_blocks, np.float32)
    ones = np.full(block, 1.0 / block, np.float32)
    step = max(_PIECE // block, 1) * block
    work = np.empty(min(step, n_blocks * block), np.float32)
    for a in range(0, n_blocks * block, step):
        b = min(a + step, n_blocks * block)
        part = work[: b - a]
        np.subtract(samples[a + lead : b + lead], samples[a:b], out=part, casting="same_kind")
        if share:
            part -= share * np.subtract(samples[a + 1 : b + 1], samples[a:b], dtype=np.float32, casting="same_kind")
        np.multiply(part, part, out=part)
        np.matmul(part.reshape(-1, block), ones, out=levels[a // block : b // block])
    return np.sqrt(levels, out=levels)


def candidate_spans(levels: npt.ArrayLike, *, blocks_a_cycle: int, least: float, noise_factor: float) -> I64:
    """Stretches of one channel that differ from the cycle before by more than is usual there.

    Parameters
    ----------
    levels : shape (n,). As `candidate_blocks` gives them; NaN where there is no measurement. [any unit]
    blocks_a_cycle : blocks in a cycle.
    least : level of a block below which nothing is a candidate. [unit of levels]
    noise_factor : by which a cycle's loudest block, or its RMS, must exceed that of the quiet cycles around it.

    Returns
    -------
    int64, shape (n_spans, 2). Half-open pairs of block numbers, whole cycles, in order, apart from one another.

    Raises
    ------
    SignalError : levels not 1-D, no block in a cycle, or a limit below zero.

    Source: derived. The floor is the lower quartile of some 64 cycles, so it follows noise and whatever else is steady.
    """
    values = np.asarray(levels, np.float32)
    if values.ndim != 1 or blocks_a_cycle < 1 or least < 0 or noise_factor < 0:
        raise SignalError(f"levels of shape {values.shape}, {blocks_a_cycle} blocks a cycle, limits {least:g} and "
                          f"{noise_factor:g} give no spans")  # fmt: skip
    n_cycles = -(-values.size // blocks_a_cycle)
    if not n_cycles:
        return np.zeros((0, 2), np.int64)
    whole = np.full(n_cycles * blocks_a_cycle, values[-1], np.float32)
    whole[: values.size] = values
    rows = whole.reshape(n_cycles, blocks_a_cycle)
    loudest, square = rows[:, 0].copy(), np.square(rows[:, 0])
    for k in range(1, blocks_a_cycle):  # column by column: NumPy is slow at the maxima of short rows
        np.fmax(loudest, rows[:, k], out=loudest)
        square += np.square(rows[:, k])
    beyond = loudest > np.maximum(least, noise_factor * _floor(loudest))
    rms = np.sqrt(square / blocks_a_cycle)
    beyond |= (rms > noise_factor * _floor(rms)) & (loudest > least)
    if not beyond.any():
        return np.zeros((0, 2), np.int64)
    return np.minimum(np.column_stack(runs(beyond)) * blocks_a_cycle, values.size)


def _floor(levels: F32) -> F32:
    """Lower quartile of each `_FLOOR_CYCLES` cycles, given back for each cycle."""
    n = levels.size
    size = min(_FLOOR_CYCLES, n)
    n_groups = n // size
    quiet = np.where(np.isnan(levels), np.float32(np.inf), levels)
    groups = quiet[: n_groups * size].reshape(n_groups, size)
    place = int(_FLOOR_QUANTILE * (size - 1))
    floors = np.partition(groups, place, axis=1)[:, place]
    return np.repeat(floors, [size] * (n_groups - 1) + [n - (n_groups - 1) * size]).astype(np.float32)


def cycle_residue(u: npt.ArrayLike, *, cycle: npt.ArrayLike) -> F64:
    """Difference of a waveform from itself one cycle before, for a cycle of any length.

    Parameters
    ----------
    u : shape (n,) or (n_channels, n). Instantaneous values. [any unit]
    cycle : scalar, or shape (n,). Length of the cycle that ends at each sample. [samples]

    Returns
    -------
    float64, shape as u: u(t) - u(t - cycle); 0 over the first cycle, of which there is nothing to say. [unit of u]

    Raises
    ------
    SignalError : u not finite, not 1-D or 2-D, or a cycle of under 16 samples.

    Source: derived, what is periodic cancels.
    """
    values = np.asarray(u, np.float64)
    n = values.shape[-1] if values.ndim else 0
    if values.ndim not in (1, 2) or not np.isfinite(values).all():
        raise SignalError(f"u must be finite and 1-D or 2-D; got shape {values.shape}")
    lengths = np.broadcast_to(np.asarray(cycle, np.float64), (n,))
    if not (lengths >= FEWEST_SAMPLES_A_CYCLE).all():
        raise SignalError(f"a cycle has fewer than {FEWEST_SAMPLES_A_CYCLE} samples")
    at = np.arange(n) - lengths
    seen = at >= 0
    residue = np.zeros(values.shape)
    residue[..., seen] = values[..., seen] - interpolate(values, at[seen])
    return residue


def interpolate(u: F64, at: F64) -> F64:
    """Values between samples.

    Parameters
    ----------
    u : shape (..., n). Samples, at least 6. [any unit]
    at : shape (m,). Places from 0 to n - 1. [samples]

    Returns
    -------
    float64, shape (..., m). A sine to 0.8 of half the sampling rate is given back to 1.5e-4 of its amplitude; within
    16 samples of the record's ends a polynomial of degree 5 takes over, good to a quarter of that. [unit of u]

    Source: derived; the Kaiser window's formula is that of NumPy's `i0`.
    """
    values = np.empty((*u.shape[:-1], at.size))
    for a in range(0, at.size, _AT_ONCE):
        part = slice(a, a + _AT_ONCE)
        values[..., part] = _interpolated(u, at[part])
    return values


def _interpolated(u: F64, at: F64) -> F64:
    n = u.shape[-1]
    first = np.floor(at).astype(np.int64)
    values = np.empty((*u.shape[:-1], at.size))
    inner = (first >= _HALF_TAPS - 1) & (first < n - _HALF_TAPS)
    if inner.any():
        place = (at[inner] - first[inner]) * _FRACTIONS
        row = np.minimum(place.astype(np.int64), _FRACTIONS - 1)
        beyond = (place - row)[:, None]
        table = _weights()
        weights = (1 - beyond) * table[row] + beyond * table[row + 1]
        nodes = np.lib.stride_tricks.sliding_window_view(u, 2 * _HALF_TAPS, axis=-1)
        around = nodes[..., first[inner] - _HALF_TAPS + 1, :]
        values[..., inner] = np.einsum("...ij,ij->...i", around, weights)
    outer = ~inner
    if outer.any():
        base = np.clip(first[outer] - _LAGRANGE // 2 + 1, 0, n - _LAGRANGE)
        weights = _lagrange(at[outer] - base)
        values[..., outer] = np.einsum("...ij,ij->...i", u[..., base[:, None] + np.arange(_LAGRANGE)], weights)
    return values


@cache
def _weights() -> F64:
    """Weights of the 32 samples around a place, one row for each fraction of a sample, both ends included."""
    fractions = np.linspace(0.0, 1.0, _FRACTIONS + 1)[:, None]
    apart = np.arange(1 - _HALF_TAPS, _HALF_TAPS + 1) - fractions
    shape = np.sqrt(np.maximum(1 - (apart / _HALF_TAPS) ** 2, 0.0))
    weights = np.sinc(apart) * np.i0(_KAISER_BETA * shape)
    table: F64 = weights / weights.sum(axis=1, keepdims=True)
    return table


def _lagrange(at: F64) -> F64:
    """Weights of the nodes 0 to 5 for places among them, shape (m, 6)."""
    nodes = np.arange(_LAGRANGE)
    weights = np.ones((at.size, _LAGRANGE))
    for k in nodes:
        for other in nodes[nodes != k]:
            weights[:, k] *= (at - other) / (k - other)
    return weights
