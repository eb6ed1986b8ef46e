"""Types of sags: the table of the types, transformers, faults in a solved circuit, and noise."""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt
import pytest
from made_circuits import NOMINAL_V

from halfcycle.classifiers.dip_type import (
    DipReading,
    classify_dip,
    six_voltage_dip,
    symmetrical_component_dip,
)
from halfcycle.pipeline.measures.event_window import EventWindow, dip_phasors, phasor_series
from halfcycle.pipeline.synthesis.circuit.devices import Fault, ImpedanceLoad
from halfcycle.pipeline.synthesis.circuit.feeder import Feeder, record

SOURCE_TYPES = (
    "M. H. J. Bollen, L. D. Zhang, Electric Power Systems Research 66 (2003), 59-69: the seven types in equations "
    "(from memory, each calculated anew from the fault's sequence networks)"
)
SOURCE_TRANSFORMERS = "as SOURCE_TYPES, section on propagation: each cell follows from the winding's equations"

C128 = npt.NDArray[np.complex128]
TURN = np.exp(2j * np.pi / 3)
BEFORE: C128 = np.array([1.0, TURN**2, TURN])
TYPES = "ABCDEFG"
DEPTHS = [0.0, 0.2, 0.5, 0.7, 0.8]


def of_type(dip_type: str, v: complex, phase: str = "A") -> C128:
    """Ua, Ub, Uc by SOURCE_TYPES, the symmetrical phase turned to its place."""
    root = math.sqrt(3)
    a, b_real, b_imag = {
        "A": (v, -v / 2, v * root / 2),
        "B": (v, -1 / 2, root / 2),
        "C": (1, -1 / 2, v * root / 2),
        "D": (v, -v / 2, root / 2),
        "E": (1, -v / 2, v * root / 2),
        "F": (v, -v / 2, (2 + v) / math.sqrt(12)),
        "G": ((2 + v) / 3, -(2 + v) / 6, v * root / 2),
    }[dip_type]
    phasors = np.array([a, b_real - 1j * b_imag, b_real + 1j * b_imag])
    k = "ABC".index(phase)
    return np.roll(phasors, k) * TURN ** (-k)


def line_to_line(phasors: C128) -> C128:
    return phasors - np.roll(phasors, -1)


def without_zero_sequence(phasors: C128) -> C128:
    return phasors - phasors.mean()


def through_delta(phasors: C128) -> C128:
    """Dy: each phase of the secondary has the voltage between two lines of the primary."""
    return (phasors - np.roll(phasors, -1)) / math.sqrt(3)


def expected_phase(dip_type: str, phase: str) -> str:
    return "" if dip_type == "A" else phase


@pytest.mark.parametrize("phase", ["A", "B", "C"])
@pytest.mark.parametrize("v", DEPTHS)
@pytest.mark.parametrize("dip_type", TYPES)
def test_each_type_of_the_table_is_told_by_both_algorithms(dip_type: str, v: float, phase: str) -> None:
    # SOURCE_TYPES
    for algorithm in (symmetrical_component_dip, six_voltage_dip):
        reading = algorithm(BEFORE, of_type(dip_type, v, phase))
        assert reading is not None
        assert (reading.dip_type, reading.phase) == (dip_type, expected_phase(dip_type, phase)), algorithm.__name__
    joint = classify_dip(BEFORE, of_type(dip_type, v, phase))
    assert joint.agrees
    assert joint.dip_type == dip_type
    assert joint.confidence > 0.5


@pytest.mark.parametrize("v", [0.2, 0.5, 0.7])
@pytest.mark.parametrize("dip_type", TYPES)
def test_characteristic_voltage_and_pn_factor_are_those_of_the_table(dip_type: str, v: float) -> None:
    # SOURCE_TYPES: F = (2 + V) / 3 for E, F, G; of B, without its zero sequence, V* = (1 + 2 V) / 3. Type A has no
    # negative sequence, so that both are V.
    characteristic = (1 + 2 * v) / 3 if dip_type == "B" else v
    factor = {"A": v, "B": 1.0, "C": 1.0, "D": 1.0}.get(dip_type, (2 + v) / 3)
    for algorithm in (symmetrical_component_dip, six_voltage_dip):
        reading = algorithm(BEFORE, of_type(dip_type, v))
        assert reading is not None
        assert abs(reading.characteristic_voltage) == pytest.approx(characteristic, abs=1e-12)
        assert abs(reading.pn_factor) == pytest.approx(factor, abs=1e-12)


@pytest.mark.parametrize("jump_deg", [-20.0, 10.0])
@pytest.mark.parametrize("dip_type", ["C", "D"])
def test_the_characteristic_voltage_keeps_its_angle(dip_type: str, jump_deg: float) -> None:
    # SOURCE_TYPES; the equations hold for complex V.
    v = 0.5 * np.exp(1j * np.radians(jump_deg))
    reading = symmetrical_component_dip(BEFORE, of_type(dip_type, v))
    assert reading is not None
    assert reading.dip_type == dip_type
    assert reading.characteristic_voltage == pytest.approx(v, abs=1e-12)


# SOURCE_TRANSFORMERS: rows as types at the primary, columns by what the windings do; V* = (1 + 2 V) / 3 for B.
TRANSFORMED = {
    "A": ("A", "A"),
    "B": ("D", "C"),
    "C": ("C", "D"),
    "D": ("D", "C"),
    "E": ("G", "F"),
    "F": ("F", "G"),
    "G": ("G", "F"),
}


@pytest.mark.parametrize("v", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("dip_type", TYPES)
def test_transformers_turn_types_into_types_as_tabulated(dip_type: str, v: float) -> None:
    phasors = of_type(dip_type, v)
    for change, expected in zip((without_zero_sequence, through_delta), TRANSFORMED[dip_type], strict=True):
        for algorithm in (symmetrical_component_dip, six_voltage_dip):
            reading = algorithm(change(BEFORE), change(phasors))
            assert reading is not None
            assert reading.dip_type == expected, (change.__name__, algorithm.__name__)
            if dip_type == "B":
                assert abs(reading.characteristic_voltage) == pytest.approx((1 + 2 * v) / 3, abs=1e-12)


@pytest.mark.parametrize("phase", ["A", "B", "C"])
@pytest.mark.parametrize(("dip_type", "seen"), [("A", "A"), ("B", "D"), ("C", "C"), ("D", "D"), ("E", "C"), ("G", "C")])
def test_line_to_line_voltages_tell_a_c_and_d(dip_type: str, seen: str, phase: str) -> None:
    # SOURCE_TYPES: loads without neutral see A, C and D only; E and G are C, B and F are D.
    joint = classify_dip(line_to_line(BEFORE), line_to_line(of_type(dip_type, 0.5, phase)), line_to_line=True)
    assert (joint.dip_type, joint.phase, joint.agrees) == (seen, expected_phase(seen, phase), True)


# --- with errors


def score(rng: np.random.Generator, *, errors_of_channels: bool, n: int) -> dict[str, dict[str, float]]:
    """Share right of each algorithm and both, by type, with 40 dB noise over a cycle, 2 degrees and 2 %."""
    right = {name: dict.fromkeys(TYPES, 0) for name in ("components", "six voltages", "both")}
    for _, dip_type, phase in itertools.product(range(n), TYPES, "ABC"):
        v = rng.uniform(0, 0.75) * np.exp(1j * np.radians(rng.uniform(-15, 5)))
        gains = (1 + 0.02 * rng.uniform(-1, 1, 3)) * np.exp(1j * np.radians(2) * rng.uniform(-1, 1, 3))
        noise = [0.01 / math.sqrt(128) * (rng.standard_normal(3) + 1j * rng.standard_normal(3)) for _ in range(2)]
        before = BEFORE * (gains if errors_of_channels else 1) + noise[0]
        during = of_type(dip_type, v, phase) * gains + noise[1]
        turned = np.exp(1j * rng.uniform(0, 2 * np.pi))
        readings: list[DipReading | None] = [
            algorithm(230 * turned * before, 230 * turned * during)
            for algorithm in (symmetrical_component_dip, six_voltage_dip)
        ]
        joint = classify_dip(230 * turned * before, 230 * turned * during)
        wanted = (dip_type, expected_phase(dip_type, phase))
        for name, one in zip(right, [*readings, joint], strict=True):
            right[name][dip_type] += one is not None and (one.dip_type, one.phase) == wanted
    return {name: {key: count / (3 * n) for key, count in counts.items()} for name, counts in right.items()}


def test_all_types_are_right_in_noise_with_errors_of_the_channels() -> None:
    # 40 dB noise (128 samples a cycle), channels wrong by up to 2 degrees and 2 %; V from 0 to 0.75 pu, jumps of
    # -15 to +5 degrees. Each phase is measured against itself before the sag, so that its errors drop out.
    shares = score(np.random.default_rng(1), errors_of_channels=True, n=40)
    assert shares["components"] == dict.fromkeys(TYPES, 1.0)
    assert shares["both"] == dict.fromkeys(TYPES, 1.0)
    assert min(shares["six voltages"].values()) >= 0.95  # it has no angle: weak where V jumps, or nears F


def test_types_are_right_with_errors_that_come_with_the_sag_too() -> None:
    # The same errors, during the sag only: nothing can tell them from the sag, and they are smaller than its types.
    shares = score(np.random.default_rng(2), errors_of_channels=False, n=40)
    assert min(shares["both"].values()) >= 0.99
    assert min(shares["six voltages"].values()) >= 0.93


# --- from a solved circuit


def seen(fault: Fault, windings: tuple[str, ...], *, delta: bool = False) -> tuple[C128, C128]:
    rate_hz = 6400.0
    built = Feeder(
        windings=windings, devices=(ImpedanceLoad(va=0.5e6, delta=delta),), faults=(fault,), zero_over_positive=1.0
    )
    recording = record(built, rate_hz=rate_hz, duration_s=0.4)
    sigma = 0.01 * NOMINAL_V / math.sqrt(3)  # 40 dB
    noise = sigma * np.random.default_rng(7).standard_normal(recording.u_v.shape)
    start, stop = (t * rate_hz for t in fault.spans_s[0])
    series = phasor_series(EventWindow(recording.u_v + noise, None, rate_hz, 50.0, start, stop))
    return dip_phasors(series, cycle=rate_hz / 50)


# SOURCE_TYPES: fault type against the number of transformers that swap line and phase, from 0 to 2; a single-phase
# fault after one that removes the zero sequence is D.
FAULTS = [
    ("A", True, ("B", "C", "D"), "D"),
    ("BC", False, ("C", "D", "C"), "C"),
    ("BC", True, ("E", "F", "G"), "G"),
    ("ABC", False, ("A", "A", "A"), "A"),
]


@pytest.mark.parametrize(("phases", "ground", "by_deltas", "by_star"), FAULTS)
def test_faults_in_a_solved_circuit_have_the_types_of_the_table(
    phases: str, ground: bool, by_deltas: tuple[str, str, str], by_star: str
) -> None:
    # 40 dB noise; a source whose zero-sequence impedance is its positive-sequence one, as the table has it.
    fault = Fault(place="source", phases=phases, ground=ground, spans_s=((0.12, 0.24),), spur_ohm=0.2 + 0.4j)
    rows = [
        ((), by_deltas[0]),
        (("YNyn",), by_deltas[0]),
        (("Dyn",), by_deltas[1]),
        (("Dyn", "Dyn"), by_deltas[2]),
        (("Dyn", "YNd"), by_deltas[2]),
        (("Yy",), by_star),
        (("Dd",), by_star),
    ]
    for windings, expected in rows:
        before, during = seen(fault, windings)
        joint = classify_dip(before, during)
        assert (joint.dip_type, joint.agrees) == (expected, True), (windings, joint.reason)


# --- where nothing can be told


def test_what_is_no_sag_of_these_types_has_no_type_and_a_reason() -> None:
    cases = {
        "neither the positive nor the negative sequence has changed": BEFORE
        + 0.5,  # zero sequence alone: an isolated network
        "the positive sequence has risen": 1.2 * BEFORE,
    }
    for reason, during in cases.items():
        joint = classify_dip(BEFORE, during)
        assert (joint.dip_type, joint.confidence, joint.reason) == (None, 0.0, reason)
        assert symmetrical_component_dip(BEFORE, during) is None
        assert six_voltage_dip(BEFORE, during) is None
    wrong_order = classify_dip(BEFORE[[0, 2, 1]], of_type("C", 0.5))
    assert wrong_order.reason == "the voltages before the sag are not a balanced set with rotation A-B-C"


@pytest.mark.parametrize("bad", [np.ones(2), np.array([1, np.nan, 1]), np.ones((3, 2))])
def test_other_than_three_finite_phasors_are_refused(bad: npt.NDArray[np.float64]) -> None:
    with pytest.raises(ValueError, match="must be \\(3,\\) and finite"):
        classify_dip(BEFORE, bad)


@pytest.mark.parametrize("dip_type", ["B", "C", "D", "E", "F", "G"])
def test_where_the_angle_jumps_the_algorithms_may_disagree_and_the_joint_result_says_so(dip_type: str) -> None:
    # SOURCE_TYPES: the six voltages know no angle and fail for shallow sags with a jump; the components do not.
    during = of_type(dip_type, 0.7 * np.exp(1j * np.radians(-20)))
    joint, second = classify_dip(BEFORE, during), six_voltage_dip(BEFORE, during)
    assert second is not None
    assert (joint.dip_type, joint.phase) == (dip_type, "A")
    assert (second.dip_type, second.phase) != (dip_type, "A")
    assert not joint.agrees
    assert joint.confidence <= 0.5
    assert f"the six-voltage method gives type {second.dip_type}" in joint.reason


def test_nearer_to_the_border_of_two_types_the_confidence_is_lower() -> None:
    # Derived: C of phase A has V2 in phase with the loss of V1, D of phase C 60 degrees ahead; 30 lies between.
    confidences = []
    for angle_deg in (0.0, 10.0, 20.0, 28.0):
        during = 0.75 * BEFORE + 0.25 * np.exp(1j * np.radians(angle_deg)) * BEFORE.conj()
        joint = classify_dip(BEFORE, during)
        assert (joint.dip_type, joint.phase) == ("C", "A")
        confidences.append(joint.confidence)
    assert confidences == sorted(confidences, reverse=True)
    assert len(set(confidences)) == 4
