"""One-cycle RMS from the grid: as exact as the full measure where a signal is steady, and not taken where it is not."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.measures import steady_rms
from halfcycle.pipeline.measures.half_cycle import HalfCycles
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles

SOURCE_PARSEVAL = "derived: the square of the RMS over whole periods is the sum of the squares of the harmonics' RMS"
SOURCE_FULL = "derived: the measure of every window between its own two ends, tested against brute force elsewhere"

PARTS = ((3, 0.05, 0.4), (5, 0.05, 1.0), (7, 0.03, 2.0), (11, 0.02, 0.3), (13, 0.01, 1.5))  # 8 % together


def in_full(u: np.ndarray, monkeypatch: pytest.MonkeyPatch, *, rate_hz: float, nominal_hz: float) -> HalfCycles:
    """The series with every window measured between its own ends."""
    with monkeypatch.context() as everything:
        everything.setattr(steady_rms, "FEWEST_SAMPLES_A_CYCLE", 1 << 30)
        return measure_half_cycles(u, rate_hz=rate_hz, nominal_frequency_hz=nominal_hz)


def shares_from_grid(u: np.ndarray, monkeypatch: pytest.MonkeyPatch, **more: float) -> tuple[HalfCycles, float]:
    """The series, and the share of its windows that came from the grid."""
    shares: list[float] = []
    measure = steady_rms.steady_mean_squares

    def counted(*args: object, **kinds: object) -> object:
        means, steady = measure(*args, **kinds)  # type: ignore[arg-type]
        shares.append(float(steady.mean()))
        return means, steady

    with monkeypatch.context() as watched:
        watched.setattr(steady_rms, "steady_mean_squares", counted)
        series = measure_half_cycles(u, rate_hz=more["rate_hz"], nominal_frequency_hz=more["nominal_hz"])
    return series, float(np.mean(shares)) if shares else 0.0


def distorted(angle: np.ndarray) -> np.ndarray:
    return np.sin(angle) + sum(size * np.sin(order * angle + turn) for order, size, turn in PARTS)


@pytest.mark.slow
@pytest.mark.parametrize("nominal_hz", [50.0, 60.0])
@pytest.mark.parametrize("rate_hz", [8000.0, 12_800.0, 25_600.0])
@pytest.mark.parametrize("off", [-0.01, -0.003, 0.0, 1e-4, 0.004, 0.01])
def test_a_steady_distorted_voltage_is_right_to_a_hundredth_of_a_percent(
    nominal_hz: float, rate_hz: float, off: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SOURCE_PARSEVAL. Frequency: within 2 mHz of what was put in."""
    f_hz = nominal_hz * (1 + off)
    angle = 2 * np.pi * f_hz * np.arange(round(4 * rate_hz)) / rate_hz
    u = np.stack([20_000 * distorted(angle - k * 2 * np.pi / 3) for k in range(3)]).astype(np.float32)
    series, share = shares_from_grid(u, monkeypatch, rate_hz=rate_hz, nominal_hz=nominal_hz)
    level = 20_000 * np.sqrt((1 + sum(size**2 for _, size, _ in PARTS)) / 2)
    assert np.abs(series.u_half / level - 1).max() < 1e-4
    assert np.abs(series.frequency_hz - f_hz).max() < 2e-3
    assert share > 0.97


def unsteady(rng: np.random.Generator, *, rate_hz: float, f_hz: float) -> np.ndarray:
    """Four seconds with steps, dips of parts of a cycle, a phase jump, a beat, an offset and noise, or some of them."""
    n = round(4 * rate_hz)
    t = np.arange(n) / rate_hz
    rows = []
    for k in range(3):
        angle = 2 * np.pi * f_hz * t - k * 2 * np.pi / 3
        if rng.random() < 0.5:
            angle = angle + np.where(t > rng.uniform(0.5, 3.5), rng.uniform(-0.5, 0.5), 0.0)
        wave = distorted(angle)
        for _ in range(rng.integers(0, 4)):
            start, length = rng.uniform(0, 4), rng.choice([0.1, 0.3, 0.5, 1.0, 2.5, 30.0]) / f_hz
            wave[(t >= start) & (t < start + length)] *= rng.uniform(0, 1.4)
        if rng.random() < 0.3:
            wave *= 1 + rng.choice([2e-4, 1e-3, 5e-3, 2e-2]) * np.sin(2 * np.pi * rng.uniform(0.5, 30) * t)
        rows.append(wave + rng.choice([0.0, 0.02]) + rng.normal(0, rng.choice([0.0, 3e-4, 1e-3, 5e-3]), n))
    return np.round(12_000 * np.stack(rows)).astype(np.int16)


@pytest.mark.slow
@pytest.mark.parametrize(("rate_hz", "nominal_hz"), [(6400.0, 50.0), (12_800.0, 50.0), (12_800.0, 60.0)])
def test_of_what_is_not_steady_it_gives_what_the_measure_of_every_window_gives(
    rate_hz: float, nominal_hz: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SOURCE_FULL. To 3e-4 of the value, noise included, and what a phase jump makes the frequency wrong by: of a cycle
    too long by a share both are wrong by up to that, each in its own way. Starts are equal to the bit.
    """
    rng = np.random.default_rng(int(rate_hz + nominal_hz))
    shares = []
    for _ in range(25):
        f_hz = nominal_hz * (1 + rng.uniform(-0.02, 0.02))
        u = unsteady(rng, rate_hz=rate_hz, f_hz=f_hz)
        series, share = shares_from_grid(u, monkeypatch, rate_hz=rate_hz, nominal_hz=nominal_hz)
        full = in_full(u, monkeypatch, rate_hz=rate_hz, nominal_hz=nominal_hz)
        shares.append(share)
        assert np.array_equal(series.starts, full.starts)
        wrong_by = np.abs(full.frequency_hz / f_hz - 1)
        assert (np.abs(series.u_half / full.u_half - 1) < 3e-4 + wrong_by).all()
    assert 0.1 < np.mean(shares) < 0.9  # both ways were taken


def test_a_current_that_carries_nothing_reads_zero() -> None:
    angle = 2 * np.pi * 50.0 * np.arange(25_600) / 12_800
    u = np.stack([np.round(10_000 * np.sin(angle)), 0 * angle]).astype(np.int16)
    series = measure_half_cycles(u, rate_hz=12_800.0, nominal_frequency_hz=50.0)
    assert series.u_half[1].max() == 0.0
    assert series.u_half[0] == pytest.approx(10_000 / np.sqrt(2), rel=1e-4)
