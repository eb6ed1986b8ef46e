"""The state of each of a fleet's days: whether its catalogue matches what it is made of.

A look at the days costs what has changed since the last one, see `day_index`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Final, Literal

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.nightly.day_index import DayIndex, Stamps
from halfcycle.pipeline.nightly.days import Day, check_settings, names_digest
from halfcycle.pipeline.nightly.logs import log_paths, named
from halfcycle.pipeline.nightly.standing import frozen_days, names_of_day
from halfcycle.pipeline.resources import judging_version
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.store.partitions import Store

_ONE_DAY: Final = timedelta(days=1)
State = Literal["fresh", "stale", "other version", "damaged", "frozen"]
SETTLED: Final[frozenset[State]] = frozenset({"fresh", "other version", "frozen"})
"""The states of days that a night leaves as they are."""
Why = Literal["names", "settings", "incident_before"]
"""What of a catalogue's metadata matches no longer: the captures of its day or its neighbours, the settings, or the
incident under way at its start."""


@dataclass(frozen=True, slots=True)
class DaysFound:
    """The days of a fleet.

    Attributes
    ----------
    states : in order of site and day. ``stale``: no catalogue yet, or other captures (of the day or its neighbours),
        settings or incident under way at its start. ``damaged``: a catalogue that cannot be read. ``other version``:
        judged from what is there now by other rules (`resources.judging_version`). ``frozen``: waveforms that it was
        made of are gone, so that it stays as it is.
    unreadable : in words, what of the store cannot be read; the sites that it concerns are not among the days.
    reasons : of each stale day that has a catalogue, what no longer matches it.
    """

    states: tuple[tuple[Day, State], ...]
    unreadable: tuple[str, ...] = ()
    reasons: Mapping[Day, frozenset[Why]] = field(default_factory=dict)

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


def look_at_days(fleet: Fleet, *, keep: bool = False) -> DaysFound:
    """As `days_of`, with what cannot be read beside it.

    Parameters
    ----------
    fleet : the configuration; sites of the store that it does not name are left out.
    keep : remember what was found for the next look; for who holds the store's lock.
    """
    check_settings(fleet)
    found: list[tuple[Day, State]] = []
    reasons: dict[Day, frozenset[Why]] = {}
    unreadable: list[str] = []
    for site in fleet.sites:
        try:
            states, why = _days_of_site(site, fleet, keep=keep)
        except PlaceError as error:
            unreadable.append(str(error))
            continue
        found += states
        reasons |= why
    return DaysFound(tuple(found), tuple(unreadable), reasons)


def _days_of_site(site: Site, fleet: Fleet, *, keep: bool) -> tuple[list[tuple[Day, State]], dict[Day, frozenset[Why]]]:
    """The states of a site's days, from what was kept of them where nothing has changed since."""
    store = Store(fleet.store)
    index, stamps = DayIndex(store, site.name), Stamps.of(store, site.name)
    settings = {since: fleet.site_digest(site.on(since)) for since in site.changed_on()}
    by_date = [(since.isoformat(), digest) for since, digest in settings.items()]
    key = stamps.key(json.dumps([by_date, judging_version()]))
    kept = index.states(key)
    if kept is None:
        states, reasons = _look_at_site(site, fleet, index, stamps, settings, keep=keep)
        if keep and stamps.is_settled():
            told = {day.day.isoformat(): sorted(why) for day, why in reasons.items()}
            index.keep_states(key, [[(day.day.isoformat(), state) for day, state in states], told])
        return states, reasons
    listed, told = kept
    return (
        [(Day(site.name, date.fromisoformat(day)), state) for day, state in listed],
        {Day(site.name, date.fromisoformat(day)): frozenset(why) for day, why in told.items()},
    )


def _look_at_site(
    site: Site, fleet: Fleet, index: DayIndex, stamps: Stamps, settings: Mapping[date, str], *, keep: bool
) -> tuple[list[tuple[Day, State]], dict[Day, frozenset[Why]]]:
    store = Store(fleet.store)
    known, damaged = index.documents(stamps, keep=keep)
    held = {day: store.stems(site.name, day) for day in stamps.folders}
    present = {day: {*captures, *aside} for day, (captures, aside) in held.items()}
    logs = {day: named(log_paths(store, site.name, day)) for day in stamps.recorded}
    names, captured = {}, {}
    for day in held.keys() | known.keys() | logs.keys():
        captures, _ = held.get(day, ([], []))
        captured[day] = names_of_day(captures, present.get(day, ()), known.get(day))
        names[day] = [*captured[day], *logs.get(day, ())]
    frozen = frozen_days(known, present)
    runs_on = {day + _ONE_DAY for day, document in known.items() if document.get("runs_into_next_day")}
    found: list[tuple[Day, State]] = []
    reasons: dict[Day, frozenset[Why]] = {}
    for day in sorted({day for day in names if names[day] or any(held.get(day, ()))} | set(known) | damaged | runs_on):
        state: State = "damaged" if day in damaged else "stale"
        document = known.get(day, {})
        inputs_now: dict[Why, Any] = {
            "names": names_digest(names, day, document.get("days_after", 1)),
            "settings": settings[max(since for since in settings if since <= day)],
            "incident_before": known.get(day - _ONE_DAY, {}).get("incident_after"),
        }
        others = frozenset(key for key, value in inputs_now.items() if document.get(key) != value)
        if document and not others:
            state = "fresh" if document.get("judging") == judging_version() else "other version"
        if day in frozen and frozen[day].issuperset(captured.get(day, ())):
            state = "frozen"
        found.append((Day(site.name, day), state))
        if document and state == "stale":
            reasons[Day(site.name, day)] = others
    return found, reasons
