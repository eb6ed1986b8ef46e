"""Notching as a steady state, on waveforms with notches of known depth, area and number."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.notching import NotchingSettings, find_notching
from halfcycle.pipeline.measures.notches import measure_notches

F64 = npt.NDArray[np.float64]

SOURCE_LIMIT = (
    "IEEE 519-1992, Table 10.2 (from memory): depth 10 % for special applications, of the voltage at the notch"
)
SOURCE_STEADY = "IEEE 1159-2019, Table 2, 5.4: notching is a steady state; a single notch is none (from memory)"

RATE_HZ = 12800.0
PEAK_V = 325.0
HERTZ = 50.07
WIDTH_S = 0.0004


def voltage(
    depth_pu: float,
    start_s: float,
    stop_s: float,
    *,
    duration_s: float = 8.0,
    centres_deg: tuple[float, ...] = (60, 240),
) -> F64:
    """A distorted, noisy voltage with notches from start to stop. [s]"""
    t = np.arange(round(RATE_HZ * duration_s)) / RATE_HZ
    theta = 2 * np.pi * HERTZ * t + 0.4
    u = np.sin(theta) + 0.04 * np.sin(5 * theta + 1) + 0.03 * np.sin(7 * theta)
    for centre_deg in centres_deg:
        away = (theta / (2 * np.pi) - centre_deg / 360.0 + 0.5) % 1.0 - 0.5
        inside = (np.abs(away) < WIDTH_S * HERTZ / 2) & (t >= start_s) & (t < stop_s)
        u[inside] -= np.sign(np.sin(np.radians(centre_deg))) * depth_pu
    return np.asarray(PEAK_V * (u + 0.003 * np.random.default_rng(0).standard_normal(t.size)))


def found(u: F64, *, flags: npt.ArrayLike | None = None, every: int = 1, **changes: Any) -> list[Finding]:
    length = 10 * RATE_HZ / HERTZ
    starts = np.arange(5.3, np.atleast_2d(u).shape[1] - length - 5, every * length)
    notches = measure_notches(u, rate_hz=RATE_HZ, starts=starts, lengths=np.full(starts.size, length), n_cycles=10)
    return find_notching(notches, settings=NotchingSettings(**changes), flags=flags)


def test_notches_that_last_are_found_with_depth_area_width_and_number() -> None:
    """SOURCE_LIMIT. At 60 degrees the voltage is sin 60 with 4 % of h5 and 3 % of h7, 0.87 of the peak."""
    (finding,) = found(voltage(0.25, 2.0, 6.5))
    at_notch = np.sin(np.pi / 3) + 0.04 * np.sin(5 * np.pi / 3 + 1) + 0.03 * np.sin(7 * np.pi / 3)
    assert (finding.kind, finding.category, finding.magnitude_unit) == ("notching", "notching", "%")
    assert finding.magnitude == pytest.approx(100 * 0.25 / at_notch, rel=0.08)
    assert finding.start == pytest.approx(2.0 * RATE_HZ, abs=0.21 * RATE_HZ)
    assert finding.stop == pytest.approx(6.5 * RATE_HZ, abs=0.21 * RATE_HZ)
    assert finding.repeats == 2
    words = re.fullmatch(r"area ([\d.]+) V·s, width ([\d.]+) µs, 2 notches per cycle", finding.notes)
    assert words is not None
    assert float(words[1]) == pytest.approx(0.25 * PEAK_V * WIDTH_S, rel=0.15)
    assert float(words[2]) == pytest.approx(1e6 * WIDTH_S, rel=0.15)


def test_six_notches_of_a_converter_are_counted() -> None:
    (finding,) = found(voltage(0.3, 0.0, 4.0, duration_s=4.0, centres_deg=(35, 95, 155, 215, 275, 335)))
    assert finding.repeats == 6
    assert finding.notes.endswith("6 notches per cycle")
    assert (finding.open_start, finding.open_stop) == (True, True)


@pytest.mark.parametrize("depth_pu", [0.0, 0.06, 0.08])
def test_notches_below_the_limit_are_not_found(depth_pu: float) -> None:
    """SOURCE_LIMIT: 0.08 of the peak is 9 % of the voltage at 60 degrees."""
    assert found(voltage(depth_pu, 0.0, 4.0, duration_s=4.0)) == []


def test_the_limit_is_an_option() -> None:
    u = voltage(0.25, 0.0, 4.0, duration_s=4.0)
    assert found(u, limit_pct=50.0) == []
    assert len(found(u, limit_pct=20.0)) == 1


@pytest.mark.parametrize("depth_pu", [0.5, 1.5])
def test_a_single_notch_is_no_steady_state_however_deep(depth_pu: float) -> None:
    """SOURCE_STEADY."""
    u = voltage(depth_pu, 2.0, 2.0 + 1 / HERTZ, duration_s=5.0, centres_deg=(60,))
    assert found(u) == []
    assert found(u, minimum_duration_s=0.0, minimum_windows=1) == []


def test_notches_of_two_seconds_are_no_steady_state() -> None:
    u = voltage(0.3, 2.0, 4.0, duration_s=6.0)
    assert found(u) == []
    assert len(found(u, minimum_duration_s=1.5)) == 1


def test_notches_that_miss_half_of_the_cycles_are_found_only_if_asked_for() -> None:
    u = voltage(0.5, 0.0, 4.0, duration_s=4.0)
    plain = voltage(0.0, 0.0, 4.0, duration_s=4.0)
    cycle = np.floor(HERTZ * np.arange(u.size) / RATE_HZ)
    half = np.where(cycle % 2 == 0, u, plain)
    assert found(half) == []
    assert len(found(half, least_present=0.4)) == 1


def test_marked_windows_are_not_judged_and_each_fifteenth_is_enough() -> None:
    u = voltage(0.3, 0.0, 8.0)
    (finding,) = found(u, every=15)
    assert finding.repeats == 2
    n = round((finding.stop - finding.start) * HERTZ / RATE_HZ / 150) + 1
    assert found(u, every=15, flags=np.full((1, n), 2, np.uint8)) == []


@given(scale=st.floats(1e-2, 1e3), order=st.permutations([0, 1, 2]))
@settings(max_examples=8)
def test_depths_do_not_change_with_scale_and_parts_follow_the_order_of_channels(scale: float, order: list[int]) -> None:
    """Property."""
    u = np.stack([voltage(depth_pu, 0.0, 3.5, duration_s=3.5) for depth_pu in (0.0, 0.2, 0.4)])
    (plain,), (other,) = found(u), found(scale * u[order])
    assert other.magnitude == pytest.approx(plain.magnitude, rel=1e-3)
    assert {order[part.channel] for part in other.parts} == {part.channel for part in plain.parts} == {1, 2}
