"""Clocks of recorders, from what they recorded together with others: whole hours, offset and drift, with intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.incidents.sightings import BoolArray, FloatArray, IntArray

NEIGHBOURS: Final = 7  # sightings of a recorder before, and after, one that say how its clock goes
REACH_DAYS: Final = 5.0  # and none further off than that
_DAY_NS: Final = 86_400_000_000_000
_SLOPE_S_A_DAY: Final = 0.3  # standard deviation of drifts: crystals of some ppm (common practice, no source)
_USUAL_S: Final = 0.003  # scatter of a recorder's clock before it is known, and how many lags that counts for
_USUAL_COUNT: Final = 2.0
_LEAST_S: Final = 1e-4
_WIDE_S: Final = 0.1
_TUKEY: Final = 6.0
_BLOCK: Final = 2000  # sightings at a time: their neighbours fit into a processor's cache

Around = tuple[IntArray, IntArray, BoolArray]


@dataclass(frozen=True, slots=True)
class ClockFit:
    """How far the clock of each sighting's recorder is ahead then, as its neighbours tell. Shape (n,) each.

    Attributes
    ----------
    offset_s : NaN where nothing tells it. [s]
    offset_u_s : standard uncertainty of it. [s]
    scatter_s : of single lags about the line. [s]
    count : lags that tell it, weighted.
    drift_s_a_day : slope. [s/day]
    """

    offset_s: FloatArray
    offset_u_s: FloatArray
    scatter_s: FloatArray
    count: FloatArray
    drift_s_a_day: FloatArray


def neighbours(site: IntArray, time_ns: IntArray) -> Around:
    """The sightings of the same recorder before and after each, by time.

    Returns
    -------
    (order of site and time, shape (n,); for each place in it the places of its neighbours and itself, shape
    (2 NEIGHBOURS + 1, n); whether each is one).
    """
    order = np.lexsort((time_ns, site))
    n = len(order)
    index = np.arange(n)[None, :] + np.arange(-NEIGHBOURS, NEIGHBOURS + 1)[:, None]
    there = (index >= 0) & (index < n)
    index = np.clip(index, 0, max(n - 1, 0))
    if n:
        there &= site[order][index] == site[order]
        there &= np.abs(time_ns[order][index] - time_ns[order]) <= REACH_DAYS * _DAY_NS
    return order, index, there


def fitted(time_ns: IntArray, lag_s: FloatArray, around: Around, *, leave_out: bool) -> ClockFit:
    """A robust line through the lags around each sighting, at its instant.

    Parameters
    ----------
    time_ns : of the sightings by their recorders' clocks, shape (n,).
    lag_s : what each recorder's clock was ahead by, NaN where nothing tells. [s]
    around : of `neighbours`.
    leave_out : whether a sighting's own lag is left out of its line.

    Source: derived. Least squares with Tukey's weights about a line through medians; the slope is held by a prior of
    `_SLOPE_S_A_DAY`, the scatter by `_USUAL_COUNT` lags of the usual one.
    """
    order, index, there = around
    ordered_ns, ordered_s = time_ns[order], lag_s[order]
    columns = np.empty((5, len(order)))
    for i in range(0, len(order), _BLOCK):
        some = slice(i, i + _BLOCK)
        made = _block(ordered_ns, ordered_s, index[:, some], there[:, some], i, leave_out=leave_out)
        columns[:, order[some]] = made
    return ClockFit(*columns)


def _block(
    time_ns: IntArray, lag_s: FloatArray, index: IntArray, there: BoolArray, first: int, *, leave_out: bool
) -> tuple[FloatArray, ...]:
    """Lines of some sightings in a row, each by the column of its neighbours."""
    here = time_ns[first : first + index.shape[1]]
    x = (time_ns[index] - here) / _DAY_NS
    y = lag_s[index]
    told = there & np.isfinite(y)
    if leave_out:
        told[NEIGHBOURS] = False
    y = np.where(told, y, 0.0)
    intercept, slope = _through_medians(x, y, _agreeing(x, y, told))
    scatter = np.full(index.shape[1], _USUAL_S)
    weight = told.astype(np.float64)
    inverse = np.ones(index.shape[1])
    for _ in range(2):
        off = np.abs(y - intercept - slope * x)
        middle = 1.4826 * _median(off, told)
        limit = _TUKEY * np.maximum(np.maximum(middle, scatter), _USUAL_S)
        weight = np.where(told, np.square(np.maximum(1 - np.square(off / limit), 0.0)), 0.0)
        intercept, slope, scatter, inverse = _line(x, y, weight)
    count = weight.sum(axis=0)
    known = count > 0.5
    u = np.sqrt(inverse) * scatter
    return (
        np.where(known, intercept, np.nan), np.where(known, u, np.nan), scatter, count, np.where(known, slope, np.nan),
    )  # fmt: skip


def _line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weighted lines with a prior on the slope: (intercept, slope, scatter, variance of the intercept by scatter's)."""
    weighted = weight * x
    w, wx, wy = weight.sum(axis=0), weighted.sum(axis=0), (weight * y).sum(axis=0)
    wxx, wxy = (weighted * x).sum(axis=0), (weighted * y).sum(axis=0)
    held = wxx + np.square(_USUAL_S / _SLOPE_S_A_DAY)
    det = np.maximum(w * held - wx * wx, 1e-12)
    intercept = (held * wy - wx * wxy) / det
    slope = (w * wxy - wx * wy) / det
    left = weight * np.square(y - intercept - slope * x)
    free = np.maximum(w - 1 - wxx / held, 0.0)
    square = (_USUAL_COUNT * _USUAL_S**2 + left.sum(axis=0)) / (_USUAL_COUNT + free)
    return intercept, slope, np.sqrt(np.maximum(square, _LEAST_S**2)), held / det


def _agreeing(x: FloatArray, y: FloatArray, told: BoolArray) -> BoolArray:
    """Where lags lie far apart, those that could be one clock's with the most others: within a drift of one another."""
    highest = np.where(told, y, -np.inf).max(axis=0, initial=-np.inf)
    span = highest - np.where(told, y, np.inf).min(axis=0, initial=np.inf)
    wide = np.flatnonzero(span > _WIDE_S)
    if not len(wide):
        return told
    x, y, there = x[:, wide], y[:, wide], told[:, wide]
    allowed = _WIDE_S / 2 + 2 * _SLOPE_S_A_DAY * np.abs(x[:, None] - x[None, :])
    alike = (np.abs(y[:, None] - y[None, :]) <= allowed) & there[:, None] & there[None, :]
    best = alike.sum(axis=1).argmax(axis=0)
    kept = told.copy()
    kept[:, wide] = alike[best, :, np.arange(len(wide))].T
    return kept


def _through_medians(x: FloatArray, y: FloatArray, told: BoolArray) -> tuple[FloatArray, FloatArray]:
    """A first line: through the medians of the earlier and the later half."""
    n = told.sum(axis=0)
    rank = np.cumsum(told, axis=0)
    early = told & (rank <= n // 2)
    late = told & (rank > n - n // 2)
    x0, x1, y0, y1 = (_median(v, half) for v, half in ((x, early), (x, late), (y, early), (y, late)))
    apart = np.where(n >= 6, x1 - x0, 0.0)
    slope = np.where(apart > 0.2, (y1 - y0) / np.where(apart > 0.2, apart, 1.0), 0.0)
    slope = np.where(np.abs(slope) < 4 * _SLOPE_S_A_DAY, slope, 0.0)
    return _median(y - slope * x, told), slope


def _median(values: FloatArray, told: BoolArray) -> FloatArray:
    """Medians down columns of those told; 0 of none."""
    ordered = np.sort(np.where(told, values, np.inf), axis=0)
    n = told.sum(axis=0)
    column = np.arange(values.shape[1])
    low, high = ordered[np.maximum((n - 1) // 2, 0), column], ordered[np.minimum(n // 2, len(values) - 1), column]
    return np.where(n > 0, (np.where(n > 0, low, 0.0) + np.where(n > 0, high, 0.0)) / 2, 0.0)


def supported(
    time_ns: IntArray, lag_s: npt.NDArray[Any], worth: npt.NDArray[Any], around: Around, which: npt.NDArray[np.bool_]
) -> FloatArray:
    """For candidate lags, the evidence of neighbouring sightings of the recorder that could have the same lag.

    What is a day off counts half, as a clock may drift or be set.

    Parameters
    ----------
    time_ns : of the sightings, shape (n,).
    lag_s, worth : of each sighting's candidates, shape (n, m), and what each is worth, as a log; 0: no candidate.
    around : of `neighbours`.
    which : sightings for which it is worked out; 0 for others.
    """
    order, index, there = around
    found = np.zeros(lag_s.shape)
    place = np.flatnonzero(which[order])
    for i in range(0, len(place), _BLOCK):
        at = place[i : i + _BLOCK]
        mine = lag_s[order[at]]
        total = np.zeros(mine.shape)
        for k in range(len(index)):
            if k == NEIGHBOURS:
                continue
            held = np.flatnonzero(there[k, at])
            other = order[index[k, at[held]]]
            days = np.abs(time_ns[other] - time_ns[order[at[held]]]) / _DAY_NS
            alike = np.zeros((len(held), mine.shape[1]), dtype=mine.dtype)
            for lag, weight in zip(lag_s[other].T, worth[other].T, strict=True):  # one candidate of all after another
                apart = np.abs(mine[held] - lag[:, None])
                np.maximum(alike, np.where(apart < 0.1, weight[:, None], 0.0), out=alike)
            total[held] += alike / (1 + days[:, None])
        found[order[at]] = total
    return found
