"""Directions: each method on circuits worked by hand, and the vote on families of solved circuits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from made_circuits import (
    FREQUENCY_HZ,
    RATE_HZ,
    Case,
    fault_case,
    load_case,
    motor_case,
    transformer_case,
)

from classifiers.direction import (
    Answer,
    Direction,
    PowerTrace,
    distance,
    disturbance_power,
    find_direction,
    load_admittance,
    real_current,
    resistance_sign,
    system_trajectory,
)
from pipeline.catalogue.explain import explain
from pipeline.measures.event_window import EventWindow

SOURCE = (
    "derived: a source E behind Zs feeds a load; a shunt before the monitor lowers V and leaves I = V / Zload, a shunt "
    "behind it adds its own current and lowers V by Zs times that. The rules: tables of the trade (from memory)"
)
C128 = npt.NDArray[np.complex128]
METHODS = (resistance_sign, system_trajectory, real_current, distance, load_admittance)
Z_SOURCE, Z_LOAD = 0.2 + 1.0j, 30.0 + 10.0j
E = 1000.0
N, N_BEFORE, I_START, I_STOP = 30, 10, 12, 22


def series(shunt: complex, *, downstream: bool) -> tuple[C128, C128]:
    """V1 and I1 at the monitor: before, while the shunt is on, and after."""
    v, i = np.full(N, E * Z_LOAD / (Z_SOURCE + Z_LOAD)), np.full(N, E / (Z_SOURCE + Z_LOAD))
    behind = 1 / (1 / Z_LOAD + 1 / shunt)
    during = E * behind / (Z_SOURCE + behind)
    v[I_START - 1 : I_STOP + 1] = during
    i[I_START - 1 : I_STOP + 1] = during / (behind if downstream else Z_LOAD)
    return v, i


@pytest.mark.parametrize("shunt", [0.5 + 0.5j, 2.0 + 1.0j, 1.0 + 6.0j])
@pytest.mark.parametrize("downstream", [False, True])
@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.__name__)
def test_each_method_tells_the_side_of_a_shunt(method: object, downstream: bool, shunt: complex) -> None:
    v, i = series(shunt, downstream=downstream)
    answer = method(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)  # type: ignore[operator]
    assert isinstance(answer, Answer)
    assert answer.direction == ("downstream" if downstream else "upstream")


def test_the_resistance_is_the_sources_turned_or_the_loads() -> None:
    # SOURCE: dV = -Zs dI for a cause downstream, +Zload dI for one upstream.
    for downstream, expected in ((True, -Z_SOURCE.real), (False, Z_LOAD.real)):
        v, i = series(1.0 + 1.0j, downstream=downstream)
        assert resistance_sign(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP).value == pytest.approx(
            expected, rel=1e-9
        )


@pytest.mark.parametrize("downstream", [False, True])
def test_disturbance_power_has_the_sign_of_the_energy(downstream: bool) -> None:
    # SOURCE, by instantaneous power: three phases in balance have constant power 3 Re(V I*).
    v, i = series(1.0 + 0.2j, downstream=downstream)
    power = 3 * (v * i.conj()).real
    samples = np.repeat(power, 64)
    trace = PowerTrace(samples, 6400.0, (I_START - 1) * 64, I_STOP * 64, 128)
    answer = disturbance_power(trace)
    assert answer.direction == ("downstream" if downstream else "upstream")
    n = I_STOP * 64 - (I_START - 1) * 64
    assert answer.value == pytest.approx((power[I_START] - power[0]) * n / 6400.0, rel=1e-9)


def test_the_vote_counts_and_names_every_answer() -> None:
    v, i = series(1.0 + 1.0j, downstream=True)
    voted = find_direction(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert voted.direction == "downstream"
    assert voted.confidence == pytest.approx(5 / 6)  # five of five, and one less certain for being few
    assert [answer.method for answer in voted.answers] == [
        "resistance sign",
        "slope of the system trajectory",
        "real current component",
        "distance",
        "load admittance",
    ]
    for answer in voted.answers:
        assert f"{answer.method}: downstream" in voted.reason


def test_nothing_that_changes_has_no_direction() -> None:
    v, i = np.full(N, 1000.0 + 0j), np.full(N, 30.0 - 5.0j)
    for method in METHODS:
        assert method(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP).direction is None
    voted = find_direction(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert (voted.direction, voted.confidence) == ("unknown", 0.0)


def test_a_sag_without_current_before_it_is_not_voted_on_by_one_method_alone() -> None:
    v, _ = series(1.0 + 1.0j, downstream=True)
    voted = find_direction(v, np.zeros(N, np.complex128), n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert voted.direction == "unknown"


@pytest.mark.parametrize(("i_start", "i_stop"), [(7, 12), (8, 8), (8, 31)])
def test_ranges_that_do_not_fit_are_refused(i_start: int, i_stop: int) -> None:
    v, i = series(1.0 + 1.0j, downstream=True)
    with pytest.raises(ValueError, match="do not fit"):
        find_direction(v, i, n_before=8, i_start=i_start, i_stop=i_stop)


def test_power_without_a_cycle_before_the_event_is_refused() -> None:
    with pytest.raises(ValueError, match="no cycle before"):
        disturbance_power(PowerTrace(np.ones(1000), 6400.0, 100, 500, 128))


# --- families of solved circuits

SAGS = {"fault": fault_case, "motor start": motor_case, "transformer energising": transformer_case}


def judged(case: Case) -> Direction:
    window = EventWindow(case.noisy_u, case.noisy_i, RATE_HZ, FREQUENCY_HZ, case.start, case.stop)
    direction = explain(window, sag=False).direction
    assert direction is not None
    return direction


@pytest.mark.parametrize("family", list(SAGS))
def test_sags_in_solved_circuits_get_their_side(family: str) -> None:
    # Truth: the circuit. 50 dB noise, random networks, loads and running motors; more of them in test_families.
    outcomes = []
    for k in range(8):
        case = SAGS[family](np.random.default_rng([k, 5]))
        outcomes.append((judged(case).direction, case.recording.truth[0].direction))
    assert all(found in (truth, "unknown") for found, truth in outcomes)
    assert sum(found == truth for found, truth in outcomes) >= 7


def test_a_load_that_is_switched_off_lies_where_it_was() -> None:
    # The voltage rises: only methods that do not ask for a sag answer.
    for k in range(6):
        case = load_case(np.random.default_rng([k, 21]), place="downstream")
        assert judged(case).direction == "downstream"
