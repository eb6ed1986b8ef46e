"""Surveys of capture files: by site and point, on the same road as a screening."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.processes import spread_over_processes
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.readers import keep_unpacked
from halfcycle.pipeline.records.archive import Part, Reading, SetAside, records_of_parts, without_unreadable
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.inventory import SiteRecord, take_inventory
from halfcycle.pipeline.sites.recorders import each_once
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress, Spread, each_outcome
from halfcycle.pipeline.survey.certificate import certificate_of, sources_of
from halfcycle.pipeline.survey.compared import Disagreement
from halfcycle.pipeline.survey.compliance import Assessment, LimitProfile, assess, needed_quantities
from halfcycle.pipeline.survey.joining import joined_trends
from halfcycle.pipeline.survey.measure import Survey, Trend
from halfcycle.pipeline.survey.points import measure_points
from halfcycle.pipeline.survey.stored import StoredTrend
from halfcycle.pipeline.survey.uncertainty import sure
from halfcycle.pipeline.terms import Quantity

if TYPE_CHECKING:
    import pandas as pd

_QUANTITIES: Final[tuple[Quantity, ...]] = ("voltage", "current")
Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of some files.

    Attributes
    ----------
    trends : by site and point ("" where a site has one), see `measure_record`.
    set_aside : recordings that could not be read.
    not_measured : (site, point, reason) of records that could not be measured.
    others : files that are no recordings.
    accounts : of the recorders, each once, in order of site.
    assessments : by site and point, where a profile was asked for.
    certified : these trends, and those that the profile needs beside them, each with its certificate.
    compared, disagreements : see `compared.compared`, where a recorder made trends of its own.

    Examples
    --------
    >>> found = hc.measure("demo-fleet/store/waveforms/site=Sorrel Mill", interval_s=10, quantities=["u_rms"])
    >>> [site for site, point in found.trends]
    ['Sorrel Mill']
    """

    trends: dict[Key, Trend]
    set_aside: tuple[SetAside, ...]
    not_measured: tuple[tuple[str, str, str], ...]
    others: tuple[SetAside, ...] = ()
    accounts: tuple[Account, ...] = ()
    assessments: dict[Key, list[Assessment]] = field(default_factory=dict)
    certified: tuple[StoredTrend, ...] = ()
    compared: tuple[str, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()

    def to_pandas(self) -> pd.DataFrame:
        """All trends in one data frame, with their site and point; times are UTC."""
        import pandas as pd

        frames = []
        for (site, point), trend in self.trends.items():
            frame: pd.DataFrame = trend.table.to_pandas()
            frame.insert(0, "site", site)
            frame.insert(1, "point", point)
            frames.append(frame)
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def measure_files(
    paths: Sequence[Path],
    survey: Survey,
    *,
    profile: LimitProfile | None = None,
    hookup: str | None = None,
    sites: SiteTable | None = None,
    workers: int | None = 1,
    progress: Progress | None = None,
    leave_out: Collection[Path] = (),
    strict: bool = False,
    spread: Spread | None = None,
) -> Measured:
    """Measure all capture files below some paths, each read once.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels.
    survey : what to measure, and what is declared of all sites.
    profile : limits to judge by; what they need is measured, too. Its declared voltage holds where the
        survey and the sites declare none. No verdict rests on an inferred voltage.
    hookup : a name of `terms.HOOKUPS`; None: told from the channels.
    sites : what a person declares of single sites.
    workers : processes; None: as many as cores where that pays.
    progress : called with (done, all) files, then records.
    leave_out : files that are no inputs although they may lie there.
    strict : set files aside in which something would have to be put right or guessed.
    spread : how the work is spread; None: over `workers` processes.

    Raises
    ------
    ReadError : a path does not exist.
    """
    table = sites or SiteTable()
    reading = Reading(_QUANTITIES, strict, table.described if table.sites else None)
    volts = survey.nominal_voltage_v or (None if profile is None else profile.declared_voltage_v)
    declared = Declared(volts, survey.nominal_frequency_hz, hookup)
    surveys = surveys_for(survey, profile)
    with spread_over_processes(workers) if spread is None else nullcontext(spread) as run:
        held = take_inventory(
            paths, reading=reading, sites=table, declared=declared, run=run, tell=progress, leave_out=leave_out
        )
        function = partial(_measure_records, surveys=surveys, reading=reading)
        outcomes = list(each_outcome(run, function, [[one] for one in held.records], lost=_lost, tell=progress))
    joined = [{key: joined_trends(trends) for key, trends in one.items()} for one in _by_survey(outcomes, len(surveys))]
    certifier = _Certifier(held.records, outcomes, table, "" if profile is None else profile.title)
    certified = [
        certifier.certified(key, trend, of_survey)
        for trends, of_survey in zip(joined, surveys, strict=True)
        for key, trend in trends.items()
    ]
    if survey.uncertainty != "none":
        certified = [sure(one, table) for one in certified]
        whole = iter(certified)
        joined = [{key: next(whole).trend for key in trends} for trends in joined]
    reasons = [(path.stem, "", remark) for path, remarks in held.without_waveform for remark in remarks]
    reasons += [reason for outcome in outcomes for reason in outcome.reasons()]
    return Measured(
        joined[0],
        tuple(dict.fromkeys([*held.set_aside, *(item for outcome in outcomes for item in outcome.set_aside)])),
        tuple(reasons),
        held.others,
        each_once(one.account for one in held.records),
        {} if profile is None else _assessed(joined, surveys, profile, survey),
        tuple(certified),
    )


def surveys_for(survey: Survey, profile: LimitProfile | None) -> list[Survey]:
    """A survey, with what a profile's limits need of its intervals, and those of other intervals that they need."""
    needed = {} if profile is None else dict(needed_quantities(profile))
    own = [*(quantity.symbol for quantity in survey.quantities), *needed.pop(survey.interval_s, ())]
    return [
        replace(survey, quantities=chosen_quantities(own) if own else ()),
        *(
            replace(survey, interval_s=interval_s, quantities=chosen_quantities(symbols))
            for interval_s, symbols in needed.items()
        ),
    ]


def _assessed(
    joined: Sequence[dict[Key, Trend]], surveys: Sequence[Survey], profile: LimitProfile, survey: Survey
) -> dict[Key, list[Assessment]]:
    trends: dict[Key, dict[float, Trend]] = {}
    for one, of_survey in zip(surveys, joined, strict=True):
        for key, trend in of_survey.items():
            trends.setdefault(key, {})[one.interval_s] = trend
    judged = {
        key: assess(
            {interval_s: trend.table for interval_s, trend in of_point.items()},
            profile,
            nominal_voltage_v=next(iter(of_point.values())).nominal_voltage_v,
            declared=next(iter(of_point.values())).nominal_kind == "declared",
            demand_current_a=survey.demand_current_a,
            voltages_of=next(iter(of_point.values())).voltages_of,
        )
        for key, of_point in trends.items()
    }
    return {key: found for key, found in judged.items() if found}  # a feeder may have no limit to be judged by


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What was measured of one record: for each point, for each survey a trend or why there is none."""

    site: str
    points: tuple[tuple[str, tuple[Trend | SignalError, ...]], ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    sources: tuple[tuple[str, str], ...] = ()  # name and digest of each file

    def reasons(self) -> list[tuple[str, str, str]]:
        """(site, point, reason) of points of which nothing was measured."""
        return [(self.site, point, str(found[0])) for point, found in self.points if isinstance(found[0], SignalError)]


def _by_survey(outcomes: Sequence[_Outcome], n_surveys: int) -> list[dict[Key, list[Trend]]]:
    found: list[dict[Key, list[Trend]]] = [{} for _ in range(n_surveys)]
    for outcome in outcomes:
        for point, trends in outcome.points:
            for k, trend in enumerate(trends):
                if isinstance(trend, Trend):
                    found[k].setdefault((outcome.site, point), []).append(trend)
    return found


class _Certifier:
    """Gives each trend its certificate."""

    def __init__(
        self, records: Sequence[SiteRecord], outcomes: Sequence[_Outcome], sites: SiteTable, profile: str
    ) -> None:
        self._accounts = {one.account.site: one.account for one in records}
        self._sources: dict[Key, list[tuple[str, str]]] = {}
        for outcome in outcomes:
            for point, found in outcome.points:
                if not isinstance(found[0], SignalError):
                    self._sources.setdefault((outcome.site, point), []).extend(outcome.sources)
        self._sites, self._profile = sites, profile

    def certified(self, key: Key, trend: Trend, survey: Survey) -> StoredTrend:
        """The trend of a survey with its certificate."""
        site, point = key
        certificate = certificate_of(
            trend, survey, account=self._accounts[site], point=point, sites=self._sites,
            sources=self._sources.get(key, ()), profile=self._profile,
        )  # fmt: skip
        return StoredTrend(trend, certificate)


def _measure_records(records: Sequence[SiteRecord], *, surveys: Sequence[Survey], reading: Reading) -> list[_Outcome]:
    with keep_unpacked():
        return [_measured(one, surveys, reading) for one in records]


def _measured(one: SiteRecord, surveys: Sequence[Survey], reading: Reading) -> _Outcome:
    def work(parts: tuple[Part, ...]) -> list[tuple[str, tuple[Trend | SignalError, ...]]]:
        return [
            found
            for record, _ in (records_of_parts(parts, reading) if parts else ())
            for found in measure_points(record, surveys, one.account, hookup=one.account.hookup)
        ]

    points, set_aside = without_unreadable(one.parts, work)
    unread = {item.path for item in set_aside}
    sources = sources_of([part.path for part in one.parts if part.path not in unread])
    return _Outcome(one.account.site, tuple(points), set_aside, sources)


def _lost(one: SiteRecord, reason: str) -> _Outcome:
    paths = dict.fromkeys(part.path for part in one.parts)
    lost = tuple(SetAside(path, f"{path.name}: cannot be measured ({reason})") for path in paths)
    return _Outcome(one.account.site, (), lost)
