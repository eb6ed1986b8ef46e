"""Summaries of a catalogue for people: the worst events, and how many of what depth lasted how long."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.catalogue.tables import iso_utc
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.plain_text import counted

# Rows and columns as EN 50160 and IEC 61000-2-8 lay such tables out (edges from memory).
_MAGNITUDES_PU: Final = ((1.2, None), (1.1, 1.2), (0.8, 0.9), (0.7, 0.8), (0.4, 0.7), (0.1, 0.4), (None, 0.1))
_DURATIONS_S: Final = (0.2, 0.5, 1.0, 5.0, 60.0, None)
_RMS_KINDS: Final = frozenset({"sag", "swell", "interruption", "undervoltage", "overvoltage"})


@dataclass(frozen=True, slots=True)
class TextTable:
    """A table of text cells: title, heads of the columns, rows."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def severity_s(event: Event) -> float:
    """How bad an event was: voltage missing or in excess times time, worst phase. [pu s]

    Source: the lost-voltage integral of a rectangular event (definition in the reference figures of IEEE 1564, from
    memory); here it only ranks.
    """
    return abs(1.0 - event.magnitude) * event.observed_s


def distinct_events(events: Sequence[Event]) -> list[Event]:
    """RMS variations counted once: an interruption stands for the sag that it is part of."""
    inside = {event.part_of for event in events if event.part_of is not None}
    return [event for event in events if event.kind in _RMS_KINDS and event.event_id not in inside]


def worst_events(events: Sequence[Event], *, most: int) -> list[Event]:
    """The worst RMS variations first, by voltage lost or in excess times time. most: at the most so many."""
    return sorted(distinct_events(events), key=lambda event: (-severity_s(event), event.start, event.event_id))[:most]


def other_kinds(events: Sequence[Event]) -> list[tuple[str, int]]:
    """Kinds that are no RMS variations, and how many of each, the most first."""
    counts: dict[str, int] = {}
    for event in events:
        if event.kind not in _RMS_KINDS:
            counts[event.kind] = counts.get(event.kind, 0) + 1
    return sorted(counts.items(), key=lambda row: (-row[1], row[0]))


def magnitude_duration_table(events: Sequence[Event]) -> TextTable:
    """Counts of events by magnitude and duration.

    Parameters
    ----------
    events : of any kinds; RMS variations are counted, an interruption in place of the sag it is part of. One that is
        open at an end is counted at the time it was seen.
    """
    distinct = distinct_events(events)
    heads = ["magnitude"]
    low = 0.0
    for high in _DURATIONS_S:
        heads.append(f"> {low:g} s" if high is None else f"≤ {high:g} s")
        low = high or low
    rows = []
    for floor, ceiling in _MAGNITUDES_PU:
        name = (
            f"≥ {floor:g} pu"
            if ceiling is None
            else f"< {ceiling:g} pu"
            if floor is None
            else f"{floor:g}–{ceiling:g} pu"
        )
        cells = [0] * len(_DURATIONS_S)
        for event in distinct:
            if (floor is None or event.magnitude >= floor) and (ceiling is None or event.magnitude < ceiling):
                cells[next(i for i, d in enumerate(_DURATIONS_S) if d is None or event.observed_s <= d)] += 1
        rows.append((name, *(str(cell) if cell else "·" for cell in cells)))
    return TextTable(f"{counted(len(distinct), 'RMS variation')} by magnitude and duration", tuple(heads), tuple(rows))


def worst_table(events: Sequence[Event], *, most: int) -> TextTable:
    """The worst events first, by voltage lost or in excess times time.

    Parameters
    ----------
    events : of any kinds; RMS variations are ranked, an interruption in place of the sag it is part of.
    most : int >= 0. Rows at the most.

    Columns that no row fills are left out: point, cause, side, quality.
    """
    worst = worst_events(events, most=most)
    rows = tuple(
        (
            event.site,
            event.point or "",
            iso_utc(event.start)[:23].replace("T", " "),  # a narrow terminal breaks the line there
            _duration(event),
            f"{event.magnitude:.3f} {event.magnitude_unit}",
            event.phases + (" line to line" if event.line_to_line else ""),
            event.category,
            event.cause or "",
            event.direction or "",
            event.quality,
        )
        for event in worst
    )
    heads = ("site", "point", "start (UTC)", "duration", "magnitude", "phases", "category", "cause", "side", "quality")
    optional = ("point", "cause", "side", "quality")
    shown = [i for i in range(len(heads)) if heads[i] not in optional or any(row[i] for row in rows)]
    return TextTable(
        f"worst {len(rows)} of {len(distinct_events(events))}",
        tuple(heads[i] for i in shown),
        tuple(tuple(row[i] for i in shown) for row in rows),
    )


def site_table(events: Sequence[Event], sites: Sequence[str]) -> TextTable:
    """Counts of each kind by site."""
    kinds = ("sag", "swell", "interruption", "undervoltage", "overvoltage")
    rows = []
    for site in sites:
        mine = [event for event in events if event.site == site]
        counts = [sum(event.kind == kind for event in mine) for kind in kinds]
        worst = min((event.magnitude for event in mine if event.kind not in ("swell", "overvoltage")), default=None)
        incidents = len({event.incident_id for event in mine})
        rows.append(
            (site, str(incidents), *(str(n) if n else "·" for n in counts), "" if worst is None else f"{worst:.3f} pu")
        )
    return TextTable("events by site", ("site", "incidents", *(f"{kind}s" for kind in kinds), "lowest"), tuple(rows))


def _duration(event: Event) -> str:
    seconds = event.observed_s
    text = f"{seconds * 1e3:.0f} ms" if seconds < 1 else f"{seconds:.2f} s" if seconds < 60 else f"{seconds:.0f} s"
    return f"≥ {text}" if event.open_start or event.open_end else text
