"""The matrix pencil against sums of damped sinusoids whose parameters are known in closed form."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.oscillation import damped_modes, modes_of_poles

SOURCE = "derived: x(t) = A exp(-d t) cos(2 pi f t + p) is given, and must come back"
RATE_HZ = 12_800.0
F64 = npt.NDArray[np.float64]


def damped(amplitude: float, hertz: float, damping: float, phase: float, n: int = 200) -> F64:
    t = np.arange(n) / RATE_HZ
    return np.asarray(amplitude * np.exp(-damping * t) * np.cos(2 * np.pi * hertz * t + phase))


@pytest.mark.slow
@pytest.mark.parametrize("hertz", [310.0, 717.3, 2_900.0, 6_000.0])
@pytest.mark.parametrize("damping", [0.0, 25.0, 400.0])
def test_one_damped_sinusoid_comes_back_to_a_millionth(hertz: float, damping: float) -> None:
    modes = damped_modes(damped(0.7, hertz, damping, 0.4), rate_hz=RATE_HZ)
    assert modes.n == 1
    assert modes.frequency_hz[0] == pytest.approx(hertz, rel=1e-6)
    assert modes.damping_per_s[0] == pytest.approx(damping, rel=1e-6, abs=1e-4)
    assert modes.amplitude[0, 0] == pytest.approx(0.7, rel=1e-6)
    assert modes.phase_rad[0, 0] == pytest.approx(0.4, abs=1e-6)


def test_several_modes_come_back_with_the_strongest_first() -> None:
    parts = [(1.0, 350.0, 60.0, 0.1), (0.6, 1_240.0, 150.0, -1.2), (0.25, 3_333.0, 90.0, 2.0)]
    modes = damped_modes(np.sum([damped(*part) for part in parts], axis=0), rate_hz=RATE_HZ)
    assert modes.n == 3
    got = np.stack([modes.amplitude[0], modes.frequency_hz, modes.damping_per_s, modes.phase_rad[0]], axis=1)
    np.testing.assert_allclose(got, parts, rtol=1e-6)


def test_a_plain_decay_is_a_mode_without_frequency() -> None:
    modes = damped_modes(damped(2.0, 0.0, 300.0, 0.0), rate_hz=RATE_HZ)
    assert (modes.n, modes.frequency_hz[0]) == (1, 0.0)
    assert modes.damping_per_s[0] == pytest.approx(300.0, rel=1e-6)


def test_channels_share_poles_and_have_their_own_amplitudes_and_phases() -> None:
    x = np.stack([damped(1.0, 700.0, 120.0, 0.2), damped(-0.4, 700.0, 120.0, 1.0), np.zeros(200)])
    modes = damped_modes(x, rate_hz=RATE_HZ)
    np.testing.assert_allclose(modes.amplitude[:, 0], [1.0, 0.4, 0.0], atol=1e-9)
    assert modes.phase_rad[1, 0] == pytest.approx(1.0 - np.pi, abs=1e-6)
    np.testing.assert_allclose(modes.at(np.arange(200) / RATE_HZ), x, atol=1e-9)


@pytest.mark.parametrize("average", [2, 4])
def test_averaging_samples_leaves_slow_modes_what_they_are(average: int) -> None:
    modes = damped_modes(damped(1.0, 420.0, 80.0, 0.3, n=400), rate_hz=RATE_HZ, average=average)
    assert modes.frequency_hz[0] == pytest.approx(420.0, rel=1e-6)
    assert modes.damping_per_s[0] == pytest.approx(80.0, rel=1e-6)


@pytest.mark.slow
def test_in_noise_the_frequency_errs_by_no_more_than_a_few_times_the_least_possible() -> None:
    """Cramer-Rao bound of an undamped sinusoid in white noise: var f = 6 s^2 rate^2 / (pi^2 A^2 n (n^2 - 1)).

    Rife and Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974, 591-598 (from memory). The factor 2 is the method's.
    """
    n, sigma, errors = 160, 0.05, []
    for seed in range(60):
        noise = sigma * np.random.default_rng(seed).standard_normal(n)
        modes = damped_modes(damped(1.0, 905.0, 0.0, 0.05 * seed, n=n) + noise, rate_hz=RATE_HZ, noise_rms=sigma)
        errors.append(modes.frequency_hz[0] - 905.0)
    bound = np.sqrt(6 * sigma**2 * RATE_HZ**2 / (np.pi**2 * n * (n**2 - 1)))
    assert np.sqrt(np.mean(np.square(errors))) < 2 * bound


def test_noise_alone_has_no_mode() -> None:
    counts = [
        damped_modes(np.random.default_rng(seed).standard_normal(150), rate_hz=RATE_HZ, noise_rms=1.0).n
        for seed in range(50)
    ]
    assert sum(counts) <= 1  # the limit lies 1.3 times over what the largest singular value is expected to be


def test_amplitudes_of_known_poles_are_those_of_least_squares() -> None:
    """Twin: numpy.linalg.lstsq on cosine and sine columns."""
    rng = np.random.default_rng(1)
    x = damped(1.0, 500.0, 50.0, 0.3) + damped(0.5, 1_500.0, 100.0, 1.0) + 0.01 * rng.standard_normal(200)
    modes = modes_of_poles(x, rate_hz=RATE_HZ, frequency_hz=[500.0, 1_500.0], damping_per_s=[50.0, 100.0])
    columns = [damped(1.0, f, d, p) for f, d in ((500.0, 50.0), (1_500.0, 100.0)) for p in (0.0, np.pi / 2)]
    solved = np.linalg.lstsq(np.array(columns).T, x, rcond=None)[0]
    np.testing.assert_allclose(modes.amplitude[0], np.hypot(solved[::2], solved[1::2]), rtol=1e-9)
    only = modes.chosen([1])
    assert (only.n, only.frequency_hz[0]) == (1, modes.frequency_hz[1])


@pytest.mark.parametrize(
    ("x", "settings"),
    [
        (np.zeros(7), {}),
        (np.full(50, np.nan), {}),
        (np.zeros(50), {"rate_hz": 0.0}),
        (np.zeros(50), {"most_poles": 0}),
        (np.zeros(50), {"average": 0}),
        (np.zeros(50), {"average": 7}),
        (np.zeros(50), {"noise_rms": -1.0}),
    ],
)
def test_what_cannot_be_fitted_is_refused(x: F64, settings: dict[str, Any]) -> None:
    with pytest.raises(SignalError):
        damped_modes(x, **{"rate_hz": RATE_HZ, **settings})


def test_poles_whose_shapes_do_not_fit_are_refused() -> None:
    with pytest.raises(SignalError, match="do not match"):
        modes_of_poles(np.zeros(50), rate_hz=RATE_HZ, frequency_hz=[1.0, 2.0], damping_per_s=[1.0])


def test_what_grows_beyond_all_numbers_is_no_error() -> None:
    # Derived: exp(n) is beyond float64 after 710 samples.
    x = np.zeros(1000)
    x[-30:] = np.exp(np.arange(30.0))
    found = damped_modes(x, rate_hz=6400.0)
    assert np.isfinite(found.amplitude).all()
