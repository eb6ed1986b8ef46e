"""Small steps: tap changers and loads in short records, and hours in which nothing steps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.voltage_step import VoltageStepSettings, find_voltage_steps
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.measures.quality import MISSING

SOURCE = "derived: the step that was put into the series; sizes of 0.5 % and more as tap changers and loads make them"
F64 = npt.NDArray[np.float64]
HALF_CYCLE = 64.0


def series(
    rng: np.random.Generator, seconds: float, *, noise: float, drift: float, flicker: float = 0.0,
    steps: tuple[tuple[float, float], ...] = (),
) -> F64:  # fmt: skip
    """Urms(1/2) of three phases in per cent: noise, a random walk of `drift` in a minute, 8.8 Hz flicker, and steps."""
    n = round(seconds * 100)
    t = np.arange(n) / 100
    common = 100 + np.cumsum(rng.standard_normal(n)) * drift / np.sqrt(6000) + flicker * np.sin(2 * np.pi * 8.8 * t)
    x: F64 = common + noise * rng.standard_normal((3, n))
    for at_s, size in steps:
        x[:, t >= at_s] += size
    return x


def found(x: F64, **more: object) -> list[Finding]:
    return find_voltage_steps(
        x, HALF_CYCLE * np.arange(x.shape[1]), reference_v=100.0, nominal_frequency_hz=50.0,
        settings=VoltageStepSettings(), **more,  # type: ignore[arg-type]
    )  # fmt: skip


def test_steps_of_half_a_per_cent_and_more_are_found_in_records_of_14_s() -> None:
    # SOURCE; the bar is 95 of 100
    rng = np.random.default_rng(1)
    n_right = 0
    for _ in range(60):
        size, at_s = float(rng.uniform(0.5, 1.7) * rng.choice([-1, 1])), float(rng.uniform(2, 12))
        x = series(rng, 14, noise=rng.uniform(0.005, 0.08), drift=rng.uniform(0, 0.3), steps=((at_s, size),))
        events = found(x)
        if len(events) == 1:
            (one,) = events
            assert one.before is not None
            assert one.after is not None
            assert np.sign(one.after - one.before) == np.sign(size)
            n_right += abs(one.start / 6400 - at_s) < 0.05 and abs(one.magnitude - abs(size)) < 0.15
    assert n_right >= 57


def test_nothing_steps_in_hours_that_are_calm_drift_or_flicker() -> None:
    rng = np.random.default_rng(2)
    for _ in range(4):
        x = series(rng, 3600, noise=rng.uniform(0.005, 0.1), drift=rng.uniform(0, 0.6), flicker=rng.uniform(0, 0.3))
        assert found(x) == []


@pytest.mark.exam
def test_nothing_steps_in_a_thousand_hours_of_calm() -> None:
    rng = np.random.default_rng(3)
    n_false = 0
    for _ in range(500):
        x = series(rng, 7200, noise=rng.uniform(0.005, 0.1), drift=rng.uniform(0, 0.6), flicker=rng.uniform(0, 0.3))
        n_false += len(found(x))
    assert n_false == 0


def test_a_dent_a_ramp_and_what_was_not_measured_are_no_steps() -> None:
    rng = np.random.default_rng(4)
    dent = series(rng, 14, noise=0.02, drift=0.0, steps=((5.0, -1.0), (5.3, 1.0)))
    ramp = series(rng, 14, noise=0.02, drift=0.0)
    ramp += np.clip((np.arange(1400) - 500) / 300, 0, 1)
    assert found(dent) == []
    assert found(ramp) == []
    step = series(rng, 14, noise=0.02, drift=0.0, steps=((5.0, -1.0),))
    assert len(found(step)) == 1
    flags = np.zeros(step.shape, np.uint8)
    flags[:, 490:510] = MISSING
    assert found(step, flags=flags) == []
    assert found(step, variations=[[4.5 * 6400, 4.6 * 6400]]) == []
    assert found(step[:, :150]) == []


def test_each_of_several_steps_is_one_and_larger_ones_are_left_to_rapid_voltage_changes() -> None:
    rng = np.random.default_rng(5)
    x = series(rng, 30, noise=0.02, drift=0.0, steps=((5.0, -1.0), (12.0, 0.8), (20.0, -5.0)))
    assert [round(one.magnitude, 1) for one in found(x)] == [1.0, 0.8]


def test_limits_that_do_not_fit_are_refused() -> None:
    from halfcycle.pipeline.detectors.registry import choose

    with pytest.raises(ConfigError, match="least_pct"):
        choose({"voltage_step": {"least_pct": 4.0}})
