"""Daily catalogues: each a pure function of its captures, its settings and the code's version, kept in its metadata.

A day's captures include those of the day before and the days after that its records lead in from and run on into;
and where an incident is open at midnight the day after continues it, so it depends on that incident, too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from pipeline.catalogue.judge import Terms
from pipeline.config import Fleet, Site
from pipeline.detectors.registry import choose
from pipeline.errors import PlaceError
from pipeline.events import catalogue_schema, catalogue_table, events_of
from pipeline.indices.coverage import CoverageSpan
from pipeline.nightly.catalogue_file import catalogue_metadata, read_events_table
from pipeline.nightly.logs import log_paths, named
from pipeline.resources import code_version
from pipeline.store.partitions import DAY_NS, Store, day_start_ns

if TYPE_CHECKING:
    import pyarrow as pa

FLEET_HOOKUP: Final = "four-wire"
"""Of a site of a fleet that declares none."""
_ONE_DAY: Final = timedelta(days=1)
State = Literal["fresh", "stale", "other version", "damaged"]


@dataclass(frozen=True, slots=True)
class Day:
    """One site's day."""

    site: str
    day: date


@dataclass(frozen=True, slots=True)
class DaysFound:
    """The days of a fleet.

    Attributes
    ----------
    states : in order of site and day. ``stale``: no catalogue yet, or other captures (of the day or its neighbours),
        settings or incident under way at its start. ``damaged``: a catalogue that cannot be read. ``other version``:
        made by another version of the code from what is there now.
    unreadable : in words, what of the store cannot be read; the sites that it concerns are not among the days.
    """

    states: tuple[tuple[Day, State], ...]
    unreadable: tuple[str, ...] = ()


def days_of(fleet: Fleet) -> list[tuple[Day, State]]:
    """All days that have captures, logs of RMS or a catalogue, and whether each catalogue matches its inputs.

    Raises
    ------
    PlaceError : some of the store cannot be read.
    """
    found = look_at_days(fleet)
    if found.unreadable:
        raise PlaceError(found.unreadable[0])
    return list(found.states)


def look_at_days(fleet: Fleet) -> DaysFound:
    """As `days_of`, with what cannot be read beside it.

    Parameters
    ----------
    fleet : the configuration; sites of the store that it does not name are left out.
    """
    check_settings(fleet)
    found: list[tuple[Day, State]] = []
    unreadable: list[str] = []
    for site in fleet.sites:
        try:
            found += _days_of_site(site, fleet)
        except PlaceError as error:
            unreadable.append(str(error))
    return DaysFound(tuple(found), tuple(unreadable))


def _days_of_site(site: Site, fleet: Fleet) -> list[tuple[Day, State]]:
    store = Store(fleet.store)
    known: dict[date, dict[str, Any]] = {}
    damaged: set[date] = set()
    for day in store.catalogue_days(site.name):
        try:
            known[day] = catalogue_metadata(store.catalogue_path(site.name, day)) or {}
        except PlaceError:
            damaged.add(day)
    held = {day: store.held(site.name, day) for day in store.days(site.name)}
    logs = {day: named(log_paths(store, site.name, day)) for day in store.recorded_days(site.name)}
    names = {day: [*(path.stem for path in held.get(day, ((), ()))[0]), *logs.get(day, ())] for day in {*held, *logs}}
    runs_on = {day + _ONE_DAY for day, document in known.items() if document.get("runs_into_next_day")}
    settings = fleet.site_digest(site)
    found: list[tuple[Day, State]] = []
    for day in sorted({day for day in names if names[day] or any(held.get(day, ()))} | set(known) | damaged | runs_on):
        state: State = "damaged" if day in damaged else "stale"
        document = known.get(day, {})
        inputs_now = {
            "names": names_digest(names, day, document.get("days_after", 1)),
            "settings": settings,
            "incident_before": known.get(day - _ONE_DAY, {}).get("incident_after"),
        }
        if document and all(document.get(key) == value for key, value in inputs_now.items()):
            state = "fresh" if document.get("version") == code_version() else "other version"
        found.append((Day(site.name, day), state))
    return found


def read_days(fleet: Fleet, days: Sequence[Day]) -> tuple[pa.Table, list[Day]]:
    """The catalogues of some days as one table, in catalogue order, and those days whose catalogue is damaged."""
    import pyarrow as pa

    tables = [catalogue_schema().empty_table()]
    damaged = []
    for day in days:
        path = path_of(day, fleet)
        try:
            if path.exists():
                tables.append(read_events_table(path))
        except PlaceError:
            damaged.append(day)
    return catalogue_table(events_of(pa.concat_tables(tables))), damaged


def read_catalogue(fleet: Fleet, days: Sequence[Day]) -> pa.Table:
    """The catalogues of some days as one table, in catalogue order; columns that an older one lacks are null there.

    Raises
    ------
    PlaceError : a catalogue is damaged.
    """
    table, damaged = read_days(fleet, days)
    for day in damaged:
        read_events_table(path_of(day, fleet))
    return table


def coverage_of(fleet: Fleet, days: Iterable[Day]) -> list[CoverageSpan]:
    """What the catalogues of some days say was judged of each of them, and what was not and why.

    Of a catalogue that is damaged, nothing is known to have been judged.
    """
    spans = []
    for day in days:
        first = day_start_ns(day.day)
        try:
            document = catalogue_metadata(path_of(day, fleet)) or {}
        except PlaceError as error:
            spans.append(CoverageSpan(day.site, None, first, first + DAY_NS, 0.0, 0.0, str(error)))
            continue
        spans += [
            CoverageSpan(day.site, point, first, first + DAY_NS, judged_s, not_judged_s, reason)
            for point, judged_s, not_judged_s, reason in _summed(
                [*document.get("coverage", ()), *document.get("set_aside", ())]
            )
        ]
    return spans


def _summed(rows: Iterable[Sequence[Any]]) -> list[tuple[str | None, float, float, str]]:
    """A day's coverage by point: its records together."""
    points: dict[str | None, tuple[float, float, dict[str, None]]] = {}
    for point, judged_s, not_judged_s, reason in rows:
        judged, not_judged, reasons = points.get(point, (0.0, 0.0, {}))
        if reason:
            reasons[reason] = None
        points[point] = (judged + judged_s, not_judged + not_judged_s, reasons)
    return [(point, *values[:2], "; ".join(values[2])) for point, values in points.items()]


def check_settings(fleet: Fleet) -> None:
    """Check what the configuration says of detectors and limits.

    Raises
    ------
    ConfigError : an unknown detector or variable, or a setting out of range.
    """
    for site in fleet.sites:
        terms_of(site, fleet)


def terms_of(site: Site, fleet: Fleet) -> Terms:
    """What a site's records are judged by."""
    wanted: dict[str, Any] = dict(fleet.detectors)
    if fleet.limits:
        wanted["limit"] = {"rules": list(fleet.limits)}
    return Terms(
        fleet.thresholds[site.thresholds],
        site.nominal_voltage_v,
        None if site.nominal_frequency_hz is None else float(site.nominal_frequency_hz),
        site.hookup or FLEET_HOOKUP,
        choose(wanted),
        fleet.explain,
        str(fleet.learned.model) if fleet.learned.enabled else None,
        site.clamps_checked,
    )


def path_of(day: Day, fleet: Fleet) -> Path:
    """Where a day's catalogue lies."""
    return Store(fleet.store).catalogue_path(day.site, day.day)


def held_names(store: Store, site: str, day: date) -> list[str]:
    """Names of all that a day's catalogue can be made of: captures, and logs of RMS by their content."""
    return [*(path.stem for path in store.captures(site, day)), *named(log_paths(store, site, day))]


def names_digest(names: dict[date, list[str]], day: date, days_after: int) -> str:
    """Digest of the names of captures from the day before a day to some days after it."""
    around = [names.get(day + _ONE_DAY * n, []) for n in range(-1, days_after + 1)]
    return hashlib.sha256(json.dumps(around).encode()).hexdigest()[:32]
