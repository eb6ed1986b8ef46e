"""Incidents of one site over midnight: a day's events go on with the incident that the day before leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import Event, event_order, with_incidents
from halfcycle.pipeline.nightly.catalogue_file import metadata_if_whole
from halfcycle.pipeline.nightly.days import Day, path_of
from halfcycle.pipeline.store.partitions import day_start_ns
from halfcycle.pipeline.terms import STEADY_KINDS

_ONE_DAY: Final = timedelta(days=1)


def with_open_incident(
    events: Sequence[Event], day: Day, before: list[Any] | None, fleet: Fleet
) -> tuple[list[Event], list[Any] | None]:
    """A day's events with their incidents, and the incident that is open at its end.

    An open incident is its id and until when events belong to it [ns since 1970-01-01]; `before` is that of the day
    before, and None stands for none.
    """
    site = fleet.site(day.site)
    window_s = 0.0 if site is None else fleet.thresholds[site.on(day.day).thresholds].incident_window_s
    steady = [replace(event, incident_id=event.event_id) for event in events if event.kind in STEADY_KINDS]
    rest = sorted((event for event in events if event.kind not in STEADY_KINDS), key=event_order)
    incident, until = before or ("", 0)
    continued: list[Event] = []
    while rest and before and rest[0].start <= until:
        continued.append(replace(rest.pop(0), incident_id=incident))
        until = max(until, continued[-1].end)
    grouped = [*continued, *with_incidents(rest, window_s=window_s)]
    ordered = sorted([*steady, *grouped], key=event_order)
    if rest:
        incident = grouped[-1].incident_id
        members = [event for event in grouped if event.incident_id == incident]
        until = max(members[0].start + round(window_s * 1e9), *(event.end for event in members))
    return ordered, [incident, until] if incident and until >= day_start_ns(day.day + _ONE_DAY) else None


def open_incident(day: Day, fleet: Fleet) -> list[Any] | None:
    """The incident that is open at a day's end, as its catalogue says; see `with_open_incident`."""
    document = metadata_if_whole(path_of(day, fleet)) or {}
    incident: list[Any] | None = document.get("incident_after")
    return incident
