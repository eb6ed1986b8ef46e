"""A stretch of waveform as a periodic one: amplitudes of its harmonics by least squares, and the noise left over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

_HIGHEST_ORDER: Final = 9
_LEAST_CYCLES: Final = 0.5
_DRIFTS_CYCLES: Final = 2.0  # from which on a drift can be told from what is steady
_ENOUGH_A_CYCLE: Final = 64  # samples: of more, every second or third tells as much
_LEAST_FREEDOM: Final = 12.0  # samples left beside the amplitudes


@dataclass(frozen=True, slots=True)
class Periodic:
    """A periodic waveform of some channels.

    Attributes
    ----------
    turn : of the fundamental, as it was given. [rad per sample]
    weights : shape (2 order + 1, n_channels): mean, then cosine and sine of each order. [unit of the samples]
    slopes : shape (2, n_channels): by how much cosine and sine of the fundamental grow a cycle: a frequency that is a
        little off, a size that drifts. [unit of the samples]
    middle : of the samples that it was fitted to.
    noise : shape (n_channels,). RMS of what is left, per sample, bias removed. [unit of the samples]
    n : samples that it was fitted to.
    freedom : degrees of freedom that the noise rests on.
    """

    turn: float
    weights: F64
    slopes: F64
    middle: float
    noise: F64
    n: int
    freedom: int

    @property
    def order(self) -> int:
        """Highest harmonic."""
        return int(self.weights.shape[0] - 1) // 2

    def at(self, first: int, stop: int) -> F64:
        """The waveform at positions [first, stop), shape (n_channels, stop - first)."""
        return self.of_basis(basis(first, stop, self.turn, self.order), first, stop)

    def of_basis(self, rows: F64, first: int, stop: int) -> F64:
        """As `at`, from a basis of these positions that has its orders at least."""
        rows = rows[: self.weights.shape[0]]
        values: F64 = self.weights.T @ rows
        if self.slopes.any():
            grown = (np.arange(first, stop) - self.middle) * (self.turn / (2 * np.pi))
            values += grown * (self.slopes.T @ rows[1:3])
        return values

    @property
    def rms(self) -> F64:
        """RMS of the fundamental of each channel, shape (n_channels,)."""
        size: F64 = np.hypot(self.weights[1], self.weights[2]) / np.sqrt(2)
        return size


def basis(first: int, stop: int, turn: float, order: int, *, every: int = 1) -> F64:
    """Ones, then cosine and sine of each order up to the highest, at positions [first, stop); one row each.

    Source: definition of a Fourier series.
    """
    angle = turn * np.arange(first, stop, every)
    z = np.cos(angle) + 1j * np.sin(angle)
    rows = np.empty((2 * order + 1, angle.size))
    rows[0] = 1.0
    power = z.copy()
    for h in range(1, order + 1):
        rows[2 * h - 1], rows[2 * h] = power.real, power.imag
        power *= z
    return rows


def fit_periodic(u: F64, first: int, stop: int, *, cycle: float) -> Periodic | None:
    """The periodic waveform of some samples.

    Parameters
    ----------
    u : shape (n_channels, n). Finite.
    first, stop : positions to fit it to.
    cycle : samples a cycle.

    Returns
    -------
    Periodic; of less than a whole cycle its fundamental alone; None where there are too few samples for it.

    Source: linear least squares; the noise is the root of the squares left over the degrees of freedom (JCGM 100, 4.2).
    """
    n = stop - first
    order = min(_HIGHEST_ORDER, int(cycle / 2) - 1) if n >= cycle else 1
    n_sizes = 2 * order + 1
    drifts = n >= _DRIFTS_CYCLES * cycle
    n_columns = n_sizes + 2 * drifts
    if first < 0 or stop > u.shape[1] or n < max(_LEAST_CYCLES * cycle, n_columns + _LEAST_FREEDOM):
        return None
    turn, middle = 2 * np.pi / cycle, (first + stop - 1) / 2
    every = max(1, int(cycle // _ENOUGH_A_CYCLE))
    rows = basis(first, stop, turn, order, every=every)
    if drifts:
        grown = (np.arange(first, stop, every) - middle) / cycle
        rows = np.concatenate([rows, grown * rows[1:3]])
    values = u[:, first:stop:every]
    n = values.shape[1]
    weights = np.asarray(np.linalg.solve(rows @ rows.T, rows @ values.T), np.float64)
    left = values - weights.T @ rows
    noise = np.sqrt(np.einsum("ij,ij->i", left, left) / (n - n_columns))
    slopes = weights[n_sizes:] if drifts else np.zeros((2, u.shape[0]))
    return Periodic(turn, weights[:n_sizes], slopes, middle, noise, n, n - n_columns)
