"""Harmonics of each window's own fundamental: sums over quarter cycles, waves made from them, least squares.

The reference turns at the window's own frequency; within a quarter cycle the difference from nominal is taken to first
order. Its phase is zero in the middle of the window.
Source: derived.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.windows import N_GRID, PER_CYCLE

Floats = npt.NDArray[np.floating[Any]]  # float32 where they are of samples or bins
Complexes = npt.NDArray[np.complexfloating[Any, Any]]  # complex64
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]
Orders = tuple[int, ...]

ORDERS: Final[Orders] = (1, 3, 5, 7)
BIN: Final = 32  # grid samples: a quarter cycle
N_BINS: Final = N_GRID // BIN
TURN: Final = 2 * np.pi / PER_CYCLE  # rad of the nominal fundamental in a grid sample
PLACE: Final = np.arange(BIN) - (BIN - 1) / 2  # of a grid sample within its bin
CENTRE: Final = np.arange(N_BINS) * BIN + (BIN - 1) / 2 - (N_GRID - 1) / 2  # of the bins, from the window's middle
EVEN: Final[Orders] = (0, 2, 4, 6, 8, 10, 12, 14)  # sums and differences of two of `ORDERS`

_RIDGE: Final = 1e-6 * N_GRID


def raw_sums(y: Floats, orders: Orders = ORDERS) -> Complexes:
    """Sums over quarter cycles at the nominal frequency, its phase zero in the middle of each.

    Parameters
    ----------
    y : shape (n, m, 32). Samples of quarter cycles.
    orders : h.

    Returns
    -------
    complex64, shape (n, m, 2 orders). Of y exp(-j h phase), and then of the same times the place within the quarter
    cycle.
    """
    sums = y.reshape(-1, BIN) @ _projector(orders)
    return sums.view(np.complex64).reshape(*y.shape[:2], 2 * len(orders))


class FundamentalReference:
    """exp(j phase) of the fundamental of n windows and its powers.

    Parameters
    ----------
    deviation : float64, shape (n,). Of the frequency from nominal, relative.
    bins : shape (n, m). Of the quarter cycles that are of interest; None: all 40 in turn.
    """

    def __init__(self, deviation: Floats, bins: Ints | None = None) -> None:
        self.deviation = deviation
        off = (TURN * deviation[:, None]).astype(np.float32)
        off = off * (_CENTRE if bins is None else _CENTRE[bins])
        first = np.empty(off.shape, dtype=np.complex64)
        np.cos(off, out=first.real)
        np.sin(off, out=first.imag)
        first *= _NOMINAL if bins is None else _NOMINAL[bins]
        self._powers: dict[int, Complexes] = {0: np.ones_like(first), 1: first}

    def _power(self, order: int) -> Complexes:
        if order not in self._powers:
            half = order // 2
            self._powers[order] = self._power(half) * self._power(order - half)
        return self._powers[order]

    def turns(self, orders: Orders) -> Complexes:
        """exp(j h phase) at the middles of the bins, complex64, shape (n, m, orders)."""
        found = np.empty((*self._powers[1].shape, len(orders)), dtype=np.complex64)
        for i, order in enumerate(orders):
            found[..., i] = self._power(order)
        return found

    def turned(self, raw: Complexes, orders: Orders = ORDERS) -> Complexes:
        """Sums of y exp(-j h phase) over bins.

        Parameters
        ----------
        raw : of `raw_sums`, shape (n, m, 2 orders).
        orders : h.

        Returns
        -------
        complex64, shape (n, m, orders).
        """
        k = len(orders)
        slope = (-1j * TURN * self.deviation[:, None] * np.array(orders)).astype(np.complex64)
        result: Complexes = raw[..., k:] * slope[:, None, :]
        result += raw[..., :k]
        for i, order in enumerate(orders):
            if order:
                result[..., i] *= np.conj(self._power(order))
        return result

    def project(self, y: Floats, *, orders: Orders = ORDERS) -> Complexes:
        """Sums over the bins of y exp(-j h phase).

        Parameters
        ----------
        y : shape (n, m, 32).
        orders : h.

        Returns
        -------
        complex64, shape (n, m, orders).
        """
        return self.turned(raw_sums(y, orders), orders)

    def whole_bins(self) -> Complexes:
        """Sums of exp(-j m phase) over whole bins for the even orders, complex64, shape (n, bins, 8)."""
        angle = np.outer(PLACE, EVEN) * TURN
        at_nominal, slope = np.cos(angle).sum(axis=0), -(angle * np.sin(angle)).sum(axis=0)
        within = (at_nominal + self.deviation[:, None] * slope).astype(np.float32)
        found = self.turns(EVEN)
        np.conj(found, out=found)
        found *= within[:, None, :]
        return found

    def synthesise(
        self, coefficients: Complexes, *, orders: Orders = ORDERS, slopes: Complexes | None = None
    ) -> Floats:
        """Re sum_h C_h exp(j h phase) in the bins.

        Parameters
        ----------
        coefficients : complex64, shape (n, m, orders) or (n, 1, orders).
        orders : h.
        slopes : by how much the coefficients grow with each sample within a bin, shape as theirs, or of the first
            orders alone.

        Returns
        -------
        float32, shape (n, m, 32).
        """
        # exp(j h d p) of a place p within the bin, to first order: 1 + j h d p. Re(c exp) is (Re, Im) by (cos, -sin).
        k = len(orders)
        n, m = self._powers[1].shape
        packed = np.empty((n, m, 2 * k), dtype=np.complex64)
        turning = (1j * TURN * self.deviation[:, None] * np.array(orders)).astype(np.complex64)[:, None, :]
        packed[..., :k] = coefficients
        np.multiply(packed[..., :k], turning, out=packed[..., k:])
        if slopes is not None:
            packed[..., k : k + slopes.shape[2]] += slopes
        for i, order in enumerate(orders):
            turn = self._power(order)
            packed[..., i] *= turn
            packed[..., k + i] *= turn
        wave: Floats = packed.view(np.float32).reshape(-1, 4 * k) @ _synthesiser(orders)
        return wave.reshape(n, m, BIN)


_CENTRE: Final = CENTRE.astype(np.float32)
_NOMINAL: Final = np.exp(1j * TURN * CENTRE).astype(np.complex64)


def over_bins(sums: Complexes) -> Complexes:
    """Sums over the bins, which a product of matrices gives more quickly than adding along an inner axis.

    Parameters
    ----------
    sums : complex64, shape (n, m, k), contiguous.

    Returns
    -------
    complex64, shape (n, k).
    """
    n, m, k = sums.shape
    return (sums.view(np.float32).reshape(n, -1) @ _adder(m, 2 * k)).view(np.complex64)


@lru_cache(maxsize=16)
def _adder(m: int, k: int) -> Floats:
    return np.tile(np.eye(k, dtype=np.float32), (m, 1))


@lru_cache(maxsize=8)
def _projector(orders: Orders) -> Floats:
    """Shape (32, 4 n): cos and -sin of each order in turn within a bin, and then the same times the place within it."""
    angle = np.outer(PLACE, orders) * TURN
    plain = np.stack([np.cos(angle), -np.sin(angle)], axis=-1)
    both = np.concatenate([plain, plain * PLACE[:, None, None]], axis=1)
    return np.ascontiguousarray(both.reshape(BIN, -1), dtype=np.float32)


@lru_cache(maxsize=8)
def _synthesiser(orders: Orders) -> Floats:
    return np.ascontiguousarray(_projector(orders).T)


_LOW: Final = np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
_HIGH: Final = np.add.outer(np.arange(4), np.arange(4)) + 1
_UPPER: Final = np.subtract.outer(np.arange(4), np.arange(4)) < 0


def normal_matrix(gram: Complexes) -> Floats:
    """Matrix of the normal equations of orders 1, 3, 5, 7 in a region, for real and imaginary parts.

    Parameters
    ----------
    gram : shape (n, 8). Of exp(-j m phase), m = 0, 2, ... 14, over the region.

    Returns
    -------
    float64, shape (n, 8, 8).
    """
    low = gram[:, _LOW]  # of h - g
    low.imag[:, _UPPER] *= -1
    high = gram[:, _HIGH]  # of h + g
    matrix = np.empty((len(gram), 8, 8))
    matrix[:, :4, :4] = low.real + high.real
    matrix[:, :4, 4:] = -low.imag + high.imag
    matrix[:, 4:, :4] = low.imag + high.imag
    matrix[:, 4:, 4:] = low.real - high.real
    matrix[:, range(8), range(8)] += _RIDGE
    return matrix


def solve(sums: Complexes, gram: Complexes) -> Complexes:
    """Least-squares coefficients of orders 1, 3, 5, 7 in a region.

    Parameters
    ----------
    sums : shape (n, 4). Of y exp(-j h phase) over the region.
    gram : shape (n, 8), as in `normal_matrix`.

    Returns
    -------
    complex64, shape (n, 4).
    """
    return _paired(np.linalg.solve(normal_matrix(gram), _right(sums)))


def solve_by(inverse: Floats, sums: Complexes) -> Complexes:
    """The same, with the inverse of the normal matrix at hand, shape (n, 8, 8)."""
    return _paired(inverse @ _right(sums))


def _right(sums: Complexes) -> Floats:
    return np.concatenate([2 * sums.real, 2 * sums.imag], axis=1).astype(np.float64)[..., None]


def _paired(solved: Floats) -> Complexes:
    return (solved[:, :4, 0] + 1j * solved[:, 4:, 0]).astype(np.complex64)
