"""The periodic waveform that a stretch of one channel is: its harmonics by least squares, and its frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_HIGHEST_ORDER: Final = 13
_BLOCK: Final = 32  # samples that are worked on at once
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
        n, order = stop - first, (self.weights.size - 1) // 2
        # What turns on by whole blocks, times a block.
        turned = _turned(self.turn, first, -(-n // _BLOCK), _BLOCK, order)
        turned[:, 1:] *= self.weights[1::2] - 1j * self.weights[2::2]
        turned[:, 0] *= self.weights[0]
        values = turned.view(np.float64) @ _turned(-self.turn, 0, _BLOCK, 1, order).view(np.float64).T
        return values.ravel()[:n]

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
    values, orders = u[first:stop], np.arange(-order, order + 1)
    sums = _harmonic_sums(values, turn, order)
    even, _, _ = _kernels(turn, values.size, 2 * order)
    fitted = _solved(even[np.abs(orders[:, None] - orders)], _two_sided(sums))
    return _wave(fitted[order:], sums, values, first, turn)


def fit_of_rows(values: F64, rows: F64, turn: float) -> SteadyWave:
    """As `fit_steady`, from the rows of the samples' positions. Source: linear least squares."""
    # By the normal equations: sines over about a cycle or more are nearly at right angles, and it is much quicker.
    weights: F64 = np.asarray(np.linalg.solve(rows @ rows.T, rows @ values), np.float64)
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
    turn, values = 2 * np.pi / cycle, u[first:stop]
    order = orders_of(cycle)
    away = np.arange(values.size) - (values.size - 1) / 2
    orders = np.arange(-order, order + 1)
    apart = np.abs(orders[:, None] - orders)
    for _ in range(_ROUNDS):
        sums = _harmonic_sums(values, turn, order)
        along = _harmonic_sums(away * values, turn, 1)[1]
        even, odd, square = _kernels(turn, values.size, 2 * order)
        # A small change of the frequency turns the fundamental by the distance from the middle.
        gram = np.empty((orders.size + 2, orders.size + 2))
        gram[:-2, :-2] = even[apart]
        for column, h in ((-2, 1), (-1, -1)):
            gram[:-2, column] = gram[column, :-2] = np.sign(orders - h) * odd[np.abs(orders - h)]
        gram[-2:, -2:] = [[square[0], square[2]], [square[2], square[0]]]
        fitted = _solved(gram, np.append(_two_sided(sums), (-1j * along, -1j * along.conjugate())))
        change = fitted[-2]
        fundamental = fitted[order + 1] + 0.5j * change  # as at (first + stop) / 2, half a sample on
        if not abs(fundamental) > 0:
            return None
        step = float((change / fundamental).real)
        turn += step
        if not abs(turn * cycle / (2 * np.pi) - 1) < 0.1:
            return None
        if abs(step) * values.size < _CONVERGED:
            break
    return fit_steady(u, first, stop, turn, order)


def _turned(turn: float, first: int, n: int, step: int, order: int) -> C128:
    """exp(i h turn k) for every order h from 0 on, at n positions k from the first on; shape (n, order + 1)."""
    once = np.exp(1j * turn * (first + step * np.arange(n)))
    return np.vander(once, order + 1, increasing=True)


def _harmonic_sums(values: F64, turn: float, order: int) -> C128:
    """Sums of samples times exp(-i h turn k) for every order h from 0 on, with k = 0 in their middle."""
    n = values.size
    n_blocks = n // _BLOCK
    whole = n_blocks * _BLOCK
    block = _turned(-turn, 0, _BLOCK, 1, order).view(np.float64)
    back = _turned(-turn, 0, n_blocks + 1, _BLOCK, order)
    sums = (values[:whole].reshape(n_blocks, _BLOCK) @ block).view(np.complex128)
    rest = (values[whole:] @ block[: n - whole]).view(np.complex128)
    centred: C128 = ((sums * back[:-1]).sum(axis=0) + rest * back[-1]) * np.exp(
        0.5j * turn * (n - 1) * np.arange(order + 1)
    )
    return centred


def _kernels(turn: float, n: int, order: int) -> tuple[F64, F64, F64]:
    """Sums over n positions k with 0 in their middle, of cos(h turn k), k sin(h turn k) and k^2 cos(h turn k), by h.

    Source: Dirichlet's kernel sin(n x) / sin(x), x = h turn / 2, and its derivatives.
    """
    x = 0.5 * turn * np.arange(1, order + 1)
    sine, slope = np.sin(x), np.cos(x) / np.sin(x)
    kernel = np.sin(n * x) / sine
    first = 0.5 * (n * np.cos(n * x) / sine - kernel * slope)
    second = -slope * first - 0.25 * (n * n - 1) * kernel
    return (
        np.concatenate(([n], kernel)), np.concatenate(([0.0], -first)),
        np.concatenate(([n * (n * n - 1) / 12], -second)),
    )  # fmt: skip


def _two_sided(sums: C128) -> C128:
    """Of orders from 0 on: those of the orders below zero as well, which real samples have."""
    return np.concatenate((sums[:0:-1].conj(), sums))


def _wave(fitted: C128, sums: C128, values: F64, first: int, turn: float) -> SteadyWave:
    """The waveform whose order h turns with a weight times exp(i h turn k), k = 0 in the samples' middle."""
    energy = float(values @ values) - float((2 * fitted.conj() @ sums - fitted[0] * sums[0]).real)
    middle = first + (values.size - 1) / 2
    turned = 2 * fitted * np.exp(-1j * turn * middle * np.arange(fitted.size))
    weights = np.append(0.0, turned[1:].view(np.float64) * np.tile((1.0, -1.0), fitted.size - 1))
    weights[0] = fitted[0].real
    return SteadyWave(turn, weights, math.sqrt(max(energy, 0.0) / max(values.size - weights.size, 1)))


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


def _solved(matrix: F64, right: C128) -> C128:
    """Of a real matrix and a complex right side."""
    pairs = np.linalg.solve(matrix, right.view(np.float64).reshape(-1, 2))
    return np.ascontiguousarray(pairs).view(np.complex128)[:, 0]
