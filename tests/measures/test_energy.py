"""Energy and demand against values worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.energy import block_demand, energy, sliding_demand

SOURCE = "derived: energy is power times time; common practice for blocks and sliding windows, no source"
MINUTE_NS = 60 * 10**9


def test_energy_is_counted_apart_for_each_way_and_quadrant() -> None:
    """SOURCE: an hour each in quadrants I, II, III, IV, then one not measured."""
    p, q = [1000.0, -500.0, -200.0, 100.0, np.nan], [300.0, 200.0, -100.0, -50.0, np.nan]
    found = energy(p, q, lengths_s=3600.0)
    assert found.taken == pytest.approx([1000, 1000, 1000, 1100, 1100])
    assert found.given_back == pytest.approx([0, 500, 700, 700, 700])
    assert found.reactive[:, -1] == pytest.approx([300, 200, 100, 50])
    assert found.reactive.shape == (4, 5)


def test_energy_of_phases_and_windows_of_any_length() -> None:
    found = energy(np.full((3, 2), 720.0), np.zeros((3, 2)), lengths_s=[0.2, 0.3])
    assert found.taken == pytest.approx(np.tile([0.04, 0.10], (3, 1)))
    assert found.reactive.shape == (4, 3, 2)


def test_demand_of_blocks_is_their_mean_weighed_by_time() -> None:
    """SOURCE: windows of 5, 10 and 15 minutes of 1, 4 and 8 kW from 00:00 on: (5 + 40) / 15 = 3 kW, then 8 kW."""
    found = block_demand(
        [1.0, 4.0, 8.0], starts_ns=[0, 5 * MINUTE_NS, 15 * MINUTE_NS], lengths_s=[300, 600, 900], block_s=900
    )
    assert found.starts_ns.tolist() == [0, 15 * MINUTE_NS]
    assert found.mean == pytest.approx([3.0, 8.0])
    assert found.measured_s.tolist() == [900, 900]


def test_blocks_without_a_measurement_have_no_demand() -> None:
    found = block_demand(
        [2.0, np.nan, 6.0, np.nan],
        starts_ns=[k * MINUTE_NS for k in (15, 20, 45, 50)],
        lengths_s=[300] * 4,
        block_s=900,
    )
    assert found.starts_ns.tolist() == [15 * MINUTE_NS, 30 * MINUTE_NS, 45 * MINUTE_NS]
    assert found.mean[[0, 2]].tolist() == [2.0, 6.0]
    assert np.isnan(found.mean[1])
    assert found.measured_s.tolist() == [300, 0, 300]
    assert block_demand([], starts_ns=[], lengths_s=[], block_s=900).mean.size == 0


def test_sliding_demand_is_the_mean_of_the_blocks_of_its_window() -> None:
    """SOURCE: the greatest sliding demand of 0, 0, 9, 9, 9, 0 over three blocks is 9, over two too; of four 6.75."""
    blocks = [0.0, 0.0, 9.0, 9.0, 9.0, 0.0]
    assert sliding_demand(blocks, n_blocks=3) == pytest.approx([3, 6, 9, 6])
    assert sliding_demand(blocks, n_blocks=4).max() == pytest.approx(6.75)
    assert sliding_demand(blocks, n_blocks=1).tolist() == blocks
    assert sliding_demand(blocks, n_blocks=7).size == 0
    assert np.isnan(sliding_demand([1.0, np.nan, 1.0], n_blocks=2)).all()


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(SignalError):
        block_demand([1.0], starts_ns=[0, 1], lengths_s=[1.0], block_s=900)
    with pytest.raises(SignalError):
        block_demand([1.0], starts_ns=[0], lengths_s=[1.0], block_s=0)
    with pytest.raises(SignalError):
        sliding_demand([1.0], n_blocks=0)
