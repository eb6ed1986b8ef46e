"""Angles in the rows of swells, sags of one phase and interruptions: synthesised captures of known angles."""

from __future__ import annotations

import pytest

from halfcycle.classifiers.cause import Cause
from halfcycle.classifiers.evidence import Evidence
from halfcycle.pipeline.catalogue import explain as explaining
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.synthesis.parameters import Stage, Waveform
from halfcycle.pipeline.synthesis.waveform import synthesise

FREQUENCY_HZ = 50.2
COLUMNS = ("phase_jump_deg", "start_angle_deg", "recovery_angle_deg", "characteristic_pu", "pn_factor")


def judged(stage: Stage, *, hookup: str = "four-wire", explain: bool = True) -> list[Event]:
    waveform = Waveform(
        hookup=hookup, nominal_voltage_v=230.0, rate_hz=10_000.0, duration_s=1.4, frequency_hz=FREQUENCY_HZ,
        stages=(stage,), snr_db=40.0,
    )  # fmt: skip
    capture = synthesise(waveform, start_ns=0).capture
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "d")])
    return list(judge(record, site="s", terms=Terms(Thresholds(), 230.0, 50.0, hookup, explain=explain)).events)


def angle_deg(t_s: float, phase_deg: float) -> float:
    return (360 * FREQUENCY_HZ * t_s + phase_deg) % 360


def near(told: float | None, truth: float, tolerance: float) -> bool:
    return told is not None and abs((told - truth + 180) % 360 - 180) < tolerance


@pytest.mark.parametrize(("kind", "level"), [("sag", 0.6), ("swell", 1.3)])
def test_the_phase_that_changes_most_is_the_one_whose_angles_are_told(kind: str, level: float) -> None:
    stage = Stage(
        start_s=0.613, duration_s=0.244, residual_pu=(1.0, level, 0.5 + level / 2), phase_jump_deg=(0.0, -17.0, 5.0)
    )
    (event,) = judged(stage)
    assert event.kind == kind
    assert near(event.phase_jump_deg, -17.0, 1)
    assert near(event.start_angle_deg, angle_deg(0.613, -120), 4)
    assert near(event.recovery_angle_deg, angle_deg(0.857, -120), 4)
    assert (event.characteristic_pu is None) == (kind == "swell")


@pytest.mark.parametrize(("kind", "level"), [("sag", 0.6), ("swell", 1.3)])
def test_a_rule_of_another_distribution_is_told_the_jump_that_the_row_states(
    kind: str, level: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Expected: the stage's own jump, of the phase that changes most."""
    told: list[Evidence] = []

    def rule(evidence: Evidence) -> Cause | None:
        told.append(evidence)
        return None

    monkeypatch.setattr(explaining, "further_rules", lambda: (rule,))
    (event,) = judged(
        Stage(
            start_s=0.613, duration_s=0.244, residual_pu=(1.0, level, 0.5 + level / 2), phase_jump_deg=(0.0, 24.0, 5.0)
        )
    )
    assert event.kind == kind
    assert [evidence.phase_jump_deg for evidence in told] == [event.phase_jump_deg]
    assert near(told[0].phase_jump_deg, 24.0, 1)


def test_one_phase_alone_has_its_angles_and_no_characteristic_voltage() -> None:
    (event,) = judged(
        Stage(start_s=0.613, duration_s=0.244, residual_pu=(0.4,), phase_jump_deg=(21.0,)), hookup="single-phase"
    )
    assert near(event.phase_jump_deg, 21.0, 1)
    assert near(event.start_angle_deg, angle_deg(0.613, 0), 4)
    assert (event.characteristic_pu, event.pn_factor) == (None, None)


def test_an_interruption_has_points_on_wave_and_no_jump() -> None:
    events = judged(Stage(start_s=0.613, duration_s=0.244, residual_pu=(0.01, 0.01, 0.01)))
    (event,) = [event for event in events if event.kind == "interruption"]
    assert event.phase_jump_deg is None
    assert min(abs((event.start_angle_deg or 0) - angle_deg(0.613, shift)) for shift in (0, 120, 240)) < 4
    assert event.recovery_angle_deg is not None


def test_an_event_whose_end_is_not_seen_has_no_recovery() -> None:
    (event,) = judged(Stage(start_s=0.613, duration_s=5.0, residual_pu=(0.5, 0.7, 0.7)))
    assert event.open_end
    assert near(event.start_angle_deg, angle_deg(0.613, 0), 4)
    assert event.recovery_angle_deg is None


def test_without_asking_there_are_no_angles() -> None:
    (event,) = judged(Stage(start_s=0.613, duration_s=0.244, residual_pu=(0.5, 0.7, 0.7)), explain=False)
    assert [getattr(event, column) for column in COLUMNS] == [None] * 5
