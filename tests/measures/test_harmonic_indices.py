"""Indices of harmonics against worked examples and closed forms."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.harmonic_indices import (
    distortion_of_rms,
    harmonic_loss_factor,
    interharmonic_distortion,
    k_factor,
    smoothed_groups,
    total_demand_distortion,
)
from halfcycle.pipeline.measures.spectra import total_harmonic_distortion

F64 = npt.NDArray[np.float64]

SOURCE_EXAMPLES = "worked by hand from the definitions: THD; UL 1561 K [found]"
SOURCE_SMOOTHING = "IEC 61000-4-7:2002, Figure 3: y = (x + 7.012 y') / 8.012 for windows of 200 ms [memory]"
# Orders in pu of the fundamental; THD in %, sum of h² Ih², K.
EXAMPLES = [
    ({3: 0.33, 5: 0.20, 7: 0.14, 9: 0.11, 11: 0.09, 13: 0.08}, 44.17, 6.982, 5.842),
    ({h: 1 / h for h in (5, 7, 11, 13, 17, 19, 23, 25)}, 29.04, 9.000, 8.300),
    ({5: 0.20, 7: 0.12, 11: 0.07, 13: 0.05}, 24.86, 3.721, 3.504),
]


def spectrum(orders: dict[int, float], size: float = 1.0) -> F64:
    values = np.zeros(50)
    values[0] = 1.0
    for order, share in orders.items():
        values[order - 1] = share
    return size * values


@pytest.mark.parametrize("size", [0.001, 1.0, 4000.0])
@pytest.mark.parametrize(("orders", "thd_pct", "k_i1", "k"), EXAMPLES)
def test_indices_of_worked_spectra(
    orders: dict[int, float], thd_pct: float, k_i1: float, k: float, size: float
) -> None:
    """SOURCE_EXAMPLES; to the digits printed."""
    i = spectrum(orders, size)[None]
    assert 100 * total_harmonic_distortion(i) == pytest.approx([thd_pct], abs=0.005)
    # Derived: sum Ih² = I1² (1 + THD²), so that both K-factors of the example tell k_factor.
    assert k_factor(i) * (1 + total_harmonic_distortion(i) ** 2) == pytest.approx([k_i1], abs=0.0005)
    assert k_factor(i) == pytest.approx([k], abs=0.0005)
    assert harmonic_loss_factor(i) == pytest.approx([k], abs=0.0005)


def test_a_sine_has_no_losses_beyond_those_of_a_sine() -> None:
    i = spectrum({})
    assert (float(k_factor(i)), float(harmonic_loss_factor(i))) == (1.0, 1.0)


def test_indices_without_a_current_are_not_numbers() -> None:
    for index in (k_factor, harmonic_loss_factor):
        assert np.isnan(index(np.zeros((2, 50)))).all()
    assert np.isnan(interharmonic_distortion(np.ones((2, 50)), np.zeros(2))).all()


def test_distortion_of_the_rms_is_that_of_the_fundamental_referred_to_the_rms() -> None:
    """Derived: 44.17 % of the fundamental is 0.4417 / sqrt(1 + 0.4417²) = 40.40 % of the RMS; bounds 0 and 1."""
    i = spectrum(EXAMPLES[0][0])
    assert float(distortion_of_rms(i)) == pytest.approx(0.4040, abs=5e-5)
    beyond = np.linalg.norm(i[1:]) / np.linalg.norm(i)
    assert float(distortion_of_rms(i)) == pytest.approx(beyond)
    assert distortion_of_rms([[0.0, 1.0], [0.0, 0.0]]).tolist() == [1.0, 0.0]
    assert float(distortion_of_rms(spectrum({45: 0.1}))) == 0.0
    assert float(distortion_of_rms(spectrum({45: 0.1}), highest_order=50)) > 0.09


def test_demand_distortion_refers_to_the_greatest_demand_and_not_to_the_load() -> None:
    """Derived: 24.86 % of a tenth of the demand current is 2.486 % TDD."""
    i = spectrum(EXAMPLES[2][0], size=10.0)
    assert 100 * float(total_demand_distortion(i, demand_current_a=100.0)) == pytest.approx(2.486, abs=0.001)
    assert float(total_demand_distortion(spectrum({45: 0.1}), demand_current_a=1.0, highest_order=40)) == 0.0
    with pytest.raises(SignalError):
        total_demand_distortion(i, demand_current_a=0.0)


def test_interharmonics_add_up_by_their_squares() -> None:
    assert float(interharmonic_distortion([3.0, 0.0, 4.0], 100.0)) == pytest.approx(0.05)


def test_smoothing_has_the_factors_of_the_standard() -> None:
    """SOURCE_SMOOTHING, step by step; exp(-0.2/1.5) gives 8.011 and 7.011, so 1e-3 is allowed."""
    rng = np.random.default_rng(2)
    x = rng.uniform(0, 1, (40, 3))
    y = [x[0]]
    for value in x[1:]:
        y.append((value + 7.012 * y[-1]) / 8.012)
    assert smoothed_groups(x, window_s=0.2) == pytest.approx(np.array(y), abs=1e-3)


def test_smoothing_in_two_pieces_is_smoothing_in_one() -> None:
    x = np.random.default_rng(3).uniform(0, 1, (30, 2))
    whole = smoothed_groups(x, window_s=0.2)
    first = smoothed_groups(x[:11], window_s=0.2)
    second = smoothed_groups(x[11:], window_s=0.2, before=first[-1])
    assert np.concatenate([first, second]) == pytest.approx(whole)
    assert smoothed_groups(np.zeros((0, 2)), window_s=0.2).shape == (0, 2)
    with pytest.raises(SignalError):
        smoothed_groups(x, window_s=0.0)
