"""The slow part of a stretch: states of its waveform and ways between leave nothing over, what rings on them does."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.measures.periodic import Wave, cycles_on_grid, mean_wave, phase_turns
from halfcycle.pipeline.measures.slow_part import SlowPart, slow_part
from halfcycle.pipeline.measures.wave_state import State

SOURCE = "derived: the samples are made of the states, and the excess of what is added to them"
F64 = npt.NDArray[np.float64]
RATE_HZ, SIGMA = 12_800.0, 0.003
T = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
TURNS = phase_turns(50.0, rate_hz=RATE_HZ, n=T.size)
FIRST, LAST = round(0.15 * RATE_HZ), round(0.27 * RATE_HZ)


def state(size: npt.ArrayLike = 1.0, jump_deg: npt.ArrayLike = 0.0) -> F64:
    angle = 2 * np.pi * TURNS + np.radians(jump_deg)
    return np.asarray(np.asarray(size) * (np.sin(angle) + 0.05 * np.sin(5 * angle + 1) + 0.02 * np.sin(7 * angle)))


def wave_of(u: F64, first: int, stop: int) -> Wave:
    return mean_wave(cycles_on_grid(u[None], TURNS, first=first, stop=stop, most_cycles=6, newest=True)[0])


def explained(u: F64, *, quiet: tuple[int, int] = (FIRST, LAST)) -> SlowPart:
    """The slow part of samples with a little noise, which is quiet before and after."""
    noisy = u + SIGMA * np.random.default_rng(1).standard_normal(u.size)
    before, after = wave_of(noisy, 0, quiet[0]), wave_of(noisy, quiet[1], u.size)
    return slow_part(noisy, TURNS, before=before, after=after, quiet=quiet, noise_rms=SIGMA, tolerance=0.015)


def inside(values: npt.ArrayLike, otherwise: npt.ArrayLike = 0.0) -> F64:
    within = (np.arange(T.size) >= FIRST + 20) & (np.arange(T.size) < LAST - 20)
    return np.where(within, values, otherwise)


@pytest.mark.parametrize("residual", [0.0, 0.2, 0.7, 1.4])
@pytest.mark.parametrize("jump_deg", [-60.0, 0.0, 35.0])
def test_a_step_of_magnitude_and_phase_leaves_nothing_over(residual: float, jump_deg: float) -> None:
    """SOURCE. The least transient that is looked for peaks at 0.1; noise of 0.003 alone reaches 0.015 or so."""
    part = explained(inside(state(residual, jump_deg), state()))
    assert np.abs(part.excess).max() < 0.04


def test_the_state_of_a_sag_is_the_ratio_that_it_was_made_with() -> None:
    part = explained(inside(state(0.4, -20.0), state()))
    middle = (FIRST + LAST) // 2
    ratio = part.phasors[middle] / part.states[0].phasor
    assert abs(ratio) == pytest.approx(0.4, abs=0.005)
    assert np.degrees(np.angle(ratio)) == pytest.approx(-20.0, abs=0.5)
    assert part.held[middle]
    assert part.step(FIRST + 20, FIRST + 30, margin=100) == pytest.approx(abs(1 - ratio), abs=0.02)


@pytest.mark.parametrize("ramp_s", [0.002, 0.01, 0.03])
def test_a_ramp_from_one_state_to_another_leaves_nothing_over(ramp_s: float) -> None:
    size = np.interp(T, [0.16, 0.16 + ramp_s, 0.25, 0.25 + ramp_s], [1.0, 0.35, 0.35, 1.0])
    part = explained(state(size), quiet=(round(0.155 * RATE_HZ), round((0.255 + ramp_s) * RATE_HZ)))
    assert np.abs(part.excess).max() < 0.05


def test_an_exponential_recovery_leaves_nothing_over() -> None:
    size = np.where(T < 0.16, 1.0, 1 - 0.6 * np.exp(-(T - 0.16) / 0.05))
    part = explained(state(size), quiet=(round(0.155 * RATE_HZ), T.size - 300))
    assert np.abs(part.excess).max() < 0.05


@pytest.mark.parametrize("residual", [1.0, 0.4])
def test_what_rings_on_a_step_is_left_over_and_the_ground_is_the_step(residual: float) -> None:
    start = FIRST + 20
    ring = np.where(
        T[start] <= T, 0.5 * np.exp(-(T - T[start]) / 0.002) * np.sin(2 * np.pi * 900 * (T - T[start])), 0.0
    )
    step = inside(state(residual), state())
    part = explained(step + ring)
    assert np.abs(part.excess[start : start + 40]).max() > 0.3
    ground = part.background(step + ring, TURNS, start, start + 120)
    np.testing.assert_allclose(ground[start : start + 120], step[start : start + 120], atol=0.02)


def test_a_slow_impulse_is_left_over_and_is_no_state() -> None:
    """Half as wide as the shortest sag: a tail of 2 ms must not be taken for a voltage that recovers."""
    since = np.maximum(T - 0.17, 0.0)
    part = explained(state() + 0.5 * (np.exp(-since / 0.0019) - np.exp(-since / 0.0001)))
    assert np.abs(part.excess).max() > 0.4


def test_a_state_is_the_wave_scaled_and_turned() -> None:
    """SOURCE, closed form: a ratio of 0.5 at 30 degrees, level; and on its way from 1 to 0.5 in four turns."""
    wave = wave_of(state(), 0, 2_000)
    ratio = 0.5 * np.exp(1j * np.pi / 6)
    np.testing.assert_allclose(State(wave, ratio).at(TURNS), state(0.5, 30.0), atol=1e-4)
    fundamental = 0.5 * np.sin(2 * np.pi * TURNS + np.pi / 6)
    still = State(wave, ratio, rest=0.0, turning=False)
    np.testing.assert_allclose(still.at(TURNS), fundamental, atol=1e-4)
    moving = State(wave, 1.0, 0.5 + 0j, 2.0, 4.0)
    assert moving.ratio_at(np.array([2.0, 4.0, 6.0])) == pytest.approx([1.0, 0.75, 0.5])
    assert moving.still(4.0).ratio == pytest.approx(0.75)
