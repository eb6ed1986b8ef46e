"""What a command shows: the events of a catalogue file or of a fleet, and where their waveforms may lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.cli.options import fleet_to_read
from halfcycle.pipeline.errors import ConfigError

if TYPE_CHECKING:
    from halfcycle.pipeline.config import Fleet
    from halfcycle.pipeline.events import Event
    from halfcycle.pipeline.indices.coverage import CoverageSpan
    from halfcycle.pipeline.recall import WaveformPlaces


@dataclass(frozen=True, slots=True)
class CatalogueSource:
    """Events and their surroundings.

    Attributes
    ----------
    name : of the file, for people.
    events : in order.
    archive : where waveforms may lie.
    coverage : time judged; empty where it is not known.
    zones : time zone by site, where it is declared.
    expected : sites to be told of also where they have no event.
    fleet : its configuration, or None.
    is_file : the events are a file's, whatever the fleet's catalogues hold.
    """

    name: str
    events: list[Event]
    archive: WaveformPlaces
    coverage: list[CoverageSpan]
    zones: dict[str, str]
    expected: tuple[str, ...]
    fleet: Fleet | None = None
    is_file: bool = False


def source_of(
    catalogue: Path | None,
    config: Path | None,
    files: Sequence[Path],
    *,
    from_day: date | None = None,
    to_day: date | None = None,
    coverage: Path | None = None,
    sites: Path | None = None,
) -> CatalogueSource:
    """The events of a file, or of a fleet's catalogues.

    Parameters
    ----------
    catalogue, config : one of them; where both are given the events are the file's, and the fleet says where waveforms
        lie and how they are scaled.
    files : further folders of waveforms.
    from_day, to_day : first and last day (UTC) to take; None: all.
    coverage : a coverage table.
    sites : a table of sites; a fleet has its own.

    Raises
    ------
    ConfigError : neither is given, one of them is wrong, or a folder does not exist.
    """
    from halfcycle.pipeline.catalogue.reading import read_events
    from halfcycle.pipeline.indices.coverage import read_coverage
    from halfcycle.pipeline.publishing import fleet_events
    from halfcycle.pipeline.recall import WaveformPlaces
    from halfcycle.pipeline.sites.table import SiteTable

    if catalogue is None and config is None:
        raise ConfigError("name a catalogue, or a fleet with --config")
    for folder in files:
        if not folder.is_dir():
            raise ConfigError(f"--files {folder}: no such folder")
    fleet = None if config is None else fleet_to_read(config)
    spans = [] if coverage is None else read_coverage(coverage)
    folders = list(files)
    if catalogue is not None:
        events = read_events(catalogue)
        folders.append(catalogue.resolve().parent)
    else:
        events, of_fleet = ([], []) if fleet is None else fleet_events(fleet, first=from_day, last=to_day)
        spans = spans or of_fleet
    kept = [event for event in events if _within(event.start, from_day, to_day)]
    if sites is not None and fleet is not None:
        raise ConfigError("--sites and --config exclude each other: a fleet declares its sites in its settings")
    table = SiteTable.at(sites)
    archive = WaveformPlaces(tuple(dict.fromkeys(folders)), fleet, table)
    known = table.sites if fleet is None else fleet.sites
    return CatalogueSource(
        name=str(catalogue or config),
        events=kept,
        archive=archive,
        coverage=[span for span in spans if _touches(span, from_day, to_day)],
        zones={site.name: site.time_zone for site in known},
        expected=() if catalogue is not None or fleet is None else tuple(site.name for site in fleet.sites),
        fleet=fleet,
        is_file=catalogue is not None,
    )


def event_by_id(events: Sequence[Event], event_id: str, name: str) -> Event:
    """The event of an id, or of its first letters.

    Parameters
    ----------
    events : among which it is looked for.
    event_id : as somebody wrote it.
    name : of their catalogue, for messages.

    Raises
    ------
    ConfigError : none has it, or several begin with it.
    """
    found = [event for event in events if event.event_id.startswith(event_id)] if event_id else []
    exact = [event for event in found if event.event_id == event_id]
    if len(exact or found) == 1:
        return (exact or found)[0]
    if not found:
        some = ", ".join(event.event_id for event in events[:5]) or "none"
        raise ConfigError(f"{name}: no event {event_id!r} among its {len(events)}; the first are {some}")
    raise ConfigError(f"{name}: {event_id!r} begins the ids of {len(found)} events; give more characters")


def _touches(span: CoverageSpan, from_day: date | None, to_day: date | None) -> bool:
    return (to_day is None or _day(span.start) <= to_day) and (from_day is None or _day(span.end - 1) >= from_day)


def _day(ns: int) -> date:
    return date(1970, 1, 1) + timedelta(days=ns // 86_400_000_000_000)


def _within(start_ns: int, from_day: date | None, to_day: date | None) -> bool:
    day = _day(start_ns)
    return (from_day is None or day >= from_day) and (to_day is None or day <= to_day)
