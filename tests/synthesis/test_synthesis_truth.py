"""The truth about synthetic events against the standards' rules, worked by hand and by a state machine on a grid."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.synthesis import (
    Harmonic,
    Impulse,
    Stage,
    Transient,
    TrueEvent,
    Waveform,
    synthesise,
    true_events,
)


def four_wire(*stages: Stage, **changes: Any) -> Waveform:
    basis = Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=1000.0, duration_s=10.0, stages=stages)
    return replace(basis, **changes)


def stage(start_s: float, end_s: float, *residual_pu: float, **changes: Any) -> Stage:
    return Stage(start_s=start_s, duration_s=end_s - start_s, residual_pu=residual_pu, **changes)


def events(waveform: Waveform) -> list[TrueEvent]:
    return list(true_events(waveform, start_ns=0))


def test_a_steady_waveform_holds_no_event() -> None:
    assert events(four_wire()) == []


def test_a_rectangular_sag_has_its_own_start_length_residual_and_phases() -> None:
    (event,) = true_events(four_wire(stage(2.5001, 2.7001, 0.45, 1.0, 0.62)), start_ns=1_000_000_000_000_000_000)
    assert event.kind == "sag"
    assert event.start_ns == 1_000_000_002_500_100_000
    assert event.duration_s == pytest.approx(0.2, abs=1e-12)
    assert event.magnitude_pu == 0.45
    assert event.phases == ("A", "C")
    assert event.phase_values_pu == (0.45, 1.0, 0.62)
    assert (event.line_to_line, event.open_start, event.open_end) == (False, False, False)
    assert len(event.stages) == 1


def test_stages_that_touch_are_one_sag_with_the_lowest_value_and_all_its_stages() -> None:
    (event,) = events(
        four_wire(stage(1.0, 1.1, 1.0, 0.5, 0.6), stage(1.1, 1.4, 0.3, 0.3, 0.4), stage(1.4, 2.0, 0.8, 0.7, 0.8))
    )
    assert (event.kind, event.start_ns, event.magnitude_pu) == ("sag", 1_000_000_000, 0.3)
    assert event.duration_s == pytest.approx(1.0)
    assert [one.start_ns for one in event.stages] == [1_000_000_000, 1_100_000_000, 1_400_000_000]
    assert [one.duration_s for one in event.stages] == pytest.approx([0.1, 0.3, 0.6])
    assert [one.phase_values_pu for one in event.stages] == [(1.0, 0.5, 0.6), (0.3, 0.3, 0.4), (0.8, 0.7, 0.8)]


def test_a_swell_has_its_highest_value() -> None:
    (event,) = events(four_wire(stage(1.0, 1.1, 1.15, 1.2, 1.05), stage(1.1, 1.2, 1.3, 1.0, 1.0)))
    assert (event.kind, event.magnitude_pu, event.phases) == ("swell", 1.3, ("A", "B"))
    assert event.phase_values_pu == (1.3, 1.2, 1.05)


@pytest.mark.parametrize(
    ("level", "kinds"),
    [
        (0.9, []),
        (math.nextafter(0.9, 0), ["sag"]),
        (0.1, ["sag"]),
        (math.nextafter(0.1, 0), ["interruption", "sag"]),
        (1.1, []),
        (math.nextafter(1.1, 2), ["swell"]),
    ],
)
def test_detection_is_strict_at_the_thresholds(level: float, kinds: list[str]) -> None:
    """Below and above, not at: IEC 61000-4-30:2015, 5.4 and 5.5."""
    assert [event.kind for event in events(four_wire(stage(1.0, 2.0, level, level, level)))] == kinds


def test_two_phases_lost_are_a_sag_and_no_interruption() -> None:
    """IEC 61000-4-30:2015, 5.5 (from memory): an interruption begins when all channels are below."""
    (event,) = events(four_wire(stage(1.0, 2.0, 0.0, 0.0, 1.0)))
    assert (event.kind, event.magnitude_pu) == ("sag", 0.0)


def test_an_interruption_starts_with_the_last_phase_and_ends_with_the_first_and_the_sag_spans_both() -> None:
    """IEC 61000-4-30:2015, 5.4 and 5.5 (from memory)."""
    sag, interruption = events(
        four_wire(stage(1.0, 1.2, 0.0, 0.5, 0.5), stage(1.2, 3.0, 0.0, 0.02, 0.0), stage(3.0, 3.3, 0.0, 0.8, 0.0))
    )
    assert (sag.kind, sag.start_ns, interruption.kind) == ("sag", 1_000_000_000, "interruption")
    assert sag.duration_s == pytest.approx(2.3)
    assert interruption.start_ns == 1_200_000_000
    assert interruption.duration_s == pytest.approx(1.8)
    assert interruption.phases == ("A", "B", "C")


def test_phases_that_take_turns_are_one_sag() -> None:
    """IEC 61000-4-30:2015, 5.4 (from memory): from the first channel below until all are back."""
    waveform = four_wire(stage(1.0, 1.08, 0.6, 1, 1), stage(1.08, 1.1, 0.6, 0.7, 1), stage(1.1, 1.18, 1, 0.7, 1))
    (event,) = events(waveform)
    assert event.duration_s == pytest.approx(0.18)
    assert event.phases == ("A", "B")


def test_an_interruption_ends_at_its_threshold_and_hysteresis_to_the_last_digit() -> None:
    """0.1 + 0.02 is 0.12000000000000001 in double precision; the level meant is 0.12."""
    stages = [stage(i, i + 1, *(level,) * 3) for i, level in enumerate((0.05, 0.12, 0.05), start=1)]
    assert [event.kind for event in events(four_wire(*stages))] == ["interruption", "sag", "interruption"]


@pytest.mark.parametrize(("between", "n_events"), [(0.915, 1), (0.92, 2)])
def test_a_sag_lasts_until_the_voltage_is_back_by_the_hysteresis(between: float, n_events: int) -> None:
    """Hysteresis of 2 % of the nominal voltage, a usual setting (IEC 61000-4-30:2015, 5.4, from memory)."""
    stages = [stage(i, i + 1, level, 1, 1) for i, level in enumerate((0.7, between, 0.8), start=1)]
    assert len(events(four_wire(*stages))) == n_events


def test_an_exponential_recovery_ends_at_the_release_level() -> None:
    """Derived: 1 - 0.5 exp(-t / tau) = 0.92 at t = tau ln 6.25."""
    (event,) = events(four_wire(stage(1.0, 6.0, 0.5, 0.5, 0.5, recovery_s=0.4)))
    assert event.duration_s == pytest.approx(0.4 * math.log(6.25), rel=1e-12)
    assert event.magnitude_pu == 0.5


@pytest.mark.parametrize(
    ("level", "length_s", "kind"),
    [
        (0.85, 60.0, "sag"),
        (0.85, 60.001, "undervoltage"),
        (1.15, 60.0, "swell"),
        (1.15, 60.001, "overvoltage"),
    ],
)
def test_beyond_a_minute_the_kind_is_that_of_a_long_duration(level: float, length_s: float, kind: str) -> None:
    """IEEE 1159-2019, Table 2: sag and swell up to 1 min, undervoltage and overvoltage above."""
    waveform = four_wire(stage(10.1, 10.1 + length_s, level, level, level), duration_s=100.0)
    assert [event.kind for event in events(waveform)] == [kind]


def test_events_under_way_at_an_end_of_the_capture_are_open_there_and_counted_inside() -> None:
    early, late = events(four_wire(stage(-0.5, 1.5, 0.5, 1, 1), stage(8.0, 11.0, 1, 0.6, 1)))
    assert (early.open_start, early.open_end, early.start_ns) == (True, False, 0)
    assert early.duration_s == pytest.approx(1.5)
    assert (late.open_start, late.open_end) == (False, True)
    assert late.duration_s == pytest.approx(2.0)


def test_stages_outside_the_capture_make_no_event() -> None:
    assert events(four_wire(stage(-2.0, -1.0, 0.5, 1, 1), stage(10.0, 11.0, 0.5, 1, 1))) == []


def test_residual_is_that_of_the_rms_voltage_with_harmonics_and_the_constant_part() -> None:
    """Derived (Parseval): 0.5^2 (1 + 0.2^2) + 0.1^2 = 0.27."""
    waveform = four_wire(stage(1.0, 2.0, 0.5, 1, 1), harmonics=(Harmonic(order=3, magnitude_pu=0.2),), dc_pu=0.1)
    assert events(waveform)[0].magnitude_pu == pytest.approx(math.sqrt(0.27), rel=1e-12)


def test_harmonics_decide_whether_the_rms_voltage_is_below_the_threshold() -> None:
    """Derived (Parseval): 0.89 sqrt(1 + 0.2^2) = 0.9076 is no sag, 0.89 is."""
    waveform = four_wire(stage(1.0, 2.0, 0.89, 0.89, 0.89))
    assert len(events(waveform)) == 1
    assert events(replace(waveform, harmonics=(Harmonic(order=5, magnitude_pu=0.2),))) == []


def test_a_constant_part_above_the_threshold_hides_an_interruption() -> None:
    kinds = [event.kind for event in events(four_wire(stage(1.0, 2.0, 0.0, 0.0, 0.0), dc_pu=0.15))]
    assert kinds == ["sag"]


def test_line_to_line_events_say_so() -> None:
    waveform = replace(four_wire(stage(1.0, 2.0, 1.0, 0.5, 1.0)), hookup="three-wire")
    (event,) = events(waveform)
    assert (event.line_to_line, event.phases) == (True, ("BC",))


@given(frequency_hz=st.floats(100, 5000), decay_s=st.floats(1e-4, 0.05), angle_deg=st.floats(-360, 360))
@settings(max_examples=60, deadline=None)
def test_peak_of_a_transient_is_that_of_a_dense_grid(frequency_hz: float, decay_s: float, angle_deg: float) -> None:
    transient = Transient(
        start_s=1.0, magnitudes_pu=(0.8, -0.4, 0.0), frequency_hz=frequency_hz, decay_s=decay_s, angle_deg=angle_deg
    )
    (event,) = events(four_wire(transients=(transient,)))
    t_s = np.linspace(0, 1 / frequency_hz, 20001)
    swing = np.sin(2 * math.pi * frequency_hz * t_s + math.radians(angle_deg)) * np.exp(-t_s / decay_s)
    # At most half a grid step from the maximum: 2 pi / 40000 rad, or 1 / (40000 frequency decay) at the step.
    assert event.magnitude_pu == pytest.approx(0.8 * np.abs(swing).max(), rel=3e-3)
    assert event.phase_values_pu[1] == pytest.approx(event.magnitude_pu / 2, rel=1e-12)
    assert (event.kind, event.start_ns, event.phases) == ("oscillatory_transient", 1_000_000_000, ("A", "B"))
    assert event.frequency_hz == frequency_hz
    assert math.exp(-event.duration_s / decay_s) == pytest.approx(0.05, rel=1e-9)  # common practice, no source


def test_an_impulse_has_its_peak_and_lasts_to_a_twentieth_of_it() -> None:
    impulse = Impulse(start_s=2.0, peaks_pu=(0.0, -1.4, 0.7), rise_s=1e-4, decay_s=1e-3)
    waveform = four_wire(impulses=(impulse,), rate_hz=1e6, duration_s=2.01)
    (event,) = events(waveform)
    assert (event.kind, event.phases, event.frequency_hz) == ("impulsive_transient", ("B", "C"), None)
    assert event.phase_values_pu == (0.0, 1.4, 0.7)
    with_impulse = synthesise(waveform, start_ns=0).capture.physical(1)
    without = synthesise(replace(waveform, impulses=()), start_ns=0).capture.physical(1)
    extra = np.abs(with_impulse - without) / (230 * math.sqrt(2))
    assert extra.max() == pytest.approx(1.4, rel=1e-4)
    over = np.flatnonzero(extra > 0.05 * 1.4)
    assert event.duration_s == pytest.approx((over[-1] + 1) / 1e6 - 2.0, abs=2e-6)


def test_transients_outside_the_capture_are_not_listed() -> None:
    transients = tuple(
        Transient(start_s=start_s, magnitudes_pu=(1, 1, 1), frequency_hz=500.0, decay_s=0.01)
        for start_s in (-1.0, 10.0)
    )
    impulses = tuple(
        Impulse(start_s=start_s, peaks_pu=(1, 1, 1), rise_s=1e-4, decay_s=1e-3) for start_s in (-1.0, 10.0)
    )
    assert events(four_wire(transients=transients, impulses=impulses)) == []


def test_events_come_in_order_of_start() -> None:
    waveform = four_wire(
        stage(1.0, 2.0, 0.5, 1.2, 1.0),
        stage(3.0, 4.0, 0.5, 1.0, 1.0),
        transients=(Transient(start_s=2.5, magnitudes_pu=(1, 1, 1), frequency_hz=500.0, decay_s=0.01),),
    )
    assert [event.kind for event in events(waveform)] == ["sag", "swell", "oscillatory_transient", "sag"]


def test_synthesis_carries_the_truth_of_its_waveform() -> None:
    waveform = four_wire(stage(1.0, 2.0, 0.5, 1.0, 1.0))
    assert synthesise(waveform, start_ns=5_000).truth == true_events(waveform, start_ns=5_000)


# --- the twin: the envelope on a grid of instants, walked by a state machine -----------------------------------------

COARSE_S, FINE_S = 1e-3, 2e-5


def twin_level(waveform: Waveform, i_phase: int, t_s: float) -> float:
    """Fundamental voltage of a phase, from the description of `Stage`. [pu]"""
    steady = waveform.magnitudes_pu[i_phase]
    for i, one in enumerate(waveform.stages):
        if not one.start_s - 1e-9 <= t_s < one.end_s - 1e-9:
            continue
        touches = i > 0 and abs(waveform.stages[i - 1].end_s - one.start_s) < 1e-9
        before = twin_level(waveform, i_phase, waveform.stages[i - 1].end_s - 1e-6) if touches else steady
        into, bottom = t_s - one.start_s, one.residual_pu[i_phase]
        if into < one.ramp_s:
            return before + (bottom - before) * into / one.ramp_s
        if one.recovery_s is None:
            return bottom
        return steady - (steady - bottom) * math.exp(-(into - one.ramp_s) / one.recovery_s)
    return steady


Rule = tuple[str, Callable[[list[float]], bool], Callable[[list[float]], bool], Callable[..., float]]
TWIN_RULES: tuple[Rule, ...] = (
    ("sag", lambda u: min(u) < 0.9, lambda u: min(u) >= 0.92, min),
    ("swell", lambda u: max(u) > 1.1, lambda u: max(u) <= 1.08, max),
    ("interruption", lambda u: max(u) < 0.1, lambda u: max(u) >= 0.12, min),
)


def twin_events(waveform: Waveform, step_s: float) -> list[tuple[str, float, float, float]]:
    """(kind, start, end, extreme) by walking the grid; events that are under way at its end included."""
    grid = np.arange(round(waveform.duration_s / step_s)) * step_s
    levels = [[twin_level(waveform, k, t_s) for k in range(3)] for t_s in grid]
    found = []
    for kind, begins, ends, worst in TWIN_RULES:
        start_s, extreme = None, 1.0
        for t_s, u in zip([*grid, waveform.duration_s], [*levels, None], strict=True):
            if start_s is None:
                if u is not None and begins(u):
                    start_s, extreme = t_s, worst(u)
            elif u is None or ends(u):
                found.append((kind, start_s, t_s, extreme))
                start_s = None
            else:
                extreme = worst(extreme, *u)
    return sorted(found, key=lambda one: (one[1], one[0]))


@st.composite
def staged(draw: st.DrawFn) -> Waveform:
    # Levels keep 0.005 pu away from the thresholds and release levels: what lies at one is moot.
    levels = st.sampled_from([0.0, 0.05, 0.11, 0.3, 0.6, 0.85, 0.91, 0.97, 1.0, 1.05, 1.09, 1.2, 1.4])
    stages, end_ms = [], draw(st.integers(-200, 300))
    for _ in range(draw(st.integers(1, 5))):
        start_ms = end_ms + draw(st.sampled_from([0, 0, 40]))
        length_ms = draw(st.integers(50, 300))
        three = (draw(levels), draw(levels), draw(levels)) if draw(st.booleans()) else (draw(levels),) * 3
        stages.append(
            Stage(
                start_s=start_ms / 1000,
                duration_s=length_ms / 1000,
                residual_pu=three,
                ramp_s=draw(st.sampled_from([0.0, 0.02])),
                recovery_s=draw(st.none() | st.sampled_from([0.03, 0.2])),
            )
        )
        end_ms = start_ms + length_ms
    return four_wire(*stages, magnitudes_pu=(1.0, 0.98, 1.03), duration_s=1.0)


def agrees(mine: list[TrueEvent], twin: list[tuple[str, float, float, float]], step_s: float) -> bool:
    """Whether both hold the same events, to within a step of the twin's grid."""
    # A ramp moves by 1.4 pu / 20 ms, an exponential by 1.4 pu / 30 ms.
    move_pu = step_s * 1.4 / 0.02 * 1.01
    return len(mine) == len(twin) and all(
        event.kind == kind
        and abs(event.start_ns / 1e9 - start_s) < 1.01 * step_s
        and abs(event.start_ns / 1e9 + event.duration_s - end_s) < 1.01 * step_s
        and abs(event.magnitude_pu - extreme) < move_pu
        for event, (kind, start_s, end_s, extreme) in zip(mine, twin, strict=True)
    )


@given(waveform=staged())
@settings(max_examples=150, deadline=None)
@pytest.mark.long
def test_truth_is_what_a_state_machine_finds_on_a_grid(waveform: Waveform) -> None:
    """Both by IEC 61000-4-30:2015, 5.4 and 5.5 (from memory)."""
    mine = events(waveform)
    assume(min((event.duration_s for event in mine), default=1.0) > 2 * FINE_S)  # else the grid may step over it
    # The coarse grid steps over voltages that are back for less than a step: then the fine one decides.
    coarse = agrees(mine, twin_events(waveform, COARSE_S), COARSE_S)
    assert coarse or agrees(mine, twin_events(waveform, FINE_S), FINE_S)
