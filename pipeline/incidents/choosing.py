"""Which moment each sighting belongs to: how likely it is there, against what would coincide by chance at that rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaln

from halfcycle.pipeline.incidents.clocks import Around, ClockFit, supported
from halfcycle.pipeline.incidents.cores import Cores, candidates, likeness
from halfcycle.pipeline.incidents.sightings import BoolArray, FloatArray, IntArray, Sightings

GOOD_S: Final = 0.02
_GOOD_SHARE: Final = 0.75  # of clocks that are right within `GOOD_S`; the rest Cauchy-like (common practice, no source)
_BAD_S: Final = 1.0
_STRAY: Final = 0.02  # of sightings whose clock was just set, or is not as its line says
_ACCEPT: Final = float(np.log(3.0))
_SURE_S: Final = 0.5  # a clock known better than this is looked up within it
_LONGEST_CHAIN: Final = 8
_LIKELIEST: Final = 8  # candidates of a sighting that are compared with those of its recorder's others
_BLOCK: Final = 20_000


@dataclass(frozen=True, slots=True)
class Moments:
    """The moments of a round, and where the sightings lie between them.

    Attributes
    ----------
    cores : in order of time.
    own : the one each sighting helps to make; -1: its time is too vague.
    rank : of each moment: of two alike the lower one says what the time is.
    at_ns, u_s : time of each sighting, as far as its clock is known, and its standard uncertainty.
    label : of each, turned back as far as its turn is known.
    known : whether it is.
    """

    cores: Cores
    own: IntArray
    rank: IntArray
    at_ns: IntArray
    u_s: FloatArray
    label: IntArray
    known: BoolArray


@dataclass(frozen=True, slots=True)
class _Weighed:
    """What speaks for some sightings' candidates. Shape (n, m) each.

    Attributes
    ----------
    index : of the moment.
    lag_s : what the clock would be ahead by. [s]
    score : log of how much likelier it is than chance; minus infinity: no candidate.
    worth : the part of it that does not depend on the clock.
    """

    index: IntArray
    lag_s: FloatArray
    score: FloatArray
    worth: FloatArray


def chosen(
    sightings: Sightings, clock: ClockFit, moments: Moments, around: Around, reach_s: float
) -> tuple[IntArray, FloatArray]:
    """The moment that each sighting belongs to, -1 for none, and by how much that is likelier than chance: its log.

    A sighting whose own moment is the largest within reach stays; the others are weighed against every moment near.
    """
    cores, own = moments.cores, moments.own
    n = sightings.n
    where, found = np.full(n, -1), np.full(n, -np.inf)
    if not cores.n:
        return where, found
    asked = _contested(clock, moments, reach_s)
    rest = np.flatnonzero(~asked)
    stay = _weighed(sightings, clock, moments, rest, own[rest][:, None], np.ones((len(rest), 1), dtype=bool))
    found[rest] = stay.score[:, 0]
    where[rest] = np.where(found[rest] > _ACCEPT, own[rest], -1)
    slow = np.flatnonzero(asked)
    blocks = [slow[i : i + _BLOCK] for i in range(0, len(slow), _BLOCK)]
    weighed = [
        _weighed(sightings, clock, moments, rows, *_candidates(clock, moments, rows, reach_s)) for rows in blocks
    ]
    if not weighed:
        return where, found
    index, lag_s, score, worth = (np.concatenate(parts) for parts in zip(*map(_columns, weighed), strict=True))
    score += _support(clock, moments, around, (rest, stay), (slow, lag_s, score, worth, index))
    best = score.argmax(axis=1)
    places = np.arange(len(slow))
    found[slow] = score[places, best]
    where[slow] = np.where(found[slow] > _ACCEPT, index[places, best], -1)
    return _led_on(where, own, cores), found


def _columns(part: _Weighed) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    return part.index, part.lag_s, part.score, part.worth


def _contested(clock: ClockFit, moments: Moments, reach_s: float) -> BoolArray:
    """Sightings that make no moment with others, or near a larger one."""
    cores, own = moments.cores, moments.own
    at = np.maximum(own, 0)
    index, there = candidates(cores.time_ns, cores, reach_s=reach_s)
    larger = there & (cores.n_sites[index] > cores.n_sites[:, None])
    near = np.abs(cores.time_ns[index] - cores.time_ns[:, None]) <= _SURE_S * 1e9
    sure = np.isfinite(clock.offset_s) & (8 * moments.u_s <= _SURE_S)
    apart = np.abs(moments.at_ns - cores.time_ns[at]) * 1e-9 > 4 * moments.u_s
    by_larger = np.where(sure, np.any(larger & near, axis=1)[at], np.any(larger, axis=1)[at])
    return np.asarray((own < 0) | (cores.n_sites[at] <= 1) | by_larger | (sure & apart), dtype=bool)


def _candidates(clock: ClockFit, moments: Moments, rows: IntArray, reach_s: float) -> tuple[IntArray, BoolArray]:
    """Moments that some sightings may belong to: their own one where others make it, too, and larger ones."""
    cores, own = moments.cores, moments.own[rows]
    known = np.isfinite(clock.offset_s[rows])
    within_s = np.where(known, np.clip(8 * moments.u_s[rows], 0.1, reach_s), reach_s)
    index, there = candidates(moments.at_ns[rows], cores, reach_s=within_s)
    own_sites = np.where(own >= 0, cores.n_sites[np.maximum(own, 0)], 0)[:, None]
    stronger = (cores.n_sites[index] > own_sites) | (
        (cores.n_sites[index] == own_sites) & (moments.rank[index] < moments.rank[np.maximum(own, 0)][:, None])
    )
    return index, there & np.where(index == own[:, None], own_sites > 1, stronger | (own < 0)[:, None])


def _weighed(
    sightings: Sightings, clock: ClockFit, moments: Moments, rows: IntArray, index: IntArray, there: BoolArray
) -> _Weighed:
    """What speaks for the candidates of some sightings. index, there: shape (len(rows), m)."""
    cores = moments.cores
    offset_s = clock.offset_s[rows][:, None]
    known = np.isfinite(offset_s)
    apart_s = without_itself(moments, rows, index)
    lag_s = apart_s + np.where(known, offset_s, 0.0)
    prior = _prior(lag_s)
    of_clock = _of_clock(apart_s, clock.count[rows][:, None], moments.u_s[rows][:, None])
    density = np.where(known, (1 - _STRAY) * of_clock + _STRAY * prior, prior)
    alike = likeness(
        sightings.duration_s[rows][:, None], moments.label[rows][:, None], moments.known[rows][:, None],
        cores.duration_s[index], cores.label[index], cores.known[index],
    )  # fmt: skip
    mine = index == moments.own[rows][:, None]
    odds = np.maximum(cores.n_sites[index] - mine, 1) / cores.rate_hz[index]  # one of many is likelier than one of few
    score = np.where(there, np.log(density * odds) + alike, -np.inf)
    return _Weighed(index, lag_s, score, np.where(there, np.log1p(odds * np.exp(alike)), 0.0))


def _support(
    clock: ClockFit, moments: Moments, around: Around, stay: tuple[IntArray, _Weighed],
    asked: tuple[IntArray, FloatArray, FloatArray, FloatArray, IntArray],
) -> FloatArray:  # fmt: skip
    """What the recorders' other sightings say for the lags of those whose clock is not known. Shape as their scores."""
    rows, lag_s, score, worth, index = asked
    cores, n = moments.cores, len(moments.own)
    own = moments.own[rows]
    own_sites = np.where(own >= 0, cores.n_sites[np.maximum(own, 0)], 0)
    larger = np.any((score > -np.inf) & (cores.n_sites[index] > 2 * own_sites[:, None]), axis=1)
    lonely = ~np.isfinite(clock.offset_s[rows]) & ((own_sites <= 1) | larger)
    if not lonely.any():
        return np.zeros(score.shape)
    best = np.argsort(-score, axis=1, kind="stable")[:, :_LIKELIEST]
    all_lags, all_worth = (np.zeros((n, _LIKELIEST), dtype=np.float32) for _ in range(2))
    all_lags[rows], all_worth[rows] = (np.take_along_axis(values, best, axis=1) for values in (lag_s, worth))
    all_lags[stay[0], 0], all_worth[stay[0], 0] = stay[1].lag_s[:, 0], stay[1].worth[:, 0]
    which = np.zeros(n, dtype=bool)
    which[rows[lonely]] = True
    support = np.zeros(score.shape)
    np.put_along_axis(support, best, supported(moments.at_ns, all_lags, all_worth, around, which)[rows], axis=1)
    return support


def without_itself(moments: Moments, rows: IntArray, index: IntArray) -> FloatArray:
    """How far some sightings are from moments, each left out of its own. index: shape (len(rows), m). [s]"""
    cores = moments.cores
    apart_s = (moments.at_ns[rows][:, None] - cores.time_ns[index]) * 1e-9
    weight = 1 / np.square(moments.u_s[rows])[:, None]
    rest = cores.weight[index] - weight
    mine = (index == moments.own[rows][:, None]) & (rest > 1e-9 * weight)
    return np.where(mine, apart_s * cores.weight[index] / np.where(mine, rest, 1.0), apart_s)


def _prior(lag_s: FloatArray) -> FloatArray:
    """Density of the lag of a clock of which nothing is known. [1/s]"""
    good = np.exp(-0.5 * np.square(lag_s / GOOD_S)) / (GOOD_S * np.sqrt(2 * np.pi))
    return np.asarray(_GOOD_SHARE * good + (1 - _GOOD_SHARE) / (np.pi * _BAD_S * (1 + np.square(lag_s / _BAD_S))))


def _of_clock(apart_s: FloatArray, count: FloatArray, u_s: FloatArray) -> FloatArray:
    """Density of the lag of a clock that is known, by Student's distribution. [1/s]"""
    free = np.maximum(count + 1, 2.0)
    scale = gammaln((free + 1) / 2) - gammaln(free / 2) - 0.5 * np.log(free * np.pi) - np.log(u_s)
    return np.asarray(np.exp(scale - (free + 1) / 2 * np.log1p(np.square(apart_s / u_s) / free)))


def _led_on(chosen: IntArray, own: IntArray, cores: Cores) -> IntArray:
    """Where the only sighting of a moment went to another one, whoever chose that moment goes there too."""
    to = np.arange(cores.n)
    moved = np.flatnonzero((own >= 0) & (chosen >= 0) & (chosen != own))
    moved = moved[cores.n_sites[own[moved]] == 1]
    to[own[moved]] = chosen[moved]
    for _ in range(_LONGEST_CHAIN):
        to = to[to]
    return np.where(chosen >= 0, to[np.maximum(chosen, 0)], -1)
