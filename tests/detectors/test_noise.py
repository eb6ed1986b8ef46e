"""Broadband noise: found beyond the limit; harmonics, tones and notches are none."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.noise import NoiseSettings, find_noise
from halfcycle.pipeline.measures.spectra import synchronised_spectra

F64 = npt.NDArray[np.float64]

SOURCE_LIMIT = "IEEE 1159-2019, Table 2, 5.5: noise typically 0 to 1 % (from memory)"

RATE_HZ = 6400.0
NOMINAL_V = 230.0
HERTZ = 50.1


def voltage(*parts: tuple[float, float, float], duration_s: float = 8.0, seed: int = 0) -> F64:
    """A distorted voltage with white noise (RMS in pu of nominal, from, to). [s]"""
    t = np.arange(round(RATE_HZ * duration_s)) / RATE_HZ
    theta = 2 * np.pi * HERTZ * t + 0.4
    u = np.sqrt(2) * (np.sin(theta) + 0.05 * np.sin(5 * theta) + 0.04 * np.sin(11 * theta))
    noise = np.random.default_rng(seed).standard_normal(t.size)
    for rms_pu, start_s, stop_s in parts:
        u += np.where((t >= start_s) & (t < stop_s), rms_pu, 0.0) * noise
    return np.asarray(NOMINAL_V * u)


def found(u: F64, *, flags: npt.ArrayLike | None = None, nominal: float = NOMINAL_V, **changes: Any) -> list[Finding]:
    length = 10 * RATE_HZ / HERTZ
    starts = np.arange(5.3, np.atleast_2d(u).shape[1] - length - 5, length)
    spectra = synchronised_spectra(u, rate_hz=RATE_HZ, starts=starts, lengths=np.full(starts.size, length), n_cycles=10)
    return find_noise(spectra, nominal=nominal, settings=NoiseSettings(**changes), flags=flags)


@pytest.mark.parametrize("rms_pu", [0.015, 0.03, 0.1])
def test_noise_that_lasts_is_found_at_its_rms(rms_pu: float) -> None:
    """SOURCE_LIMIT; the parameter. The largest of some twenty windows, each good to 5 %: so up to three times that."""
    (finding,) = found(voltage((0.002, 0.0, 2.0), (rms_pu, 2.0, 6.4), (0.002, 6.4, 8.0)))
    assert (finding.kind, finding.category, finding.magnitude_unit) == ("noise", "noise", "%")
    assert finding.magnitude == pytest.approx(100 * rms_pu, rel=0.15)
    assert finding.start == pytest.approx(2.0 * RATE_HZ, abs=0.21 * RATE_HZ)
    assert finding.stop == pytest.approx(6.4 * RATE_HZ, abs=0.21 * RATE_HZ)
    assert finding.notes == "RMS up to 3.2 kHz"
    assert finding.reference_v == NOMINAL_V


@pytest.mark.parametrize("rms_pu", [0.0, 0.001, 0.008])
def test_noise_below_the_limit_is_not_found(rms_pu: float) -> None:
    """SOURCE_LIMIT."""
    assert found(voltage((rms_pu, 0.0, 8.0))) == []


def test_the_limit_is_an_option() -> None:
    assert len(found(voltage((0.005, 0.0, 8.0)), limit_pct=0.3)) == 1


def test_noise_of_two_seconds_is_no_steady_state() -> None:
    u = voltage((0.05, 3.0, 5.0))
    assert found(u) == []
    assert len(found(u, minimum_duration_s=1.5)) == 1


def test_tones_of_any_frequency_are_no_noise() -> None:
    """Six tones of 3 %, none of them on a line of the transform."""
    u = voltage((0.002, 0.0, 8.0))
    t = np.arange(u.size) / RATE_HZ
    for hertz in (77.7, 182.3, 611.9, 1234.5, 1777.7, 2222.2):
        u += NOMINAL_V * np.sqrt(2) * 0.03 * np.sin(2 * np.pi * hertz * t)
    assert found(u) == []


def test_notches_are_no_noise() -> None:
    """They come again in each cycle, so they are harmonics; as they are recorded, behind an anti-aliasing filter."""
    from scipy.signal import resample_poly

    n, finer = round(8 * RATE_HZ), 16
    theta = 2 * np.pi * HERTZ * np.arange(n * finer) / (RATE_HZ * finer)
    u = NOMINAL_V * np.sqrt(2) * np.sin(theta) * np.where((theta * 3 / np.pi) % 1.0 < 0.15, 0.7, 1.0)
    assert found(resample_poly(u, 1, finer)) == []


def test_marked_windows_are_not_judged() -> None:
    u = voltage((0.05, 0.0, 8.0))
    (finding,) = found(u)
    n = round((finding.stop - finding.start) / (10 * RATE_HZ / HERTZ))
    assert found(u, flags=np.full((1, n), 4, np.uint8)) == []


@given(scale=st.floats(1e-2, 1e3), order=st.permutations([0, 1, 2]))
@settings(max_examples=15)
def test_noise_scales_and_follows_the_order_of_channels(scale: float, order: list[int]) -> None:
    """Property."""
    u = np.stack([voltage((rms_pu, 0.0, 4.0), duration_s=4.0, seed=3) for rms_pu in (0.001, 0.02, 0.05)])
    (plain,), (other,) = found(u), found(scale * u[order], nominal=scale * NOMINAL_V)
    assert other.magnitude == pytest.approx(plain.magnitude, rel=1e-3)
    assert {order[part.channel] for part in other.parts} == {part.channel for part in plain.parts} == {1, 2}
