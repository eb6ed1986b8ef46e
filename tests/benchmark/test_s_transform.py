"""The S-transform of the rival, against its definition."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.benchmark.s_transform import s_features, s_transform

SOURCE = "R. G. Stockwell et al., IEEE Transactions on Signal Processing 44 (1996), the definition as an integral"


def test_it_is_the_spectrum_under_a_gaussian_whose_width_is_a_cycle_of_the_line() -> None:
    # SOURCE: S(t, f) is the integral of x exp(-2 pi i f k) times a Gaussian about t of width 1/f and area 1.
    rng = np.random.default_rng(4)
    n, line = 256, 8
    x = rng.standard_normal(n)
    found = s_transform(x[None, :], np.array([line]))[0, 0]
    k = np.arange(n)
    for t in (0, 77, 200):
        away = k - t + n * np.arange(-2, 3)[:, None]  # a discrete transform knows periodic rows alone
        window = (line / n / np.sqrt(2 * np.pi) * np.exp(-((away * line / n) ** 2) / 2)).sum(axis=0)
        assert found[t] == pytest.approx(np.sum(x * window * np.exp(-2j * np.pi * line * k / n)), abs=1e-6)


def test_a_sag_shows_in_the_contour_of_the_fundamental() -> None:
    t = np.arange(640) / 64
    steady, sag = np.sin(2 * np.pi * t), np.sin(2 * np.pi * t) * np.where((t > 3) & (t < 7), 0.5, 1)
    assert np.abs(s_transform(steady[None, :], np.array([10])))[0, 0] == pytest.approx(0.5, abs=1e-6)
    features = s_features(np.stack((steady, sag)))
    assert features.shape[0] == 2
    assert np.isfinite(features).all()
    assert np.abs(features[0] - features[1]).max() > 0.1
