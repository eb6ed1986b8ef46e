"""The sliding reference voltage against a plain loop written from the formula."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.measures.reference import pre_event_voltage, sliding_reference, window_cycles

SOURCE = "IEC 61000-4-30 Ed. 3, 5.4.4 (from memory): Usr(n) = 0.9967 Usr(n-1) + 0.0033 U(10/12)rms, held while flagged"
FloatArray = npt.NDArray[np.float64]


def plain_loop(u: FloatArray, start_v: float, n_window: int, sag: float, swell: float, hysteresis: float) -> FloatArray:
    """SOURCE, half cycle by half cycle: a window in which an event begins, goes on or ends does not count.

    An event that is under way when a window begins reaches into it: its last half cycle's RMS is taken over one cycle.
    """
    n_channels, n = u.shape
    usr = [start_v] * n_channels
    out = np.zeros(u.shape)
    in_sag = in_swell = flagged = False
    for i in range(n):
        if i % n_window == 0:
            flagged = in_sag or in_swell
        out[:, i] = usr
        pu = [u[c, i] / usr[c] for c in range(n_channels)]
        if min(pu) < sag:
            in_sag = True
        elif min(pu) >= sag + hysteresis:
            in_sag = False
        if max(pu) > swell:
            in_swell = True
        elif max(pu) <= swell - hysteresis:
            in_swell = False
        flagged = flagged or in_sag or in_swell
        if i % n_window == n_window - 1 and not flagged:
            for c in range(n_channels):
                cycles = u[c, i - n_window + 1 : i + 1 : 2]
                rms = math.sqrt(sum(float(value) ** 2 for value in cycles) / len(cycles))
                usr[c] = 0.9967 * usr[c] + 0.0033 * rms
    return out


def series(seed: int) -> tuple[FloatArray, float]:
    rng = np.random.default_rng(seed)
    n_channels, n = int(rng.integers(1, 4)), int(rng.integers(1, 500))
    u = 230 * (1 + 0.03 * rng.standard_normal((n_channels, n)))
    for _ in range(rng.integers(0, 5)):
        first = rng.integers(0, n)
        u[rng.integers(0, n_channels), first : first + rng.integers(1, 80)] = 230 * rng.choice(
            [0.5, 0.91, 0.905, 0.925, 1.09, 1.2]
        )
    return u, (50.0, 60.0)[seed % 2]


@pytest.mark.parametrize("seed", range(60))
def test_the_sliding_reference_is_that_of_a_plain_loop(seed: int) -> None:
    u, nominal_hz = series(seed)
    got = sliding_reference(
        u, initial_v=225.0, nominal_frequency_hz=nominal_hz, sag_pu=0.9, swell_pu=1.1, hysteresis_pu=0.02
    )
    n_window = 20 if nominal_hz == 50.0 else 24  # half cycles in ten or twelve cycles
    np.testing.assert_allclose(got, plain_loop(u, 225.0, n_window, 0.9, 1.1, 0.02), rtol=1e-12)


def test_each_channel_may_begin_at_a_voltage_of_its_own() -> None:
    u = np.full((2, 40), 230.0)
    got = sliding_reference(
        u, initial_v=[230.0, 240.0], nominal_frequency_hz=50.0, sag_pu=0.9, swell_pu=1.1, hysteresis_pu=0.02
    )
    assert got.shape == u.shape
    np.testing.assert_allclose(got[:, 0], [230.0, 240.0])
    np.testing.assert_allclose(got[:, -1], [230.0, 0.9967 * 240.0 + 0.0033 * 230.0], rtol=1e-12)


def test_a_step_is_followed_with_a_time_constant_of_one_minute() -> None:
    # SOURCE; a first-order filter has gone 1 - 1/e of the way after its time constant: 303 windows of 200 ms, 60.6 s.
    u = np.full((1, 20 * 303 + 1), 220.0)
    got = sliding_reference(u, initial_v=230.0, nominal_frequency_hz=50.0, sag_pu=0.9, swell_pu=1.1, hysteresis_pu=0.02)
    assert got[0, -1] == pytest.approx(220.0 + 10.0 / math.e, abs=0.01)


def test_a_sag_leaves_the_reference_where_it_was() -> None:
    u = np.full((3, 400), 230.0)
    u[1, 100:300] = 100.0
    got = sliding_reference(u, initial_v=230.0, nominal_frequency_hz=50.0, sag_pu=0.9, swell_pu=1.1, hysteresis_pu=0.02)
    np.testing.assert_allclose(got, 230.0, rtol=1e-12)


@pytest.mark.parametrize("n", [0, 1, 19])
def test_under_one_window_the_reference_is_its_first_value(n: int) -> None:
    got = sliding_reference(
        np.full((2, n), 100.0), initial_v=230.0, nominal_frequency_hz=50.0, sag_pu=0.9, swell_pu=1.1, hysteresis_pu=0.02
    )
    assert got.shape == (2, n)
    assert (got == 230.0).all()


@pytest.mark.parametrize(("nominal_hz", "cycles"), [(50.0, 10), (60.0, 12)])
def test_the_window_is_ten_cycles_at_fifty_hertz_and_twelve_at_sixty(nominal_hz: float, cycles: int) -> None:
    # IEC 61000-4-30 Ed. 3, 4.4 (from memory): about 200 ms at either frequency.
    assert window_cycles(nominal_hz) == cycles
    assert window_cycles(nominal_hz) / nominal_hz == pytest.approx(0.2)


def test_the_voltage_before_an_event_is_the_rms_of_the_first_window_or_of_what_there_is() -> None:
    # Derived: consecutive cycles are every other half-cycle value; their mean squares average.
    u = np.full((2, 50), 100.0)
    u[0, 0:20:2] = np.linspace(90, 110, 10)
    u[:, 20:] = 0.0
    got = pre_event_voltage(u, nominal_frequency_hz=50.0)
    assert got[0] == pytest.approx(math.sqrt(np.mean(np.linspace(90, 110, 10) ** 2)))
    assert got[1] == pytest.approx(100.0)
    assert pre_event_voltage(u[:, :1], nominal_frequency_hz=60.0) == pytest.approx([90.0, 100.0])
