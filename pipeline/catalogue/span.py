"""A span of time of a record: judged with what leads into it and what its last event runs on into.

A day of the catalogue and a part of a long record in an archive are both such spans. An event belongs to the span
in which it starts, so neighbouring spans never share one and never lose one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from halfcycle.pipeline.catalogue.judge import Findings, Terms, judge
from halfcycle.pipeline.catalogue.steady import FOLLOWED_S, cut_at_edges, is_steady
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.account import Account, draft

LEAD_IN_S = 10.0  # settles the frequency; a record's values do not depend on more
SLIDING_LEAD_IN_S = 600.0  # ten time constants of the sliding reference
SPAN_SAMPLES = 1 << 24  # a longer time is judged in spans of about this many samples a channel
_EDGE_S = 0.1  # an event that ends so close to the end of what was read may go on after it,
_STEADY_EDGE_S = 10.0  # and a steady state, whose windows are seconds apart


@dataclass(frozen=True, slots=True)
class Span:
    """Findings of a span of time.

    Attributes
    ----------
    findings : events that start in the span, and its part of steady states that outlast it; coverage of the part of
        the record that lies in it.
    used : (first, stop) of the record's pieces that were read; (0, 0) where none lies in the span.
    """

    findings: Findings
    used: tuple[int, int]


def spans_of(record: Record, *, from_ns: int | None = None, to_ns: int | None = None) -> list[tuple[int, int]]:
    """A time of a record as spans of a size that memory can hold, cut between its pieces.

    Parameters
    ----------
    record : whose.
    from_ns, to_ns : the time, half-open; None: all of the record. [ns since 1970-01-01]

    Returns
    -------
    (from, to) of each, half-open, one beginning where the one before ends. [ns since 1970-01-01]
    """
    begin = record.start_ns(0) if from_ns is None else from_ns
    end = record.time_ns(record.n_samples) + 1 if to_ns is None else to_ns
    cuts = [begin]
    position = record.position_of(begin)  # of the last cut
    for k in range(len(record.pieces)):
        start = record.start_ns(k)
        if begin < start < end and record.positions[k + 1] - position > SPAN_SAMPLES:
            cuts.append(start)
            position = record.positions[k]
    return list(zip(cuts, [*cuts[1:], end], strict=True))


def judge_span(
    record: Record, *, from_ns: int, to_ns: int, site: str, terms: Terms, account: Account | None = None
) -> Span:
    """Judge a record within a span of time.

    Parameters
    ----------
    record : the whole record; only the pieces needed are loaded.
    from_ns, to_ns : the span, half-open. [ns since 1970-01-01]
    site, terms, account : as for `judge`; without an account it is drafted from the whole record.

    Returns
    -------
    Span. What leads in is read for ten seconds at least, as far as the record goes back; where an event of the span, or
    one that an event of the span may be part of, is under way at an edge of what was read, more is read, to the
    record's end if need be; a steady state is followed for a minute and then cut, see `cut_at_edges`.
    """
    n = len(record.pieces)
    starts = [record.start_ns(k) for k in range(n)]
    ends = [*starts[1:], record.time_ns(record.n_samples)]
    inside = [k for k in range(n) if starts[k] < to_ns and ends[k] > from_ns]
    if not inside:
        return Span(Findings(), (0, 0))
    if account is None:
        evidence = terms.evidence_of(record)
        account = draft(site, [evidence], terms.declared)
    against_itself = any(point.nominal_v is None for point in account.points)
    sliding = terms.thresholds.reference == "sliding" or against_itself
    lead_in_s = SLIDING_LEAD_IN_S if sliding else LEAD_IN_S
    first = _reach_back(starts, inside[0], max(from_ns, starts[inside[0]]), lead_in_s)
    stop = min(inside[-1] + 2, n)  # a window at the very end of the span needs samples that follow it
    while True:
        part = record.part(first, stop)
        within = (part.position_of(from_ns), part.position_of(to_ns))
        findings = judge(part, site=site, terms=terms, within=within, account=account)
        begin_ns, end_ns = starts[first], ends[stop - 1]
        edge_ns = round(_EDGE_S * 1e9)
        cut = (cut_at_edges(event, from_ns=from_ns, to_ns=to_ns) for event in findings.events)
        owned = tuple(event for event in cut if event is not None)
        brief = [event for event in findings.events if not is_steady(event)]
        of_span = [event for event in brief if from_ns <= event.start < to_ns]
        under_way = any(e.start < begin_ns + edge_ns and e.end > from_ns for e in brief)
        before = first > 0 and under_way and (sliding or bool(of_span))  # else it changes nothing in the span
        after = stop < n and (
            any(event.end > end_ns - edge_ns for event in of_span)
            or (
                end_ns < to_ns + round((FOLLOWED_S + _STEADY_EDGE_S) * 1e9)
                and _lasts(findings.events, from_ns, to_ns, end_ns - round(_STEADY_EDGE_S * 1e9))
            )
        )
        if not (before or after):
            break
        lead_in_s *= 4
        if before:
            first = _reach_back(starts, first, starts[first], lead_in_s)
        if after:
            stop = min(n, stop + 2 * (stop - inside[-1]))
    return Span(Findings(owned, findings.coverage, findings.notes), (first, stop))


def _lasts(events: Sequence[Event], from_ns: int, to_ns: int, end_ns: int) -> bool:
    """Whether some steady state of the span was still under way at the end of what was read."""
    return any(is_steady(event) and event.start < to_ns and event.end > max(from_ns, end_ns) for event in events)


def _reach_back(starts: Sequence[int], first: int, from_ns: int, lead_in_s: float) -> int:
    """The latest piece that begins at least the lead-in before a time, or the record's first."""
    while first > 0 and starts[first] > from_ns - lead_in_s * 1e9:
        first -= 1
    return first
