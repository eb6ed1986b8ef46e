"""Matches of detections with the truth and the scores that follow, worked by hand."""

from __future__ import annotations

import math

import pytest

from halfcycle.pipeline.benchmark.contenders import Detection
from halfcycle.pipeline.benchmark.scores import Paired, Scored, matched, paired, score, wilson

SOURCE = (
    "event match: intersection over union of at least 0.5 and the same family, one to one; precision, recall and F1 on "
    "matches (usual in event detection, no source); worked by hand"
)


def sag(start_s: float, stop_s: float, magnitude: float = 0.5, kind: str = "sag") -> Detection:
    return Detection(kind, start_s, stop_s, magnitude)


def test_intervals_match_from_half_of_their_union_on() -> None:
    half = matched([sag(0.0, 1.0)], [sag(0.0, 0.5)])
    assert len(half[0]) == 1
    less = matched([sag(0.0, 1.0)], [sag(0.0, 0.49)])
    assert (less[0], len(less[1]), len(less[2])) == ([], 1, 1)


def test_a_truth_is_matched_once_by_the_best_and_the_kind_must_be_the_same() -> None:
    good, other = sag(0.05, 1.0), sag(0.0, 0.8)
    pairs, missed, false = matched([sag(0.0, 1.0)], [other, good])
    assert (pairs, missed, false) == ([(sag(0.0, 1.0), good)], [], [other])
    assert matched([sag(0.0, 1.0)], [sag(0.0, 1.0, kind="swell")])[0] == []
    assert len(matched([sag(0.0, 1.0)], [sag(0.0, 1.0, kind="change")])[0]) == 1


def test_transients_match_by_their_starts_whichever_of_the_two_kinds() -> None:
    true = Detection("oscillatory_transient", 0.100, 0.110, 0.4)
    near, far = (
        Detection("impulsive_transient", 0.1049, 0.1049, 0.4),
        Detection("impulsive_transient", 0.1051, 0.2, 0.4),
    )
    assert len(matched([true], [near])[0]) == 1
    assert matched([true], [far])[0] == []


def test_precision_recall_false_alarms_and_errors_are_those_of_a_count_by_hand() -> None:
    """Two of three sags found, one false alarm in 2 x 1800 s: precision 2/3, recall 2/3, one alarm an hour."""
    pairs = (
        (sag(1.0, 1.2, 0.50), sag(1.01, 1.25, 0.52)),
        (sag(3.0, 3.4, 0.60), sag(2.97, 3.39, 0.60)),
    )
    first = Scored("sag", 0.5, 40.0, 1800.0, 0.02, pairs, (sag(5.0, 5.2),), ())
    second = Scored("nothing", math.nan, 40.0, 1800.0, 0.02, (), (), (sag(7.0, 7.1),))
    found = score([first, second])
    assert (found.n_true, found.n_matched, found.n_false) == (3, 2, 1)
    assert (found.precision, found.recall, found.f1) == pytest.approx((2 / 3, 2 / 3, 2 / 3))
    assert found.false_per_hour == pytest.approx(1.0)
    assert found.start_ms == pytest.approx((20.0, 29.0))  # 10 and 30 ms: their middle, and 95 % of the way
    assert found.duration_cycles == pytest.approx((1.5, 1.95))  # 40 and 20 ms of 20 ms
    assert found.magnitude_pu == pytest.approx((0.01, 0.019))


def test_nothing_said_is_no_number() -> None:
    found = score([Scored("nothing", math.nan, 40.0, 60.0, 0.02, (), (), ())])
    assert found.n_true == found.n_false == 0
    assert math.isnan(found.precision)
    assert math.isnan(found.recall)
    assert math.isnan(found.start_ms[0])
    assert found.false_per_hour == 0.0


def test_the_interval_of_a_share_is_wilsons() -> None:
    # by hand, z = 1.96: of 10 of 10 the low end is 10 / (10 + z^2) = 0.7225; of 5 of 10 the two ends are even about 0.5
    assert wilson(10, 10) == pytest.approx((0.7225, 1.0), abs=1e-4)
    low, high = wilson(5, 10)
    assert (low, high) == pytest.approx((0.2366, 0.7634), abs=1e-4)
    assert all(math.isnan(end) for end in wilson(0, 0))


def test_two_contenders_are_compared_by_the_cases_that_only_one_has_right() -> None:
    # by hand: six cases that only the first has right, none the other way: 2 / 2^6
    one = Detection("sag", 0.1, 0.2, 0.5)
    right = Scored("sag", 0.5, 40.0, 1.0, 0.02, ((one, one),), (), ())
    wrong = Scored("sag", 0.5, 40.0, 1.0, 0.02, (), (one,), ())
    assert paired([right] * 8, [wrong] * 6 + [right] * 2) == Paired(8, 6, 0, pytest.approx(2 / 64))
    assert paired([right, wrong], [right, wrong]).p == 1.0
