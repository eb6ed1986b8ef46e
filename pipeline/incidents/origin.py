"""Where an incident began: sites by how deep they fell and which side their currents name, with probabilities."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.incidents.sightings import FloatArray, IntArray, Sightings

MOST: Final = 5  # sites that are ranked
SPREAD_PU: Final = 0.004  # of voltages of sites that are equally near: their noise and what hangs behind them
_WORTH_A_WORD: Final = float(np.log(0.5))
_VOTE: Final = 1.0  # of what the confidence of a vote promises
LEAST_PU: Final = 0.001  # of a site that is not dead
ELSEWHERE: Final = 0.05  # that a site without a recording was nearer (common practice, no source)


@dataclass(frozen=True, slots=True)
class SiteShares:
    """What each site of an incident shows: one entry an incident and site, in that order. Shape (n,) each.

    Attributes
    ----------
    incident, site : numbers.
    low_pu : lowest voltage that is not that of a dead site; of a dead site 0, and of no other; NaN where none is known.
    votes : log-odds that the cause lies downstream of it.
    learned : log-odds of what the fleet's past says of it (`neighbourhood`); 0 where that says nothing.
    """

    incident: IntArray
    site: IntArray
    low_pu: FloatArray
    votes: FloatArray
    learned: FloatArray


@dataclass(frozen=True, slots=True)
class Origins:
    """Ranked sites of each incident, shape (n_incidents, MOST).

    Attributes
    ----------
    site : number of the site; -1: no further one.
    probability : that it is the nearest to the cause of all sites, those that recorded nothing included.
    low_pu, votes, learned : as in `SiteShares`.
    group, group_probability : the likeliest group of a topology, "" without one; shape (n_incidents,).
    """

    site: IntArray
    probability: FloatArray
    low_pu: FloatArray
    votes: FloatArray
    learned: FloatArray
    group: npt.NDArray[np.object_]
    group_probability: FloatArray


def site_shares(sightings: Sightings, incident: IntArray) -> SiteShares:
    """What each site of each incident shows. incident: of each sighting, shape (n,)."""
    width = max(len(sightings.sites), 1)
    cell, of = np.unique(incident * width + sightings.site, return_inverse=True)
    n = len(cell)
    low = np.full(n, np.inf)
    told = np.isfinite(sightings.low_pu) & ~sightings.dead
    measured = np.where(told, np.maximum(sightings.low_pu, LEAST_PU), np.inf)
    np.minimum.at(low, of, measured)
    dead = np.zeros(n, dtype=bool)
    np.logical_or.at(dead, of, sightings.dead)
    low = np.where(np.isfinite(low), low, np.where(dead, 0.0, np.nan))
    sure = np.clip(sightings.side_confidence, 0.5, 0.99)
    odds = sightings.side * np.log(sure / (1 - sure))
    count = np.bincount(of, sightings.side != 0, n)
    votes = np.bincount(of, odds, n) / np.maximum(count, 1)  # shots of one cause are no independent votes
    return SiteShares(cell // width, cell % width, low, votes, np.zeros(n))


def origins(shares: SiteShares, n_incidents: int) -> Origins:
    """The sites of each incident by how likely they are the nearest to its cause.

    Parameters
    ----------
    shares : in order of incident.
    n_incidents : how many there are.

    Source: derived. A voltage above the lowest one counts exponentially against a site, on the scale on which equally
    near sites differ; a vote counts as its odds, `unknown` not at all, and so does what the past says.
    """
    lowest = np.full(n_incidents, np.inf)
    np.fmin.at(lowest, shares.incident, shares.low_pu)
    above = np.where(np.isfinite(shares.low_pu), shares.low_pu - lowest[shares.incident], 1.0)
    score = -np.where(np.isfinite(above), above, 1.0) / SPREAD_PU + _VOTE * shares.votes + shares.learned
    best = np.full(n_incidents, -np.inf)
    np.maximum.at(best, shares.incident, score)
    weight = np.exp(score - best[shares.incident])
    total = np.bincount(shares.incident, weight, n_incidents)
    probability = (1 - ELSEWHERE) * weight / total[shares.incident]
    return ranked(shares, probability, n_incidents)


def ranked(shares: SiteShares, probability: FloatArray, n_incidents: int) -> Origins:
    """The likeliest sites of each incident in order. probability: of each share, shape (n,)."""
    order = np.lexsort((shares.site, -probability, shares.incident))
    incident = shares.incident[order]
    place = np.arange(len(order)) - np.searchsorted(incident, incident)
    held = place < MOST
    rows, columns, source = incident[held], place[held], order[held]
    site = np.full((n_incidents, MOST), -1)
    chance, low, votes, learned = (np.full((n_incidents, MOST), np.nan) for _ in range(4))
    site[rows, columns] = shares.site[source]
    chance[rows, columns] = probability[source]
    low[rows, columns] = shares.low_pu[source]
    votes[rows, columns] = shares.votes[source]
    learned[rows, columns] = shares.learned[source]
    none = np.full(n_incidents, "", dtype=object), np.full(n_incidents, np.nan)
    return Origins(site, chance, low, votes, learned, *none)


def reason(found: Origins, i: int, names: tuple[str, ...]) -> str:
    """Why the first site of an incident comes first, and what speaks for its rival."""
    site, rival = found.site[i, 0], found.site[i, 1]
    if site < 0:
        return ""
    said = [f"{names[site]}: {_evidence(found, i, 0)}"]
    if rival >= 0:
        said.append(f"{names[rival]}: {_evidence(found, i, 1)}")
    return "; ".join(said)


def _evidence(found: Origins, i: int, k: int) -> str:
    low_pu, votes, learned = float(found.low_pu[i, k]), float(found.votes[i, k]), float(found.learned[i, k])
    if not np.isfinite(low_pu):
        words = "no sag"
    elif low_pu <= 0:
        words = "switched off"
    else:
        words = f"down to {low_pu:.3f} pu"
    if votes:
        sure = 1 / (1 + np.exp(-abs(votes)))
        words += f", its currents indicate {'downstream' if votes > 0 else 'upstream'} ({100 * sure:.0f} %)"
    if learned < _WORTH_A_WORD:
        words += ", in the past it had the deeper sags when faults were near it"
    return words
