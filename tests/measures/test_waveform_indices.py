"""Values of windows against closed forms and against the definition, integrated on a grid fifty times as fine."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.waveform_indices import (
    EDGE_SAMPLES,
    crest_factor,
    deviation_pct,
    overdeviation,
    underdeviation,
    window_values,
)

F64 = npt.NDArray[np.float64]
Wave = Callable[[F64], F64]

SOURCE_MAGNITUDE = "IEC 61000-4-30 Ed. 3, 5.2: within 0.1 % of Udin from 10 to 150 % of it, class A [memory]"
SOURCE_STATES = "IEC 61000-4-30 Ed. 2, Table 2: states of the other quantities while one is tested [memory]"
SOURCE_FREQUENCY = "IEC 61000-4-30 Ed. 3, 5.1: within 10 mHz from 42.5 to 57.5 and 51 to 69 Hz, class A [memory]"
SOURCE_DEVIATION = "IEC 61000-4-30 Ed. 3, 5.12 [memory]"
U_DIN_V = 230.0
# Order: (share of the fundamental, degrees); the interharmonic's order, 1 % each.
STATES: dict[int, tuple[dict[int, tuple[float, float]], float]] = {
    1: ({}, 0.0),
    2: ({3: (0.10, 0), 5: (0.05, 0), 29: (0.05, 0)}, 7.5),
    3: ({7: (0.10, 180), 13: (0.05, 0), 25: (0.05, 0)}, 3.5),
}


def wave_of(hertz: float, u_v: float, *, state: int, phase: float = 0.3) -> Wave:
    """Voltage of RMS u_v in its fundamental, with what SOURCE_STATES adds."""
    harmonics, interharmonic = STATES[state]

    def at(t: F64) -> F64:
        theta = 2 * np.pi * hertz * t + phase
        u = np.sin(theta)
        for order, (share, degrees) in harmonics.items():
            u += share * np.sin(order * theta + np.radians(degrees))
        if interharmonic:
            u += 0.01 * np.sin(2 * np.pi * hertz * interharmonic * t + 1.0)
        return u_v * np.sqrt(2) * u

    return at


def defined_mean(wave: Wave, start_s: float, length_s: float) -> float:
    """Mean of a function over a window: the middle of each of 200 000 parts of it."""
    n = 40_000
    return float(wave(start_s + length_s * (np.arange(n) + 0.5) / n).mean())


@pytest.mark.slow
@pytest.mark.parametrize("state", [1, 2, 3])
@pytest.mark.parametrize("samples_per_cycle", [64, 256, 600])
@pytest.mark.parametrize(
    ("nominal_hz", "hertz"), [(50.0, 42.5), (50.0, 49.0), (50.0, 50.013), (50.0, 57.5), (60.0, 51.0), (60.0, 69.0)]
)
@pytest.mark.parametrize("pct", [10.0, 100.0, 150.0])
def test_rms_of_a_window_is_that_of_the_definition_far_within_class_a(
    state: int, samples_per_cycle: int, nominal_hz: float, hertz: float, pct: float
) -> None:
    """SOURCE_MAGNITUDE, SOURCE_STATES; at 64 samples a cycle order 29 is measured with two samples a period."""
    rate_hz, n_cycles = samples_per_cycle * nominal_hz, round(nominal_hz / 5)
    wave = wave_of(hertz, U_DIN_V * pct / 100, state=state)
    length = n_cycles * rate_hz / hertz
    starts = 7.37 + length * np.arange(2)
    u = wave(np.arange(int(starts[-1] + length) + 9) / rate_hz)
    found = window_values(u[None], starts=starts, lengths=np.full(2, length)).rms[0]
    truth = [
        np.sqrt(defined_mean(lambda t: wave(t) ** 2, float(start) / rate_hz, length / rate_hz)) for start in starts
    ]
    # 0.1 % of Udin is allowed: a tenth of it is kept with few samples a cycle, far less with more.
    margin_pct = 0.01 if samples_per_cycle == 64 else 0.001
    assert np.abs(found - truth).max() <= margin_pct / 100 * U_DIN_V


def test_products_of_channels_are_active_power_and_rms_of_line_and_neutral() -> None:
    """Derived: mean of sqrt2 U sin a * sqrt2 I sin b is U I cos(a - b); RMS of a sum from its phasors."""
    rate_hz, hertz = 12800.0, 50.3
    theta = 2 * np.pi * hertz * np.arange(6000) / rate_hz
    angles = np.radians([0.0, -120.0, 120.0, -30.0])
    sizes = np.array([230.0, 225.0, 240.0, 10.0])
    x = np.sqrt(2) * sizes[:, None] * np.sin(theta + angles[:, None])
    length = 10 * rate_hz / hertz
    found = window_values(x, starts=[4.2, 1234.9], lengths=[length, length])
    assert found.mean_product(0, 3) == pytest.approx([230 * 10 * np.cos(np.radians(30))] * 2, rel=1e-6)
    phasors = sizes * np.exp(1j * angles)
    assert found.rms_of_sum([1, -1, 0, 0]) == pytest.approx([abs(phasors[0] - phasors[1])] * 2, rel=1e-6)
    assert found.rms_of_sum([1, 1, 1, 0]) == pytest.approx([abs(phasors[:3].sum())] * 2, rel=1e-4)
    assert found.products == pytest.approx(found.products.transpose(0, 2, 1))
    assert np.abs(found.mean).max() < 1e-3


def test_raw_samples_read_as_the_units_that_they_stand_for() -> None:
    """Derived: unit = count * scale + offset, for the mean, products and extremes alike, with a negative scale too."""
    rng = np.random.default_rng(1)
    counts = rng.integers(-30000, 30000, (3, 4000)).astype(np.int16)
    counts[0, 700] = -32768
    scales, offsets = np.array([0.01, -0.02, 1.5]), np.array([3.0, -40.0, 0.0])
    windows = {"starts": [10.0, 500.4], "lengths": [400.0, 2700.3]}
    in_units = counts * scales[:, None] + offsets[:, None]
    found = window_values(counts, scales=scales, offsets=offsets, **windows)
    truth = window_values(in_units, **windows)
    assert found.products == pytest.approx(truth.products, rel=1e-5, abs=1e-2)
    assert found.mean == pytest.approx(truth.mean, rel=1e-5, abs=1e-3)
    assert found.lowest == pytest.approx(truth.lowest, rel=1e-7)
    assert found.highest == pytest.approx(truth.highest, rel=1e-7)
    assert truth.highest[1, 1] == in_units[1, 501:3201].max()


def test_a_small_voltage_on_a_large_offset_keeps_its_digits() -> None:
    """Derived: 23 V in counts from 0 to 65535 around 32768, as some recorders store them; a hundredth of class A."""
    t = np.arange(6000) / 12800.0
    counts = np.rint(32768 + 23.0 * np.sqrt(2) / 0.02 * np.sin(2 * np.pi * 50 * t)).astype(np.int32)
    found = window_values(counts[None], starts=[5.0], lengths=[5120.0], scales=[0.02], offsets=[-32768 * 0.02])
    assert found.rms == pytest.approx(23.0, abs=0.001 / 100 * U_DIN_V)


def test_extremes_and_peak_are_those_of_the_samples_within_the_window() -> None:
    x = np.zeros((1, 400))
    x[0, [99, 100, 200, 300, 301]] = [50.0, 3.0, -7.0, 5.0, 60.0]
    found = window_values(x, starts=[99.5], lengths=[201.0])  # to 300.5
    assert (found.lowest[0, 0], found.highest[0, 0], found.peak[0, 0]) == (-7.0, 5.0, 7.0)


def test_values_of_a_window_do_not_depend_on_the_others() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal((4, 9000)).astype(np.float32)
    starts, lengths = np.array([3.0, 2000.6, 5000.2]), np.array([2500.0, 2560.4, 2551.7])
    together = window_values(x, starts=starts, lengths=lengths)
    for w in range(3):
        alone = window_values(x, starts=starts[w], lengths=lengths[w])
        assert (alone.products[0] == together.products[w]).all()
        assert (alone.mean[:, 0] == together.mean[:, w]).all()


@pytest.mark.parametrize(
    ("wave", "expected"),
    [
        (lambda turns: np.sin(2 * np.pi * turns), np.sqrt(2)),
        (lambda turns: np.sign(np.sin(2 * np.pi * turns)), 1.0),
        (lambda turns: 4 * np.abs(turns % 1 - 0.5) - 1, np.sqrt(3)),
        (lambda turns: np.where(np.abs(turns % 0.5 - 0.25) < 1 / 6, np.sign(np.sin(2 * np.pi * turns)), 0), 1.2247),
    ],
    ids=["sine", "square", "triangle", "block current of 120 degrees"],
)
def test_crest_factors_of_known_waves(wave: Wave, expected: float) -> None:
    """Derived: sqrt 2, 1, sqrt 3, sqrt(3/2). 2400 samples a cycle place a step and see a peak to 1/2400."""
    u = wave((np.arange(26000) + 0.5) / 2400)
    found = window_values(u[None], starts=[5.0], lengths=[24000.0])
    assert crest_factor(found.peak, found.rms) == pytest.approx(expected, rel=2e-3)


def test_the_crest_factor_of_nothing_is_not_a_number() -> None:
    assert np.isnan(crest_factor([0.0], [0.0])).all()


def test_deviations_are_those_of_values_worked_by_hand() -> None:
    """SOURCE_DEVIATION: of 225, 230 and 240 V at Udin 230 the under values are 225, 230, 230 and the over values 230,
    230, 240; root of the mean of squares 228.346 and 233.381 V; 0.719 and 1.470 %."""
    u = [225.0, 230.0, 240.0]
    under, over = underdeviation(u, u_din_v=230.0), overdeviation(u, u_din_v=230.0)
    assert under.tolist() == [225.0, 230.0, 230.0]
    assert over.tolist() == [230.0, 230.0, 240.0]
    together = [np.sqrt((values**2).mean()) for values in (under, over)]
    assert deviation_pct(together, u_din_v=230.0) == pytest.approx([0.7192, 1.4701], abs=5e-4)
    with pytest.raises(SignalError):
        underdeviation(u, u_din_v=0.0)


@pytest.mark.parametrize(
    ("samples", "starts", "lengths"),
    [
        (np.zeros(100), [10.0], [50.0]),
        (np.zeros((1, 100)), [EDGE_SAMPLES - 0.1], [50.0]),
        (np.zeros((1, 100)), [10.0], [90.0]),
        (np.zeros((1, 100)), [10.0], [4.0]),
        (np.zeros((1, 100)), [10.0, 20.0], [50.0]),
        (np.full((1, 100), np.nan), [10.0], [50.0]),
    ],
)
def test_windows_that_cannot_be_measured_are_refused(samples: F64, starts: list[float], lengths: list[float]) -> None:
    with pytest.raises(SignalError):
        window_values(samples, starts=starts, lengths=lengths)


def test_scales_that_do_not_fit_are_refused() -> None:
    with pytest.raises(SignalError):
        window_values(np.zeros((2, 100)), starts=[10.0], lengths=[50.0], scales=[1.0])
