"""Symmetrical components and unbalance against closed forms, and the two ways to unbalance against each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.sequence import (
    symmetrical_components,
    unbalance_of_line_voltages,
    unbalance_of_phasors,
)

SOURCE_DEFINITION = "IEC 61000-4-30 Ed. 3, 5.7 (from memory); the components after Fortescue 1918"
SOURCE_STATES = (
    "IEC 61000-4-30: 73/80/87 % and 152/140/128 % are influence states 2 and 3 (from memory); their unbalance, and "
    "that of the other rows, calculated from the definition, not by this code"
)
TURN = np.exp(2j * np.pi / 3)
ROTATION = np.array([1, TURN**2, TURN])  # A, B, C in positive sequence


def line_magnitudes(phasors: npt.NDArray[np.complex128]) -> npt.NDArray[np.float64]:
    a, b, c = phasors
    return np.abs(np.stack([a - b, b - c, c - a]))


# One value says it all: with exact angles u2 and u0 of unequal amplitudes are the same. Two decimals are given for the
# influence states, three for the rest: half a unit of the last is the tolerance.
@pytest.mark.parametrize(
    ("amplitudes", "expected_pct", "tolerance"),
    [
        ((100, 100, 100), 0.0, 1e-12),
        ((95, 100, 100), 1.695, 5e-4),
        ((90, 100, 100), 3.448, 5e-4),
        ((73, 80, 87), 5.05, 5e-3),
        ((152, 140, 128), 4.95, 5e-3),
        ((100, 90, 80), 6.415, 5e-4),
    ],
)
def test_unbalance_of_unequal_amplitudes_is_as_tabulated_in_both_ways(
    amplitudes: tuple[float, float, float], expected_pct: float, tolerance: float
) -> None:
    phasors = np.array(amplitudes) * ROTATION
    negative, zero = unbalance_of_phasors(phasors)
    assert 100 * negative == pytest.approx(expected_pct, abs=tolerance)
    assert 100 * zero == pytest.approx(expected_pct, abs=tolerance)
    # At balance the magnitudes' own rounding, 1e-16, is all that is left.
    assert 100 * unbalance_of_line_voltages(line_magnitudes(phasors)) == pytest.approx(expected_pct, abs=tolerance)


def test_a_phase_that_is_five_degrees_off_makes_2_910_per_cent() -> None:
    phasors = ROTATION * np.exp(1j * np.radians([5, 0, 0]))
    assert 100 * unbalance_of_phasors(phasors)[0] == pytest.approx(2.910, abs=5e-4)
    assert 100 * unbalance_of_line_voltages(line_magnitudes(phasors)) == pytest.approx(2.910, abs=5e-4)


def test_an_open_phase_leaves_two_thirds_one_third_one_third() -> None:
    # derived: (0 + 1 + 1) / 3 for U+; for U- and U0 the two phasors left add up to one of length 1, over 3
    u0, u1, u2 = symmetrical_components(ROTATION * [0, 1, 1])
    assert np.abs([u0, u1, u2]) == pytest.approx([1 / 3, 2 / 3, 1 / 3], abs=1e-15)
    assert unbalance_of_phasors(ROTATION * [0, 1, 1])[0] == pytest.approx(0.5, abs=1e-15)


@pytest.mark.parametrize(("order", "place"), [((0, 1, 2), 1), ((0, 2, 1), 2)])
def test_a_balanced_set_is_one_component_alone(order: tuple[int, ...], place: int) -> None:
    components = np.abs(symmetrical_components(ROTATION[list(order)]))
    expected = np.zeros(3)
    expected[place] = 1
    assert components == pytest.approx(expected, abs=1e-15)


COMPLEX = st.complex_numbers(max_magnitude=0.3, allow_nan=False, allow_infinity=False)


@given(arrays(np.complex128, (2, 4), elements=COMPLEX))
def test_components_put_together_are_the_phasors(parts: npt.NDArray[np.complex128]) -> None:
    zero, negative = parts
    phasors = zero + ROTATION[:, None] + np.conj(ROTATION)[:, None] * negative
    u0, u1, u2 = symmetrical_components(phasors)
    assert u0 == pytest.approx(zero, abs=1e-14)
    assert u1 == pytest.approx(np.ones(4), abs=1e-14)
    assert u2 == pytest.approx(negative, abs=1e-14)


@given(arrays(np.complex128, (2, 4), elements=COMPLEX), st.floats(1e-3, 1e6))
def test_line_voltages_and_phasors_give_the_same_unbalance_at_any_scale(
    parts: npt.NDArray[np.complex128], scale: float
) -> None:
    zero, negative = parts
    phasors = scale * (zero + ROTATION[:, None] + np.conj(ROTATION)[:, None] * negative)
    u2, u0 = unbalance_of_phasors(phasors)
    assert u2 == pytest.approx(np.abs(negative), abs=1e-13)
    assert u0 == pytest.approx(np.abs(zero), abs=1e-13)
    # Magnitudes carry rounding of 1e-16 each, and the zero sequence as large as U+ a little more.
    assert unbalance_of_line_voltages(line_magnitudes(phasors)) == pytest.approx(np.abs(negative), abs=1e-13)


@given(arrays(np.float64, 3, elements=st.floats(90, 110)), st.permutations([0, 1, 2]))
def test_the_order_of_the_line_voltages_does_not_matter(sides: npt.NDArray[np.float64], order: list[int]) -> None:
    assert unbalance_of_line_voltages(sides[order]) == pytest.approx(
        float(unbalance_of_line_voltages(sides)), abs=1e-14
    )


@given(arrays(np.float64, 3, elements=st.floats(90, 110)))
def test_line_unbalance_is_the_standards_formula(sides: npt.NDArray[np.float64]) -> None:
    beta = (sides**4).sum() / (sides**2).sum() ** 2
    root = np.sqrt(max(3 - 6 * beta, 0))
    written_out = np.sqrt(max((1 - root) / (1 + root), 0))
    # The formula as it is written loses half the digits near balance: its square is good to some 1e-15.
    assert float(unbalance_of_line_voltages(sides)) ** 2 == pytest.approx(written_out**2, abs=4e-15)


def test_what_was_not_measured_or_cannot_be_has_no_unbalance() -> None:
    sides = np.array([[400.0, 0, 100, np.nan, 200], [400, 0, 100, 400, 100], [400, 0, 300, 400, 100]])
    u2 = unbalance_of_line_voltages(sides)
    assert u2[0] == 0
    assert np.isnan(u2[1:4]).all()  # nothing there; no triangle has sides 1, 1, 3; not measured
    assert u2[4] == pytest.approx(1)  # a flat triangle: both sequences are as large
    negative, zero = unbalance_of_phasors(np.zeros((3, 2)))
    assert np.isnan([negative, zero]).all()
    assert unbalance_of_line_voltages(np.zeros((3, 0))).shape == (0,)


@pytest.mark.parametrize("shape", [(2, 5), (4,), ()])
def test_other_than_three_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(SignalError, match="expected"):
        symmetrical_components(np.ones(shape))
    with pytest.raises(SignalError, match="expected"):
        unbalance_of_phasors(np.ones(shape))
    with pytest.raises(SignalError, match="expected"):
        unbalance_of_line_voltages(np.ones(shape))


def test_a_negative_magnitude_is_refused() -> None:
    with pytest.raises(SignalError, match="negative"):
        unbalance_of_line_voltages([400, -400, 400])
