"""Which site feeds which, where a person says so, and what that says of where an incident may have begun."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator

from halfcycle.pipeline.config import checked, read_toml
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.incidents.origin import ELSEWHERE, MOST, SPREAD_PU, Origins, SiteShares
from halfcycle.pipeline.incidents.sightings import BoolArray, FloatArray, IntArray
from halfcycle.pipeline.incidents.turns import STEPS, UNKNOWN, step_of

_AROUND_PU: Final = 0.1  # above the lowest voltage no site is asked


class FedSite(BaseModel):
    """One site of a topology: what feeds it, the group of sites behind one breaker or transformer that it belongs to,
    and the vector group of a transformer between it and what feeds it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    site: str = Field(min_length=1)
    fed_by: str | None = None
    group: str = ""
    vector_group: str | None = None

    @field_validator("vector_group")
    @classmethod
    def _is_one(cls, group: str | None) -> str | None:
        if group is not None and step_of(group) is None:
            raise ValueError(f"{group!r} is not a vector group; examples are Dyn11, Yd5 and YNyn0")
        return group


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    sites: tuple[FedSite, ...] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Topology:
    """A forest of sites.

    Attributes
    ----------
    names : of the sites.
    fed_by : index of the site that feeds each; -1: none that is known.
    group : of each, in words; "" for none.
    turn : steps that transformers turn its labels by, from the source on; None: no vector group is declared, so nothing
        is known of any.
    """

    names: tuple[str, ...]
    fed_by: IntArray
    group: tuple[str, ...]
    turn: IntArray | None = None

    def behind(self) -> BoolArray:
        """[i, k]: whether i is k or fed through it."""
        found = np.eye(len(self.names), dtype=bool)
        upper = self.fed_by.copy()
        while np.any(upper >= 0):
            there = np.flatnonzero(upper >= 0)
            found[there, upper[there]] = True
            upper[there] = self.fed_by[upper[there]]
        return found


def load_topology(path: Path) -> Topology:
    """A topology from a TOML file: a table ``[[sites]]`` a site with `site`, and where they apply `fed_by`, `group` and
    `vector_group`.

    Raises
    ------
    ConfigError : the file cannot be read, a key is wrong, a site is named twice or feeds itself by a loop.
    """
    return topology_of(checked(_Document, read_toml(path), path.name).sites, path.name)


def topology_of(sites: tuple[FedSite, ...], where: str) -> Topology:
    """A topology of some sites; sites that only feed others are sites, too.

    Raises
    ------
    ConfigError : a site is named twice, or feeds itself by a loop. where: named in the message.
    """
    names = [one.site for one in sites]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    if twice:
        raise ConfigError(f"{where}: {twice[0]!r} appears twice; each site has one table")
    names += sorted({one.fed_by for one in sites if one.fed_by} - set(names))
    place = {name: i for i, name in enumerate(names)}
    fed_by = np.array([place[one.fed_by] if one.fed_by else -1 for one in sites] + [-1] * (len(names) - len(sites)))
    upper = fed_by.copy()
    for _ in range(len(names)):
        upper = np.where(upper >= 0, fed_by[upper], -1)
        if not np.any(upper >= 0):
            break
    else:
        raise ConfigError(
            f"{where}: {names[int(np.flatnonzero(upper >= 0)[0])]!r} feeds itself; fed_by must not form a loop"
        )
    group = tuple(one.group for one in sites) + ("",) * (len(names) - len(sites))
    return Topology(tuple(names), fed_by, group, _turns(sites, fed_by))


def _turns(sites: tuple[FedSite, ...], fed_by: IntArray) -> IntArray | None:
    """Turns from the source on. Where a vector group is declared, what has none has no transformer before it."""
    if all(one.vector_group is None for one in sites):
        return None
    own = np.zeros(len(fed_by), dtype=np.int64)
    own[: len(sites)] = [step_of(one.vector_group or "") or 0 for one in sites]
    turn, upper = own.copy(), fed_by.copy()
    while np.any(upper >= 0):
        there = np.flatnonzero(upper >= 0)
        turn[there] += own[upper[there]]
        upper[there] = fed_by[upper[there]]
    return np.asarray(turn % STEPS)


def turn_of_sites(topology: Topology | None, sites: tuple[str, ...]) -> IntArray | None:
    """The turn of each of some sites, `UNKNOWN` of those that a topology does not name; None where it tells none."""
    if topology is None or topology.turn is None:
        return None
    of_name = dict(zip(topology.names, topology.turn.tolist(), strict=True))
    return np.array([of_name.get(name, UNKNOWN) for name in sites], dtype=np.int64)


def origins_by_topology(shares: SiteShares, n_incidents: int, sites: tuple[str, ...], topology: Topology) -> Origins:
    """Ranked sites of each incident, with what is known of the network, and the likeliest group of each.

    Parameters
    ----------
    shares : in order of incident.
    n_incidents : how many there are.
    sites : names that `shares.site` counts in.
    topology : sites that it does not name are ranked by what they show themselves.

    Source: derived. If the fault is at a site, all sites on the way to it say downstream and the others upstream, and
    no site fell deeper than it.
    """
    place = {name: i for i, name in enumerate(topology.names)}
    node = np.array([place.get(name, -1) for name in sites])
    behind = topology.behind()
    words = ["", *sorted({name for name in topology.group if name})]
    group = np.array([0, *(words.index(name) for name in topology.group)])[node + 1]  # of each site
    probability, low, votes, learned = (np.full((n_incidents, MOST), np.nan) for _ in range(4))
    out = Origins(
        np.full((n_incidents, MOST), -1), probability, low, votes, learned,
        np.full(n_incidents, "", dtype=object), np.full(n_incidents, np.nan),
    )  # fmt: skip
    begins = np.searchsorted(shares.incident, np.arange(n_incidents + 1))
    for i in range(n_incidents):
        part = slice(begins[i], begins[i + 1])
        chance = _of_one(shares.low_pu[part], shares.votes[part], shares.learned[part], node[shares.site[part]], behind)
        order = np.lexsort((shares.site[part], -chance))[:MOST]
        n = len(order)
        out.site[i, :n] = shares.site[part][order]
        out.probability[i, :n] = chance[order]
        out.low_pu[i, :n] = shares.low_pu[part][order]
        out.votes[i, :n] = shares.votes[part][order]
        out.learned[i, :n] = shares.learned[part][order]
        by_group = np.bincount(group[shares.site[part]], chance, len(words))
        best = int(by_group[1:].argmax()) + 1 if len(words) > 1 else 0
        if best and by_group[best] > 0:
            out.group[i], out.group_probability[i] = words[best], by_group[best]
    return out


def _of_one(
    low_pu: FloatArray, votes: FloatArray, learned: FloatArray, node: IntArray, behind: BoolArray
) -> FloatArray:
    """Probabilities of the sites of one incident. All shape (n,) but `behind`, which is of the whole topology."""
    low = np.where(np.isfinite(low_pu), low_pu, 1.0)
    alive = low > 0
    lowest = low[alive].min(initial=1.0)
    candidates = np.flatnonzero((low <= lowest + _AROUND_PU) | ~alive)
    known = node >= 0
    through = np.zeros((len(candidates), len(low)), dtype=bool)  # whether the way to the candidate leads through a site
    inside = known[candidates]
    through[np.ix_(inside, known)] = behind[np.ix_(node[candidates[inside]], node[known])]
    through[np.arange(len(candidates)), candidates] = True
    agree = np.where(through, votes[None, :], -votes[None, :])
    # log of the odds as log of the probability of what was said: ln p = -ln(1 + exp(-odds))
    score = -np.logaddexp(0, -agree).sum(axis=1)
    score -= np.where(alive[candidates], low[candidates] - lowest, 0.0) / SPREAD_PU
    score += learned[candidates]
    weight = np.exp(score - score.max())
    probability = np.zeros(len(low))
    probability[candidates] = (1 - ELSEWHERE) * weight / weight.sum()
    return probability
