"""Spans of a record: side by side they have each event of the whole record once, with the values it has there."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from made_fleet import cut, made_capture, ns

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.catalogue.span import judge_span
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import draft

START = "2026-03-01T23:58:00"
SECONDS = 240.0
SAGS = [
    (30.0, 0.2, 0.5),
    (61.3, 0.5, 0.7),
    (110.0, 3.0, 0.8),
    (118.3, 30.0, 0.6),
    (170.123, 0.1, 0.4),
    (200.0, 0.3, 0.0),
]
TERMS = Terms(Thresholds(), 230.0, 50.0, "single-phase")
# The frequency that windows follow is settled within the lead-in, but not the same to the last bit, and the phasors it
# is told from lie on another grid. So values may differ: starts and magnitudes by a tenth of what Class A of
# IEC 61000-4-30 allows (one cycle of 20 ms, 0.2 % of the nominal voltage), durations by a half cycle, as the window
# that first sees a voltage again depends on where the windows ran while there was none.
START_NS, MAGNITUDE_PU, DURATION_S = 2_000_000, 0.0002, 0.010


def record_of(captures: list[Capture], loaded: list[int] | None = None) -> Record:
    """The record that captures make; which of them are loaded is written down."""

    def load(i: int) -> Capture:
        if loaded is not None:
            loaded.append(i)
        return captures[i]

    def digest(capture: Capture) -> str:
        return capture.digest()

    pieces = [Piece(capture.header, partial(load, i), partial(digest, capture)) for i, capture in enumerate(captures)]
    (record,) = records_of(pieces)
    return record


@pytest.fixture(scope="module")
def whole() -> Capture:
    return made_capture(START, seconds=SECONDS, sags=SAGS, snr_db=50.0)


@pytest.fixture(scope="module")
def expected(whole: Capture) -> tuple[Event, ...]:
    events = judge(record_of([whole]), site="S", terms=TERMS).events
    assert len([event for event in events if event.kind == "sag"]) == len(SAGS)
    return events


def events_between(record: Record, first_s: float, stop_s: float) -> tuple[Event, ...]:
    return judge_span(
        record, from_ns=ns(START) + round(first_s * 1e9), to_ns=ns(START) + round(stop_s * 1e9), site="S", terms=TERMS
    ).findings.events


@pytest.mark.parametrize("seed", range(12))
def test_spans_side_by_side_have_each_event_of_the_record_once_with_its_values(
    whole: Capture, expected: tuple[Event, ...], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    captures = cut(whole, *sorted(rng.uniform(1, SECONDS - 1, size=int(rng.integers(1, 40)))))
    record = record_of(captures)
    edges = [0.0, *sorted(rng.uniform(0, SECONDS, size=3)), SECONDS + 1]
    found = [event for pair in pairwise(edges) for event in events_between(record, *pair)]
    assert [event.kind for event in found] == [event.kind for event in expected]
    for got, want in zip(found, expected, strict=True):
        assert abs(got.start - want.start) <= START_NS
        assert got.magnitude == pytest.approx(want.magnitude, abs=MAGNITUDE_PU)
        assert got.duration_s == pytest.approx(want.duration_s, abs=DURATION_S)
        assert got.phases == want.phases
        assert not got.open_start
        assert not got.open_end


@pytest.mark.parametrize(("first", "stop", "owned"), [(118.0, 119.0, 1), (119.0, 140.0, 0), (140.0, 160.0, 0)])
def test_an_event_longer_than_the_span_belongs_to_the_one_it_starts_in_and_is_whole_there(
    whole: Capture, first: float, stop: float, owned: int
) -> None:
    events = events_between(record_of(cut(whole, *range(5, 240, 5))), first, stop)
    assert len(events) == owned
    for event in events:
        assert event.duration_s == pytest.approx(30.0, abs=0.02)  # Class A: within one cycle


def test_only_what_a_span_needs_is_loaded(whole: Capture) -> None:
    loaded: list[int] = []
    record = record_of(cut(whole, *range(5, 240, 5)), loaded)  # pieces of 5 s
    account = draft("S", [TERMS.evidence_of(record)], TERMS.declared)
    loaded.clear()
    span = judge_span(
        record, from_ns=ns(START) + 80_000_000_000, to_ns=ns(START) + 90_000_000_000, site="S", terms=TERMS,
        account=account,
    )  # fmt: skip
    assert span.findings.events == ()
    assert set(loaded) == {14, 15, 16, 17, 18}  # ten seconds before, the span's own, and one more
    assert span.used == (14, 19)


def test_a_span_that_the_record_does_not_touch_is_empty(whole: Capture) -> None:
    record = record_of([whole])
    before = judge_span(record, from_ns=0, to_ns=ns(START), site="S", terms=TERMS)
    after = judge_span(record, from_ns=ns(START) + 240_000_000_000, to_ns=ns("2027-01-01"), site="S", terms=TERMS)
    for span in (before, after):
        assert span.findings.events == ()
        assert span.findings.coverage == ()
        assert span.used == (0, 0)


@pytest.mark.parametrize("edges", [(0, 240), (0, 100, 240), (0, 7, 121, 122, 240)])
def test_the_time_judged_in_spans_adds_up_to_the_records(whole: Capture, edges: tuple[int, ...]) -> None:
    record = record_of(cut(whole, *range(5, 240, 5)))
    judged = 0.0
    for first, stop in pairwise(edges):
        span = judge_span(
            record, from_ns=ns(START) + first * 10**9, to_ns=ns(START) + stop * 10**9, site="S", terms=TERMS
        )
        judged += sum(item.judged_s for item in span.findings.coverage)
    assert judged == pytest.approx(SECONDS, rel=1e-9)


def test_a_sliding_reference_is_settled_by_its_longer_lead_in() -> None:
    """Ten minutes at 0.93 pu, then a sag: against the sliding reference 0.8 pu is 0.8 / 0.93 of it."""
    thresholds = Thresholds(reference="sliding", sliding_start="pre-event")
    terms = Terms(thresholds, 230.0, 50.0, "single-phase")
    capture = made_capture(START, seconds=900.0, sags=[(0.0, 890.0, 0.93), (890.0, 1.0, 0.8), (891.0, 9.0, 0.93)])
    record = record_of(cut(capture, *range(30, 900, 30)))
    span = judge_span(record, from_ns=ns(START) + 880 * 10**9, to_ns=ns(START) + 900 * 10**9, site="S", terms=terms)
    (event,) = span.findings.events
    assert event.reference_v == pytest.approx(0.93 * 230.0, rel=2e-3)
    assert event.magnitude == pytest.approx(0.8 / 0.93, abs=0.002)
    assert span.used[0] <= 880 // 30 - 600 // 30
