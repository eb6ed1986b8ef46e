"""Notches of known depth, width and number on waves with harmonics and noise, and waves that have none.

Notches are made as they are defined: at each sample whose phase lies within one, the voltage is nearer to zero by the
depth. So depth, area (depth times width) and number are parameters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.notches import NotchSeries, measure_notches

F64 = npt.NDArray[np.float64]

SOURCE_NOTCH = (
    "IEEE 519-1992, 10.3 (from memory): depth from the sine wave, in per cent of the voltage at the notch; area depth "
    "times width"
)
SOURCE_REPEATED = (
    "IEEE 1159-2019, 4.4.4.2 (second-hand): notching is periodic; a single notch is a transient (common practice, no "
    "source)"
)
SOURCE_CONVERTER = "common practice, no source: a six-pulse converter makes six notches per cycle, of fractions of a ms"

PEAK_V = 325.0
PHASE = 0.3


def theta_of(rate_hz: float, hertz: float, duration_s: float) -> F64:
    t = np.arange(round(rate_hz * duration_s)) / rate_hz
    return np.asarray(2 * np.pi * hertz * t + PHASE)


def wave(theta: F64, harmonics: Mapping[int, tuple[float, float]], noise_pu: float, seed: int) -> F64:
    """Fundamental of `PEAK_V` with harmonics by order as (pu, degrees), and noise by its RMS in pu of the peak. [V]"""
    u = np.sin(theta)
    for order, (size, angle_deg) in harmonics.items():
        u = u + size * np.sin(order * theta + np.radians(angle_deg))
    return np.asarray(PEAK_V * (u + noise_pu * np.random.default_rng(seed).standard_normal(theta.size)))


def with_notches(u: F64, theta: F64, centres_deg: Sequence[float], *, width_cycles: float, depth_pu: float) -> F64:
    notched = u.copy()
    for centre_deg in centres_deg:
        away = (theta / (2 * np.pi) - centre_deg / 360.0 + 0.5) % 1.0 - 0.5
        inside = np.abs(away) < width_cycles / 2
        notched[inside] -= np.sign(np.sin(np.radians(centre_deg))) * depth_pu * PEAK_V
    return notched


def measured(
    u: F64, *, rate_hz: float, hertz: float, first: float = 3.3, n_cycles: int = 10, **options: Any
) -> NotchSeries:
    """Notches of as many windows as there is room for."""
    length = n_cycles * rate_hz / hertz
    starts = np.arange(first, np.atleast_2d(u).shape[1] - 1 - length, length)
    lengths = np.full(starts.size, length)
    return measure_notches(u, rate_hz=rate_hz, starts=starts, lengths=lengths, n_cycles=n_cycles, **options)


def spread(harmonics: Sequence[float], seed: int, orders: Sequence[int]) -> dict[int, tuple[float, float]]:
    angles = np.random.default_rng(seed).uniform(-180, 180, len(harmonics))
    return {order: (size, float(angle)) for order, size, angle in zip(orders, harmonics, angles, strict=True)}


@pytest.mark.parametrize("samples_per_cycle", [128, 200, 256, 400, 600])
@pytest.mark.parametrize(("n_notches", "first_deg"), [(2, 60.0), (4, 40.0), (6, 30.0)])
@pytest.mark.parametrize("depth_pu", [0.12, 0.25, 0.5])
def test_depth_area_width_and_number_of_rectangular_notches(
    samples_per_cycle: int, n_notches: int, first_deg: float, depth_pu: float
) -> None:
    """SOURCE_NOTCH, SOURCE_CONVERTER. Half a millisecond wide, 1 % off nominal.

    The noise of 1 % of the peak leaves 0.3 % in the mean of ten cycles, and three times that where a notch is bridged;
    each edge is known to a part of a sample interval.
    """
    rate_hz, hertz, width_s = 50.0 * samples_per_cycle, 50.43, 0.0005
    theta = theta_of(rate_hz, hertz, 0.7)
    # Centres off the crossings; for six, of those at 0 and 180 degrees there is nothing to take away.
    centres = [first_deg + 360.0 / n_notches * k for k in range(n_notches)]
    u = wave(theta, {3: (0.03, 10.0), 5: (0.05, 130.0), 7: (0.03, -70.0), 11: (0.01, 0.0)}, 0.01, samples_per_cycle)
    found = measured(
        with_notches(u, theta, centres, width_cycles=width_s * hertz, depth_pu=depth_pu), rate_hz=rate_hz, hertz=hertz
    )
    assert (found.per_cycle == n_notches).all()
    off_v, off_s = 0.04 * depth_pu * PEAK_V + 0.012 * PEAK_V, 0.04 * width_s + 0.3 / rate_hz
    assert np.abs(found.depth - depth_pu * PEAK_V).max() < off_v
    assert np.abs(found.width_s - width_s).max() < off_s
    assert np.abs(found.area - depth_pu * PEAK_V * width_s).max() < off_v * width_s + off_s * depth_pu * PEAK_V
    assert (found.present >= 0.9).all()


@pytest.mark.parametrize(("centre_deg", "share"), [(90.0, 0.2), (30.0, 0.4), (150.0, 0.4), (210.0, 0.4), (5.0, 0.2)])
def test_depth_is_given_against_the_voltage_at_the_notch_and_near_the_crossing_against_the_peak(
    centre_deg: float, share: float
) -> None:
    """SOURCE_NOTCH: 0.2 of the peak is 0.4 of the voltage at 30 degrees; at 5 degrees there is hardly a voltage."""
    theta = theta_of(12800.0, 50.0, 0.45)
    u = with_notches(wave(theta, {}, 0.0, 0), theta, [centre_deg], width_cycles=0.02, depth_pu=0.2)
    found = measured(u, rate_hz=12800.0, hertz=50.0)
    assert found.depth_share == pytest.approx(np.full_like(found.depth_share, share), rel=0.04)


@given(
    samples_per_cycle=st.sampled_from([200, 256, 512]),
    hertz=st.floats(49.5, 50.5),
    width_s=st.floats(0.0005, 0.0007),
    depth_pu=st.floats(0.15, 0.5),
    first_deg=st.floats(25.0, 65.0),
    harmonics=st.lists(st.floats(0.0, 0.04), min_size=4, max_size=4),
    noise_db=st.floats(40.0, 60.0),
    seed=st.integers(0, 99),
)
@settings(max_examples=80)
def test_notches_are_found_in_any_mix_of_low_harmonics_and_noise(
    samples_per_cycle: int, hertz: float, width_s: float, depth_pu: float, first_deg: float,
    harmonics: list[float], noise_db: float, seed: int,
) -> None:  # fmt: skip
    """SOURCE_NOTCH; harmonics of up to 8 % in all, noise of 60 to 40 dB."""
    rate_hz = 50.0 * samples_per_cycle
    theta = theta_of(rate_hz, hertz, 0.22)
    u = wave(theta, spread(harmonics, seed, (3, 5, 7, 13)), 10 ** (-noise_db / 20) / np.sqrt(2), seed)
    centres = [first_deg + 90.0 * k for k in range(4)]
    notched = with_notches(u, theta, centres, width_cycles=width_s * hertz, depth_pu=depth_pu)
    found = measured(notched, rate_hz=rate_hz, hertz=hertz)
    assert found.per_cycle.tolist() == [[4]]
    # Bridging a notch makes the averaged noise, up to 0.3 % of the peak, some times larger.
    off_v = 0.06 * depth_pu * PEAK_V + 0.04 * PEAK_V
    assert abs(found.depth[0, 0] - depth_pu * PEAK_V) < off_v
    truth_vs = depth_pu * PEAK_V * width_s
    assert abs(found.area[0, 0] - truth_vs) < off_v * width_s + depth_pu * PEAK_V / rate_hz


@pytest.mark.slow
@pytest.mark.parametrize(
    ("samples_per_cycle", "half_within", "most_within"), [(128, 0.1, 0.2), (256, 0.05, 0.1), (600, 0.05, 0.1)]
)
def test_depths_in_noise_of_30_db_are_right_for_the_most_part(
    samples_per_cycle: int, half_within: float, most_within: float
) -> None:
    """SOURCE_NOTCH, on 120 windows by chance; at 128 samples a cycle a notch is only three or four of them wide."""
    rng = np.random.default_rng(samples_per_cycle)
    rate_hz = 50.0 * samples_per_cycle
    errors = []
    for seed in range(120):
        hertz, depth_pu, first_deg = rng.uniform(49.5, 50.5), rng.uniform(0.15, 0.5), rng.uniform(25.0, 65.0)
        theta = theta_of(rate_hz, hertz, 0.22)
        u = wave(theta, spread(rng.uniform(0.0, 0.04, 4).tolist(), seed, (3, 5, 7, 11)), 10**-1.5 / np.sqrt(2), seed)
        centres = [first_deg + 90.0 * k for k in range(4)]
        u = with_notches(u, theta, centres, width_cycles=rng.uniform(0.0005, 0.0007) * hertz, depth_pu=depth_pu)
        errors.append(abs(measured(u, rate_hz=rate_hz, hertz=hertz).depth[0, 0] / PEAK_V / depth_pu - 1))
    assert np.quantile(errors, 0.5) < half_within
    assert np.quantile(errors, 0.8) < most_within


def assert_none(u: F64, *, rate_hz: float, hertz: float) -> None:
    """No notch that any limit of IEEE 519 (10 % of the voltage, and more) would name."""
    found = measured(u, rate_hz=rate_hz, hertz=hertz)
    assert ((found.depth_share < 0.1) | (found.present < 0.8)).all()


@pytest.mark.slow
@given(
    samples_per_cycle=st.sampled_from([128, 200, 256, 600]),
    hertz=st.floats(49.5, 50.5),
    orders=st.lists(st.integers(2, 50), min_size=1, max_size=8, unique=True),
    seed=st.integers(0, 9999),
    distortion=st.floats(0.0, 0.08),
    noise_db=st.floats(30.0, 60.0),
)
@settings(max_examples=150)
def test_harmonic_distortion_of_up_to_eight_per_cent_is_no_notching(
    samples_per_cycle: int, hertz: float, orders: list[int], seed: int, distortion: float, noise_db: float
) -> None:
    """SOURCE_NOTCH: harmonics at angles by chance make no notches."""
    rate_hz = 50.0 * samples_per_cycle
    sizes = np.random.default_rng(seed).uniform(0.1, 1.0, len(orders))
    sizes *= distortion / np.sqrt((sizes**2).sum())
    theta = theta_of(rate_hz, hertz, 0.22)
    u = wave(theta, spread(sizes.tolist(), seed, orders), 10 ** (-noise_db / 20) / np.sqrt(2), seed)
    assert_none(u, rate_hz=rate_hz, hertz=hertz)


@pytest.mark.parametrize("cut_pu", [0.7, 0.8, 0.9, 0.97])
@pytest.mark.parametrize("samples_per_cycle", [128, 256, 600])
def test_flat_tops_are_no_notches(cut_pu: float, samples_per_cycle: int) -> None:
    rate_hz = 50.0 * samples_per_cycle
    u = wave(theta_of(rate_hz, 49.8, 0.5), {3: (0.02, 0.0)}, 0.0, 0)
    noise = np.random.default_rng(1).standard_normal(u.size)
    assert_none(np.clip(u, -cut_pu * PEAK_V, cut_pu * PEAK_V) + 1.0 * noise, rate_hz=rate_hz, hertz=49.8)


@pytest.mark.parametrize("noise_db", [15.0, 20.0, 30.0])
def test_noise_is_no_notching(noise_db: float) -> None:
    u = wave(theta_of(6400.0, 50.2, 20.0), {5: (0.03, 0.0)}, 10 ** (-noise_db / 20) / np.sqrt(2), 5)
    assert_none(u, rate_hz=6400.0, hertz=50.2)


@pytest.mark.parametrize("tone_hz", [87.0, 333.0, 1210.0])
def test_interharmonics_are_no_notches(tone_hz: float) -> None:
    theta = theta_of(12800.0, 50.0, 1.0)
    u = wave(theta, {5: (0.03, 0.0)}, 0.001, 5) + 0.05 * PEAK_V * np.sin(theta * tone_hz / 50.0)
    assert_none(u, rate_hz=12800.0, hertz=50.0)


@pytest.mark.parametrize("depth_pu", [0.3, 1.0, 2.0])
def test_a_notch_that_comes_once_is_not_present_in_the_cycles(depth_pu: float) -> None:
    """SOURCE_REPEATED."""
    theta = theta_of(12800.0, 50.0, 0.45)
    u = wave(theta, {5: (0.03, 0.0)}, 0.002, 1)
    once = with_notches(u, theta, [70.0], width_cycles=0.02, depth_pu=depth_pu)
    third_cycle = (theta > 6 * np.pi) & (theta <= 8 * np.pi)
    found = measured(np.where(third_cycle, once, u), rate_hz=12800.0, hertz=50.0)
    assert (found.present <= 0.2).all()


def test_notches_in_four_cycles_of_five_are_present_in_as_many() -> None:
    """Expected: the parameter."""
    theta = theta_of(12800.0, 50.0, 0.45)
    u = wave(theta, {}, 0.0, 1)
    all_cycles = with_notches(u, theta, [70.0, 250.0], width_cycles=0.02, depth_pu=0.4)
    fifth = np.floor(theta / (2 * np.pi)) % 5 == 4
    found = measured(np.where(fifth, u, all_cycles), rate_hz=12800.0, hertz=50.0)
    assert found.present == pytest.approx(np.full_like(found.present, 0.8))


def test_shallower_notches_than_asked_for_are_not_looked_for() -> None:
    """Expected: the option, both ways."""
    theta = theta_of(12800.0, 50.0, 0.45)
    u = with_notches(wave(theta, {}, 0.0, 0), theta, [60.0, 240.0], width_cycles=0.02, depth_pu=0.08)
    assert (measured(u, rate_hz=12800.0, hertz=50.0).per_cycle == 2).all()
    assert not measured(u, rate_hz=12800.0, hertz=50.0, least_depth_pu=0.1).per_cycle.any()


def test_many_shallow_notches_beside_a_deep_one_are_not_counted() -> None:
    """Expected: the module's own rule, a quarter of the deepest."""
    theta = theta_of(12800.0, 50.0, 0.45)
    u = with_notches(wave(theta, {}, 0.0, 0), theta, [60.0, 240.0], width_cycles=0.02, depth_pu=0.5)
    u = with_notches(u, theta, [110.0], width_cycles=0.02, depth_pu=0.08)
    u = with_notches(u, theta, [130.0], width_cycles=0.02, depth_pu=0.2)
    assert (measured(u, rate_hz=12800.0, hertz=50.0).per_cycle == 3).all()


@given(scale=st.floats(1e-3, 1e4), order=st.permutations([0, 1, 2]))
@settings(max_examples=25)
def test_notches_scale_with_the_samples_and_follow_the_order_of_channels(scale: float, order: list[int]) -> None:
    """Property."""
    theta = theta_of(6400.0, 50.1, 0.45)
    u = np.stack([
        with_notches(wave(theta, {5: (0.03, 9.0)}, 0.002, k), theta, [50.0, 230.0], width_cycles=0.04, depth_pu=0.1 * k)
        for k in (0, 2, 4)
    ])  # fmt: skip
    plain = measured(u, rate_hz=6400.0, hertz=50.1)
    other = measured(scale * u[order], rate_hz=6400.0, hertz=50.1)
    assert other.depth == pytest.approx(scale * plain.depth[order], rel=1e-3)
    assert other.area == pytest.approx(scale * plain.area[order], rel=1e-3)
    assert other.depth_share == pytest.approx(plain.depth_share[order], rel=1e-3)
    assert other.per_cycle.tolist() == plain.per_cycle[order].tolist()
    assert plain.per_cycle[:, 0].tolist() == [0, 2, 2]


def test_a_wave_upside_down_has_the_same_notches() -> None:
    """Property."""
    theta = theta_of(12800.0, 50.1, 0.45)
    u = with_notches(wave(theta, {5: (0.03, 9.0)}, 0.002, 0), theta, [50.0, 110.0], width_cycles=0.02, depth_pu=0.3)
    up, down = measured(u, rate_hz=12800.0, hertz=50.1), measured(-u, rate_hz=12800.0, hertz=50.1)
    assert up.depth == pytest.approx(down.depth, rel=1e-3)
    assert up.per_cycle.tolist() == down.per_cycle.tolist() == [[2, 2]]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"starts": [-1.0]}, "lie within"),
        ({"starts": [2000.0]}, "lie within"),
        ({"lengths": [0.0]}, "have a length"),
        ({"lengths": [1280.0, 1280.0]}, "must agree"),
        ({"n_cycles": 0}, "1 or more"),
        ({"rate_hz": 0.0}, "a rate"),
    ],
)
def test_windows_without_cycles_to_average_are_refused(changes: dict[str, Any], words: str) -> None:
    options: dict[str, Any] = {"rate_hz": 6400.0, "starts": [10.0], "lengths": [1280.0], "n_cycles": 10}
    with pytest.raises(SignalError, match=words):
        measure_notches(np.zeros((1, 3000)), **(options | changes))


def test_cycles_that_are_not_finite_are_refused() -> None:
    u = np.zeros(3000)
    u[500] = np.nan
    with pytest.raises(SignalError, match="not finite"):
        measure_notches(u, rate_hz=6400.0, starts=[10.0], lengths=[1280.0], n_cycles=10)


def test_silence_and_no_window_have_no_notches() -> None:
    options: dict[str, Any] = {"rate_hz": 6400.0, "n_cycles": 10}
    assert not measure_notches(np.zeros(3000), starts=[10.0], lengths=[1280.0], **options).depth.any()
    assert measure_notches(np.zeros(3000), starts=[], lengths=[], **options).depth.shape == (1, 0)
