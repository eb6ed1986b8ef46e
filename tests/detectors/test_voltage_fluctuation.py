"""Voltage fluctuation: modulated waveforms of known swing and frequency, and what is no repeated change."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.voltage_fluctuation import VoltageFluctuationSettings, find_voltage_fluctuations
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.quality import FLAT

SOURCE_BAND = "IEEE Std 1159-2019, Table 2, row 6.0: < 25 Hz, 0.1 to 7 % typical"
SOURCE_SWING = "IEC 61000-4-15 Ed. 2: u = sqrt2 U sin(wt) (1 + d/2 m(t)), m in [-1, 1]: d is peak to peak"
SOURCE_RMS = "derived: a sinusoid of swing d has an RMS of d / (2 sqrt2), a square wave of d/2: 8/pi² (1 + 1/9 + ...)"
F64 = npt.NDArray[np.float64]

DEFAULT = VoltageFluctuationSettings()
HALF_CYCLE = 64.0


def modulated(
    m: Any, *, f0_hz: float = 50.0, f_hz: float | None = None, length_s: float = 14.0, noise_pu: float = 0.0
) -> list[Finding]:
    """Findings of a waveform of 230 V times 1 + m(t), at 32 samples a cycle."""
    rate_hz = 32 * f0_hz
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    u = np.sqrt(2) * 230 * np.sin(2 * np.pi * (f_hz or f0_hz) * t + 0.4) * (1 + m(t))
    u += 230 * noise_pu * np.random.default_rng(3).standard_normal(t.size)
    series = measure_half_cycles(u, rate_hz=rate_hz, nominal_frequency_hz=f0_hz)
    return find_voltage_fluctuations(
        series.u_half,
        series.starts,
        reference_v=230,
        rate_hz=rate_hz,
        nominal_frequency_hz=f0_hz,
        settings=DEFAULT,
        flags=series.flags,
    )


def fluctuations(pu: Any, *, rules: VoltageFluctuationSettings = DEFAULT, **others: Any) -> list[Finding]:
    """Findings of half-cycle values in pu, 100 a second."""
    values = 230 * np.atleast_2d(pu)
    return find_voltage_fluctuations(
        values,
        HALF_CYCLE * np.arange(values.shape[1]),
        reference_v=230.0,
        rate_hz=100 * HALF_CYCLE,
        nominal_frequency_hz=50.0,
        settings=rules,
        **others,
    )


def sine(n: int, hz: float, swing: float) -> F64:
    return 1 + swing / 2 * np.sin(2 * np.pi * hz * np.arange(n) / 100)


# 1.5 %: the frequency falls between the bins of two seconds, and the band's edges cut the skirt of a Hann window.
@pytest.mark.parametrize("f0_hz", [50.0, 60.0])
@pytest.mark.parametrize("hz", [1.0, 2.3, 5.0, 8.8, 14.2, 20.0, 24.3])
def test_swing_and_frequency_of_a_sinusoidal_fluctuation_are_read_off(f0_hz: float, hz: float) -> None:
    (found,) = modulated(lambda t: 0.03 / 2 * np.sin(2 * np.pi * hz * t), f0_hz=f0_hz, f_hz=1.004 * f0_hz)
    assert found.kind == "flicker"
    assert found.magnitude_unit == "%"
    assert found.magnitude == pytest.approx(3, rel=0.015)
    assert found.oscillation_hz == pytest.approx(hz, abs=0.05)
    assert found.open_start
    assert found.open_stop


@pytest.mark.parametrize("hz", [1.0, 4.0])
def test_a_square_fluctuation_reads_as_the_sinusoid_of_its_rms(hz: float) -> None:
    (found,) = modulated(lambda t: 0.01 * np.sign(np.sin(2 * np.pi * hz * t)))
    odd = np.arange(1, 25 / hz + 1e-9, 2)
    expected = 2 * np.sqrt(2) * np.sqrt(8 / np.pi**2 * (1 / odd**2).sum())
    assert found.magnitude == pytest.approx(expected, rel=0.04)  # windows hold some harmonics above the band too
    assert found.oscillation_hz == pytest.approx(hz, abs=0.05)


def test_a_fluctuation_in_noise_reads_as_without() -> None:
    # 37 dB at 32 samples a cycle: 0.25 % of noise in the half-cycle series; the largest of some windows is read.
    (found,) = modulated(lambda t: 0.01 * np.sin(2 * np.pi * 8.8 * t), noise_pu=0.0141)
    assert found.magnitude == pytest.approx(2, rel=0.2)
    assert found.oscillation_hz == pytest.approx(8.8, abs=0.1)


@pytest.mark.parametrize("noise_pu", [0.001, 0.01, 0.0316])  # 60, 40 and 30 dB
def test_noise_alone_is_no_fluctuation(noise_pu: float) -> None:
    assert modulated(np.zeros_like, noise_pu=noise_pu, length_s=60) == []


def test_a_burst_is_found_to_the_second_where_it_is() -> None:
    pu = np.ones(6000)
    pu[2034:4021] = sine(1987, 7.0, 0.04)
    (found,) = fluctuations([np.ones(6000), pu])
    assert found.start / HALF_CYCLE == pytest.approx(2034, abs=100)
    assert found.stop / HALF_CYCLE == pytest.approx(4021, abs=100)
    assert not found.open_start
    assert not found.open_stop
    assert [part.channel for part in found.parts] == [1]
    assert found.parts[0].extreme == found.magnitude
    assert found.reference_v == 230


def motor_start(n: int, at: int, depth: float) -> F64:
    shape = np.where(np.arange(n) < at, 0, np.exp(-np.clip(np.arange(n) - at, 0, None) / 150))
    return 1 - depth * shape


@pytest.mark.parametrize(
    "pu",
    [
        np.concatenate([np.ones(1234), np.full(1300, 0.95)]),
        np.concatenate([np.ones(1234), np.full(130, 0.95), np.full(1300, 0.91)]),
        np.concatenate([np.ones(1234), np.full(233, 0.95), np.ones(1300)]),
        np.concatenate([np.ones(1234), np.full(40, 0.5), np.ones(1300)]),
        np.concatenate([np.ones(1234), np.full(40, 1.3), np.ones(1300)]),
        motor_start(3000, 1234, 0.09),
        np.linspace(0.92, 1.08, 3000),
        sine(3000, 0.05, 0.08),
    ],
    ids=["step", "two steps", "on and off", "sag", "swell", "motor start", "ramp", "slow swing"],
)
def test_single_changes_sags_and_slow_ones_are_no_fluctuation(pu: F64) -> None:
    assert fluctuations(pu) == []


def test_so_many_steps_are_a_fluctuation() -> None:
    """Option `minimum_changes`, both ways, on a voltage that goes up and down eight times."""
    pu = np.concatenate([np.ones(1000), np.tile(np.repeat([0.96, 1.0], 40), 4), np.ones(1000)])
    assert len(fluctuations(pu)) == 1
    assert fluctuations(pu, rules=VoltageFluctuationSettings(minimum_changes=9)) == []
    assert len(fluctuations(pu, rules=VoltageFluctuationSettings(minimum_changes=8))) == 1


def test_short_dips_that_come_again_and_again_count_as_changes() -> None:
    pu = np.concatenate([np.ones(500), np.tile(np.repeat([0.95, 1.0], [15, 110]), 8), np.ones(500)])
    (found,) = fluctuations(pu)
    assert found.oscillation_hz is not None


def test_what_is_too_short_is_left_out() -> None:
    pu = np.ones(3000)
    pu[1000:1200] = sine(200, 10, 0.04)
    assert len(fluctuations(pu)) == 1
    assert fluctuations(pu, rules=VoltageFluctuationSettings(minimum_duration_s=4.1)) == []


def test_hysteresis_joins_what_dips_a_little_below_the_threshold() -> None:
    pu = np.concatenate([sine(1000, 8, 0.02), sine(1000, 8, 0.009), sine(1000, 8, 0.02)])
    assert len(fluctuations(pu)) == 1
    assert len(fluctuations(pu, rules=VoltageFluctuationSettings(hysteresis_pct=0.0))) == 2


def test_just_above_the_threshold_is_found_wherever_in_the_band() -> None:
    # A one-cycle RMS passes 68 % of a modulation at 25 Hz: the quick look that leaves windows out must know that.
    for hz in (1.0, 10.0, 24.5):
        assert len(modulated(lambda t, hz=hz: 0.0105 / 2 * np.sin(2 * np.pi * hz * t))) == 1, hz
        assert modulated(lambda t, hz=hz: 0.0095 / 2 * np.sin(2 * np.pi * hz * t)) == [], hz


def test_seconds_with_a_sag_or_without_measurement_neither_end_nor_make_a_fluctuation() -> None:
    pu = np.concatenate([np.ones(1000), sine(2000, 9, 0.03), np.ones(1000)])
    (whole,) = fluctuations(pu)
    flags = np.zeros((1, pu.size), np.uint8)
    flags[0, 2000:2010] = FLAT
    spoilt = pu.copy()
    spoilt[2000:2010] = 0.2
    for found in (fluctuations(spoilt, flags=flags), fluctuations(spoilt)):  # flagged, and taken for a sag
        assert [(one.start, one.stop) for one in found] == [(whole.start, whole.stop)]
        assert found[0].magnitude == pytest.approx(whole.magnitude)
    other_phase_sags = np.stack([pu, np.where(np.arange(pu.size) == 2005, 0.5, 1.0)])
    assert [(one.start, one.stop) for one in fluctuations(other_phase_sags)] == [(whole.start, whole.stop)]
    flags[0, 1200:2800] = FLAT
    long = VoltageFluctuationSettings(minimum_duration_s=5)  # four windows of two seconds show it, two at each end
    assert fluctuations(pu, flags=flags, rules=long) == []
    assert len(fluctuations(pu, flags=flags)) == len(fluctuations(pu, rules=long)) == 1
    flags[0, 1000:] = FLAT
    assert fluctuations(pu, flags=flags) == []


def test_a_channel_without_measurement_leaves_the_others_judged_for_fluctuations() -> None:
    pu = np.stack([np.concatenate([np.ones(1000), sine(1000, 9, 0.03), np.ones(1000)]), np.zeros(3000)])
    flags = np.zeros(pu.shape, np.uint8)
    flags[1] = FLAT
    (found,) = fluctuations(pu, flags=flags)
    assert [part.channel for part in found.parts] == [0]
    assert fluctuations(pu) == []  # without the mark the other phase has a sag all the time


def test_a_fluctuation_up_to_unmeasured_seconds_is_open_there() -> None:
    pu = np.concatenate([np.ones(1000), sine(1000, 9, 0.03), np.ones(1000)])
    flags = np.zeros((1, pu.size), np.uint8)
    flags[0, 1800:2200] = FLAT
    (found,) = fluctuations(pu, flags=flags)
    assert found.open_stop
    assert not found.open_start
    assert found.flags == FLAT


@pytest.mark.parametrize("shape", [(0, 0), (3, 0), (3, 199)])
def test_under_two_seconds_cannot_be_judged(shape: tuple[int, int]) -> None:
    assert fluctuations(np.ones(shape) * (1 + 0.05 * (-1.0) ** np.arange(shape[1]))) == []


@pytest.mark.parametrize("wrong", [{"hysteresis_pct": 1.0}, {"threshold_pct": 0}, {"pst": 1}, {"minimum_changes": 0}])
def test_settings_of_a_fluctuation_out_of_order_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        VoltageFluctuationSettings(**wrong)  # type: ignore[arg-type]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1e-3, 1e5), st.permutations([0, 1, 2]))
def test_neither_scale_nor_order_of_channels_matters_to_fluctuations(seed: int, scale: float, order: list[int]) -> None:
    rng = np.random.default_rng(seed)
    pu = 1 + 0.001 * rng.standard_normal((3, 2000))
    for c in range(3):
        a = int(rng.integers(0, 1500))
        pu[c, a : a + 500] += sine(500, float(rng.uniform(0.6, 24)), float(rng.choice([0.005, 0.03]))) - 1
    starts = HALF_CYCLE * np.arange(2000) + np.array([[0.0], [-21], [21]])
    kwargs: dict[str, Any] = {"rate_hz": 6400.0, "nominal_frequency_hz": 50.0, "settings": DEFAULT}
    before = find_voltage_fluctuations(pu, starts, reference_v=1, **kwargs)
    after = find_voltage_fluctuations(scale * pu[order], starts[order], reference_v=scale, **kwargs)
    assert [(one.start, one.stop) for one in after] == [(one.start, one.stop) for one in before]
    assert [one.magnitude for one in after] == pytest.approx([one.magnitude for one in before], rel=1e-6)
    moved = [sorted((order[part.channel], part.start) for part in one.parts) for one in after]
    assert moved == [[(part.channel, part.start) for part in one.parts] for one in before]
