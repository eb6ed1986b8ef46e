"""Mean phasors: against the sine they were made of.

SOURCE of every expected value: derived: the phasor of sqrt(2) U cos(wt + a) is U at a; against a reference at r it is
U at a - r.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.sites.phasors import mean_phasors

F64 = npt.NDArray[np.float64]
RATE_HZ = 6400.0


def wave(size: float, degrees: float, *, seconds: float = 2.0, hertz: float = 50.0) -> F64:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return size * math.sqrt(2) * np.cos(2 * np.pi * hertz * t + math.radians(degrees))


def angle(value: complex) -> float:
    return math.degrees(cmath.phase(value))


@pytest.mark.parametrize("hertz", [50.0, 49.3, 60.0, 61.7])
def test_phasors_are_those_of_the_sines_whatever_the_frequency(hertz: float) -> None:
    rows = np.stack([wave(230, 25, hertz=hertz), wave(10, -5, hertz=hertz)])
    mean = mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=hertz)
    # A window is rounded to whole samples: half a sample of 1280 leaks at most 0.04 % and 0.02 degrees or so.
    assert np.abs(mean.values) == pytest.approx([230, 10], rel=5e-4)
    assert angle(mean.values[0]) == pytest.approx(0.0, abs=1e-9)
    assert angle(mean.values[1]) == pytest.approx(-30.0, abs=0.05)
    assert mean.steadiness == pytest.approx([1.0, 1.0], abs=1e-3)


def test_a_frequency_that_is_a_little_off_changes_no_angle_between_channels() -> None:
    rows = np.stack([wave(230, 0, hertz=50.05), wave(230, -120, hertz=50.05)])
    mean = mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=50.0)
    assert angle(mean.values[1]) == pytest.approx(-120.0, abs=0.1)


def test_harmonics_and_an_offset_leave_the_fundamental_alone() -> None:
    rows = wave(230, 0)[None] + wave(30, 40, hertz=150.0) + wave(20, 10, hertz=350.0) + 12.0
    assert abs(mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=50.0).values[0]) == pytest.approx(230, rel=1e-9)


def test_a_sag_in_the_record_has_no_weight() -> None:
    u, i = wave(230, 0), wave(10, -20)
    u[3000:6000] *= 0.3
    i[3000:6000] *= -8.0
    mean = mean_phasors(np.stack([u, i]), rate_hz=RATE_HZ, frequency_hz=50.0, voltages=[0], currents=[1])
    assert np.abs(mean.values) == pytest.approx([230, 10], rel=1e-6)
    assert angle(mean.values[1]) == pytest.approx(-20, abs=1e-6)
    assert mean.n_windows == 7  # of ten, three lie in the sag


def test_a_load_that_trips_early_is_measured_while_it_is_there() -> None:
    u, i = wave(230, 0, seconds=6.0), wave(10, -20, seconds=6.0)
    noise = np.random.default_rng(1).normal(scale=0.01, size=i.size)
    i[6400:] = noise[6400:]
    mean = mean_phasors(np.stack([u, i]), rate_hz=RATE_HZ, frequency_hz=50.0, voltages=[0], currents=[1])
    assert abs(mean.values[1]) == pytest.approx(10, rel=1e-3)
    assert mean.n_windows == 5


def test_noise_has_no_steady_angle() -> None:
    rows = np.stack([wave(230, 0, seconds=6.0), np.random.default_rng(2).normal(size=round(6 * RATE_HZ))])
    mean = mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=50.0)
    assert mean.steadiness[0] == pytest.approx(1.0, abs=1e-9)
    assert mean.steadiness[1] < 0.5


def test_missing_samples_leave_out_their_windows_and_no_others() -> None:
    rows = np.stack([wave(230, 0), wave(10, -20)])
    rows[1, 100:200] = np.nan
    mean = mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=50.0)
    assert angle(mean.values[1]) == pytest.approx(-20, abs=1e-6)
    rows[1] = np.nan
    gone = mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=50.0)
    assert gone.values[1] == 0
    assert gone.steadiness[1] == 0


def test_a_short_record_is_one_window_of_whole_cycles() -> None:
    mean = mean_phasors(wave(230, 0, seconds=0.07), rate_hz=RATE_HZ, frequency_hz=50.0)
    assert (mean.n_windows, mean.window_s) == (1, pytest.approx(0.06))
    assert abs(mean.values[0]) == pytest.approx(230, rel=1e-9)


@pytest.mark.parametrize(
    ("rows", "hertz", "words"),
    [
        (wave(230, 0, seconds=0.01), 50.0, "less than one cycle"),
        (wave(230, 0), 2000.0, "too low"),
        (wave(230, 0), 0.0, "too low"),
        (np.zeros(6400), 50.0, "no fundamental"),
        (np.full(6400, np.nan), 50.0, "no fundamental"),
    ],
)
def test_what_has_no_phasor_is_refused(rows: F64, hertz: float, words: str) -> None:
    with pytest.raises(SignalError, match=words):
        mean_phasors(rows, rate_hz=RATE_HZ, frequency_hz=hertz)
