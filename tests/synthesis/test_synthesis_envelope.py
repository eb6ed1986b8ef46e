"""Piecewise envelopes and sets of intervals against dense grids and closed forms."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.synthesis import Stage
from halfcycle.pipeline.synthesis.envelope import Envelope, envelope_of, intersection, union

INTERVALS = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)).map(lambda pair: (min(pair), max(pair))))


def envelope(*stages: Stage, steady: float = 1.0) -> Envelope:
    return envelope_of(stages, steady=steady, value=lambda stage: stage.residual_pu[0])


def members(intervals: list[tuple[float, float]]) -> set[int]:
    """The whole numbers n whose unit interval [n, n + 1) lies in one of the intervals."""
    return {n for start, end in intervals for n in range(int(start), int(end))}


@given(one=INTERVALS, other=INTERVALS)
@settings(deadline=None)
def test_union_and_intersection_of_intervals_are_those_of_sets(
    one: list[tuple[float, float]], other: list[tuple[float, float]]
) -> None:
    assert members(union(one + other)) == members(one) | members(other)
    assert members(intersection(union(one), union(other))) == members(one) & members(other)


@given(intervals=INTERVALS)
@settings(deadline=None)
def test_union_is_in_order_and_does_not_touch(intervals: list[tuple[float, float]]) -> None:
    joined = union(intervals)
    assert all(start < end for start, end in joined)
    assert all(before[1] < after[0] for before, after in pairwise(joined))


@st.composite
def stage_rows(draw: st.DrawFn) -> tuple[Stage, ...]:
    rows, end_s = [], draw(st.floats(-0.2, 0.2))
    for _ in range(draw(st.integers(0, 4))):
        start_s = end_s + draw(st.sampled_from([0.0, 0.05]))
        duration_s = draw(st.floats(0.02, 0.3))
        row = Stage(
            start_s=start_s,
            duration_s=duration_s,
            residual_pu=(draw(st.floats(0.0, 1.5)),),
            ramp_s=draw(st.sampled_from([0.0, 0.3])) * duration_s,
            recovery_s=draw(st.none() | st.floats(0.01, 1.0)),
        )
        rows.append(row)
        end_s = row.end_s
    return tuple(rows)


@given(rows=stage_rows(), level=st.floats(0.05, 1.4), steady=st.sampled_from([0.7, 1.0, 1.2]), above=st.booleans())
@settings(max_examples=150, deadline=None)
def test_spans_beyond_a_level_are_those_of_a_dense_grid(
    rows: tuple[Stage, ...], level: float, steady: float, above: bool
) -> None:
    curve = envelope(*rows, steady=steady)
    t_s = np.linspace(-0.5, 2.0, 20001)
    values = curve.at(t_s)
    beyond = values > level if above else values < level
    inside = np.zeros_like(beyond)
    edges = []
    for start, end in curve.spans_beyond(level, above=above):
        inside |= (t_s >= start) & (t_s < end)
        edges += [start, end]
    # Values this close to the level lie within rounding of a crossing; so do instants at an edge.
    clear = np.abs(values - level) > 1e-9
    for edge in edges:
        clear &= ~(np.abs(t_s - edge) < 1e-9)
    np.testing.assert_array_equal(inside[clear], beyond[clear])


@given(rows=stage_rows(), start_s=st.floats(-0.3, 0.5), length_s=st.floats(0.01, 1.0))
@settings(max_examples=100, deadline=None)
def test_extremes_are_those_of_a_dense_grid(rows: tuple[Stage, ...], start_s: float, length_s: float) -> None:
    curve = envelope(*rows)
    lowest, highest = curve.extremes(start_s, start_s + length_s)
    values = curve.at(np.linspace(start_s, start_s + length_s, 20001)[:-1])
    # Between grid points an exponential moves by at most 1.5 pu * 50 us / 10 ms, a ramp by 1.5 pu * 50 us / 6 ms.
    assert lowest == pytest.approx(values.min(), abs=0.013)
    assert highest == pytest.approx(values.max(), abs=0.013)
    assert lowest <= values.min() + 1e-12
    assert highest >= values.max() - 1e-12


def test_exponential_recovery_crosses_a_level_at_the_logarithm_of_the_gaps() -> None:
    """Derived: 1 - 0.5 exp(-t / tau) = 0.9 at t = tau ln 5."""
    curve = envelope(Stage(start_s=0.1, duration_s=2.0, residual_pu=(0.5,), recovery_s=0.25))
    ((start_s, end_s),) = curve.spans_beyond(0.9, above=False)
    assert start_s == 0.1
    assert end_s == pytest.approx(0.1 + 0.25 * math.log(5.0), rel=1e-12)


def test_ramp_crosses_a_level_in_proportion() -> None:
    """Derived: from 1 to 0.5 in 0.2 s, 0.9 is reached after a fifth of it."""
    curve = envelope(Stage(start_s=0.1, duration_s=1.0, residual_pu=(0.5,), ramp_s=0.2))
    assert curve.spans_beyond(0.9, above=False) == [pytest.approx((0.14, 1.1), rel=1e-12)]


def test_a_stage_that_begins_between_samples_takes_effect_at_the_next_sample() -> None:
    t_s = np.arange(10) / 10.0
    values = envelope(Stage(start_s=0.25, duration_s=0.3, residual_pu=(0.4,))).at(t_s)
    assert values.tolist() == [1.0, 1.0, 1.0, 0.4, 0.4, 0.4, 1.0, 1.0, 1.0, 1.0]


def test_an_edge_on_a_sample_is_that_samples_even_where_sums_of_seconds_are_rounded() -> None:
    # 0.1 + 0.2 is 0.30000000000000004 in double precision.
    values = envelope(Stage(start_s=0.1, duration_s=0.2, residual_pu=(0.4,))).at(np.arange(5) / 10.0)
    assert values.tolist() == [1.0, 0.4, 0.4, 1.0, 1.0]


def test_stages_that_touch_leave_no_gap_between_them() -> None:
    stages = [Stage(start_s=0.1 * i, duration_s=0.1, residual_pu=(0.5,)) for i in range(1, 10)]
    assert envelope(*stages).spans_beyond(0.9, above=False) == [pytest.approx((0.1, 1.0), rel=1e-12)]


def test_only_an_envelope_of_one_value_is_level() -> None:
    assert envelope().is_level
    assert envelope(Stage(start_s=0.0, duration_s=1.0, residual_pu=(1.0,))).is_level
    assert not envelope(Stage(start_s=0.0, duration_s=1.0, residual_pu=(0.99,))).is_level
