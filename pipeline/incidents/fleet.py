"""All that a catalogue says of a fleet's incidents: the one call of this room."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.incidents.clock_days import ClockDays, clock_days
from halfcycle.pipeline.incidents.joining import REACH_S, Joined, joined
from halfcycle.pipeline.incidents.linking import linked
from halfcycle.pipeline.incidents.neighbourhood import learned_odds
from halfcycle.pipeline.incidents.origin import Origins, SiteShares, origins, site_shares
from halfcycle.pipeline.incidents.sightings import IntArray, Sightings, sightings_of
from halfcycle.pipeline.incidents.topology import Topology, origins_by_topology, turn_of_sites
from halfcycle.pipeline.incidents.zones import zones

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True, slots=True)
class FleetIncidents:
    """Incidents over the sites of a fleet.

    Attributes
    ----------
    sightings : what each site saw at a time; `sightings.row` are rows of the catalogue.
    zone_ns : whole hours that the recorder of each was ahead. [ns]
    joined : their shots.
    incident : of each sighting.
    of_row : for each row of the catalogue its sighting; -1: a steady state, which is an incident of its own.
    ids : of the incidents: the first of their event ids in alphabetical order, whatever order they came in.
    shot_ids : likewise of the shots.
    clocks : of each recorder and day.
    shares : what each site of each incident shows.
    origins : ranked sites of each incident.
    """

    sightings: Sightings
    zone_ns: IntArray
    joined: Joined
    incident: IntArray
    of_row: IntArray
    ids: npt.NDArray[np.object_]
    shot_ids: npt.NDArray[np.object_]
    clocks: ClockDays
    shares: SiteShares
    origins: Origins

    @property
    def n(self) -> int:
        """How many incidents there are, steady states left out."""
        return len(self.ids)


def fleet_incidents(table: pa.Table, *, topology: Topology | None = None, reach_s: float = REACH_S) -> FleetIncidents:
    """Join the events of all sites.

    Parameters
    ----------
    table : rows of a catalogue, in any order.
    topology : which site feeds which, where that is known.
    reach_s : how far a clock may be off of which nothing is known. [s]

    The result depends on the rows alone.
    """
    sightings, of_row = sightings_of(table)
    zone_ns = zones(sightings)
    turn = turn_of_sites(topology, sightings.sites)
    found = joined(
        sightings, zone_ns=zone_ns, reach_s=reach_s, turn=None if turn is None else turn[sightings.site]
    )  # fmt: skip
    incident = linked(sightings, found)[found.shot] if sightings.n else np.zeros(0, dtype=np.int64)
    n = int(incident.max(initial=-1)) + 1
    shares = site_shares(sightings, incident)
    shares = replace(shares, learned=learned_odds(sightings, incident, shares))
    ranked = origins(shares, n) if topology is None else origins_by_topology(shares, n, sightings.sites, topology)
    return FleetIncidents(
        sightings, zone_ns, found, incident, of_row, _ids(sightings, incident), _ids(sightings, found.shot),
        clock_days(sightings, found, zone_ns), shares, ranked,
    )  # fmt: skip


def _ids(sightings: Sightings, group: IntArray) -> npt.NDArray[np.object_]:
    least = np.full(int(group.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(least, group, sightings.key)
    return sightings.event_ids[least] if len(least) else np.zeros(0, dtype=object)
