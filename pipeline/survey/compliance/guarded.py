"""How probable it is that a limit is met, where each value has an uncertainty; and what may be said then (JCGM 106)."""

from __future__ import annotations

from statistics import NormalDist
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_N: Final = 199
_ERRORS: Final = tuple(NormalDist().inv_cdf((k + 0.5) / _N) for k in range(_N))  # equally likely


def probability_met(
    values: F64, u: F64, low: F64 | None, high: F64 | None, period: I64, *, n_periods: int, needed_pct: float
) -> F64:
    """How probable it is that the share of each period that is within its bounds is high enough.

    Parameters
    ----------
    values, u : of the intervals that count, shape (n,), and their standard uncertainties. [one unit]
    low, high : bounds at each interval, shape (n,) or (); None: there is none. [the same unit]
    period : number of the period of each interval, shape (n,).
    n_periods, needed_pct : how many there are, and the share that has to be within. [%]

    Returns
    -------
    Shape (n_periods,); NaN of a period without an interval.

    Source: JCGM 106:2012, 7.1, with a flat prior. What makes the values of a site unsure, its transducers and the
    method, is the same for all of them, so all are off by as many standard uncertainties in the same direction.
    """
    n = np.bincount(period, minlength=n_periods)
    met = np.zeros(n_periods)
    for error in _ERRORS:
        true = values - error * u
        outside = np.zeros(values.shape, np.bool_)
        if high is not None:
            outside |= true > high
        if low is not None:
            outside |= true < low
        n_outside = np.bincount(period[outside], minlength=n_periods)
        met += 100 * (n - n_outside) >= needed_pct * n
    return np.where(n > 0, met / _N, np.nan)
