"""What must not change an event, and what must change it in one way only."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, replace
from functools import cache
from itertools import pairwise, permutations
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as nps
from twins.twin_waveforms import Component, Stage, three_phase

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.catalogue.span import judge_span
from halfcycle.pipeline.detectors.rms_variations import RmsVariation, find_rms_variations
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.settings import Thresholds

RATE_HZ = 3200.0
SAMPLE_NS = 312_500  # 1 / 3200 Hz, a whole number of nanoseconds
T0 = 1_772_323_200_000_000_000
TERMS = Terms(Thresholds(), nominal_voltage_v=230.0, nominal_frequency_hz=50.0, hookup="four-wire")
KINDS = ("sag", "swell", "interruption", "undervoltage", "overvoltage")
Counts = npt.NDArray[np.int16]


@cache
def counts() -> Counts:
    """Twenty seconds with a dozen events of all kinds, an event under way at either end, distortion and noise."""
    levels = [
        (0.5, 1, 1),
        (1, 0.7, 0.7),
        (0.0, 0.0, 0.0),
        (1, 1.25, 1),
        (0.04, 0.03, 0.5),
        (0.8, 1.2, 1),
        (0.3, 0.4, 0.3),
    ]
    stages = [Stage(0.0, 0.3, (0.6, 1.0, 1.0)), Stage(19.8, 0.2, (1.0, 1.0, 0.5))]
    t_s = 1.0
    for i, triple in enumerate(levels + levels[::-1]):
        length_s = (0.05, 0.4, 0.11, 0.033)[i % 4]
        stages.append(Stage(t_s, length_s, triple, (10.0 if triple[0] == 0.5 else 0.0, 0.0, 0.0)))
        t_s += length_s + (1.3, 0.25, 1.9)[i % 3]
    u, _ = three_phase(
        rate_hz=RATE_HZ,
        length_s=20.0,
        f_hz=50.08,
        stages=stages,
        components=[Component(5, 0.03)],
        noise_pu=0.002,
        seed=5,
    )
    return np.rint(11500.0 * u).astype(np.int16)


def channels(*, scale: float = 0.02, order: Sequence[int] = (0, 1, 2)) -> tuple[Channel, ...]:
    return tuple(Channel(f"U{'ABC'[i]}", "voltage", "ABC"[i], "V", scale=scale) for i in order)


def capture(
    samples: npt.NDArray[Any], first: int = 0, stop: int | None = None, *, start_ns: int = T0, **more: Any
) -> Capture:
    stop = samples.shape[1] if stop is None else stop
    header = Header(
        "S", start_ns + first * SAMPLE_NS, RATE_HZ, stop - first, channels(), samples.dtype.name, source=str(first)
    )
    return Capture(replace(header, **more), np.ascontiguousarray(samples[:, first:stop]))


def records(captures: Iterable[Capture]) -> list[Record]:
    def load(one: Capture) -> Callable[[], Capture]:
        return lambda: one

    return records_of([Piece(one.header, load(one), one.digest) for one in captures])


def events_of(*captures: Capture, terms: Terms = TERMS) -> list[Event]:
    found = [event for record in records(captures) for event in judge(record, site="Mill Lane", terms=terms).events]
    return [event for event in found if event.kind in KINDS]


@cache
def expected() -> tuple[Event, ...]:
    found = tuple(events_of(capture(counts())))
    assert len(found) >= 14
    return found


def assert_same(found: Sequence[Event], wanted: Sequence[Event], *, but: Sequence[str] = (), rtol: float = 0.0) -> None:
    """The same events in the same order; numbers to within rtol, where it is not zero."""
    assert len(found) == len(wanted)
    for one, other in zip(found, wanted, strict=True):
        for field in fields(Event):
            a, b = getattr(one, field.name), getattr(other, field.name)
            if field.name in but:
                continue
            if rtol and isinstance(b, float):
                assert a == pytest.approx(b, rel=rtol, abs=rtol), field.name
            else:
                assert a == b, field.name


# --- scale


@settings(max_examples=12)
@given(factor=st.floats(1e-3, 1e3))
def test_scaling_the_voltages_and_the_nominal_voltage_changes_nothing_but_volts(factor: float) -> None:
    # Derived: events are ratios.
    one = capture(counts(), channels=channels(scale=0.02 * factor))
    found = events_of(one, terms=replace(TERMS, nominal_voltage_v=230.0 * factor))
    assert [e.reference_v for e in found] == pytest.approx([e.reference_v * factor for e in expected()])
    assert_same(found, expected(), but=["reference_v", "capture"], rtol=1e-6)


@settings(max_examples=6)
@given(factor=st.sampled_from([1 / 230, 1e-3, 1.0, 47.8, 1e4]))
def test_scaling_the_samples_themselves_changes_nothing_but_volts(factor: float) -> None:
    # Derived, as above; float32 carries 7 digits, so that starts may move by a hundredth of a microsecond.
    volts = (0.02 * factor * counts()).astype(np.float32)
    found = events_of(
        capture(volts, channels=channels(scale=1.0)), terms=replace(TERMS, nominal_voltage_v=230.0 * factor)
    )
    assert_same(
        found, expected(), but=["reference_v", "capture", "event_id", "part_of", "start", "refined_start"], rtol=2e-6
    )
    assert np.abs(np.array([a.start - b.start for a, b in zip(found, expected(), strict=True)])).max() < 1000


# --- time


@settings(max_examples=12)
@given(shift_ns=st.integers(-(10**17), 10**17))
def test_shifting_a_record_in_time_shifts_its_events_and_nothing_else(shift_ns: int) -> None:
    found = events_of(capture(counts(), start_ns=T0 + shift_ns))
    assert [e.start for e in found] == [e.start + shift_ns for e in expected()]
    refined = [None if e.refined_start is None else e.refined_start + shift_ns for e in expected()]
    assert [e.refined_start for e in found] == refined
    assert_same(found, expected(), but=["start", "refined_start", "event_id", "part_of", "capture"])


# --- pieces


@settings(max_examples=12)
@given(cuts=st.lists(st.integers(1, 63_999), unique=True, min_size=1, max_size=8))
def test_splitting_a_record_anywhere_into_captures_changes_nothing(cuts: list[int]) -> None:
    # Derived: where a file ends is no property of the voltage. Only the sources' digests differ.
    edges = [0, *sorted(cuts), counts().shape[1]]
    found = events_of(*(capture(counts(), a, b) for a, b in pairwise(edges)))
    assert_same(found, expected(), but=["capture", "first_sample"])  # which counts in the capture that it lies in


@settings(max_examples=8)
@given(spans=st.lists(st.tuples(st.integers(0, 50_000), st.integers(2_000, 30_000)), max_size=4))
def test_captures_that_overlap_count_nothing_twice(spans: list[tuple[int, int]]) -> None:
    n = counts().shape[1]
    parts = [capture(counts(), 0, 30_000), capture(counts(), 25_000, n)]
    parts += [capture(counts(), first, min(first + length, n)) for first, length in spans]
    (record,) = records(parts)
    findings = judge(record, site="Mill Lane", terms=TERMS)
    assert_same([e for e in findings.events if e.kind in KINDS], expected(), but=["capture", "first_sample"])
    assert findings.coverage[0].judged_s == pytest.approx(20.0)


def test_two_recorders_of_one_layout_at_the_same_time_lose_nothing() -> None:
    # Derived: each recorder's events are those it has when it is alone.
    other = np.roll(counts(), 7_777, axis=1)
    alone = events_of(capture(other))
    both = events_of(capture(counts()), capture(other))
    wanted = sorted([*expected(), *alone], key=lambda e: e.start)
    assert_same(sorted(both, key=lambda e: e.start), wanted, but=["first_sample"])


@pytest.mark.parametrize("n_spans", [2, 5])
def test_adjacent_spans_have_each_event_of_the_whole_record_once(n_spans: int) -> None:
    # Derived. A span is measured on a grid of its own and with the lead-in it needs, so that noise moves a start by a
    # hundredth of a cycle or so; which events there are, and whether they are open, does not depend on it.
    n = counts().shape[1]
    edges = list(range(0, n, 3_200))
    (record,) = records(capture(counts(), a, min(a + 3_200, n)) for a in edges)
    bounds = [T0 + n * SAMPLE_NS * i // n_spans for i in range(n_spans + 1)]
    found: list[Event] = []
    for from_ns, to_ns in pairwise(bounds):
        span = judge_span(record, from_ns=from_ns, to_ns=to_ns, site="Mill Lane", terms=TERMS)
        found += [event for event in span.findings.events if event.kind in KINDS]
        assert all(from_ns <= event.start < to_ns for event in span.findings.events)
    same = [(e.kind, e.category, e.phases, e.open_start, e.open_end) for e in found]
    assert same == [(e.kind, e.category, e.phases, e.open_start, e.open_end) for e in expected()]
    for one, other in zip(found, expected(), strict=True):
        assert abs(one.start - other.start) < 400_000
        assert one.magnitude == pytest.approx(other.magnitude, abs=5e-4)
        assert one.observed_s == pytest.approx(other.observed_s, abs=1e-3)


# --- phases


@pytest.mark.parametrize("order", list(permutations(range(3))), ids=str)
def test_permuting_the_phases_permutes_the_columns_of_the_phases(order: tuple[int, int, int]) -> None:
    # Derived: letters are names. Which phase leads the tracking may change, and with it where windows lie while there
    # is no voltage to follow: by a fortieth of a cycle at most, a fortieth of what Class A allows for a duration. An
    # event open at the end was seen up to a window's end; there the phases' last windows differ by a half cycle.
    found = events_of(capture(counts()[list(order)]))
    assert len(found) == len(expected())
    letter = {"ABC"[old]: "ABC"[new] for new, old in enumerate(order)}
    for one, other in zip(found, expected(), strict=True):
        assert one.phases == "".join(sorted(letter[phase] for phase in other.phases))
        assert (one.kind, one.open_start, one.open_end) == (other.kind, other.open_start, other.open_end)
        assert abs(one.start - other.start) < 50_000
        assert one.magnitude == pytest.approx(other.magnitude, abs=2e-4)
        tolerance_s = 1e-2 if other.open_end else 5e-4
        assert one.observed_s == pytest.approx(other.observed_s, abs=tolerance_s)
        for phase in other.phases:
            for name in ("magnitude_{}", "duration_{}_s"):
                was, now = (getattr(e, name.format(p.lower())) for e, p in ((other, phase), (one, letter[phase])))
                assert now == pytest.approx(was, abs=tolerance_s if name.endswith("_s") else 2e-4)


def test_the_order_of_the_channels_in_a_file_does_not_matter() -> None:
    one = capture(counts()[[2, 0, 1]], channels=channels(order=(2, 0, 1)))
    assert_same(events_of(one), expected(), but=["capture"])


# --- the same of the detector alone, on any series


@st.composite
def half_cycle_values(draw: st.DrawFn) -> npt.NDArray[np.float64]:
    shape = (draw(st.integers(1, 3)), draw(st.integers(3, 60)))
    return draw(nps.arrays(np.float64, shape, elements=st.sampled_from([0.03, 0.11, 0.5, 0.89, 0.91, 1.0, 1.09, 1.3])))


def told(events: Sequence[RmsVariation]) -> list[tuple[Any, ...]]:
    return [
        (
            e.kind,
            e.start,
            e.stop,
            e.magnitude_pu,
            e.open_start,
            e.open_stop,
            sorted((p.channel, p.start) for p in e.channels),
        )
        for e in events
    ]


@given(values=half_cycle_values(), exponent=st.integers(-8, 12))
def test_events_are_ratios_to_the_reference(values: npt.NDArray[np.float64], exponent: int) -> None:
    # Exact: a power of two leaves the digits of a float alone.
    starts, factor = np.arange(values.shape[1]) * 64.0, 2.0**exponent
    assert told(find_rms_variations(values * factor, starts, reference=factor)) == told(
        find_rms_variations(values, starts)
    )


@given(values=half_cycle_values(), shift=st.integers(-1000, 1000))
def test_events_move_with_the_windows(values: npt.NDArray[np.float64], shift: int) -> None:
    starts = np.arange(values.shape[1]) * 64.0
    moved = find_rms_variations(values, starts + shift)
    still = find_rms_variations(values, starts)
    assert [(e.kind, e.start - shift, e.stop - shift, e.magnitude_pu) for e in moved] == [
        (e.kind, e.start, e.stop, e.magnitude_pu) for e in still
    ]


@given(values=half_cycle_values(), seed=st.integers(0, 5))
def test_the_order_of_channels_names_them_and_does_no_more(values: npt.NDArray[np.float64], seed: int) -> None:
    order = np.random.default_rng(seed).permutation(values.shape[0])
    starts = np.arange(values.shape[1]) * 64.0
    there = find_rms_variations(values[order], starts)
    here = find_rms_variations(values, starts)
    assert [row[:-1] for row in told(there)] == [row[:-1] for row in told(here)]
    for one, other in zip(there, here, strict=True):
        renamed = sorted((int(order[p.channel]), p.start, p.extreme_pu) for p in one.channels)
        assert renamed == sorted((p.channel, p.start, p.extreme_pu) for p in other.channels)


@given(values=half_cycle_values(), n=st.integers(1, 30))
def test_calm_before_and_after_opens_nothing_and_adds_nothing(values: npt.NDArray[np.float64], n: int) -> None:
    calm = np.ones((values.shape[0], n))
    padded = np.concatenate([calm, values, calm], axis=1)
    events = find_rms_variations(padded, np.arange(padded.shape[1]) * 1.0)
    assert not any(event.open_start or event.open_stop for event in events)
    bare = find_rms_variations(values, np.arange(n, n + values.shape[1]) * 1.0)
    assert [(e.kind, e.start, e.magnitude_pu) for e in events] == [(e.kind, e.start, e.magnitude_pu) for e in bare]
