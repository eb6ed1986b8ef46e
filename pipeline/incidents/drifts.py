"""Whether a recorder's clock drifts: a line through what it was ahead by from day to day, with an interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.stats import t as student

from halfcycle.pipeline.incidents.clocks import REACH_DAYS, ClockFit
from halfcycle.pipeline.incidents.cores import medians
from halfcycle.pipeline.incidents.sightings import FloatArray, IntArray

_MANY_DAYS: Final = 1_000_000
_USUAL_S: Final = 0.004  # scatter of a day about the line before it is known, and how many days that counts for
_USUAL_COUNT: Final = 2.0
_STRAY_SCATTERS: Final = 6.0
_SLOPE_S_A_DAY: Final = 0.3  # standard deviation of drifts: crystals of some ppm (common practice, no source)


@dataclass(frozen=True, slots=True)
class Drifts:
    """Drifts of recorders, one entry a recorder and day in that order. Shape (n,) each.

    Attributes
    ----------
    cell : `cells` of the recorder and day.
    slope_s_a_day : [s/day]
    low_s_a_day, high_s_a_day : 95 % interval. [s/day]
    """

    cell: IntArray
    slope_s_a_day: FloatArray
    low_s_a_day: FloatArray
    high_s_a_day: FloatArray


def cells(site: IntArray, day: IntArray) -> IntArray:
    """One number for a site and a day [since 1970-01-01]; sites come first in order."""
    return site * _MANY_DAYS + day


def drifts(site: IntArray, day: IntArray, lag_s: FloatArray, clock: ClockFit) -> Drifts:
    """The drift of each recorder on each day on which it saw something with others.

    Parameters
    ----------
    site, day : of sightings, shape (n,).
    lag_s : what each one's clock was ahead by; NaN where nothing tells. [s]
    clock : their fits, whose lines say which days around belong to one course of the clock.

    Source: derived. Least squares through the medians of the days within `REACH_DAYS`, as clocks wander by the day;
    days far from the line, before the clock was set or after it, are left out. The slope is held by a prior of
    `_SLOPE_S_A_DAY`, the scatter by `_USUAL_COUNT` days of the usual one.
    """
    told = np.flatnonzero(np.isfinite(lag_s))
    cell, first, of = np.unique(cells(site[told], day[told]), return_index=True, return_inverse=True)
    lag = medians(lag_s[told], of, len(cell))
    line = np.nan_to_num(clock.drift_s_a_day[told[first]])
    limit = _STRAY_SCATTERS * np.maximum(clock.scatter_s[told[first]], _USUAL_S)
    sums = np.zeros((6, len(cell)))
    for apart in range(-int(REACH_DAYS), int(REACH_DAYS) + 1):
        place = np.minimum(np.searchsorted(cell, cell + apart), max(len(cell) - 1, 0))
        there = (cell[place] == cell + apart) & (np.abs(lag[place] - lag - line * apart) <= limit)
        x, y = np.where(there, float(apart), 0.0), np.where(there, lag[place] - lag, 0.0)
        sums += np.stack([there, x, y, x * x, x * y, y * y])
    n, sx, sy, sxx, sxy, syy = sums
    spread, together, own = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
    left = np.maximum(own - np.square(together) / np.maximum(spread, 1e-9), 0.0)
    free = _USUAL_COUNT + np.maximum(n - 2, 0.0)
    square = (_USUAL_COUNT * _USUAL_S**2 + left) / free
    held = spread + square / _SLOPE_S_A_DAY**2
    slope = together / held
    half = np.sqrt(square / held) * student.ppf(0.975, free)
    return Drifts(cell, slope, slope - half, slope + half)
