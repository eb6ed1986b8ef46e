"""Harmonics of a survey against the parameters of what was made, the other spectra, and the squares of the samples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.harmonic_spectra import (
    HarmonicSpectra,
    harmonic_spectra,
    margin_samples,
    parts_at_crossing,
)
from halfcycle.pipeline.measures.sequence import unbalance_of_phasors
from halfcycle.pipeline.measures.spectra import synchronised_spectra, windows_of
from halfcycle.pipeline.measures.waveform_indices import window_values

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

SOURCE_CLASS_1 = (
    "IEC 61000-4-7:2002, Table 1, class I, voltage [memory]: 5 % of the value from 1 % of nominal on, below it 0.05 % "
    "of nominal; range in frequency of IEC 61000-4-30, 42.5 to 57.5 and 51 to 69 Hz [memory]"
)
SOURCE_GROUPS = "IEC 61000-4-7:2002 + A1:2008, 5.5 [memory; harmonic subgroups found]"
SOURCE_UNBALANCE = "IEC 61000-4-30 Ed. 3, 5.7: within 0.15 % of the positive sequence, class A [memory]"
UNIT_V = 230.0


def angles_deg(phasors: npt.NDArray[np.complex64]) -> F64:
    real, imaginary = parts_at_crossing(phasors)
    return np.degrees(np.arctan2(imaginary, real, dtype=np.float64))


def phasors_of(seed: int, n_orders: int = 50) -> C128:
    """Fundamental and falling harmonics of any angle, triplens below 1 %; RMS."""
    angles = np.random.default_rng(seed).uniform(-np.pi, np.pi, n_orders)
    h = np.arange(1, n_orders + 1)
    sizes = np.where(h == 1, 1.0, np.where(h % 3 == 0, 0.002, 0.05 / h))
    phasors: C128 = UNIT_V * sizes * np.exp(1j * angles)
    return phasors


def wave_of(phasors: C128, *, hertz: float, rate_hz: float, n: int) -> F64:
    turn = np.exp(2j * np.pi * hertz * np.arange(n) / rate_hz)
    h = np.arange(1, phasors.size + 1)
    below = h * hertz < rate_hz / 2
    total = np.zeros(n, np.complex128)
    power = np.ones(n, np.complex128)
    for phasor, present in zip(phasors, below, strict=True):
        power *= turn
        if present:
            total += phasor * power
    u: F64 = np.sqrt(2) * total.real
    return u


def measured(u: F64, *, rate_hz: float, hertz: float, n_cycles: int, **options: object) -> tuple[HarmonicSpectra, F64]:
    """Spectra of the windows there is room for, and where these begin."""
    values = np.atleast_2d(u)
    margin = margin_samples(rate_hz=rate_hz, n_cycles=n_cycles)
    length = n_cycles * rate_hz / hertz
    starts = margin + 0.37 + length * np.arange(int((values.shape[1] - 2 * margin - 1) // length))
    found = harmonic_spectra(
        values, rate_hz=rate_hz, starts=starts, lengths=np.full(starts.size, length), n_cycles=n_cycles, **options
    )  # type: ignore[arg-type]
    return found, starts


@pytest.mark.parametrize("samples_per_cycle", [64, 128, 256, 512, 1000.4])
@pytest.mark.parametrize(
    ("n_cycles", "hertz"), [(10, 42.5), (10, 49.987), (10, 50.0), (10, 57.5), (12, 51.0), (12, 60.02), (12, 69.0)]
)
def test_harmonics_and_their_angles_are_far_within_class_1(
    samples_per_cycle: float, n_cycles: int, hertz: float
) -> None:
    """SOURCE_CLASS_1."""
    rate_hz = samples_per_cycle * n_cycles * 5
    truth = phasors_of(n_cycles)
    u = wave_of(truth, hertz=hertz, rate_hz=rate_hz, n=round(0.75 * rate_hz))
    found, starts = measured(u, rate_hz=rate_hz, hertz=hertz, n_cycles=n_cycles)
    n_orders = found.harmonics.shape[2]
    assert n_orders == (50 if samples_per_cycle >= 128 else 25)
    sizes = np.abs(truth[:n_orders])
    allowed = np.where(sizes >= 0.01 * UNIT_V, 0.05 * sizes, 0.0005 * UNIT_V)
    assert (np.abs(found.harmonics[0] - sizes) <= allowed / 40).all()
    assert found.interharmonics.max() <= 0.0005 * UNIT_V / 20
    turned = np.exp(2j * np.pi * hertz / rate_hz * starts)[:, None] ** np.arange(1, n_orders + 1)
    assert (np.abs(found.phasors[0] - truth[:n_orders] * turned) <= allowed / 10).all()


@pytest.mark.parametrize("rate_hz", [12800.0, 25600.0, 51200.0])
def test_what_lies_above_the_orders_does_not_fold_back(rate_hz: float) -> None:
    """SOURCE_CLASS_1: tones of 10 % between 3.6 kHz and the Nyquist frequency change nothing by 0.005 % of nominal."""
    truth = phasors_of(4)
    n = round(0.5 * rate_hz)
    u = wave_of(truth, hertz=50.0, rate_hz=rate_hz, n=n)
    tones = sum(np.sin(2 * np.pi * hz * np.arange(n) / rate_hz) for hz in np.linspace(3600, 0.49 * rate_hz, 9))
    without, _ = measured(u, rate_hz=rate_hz, hertz=50.0, n_cycles=10)
    found, _ = measured(u + 0.1 * UNIT_V * np.sqrt(2) * tones, rate_hz=rate_hz, hertz=50.0, n_cycles=10)
    assert np.abs(found.harmonics - without.harmonics).max() <= 5e-5 * UNIT_V
    assert found.interharmonics.max() <= 5e-5 * UNIT_V


@pytest.mark.slow
@pytest.mark.parametrize("grouping", ["subgroups", "groups"])
@pytest.mark.parametrize(("n_cycles", "rate_hz"), [(10, 12800.0), (12, 15360.0), (10, 5000.0)])
def test_groups_are_sums_of_the_lines_that_the_standard_names(n_cycles: int, rate_hz: float, grouping: str) -> None:
    """SOURCE_GROUPS, written out on a spectrum of one tone in every 5 Hz line up to 1 kHz."""
    length = round(n_cycles * rate_hz / (5 * n_cycles))
    lines = np.random.default_rng(1).uniform(0.5, 2.0, 200 * 1)
    phase = np.random.default_rng(2).uniform(0, 2 * np.pi, lines.size)
    t = np.arange(3 * length) / length
    u = sum(
        np.sqrt(2) * c * np.sin(2 * np.pi * (k + 1) * t + p) for k, (c, p) in enumerate(zip(lines, phase, strict=True))
    )
    found = harmonic_spectra(
        np.atleast_2d(u), rate_hz=rate_hz, starts=[length + 0.25], lengths=[float(length)], n_cycles=n_cycles,
        highest_order=10, grouping=grouping,
    )  # type: ignore[arg-type]  # fmt: skip
    power = np.concatenate([[0.0], lines**2])
    n = n_cycles
    for h in range(1, 11):
        k = h * n
        if grouping == "subgroups":
            harmonic, between = power[k - 1 : k + 2].sum(), power[k - n + 2 : k - 1].sum()
        else:
            ends = (power[k - n // 2] + power[k + n // 2]) / 2
            harmonic, between = power[k - n // 2 + 1 : k + n // 2].sum() + ends, power[k - n + 1 : k].sum()
        assert found.harmonics[0, 0, h - 1] == pytest.approx(np.sqrt(harmonic), rel=1e-3)
        assert found.interharmonics[0, 0, h - 1] == pytest.approx(np.sqrt(between), rel=1e-3)


def test_an_interharmonic_lies_in_its_gap() -> None:
    """SOURCE_GROUPS: 175 Hz lies between orders 3 and 4 of 50 Hz; IEC 61000-4-30, states 2 and 3 have 7.5 and 3.5 f."""
    rate_hz = 12800.0
    t = np.arange(8000) / rate_hz
    u = np.sqrt(2) * UNIT_V * (np.sin(2 * np.pi * 50 * t) + 0.01 * np.sin(2 * np.pi * 175 * t + 0.4))
    found, _ = measured(u, rate_hz=rate_hz, hertz=50.0, n_cycles=10)
    expected = np.zeros(50)
    expected[3] = 0.01 * UNIT_V
    assert found.interharmonics[0] == pytest.approx(np.broadcast_to(expected, (3, 50)), abs=1e-5 * UNIT_V)


def test_squares_of_subgroups_and_dc_add_up_to_those_of_the_samples() -> None:
    """Derived, Parseval: subgroups and centred subgroups use each line once, but DC and the first (empty)."""
    rate_hz, hertz = 12800.0, 50.2
    u = wave_of(phasors_of(6), hertz=hertz, rate_hz=rate_hz, n=9000) - 3.0
    u += 4.0 * np.sin(2 * np.pi * 7.5 * hertz * np.arange(u.size) / rate_hz)
    found, starts = measured(u, rate_hz=rate_hz, hertz=hertz, n_cycles=10)
    values = window_values(u[None], starts=starts, lengths=np.full(starts.size, 10 * rate_hz / hertz))
    total = (found.harmonics.astype(float) ** 2 + found.interharmonics.astype(float) ** 2).sum(axis=2)
    assert np.sqrt(total + found.dc.astype(float) ** 2) == pytest.approx(values.rms, rel=4e-5)
    assert found.dc == pytest.approx(values.mean, abs=1e-3)
    assert found.dc == pytest.approx(-3.0, abs=1e-3)


def test_harmonics_are_those_of_the_other_spectra() -> None:
    """The module `spectra` resamples all up to the Nyquist frequency; both say the same of a tracked record."""
    rate_hz, hertz = 12800.0, 49.7
    u = np.stack([wave_of(phasors_of(seed), hertz=hertz, rate_hz=rate_hz, n=30000) for seed in (1, 2)])
    series = measure_half_cycles(u, rate_hz=rate_hz, nominal_frequency_hz=50.0)
    windows = windows_of(series)
    keep = windows.starts >= margin_samples(rate_hz=rate_hz, n_cycles=10)
    keep &= windows.starts + windows.lengths <= u.shape[1] - margin_samples(rate_hz=rate_hz, n_cycles=10)
    options = {"rate_hz": rate_hz, "starts": windows.starts[keep], "lengths": windows.lengths[keep], "n_cycles": 10}
    found = harmonic_spectra(u, **options)  # type: ignore[arg-type]
    other = synchronised_spectra(u, **options)  # type: ignore[arg-type]
    assert keep.sum() >= 9
    assert found.harmonics == pytest.approx(other.harmonics, rel=2e-3, abs=5e-5 * UNIT_V)
    large = np.abs(phasors_of(1)) > 0.01 * UNIT_V
    apart = angles_deg(found.phasors[0])[:, large] - other.angles_deg[0][:, large]
    assert np.abs((apart + 180) % 360 - 180).max() < 0.1


def test_angles_are_those_at_the_rising_crossing_of_the_fundamental() -> None:
    """Derived: u = sin θ + 0.1 sin(5 θ + 30°) + 0.1 sin(7 θ - 170°) has these angles wherever the window begins."""
    t = np.arange(9000) / 12800.0
    theta = 2 * np.pi * 50.0 * t + 1.1
    u = np.sin(theta) + 0.1 * np.sin(5 * theta + np.radians(30)) + 0.1 * np.sin(7 * theta - np.radians(170))
    found, _ = measured(u, rate_hz=12800.0, hertz=50.0, n_cycles=10)
    angles = angles_deg(found.phasors)[0]
    assert angles[:, [0, 4, 6]] == pytest.approx(np.tile([0.0, 30.0, -170.0], (len(angles), 1)), abs=0.02)


@pytest.mark.parametrize(
    ("sizes", "expected_pct"),
    [
        ((73.0, 80.0, 87.0), 5.05),
        ((152.0, 140.0, 128.0), 4.95),
        ((100.0, 90.0, 80.0), 6.415),
        ((100.0, 100.0, 100.0), 0.0),
    ],
)
@pytest.mark.parametrize("hertz", [49.0, 51.0])
def test_unbalance_from_the_phasors_is_far_within_class_a(
    sizes: tuple[float, ...], expected_pct: float, hertz: float
) -> None:
    """SOURCE_UNBALANCE; states 2 and 3 of IEC 61000-4-30 Ed. 2, Table 2, with their harmonics [memory, recomputed]."""
    rate_hz = 12800.0
    turns = (0.0, -2 * np.pi / 3, 2 * np.pi / 3)
    theta = 2 * np.pi * hertz * np.arange(9000) / rate_hz
    u = np.stack(
        [
            a * (np.sin(theta + p) + 0.1 * np.sin(3 * (theta + p)) + 0.05 * np.sin(5 * (theta + p)))
            for a, p in zip(sizes, turns, strict=True)
        ]
    )
    found, _ = measured(u, rate_hz=rate_hz, hertz=hertz, n_cycles=10)
    for unbalance in unbalance_of_phasors(found.phasors[:, :, 0]):
        assert 100 * unbalance == pytest.approx(np.full(unbalance.shape, expected_pct), abs=0.006)


def test_a_window_does_not_depend_on_what_lies_beyond_its_margin() -> None:
    rng = np.random.default_rng(8)
    x = rng.standard_normal((2, 9000)).astype(np.float32)
    margin = margin_samples(rate_hz=12800.0, n_cycles=10)
    at = {"rate_hz": 12800.0, "starts": [3000.4], "lengths": [2559.1], "n_cycles": 10}
    whole = harmonic_spectra(x, **at)  # type: ignore[arg-type]
    other = x.copy()
    other[:, : 3000 - margin], other[:, 5560 + margin :] = 1e3, -1e3
    assert harmonic_spectra(other, **at).phasors == pytest.approx(whole.phasors, abs=2e-5)  # type: ignore[arg-type]


def test_integer_samples_read_as_they_are() -> None:
    u = np.rint(wave_of(phasors_of(3), hertz=50.0, rate_hz=12800.0, n=6000) * 60).astype(np.int16)
    of_counts, _ = measured(u, rate_hz=12800.0, hertz=50.0, n_cycles=10)
    of_floats, _ = measured(u.astype(np.float64), rate_hz=12800.0, hertz=50.0, n_cycles=10)
    assert (of_counts.harmonics == of_floats.harmonics).all()


def test_margins_are_under_half_a_cycle() -> None:
    for rate_hz in (3200.0, 6400.0, 12800.0, 25600.0, 102400.0):
        assert margin_samples(rate_hz=rate_hz, n_cycles=10) < rate_hz / 50 / 2


def test_no_window_gives_no_value() -> None:
    found = harmonic_spectra(np.zeros((3, 500)), rate_hz=12800.0, starts=[], lengths=[], n_cycles=10)
    assert found.harmonics.shape == found.phasors.shape == (3, 0, 50)


@pytest.mark.parametrize(
    "wrong",
    [
        {"starts": [10.0]}, {"starts": [5000.0]}, {"lengths": [0.0]}, {"starts": [3000.0, 3001.0]}, {"n_cycles": 7},
        {"n_cycles": 9}, {"rate_hz": 0.0}, {"rate_hz": 60.0}, {"lengths": [1000.0]}, {"highest_order": 0},
    ],
)  # fmt: skip
def test_what_cannot_be_measured_is_refused(wrong: dict[str, object]) -> None:
    options = {"rate_hz": 12800.0, "starts": [2000.0], "lengths": [2560.0], "n_cycles": 10} | wrong
    with pytest.raises(SignalError):
        harmonic_spectra(np.zeros((1, 6000)), **options)  # type: ignore[arg-type]


def test_samples_that_are_not_finite_are_refused() -> None:
    x = np.zeros((1, 6000))
    x[0, 3000] = np.nan
    with pytest.raises(SignalError, match="finite"):
        harmonic_spectra(x, rate_hz=12800.0, starts=[2000.0], lengths=[2560.0], n_cycles=10)
