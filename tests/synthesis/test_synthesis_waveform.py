"""Synthetic waveforms against closed forms, transforms of general libraries, and a sample-by-sample twin.

Where a test names no source, the expected number is the parameter itself, read back by a definition (mean, RMS,
one-cycle Fourier sum).
"""

from __future__ import annotations

import cmath
import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from halfcycle.pipeline.synthesis import (
    Harmonic,
    Impulse,
    Interharmonic,
    Load,
    LostSpan,
    Quantisation,
    Stage,
    Synthesis,
    Transient,
    Waveform,
    synthesise,
)

FloatArray = npt.NDArray[np.float64]

FLOAT32 = 1e-6  # samples without quantisation are float32: relative rounding 6e-8, with room for sums


def plain(**changes: Any) -> Waveform:
    """One phase at 100 V, 50 Hz, 128 samples a cycle, one second."""
    basis = Waveform(hookup="single-phase", nominal_voltage_v=100.0, rate_hz=6400.0, duration_s=1.0)
    return replace(basis, **changes)


def made(waveform: Waveform, seed: int = 0) -> Synthesis:
    return synthesise(waveform, start_ns=0, station="Somewhere", seed=seed)


def samples(waveform: Waveform, *, seed: int = 0) -> FloatArray:
    """All channels in their units, shape (n_channels, n_samples)."""
    capture = made(waveform, seed).capture
    return np.stack([capture.physical(i) for i in range(len(capture.header.channels))])


def rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def phasor(values: FloatArray, *, order: int = 1, cycle: int = 128, first: int = 0) -> complex:
    """RMS phasor of one cycle by its definition; angle 0 is a sine that rises through zero at sample 0."""
    i = np.arange(first, first + cycle)
    sine = np.exp(-2j * math.pi * order * i / cycle)
    return complex(np.sum(values[first : first + cycle] * sine) * 2j / cycle / math.sqrt(2))


def degrees(value: complex) -> float:
    return math.degrees(cmath.phase(value))


@pytest.mark.parametrize("f0_hz", [50.0, 60.0])
def test_nominal_voltage_is_the_rms_of_a_plain_sine_and_root_two_of_it_the_peak(f0_hz: float) -> None:
    """Derived: RMS of A sin(wt) over whole cycles is A/sqrt(2)."""
    values = samples(plain(nominal_frequency_hz=f0_hz, rate_hz=128 * f0_hz))[0]
    assert rms(values) == pytest.approx(100.0, rel=FLOAT32)
    assert values.max() == pytest.approx(100.0 * math.sqrt(2), rel=FLOAT32)
    assert values[0] == 0.0
    assert values[1] > 0.0


def test_rms_with_harmonics_interharmonics_and_dc_is_the_root_of_the_sum_of_squares() -> None:
    """Derived (Parseval): mean squares of tones of different frequency add up over whole periods."""
    waveform = plain(
        harmonics=(Harmonic(order=3, magnitude_pu=0.2, angle_deg=30.0), Harmonic(order=8, magnitude_pu=0.05)),
        interharmonics=(Interharmonic(frequency_hz=183.0, magnitude_pu=0.1, angle_deg=77.0),),
        dc_pu=0.03,
    )
    # One second holds whole periods of all of them: 50, 150, 400 and 183 Hz.
    expected = 100.0 * math.sqrt(1 + 0.2**2 + 0.05**2 + 0.1**2 + 0.03**2)
    assert rms(samples(waveform)[0]) == pytest.approx(expected, rel=FLOAT32)


def test_spectrum_holds_exactly_the_tones_described() -> None:
    waveform = plain(
        harmonics=(Harmonic(order=5, magnitude_pu=0.08, angle_deg=-45.0),),
        interharmonics=(Interharmonic(frequency_hz=183.0, magnitude_pu=0.1, angle_deg=60.0),),
    )
    spectrum = np.fft.rfft(samples(waveform)[0]) * 2 / 6400 / (100 * math.sqrt(2)) * 1j  # 1 Hz a bin, sine at angle 0
    assert np.flatnonzero(np.abs(spectrum) > 1e-5).tolist() == [50, 183, 250]
    assert abs(spectrum[183]) == pytest.approx(0.1, abs=1e-6)
    assert degrees(complex(spectrum[183])) == pytest.approx(60.0, abs=1e-3)
    assert abs(spectrum[250]) == pytest.approx(0.08, abs=1e-6)
    assert degrees(complex(spectrum[250])) == pytest.approx(-45.0, abs=1e-3)


def test_constant_part_is_the_mean() -> None:
    assert samples(plain(dc_pu=-0.02))[0].mean() == pytest.approx(-2.0, abs=1e-5)


@given(offset_hz=st.floats(-7.0, 7.0), drift=st.floats(-0.5, 0.5), phase_deg=st.floats(-180.0, 180.0))
@settings(max_examples=25, deadline=None)
def test_frequency_and_drift_are_those_of_the_analytic_signal(offset_hz: float, drift: float, phase_deg: float) -> None:
    """Derived: phase is 2 pi times the integral of frequency, f t + drift t^2 / 2."""
    waveform = plain(frequency_hz=50.0 + offset_hz, drift_hz_per_s=drift, phase_deg=phase_deg, duration_s=4.0)
    angle = np.unwrap(np.angle(signal.hilbert(samples(waveform)[0])))
    t_s = np.arange(angle.size) / 6400.0
    middle = slice(angle.size // 4, -angle.size // 4)  # the transform is wrong near both ends
    square, linear, _ = np.polynomial.Polynomial.fit(t_s[middle], angle[middle], 2).convert().coef[::-1]
    assert linear / (2 * math.pi) == pytest.approx(50.0 + offset_hz, abs=2e-3)
    assert square / math.pi == pytest.approx(drift, abs=2e-3)


def test_frequency_offset_puts_the_spectral_line_into_its_bin() -> None:
    values = samples(plain(frequency_hz=50.25, duration_s=4.0))[0]
    spectrum = np.abs(np.fft.rfft(values)) / values.size * 2
    assert int(spectrum.argmax()) == 201  # 50.25 Hz at 0.25 Hz a bin
    assert spectrum[201] == pytest.approx(100 * math.sqrt(2), rel=FLOAT32)


def test_start_phase_is_the_angle_of_phase_a() -> None:
    waveform = plain(hookup="four-wire", phase_deg=40.0)
    assert [degrees(phasor(row)) for row in samples(waveform)] == pytest.approx([40.0, -80.0, 160.0], abs=1e-3)


def test_three_phases_stand_a_third_of_a_turn_apart_and_angle_errors_add() -> None:
    waveform = plain(hookup="four-wire", angle_errors_deg=(0.0, 2.0, -3.5), magnitudes_pu=(1.0, 0.95, 1.05))
    phasors = [phasor(row) for row in samples(waveform)]
    assert [degrees(value) for value in phasors] == pytest.approx([0.0, -118.0, 116.5], abs=1e-3)
    assert [abs(value) for value in phasors] == pytest.approx([100.0, 95.0, 105.0], rel=FLOAT32)


def test_line_to_line_voltages_are_differences_of_phase_voltages() -> None:
    """Derived: u_ab = u_a - u_b, of sqrt(3) times the magnitude and 30 degrees ahead."""
    a, b, c = samples(plain(hookup="four-wire"))
    lines = samples(plain(hookup="three-wire", nominal_voltage_v=100.0 * math.sqrt(3)))
    np.testing.assert_allclose(lines, np.stack([a - b, b - c, c - a]), atol=1e-4)


def test_second_line_of_a_split_phase_supply_is_the_first_upside_down_even_harmonics_too() -> None:
    waveform = plain(
        hookup="split-phase",
        harmonics=(Harmonic(order=2, magnitude_pu=0.1, angle_deg=20.0), Harmonic(order=3, magnitude_pu=0.1)),
    )
    first, second = samples(waveform)
    np.testing.assert_array_equal(second, -first)


@pytest.mark.parametrize(("order", "sequence"), [(2, -1), (3, 0), (4, 1), (5, -1), (7, 1), (9, 0), (11, -1)])
def test_harmonics_rotate_by_their_order(order: int, sequence: int) -> None:
    """Derived: in a symmetrical system order h turns by h * 120 degrees a phase (Fortescue, 1918)."""
    waveform = plain(hookup="four-wire", harmonics=(Harmonic(order=order, magnitude_pu=0.1, angle_deg=15.0),))
    a, b, c = (phasor(row, order=order) for row in samples(waveform))
    turn = cmath.exp(2j * math.pi / 3)
    parts = {s: abs(a + b * turn**s + c * turn ** (-s)) / 3 for s in (-1, 0, 1)}  # negative, zero, positive
    assert parts.pop(sequence) == pytest.approx(10.0, rel=1e-5)
    assert max(parts.values()) < 1e-4


def test_interharmonics_rotate_with_the_fundamental() -> None:
    waveform = plain(hookup="four-wire", interharmonics=(Interharmonic(frequency_hz=175.0, magnitude_pu=0.1),))
    # 40 ms hold 7 whole turns of 175 Hz and two of the fundamental.
    angles = [degrees(phasor(row, order=7, cycle=256)) for row in samples(waveform)]
    assert angles == pytest.approx([0.0, -120.0, 120.0], abs=1e-2)


def test_unequal_phases_give_the_unbalance_of_their_symmetrical_components() -> None:
    """Definition of IEC 61000-4-30:2015, 5.7, u2 = |U-| / |U+|; phases at 95/100/100 %: (5/3) / (295/3) = 1.695 %."""
    a, b, c = (phasor(row) for row in samples(plain(hookup="four-wire", magnitudes_pu=(0.95, 1.0, 1.0))))
    turn = cmath.exp(2j * math.pi / 3)
    u2 = abs(a + turn**2 * b + turn * c) / abs(a + turn * b + turn**2 * c)
    assert 100 * u2 == pytest.approx(1.695, abs=5e-4)


@pytest.mark.parametrize("snr_db", [20.0, 40.0, 60.0])
def test_noise_has_the_ratio_asked_for_on_each_channel(snr_db: float) -> None:
    """Definition: SNR [dB] = 20 log10(RMS of signal / RMS of noise)."""
    waveform = plain(
        hookup="four-wire",
        duration_s=10.0,
        magnitudes_pu=(1.0, 0.5, 1.2),
        load=Load(current_a=(10.0, 20.0, 40.0)),
    )
    clean, noisy = samples(waveform), samples(replace(waveform, snr_db=snr_db))
    measured = [20 * math.log10(rms(a) / rms(b - a)) for a, b in zip(clean, noisy, strict=True)]
    # 64000 samples: the standard deviation of a measured ratio is 8.69 dB / sqrt(2 * 64000) = 0.024 dB.
    assert measured == pytest.approx([snr_db] * 6, abs=0.12)


def test_noise_is_white_gaussian_and_independent_between_channels() -> None:
    waveform = plain(hookup="four-wire", duration_s=2.0)
    noise = samples(replace(waveform, snr_db=30.0), seed=7) - samples(waveform)
    limit = 5 / math.sqrt(noise.shape[1])  # five standard deviations of a correlation of independent samples
    assert np.abs(np.triu(np.asarray(np.corrcoef(noise)), 1)).max() < limit
    assert max(abs(stats.pearsonr(noise[0, :-lag], noise[0, lag:]).statistic) for lag in range(1, 20)) < limit
    assert stats.kstest(noise[0] / noise[0].std(), "norm").pvalue > 1e-3


@given(seed=st.integers(0, 2**32), other=st.integers(0, 2**32))
@settings(max_examples=20, deadline=None)
def test_noise_depends_on_the_seed_and_on_nothing_else(seed: int, other: int) -> None:
    waveform = plain(duration_s=0.1, snr_db=30.0)
    one, again = made(waveform, seed).capture, made(waveform, seed).capture
    assert one.samples.tobytes() == again.samples.tobytes()
    assert (one.samples.tobytes() == made(waveform, other).capture.samples.tobytes()) is (seed == other)
    np.testing.assert_array_equal(samples(plain(duration_s=0.1), seed=seed), samples(plain(duration_s=0.1), seed=other))


@given(factor=st.floats(0.01, 1e4), seed=st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_voltages_scale_with_the_nominal_voltage(factor: float, seed: int) -> None:
    waveform = plain(
        duration_s=0.2,
        harmonics=(Harmonic(order=3, magnitude_pu=0.1),),
        stages=(Stage(start_s=0.05, duration_s=0.1, residual_pu=(0.5,), recovery_s=0.03),),
        transients=(Transient(start_s=0.02, magnitudes_pu=(0.4,), frequency_hz=700.0, decay_s=0.01),),
        impulses=(Impulse(start_s=0.17, peaks_pu=(-1.0,), rise_s=1e-4, decay_s=1e-3),),
        dc_pu=0.01,
        snr_db=40.0,
    )
    scaled = samples(replace(waveform, nominal_voltage_v=100.0 * factor), seed=seed)
    np.testing.assert_allclose(scaled, factor * samples(waveform, seed=seed), rtol=1e-5, atol=1e-5 * factor)


def test_one_cycle_rms_inside_a_stage_is_the_residual_and_outside_the_steady_voltage() -> None:
    stage = Stage(start_s=0.2, duration_s=0.3, residual_pu=(0.4, 1.3, 0.0))
    waveform = plain(hookup="four-wire", magnitudes_pu=(1.0, 0.98, 1.02), stages=(stage,))
    values = samples(waveform)
    inside, outside = slice(1280, 3200), slice(3200, 6400)
    assert [rms(row[inside]) for row in values] == pytest.approx([40.0, 130.0, 0.0], rel=FLOAT32)
    assert [rms(row[outside]) for row in values] == pytest.approx([100.0, 98.0, 102.0], rel=FLOAT32)


def test_phase_jump_shifts_the_whole_waveshape_of_its_phase() -> None:
    stage = Stage(start_s=0.2, duration_s=0.2, residual_pu=(0.6, 1.0, 1.0), phase_jump_deg=(-25.0, 0.0, 10.0))
    waveform = plain(hookup="four-wire", stages=(stage,), harmonics=(Harmonic(order=5, magnitude_pu=0.1),))
    before, inside = ([phasor(row, first=first) for row in samples(waveform)] for first in (640, 1920))
    jumps = [degrees(b / a) for a, b in zip(before, inside, strict=True)]
    assert jumps == pytest.approx([-25.0, 0.0, 10.0], abs=1e-3)
    fifth = phasor(samples(waveform)[0], order=5, first=1920)
    assert degrees(fifth) == pytest.approx(
        -125.0, abs=1e-3
    )  # derived: delayed in time, order 5 turns five times as far
    assert abs(fifth) == pytest.approx(6.0, rel=1e-5)  # a tenth of the fundamental, in the stage as outside


def test_ramp_is_a_straight_line_from_the_level_before() -> None:
    stages = (
        Stage(start_s=0.2, duration_s=0.2, residual_pu=(0.8,)),
        Stage(start_s=0.4, duration_s=0.4, residual_pu=(0.2,), ramp_s=0.2),
    )
    ratio = samples(plain(stages=stages))[0] / np.where(samples(plain())[0] == 0, np.nan, samples(plain())[0])
    at_s = {0.403125: 0.8 - 0.6 * 0.003125 / 0.2, 0.503125: 0.8 - 0.6 * 0.103125 / 0.2, 0.603125: 0.2, 0.803125: 1.0}
    measured = [ratio[round(t_s * 6400)] for t_s in at_s]
    assert measured == pytest.approx(list(at_s.values()), rel=1e-5)


def test_recovery_closes_the_gap_by_a_factor_e_each_time_constant() -> None:
    stage = Stage(start_s=0.103125, duration_s=0.6, residual_pu=(0.5,), phase_jump_deg=(0.0,), recovery_s=0.1)
    values, steady = samples(plain(stages=(stage,), magnitudes_pu=(0.9,)))[0], samples(plain())[0]
    gaps = [0.9 - values[i] / steady[i] for i in (660, 1300, 1940)]  # at 0, 0.1 and 0.2 s, not on zero crossings
    assert gaps == pytest.approx([0.4, 0.4 / math.e, 0.4 / math.e**2], rel=1e-4)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 200.0])
def test_transient_rings_at_its_frequency_and_decays_with_its_time_constant(angle_deg: float) -> None:
    transient = Transient(start_s=0.10003, magnitudes_pu=(0.7,), frequency_hz=800.0, decay_s=0.02, angle_deg=angle_deg)
    waveform = plain(rate_hz=64000.0, duration_s=0.4)
    extra = (samples(replace(waveform, transients=(transient,))) - samples(waveform))[0] / (100 * math.sqrt(2))
    t_s = np.arange(extra.size) / 64000.0 - 0.10003
    assert np.abs(extra[t_s < 0]).max() == 0.0
    first = int(np.ceil(0.10003 * 64000))
    period = 80  # samples
    ring = extra[first : first + 20 * period]
    spectrum = np.abs(np.fft.rfft(ring))
    assert int(spectrum.argmax()) == 20  # 20 periods in the window
    # Derived: one period later everything is smaller by exp(-T / decay).
    np.testing.assert_allclose(ring[period:], ring[:-period] * math.exp(-1 / 800 / 0.02), atol=2e-6)
    assert ring[0] == pytest.approx(
        0.7 * math.exp(-t_s[first] / 0.02) * math.sin(2 * math.pi * 800 * t_s[first] + math.radians(angle_deg)),
        abs=2e-6,
    )


def test_impulse_peaks_at_its_peak_with_its_sign_and_decays_with_its_tail() -> None:
    impulse = Impulse(start_s=0.05, peaks_pu=(1.5, -0.5, 0.0), rise_s=2e-4, decay_s=2e-3)
    waveform = plain(hookup="four-wire", rate_hz=512000.0, duration_s=0.1)
    extra = (samples(replace(waveform, impulses=(impulse,))) - samples(waveform)) / (100 * math.sqrt(2))
    assert extra[0].max() == pytest.approx(1.5, rel=1e-5)
    assert extra[1].min() == pytest.approx(-0.5, rel=1e-5)
    assert np.abs(extra[2]).max() == 0.0
    # Derived: twenty rise times on, the front is gone (e^-20): what is left halves each decay * ln 2.
    later = 25600 + round(20 * 2e-4 * 512000)
    assert extra[0, later + 1024] / extra[0, later] == pytest.approx(math.exp(-1.0), rel=1e-3)


def test_currents_lag_their_phase_voltage_by_the_displacement() -> None:
    load = Load(current_a=(10.0, 20.0, 30.0), displacement_deg=(25.0, 30.0, -10.0))
    values = samples(plain(hookup="four-wire", load=load))
    lags = [degrees(phasor(values[i]) / phasor(values[i + 3])) for i in range(3)]
    assert lags == pytest.approx([25.0, 30.0, -10.0], abs=1e-3)
    assert [abs(phasor(row)) for row in values[3:]] == pytest.approx([10.0, 20.0, 30.0], rel=FLOAT32)


def test_currents_of_a_three_wire_hookup_are_those_of_the_conductors() -> None:
    """Derived: u_ab leads u_a by 30 degrees, so an in-phase current of A lags u_ab by 30 degrees."""
    capture = made(plain(hookup="three-wire", load=Load(current_a=(5.0, 5.0, 5.0)))).capture
    assert [c.name for c in capture.header.channels] == ["UAB", "UBC", "UCA", "IA", "IB", "IC"]
    assert [c.phase for c in capture.header.channels] == ["AB", "BC", "CA", "A", "B", "C"]
    assert [c.unit for c in capture.header.channels] == ["V", "V", "V", "A", "A", "A"]
    assert degrees(phasor(capture.physical(0)) / phasor(capture.physical(3))) == pytest.approx(30.0, abs=1e-3)


def test_stage_currents_multiply_and_shift_the_load_and_harmonics_of_the_load_are_its_own() -> None:
    stage = Stage(start_s=0.2, duration_s=0.2, residual_pu=(0.6,), current_pu=(4.0,), current_jump_deg=(-50.0,))
    waveform = plain(
        stages=(stage,),
        load=Load(current_a=(10.0,), displacement_deg=(20.0,), harmonics=(Harmonic(order=3, magnitude_pu=0.2),)),
    )
    voltage, current = samples(waveform)
    before, inside = phasor(current, first=640), phasor(current, first=1920)
    assert abs(inside / before) == pytest.approx(4.0, rel=FLOAT32)
    assert degrees(inside / before) == pytest.approx(-50.0, abs=1e-3)
    assert abs(phasor(current, order=3, first=640)) == pytest.approx(2.0, rel=1e-5)
    assert abs(phasor(voltage, order=3, first=640)) < 1e-4


@given(bits=st.integers(8, 32), range_pu=st.floats(1.2, 5.0), phase_deg=st.floats(0.0, 360.0))
@settings(max_examples=40, deadline=None)
def test_quantisation_error_is_at_most_half_a_step(bits: int, range_pu: float, phase_deg: float) -> None:
    """Derived: rounding to the nearest of equal steps is off by half a step at most."""
    waveform = plain(duration_s=0.06, phase_deg=phase_deg, load=Load(current_a=(10.0,)))
    quantisation = Quantisation(bits=bits, voltage_range_pu=range_pu, current_range_pu=range_pu)
    capture = made(replace(waveform, quantisation=quantisation)).capture
    assert capture.header.sample_type == ("int16" if bits <= 16 else "int32")
    t_s = np.arange(384) / 6400.0
    for i, rms_value in enumerate((100.0, 10.0)):
        ideal = math.sqrt(2) * rms_value * np.sin(2 * math.pi * 50.0 * t_s + math.radians(phase_deg))
        step = capture.header.channels[i].scale
        assert step == pytest.approx(range_pu * rms_value * math.sqrt(2) / (2 ** (bits - 1) - 1))
        # 2^31 steps meet the rounding of double precision: a few parts in 1e13 of the value, after a turn of radians.
        assert np.abs(capture.physical(i) - ideal).max() <= step / 2 * (1 + 1e-9) + 1e-11 * rms_value


def test_values_beyond_the_range_stay_at_the_rails() -> None:
    capture = made(plain(quantisation=Quantisation(bits=12, voltage_range_pu=0.5))).capture
    channel = capture.header.channels[0]
    assert (channel.rail_low, channel.rail_high) == (-2047, 2047)
    assert (capture.samples.min(), capture.samples.max()) == (-2047, 2047)
    # Derived: |sin| > 1/2 in two thirds of a turn.
    assert np.mean(np.abs(capture.samples) == 2047) == pytest.approx(2 / 3, abs=0.02)
    assert np.abs(capture.physical(0)).max() == pytest.approx(0.5 * 100 * math.sqrt(2))


@pytest.mark.parametrize("quantisation", [None, Quantisation(bits=16), Quantisation(bits=24)])
def test_missing_spans_hold_no_value_on_the_channels_named(quantisation: Quantisation | None) -> None:
    waveform = plain(
        hookup="split-phase",
        quantisation=quantisation,
        missing=(LostSpan(start_s=0.25, duration_s=0.125, channels=("UB",)), LostSpan(start_s=0.9, duration_s=0.05)),
    )
    gone = np.isnan(samples(waveform))
    t_s = np.arange(6400) / 6400.0
    everywhere = (t_s >= 0.9 - 1e-9) & (t_s < 0.95 - 1e-9)
    np.testing.assert_array_equal(gone[0], everywhere)
    np.testing.assert_array_equal(gone[1], everywhere | ((t_s >= 0.25) & (t_s < 0.375)))


@pytest.mark.parametrize("quantisation", [None, Quantisation(bits=16)])
def test_flat_spans_repeat_their_first_sample_and_leave_the_rest_alone(quantisation: Quantisation | None) -> None:
    waveform = plain(hookup="split-phase", snr_db=40.0, quantisation=quantisation)
    stuck = replace(waveform, flat=(LostSpan(start_s=0.253, duration_s=0.1, channels=("UA",)),))
    before, after = made(waveform).capture.samples, made(stuck).capture.samples
    first, last = math.ceil(0.253 * 6400), math.ceil(0.353 * 6400)
    assert set(after[0, first:last].tolist()) == {before[0, first]}
    np.testing.assert_array_equal(np.delete(after[0], np.s_[first:last]), np.delete(before[0], np.s_[first:last]))
    np.testing.assert_array_equal(after[1], before[1])


def test_header_says_what_was_asked_for() -> None:
    capture = synthesise(plain(rate_hz=7680.0, nominal_frequency_hz=60.0), start_ns=123_456, station="Öre").capture
    header = capture.header
    assert (header.station, header.start_ns, header.rate_hz, header.nominal_frequency_hz) == (
        "Öre",
        123_456,
        7680.0,
        60,
    )
    assert (header.n_samples, header.sample_type) == (7680, "float32")


# --- the twin: every sample from the definition, in plain Python -----------------------------------------------------


def twin_sample(waveform: Waveform, i_phase: int, i_sample: int) -> float:
    """One voltage sample of a four-wire waveform with steps only. [V]"""
    t = i_sample / waveform.rate_hz
    magnitude, jump = waveform.magnitudes_pu[i_phase], 0.0
    for stage in waveform.stages:
        if stage.start_s <= t < stage.start_s + stage.duration_s:
            magnitude, jump = stage.residual_pu[i_phase], stage.phase_jump_deg[i_phase]
    start_hz = waveform.frequency_hz or waveform.nominal_frequency_hz
    turns = start_hz * t + waveform.drift_hz_per_s * t * t / 2
    place = (0.0, -120.0, 120.0)[i_phase]
    angle = 2 * math.pi * turns + math.radians(waveform.phase_deg + place + jump)
    value = math.sin(angle)
    for harmonic in waveform.harmonics:
        value += harmonic.magnitude_pu * math.sin(harmonic.order * angle + math.radians(harmonic.angle_deg))
    value *= magnitude
    for transient in waveform.transients:
        since = t - transient.start_s
        if since >= 0:
            swing = math.sin(2 * math.pi * transient.frequency_hz * since + math.radians(transient.angle_deg))
            value += transient.magnitudes_pu[i_phase] * math.exp(-since / transient.decay_s) * swing
    return math.sqrt(2) * waveform.nominal_voltage_v * (value + waveform.dc_pu / math.sqrt(2))


THREE = st.tuples(*[st.floats(0.0, 1.5)] * 3)
ANGLES = st.tuples(*[st.floats(-60.0, 60.0)] * 3)


@st.composite
def waveforms(draw: st.DrawFn) -> Waveform:
    stages, end_s = [], 0.0
    for _ in range(draw(st.integers(0, 3))):
        start_s = end_s + draw(st.sampled_from([0.0, 0.0137]))
        duration_s = draw(st.floats(0.001, 0.05))
        stages.append(
            Stage(start_s=start_s, duration_s=duration_s, residual_pu=draw(THREE), phase_jump_deg=draw(ANGLES))
        )
        end_s = stages[-1].end_s
    orders = draw(st.lists(st.integers(2, 20), max_size=3, unique=True))
    return Waveform(
        hookup="four-wire",
        nominal_voltage_v=draw(st.floats(1.0, 1e5)),
        rate_hz=draw(st.floats(900.0, 5000.0)),
        duration_s=0.15,
        nominal_frequency_hz=draw(st.sampled_from([50.0, 60.0])),
        frequency_hz=draw(st.floats(42.5, 69.0)),
        drift_hz_per_s=draw(st.floats(-5.0, 5.0)),
        phase_deg=draw(st.floats(-360.0, 360.0)),
        magnitudes_pu=draw(THREE),
        harmonics=tuple(
            Harmonic(order=order, magnitude_pu=draw(st.floats(0, 0.3)), angle_deg=draw(st.floats(-180, 180)))
            for order in orders
        ),
        stages=tuple(stages),
        transients=(
            Transient(
                start_s=draw(st.floats(0.0, 0.14)),
                magnitudes_pu=draw(ANGLES.map(lambda three: tuple(value / 30 for value in three))),
                frequency_hz=draw(st.floats(200.0, 2000.0)),
                decay_s=draw(st.floats(1e-3, 0.05)),
                angle_deg=draw(st.floats(-180, 180)),
            ),
        ),
        dc_pu=draw(st.floats(-0.1, 0.1)),
    )


@given(waveform=waveforms())
@settings(max_examples=40, deadline=None)
def test_every_sample_is_the_continuous_waveform_at_its_instant(waveform: Waveform) -> None:
    values = samples(waveform)
    twin = [[twin_sample(waveform, k, i) for i in range(waveform.n_samples)] for k in range(3)]
    # An instant within rounding of an edge may fall on either side; at random rates there is hardly one.
    edges = [edge for stage in waveform.stages for edge in (stage.start_s, stage.end_s)]
    edges += [transient.start_s for transient in waveform.transients]
    t_s = np.arange(waveform.n_samples) / waveform.rate_hz
    clear = np.all([np.abs(t_s - edge) > 1e-11 for edge in edges], axis=0)
    difference = (values - np.array(twin))[:, clear] / waveform.nominal_voltage_v
    assert np.abs(difference).max() < 1e-6  # float32 of up to 5 pu
