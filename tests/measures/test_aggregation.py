"""Blocks to intervals: grouping at the clock's ticks, the root of mean squares, flags; worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import SignalError
from pipeline.measures.aggregation import TICK_NS, aggregated, block_numbers, flagged, intervals_of

SOURCE = "IEC 61000-4-30 Ed. 3, 4.4 and 4.7 (from memory); figures worked by hand"
MS = 1_000_000
TEN_MINUTES_NS = 600_000 * MS
MIDNIGHT_NS = 1_772_409_600_000_000_000  # 2026-03-02T00:00:00Z


def test_blocks_of_fifty_hertz_are_three_thousand_in_ten_minutes() -> None:
    """3000 blocks nominal, 2985 at 49.75 Hz (reference figures of 4.4, calculated)."""
    for hertz, n_blocks in ((50.0, 3000), (49.75, 2985)):
        half_ns = 0.5e9 / hertz
        crossings = MIDNIGHT_NS + np.round(np.arange(round(600e9 / half_ns)) * half_ns).astype(np.int64)
        assert block_numbers(crossings, n_half_cycles=20).size == n_blocks


def test_blocks_begin_anew_after_a_tick_and_the_one_it_falls_into_is_finished() -> None:
    # Half cycles of 10 ms from 130 ms before the tick: the block begun at -130 ms ends at +70 ms, the next begins at 0.
    crossings = MIDNIGHT_NS + (np.arange(100) * 10 - 130) * MS
    starts = crossings[block_numbers(crossings, n_half_cycles=20)] - MIDNIGHT_NS
    assert (starts // MS).tolist() == [-130, 0, 200, 400, 600]
    off = crossings + 3 * MS  # no half cycle begins at the tick: the first after it does
    starts = off[block_numbers(off, n_half_cycles=20)] - MIDNIGHT_NS
    assert (starts // MS).tolist() == [-127, 3, 203, 403, 603]


def test_a_block_without_all_its_half_cycles_is_left_out() -> None:
    crossings = MIDNIGHT_NS + np.arange(39) * 10 * MS
    assert block_numbers(crossings, n_half_cycles=20).tolist() == [0]
    assert block_numbers(crossings[:0], n_half_cycles=20).size == 0


def test_a_block_belongs_to_the_interval_in_which_it_starts_and_its_share_ends_there() -> None:
    starts = MIDNIGHT_NS + np.array([-200, -100, 0, 200]) * MS
    found = intervals_of(starts, 200 * MS, interval_ns=TEN_MINUTES_NS)
    assert found.starts_ns.tolist() == [MIDNIGHT_NS - TEN_MINUTES_NS, MIDNIGHT_NS]
    assert found.first.tolist() == [0, 2]
    np.testing.assert_allclose(found.measured * 600_000, [300, 400])


def test_values_go_together_by_their_rule_and_what_was_not_measured_does_not_count() -> None:
    starts = MIDNIGHT_NS + np.arange(6) * 500 * MS
    found = intervals_of(starts, 500 * MS, interval_ns=1000 * MS)
    values = np.array([[3.0, 4.0, 1.0, np.nan, np.nan, np.nan], [1.0, -2.0, 5.0, 7.0, 2.0, 2.0]])
    np.testing.assert_allclose(aggregated(values, found, "rms")[0], [np.sqrt(12.5), 1.0, np.nan])
    np.testing.assert_allclose(aggregated(values, found, "mean")[1], [-0.5, 6.0, 2.0])
    np.testing.assert_allclose(aggregated(values, found, "max")[1], [1.0, 7.0, 2.0])
    np.testing.assert_allclose(aggregated(values, found, "min")[0], [3.0, 1.0, np.nan])
    np.testing.assert_allclose(aggregated(values, found, "sum")[0], [7.0, 1.0, np.nan])
    np.testing.assert_allclose(aggregated(values, found, "last")[0], [4.0, 1.0, np.nan])
    np.testing.assert_allclose(found.measured, 1.0)


def test_two_hours_are_the_root_mean_square_of_their_ten_minutes() -> None:
    rng = np.random.default_rng(1)
    values = rng.uniform(200, 250, 36_000)
    starts = MIDNIGHT_NS + np.arange(values.size) * 200 * MS
    ten = intervals_of(starts, 200 * MS, interval_ns=TEN_MINUTES_NS)
    short = aggregated(values, ten, "rms")
    two = intervals_of(ten.starts_ns, TEN_MINUTES_NS, interval_ns=12 * TEN_MINUTES_NS)
    assert short.size == 12
    assert aggregated(short, two, "rms") == pytest.approx(np.sqrt(np.mean(values**2)))


def test_a_flag_goes_up_into_the_interval_that_holds_the_block() -> None:
    starts = MIDNIGHT_NS + np.arange(9) * 200 * MS
    found = intervals_of(starts, 200 * MS, interval_ns=600 * MS)
    flags = np.zeros(9, np.bool_)
    flags[4] = True
    marks = flagged(flags, found)
    assert found.first.tolist() == [0, 3, 6]
    assert marks.tolist() == [False, True, False]


def test_what_does_not_fit_is_refused() -> None:
    found = intervals_of(np.array([0, 1]), 1, interval_ns=10)
    with pytest.raises(SignalError, match="2 blocks"):
        aggregated(np.zeros(3), found, "mean")
    with pytest.raises(SignalError, match="2 blocks"):
        flagged(np.zeros(3, np.bool_), found)
    with pytest.raises(SignalError, match="rise"):
        intervals_of(np.array([1, 1]), 1, interval_ns=10)
    with pytest.raises(SignalError, match="rise"):
        block_numbers(np.array([2, 1]), n_half_cycles=20)
    none = intervals_of(np.zeros(0, np.int64), 1, interval_ns=TICK_NS)
    assert aggregated(np.zeros((2, 0)), none, "rms").shape == (2, 0)
    assert flagged(np.zeros(0, np.bool_), none).shape == (0,)
