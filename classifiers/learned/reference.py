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


class FundamentalReference:
    """exp(j phase) of the fundamental of n windows and its powers.

    Parameters
    ----------
    deviation : float64, shape (n,). Of the frequency from nominal, relative.
    """

    def __init__(self, deviation: Floats) -> None:
        self.deviation = deviation
        self._first = np.exp((1j * TURN) * (1 + deviation)[:, None] * CENTRE).astype(np.complex64)
        self._turns: dict[Orders, Complexes] = {}

    def turns(self, orders: Orders) -> Complexes:
        """exp(j h phase) at the middles of the bins, complex64, shape (n, 40, orders)."""
        if orders not in self._turns:
            powers = {0: np.ones_like(self._first), 1: self._first}
            for order in range(2, orders[-1] + 1):
                powers[order] = powers[order - 1] * self._first
            self._turns[orders] = np.stack([powers[order] for order in orders], axis=-1)
        return self._turns[orders]

    def project(self, y: Floats, *, orders: Orders = ORDERS) -> Complexes:
        """Sums over quarter cycles of y exp(-j h phase).

        Parameters
        ----------
        y : shape (n, 1280).
        orders : h.

        Returns
        -------
        complex64, shape (n, 40, orders).
        """
        return self._project(y.reshape(len(y), N_BINS, BIN), orders, self.turns(orders))

    def project_bins(self, y: Floats, bins: Ints, *, orders: Orders = ORDERS) -> Complexes:
        """The same of some bins.

        Parameters
        ----------
        y : shape (n, m, 32).
        bins : shape (n, m).
        orders : h.

        Returns
        -------
        complex64, shape (n, m, orders).
        """
        return self._project(y, orders, self.turns(orders)[np.arange(len(bins))[:, None], bins])

    def _project(self, y: Floats, orders: Orders, turns: Complexes) -> Complexes:
        k = len(orders)
        sums = (y.reshape(-1, BIN) @ _projector(orders)).view(np.complex64).reshape(*y.shape[:2], 2 * k)
        slope = (-1j * TURN * self.deviation[:, None] * np.array(orders)).astype(np.complex64)
        result: Complexes = sums[..., k:] * slope[:, None, :]
        result += sums[..., :k]
        result *= np.conj(turns)
        return result

    def whole_bins(self) -> Complexes:
        """Sums of exp(-j m phase) over whole bins for the even orders, complex64, shape (n, 40, 8)."""
        angle = np.outer(PLACE, EVEN) * TURN
        at_nominal, slope = np.cos(angle).sum(axis=0), -(angle * np.sin(angle)).sum(axis=0)
        within = (at_nominal + self.deviation[:, None] * slope).astype(np.float32)
        return np.asarray(np.conj(self.turns(EVEN)) * within[:, None, :])

    def synthesise(
        self, coefficients: Complexes, *, orders: Orders = ORDERS, slopes: Complexes | None = None
    ) -> Floats:
        """Re sum_h C_h exp(j h phase).

        Parameters
        ----------
        coefficients : complex64, shape (n, 40, orders) or (n, 1, orders).
        orders : h.
        slopes : by how much the coefficients grow with each sample within a bin, shape as theirs.

        Returns
        -------
        float32, shape (n, 1280).
        """
        return self._synthesise(coefficients, slopes, self.turns(orders), orders).reshape(-1, N_GRID)

    def synthesise_bins(
        self, coefficients: Complexes, bins: Ints, *, orders: Orders = ORDERS, slopes: Complexes | None = None
    ) -> Floats:
        """The same in some bins.

        Parameters
        ----------
        coefficients : complex64, shape (n, m, orders) or (n, 1, orders).
        bins : shape (n, m).
        orders : h.
        slopes : as in `synthesise`.

        Returns
        -------
        float32, shape (n, m, 32).
        """
        turns = self.turns(orders)[np.arange(len(bins))[:, None], bins]
        return self._synthesise(coefficients, slopes, turns, orders).reshape(*bins.shape, BIN)

    def _synthesise(
        self, coefficients: Complexes, slopes: Complexes | None, turns: Complexes, orders: Orders
    ) -> Floats:
        # exp(j h d p) of a place p within the bin, to first order: 1 + j h d p. Re(c exp) is (Re, Im) by (cos, -sin).
        k = len(orders)
        packed = np.empty((*turns.shape[:2], 2 * k), dtype=np.complex64)
        np.multiply(coefficients, turns, out=packed[..., :k])
        turning = (1j * TURN * self.deviation[:, None] * np.array(orders)).astype(np.complex64)
        np.multiply(packed[..., :k], turning[:, None, :], out=packed[..., k:])
        if slopes is not None:
            packed[..., k:] += slopes * turns
        wave: Floats = packed.view(np.float32).reshape(-1, 4 * k) @ _synthesiser(orders)
        return wave


def over_bins(sums: Complexes) -> Complexes:
    """Sums over the bins, which a product of matrices gives more quickly than adding along an inner axis.

    Parameters
    ----------
    sums : complex64, shape (n, 40, k), contiguous.

    Returns
    -------
    complex64, shape (n, k).
    """
    n, _, k = sums.shape
    return (sums.view(np.float32).reshape(n, -1) @ _adder(2 * k)).view(np.complex64)


@lru_cache(maxsize=8)
def _adder(k: int) -> Floats:
    return np.tile(np.eye(k, dtype=np.float32), (N_BINS, 1))


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


def solve(sums: Complexes, gram: Complexes) -> Complexes:
    """Least-squares coefficients of orders 1, 3, 5, 7 in a region.

    Parameters
    ----------
    sums : shape (n, 4). Of y exp(-j h phase) over the region.
    gram : shape (n, 8). Of exp(-j m phase), m = 0, 2, ... 14, over the region.

    Returns
    -------
    complex64, shape (n, 4).
    """
    low = gram[:, _LOW]  # of h - g
    low.imag[:, _UPPER] *= -1
    high = gram[:, _HIGH]  # of h + g
    matrix = np.empty((len(sums), 8, 8))
    matrix[:, :4, :4] = low.real + high.real
    matrix[:, :4, 4:] = -low.imag + high.imag
    matrix[:, 4:, :4] = low.imag + high.imag
    matrix[:, 4:, 4:] = low.real - high.real
    matrix[:, range(8), range(8)] += _RIDGE
    right = np.concatenate([2 * sums.real, 2 * sums.imag], axis=1).astype(np.float64)[..., None]
    solved = np.linalg.solve(matrix, right)[..., 0]
    return (solved[:, :4] + 1j * solved[:, 4:]).astype(np.complex64)
