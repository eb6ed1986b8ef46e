"""What an event's label is likely to be by what a recording says beside its waveforms, or by what follows the event."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.classifiers.reclosing import DEAD_TIME_S, Shot, reclosing_sequences
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.readers.contract import StatusChange

TRIP: Final = "fault, then trip"
RECLOSING: Final = "fault with reclosing"
_VARIATIONS: Final = frozenset({"sag", "interruption"})
_BREAKER: Final = re.compile(
    r"(?<![0-9a-z])(52|qa\d*|cb|bkr|brk|breaker|pole)(?![0-9])|开关位置|分位|合位", re.IGNORECASE
)  # in Chinese: position of a switch, open position, closed position
_BEFORE_S: Final = 0.05  # that a contact or clock may be early
_AFTER_S: Final = 2.0  # within which a fault's breaker opens, however slow its protection: common practice, no source


@dataclass(frozen=True, slots=True)
class WeakLabel:
    """A label that nobody gave.

    Attributes
    ----------
    label : a cause.
    evidence : in words.
    """

    label: str
    evidence: str


def by_reclosing(events: Sequence[Event]) -> dict[str, WeakLabel]:
    """By event id: sags of one point that come again alike, 0.2 to 60 s apart, are a fault that is fed again.

    Parameters
    ----------
    events : of a catalogue, in any order.

    Source: common practice, no source; see `classifiers.reclosing`.
    """
    by_point: dict[tuple[str, str | None], list[Event]] = {}
    for event in sorted(events, key=lambda event: event.start):
        if event.kind in _VARIATIONS and event.part_of is None:
            by_point.setdefault((event.site, event.point), []).append(event)
    found: dict[str, WeakLabel] = {}
    for own in by_point.values():
        first = own[0].start
        shots = [Shot((one.start - first) / 1e9, one.observed_s, one.magnitude, one.phases) for one in own]
        for sequence in reclosing_sequences(shots):
            if sequence.dead_time_s is not None:
                words = f"{len(sequence.members)} alike, {sequence.dead_time_s:.2g} s apart at least"
                found |= {own[k].event_id: WeakLabel(RECLOSING, words) for k in sequence.members}
    return found


def by_breaker(event: Event, changes: Sequence[StatusChange]) -> WeakLabel | None:
    """What the breakers of a recording did within two seconds of a sag; None where none of them moved.

    Parameters
    ----------
    event : of any kind; only sags and interruptions are told of.
    changes : of the status channels of its file, in order of time. Those named as a breaker's or a pole's count.

    Source: the number 52 of a breaker in IEEE C37.2, and the letters QA in IEC 81346-2 (both from memory); the other
    names are common practice, no source.
    """
    if event.kind not in _VARIATIONS:
        return None
    first, last = event.start - round(_BEFORE_S * 1e9), event.start + round(_AFTER_S * 1e9)
    moved: dict[str, list[int]] = {}
    for change in changes:
        if _BREAKER.search(change.name) and change.at_ns >= first:
            moved.setdefault(change.name, []).append(change.at_ns)
    moved = {name: times for name, times in moved.items() if times[0] <= last}
    if not moved:
        return None
    for name, times in moved.items():
        back = [t for t in times if DEAD_TIME_S[0] <= (t - times[0]) / 1e9 <= DEAD_TIME_S[1]]
        if back:
            apart_s = (back[0] - times[0]) / 1e9
            return WeakLabel(RECLOSING, f"{_moves(name, times, event)} and back {apart_s:.3g} s later")
    name, times = min(moved.items(), key=lambda item: item[1])
    return WeakLabel(TRIP, _moves(name, times, event))


def _moves(name: str, times: Sequence[int], event: Event) -> str:
    return f"{name} moves {(times[0] - event.start) / 1e9:.3g} s after the start"


def weak_labels(events: Sequence[Event], changes: Mapping[str, Sequence[StatusChange]]) -> dict[str, WeakLabel]:
    """By event id, what either evidence says; where both do, the breaker's.

    Parameters
    ----------
    events : of a catalogue.
    changes : by event id, what changed in the status channels of an event's file.
    """
    moved = {event.event_id: by_breaker(event, changes.get(event.event_id, ())) for event in events}
    return by_reclosing(events) | {name: label for name, label in moved.items() if label is not None}
