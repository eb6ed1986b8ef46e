"""Windows of samples that begin and end between the samples, resampled to a number of points that transforms well.

The resampling is a ten-point weighted sum: a windowed sinc, whose fall towards high frequencies is taken out of the
spectrum again, so that it costs no more than a few transforms.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

if TYPE_CHECKING:
    from scipy.sparse import csr_array

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

MARGIN_SAMPLES: Final = 5  # beyond each end of a window that its resampling looks at
_TAPS = 10
_PHASES = 1 << 15  # places between two samples for which the weights are tabulated
_CUT = 0.6  # of the sampling rate: band of the sinc; of it and _BETA those with small errors and a gentle fall
_BETA: Final = 0.26 * np.pi * _TAPS  # of the sinc's Kaiser-Bessel window
_BATCH_POINTS = 1 << 15  # resampled at one go: with their weights they lie in the cache
_LANES = 4  # channels side by side are filled up to a multiple: sums of so many are quicker than of fewer


def resampled_windows(values: npt.NDArray[np.generic], starts: F64, lengths: F64) -> Iterator[tuple[I64, F32]]:
    """Windows resampled, some at a time.

    Parameters
    ----------
    values : shape (n_channels, n_samples). [any unit]
    starts, lengths : shape (n_windows,); each window at least `MARGIN_SAMPLES` from the ends of values. [samples]

    Yields
    ------
    (rows, resampled) : which windows, and float32 of shape (n_channels, rows.size, points): first point at the start,
    spaced by length / points. Each window comes once; its points depend on its own samples alone.

    Raises
    ------
    SignalError : a window that holds samples that are not finite.

    Source: derived; `power_make_up` has what the interpolation costs.
    """
    n_channels = values.shape[0]
    for points, rows in _batches(lengths):
        side_by_side = _block(values, starts[rows], points)  # one weight serves all channels
        weights = _resampling(starts[rows], lengths[rows], points, side_by_side.shape[1])
        of_all = weights @ side_by_side.reshape(-1, side_by_side.shape[2])
        resampled = np.ascontiguousarray(of_all[:, :n_channels].T)
        if not np.isfinite(resampled.sum(dtype=np.float64)):
            raise SignalError("a window holds samples that are not finite")
        yield rows, resampled.reshape(n_channels, rows.size, points)


def power_make_up(lengths: F64, *, points: int, n_lines: int) -> F32:
    """Factors that make up in the power of a transform's lines for what the resampling took from them.

    Parameters
    ----------
    lengths : shape (n_windows,). Of windows that were resampled to `points`. [samples]
    points : of each.
    n_lines : of the transform, from the mean on.

    Returns
    -------
    float32, shape (n_windows, n_lines).

    Source: derived, the frequency response of the interpolation.
    """
    fewest = fewest_samples(points)
    stretch = np.vander((points / lengths - 1.0) / (points / fewest - 1.0), 4, increasing=True)
    return stretch.astype(np.float32) @ _make_up(points, n_lines)


@cache
def fewest_samples(points: int) -> int:
    """The fewest samples of a window that is resampled to so many points. Source: derived."""
    from scipy.fft import next_fast_len

    fewest = points - 1
    while next_fast_len(fewest, real=True) == points:
        fewest -= 1
    return fewest


def _batches(lengths: F64) -> Iterator[tuple[int, I64]]:
    """Windows that are resampled to the same number of points, so many at a time: points, and which windows."""
    from scipy.fft import next_fast_len

    points = np.array([next_fast_len(int(size), real=True) for size in np.ceil(lengths)], np.int64)
    for size in np.unique(points).tolist():
        rows = np.flatnonzero(points == size)
        n_batches = -(-rows.size * size // _BATCH_POINTS)
        yield from ((size, batch) for batch in np.array_split(rows, n_batches))


def _block(values: npt.NDArray[np.generic], starts: F64, points: int) -> F32:
    """The samples of some windows with their margins, channels side by side: shape (n_windows, n, n_lanes)."""
    width, n_channels = points + 2 * MARGIN_SAMPLES, values.shape[0]
    n_lanes = n_channels if n_channels < _LANES - 1 else -(-n_channels // _LANES) * _LANES
    block = np.zeros((starts.size, width, n_lanes), np.float32)
    for row, first in zip(block, (np.floor(starts).astype(np.int64) - MARGIN_SAMPLES + 1).tolist(), strict=True):
        samples = values[:, first : first + width]
        row[: samples.shape[1], :n_channels] = samples.T
    return block


@cache
def _tap_weights() -> F32:
    """Weights of the ten samples around a place between two, shape (_PHASES, _TAPS)."""
    places = (np.arange(_PHASES) + 0.5) / _PHASES
    distance = np.arange(1 - _TAPS // 2, 1 + _TAPS // 2) - places[:, None]
    inside = np.sqrt(np.maximum(1.0 - (2.0 * distance / _TAPS) ** 2, 0.0))
    return np.asarray(np.i0(_BETA * inside) / np.i0(_BETA) * np.sinc(_CUT * distance), dtype=np.float32)


@cache
def _neighbours(n: int) -> npt.NDArray[np.int32]:
    """Each place and the nine after it, shape (n, _TAPS): gathered row by row faster than it is added up."""
    return (np.arange(n)[:, None] + np.arange(_TAPS)).astype(np.int32)


def _resampling(starts: F64, lengths: F64, points: int, width: int) -> csr_array:
    """The matrix that takes the samples of some windows, side by side, to their points, side by side too."""
    from scipy.sparse import csr_array

    places = (starts - np.floor(starts))[:, None] + (lengths / points)[:, None] * np.arange(float(points))
    whole = places.astype(np.int64)
    phases = ((places - whole) * _PHASES).astype(np.int64)
    weights = _tap_weights().take(phases.ravel(), axis=0)
    whole += width * np.arange(starts.size)[:, None]
    columns = _neighbours(1 << (width * starts.size).bit_length()).take(whole.ravel(), axis=0)
    rows = np.arange(0, columns.size + 1, _TAPS, dtype=np.int32)
    return csr_array((weights.ravel(), columns.ravel(), rows), shape=(rows.size - 1, width * starts.size))


def _gain(share: F64) -> F64:
    """Fourier transform of the weights at shares of the sampling rate: that of the window, averaged over the band."""
    places, weights = np.polynomial.legendre.leggauss(24)
    around = share[..., None] + _CUT / 2 * places
    root = np.sqrt((_BETA**2 - (np.pi * _TAPS * around) ** 2).astype(np.complex128))
    gain: F64 = _TAPS / np.i0(_BETA) * (np.sinh(root) / root).real @ weights / 2
    return gain


@cache
def _make_up(points: int, n_lines: int) -> F32:
    """Shape (4, n_lines): factor of a line's power, by powers of stretch over the most that it can be."""
    most = points / fewest_samples(points) - 1.0
    nodes = 0.5 - 0.5 * np.cos(np.pi * (np.arange(4) + 0.5) / 4)
    share = np.minimum(np.arange(n_lines) / points * (1.0 + most * nodes[:, None]), 0.5)
    return np.linalg.solve(np.vander(nodes, increasing=True), _gain(share) ** -2.0).astype(np.float32)
