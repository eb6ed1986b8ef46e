"""A benchmark of explanations on solved circuits: what is counted, and that a suite gives the same answers anywhere."""

from __future__ import annotations

import pytest

from halfcycle.pipeline.benchmark.circuit_run import UNSEEN, Answer, columns_of, run_circuits, sections_of
from halfcycle.pipeline.benchmark.circuits import CircuitSuite
from halfcycle.pipeline.processes import spread_apart

SOURCE = "by hand: scores of a few answers; derived: a case depends on its seed and number alone"


def answer(cause: str, named: str, sure: float, *, side: str = "upstream", told: str = "upstream") -> Answer:
    return Answer(True, cause, side, named, sure, told)


def test_scores_are_those_counted_by_hand() -> None:
    answers = [
        answer("fault", "fault", 0.99), answer("fault", "motor start", 0.6, told="unknown"),
        answer("motor start", "motor start", 0.97, told="downstream"), answer("motor start", "unknown", 0.0),
        answer("fault", UNSEEN, 0.0, told=UNSEEN),
    ]  # fmt: skip
    sections = list(sections_of(answers))
    # Of 4 with a row: fault 2·1/(2+1), motor start 2·1/(2+2): mean 7/12. Bins of 0.1: (0.99 + 0.97 - 2) and 0.6 of 3.
    assert "| with currents | 5 | 4 | 0.583 | 0.25 | 2 of 2 | 0.213 |" in sections[1]
    # Wilson's interval of 1 of 2, z = 1.96: 0.5 ± 1.96 / (1 + 3.84 / 2) · sqrt(0.25 / 2 + 3.84 / 16) = 0.5 ± 0.4055.
    assert "| with currents | fault | 2 | 0.5 (0.0945 to 0.905) | motor start |" in sections[3]
    assert sections[5].splitlines()[-1] == "| 4 | 3 | 2 | 1 |"


@pytest.mark.long
def test_a_suite_is_answered_alike_in_this_process_and_over_several() -> None:
    suite = CircuitSuite(seed=20260, circuits=3)
    here = run_circuits(suite)
    with spread_apart(1) as apart:
        assert run_circuits(suite, spread=apart) == here
    assert len(here) >= 3
    assert set(columns_of(here)) == {"with_currents", "cause", "side", "named", "confidence", "told"}
