"""Spectra of synchronised windows against closed forms, the standard's grouping written out, and NumPy's transform.

A sum of sines is known in every line of its spectrum, so most expected numbers are the parameters themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle import HalfCycles
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.spectra import (
    MARGIN_SAMPLES,
    Spectra,
    synchronised_spectra,
    total_harmonic_distortion,
    windows_of,
)

F64 = npt.NDArray[np.float64]

SOURCE_CLASS_1 = (
    "IEC 61000-4-7:2002, Table 1, class I, voltage (from memory): 5 % of the value from 1 % of nominal on, below it "
    "0.05 % of nominal"
)
SOURCE_GROUPS = (
    "IEC 61000-4-7:2002 + A1:2008, 5.5 (from memory; harmonic subgroups found in public pages): which lines of the "
    "10/12-cycle transform make a group and a subgroup"
)
SOURCE_WAVES = "derived: Fourier series; THD of a square wave sqrt(pi²/8 - 1), of a triangle sqrt(pi⁴/96 - 1)"
SOURCE_CONVERTERS = "derived: THD = sqrt(sum Xh²) / X1 of the orders listed, worked out by hand calculation in decimals"

UNIT_V = 230.0
PHASE = 0.7  # of the fundamental at sample 0 [rad]
MOST_HARMONIC_ERROR = 1e-2  # of the value, up to 0.45 of the rate; below 0.35 of it the module states 3e-4
ELSEWHERE = 3e-5  # of the largest value: what the module lets of it into other lines
FLOAT32 = 2e-6


def wave(
    *,
    rate_hz: float,
    hertz: float,
    duration_s: float,
    harmonics: Mapping[int, tuple[float, float]] = {},
    tones: Mapping[float, float] = {},
    dc_pu: float = 0.0,
    noise_pu: float = 0.0,
    seed: int = 0,
) -> F64:
    """Fundamental of `UNIT_V`; harmonics by order as (pu, degrees), tones by frequency in pu; all RMS. [V]"""
    t = np.arange(round(rate_hz * duration_s)) / rate_hz
    theta = 2 * np.pi * hertz * t + PHASE
    u = np.sin(theta)
    for order, (size, angle_deg) in harmonics.items():
        u += size * np.sin(order * theta + np.radians(angle_deg))
    for tone_hz, size in tones.items():
        u += size * np.sin(2 * np.pi * tone_hz * t + 1.0)
    noise = noise_pu * np.random.default_rng(seed).standard_normal(t.size)
    u_v: F64 = UNIT_V * (np.sqrt(2) * u + dc_pu + noise)
    return u_v


def spectra_of(u: F64, *, rate_hz: float, hertz: float, n_cycles: int, first: float = 6.37, **options: Any) -> Spectra:
    """Spectra of as many windows as there is room for."""
    length = n_cycles * rate_hz / hertz
    n = int((np.atleast_2d(u).shape[1] - MARGIN_SAMPLES - first) // length)
    starts = first + length * np.arange(n)
    return synchronised_spectra(
        u, rate_hz=rate_hz, starts=starts, lengths=np.full(n, length), n_cycles=n_cycles, **options
    )


@pytest.mark.slow
@pytest.mark.parametrize(("nominal_hz", "n_cycles"), [(50.0, 10), (60.0, 12)])
@pytest.mark.parametrize("samples_per_cycle", [64, 128, 256, 600])
@pytest.mark.parametrize("deviation", [-0.15, -0.012, 0.0003, 0.0, 0.01, 0.15])
def test_harmonics_are_within_class_1_and_far_within_it_at_any_frequency(
    nominal_hz: float, n_cycles: int, samples_per_cycle: int, deviation: float
) -> None:
    """SOURCE_CLASS_1; frequency range of EN 50160 for islands, 42.5 to 57.5 Hz (from memory)."""
    rate_hz, hertz = nominal_hz * samples_per_cycle, nominal_hz * (1 + deviation)
    n_orders = min(50, int(0.46 * samples_per_cycle / 1.15))
    harmonics = {h: (0.05 / h if h % 3 else 0.002, float((37 * h) % 360 - 180)) for h in range(2, n_orders + 1)}
    u = wave(rate_hz=rate_hz, hertz=hertz, duration_s=1.0, harmonics=harmonics)
    found = spectra_of(u, rate_hz=rate_hz, hertz=hertz, n_cycles=n_cycles)
    assert found.harmonics.shape == (1, found.starts.size, n_orders)
    truth = UNIT_V * np.array([1.0, *(size for size, _ in harmonics.values())])
    error = np.abs(found.harmonics[0] - truth)
    large = truth >= 0.01 * UNIT_V
    assert (error[:, large] <= 0.05 * truth[large]).all()
    assert (error[:, ~large] <= 0.0005 * UNIT_V).all()
    # The module's own claim: relative error, and what is left over from the fundamental in other lines.
    assert (error <= MOST_HARMONIC_ERROR * truth + ELSEWHERE * UNIT_V).all()
    low = np.arange(1, n_orders + 1) < 0.35 * rate_hz / hertz
    assert (error[:, low] <= 3e-4 * truth[low] + ELSEWHERE * UNIT_V).all()


@pytest.mark.parametrize("hertz", [42.5, 49.93, 50.0, 57.5])
def test_angles_are_those_at_the_fundamentals_rising_crossing_wherever_the_window_begins(hertz: float) -> None:
    """Expected: the parameter."""
    harmonics = {2: (0.02, 15.0), 3: (0.05, 180.0), 5: (0.04, -120.0), 25: (0.02, 77.0), 49: (0.01, -33.0)}
    u = wave(rate_hz=12800.0, hertz=hertz, duration_s=1.2, harmonics=harmonics)
    for first in (5.0, 71.4, 333.3):
        found = spectra_of(u, rate_hz=12800.0, hertz=hertz, n_cycles=10, first=first)
        assert np.abs(found.angles_deg[..., 0]).max() < 1e-6
        for order, (_, angle_deg) in harmonics.items():
            off = (found.angles_deg[0, :, order - 1] - angle_deg + 180.0) % 360.0 - 180.0
            # What the fundamental lets into the line of a harmonic of 1 % turns it by so much at most.
        assert np.abs(off).max() < np.degrees(ELSEWHERE / 0.01)


def groups_by_definition(u: F64, n: int, n_orders: int) -> dict[str, F64]:
    """The standard's sums, line by line, over one window that is a whole number of samples long."""
    lines = np.abs(np.fft.rfft(u)) / u.size * np.sqrt(2)
    lines[0] /= np.sqrt(2)
    half = n // 2
    sums: dict[str, list[float]] = {"groups": [], "subgroups": [], "gaps": [], "centred gaps": []}
    for h in range(1, n_orders + 1):
        k = n * h
        inner = sum(lines[k + i] ** 2 for i in range(1 - half, half))
        sums["groups"].append(np.sqrt(lines[k - half] ** 2 / 2 + inner + lines[k + half] ** 2 / 2))
        sums["subgroups"].append(np.sqrt(sum(lines[k + i] ** 2 for i in (-1, 0, 1))))
    for h in range(n_orders):
        sums["gaps"].append(np.sqrt(sum(lines[n * h + i] ** 2 for i in range(1, n))))
        sums["centred gaps"].append(np.sqrt(sum(lines[n * h + i] ** 2 for i in range(2, n - 1))))
    return {name: np.array(values) for name, values in sums.items()}


@pytest.mark.parametrize("n_cycles", [10, 12])
@pytest.mark.parametrize("stretched", [1.0, 1.0113])
def test_groups_and_subgroups_are_the_sums_that_the_standard_names(n_cycles: int, stretched: float) -> None:
    """SOURCE_GROUPS, with something in every line; NumPy's transform gives the lines from samples that fit."""
    rng = np.random.default_rng(n_cycles)
    n, length = 128 * n_cycles, 128 * n_cycles * stretched
    k = np.arange(1, 45 * n_cycles)
    sizes, angles = rng.uniform(0.0, 1.0, k.size), rng.uniform(0.0, 2 * np.pi, k.size)
    sizes[n_cycles - 1] = 50.0

    def sampled(turns: npt.NDArray[Any]) -> F64:
        return np.asarray(np.sin(2 * np.pi * turns[:, None] * k + angles) @ sizes + 3.0, np.float64)

    truth = groups_by_definition(sampled(np.arange(n) / n), n_cycles, 40)
    u = sampled((np.arange(round(length) + 40) - 12.3) / length)
    names: list[tuple[Literal["subgroups", "groups"], str, str]]
    names = [("subgroups", "subgroups", "centred gaps"), ("groups", "groups", "gaps")]
    for grouping, of_harmonics, of_gaps in names:
        found = synchronised_spectra(
            u, rate_hz=128 * 5.0 * n_cycles, starts=[12.3], lengths=[length], n_cycles=n_cycles, grouping=grouping,
            highest_order=40,
        )  # fmt: skip
        assert found.harmonics[0, 0] == pytest.approx(truth[of_harmonics], rel=1e-3)
        assert found.interharmonics[0, 0] == pytest.approx(truth[of_gaps], rel=1e-3)
        assert found.dc[0, 0] == pytest.approx(3.0, rel=1e-4)


@pytest.mark.parametrize("hertz", [47.0, 50.0, 53.0])
@pytest.mark.parametrize("gap", [0, 1, 7, 31])
def test_an_interharmonic_is_in_its_gap_and_in_no_other(hertz: float, gap: int) -> None:
    """Expected: the parameter; the tone lies on a line of the transform, so none of it leaks."""
    tone_hz = hertz * (gap + 0.6)
    u = wave(rate_hz=12800.0, hertz=hertz, duration_s=0.6, tones={tone_hz: 0.03})
    found = spectra_of(u, rate_hz=12800.0, hertz=hertz, n_cycles=10)
    others = np.delete(found.interharmonics[0], gap, axis=1)
    assert found.interharmonics[0, :, gap] == pytest.approx(0.03 * UNIT_V, rel=1e-3)
    assert others.max() < ELSEWHERE * UNIT_V
    assert found.harmonics[0, :, 1:].max() < ELSEWHERE * UNIT_V


@given(
    hertz=st.floats(42.5, 57.5),
    first=st.floats(5.0, 300.0),
    sizes=st.lists(st.floats(0.0, 0.1), min_size=5, max_size=5),
    dc_pu=st.floats(-0.05, 0.05),
    tone_orders=st.floats(0.3, 30.0),
)
def test_squares_of_all_parts_add_up_to_the_mean_square(
    hertz: float, first: float, sizes: list[float], dc_pu: float, tone_orders: float
) -> None:
    """Parseval, against the closed form of the mean square of the sum of sines, the tone on a line."""
    lines = round(10 * tone_orders)
    on_harmonic = lines % 10 == 0
    harmonics = {h: (size, 30.0 * h) for h, size in zip((2, 3, 5, 7, 11), sizes, strict=True)}
    tones = {} if on_harmonic else {hertz * lines / 10: 0.02}
    u = wave(rate_hz=6400.0, hertz=hertz, duration_s=0.35, harmonics=harmonics, tones=tones, dc_pu=dc_pu)
    found = synchronised_spectra(
        u, rate_hz=6400.0, starts=[first], lengths=[10 * 6400.0 / hertz], n_cycles=10, highest_order=40
    )
    square = UNIT_V**2 * (1 + sum(size**2 for size in sizes) + dc_pu**2 + (0.0 if on_harmonic else 0.02**2))
    assert float(found.rms[0, 0]) ** 2 == pytest.approx(square, rel=2 * ELSEWHERE)
    # All lines but the first are in one subgroup each, and here none lies above the last.
    parts = (found.harmonics.astype(np.float64) ** 2).sum() + (found.interharmonics.astype(np.float64) ** 2).sum()
    first_line = 0.0 if lines != 1 else (0.02 * UNIT_V) ** 2
    assert parts + float(found.dc[0, 0]) ** 2 + first_line == pytest.approx(square, rel=2 * ELSEWHERE)


@pytest.mark.parametrize("hertz", [49.2, 50.0, 50.8])
def test_the_mean_is_that_of_whole_cycles(hertz: float) -> None:
    """Expected: the parameter."""
    u = wave(rate_hz=10000.0, hertz=hertz, duration_s=1.0, harmonics={2: (0.05, 40.0), 3: (0.05, 0.0)}, dc_pu=-0.004)
    found = spectra_of(u, rate_hz=10000.0, hertz=hertz, n_cycles=10)
    assert found.dc == pytest.approx(np.full_like(found.dc, -0.004 * UNIT_V), abs=FLOAT32 * UNIT_V)


@pytest.mark.parametrize(
    ("orders", "expected_pct"),
    [
        ({3: 0.33, 5: 0.20, 7: 0.14, 9: 0.11, 11: 0.09, 13: 0.08}, 44.17),
        ({h: 1 / h for h in (5, 7, 11, 13, 17, 19, 23, 25)}, 29.04),
        ({5: 0.20, 7: 0.12, 11: 0.07, 13: 0.05}, 24.86),
    ],
)
def test_total_distortion_of_worked_spectra(orders: dict[int, float], expected_pct: float) -> None:
    """SOURCE_CONVERTERS; two decimals."""
    spectrum = np.zeros(50)
    spectrum[0] = 7.0
    for order, share in orders.items():
        spectrum[order - 1] = 7.0 * share
    assert 100 * total_harmonic_distortion(spectrum) == pytest.approx(expected_pct, abs=5e-3)


def test_total_distortion_of_square_and_triangle_waves() -> None:
    """SOURCE_WAVES; the series' rest beyond order 20001 is 1/40000 of the fundamental's square."""
    orders = np.arange(1, 20002)
    odd = orders % 2 == 1
    square, triangle = np.where(odd, 1.0 / orders, 0.0), np.where(odd, 1.0 / orders**2, 0.0)
    assert total_harmonic_distortion(square, highest_order=20001) == pytest.approx(np.sqrt(np.pi**2 / 8 - 1), abs=3e-5)
    assert total_harmonic_distortion(triangle, highest_order=20001) == pytest.approx(
        np.sqrt(np.pi**4 / 96 - 1), abs=1e-9
    )


def test_orders_beyond_the_highest_do_not_count() -> None:
    """Expected: the definition, H = 40 or 50."""
    spectrum = np.zeros(50)
    spectrum[[0, 2, 44]] = 1.0, 0.03, 0.04
    assert total_harmonic_distortion(spectrum) == pytest.approx(0.03)
    assert total_harmonic_distortion(spectrum, highest_order=50) == pytest.approx(0.05)


def test_distortion_without_a_fundamental_is_infinite_and_of_nothing_none() -> None:
    """Expected: the module's own convention."""
    assert total_harmonic_distortion([[0.0, 1.0], [0.0, 0.0]]).tolist() == [np.inf, 0.0]


@pytest.mark.parametrize("samples_per_cycle", [64, 128, 256])
@pytest.mark.parametrize("snr_db", [20.0, 40.0])
def test_white_noise_comes_out_at_its_rms_whatever_harmonics_and_tones_there_are(
    samples_per_cycle: int, snr_db: float
) -> None:
    """Expected: the parameter. The mean over 40 windows of some 450 independent lines at least is good to 1 %."""
    rate_hz, noise_pu = 50.0 * samples_per_cycle, 10 ** (-snr_db / 20)
    u = wave(
        rate_hz=rate_hz, hertz=50.1, duration_s=8.2, noise_pu=noise_pu, tones={123.0: 0.03, 770.0: 0.02},
        harmonics={3: (0.03, 0.0), 5: (0.05, 0.0), 7: (0.03, 0.0)},
    )  # fmt: skip
    found = spectra_of(u, rate_hz=rate_hz, hertz=50.1, n_cycles=10)
    assert float(np.sqrt((found.noise.astype(np.float64) ** 2).mean())) == pytest.approx(noise_pu * UNIT_V, rel=0.04)
    # In one of the three lines of a harmonic, and in the mean of many windows nothing of the noise is left above it.
    line = noise_pu * UNIT_V * np.sqrt(2 / (samples_per_cycle * 10))
    assert float(np.sqrt((found.floor.astype(np.float64) ** 2).mean())) == pytest.approx(line, rel=0.04)
    assert found.harmonics_above_noise()[..., 9:13].mean() < 0.6 * found.harmonics[..., 9:13].mean()
    assert found.harmonics_above_noise()[..., 4] == pytest.approx(found.harmonics[..., 4], rel=0.05)


def test_noise_of_half_the_band_is_measured_where_it_is() -> None:
    """Expected: the parameter; white noise through a low-pass filter at a quarter of the rate."""
    from scipy.signal import butter, sosfilt

    rate_hz = 12800.0
    noise = np.random.default_rng(3).standard_normal(round(8.5 * rate_hz))
    low = sosfilt(butter(12, 0.5, output="sos"), noise)
    u = wave(rate_hz=rate_hz, hertz=50.0, duration_s=8.5) + 2.0 * low / low.std()
    found = spectra_of(u, rate_hz=rate_hz, hertz=50.0, n_cycles=10)
    assert float(np.sqrt((found.noise.astype(np.float64) ** 2).mean())) == pytest.approx(2.0, rel=0.04)


@pytest.mark.slow
@given(scale=st.floats(1e-3, 1e3), order=st.permutations([0, 1, 2]))
def test_spectra_scale_with_the_samples_and_follow_the_order_of_channels(scale: float, order: list[int]) -> None:
    """Property."""
    u = np.stack([
        wave(rate_hz=3200.0, hertz=50.3, duration_s=0.5, harmonics={3: (0.02 * k, 20.0 * k)}, noise_pu=0.01, seed=k)
        for k in (1, 2, 3)
    ])  # fmt: skip
    plain = spectra_of(u, rate_hz=3200.0, hertz=50.3, n_cycles=10)
    other = spectra_of(scale * u[order], rate_hz=3200.0, hertz=50.3, n_cycles=10)
    for name in ("dc", "rms", "harmonics", "interharmonics", "floor", "noise"):
        expected = scale * getattr(plain, name)[order]
        assert getattr(other, name) == pytest.approx(expected, rel=1e-3, abs=1e-5 * scale * UNIT_V), name


def test_each_window_is_measured_for_itself() -> None:
    """Property: one by one, in another order or all at once, the values are the same but for rounding."""
    rate_hz = 6400.0
    u = wave(rate_hz=rate_hz, hertz=50.0, duration_s=4.0, harmonics={5: (0.05, 0.0)}, noise_pu=0.01)
    lengths = rate_hz * 10 / np.array([49.2, 50.0, 50.9, 50.0, 47.0, 53.0])
    starts = np.array([10.2, 3000.0, 5000.7, 9001.1, 14000.0, 17000.5])
    together = synchronised_spectra(u, rate_hz=rate_hz, starts=starts, lengths=lengths, n_cycles=10)
    for i in (5, 0, 3, 1, 4, 2):
        alone = synchronised_spectra(u, rate_hz=rate_hz, starts=starts[[i]], lengths=lengths[[i]], n_cycles=10)
        assert alone.harmonics[:, 0] == pytest.approx(together.harmonics[:, i], rel=1e-4, abs=1e-4)
        assert alone.noise[:, 0] == pytest.approx(together.noise[:, i], rel=1e-4)


def test_counts_are_measured_as_they_are_without_a_change_to_them() -> None:
    """Property: int16 samples give what the same numbers give as floats."""
    u = np.rint(50 * wave(rate_hz=6400.0, hertz=50.0, duration_s=0.5, harmonics={5: (0.05, 0.0)})).astype(np.int16)
    before = u.copy()
    found = spectra_of(u.astype(np.float64), rate_hz=6400.0, hertz=50.0, n_cycles=10)
    counts = synchronised_spectra(u, rate_hz=6400.0, starts=found.starts, lengths=found.lengths, n_cycles=10)
    assert (u == before).all()
    assert counts.harmonics == pytest.approx(found.harmonics, rel=1e-6)


@pytest.mark.parametrize(
    ("rate_hz", "n_cycles", "expected"), [(1600.0, 10, 12), (6400.0, 10, 51), (7680.0, 12, 51), (6400.0, 12, 42)]
)
def test_orders_reach_to_0_46_of_the_rate_at_the_highest_frequency(
    rate_hz: float, n_cycles: int, expected: int
) -> None:
    """Derived: 0.46 of the rate over 1.15 times nominal, in whole orders."""
    found = spectra_of(np.zeros(4000), rate_hz=rate_hz, hertz=n_cycles / 0.2, n_cycles=n_cycles, highest_order=99)
    assert found.harmonics.shape[2] == expected
    assert not found.harmonics.any()
    assert not found.noise.any()


def test_no_window_gives_no_value() -> None:
    found = synchronised_spectra(np.zeros(100), rate_hz=6400.0, starts=[], lengths=[], n_cycles=10)
    assert found.harmonics.shape == (1, 0, 50)
    assert found.rms.shape == (1, 0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"starts": [4.9]}, "lie between"),
        ({"starts": [3000.0 - 1280.0 - 3.0]}, "lie between"),
        ({"lengths": [-5.0]}, "have a length"),
        ({"lengths": [1280.0, 1280.0]}, "must agree"),
        ({"n_cycles": 11}, "even number"),
        ({"n_cycles": 2}, "even number"),
        ({"rate_hz": 0.0}, "a rate"),
        ({"lengths": [500.0]}, "too few samples"),
        ({"rate_hz": 100.0}, "too few samples"),
    ],
)
def test_windows_that_cannot_be_measured_are_refused(changes: dict[str, Any], words: str) -> None:
    options: dict[str, Any] = {"rate_hz": 6400.0, "starts": [10.0], "lengths": [1280.0], "n_cycles": 10}
    with pytest.raises(SignalError, match=words):
        synchronised_spectra(np.zeros((1, 3000)), **(options | changes))


def test_samples_that_are_not_finite_are_refused_only_where_a_window_holds_them() -> None:
    u = np.zeros((1, 6000))
    u[0, 4000] = np.nan
    options: dict[str, Any] = {"rate_hz": 6400.0, "lengths": [1280.0], "n_cycles": 10}
    assert synchronised_spectra(u, starts=[100.0], **options).rms[0, 0] == 0.0
    with pytest.raises(SignalError, match="not finite"):
        synchronised_spectra(u, starts=[3500.0], **options)


# --- windows of a half-cycle series


def series_of(u: F64, *, rate_hz: float = 6400.0, nominal_hz: float = 50.0) -> HalfCycles:
    return measure_half_cycles(np.atleast_2d(u), rate_hz=rate_hz, nominal_frequency_hz=nominal_hz)


@pytest.mark.parametrize(("nominal_hz", "n_cycles"), [(50.0, 10), (60.0, 12)])
def test_windows_hold_ten_cycles_at_50_and_twelve_at_60_hertz_end_to_end(nominal_hz: float, n_cycles: int) -> None:
    """IEC 61000-4-7:2002, 4.4.1 (found in public pages)."""
    hertz, rate_hz = 1.003 * nominal_hz, 128 * nominal_hz
    u = wave(rate_hz=rate_hz, hertz=hertz, duration_s=5.0, harmonics={5: (0.05, 20.0)})
    windows = windows_of(series_of(u, rate_hz=rate_hz, nominal_hz=nominal_hz))
    assert windows.n_cycles == n_cycles
    assert windows.starts.size >= 23  # 24.9 windows' time, less what the tracking cannot say at the ends
    # Timing of the tracked crossings; IEC 61000-4-7 allows the window 0.03 % of jitter (from memory).
    assert windows.lengths == pytest.approx(np.full(windows.lengths.size, n_cycles * rate_hz / hertz), rel=3e-4)
    assert windows.starts[1:] == pytest.approx(windows.starts[:-1] + windows.lengths[:-1], abs=1e-6)


@pytest.mark.parametrize("hertz", [47.5, 49.5, 50.37, 52.5])
def test_harmonics_through_the_tracked_windows_are_within_class_1(hertz: float) -> None:
    """SOURCE_CLASS_1, with the windows where the tracking puts them, in noise of 60 dB."""
    harmonics = {
        3: (0.05, 10.0),
        5: (0.06, 170.0),
        7: (0.02, 40.0),
        13: (0.01, 0.0),
        25: (0.005, 0.0),
        49: (0.002, 0.0),
    }
    u = wave(rate_hz=12800.0, hertz=hertz, duration_s=4.0, harmonics=harmonics, noise_pu=0.001)
    windows = windows_of(series_of(u, rate_hz=12800.0))
    found = synchronised_spectra(
        u, rate_hz=12800.0, starts=windows.starts, lengths=windows.lengths, n_cycles=windows.n_cycles
    )
    truth = np.zeros(50)
    truth[0] = 1.0
    for order, (size, _) in harmonics.items():
        truth[order - 1] = size
    error = np.abs(found.harmonics[0] / UNIT_V - truth)
    assert (error[:, truth >= 0.01] <= 0.05 * truth[truth >= 0.01]).all()
    assert (error[:, truth < 0.01] <= 0.0005).all()


def test_every_third_window_is_every_third_of_all() -> None:
    u = wave(rate_hz=6400.0, hertz=50.0, duration_s=6.0)
    series = series_of(u)
    every, some = windows_of(series), windows_of(series, every=3)
    assert some.starts.tolist() == every.starts[::3].tolist()
    assert some.lengths.tolist() == every.lengths[::3].tolist()


def test_windows_over_a_phase_jump_or_half_cycles_that_are_not_usable_are_left_out() -> None:
    rate_hz = 6400.0
    t = np.arange(round(6 * rate_hz)) / rate_hz
    u = UNIT_V * np.sqrt(2) * np.sin(2 * np.pi * 50 * t + np.where(t > 3.05, 0.5, 0.0))
    series = series_of(u)
    windows = windows_of(series)
    ends = windows.starts + windows.lengths
    assert not ((windows.starts < 3.05 * rate_hz) & (ends > 3.05 * rate_hz)).any()
    assert windows.starts.size >= 24
    usable = np.ones(series.n, np.bool_)
    usable[105] = False
    fewer = windows_of(series, usable=usable)
    assert set(windows.starts) - set(fewer.starts) == {
        s for s, e in zip(windows.starts, ends, strict=True) if s <= series.starts[0, 105] < e - 1
    }


def test_windows_carry_the_marks_of_their_half_cycles() -> None:
    u = wave(rate_hz=6400.0, hertz=50.0, duration_s=3.0).astype(np.float32)
    u[9600:9610] = np.nan
    both = np.stack([u, wave(rate_hz=6400.0, hertz=50.0, duration_s=3.0).astype(np.float32)])
    windows = windows_of(measure_half_cycles(both, rate_hz=6400.0, nominal_frequency_hz=50.0))
    marked = (windows.starts < 9610) & (windows.starts + windows.lengths > 9600)
    assert ((windows.flags[0] != 0) == marked).all()
    assert not windows.flags[1].any()


@pytest.mark.parametrize("options", [{"every": 0}, {"n_cycles": 0}, {"usable": [True]}])
def test_windows_of_wrong_options_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(SignalError):
        windows_of(series_of(wave(rate_hz=6400.0, hertz=50.0, duration_s=1.0)), **options)
