"""Windows of any rate and nominal frequency on one grid of samples per cycle."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
Floats = npt.NDArray[np.floating[Any]]

CYCLES: Final = 10
PER_CYCLE: Final = 128
N_GRID: Final = CYCLES * PER_CYCLE
LEAST_PER_CYCLE: Final = 20  # samples a cycle of the input: the seventh harmonic and some of what oscillates

_BLOCK: Final = 32  # grid samples that one matrix makes
_REACH: Final = 8  # input samples either side of an interpolated one
_KAISER: Final = 8.0  # common practice, no source: side lobes below 80 dB


def to_grid(x: npt.ArrayLike, *, rate_hz: float, nominal_hz: float) -> F32:
    """Ten cycles at 128 samples a cycle of the nominal frequency.

    From higher rates each value is the mean over its step of the straight lines between the samples, so that white
    noise stays white and an edge stays within two steps; from lower rates windowed sinc functions interpolate. Before
    the first and after the last sample the first and the last cycle go on.

    Parameters
    ----------
    x : shape (n_windows, n_samples). Ten nominal cycles to within a sample; any unit.
    rate_hz : at least 20 samples a cycle. [Hz]
    nominal_hz : [Hz]

    Returns
    -------
    float32, shape (n_windows, 1280), in the unit of `x`.

    Raises
    ------
    ValueError : not finite, not two-dimensional, too few samples a cycle, or not ten cycles long.

    Source: derived.
    """
    values = np.asarray(x, dtype=np.float32)
    if values.ndim != 2 or not np.isfinite(values).all():
        raise ValueError(f"windows must be finite and of shape (n_windows, n_samples), got shape {values.shape}")
    if rate_hz < LEAST_PER_CYCLE * nominal_hz:
        raise ValueError(f"{rate_hz / nominal_hz:.1f} samples per cycle; at least {LEAST_PER_CYCLE} are needed")
    n = values.shape[1]
    if abs(n - CYCLES * rate_hz / nominal_hz) > 1.0:
        raise ValueError(
            f"{n} samples are {n * nominal_hz / rate_hz:.3f} cycles; {CYCLES} are needed, within one sample"
        )
    grid = np.empty((len(values), N_GRID), dtype=np.float32)
    for i, (first, matrix) in enumerate(_operators(n, float(rate_hz), float(nominal_hz))):
        part = values[:, first : first + len(matrix)]
        np.matmul(part, matrix, out=grid[:, i * _BLOCK : (i + 1) * _BLOCK])
    return grid


@lru_cache(maxsize=16)
def _operators(n: int, rate_hz: float, nominal_hz: float) -> tuple[tuple[int, F32], ...]:
    """For each block of grid samples the first input sample it needs and the matrix that makes it."""
    step = rate_hz / nominal_hz / PER_CYCLE  # input samples a grid sample
    cycle = rate_hz / nominal_hz
    blocks = []
    for block in range(N_GRID // _BLOCK):
        edges = (block * _BLOCK + np.arange(_BLOCK + 1)) * step - 0.5
        low, high = math.floor(edges[0]) - _REACH, math.ceil(edges[-1]) + _REACH
        weights = _means(edges, low, high) if step >= 1.0 else _sincs(edges, low, high)
        matrix = np.zeros((n, _BLOCK))
        for row, k in enumerate(range(low, high + 1)):
            if weights[row].any():
                for source, factor in _continued(k, n, cycle):
                    matrix[source] += factor * weights[row]
        used = np.flatnonzero(matrix.any(axis=1))
        blocks.append((int(used[0]), matrix[used[0] : used[-1] + 1].astype(np.float32)))
    return tuple(blocks)


def _continued(k: int, n: int, cycle: float) -> tuple[tuple[int, float], ...]:
    """Samples and factors that make sample k, where the first and the last cycle go on beyond the ends."""
    if 0 <= k < n:
        return ((k, 1.0),)
    place = k + cycle if k < 0 else k - cycle
    near = np.arange(math.floor(place) - _REACH + 1, math.floor(place) + _REACH + 1)
    factors = _kernel(place - near)
    return tuple(zip(near.tolist(), (factors / factors.sum()).tolist(), strict=True))


def _means(edges: Floats, low: int, high: int) -> Floats:
    """Weights, shape (inputs, block), of means between edges of the straight lines between samples."""
    place = np.clip(edges[None, :] - np.arange(low, high + 1)[:, None], -1.0, 1.0)
    integral = np.where(place < 0, 0.5 * (1 + place) ** 2, 1 - 0.5 * (1 - place) ** 2)  # of the hat of each sample
    weights: Floats = np.diff(integral, axis=1) / (edges[1] - edges[0])
    return weights


def _sincs(edges: Floats, low: int, high: int) -> Floats:
    """Weights, shape (inputs, block), of windowed sinc functions at the middles between edges; they add up to one."""
    place = 0.5 * (edges[1:] + edges[:-1])[None, :] - np.arange(low, high + 1)[:, None]
    weights = _kernel(place)
    scaled: Floats = weights / weights.sum(axis=0)
    return scaled


def _kernel(place: Floats) -> Floats:
    window = np.i0(_KAISER * np.sqrt(np.maximum(1 - (place / _REACH) ** 2, 0.0))) * (np.abs(place) < _REACH)
    kernel: Floats = np.sinc(place) * window
    return kernel
