"""Which windows are searched for notches: those left out hold none, and most of a record is left out."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.measures.notches import measure_notches
from halfcycle.pipeline.measures.spectra import synchronised_spectra
from halfcycle.pipeline.measures.waveshape import may_be_notched

SOURCE = "derived: what is left out must hold no notch; the search of every window is the judge"


def windows(rng: np.random.Generator, rate_hz: float, f_hz: float, n: int) -> tuple[np.ndarray, dict[str, object]]:
    """Windows of ten cycles with notches of any depth, width and place, or none, on distorted and noisy waves."""
    length = 10 * rate_hz / f_hz
    rows = []
    for i in range(n):
        cycles = (np.arange(int(length) + 20) - 10) * f_hz / rate_hz
        angle = 2 * np.pi * cycles
        wave = np.sin(angle) + rng.uniform(0, 0.06) * np.sin(5 * angle + 1) + rng.uniform(0, 0.04) * np.sin(7 * angle)
        if i % 3:
            depth, width = rng.uniform(0.04, 0.4), rng.uniform(3 * f_hz / rate_hz, 0.05)
            for place in (np.arange(6) / 6 + rng.uniform(0, 1 / 6)) if i % 2 else rng.uniform(0, 1, 1):
                wave -= depth * np.sign(np.sin(2 * np.pi * place)) * (((cycles - place) % 1.0) < width)
        rows.append(wave + rng.normal(0, rng.choice([0.0, 1e-3, 5e-3]), wave.size))
    size = rows[0].size
    starts = 10.0 + size * np.arange(n)
    place = {"rate_hz": rate_hz, "starts": starts, "lengths": np.full(n, length), "n_cycles": 10}
    return np.round(10_000 * np.concatenate(rows)).astype(np.int16)[None], place


@pytest.mark.slow
@pytest.mark.parametrize(("rate_hz", "f_hz"), [(10_240.0, 50.2), (12_800.0, 49.8), (25_600.0, 50.0), (12_800.0, 59.9)])
def test_no_window_that_holds_a_notch_is_left_out(rate_hz: float, f_hz: float) -> None:
    u, place = windows(np.random.default_rng(int(rate_hz + f_hz)), rate_hz, f_hz, 240)
    spectra = synchronised_spectra(u, **place)  # type: ignore[arg-type]
    assert spectra.abrupt is not None
    may = may_be_notched(spectra.abrupt, spectra.harmonics[..., 0])
    notched = measure_notches(u, **place).depth > 0  # type: ignore[arg-type]
    assert notched.sum() > 60
    assert not (notched & ~may).any()
    assert (~may).sum() > 60  # else nothing would be left out and the test would say nothing


def test_a_sine_s_lines_above_order_25_give_the_peak_that_was_put_in() -> None:
    """SOURCE: orders 31 and 47 at 2 % and 1 %, in phase at one place of the cycle: their peak is 3 % there."""
    rate_hz, n = 12_800.0, 2560
    angle = 2 * np.pi * np.arange(n + 20) * 50.0 / rate_hz
    u = np.sin(angle) + 0.05 * np.sin(25 * angle) + 0.02 * np.cos(31 * angle) + 0.01 * np.cos(47 * angle)
    spectra = synchronised_spectra(u, rate_hz=rate_hz, starts=[10.0], lengths=[float(n)], n_cycles=10)
    assert spectra.abrupt is not None
    assert spectra.abrupt[0, 0] == pytest.approx(0.03, rel=0.05)


def test_a_rate_that_holds_few_orders_tells_no_edges() -> None:
    u = np.sin(2 * np.pi * np.arange(1300) / 128)
    spectra = synchronised_spectra(u, rate_hz=6400.0, starts=[10.0], lengths=[1280.0], n_cycles=10)
    assert spectra.abrupt is None
