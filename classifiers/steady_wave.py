"""The periodic waveform that a stretch of one channel is: its harmonics by least squares, and its frequency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

_HIGHEST_ORDER: Final = 13
_ROUNDS: Final = 4  # of the frequency's fit, at most
_CONVERGED: Final = 1e-9  # of a radian, by which a round still turns the ends of a stretch


@dataclass(frozen=True, slots=True)
class SteadyWave:
    """A periodic waveform.

    Attributes
    ----------
    turn : of the fundamental. [rad per sample]
    weights : shape (2 order + 1,). Mean, then cosine and sine of each order. [unit of the samples]
    left : RMS of what is left beside it, by degrees of freedom. [unit of the samples]
    """

    turn: float
    weights: F64
    left: float

    def at(self, first: int, stop: int) -> F64:
        """The waveform at the positions [first, stop)."""
        return self.of_rows(harmonic_rows(first, stop, self.turn, (self.weights.size - 1) // 2))

    def of_rows(self, rows: F64) -> F64:
        """As `at`, from the rows of its positions, which may have more orders."""
        values: F64 = self.weights @ rows[: self.weights.size]
        return values

    @property
    def phasor(self) -> complex:
        """Peak, against a cosine that starts with sample 0."""
        return complex(self.weights[1], -self.weights[2])

    def angle_deg(self, k: float) -> float:
        """Of the sine, at a position."""
        return float(np.degrees(np.angle(self.phasor) + self.turn * k) + 90) % 360.0


def harmonic_rows(first: int, stop: int, turn: float, order: int) -> F64:
    """Ones, then cosine and sine of each order up to the highest, at the positions [first, stop); one row each.

    Parameters
    ----------
    first, stop : positions. [samples]
    turn : of the fundamental. [rad per sample]
    order : the highest.

    Source: definition of a Fourier series.
    """
    angle = turn * np.arange(first, stop)
    z = np.cos(angle) + 1j * np.sin(angle)
    rows = np.empty((2 * order + 1, angle.size))
    rows[0] = 1.0
    power = z
    for h in range(1, order + 1):
        rows[2 * h - 1], rows[2 * h] = power.real, power.imag
        power = power * z
    return rows


def orders_of(cycle: float) -> int:
    """Highest harmonic that is fitted, by the samples in a cycle. Source: derived, the sampling theorem."""
    return min(_HIGHEST_ORDER, int(cycle / 2) - 2)


def fit_steady(u: F64, first: int, stop: int, turn: float, order: int) -> SteadyWave:
    """The periodic waveform of the samples [first, stop), with a frequency that is known. Linear least squares.

    Source: linear least squares.
    """
    return fit_of_rows(u[first:stop], harmonic_rows(first, stop, turn, order), turn)


def fit_of_rows(values: F64, rows: F64, turn: float) -> SteadyWave:
    """As `fit_steady`, from the rows of the samples' positions. Source: linear least squares."""
    weights = _solved(rows, values)
    left = values - weights @ rows
    return SteadyWave(turn, weights, float(np.sqrt(left @ left / max(values.size - weights.size, 1))))


def fit_frequency(u: F64, first: int, stop: int, cycle: float) -> SteadyWave | None:
    """The periodic waveform of the samples [first, stop) with its frequency; None where there is no voltage.

    Parameters
    ----------
    u : shape (n,). Finite.
    first, stop : positions.
    cycle : of the fundamental, about: within a tenth. [samples]

    Source: Gauss and Newton's least squares.
    """
    turn, middle = 2 * np.pi / cycle, (first + stop) / 2
    order = orders_of(cycle)
    away = (np.arange(first, stop) - middle) / cycle
    for _ in range(_ROUNDS):
        rows = harmonic_rows(first, stop, turn, order)
        # A small change of the frequency turns the fundamental by the distance from the middle.
        fitted = _solved(np.concatenate((rows, away * rows[2:0:-1])), u[first:stop])
        a, b, along_sine, along_cosine = (float(fitted[k]) for k in (1, 2, -2, -1))
        size = a * a + b * b
        if not size > 0:
            return None
        change = (b * along_cosine - a * along_sine) / (size * cycle)
        turn += change
        if not abs(turn * cycle / (2 * np.pi) - 1) < 0.1:
            return None
        if abs(change) * (stop - first) < _CONVERGED:
            return fit_of_rows(u[first:stop], rows, turn)
    return fit_steady(u, first, stop, turn, order)


def fundamental_of_windows(windows: F64, turn: float) -> npt.NDArray[np.complex128]:
    """Peak phasors of windows of about a cycle, against a cosine that starts with each window's first sample.

    Parameters
    ----------
    windows : shape (n_windows, size). [any unit]
    turn : of the fundamental. [rad per sample]

    Returns
    -------
    complex, shape (n_windows,). [unit of the windows]

    Source: definition of the phasor.
    """
    size = windows.shape[1]
    rows = harmonic_rows(0, size, turn, orders_of(2 * np.pi / turn))
    wanted = np.zeros((rows.shape[0], 2))
    wanted[1, 0] = wanted[2, 1] = 1.0
    found = windows @ (rows.T @ np.linalg.solve(rows @ rows.T, wanted))
    return np.asarray(found[:, 0] - 1j * found[:, 1], np.complex128)


def _solved(rows: F64, values: F64) -> F64:
    # By the normal equations: sines over about a cycle or more are nearly at right angles, and it is much quicker.
    return np.asarray(np.linalg.solve(rows @ rows.T, rows @ values), np.float64)
