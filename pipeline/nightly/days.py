"""Daily catalogues: each a pure function of its captures, its settings and the code's version, kept in its metadata.

A day's captures include those of the day before and the days after that its records lead in from and run on into;
and where an incident is open at midnight the day after continues it, so it depends on that incident, too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from pipeline.catalogue.judge import Coverage, Terms
from pipeline.catalogue.reading import aligned
from pipeline.catalogue.span import judge_span
from pipeline.config import Fleet, Site
from pipeline.detectors.registry import choose
from pipeline.errors import StoreError
from pipeline.events import Event, catalogue_schema, catalogue_table, event_order, events_of, with_incidents
from pipeline.indices.coverage import CoverageSpan
from pipeline.nightly.stored import stored_piece
from pipeline.records.record import Record, records_of
from pipeline.resources import code_version
from pipeline.sites.recorders import Seen, accounts_of
from pipeline.store.atomic import write_atomically
from pipeline.store.partitions import DAY_NS, Store, day_of, day_start_ns
from pipeline.terms import STEADY_KINDS

if TYPE_CHECKING:
    import pyarrow as pa

CATALOGUE_KEY: Final = b"halfcycle.catalogue"
FLEET_HOOKUP: Final = "four-wire"
"""Of a site of a fleet that declares none."""
_ONE_DAY: Final = timedelta(days=1)
_EDGE_NS: Final = 100_000_000  # an event that is under way so close to the end of what was read may go on after it
State = Literal["fresh", "stale", "other version"]


@dataclass(frozen=True, slots=True)
class Day:
    """One site's day."""

    site: str
    day: date


@dataclass(frozen=True, slots=True)
class DayOutcome:
    """What a rebuilt day holds: events, and time judged and not. [s]"""

    day: Day
    n_events: int
    judged_s: float
    not_judged_s: float
    reasons: tuple[str, ...]


def days_of(fleet: Fleet) -> list[tuple[Day, State]]:
    """All days that have captures or a catalogue, and whether each catalogue matches its inputs.

    Parameters
    ----------
    fleet : the configuration; sites of the store that it does not name are left out.

    Returns
    -------
    In order of site and day. ``stale``: none yet, or other captures (of the day or its neighbours), settings or
    incident under way at its start. ``other version``: made by another version of the code from what is there now.
    """
    check_settings(fleet)
    store = Store(fleet.store)
    found: list[tuple[Day, State]] = []
    for site in fleet.sites:
        known = {day: _metadata(store.catalogue_path(site.name, day)) for day in store.catalogue_days(site.name)}
        names = {day: [path.stem for path in store.captures(site.name, day)] for day in store.days(site.name)}
        runs_on = {day + _ONE_DAY for day, document in known.items() if document.get("runs_into_next_day")}
        settings = fleet.site_digest(site)
        for day in sorted({day for day, held in names.items() if held} | set(known) | runs_on):
            state: State = "stale"
            document = known.get(day, {})
            inputs_now = {
                "names": _names_digest(names, day, document.get("days_after", 1)),
                "settings": settings,
                "incident_before": known.get(day - _ONE_DAY, {}).get("incident_after"),
            }
            if document and all(document.get(key) == value for key, value in inputs_now.items()):
                state = "fresh" if document.get("version") == code_version() else "other version"
            found.append((Day(site.name, day), state))
    return found


def build_days(days: Iterable[Day], fleet: Fleet) -> list[DayOutcome]:
    """Bring the catalogues of some days up to date; events whose captures are as they were are not looked for again.

    Raises
    ------
    StoreError : a stored capture is damaged, or a catalogue cannot be written; catalogues written before stay.
    """
    return [_build(day, fleet, _metadata_if_any(_path_of(day, fleet))) for day in days]


def rebuild_days(days: Iterable[Day], fleet: Fleet) -> list[DayOutcome]:
    """Make the catalogues of some days anew, whatever is there.

    Raises
    ------
    StoreError : as for `build_days`.
    """
    return [_build(day, fleet, None) for day in days]


def read_catalogue(fleet: Fleet, days: Sequence[Day]) -> pa.Table:
    """The catalogues of some days as one table, in catalogue order; columns that an older one lacks are null there.

    Raises
    ------
    StoreError : a catalogue is damaged.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    store = Store(fleet.store)
    tables = [catalogue_schema().empty_table()]
    for day in days:
        path = store.catalogue_path(day.site, day.day)
        if path.exists():
            try:
                tables.append(aligned(pq.read_table(path, partitioning=None)))
            except (OSError, pa.ArrowException, ValueError) as error:
                raise StoreError(f"{path}: is no catalogue ({error})") from error
    return catalogue_table(events_of(pa.concat_tables(tables)))


def coverage_of(fleet: Fleet, days: Iterable[Day]) -> list[CoverageSpan]:
    """What the catalogues of some days say was judged of each of them, and what was not and why.

    Raises
    ------
    StoreError : a catalogue is damaged.
    """
    spans = []
    for day in days:
        document = _metadata_if_any(_path_of(day, fleet)) or {}
        first = day_start_ns(day.day)
        spans += [
            CoverageSpan(day.site, point, first, first + DAY_NS, judged_s, not_judged_s, reason)
            for point, judged_s, not_judged_s, reason in _summed(document.get("coverage", ()))
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


def _build(day: Day, fleet: Fleet, former: dict[str, Any] | None) -> DayOutcome:
    """Write a day's catalogue. former: metadata of the one that is there, if its events may be kept."""
    site = fleet.site(day.site)
    if site is None:
        raise StoreError(f"site {day.site!r} is not configured")
    store = Store(fleet.store)
    document: dict[str, Any] = {
        "site": site.name,
        "date": day.day.isoformat(),
        "settings": fleet.site_digest(site),
        "version": code_version(),
        "incident_before": _open_incident(Day(site.name, day.day - _ONE_DAY), fleet),
    }
    terms = terms_of(site, fleet)
    days_after = 1
    while True:
        around = [day.day + _ONE_DAY * n for n in range(-1, days_after + 1)]
        paths = {d: store.captures(site.name, d) for d in around}
        names = {d: [path.stem for path in held] for d, held in paths.items()}
        pieces = (
            stored_piece(path, store=store, site=site, quantities=terms.quantities)
            for held in paths.values()
            for path in held
        )
        records = [
            record
            for record in records_of(pieces)
            if _touches(record, day_start_ns(day.day), day_start_ns(day.day + _ONE_DAY))
        ]
        document["inputs"] = _inputs_digest(records)
        if former and all(former.get(key) == document[key] for key in ("inputs", "settings", "version")):
            events = events_of(read_catalogue(fleet, [day]))  # only unrelated captures came or went: they stand
            rows = former["coverage"]
        else:
            events, coverage = _judged(records, day, terms)
            rows = [[c.point, c.judged_s, c.not_judged_s, c.reason] for c in coverage]
        read_to_ns = day_start_ns(around[-1] + _ONE_DAY)
        runs_on = any(event.open_end and event.end > read_to_ns - _EDGE_NS for event in events)
        if not (runs_on and store.captures(site.name, around[-1] + _ONE_DAY)):
            break
        days_after *= 2
    events, open_after = _with_incidents(events, day, document["incident_before"], fleet)
    watched = days_after + runs_on  # captures that come for the day after would go on with its event
    document |= {
        "days_after": watched,
        "names": _names_digest(names, day.day, watched),
        "coverage": rows,
        "incident_after": open_after,
        "runs_into_next_day": any(
            day_of(piece.given.header.end_ns - 1) > day.day for record in records for piece in record.pieces
            if day_of(piece.given.header.start_ns) == day.day
        ),
    }  # fmt: skip
    _write(catalogue_table(events), document, _path_of(day, fleet), store.staging)
    return DayOutcome(
        day, len(events), sum(r[1] for r in rows), sum(r[2] for r in rows),
        tuple(dict.fromkeys(r[3] for r in rows if r[3])),
    )  # fmt: skip


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


def _judged(records: Sequence[Record], day: Day, terms: Terms) -> tuple[list[Event], list[Coverage]]:
    """The events that start in a day, and the day's coverage."""
    events: list[Event] = []
    coverage: list[Coverage] = []
    if not records:
        return events, coverage
    from_ns = day_start_ns(day.day)
    # What is told about the site is told once for the day: its wiring by all records that lead into it or lie in it.
    accounts = accounts_of(
        [Seen(day.site, Path(day.site), terms.evidence_of(record)) for record in records], lambda site: terms.declared
    )
    for record, account in zip(records, accounts, strict=True):
        span = judge_span(
            record, from_ns=from_ns, to_ns=from_ns + DAY_NS, site=day.site, terms=terms,
            account=account.named(day.site),
        )  # fmt: skip
        events += span.findings.events
        coverage += span.findings.coverage
    return events, coverage


def _with_incidents(
    events: Sequence[Event], day: Day, before: list[Any] | None, fleet: Fleet
) -> tuple[list[Event], list[Any] | None]:
    """A day's events with their incidents, and the incident that is open at its end.

    An open incident is its id and until when events belong to it [ns since 1970-01-01]; `before` is that of the day
    before, and None stands for none.
    """
    site = fleet.site(day.site)
    window_s = 0.0 if site is None else fleet.thresholds[site.thresholds].incident_window_s
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


def _open_incident(day: Day, fleet: Fleet) -> list[Any] | None:
    document = _metadata_if_any(_path_of(day, fleet)) or {}
    incident: list[Any] | None = document.get("incident_after")
    return incident


def _path_of(day: Day, fleet: Fleet) -> Path:
    return Store(fleet.store).catalogue_path(day.site, day.day)


def _touches(record: Record, from_ns: int, to_ns: int) -> bool:
    return record.header.start_ns < to_ns and record.time_ns(record.n_samples) > from_ns


def _names_digest(names: dict[date, list[str]], day: date, days_after: int) -> str:
    around = [names.get(day + _ONE_DAY * n, []) for n in range(-1, days_after + 1)]
    return hashlib.sha256(json.dumps(around).encode()).hexdigest()[:32]


def _inputs_digest(records: Sequence[Record]) -> str:
    content = [list(dict.fromkeys(piece.digest() for piece in record.pieces)) for record in records]
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:32]


def _metadata(path: Path) -> dict[str, Any]:
    """What a catalogue says of its inputs.

    Raises
    ------
    StoreError : the file is damaged or no catalogue of ours.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        document: dict[str, Any] = json.loads(pq.read_schema(path).metadata[CATALOGUE_KEY])
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"{path}: is no catalogue ({error}); remove it to have it made anew") from error
    return document


def _metadata_if_any(path: Path) -> dict[str, Any] | None:
    return _metadata(path) if path.exists() else None


def _write(table: pa.Table, document: dict[str, Any], path: Path, staging: Path) -> None:
    import pyarrow.parquet as pq

    named = table.replace_schema_metadata({CATALOGUE_KEY: json.dumps(document, sort_keys=True).encode()})
    write_atomically(path, lambda aside: pq.write_table(named, aside, compression="zstd"), staging=staging)
