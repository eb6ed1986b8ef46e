"""Samples that are no measurement: found where they are, and never seen in a clean wave of few bits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter
from halfcycle.pipeline.measures.quality import CLIPPED, FLAG_WORDS, FLAT, MISSING, sample_flags

SOURCE = "derived: a sine of amplitude A, rounded to counts, is at its peak for arccos(1 - 1/A)/pi of a cycle at most"
Samples = npt.NDArray[Any]


def channel(**more: Any) -> Channel:
    return Channel("U", "voltage", "A", "V", **more)


def sine(
    per_cycle: int, n_cycles: float = 12, *, amplitude: float = 1.0, pace: float = 1.0, angle: float = 0.3
) -> npt.NDArray[np.float64]:
    k = np.arange(int(per_cycle * n_cycles))
    return amplitude * np.sin(2 * np.pi * pace / per_cycle * k + angle)


def marks(raw: Samples, per_cycle: float, **more: Any) -> npt.NDArray[np.uint8]:
    flags = sample_flags(raw, channel(**more), samples_per_cycle=per_cycle)
    return np.zeros(raw.shape, np.uint8) if flags is None else flags


def coded(counts: npt.NDArray[np.float64], coding: str, bits: int) -> tuple[Samples, dict[str, Any]]:
    """Counts as recorders store them: plain, shifted to the top of 16 bits, around mid-scale, or turned into volts."""
    if coding == "plain":
        return counts.astype(np.int16), {}
    if coding == "shifted":
        return (counts * 2 ** (16 - bits)).astype(np.int16), {}
    if coding == "mid-scale":
        zero = 2 ** (bits - 1)
        return (counts + zero).astype(np.int32), {"scale": 0.1, "offset": -0.1 * zero}
    return (counts * 7.3).astype(np.float32), {}


CODINGS = ("plain", "shifted", "mid-scale", "volts")


# --- a clean wave


@pytest.mark.slow
@settings(max_examples=400)
@given(
    bits=st.integers(8, 16),
    share=st.floats(0.0005, 1.0),
    per_cycle=st.sampled_from([16, 20, 32, 64, 80, 128, 256, 400, 512, 1000, 2000]),
    pace=st.floats(0.85, 1.15),
    angle=st.floats(0, 6.28),
    n_cycles=st.floats(0.5, 12),
    coding=st.sampled_from(CODINGS),
)
def test_a_clean_sine_of_any_amplitude_in_few_bits_raises_no_flag(
    bits: int, share: float, per_cycle: int, pace: float, angle: float, n_cycles: float, coding: str
) -> None:
    # SOURCE: it holds its peak for many samples, as a clipped one does, but its flanks are not steep.
    amplitude = share * (2 ** (bits - 1) - 1)
    counts = np.rint(sine(per_cycle, n_cycles, amplitude=amplitude, pace=pace, angle=angle))
    raw, more = coded(counts, coding, bits)
    assert sample_flags(raw, channel(**more), samples_per_cycle=per_cycle) is None


def test_a_clean_sine_that_just_reaches_a_stated_rail_raises_no_flag() -> None:
    # SOURCE: at 8 bits and 512 samples a cycle it stays at the rail for 20 samples without having been cut.
    for bits, per_cycle in ((8, 512), (10, 1000), (12, 2000)):
        top = 2 ** (bits - 1) - 1
        raw = np.rint(sine(per_cycle, amplitude=top)).astype(np.int16)
        assert not marks(raw, per_cycle, rail_low=-top, rail_high=top).any()


@pytest.mark.slow
@settings(max_examples=400)
@given(
    bits=st.integers(8, 16),
    third=st.floats(0, 0.03),
    fifth=st.floats(-0.025, 0),
    per_cycle=st.sampled_from([32, 64, 128, 256, 512, 2000]),
    coding=st.sampled_from(CODINGS),
)
def test_the_flat_top_that_rectifiers_give_the_mains_is_not_taken_for_clipping(
    bits: int, third: float, fifth: float, per_cycle: int, coding: str
) -> None:
    # Derived: with these signs both harmonics flatten the top; its curvature falls to 1 - 9 x 0.03 - 25 x 0.025 of
    # a sine's, a ninth, so that it stays at its peak three times as long.
    angle = 2 * np.pi / per_cycle * np.arange(8 * per_cycle) + 1.1
    u = np.sin(angle) + third * np.sin(3 * angle) + fifth * np.sin(5 * angle)
    raw, more = coded(np.rint(0.9 * 2 ** (bits - 1) * u), coding, bits)
    assert not marks(raw, per_cycle, **more).any()


@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("zero", [0, 3])
def test_a_stretch_without_voltage_raises_no_flag(coding: str, zero: int) -> None:
    # A lost voltage is an event, not a fault of the recorder; a few counts of offset make no difference.
    counts = np.rint(sine(128, 40, amplitude=2000))
    counts[1000:3500] = zero
    raw, more = coded(counts, coding, 13)
    assert not marks(raw, 128, **more).any()


def test_a_record_that_is_zero_throughout_raises_no_flag() -> None:
    for kind in (np.int16, np.float32):
        assert sample_flags(np.zeros(5000, kind), channel(), samples_per_cycle=128.0) is None


def test_a_stretch_of_one_sign_only_is_not_clipped_at_zero() -> None:
    # A record that begins without voltage and ends in the first half wave: its lowest value, zero, is no rail.
    raw = np.zeros(500, np.int16)
    raw[450:500] = np.rint(3000 * np.sin(np.pi * np.arange(50) / 64))
    assert not marks(raw, 128).any()


def test_no_sample_has_no_flag() -> None:
    assert sample_flags(np.zeros(0, np.int16), channel(), samples_per_cycle=128.0) is None


def test_a_lost_voltage_stays_an_event_in_a_record_of_any_length() -> None:
    # Derived: three counts are as much zero an hour into an interruption as at its begin, when the wave was still seen.
    n_lost = 3 << 19  # several stretches of the meter
    wave = np.rint(8000 * np.sin(2 * np.pi * np.arange(12800) / 256)).astype(np.int16)
    lost = np.full(n_lost, 3, np.int16)
    meter = HalfCycleMeter([channel(scale=0.05)], rate_hz=12800.0, nominal_hz=50.0)
    for piece in (wave, lost, wave):
        meter.push(piece[None])
    series = meter.finish()
    assert not series.flags.any()
    assert abs(float(series.u_half[0, series.n // 2]) - 3 * 0.05) < 1e-6


# --- missing


def test_the_missing_code_is_marked_and_nothing_else() -> None:
    raw = np.rint(sine(128, amplitude=12000)).astype(np.int16)
    gone = np.zeros(raw.size, bool)
    gone[[5, 700]] = True
    gone[300:340] = True
    raw[gone] = -32768
    assert np.array_equal(marks(raw, 128, missing_code=-32768), np.where(gone, MISSING, 0))


def test_a_missing_code_within_the_range_of_the_samples_is_marked() -> None:
    raw = np.rint(sine(128, amplitude=12000)).astype(np.int32)
    raw[400:410] = 99999
    assert np.array_equal(np.flatnonzero(marks(raw, 128, missing_code=99999)), np.arange(400, 410))


def test_a_code_that_does_not_occur_marks_nothing() -> None:
    raw = np.rint(sine(128, amplitude=12000)).astype(np.int16)
    assert sample_flags(raw, channel(missing_code=-32768), samples_per_cycle=128.0) is None
    assert sample_flags(raw, channel(missing_code=32767), samples_per_cycle=128.0) is None


def test_samples_that_are_no_number_are_missing() -> None:
    raw = sine(128, amplitude=325.0).astype(np.float32)
    raw[[3, 900]] = np.nan
    raw[1000], raw[1100] = np.inf, -np.inf
    assert np.array_equal(np.flatnonzero(marks(raw, 128) == MISSING), [3, 900, 1000, 1100])


@pytest.mark.parametrize("raw", [np.full(2560, np.nan, np.float32), np.full(2560, -32768, np.int16)])
def test_a_record_without_any_sample_is_missing_throughout(raw: Samples) -> None:
    assert (marks(raw, 128, missing_code=-32768) == MISSING).all()


def test_missing_samples_are_not_clipped_or_stuck_besides_and_hide_neither() -> None:
    raw = np.rint(sine(128, amplitude=30000)).clip(-20000, 20000).astype(np.int16)
    raw[700:900] = -32768
    found = marks(raw, 128, missing_code=-32768)
    assert (found[700:900] == MISSING).all()
    at_rail = np.abs(raw.astype(int)) == 20000
    assert (found[at_rail] == CLIPPED).all()


# --- clipped


@pytest.mark.parametrize("sides", [(-1,), (1,), (-1, 1)])
def test_samples_at_a_stated_rail_are_clipped(sides: tuple[int, ...]) -> None:
    wave = np.rint(sine(128, amplitude=3000))
    raw = wave.clip(-2047 if -1 in sides else None, 2047 if 1 in sides else None).astype(np.int16)
    rails = {"rail_low": -2047 if -1 in sides else -4000, "rail_high": 2047 if 1 in sides else 4000}
    found = marks(raw, 128, **rails)
    expected = np.zeros(raw.size, bool)
    for side in sides:
        expected |= raw * side == 2047
    inner = slice(128, -128)  # a run that is cut by an end may be too short to tell
    assert np.array_equal((found == CLIPPED)[inner], expected[inner])


@pytest.mark.parametrize("kind", [np.int16, np.int32])
def test_the_end_of_the_sample_type_is_a_rail_that_needs_no_word(kind: type[Any]) -> None:
    info = np.iinfo(kind)
    raw = np.clip(sine(64, amplitude=1.5 * info.max), info.min, info.max).astype(kind)
    found = marks(raw, 64, scale=0.01)  # a volt a count would be more than any voltage
    assert (found[(raw == info.max) | (raw == info.min)] == CLIPPED).mean() > 0.95
    assert not found[np.abs(raw.astype(float)) < 0.99 * info.max].any()


@pytest.mark.slow
@settings(max_examples=400)
@given(
    bits=st.integers(9, 16),
    level=st.floats(0.5, 0.88),
    per_cycle=st.sampled_from([64, 80, 128, 256, 512, 1024]),
    pace=st.sampled_from([1.0, 0.9873, 1.0041]),
    noise=st.sampled_from([0.0, 0.001]),
    coding=st.sampled_from([*CODINGS, "not quantised"]),
)
def test_peaks_that_were_cut_off_below_any_stated_rail_are_found(
    bits: int, level: float, per_cycle: int, pace: float, noise: float, coding: str
) -> None:
    # Derived: cut at 0.88 of its peak, a sine is at the cut for 16 % of the time, and falls by a third of its height in
    # half that time beyond it: over 20 counts at 9 bits and more. Noise may hide the first and last samples of a cut.
    wave = sine(per_cycle, pace=pace) + noise * np.random.default_rng(bits).standard_normal(12 * per_cycle)
    cut = wave.clip(-level, level)
    full_scale = 0.9 * (2 ** (bits - 1) - 1) / level
    raw, more = (325 * cut).astype(np.float32), {}
    if coding != "not quantised":
        raw, more = coded(np.rint(full_scale * cut), coding, bits)
    found = marks(raw, per_cycle, **more) == CLIPPED
    was_cut = np.abs(wave) > level
    assert found[was_cut].mean() > 0.75
    assert not found[np.abs(wave) < level - 0.02].any()


# --- stuck


@pytest.mark.parametrize("coding", CODINGS)
def test_an_input_that_is_stuck_off_its_zero_is_flat(coding: str) -> None:
    counts = np.rint(sine(128, amplitude=1500))
    counts[500:600] = 700
    raw, more = coded(counts, coding, 12)
    found = marks(raw, 128, **more)
    assert (found[501:600] == FLAT).all()
    assert not found[:499].any()
    assert not found[601:].any()


def test_a_value_held_for_less_than_a_quarter_cycle_is_not_flat() -> None:
    raw = np.rint(sine(128, amplitude=1500)).astype(np.int16)
    raw[500:528] = 700
    assert not marks(raw, 128).any()


def test_a_stuck_input_in_a_record_with_a_known_peak_is_told_from_a_lost_voltage() -> None:
    # Flat within 5 % of the peak that the channel has had is a lost voltage, flat beyond it a stuck input.
    for level, flat in ((40, False), (400, True)):
        raw = np.full(4000, level, np.int16)
        found = sample_flags(raw, channel(), samples_per_cycle=128.0, peak=2000.0)
        assert (found is not None) == flat


def test_each_mark_has_a_word_of_its_own_and_a_bit_of_its_own() -> None:
    assert set(FLAG_WORDS) == {MISSING, CLIPPED, FLAT}
    assert len(set(FLAG_WORDS.values())) == 3
    assert all(math.log2(bit).is_integer() for bit in FLAG_WORDS)
    assert sum(FLAG_WORDS) == MISSING | CLIPPED | FLAT


def test_windows_carry_the_marks_of_the_samples_in_them() -> None:
    wave = np.rint(sine(128, 30, amplitude=3000))
    raw = wave.copy()
    raw[1000:1100] = 900
    meter = HalfCycleMeter([channel()], rate_hz=6400.0, nominal_hz=50.0)
    meter.push(raw.astype(np.int16)[None])
    series = meter.finish()
    touches = (series.starts[0] < 1099) & (series.starts[0] + 128 > 1001)
    assert ((series.flags[0] & FLAT) != 0)[touches].all()
    assert not series.flags[0][(series.starts[0] > 1101) | (series.starts[0] + 128 < 999)].any()
