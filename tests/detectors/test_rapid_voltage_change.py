"""Rapid voltage changes: hand-computed cases, and a plain loop over the standard's definition as the twin."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.rapid_voltage_change import RapidVoltageChangeSettings, find_rapid_voltage_changes
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.quality import CLIPPED, MISSING

SOURCE = "IEC 61000-4-30 Ed. 3, 5.11 (the algorithm from memory, its quantities found in secondary texts)"
HAND = "computed by hand from the definition: steady while all of the last 100 values lie within 3.3 % of their mean"
F64 = npt.NDArray[np.float64]

DEFAULT = RapidVoltageChangeSettings()
HALF_CYCLE = 64.0  # samples


def levels(*pieces: tuple[float, int]) -> F64:
    """Voltage in pu from levels and how many half cycles each lasts."""
    return np.concatenate([np.full(n, value) for value, n in pieces])


def changes(pu: Any, *, rules: RapidVoltageChangeSettings = DEFAULT, hz: float = 50.0, **others: Any) -> list[Finding]:
    values = 230 * np.atleast_2d(pu)
    starts = HALF_CYCLE * np.arange(values.shape[1])
    return find_rapid_voltage_changes(
        values, starts, reference_v=230.0, nominal_frequency_hz=hz, settings=rules, **others
    )


def uss(finding: Finding) -> float:
    assert finding.before is not None
    assert finding.after is not None
    return abs(finding.after - finding.before)


def test_a_step_of_4_per_cent_that_stays_is_4_and_4_from_its_first_half_cycle_and_without_length() -> None:
    # HAND: the first value at 0.96 lies 3.96 % from the mean; the last second settles 99 half cycles later, and set
    # back by 100 that is before the start.
    (found,) = changes(levels((1, 500), (0.96, 500)))
    assert found.kind == "rapid_voltage_change"
    assert found.magnitude == pytest.approx(4)
    assert found.magnitude_unit == "%"
    assert (found.before, found.after) == pytest.approx((100, 96))
    assert (found.start, found.stop) == (500 * HALF_CYCLE, 500 * HALF_CYCLE)
    assert not found.open_start
    assert not found.open_stop


@pytest.mark.parametrize(("hz", "least"), [(50.0, 100), (60.0, 120)])
def test_a_second_is_100_half_cycles_at_50_hz_and_120_at_60_hz(hz: float, least: int) -> None:
    # HAND: the voltage must have been steady for a second before the change, and the record must tell of it.
    step = changes(levels((1, least), (0.96, least)), hz=hz)
    assert [round(found.magnitude, 9) for found in step] == [4]
    assert changes(levels((1, least - 1), (0.96, 2 * least)), hz=hz) == []


def test_a_motor_start_dips_deeper_than_the_steady_change_it_leaves() -> None:
    # HAND: 0.93 for 60 half cycles, then 0.97: the last value outside the settled second is the 59th after the first.
    (found,) = changes(levels((1, 500), (0.93, 60), (0.97, 300)))
    assert found.magnitude == pytest.approx(7)
    assert uss(found) == pytest.approx(3)
    assert (found.stop - found.start) / HALF_CYCLE == 59


def test_a_slow_ramp_is_no_rapid_change_however_far_it_goes_and_a_quick_one_is() -> None:
    # HAND: on a ramp the last of 100 values lies 99/2 steps from their mean: 2.97 % at 0.06 % a step, 3.96 % at 0.08 %.
    slow = np.concatenate([np.ones(300), np.linspace(1, 0.91, 151)[1:], np.full(300, 0.91)])
    quick = np.concatenate([np.ones(300), np.linspace(1, 0.92, 101)[1:], np.full(300, 0.92)])
    assert changes(slow) == []
    (found,) = changes(quick)
    # HAND: k values down the ramp, the last lies 0.08 (k - k (k + 1) / 200) % from the mean: 3.3 is passed at k = 59,
    # with 0.08 * 58 * 59 / 200 = 1.3688 % of the ramp in the mean before. With 23 left 1.65 holds: 0.2208 % in it.
    assert found.start == (300 + 58) * HALF_CYCLE
    assert found.magnitude == pytest.approx(8 - 1.3688)
    assert uss(found) == pytest.approx(8 - 1.3688 - 0.2208)


def test_two_steps_within_a_second_are_one_event_and_two_seconds_apart_two() -> None:
    (found,) = changes(levels((1, 500), (0.96, 70), (0.925, 400)))
    assert found.magnitude == pytest.approx(7.5)
    assert uss(found) == pytest.approx(7.5)
    assert found.stop == (500 + 69) * HALF_CYCLE
    apart = changes(levels((1, 500), (0.96, 200), (0.925, 400)))
    assert [uss(one) for one in apart] == pytest.approx([4, 3.5])


def test_a_change_that_holds_a_sag_or_swell_is_none() -> None:
    assert changes(levels((1, 500), (0.85, 20), (0.96, 500))) == []
    assert changes(levels((1, 500), (1.12, 20), (1, 500))) == []
    assert len(changes(levels((1, 500), (0.905, 20), (0.96, 500)))) == 1
    wide = RapidVoltageChangeSettings(sag_pu=0.8, swell_pu=1.2)
    assert len(changes(levels((1, 500), (0.85, 20), (1.12, 20), (0.96, 500)), rules=wide)) == 1


def test_the_end_of_a_long_sag_is_no_rapid_change() -> None:
    # The sag's level is steady after a second; its recovery would be a change of its own but for the sag in it.
    assert changes(levels((1, 500), (0.88, 500), (0.95, 500))) == []
    assert len(changes(levels((1, 500), (0.91, 500), (0.95, 500)))) == 2


def test_the_callers_sags_and_swells_decide_where_given() -> None:
    pu = levels((1, 500), (0.93, 60), (0.97, 400), (1, 400))
    assert len(changes(pu)) == 1
    assert len(changes(pu, variations=np.zeros((0, 2)))) == 1
    assert changes(pu, variations=[[510 * HALF_CYCLE, 520 * HALF_CYCLE]]) == []
    assert changes(pu, variations=[[0.0, 500 * HALF_CYCLE]]) == []  # it ends as the change begins
    long_then_short = [[0.0, 600 * HALF_CYCLE], [100.0, 200.0]]
    assert changes(pu, variations=long_then_short) == []
    elsewhere = [[0.0, 499 * HALF_CYCLE], [700 * HALF_CYCLE, 800 * HALF_CYCLE]]
    assert len(changes(pu, variations=elsewhere)) == 1
    # by their reference a sag need not be one by ours
    assert len(changes(levels((1, 500), (0.85, 20), (0.96, 500)), variations=[])) == 1


def test_hysteresis_keeps_a_change_going_until_the_voltage_is_steadier_than_it_was() -> None:
    # HAND: after the change the voltage swings by 2 % about 0.97: within 3.3 - 0.5 %, not within 3.3 - 1.65 %.
    swing = 0.97 + 0.02 * (-1.0) ** np.arange(300)
    pu = np.concatenate([np.ones(500), np.full(10, 0.93), swing, np.full(300, 0.97)])
    (kept,) = changes(pu)
    (ended,) = changes(pu, rules=RapidVoltageChangeSettings(hysteresis_pct=0.5))
    assert kept.stop == (500 + 10 + 299) * HALF_CYCLE
    assert ended.stop == (500 + 9) * HALF_CYCLE


def test_with_little_hysteresis_one_step_is_two_changes() -> None:
    # HAND: with 25 of 100 values at the new level, none lies more than 3.02 % from the mean; with 83, some lie 3.32 %.
    found = changes(levels((1, 500), (0.96, 500)), rules=RapidVoltageChangeSettings(hysteresis_pct=0.28))
    assert [one.start / HALF_CYCLE for one in found] == [500, 500 + 82]
    assert [uss(one) for one in found] == pytest.approx([1, 0.72])


def test_three_phases_make_one_event_with_the_worst_values() -> None:
    a = levels((1, 500), (0.96, 500))
    b = levels((1, 550), (0.94, 450))
    (found,) = changes([a, b, np.ones(1000)])
    assert found.start == 500 * HALF_CYCLE
    assert found.magnitude == pytest.approx(6)
    assert (found.before, found.after) == pytest.approx((100, 94))
    assert [(part.channel, part.start) for part in found.parts] == [(0, 500 * HALF_CYCLE), (1, 550 * HALF_CYCLE)]
    assert [part.extreme for part in found.parts] == pytest.approx([4, 6])


def test_windows_of_each_channel_keep_their_own_times() -> None:
    pu = np.stack([levels((1, 500), (0.96, 500))] * 2)
    starts = HALF_CYCLE * np.arange(1000) + np.array([[0.0], [-20.5]])
    (found,) = find_rapid_voltage_changes(
        pu * [[230], [400]], starts, reference_v=[230, 400], nominal_frequency_hz=50, settings=DEFAULT
    )
    assert found.start == 500 * HALF_CYCLE - 20.5
    assert [part.start for part in found.parts] == [500 * HALF_CYCLE, 500 * HALF_CYCLE - 20.5]
    assert [part.extreme for part in found.parts] == pytest.approx([4, 4])


def test_a_change_that_has_not_settled_at_the_end_is_open_and_has_no_after() -> None:
    (found,) = changes(levels((1, 500), (0.96, 50)))
    assert found.open_stop
    assert found.after is None
    assert found.before == pytest.approx(100)
    assert found.magnitude == pytest.approx(4)
    assert found.stop == 550 * HALF_CYCLE + HALF_CYCLE  # the end of the last window
    assert found.parts[0].stop == found.stop


def test_half_cycles_that_were_not_measured_neither_start_nor_end_a_change() -> None:
    pu = levels((1, 500), (0.0, 30), (0.96, 500))
    flags = np.zeros((1, pu.size), np.uint8)
    flags[0, 500:530] = MISSING
    assert changes(pu, flags=flags) == []  # the step lies in the gap: there is no telling how rapid it was
    pu = levels((1, 500), (0.96, 40), (0.0, 30), (0.96, 500))
    flags = np.zeros((1, pu.size), np.uint8)
    flags[0, 540:570] = CLIPPED
    (found,) = changes(pu, flags=flags)
    assert found.start == 500 * HALF_CYCLE
    assert found.stop == 569 * HALF_CYCLE  # the first second that is whole and steady comes after the gap
    assert found.open_stop
    assert found.magnitude == pytest.approx(4)
    assert found.flags == CLIPPED


def test_a_second_with_a_gap_does_not_settle_a_change_even_where_its_values_look_steady() -> None:
    # HAND: without the gap it is settled at half cycle 579; the first whole second after the gap ends at 699.
    pu = levels((1, 480), (0.96, 520))
    flags = np.zeros((1, 1000), np.uint8)
    flags[0, 560:600] = MISSING
    (found,) = changes(pu, flags=flags)
    assert found.stop == 599 * HALF_CYCLE
    assert found.open_stop
    assert found.after == pytest.approx(96)


def test_a_channel_that_was_not_measured_just_before_has_no_values_of_its_own() -> None:
    # HAND: B's last second before the step on A has a gap; its own step of 6 % keeps the event going until it settles.
    pu = np.stack([levels((1, 500), (0.96, 500)), levels((1, 560), (0.94, 440))])
    flags = np.zeros(pu.shape, np.uint8)
    flags[1, 480:490] = MISSING
    (found,) = changes(pu, flags=flags)
    assert [part.channel for part in found.parts] == [0]
    assert found.magnitude == pytest.approx(4)
    assert found.stop == 559 * HALF_CYCLE
    # and one whose second after it has a gap has no steady mean after
    flags[1] = 0
    flags[1, 560:1000] = MISSING
    (found,) = changes(pu, flags=flags)
    assert (found.before, found.after) == pytest.approx((100, 96))


def test_a_channel_without_measurement_leaves_the_others_judged_for_rapid_changes() -> None:
    pu = np.stack([levels((1, 500), (0.96, 500)), np.zeros(1000)])
    flags = np.zeros(pu.shape, np.uint8)
    flags[1] = MISSING
    (found,) = changes(pu, flags=flags)
    assert [part.channel for part in found.parts] == [0]
    assert found.magnitude == pytest.approx(4)


def test_a_step_in_a_waveform_is_found_as_large_as_it_is() -> None:
    rate_hz, t = 6400.0, np.arange(8 * 6400) / 6400.0
    u = np.sqrt(2) * 230 * np.sin(2 * np.pi * 50.2 * t + 0.7) * np.where(t < 3.1234, 1, 0.96)
    series = measure_half_cycles(u, rate_hz=rate_hz, nominal_frequency_hz=50)
    (found,) = find_rapid_voltage_changes(
        series.u_half, series.starts, reference_v=230, nominal_frequency_hz=50, settings=DEFAULT
    )
    # IEC 61000-4-30 class A: ± 0.2 % of the declared voltage, one cycle. Two windows hold some of both levels; the mean
    # before may hold them, at most 2 and 3.3 % off, and the mean after, each to a hundredth.
    assert found.magnitude == pytest.approx(4, abs=0.053)
    assert uss(found) == pytest.approx(4, abs=0.08)
    assert found.start / rate_hz == pytest.approx(3.1234, abs=0.02)


def test_short_and_empty_series_give_nothing() -> None:
    assert changes(np.zeros((3, 0))) == []
    assert changes(np.zeros((0, 0))) == []
    assert changes(levels((1, 50), (0.96, 50))) == []


def test_series_that_cannot_be_judged_are_refused() -> None:
    with pytest.raises(SignalError, match="NaN"):
        changes(levels((1, 500), (np.nan, 1), (1, 500)))
    with pytest.raises(SignalError, match="above zero"):
        find_rapid_voltage_changes(
            np.ones(300), np.arange(300), reference_v=0, nominal_frequency_hz=50, settings=DEFAULT
        )


@pytest.mark.parametrize("wrong", [{"hysteresis_pct": 3.3}, {"threshold_pct": 0}, {"threshold": 3}, {"sag_pu": 1.0}])
def test_settings_of_a_rapid_change_out_of_order_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        RapidVoltageChangeSettings(**wrong)


def made(seed: int, *, n_channels: int, n: int, gaps: bool) -> tuple[F64, npt.NDArray[np.uint8]]:
    """A restless voltage: steps, ramps, dips and noise, and half cycles that were not measured. [pu]"""
    rng = np.random.default_rng(seed)
    pu = np.ones((n_channels, n))
    for _ in range(rng.integers(0, 8)):
        channels = rng.random(n_channels) < 0.6
        a, width = int(rng.integers(0, n)), int(rng.integers(1, 60))
        size = rng.choice([0.02, 0.035, 0.05, 0.08, 0.15]) * rng.choice([-1, 1])
        shape = rng.integers(0, 3)
        if shape == 0:
            pu[channels, a:] += size
        elif shape == 1:
            pu[channels, a : a + width] += size
        else:
            pu[channels] += size * np.clip((np.arange(n) - a) / width, 0, 1)
    pu += rng.choice([1e-4, 0.004, 0.012]) * rng.standard_normal((n_channels, n))
    flags = np.zeros((n_channels, n), np.uint8)
    for _ in range(rng.integers(0, 4) if gaps else 0):
        a = int(rng.integers(0, n))
        flags[int(rng.integers(0, n_channels)), a : a + int(rng.integers(1, 30))] = MISSING
    return pu, flags


def twin(pu: F64, seen: npt.NDArray[np.bool_], second: int, rules: RapidVoltageChangeSettings) -> list[dict[str, Any]]:
    """Rapid voltage changes by the definition, half cycle by half cycle; positions in half cycles, values in per cent.

    Common time for all channels. None of the fast code's ideas: no filters, no running sums, no masks.
    """
    n_channels, n = pu.shape
    full, reduced = rules.threshold_pct / 100, (rules.threshold_pct - rules.hysteresis_pct) / 100

    def farthest(c: int, i: int) -> float | None:
        if i < second - 1 or not all(seen[c, i - second + 1 : i + 1]):
            return None
        last = pu[c, i - second + 1 : i + 1]
        return float(max(abs(value - last.mean()) for value in last))

    found: list[dict[str, Any]] = []
    event: dict[str, Any] | None = None
    steady = False  # the logic signal of all channels; until it is true for the first time there is no mean before
    unsettled, fresh = [False] * n_channels, [True] * n_channels
    for i in range(n):
        now = [farthest(c, i) for c in range(n_channels)]
        for c, distance in enumerate(now):
            if distance is None:
                fresh[c] = True
            else:
                unsettled[c] = distance > reduced
                fresh[c] = fresh[c] and unsettled[c]
        outside = [c for c, distance in enumerate(now) if distance is not None and distance > full]
        if steady and any(f and distance is not None for f, distance in zip(fresh, now, strict=True)):
            steady, event = False, None
        elif steady and outside:
            steady, event = False, {"start": i, "channels": {}}
        if not steady and not any(unsettled):
            if event is not None:
                found.append(event | {"settled": i})
            steady, event = True, None
        elif event is not None:
            for c in outside:
                event["channels"].setdefault(c, i)
    if event is not None:
        found.append(event | {"settled": None})
    return [done for one in found if (done := measured(one, pu, seen, second, rules)) is not None]


def measured(
    event: dict[str, Any], pu: F64, seen: npt.NDArray[np.bool_], second: int, rules: RapidVoltageChangeSettings
) -> dict[str, Any] | None:
    n = pu.shape[1]
    start, settled = event["start"], event["settled"]
    end = n if settled is None else settled
    for c in range(pu.shape[0]):
        for i in range(start - 1, min(end + 1, n)):
            if seen[c, i] and not rules.sag_pu <= pu[c, i] <= rules.swell_pu:
                return None
    largest, steady = {}, []
    for c in sorted(event["channels"]):
        if not all(seen[c, start - second : start]):
            continue
        before = pu[c, start - second : start].mean()
        largest[c] = 100 * max(abs(pu[c, i] - before) for i in range(start, end) if seen[c, i])
        if settled is not None and all(seen[c, settled - second + 1 : settled + 1]):
            steady.append(100 * abs(pu[c, settled - second + 1 : settled + 1].mean() - before))
    return {
        "start": start,
        "stop": n + 1 if settled is None else max(settled - second, start),  # n + 1: the last window is a cycle long
        "max": max(largest.values()),
        "uss": max(steady) if steady else None,
        "channels": largest,
    }


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 3), st.booleans(), st.sampled_from([0.0, 0.8, 1.65, 3.2]))
@pytest.mark.long
def test_changes_are_those_of_the_definition(seed: int, n_channels: int, gaps: bool, hysteresis_pct: float) -> None:
    rules = RapidVoltageChangeSettings(hysteresis_pct=hysteresis_pct)
    pu, flags = made(seed, n_channels=n_channels, n=430, gaps=gaps)
    expected = twin(pu, flags == 0, 10, rules)  # 5 Hz: a second is 10 half cycles, the loops are short
    found = changes(pu, rules=rules, hz=5.0, flags=flags)
    assert [one.start / HALF_CYCLE for one in found] == [one["start"] for one in expected]
    assert [one.stop / HALF_CYCLE for one in found] == [one["stop"] for one in expected]
    assert [one.magnitude for one in found] == pytest.approx([one["max"] for one in expected])
    assert [part.channel for one in found for part in one.parts] == [c for one in expected for c in one["channels"]]
    got_uss = [None if one.after is None else uss(one) for one in found]
    assert got_uss == [None if one["uss"] is None else pytest.approx(one["uss"], abs=1e-9) for one in expected]


@pytest.mark.long
def test_changes_are_those_of_the_definition_with_real_seconds() -> None:
    pu, flags = made(5, n_channels=2, n=3000, gaps=True)
    pu[:, 1000:1040] -= 0.05
    pu[0, 2000:] += 0.045
    expected = twin(pu, flags == 0, 100, DEFAULT)
    found = changes(pu, flags=flags)
    assert len(found) >= 2
    assert [(one.start / HALF_CYCLE, one.stop / HALF_CYCLE) for one in found] == [
        (one["start"], one["stop"]) for one in expected
    ]
    assert [one.magnitude for one in found] == pytest.approx([one["max"] for one in expected])


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1e-3, 1e5), st.permutations([0, 1, 2]))
def test_neither_scale_nor_order_of_channels_matters_to_rapid_changes(
    seed: int, scale: float, order: list[int]
) -> None:
    pu, flags = made(seed, n_channels=3, n=430, gaps=True)
    starts = HALF_CYCLE * np.arange(430) + np.array([[0.0], [-21], [21]])
    before = find_rapid_voltage_changes(
        pu, starts, reference_v=1, nominal_frequency_hz=5, settings=DEFAULT, flags=flags
    )
    after = find_rapid_voltage_changes(
        scale * pu[order],
        starts[order],
        reference_v=scale,
        nominal_frequency_hz=5,
        settings=DEFAULT,
        flags=flags[order],
    )
    assert [(one.start, one.stop, one.open_stop, one.flags) for one in after] == [
        (one.start, one.stop, one.open_stop, one.flags) for one in before
    ]
    assert [one.magnitude for one in after] == pytest.approx([one.magnitude for one in before])
    moved = [sorted((order[part.channel], part.start, part.stop) for part in one.parts) for one in after]
    assert moved == [[(part.channel, part.start, part.stop) for part in one.parts] for one in before]
