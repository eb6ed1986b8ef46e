"""A busbar's voltages under the names of its feeders are one measuring point, and its sag one row."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.sites.same_voltages import identical_voltages


def test_one_bus_under_five_names_is_one_point_and_two_open_inputs_are_two() -> None:
    rng = np.random.default_rng(2)
    bus = np.round(1000 * np.sin(np.arange(3)[:, None] * 2.1 + np.arange(400) / 10) + rng.normal(0, 3, (3, 400)))
    other = bus + rng.integers(-1, 2, bus.shape)
    rows = np.concatenate([bus, other, bus, np.zeros((6, 400)), bus]).astype(np.int16)
    sets = [(3 * k, 3 * k + 1, 3 * k + 2) for k in range(6)]
    assert identical_voltages(rows, sets) == ((0, 2, 5), (1,), (3,), (4,))
    scaled = rows.astype(np.float32) * np.float32(0.0183)
    assert identical_voltages(scaled, sets) == ((0, 2, 5), (1,), (3,), (4,))
    assert identical_voltages(rows, [(0, 1, 2), (7, 6, 8)]) == ((0,), (1,))  # other phases are another point
    with pytest.raises(SignalError, match="row 99"):
        identical_voltages(rows, [(0, 1, 99)])
