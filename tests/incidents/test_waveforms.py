"""Whether waveforms of two sites show one disturbance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.incidents.waveforms import SagVoltages, matched

START_S = -0.1
LENGTH_S = 0.08


def stretch(
    *, rate_hz: float, low: tuple[float, float, float], late_s: float = 0.0, length_s: float = LENGTH_S,
    turn_deg: float = 0.0, hertz: float = 50.02, seed: int = 1,
) -> SagVoltages:  # fmt: skip
    """Three phases that fall at zero and come back, as a formula gives them, with noise of 0.2 %."""
    t = START_S + np.arange(round(0.3 * rate_hz)) / rate_hz
    inside = (t >= late_s) & (t < late_s + length_s)
    rng = np.random.default_rng(seed)
    phases = []
    for k in range(3):
        wave = np.sin(2 * np.pi * hertz * (t - late_s) + np.radians(turn_deg - 120 * k))
        phases.append(325 * wave * np.where(inside, low[k], 1.0) + rng.normal(0, 0.65, len(t)))
    return SagVoltages(np.stack(phases), rate_hz, START_S, late_s, length_s, 50.0)


def test_one_disturbance_at_two_rates_is_the_same_and_its_lag_is_found_between_samples() -> None:
    # The second one is 0.37 ms late; samples lie 0.31 and 0.25 ms apart.
    first = stretch(rate_hz=3200.0, low=(0.5, 1.0, 1.0))
    second = stretch(rate_hz=4000.0, low=(0.7, 1.0, 1.0), late_s=0.00037, seed=2)
    found = matched(first, second)
    assert found.verdict == "same"
    assert found.correlation > 0.98
    assert found.lag_s == pytest.approx(0.00037, abs=1e-4)
    assert matched(second, first).lag_s == pytest.approx(-0.00037, abs=1e-4)


def test_a_disturbance_behind_a_delta_star_step_is_the_same() -> None:
    # Derived: such a step makes phases of differences of phases.
    first = stretch(rate_hz=6400.0, low=(0.4, 1.0, 1.0))
    behind = replace(first, volts=(first.volts - np.roll(first.volts, -1, axis=0)) / np.sqrt(3))
    assert matched(first, behind).correlation > 0.98
    assert abs(matched(first, behind).lag_s) < 1e-4


def test_another_disturbance_at_the_same_time_is_not_the_same() -> None:
    # A sag that comes in at another point on the wave and lasts four times as long.
    first = stretch(rate_hz=6400.0, low=(0.5, 1.0, 1.0), length_s=0.03)
    second = stretch(rate_hz=6400.0, low=(1.0, 0.6, 0.55), length_s=0.13, turn_deg=70.0, seed=3)
    assert matched(first, second).verdict != "same"


def test_too_little_before_the_sag_is_refused() -> None:
    first = stretch(rate_hz=3200.0, low=(0.5, 1.0, 1.0))
    begun = replace(first, volts=first.volts[:, 280:], start_s=START_S + 280 / 3200)
    with pytest.raises(SignalError, match="two steady cycles"):
        matched(first, begun)


def test_no_voltage_is_refused() -> None:
    first = stretch(rate_hz=3200.0, low=(0.5, 1.0, 1.0))
    with pytest.raises(SignalError, match="no voltage"):
        matched(first, replace(first, volts=first.volts[:0]))
