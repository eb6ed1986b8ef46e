"""The periodic waveform of a stretch: against the general least squares of the library, and what was put in."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.classifiers.steady_wave import (
    Stretches,
    fit_frequency,
    fit_steady,
    fundamental_of_windows,
    harmonic_rows,
    orders_of,
)


def wave(n: int, turn: float, noise: float) -> np.ndarray:
    k = np.arange(n)
    clean = 0.3 + 100 * np.cos(turn * k + 0.7) + 4 * np.cos(5 * turn * k - 1.0)
    return np.asarray(clean + noise * np.random.default_rng(1).standard_normal(n))


def test_rows_are_ones_cosines_and_sines() -> None:
    rows, k = harmonic_rows(5, 70, 0.11, 13), np.arange(5, 70)
    assert rows[0] == pytest.approx(np.ones(65))
    for h in range(1, 14):
        assert rows[2 * h - 1] == pytest.approx(np.cos(h * 0.11 * k), abs=1e-12)
        assert rows[2 * h] == pytest.approx(np.sin(h * 0.11 * k), abs=1e-12)


def test_weights_are_the_least_squares_of_the_library() -> None:
    # Outside: NumPy's lstsq, which goes by singular values and not by normal equations.
    u, turn = wave(600, 2 * np.pi / 128, 0.5), 2 * np.pi / 128
    found = fit_steady(u, 40, 520, turn, 13)
    rows = harmonic_rows(40, 520, turn, 13)
    weights, squares, _, _ = np.linalg.lstsq(rows.T, u[40:520], rcond=None)
    assert found.weights == pytest.approx(weights, abs=1e-9)
    assert found.left == pytest.approx(np.sqrt(squares[0] / (480 - 27)), rel=1e-9)
    assert found.at(500, 560) == pytest.approx(weights @ harmonic_rows(500, 560, turn, 13))


@pytest.mark.parametrize(("n", "order"), [(256, 13), (257, 13), (60, 1), (31, 1)])
def test_stretches_of_one_length_are_fitted_wherever_they_lie(n: int, order: int) -> None:
    # Outside: NumPy's lstsq on sines written out, of each stretch alone.
    u, turn = wave(900, 2 * np.pi / 128, 0.5), 2 * np.pi / 128
    stretches = Stretches.of(turn, order, n, begin=-140, stop=n + 300)
    for first in (150, 333):
        k = np.arange(-140, n + 300)
        sines = np.concatenate([[np.cos(h * turn * k), np.sin(h * turn * k)] for h in range(1, order + 1)])
        table = np.concatenate(([np.ones(k.size)], sines)).T
        weights = np.linalg.lstsq(table[140 : 140 + n], u[first : first + n], rcond=None)[0]
        found = stretches.fit(u[first : first + n])
        assert found.weights == pytest.approx(weights, abs=1e-9)
        left = u[first : first + n] - table[140 : 140 + n] @ weights
        assert found.left == pytest.approx(np.sqrt((left**2).sum() / (n - 2 * order - 1)), rel=1e-9)
        assert stretches.at(found, -140, n + 300) == pytest.approx(table @ weights, abs=1e-8)


def test_a_fit_takes_any_number_of_samples_from_a_cycle_and_a_half_on() -> None:
    # Outside: NumPy's lstsq; lengths about whole blocks and between them, few samples a cycle and many.
    for cycle in (16.0, 17.3, 20.0, 64.0, 333.3):
        turn, order = 2 * np.pi / cycle, orders_of(cycle)
        for n in range(int(1.5 * cycle) + 2, int(1.5 * cycle) + 40, 3):
            u = wave(n + 9, turn, 0.5)
            weights = np.linalg.lstsq(harmonic_rows(9, n + 9, turn, order).T, u[9:], rcond=None)[0]
            assert fit_steady(u, 9, n + 9, turn, order).weights == pytest.approx(weights, abs=1e-7)


@pytest.mark.parametrize("off", [0.97, 0.999, 1.02])
def test_the_frequency_is_found_where_it_is_off(off: float) -> None:
    turn = 2 * np.pi / 128
    found = fit_frequency(wave(1100, turn, 0.0), 0, 1024, 128 * off)
    assert found is not None
    assert found.turn == pytest.approx(turn, rel=1e-9)
    assert abs(found.phasor - 100 * np.exp(0.7j)) < 1e-5
    assert found.left < 1e-5


def test_no_voltage_has_no_frequency() -> None:
    assert fit_frequency(np.zeros(1100), 0, 1024, 128.0) is None


def test_phasors_of_windows_are_those_of_a_pseudoinverse() -> None:
    # Outside: NumPy's pinv.
    turn = 2 * np.pi / 127.3
    windows = np.stack([wave(400, turn, 1.0)[a : a + 127] for a in (0, 40, 200)])
    inverse = np.linalg.pinv(harmonic_rows(0, 127, turn, orders_of(127.3)).T)
    assert np.abs(fundamental_of_windows(windows, turn) - windows @ (inverse[1] - 1j * inverse[2])).max() < 1e-8
