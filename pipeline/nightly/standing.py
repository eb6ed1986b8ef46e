"""Days whose catalogue stands though waveforms that it was made of are gone: what it says is all that is left of them.

A catalogue lists the captures that lay in its day. Where the store no longer has one of them, not even set aside, the
day is frozen: other settings and other rules of judging leave it as it is, and captures that come late are judged
beside what it holds.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.nightly.catalogue_file import Row, metadata_if_whole, read_events_table
from halfcycle.pipeline.store.partitions import Store

CAPTURES: Final = "captures"
"""Of a catalogue's metadata: the names of the captures in its day when it was made, without those set aside."""
_ONE_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Standing:
    """What a frozen day's catalogue holds: the captures that it lists, its events and its coverage."""

    captures: frozenset[str]
    events: Sequence[Event]
    rows: Sequence[Row]


def standing(site: str, day: date, store: Store) -> Standing | None:
    """What a day's catalogue holds, where the day is frozen; None where it is not, or has no catalogue.

    Raises
    ------
    PlaceError : the catalogue is damaged.
    """
    path = store.catalogue_path(site, day)
    document = metadata_if_whole(path)
    if document is None:
        return None
    around = [day + _ONE_DAY * n for n in range(-1, document.get("days_after", 1) + 1)]
    known = {d: one for d in around if (one := metadata_if_whole(store.catalogue_path(site, d))) is not None}
    frozen = frozen_days(known, {d: names_present(store, site, d) for d in around})
    if day not in frozen:
        return None
    return Standing(frozen[day], events_of(read_events_table(path)), [tuple(row) for row in document["coverage"]])


def names_present(store: Store, site: str, day: date) -> frozenset[str]:
    """Names of the captures that the store has of a day, those set aside included."""
    return frozenset(name for part in store.stems(site, day) for name in part)


def names_of_day(held: Collection[str], present: Collection[str], document: Mapping[str, Any] | None) -> list[str]:
    """Names of the captures that count for a day, in order: those held, and those gone that its catalogue lists.

    Parameters
    ----------
    held, present : of those that the store has, without and with those set aside.
    document : metadata of the day's catalogue; None: it has none.
    """
    listed = () if document is None else document.get(CAPTURES, ())
    return sorted({*held, *(name for name in listed if name not in present)})


def frozen_days(
    known: Mapping[date, Mapping[str, Any]], present: Mapping[date, Collection[str]]
) -> dict[date, frozenset[str]]:
    """The days whose catalogue rests on captures that are gone, and the captures of each that its catalogue lists.

    Parameters
    ----------
    known : metadata of the catalogues of a site, by day.
    present : names of the captures that the store has of each day, those set aside included.
    """
    gone = {day for day, document in known.items() if has_lost(document, present.get(day, ()))}
    found = {}
    for day, document in known.items():
        after = [day + _ONE_DAY * n for n in range(1, document.get("days_after", 1) + 1)]
        led_in = day - _ONE_DAY in gone and known[day - _ONE_DAY].get("runs_into_next_day")
        runs_on = document.get("runs_into_next_day") and not gone.isdisjoint(after)
        if day in gone or led_in or runs_on:
            found[day] = frozenset(document.get(CAPTURES, ()))
    return found


def has_lost(document: Mapping[str, Any], present: Collection[str]) -> bool:
    """Whether captures that a document lists are gone. present: names of those that the store has of its day."""
    listed = document.get(CAPTURES)
    if listed is None:  # an older catalogue, which lists none
        return not present and bool(document.get("coverage") or document.get("files"))
    return not set(listed) <= set(present)
