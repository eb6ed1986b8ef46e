"""A span of time of a record: judged with what leads into it and what its last event runs on into.

A day of the catalogue and a part of a long record in an archive are both such spans. An event belongs to the span
in which it starts, so neighbouring spans never share one and never lose one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.catalogue.judge import Coverage, Findings, Terms, judge
from pipeline.catalogue.record import Record
from pipeline.events import Event

LEAD_IN_S = 10.0  # settles the frequency; a record's values do not depend on more
SLIDING_LEAD_IN_S = 600.0  # ten time constants of the sliding reference


@dataclass(frozen=True, slots=True)
class Span:
    """Findings of the pieces that begin in [from_ns, to_ns) and of the events that start there.

    Attributes
    ----------
    findings : of the span itself.
    before : events that start earlier, in what leads in.
    used : (first, stop) of the record's pieces that were read.
    """

    findings: Findings
    before: tuple[Event, ...]
    used: tuple[int, int]


def judge_span(
    record: Record, *, from_ns: int, to_ns: int, site: str, terms: Terms, lead_in_s: float = LEAD_IN_S
) -> Span:
    """Judge the pieces of a record that begin in a span of time.

    Parameters
    ----------
    record : the whole record; only the pieces needed are loaded.
    from_ns, to_ns : the span, half-open. [ns since 1970-01-01]
    site, terms : as for `judge`.
    lead_in_s : what is read before the span at least, as far as the record goes back. [s]

    Returns
    -------
    Span. Where an event is under way at an edge of what was read, more is read, to the record's end if need be.
    """
    n = len(record.pieces)
    starts = [record.start_ns(k) for k in range(n)]
    own = [k for k in range(n) if from_ns <= starts[k] < to_ns]
    if not own:
        return Span(Findings(), (), (0, 0))
    if terms.thresholds.reference == "sliding":
        lead_in_s = max(lead_in_s, SLIDING_LEAD_IN_S)
    first = _back_to(starts, own[0], own[0], lead_in_s)
    stop = own[-1] + 1
    while True:
        part = record.part(first, stop)
        findings = judge(part, site=site, terms=terms)
        grow_back = (
            first > 0
            and any(event.open_start and event.start < from_ns for event in findings.events)
            and any(event.open_start and event.end >= from_ns for event in findings.events)
        )
        end_ns = part.time_ns(part.n_samples)
        tail_ns = round(2e9 / 50)
        grow_on = stop < n and any(event.end > end_ns - tail_ns and event.start < to_ns for event in findings.events)
        if stop < n and not grow_on and stop == own[-1] + 1:
            grow_on = True  # a window at the very end needs the samples that follow
        if not (grow_back or grow_on):
            break
        if grow_back:
            first = _back_to(starts, first, first, 2 * (starts[own[0]] - starts[first]) / 1e9 + lead_in_s)
        if grow_on:
            stop = min(n, stop + max(1, stop - own[-1] - 1))
    owned = tuple(event for event in findings.events if from_ns <= event.start < to_ns)
    before = tuple(event for event in findings.events if event.start < from_ns)
    coverage = _own_share(findings.coverage, record, own, part)
    return Span(Findings(owned, coverage, findings.notes), before, (first, stop))


def _back_to(starts: Sequence[int], own: int, first: int, lead_in_s: float) -> int:
    while first > 0 and starts[first] > starts[own] - lead_in_s * 1e9:
        first -= 1
    return first


def _own_share(coverage: Sequence[Coverage], record: Record, own: Sequence[int], part: Record) -> tuple[Coverage, ...]:
    own_s = (record.positions[own[-1] + 1] - record.positions[own[0]]) / record.header.rate_hz
    share = own_s / part.duration_s if part.duration_s else 0.0
    return tuple(Coverage(c.point, c.judged_s * share, c.not_judged_s * share, c.reason) for c in coverage)
