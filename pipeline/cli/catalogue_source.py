"""What a command shows: the events of a catalogue file or of a fleet, and where their waveforms may lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import ConfigError

if TYPE_CHECKING:
    from pipeline.config import Fleet
    from pipeline.events import Event
    from pipeline.indices.coverage import CoverageSpan
    from pipeline.recall import Archive


@dataclass(frozen=True, slots=True)
class CatalogueSource:
    """Events and their surroundings.

    Attributes
    ----------
    name : of the file, for people.
    events : in order.
    archive : where waveforms may lie.
    coverage : time judged; empty where it is not known.
    fleet : its configuration, or None.
    """

    name: str
    events: list[Event]
    archive: Archive
    coverage: list[CoverageSpan]
    fleet: Fleet | None = None


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
    from pipeline.catalogue.reading import read_events
    from pipeline.config import load_fleet, load_sites
    from pipeline.indices.coverage import read_coverage
    from pipeline.recall import Archive
    from pipeline.sites.table import SiteTable

    if catalogue is None and config is None:
        raise ConfigError("name a catalogue, or a fleet with --config")
    for folder in files:
        if not folder.is_dir():
            raise ConfigError(f"--files {folder}: no such folder")
    fleet = None if config is None else load_fleet(config)
    spans = [] if coverage is None else read_coverage(coverage)
    folders = list(files)
    if catalogue is not None:
        events = read_events(catalogue)
        folders.append(catalogue.resolve().parent)
    else:
        events, of_fleet = _of_fleet(fleet, from_day, to_day)
        spans = spans or of_fleet
    kept = [event for event in events if _within(event.start, from_day, to_day)]
    if sites is not None and fleet is not None:
        raise ConfigError("--sites and --config: a fleet says itself what its sites are")
    table = SiteTable() if sites is None else SiteTable(load_sites(sites))
    archive = Archive(tuple(dict.fromkeys(folders)), fleet, table)
    return CatalogueSource(str(catalogue or config), kept, archive, spans, fleet)


def _of_fleet(
    fleet: Fleet | None, from_day: date | None, to_day: date | None
) -> tuple[list[Event], list[CoverageSpan]]:
    """A fleet's events, and the time that its catalogues say was judged."""
    from pipeline.events import events_of
    from pipeline.nightly.days import coverage_of, days_of, read_catalogue

    if fleet is None:
        return [], []
    days = [
        day
        for day, _ in days_of(fleet)
        if (from_day is None or day.day >= from_day) and (to_day is None or day.day <= to_day)
    ]
    return events_of(read_catalogue(fleet, days)), coverage_of(fleet, days)


def _within(start_ns: int, from_day: date | None, to_day: date | None) -> bool:
    day = date(1970, 1, 1) + timedelta(days=start_ns // 86_400_000_000_000)
    return (from_day is None or day >= from_day) and (to_day is None or day <= to_day)
