"""Phasors of windows of one cycle that may begin between samples, and rows between their samples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_BLOCK: Final = 32  # samples that are summed up at once


def cycle_phasors(
    x: npt.ArrayLike, *, rate_hz: float, frequency_hz: float, starts: npt.ArrayLike, order: int = 1
) -> C128:
    """Phasors of one-cycle windows that may start between samples.

    Parameters
    ----------
    x : shape (n_channels, n). [any unit]
    rate_hz, frequency_hz : of the samples and of the fundamental. [Hz]
    starts : shape (n_windows,). [samples]
    order : of the harmonic; 0 gives the mean.

    Returns
    -------
    complex, shape (n_channels, n_windows). RMS, against a cosine that starts with the first sample. [unit of x]

    Raises
    ------
    SignalError : a window that does not lie within x, or x not finite.

    Source: derived; the Fourier integral of the samples joined by straight lines.
    """
    only: C128 = harmonic_phasors(x, rate_hz=rate_hz, frequency_hz=frequency_hz, starts=starts, orders=(order,))[0]
    return only


def harmonic_phasors(
    x: npt.ArrayLike, *, rate_hz: float, frequency_hz: float, starts: npt.ArrayLike, orders: Sequence[int]
) -> C128:
    """As `cycle_phasors`, of several orders at once: shape (n_orders, n_channels, n_windows)."""
    values = np.atleast_2d(np.asarray(x, np.float64))
    first = np.asarray(starts, np.float64)
    cycle = rate_hz / frequency_hz
    n = values.shape[1]
    _check_windows(values, first, cycle)
    turns = 2 * np.pi / cycle * np.asarray(orders, np.float64)
    begin, end = (np.minimum(at.astype(np.int64), n - 2) for at in (first, first + cycle))
    whole = min(int(cycle), n)  # samples that every window has from its first on
    angles = np.arange(whole)[:, None] * turns
    windows = np.lib.stride_tricks.sliding_window_view(values, whole, axis=1)[:, begin]
    flat = windows.reshape(-1, whole) @ np.concatenate((np.cos(angles), -np.sin(angles)), axis=1)
    sums = (flat[:, : turns.size] + 1j * flat[:, turns.size :]).reshape(*windows.shape[:2], turns.size)
    # Samples about the edges, and how they count beside the sums: trapezoids, and parts of one at either end.
    k = np.minimum(np.stack((begin, begin + 1, end, end + 1, begin + whole, begin + whole + 1)), n - 1)
    a, b = first - begin, first + cycle - end
    counts = np.stack((
        0.5 * a**2 - a - 0.5, -0.5 * a**2, b - 0.5 * b**2 - 0.5, 0.5 * b**2, begin + whole <= end, begin + whole < end,
    ))  # fmt: skip
    turning = counts * np.exp(-1j * turns[:, None, None] * k)
    edges = np.einsum("cew,oew->ocw", values[:, k], turning)
    sums = np.moveaxis(sums, 2, 0) * np.exp(-1j * turns[:, None] * begin)[:, None, :] + edges
    scale = np.where(turns == 0, 1.0, np.sqrt(2.0)) / cycle
    return np.asarray(sums * scale[:, None, None], np.complex128)


def half_cycle_phasors(
    *rows: npt.ArrayLike, rate_hz: float, frequency_hz: float, starts: npt.ArrayLike
) -> list[C128]:  # fmt: skip
    """As `cycle_phasors`, of windows that each begin half a cycle after the one before: each sample is summed up once.

    Parameters
    ----------
    rows : each as x of `cycle_phasors`, all of one length.
    rate_hz, frequency_hz : as of `cycle_phasors`.
    starts : shape (n_windows,), n_windows >= 1. [samples]

    Returns
    -------
    Those of each of the rows.

    Source: as of `cycle_phasors`.
    """
    values = [np.atleast_2d(np.asarray(x, np.float64)) for x in rows]
    first, cycle = np.asarray(starts, np.float64), rate_hz / frequency_hz
    size = min(_BLOCK, int(cycle / 4) - 1)  # so that half a cycle has a whole block within
    if size < 1:
        return [cycle_phasors(x, rate_hz=rate_hz, frequency_hz=frequency_hz, starts=first) for x in values]
    n = values[0].shape[1]
    _check_places(n, first, cycle)
    n_blocks, turn = n // size, 2 * np.pi / cycle
    turned = _turned_back(turn * np.arange(size + 2))
    back = _as_complex(_turned_back(turn * size * np.arange(n_blocks + 1)))
    # The samples of the blocks that windows begin and end in: how much of each, by trapezoids, lies before and after.
    edges = np.concatenate((first, first[-1] + cycle * np.array((0.5, 1.0))))
    block = np.minimum(edges, n - 1).astype(np.int64) // size
    place = np.arange(size + 2)
    away = np.clip(edges[:, None] - block[:, None] * size - place, -1.0, 1.0)
    before = 0.5 + away - 0.5 * away * np.abs(away)
    shares = np.stack((before, (place < size) - before))
    near = np.minimum(block[:, None] * size + place, n - 1)
    whole = np.stack((block[:-1] + 1, block[1:]), axis=1).ravel()
    found: list[C128] = []
    for x in values:
        blocks = np.zeros((x.shape[0], n_blocks + 1), np.complex128)
        with np.errstate(invalid="ignore", over="ignore"):  # what is not finite is told by its block's sum
            blocks[:, :-1] = _as_complex(x[:, : n_blocks * size].reshape(x.shape[0], n_blocks, size) @ turned[:size])
            blocks *= back
        _check_finite(blocks)
        _check_finite(x[:, n_blocks * size :])
        parts = _as_complex((x.take(near, axis=1)[:, None] * shares) @ turned) * back[block]
        halves = parts[:, 1, :-1] + np.add.reduceat(blocks, whole, axis=1)[:, ::2] + parts[:, 0, 1:]
        found.append((halves[:, :-1] + halves[:, 1:]) * (np.sqrt(2.0) / cycle))
    return found


def _turned_back(angle: npt.NDArray[np.floating]) -> F64:
    """exp(-i angle) as pairs of real and imaginary part; cosine and sine are much quicker than it is."""
    return np.stack((np.cos(angle), -np.sin(angle)), axis=1).astype(np.float64, copy=False)


def _as_complex(pairs: F64) -> C128:
    return np.ascontiguousarray(pairs).view(np.complex128)[..., 0]


def _check_windows(values: F64, starts: F64, cycle: float) -> None:
    """Refuse windows of a cycle that do not lie within the samples, and samples that are not finite."""
    _check_places(values.shape[1], starts, cycle)
    _check_finite(values)


def _check_places(n: int, starts: F64, cycle: float) -> None:
    if starts.size and not (starts.min() >= 0 and starts.max() + cycle <= n - 1 + 1e-6):
        raise SignalError(f"windows of {cycle:.4g} samples from {starts.min()} to {starts.max()} leave the {n} samples")


def _check_finite(values: npt.NDArray[Any]) -> None:
    if not np.isfinite(values).all():
        raise SignalError("x must be finite")


def earlier_samples(x: F64, first: int, stop: int, by: float) -> F64:
    """Rows at the positions [first, stop) less a distance, on straight lines between their samples.

    Parameters
    ----------
    x : shape (n_rows, n). [any unit]
    first, stop : positions, with first - by >= 0 and stop - by <= n - 1. [samples]
    by : the distance. [samples]

    Source: derived.
    """
    whole = math.ceil(by)
    here = x[:, first - whole : stop - whole]
    return here + (whole - by) * (x[:, first - whole + 1 : stop - whole + 1] - here)


def without_fundamental(x: F64, angle: npt.ArrayLike) -> F64:
    """What is left of rows without their mean and fundamental, by least squares.

    Parameters
    ----------
    x : shape (n_rows, n). [any unit]
    angle : shape (n,). Of the fundamental, over about a cycle. [rad]

    Source: linear least squares.
    """
    turned = np.asarray(angle, np.float64)
    basis = np.stack([np.ones(turned.size), np.cos(turned), np.sin(turned)])
    left: F64 = x - np.linalg.solve(basis @ basis.T, basis @ x.T).T @ basis
    return left


def spectrum_from_start(row: F64, times: int, rate_hz: float) -> tuple[F64, F64]:
    """What a row rings with from its first sample on: Fourier's sum of it, weighted down to nothing at its end.

    Parameters
    ----------
    row : shape (n,). [any unit]
    times : by how many it is filled up with nothing, so that lines lie as much denser.
    rate_hz : of the samples. [Hz]

    Returns
    -------
    (frequencies, magnitudes), each of shape (times n // 2 + 1,). [Hz], [unit of row]

    Source: half of Hann's window (from memory).
    """
    n = times * row.size
    hertz = np.asarray(np.arange(n // 2 + 1) * (rate_hz / n), np.float64)
    return hertz, np.abs(np.asarray(np.fft.rfft(row * _falling(row.size), n), np.complex128))


@lru_cache(maxsize=16)
def _falling(n: int) -> F64:
    """The second half of Hann's window of 2 n samples."""
    half: F64 = np.hanning(2 * n)[n:].astype(np.float64, copy=False)
    return half
