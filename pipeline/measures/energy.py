"""Energy and demand from the mean power of windows. Signs and quadrants as `power` states them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.power import quadrant

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_S_IN_HOUR: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy since the start, after each of some windows; shape (..., n).

    Attributes
    ----------
    taken, given_back : of the active power, each 0 or more. [Wh]
    reactive : of the reactive power in quadrants I to IV, shape (4, ..., n), each 0 or more. [varh]
    """

    taken: F64
    given_back: F64
    reactive: F64


def energy(p: npt.ArrayLike, q: npt.ArrayLike, *, lengths_s: npt.ArrayLike) -> Energy:
    """Energy taken and given back since the start.

    Parameters
    ----------
    p, q : shape (..., n). Mean over each window; NaN where not measured, which adds nothing. [W], [var]
    lengths_s : shape (n,) or one that fits. Of the windows. [s]

    Returns
    -------
    Energy.

    Source: common practice, no source: a window counts as taken or given back by its mean.
    """
    hours = np.asarray(lengths_s, np.float64) / _S_IN_HOUR
    active, reactive = (np.nan_to_num(np.asarray(x, np.float64), nan=0.0) for x in (p, q))
    where = quadrant(active, reactive)
    of_quadrants = np.stack([np.where(where == k, np.abs(reactive) * hours, 0.0) for k in (1, 2, 3, 4)])
    return Energy(
        np.cumsum(np.maximum(active, 0.0) * hours, axis=-1), np.cumsum(np.maximum(-active, 0.0) * hours, axis=-1),
        np.cumsum(of_quadrants, axis=-1),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Demand:
    """Demand of blocks of the clock.

    Attributes
    ----------
    starts_ns : int64, shape (n,). Of the blocks, without a gap from the first to the last. [ns UTC]
    mean : float64, shape (n,). Mean power over what was measured of each; NaN where nothing was. [unit of the power]
    measured_s : float64, shape (n,). How long that was. [s]
    """

    starts_ns: I64
    mean: F64
    measured_s: F64


def block_demand(power: npt.ArrayLike, *, starts_ns: npt.ArrayLike, lengths_s: npt.ArrayLike, block_s: int) -> Demand:
    """Mean power over blocks of the clock.

    Parameters
    ----------
    power : shape (n_windows,). NaN where not measured. [W or VA]
    starts_ns : int, shape (n_windows,), rising. A window counts for the block in which it starts. [ns UTC]
    lengths_s : shape (n_windows,). [s]
    block_s : int > 0. Length of the blocks, which start at multiples of it since 1970: 900 for quarters of an hour. [s]

    Returns
    -------
    Demand.

    Raises
    ------
    SignalError : shapes that do not fit, or a block without length.

    Source: common practice, no source.
    """
    watts, lengths = np.asarray(power, np.float64), np.asarray(lengths_s, np.float64)
    begins = np.asarray(starts_ns, np.int64)
    if not watts.ndim == 1 or not watts.shape == lengths.shape == begins.shape or block_s < 1:
        raise SignalError(f"power {watts.shape}, starts {begins.shape}, lengths {lengths.shape}, blocks of {block_s} s")
    if not watts.size:
        return Demand(begins, np.zeros(0), np.zeros(0))
    block_ns = block_s * 10**9
    number = begins // block_ns
    first = int(number.min())
    measured = np.where(np.isnan(watts), 0.0, lengths)
    seconds: F64 = np.bincount(number - first, measured).astype(np.float64)
    work = np.bincount(number - first, np.nan_to_num(watts, nan=0.0) * measured)
    mean = np.divide(work, seconds, out=np.full(work.shape, np.nan), where=seconds > 0)
    starts = (first + np.arange(seconds.size, dtype=np.int64)) * block_ns
    return Demand(starts, mean, seconds)


def sliding_demand(blocks: npt.ArrayLike, *, n_blocks: int) -> F64:
    """Mean of each block and those before it: a sliding window that moves on by one block.

    Parameters
    ----------
    blocks : shape (n,). Demand of blocks that follow one another; NaN where not measured. [W or VA]
    n_blocks : >= 1, in a window: 3 blocks of 5 minutes in a window of 15.

    Returns
    -------
    float64, shape (n - n_blocks + 1,), or none: for the windows that end with block n_blocks - 1 and each later one;
    NaN where a block of it was not measured. [unit of blocks]

    Raises
    ------
    SignalError : n_blocks below 1, or blocks not 1-D.

    Source: common practice, no source.
    """
    values = np.asarray(blocks, np.float64)
    if values.ndim != 1 or n_blocks < 1:
        raise SignalError(f"blocks {values.shape}, {n_blocks} in a window; expected 1-D, and 1 or more")
    if values.size < n_blocks:
        return np.zeros(0)
    mean: F64 = np.lib.stride_tricks.sliding_window_view(values, n_blocks).mean(axis=-1)
    return mean
