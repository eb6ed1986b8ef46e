"""Recorders whose clock is in another time zone: whole and half hours, told by what they recorded with others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from halfcycle.pipeline.incidents.cores import Cores, chained, cores_of
from halfcycle.pipeline.incidents.sightings import FloatArray, IntArray, Sightings

REACH_DAYS: Final = 10
_BY_DAYS: Final = np.array([27720 // (1 + days) for days in range(REACH_DAYS + 1)])  # the nearer days count more
_QUARTER_NS: Final = 900_000_000_000
_DAY_NS: Final = 86_400_000_000_000
# Differences between zones in use: whole hours, half hours and a few quarters. [quarters of an hour]
SHIFTS: Final = tuple(
    sign * quarters for quarters in (*range(4, 57, 4), 14, 18, 22, 26, 38, 42, 23, 35, 51) for sign in (1, -1)
)
_GAP_S: Final = 0.02
_NEAR_S: Final = 3.0  # by which the clock may be off besides
_LEAST_SITES: Final = 3
_LEVELS: Final = (_LEAST_SITES, 12, 50)  # moments of many sites are not hidden by those of few around them
_ALIKE_S: Final = 0.025  # lengths
_FULL: Final = 20  # what a vote counts for, in whole numbers so that sums do not depend on their order
_LEAST_VOTES: Final = 28  # with a length, one and one without
_LENGTHLESS: Final = 8  # where no length is known
_NOTHING: Final = 3  # what a sighting counts for against a shift that fits nowhere, shifted or not


def zones(sightings: Sightings) -> IntArray:
    """By how many nanoseconds each sighting's recorder was ahead for its zone; 0 where nothing says that it was.

    Parameters
    ----------
    sightings : of all sites.

    Each sighting votes for the shift that takes it to the moment with the most sites at which something of its length
    began, or for none; a recorder's votes within `REACH_DAYS` of a day decide that day.
    """
    vote, worth = _votes(sightings)
    day = sightings.start_ns // _DAY_NS
    found = np.zeros(sightings.n, dtype=np.int64)
    voted = np.bincount(sightings.site, vote != 0, len(sightings.sites))
    order = np.lexsort((sightings.start_ns, sightings.site))
    begins = np.searchsorted(sightings.site[order], np.arange(len(sightings.sites) + 1))
    for site in np.flatnonzero(voted >= 2):
        rows = order[begins[site] : begins[site + 1]]
        found[rows] = _of_days(day[rows], vote[rows], worth[rows]) * _QUARTER_NS
    return found


def _votes(sightings: Sightings) -> tuple[IntArray, IntArray]:
    """The shift that each sighting votes for, 0 for none, and what that is worth. [quarters of an hour]"""
    order, chain = chained(sightings.start_ns, _GAP_S)
    group = np.empty(sightings.n, dtype=np.int64)
    group[order] = chain
    u_s = np.full(sightings.n, _GAP_S)
    cores, own = cores_of(sightings.start_ns, u_s, sightings.site, sightings.duration_s, sightings.label, group)
    levels = [np.flatnonzero(cores.n_sites >= least) for least in _LEVELS]
    time_ns, length = cores.time_ns, cores.duration_s
    most = np.maximum(_largest(time_ns, length, cores, levels), cores.n_sites)  # as it is, unless another fits better
    best = np.zeros(cores.n, dtype=np.int64)
    for shift in SHIFTS:
        reached = _largest(time_ns - shift * _QUARTER_NS, length, cores, levels)
        better = reached > 1.5 * most
        best = np.where(better, shift, best)
        most = np.where(better, reached, most)
    worth = np.where(most >= _LEAST_SITES, np.where(np.isfinite(length), _FULL, _LENGTHLESS), _NOTHING)
    return best[own], worth[own]


def _largest(time_ns: IntArray, length: FloatArray, cores: Cores, levels: Sequence[IntArray]) -> IntArray:
    """Of the moments around each time, by how many sites the largest one was seen that has its length; 0 of none."""
    found = np.zeros(len(time_ns), dtype=np.int64)
    for some in levels:
        if not len(some):
            continue
        after = np.searchsorted(cores.time_ns[some], time_ns)
        for step in (-2, -1, 0, 1):
            index = some[np.clip(after + step, 0, len(some) - 1)]
            fits = np.abs(cores.time_ns[index] - time_ns) <= _NEAR_S * 1e9
            fits &= ~(np.abs(cores.duration_s[index] - length) > _ALIKE_S)  # where both are known
            found = np.maximum(found, np.where(fits, cores.n_sites[index], 0))
    return found


def _of_days(day: IntArray, vote: IntArray, worth: IntArray) -> IntArray:
    """The shift of each sighting of one recorder: the most frequent vote of the days around, where it is clear."""
    days, at = np.unique(day, return_inverse=True)
    shifts, which = np.unique(vote, return_inverse=True)
    cast = np.zeros((len(days), len(shifts)), dtype=np.int64)
    np.add.at(cast, (at, which), worth)
    votes, count = np.zeros_like(cast), np.zeros_like(cast)
    for apart in range(-REACH_DAYS, REACH_DAYS + 1):
        place = np.minimum(np.searchsorted(days, days + apart), len(days) - 1)
        there = np.where((days[place] == days + apart)[:, None], cast[place], 0)
        count += there
        votes += there * _BY_DAYS[abs(apart)]
    whole = votes.sum(axis=1)
    votes[:, shifts == 0] = -1  # what speaks for no shift counts against the others in the whole
    best = votes.argmax(axis=1)
    rows = np.arange(len(days))
    clear = (count[rows, best] >= _LEAST_VOTES) & (2 * votes[rows, best] > whole)
    return np.asarray(np.where(clear, shifts[best], 0)[at], dtype=np.int64)
