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
_CONVERGED: Final = 1e-6  # of a radian, by which a round still turns a stretch's ends; the next ones do by far less


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

    @property
    def phasor(self) -> complex:
        """Peak, against a cosine that starts with sample 0."""
        return complex(self.weights[1], -self.weights[2])

    def angle_deg(self, k: float) -> float:
        """Of the sine, at a position."""
        return float(np.degrees(np.angle(self.phasor) + self.turn * k) + 90) % 360.0


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Stretches of one length, to be fitted by waveforms of one frequency; a stretch's first sample is position 0.

    Attributes
    ----------
    turn : of the fundamental. [rad per sample]
    n : samples in a stretch.
    begin : first position that `at` can be asked for.
    rows : shape (2 order + 1, n_positions), see `harmonic_rows`; from `begin` on.
    inverse : shape (2 order + 1, 2 order + 1), of the products of rows over a stretch.
    """

    turn: float
    n: int
    begin: int
    rows: F64
    inverse: F64

    @classmethod
    def of(cls, turn: float, order: int, n: int, *, begin: int, stop: int) -> Stretches:
        """Of n samples; `at` can be asked for the positions [begin, stop), which hold [0, n)."""
        rows = harmonic_rows(begin, stop, turn, order)
        inside = rows[:, -begin : n - begin]
        return cls(turn, n, begin, rows, np.asarray(np.linalg.inv(inside @ inside.T), np.float64))

    def fit(self, values: F64) -> SteadyWave:
        """The periodic waveform of n samples. Source: linear least squares.

        By the normal equations: sines over about a cycle or more are nearly at right angles, and it is much quicker.
        """
        sums = self.rows[:, -self.begin : self.n - self.begin] @ values
        weights = self.inverse @ sums
        energy = float(values @ values - weights @ sums)
        return SteadyWave(self.turn, weights, math.sqrt(max(energy, 0.0) / max(self.n - weights.size, 1)))

    def at(self, wave: SteadyWave, first: int, stop: int) -> F64:
        """A waveform that was fitted to a stretch, at the positions [first, stop)."""
        values: F64 = wave.weights @ self.rows[:, first - self.begin : stop - self.begin]
        return values


def harmonic_rows(first: int, stop: int, turn: float, order: int) -> F64:
    """Ones, then cosine and sine of each order up to the highest, at the positions [first, stop); one row each.

    Parameters
    ----------
    first, stop : positions. [samples]
    turn : of the fundamental. [rad per sample]
    order : the highest.

    Source: definition of a Fourier series.
    """
    # What turns on by whole blocks, times a block: (cosine, sine) of a sum from those of its parts.
    far = np.ascontiguousarray(_turned(-turn, first, -(-(stop - first) // _BLOCK), _BLOCK, order).T)
    parts = np.stack((far, 1j * far), axis=1).view(np.float64).reshape(order + 1, -1, 2)
    near = _turned(turn, 0, _BLOCK, 1, order).view(np.float64).reshape(_BLOCK, order + 1, 2)
    rows = (parts @ near.transpose(1, 2, 0)).reshape(2 * order + 2, -1)
    rows[1] = 1.0  # in place of the sine of order 0
    return rows[1:, : stop - first]


def orders_of(cycle: float) -> int:
    """Highest harmonic that is fitted, by the samples in a cycle. Source: derived, the sampling theorem."""
    return min(_HIGHEST_ORDER, int(cycle / 2) - 2)


def fit_steady(u: F64, first: int, stop: int, turn: float, order: int) -> SteadyWave:
    """The periodic waveform of the samples [first, stop), with a frequency that is known. Linear least squares.

    Source: linear least squares.
    """
    values = u[first:stop]
    (sums,) = _harmonic_sums(values[None], turn, order)
    return _fitted(sums, _kernels(turn, values.size, 2 * order)[0], values, first, turn)


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
    both = np.stack((values, away * values))
    for _ in range(_ROUNDS):
        sums, (_, along, *_) = _harmonic_sums(both, turn, order)
        even, odd, square = _kernels(turn, values.size, 2 * order)
        # A small change of the frequency turns the fundamental by the distance from the middle.
        gram = _with_turning(_toeplitz(even), odd, square)
        fitted = _solved(gram, np.concatenate((_two_sided(sums), (-1j * along, -1j * along.conjugate()))))
        change = fitted[-2]
        fundamental = fitted[order + 1] + 0.5j * change  # as at (first + stop) / 2, half a sample on
        if not abs(fundamental) > 0:
            return None
        step = float((change / fundamental).real)
        turn += step
        if not abs(turn * cycle / (2 * np.pi) - 1) < 0.1:
            return None
        if abs(step) * values.size < _CONVERGED:
            return _fitted(sums, even, values, first, turn)
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


def _turned(turn: float, first: int, n: int, step: int, order: int) -> C128:
    """exp(i h turn k) for every order h from 0 on, at n positions k from the first on; shape (n, order + 1)."""
    once = np.exp(1j * turn * (first + step * np.arange(n)))
    return np.vander(once, order + 1, increasing=True)


def _harmonic_sums(rows: F64, turn: float, order: int) -> C128:
    """Sums along rows of samples times exp(-i h turn k) for every order h from 0 on, with k = 0 in their middle."""
    n = rows.shape[1]
    n_blocks = n // _BLOCK
    whole = n_blocks * _BLOCK
    block = _turned(-turn, 0, _BLOCK, 1, order).view(np.float64)
    back = _turned(-turn, 0, n_blocks + 1, _BLOCK, order)
    sums = (rows[:, :whole].reshape(rows.shape[0], n_blocks, _BLOCK) @ block).view(np.complex128)
    rest = (rows[:, whole:] @ block[: n - whole]).view(np.complex128)
    from_first = (sums * back[:-1]).sum(axis=1) + rest * back[-1]
    centred: C128 = from_first * np.exp(0.5j * turn * (n - 1) * np.arange(order + 1))
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
    rows = np.empty((3, order + 1))
    rows[:, 0] = n, 0.0, n * (n * n - 1) / 12
    rows[:, 1:] = kernel, -first, -second
    return rows[0], rows[1], rows[2]


def _toeplitz(even: F64) -> F64:
    """Of sums by how far orders are apart: those of all pairs of orders, below zero and above."""
    orders = np.arange(even.size)
    pairs: F64 = even[np.abs(orders[:, None] - orders)]
    return pairs


def _with_turning(gram: F64, odd: F64, square: F64) -> F64:
    """The sums of all pairs of orders, and of these with the fundamental, above zero and below, times i k."""
    n = gram.shape[0]
    orders = np.arange(n) - n // 2
    both = np.empty((n + 2, n + 2))
    both[:n, :n] = gram
    for place, h in ((n, 1), (n + 1, -1)):
        both[:n, place] = both[place, :n] = np.sign(orders - h) * odd[np.abs(orders - h)]
    both[n:, n:] = [[square[0], square[2]], [square[2], square[0]]]
    return both


def _two_sided(sums: C128) -> C128:
    """Of orders from 0 on: those of the orders below zero as well, which real samples have."""
    return np.concatenate((sums[:0:-1].conj(), sums))


def _fitted(sums: C128, even: F64, values: F64, first: int, turn: float) -> SteadyWave:
    """The waveform of samples from the first on, by their harmonic sums and the kernels of their frequency."""
    fitted = _solved(_toeplitz(even), _two_sided(sums))[sums.size - 1 :]
    energy = float(values @ values) - float((2 * fitted.conj() @ sums - fitted[0] * sums[0]).real)
    middle = first + (values.size - 1) / 2
    turned = 2 * fitted * np.exp(-1j * turn * middle * np.arange(fitted.size))
    weights = np.append(fitted[0].real, turned[1:].conj().view(np.float64))
    return SteadyWave(turn, weights, math.sqrt(max(energy, 0.0) / max(values.size - weights.size, 1)))


def _solved(matrix: F64, right: C128) -> C128:
    """Of a real matrix and a complex right side."""
    pairs = np.linalg.solve(matrix, right.view(np.float64).reshape(-1, 2))
    return np.ascontiguousarray(pairs).view(np.complex128)[:, 0]
