"""One nightly run as plain calls: plan, ingest, rebuild. A flow or a loop drives the steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

from pipeline.config import Fleet
from pipeline.errors import StoreError
from pipeline.nightly.days import Day, DayOutcome, State, build_days, days_of, rebuild_days
from pipeline.nightly.inbox import batches_of, to_quarantine, waiting
from pipeline.nightly.incidents import JoinOutcome, has_stale_days, join_days
from pipeline.nightly.ingest import FileOutcome, ingest_files
from pipeline.nightly.survey import SurveyOutcome, has_stale_trends, update_trends
from pipeline.spread import Spread, in_this_process
from pipeline.store.atomic import clear_staging
from pipeline.store.lock import locked
from pipeline.store.partitions import Store

_DAYS_A_BATCH = 8


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a run did.

    Attributes
    ----------
    files : an outcome each.
    days : an outcome for each day rebuilt.
    other_version : days whose catalogue was made by another version of the code, left as they are.
    n_settling : files of the inbox that are still being written.
    joined : what was done about incidents over sites; None where the fleet asks for none.
    survey : what was done about trends and verdicts; None where the fleet asks for none.
    """

    files: tuple[FileOutcome, ...] = ()
    days: tuple[DayOutcome, ...] = ()
    other_version: tuple[Day, ...] = ()
    n_settling: int = 0
    joined: JoinOutcome | None = None
    survey: SurveyOutcome | None = None

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
    StoreError : another run is at work, or something cannot be written.
    """
    with locked(fleet.store, wait_s=fleet.run.wait_for_lock_s):
        clear_staging(Store(fleet.store).staging)
        files: list[FileOutcome] = []
        n_settling = 0
        if ingest:
            inbox = waiting(fleet)
            n_settling = len(inbox.settling)
            files = ingest_new(inbox.ready, fleet, spread)
        built: dict[Day, DayOutcome] = {}
        states = days_of(fleet) if catalogue else []
        while stale := [day for day, state in states if state == "stale"]:
            built |= {outcome.day: outcome for outcome in build_batches(stale, fleet, spread)}
            states = days_of(fleet)  # a day that runs on into the next shows it only now
        joined = join_days(fleet) if catalogue else None
        survey = update_trends(fleet) if catalogue else None
        return RunSummary(tuple(files), tuple(built.values()), _of_other_version(states), n_settling, joined, survey)


def summary_if_idle(fleet: Fleet) -> RunSummary | None:
    """The summary of a run that finds no new file and no stale day; None where there is something to do.

    Raises
    ------
    StoreError : another run is at work, or the inbox is no folder.
    """
    with locked(fleet.store, wait_s=fleet.run.wait_for_lock_s):
        states = days_of(fleet)
        inbox = waiting(fleet)
        if (
            inbox.ready
            or any(state == "stale" for _, state in states)
            or has_stale_days(fleet)
            or has_stale_trends(fleet)
        ):
            return None
        return RunSummary(other_version=_of_other_version(states), n_settling=len(inbox.settling))


def update_days(
    fleet: Fleet, *, sites: Sequence[str], first: date | None, last: date | None, rebuild: bool
) -> tuple[list[DayOutcome], tuple[Day, ...], list[Day]]:
    """Bring chosen days up to date.

    Parameters
    ----------
    fleet : the configuration.
    sites : names of sites.
    first, last : range of UTC days, both included; None: open.
    rebuild : also days that are fresh or were made by another version of the code.

    Returns
    -------
    (days built, days of another version left as they are, all chosen days in order).

    Raises
    ------
    StoreError : another run is at work, or something cannot be written.
    """

    def chosen(day: Day) -> bool:
        return day.site in sites and (first is None or first <= day.day) and (last is None or day.day <= last)

    with locked(fleet.store, wait_s=fleet.run.wait_for_lock_s):
        clear_staging(Store(fleet.store).staging)
        states = [(day, state) for day, state in days_of(fleet) if chosen(day)]
        anew = [day for day, _ in states if rebuild]
        built = {outcome.day: outcome for outcome in rebuild_days(anew, fleet)}
        while True:
            states = [(day, state) for day, state in days_of(fleet) if chosen(day)]
            stale = [day for day, state in states if state == "stale"]
            if not stale:
                break
            built |= {outcome.day: outcome for outcome in build_days(stale, fleet)}
    return list(built.values()), _of_other_version(states), [day for day, _ in states]


def _of_other_version(states: Sequence[tuple[Day, State]]) -> tuple[Day, ...]:
    return tuple(day for day, state in states if state == "other version")


def ingest_new(files: Sequence[Path], fleet: Fleet, spread: Spread) -> list[FileOutcome]:
    """Ingest files of the inbox; the caller holds the lock."""
    batches: list[tuple[Path, ...]] = batches_of(files, fleet)
    function = partial(ingest_files, fleet=fleet)
    return [outcome for batch in spread(function, batches, lost=partial(_lost_file, fleet=fleet)) for outcome in batch]


def _lost_file(path: Path, reason: str, *, fleet: Fleet) -> FileOutcome:
    """A file that nothing could be done with: it would be so the next night, too."""
    words = f"{path.name}: cannot be ingested ({reason})"
    to_quarantine(path, words, fleet)
    return FileOutcome(path, "quarantined", reason=words)


def _lost_day(day: Day, reason: str) -> DayOutcome:
    raise StoreError(f"{day.site}, {day.day}: its catalogue cannot be built ({reason})")


def build_batches(days: Sequence[Day], fleet: Fleet, spread: Spread) -> list[DayOutcome]:
    """Bring days up to date; the caller holds the lock."""
    size = max(1, min(_DAYS_A_BATCH, -(-len(days) // (2 * fleet.run.workers))))
    batches = [days[i : i + size] for i in range(0, len(days), size)]
    function = partial(build_days, fleet=fleet)
    return [outcome for batch in spread(function, batches, lost=_lost_day) for outcome in batch]
