"""The waveforms of an incident's sites, recalled and laid over one another: evidence for or against its joins."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from halfcycle.pipeline.errors import HalfcycleError
from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.incidents.fleet import FleetIncidents
from halfcycle.pipeline.incidents.waveforms import SagVoltages, WaveformEvidence, matched
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.report.slice import nominal_hz

if TYPE_CHECKING:
    import pyarrow as pa

_MOST_SITES: Final = 12


def waveform_evidence(
    table: pa.Table, found: FleetIncidents, incident_ids: Sequence[str], archive: WaveformPlaces
) -> list[WaveformEvidence]:
    """Compare the waveforms of some incidents: the first shot that most sites saw, each site with the deepest one.

    Parameters
    ----------
    table : the catalogue that the incidents are of.
    found : the incidents.
    incident_ids : which of them.
    archive : where the waveforms lie.

    Returns
    -------
    A row a site but the deepest whose waveform is there, up to a dozen sites an incident.
    """
    number = {incident: k for k, incident in enumerate(found.ids.tolist())}
    return [
        row for incident in incident_ids if incident in number
        for row in _of_incident(table, found, incident, number[incident], archive)
    ]  # fmt: skip


def _of_incident(
    table: pa.Table, found: FleetIncidents, incident_id: str, number: int, archive: WaveformPlaces
) -> list[WaveformEvidence]:
    mine = np.flatnonzero(found.incident == number)
    shots, count = np.unique(found.joined.shot[mine], return_counts=True)
    mine = mine[found.joined.shot[mine] == shots[count.argmax()]]
    low = np.nan_to_num(found.sightings.low_pu[mine], nan=9.0)
    mine = mine[np.lexsort((found.sightings.site[mine], low))][:_MOST_SITES]
    events = [events_of(table.take([int(found.sightings.row[i])]))[0] for i in mine]
    reference: tuple[str, SagVoltages] | None = None
    rows: list[WaveformEvidence] = []
    for i, event in zip(mine.tolist(), events, strict=True):
        try:
            stretch = _stretch(event, found, i, archive)
            if reference is None:
                matched(stretch, stretch)  # refuses what cannot be compared with anything
                reference = (event.site, stretch)
                continue
            rows.append(WaveformEvidence(incident_id, reference[0], event.site, matched(reference[1], stretch)))
        except HalfcycleError as error:
            at = "" if reference is None else reference[0]
            rows.append(WaveformEvidence(incident_id, at, event.site, None, str(error)))
    return rows


def _stretch(event: Event, found: FleetIncidents, sighting: int, archive: WaveformPlaces) -> SagVoltages:
    """The voltages around an event, by the clocks that agree and from the shot's time on."""
    held = archive.slice_of(event)
    ahead_s = found.joined.lag_s[sighting] if np.isfinite(found.joined.lag_s[sighting]) else 0.0
    ahead_s = float(ahead_s) + float(found.zone_ns[sighting]) * 1e-9
    event_s = (event.start - int(found.joined.time_ns[sighting])) * 1e-9 - ahead_s
    volts = np.stack([held.physical(i) for i in held.voltages]) if held.voltages else np.zeros((0, held.n))
    start_s = event_s + held.start / held.rate_hz
    return SagVoltages(volts, held.rate_hz, start_s, event_s, event.observed_s, nominal_hz(event, held))
