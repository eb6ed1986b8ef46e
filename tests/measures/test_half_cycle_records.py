"""The half-cycle series of a record: in one piece or in many, long or short, and what is refused."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import numpy.typing as npt
import pytest
from twins.twin_waveforms import Component, Stage, three_phase

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures import half_cycle
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from halfcycle.pipeline.measures.half_cycle_arrays import half_cycle_rms, measure_half_cycles
from halfcycle.pipeline.measures.quality import MISSING

RATE_HZ = 1600.0
MINUTES = 8
SOURCE_SPLIT = "derived: where a file ends is no property of the voltage, so it must not change a single value"


def channels(n: int, **more: object) -> list[Channel]:
    return [Channel(f"U{i}", "voltage", "", "V", **more) for i in range(n)]  # type: ignore[arg-type]


def long_record(kind: str) -> npt.NDArray[np.generic]:
    """Eight minutes, longer than one stretch of the meter, with events, noise and some missing samples."""
    length_s = 60.0 * MINUTES
    stages = [
        Stage(30.0, 0.3, (0.5, 1.0, 1.0), (20.0, 0.0, 0.0)),
        Stage(100.0, 40.0, (0.0, 0.0, 0.0)),
        Stage(325.0, 6.0, (0.0, 0.0, 0.0)),  # around the place where the first stretch ends
        Stage(340.0, 0.2, (1.2, 1.2, 1.0)),
    ]
    u, _ = three_phase(
        rate_hz=RATE_HZ,
        length_s=length_s,
        f_hz=49.97,
        drift_hz_per_s=1e-4,
        stages=stages,
        components=[Component(5, 0.03)],
        noise_pu=2e-3,
        seed=7,
    )
    if kind == "float32":
        volts = (230.0 * u).astype(np.float32)
        volts[1, 50_000:50_100] = np.nan
        return volts
    counts = np.rint(9000.0 * u).astype(np.int16)
    counts[1, 50_000:50_100] = -32768
    return counts


def in_pieces(samples: npt.NDArray[np.generic], cuts: list[int]) -> HalfCycles:
    code = -32768 if samples.dtype == np.int16 else None
    meter = HalfCycleMeter(channels(samples.shape[0], missing_code=code), rate_hz=RATE_HZ, nominal_hz=50.0)
    for piece in np.split(samples, cuts, axis=1):
        meter.push(piece)
    return meter.finish()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["float32", "int16"])
def test_a_record_gives_identical_values_in_one_piece_in_seven_and_in_a_hundred(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE_SPLIT. Identical, not close: event ids hang on the last digit of a start.
    monkeypatch.setattr(half_cycle, "STRETCH_SAMPLES", 1 << 19)  # so that eight minutes have a second one
    samples = long_record(kind)
    assert samples.shape[1] > half_cycle.STRETCH_SAMPLES
    rng = np.random.default_rng(3)
    whole = in_pieces(samples, [])
    for n in (7, 100):
        cuts = sorted(rng.integers(0, samples.shape[1], n - 1).tolist())
        parts = in_pieces(samples, cuts)
        for field in fields(HalfCycles):
            a, b = getattr(whole, field.name), getattr(parts, field.name)
            assert np.array_equal(a, b), field.name
    assert (whole.flags[1] & MISSING).any()
    assert not whole.flags[[0, 2]].any()


def test_pieces_of_one_sample_and_empty_ones_change_nothing() -> None:
    # SOURCE_SPLIT.
    samples = long_record("int16")[:, :1000]
    whole = in_pieces(samples, [])
    parts = in_pieces(samples, [0, 1, 2, 3, 3, 500, 999])
    assert whole.n == 2 * 31 - 2
    assert np.array_equal(whole.u_half, parts.u_half)
    assert np.array_equal(whole.starts, parts.starts)


@pytest.mark.slow
def test_half_cycles_follow_one_another_evenly_over_all_stretches_of_a_record() -> None:
    # IEC 61000-4-30, 5.4: a new value each half cycle, and also where there are no crossings to follow. Only at the
    # edges of an event may the windows slip.
    whole = in_pieces(long_record("float32"), [])
    half = RATE_HZ / whole.frequency_hz.astype(np.float64) / 2
    steps = np.diff(whole.starts, axis=1) / half[1:]
    t_s = whole.starts[0, 1:] / RATE_HZ
    edges_s = (30.0, 30.3, 31.2, 100.0, 140.0, 325.0, 331.0, 340.0, 340.2)
    calm = ~np.any([np.abs(t_s - edge_s) < 0.4 for edge_s in edges_s], axis=0)
    assert np.abs(steps[:, calm] - 1).max() < 0.02
    expected = 2 * (49.97 + 1e-4 * 30 * MINUTES) * 60 * MINUTES
    assert abs(whole.n - expected) < 4
    assert 0.8 < steps.min() < steps.max() < 1.2


@pytest.mark.slow
def test_how_long_the_stretches_are_leaves_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE_SPLIT, for the meter's own cuts: what a stretch takes over from the one before is all it needs. Float32
    # sums, which processors order differently, leave a thousandth of a sample, and by that 1e-5 of a value.
    samples = long_record("float32")
    usual = in_pieces(samples, [])
    monkeypatch.setattr(half_cycle, "STRETCH_SAMPLES", 1)
    shortest = in_pieces(samples, [])
    assert shortest.n == usual.n
    assert np.abs(shortest.starts - usual.starts).max() < 1e-3
    assert np.abs(shortest.frequency_hz - usual.frequency_hz).max() < 2e-5
    assert np.abs(shortest.u_half - usual.u_half).max() < 1e-5 * 230.0
    assert np.array_equal(shortest.flags, usual.flags)


@pytest.mark.long
def test_no_half_cycle_is_lost_or_counted_twice_where_stretches_meet(monkeypatch: pytest.MonkeyPatch) -> None:
    # Derived: n cycles hold 2 n half cycles. With the crossings just where stretches meet (half a hop off the samples)
    # and a trace of noise, each stretch sees the crossing at its edge a hair earlier or later than the next one.
    monkeypatch.setattr(half_cycle, "STRETCH_SAMPLES", 1)  # the shortest stretches that there can be
    n = round(RATE_HZ * 600)
    rng = np.random.default_rng(1)
    crossing = np.sin(2 * np.pi * 50.0 / RATE_HZ * (np.arange(n) - 15.5))
    for noise in (0.0, 1e-6, 1e-6, 1e-6, 1e-6, 1e-5):
        u = (325.0 * (crossing + noise * rng.standard_normal(n))).astype(np.float32)
        series = measure_half_cycles(u, rate_hz=RATE_HZ, nominal_frequency_hz=50.0)
        np.testing.assert_allclose(np.diff(series.starts[0]), 16.0, atol=0.1)


@pytest.mark.parametrize(("nominal_hz", "f_hz"), [(50.0, 50.0), (50.0, 49.6), (60.0, 60.0), (60.0, 60.5)])
@pytest.mark.parametrize("n_cycles", [1, 2, 3, 5])
def test_a_short_record_has_the_windows_that_fit_and_their_rms(nominal_hz: float, f_hz: float, n_cycles: int) -> None:
    # Derived: n cycles hold at most 2 n - 1 windows. Under about four cycles the frequency cannot be told from the
    # nominal one; a window too long by a share d of a cycle reads off by d / 2 at most, plus terms in d squared.
    rate_hz = 128 * nominal_hz
    for phase_deg in (0.0, 77.0, 140.0):
        u, _ = three_phase(rate_hz=rate_hz, length_s=n_cycles / f_hz, f_hz=f_hz, phase_deg=phase_deg)
        series = measure_half_cycles(u, rate_hz=rate_hz, nominal_frequency_hz=nominal_hz)
        assert 2 * n_cycles - 3 <= series.n <= 2 * n_cycles - 1
        off = abs(f_hz / nominal_hz - 1) if n_cycles < 5 else 0.0
        assert np.abs(series.u_half - 1).max(initial=0.0) < off * 0.55 + 1e-4
        assert series.starts.min(initial=0.0) >= 0
        if series.n:
            assert (series.starts[:, -1] + rate_hz / f_hz).max() < u.shape[1] + off * rate_hz / f_hz


@pytest.mark.parametrize("n_samples", [0, 1, 2, 3, 7, 8, 9, 63, 127])
@pytest.mark.parametrize("n_channels", [1, 2, 3])
def test_under_one_cycle_there_is_no_half_cycle(n_samples: int, n_channels: int) -> None:
    # The contract of half_cycle_rms: always this shape, zero columns if under one cycle.
    u = np.ones((n_channels, n_samples))
    assert half_cycle_rms(u, rate_hz=6400.0, nominal_frequency_hz=50.0).shape == (n_channels, 0)
    series = measure_half_cycles(u, rate_hz=6400.0, nominal_frequency_hz=50.0)
    assert series.starts.shape == series.flags.shape == (n_channels, 0)
    assert series.frequency_hz.shape == series.tracked.shape == (0,)


def test_nothing_pushed_gives_an_empty_series() -> None:
    series = HalfCycleMeter(channels(2), rate_hz=6400.0, nominal_hz=50.0).finish()
    assert series.u_half.shape == (2, 0)
    assert series.n == 0


def test_one_row_may_be_given_without_its_axis() -> None:
    # numpy's own broadcasting of a row: the same values either way.
    u, _ = three_phase(rate_hz=6400.0, length_s=0.4, f_hz=50.0, phase_deg=30.0)
    flat = half_cycle_rms(u[0], rate_hz=6400.0, nominal_frequency_hz=50.0)
    assert flat.shape[0] == 1
    assert np.array_equal(flat, half_cycle_rms(u[:1], rate_hz=6400.0, nominal_frequency_hz=50.0))
    assert flat.dtype == np.float64


def test_without_a_nominal_frequency_it_is_told_from_the_samples() -> None:
    for f_hz, nominal_hz in ((49.7, 50.0), (60.2, 60.0)):
        u, _ = three_phase(rate_hz=6400.0, length_s=0.6, f_hz=f_hz)
        series = measure_half_cycles(u, rate_hz=6400.0)
        assert series.nominal_hz == nominal_hz
        given = measure_half_cycles(u, rate_hz=6400.0, nominal_frequency_hz=nominal_hz)
        assert np.array_equal(series.u_half, given.u_half)


def test_samples_are_not_changed() -> None:
    samples = long_record("int16")[:, :5000].copy()
    before = samples.copy()
    in_pieces(samples, [1000])
    assert np.array_equal(samples, before)


REFUSED = {
    "three dimensions": ({"u": np.zeros((2, 2, 50)), "nominal_frequency_hz": 50.0}, "1-D or 2-D"),
    "not finite": ({"u": [0.0, 1.0, np.nan], "nominal_frequency_hz": 50.0}, "finite"),
    "infinite": ({"u": [0.0, np.inf], "nominal_frequency_hz": 50.0}, "finite"),
    "under 8 samples a cycle": ({"u": np.zeros(100), "nominal_frequency_hz": 401.0}, "per cycle"),
    "no frequency to be told": ({"u": np.zeros(1000)}, "nominal frequency"),
    "too short to tell the frequency": ({"u": np.zeros(100)}, "less than two cycles"),
    "frequency of zero": ({"u": np.zeros(100), "nominal_frequency_hz": 0.0}, "above zero"),
    "frequency below zero": ({"u": np.zeros(100), "nominal_frequency_hz": -50.0}, "above zero"),
    "falling crossings": ({"u": np.zeros(100), "crossings": [1.0, 50.0, 30.0]}, "rise"),
    "crossings beyond the end": ({"u": np.zeros(100), "crossings": [1.0, 50.0, 99.5]}, "within"),
    "crossings before the start": ({"u": np.zeros(100), "crossings": [-0.5, 50.0, 99.0]}, "within"),
    "crossings that are no number": ({"u": np.zeros(100), "crossings": [1.0, np.nan, 99.0]}, "rise"),
    "crossings too close": ({"u": np.zeros(100), "crossings": [1.0, 4.0, 8.9]}, "8 samples per cycle"),
    "crossings of other channels": ({"u": np.zeros((3, 100)), "crossings": np.ones((2, 3))}, "shape"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_measured_is_refused_in_words(name: str) -> None:
    arguments, words = REFUSED[name]
    with pytest.raises(SignalError, match=words):
        half_cycle_rms(rate_hz=3200.0, **arguments)  # type: ignore[arg-type]


def test_under_three_crossings_leave_no_window() -> None:
    assert half_cycle_rms(np.zeros((2, 100)), rate_hz=3200.0, crossings=[1.0, 50.0]).shape == (2, 0)


def test_a_meter_refuses_no_channel_and_samples_of_another_shape() -> None:
    with pytest.raises(SignalError, match="no channel"):
        HalfCycleMeter([], rate_hz=3200.0, nominal_hz=50.0)
    meter = HalfCycleMeter(channels(3), rate_hz=3200.0, nominal_hz=50.0)
    for shape in ((2, 10), (4, 10), (30,), (3, 2, 5)):
        with pytest.raises(SignalError, match="shape"):
            meter.push(np.zeros(shape, np.int16))
    with pytest.raises(SignalError, match="per cycle"):
        HalfCycleMeter(channels(1), rate_hz=399.0, nominal_hz=50.0)
    HalfCycleMeter(channels(1), rate_hz=400.0, nominal_hz=50.0)  # eight are enough


def test_missing_samples_mark_the_windows_that_hold_them_and_no_others() -> None:
    # Derived: a window marked is one that overlaps [first, last] of the missing samples, each seen by itself.
    u, _ = three_phase(rate_hz=6400.0, length_s=1.0, f_hz=50.0, phase_deg=15.0)
    u[1, 3000:3007] = np.nan
    series = measure_half_cycles(u, rate_hz=6400.0, nominal_frequency_hz=50.0)
    cycle = 6400.0 / series.frequency_hz
    holds = (series.starts < 3006) & (series.starts + cycle > 3000)
    assert (series.flags[1][holds[1]] == MISSING).all()
    clear = (series.starts[1] > 3007) | (series.starts[1] + cycle < 2999)
    assert not series.flags[1][clear].any()
    assert not series.flags[[0, 2]].any()
    assert np.abs(series.u_half[1][clear] - 1).max() < 2e-4


def test_missing_samples_of_a_channel_whose_offset_is_beyond_its_counts_are_marked_too() -> None:
    # The zero of such a channel (here at -100,000 counts) is no value that its sample type holds.
    raw = np.rint(3000 * np.sin(2 * np.pi * np.arange(2560) / 128)).astype(np.int16)[None].copy()
    raw[0, 900:950] = -32768
    channel = Channel("U", "voltage", "A", "V", scale=0.001, offset=100.0, missing_code=-32768)
    meter = HalfCycleMeter([channel], rate_hz=6400.0, nominal_hz=50.0)
    meter.push(raw)
    assert (meter.finish().flags & MISSING).any()
