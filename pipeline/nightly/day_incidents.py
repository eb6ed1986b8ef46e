"""Incidents of one site over midnight: a day's events go on with the incident that the day before leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import Event, going_on_with_incidents
from halfcycle.pipeline.nightly.catalogue_file import metadata_if_whole
from halfcycle.pipeline.nightly.days import Day, path_of
from halfcycle.pipeline.store.partitions import day_start_ns

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
    open_before = {} if before is None else {day.site: (before[0], before[1])}
    grouped, last = going_on_with_incidents(events, window_s=window_s, before=open_before)
    incident, until = last.get(day.site, ("", 0))
    return grouped, [incident, until] if incident and until >= day_start_ns(day.day + _ONE_DAY) else None


def open_incident(day: Day, fleet: Fleet) -> list[Any] | None:
    """The incident that is open at a day's end, as its catalogue says; see `with_open_incident`."""
    document = metadata_if_whole(path_of(day, fleet)) or {}
    incident: list[Any] | None = document.get("incident_after")
    return incident
