"""Random grids: closed forms of earth faults, many steps at one go, dead lines, the same case from the same seed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halfcycle.pipeline.synthesis.circuit.devices import Fault, ImpedanceLoad
from halfcycle.pipeline.synthesis.circuit.family import draw_case
from halfcycle.pipeline.synthesis.circuit.feeder import Feeder, record
from halfcycle.pipeline.synthesis.circuit.grid import BREAKER, Earthing, Grid, Line, build_grid
from halfcycle.pipeline.synthesis.circuit.happenings import HAPPENINGS, draw_scene
from halfcycle.pipeline.synthesis.circuit.network import Sine
from halfcycle.pipeline.synthesis.circuit.stepping import Command, _Run, simulate

RATE_HZ = 12800.0
W = 2 * math.pi * 50
FARAD = 3e-6  # zero sequence of both lines together


def grid(earthing: Earthing, earthing_ohm: complex = 0j, faults: tuple[Fault, ...] = ()) -> Grid:
    line = Line(ohm=0.2 + 0.2j, zero_ohm=0.6 + 0.6j, farad=FARAD / 2, zero_farad=FARAD / 2)
    return Grid(
        nominal_v=10e3, frequency_hz=50.0, short_circuit_va=300e6, x_over_r=10.0, zero_over_positive=1.0,
        windings=("Yd",), transformer_ohm=0.01 + 0.2j, angle_deg=20.0, earthing=earthing, earthing_ohm=earthing_ohm,
        line=line, other_line=line, service_ohm=0.01 + 0.01j,
        devices=(ImpedanceLoad(place="customer", va=1e6, delta=True),),
        faults=faults,
    )  # fmt: skip


def solved(built: Grid, *, seconds: float = 0.5, commands: tuple[Command, ...] = ()) -> dict[str, np.ndarray]:
    network, parts = build_grid(built)
    source = Sine(built.base.phase_peak_v, 50.0, math.radians(built.angle_deg))
    trace = simulate(
        network, {"grid": source}, dt_s=1 / (2 * RATE_HZ), n_steps=round(seconds * 2 * RATE_HZ),
        voltages_of=["main.u", "feeder.u"], currents_of=["fault0.poles"] if built.faults else [BREAKER],
        commands=[*(c for part in parts for c in part.commands), *commands],
    )  # fmt: skip
    return {**trace.voltages, **trace.currents}


def rms(x: np.ndarray, t_s: float) -> float:
    """Of the fundamental, over the cycle from an instant on."""
    n, first = round(2 * RATE_HZ / 50), round(t_s * 2 * RATE_HZ)
    turns = np.exp(-2j * np.pi * np.arange(n) / n)
    return float(abs(math.sqrt(2) / n * (x[first : first + n] @ turns)))


EARTH_FAULT = Fault(place="end", phases="A", ground=True, spans_s=((0.1, 9.0),), ohm=(0.01, 0.01))


def test_an_earth_fault_of_an_isolated_grid_draws_its_charging_current_and_lifts_the_other_phases() -> None:
    # Derived: the fault's current is 3 w C0 E, the healthy phases stand at the voltage between lines.
    found = solved(grid("isolated", faults=(EARTH_FAULT,)))
    e = 10e3 / math.sqrt(3)
    assert rms(found["fault0.poles"][0], 0.4) == pytest.approx(3 * W * FARAD * e, rel=0.03)
    assert rms(found["main.u"][1], 0.4) == pytest.approx(10e3, rel=0.03)
    assert rms(found["main.u"][0], 0.4) < 0.02 * e


def test_a_coil_that_is_tuned_takes_the_earth_fault_current_away() -> None:
    # Derived: w L = 1 / (3 w C0) leaves losses alone: 3 % of the coil and about as much of what bleeds the lines.
    x = 1 / (3 * W * FARAD)
    found = solved(grid("resonant", complex(0.03 * x, x), faults=(EARTH_FAULT,)), seconds=1.0)
    charging = 3 * W * FARAD * 10e3 / math.sqrt(3)
    assert rms(found["fault0.poles"][0], 0.9) < 0.1 * charging


def test_a_resistor_limits_the_earth_fault_current() -> None:
    # Derived: E / R, as all other impedances are small beside it, and the charging current at right angles to it.
    ohm = 100.0
    found = solved(grid("resistance", complex(ohm), faults=(EARTH_FAULT,)))
    e = 10e3 / math.sqrt(3)
    expected = math.hypot(e / ohm, 3 * W * FARAD * e)
    assert rms(found["fault0.poles"][0], 0.4) == pytest.approx(expected, rel=0.04)


def test_a_line_whose_breaker_opened_is_dead_and_the_bus_is_not() -> None:
    opens = tuple(Command(0.2, BREAKER, pole, close=False) for pole in range(3))
    found = solved(grid("isolated"), commands=opens)
    assert np.abs(found["feeder.u"][:, -1000:]).max() < 0.02 * 10e3
    assert rms(found["main.u"][0], 0.45) == pytest.approx(10e3 / math.sqrt(3), rel=0.05)
    assert np.abs(found[BREAKER][:, -1000:]).max() < 1e-6


@pytest.mark.parametrize("span", [(0.1, 0.2), (0.103, 0.1035)])
def test_many_steps_at_one_go_are_the_steps_one_by_one(
    span: tuple[float, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Derived: the same product, in another order; rounding alone differs.
    fault = Fault(place="downstream", phases="BC", ground=True, spans_s=(span,), spur_ohm=0.1 + 0.2j)
    feeder = Feeder(faults=(fault,), source_steps=((0.25, 1.02),))
    at_once = record(feeder, rate_hz=6400.0, duration_s=0.4)
    monkeypatch.setattr(_Run, "leap", lambda *_: None)
    one_by_one = record(feeder, rate_hz=6400.0, duration_s=0.4)
    for x, y in ((at_once.u_v, one_by_one.u_v), (at_once.i_a, one_by_one.i_a)):
        assert np.abs(x - y).max() < 1e-9 * np.abs(y).max()


@pytest.mark.slow
def test_a_case_is_the_same_whatever_was_drawn_before_and_differs_from_others() -> None:
    first = draw_case(7, 3)
    draw_case(7, 4)
    again, other = draw_case(7, 3), draw_case(8, 3)
    assert np.array_equal(first.u_v, again.u_v)
    assert (first.events, first.group, first.rate_hz) == (again.events, again.group, again.rate_hz)
    assert other.u_v.shape != first.u_v.shape or not np.array_equal(other.u_v, first.u_v)


@pytest.mark.slow
@pytest.mark.parametrize("happening", [one for one, _ in HAPPENINGS], ids=lambda one: one.__name__)
def test_each_kind_of_scene_is_recorded_with_its_truth_and_a_steady_beginning(happening: object) -> None:
    case = draw_case(11, 1, happening)  # type: ignore[arg-type]
    scene = draw_scene(np.random.default_rng([11, 1]), happening)  # type: ignore[arg-type]
    assert [event.cause for event in case.events] == [event.cause for event in scene.events]
    n = round(case.rate_hz / case.nominal_hz)
    start = case.events[0].start_s * case.rate_hz
    assert 3 * n < start < case.u_v.shape[1] - n
    sizes = np.sqrt(np.array([(case.u_v[:, k : k + n] ** 2).mean(axis=1) for k in (0, n, 2 * n)]))
    assert np.abs(sizes / sizes.mean(axis=0) - 1).max() < 0.03  # 8 bits and an unsteady frequency at most
    assert 0.8 < float(sizes.mean()) * math.sqrt(3) / case.nominal_v < 1.2
