"""Sides where clamps are told by the power that flows to the load: behind weak sources, and clamps all backwards.

SOURCE of every expectation: the circuit of `made_phasor_sites`, solved with its fault on a known side.
"""

from __future__ import annotations

from collections import Counter
from typing import get_args

import numpy as np
import pytest
from made_phasor_sites import N_AFTER, N_BEFORE, Flow, Recorded, Side, Source, recorded

from halfcycle.classifiers.direction import find_direction

USUAL_LAG_DEG = (-25.0, 70.0)  # beyond, the account takes clamps for exchanged or backwards: common practice, no source


def sides(source: Source, flow: Flow, *, n: int, backwards: bool = False) -> Counter[str]:
    """How often a side is right, wrong and not told, of the sites whose clamps seem to point to a load."""
    found: Counter[str] = Counter()
    for k in range(n):
        side: Side = get_args(Side)[k % 2]
        seen: Recorded = recorded(np.random.default_rng([k, 7]), source=source, flow=flow, side=side)
        seen = seen.backwards if backwards else seen
        if not USUAL_LAG_DEG[0] < seen.lag_deg < USUAL_LAG_DEG[1]:
            continue
        told = find_direction(
            seen.v1, seen.i1, n_before=N_BEFORE, i_start=N_BEFORE, i_stop=N_BEFORE + N_AFTER, negative=seen.negative,
            by_load=True,
        ).direction  # fmt: skip
        found["right" if told == side else "not told" if told == "unknown" else "wrong"] += 1
    print(source, flow, "backwards" if backwards else "right", dict(found))
    return found


@pytest.mark.parametrize(("source", "least"), [("usual", 0.8), ("weak", 0.45), ("weak and resistive", 0.35)])
def test_where_clamps_are_right_no_side_is_wrong_and_weak_sources_leave_more_of_them_open(
    source: Source, least: float
) -> None:
    found = sides(source, "importing", n=120)
    assert found["wrong"] == 0
    assert found["right"] >= least * found.total()


@pytest.mark.exam
@pytest.mark.parametrize("source", get_args(Source))
def test_of_thousands_behind_right_clamps_none_is_wrong(source: Source) -> None:
    found = sides(source, "importing", n=2000)
    assert found["wrong"] == 0
    assert found["right"] >= 0.4 * found.total()


@pytest.mark.exam
@pytest.mark.parametrize("source", get_args(Source))
def test_sites_that_export_behind_clamps_all_backwards_hardly_ever_get_a_wrong_side(source: Source) -> None:
    """Machines that take 4 to 6 % of the voltage at the current before look like the reactance of a source."""
    found = sides(source, "exporting", n=2000, backwards=True)
    assert found["wrong"] <= 0.02 * found.total()
