"""Sags, swells and interruptions in a series of half-cycle values, against the twin's state machine."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as nps
from twins.twin_events import TwinEvent, detect_twin

from halfcycle.pipeline.detectors.rms_variations import RmsVariation, VariationsByStretch, find_rms_variations
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.quality import CLIPPED, FLAT, MISSING

SOURCE = "IEC 61000-4-30 Ed. 3, 5.4 and 5.5: thresholds, hysteresis, polyphase rules (partly from memory)"
FloatArray = npt.NDArray[np.float64]
HALF_S = 0.01
CYCLE_S = 2 * HALF_S

# Values at, just off and between all thresholds.
LEVELS = [0.0, 0.04, 0.08, 0.0999, 0.1, 0.11, 0.1199, 0.12, 0.13, 0.5, 0.8999, 0.9, 0.91, 0.9199, 0.92, 0.93, 1.0]
LEVELS += [1.07, 1.08, 1.0801, 1.09, 1.1, 1.1001, 1.2]


def as_told(event: RmsVariation, n_half: int) -> tuple[Any, ...]:
    """What the twin tells of an event, in the same words."""
    # An interruption ends with the end of the window that is back, one cycle after the start the twin stamps.
    end_s = event.stop - (CYCLE_S if event.kind == "interruption" and n_half >= 2 else 0.0)
    return (
        event.kind,
        pytest.approx(event.start),
        None if event.open_stop else pytest.approx(end_s),
        event.magnitude_pu,
        tuple(sorted({part.channel for part in event.channels})),
        event.open_start,
    )


def as_the_twin_tells(event: TwinEvent) -> tuple[Any, ...]:
    return (event.kind, event.start_s, event.end_s, event.extreme_pu, event.channels, event.open_start)


def assert_as_the_twin(values: FloatArray, starts_s: FloatArray) -> None:
    found = [as_told(event, values.shape[1]) for event in find_rms_variations(values, starts_s)]
    twin = [as_the_twin_tells(event) for event in detect_twin(values, starts_s)]
    assert len(found) == len(twin)
    for kind in ("sag", "swell", "interruption"):
        assert [row for row in found if row[0] == kind] == [row for row in twin if row[0] == kind]


@st.composite
def value_series(draw: st.DrawFn) -> FloatArray:
    shape = (draw(st.integers(1, 3)), draw(st.integers(1, 24)))
    values = draw(nps.arrays(np.float64, shape, elements=st.sampled_from(LEVELS)))
    return np.repeat(values, draw(st.integers(1, 3)), axis=1)


@pytest.mark.slow
@settings(max_examples=300)
@given(values=value_series())
def test_events_on_common_windows_are_those_of_the_twin(values: FloatArray) -> None:
    # SOURCE, by the twin. Exact: start, end, magnitude, channels, open ends.
    assert_as_the_twin(values, np.arange(values.shape[1]) * HALF_S)


@pytest.mark.slow
@settings(max_examples=300)
@given(values=value_series(), shifts=st.lists(st.floats(-0.0024, 0.0024), min_size=3, max_size=3))
def test_events_on_windows_of_each_channels_own_are_those_of_the_twin(values: FloatArray, shifts: list[float]) -> None:
    # SOURCE, by the twin, which takes the channels' values one after another as they come.
    own = np.arange(values.shape[1]) * HALF_S + np.array(shifts[: len(values)])[:, None]
    if values.shape[1] >= 2:
        assert_as_the_twin(values, own)


@pytest.mark.parametrize("seed", range(12))
def test_events_in_a_long_wandering_series_are_those_of_the_twin(seed: int) -> None:
    # SOURCE, by the twin: thousands of values that linger about the thresholds, where hysteresis decides.
    rng = np.random.default_rng(seed)
    n = 2000
    walk = np.cumsum(rng.normal(0, 0.02, (3, n)), axis=1)
    centre = [1.0, 0.91, 0.11, 1.09][seed % 4]
    values = np.round(np.abs(centre + 0.06 * np.sin(walk) + rng.normal(0, 0.01, (3, n))), 3)
    own = np.arange(n) * HALF_S + np.array([0.0, -0.0016, 0.0017])[:, None]
    assert_as_the_twin(values, own)


@pytest.mark.parametrize("seed", range(20))
def test_stretch_by_stretch_the_variations_are_those_of_the_whole_series(seed: int) -> None:
    """Derived: where all channels are within the hysteresis for some cycles, nothing before bears on what comes after.

    Equal to the last index and mark, whatever the stretches; windows of the channels are up to a half cycle apart.
    """
    rng = np.random.default_rng(seed)
    n = 3000
    values = np.full((3, n), 100.0, np.float32)
    for _ in range(30):
        first, length, phases = int(rng.integers(n)), int(rng.integers(1, 60)), rng.random(3) < 0.6
        values[phases, first : first + length] = rng.choice([3, 50, 89.9, 91, 92, 108, 109, 115, 140])
    values += rng.normal(0, 0.4, values.shape).astype(np.float32)
    starts = np.arange(n) * 64.0 + rng.uniform(-32, 32, (3, 1))
    flags = np.zeros(values.shape, np.uint8)
    for _ in range(8):
        first = int(rng.integers(n))
        flags[rng.integers(3), first : first + rng.integers(1, 40)] = rng.choice([MISSING, FLAT, CLIPPED])
    thresholds = {"sag_pu": 0.9, "swell_pu": 1.1, "interruption_pu": 0.1, "hysteresis_pu": 0.02}
    finder = VariationsByStretch(reference_v=100.0, **thresholds)
    found, n_over = [], 0
    edges = [0, *sorted(rng.integers(0, n, int(rng.integers(40))).tolist()), n]
    for first, stop in pairwise(edges):
        found += finder.push(values[:, first:stop], starts[:, first:stop], flags[:, first:stop])
        n_over = len(found)
    found += finder.finish()
    assert found == find_rms_variations(values, starts, reference=100.0, flags=flags, **thresholds)
    assert n_over > len(found) / 2, "what is over is found at once"


def levels(*rows: str) -> FloatArray:
    """Rows of half-cycle values, written in hundredths of 1 pu."""
    return np.array([[float(word) / 100 for word in row.split()] for row in rows])


def found(values: FloatArray, **more: Any) -> list[tuple[str, float, float, float]]:
    events = find_rms_variations(values, np.arange(values.shape[1], dtype=float), **more)
    return [(event.kind, event.start, event.stop, event.magnitude_pu) for event in events]


# --- the rules one by one; SOURCE for all, worked by hand


def test_a_value_at_the_threshold_starts_nothing_and_one_at_threshold_and_hysteresis_ends_it() -> None:
    assert found(levels("100 90 100 110 100")) == []
    assert found(levels("100 89 91 92 100")) == [("sag", 1, 3, 0.89)]
    assert found(levels("100 111 109 108 100")) == [("swell", 1, 3, 1.11)]
    assert found(levels("100 9 11 12 100"))[0] == ("interruption", 1, 5, 0.09)  # 12 % is back; its window ends at 5


def test_what_stays_within_the_hysteresis_is_one_event() -> None:
    assert found(levels("100 89 91 91 89 91 93 100")) == [("sag", 1, 6, 0.89)]
    assert found(levels("100 89 93 91 89 91 93 100")) == [("sag", 1, 2, 0.89), ("sag", 4, 6, 0.89)]


def test_a_phase_within_the_hysteresis_keeps_a_sag_going_that_another_phase_began() -> None:
    # "Ends when all are back above the threshold plus the hysteresis": 91 % is not back.
    assert found(levels("100 60 60 95 95 95", "91 91 91 91 91 92")) == [("sag", 1, 5, 0.6)]
    assert found(levels("91 91 91 91 91 91", "91 91 91 91 91 91")) == []


def test_phases_that_sag_one_after_another_without_a_pause_make_one_event() -> None:
    assert found(levels("100 50 50 100 100 100", "100 100 60 60 60 100")) == [("sag", 1, 5, 0.5)]
    assert found(levels("100 50 50 100 100 100", "100 100 100 60 60 100")) == [("sag", 1, 5, 0.5)]
    assert found(levels("100 50 50 100 100 100", "100 100 100 100 60 100")) == [("sag", 1, 3, 0.5), ("sag", 4, 5, 0.6)]


def test_with_two_of_three_phases_lost_there_is_a_sag_and_no_interruption() -> None:
    assert found(levels("100 0 0 100", "100 0 0 100", "100 100 100 100")) == [("sag", 1, 3, 0.0)]


def test_an_interruption_runs_from_the_last_phase_lost_to_the_end_of_the_first_window_back() -> None:
    values = levels("100 4 4 4 4 100 100 100", "100 100 4 4 4 4 4 100")
    assert found(values) == [("sag", 1, 7, 0.04), ("interruption", 2, 7, 0.04)]


def test_a_phase_that_is_back_keeps_an_interruption_from_beginning_until_all_are_below_again() -> None:
    # 11 % is not below the threshold, though within the hysteresis of an earlier fall.
    assert found(levels("4 11 11 100", "100 100 4 100"))[0][0] == "sag"
    assert all(kind != "interruption" for kind, *_ in found(levels("100 4 11 11 100", "100 100 100 4 100")))


def test_sag_and_swell_at_once_on_different_phases_are_two_events() -> None:
    assert found(levels("100 50 50 100", "100 120 130 100")) == [("sag", 1, 3, 0.5), ("swell", 1, 3, 1.3)]


def test_events_under_way_at_an_end_are_open_there() -> None:
    starts = np.arange(5.0)
    first, last = find_rms_variations(levels("50 50 100 50 50"), starts)
    assert (first.open_start, first.open_stop) == (True, False)
    assert (last.open_start, last.open_stop) == (False, True)
    assert last.stop == 6.0  # the end of the last window, a cycle after its start
    (whole,) = find_rms_variations(levels("50 50 50"), np.arange(3.0))
    assert whole.open_start
    assert whole.open_stop


def test_each_channels_part_has_its_own_span_and_extreme() -> None:
    (event,) = find_rms_variations(levels("100 50 60 100 100", "100 100 70 80 100", "95 95 95 95 95"), np.arange(5.0))
    parts = [(part.channel, part.i_start, part.i_stop, part.extreme_pu) for part in event.channels]
    assert parts == [(0, 1, 3, 0.5), (1, 2, 4, 0.7)]


def test_parts_of_an_interruption_last_as_long_as_it_does() -> None:
    events = find_rms_variations(levels("100 4 4 4 100 100 100", "100 100 3 3 3 100 100"), np.arange(7.0))
    event = next(event for event in events if event.kind == "interruption")
    assert [(part.channel, part.start, part.stop) for part in event.channels] == [(0, 2, 6), (1, 2, 6)]
    assert [part.extreme_pu for part in event.channels] == [0.04, 0.03]


# --- parameters


def test_every_threshold_can_be_set() -> None:
    values = levels("100 84 100 118 100 6 100 100 100")
    assert found(values) == [
        ("sag", 1, 2, 0.84), ("swell", 3, 4, 1.18), ("interruption", 5, 8, 0.06), ("sag", 5, 6, 0.06)
    ]  # fmt: skip
    assert ("sag", 1, 2, 0.84) not in found(values, sag_pu=0.8)
    assert ("swell", 3, 4, 1.18) not in found(values, swell_pu=1.2)
    assert ("interruption", 5, 8, 0.06) not in found(values, interruption_pu=0.05)
    wobble = levels("100 89 91 89 100")
    assert len(found(wobble)) == 1
    assert len(found(wobble, hysteresis_pu=0.0)) == 2


def test_the_reference_may_be_one_number_one_of_each_channel_or_a_series() -> None:
    values = levels("100 80 100", "100 100 100") * 230.0
    for reference in (230.0, [[230.0], [230.0]], np.full((2, 3), 230.0)):
        assert found(values, reference=reference) == [("sag", 1, 2, pytest.approx(0.8))]
    assert found(values, reference=[[180.0], [230.0]])[0][0] == "swell"
    falling = np.full((2, 3), 230.0)
    falling[0, 1] = 200.0
    assert found(values, reference=falling) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"sag_pu": 1.0},
        {"swell_pu": 1.0},
        {"interruption_pu": 0.9},
        {"interruption_pu": -0.1},
        {"hysteresis_pu": -0.01},
        {"hysteresis_pu": 0.2},
    ],
    ids=str,
)
def test_thresholds_out_of_order_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SignalError, match="thresholds must satisfy"):
        find_rms_variations(levels("100 50 100"), np.arange(3.0), **wrong)


def test_values_that_are_no_number_and_marks_of_another_shape_are_refused() -> None:
    with pytest.raises(SignalError, match="NaN"):
        find_rms_variations([[1.0, np.nan]], np.arange(2.0))
    with pytest.raises(SignalError, match="flags have shape"):
        find_rms_variations(levels("100 50"), np.arange(2.0), flags=np.zeros((2, 2), np.uint8))


@pytest.mark.parametrize("shape", [(1, 0), (3, 0)])
def test_an_empty_series_has_no_event(shape: tuple[int, int]) -> None:
    assert find_rms_variations(np.zeros(shape), np.zeros(shape)) == []


# --- half cycles that were not measured


def marked(mark: int, row: str) -> npt.NDArray[np.uint8]:
    return np.array([[mark if word == "x" else 0 for word in row.split()]], np.uint8)


@pytest.mark.parametrize("mark", [MISSING, FLAT])
def test_half_cycles_that_were_not_measured_start_and_end_nothing(mark: int) -> None:
    # The contract of find_rms_variations: a gap neither starts nor ends anything.
    assert found(levels("100 0 0 100 100"), flags=marked(mark, ". x x . .")) == []
    assert found(levels("100 50 0 0 60 100"), flags=marked(mark, ". . x x . .")) == [("sag", 1, 5, 0.5)]
    assert found(levels("100 120 0 0 130 100"), flags=marked(mark, ". . x x . .")) == [("swell", 1, 5, 1.3)]
    assert found(levels("100 50 100 100 60 100"), flags=marked(mark, ". . x x . .")) == [("sag", 1, 5, 0.5)]


def test_an_event_whose_edge_lies_in_a_gap_is_open_there() -> None:
    (event,) = find_rms_variations(
        levels("100 0 50 50 0 100 100"), np.arange(7.0), flags=marked(MISSING, ". x . . x . .")
    )
    assert (event.start, event.stop, event.magnitude_pu) == (2, 5, 0.5)
    assert event.open_start
    assert event.open_stop
    assert event.flags == MISSING


def test_the_depth_is_taken_from_half_cycles_that_were_measured() -> None:
    # Missing samples count as zero in the RMS: such a value is no voltage.
    events = find_rms_variations(levels("100 40 2 60 100"), np.arange(5.0), flags=marked(MISSING, ". . x . ."))
    assert [(event.kind, event.magnitude_pu) for event in events] == [("sag", 0.4)]


def test_a_clipped_value_may_start_a_swell_but_no_sag() -> None:
    # Clipping makes a value too small: above a threshold it still says "above", below it says nothing.
    assert found(levels("100 120 100"), flags=marked(CLIPPED, ". x .")) == [("swell", 1, 2, 1.2)]
    assert found(levels("100 80 100"), flags=marked(CLIPPED, ". x .")) == []
    assert found(levels("100 80 95 100"), flags=marked(CLIPPED, ". . x .")) == [("sag", 1, 2, 0.8)]
    assert found(levels("100 120 105 100"), flags=marked(CLIPPED, ". . x .")) == [("swell", 1, 3, 1.2)]


def test_an_interruption_begins_only_where_all_phases_were_measured() -> None:
    values = levels("100 4 4 4 100 100", "100 4 4 4 100 100")
    marks = np.zeros((2, 6), np.uint8)
    marks[1, 1] = MISSING
    events = {event.kind: event for event in find_rms_variations(values, np.arange(6.0), flags=marks)}
    assert events["interruption"].start == 2
    assert events["interruption"].open_start
    marks[1] = MISSING
    kinds = [event.kind for event in find_rms_variations(values, np.arange(6.0), flags=marks)]
    assert kinds == ["sag"]


def test_inputs_are_not_changed() -> None:
    values, starts = levels("100 4 50 120 100", "100 4 4 100 100"), np.arange(5.0)
    flags = np.zeros((2, 5), np.uint8)
    copies = values.copy(), starts.copy(), flags.copy()
    find_rms_variations(values, starts, flags=flags)
    assert all(np.array_equal(a, b) for a, b in zip((values, starts, flags), copies, strict=True))
