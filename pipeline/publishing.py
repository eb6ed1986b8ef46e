"""The report of a fleet: what it is made of, and the folder of pages that a night publishes."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.config import Fleet, Report
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.indices.curves import curve
from halfcycle.pipeline.locales import manner_of
from halfcycle.pipeline.nightly.day_states import look_at_days
from halfcycle.pipeline.nightly.days import Day, coverage_of, read_days
from halfcycle.pipeline.nightly.surveyed import PointOfSurvey, points_of_survey, survey_state
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.report.content import ReportSettings
from halfcycle.pipeline.report.folder import FRONT, fleet_pages, page_name, sign_of, write_folder
from halfcycle.pipeline.report.material import Material
from halfcycle.pipeline.report.origin import origin
from halfcycle.pipeline.report.summary import worst_events
from halfcycle.pipeline.report.survey_view import SurveyedPoint
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.store.lock import locked
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_start_ns
from halfcycle.pipeline.survey.compared import compared
from halfcycle.pipeline.survey.compliance import drawn_bounds, load_limit_profile
from halfcycle.pipeline.survey.stored import (
    by_point,
    judge_trends,
    neighbours_of,
    read_columns,
    read_trends,
    told_key,
    with_needed,
)

if TYPE_CHECKING:
    import pyarrow as pa

_WAIT_S: Final = 600.0  # for another run that publishes


@dataclass(frozen=True, slots=True)
class Published:
    """A folder of pages: where it is, and how many there are."""

    folder: Path
    n_pages: int


def fleet_events(
    fleet: Fleet, *, first: date | None = None, last: date | None = None
) -> tuple[list[Event], list[CoverageSpan]]:
    """A fleet's events, and the time that its catalogues say was judged.

    Parameters
    ----------
    fleet : the configuration.
    first, last : range of UTC days, both included; None: open.
    """
    days = [day for day, _ in look_at_days(fleet).states if (first or day.day) <= day.day <= (last or day.day)]
    return events_of(read_days(fleet, days)[0]), coverage_of(fleet, days)


def period_ns_of(first: date | None, last: date | None) -> tuple[int, int] | None:
    """A range of UTC days as instants, half-open; None where an end is open. [ns since 1970-01-01]"""
    return None if first is None or last is None else (day_start_ns(first), day_start_ns(last) + DAY_NS)


def surveyed_points(
    paths: Sequence[Path], limits: str, *, sites: Sequence[Site] | None = None
) -> tuple[SurveyedPoint, ...]:
    """What trends say of their points, judged by a limit profile where one is named.

    Parameters
    ----------
    paths : trends of `halfcycle measure`; those of other intervals that lie beside one are read, too.
    limits : a profile's name or file; "": none.
    sites : what a person declares; a declared voltage goes before that of the trend.

    Raises
    ------
    ConfigError : limits without a trend, or no such profile.
    ReadError : a path is no trend.
    """
    if limits and not paths:
        raise ConfigError("--limits judges trends; give one with --trend")
    profile = load_limit_profile(limits) if limits else None
    table = SiteTable(tuple(sites or ()))
    files = dict.fromkeys(path for given in paths for path in (given, *neighbours_of(given)))
    stored = [one for path in files for one in read_trends(path)]
    judged = {} if profile is None else judge_trends(stored, profile, declared=Declared(), sites=table)
    joined = by_point(stored)
    _, findings = compared([one for by_interval in joined.values() for one in by_interval.values()])
    found = []
    for (site, named, origin_of), by_interval in sorted(joined.items()):
        point = told_key(site, named, origin_of)[1]
        certificate = next(iter(by_interval.values())).certificate
        trends = {interval_s: one.trend for interval_s, one in by_interval.items()}
        said = table.declared(site, Declared()).nominal_voltage_v
        bounds = [] if profile is None else drawn_bounds(
            profile, nominal_voltage_v=certificate.nominal_voltage_v if said is None else said,
            declared=said is not None or certificate.nominal_kind == "declared",
            demand_current_a=certificate.demand_current_a,
        )  # fmt: skip
        if profile is not None:
            trends = with_needed(trends, profile)
        tables = {k: one.table for k, one in trends.items() if one.table.num_rows > 1}  # the others are no curve
        found.append(
            SurveyedPoint(
                site=site, point=point, columns={k: table.column_names for k, table in tables.items()},
                read=partial(_as_read, tables),
                profile="" if profile is None else profile.title, assessments=judged.get((site, point), ()),
                bounds=bounds,
                disagreements=[one.text for one in findings if (one.site, one.point) == (site, point)],
            )
        )  # fmt: skip
    return tuple(found)


def fleet_surveyed(fleet: Fleet, *, first: date | None = None, last: date | None = None) -> tuple[SurveyedPoint, ...]:
    """What the trends and verdicts in a fleet's store say of some days; nothing where its settings ask for no survey.

    Parameters
    ----------
    fleet : the configuration.
    first, last : range of UTC days, both included; None: open.

    Raises
    ------
    ConfigError : the limits that the settings name are not known.
    """
    if fleet.survey is None:
        return ()
    profile = load_limit_profile(fleet.survey.limits) if fleet.survey.limits else None
    declared = {site.name: site.nominal_voltage_v for site in fleet.sites}
    found = []
    for one in points_of_survey(fleet, first=first, last=last):
        bounds = [] if profile is None else drawn_bounds(
            profile, nominal_voltage_v=declared[one.site], declared=True, demand_current_a=fleet.survey.demand_current_a
        )  # fmt: skip
        found.append(
            SurveyedPoint(
                site=one.site, point=one.point, columns=one.columns, read=partial(_from_store, one),
                profile="" if profile is None else profile.title, assessments=one.assessments, bounds=bounds,
                note=one.note, disagreements=one.disagreements,
            )
        )  # fmt: skip
    return tuple(found)


def _as_read(
    tables: Mapping[float, pa.Table], interval_s: float, columns: Sequence[str]
) -> tuple[pa.Table, Sequence[str]]:
    return tables[interval_s].select(["start", *columns]), ()


def _from_store(
    point: PointOfSurvey, interval_s: float, columns: Sequence[str]
) -> tuple[pa.Table | None, Sequence[str]]:
    """A trend of a point, and the days that cannot be read."""
    table, damaged = read_columns(point.files[interval_s], columns)
    days = [path.parent.name.removeprefix("date=") for path in damaged]
    return table, [f"the trend of {day} in intervals of {interval_s:g} s cannot be read" for day in days]


def publish(fleet: Fleet, config: Path) -> Published | None:
    """Write the pages that the fleet's ``[report]`` asks for, if they are not those of today's catalogues already.

    Parameters
    ----------
    fleet : the configuration.
    config : the file it was read from, which the pages name.

    Returns
    -------
    None where no report is asked for, nothing is to be reported yet, or the pages are there.

    Raises
    ------
    ConfigError : the folder holds something else.
    StoreError : a catalogue is damaged, or a page cannot be written.
    """
    wanted = fleet.report
    if wanted is None:
        return None
    with locked(fleet.store / ".report", wait_s=_WAIT_S):
        span = _span(fleet, wanted)
        if span is None or is_published(fleet):
            return None
        first, last = span
        events, coverage = fleet_events(fleet, first=first, last=last)
        settings = ReportSettings(
            curve=curve(wanted.curve), title=wanted.title, worst=wanted.worst, manner=manner_of(wanted.locale)
        )
        words = ["halfcycle", "report", "--config", config.name, "--from", str(first), "--to", str(last)]
        words += ["--curve", wanted.curve, "--worst", str(wanted.worst)]
        words += ["--title", wanted.title] if wanted.title else []
        words += ["--locale", wanted.locale] if wanted.locale else []
        words += ["--out", "report"]
        period = period_ns_of(first, last)
        material = Material(
            events=events,
            slices=WaveformPlaces((), fleet).slice_of,
            coverage=coverage,
            expected=tuple(site.name for site in fleet.sites),
            zones={site.name: site.time_zone for site in fleet.sites},
            surveyed=fleet_surveyed(fleet, first=first, last=last),
            provenance=origin(
                events, coverage, command=words, inputs={"fleet": config}, period_ns=period, manner=settings.manner
            ),
            period_ns=period,
        )
        pages = fleet_pages(material, settings=settings)
        return Published(wanted.folder, write_folder(pages, wanted.folder, sign=_sign(fleet, wanted)))


def is_published(fleet: Fleet) -> bool:
    """Whether the pages that ``[report]`` asks for are those of the catalogues as they are; True where none is."""
    return fleet.report is None or sign_of(fleet.report.folder) == _sign(fleet, fleet.report)


def worst_of(fleet: Fleet, days: Sequence[Day], *, most: int) -> list[tuple[Event, str]]:
    """The worst events of some days, each with where a page shows it: an address, or "" where none is published.

    Parameters
    ----------
    fleet : the configuration.
    days : whose catalogues are read.
    most : events at the most.
    """
    events = worst_events(events_of(read_days(fleet, days)[0]), most=most)
    return [(event, _address(fleet, event)) for event in events]


def _address(fleet: Fleet, event: Event) -> str:
    if fleet.report is None:
        return ""
    name = page_name(event.site)
    base = fleet.report.address.rstrip("/") or fleet.report.folder.as_uri()
    page = fleet.report.folder / name
    shown = page.is_file() and f'id="event-{event.event_id}"' in page.read_text(encoding="utf-8")
    return f"{base}/{name}#event-{event.event_id}" if shown else f"{base}/{name}#events"


def front_address(fleet: Fleet) -> str:
    """Where the fleet's page is; "" where none is published."""
    if fleet.report is None:
        return ""
    return f"{fleet.report.address.rstrip('/') or fleet.report.folder.as_uri()}/{FRONT}"


def _span(fleet: Fleet, wanted: Report) -> tuple[date, date] | None:
    """The days to report on: the last of any site that has a catalogue, and those before it."""
    held = [day for site in fleet.sites for day in Store(fleet.store).catalogue_days(site.name)]
    if not held:
        return None
    last = max(held)
    return (min(held) if wanted.days == 0 else last - timedelta(days=wanted.days - 1)), last


def _sign(fleet: Fleet, wanted: Report) -> str:
    """Digest of what the pages depend on: catalogues and trends by size and time, settings, the code's version."""
    span = _span(fleet, wanted)
    store = Store(fleet.store)
    digest = hashlib.sha256(f"{code_version()} {fleet.model_dump_json()}".encode())
    for site in fleet.sites if span else ():
        for day in store.catalogue_days(site.name):
            if span and span[0] <= day <= span[1]:
                status = store.catalogue_path(site.name, day).stat()
                digest.update(f"{site.name} {day} {status.st_size} {status.st_mtime_ns}\n".encode())
        if span and fleet.survey is not None:
            lines = survey_state(fleet, site.name, first=span[0], last=span[1])
            digest.update("".join(f"{site.name} {line}\n" for line in lines).encode())
    return digest.hexdigest()
