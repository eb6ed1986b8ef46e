"""Steady states that outlast the span in which they are judged: cut at its edges, and put together again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

from halfcycle.pipeline.events import Event, event_order, with_identity
from halfcycle.pipeline.terms import STEADY_KINDS

FOLLOWED_S: Final = 60.0
"""A steady state that goes on for longer than this beyond the edge of a span is cut there; else it stays whole."""

_TOUCH_NS: Final = 2


def is_steady(event: Event) -> bool:
    """Whether the event is of a kind that may go on for days."""
    return event.kind in STEADY_KINDS


def cut_at_edges(event: Event, *, from_ns: int, to_ns: int) -> Event | None:
    """The part of an event that belongs to a span.

    Parameters
    ----------
    event : of any kind.
    from_ns, to_ns : the span, half-open. [ns since 1970-01-01]

    Returns
    -------
    The event as it is where it starts in the span and is no steady state that outlasts it; such a one from or up to
    the edge, open there; None where it belongs to another span. Two spans that meet so divide an event between them, or
    one of them has it. Its magnitude stays that of all that was seen of it.
    """
    beyond_ns = round(FOLLOWED_S * 1e9) if is_steady(event) else None
    start, end = event.start, event.end
    open_start, open_end = event.open_start, event.open_end
    if start < from_ns and beyond_ns is not None and end > from_ns + beyond_ns:
        start, open_start = from_ns, True
    if not from_ns <= start < to_ns:
        return None
    if beyond_ns is not None and end > to_ns + beyond_ns:
        end, open_end = to_ns, True
    if (start, end) == (event.start, event.end):
        return event
    refined = event.refined_start if start == event.start else None
    return with_identity(
        replace(
            event, start=start, observed_s=(end - start) / 1e9, duration_s=None, refined_start=refined,
            open_start=open_start, open_end=open_end, **_moved(event, start, end),
        )
    )  # fmt: skip


def _moved(event: Event, start: int, end: int) -> dict[str, Any]:
    """Where the samples of a part of an event lie; the first is not known in a later one of several files."""
    if event.n_samples is None or event.first_sample is None or not event.observed_s:
        return {}
    rate_hz = event.n_samples / event.observed_s
    kept_whole = start == event.start or "+" not in (event.source or "")
    first = event.first_sample + round((start - event.start) / 1e9 * rate_hz) if kept_whole else None
    return {"first_sample": first, "n_samples": max(round((end - start) / 1e9 * rate_hz), 1)}


def put_together(events: Iterable[Event]) -> list[Event]:
    """Events with those parts of steady states joined that were cut at an edge between them.

    Parameters
    ----------
    events : of spans side by side, in any order.

    Returns
    -------
    In catalogue order. Parts belong together where one begins at the instant at which the other was cut, both open
    there, at the same point, of the same kind, phases and subject. The joined event has the worse magnitude of the two.
    """
    whole: list[Event] = []
    open_parts: dict[tuple[object, ...], int] = {}
    for event in sorted(events, key=event_order):
        if not is_steady(event):
            whole.append(event)
            continue
        key = _subject(event)
        at = open_parts.get(key)
        if at is not None and event.open_start and whole[at].open_end and _meet(whole[at], event):
            whole[at] = _joined(whole[at], event)
        else:
            at = len(whole)
            whole.append(event)
        open_parts[key] = at
    return whole


def _subject(event: Event) -> tuple[object, ...]:
    """What tells one steady state from another; a detector names its subject in the notes, before a colon."""
    subject, colon, _ = event.notes.partition(":")
    return event.site, event.point, event.kind, event.phases, event.line_to_line, subject if colon else ""


def _meet(before: Event, after: Event) -> bool:
    return abs(before.end - after.start) <= _TOUCH_NS


def _joined(before: Event, after: Event) -> Event:
    observed_s = (after.end - before.start) / 1e9
    worse = max(before, after, key=_severity)
    return replace(
        before,
        observed_s=observed_s,
        duration_s=None if before.open_start or after.open_end else observed_s,
        open_end=after.open_end,
        magnitude=worse.magnitude,
        magnitude_a=worse.magnitude_a,
        magnitude_b=worse.magnitude_b,
        magnitude_c=worse.magnitude_c,
        notes=worse.notes,
        capture="+".join(dict.fromkeys([*before.capture.split("+"), *after.capture.split("+")])),
        source="+".join(dict.fromkeys(filter(None, (before.source, after.source)))) or None,
        n_samples=None if before.n_samples is None or after.n_samples is None else before.n_samples + after.n_samples,
    )


def _severity(event: Event) -> float:
    """How far the magnitude is from what is no disturbance: a value in pu or units from 1 or the reference, else 0."""
    normal = {"Hz": 10.0 * round(event.magnitude / 10), "pu": 1.0, "V": event.reference_v, "A": event.reference_v}
    return abs(event.magnitude - normal.get(event.magnitude_unit, 0.0))
