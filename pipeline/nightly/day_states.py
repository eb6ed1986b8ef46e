"""The state of each of a fleet's days: whether its catalogue matches what it is made of.

A look at the days costs what has changed since the last one, see `day_index`.
"""

from __future__ import annotations

import json
import time
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from itertools import chain
from typing import Any, Final, Literal, cast

import numpy as np

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.nightly.day_index import (
    MOMENT_AGO,
    STATES,
    WHYS,
    DayIndex,
    KnownDay,
    Memory,
    Stamps,
    Table,
    folders_of,
    folders_of_days,
    table_of,
)
from halfcycle.pipeline.nightly.day_packs import is_worth_packing
from halfcycle.pipeline.nightly.days import Day, check_settings, names_digest
from halfcycle.pipeline.nightly.logs import log_paths, named
from halfcycle.pipeline.nightly.standing import frozen_days, names_of_day
from halfcycle.pipeline.resources import judging_version
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.store.atomic import file_stamp
from halfcycle.pipeline.store.changes import Changes, site_key
from halfcycle.pipeline.store.partitions import Store, today

_ONE_DAY: Final = timedelta(days=1)
State = Literal["fresh", "stale", "other version", "damaged", "frozen"]
SETTLED: Final[frozenset[State]] = frozenset({"fresh", "other version", "frozen"})
"""The states of days that a night leaves as they are."""
Why = Literal["names", "settings", "incident_before"]
"""What of a catalogue's metadata matches no longer: the captures of its day or its neighbours, the settings, or the
incident under way at its start."""


@dataclass(frozen=True, slots=True, eq=False)
class SiteDays:
    """The days of one site.

    Attributes
    ----------
    site : its name.
    table : of all days, as `DayIndex` keeps them.
    number : another one where something may have changed, see `day_index.Memory`.
    """

    site: str
    table: Table
    number: int

    def __eq__(self, other: object) -> bool:
        """Whether the days are the same, in however many looks they were found."""
        return isinstance(other, SiteDays) and self.site == other.site and np.array_equal(self.table, other.table)

    __hash__ = None  # type: ignore[assignment]

    def states(self, *chosen: State) -> list[tuple[Day, State]]:
        """The state of each day, in order. chosen : days in one of these states; none: all."""
        codes = [STATES.index(state) for state in chosen or STATES[1:]]
        rows = self.table[np.isin(self.table["state"], codes)] if chosen else self.table[self.table["state"] > 0]
        return [
            (Day(self.site, date.fromordinal(day)), cast("State", STATES[code]))
            for day, code in rows[["day", "state"]].tolist()
        ]

    def reasons(self) -> dict[Day, frozenset[Why]]:
        """Of each stale day that has a catalogue, what no longer matches it."""
        rows = self.table[self.table["why"] > 0]
        return {
            Day(self.site, date.fromordinal(day)): frozenset(cast("Why", w) for i, w in enumerate(WHYS) if why >> i & 1)
            for day, why in rows[["day", "why"]].tolist()
        }

    def catalogues(self, first: date = date.min, last: date = date.max) -> dict[date, str]:
        """When each catalogue was written and how large it is, as `Store.catalogue_stamps` has it.

        first, last : days, both included.
        """
        rows = self.table[self.table["written"] >= 0]
        rows = rows[(rows["day"] >= first.toordinal()) & (rows["day"] <= last.toordinal())]
        return {
            date.fromordinal(day): file_stamp(written, size)
            for day, written, size in rows[["day", "written", "size"]].tolist()
        }

    def loose(self, *chosen: State, before: date) -> list[date]:
        """The days before one whose captures are worth a pack. chosen : those in one of these states."""
        codes = [STATES.index(state) for state in chosen]
        rows = self.table[(self.table["loose"] > 0) & (self.table["day"] < before.toordinal())]
        return [date.fromordinal(day) for day in rows["day"][np.isin(rows["state"], codes)].tolist()]

    def with_captures(self) -> set[date]:
        """Days that have a folder of captures."""
        return {date.fromordinal(day) for day in self.table["day"][self.table["kinds"] & 1 > 0].tolist()}


@dataclass(frozen=True)
class DaysFound:
    """The days of a fleet.

    Attributes
    ----------
    sites : by name, those that can be read.
    unreadable : in words, what of the store cannot be read; the sites that it concerns are not among the days.
    """

    sites: Mapping[str, SiteDays]
    unreadable: tuple[str, ...] = ()

    @cached_property
    def states(self) -> tuple[tuple[Day, State], ...]:
        """In order of site and day.

        ``stale``: no catalogue yet, or other captures (of the day or its neighbours), settings or incident under way
        at its start. ``damaged``: a catalogue that cannot be read. ``other version``: judged from what is
        there now by other rules (`resources.judging_version`). ``frozen``: waveforms that it was made of are gone, so
        that it stays as it is.
        """
        return tuple(chain.from_iterable(site.states() for site in self.sites.values()))

    def in_state(self, *chosen: State) -> list[tuple[Day, State]]:
        """As `states`, the days in some states."""
        return list(chain.from_iterable(site.states(*chosen) for site in self.sites.values()))

    @cached_property
    def reasons(self) -> Mapping[Day, frozenset[Why]]:
        """Of each stale day that has a catalogue, what no longer matches it."""
        return {day: why for site in self.sites.values() for day, why in site.reasons().items()}

    @cached_property
    def with_captures(self) -> frozenset[Day]:
        """Days that have a folder of captures, be they set aside."""
        return frozenset(Day(name, day) for name, site in self.sites.items() for day in site.with_captures())

    def is_backfill(self, day: Day) -> bool:
        """Whether a day is stale for other settings, not for other captures: history, not news."""
        why = self.reasons.get(day, frozenset())
        return "settings" in why and "names" not in why


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


def look_at_days(fleet: Fleet, *, keep: bool = False, trust: bool = True, before: DaysFound | None = None) -> DaysFound:
    """As `days_of`, with what cannot be read beside it.

    Parameters
    ----------
    fleet : the configuration; sites of the store that it does not name are left out.
    keep : remember what was found for the next look; for who holds the store's lock.
    trust : take what was kept of earlier looks for what it says; else all is looked at.
    before : of an earlier look under the same lock: sites of which no change was noted since are as they were.
    """
    check_settings(fleet)
    changes = Changes(Store(fleet.store).root)
    noted = changes.noted()
    found: dict[str, SiteDays] = {}
    unreadable: list[str] = []
    seen: dict[str, frozenset[date]] = {}
    for site in fleet.sites:
        key = site_key(site.name)
        if before is not None and key not in noted and site.name in before.sites:
            found[site.name] = before.sites[site.name]
            continue
        try:
            is_later = before is not None and site.name in before.sites
            changed = noted.get(key, frozenset())
            look = _SiteLook(site, fleet, changed, keep=keep, trust=trust, is_later=is_later)
            found[site.name] = look.found()
        except PlaceError as error:
            unreadable.append(str(error))
            continue
        if look.is_kept and key in noted:
            seen[key] = noted[key]
    changes.forget(seen)
    return DaysFound(found, tuple(unreadable))


class _SiteLook:
    """A look at one site's days.

    Parameters
    ----------
    changed : days noted as about to change.
    keep, trust : as for `look_at_days`.
    is_later : the site was looked at before under the same lock.
    """

    def __init__(
        self, site: Site, fleet: Fleet, changed: frozenset[date], *, keep: bool, trust: bool, is_later: bool
    ) -> None:
        self._is_later = is_later
        self._site, self._store, self._keep = site, Store(fleet.store), keep
        self._index = DayIndex(self._store, site.name)
        self._settings = {since: fleet.site_digest(site.on(since)) for since in site.changed_on()}
        self._key = json.dumps([[(since.isoformat(), d) for since, d in self._settings.items()], judging_version()])
        self._changed, self._today = changed, today()
        self._memory = self._index.memory(self._key, self._today) if trust else None
        self.is_kept = False
        """Whether what was found is remembered, so that notes of changes are done with."""

    def found(self) -> SiteDays:
        """The states of the site's days.

        Raises
        ------
        PlaceError : something of the site cannot be read.
        """
        memory, index, name = self._memory, self._index, self._site.name
        times = index.folder_times()
        if memory is None:
            held = folders_of(self._store, name)
            days, reach, unsettled = self._look_at(held, None)
            now = Memory(table_of(days), reach, "", unsettled, times, index.ends(self._today), time.time_ns())
            now = replace(now, newest=self._stamps(now.newest_days()))
        else:
            now = self._brought_up(memory, times)
        self.is_kept = self._keep and (now is memory or index.keep(now, self._key))
        return SiteDays(name, now.days, now.number)

    def _brought_up(self, memory: Memory, times: tuple[int, ...]) -> Memory:
        """What was kept, with what changed since; itself where nothing did."""
        same_newest = self._stamps(memory.newest_days()) == memory.newest
        same_folders = memory.folders == times and MOMENT_AGO not in times
        if same_newest and same_folders and not self._changed and not memory.open:
            return memory
        held, moved = self._held_now(memory, same_folders=same_folders)
        doubtful = {*self._changed, *memory.open, *moved, *(() if same_newest else memory.newest_days())}
        if not doubtful:
            return replace(memory, folders=times)
        anew = memory.resting_on(doubtful)
        days, reach, unsettled = self._look_at(held, anew)
        table, reach = memory.with_days(days, anew), max(memory.reach, reach)
        now = replace(memory, days=table, reach=reach, open=unsettled, folders=times, number=memory.number + 1)
        return replace(now, newest=self._stamps(now.newest_days()))

    def _held_now(self, memory: Memory, *, same_folders: bool) -> tuple[dict[date, int], set[date]]:
        """The days that have folders, and those of which one came or went unnoted."""
        if self._is_later:  # nobody else is at work: days come and go by what was noted alone
            held = {day: kinds for day, kinds in memory.held().items() if day not in self._changed}
            return held | folders_of_days(self._store, self._site.name, self._changed), set()
        if same_folders:
            return memory.held(), set()
        held = folders_of(self._store, self._site.name)
        return held, memory.other_folders(held)

    def _stamps(self, held: Mapping[date, int]) -> str:
        return Stamps.of(self._store, self._site.name, held).digest()

    def _look_at(
        self, held: Mapping[date, int], wanted: Collection[date] | None
    ) -> tuple[dict[date, KnownDay], int, frozenset[date]]:
        """Days as their files have them.

        Parameters
        ----------
        held : all days of the site, with the kinds of folders that they have.
        wanted : days of which the state is asked for; None: all.

        Returns
        -------
        (what was found of each that there is, how many days after its own a catalogue rests on at most, days that
        changed a moment ago).
        """
        near = set(held) if wanted is None else {day + n * _ONE_DAY for day in wanted for n in (-1, 0, 1)}
        while True:
            around = {day: held[day] for day in near if day in held}
            stamps = Stamps.of(self._store, self._site.name, around)
            known, damaged = self._index.documents(stamps.catalogues, keep=self._keep)
            reach = {day: document.get("days_after", 1) for day, document in known.items()}
            far = {day + n * _ONE_DAY for day, most in reach.items() for n in range(2, most + 1)
                   if wanted is None or day in wanted} - near  # fmt: skip
            if far.isdisjoint(held):
                break
            near |= far
        store, name = self._store, self._site.name
        loose = {day for day in stamps.folders if is_worth_packing(store, name, day)}
        found = {
            day: KnownDay("", (), kinds, stamps.catalogues.get(day, ""), day in loose) for day, kinds in around.items()
        }
        for day, (state, why) in self._judged(stamps, known, damaged).items():
            one = found.get(day, KnownDay("", (), 0, ""))
            found[day] = replace(one, state=state, why=tuple(sorted(why)))
        chosen = found if wanted is None else {day: one for day, one in found.items() if day in wanted}
        return chosen, max(reach.values(), default=1), frozenset(stamps.unsettled())

    def _judged(
        self, stamps: Stamps, known: Mapping[date, Mapping[str, Any]], damaged: set[date]
    ) -> dict[date, tuple[State, frozenset[Why]]]:
        """The state of each day, and of stale ones why.

        Parameters
        ----------
        known : what the catalogues say of their inputs.
        damaged : days of those that cannot be read.
        """
        site, store = self._site.name, self._store
        held = {day: store.stems(site, day) for day in stamps.folders}
        present = {day: {*captures, *aside} for day, (captures, aside) in held.items()}
        logs = {day: named(log_paths(store, site, day)) for day in stamps.recorded}
        names, captured = {}, {}
        for day in held.keys() | known.keys() | logs.keys():
            captures, _ = held.get(day, ([], []))
            captured[day] = names_of_day(captures, present.get(day, ()), known.get(day))
            names[day] = [*captured[day], *logs.get(day, ())]
        frozen = frozen_days(known, present)
        runs_on = {day + _ONE_DAY for day, document in known.items() if document.get("runs_into_next_day")}
        found: dict[date, tuple[State, frozenset[Why]]] = {}
        for day in {day for day in names if names[day] or any(held.get(day, ()))} | set(known) | damaged | runs_on:
            state: State = "damaged" if day in damaged else "stale"
            document = known.get(day, {})
            inputs_now: dict[Why, Any] = {
                "names": names_digest(names, day, document.get("days_after", 1)),
                "settings": self._settings[max(since for since in self._settings if since <= day)],
                "incident_before": known.get(day - _ONE_DAY, {}).get("incident_after"),
            }
            others = frozenset(key for key, value in inputs_now.items() if document.get(key) != value)
            if document and not others:
                state = "fresh" if document.get("judging") == judging_version() else "other version"
            if day in frozen and frozen[day].issuperset(captured.get(day, ())):
                state = "frozen"
            found[day] = state, others if document and state == "stale" else frozenset()
        return found
