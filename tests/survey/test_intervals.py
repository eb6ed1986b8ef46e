"""Sums of blocks in intervals: however the blocks come, with gaps or not, they come to what one call makes of all."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.quantities import Aggregation
from halfcycle.pipeline.survey.intervals import Gathered, Gathering

SOURCE = "derived: NumPy's nanmean, nansum, nanmin and nanmax over the blocks of each interval"
N_BLOCKS, N_NAMES, EACH = 600, 3, 5


def gathered(values: np.ndarray, numbers: np.ndarray, cuts: list[int], how: Aggregation) -> Gathered:
    gathering = Gathering(how, extremes=True)
    last = None
    for part, own in zip(np.split(values, cuts), np.split(numbers, cuts), strict=True):
        begins = np.flatnonzero(np.diff(own, prepend=own[0] - 1))
        gathering.add(part, begins, joins=last == own[0])
        last = own[-1]
    return gathering.result()


@pytest.mark.parametrize("how", ["rms", "mean", "sum"])
@pytest.mark.parametrize("gaps", [False, True])
def test_parts_of_any_size_come_to_the_same(how: Aggregation, *, gaps: bool) -> None:
    rng = np.random.default_rng([3, gaps])
    values = rng.normal(5.0, 1.0, (N_BLOCKS, N_NAMES)).astype(np.float32)
    if gaps:  # in some names, in some calls: counts of one width meet those of another
        values[rng.integers(0, N_BLOCKS, 40), rng.integers(0, N_NAMES, 40)] = np.nan
    numbers = np.arange(N_BLOCKS) // EACH
    cuts = np.unique(rng.integers(1, N_BLOCKS, 90)).tolist()  # far more parts than are kept apart
    found = gathered(values, numbers, cuts, how)
    of_each = values.astype(np.float64).reshape(-1, EACH, N_NAMES)
    expected = {
        "rms": np.sqrt(np.nanmean(of_each**2, axis=1)), "mean": np.nanmean(of_each, axis=1),
        "sum": np.nansum(of_each, axis=1),
    }[how]  # fmt: skip
    np.testing.assert_allclose(found.values, expected, rtol=1e-6)
    np.testing.assert_array_equal(found.low, np.nanmin(of_each, axis=1).astype(np.float32))
    np.testing.assert_array_equal(found.high, np.nanmax(of_each, axis=1).astype(np.float32))
