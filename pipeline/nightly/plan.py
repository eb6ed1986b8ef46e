"""What the next night would make anew, why, and how much has to be read for it; nothing is changed."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.catalogue_file import metadata_if_whole
from halfcycle.pipeline.nightly.day_index import DayIndex
from halfcycle.pipeline.nightly.day_states import DaysFound, State, look_at_days
from halfcycle.pipeline.nightly.days import Day, path_of
from halfcycle.pipeline.nightly.inbox import waiting
from halfcycle.pipeline.nightly.months import MonthsDone, months_to_gather
from halfcycle.pipeline.nightly.packing import PacksDone, would_be_packed
from halfcycle.pipeline.nightly.renamed import former_names, names_unknown
from halfcycle.pipeline.nightly.retention import Removed, would_be_removed
from halfcycle.pipeline.nightly.upkeep import postponed_of
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.store.content import stored_size
from halfcycle.pipeline.store.partitions import Store

_WORDS: Final = {
    "names": "captures were added or removed",
    "incident_before": "the incident under way at its start changed",
}
_MOST_SHOWN: Final = 40  # signs of a setting's value


@dataclass(frozen=True, slots=True)
class PlannedDay:
    """A day whose catalogue would be made.

    Attributes
    ----------
    day : which.
    reason : in words.
    captures, size : that are stored of it, and of the files. [bytes]
    postponed : it is left to nights to come, as the settings allow so many days of history a night.
    """

    day: Day
    reason: str
    captures: int
    size: int
    postponed: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """What the next night would do.

    Attributes
    ----------
    days : whose catalogues it would make, in order of site and day; captures that it brings in come on top.
    inbox, settling : files that it would take in, and those that are still being written.
    frozen : days that stay as they are, because waveforms are gone.
    judged_otherwise : days that stay as they are, judged by other rules than today's: in words by which and by what
        version of halfcycle, and how many.
    renamed : (former name, present name) of what it would bring under another name.
    unknown : names that the store holds and no site has or had.
    removed : what is past its age today.
    packs : days whose captures it would bring together in fewer files.
    months : files of months that it would write, as the catalogues are now.
    unreadable : in words, what of the store and the inbox cannot be read.
    """

    days: tuple[PlannedDay, ...]
    inbox: int
    settling: int
    frozen: int
    judged_otherwise: tuple[tuple[str, int], ...]
    renamed: tuple[tuple[str, str], ...]
    unknown: tuple[str, ...]
    removed: Removed
    packs: PacksDone
    months: MonthsDone
    unreadable: tuple[str, ...]


def plan(fleet: Fleet, today: date) -> Plan:
    """What the next night would do to a fleet's store; it is only read, and needs no lock.

    Raises
    ------
    ConfigError : the settings name what is not known.
    StoreError : the inbox or the store is no folder.
    """
    found = look_at_days(fleet)
    inbox = waiting(fleet)
    postponed = postponed_of(found, [day for day, _ in found.in_state("stale")], fleet.run.backfill_days)
    return Plan(
        tuple(_planned(day, state, found, fleet, day in postponed)
              for day, state in found.in_state("stale", "damaged")),
        len(inbox.ready), len(inbox.settling), len(found.in_state("frozen")),
        _judged_otherwise(found, fleet),
        tuple((old, site.name) for site, old in former_names(fleet)), tuple(names_unknown(fleet)),
        would_be_removed(fleet, found, today), would_be_packed(fleet, found, today),
        months_to_gather(fleet, found, today),
        (*inbox.unreadable, *found.unreadable),
    )  # fmt: skip


def _judged_otherwise(found: DaysFound, fleet: Fleet) -> tuple[tuple[str, int], ...]:
    """By what rules and which version the days of another one were judged, and how many by each."""
    counts: Counter[str] = Counter()
    for name, site in found.sites.items():
        others = site.states("other version")
        stamps = site.catalogues() if others else {}
        of_others = {day.day: stamps[day.day] for day, _ in others}
        known, _ = DayIndex(Store(fleet.store), name).documents(of_others, keep=False)
        for document in known.values():
            by, _, _ = str(document.get("version", "an unknown version")).partition(" with ")
            counts[f"{document.get('judging', 'an unnamed revision')} by halfcycle {by}"] += 1
    return tuple(sorted(counts.items()))


def _planned(day: Day, state: State, found: DaysFound, fleet: Fleet, postponed: bool) -> PlannedDay:
    captures, _ = Store(fleet.store).held(day.site, day.day)
    return PlannedDay(day, _reason(day, state, found, fleet), len(captures), sum(map(_size, captures)), postponed)


def _reason(day: Day, state: State, found: DaysFound, fleet: Fleet) -> str:
    if state == "damaged":
        return "its catalogue cannot be read"
    why = found.reasons.get(day)
    if why is None:
        return "no catalogue yet"
    words = [_WORDS[key] for key in ("names", "incident_before") if key in why]
    if "settings" in why:
        words.append(_changed(day, fleet))
    return "; ".join(words)


def _changed(day: Day, fleet: Fleet) -> str:
    """Which settings are others than those that a day was judged by."""
    before = (metadata_if_whole(path_of(day, fleet)) or {}).get("judged_by")
    site = fleet.site(day.site)
    if not isinstance(before, dict) or site is None:  # an older catalogue, which does not say them
        return "other settings"
    now = json.loads(json.dumps(fleet.judged_by(site.on(day.day)), default=str))
    old, new = _flat(before), _flat(now)
    changed = [key for key in sorted({*old, *new}) if old.get(key) != new.get(key)]
    told = [f"{key} {_shown(old, key)} → {_shown(new, key)}" for key in changed]
    return f"other settings ({', '.join(told)})" if told else "other settings"


def _flat(table: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in table.items():
        is_table = isinstance(value, dict) and (value or not before)
        flat |= _flat(value, f"{before}{key}.") if is_table else {f"{before}{key}": value}
    return flat


def _shown(flat: Mapping[str, Any], key: str) -> str:
    if key not in flat:
        return "off" if key.startswith("detectors.") else "default"
    if flat[key] in ("", {}, []):
        return "on" if key.startswith("detectors.") else "none"
    text = json.dumps(flat[key], ensure_ascii=False)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"


def _size(path: Path) -> int:
    try:
        return stored_size(path)
    except OSError:
        return 0


def cost_words(days: Iterable[PlannedDay]) -> str:
    """How much has to be read for some days, in words."""
    planned = list(days)
    captures, size = sum(one.captures for one in planned), sum(one.size for one in planned)
    return f"{counted(captures, 'capture')}, {size / 1e6:.1f} MB"
