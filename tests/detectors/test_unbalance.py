"""Unbalance as an event: aggregation, limit with hysteresis, and the least duration."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.unbalance import UnbalanceSettings, find_unbalance
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.quality import MISSING

SOURCE_LIMIT = "EN 50160:2010 (from memory): 2 % for 95 % of a week's 10-minute values"
SOURCE_METHOD = "IEC 61000-4-30 Ed. 3, 5.7 and 4.4 (from memory): root of the mean of squares of 10/12-cycle values"
ROTATION = np.exp(-2j * np.pi / 3 * np.arange(3))
WINDOW = 1280.0  # samples: 0.2 s at 6400 Hz
RATE_HZ = 6400.0
PLAIN = UnbalanceSettings(n_aggregated=1, minimum_duration_s=0)


def phasors(u2: Any) -> npt.NDArray[np.complex128]:
    """Phasors of 230 V with a negative sequence, and twice as much of a zero sequence that must not count."""
    u2 = np.asarray(u2, np.float64)
    return 230 * (ROTATION[:, None] + np.conj(ROTATION)[:, None] * u2 + 2 * u2)


def magnitudes(u2: Any) -> npt.NDArray[np.float64]:
    values = phasors(u2)
    return np.abs(values - np.roll(values, -1, axis=0))


def unbalance(voltages: Any, *, rules: UnbalanceSettings = PLAIN, **others: Any) -> list[Finding]:
    starts = WINDOW * np.arange(np.shape(voltages)[1])
    return find_unbalance(voltages, starts, rate_hz=RATE_HZ, settings=rules, **others)


@pytest.mark.parametrize("form", [phasors, magnitudes])
def test_an_excursion_above_2_per_cent_is_found_from_phasors_and_from_line_voltages(form: Any) -> None:
    (found,) = unbalance(form(np.repeat([0.01, 0.03, 0.035, 0.01], [50, 20, 10, 50])))
    assert found.kind == "unbalance"
    assert (found.magnitude, found.magnitude_unit) == (pytest.approx(3.5), "%")
    assert (found.start, found.stop) == (50 * WINDOW, 80 * WINDOW)
    assert [(part.channel, part.extreme) for part in found.parts] == [(c, pytest.approx(3.5)) for c in range(3)]
    assert not found.open_start
    assert not found.open_stop


def test_by_default_three_seconds_are_one_value_and_a_minute_the_least() -> None:
    default = UnbalanceSettings()
    minute = np.repeat([0.0, 0.03, 0.0], [150, 300, 150])  # 60 s
    (found,) = unbalance(phasors(minute), rules=default)
    assert (found.stop - found.start) / RATE_HZ == 60
    assert unbalance(phasors(np.repeat([0.0, 0.03, 0.0], [150, 285, 150])), rules=default) == []


def test_values_are_aggregated_by_their_squares() -> None:
    # derived: the root of the mean of 0 and 2.9² is 2.05; their mean is 1.45, below the limit
    u2 = np.tile([0.0, 0.029], 40)
    (found,) = unbalance(phasors(u2), rules=UnbalanceSettings(n_aggregated=2, minimum_duration_s=0))
    assert found.magnitude == pytest.approx(2.9 / np.sqrt(2))
    assert found.open_start
    assert found.open_stop
    assert found.stop == 80 * WINDOW


def test_hysteresis_keeps_it_until_it_is_well_below_the_limit() -> None:
    u2 = np.repeat([0.01, 0.021, 0.019, 0.021, 0.01], 10)
    assert len(unbalance(phasors(u2))) == 1
    assert len(unbalance(phasors(u2), rules=PLAIN.model_copy(update={"hysteresis_pct": 0.0}))) == 2


def test_exactly_at_the_limit_is_within() -> None:
    assert unbalance(phasors(np.full(20, 0.0199999))) == []
    assert len(unbalance(phasors(np.full(20, 0.0200001)))) == 1


def test_windows_without_measurement_neither_start_nor_end_it() -> None:
    u2 = np.repeat([0.01, 0.03, 0.01], [20, 40, 20])
    flags = np.zeros((3, 80), np.uint8)
    flags[1, 30:40] = MISSING
    broken = phasors(u2)
    broken[1, 30:40] = 0
    (found,) = unbalance(broken, flags=flags)
    assert (found.start, found.stop) == (20 * WINDOW, 60 * WINDOW)
    assert found.magnitude == pytest.approx(3)
    assert found.flags == MISSING
    flags[1, 55:65] = MISSING
    (found,) = unbalance(broken, flags=flags)
    assert found.open_stop
    assert unbalance(broken, flags=np.full((3, 80), MISSING)) == []
    nan = magnitudes(u2)
    nan[:, 30:40] = np.nan
    (found,) = unbalance(nan)
    assert (found.start, found.stop) == (20 * WINDOW, 60 * WINDOW)


def test_what_was_not_measured_does_not_count_towards_the_duration() -> None:
    u2 = np.repeat([0.01, 0.03, 0.01], [20, 40, 20])
    flags = np.zeros((3, 80), np.uint8)
    flags[0, 25:55] = MISSING
    rules = UnbalanceSettings(n_aggregated=1, minimum_duration_s=3)  # 8 s, of which 2 s are measured
    assert len(unbalance(phasors(u2), rules=rules)) == 1
    assert unbalance(phasors(u2), rules=rules, flags=flags) == []


def test_an_interval_that_is_mostly_unmeasured_is_not_judged() -> None:
    rules = UnbalanceSettings(n_aggregated=4, minimum_duration_s=0)
    u2 = np.full(8, 0.03)
    flags = np.zeros((3, 8), np.uint8)
    flags[0, [0, 1]] = MISSING
    assert unbalance(phasors(u2), rules=rules, flags=flags)[0].start == 0
    flags[0, 2] = MISSING
    assert unbalance(phasors(u2), rules=rules, flags=flags)[0].start == 4 * WINDOW


@given(
    st.lists(st.sampled_from([0.0, 0.015, 0.019, 0.025, 0.05]), min_size=1, max_size=60),
    st.floats(1e-3, 1e4),
    st.permutations([0, 1, 2]),
)
def test_neither_scale_nor_order_of_line_voltages_matters(u2: list[float], scale: float, order: list[int]) -> None:
    before = unbalance(magnitudes(u2))
    after = unbalance(scale * magnitudes(u2)[order])
    assert [(one.start, one.stop) for one in after] == [(one.start, one.stop) for one in before]
    assert [one.magnitude for one in after] == pytest.approx([one.magnitude for one in before])
    turned = unbalance(scale * 1j * np.roll(phasors(u2), 1, axis=0))
    assert [(one.start, one.stop) for one in turned] == [(one.start, one.stop) for one in before]


def test_empty_series_give_nothing_and_others_than_three_are_refused() -> None:
    assert unbalance(np.zeros((3, 0))) == []
    assert unbalance(np.zeros((3, 30))) == []  # a dead bus is not unbalanced
    with pytest.raises(SignalError, match="expected"):
        unbalance(np.zeros((2, 10)))
    with pytest.raises(SignalError, match="expected"):
        find_unbalance(np.zeros((3, 10)), np.zeros(9), rate_hz=RATE_HZ, settings=PLAIN)


@pytest.mark.parametrize("wrong", [{"hysteresis_pct": 2.0}, {"limit_pct": 0}, {"n_aggregated": 0}, {"limit": 2}])
def test_settings_of_unbalance_out_of_order_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        UnbalanceSettings(**wrong)  # type: ignore[arg-type]
