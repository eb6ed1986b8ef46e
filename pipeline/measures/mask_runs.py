"""Masks to stretches: runs of true values, and switches that one mask closes and another opens."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


def latched(on: Mask, off: Mask) -> tuple[I64, I64]:
    """Half-open index pairs in which a switch is closed that `on` closes and `off` opens; both at once open it.

    Parameters
    ----------
    on, off : shape (n,).

    Returns
    -------
    (starts, stops); the last stop is n where the switch is not opened any more.
    """
    i_start, run_stop = runs(on & ~off)
    if not i_start.size:
        return i_start, i_start
    openings = np.append(np.flatnonzero(off), off.size)
    i_stop = openings[np.searchsorted(openings, run_stop)]
    apart = np.concatenate(([True], i_start[1:] > i_stop[:-1]))
    return i_start[apart], i_stop[apart]


def runs(mask: Mask) -> tuple[I64, I64]:
    """Half-open index pairs of the true stretches of a mask of shape (n,)."""
    if not mask.size:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    if mask[0]:
        edges = np.concatenate(([0], edges))
    if mask[-1]:
        edges = np.concatenate((edges, [mask.size]))
    return edges[::2], edges[1::2]
