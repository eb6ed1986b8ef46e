"""The residue of a waveform: nothing where it is periodic, all of what is added, whatever the length of a cycle."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.periodic import (
    cubics,
    cycles_on_grid,
    mean_wave,
    phase_turns,
    read_table,
    steady_turns,
    tuned_turns,
)
from halfcycle.pipeline.measures.residue import candidate_blocks, candidate_spans, cycle_residue, interpolate

SOURCE = "derived: a periodic function less itself one period before is zero"
F64 = npt.NDArray[np.float64]


def distorted(turns: F64) -> F64:
    angle = 2 * np.pi * turns
    return np.asarray(
        np.sin(angle) + 0.06 * np.sin(5 * angle + 1) + 0.04 * np.sin(11 * angle) + 0.02 * np.cos(2 * angle)
    )


@pytest.mark.parametrize("cycle", [128.0, 256.0])
def test_the_residue_of_a_wave_with_whole_samples_a_cycle_is_zero(cycle: float) -> None:
    """SOURCE. Whole delays need no reading between samples: exact but for rounding."""
    residue = cycle_residue(distorted(np.arange(2_000) / cycle), cycle=cycle)
    assert np.abs(residue).max() < 1e-12


@pytest.mark.parametrize("cycle", [127.31, 213.333, 255.9])
def test_the_residue_of_a_wave_with_any_length_of_cycle_is_next_to_zero(cycle: float) -> None:
    """SOURCE. `interpolate` promises 1.5e-4 of the amplitude at worst; at the edges a polynomial takes over."""
    residue = cycle_residue(distorted(np.arange(3_000) / cycle), cycle=cycle)
    assert np.abs(residue[round(cycle) + 40 : -40]).max() < 3e-5
    assert np.abs(residue).max() < 1e-3


def test_the_residue_follows_a_cycle_that_changes_its_length() -> None:
    turns = phase_turns(np.linspace(49.5, 50.5, 6_000), rate_hz=12_800.0, n=6_000)
    before = np.interp(turns - 1, turns, np.arange(6_000))
    residue = cycle_residue(distorted(turns), cycle=np.maximum(np.arange(6_000) - before, 16))
    assert np.abs(residue[400:-40]).max() < 3e-5


def test_what_is_added_to_a_periodic_wave_is_its_residue_and_comes_back_a_cycle_later_upside_down() -> None:
    u = np.stack([distorted(np.arange(1_000) / 128), distorted(np.arange(1_000) / 128 + 1 / 3)])
    u[1, 500] += 0.5
    residue = cycle_residue(u, cycle=128)
    expected = np.zeros_like(u)
    expected[1, [500, 628]] = 0.5, -0.5
    np.testing.assert_allclose(residue, expected, atol=1e-12)


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.8])
def test_reading_between_samples_gives_a_sine_back(share: float) -> None:
    """Closed form; shares of half the sampling rate to 0.8, bound 1.5e-4 as the docstring says."""
    rng = np.random.default_rng(0)
    at = rng.uniform(20, 480, 5_000)
    samples = np.sin(np.pi * share * np.arange(500) + 0.3)
    assert np.abs(interpolate(samples, at) - np.sin(np.pi * share * at + 0.3)).max() < 1.5e-4


@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.float32])
@pytest.mark.parametrize("delay", [100.0, 99.5, 99.75])
def test_levels_of_blocks_are_the_rms_of_the_difference_from_a_cycle_before(dtype: Any, delay: float) -> None:
    """Twin: the definition, block by block."""
    x = np.random.default_rng(2).integers(-9_000, 9_000, 5_013).astype(dtype)
    lead = int(np.ceil(delay))
    levels = candidate_blocks(x, delay=delay, block=16)
    wide = x.astype(np.float64)
    old = wide[:-lead] + (lead - delay) * (wide[1 : 1 - lead] - wide[:-lead])
    expected = [
        np.sqrt(np.mean((wide[lead + k * 16 : lead + k * 16 + 16] - old[k * 16 : k * 16 + 16]) ** 2))
        for k in range((5_013 - lead) // 16)
    ]
    np.testing.assert_allclose(levels, expected, rtol=1e-5)


def test_only_cycles_that_are_louder_than_the_quiet_ones_are_candidates() -> None:
    levels = np.full(800, 0.01)
    levels[[163, 402]] = 0.2, 0.014  # the second is loud for its place, but below the least level
    spans = candidate_spans(levels, blocks_a_cycle=8, least=0.05, noise_factor=1.5)
    assert spans.tolist() == [[160, 168]]
    assert candidate_spans(levels * 100, blocks_a_cycle=8, least=0.05, noise_factor=30.0).size == 0
    assert candidate_spans([], blocks_a_cycle=8, least=0.05, noise_factor=1.5).shape == (0, 2)


def test_the_floor_follows_noise_that_grows() -> None:
    rng = np.random.default_rng(3)
    noise = np.repeat([0.02, 0.2], 4_096) * rng.uniform(0.8, 1.0, 8_192)
    assert candidate_spans(noise, blocks_a_cycle=8, least=0.01, noise_factor=1.5).size == 0


@pytest.mark.parametrize("hertz", [49.4, 50.6, 50.02])
def test_a_frequency_that_is_off_is_set_right_though_the_phase_jumps(hertz: float) -> None:
    """Truth: the turns that the samples were made of."""
    t = np.arange(8_000) / 12_800
    truth = hertz * t + np.where(t > 0.3, 0.1, 0.0)
    noise = 0.002 * np.random.default_rng(4).standard_normal(8_000)
    turns = steady_turns((distorted(truth) + noise)[None], phase_turns(50.0, rate_hz=12_800.0, n=8_000))
    assert turns[-1] / t[-1] == pytest.approx(hertz, rel=2e-4)


def test_a_frequency_that_is_right_is_left_alone_in_noise() -> None:
    given = phase_turns(50.0, rate_hz=12_800.0, n=8_000)
    noise = 0.02 * np.random.default_rng(5).standard_normal(8_000)
    assert steady_turns((distorted(given) + noise)[None], given) is given
    cycles = cycles_on_grid((distorted(given) + noise)[None], given, first=0, stop=2_000, most_cycles=6, newest=True)
    assert tuned_turns(given, cycles) is given


def test_the_mean_of_some_cycles_gives_the_wave_back_at_any_phase() -> None:
    turns = np.arange(4_000) / 213.37 + 0.2
    cycles = cycles_on_grid(distorted(turns)[None], turns, first=100, stop=1_900, most_cycles=6, newest=False)
    wave = mean_wave(cycles[0])
    np.testing.assert_allclose(wave.at(turns), distorted(turns), atol=2e-5)
    assert abs(wave.phasor) == pytest.approx(1.0, abs=1e-5)
    assert wave.n_cycles == 6


def test_cubics_give_polynomials_of_the_third_degree_back() -> None:
    """Closed form: Lagrange's cubic is exact for them, away from the seam of the cycle."""
    grid = np.arange(40) / 40
    at = np.random.default_rng(6).uniform(0.1, 0.9, 300)
    values = read_table(cubics(2 - grid + 3 * grid**2 - 4 * grid**3), at + 7)
    np.testing.assert_allclose(values, 2 - at + 3 * at**2 - 4 * at**3, atol=1e-12)


@pytest.mark.parametrize(
    ("call", "values"),
    [
        (cycle_residue, {"u": np.full(50, np.inf), "cycle": 20.0}),
        (cycle_residue, {"u": np.zeros((2, 2, 50)), "cycle": 20.0}),
        (cycle_residue, {"u": np.zeros(50), "cycle": 15.0}),
        (candidate_blocks, {"samples": np.zeros((2, 50)), "delay": 5, "block": 2}),
        (candidate_blocks, {"samples": np.zeros(50), "delay": 0, "block": 2}),
        (candidate_spans, {"levels": np.zeros(50), "blocks_a_cycle": 0, "least": 1.0, "noise_factor": 1.0}),
        (candidate_spans, {"levels": np.zeros(50), "blocks_a_cycle": 8, "least": -1.0, "noise_factor": 1.0}),
        (phase_turns, {"frequency_hz": 0.0, "rate_hz": 1.0, "n": 5}),
        (phase_turns, {"frequency_hz": 50.0, "rate_hz": 0.0, "n": 5}),
    ],
)
def test_what_is_out_of_range_is_refused(call: Any, values: dict[str, Any]) -> None:
    with pytest.raises(SignalError):
        call(**values)
