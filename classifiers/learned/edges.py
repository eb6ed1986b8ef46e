"""Edges of events to the sample: where the waves outside give way to those inside, and back.

Source: derived: least squares, for many windows at once.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from halfcycle.classifiers.learned.cells import LEAST_EVENT
from halfcycle.classifiers.learned.envelope import Envelope, flicker_wave
from halfcycle.classifiers.learned.reference import BIN, N_BINS, Bools, Complexes, Floats, FundamentalReference, Ints
from halfcycle.classifiers.learned.windows import N_GRID

_NEAR_END: Final = 24  # grid samples: an edge this close to an end of the window may be none


def edges_of(
    y: Floats, deviation: Floats, envelope: Envelope, fits: tuple[Complexes, Complexes]
) -> tuple[Ints, Ints, Floats, Bools]:
    """Both edges to the sample, how clear they are, and where outside and inside change places.

    Where only one edge is seen, the short end of the window decides which side of it is the event.

    Parameters
    ----------
    y : shape (n, 1280).
    deviation : shape (n,). Of the frequency from nominal, relative.
    envelope : coarse edges, and flicker.
    fits : shape (n, 4) each. Orders 1, 3, 5, 7 outside and inside.
    """
    near = np.stack([envelope.first, envelope.last], axis=1)
    place, clear = _crossovers(y, deviation, envelope, fits, near)
    start, end = place.T
    clear_start, clear_end = clear.T
    head, tail = np.zeros_like(start), np.full_like(end, N_GRID)
    clear_head, clear_tail = np.full_like(clear_start, -np.inf), np.full_like(clear_end, -np.inf)
    rows = np.flatnonzero((end > N_GRID - _NEAR_END) | (start < _NEAR_END))
    if len(rows):
        ends = np.repeat([[N_BINS - 1, 0]], len(rows), axis=0)
        place, clear = _crossovers(y, deviation, envelope, fits, ends, rows=rows)
        tail[rows], head[rows] = place.T
        clear_tail[rows], clear_head[rows] = clear.T
    swap_end = (end > N_GRID - _NEAR_END) & (clear_head > clear_end) & (start > BIN)
    swap_start = ~swap_end & (start < _NEAR_END) & (clear_tail > clear_start) & (end < N_GRID - BIN)
    new_start = np.where(swap_end, head, np.where(swap_start, end, start))
    new_end = np.where(swap_end, start, np.where(swap_start, tail, end))
    edges = np.stack([
        np.where(swap_end, clear_head, np.where(swap_start, clear_end, clear_start)),
        np.where(swap_end, clear_start, np.where(swap_start, clear_tail, clear_end)),
    ], axis=1)  # fmt: skip
    new_start = np.minimum(new_start, N_GRID - LEAST_EVENT)
    new_end = np.maximum(new_end, new_start + LEAST_EVENT)
    return new_start, new_end, edges, swap_end | swap_start


def _crossovers(
    y: Floats,
    deviation: Floats,
    envelope: Envelope,
    fits: tuple[Complexes, Complexes],
    near: Ints,
    *,
    rows: Ints | slice = slice(None),
) -> tuple[Ints, Floats]:
    """The samples at which outside gives way to inside and inside to outside, shape (n, 2), and how clearly.

    near : shape (n, 2). The quarter cycles in which they are looked for, and those beside them.
    rows : the windows meant.
    """
    n = len(near)
    around = near[:, :, None] + np.arange(-1, 2)
    bins = np.clip(around, 0, N_BINS - 1).reshape(n, -1)
    reference = FundamentalReference(deviation[rows], bins)
    slow = flicker_wave(envelope.index[rows], envelope.a[rows], envelope.b[rows])
    slow = np.take_along_axis(slow, bins, axis=1)
    waves = []
    for fit in (fits[0][rows], fits[1][rows]):
        unit = fit[:, :1] / np.maximum(np.abs(fit[:, :1]), 1e-12)
        coefficients = np.repeat(fit[:, None], bins.shape[1], axis=1)
        coefficients[..., 0] += slow * unit
        waves.append(reference.synthesise(coefficients))
    samples = y.reshape(-1, N_BINS, BIN)[np.arange(len(y))[rows, None], bins]
    cost = (waves[1] - waves[0]) * (2 * samples - waves[0] - waves[1])
    cost[((around < 0) | (around >= N_BINS)).reshape(n, -1)] = 0
    cost = cost.reshape(n, 2, -1)
    cost[:, 1] *= -1
    place, clear = _turning_point(cost)
    return np.clip(place + (near - 1) * BIN, 0, N_GRID), clear


def _turning_point(cost: Floats) -> tuple[Ints, Floats]:
    """Where running sums of costs along the last axis are least, and how far below those a quarter cycle off."""
    total = np.zeros((*cost.shape[:2], cost.shape[2] + 1), dtype=np.float32)
    np.cumsum(cost, axis=2, out=total[..., 1:])
    place = np.argmin(total, axis=2)
    least, early, late = (
        np.take_along_axis(total, np.clip(place + off, 0, cost.shape[2])[..., None], axis=2)[..., 0]
        for off in (0, -BIN, BIN)
    )
    return place, np.minimum(early, late) - least
