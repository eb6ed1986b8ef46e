"""Causes: rules at their limits, and families of solved circuits whose cause is known."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from made_circuits import (
    CASES,
    FREQUENCY_HZ,
    RATE_HZ,
    START_S,
    Case,
    converter_case,
    fault_case,
    feeder,
    made,
)

from halfcycle.classifiers.cause import RULES, Cause, rule_verdicts, surest
from halfcycle.classifiers.evidence import Evidence
from halfcycle.classifiers.reclosing import Shot, reclosing_sequences
from halfcycle.pipeline.catalogue.explain import Explanation, explain
from halfcycle.pipeline.measures.event_window import EventWindow
from halfcycle.pipeline.measures.notches import measure_notches
from halfcycle.pipeline.synthesis.circuit.devices import Fault

SOURCE = "signatures of the trade (from memory, or common practice without a source), as each rule's docstring has them"

TEXTBOOK = {
    "fault": Evidence(
        duration_s=0.1, residual_pu=0.5, depth_pu=0.3, drop_share=1.0, recovery_share=1.0, rectangularity=1.0,
        unbalance=1.0, step_pu=0.0, current_ratio=6.0, added_current=5.0, added_power_factor=0.5, added_end_share=0.0,
    ),
    "motor start": Evidence(
        duration_s=2.0, residual_pu=0.88, depth_pu=0.12, drop_share=0.95, recovery_share=0.2, rectangularity=0.6,
        unbalance=0.01, step_pu=-0.01, current_ratio=4.0, added_current=3.0, added_power_factor=0.25,
        added_lagging=True, added_end_share=0.2, second_harmonic=0.01, second_harmonic_voltage_pu=0.001,
        oscillation_pu=0.02,
    ),
    "transformer energising": Evidence(
        duration_s=0.5, residual_pu=0.9, depth_pu=0.05, drop_share=0.9, recovery_share=0.3, rectangularity=0.2,
        unbalance=0.6, added_current=1.5, added_end_share=0.2, second_harmonic=0.45, second_harmonic_voltage_pu=0.03,
    ),
    "capacitor energising": Evidence(
        duration_s=0.02, residual_pu=1.01, depth_pu=0.0, step_pu=0.015, oscillation_hz=490.0, oscillation_pu=0.6,
        kept_reactive_pu=-0.4, kept_power_pu=0.0, second_harmonic_voltage_pu=0.0,
    ),
    "back-to-back capacitor energising": Evidence(
        step_pu=0.01, oscillation_hz=400.0, oscillation_pu=0.3, oscillation_current=8.0, oscillation_current_hz=4000.0,
        kept_reactive_pu=-0.3,
    ),
    "load switching": Evidence(
        residual_pu=0.98, depth_pu=0.02, step_pu=-0.02, phase_steps_pu=(-0.02, -0.02, -0.02), kept_power_pu=0.5,
        kept_reactive_pu=0.2, oscillation_pu=0.01, step_jump_deg=-0.5,
    ),
    "voltage-regulator step": Evidence(
        residual_pu=1.012, depth_pu=0.0, step_pu=0.0125, phase_steps_pu=(0.0125, 0.0125, 0.0125), kept_power_pu=0.0,
        kept_reactive_pu=0.0, oscillation_pu=0.005, step_jump_deg=0.0,
    ),
    "converter notching": Evidence(notches_per_cycle=4, notch_depth_pu=0.3),
}  # fmt: skip


def find_cause(evidence: Evidence) -> Cause:
    """The cause by the rules alone."""
    return surest(rule_verdicts(evidence))


@pytest.mark.parametrize("cause", list(TEXTBOOK))
def test_the_textbook_signature_of_a_cause_is_named_with_a_sentence(cause: str) -> None:
    # SOURCE
    verdict = find_cause(TEXTBOOK[cause])
    assert verdict.cause == cause
    assert verdict.confidence > 0.8
    assert len(verdict.why) > 20


def test_nothing_measured_is_unknown_to_every_rule() -> None:
    for rule in RULES:
        assert rule(Evidence()).confidence == 0.0
    assert find_cause(Evidence()) == Cause("unknown", 0.0, "no cause fits the measurements well")


@pytest.mark.parametrize("cause", list(TEXTBOOK))
def test_a_measure_that_is_missing_never_breaks_a_rule(cause: str) -> None:
    for field in fields(Evidence):
        verdict = find_cause(replace(TEXTBOOK[cause], **{field.name: None}))
        assert 0.0 <= verdict.confidence <= 1.0


def test_a_balanced_drop_with_slow_recovery_and_no_current_is_a_motor_with_less_confidence() -> None:
    full = TEXTBOOK["motor start"]
    bare = replace(
        full, current_ratio=None, added_current=None, added_power_factor=None, added_lagging=None,
        added_end_share=None, second_harmonic=None,
    )  # fmt: skip
    verdict = find_cause(bare)
    assert verdict.cause == "motor start"
    assert verdict.confidence < find_cause(full).confidence
    assert "no current measured" in verdict.why


def test_a_fault_that_comes_again_after_a_dead_time_is_one_with_reclosing() -> None:
    # 0.3 to 30 s: common practice, no source
    again = replace(TEXTBOOK["fault"], repeats=3, dead_time_s=0.5)
    assert find_cause(again).cause == "fault with reclosing"
    for repeats, dead_time_s in ((1, None), (3, 0.05), (3, 600.0)):
        once = replace(TEXTBOOK["fault"], repeats=repeats, dead_time_s=dead_time_s)
        assert find_cause(once).cause == "fault"


def test_shots_group_by_phase_depth_and_dead_time() -> None:
    # By hand: 0.5 s and 2 s apart and alike; then another phase; then as deep but two minutes later.
    shots = [
        Shot(0.0, 0.1, 0.50, "A"),
        Shot(0.6, 0.1, 0.52, "A"),
        Shot(2.7, 0.1, 0.48, "A"),
        Shot(3.5, 0.1, 0.50, "BC"),
        Shot(130.0, 0.1, 0.50, "BC"),
    ]
    groups = reclosing_sequences(shots)
    assert [group.members for group in groups] == [(0, 1, 2), (3,), (4,)]
    assert groups[0].dead_time_s == pytest.approx(0.5)
    assert groups[1].dead_time_s is None


def test_a_sixth_shot_begins_a_sequence_of_its_own() -> None:
    groups = reclosing_sequences([Shot(k * 1.0, 0.1, 0.5, "A") for k in range(6)])
    assert [group.members for group in groups] == [(0, 1, 2, 3, 4), (5,)]


# --- solved circuits


def judged(case: Case, **more: object) -> Explanation:
    window = EventWindow(case.noisy_u, case.noisy_i, RATE_HZ, FREQUENCY_HZ, case.start, case.stop)
    return explain(window, sag=False, **more)  # type: ignore[arg-type]


@pytest.mark.slow
@pytest.mark.parametrize("cause", list(CASES))
def test_causes_of_solved_circuits_are_named(cause: str) -> None:
    # Truth: the circuit. 50 dB noise; random networks, loads and running motors; either side of the monitor. More of
    # them in test_families.
    named = [judged(CASES[cause](np.random.default_rng([k, 3]))).cause.cause for k in range(6)]
    assert named.count(cause) >= 5
    assert set(named) <= {cause, "unknown"}


def test_a_recloser_is_seen_as_one_from_the_events_it_makes() -> None:
    # A fault downstream of a neighbouring feeder, fed three times: 0.1 s on, 0.5 s off.
    rng = np.random.default_rng(4)
    spans = tuple((START_S + 0.6 * k, START_S + 0.6 * k + 0.1) for k in range(3))
    fault = Fault(place="upstream", phases="A", ground=True, spans_s=spans, spur_ohm=0.4 + 0.6j)
    case = made(rng, feeder(rng, faults=(fault,)), 0.1, 2.0)
    (truth,) = case.recording.truth
    shots = [Shot(start, stop - start, 0.4, "A") for start, stop in spans]
    (group,) = reclosing_sequences(shots)
    found = judged(case, repeats=len(group.members), dead_time_s=group.dead_time_s)
    assert (truth.cause, truth.repeats) == ("fault", len(group.members))
    assert found.cause.cause == "fault with reclosing"
    assert "3 times, 0.5 s apart" in found.why


def test_a_six_pulse_converter_is_named_by_its_notches() -> None:
    # Between lines, where a bridge's notches lie: four a cycle, two of them deep.
    rate_hz = 25600.0
    for k in range(3):
        case = converter_case(np.random.default_rng([k, 2]), rate_hz=rate_hz)
        n = round(10 * rate_hz / FREQUENCY_HZ)
        lines = case.noisy_u - np.roll(case.noisy_u, -1, axis=0)
        notches = measure_notches(lines, rate_hz=rate_hz, starts=[n], lengths=[n], n_cycles=10)
        deepest = np.unravel_index(int(notches.depth_share.argmax()), notches.depth_share.shape)
        evidence = Evidence(
            notches_per_cycle=int(notches.per_cycle[deepest]), notch_depth_pu=float(notches.depth_share[deepest])
        )
        assert find_cause(evidence).cause == case.recording.truth[0].cause == "converter notching"


def test_a_sag_is_explained_with_type_side_and_cause_in_words() -> None:
    case = fault_case(np.random.default_rng(8), place="downstream")
    window = EventWindow(case.noisy_u, case.noisy_i, RATE_HZ, FREQUENCY_HZ, case.start, case.stop)
    found = explain(window, sag=True)
    assert found.dip is not None
    assert found.dip.dip_type is not None
    assert found.direction is not None
    for part in (found.cause.why, found.dip.reason, "downstream by"):
        assert part in found.why
    bare = explain(EventWindow(case.noisy_u[:1], None, RATE_HZ, FREQUENCY_HZ, case.start, case.stop), sag=True)
    assert (bare.dip, bare.direction) == (None, None)
