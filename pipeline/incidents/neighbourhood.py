"""What a fleet's own past says of where an incident began: depth ratios of two sites that repeat tell which of them is
behind the other, and which sites are electrically near."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.pipeline.incidents.cores import chained
from halfcycle.pipeline.incidents.origin import LEAST_PU, SiteShares
from halfcycle.pipeline.incidents.sightings import BoolArray, FloatArray, IntArray, Sightings

REACH_DAYS: Final = 30  # before and after an incident; its past is what is known by now, and late captures count too
_DAY_NS: Final = 86_400_000_000_000
_TOGETHER_S: Final = 0.02  # by the recorders' own clocks: only those that agree anyway tell how sites hang together
_CONTENDING_PU: Final = 0.03  # above the lowest voltage, from where on a site is no contender
_MOST: Final = 8  # contenders that are compared
_TIE_PU: Final = 0.012  # voltages of sites that are equally near hardly differ by more
_CLEAR_PU: Final = 2 * _TIE_PU
_BELIEF: Final = 1.0  # how many incidents it takes to halve the doubt whether the past says anything
_NANO: Final = 1_000_000_000
_FAR_S: Final = 1 << 33  # between the times of two sites in one order


@dataclass(frozen=True, slots=True)
class _Past:
    """What sites saw together by their own clocks, in order of moment and site. Shape (n,) each.

    Attributes
    ----------
    key : moment times number of sites, plus site.
    low_pu : lowest voltage.
    leads : whether no site of the moment fell much deeper: the fault was at it or behind it.
    time_s : of the sighting. [s since 1970-01-01]
    incident : of it.
    """

    key: IntArray
    low_pu: FloatArray
    leads: BoolArray
    time_s: IntArray
    incident: IntArray


def learned_odds(sightings: Sightings, incident: IntArray, shares: SiteShares) -> FloatArray:
    """What the past says of each site of each incident: logs of odds, 0 where it says nothing, never above.

    Parameters
    ----------
    sightings : of all sites.
    incident : of each sighting.
    shares : what each site of each incident shows.

    Returns
    -------
    Shape as `shares`.

    Source: derived. In a linear network V_k = 1 - Z_kf / (Z_ff + Z_fault), so the ratio of the depths of two sites
    depends on where the fault is and not on its impedance; while it is at a site or behind it, the site is deeper than
    one nearer to the source in a ratio that repeats. A contender that has been deeper than another contender before,
    and now is not in one of those ratios, is the less likely the more often it was: by (1 + matches) / (1 + times), of
    the one of the others that says most.
    """
    past = _past(sightings, incident)
    time_ns = np.full(int(incident.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(time_ns, incident, sightings.start_ns)
    odds = np.zeros(len(shares.site))
    which, rank, count = _contenders(shares)
    if not len(which) or not len(past.key):
        return odds
    row, member = _leading(past, shares, which, time_ns, len(sightings.sites))
    first = np.arange(len(which)) - rank  # place of the first contender of the same incident
    least = np.ones(len(which))
    for k in range(_MOST):
        other = first[row] + k
        held = np.flatnonzero((k < count[row]) & (other != row))
        least = np.minimum(least, _factor(past, shares, which, row[held], member[held], which[other[held]], sightings))
    odds[which] = np.log(least)
    return odds


def _past(sightings: Sightings, incident: IntArray) -> _Past:
    order, chain = chained(sightings.start_ns, _TOGETHER_S)
    alive = np.isfinite(sightings.low_pu[order]) & ~sightings.dead[order]
    order, chain = order[alive], chain[alive]
    key = chain * max(len(sightings.sites), 1) + sightings.site[order]
    first = np.unique(key, return_index=True)[1]  # in order of time and site: the first one of a site in a moment
    order, chain, key = order[first], chain[first], key[first]
    low = np.maximum(sightings.low_pu[order], LEAST_PU)
    n_moments = int(chain.max(initial=-1)) + 1
    lowest = np.full(n_moments, np.inf)
    np.minimum.at(lowest, chain, low)
    several = np.bincount(chain, minlength=n_moments) > 1
    leads = several[chain] & (low <= lowest[chain] + _TIE_PU)
    return _Past(key, low, leads, sightings.start_ns[order] // _NANO, incident[order])


def _contenders(shares: SiteShares) -> tuple[IntArray, IntArray, IntArray]:
    """Shares of incidents with several contenders, in order of incident and depth; rank there, how many there are."""
    low = np.where(np.isfinite(shares.low_pu) & (shares.low_pu > 0), shares.low_pu, np.inf)
    lowest = np.full(int(shares.incident.max(initial=-1)) + 1, np.inf)
    np.minimum.at(lowest, shares.incident, low)
    which = np.flatnonzero(np.isfinite(low) & (low <= lowest[shares.incident] + _CONTENDING_PU))
    which = which[np.lexsort((shares.site[which], low[which], shares.incident[which]))]
    incident = shares.incident[which]
    rank = np.arange(len(which)) - np.searchsorted(incident, incident)
    which = which[rank < _MOST]
    incident = shares.incident[which]
    count = np.bincount(incident, minlength=len(lowest))
    which = which[count[incident] > 1]
    incident = shares.incident[which]
    return which, np.arange(len(which)) - np.searchsorted(incident, incident), count[incident]


def _leading(
    past: _Past, shares: SiteShares, which: IntArray, time_ns: IntArray, n_sites: int
) -> tuple[IntArray, IntArray]:
    """For each contender the moments of its past at which it led: (place in `which`, place in the past)."""
    leads = np.flatnonzero(past.leads)
    site = past.key[leads] % n_sites
    leads = leads[np.lexsort((past.time_s[leads], site))]
    of = (past.key[leads] % n_sites) * _FAR_S + past.time_s[leads]
    at = shares.site[which] * _FAR_S + time_ns[shares.incident[which]] // _NANO
    reach = REACH_DAYS * _DAY_NS // _NANO
    begin, end = np.searchsorted(of, at - reach), np.searchsorted(of, at + reach, side="right")
    row = np.repeat(np.arange(len(which)), end - begin)
    member = leads[np.arange(len(row)) - np.repeat(np.cumsum(end - begin) - end, end - begin)]
    others = past.incident[member] != shares.incident[which[row]]
    return row[others], member[others]


def _factor(
    past: _Past, shares: SiteShares, which: IntArray, row: IntArray, member: IntArray, other: IntArray,
    sightings: Sightings,
) -> FloatArray:  # fmt: skip
    """By how much less likely each contender is for what it was beside one other. other: shares, one a row."""
    n_sites = len(sightings.sites)
    wanted = past.key[member] - past.key[member] % n_sites + shares.site[other]
    place = np.minimum(np.searchsorted(past.key, wanted), len(past.key) - 1)
    deeper = past.low_pu[place] - past.low_pu[member]
    clear = (past.key[place] == wanted) & (deeper > _CLEAR_PU)
    row, member, place, other = row[clear], member[clear], place[clear], other[clear]
    ratio = (1 - past.low_pu[member]) / np.maximum(1 - past.low_pu[place], _TIE_PU)
    now = shares.low_pu[other] - shares.low_pu[which[row]]
    expected = (1 - shares.low_pu[other]) * (ratio - 1)
    matches = np.exp(-0.5 * np.square((now - expected) / _TIE_PU))
    n = np.bincount(row, minlength=len(which))
    return np.asarray((_BELIEF + np.bincount(row, matches, len(which))) / (_BELIEF + n))
