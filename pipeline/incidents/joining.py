"""Joining: which sightings were one shot, seen by many recorders whose clocks are learned on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.pipeline.incidents.choosing import GOOD_S, Moments, chosen, without_itself
from halfcycle.pipeline.incidents.clocks import Around, ClockFit, fitted, neighbours
from halfcycle.pipeline.incidents.cores import chained, cores_of
from halfcycle.pipeline.incidents.sightings import FloatArray, IntArray, Sightings
from halfcycle.pipeline.incidents.turns import UNKNOWN, turned_back

REACH_S: Final = 10.0  # how far clocks of which nothing is known may be off: twice what class S may lose in a day
_GAP_S: Final = 0.02  # within which times that are known make one moment
_SHARP_S: Final = 0.02  # a start known better than this may make a moment
_ROUNDS: Final = 2


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


def joined(
    sightings: Sightings, *, zone_ns: IntArray, reach_s: float = REACH_S, turn: IntArray | None = None
) -> Joined:
    """Sightings joined over sites.

    Parameters
    ----------
    sightings : of all sites.
    zone_ns : whole hours that each one's recorder is ahead, shape (n,). [ns]
    reach_s : how far a clock may be off of which nothing is known. [s]
    turn : steps by which transformers turn the labels of each one's site, where declared; None: nowhere.
    """
    turn = np.full(sightings.n, UNKNOWN) if turn is None else turn
    time_ns = sightings.start_ns - zone_ns
    around = neighbours(sightings.site, time_ns)
    none, zero = np.full(sightings.n, np.nan), np.zeros(sightings.n)
    clock = ClockFit(none, none, zero, zero, none)
    for _ in range(_ROUNDS):
        moments = _moments(sightings, time_ns, clock, turn)
        where, _ = chosen(sightings, clock, moments, around, reach_s)
        clock = fitted(time_ns, _lags(time_ns, moments, where), around, leave_out=True)
    moments = _moments(sightings, time_ns, clock, turn)
    where, score = chosen(sightings, clock, moments, around, reach_s)
    where, score = _one_of_a_site(sightings, where, score, moments)
    return _numbered(sightings, time_ns, moments, where, score, around)


def _moments(sightings: Sightings, time_ns: IntArray, clock: ClockFit, turn: IntArray) -> Moments:
    """The moments of sightings, each at its time as far as its clock is known."""
    known = np.isfinite(clock.offset_s)
    at_ns = time_ns - np.round(np.nan_to_num(clock.offset_s) * 1e9).astype(np.int64)
    told_u_s = np.hypot(np.nan_to_num(clock.offset_u_s), np.maximum(clock.scatter_s, sightings.start_u_s))
    u_s = np.where(known, told_u_s, np.hypot(GOOD_S, sightings.start_u_s))
    held = np.flatnonzero(sightings.start_u_s <= _SHARP_S)
    order, chain = chained(at_ns[held], _GAP_S)
    group = np.full(sightings.n, -1)
    group[held[order]] = chain
    label, turn_known = turned_back(sightings.label, turn), turn != UNKNOWN
    cores, own = cores_of(at_ns, u_s, sightings.site, sightings.duration_s, label, group, turn_known)
    rank = np.full(cores.n, np.iinfo(np.int64).max)
    np.minimum.at(rank, own[held], sightings.site[held])
    return Moments(cores, own, rank, at_ns, u_s, label, turn_known)


def _lags(time_ns: IntArray, moments: Moments, where: IntArray) -> FloatArray:
    """How far each recorder's clock was ahead of the moment that its sighting belongs to; NaN of none. [s]"""
    held = where >= 0
    if not held.any():
        return np.full(len(where), np.nan)
    apart_s = without_itself(moments, np.arange(len(where)), np.maximum(where, 0)[:, None])[:, 0]
    return np.where(held, apart_s + (time_ns - moments.at_ns) * 1e-9, np.nan)


def _one_of_a_site(
    sightings: Sightings, found: IntArray, score: FloatArray, moments: Moments
) -> tuple[IntArray, FloatArray]:
    """Of several sightings of a site that chose one moment the likeliest stays."""
    where = np.where(found >= 0, found, moments.own)
    staying = (found < 0) & (moments.own >= 0)
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
