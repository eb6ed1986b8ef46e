"""Directions: each method on circuits worked by hand, and the vote on families of solved circuits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from made_circuits import (
    FLOWS,
    FREQUENCY_HZ,
    RATE_HZ,
    Case,
    fault_case,
    generation_case,
    load_case,
    motor_case,
    transformer_case,
)

from halfcycle.classifiers.direction import Direction, find_direction
from halfcycle.classifiers.direction_methods import (
    Answer,
    Course,
    PowerTrace,
    distance,
    disturbance_power,
    load_admittance,
    negative_impedance,
    negative_sequence,
    real_current,
    resistance_sign,
    system_trajectory,
)
from halfcycle.pipeline.catalogue.explain import explain
from halfcycle.pipeline.measures.event_window import EventWindow

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


def course(of: C128) -> Course:
    return Course.of(of, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)


@pytest.mark.parametrize("shunt", [0.5 + 0.5j, 2.0 + 1.0j, 1.0 + 6.0j])
@pytest.mark.parametrize("downstream", [False, True])
@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.__name__)
def test_each_method_tells_the_side_of_a_shunt(method: object, downstream: bool, shunt: complex) -> None:
    v, i = series(shunt, downstream=downstream)
    answer = method(course(v), course(i))  # type: ignore[operator]
    assert isinstance(answer, Answer)
    assert answer.direction == ("downstream" if downstream else "upstream")


def test_the_resistance_is_the_sources_turned_or_the_loads() -> None:
    # SOURCE: dV = -Zs dI for a cause downstream, +Zload dI for one upstream.
    for downstream, expected in ((True, -Z_SOURCE.real), (False, Z_LOAD.real)):
        v, i = series(1.0 + 1.0j, downstream=downstream)
        assert resistance_sign(course(v), course(i)).value == pytest.approx(expected, rel=1e-9)


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


@pytest.mark.parametrize("exported", [0.0, 0.02, 1.0, 5.0])
@pytest.mark.parametrize("shunt", [0.5 + 0.5j, 1.0 + 6.0j])
@pytest.mark.parametrize("downstream", [False, True])
def test_no_method_takes_one_side_for_the_other_where_power_flows_back(
    downstream: bool, shunt: complex, exported: float
) -> None:
    """Derived: the load of SOURCE beside a source of constant current, that feeds some times what the load draws."""
    fed = exported * E / (Z_SOURCE + Z_LOAD)

    def solved(upstream: complex, site: complex) -> tuple[complex, complex]:
        v = (E / Z_SOURCE + fed) / (1 / Z_SOURCE + upstream + site)
        return v, site * v - fed

    none, on = (0j, 1 / shunt)
    v, i = (np.full(N, x, np.complex128) for x in solved(none, 1 / Z_LOAD))
    during = solved(none if downstream else on, 1 / Z_LOAD + (on if downstream else none))
    v[I_START - 1 : I_STOP + 1], i[I_START - 1 : I_STOP + 1] = during
    side = "downstream" if downstream else "upstream"
    for method in METHODS:
        assert method(course(v), course(i)).direction in (side, None), method
    voted = find_direction(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    # A fault that leaves power flowing back may lie either way: then most methods cannot tell.
    assert voted.direction == side or (exported == 5.0 and voted.direction == "unknown")


@pytest.mark.parametrize("exported", [1.6, 2.0, 4.0])
@pytest.mark.parametrize("downstream", [False, True])
def test_generation_behind_clamps_all_backwards_looks_like_a_load_and_gets_no_side(
    downstream: bool, exported: float
) -> None:
    """Derived: a load beside a machine, behind a source, whose power back looks like a load's with I turned round.

    The recorder then sees the site's impedance for the source's and the other way about: no source is so weak, and no
    load so stiff. A load alone keeps its side. Nearer to balance, below 1.4 here, an upstream sag cannot be told so.
    """
    machine = 0.25j * abs(Z_LOAD) / exported  # common practice, no source: a quarter of its rated impedance
    e_machine = (1 + 1 / Z_LOAD * machine + (exported - 1) * machine / Z_LOAD.conjugate()) * E

    def solved(upstream: complex, site: complex) -> tuple[complex, complex]:
        v = (E / Z_SOURCE + e_machine / machine) / (1 / Z_SOURCE + upstream + site)
        return v, site * v - e_machine / machine

    none, on = 0j, 1 / (1.0 + 6.0j)
    own = 1 / Z_LOAD + 1 / machine
    v, i = (np.full(N, x, np.complex128) for x in solved(none, own))
    v[I_START - 1 : I_STOP + 1], i[I_START - 1 : I_STOP + 1] = solved(
        none if downstream else on, own + (on if downstream else none)
    )
    span = {"n_before": N_BEFORE, "i_start": I_START, "i_stop": I_STOP}
    assert (v[0] * i[0].conjugate()).real < 0
    assert find_direction(v, -i, **span).direction == ("upstream" if downstream else "downstream")
    assert find_direction(v, -i, by_load=True, **span).direction == "unknown"
    v, i = series(1.0 + 6.0j, downstream=downstream)
    assert find_direction(v, i, by_load=True, **span) == find_direction(v, i, **span)


@pytest.mark.parametrize(("z_negative", "side"), [(-Z_SOURCE, "downstream"), (Z_LOAD, "upstream"), (1j - 2, None)])
def test_negative_sequence_has_the_impedance_of_the_other_side(z_negative: complex, side: str | None) -> None:
    # SOURCE, for the negative sequence: dV2 = -Zs dI2 downstream, +Zload dI2 upstream; neither is of no side.
    v, i = series(1.0 + 1.0j, downstream=side == "downstream")
    i2 = np.zeros(N, np.complex128)
    i2[I_START - 1 : I_STOP + 1] = 300.0 - 100.0j
    z2 = negative_impedance(course(v), course(i), course(z_negative * i2), course(i2))
    assert negative_sequence(z2).direction == side
    balanced = negative_impedance(course(v), course(i), course(1e-6 * i2), course(i2))
    assert negative_sequence(balanced).direction is None  # nothing to tell


def test_negative_sequence_that_contradicts_the_vote_leaves_the_side_open() -> None:
    v, i = series(1.0 + 1.0j, downstream=True)
    i2 = np.zeros(N, np.complex128)
    i2[I_START - 1 : I_STOP + 1] = 30.0 - 10.0j
    span = {"n_before": N_BEFORE, "i_start": I_START, "i_stop": I_STOP}
    assert find_direction(v, i, negative=(-Z_SOURCE * i2, i2), **span).direction == "downstream"
    assert find_direction(v, i, negative=(Z_LOAD * i2, i2), **span).direction == "unknown"
    with pytest.raises(ValueError, match="negative sequence"):
        find_direction(v, i, negative=(i2[:-1], i2[:-1]), **span)


@pytest.mark.parametrize("turn", [np.exp(2j * np.pi / 3), np.exp(-2j * np.pi / 3)])
@pytest.mark.parametrize("downstream", [False, True])
def test_phases_that_are_taken_for_one_another_leave_the_side_of_an_unbalanced_event_open(
    downstream: bool, turn: complex
) -> None:
    # SOURCE. Derived: voltages moved on by one phase turn by 120 degrees in the positive sequence, by -120 in the
    # negative one, so that no side's impedance fits both.
    v, i = series(1.0 + 1.0j, downstream=downstream)
    i2 = np.zeros(N, np.complex128)
    i2[I_START - 1 : I_STOP + 1] = 300.0 - 100.0j
    z = -Z_SOURCE if downstream else Z_LOAD
    span = {"n_before": N_BEFORE, "i_start": I_START, "i_stop": I_STOP}
    side = "downstream" if downstream else "upstream"
    assert find_direction(v, i, negative=(z * i2, i2), **span).direction == side
    assert find_direction(v * turn, i, negative=(z * i2 / turn, i2), **span).direction == "unknown"


def test_a_generator_that_stops_while_the_voltage_is_low_upstream_is_not_taken_for_the_cause() -> None:
    # SOURCE: the voltage falls upstream; half way a generator stops, and power turns round. No source explains both.
    v, i = series(0.3 + 0.6j, downstream=False)
    generated = 3 * abs(E / (Z_SOURCE + Z_LOAD))
    i[: (I_START + I_STOP) // 2] -= generated
    voted = find_direction(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert voted.direction != "downstream"


def test_the_vote_counts_and_names_every_answer() -> None:
    v, i = series(1.0 + 1.0j, downstream=True)
    voted = find_direction(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert voted.direction == "downstream"
    assert voted.confidence == 0.95  # five of five
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
        assert method(course(v), course(i)).direction is None
    voted = find_direction(v, i, n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert (voted.direction, voted.confidence) == ("unknown", 0.0)


def test_a_sag_without_current_before_it_is_not_voted_on_by_one_method_alone() -> None:
    v, _ = series(1.0 + 1.0j, downstream=True)
    voted = find_direction(v, np.zeros(N, np.complex128), n_before=N_BEFORE, i_start=I_START, i_stop=I_STOP)
    assert voted.direction == "unknown"


@pytest.mark.parametrize(("i_start", "i_stop"), [(7, 12), (8, 8), (8, 31)])
def test_ranges_that_do_not_fit_are_refused(i_start: int, i_stop: int) -> None:
    v, i = series(1.0 + 1.0j, downstream=True)
    with pytest.raises(ValueError, match="do not agree"):
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


@pytest.mark.slow
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


# --- generation at the site: the side does not depend on the power before


def sides_at_a_generator(flow: str, place: str, *, n: int, seed: int) -> list[tuple[str, float]]:
    """The side found and its confidence, of faults at sites that take, give or exchange next to no power."""
    found = []
    for k in range(n):
        rng = np.random.default_rng([k, FLOWS.index(flow), seed])
        where = "source" if place == "upstream" and k % 2 else place
        case = generation_case(rng, place=where, flow=flow)  # type: ignore[arg-type]
        direction = judged(case)
        found.append((direction.direction, direction.confidence))
    return found


@pytest.mark.parametrize("flow", FLOWS)
@pytest.mark.parametrize("place", ["upstream", "downstream"])
def test_faults_at_sites_with_generation_get_their_side(flow: str, place: str) -> None:
    # Truth: the circuit. Machines and inverters, some of which stop in the fault; more of them below.
    sides = [side for side, _ in sides_at_a_generator(flow, place, n=5, seed=31)]
    assert set(sides) <= {place, "unknown"}
    assert sides.count(place) >= 4


@pytest.mark.exam
@pytest.mark.slow
@pytest.mark.parametrize("flow", FLOWS)
@pytest.mark.parametrize("place", ["upstream", "downstream"])
def test_three_hundred_faults_with_generation_are_never_put_on_the_wrong_side(flow: str, place: str) -> None:
    # The project's own bar: right in 95 % where it answers, and never sure of the wrong side.
    found = sides_at_a_generator(flow, place, n=300, seed=97)
    answered = [(side, confidence) for side, confidence in found if side != "unknown"]
    assert len(answered) >= 0.85 * len(found)
    wrong = [confidence for side, confidence in answered if side != place]
    assert len(wrong) <= 0.01 * len(answered)
    assert all(confidence < 0.9 for confidence in wrong)
