"""Published values of the trade that these rooms must give, each with its source; what is from memory says so."""

from __future__ import annotations

import math

import numpy as np
import pytest
from twins.twin_waveforms import Stage, three_phase

from halfcycle.classifiers.category import classify_category
from halfcycle.pipeline.config import load_thresholds
from halfcycle.pipeline.detectors.rms_variations import find_rms_variations
from halfcycle.pipeline.measures.half_cycle_arrays import half_cycle_rms, measure_half_cycles
from halfcycle.pipeline.measures.reference import FILTER_FACTOR, sliding_reference, window_cycles

SOURCE_30 = "IEC 61000-4-30 Ed. 3"
SOURCE_1159 = "IEEE Std 1159-2019, Table 2"


@pytest.mark.parametrize(
    ("remaining", "reading"),
    [(0.0, 0.7071), (0.5, 0.791), (0.7, 0.863), (0.8, 0.906)],
)
def test_half_a_cycle_at_a_remaining_voltage_reads_as_the_one_cycle_window_makes_it(
    remaining: float, reading: float
) -> None:
    # Derived: sqrt((1 + r^2) / 2) of half a cycle at r, the definition of SOURCE_30, 5.4, worked to three digits.
    stage = Stage(0.305, 0.01, (remaining, remaining, remaining))
    u, _ = three_phase(rate_hz=12800.0, length_s=0.6, f_hz=50.0, stages=[stage])
    lowest = half_cycle_rms(u, rate_hz=12800.0, nominal_frequency_hz=50.0).min(axis=1)
    assert lowest == pytest.approx([reading] * 3, abs=0.003)


def test_half_a_cycle_at_eighty_percent_is_no_sag() -> None:
    # Derived, as above: 0.906 is not below the usual threshold of 90 % (SOURCE_30, 5.4.2).
    u, _ = three_phase(rate_hz=12800.0, length_s=0.6, f_hz=50.0, stages=[Stage(0.305, 0.01, (0.8, 0.8, 0.8))])
    series = measure_half_cycles(u, rate_hz=12800.0, nominal_frequency_hz=50.0)
    assert find_rms_variations(series.u_half, series.starts) == []


@pytest.mark.parametrize(("n_cycles", "low", "high"), [(1.0, 0.40, 0.61), (1.5, 0.398, 0.402)])
def test_a_sag_to_forty_percent_is_read_truly_from_one_and_a_half_cycles_on(
    n_cycles: float, low: float, high: float
) -> None:
    # Derived from SOURCE_30, 5.4: one cycle reads 0.40 to 0.61 by its point on wave, a cycle and a half 0.40 always.
    readings = []
    for i in range(24):
        stage = Stage(0.3 + i / 24 * 0.02, n_cycles * 0.02, (0.4, 1.0, 1.0))
        u, _ = three_phase(rate_hz=6400.0, length_s=0.7, f_hz=50.0, stages=[stage])
        readings.append(float(half_cycle_rms(u, rate_hz=6400.0, nominal_frequency_hz=50.0)[0].min()))
    assert low - 0.005 < min(readings) < max(readings) < high + 0.005
    if n_cycles == 1.0:
        assert max(readings) > 0.55


def test_crest_and_form_factors_of_handbook_waves_are_met() -> None:
    # Handbook table: RMS of unit-peak square 1, triangle 1/sqrt(3), sine 1/sqrt(2), full-wave rectified sine 1/sqrt(2).
    phase = np.arange(6400) / 128 + 0.1
    sine = np.sin(2 * np.pi * phase)
    triangle = 2 / np.pi * np.arcsin(sine)
    crossings = np.arange(0.5 - 0.1, 49, 0.5) * 128
    for wave, rms in (
        (np.sign(sine), 1.0),
        (triangle, 1 / math.sqrt(3)),
        (sine, 1 / math.sqrt(2)),
        (np.abs(sine), 0.70711),
    ):
        got = half_cycle_rms(wave, rate_hz=6400.0, crossings=crossings)
        assert got == pytest.approx(np.full(got.shape, rms), rel=5e-3)


def test_the_sliding_reference_has_the_published_factor_and_a_time_constant_of_a_minute() -> None:
    # SOURCE_30, 5.4.4 (from memory): 0.9967 and 0.0033, 200 ms a step; derived: -0.2 / ln 0.9967 = 60.5 s.
    assert FILTER_FACTOR == 0.9967
    assert -0.2 / math.log(FILTER_FACTOR) == pytest.approx(60.5, abs=0.05)
    assert (window_cycles(50.0), window_cycles(60.0)) == (10, 12)
    got = sliding_reference(
        np.full((1, 60), 100.0),
        initial_v=200.0,
        nominal_frequency_hz=50.0,
        sag_pu=0.4,
        swell_pu=1.6,
        hysteresis_pu=0.02,
    )
    assert got[0, [0, 20, 40]] == pytest.approx([200.0, 199.67, 0.9967 * 199.67 + 0.33])


@pytest.mark.parametrize(("nominal_hz", "thirty_cycles_s"), [(50.0, 0.600), (60.0, 0.500)])
def test_thirty_cycles_are_six_hundred_or_five_hundred_milliseconds(nominal_hz: float, thirty_cycles_s: float) -> None:
    # SOURCE_1159, converted: the boundary between instantaneous and momentary.
    assert classify_category("sag", thirty_cycles_s, nominal_frequency_hz=nominal_hz) == "instantaneous sag"
    assert classify_category("sag", thirty_cycles_s + 0.001, nominal_frequency_hz=nominal_hz) == "momentary sag"


@pytest.mark.parametrize(
    ("profile", "key", "value"),
    [
        ("ieee-1159", "sag_pu", 0.9),
        ("ieee-1159", "swell_pu", 1.1),
        ("ieee-1159", "interruption_pu", 0.1),
        ("iec-61000-4-30", "sag_pu", 0.9),
        ("iec-61000-4-30", "swell_pu", 1.1),
        ("iec-61000-4-30", "interruption_pu", 0.05),
        ("iec-61000-4-30", "hysteresis_pu", 0.02),
    ],
)
def test_the_threshold_profiles_hold_the_published_thresholds(profile: str, key: str, value: float) -> None:
    # SOURCE_1159: sag 0.1 - 0.9 pu, swell from 1.1 pu, interruption below 0.1 pu; EN 50160: interruption below 5 %;
    # hysteresis 2 %, SOURCE_30, 5.4 (from memory).
    assert getattr(load_thresholds(profile), key) == value


@pytest.mark.parametrize(
    ("kind", "duration_s", "category"),
    [
        ("sag", 0.010, "instantaneous sag"),
        ("swell", 0.5, "instantaneous swell"),
        ("interruption", 0.010, "momentary interruption"),
        ("sag", 3.0, "momentary sag"),
        ("swell", 2.0, "momentary swell"),
        ("interruption", 3.0, "momentary interruption"),
        ("sag", 60.0, "temporary sag"),
        ("swell", 60.0, "temporary swell"),
        ("interruption", 3.1, "temporary interruption"),
        ("interruption", 61.0, "sustained interruption"),
        ("sag", 61.0, "undervoltage"),
        ("swell", 61.0, "overvoltage"),
    ],
)
def test_each_row_of_the_category_table_is_met(kind: str, duration_s: float, category: str) -> None:
    # SOURCE_1159, rows 2.1.1 to 3.3, at 50 Hz.
    assert classify_category(kind, duration_s, nominal_frequency_hz=50.0) == category
