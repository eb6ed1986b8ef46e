"""Masks to stretches and excursions, against plain loops over the definition."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from halfcycle.pipeline.detectors.spans import ChannelSeries, find_excursions, per_channel
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import latched, runs
from halfcycle.pipeline.measures.quality import CLIPPED, FLAT, MISSING

SOURCE = "IEC 61000-4-30 Ed. 3, 5.4.2 (from memory): from the first channel beyond until all are back"
Mask = npt.NDArray[np.bool_]
MASK = st.integers(0, 60).flatmap(lambda n: arrays(np.bool_, n))
TWO_MASKS = st.integers(0, 60).flatmap(lambda n: st.tuples(arrays(np.bool_, n), arrays(np.bool_, n)))
BEYOND, NEAR, BACK, UNJUDGED = 3, 2, 1, 0
GRADES = st.tuples(st.integers(1, 3), st.integers(0, 40)).flatmap(
    lambda shape: arrays(np.int8, shape, elements=st.integers(UNJUDGED, BEYOND))
)


@given(MASK)
def test_runs_are_the_true_stretches(mask: Mask) -> None:
    rebuilt = np.zeros(mask.size, np.bool_)
    previous = -1
    for a, b in zip(*runs(mask), strict=True):
        assert previous < a < b  # with a gap between
        rebuilt[a:b] = True
        previous = b
    assert (rebuilt == mask).all()


@given(TWO_MASKS)
def test_latched_stretches_are_the_latch_written_as_stretches(masks: tuple[Mask, Mask]) -> None:
    on, off = masks
    state = np.zeros(on.size, np.bool_)
    closed = False
    for i in range(on.size):
        closed = (closed or bool(on[i])) and not off[i]
        state[i] = closed
    expected = runs(state)
    got = latched(on, off)
    assert [a.tolist() for a in got] == [a.tolist() for a in expected]


@given(GRADES)
def test_excursions_are_those_of_a_state_machine(grades: npt.NDArray[np.int8]) -> None:
    n_channels, n = grades.shape
    expected = []
    held = [False] * n_channels
    before = list(held)
    event: dict[str, list[int]] | None = None
    for i in range(n + 1):
        before = list(held)
        for c in range(n_channels):
            if i < n and grades[c, i] != UNJUDGED:
                held[c] = bool(grades[c, i] >= NEAR)
        if event is None and i < n and (grades[:, i] == BEYOND).any():
            event = {"start": [i], "channels": [], "first": [0] * n_channels}
        if event is not None:
            if i == n or not any(held):
                enders = tuple(c for c in range(n_channels) if before[c])
                start = event["start"][0]
                spans = []
                for c in sorted(set(event["channels"])):
                    first = event["first"][c]
                    spans.append((c, first, 1 + max(k for k in range(first, i) if held_at(grades[c], k))))
                open_start = start == 0 or any(
                    grades[c, start - 1] == UNJUDGED and grades[c, start] == BEYOND for c in range(n_channels)
                )
                open_stop = i == n or any(grades[c, i - 1] == UNJUDGED for c in enders)
                judged = sum((grades[:, k] != UNJUDGED).any() for k in range(start, i)) / (i - start)
                expected.append((start, i, tuple(spans), enders, open_start, open_stop, judged))
                event = None
            else:
                for c in range(n_channels):
                    if grades[c, i] == BEYOND:
                        if c not in event["channels"]:
                            event["first"][c] = i
                        event["channels"].append(c)
    found = [
        (
            e.i_start,
            e.i_stop,
            tuple((s.channel, s.i_start, s.i_stop) for s in e.spans),
            e.enders,
            e.open_start,
            e.open_stop,
            pytest.approx(e.judged_share),
        )
        for e in find_excursions(grades == BEYOND, grades >= NEAR, grades == BACK)
    ]
    assert found == expected


def held_at(grades: npt.NDArray[np.int8], i: int) -> bool:
    """Whether the last judged value of a channel, up to i, was near."""
    while i >= 0 and grades[i] == UNJUDGED:
        i -= 1
    return i >= 0 and bool(grades[i] >= NEAR)


def test_the_last_window_ends_as_long_after_its_start_as_its_kind_says() -> None:
    starts = np.array([0.0, 10, 20, 30])
    assert ChannelSeries.of(np.zeros(4), starts, None, steps=2).time(0, 4) == 50  # one cycle, two half cycles
    assert ChannelSeries.of(np.zeros(4), starts, None, steps=1).time(0, 4) == 40
    assert ChannelSeries.of(np.zeros(2), starts[:2], None, steps=2).time(0, 2) == 30
    assert ChannelSeries.of(np.zeros(1), starts[:1], None, steps=2).time(0, 1) == 0  # of unknown length


def test_marks_of_several_channels_add_up() -> None:
    flags = np.array([[MISSING, 0, 0, 0], [0, FLAT, 0, 0], [0, 0, CLIPPED, 0]])
    series = ChannelSeries.of(np.zeros((3, 4)), np.arange(4), flags, steps=2)
    assert series.flags_of((0, 1), 0, 4) == MISSING + FLAT
    assert series.flags_of((0, 1), 1, 4) == FLAT
    assert series.flags_of((2,), 0, 2) == 0
    assert ChannelSeries.of(np.zeros((3, 4)), np.arange(4), 0 * flags, steps=2).without(MISSING) is None


@pytest.mark.parametrize(
    ("values", "starts", "flags", "message"),
    [
        (np.zeros((2, 5)), np.zeros(4), None, "starts"),
        (np.zeros((2, 5)), np.zeros(5), np.zeros(5), "flags"),
        (np.array([1.0, np.nan]), np.zeros(2), None, "NaN"),
        (np.zeros((1, 1, 5)), np.zeros(5), None, "expected"),
    ],
)
def test_series_that_do_not_fit_are_refused(values: object, starts: object, flags: object, message: str) -> None:
    with pytest.raises(SignalError, match=message):
        ChannelSeries.of(values, starts, flags, steps=2)  # type: ignore[arg-type]


def test_references_must_fit_the_channels() -> None:
    assert per_channel(230, 3, "reference_v") == [230, 230, 230]
    assert per_channel([[1], [2]], 2, "reference_v") == [1, 2]
    with pytest.raises(SignalError, match="2 values for 3"):
        per_channel([1, 2], 3, "reference_v")
    with pytest.raises(SignalError, match="above zero"):
        per_channel([1, 0, 1], 3, "reference_v")
