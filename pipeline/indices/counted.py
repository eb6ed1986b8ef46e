"""What is counted: RMS variations as single events per phase, per point (polyphase) and per window of time.

The order is phase, then time; sags (with interruptions) and swells are counted apart. Which of the three is meant is
part of every index: the same fault may be six, one or a third of an event.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from halfcycle.pipeline.events import Event

MAGNITUDE_U_PU: Final = 0.002
"""Standard uncertainty of a magnitude whose row tells none: the limit of IEC 61000-4-30 Class A, 0.2 % of Udin, taken
for one (derived)."""
_USUAL_HZ: Final = 50.0
Variation = Literal["sag", "swell"]
Basis = Literal["per phase", "polyphase", "time-aggregated"]

VARIATIONS: Final[dict[str, Variation]] = {
    "sag": "sag", "interruption": "sag", "undervoltage": "sag", "swell": "swell", "overvoltage": "swell",
}  # fmt: skip
WINDOW_S: Final = 60.0
"""Of aggregation in time. IEEE 1564 mentions one minute (from memory); others in use are 3, 5 and 10 minutes."""

RULES: Final[dict[Basis, str]] = {
    "per phase": "each phase counts as one event, with its own lowest (highest) voltage and duration",
    "polyphase": (
        "variations that overlap in time on the phases of one point are one event, with the lowest (highest) "
        "voltage of any phase, from the start on the first phase to the end on the last (IEC 61000-4-30)"
    ),
    "time-aggregated": (
        "of the polyphase events that start within {window_s:g} s of the first one at a site, only the worst "
        "counts; the window starts with the first event and does not slide (IEEE 1564, from memory)"
    ),
}


@dataclass(frozen=True, slots=True)
class Counted:
    """One event as it is counted.

    Attributes
    ----------
    site, point : where.
    variation : ``sag`` (interruptions too) or ``swell``.
    start : [ns since 1970-01-01]
    magnitude_pu : lowest voltage of a sag, highest of a swell. [pu]
    duration_s : how long it lasted, or was seen to last. [s]
    event_ids : the rows of the catalogue that it stands for, the one that gave the magnitude first.
    is_open : it was under way at an end of the record, so it may have lasted longer.
    magnitude_u, duration_s_u : standard uncertainties, where they are known. Each end of an
        event may lie anywhere in its half cycle: rectangular, derived. [pu], [s]
    """

    site: str
    point: str | None
    variation: Variation
    start: int
    magnitude_pu: float
    duration_s: float
    event_ids: tuple[str, ...] = ()
    is_open: bool = False
    magnitude_u: float | None = None
    duration_s_u: float | None = None

    @property
    def end(self) -> int:
        """When it was over. [ns since 1970-01-01]"""
        return self.start + round(self.duration_s * 1e9)

    def is_worse_than(self, other: Counted) -> bool:
        """Whether this event's voltage is further off than another one's of the same variation."""
        if self.variation == "swell":
            return self.magnitude_pu > other.magnitude_pu
        return self.magnitude_pu < other.magnitude_pu


def per_phase(events: Iterable[Event]) -> list[Counted]:
    """Each phase of each RMS variation as an event of its own, in order of start.

    An interruption that is part of a sag is not counted beside it; where a row has no values by phase it counts once.

    Source: IEEE Std 1564-2014, aggregation of phases (from memory).
    """
    counted = []
    for event in _variations(events):
        values = (
            (event.magnitude_a, event.duration_a_s),
            (event.magnitude_b, event.duration_b_s),
            (event.magnitude_c, event.duration_c_s),
        )
        whole = _counted(event)
        known = [(m, event.observed_s if d is None else d) for m, d in values if m is not None]
        counted += [replace(whole, magnitude_pu=m, duration_s=d) for m, d in known] or [whole]
    return sorted(counted, key=_order)


def polyphase(events: Iterable[Event]) -> list[Counted]:
    """RMS variations of one point, sags and swells apart, that overlap in time as one event each, in order of start.

    Source: IEC 61000-4-30, 5.4 (duration of a polyphase event; from memory).
    """
    found: list[Counted] = []
    last: dict[tuple[str, str | None, Variation], int] = {}
    for one in sorted((_counted(event) for event in _variations(events)), key=_order):
        key = (one.site, one.point, one.variation)
        at = last.get(key)
        if at is not None and one.start < found[at].end:
            found[at] = _united(found[at], one)
        else:
            last[key] = len(found)
            found.append(one)
    return found


def time_aggregated(counted: Sequence[Counted], *, window_s: float = WINDOW_S) -> list[Counted]:
    """The worst event of each window of time, of each site, of sags and of swells.

    Parameters
    ----------
    counted : polyphase events, of any sites.
    window_s : float >= 0. From the first event's start; it does not slide. [s]

    Returns
    -------
    In order of start; each has the magnitude and the duration of the worst of its window, and the start of the first.

    Source: IEEE Std 1564-2014, aggregation in time (from memory).
    """
    found: list[Counted] = []
    open_at: dict[tuple[str, Variation], int] = {}
    for one in sorted(counted, key=_order):
        key = (one.site, one.variation)
        at = open_at.get(key)
        if at is None or one.start - found[at].start > window_s * 1e9:
            open_at[key] = len(found)
            found.append(one)
            continue
        first = found[at]
        worst, other = (one, first) if one.is_worse_than(first) else (first, one)
        found[at] = replace(worst, start=first.start, event_ids=(*worst.event_ids, *other.event_ids))
    return found


def counted_by(events: Sequence[Event], *, window_s: float = WINDOW_S) -> dict[Basis, list[Counted]]:
    """The three ways to count, side by side.

    Parameters
    ----------
    events : rows of a catalogue, of any kind.
    window_s : of the aggregation in time. [s]

    Source: IEEE Std 1564-2014 (from memory).
    """
    together = polyphase(events)
    return {
        "per phase": per_phase(events),
        "polyphase": together,
        "time-aggregated": time_aggregated(together, window_s=window_s),
    }


def _variations(events: Iterable[Event]) -> list[Event]:
    """RMS variations in pu; without interruptions that are part of a sag that is there too."""
    every = [event for event in events if event.kind in VARIATIONS and event.magnitude_unit == "pu"]
    ids = {event.event_id for event in every}
    return [event for event in every if event.part_of is None or event.part_of not in ids]


def _counted(event: Event) -> Counted:
    return Counted(
        event.site,
        event.point,
        VARIATIONS[event.kind],
        event.start,
        event.magnitude,
        event.observed_s,
        (event.event_id,),
        event.open_start or event.open_end,
        _magnitude_u(event),
        0.5 / (event.frequency_hz or _USUAL_HZ) / math.sqrt(6),
    )


def _magnitude_u(event: Event) -> float:
    """That of the row, with the bias of its magnitude, which is counted as it stands (JCGM 100, F.2.4.5)."""
    sure = event.uncertainty
    if sure is None or sure.magnitude_u is None:
        return MAGNITUDE_U_PU
    bias = 0.0 if sure.magnitude_corrected is None else event.magnitude - sure.magnitude_corrected
    return math.hypot(sure.magnitude_u, bias)


def _united(first: Counted, second: Counted) -> Counted:
    worst, other = (second, first) if second.is_worse_than(first) else (first, second)
    return replace(
        worst,
        start=first.start,
        duration_s=(max(first.end, second.end) - first.start) / 1e9,
        event_ids=(*worst.event_ids, *other.event_ids),
        is_open=first.is_open or second.is_open,
    )


def _order(one: Counted) -> tuple[int, str, str, str]:
    return one.start, one.site, one.point or "", one.variation
