"""One nightly run as plain calls: plan, ingest, rebuild. A flow or a loop drives the steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.nightly.at_hand import MOST_STRIKES, MOST_UNTRIED, Strikes, key_of_file
from halfcycle.pipeline.nightly.building import DayFailure, DayOutcome
from halfcycle.pipeline.nightly.day_states import DaysFound, look_at_days
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.fetching import fetch_new, has_new
from halfcycle.pipeline.nightly.inbox import batches_of, group_of, is_special, to_quarantine, waiting
from halfcycle.pipeline.nightly.incidents import JoinOutcome, has_stale_days, join_days
from halfcycle.pipeline.nightly.ingest import FileOutcome, ingest_files
from halfcycle.pipeline.nightly.months import MonthsDone, gather_months, has_due_months
from halfcycle.pipeline.nightly.packing import PacksDone, days_to_pack, pack_days
from halfcycle.pipeline.nightly.renamed import former_names, take_over
from halfcycle.pipeline.nightly.retention import Removed, has_expired, remove_expired
from halfcycle.pipeline.nightly.survey import SurveyOutcome, has_stale_trends, update_trends
from halfcycle.pipeline.nightly.upkeep import DaysDone, bring_up_to_date
from halfcycle.pipeline.nightly.working import at_work
from halfcycle.pipeline.processes import spread_apart
from halfcycle.pipeline.spread import Spread, each_outcome, in_this_process
from halfcycle.pipeline.store.atomic import check_folder, clear_staging
from halfcycle.pipeline.store.partitions import Store, today


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a run did.

    Attributes
    ----------
    files : an outcome each.
    days : an outcome for each day rebuilt.
    other_version : days that were judged by other rules than today's, left as they are.
    n_settling : files of the inbox that are still being written.
    n_postponed : days that match other settings than there are now, left to later nights.
    failed : days whose catalogue could not be made.
    set_aside : stored captures that days are judged without from now on, and why.
    damaged : days whose catalogue could not be read.
    unreadable : in words, what of the store and the inbox cannot be read.
    joined : what was done about incidents over sites; None where the fleet asks for none.
    survey : what was done about trends and verdicts; None where the fleet asks for none.
    removed : what was past its age; None where the fleet keeps everything.
    packs : what was brought together in fewer files; None where nothing was.
    months : what was gathered in files of months; None where they stay as they are.
    renamed : in words, what the store held under former names of sites.
    untold : in words, whom it could not tell what is new.
    """

    files: tuple[FileOutcome, ...] = ()
    days: tuple[DayOutcome, ...] = ()
    other_version: tuple[Day, ...] = ()
    n_settling: int = 0
    n_postponed: int = 0
    failed: tuple[DayFailure, ...] = ()
    set_aside: tuple[tuple[Path, str], ...] = ()
    damaged: tuple[Day, ...] = ()
    unreadable: tuple[str, ...] = ()
    joined: JoinOutcome | None = None
    survey: SurveyOutcome | None = None
    removed: Removed | None = None
    packs: PacksDone | None = None
    months: MonthsDone | None = None
    renamed: tuple[str, ...] = ()
    untold: tuple[str, ...] = ()

    @property
    def left(self) -> tuple[FileOutcome, ...]:
        """The files that could be neither stored nor set aside."""
        return tuple(outcome for outcome in self.files if outcome.state == "left")

    @property
    def quarantined(self) -> tuple[FileOutcome, ...]:
        """The files that were set aside."""
        return tuple(outcome for outcome in self.files if outcome.state == "quarantined")

    @property
    def n_events(self) -> int:
        """Events in the days rebuilt."""
        return sum(day.n_events for day in self.days)

    @property
    def n_mishaps(self) -> int:
        """Events that could not be explained or named to the end, and detectors that failed on a record."""
        return sum(day.n_mishaps for day in self.days)

    @property
    def is_whole(self) -> bool:
        """Whether nothing was set aside, left or damaged, and nothing failed on the way."""
        of_survey = () if self.survey is None else self.survey.failed
        of_removal = () if self.removed is None else self.removed.failed
        of_packs = () if self.packs is None else self.packs.failed
        of_months = () if self.months is None else self.months.failed
        failed = (self.failed, of_survey, of_removal, of_packs, of_months, self.n_mishaps)
        return not any((*failed, self.left, self.quarantined, self.set_aside, self.damaged, self.unreadable))


def run_nightly(
    fleet: Fleet, *, spread: Spread = in_this_process, ingest: bool = True, catalogue: bool = True
) -> RunSummary:
    """Ingest all new files and rebuild all stale days, under the store's lock.

    Parameters
    ----------
    fleet : the configuration.
    spread : how batches are worked on.
    ingest, catalogue : which of the two steps to take.

    Raises
    ------
    StoreError : another run is at work, or nothing can be written.
    """
    with at_work(fleet) as bring:
        _make_ready(fleet)
        renamed, not_renamed = take_over(fleet)
        strikes = Strikes(fleet)
        files: list[FileOutcome] = []
        n_settling = 0
        unreadable: tuple[str, ...] = ()
        if ingest:
            not_fetched = fetch_new(fleet)
            inbox = waiting(fleet)
            n_settling, unreadable = len(inbox.settling), (*not_fetched, *inbox.unreadable)
            files = ingest_new(inbox.ready, fleet, spread, strikes)
            unreadable += tuple(bring())
        done = DaysDone()
        if catalogue:
            done = bring_up_to_date(fleet, spread, strikes, most_backfill=fleet.run.backfill_days)
        joined = join_days(fleet, done.found) if catalogue else None
        survey = update_trends(fleet, spread, strikes, done.found) if catalogue else None
        bring()  # before anything is removed that it was made of
        removed = remove_expired(fleet, done.found, today()) if catalogue else None
        packs = pack_days(fleet, spread, done.found, today()) if catalogue else None
        months = _gathered(fleet, done.found) if catalogue else None
    summary = summary_of(done)
    return replace(
        summary,
        files=tuple(files),
        n_settling=n_settling,
        unreadable=(*not_renamed, *unreadable, *summary.unreadable),
        renamed=tuple(renamed),
        joined=joined,
        survey=survey,
        removed=removed,
        packs=packs,
        months=months,
    )


def _gathered(fleet: Fleet, found: DaysFound) -> MonthsDone | None:
    """What becomes of files of months. found : all days, as they were before anything was removed."""
    return gather_months(fleet, look_at_days(fleet, keep=True, before=found), today())


def summary_of(done: DaysDone) -> RunSummary:
    """The summary of a run that only brought days up to date."""
    return RunSummary(
        days=tuple(done.built.values()),
        other_version=tuple(done.in_state("other version")),
        failed=tuple(done.failed.values()),
        set_aside=tuple(done.set_aside.items()),
        damaged=done.damaged,
        unreadable=done.unreadable,
        n_postponed=len(done.postponed),
    )


def _make_ready(fleet: Fleet) -> None:
    """Refuse a run that could write nowhere, and clear up behind one that was killed."""
    store = Store(fleet.store)
    clear_staging(store.staging)
    for folder in (*store.folders, fleet.processed, fleet.quarantine):
        check_folder(folder)


def summary_if_idle(fleet: Fleet) -> RunSummary | None:
    """The summary of a run that finds no new file and no stale day; None where there is something to do.

    Raises
    ------
    StoreError : another run is at work, or the inbox is no folder.
    """
    with at_work(fleet):
        found = look_at_days(fleet, keep=True)
        inbox = waiting(fleet)
        special = [path for path in inbox.ready if is_special(path)]
        stale = bool(found.in_state("stale", "damaged"))
        if len(inbox.ready) > len(special) or stale or has_stale_days(fleet, found) or has_stale_trends(fleet, found):
            return None
        if has_expired(fleet, found, today()) or former_names(fleet) or has_new(fleet):
            return None
        if days_to_pack(fleet, found, today())[0] or has_due_months(fleet, found, today()):
            return None
        return RunSummary(
            files=tuple(ingest_files(special, fleet)),
            other_version=tuple(day for day, _ in found.in_state("other version")),
            n_settling=len(inbox.settling),
            unreadable=(*inbox.unreadable, *found.unreadable),
        )


def update_days(
    fleet: Fleet, *, sites: Sequence[str], first: date | None, last: date | None, rebuild: bool,
    spread: Spread = in_this_process,
) -> DaysDone:  # fmt: skip
    """Bring chosen days up to date; where they all are, the store is only read and needs no lock.

    Parameters
    ----------
    fleet : the configuration.
    sites : names of sites.
    first, last : range of UTC days, both included; None: open.
    rebuild : also days that are fresh or were judged by other rules than today's.
    spread : how batches are worked on.

    Raises
    ------
    StoreError : another run is at work, or nothing can be written.
    """

    def chosen(day: Day) -> bool:
        return day.site in sites and (first is None or first <= day.day) and (last is None or day.day <= last)

    found = look_at_days(fleet)
    done = DaysDone(found=found, wanted=chosen, unreadable=found.unreadable)
    if not done.in_state("stale", "damaged") and not rebuild and not former_names(fleet):
        return done
    with at_work(fleet):
        _make_ready(fleet)
        _, not_renamed = take_over(fleet)
        done = bring_up_to_date(fleet, spread, Strikes(fleet), wanted=chosen, anew=rebuild)
        return replace(done, unreadable=(*not_renamed, *done.unreadable))


def ingest_new(files: Sequence[Path], fleet: Fleet, spread: Spread, strikes: Strikes) -> list[FileOutcome]:
    """Ingest files of the inbox, those apart that ended a process before; the caller holds the lock."""
    suspected = {group_of(path) for path in files if strikes[key_of_file(path, fleet)]}
    suspects = [path for path in files if group_of(path) in suspected] if suspected else []
    function, lost = partial(ingest_files, fleet=fleet), partial(_lost_file, fleet=fleet, strikes=strikes)
    plain = batches_of([path for path in files if group_of(path) not in suspected] if suspected else files, fleet)
    outcomes = list(each_outcome(spread, function, plain, lost=lost))
    for path in [path for path in suspects if strikes[key_of_file(path, fleet)] >= MOST_UNTRIED]:
        suspects.remove(path)
        reason = f"{path.name}: ended {strikes[key_of_file(path, fleet)]} runs; it is not tried again"
        outcomes.append(_quarantined(path, reason, fleet))
    with spread_apart(1) as apart:
        outcomes += each_outcome(apart, function, [[path] for path in suspects], lost=lost)
    left = {key_of_file(outcome.path, fleet) for outcome in outcomes if outcome.state == "left"}
    strikes.settle(strikes.files() - left)
    return outcomes


def _lost_file(path: Path, reason: str, *, fleet: Fleet, strikes: Strikes) -> FileOutcome:
    """A file that ended its process, or met a bug: it has some more chances, as memory or time may have been short."""
    n = strikes.add(key_of_file(path, fleet))
    words = f"{path.name}: cannot be ingested ({reason})"
    if n < MOST_STRIKES:
        return FileOutcome(path, "left", reason=f"{words}; it is tried again after {n} of {MOST_STRIKES} attempts")
    return _quarantined(path, f"{words}; {n} times", fleet)


def _quarantined(path: Path, reason: str, fleet: Fleet) -> FileOutcome:
    try:
        to_quarantine(path, reason, fleet)
    except PlaceError as error:
        return FileOutcome(path, "left", reason=f"{reason}; {error}")
    return FileOutcome(path, "quarantined", reason=reason)
