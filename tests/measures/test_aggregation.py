"""Windows tied to the clock, and aggregation, against rows and values worked by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.aggregation import (
    TEN_MINUTES_NS,
    TWO_HOURS_NS,
    ClockBlocks,
    Method,
    aggregate,
    clock_blocks,
    touched_by_events,
)

F64 = npt.NDArray[np.float64]

SOURCE_BLOCKS = (
    "IEC 61000-4-30 Ed. 3, 4.4 [memory]: 10/12 cycles without a gap, begun anew at each ten-minute tick; the block "
    "that the tick falls into overlaps the next (overlap 1), and so does the 150/180-cycle interval (overlap 2)"
)
SOURCE_METHODS = "IEC 61000-4-30 Ed. 3, 4.4.1 [memory]: root of the mean of squares"
SOURCE_FLAGS = "IEC 61000-4-30 Ed. 3, 4.7 [memory]: what an event touches, and what is made of it, is flagged"
RATE_HZ = 10000.0
TICK_NS = 1000 * TEN_MINUTES_NS  # some ten-minute tick that is no two-hour tick


def half_cycles(hertz: float, length_s: float, *, first: float = 0.0) -> F64:
    """Crossings of a steady fundamental. [samples]"""
    starts: F64 = first + RATE_HZ / hertz / 2 * np.arange(int(length_s * hertz * 2) + 1)
    return starts


def blocks_of(
    hertz: float, length_s: float, *, before_tick_s: float, first: float = 0.0, n_cycles: int = 10
) -> ClockBlocks:
    start_ns = TICK_NS - round(before_tick_s * 1e9)
    return clock_blocks(
        half_cycles(hertz, length_s, first=first), rate_hz=RATE_HZ, start_ns=start_ns, n_cycles=n_cycles
    )


def test_blocks_follow_one_another_without_a_gap_and_begin_anew_at_the_tick() -> None:
    """SOURCE_BLOCKS. By hand: 50 Hz from 0.95 s before the tick on. Blocks at 0, 0.2 … 0.8 s; the last runs past the
    tick to 1.0 s, and the new row begins at 0.95 s."""
    found = blocks_of(50.0, 2.0, before_tick_s=0.95)
    own = ~found.runs_on
    assert found.starts[own] / RATE_HZ == pytest.approx([0.0, 0.2, 0.4, 0.6, 0.8, 0.95, 1.15, 1.35, 1.55, 1.75])
    assert found.lengths == pytest.approx(np.full(found.lengths.size, 2000.0))
    assert found.row[own].tolist() == [999] * 5 + [1000] * 5
    assert found.number[own].tolist() == [*range(5), *range(5)]
    assert found.clock_intervals(TEN_MINUTES_NS).tolist() == [999] * 5 + [1000] * 5
    assert found.starts_ns[own][5] == TICK_NS


def test_a_row_begins_with_the_first_crossing_after_the_tick() -> None:
    found = blocks_of(50.0, 1.0, before_tick_s=0.4533)
    first_of_row = found.starts_ns[found.row == 1000][0]
    assert 0 <= first_of_row - TICK_NS < 10_000_000  # half a cycle of 50 Hz
    assert first_of_row - TICK_NS == pytest.approx(6.7e6, abs=1e3)


def test_the_last_long_interval_of_a_row_runs_on_past_the_tick_until_it_is_whole() -> None:
    """SOURCE_BLOCKS, overlap 2: 4.1 s before the tick are 20.5 blocks, so the second interval of 15 takes 30."""
    found = blocks_of(50.0, 12.0, before_tick_s=4.1)
    of_row = found.row == 999
    assert of_row.sum() == 30
    assert found.runs_on[of_row].tolist() == [False] * 21 + [True] * 9
    whole = aggregate(np.ones(found.row.size), found.long_intervals, how="sum")
    assert whole.values.tolist() == [15, 15, 15, 15, 9]  # 7.9 s after it are 39 blocks
    starts_s = found.starts[found.runs_on] / RATE_HZ
    assert starts_s == pytest.approx(4.2 + 0.2 * np.arange(9))


@pytest.mark.parametrize(("hertz", "expected"), [(50.0, 3000), (49.75, 2985), (50.25, 3015)])
def test_ten_minutes_hold_as_many_blocks_as_the_frequency_makes_them(hertz: float, expected: int) -> None:
    """SOURCE_BLOCKS; counts worked by hand: 600 s * f / 10."""
    found = blocks_of(hertz, 1300.0, before_tick_s=20.0)
    counts = aggregate(found.starts[~found.runs_on], found.clock_intervals(TEN_MINUTES_NS), how="mean").counts
    assert counts.tolist()[1] == expected
    assert found.clock_intervals(TWO_HOURS_NS).tolist() == sorted(found.clock_intervals(TWO_HOURS_NS))


def test_blocks_of_sixty_hertz_hold_twelve_cycles() -> None:
    found = blocks_of(60.0, 1.0, before_tick_s=300.0, n_cycles=12)
    assert found.lengths == pytest.approx(np.full(5, 2000.0))
    assert np.diff(found.first).tolist() == [24] * 4


def test_a_record_of_less_than_a_block_has_none() -> None:
    assert blocks_of(50.0, 0.15, before_tick_s=1.0).starts.size == 0
    assert blocks_of(50.0, 0.2, before_tick_s=1.0).starts.size == 1


HAND: list[tuple[Method, list[float]]] = [
    ("rms", [np.sqrt((9 + 16) / 2), 12.0]),
    ("mean", [3.5, 12.0]),
    ("max", [4.0, 12.0]),
    ("min", [3.0, 12.0]),
    ("sum", [7.0, 12.0]),
    ("last", [4.0, 12.0]),
]


@pytest.mark.parametrize(("how", "expected"), HAND)
def test_values_of_intervals_are_those_worked_by_hand(how: Method, expected: list[float]) -> None:
    """SOURCE_METHODS; 3 and 4 in one interval, 12 in the next with one that was not measured, none in the third."""
    values = [3.0, 4.0, 12.0, np.nan, np.nan]
    found = aggregate(values, [5, 5, 7, 7, 9], how=how)
    assert found.intervals.tolist() == [5, 7, 9]
    assert found.values[:2] == pytest.approx(expected)
    assert np.isnan(found.values[2])
    assert found.counts.tolist() == [2, 1, 0]
    assert not found.flagged.any()


@pytest.mark.parametrize("how", ["rms", "mean", "max", "min", "sum", "last"])
def test_channels_and_orders_are_aggregated_each_on_its_own(how: Method) -> None:
    rng = np.random.default_rng(1)
    values = rng.uniform(1, 2, (3, 4, 50))
    values[rng.uniform(size=values.shape) < 0.2] = np.nan
    intervals = np.sort(rng.integers(0, 9, 50))
    together = aggregate(values, intervals, how=how)
    for c in range(3):
        for h in range(4):
            alone = aggregate(values[c, h], intervals, how=how)
            assert alone.values == pytest.approx(together.values[c, h], nan_ok=True)


def test_the_root_mean_square_over_two_steps_is_that_over_one() -> None:
    """Derived: with equal counts the mean of means is the mean: 3000 blocks to ten minutes, twelve of these to 2 h."""
    u = np.random.default_rng(2).uniform(220, 240, 24 * 300)
    of_ten = aggregate(u, np.arange(u.size) // 300, how="rms")
    of_two = aggregate(of_ten.values, of_ten.intervals // 12, how="rms")
    assert of_two.values == pytest.approx(np.sqrt((u.reshape(2, -1) ** 2).mean(axis=1)))


def test_flags_go_up_with_the_values() -> None:
    """SOURCE_FLAGS: one flagged block flags its 3 s, its ten minutes and its two hours; values stay."""
    n = 24 * 20
    flagged = np.zeros(n, np.bool_)
    flagged[130] = True
    of_ten = aggregate(np.ones(n), np.arange(n) // 20, how="rms", flagged=flagged)
    assert np.flatnonzero(of_ten.flagged).tolist() == [6]
    of_two = aggregate(of_ten.values, of_ten.intervals // 12, how="rms", flagged=of_ten.flagged)
    assert of_two.flagged.tolist() == [True, False]
    assert of_two.values.tolist() == [1.0, 1.0]


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([(10, 20)], [False, True, False]),
        ([(9, 10)], [True, False, False]),  # ends as the second begins
        ([(19, 21)], [False, True, True]),
        ([(0, 100)], [True, True, True]),
        ([(12, 12)], [False, True, False]),  # an instant
        ([(0, 25), (1, 2)], [True, True, True]),  # the longer of two that begin early
        ([(25, 26), (3, 4)], [True, False, True]),
        ([(30, 40)], [False, False, False]),
        ([], [False, False, False]),
    ],
)
def test_an_event_touches_the_intervals_that_it_lies_in(events: list[tuple[int, int]], expected: list[bool]) -> None:
    """SOURCE_FLAGS; intervals 0 to 10, 10 to 20, 20 to 30, ends not included."""
    first, last = ([event[k] for event in events] for k in (0, 1))
    found = touched_by_events([0, 10, 20], [10, 20, 30], event_starts_ns=first, event_ends_ns=last)
    assert found.tolist() == expected


def test_touching_is_what_a_loop_over_all_pairs_finds() -> None:
    rng = np.random.default_rng(3)
    starts = np.sort(rng.integers(0, 1000, 60))
    ends = starts + rng.integers(1, 40, 60)
    first = rng.integers(0, 1000, 25)
    last = first + rng.integers(1, 60, 25)
    found = touched_by_events(starts, ends, event_starts_ns=first, event_ends_ns=last)
    assert found.tolist() == [
        any(f < e and t > s for f, t in zip(first, last, strict=True)) for s, e in zip(starts, ends, strict=True)
    ]


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(SignalError):
        aggregate([1.0, 2.0], [1], how="mean")
    with pytest.raises(SignalError):
        aggregate([1.0, 2.0], [2, 1], how="mean")
    with pytest.raises(SignalError, match="median"):
        aggregate([1.0], [1], how="median")  # type: ignore[arg-type]
    with pytest.raises(SignalError):
        touched_by_events([0], [1, 2], event_starts_ns=[], event_ends_ns=[])
    with pytest.raises(SignalError):
        clock_blocks([0.0, 2.0, 1.0], rate_hz=RATE_HZ, start_ns=0, n_cycles=10)
    assert aggregate([], [], how="rms").values.size == 0
