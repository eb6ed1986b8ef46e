"""Sides of earth faults where the neutral is not solidly earthed, against networks worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.classifiers.earth_fault import earth_fault_direction

C128 = npt.NDArray[np.complex128]

SOURCE = (
    "derived: Kirchhoff's laws in the zero sequence, feeders as lossy capacitances, the neutral as an admittance; "
    "that active power tells the side with coils and resistors, and charging current in isolated networks: J. Roberts, "
    "H. Altuve, D. Hou, Review of ground fault protection methods for grounded, ungrounded, and compensated "
    "distribution systems, 2001 (from memory)"
)
W = 2 * math.pi * 50
PHASE_V = 20e3 / math.sqrt(3)
NEUTRALS = ("isolated", "resistor", "coil", "coil too large", "coil too small")
RANGES = {"n_before": 10, "i_start": 10, "i_stop": 40}


def neutral_siemens(kind: str, c_total: float, rng: np.random.Generator) -> complex:
    """Admittance from the star point to earth, of three times the zero sequence's: coils with 2 to 4 % of losses."""
    b = W * c_total
    if kind == "isolated":
        return 0j
    if kind == "resistor":
        return complex(b * rng.uniform(1.5, 30))
    tuned = {"coil": rng.uniform(0.98, 1.02), "coil too large": rng.uniform(1.05, 1.15), "coil too small": 0.9}[kind]
    return complex(b * tuned * rng.uniform(0.02, 0.04), -b * tuned)


def series(
    rng: np.random.Generator, *, neutral: str, behind: bool, turned_deg: float = 0.0
) -> tuple[C128, C128, C128, C128]:
    """v0, i0, v1, i1 of a monitor on one feeder of several, the fault on it or on another one."""
    share = rng.uniform(0.05, 0.3)  # of the network's capacitance that lies behind the monitor
    c_total = rng.uniform(1e-6, 60e-6)
    y = [W * c_total * part * complex(rng.uniform(0.002, 0.02), 1.0) for part in (share, 1 - share)]
    y_neutral = neutral_siemens(neutral, c_total, rng)
    fault_ohm = rng.uniform(0.0, 0.5) / abs(y[0] + y[1] + y_neutral)
    e = PHASE_V * np.exp(1j * rng.uniform(0, 2 * math.pi))
    v0_fault = -e / (1 + fault_ohm * (y[0] + y[1] + y_neutral))
    i0_fault = (y[0] if not behind else -(y[1] + y_neutral)) * v0_fault
    load = rng.uniform(20, 300) * np.exp(1j * rng.uniform(0, 2 * math.pi))  # power may flow either way
    calm = np.arange(40) < 10
    asymmetry = 0.005 * PHASE_V * np.exp(1j * rng.uniform(0, 6))
    turn = np.exp(1j * math.radians(turned_deg))

    def noise(size: float) -> C128:
        return size * (rng.standard_normal(40) + 1j * rng.standard_normal(40))

    v0 = asymmetry + np.where(calm, 0, v0_fault) + noise(1e-4 * PHASE_V)
    i0 = (0.002 * load + np.where(calm, 0, i0_fault)) * turn + noise(1e-4 * abs(load))
    return v0, i0, e + noise(1e-4 * PHASE_V), load + noise(1e-4 * abs(load))


@pytest.mark.parametrize("behind", [False, True])
@pytest.mark.parametrize("neutral", NEUTRALS)
def test_the_side_is_right_wherever_it_is_told(neutral: str, behind: bool) -> None:
    # SOURCE; currents of one degree of error of the transformers either way
    told, wrong = 0, 0
    for k in range(100):
        rng = np.random.default_rng([k, NEUTRALS.index(neutral), behind])
        found = earth_fault_direction(
            *series(rng, neutral=neutral, behind=behind, turned_deg=rng.uniform(-1, 1)), **RANGES
        )
        if found is not None:
            told += 1
            wrong += found.direction != ("downstream" if behind else "upstream")
    assert wrong == 0
    assert told >= 60


def test_a_feeder_of_an_isolated_network_worked_out_by_hand() -> None:
    # SOURCE: 1 mS behind the monitor and 4 mS before it, solid fault: V0 = -230 V; behind, I0 = -j 4 mS V0 = j 0.92 A
    calm = np.arange(40) < 10
    v0, v1, i1 = np.where(calm, 0, -230 + 0j), np.full(40, 230 + 0j), np.full(40, 20 + 0j)
    for i0, side in ((0.92j, "downstream"), (-0.23j, "upstream")):
        found = earth_fault_direction(v0, np.where(calm, 0, i0), v1, i1, **RANGES)
        assert found is not None
        assert (found.direction, found.answers[0].method) == (side, "zero sequence")


def test_what_lowers_the_triangle_or_moves_no_star_point_is_not_asked() -> None:
    rng = np.random.default_rng(5)
    v0, i0, v1, i1 = series(rng, neutral="resistor", behind=True)
    inside = np.arange(40) >= 10
    assert earth_fault_direction(v0, i0, np.where(inside, 0.7 * v1, v1), i1, **RANGES) is None
    assert earth_fault_direction(0.05 * v0, i0, v1, i1, **RANGES) is None
    assert earth_fault_direction(v0, 1e-5 * i0, v1, i1, **RANGES) is None
    late = np.where(np.arange(40) < 20, v0[0], v0)
    assert earth_fault_direction(late, i0, v1, i1, **RANGES) is None


def test_a_trip_that_follows_is_left_out() -> None:
    v0, i0, v1, i1 = series(np.random.default_rng(6), neutral="resistor", behind=True)
    gone = np.arange(40) >= 22
    found = earth_fault_direction(*(np.where(gone, 0, x) for x in (v0, i0, v1, i1)), **RANGES)
    assert found is not None
    assert found.direction == "downstream"


def test_shapes_and_ranges_that_do_not_agree_are_refused() -> None:
    x = np.zeros(40, np.complex128)
    with pytest.raises(ValueError, match="do not agree"):
        earth_fault_direction(x, x[:-1], x, x, **RANGES)
    with pytest.raises(ValueError, match="do not agree"):
        earth_fault_direction(x, x, x, x, n_before=0, i_start=10, i_stop=40)
