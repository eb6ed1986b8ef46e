"""Dip types of faults on lines that a solver of the tests' own has solved."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from made_lines import between, drawn_line, fault_kind, hang_fault, made, moves

from halfcycle.pipeline.catalogue.explain import explain
from halfcycle.pipeline.measures.event_window import EventWindow

N_FAULTS = 150
SOLID_OHM = 0.01
LEAST_DROP = 0.07
# M. H. J. Bollen, "Understanding Power Quality Problems", 2000, chapter 4 (from memory): without a transformer between
# fault and monitor, voltages to neutral have type B, C, E and A for faults of one phase, two, two to ground, and three.
TYPES = {1: "B", 2: "C", 3: "A"}


def depth(u: np.ndarray, start: int, stop: int, n_before: int) -> float:
    inside, before = (np.sqrt((part**2).mean(axis=1)) for part in (u[:, start:stop], u[:, :n_before]))
    return float(1 - (inside / before).min())


@pytest.mark.exam
def test_types_are_those_of_the_faulted_phases() -> None:
    outcomes: Counter[tuple[str, str]] = Counter()
    for k in range(2 * N_FAULTS):
        rng = np.random.default_rng([k, 78])
        line = drawn_line(rng)
        neutral = line.circuit.nodes["n"]
        is_solid = any(a == neutral and ohm < SOLID_OHM for a, _, ohm in line.circuit.resistors)
        phases, ground = fault_kind(rng, line)
        if (ground and not is_solid) or sum(outcomes.values()) >= N_FAULTS:
            continue  # what a resistor lets through to ground makes types between two
        hang_fault(line, rng, "fb"[int(rng.integers(2))], phases, ground=ground)
        length_s = between(rng, 0.05, 0.4)
        closes, opens = moves("fault", 0, phases, closes=True), moves("fault", length_s, phases, closes=False)
        case = made("fault", line, rng, closes + opens, length_s=length_s, after_s=length_s + 0.3)
        n_before = int(case.start - case.rate_hz / case.frequency_hz)
        if depth(case.u, int(case.start), int(case.start + length_s * case.rate_hz), n_before) < LEAST_DROP:
            continue
        found = explain(
            EventWindow(case.u, case.i, case.rate_hz, case.frequency_hz, case.start, case.stop), sag=True
        ).dip
        true = "E" if len(phases) == 2 and ground else TYPES[len(phases)]
        outcomes[true, "none" if found is None else str(found.dip_type)] += 1
    right = sum(count for (true, named), count in outcomes.items() if true == named)
    print(f"{right} of {sum(outcomes.values())} right: {dict(outcomes)}")
    assert sum(outcomes.values()) >= 100
    assert right >= 0.96 * sum(outcomes.values())
