"""Medians and quantiles of rows: those of NumPy, to the rounding of the last digit."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.order_statistics import median_of, row_medians, row_quantiles

SOURCE = "numpy.median and numpy.quantile (its default method, linear: Hyndman and Fan's type 7), another code"


@pytest.mark.parametrize("n", [1, 2, 3, 10, 101, 256])
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_medians_and_quantiles_of_rows_are_those_of_another_code(n: int, kind: type) -> None:
    # SOURCE.
    rows = np.random.default_rng(n).normal(size=(4, n)).astype(kind)
    assert row_medians(rows) == pytest.approx(np.median(rows, axis=1), rel=1e-6)
    assert [median_of(row) for row in rows] == np.median(rows, axis=1).tolist()
    for share in (0.0, 0.5, 0.9, 0.99, 1.0):
        assert row_quantiles(rows, share) == pytest.approx(np.quantile(rows, share, axis=1), rel=1e-5, abs=1e-6)
