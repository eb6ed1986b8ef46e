"""Daily catalogues: each a pure function of its captures, its settings and the rules of judging, kept in its metadata.

A day's captures include those of the day before and the days after that its records lead in from and run on into;
and where an incident is open at midnight the day after continues it, so it depends on that incident, too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.events import catalogue_schema, catalogue_table, events_of
from halfcycle.pipeline.indices.coverage import CoverageSpan, coverage_spans
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata, metadata_if_whole, read_events_table
from halfcycle.pipeline.nightly.logs import log_paths, named
from halfcycle.pipeline.nightly.month_files import kept_rows
from halfcycle.pipeline.nightly.standing import names_of_day
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_start_ns

if TYPE_CHECKING:
    import pyarrow as pa

FLEET_HOOKUP: Final = "four-wire"
"""Of a site of a fleet that declares none."""
_ONE_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Day:
    """One site's day."""

    site: str
    day: date


def read_days(fleet: Fleet, days: Sequence[Day]) -> tuple[pa.Table, list[Day]]:
    """The catalogues of some days as one table, in catalogue order, and those days whose catalogue is damaged."""
    import pyarrow as pa

    kept, known = kept_rows(Store(fleet.store), "events", ((day.site, day.day) for day in days))
    tables = [catalogue_schema().empty_table(), *map(_as_judged, kept)]
    damaged = []
    for day in days:
        if (day.site, day.day) in known:
            continue
        path = path_of(day, fleet)
        try:
            if path.exists():
                tables.append(read_events_table(path))
        except PlaceError:
            damaged.append(day)
    return catalogue_table(events_of(pa.concat_tables(tables, promote_options="default"))), damaged


def _as_judged(rows: pa.Table) -> pa.Table:
    """Rows of a month as catalogues of days have them: with columns of uncertainty where a row has one."""
    sure = [name for name in catalogue_schema(uncertainty=True).names if name not in catalogue_schema().names]
    has_sure = any(rows.column(name).null_count < rows.num_rows for name in sure)
    return rows.select(catalogue_schema(uncertainty=has_sure).names)


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
    listed = list(days)
    kept, known = kept_rows(Store(fleet.store), "coverage", ((day.site, day.day) for day in listed))
    of_days: dict[tuple[str, int], list[CoverageSpan]] = {}
    for span in (span for table in kept for span in coverage_spans(table)):
        of_days.setdefault((span.site, span.start), []).append(span)
    spans = []
    for day in listed:
        first = day_start_ns(day.day)
        if (day.site, day.day) in known:
            spans += of_days.get((day.site, first), [])
            continue
        try:
            document = catalogue_metadata(path_of(day, fleet)) or {}
        except PlaceError as error:
            spans.append(CoverageSpan(day.site, None, first, first + DAY_NS, 0.0, 0.0, str(error)))
            continue
        spans += coverage_said(document, day)
    return spans


def coverage_said(document: Mapping[str, Any], day: Day) -> list[CoverageSpan]:
    """What the metadata of a day's catalogue say was judged of it, and what was not and why."""
    first = day_start_ns(day.day)
    return [
        CoverageSpan(day.site, point, first, first + DAY_NS, judged_s, not_judged_s, reason)
        for point, judged_s, not_judged_s, reason in _summed(
            [*document.get("coverage", ()), *document.get("set_aside", ())]
        )
    ]


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
        for then in site.periods():
            terms_of(then, fleet)


def terms_of(site: Site, fleet: Fleet) -> Terms:
    """What a site's records are judged by. site: as it is on the day."""
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
        fleet.uncertainty,
        site.voltage_class_pct,
        site.clock_u_s,
        site.own_side,
    )


def path_of(day: Day, fleet: Fleet) -> Path:
    """Where a day's catalogue lies."""
    return Store(fleet.store).catalogue_path(day.site, day.day)


def held_names(store: Store, site: str, day: date) -> list[str]:
    """Names of all that a day's catalogue can be made of: captures, gone ones included, and logs of RMS by content."""
    captures, aside = store.stems(site, day)
    document = metadata_if_whole(store.catalogue_path(site, day))
    return [*names_of_day(captures, {*captures, *aside}, document), *named(log_paths(store, site, day))]


def names_digest(names: dict[date, list[str]], day: date, days_after: int) -> str:
    """Digest of the names of captures from the day before a day to some days after it."""
    around = [names.get(day + _ONE_DAY * n, []) for n in range(-1, days_after + 1)]
    return hashlib.sha256(json.dumps(around).encode()).hexdigest()[:32]
