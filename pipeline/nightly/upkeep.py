"""Days brought up to date, whatever one of them meets.

It alone is left, or judged without the stored captures that keep it from being so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.nightly.at_hand import Strikes
from halfcycle.pipeline.nightly.building import DayFailure, DayOutcome, build_days, key_of_day, rebuild_days
from halfcycle.pipeline.nightly.culprits import culprits
from halfcycle.pipeline.nightly.day_states import DaysFound, State, look_at_days
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.processes import spread_apart
from halfcycle.pipeline.spread import Spread, each_outcome
from halfcycle.pipeline.store.partitions import Store

_DAYS_A_BATCH: Final = 8
Outcome = DayOutcome | DayFailure


@dataclass(slots=True)
class DaysDone:
    """What became of some days.

    Attributes
    ----------
    built : an outcome for each day whose catalogue was made.
    failed : days whose catalogue could not be made, and why.
    set_aside : stored captures that days are judged without from now on, and why.
    damaged : days whose catalogue could not be read; it was made anew where it is among those built.
    unreadable : in words, what of the store cannot be read.
    postponed : days that match other settings than there are now, left to later nights.
    found : by the last look, of all days.
    wanted : which days.
    """

    built: dict[Day, DayOutcome] = field(default_factory=dict)
    failed: dict[Day, DayFailure] = field(default_factory=dict)
    set_aside: dict[Path, str] = field(default_factory=dict)
    damaged: tuple[Day, ...] = ()
    unreadable: tuple[str, ...] = ()
    postponed: frozenset[Day] = frozenset()
    found: DaysFound = field(default_factory=lambda: DaysFound({}))
    wanted: Callable[[Day], bool] = lambda day: True

    @property
    def states(self) -> tuple[tuple[Day, State], ...]:
        """Of all days wanted, as they are now."""
        return tuple((day, state) for day, state in self.found.states if self.wanted(day))

    def in_state(self, *chosen: State) -> list[Day]:
        """The days wanted that are in some states."""
        return [day for day, _ in self.found.in_state(*chosen) if self.wanted(day)]


def bring_up_to_date(
    fleet: Fleet,
    spread: Spread,
    strikes: Strikes,
    *,
    wanted: Callable[[Day], bool] = lambda day: True,
    anew: bool = False,
    most_backfill: int | None = None,
    trust: bool = True,
) -> DaysDone:
    """Make the catalogues of all days wanted that do not match what they are made of; the caller holds the lock.

    Parameters
    ----------
    fleet : the configuration.
    spread : how batches are worked on.
    strikes : days that ended a process before are worked on apart.
    wanted : which days.
    most_backfill : days made anew for other settings alone, the latest first; None: all.
    trust : take what was kept of earlier looks at the days for what it says, as `day_states.look_at_days` has it.
    anew : also those that match, but for frozen ones; stored captures that are set aside are tried again.

    Raises
    ------
    StoreError : nothing can be written any more.
    """
    done = DaysDone(wanted=wanted)
    done.found = look_at_days(fleet, keep=True, trust=trust)
    done.unreadable = done.found.unreadable
    done.postponed = postponed_of(done.found, done.in_state("stale"), most_backfill)
    done.damaged = tuple(done.in_state("damaged"))
    with spread_apart(fleet.run.workers) as apart:
        if anew:
            again = [day for day, state in done.states if state != "frozen"]
            _put_back(again, fleet)
            _work(rebuild_days, again, fleet, spread, apart, strikes, done)
            _look(fleet, done)
        while stale := _to_make(done):
            _work(build_days, stale, fleet, spread, apart, strikes, done)
            _look(fleet, done)  # a day that runs on into the next shows it only now
    strikes.settle({key_of_day(day) for day in done.built})
    return done


def postponed_of(found: DaysFound, days: Sequence[Day], most: int | None) -> frozenset[Day]:
    """Of some days, those that are stale for other settings alone and left to later nights, the earliest.

    most : of such days a night; None: all.
    """
    history = sorted((day for day in days if found.is_backfill(day)), key=lambda one: (one.day, one.site), reverse=True)
    return frozenset() if most is None else frozenset(history[most:])


def _look(fleet: Fleet, done: DaysDone) -> None:
    done.found = look_at_days(fleet, keep=True, before=done.found)
    done.unreadable = done.found.unreadable


def _to_make(done: DaysDone) -> list[Day]:
    left = done.failed.keys() | done.postponed
    return [day for day in done.in_state("stale", "damaged") if day not in left]


def _put_back(days: Sequence[Day], fleet: Fleet) -> None:
    store = Store(fleet.store)
    for day in days:
        for path in store.set_aside(day.site, day.day):
            store.put_back(path)


def _work(
    function: Callable[..., list[Outcome]],
    days: Sequence[Day],
    fleet: Fleet,
    spread: Spread,
    apart: Spread,
    strikes: Strikes,
    done: DaysDone,
) -> None:
    """Make some days once; what fails is set right as far as can be, so that the day is stale again, or has failed."""
    plain, tried, given_up = strikes.parted(days, key_of_day)
    for day in given_up:
        reason = f"it ended {strikes[key_of_day(day)]} runs; catalogue --rebuild tries it again"
        done.failed[day] = DayFailure(day, reason)
    work = partial(function, fleet=fleet)
    outcomes = list(each_outcome(spread, work, batches_of_days(plain, fleet), lost=_lost_day))
    outcomes += each_outcome(apart, work, [[day] for day in tried], lost=_lost_day)
    for outcome in outcomes:
        if isinstance(outcome, DayOutcome):
            done.built[outcome.day] = outcome
        else:
            _set_right(outcome, work, fleet, apart, done)


def batches_of_days(days: Sequence[Day], fleet: Fleet) -> list[Sequence[Day]]:
    """Days in order, so many together that each worker has some."""
    size = max(1, min(_DAYS_A_BATCH, -(-len(days) // (2 * fleet.run.workers))))
    return [days[i : i + size] for i in range(0, len(days), size)]


def _lost_day(day: Day, reason: str) -> Outcome:
    return DayFailure(day, reason, in_judging=True)


def _set_right(
    failure: DayFailure, work: Callable[[Sequence[Day]], list[Outcome]], fleet: Fleet, apart: Spread, done: DaysDone
) -> None:
    aside: dict[Path, str] = {}
    if failure.damaged is not None:
        aside = {failure.damaged: failure.reason.removeprefix(f"{failure.damaged}: ")}
    elif failure.in_judging:
        (again,) = each_outcome(apart, work, [[failure.day]], lost=_lost_day)
        if isinstance(again, DayOutcome):  # it was no fault of the day
            done.built[again.day] = again
            return
        if not again.in_judging:
            _set_right(again, work, fleet, apart, done)
            return
        found = culprits(failure.day, fleet, apart)
        aside = {path: f"the day cannot be judged with it ({reason})" for path, reason in found.items()}
    try:
        for path, reason in aside.items():
            Store(fleet.store).put_aside(path, reason)
            done.set_aside[path] = reason
    except PlaceError as error:
        done.failed[failure.day] = DayFailure(failure.day, str(error))
        return
    if not aside:
        done.failed[failure.day] = failure
