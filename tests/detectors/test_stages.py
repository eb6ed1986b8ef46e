"""The stages of a sag: plateaus of the worst phase's trace."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.pipeline.detectors.stages import Plateau, find_stages

SOURCE = "derived: plateaus of two cycles (four half cycles) and more, 0.05 pu and more apart, as the function promises"


def test_two_plateaus_are_two_stages() -> None:
    assert find_stages([0.5] * 10 + [0.75] * 8) == (Plateau(0, 10, 0.5), Plateau(10, 8, 0.75))


def test_a_plateau_that_comes_back_is_a_stage_of_its_own() -> None:
    stages = find_stages([0.5] * 6 + [0.8] * 6 + [0.5] * 6)
    assert [stage.level_pu for stage in stages] == [0.5, 0.8, 0.5]


def test_levels_closer_than_a_twentieth_are_one_stage() -> None:
    assert len(find_stages([0.5] * 10 + [0.54] * 10)) == 1
    assert len(find_stages([0.5] * 10 + [0.56] * 10)) == 2


def test_a_blip_of_under_two_cycles_is_no_stage() -> None:
    (stage,) = find_stages([0.5] * 10 + [0.9] * 3 + [0.5] * 10)
    assert stage == Plateau(0, 23, 0.5)


def test_edges_between_plateaus_belong_to_the_stage_before() -> None:
    first, second = find_stages([0.9, 0.6] + [0.4] * 8 + [0.5, 0.6] + [0.7] * 8)
    assert (first.level_pu, second.level_pu) == (0.4, 0.7)
    assert second.i_start == 12


def test_a_short_or_shapeless_trace_is_one_stage_at_its_median() -> None:
    assert find_stages([0.5, 0.7, 0.6]) == (Plateau(0, 3, 0.6),)
    steep = np.linspace(0.2, 0.89, 20)
    assert find_stages(np.tile([0.2, 0.8], 10)) == (Plateau(0, 20, 0.5),)
    assert find_stages(steep)[0].i_start == 0


def test_nothing_has_no_stage() -> None:
    assert find_stages([]) == ()


@given(trace=st.lists(st.sampled_from([0.0, 0.2, 0.22, 0.5, 0.52, 0.58, 0.8]), min_size=1, max_size=60))
def test_stages_cover_the_event_without_gap_or_overlap(trace: list[float]) -> None:
    stages = find_stages(trace)
    assert stages[0].i_start == 0
    assert sum(stage.n_half_cycles for stage in stages) == len(trace)
    for before, after in pairwise(stages):
        assert before.i_start + before.n_half_cycles == after.i_start
        assert abs(before.level_pu - after.level_pu) >= 0.05
    assert all(min(trace) <= stage.level_pu <= max(trace) for stage in stages)


@pytest.mark.parametrize("n", [8, 30])
def test_noise_of_one_percent_adds_no_stage(n: int) -> None:
    rng = np.random.default_rng(n)
    trace = np.r_[np.full(n, 0.3), np.full(n, 0.7)] + rng.uniform(-0.01, 0.01, 2 * n)
    assert len(find_stages(trace)) == 2
