"""Quarter cycles cut at the edges of an event: what lies outside and what lies inside, without the edges themselves.

A window has 44 cells: its 40 quarter cycles, of which those at an edge hold what lies outside, and the four parts
inside that these have beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from halfcycle.classifiers.learned.reference import (
    BIN,
    EVEN,
    N_BINS,
    Bools,
    Complexes,
    Floats,
    FundamentalReference,
    Ints,
)
from halfcycle.classifiers.learned.windows import N_GRID

GUARD: Final = 4  # grid samples left out either side of an edge
LEAST_EVENT: Final = 96  # grid samples: with fewer both edges would lie in one cell


@dataclass(frozen=True, slots=True)
class Cells:
    """The cells of n windows.

    Attributes
    ----------
    bins : shape (n, 44). The quarter cycle of each.
    inside : bool, shape (n, 44).
    masks : float32, shape (n, 8, 32). Samples of those at an edge, four outside and four inside.
    at_in : bool, shape (n, 4, 32). Of the quarter cycles at an edge, the samples inside, edges as they are.
    usable : bool, shape (n, 1280). Not at an edge.
    """

    bins: Ints
    inside: Bools
    masks: Floats
    at_in: Bools
    usable: Bools

    @classmethod
    def of(cls, start: Ints, end: Ints) -> Self:
        """The cells that two edges make, shape (n,) each, grid samples, at least `LEAST_EVENT` apart."""
        n = len(start)
        edges = np.stack([start, end], axis=1)
        first = np.clip((edges - GUARD) // BIN, 0, N_BINS - 2)
        cut = np.stack([first, first + 1], axis=2).reshape(n, 4)
        at = cut[:, :, None] * BIN + np.arange(BIN)
        at_in = (at >= start[:, None, None]) & (at < end[:, None, None])
        beside = np.abs(2 * (at - edges.repeat(2, axis=1)[:, :, None]) + 1) > 2 * GUARD
        usable = np.ones((n, N_BINS, BIN), dtype=bool)
        rows = np.arange(n)[:, None]
        usable[rows, cut] = beside
        place = np.arange(N_BINS) * BIN
        inside = np.ones((n, N_BINS + 4), dtype=bool)
        inside[:, :N_BINS] = (place >= start[:, None]) & (place < end[:, None])
        inside[rows, cut] = False
        bins = np.concatenate([np.broadcast_to(np.arange(N_BINS), (n, N_BINS)), cut], axis=1)
        masks = np.concatenate([beside & ~at_in, beside & at_in], axis=1).astype(np.float32)
        return cls(bins, inside, masks, at_in, usable.reshape(n, N_GRID))

    @property
    def cut(self) -> Ints:
        """The quarter cycles at an edge, shape (n, 4)."""
        return self.bins[:, N_BINS:]

    def samples(self, y: Floats) -> Floats:
        """Samples of the cells, zero where they have none: float32, shape (n, 44, 32), of y of shape (n, 1280)."""
        n = len(y)
        found = np.empty((n, N_BINS + 4, BIN), dtype=np.float32)
        found[:, :N_BINS] = y.reshape(n, N_BINS, BIN)
        rows = np.arange(n)[:, None]
        at_edges = found[rows, self.cut]
        found[rows, self.cut] = at_edges * self.masks[:, :4]
        np.multiply(at_edges, self.masks[:, 4:], out=found[:, N_BINS:])
        return found

    def grams(self, reference: FundamentalReference) -> Complexes:
        """Sums of exp(-j m phase) over the cells for even m, complex64, shape (n, 44, 8); the reference is theirs."""
        found = reference.whole_bins()
        rows = np.arange(len(found))[:, None]
        at_edges = FundamentalReference(reference.deviation, np.concatenate([self.cut, self.cut], axis=1))
        sums = at_edges.project(self.masks, orders=EVEN)
        found[rows, self.cut] = sums[:, :4]
        found[:, N_BINS:] = sums[:, 4:]
        return found

    def of_regions(self, outside: Complexes, inside: Complexes) -> Complexes:
        """Values of both regions, shape (n, k), for each cell: shape (n, 44, k)."""
        return np.where(self.inside[..., None], inside[:, None], outside[:, None])

    def of_bins(self, outside: Complexes, inside: Complexes) -> Complexes:
        """Values of both regions by quarter cycle, shape (n, 40), for each cell: shape (n, 44)."""
        found = np.empty(self.bins.shape, dtype=outside.dtype)
        found[:, :N_BINS] = np.where(self.inside[:, :N_BINS], inside, outside)
        found[:, N_BINS:] = np.take_along_axis(inside, self.cut, axis=1)
        return found

    def split(self, values: Floats) -> tuple[Floats, Floats]:
        """Values of the cells by quarter cycle, outside and inside, zero where there is none: shape (n, 40) each."""
        inside = values * self.inside
        outside = values[:, :N_BINS] - inside[:, :N_BINS]
        found = inside[:, :N_BINS]
        found[np.arange(len(values))[:, None], self.cut] = values[:, N_BINS:]
        return outside, found

    def less(self, y: Floats, wave: Floats) -> Floats:
        """y less a wave of the cells, shape (n, 44, 32), edges as they are: shape (n, 1280)."""
        n = len(y)
        rows = np.arange(n)[:, None]
        whole = wave[:, :N_BINS]
        whole[rows, self.cut] = np.where(self.at_in, wave[:, N_BINS:], whole[rows, self.cut])
        return np.asarray(y - whole.reshape(n, N_GRID))
