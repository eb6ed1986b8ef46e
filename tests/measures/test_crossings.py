"""Zero crossings found anew: against those that were put in, among harmonics, interharmonics, flicker."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.measures.crossings import refined_crossings

SOURCE = "derived: zero crossings of the fundamental that was put in"
RATE_HZ = 6400.0


@pytest.mark.parametrize("f_hz", [42.5, 50.0, 57.5, 69.0])
def test_crossings_are_found_to_a_thousandth_of_a_degree_whatever_is_on_the_voltage(f_hz: float) -> None:
    t = np.arange(round(2 * RATE_HZ)) / RATE_HZ
    first = 0.00137
    angle = 2 * np.pi * f_hz * (t - first)
    u = np.sin(angle) * (1 + 0.01 * np.sin(angle / 10))
    u += 0.1 * np.sin(3 * angle + 1) + 0.05 * np.sin(29 * angle) + 0.01 * np.sin(7.53 * angle)
    crossings = (first + np.arange(20, 150, 10) / (2 * f_hz)) * RATE_HZ
    rough = crossings + np.random.default_rng(1).normal(0, 0.3, crossings.size)
    found = refined_crossings(u.astype(np.float32), rough, period=RATE_HZ / f_hz, n_cycles=10)
    inner = (rough > 5.2 * RATE_HZ / f_hz) & (rough < t.size - 5.2 * RATE_HZ / f_hz)
    off_deg = (found - crossings) * 360 * f_hz / RATE_HZ
    assert np.abs(off_deg[inner]).max() < 2e-2
    assert np.abs(off_deg).max() < np.abs((rough - crossings) * 360 * f_hz / RATE_HZ).max()


def test_a_place_stays_where_the_phase_jumps_the_voltage_is_gone_or_too_little_lies_around() -> None:
    t = np.arange(round(2 * RATE_HZ)) / RATE_HZ
    jumped = np.sin(2 * np.pi * 50 * t + np.where(t > 1.0, np.radians(40), 0.0))
    # At the jump the window sees half of it, 20 degrees: more than a fiftieth of a cycle.
    at = np.array([1.0 * RATE_HZ])
    assert refined_crossings(jumped, at, period=128.0, n_cycles=10) == pytest.approx(at)
    gone = np.sin(2 * np.pi * 50 * t) * np.where(np.abs(t - 1) < 0.2, 0.0, 1.0) + 0.01 * np.sin(2 * np.pi * 250 * t)
    assert refined_crossings(gone, at + 1.0, period=128.0, n_cycles=10) == pytest.approx(at + 1.0)
    early = np.array([140.0])
    assert refined_crossings(np.sin(2 * np.pi * 50 * t), early, period=128.0, n_cycles=10) == pytest.approx(early)
