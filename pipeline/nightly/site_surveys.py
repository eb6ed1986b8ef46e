"""One site's trends and verdicts in a fleet's store, made of its captures and of what its recorder computed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, Final

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError, ReadError, SignalError, StoreError
from halfcycle.pipeline.event_tables import counts_table, event_tables_path
from halfcycle.pipeline.nightly.days import FLEET_HOOKUP
from halfcycle.pipeline.nightly.recorded import records_digest, standing_records, trends_of_records
from halfcycle.pipeline.nightly.standing import CAPTURES, has_lost, names_present
from halfcycle.pipeline.nightly.stored import StoredCaptures
from halfcycle.pipeline.nightly.surveyed import MADE, SurveyFolders, verdict_inputs
from halfcycle.pipeline.nightly.verdicts import (
    counted_by_calendar,
    judged_by_calendar,
    last_week,
    with_those_that_stand,
)
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.account import Declared, draft
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.store.documents import document_at, write_document
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_start_ns, for_partitions
from halfcycle.pipeline.store.trends import write_trend
from halfcycle.pipeline.survey.certificate import certificate_of, with_certificates
from halfcycle.pipeline.survey.compared import compared
from halfcycle.pipeline.survey.compliance import load_limit_profile, verdicts_table
from halfcycle.pipeline.survey.files import surveys_for
from halfcycle.pipeline.survey.measure import Survey, Trend
from halfcycle.pipeline.survey.points import measure_points
from halfcycle.pipeline.survey.stored import RECORDED, StoredTrend, by_point, of_span, read_trends, told_key
from halfcycle.pipeline.survey.uncertainty import sure

_ONE_DAY: Final = timedelta(days=1)
_LEAD_NS: Final = 2 * 3_600 * 10**9  # before midnight, so that the flickermeter has settled and a sag is known whole
_FOLLOW_NS: Final = 60 * 10**9  # after it: a sag of over a minute is none


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a task."""

    site: str
    day: date | None
    reasons: tuple[str, ...] = ()
    verdicts: tuple[tuple[str, str, int, int, int], ...] = ()
    disagreements: tuple[tuple[str, str], ...] = ()
    damaged: tuple[str, ...] = ()  # what was set aside on the way
    failed: str = ""


class SiteSurveys:
    """Makes the trends and verdicts of one fleet."""

    def __init__(self, fleet: Fleet) -> None:
        if fleet.survey is None:
            raise StoreError("the fleet has no [survey]")
        self._fleet, self._store, self._asked = fleet, Store(fleet.store), fleet.survey
        self._profile = None if not fleet.survey.limits else load_limit_profile(fleet.survey.limits)
        self._quantities = chosen_quantities(fleet.survey.quantities)
        self._damaged: list[str] = []  # what was set aside, in words

    def done(self, name: str, day: date | None) -> Done:
        """Make a day's trends, or a site's verdicts."""
        site = self._fleet.site(name)
        if site is None:
            raise StoreError(f"site {name!r} is not configured")
        if day is None:
            weeks, apart = self.judge(site)
            return Done(name, None, verdicts=tuple(weeks), disagreements=tuple(apart))
        before = len(self._damaged)
        reasons = tuple(self.make(site, day))
        return Done(name, day, reasons=reasons, damaged=tuple(self._damaged[before:]))

    def settings(self, site: Site) -> str:
        """All that a site's trends and verdicts follow from beside captures, as a digest."""
        periods = [[since.isoformat(), self._settings(site.on(since))] for since in site.changed_on()]
        profile = "" if self._profile is None else self._profile.model_dump_json()
        return _digest([periods, profile, code_version()])

    def stale_days(self, site: Site) -> list[date]:
        """Days whose trends do not match their captures or the settings; in order.

        A day stays as it is where captures that its trends, or those of a day beside it, were made of are gone.
        """
        days = {*self._store.days(site.name), *self._store.recorded_days(site.name)}
        names = {day: self._names(site, day) for day in days}
        made = self._made_days(site)
        gone = {day for day, document in made.items() if has_lost(document, names_present(self._store, site.name, day))}
        stale = []
        for day in sorted({day for day, held in names.items() if held} | set(made)):
            stands = day in made and not gone.isdisjoint(_around(day))
            if not stands and made.get(day, {}).get("inputs") != self._inputs(site, day, names):
                stale.append(day)
        return stale

    def make(self, site: Site, day: date) -> list[str]:
        """Make a day's trends; returns why nothing could be measured, where that is so."""
        names = {d: self._names(site, d) for d in _around(day)}
        former = self._made_days(site).get(day, {})
        trends, reasons = self._measured(site, day)
        trends += self._recorded(site, day)
        files: list[str] = []
        for one in trends:
            certificate = one.certificate
            name = f"{certificate.site} {certificate.point}".strip()
            table = with_certificates(one.trend.table, [certificate])
            paths = write_trend(
                table, self._store.root, site=name, interval_s=certificate.interval_s,
                recorded=certificate.origin == RECORDED, key=self._fleet.secret,
            )  # fmt: skip
            files += [path.relative_to(self._store.root).as_posix() for path in paths]
        for gone in set(former.get("files", ())) - set(files):
            (self._store.root / gone).unlink(missing_ok=True)
        document = {
            "inputs": self._inputs(site, day, names), "files": sorted(files), "reasons": reasons,
            CAPTURES: [path.stem for path in self._store.captures(site.name, day)],
        }  # fmt: skip
        write_document(document, self._folders(site).made_path(day), self._store.staging)
        return reasons if not trends else []

    def has_stale_verdicts(self, site: Site) -> bool:
        """Whether the verdicts of a site rest on other trends than are there."""
        made = self._made_days(site)
        if not made or (self._profile is None and not self._store.recorded_days(site.name)):
            return False
        return not self._folders(site).are_verdicts_current()

    def judge(self, site: Site) -> tuple[list[tuple[str, str, int, int, int]], list[tuple[str, str]]]:
        """Judge each day, week, month and year of a site, and compare what its recorder computed with its waveforms.

        Returns
        -------
        (how its last week did, by point; by point where the two disagree).
        """
        stored = [one for day in self._made_days(site) for one in self._read(site, day)]
        joined = by_point(stored)
        profile = self._profile
        found = {} if profile is None else {
            told_key(name, point, origin): judged_by_calendar(of_point, profile, site, self._asked.demand_current_a)
            for (name, point, origin), of_point in joined.items()
        }  # fmt: skip
        _, findings = compared([one for of_point in joined.values() for one in of_point.values()])
        path = self._folders(site).verdicts_path
        path.parent.mkdir(parents=True, exist_ok=True)
        since = min(self._made_days(site))
        first = min(since, date.fromisoformat(document_at(path.with_name(MADE)).get("first", since.isoformat())))
        if profile is not None:
            found = with_those_that_stand(found, path, first=first, since=since)
            write_table(for_partitions(verdicts_table(found)), path)
            if profile.event_tables:
                counted = counted_by_calendar(self._fleet, site, profile)
                write_table(counts_table(counted), event_tables_path(path))
        apart = [(f"{one.site} {one.point}".strip(), one.text) for one in findings]
        document = {"inputs": verdict_inputs(self._made_days(site)), "disagreements": apart, "first": first.isoformat()}
        write_document(document, path.with_name(MADE), self._store.staging)
        weeks = [last for (_, point), of_point in found.items() if (last := last_week(site.name, point, of_point))]
        return weeks, apart

    def _read(self, site: Site, day: date) -> list[StoredTrend]:
        """The trends of a day; where a file is damaged or gone they are made anew."""
        try:
            return self._read_as_made(site, day)
        except ReadError as error:
            document = document_at(self._folders(site).made_path(day))
            if has_lost(document, names_present(self._store, site.name, day)):
                raise PlaceError(f"{error}; its waveforms are gone, so it cannot be rebuilt") from error
            self.make(site, day)
        try:
            return self._read_as_made(site, day)
        except ReadError as error:
            raise PlaceError(str(error)) from error

    def _read_as_made(self, site: Site, day: date) -> list[StoredTrend]:
        files = document_at(self._folders(site).made_path(day)).get("files", ())
        return [one for name in files for one in read_trends(self._store.root / name)]

    def _measured(self, site: Site, day: date) -> tuple[list[StoredTrend], list[str]]:
        """The trends of a day, of all points and intervals."""
        first, last = day_start_ns(day), day_start_ns(day) + DAY_NS
        paths = [path for d in _around(day) for path in self._store.captures(site.name, d)]
        captures = StoredCaptures(self._store)
        near = [path for path in paths if _lies_in(captures.header(path), first - _LEAD_NS, last + _FOLLOW_NS)]
        if not any(_lies_in(captures.header(path), first, last) for path in near):
            return [], []
        pieces = (captures.piece(path, site=site, quantities=("voltage", "current")) for path in near)
        then = site.on(day)
        declared = _declared(then)
        surveys = surveys_for(
            Survey(
                self._quantities, self._asked.interval_s, declared.nominal_voltage_v, declared.nominal_frequency_hz,
                self._asked.demand_current_a, self._fleet.thresholds[then.thresholds],
                uncertainty=self._asked.uncertainty,
            ),
            self._profile,
        )  # fmt: skip
        sources = [(path.name, path.stem) for path in near]
        trends: dict[str, list[tuple[Trend | SignalError, ...]]] = {}
        stored: list[StoredTrend] = []
        reasons: list[str] = []
        account = None
        for record in records_of(pieces):
            account = draft(site.name, [declared.evidence_of(record)], declared)
            for point, found in measure_points(record, surveys, account, hookup=declared.hookup):
                trends.setdefault(point, []).append(found)
        for point, of_records in trends.items():
            for survey, found in zip(surveys, zip(*of_records, strict=True), strict=True):
                reasons += [str(one) for one in found if isinstance(one, SignalError)]
                whole = of_span([one for one in found if isinstance(one, Trend)], first, last)
                if whole is not None and account is not None:
                    certificate = certificate_of(
                        whole, survey, account=account, point=point, sites=SiteTable((then,)), sources=sources,
                        profile="" if self._profile is None else self._profile.title,
                    )  # fmt: skip
                    one = StoredTrend(whole, certificate)
                    stored.append(one if self._asked.uncertainty == "none" else sure(one, SiteTable((then,))))
        return stored, list(dict.fromkeys(reasons))

    def _recorded(self, site: Site, day: date) -> list[StoredTrend]:
        """What recorders computed of a day, as trends; what is damaged is set aside."""
        site = site.on(day)
        trends, damaged = trends_of_records(
            standing_records(self._store, site.name, day), site=site, said=replace(_declared(site), hookup=site.hookup),
            thresholds=self._fleet.thresholds[site.thresholds], interval_s=self._asked.interval_s,
        )  # fmt: skip
        for error in damaged:
            self._store.put_aside(error.path, error.reason)
            self._damaged.append(f"{error.path}: {error.reason}; set aside in the store")
        return trends

    def _names(self, site: Site, day: date) -> list[str]:
        """Of all that a day's trends are made of."""
        recorded = [f"{path.stem} {records_digest(path)}" for path in standing_records(self._store, site.name, day)]
        return [*(path.stem for path in self._store.captures(site.name, day)), *recorded]

    def _inputs(self, site: Site, day: date, names: Mapping[date, Sequence[str]]) -> str:
        """Digest of all that a day's trends depend on, but for the version of the code."""
        return _digest([self._settings(site.on(day)), [list(names.get(d, ())) for d in _around(day)]])

    def _settings(self, then: Site) -> list[str]:
        profile = "" if self._profile is None else self._profile.model_dump_json(exclude={"event_tables"})
        settings = [self._fleet.site_digest(then), self._asked.digest(), hashlib.sha256(profile.encode()).hexdigest()]
        return [*settings, str(then.current_class_pct)] if self._asked.uncertainty != "none" else settings

    def _made_days(self, site: Site) -> dict[date, dict[str, Any]]:
        return self._folders(site).made_days()

    def _folders(self, site: Site) -> SurveyFolders:
        return SurveyFolders(self._store, site.name)


def _declared(site: Site) -> Declared:
    return Declared(
        site.nominal_voltage_v, None if site.nominal_frequency_hz is None else float(site.nominal_frequency_hz),
        site.hookup or FLEET_HOOKUP, site.clamps_checked,
    )  # fmt: skip


def _around(day: date) -> tuple[date, date, date]:
    return day - _ONE_DAY, day, day + _ONE_DAY


def _lies_in(header: Header, from_ns: int, to_ns: int) -> bool:
    return header.start_ns < to_ns and header.end_ns > from_ns


def _digest(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:32]
