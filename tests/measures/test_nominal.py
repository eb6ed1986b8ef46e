"""Nominal frequency and voltage told from the data, and the cases in which the data do not say."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from twins.twin_waveforms import Component, Stage, three_phase

from pipeline.errors import SignalError
from pipeline.measures.nominal import find_nominal_frequency, find_nominal_voltage, steady_level
from pipeline.terms import USUAL_LINE_TO_LINE_V, USUAL_PHASE_TO_NEUTRAL_V

SOURCE_RANGE = "IEC 61000-4-30 Ed. 3, 5.1: 42.5 - 57.5 Hz and 51 - 69 Hz (from memory)"
FloatArray = npt.NDArray[np.float64]


def levels(*volts: float, n: int = 60) -> FloatArray:
    return np.repeat(np.array(volts)[:, None], n, axis=1)


# --- frequency


@pytest.mark.parametrize("rate_hz", [800.0, 1600.0, 6400.0, 12800.0, 50_000.0])
@pytest.mark.parametrize(
    ("f_hz", "nominal_hz"),
    [(42.5, 50), (49.9, 50), (50.0, 50), (53.5, 50), (56.5, 60), (60.0, 60), (61.2, 60), (69.0, 60)],
)
def test_the_nominal_frequency_is_the_usual_one_nearest_to_the_fundamental(
    rate_hz: float, f_hz: float, nominal_hz: float
) -> None:
    # Common practice, no source. Harmonics larger than any compatible level do not mislead it.
    parts = [Component(3, 0.3), Component(5, 0.2, 40.0)]
    u, _ = three_phase(rate_hz=rate_hz, length_s=0.4, f_hz=f_hz, components=parts, noise_pu=0.05, phase_deg=50.0)
    assert find_nominal_frequency(u, rate_hz=rate_hz) == nominal_hz
    assert find_nominal_frequency((1000 * u[:1]).astype(np.int16), rate_hz=rate_hz) == nominal_hz


def test_an_offset_and_missing_samples_do_not_hide_the_frequency() -> None:
    u, _ = three_phase(rate_hz=6400.0, length_s=1.0, f_hz=60.1)
    u += 3.0
    u[:, 500:600] = np.nan
    assert find_nominal_frequency(u, rate_hz=6400.0) == 60.0


def test_the_frequency_is_found_in_a_record_that_is_interrupted_for_half_of_it() -> None:
    gone = Stage(0.3, 0.5, (0.0, 0.0, 0.0))
    u, _ = three_phase(rate_hz=3200.0, length_s=1.0, f_hz=50.1, stages=[gone])
    assert find_nominal_frequency(u, rate_hz=3200.0) == 50.0


@pytest.mark.parametrize(
    ("u", "words"),
    [
        (np.zeros(6400), "no fundamental"),
        (np.full(6400, 7.0), "no fundamental"),
        (np.sin(2 * np.pi * 20.0 / 6400 * np.arange(6400)), "no fundamental"),
        (np.sin(2 * np.pi * 400.0 / 6400 * np.arange(6400)), "no fundamental"),
        (np.random.default_rng(1).standard_normal(6400), "no fundamental"),
        (np.sin(2 * np.pi * 55.0 / 6400 * np.arange(12800)), "between 50 and 60|between 60 and 50"),
        (np.sin(2 * np.pi * 50.0 / 6400 * np.arange(255)), "under two cycles"),
        (np.zeros(0), "under two cycles"),
    ],
    ids=["silence", "constant", "20 Hz", "400 Hz", "noise", "55 Hz", "short", "empty"],
)
def test_where_the_samples_do_not_say_the_frequency_is_not_guessed(u: FloatArray, words: str) -> None:
    with pytest.raises(SignalError, match=words):
        find_nominal_frequency(u, rate_hz=6400.0)


# --- voltage


@pytest.mark.parametrize("factor", [0.96, 1.0, 1.04])
@pytest.mark.parametrize("usual_v", [480.0, 690.0, 2400.0, 4160.0, 11000.0, 500_000.0])
def test_a_steady_line_to_line_level_snaps_to_the_usual_voltage(usual_v: float, factor: float) -> None:
    # terms.USUAL_LINE_TO_LINE_V names its sources; those taken here have no neighbour within 8 %.
    assert usual_v in USUAL_LINE_TO_LINE_V
    found = find_nominal_voltage(levels(*[usual_v * factor] * 3), line_to_line=True)
    assert found.volts == usual_v
    assert found.level_v == pytest.approx(usual_v * factor)
    assert f"{usual_v:.5g} V" in found.note


@pytest.mark.parametrize(("level_v", "nominal_v"), [(119.0, 120.0), (231.5, 400 / math.sqrt(3)), (229.6, 230.0)])
def test_a_steady_phase_to_neutral_level_snaps_to_a_usual_one_or_to_that_of_a_usual_system(
    level_v: float, nominal_v: float
) -> None:
    assert 230.0 in USUAL_PHASE_TO_NEUTRAL_V
    assert 400.0 in USUAL_LINE_TO_LINE_V
    assert find_nominal_voltage(levels(level_v, level_v, level_v), line_to_line=False).volts == pytest.approx(nominal_v)


def test_a_medium_voltage_phase_to_ground_snaps_to_the_system_over_root_three() -> None:
    found = find_nominal_voltage(levels(11600.0, 11550.0, 11500.0), line_to_line=False)
    assert found.volts == pytest.approx(20000 / math.sqrt(3))


def test_a_sag_in_under_half_of_the_record_does_not_move_the_level() -> None:
    u = levels(230.0, 230.0, 230.0)
    u[0, 10:35] = 60.0
    assert find_nominal_voltage(u, line_to_line=False).volts == 230.0
    assert steady_level(u) == 230.0


@pytest.mark.parametrize(
    ("u", "words"),
    [
        (levels(230.0, n=3), "under two cycles"),
        (levels(0.0, 0.0, 0.0), "zero"),
        (levels(170.0, 170.0, 170.0), "near no usual"),
        (np.linspace(100.0, 300.0, 90).reshape(1, 90), "steady for too little"),
        (levels(230.0, 120.0, 60.0), "different voltages"),
        (levels(5.0, 5.0, 5.0), "no voltage above"),
    ],
    ids=["short", "dead", "170 V", "ramp", "unequal", "unused"],
)
def test_where_there_is_no_steady_usual_voltage_it_is_not_guessed(u: FloatArray, words: str) -> None:
    with pytest.raises(SignalError, match=words):
        find_nominal_voltage(u, line_to_line=False)


@pytest.mark.parametrize("line_to_line", [False, True])
def test_a_rated_value_that_fits_the_level_is_believed_and_another_is_not(line_to_line: bool) -> None:
    # A rating may be given between lines or to ground: both are tried, sqrt(3) apart.
    own = 170.0
    other = own / math.sqrt(3) if line_to_line else own * math.sqrt(3)
    for rated_v in (own, other):
        found = find_nominal_voltage(levels(172.0, 171.0, 170.5), line_to_line=line_to_line, rated_v=rated_v)
        assert found.volts == pytest.approx(own)
        assert "rated" in found.note
    u = levels(*[396.0 if line_to_line else 228.0] * 3)
    found = find_nominal_voltage(u, line_to_line=line_to_line, rated_v=11000.0)
    assert found.volts == (400.0 if line_to_line else 230.0)
    assert "rated" not in found.note


@pytest.mark.parametrize("level", [0.85, 1.12, 0.0])
def test_a_record_that_begins_at_a_usual_voltage_and_then_stays_off_it_is_judged_by_its_beginning(level: float) -> None:
    """Common practice, no source: a recorder that waits for an event begins before it."""
    u_half = np.full((3, 2000), 230.0 * level)
    u_half[:, :200] = 230.0
    assert find_nominal_voltage(u_half, line_to_line=False).volts == pytest.approx(230.0, rel=0.005)


def test_a_record_that_begins_in_a_sag_is_judged_by_what_follows() -> None:
    u_half = np.full((3, 2000), 230.0)
    u_half[:, :200] = 0.5 * 230.0
    assert find_nominal_voltage(u_half, line_to_line=False).volts == pytest.approx(230.0, rel=0.005)
