"""Samples of a slow channel at the instants of a faster one: band-limited interpolation by a whole factor."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

MARGIN: Final = 32
"""Slow samples on either side that a value in between rests on."""
_KAISER_BETA: Final = 9.0  # side lobes 90 dB down: J. F. Kaiser, 1974 (from memory)


def interpolated(read: Callable[[int, int], F64], *, n_samples: int, factor: int, first: int, count: int) -> F64:
    """Values between the samples of a slow channel.

    Every `factor`-th value is a sample as it is. Content up to nine tenths of half the slow rate comes out to 1e-4 of
    its size, but near the ends: within `MARGIN` slow samples of the first and the last, what is not there is taken as
    the wave turned about its end, and there only a smooth wave comes out well, to some per cent. Values do not depend
    on how they are asked for.

    Parameters
    ----------
    read : gives samples [start, stop) of the slow channel, NaN where they are missing. A value beside one is NaN, too.
    n_samples : of the slow channel, 1 or more.
    factor : fast rate over slow rate.
    first, count : of the values, counted at the fast rate from the first slow sample.

    Returns
    -------
    float64, shape (count,).

    Source: derived: sampling theorem, with a windowed sinc whose zeros lie on the slow samples.
    """
    from scipy.signal import resample_poly

    low, high = first // factor - MARGIN, (first + count - 1) // factor + 2 + MARGIN
    start, stop = max(low - MARGIN, 0), min(high + MARGIN, n_samples)  # as much more as an end is turned about
    x = read(start, stop)
    missing = ~np.isfinite(x)
    if missing.all():
        return np.full(count, np.nan)
    if missing.any():
        places = np.arange(x.size)
        x = np.interp(places, places[~missing], x[~missing])
    before, behind = max(start - low, 0), max(high - stop, 0)
    x = _turned_about_ends(x, before, behind)
    x = x[max(low - start, 0) :][: high - low]
    values: F64 = resample_poly(x, factor, 1, window=_filter(factor))  # type: ignore[call-overload]  # as arrays may be
    at = first - low * factor
    values = values[at : at + count]
    if missing.any():
        beside = np.flatnonzero(missing) + start
        slow = np.arange(first, first + count) / factor
        values[np.isin(np.floor(slow), beside) | np.isin(np.ceil(slow), beside)] = np.nan
    return values


def _turned_about_ends(x: F64, before: int, behind: int) -> F64:
    if x.size == 1:
        return np.pad(x, (before, behind), mode="edge")
    return np.pad(x, (before, behind), mode="reflect", reflect_type="odd")


@cache
def _filter(factor: int) -> F64:
    from scipy.signal import firwin

    taps: F64 = firwin(2 * MARGIN * factor + 1, 1 / factor, window=("kaiser", _KAISER_BETA))
    taps /= taps[MARGIN * factor] * factor  # the samples themselves come out as they are
    return taps
