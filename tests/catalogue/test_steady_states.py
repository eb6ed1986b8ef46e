"""Steady states longer than what is judged at once: no part lost, none twice, whole again when put together."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from made_fleet import ns

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.span import judge_span
from halfcycle.pipeline.catalogue.steady import FOLLOWED_S, cut_at_edges, put_together
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.events import Event, with_identity, with_incidents
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.settings import Thresholds

START = ns("2026-03-01T00:00:00")
SECOND = 1_000_000_000


def steady(
    start_s: float, end_s: float, *, kind: str = "unbalance", magnitude: float = 3.0, **further: object
) -> Event:
    return with_identity(
        Event(
            site="s", kind=kind, start=START + round(start_s * SECOND), duration_s=end_s - start_s,
            observed_s=end_s - start_s, magnitude=magnitude, magnitude_unit="%", phases="ABC", line_to_line=False,
            reference_v=230.0, capture="d", **further,
        )
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(20))
def test_spans_side_by_side_divide_steady_states_without_gap_or_overlap_and_together_they_are_whole(seed: int) -> None:
    rng = np.random.default_rng(seed)
    edges = np.concatenate(([0.0], np.sort(rng.uniform(0, 5000, 6)).round(3), [1e6]))
    bounds = np.sort(rng.uniform(0, 6000, 8)).round(3)
    events = [steady(a, b) for a, b in bounds.reshape(-1, 2)]
    parts = [
        part
        for event in events
        for a, b in pairwise(edges)
        if (part := cut_at_edges(event, from_ns=START + round(a * SECOND), to_ns=START + round(b * SECOND)))
    ]
    assert sum(part.observed_s for part in parts) == pytest.approx(sum(event.observed_s for event in events), abs=1e-6)
    joined = put_together(reversed(parts))
    assert [(e.start, e.end, e.duration_s is None) for e in joined] == [(e.start, e.end, False) for e in events]
    assert len({part.event_id for part in parts}) == len(parts)


def test_one_that_ends_soon_after_the_edge_stays_whole_in_the_span_where_it_starts() -> None:
    event = steady(10.0, 100.0 + FOLLOWED_S)
    assert cut_at_edges(event, from_ns=START, to_ns=START + 100 * SECOND) is event
    assert cut_at_edges(event, from_ns=START + 100 * SECOND, to_ns=START + 900 * SECOND) is None


def test_a_sag_is_never_cut() -> None:
    sag = steady(10.0, 4000.0, kind="sag")
    assert cut_at_edges(sag, from_ns=START, to_ns=START + 100 * SECOND) is sag
    assert cut_at_edges(sag, from_ns=START + 100 * SECOND, to_ns=START + 900 * SECOND) is None


def test_parts_of_different_subjects_stay_apart_and_the_worse_magnitude_is_kept() -> None:
    parts = [
        steady(0.0, 100.0, kind="limit", magnitude=3.0, notes="a: u2 above 2 %", open_end=True),
        steady(100.0, 200.0, kind="limit", magnitude=5.0, notes="b: u2 above 4 %", open_start=True),
        steady(100.0, 300.0, kind="limit", magnitude=4.0, notes="a: u2 above 2 %", open_start=True),
    ]
    whole = put_together(parts)
    assert [(event.notes[0], event.observed_s, event.magnitude) for event in whole] == [
        ("a", 300.0, 4.0),
        ("b", 100.0, 5.0),
    ]
    assert whole[0].duration_s == pytest.approx(300.0)


def test_a_steady_state_holds_no_incident_open() -> None:
    """Common practice, no source: a day of unbalance is not the cause of the sags in it."""
    events = [steady(0.0, 9e4), steady(100.0, 100.2, kind="sag"), steady(5000.0, 5000.2, kind="sag")]
    found = with_incidents(events, window_s=60.0)
    assert len({event.incident_id for event in found}) == 3


def record_of_unbalance(seconds: float, piece_s: float) -> Record:
    """Three voltages of 90/101/101 % from second 30 on, in captures that follow one another."""
    rate_hz, pieces = 1600.0, []
    for k in range(round(seconds / piece_s)):
        t = k * piece_s + np.arange(round(piece_s * rate_hz)) / rate_hz
        level = [np.where(t >= 30.0, change, 1.0) for change in (0.92, 1.01, 1.01)]
        rows = [12_000 * level[p] * np.sin(2 * np.pi * 50 * t - p * 2 * np.pi / 3) for p in range(3)]
        channels = tuple(Channel(f"U{p}", "voltage", p, "V", 230 * np.sqrt(2) / 12_000) for p in "ABC")
        header = Header("s", START + round(k * piece_s * SECOND), rate_hz, t.size, channels, "int16")
        capture = Capture(header, np.round(np.stack(rows)).astype(np.int16))
        pieces.append(Piece(header, partial(_same, capture), lambda: "d"))
    (record,) = records_of(pieces)
    return record


def _same(capture: Capture) -> Capture:
    return capture


def test_unbalance_through_three_spans_of_a_record_is_one_event_of_its_whole_length() -> None:
    record = record_of_unbalance(600.0, 20.0)
    terms = Terms(Thresholds(), 230.0, 50.0, "four-wire", choose({"unbalance": {}}))
    parts: list[Event] = []
    for a, b in pairwise([0, 200, 400, 601]):
        span = judge_span(record, from_ns=START + a * SECOND, to_ns=START + b * SECOND, site="s", terms=terms)
        parts += span.findings.events
        assert span.used[1] - span.used[0] <= 10 + 6  # 20 s each: the span, its lead-in, and a minute beyond
    assert [part.open_end for part in parts] == [True, True, True]
    (event,) = put_together(parts)
    assert (event.start - START) / SECOND == pytest.approx(30.0, abs=0.3)
    assert event.observed_s == pytest.approx(570.0, abs=0.5)
    assert (event.open_start, event.open_end, event.duration_s) == (False, True, None)
