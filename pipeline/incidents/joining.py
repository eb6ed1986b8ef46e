"""Joining: which sightings were one shot, seen by many recorders whose clocks are learned on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaln

from pipeline.incidents.clocks import Around, ClockFit, fitted, neighbours, supported
from pipeline.incidents.cores import Cores, candidates, chained, cores_of, likeness
from pipeline.incidents.sightings import FloatArray, IntArray, Sightings

REACH_S: Final = 10.0  # how far clocks of which nothing is known may be off: twice what class S may lose in a day
_GAP_S: Final = 0.02  # within which times that are known make one moment
_SHARP_S: Final = 0.02  # a time known better than this may make a moment
_GOOD_SHARE: Final = (
    0.75  # of clocks that are right within `_GOOD_S`; the rest Cauchy-like (common practice, no source)
)
_GOOD_S: Final = 0.02
_BAD_S: Final = 1.0
_STRAY: Final = 0.02  # of sightings whose clock was just set, or is not as its line says
_ACCEPT: Final = float(np.log(3.0))
_ROUNDS: Final = 3
_LONGEST_CHAIN: Final = 8


@dataclass(frozen=True, slots=True)
class Joined:
    """Sightings by shot. Shape (n,) each.

    Attributes
    ----------
    shot : number of each sighting's shot, from 0 on in order of time.
    score : log of how much likelier it belongs there than not; 0 of those alone.
    time_ns : of its shot, by the clocks that agree. [ns since 1970-01-01]
    time_u_s : its standard uncertainty. [s]
    lag_s : what its recorder was ahead by; NaN of those alone.
    clock : of its recorder then.
    """

    shot: IntArray
    score: FloatArray
    time_ns: IntArray
    time_u_s: FloatArray
    lag_s: FloatArray
    clock: ClockFit


def joined(sightings: Sightings, *, zone_ns: IntArray, reach_s: float = REACH_S) -> Joined:
    """Sightings joined over sites.

    Parameters
    ----------
    sightings : of all sites.
    zone_ns : whole hours that each one's recorder is ahead, shape (n,). [ns]
    reach_s : how far a clock may be off of which nothing is known. [s]
    """
    time_ns = sightings.start_ns - zone_ns
    around = neighbours(sightings.site, time_ns)
    none, zero = np.full(sightings.n, np.nan), np.zeros(sightings.n)
    clock = ClockFit(none, none, zero, zero, none)
    for nth in range(_ROUNDS):
        moments = _moments(sightings, time_ns, clock, first=nth == 0)
        chosen, _ = _chosen(sightings, time_ns, clock, moments, around, reach_s)
        clock = fitted(time_ns, _lags(time_ns, moments, chosen), around, leave_out=True)
    moments = _moments(sightings, time_ns, clock, first=False)
    chosen, score = _chosen(sightings, time_ns, clock, moments, around, reach_s)
    where, score = _one_of_a_site(sightings, chosen, score, moments)
    return _numbered(sightings, time_ns, moments, where, score, around)


@dataclass(frozen=True, slots=True)
class Moments:
    """The moments of a round, and where the sightings lie between them.

    Attributes
    ----------
    cores : in order of time.
    own : the one each sighting helps to make; -1: its time is too vague.
    rank : of each moment: of two alike the lower one says what the time is.
    at_ns, u_s : time of each sighting, as far as its clock is known, and its standard uncertainty.
    """

    cores: Cores
    own: IntArray
    rank: IntArray
    at_ns: IntArray
    u_s: FloatArray


def _moments(sightings: Sightings, time_ns: IntArray, clock: ClockFit, *, first: bool) -> Moments:
    """The moments of sightings whose time is well known."""
    known = np.isfinite(clock.offset_s)
    at_ns = time_ns - np.round(np.nan_to_num(clock.offset_s) * 1e9).astype(np.int64)
    told_u_s = np.hypot(np.nan_to_num(clock.offset_u_s), np.maximum(clock.scatter_s, sightings.start_u_s))
    u_s = np.where(known, told_u_s, np.hypot(_GOOD_S, sightings.start_u_s))
    sharp = sightings.start_u_s <= _SHARP_S
    if not first:
        sharp &= ~known | (np.nan_to_num(clock.offset_u_s) <= _SHARP_S)
    held = np.flatnonzero(sharp)
    order, chain = chained(at_ns[held], _GAP_S)
    group = np.full(sightings.n, -1)
    group[held[order]] = chain
    cores, own = cores_of(at_ns, u_s, sightings.site, sightings.duration_s, sightings.label, group)
    rank = np.full(cores.n, np.iinfo(np.int64).max)
    np.minimum.at(rank, own[held], sightings.site[held])
    return Moments(cores, own, rank, at_ns, u_s)


def _without_itself(at_ns: IntArray, u_s: FloatArray, cores: Cores, index: IntArray, own: IntArray) -> FloatArray:
    """How far sightings are from moments, each left out of its own. index: shape (n, m). [s]"""
    apart_s = (at_ns[:, None] - cores.time_ns[index]) * 1e-9
    weight = 1 / np.square(u_s)[:, None]
    rest = cores.weight[index] - weight
    mine = (index == own[:, None]) & (rest > 1e-9 * weight)
    return np.where(mine, apart_s * cores.weight[index] / np.where(mine, rest, 1.0), apart_s)


def _prior(lag_s: FloatArray) -> FloatArray:
    """Density of the lag of a clock of which nothing is known. [1/s]"""
    good = np.exp(-0.5 * np.square(lag_s / _GOOD_S)) / (_GOOD_S * np.sqrt(2 * np.pi))
    return np.asarray(_GOOD_SHARE * good + (1 - _GOOD_SHARE) / (np.pi * _BAD_S * (1 + np.square(lag_s / _BAD_S))))


def _of_clock(apart_s: FloatArray, clock: ClockFit, u_s: FloatArray) -> FloatArray:
    """Density of the lag of a clock that is known, by Student's distribution. [1/s]"""
    free = np.maximum(clock.count + 1, 2.0)[:, None]
    scale = gammaln((free + 1) / 2) - gammaln(free / 2) - 0.5 * np.log(free * np.pi) - np.log(u_s[:, None])
    return np.asarray(np.exp(scale - (free + 1) / 2 * np.log1p(np.square(apart_s / u_s[:, None]) / free)))


def _chosen(
    sightings: Sightings, time_ns: IntArray, clock: ClockFit, moments: Moments, around: Around, reach_s: float
) -> tuple[IntArray, FloatArray]:
    """The moment that each sighting belongs to, -1 for none, and by how much that is likelier than chance: its log."""
    cores, own = moments.cores, moments.own
    known = np.isfinite(clock.offset_s)
    within_s = np.where(known, np.clip(8 * moments.u_s, 0.1, reach_s), reach_s)
    index, there = candidates(moments.at_ns, cores, reach_s=within_s)
    if not cores.n:
        return np.full(sightings.n, -1), np.zeros(sightings.n)
    mine = index == own[:, None]
    own_sites = np.where(own >= 0, cores.n_sites[np.maximum(own, 0)], 0)[:, None]
    stronger = (cores.n_sites[index] > own_sites) | (
        (cores.n_sites[index] == own_sites) & (moments.rank[index] < moments.rank[np.maximum(own, 0)][:, None])
    )
    there &= np.where(mine, own_sites > 1, stronger | (own < 0)[:, None])
    apart_s = _without_itself(moments.at_ns, moments.u_s, cores, index, own)
    lag_s = np.where(known[:, None], apart_s + np.nan_to_num(clock.offset_s)[:, None], apart_s)
    density = np.where(
        known[:, None],
        (1 - _STRAY) * _of_clock(apart_s, clock, moments.u_s) + _STRAY * _prior(lag_s),
        _prior(lag_s),
    )
    alike = likeness(
        sightings.duration_s[:, None], sightings.label[:, None], cores.duration_s[index], cores.label[index]
    )
    others = np.maximum(cores.n_sites[index] - mine, 1)  # a site is more likely one of many than one of few
    score = np.where(there, np.log(density * others / cores.rate_hz[index]) + alike, -np.inf)
    lonely = ~known & ((own_sites[:, 0] <= 1) | np.any(there & (cores.n_sites[index] > 2 * own_sites), axis=1))
    if lonely.any():
        worth = np.log1p(np.where(there, others / cores.rate_hz[index], 0.0) * np.exp(alike))
        score = score + supported(lag_s, worth, around, lonely)
    best = score.argmax(axis=1)
    rows = np.arange(sightings.n)
    found = score[rows, best]
    return _led_on(np.where(found > _ACCEPT, index[rows, best], -1), own, cores), found


def _led_on(chosen: IntArray, own: IntArray, cores: Cores) -> IntArray:
    """Where the only sighting of a moment went to another one, whoever chose that moment goes there too."""
    to = np.arange(cores.n)
    moved = np.flatnonzero((own >= 0) & (chosen >= 0) & (chosen != own))
    moved = moved[cores.n_sites[own[moved]] == 1]
    to[own[moved]] = chosen[moved]
    for _ in range(_LONGEST_CHAIN):
        to = to[to]
    return np.where(chosen >= 0, to[np.maximum(chosen, 0)], -1)


def _lags(time_ns: IntArray, moments: Moments, chosen: IntArray) -> FloatArray:
    """How far each recorder's clock was ahead of the moment that its sighting belongs to; NaN of none. [s]"""
    held = chosen >= 0
    if not held.any():
        return np.full(len(chosen), np.nan)
    index = np.maximum(chosen, 0)[:, None]
    apart_s = _without_itself(moments.at_ns, moments.u_s, moments.cores, index, moments.own)[:, 0]
    return np.where(held, apart_s + (time_ns - moments.at_ns) * 1e-9, np.nan)


def _one_of_a_site(
    sightings: Sightings, chosen: IntArray, score: FloatArray, moments: Moments
) -> tuple[IntArray, FloatArray]:
    """Of several sightings of a site that chose one moment the likeliest stays."""
    where = np.where(chosen >= 0, chosen, moments.own)
    staying = (chosen < 0) & (moments.own >= 0)
    held = np.flatnonzero(where >= 0)
    rank = np.where(staying, -np.inf, score)
    order = held[np.lexsort((sightings.key[held], -rank[held], sightings.site[held], where[held]))]
    again = np.zeros(len(order), dtype=bool)
    again[1:] = (np.diff(where[order]) == 0) & (np.diff(sightings.site[order]) == 0)
    where[order[again]] = -1
    return where, np.where(where >= 0, np.where(staying, 0.0, score), 0.0)


def _numbered(
    sightings: Sightings, time_ns: IntArray, moments: Moments, where: IntArray, score: FloatArray, around: Around
) -> Joined:
    """Shots in order of time, those of one sighting at the end of the line of its moment."""
    alone = where < 0
    group = np.where(alone, moments.cores.n + np.cumsum(alone) - 1, where)
    _, group = np.unique(group, return_inverse=True)
    count = np.bincount(group)
    lag_s = np.where(count[group] > 1, _lags(time_ns, moments, where), np.nan)
    clock = fitted(time_ns, lag_s, around, leave_out=False)
    core_ns = moments.cores.time_ns[np.maximum(where, 0)] if moments.cores.n else moments.at_ns
    at_ns = np.where(alone | (count[group] == 1), moments.at_ns, core_ns)
    weight = moments.cores.weight[np.maximum(where, 0)] if moments.cores.n else np.ones(len(where))
    u_s = np.where(alone | (count[group] == 1), moments.u_s, 1 / np.sqrt(weight))
    first_ns = np.full(len(count), np.iinfo(np.int64).max)
    least_key = np.full(len(count), np.iinfo(np.int64).max)
    np.minimum.at(first_ns, group, at_ns)
    np.minimum.at(least_key, group, sightings.key)
    place = np.empty(len(count), dtype=np.int64)
    place[np.lexsort((least_key, first_ns))] = np.arange(len(count))
    return Joined(place[group], np.where(count[group] > 1, score, 0.0), at_ns, u_s, lag_s, clock)
