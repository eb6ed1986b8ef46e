"""Shots of one cause: a fault and the reclosures onto it hit the same sites in the same way, seconds apart."""

from __future__ import annotations

from typing import Final

import numpy as np

from halfcycle.pipeline.incidents.joining import Joined
from halfcycle.pipeline.incidents.sightings import UNTOLD, IntArray, Sightings

LONGEST_S: Final = (
    60.0  # between shots of one cause: the time aggregation of IEEE 1564 (from memory), slow reclosing too
)
_ALIKE_PU: Final = 0.02  # by which a site's lowest voltage may differ from shot to shot: an arc is not quite the same
_SHARED: Final = 0.5  # of the sites of the shot with fewer sites
_SAME_LABELS: Final = 0.7


def linked(sightings: Sightings, found: Joined) -> IntArray:
    """The incident of each shot, numbered in order of its first shot.

    Parameters
    ----------
    sightings : of all sites.
    found : their shots.

    Two shots within `LONGEST_S` are linked where most sites saw both, with the same lowest voltages and labels.
    """
    n_shots = int(found.shot.max(initial=-1)) + 1
    first, second, apart, same = _repeats(sightings, found)
    if not len(first):
        return np.arange(n_shots)
    sites = np.bincount(found.shot, minlength=n_shots)
    pair, of = np.unique(first * n_shots + second, return_inverse=True)
    one, other = pair // n_shots, pair % n_shots
    shared = np.bincount(of)
    told = np.isfinite(apart)
    n_told = np.bincount(of, told)
    square = np.bincount(of, np.where(told, np.square(np.nan_to_num(apart)), 0.0)) / np.maximum(n_told, 1)
    alike = np.bincount(of, same) / shared
    kept = (
        (shared >= _SHARED * np.minimum(sites[one], sites[other]))
        & (n_told > 0)
        & (np.sqrt(square) <= _ALIKE_PU)
        & (alike >= _SAME_LABELS)
    )
    return _components(n_shots, one[kept], other[kept])


def _repeats(sightings: Sightings, found: Joined) -> tuple[IntArray, ...]:
    """Sightings of one site soon after one another: shots of both, difference of voltages, whether labels agree."""
    order = np.lexsort((found.time_ns, sightings.site))
    parts = []
    for step in (1, 2):
        a, b = order[:-step], order[step:]
        near = (sightings.site[a] == sightings.site[b]) & (found.shot[a] != found.shot[b])
        near &= found.time_ns[b] - found.time_ns[a] <= LONGEST_S * 1e9
        a, b = a[near], b[near]
        low_a, low_b = (np.where(sightings.dead[i], np.nan, sightings.low_pu[i]) for i in (a, b))
        same = (
            (sightings.label[a] == sightings.label[b]) | (sightings.label[a] == UNTOLD) | (sightings.label[b] == UNTOLD)
        )
        parts.append((found.shot[a], found.shot[b], low_a - low_b, same.astype(np.float64)))
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _components(n: int, one: IntArray, other: IntArray) -> IntArray:
    """Numbers of connected parts, in order of their first member."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ties = coo_array((np.ones(len(one)), (one, other)), shape=(n, n))
    _, part = connected_components(ties, directed=False)
    first = np.full(int(part.max(initial=-1)) + 1, n)
    np.minimum.at(first, part, np.arange(n))
    place = np.empty(len(first), dtype=np.int64)
    place[np.argsort(first)] = np.arange(len(first))
    return place[part]
