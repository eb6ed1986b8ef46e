"""Trends and verdicts of a fleet: a site's trends of a day are a pure function of its captures around that day.

recorded/site=S/date=D/…                     what recorders computed themselves, see `recorded`
trends/site=S/date=D/interval=600s.parquet   and other intervals that limits need; a point's below ``site=S POINT``
trends/site=S/date=D/_made.json              what the day's trends were made of; where it is lost they are made anew
verdicts/site=S/verdicts.parquet             each day, week, month and year by the calendar against the fleet's limits
verdicts/site=S/verdicts.events.parquet      the catalogue's dips, swells, interruptions in the tables of these limits
verdicts/site=S/_made.json                   which trends these verdicts rest on
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import DamagedCapture, PlaceError, ReadError, SignalError
from halfcycle.pipeline.nightly.at_hand import AtHand, Strikes
from halfcycle.pipeline.nightly.day_states import DaysFound
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.site_surveys import Done, SiteSurveys
from halfcycle.pipeline.nightly.trend_index import TrendIndex
from halfcycle.pipeline.processes import spread_apart
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.spread import Spread, each_outcome
from halfcycle.pipeline.store.partitions import Store


@dataclass(frozen=True, slots=True)
class SurveyOutcome:
    """What a night did: (site, day) whose trends were made anew, and the last verdict of each site judged anew.

    Attributes
    ----------
    days : made anew.
    reasons : (site, day, reason) of days of which nothing could be measured.
    verdicts : (site, period, how many are exceeded, met, cannot tell) of the last week.
    failed : (site, day or None of verdicts, reason) of what could not be made; the next night tries it again.
    disagreements : (site and point, in words) where a recorder's own values are not those of its waveforms.
    """

    days: tuple[tuple[str, date], ...]
    reasons: tuple[tuple[str, date, str], ...]
    verdicts: tuple[tuple[str, str, int, int, int], ...]
    failed: tuple[tuple[str, date | None, str], ...] = ()
    disagreements: tuple[tuple[str, str], ...] = ()

    @property
    def failures(self) -> list[str]:
        """What could not be made, each in a sentence."""
        return [
            f"no {'verdicts' if day is None else 'trends'} of {site}, {day or 'all'}: {reason}"
            for site, day, reason in self.failed
        ]


def has_stale_trends(fleet: Fleet, found: DaysFound) -> bool:
    """Whether a night would have a trend or a verdict to make; for who holds the lock. found: all days, as they are."""
    if fleet.survey is None:
        return False
    survey = SiteSurveys(fleet)
    for site in _sites_to_look_at(fleet, survey, found):
        if survey.stale_days(site) or survey.has_stale_verdicts(site):
            return True
        _keep(site, fleet, survey, found)
    return False


def days_without_trends(fleet: Fleet, found: DaysFound) -> list[Day]:
    """Days whose trends are still to be made, or made anew; none where the fleet asks for no survey."""
    if fleet.survey is None:
        return []
    survey = SiteSurveys(fleet)
    return [Day(site.name, day) for site in _sites_to_look_at(fleet, survey, found) for day in survey.stale_days(site)]


def _sites_to_look_at(fleet: Fleet, survey: SiteSurveys, found: DaysFound) -> list[Site]:
    """Sites but for those of which it is known that nothing is to be made."""
    return [
        site
        for site in fleet.sites
        if (seen := found.sites.get(site.name)) is None
        or not TrendIndex(Store(fleet.store), seen, survey.settings(site)).is_current()
    ]


def _keep(site: Site, fleet: Fleet, survey: SiteSurveys, found: DaysFound) -> None:
    """Remember of a site that was looked at that nothing is to be made."""
    seen = found.sites.get(site.name)
    if seen is not None:
        TrendIndex(Store(fleet.store), seen, survey.settings(site)).keep()


def update_trends(fleet: Fleet, spread: Spread, strikes: Strikes, found: DaysFound) -> SurveyOutcome | None:
    """Bring a fleet's trends and verdicts up to date; the caller holds the lock. None where it asks for none.

    Parameters
    ----------
    fleet : the configuration.
    spread : how days and sites are worked on; what one of them does costs no other.
    strikes : days and sites that ended a process before are worked on apart.
    found : all days, as they are.

    Raises
    ------
    ConfigError : the limits or quantities are not known.
    StoreError : nothing can be written any more.
    """
    if fleet.survey is None:
        return None
    survey = SiteSurveys(fleet)
    sites = _sites_to_look_at(fleet, survey, found)

    def days_of(site: Site) -> list[_Task]:
        return [(site.name, day) for day in survey.stale_days(site)]

    def verdicts_of(site: Site) -> list[_Task]:
        return [(site.name, None)] if survey.has_stale_verdicts(site) else []

    done: list[Done] = []
    for tasks_of in (days_of, verdicts_of):
        tasks, failed = _listed(sites, tasks_of)
        done += [*failed, *_all_done(tasks, fleet, spread, strikes)]
    strikes.settle({_key(one.site, one.day) for one in done if not one.failed})
    made = [(one.site, one.day, one.reasons) for one in done if one.day is not None and not one.failed]
    return SurveyOutcome(
        tuple((site, day) for site, day, _ in made),
        tuple((site, day, reason) for site, day, reasons in made for reason in reasons),
        tuple(verdict for one in done for verdict in one.verdicts),
        (
            *((one.site, one.day, one.failed) for one in done if one.failed),
            *((one.site, one.day, words) for one in done for words in one.damaged),
        ),
        tuple(found for one in done for found in one.disagreements),
    )


_Task = tuple[str, date | None]
"""A site's day whose trends are to be made, or a site whose verdicts are."""


_OF_ONE: Final = (PlaceError, DamagedCapture, ReadError, SignalError)  # what concerns one day or site


def _listed(sites: Sequence[Site], tasks_of: Callable[[Site], list[_Task]]) -> tuple[list[_Task], list[Done]]:
    tasks: list[_Task] = []
    failed: list[Done] = []
    for site in sites:
        try:
            tasks += tasks_of(site)
        except _OF_ONE as error:
            failed.append(Done(site.name, None, failed=str(error)))
    return tasks, failed


def _all_done(tasks: Sequence[_Task], fleet: Fleet, spread: Spread, strikes: Strikes) -> list[Done]:
    plain, tried, given_up = strikes.parted(tasks, lambda task: _key(*task))
    work = partial(make_trends, fleet=fleet)
    done = list(each_outcome(spread, work, [[task] for task in plain], lost=_lost))
    with spread_apart(1) as apart:
        done += each_outcome(apart, work, [[task] for task in tried], lost=_lost)
    return done + [
        _lost(task, f"it ended {strikes[_key(*task)]} runs; without {strikes.path} it is tried again")
        for task in given_up
    ]


def make_trends(tasks: Sequence[_Task], fleet: Fleet) -> list[Done]:
    """Make the trends of days and the verdicts of sites, a batch of them."""
    survey = SiteSurveys(fleet)
    done = []
    with AtHand(fleet) as mark:
        for site, day in tasks:
            mark.on(_key(site, day))
            try:
                done.append(survey.done(site, day))
            except _OF_ONE as error:
                done.append(Done(site, day, failed=str(error)))
    return done


def _lost(task: _Task, reason: str) -> Done:
    return Done(*task, failed=reason)


def _key(site: str, day: date | None) -> str:
    """The key of a task among what is at hand."""
    return f"verdicts {site}" if day is None else f"trends {day.isoformat()} {site}"
