"""Limit rules against a plain state machine and closed forms."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.limits import LimitRule, find_limit_excursions
from halfcycle.pipeline.errors import SignalError

SOURCE = "common practice, no source; sliding reference after IEC 61000-4-30 Ed. 3, 5.4.4 (from memory)"
F64 = npt.NDArray[np.float64]
RATE_HZ = 6400.0


def excursions(values: Any, *, nominal: float | None = None, unit: str = "V", **rule: Any) -> list[Finding]:
    """Excursions of values one second apart."""
    times = RATE_HZ * np.arange(np.size(values))
    return find_limit_excursions(
        times,
        values,
        LimitRule(name="mine", variable="rms", **rule),
        rate_hz=RATE_HZ,
        nominal=nominal,
        unit=unit,
        channel=2,
    )


def spans_s(found: list[Finding]) -> list[tuple[float, float]]:
    return [(one.start / RATE_HZ, one.stop / RATE_HZ) for one in found]


def test_an_excursion_goes_from_the_first_value_beyond_to_the_first_that_is_back() -> None:
    (found,) = excursions([230, 254, 256, 253, 230], above=253)
    assert found.kind == "limit"
    assert spans_s([found]) == [(1, 3)]
    assert (found.magnitude, found.magnitude_unit, found.reference_v) == (256, "V", None)
    assert [(part.channel, part.extreme) for part in found.parts] == [(2, 256)]
    assert found.notes == "mine: rms above 253 V"
    assert not found.open_start
    assert not found.open_stop


@pytest.mark.parametrize(
    ("rule", "magnitude", "unit"),
    [
        ({"above": 253}, 276, "V"),
        ({"above": 1.1, "measured_as": "pu"}, 1.2, "pu"),
        ({"above": 10, "measured_as": "deviation_pct"}, 20, "%"),
        ({"below": 207}, 184, "V"),
        ({"below": 0.9, "measured_as": "pu"}, 0.8, "pu"),
        ({"below": -10, "measured_as": "deviation_pct"}, -20, "%"),
    ],
)
def test_absolute_pu_and_per_cent_bounds_are_the_same_bound(rule: dict[str, Any], magnitude: float, unit: str) -> None:
    (found,) = excursions([230, 253, 276, 207, 184, 207], nominal=230, **rule)
    assert found.magnitude == pytest.approx(magnitude)
    assert found.magnitude_unit == unit
    assert spans_s([found]) == [(2, 3)] if "above" in rule else [(4, 5)]  # exactly at the bound is within
    assert found.reference_v == (None if unit == "V" else 230)


def test_both_bounds_give_separate_excursions_in_order() -> None:
    found = excursions([1, -3, 3, 0, 3, -3, 0], above=2, below=-2)
    assert spans_s(found) == [(1, 2), (2, 3), (4, 5), (5, 6)]
    assert [one.magnitude for one in found] == [-3, 3, 3, -3]


def test_hysteresis_and_least_duration_of_a_rule_decide_both_ways() -> None:
    values = [0, 11, 9, 11, 0, 11, 0]
    assert spans_s(excursions(values, above=10)) == [(1, 2), (3, 4), (5, 6)]
    assert spans_s(excursions(values, above=10, hysteresis=2)) == [(1, 4), (5, 6)]
    assert spans_s(excursions(values, above=10, hysteresis=2, minimum_duration_s=3)) == [(1, 4)]
    assert spans_s(excursions(np.negative(values), below=-10, hysteresis=2, minimum_duration_s=3)) == [(1, 4)]
    # in per cent of 230: 10 % with 1 % of hysteresis ends at 250.7
    assert spans_s(excursions([254, 251, 250], above=10, hysteresis=1, measured_as="deviation_pct", nominal=230)) == [
        (0, 2)
    ]


def test_values_that_were_not_measured_neither_start_nor_end_nor_count() -> None:
    nan = np.nan
    (found,) = excursions([0, 11, nan, nan, 12, 0], above=10)
    assert spans_s([found]) == [(1, 5)]
    assert found.magnitude == 12
    assert not found.open_stop
    (found,) = excursions([0, nan, 11, nan, 0], above=10)
    assert spans_s([found]) == [(2, 4)]
    assert found.open_start
    assert found.open_stop
    assert excursions([0, 11, nan, nan, 12, 0], above=10, minimum_duration_s=3) == []
    assert len(excursions([0, 11, 11, nan, 12, 0], above=10, minimum_duration_s=3)) == 1
    assert excursions(np.full(5, nan), above=10) == []


def test_under_way_at_the_ends_is_open_and_the_last_value_lasts_as_long_as_the_one_before() -> None:
    (found,) = excursions([11, 12, 13], above=10)
    assert (found.open_start, found.open_stop) == (True, True)
    assert spans_s([found]) == [(0, 3)]


def test_a_sliding_reference_follows_with_its_time_constant() -> None:
    # derived: after a step from 100 to 130 the first-order mean at the k-th value after it has seen k of them:
    # 130 - 30 exp(-k / 60). 130 is more than 20 % above it while exp(-k / 60) > (130 - 130 / 1.2) / 30: k < 19.53.
    values = np.repeat([100.0, 130.0], [300, 200])
    (found,) = excursions(values, above=20, measured_as="deviation_pct", reference="sliding")
    assert spans_s([found]) == [(300, 320)]
    assert found.magnitude == pytest.approx(30)
    assert found.magnitude_unit == "%"
    assert found.reference_v == pytest.approx(100)
    assert spans_s(excursions(values, above=1.2, measured_as="pu", reference="sliding")) == [(300, 320)]
    (slow,) = excursions(values, above=20, measured_as="deviation_pct", reference="sliding", sliding_s=120)
    assert spans_s([slow]) == [(300, 340)]  # k < 39.05


def test_a_sliding_reference_starts_at_nominal_where_given_and_skips_what_was_not_measured() -> None:
    values = np.full(100, 130.0)
    rule: dict[str, Any] = {"above": 20, "measured_as": "deviation_pct", "reference": "sliding"}
    assert excursions(values, **rule) == []
    assert spans_s(excursions(values, nominal=100, **rule)) == [(0, 20)]
    gaps = np.repeat([100.0, np.nan, 130.0], [300, 50, 200])
    (found,) = excursions(gaps, **rule)
    assert spans_s([found]) == [(350, 370)]
    assert found.open_start


def test_no_number_of_excursions_is_too_many() -> None:
    found = excursions(np.tile([0.0, 1.0], 25_000), above=0.5)
    assert len(found) == 25_000
    assert found[-1].start == 49_999 * RATE_HZ


def twin(values: F64, *, above: float | None, below: float | None, hysteresis: float) -> list[tuple[Any, ...]]:
    """Excursions value by value: (start, stop, extreme, open_start, open_stop)."""
    found = []
    for bound, sign in ((above, 1), (below, -1)):
        if bound is None:
            continue
        start, extreme = None, 0.0
        for i in range(len(values) + 1):
            value = None if i == len(values) or np.isnan(values[i]) else sign * float(values[i])
            if start is None:
                if value is not None and value > sign * bound:
                    start, extreme = i, value
            elif i == len(values) or (value is not None and value <= sign * bound - hysteresis):
                open_start = start == 0 or bool(np.isnan(values[start - 1]))
                open_stop = i == len(values) or bool(np.isnan(values[i - 1]))
                found.append((start, i, sign * extreme, open_start, open_stop))
                start = None
            elif value is not None:
                extreme = max(extreme, value)
    return sorted(found, key=lambda row: row[0])


VALUES = st.lists(st.sampled_from([np.nan, -4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0]), min_size=2, max_size=80)


@given(VALUES, st.sampled_from([None, 1.5, 2.0]), st.sampled_from([None, -1.0, -3.0]), st.sampled_from([0.0, 0.5, 1.0]))
def test_limit_excursions_are_those_of_a_state_machine(
    values: list[float], above: float | None, below: float | None, hysteresis: float
) -> None:
    if above is None and below is None:
        above = 0.5
    found = excursions(values, above=above, below=below, hysteresis=hysteresis)
    expected = twin(np.array(values), above=above, below=below, hysteresis=hysteresis)
    assert [
        (one.start / RATE_HZ, one.stop / RATE_HZ, one.magnitude, one.open_start, one.open_stop) for one in found
    ] == expected


@given(VALUES, st.floats(1e-3, 1e4))
def test_pu_rules_do_not_depend_on_scale(values: list[float], scale: float) -> None:
    shifted = 100 + np.array(values)
    for reference in ("nominal", "sliding"):
        rule: dict[str, Any] = {"above": 1.015, "below": 0.97, "measured_as": "pu", "reference": reference}
        before = excursions(shifted, nominal=100.0, **rule)
        after = excursions(scale * shifted, nominal=100.0 * scale, **rule)
        assert spans_s(after) == spans_s(before)
        assert [one.magnitude for one in after] == pytest.approx([one.magnitude for one in before])


def test_time_grows_with_the_record_and_no_faster() -> None:
    # For four times the values linear is 4 and quadratic 16; a busy machine may double the former.
    values = 230 + np.random.default_rng(1).standard_normal(2_000_000)
    values[::500] += 40

    def seconds(n: int) -> float:
        start = time.process_time()
        assert len(excursions(values[:n], above=260)) == n // 500
        return time.process_time() - start

    seconds(100_000)
    assert min(seconds(2_000_000) for _ in range(3)) < 10 * min(seconds(500_000) for _ in range(3))


def test_short_series_and_misfits() -> None:
    assert excursions([], above=1) == []
    (single,) = excursions([2.0], above=1)
    assert (single.start, single.stop) == (0, 0)  # one value alone does not tell how long it lasts
    assert single.open_stop
    assert spans_s(excursions(np.array([0, 3, 0]), above=2)) == [(1, 2)]  # whole numbers are values too
    with pytest.raises(SignalError, match="times"):
        find_limit_excursions([0.0, 1.0], [1.0], LimitRule(name="a", variable="b", above=1), rate_hz=1)
    with pytest.raises(SignalError, match="nominal value of rms"):
        excursions([1.0, 2.0], above=1, measured_as="pu")
    with pytest.raises(SignalError, match="above zero"):
        excursions([1.0, 2.0], above=1, measured_as="pu", nominal=0)


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"above": 1, "below": 2},
        {"above": 1, "below": 0, "hysteresis": 0.6},
        {"above": 1, "reference": "sliding"},
        {"above": 1, "channel": "ua", "phase": "A"},
        {"above": 1, "minimum_duration_s": -1},
        {"above": float("inf")},
        {"over": 1, "above": 1},
    ],
)
def test_rules_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        LimitRule(name="mine", variable="rms", **wrong)
