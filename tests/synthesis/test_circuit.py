"""Solved circuits against closed forms of circuit theory."""

from __future__ import annotations

import math
import time
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.circuit.devices import (
    Capacitor,
    Converter,
    Fault,
    Generator,
    ImpedanceLoad,
    MotorLoad,
    Transformer,
)
from halfcycle.pipeline.synthesis.circuit.feeder import Feeder, record, true_causes
from halfcycle.pipeline.synthesis.circuit.motor import Motor
from halfcycle.pipeline.synthesis.circuit.network import GROUND, MagnetisingCurve, Network, Sine, between
from halfcycle.pipeline.synthesis.circuit.stepping import Command, simulate

SOURCE = "derived: closed forms of linear circuits, beside each check"
F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]
W = 2 * np.pi * 50.0
U = 10e3 / math.sqrt(3)
STIFF = (1e-4 + 1e-4j, 1e-4 + 1e-4j)  # lines of next to no impedance


def phasors(x: F64, rate_hz: float, t_s: float, *, order: int = 1, f_hz: float = 50.0) -> C128:
    """RMS phasors of the cycle from an instant on, by the discrete Fourier sum over whole cycles."""
    n, k = round(rate_hz / f_hz), round(t_s * rate_hz)
    t = np.arange(k, k + n) / rate_hz
    values: C128 = np.sqrt(2.0) / n * (x[..., k : k + n] @ np.exp(-2j * np.pi * order * f_hz * t))
    return values


# --- elements


def test_a_fault_current_has_its_offset_decay_with_l_over_r() -> None:
    # SOURCE: i = steady + (i(0) - steady(0)) exp(-t R / L). Trapezoids of 78 us: 1e-4 of the peak.
    network = Network(50.0, 1e9)
    network.inductive("source", [between("a")], resistance=0.1, inductance=0.01, emf="grid")
    network.switch("fault", [between("a")], ohm=1e-6, closed=False)
    dt = 1 / 12800
    trace = simulate(
        network, {"grid": Sine(325.0, 50.0, 1.5)}, dt_s=dt, n_steps=5000, currents_of=["fault"],
        commands=[Command(1280 * dt, "fault", 0, close=True)],
    )  # fmt: skip
    i = trace.currents["fault"][0, 1279:]
    t = trace.t_s[1279:]
    steady = 325.0 * np.exp(1.5j) / complex(0.1, W * 0.01) * np.exp(1j * W * t)
    expected = steady.real - steady.real[0] * np.exp(-(t - t[0]) * 0.1 / 0.01)
    assert np.abs(i - expected).max() < 3e-4 * np.abs(expected).max()
    assert np.abs(expected).max() > 1.5 * abs(steady[0])  # the offset is there at all


def test_a_pole_opens_at_a_current_zero_and_leaves_no_ringing_of_the_solver() -> None:
    # The current through the pole ends where it crosses zero; an inductance that is cut off has no voltage then.
    network = Network(50.0, 1e6)
    network.inductive("source", [between("a")], resistance=0.1, inductance=0.001, emf="grid")
    network.inductive("line", [between("a", "b")], resistance=0.1, inductance=0.01)
    network.switch("pole", [between("b")], ohm=1e-6, closed=True)
    network.probe("u", [between("a"), between("b")])
    dt = 1 / 12800
    trace = simulate(
        network, {"grid": Sine(325.0, 50.0)}, dt_s=dt, n_steps=2000, voltages_of=["u"], currents_of=["pole"],
        commands=[Command(0.05, "pole", 0, close=False)],
    )  # fmt: skip
    i, u = trace.currents["pole"][0], trace.voltages["u"]
    stop = int(np.flatnonzero(np.abs(i[640:]) < 1e-6)[0]) + 640
    assert 640 < stop <= 640 + 128 + 2  # within half a cycle
    assert np.abs(i[stop:]).max() < 1e-6
    assert abs(i[stop - 1]) < W * dt * 325 / abs(complex(0.2, W * 0.011)) * 1.01  # less than one step from zero
    expected = 325.0 * np.cos(W * trace.t_s[stop + 2 :])
    assert np.abs(u[0, stop + 2 :] - expected).max() < 0.01 * 325
    assert np.abs(u[1, stop + 2 :] - expected).max() < 0.01 * 325


def test_a_network_without_events_stays_in_its_steady_state() -> None:
    # SOURCE: the phasor solution at the start is the solution for ever.
    motor = Motor.typical(rated_va=1e6, nominal_v=10e3, frequency_hz=50.0, start_ratio=6, inertia_s=0.5)
    devices = (ImpedanceLoad(va=2e6), MotorLoad(motor=motor), Capacitor(var=1e6), Transformer(va=2e6))
    recording = record(Feeder(devices=devices, windings=("Dyn",)), rate_hz=6400.0, duration_s=0.5)
    for x in (recording.u_v, recording.i_a):
        first, last = phasors(x, 6400.0, 0.0), phasors(x, 6400.0, 0.48)
        assert np.abs(last - first).max() < 1e-3 * np.abs(first).max()


def test_a_magnetising_curve_is_continuous_odd_and_has_its_slopes() -> None:
    curve = MagnetisingCurve((1.0, 1.5), (10.0, 1.0, 0.1))

    def current(flux: float) -> float:
        offset, inductance = curve.of_piece(curve.piece(flux))
        return offset + flux / inductance

    # by hand: 1 V s at 10 H is 0.1 A; half a V s more at 1 H 0.5 A; half a V s more at 0.1 H 5 A
    assert [current(x) for x in (1.0, 1.5, 2.0)] == pytest.approx([0.1, 0.6, 5.6], abs=1e-12)
    for flux in (0.3, 1.2, 1.9):
        assert current(-flux) == pytest.approx(-current(flux), abs=1e-12)


def test_a_magnetising_curve_that_falls_back_is_refused() -> None:
    with pytest.raises(ConfigError, match="rise"):
        MagnetisingCurve((1.0, 0.5), (1.0, 1.0, 1.0))
    with pytest.raises(ConfigError, match="one more"):
        MagnetisingCurve((1.0,), (1.0,))


def test_a_core_that_is_switched_on_at_zero_voltage_reaches_twice_its_flux_and_the_current_of_the_curve() -> None:
    # SOURCE: flux = integral of the voltage from residual flux on: 2 peaks + residual half a cycle after a zero.
    peak_flux = 325.0 / W
    curve = MagnetisingCurve((1.2 * peak_flux,), (20.0, 0.05))
    network = Network(50.0, 1e8)
    network.inductive("source", [between("a")], resistance=1e-4, inductance=1e-6, emf="grid")
    network.switch("pole", [between("a", "b")], ohm=1e-5, closed=False)
    network.saturable("core", [between("b")], curve=curve, flux_vs=[0.4 * peak_flux])
    dt = 1 / 51200
    trace = simulate(
        network, {"grid": Sine(325.0, 50.0, -np.pi / 2)}, dt_s=dt, n_steps=1024, currents_of=["core"],
        commands=[Command(dt, "pole", 0, close=True)],
    )  # fmt: skip
    expected = 1.2 * peak_flux / 20.0 + (2.4 - 1.2) * peak_flux / 0.05
    assert trace.currents["core"][0].max() == pytest.approx(expected, rel=0.01)  # the source's resistance, one step


# --- faults and types


@pytest.mark.parametrize("spur", [0.2 + 0.4j, 0.5 + 0.5j, 1.0 + 0.2j])
def test_a_balanced_fault_leaves_what_the_voltage_divider_leaves(spur: complex) -> None:
    # SOURCE: V = ZF / (ZS + ZF), magnitude and angle; a load of a thousandth of the short-circuit power.
    fault = Fault(place="upstream", phases="ABC", ground=False, spans_s=((0.1, 0.4),), spur_ohm=spur)
    built = Feeder(devices=(ImpedanceLoad(va=1e4),), faults=(fault,), line_ohm=STIFF)
    recording = record(built, rate_hz=6400.0, duration_s=0.5)
    ratio = phasors(recording.u_v, 6400.0, 0.34) / phasors(recording.u_v, 6400.0, 0.05)
    expected = spur / (built.source_ohm + spur)
    assert np.abs(ratio - expected).max() < 0.002
    after = phasors(recording.u_v, 6400.0, 0.46) / phasors(recording.u_v, 6400.0, 0.06)
    assert np.abs(after - 1).max() < 0.001


@pytest.mark.parametrize("ratio", [1.0, 2.5])
def test_a_single_phase_fault_raises_the_healthy_phases_as_the_sequence_networks_say(ratio: float) -> None:
    # SOURCE: bolted fault of A, Z1 = Z2: E (a^2 - (Z0 - Z1) / (2 Z1 + Z0)) on phase B.
    fault = Fault(place="upstream", phases="A", ground=True, spans_s=((0.1, 0.4),))
    built = Feeder(devices=(ImpedanceLoad(va=1e4),), faults=(fault,), line_ohm=STIFF, zero_over_positive=ratio)
    recording = record(built, rate_hz=6400.0, duration_s=0.4)
    seen = phasors(recording.u_v, 6400.0, 0.34) / (U * np.exp(1j * np.angle(phasors(recording.u_v, 6400.0, 0.04)[0])))
    shift = (ratio - 1) / (2 + ratio)
    turn = np.exp(2j * np.pi / 3)
    assert np.abs(seen - np.array([0, turn**2 - shift, turn - shift])).max() < 0.005


WINDING_MATRICES = {
    # SOURCE: ratio 1 line to line; what the secondary's phases see of the primary's.
    "Dyn": np.array([[1, -1, 0], [0, 1, -1], [-1, 0, 1]]) / math.sqrt(3),
    # (YNd is a path for zero sequence itself: the primary's voltages are others with it.)
    "Yd": np.array([[1, 0, -1], [-1, 1, 0], [0, -1, 1]]) / math.sqrt(3),
    "YNyn": np.eye(3),
    "Yy": np.eye(3) - 1 / 3,
    "Dd": np.eye(3) - 1 / 3,
}


@pytest.mark.parametrize("winding", list(WINDING_MATRICES))
def test_transformers_hand_voltages_on_as_their_windings_are_connected(winding: str) -> None:
    fault = Fault(place="source", phases="A", ground=True, spans_s=((0.1, 0.4),), spur_ohm=0.1 + 0.2j)
    changes = {"devices": (ImpedanceLoad(va=1e4),), "faults": (fault,), "line_ohm": STIFF}
    primary = record(Feeder(**changes), rate_hz=6400.0, duration_s=0.4)  # type: ignore[arg-type]
    secondary = record(Feeder(windings=(winding,), **changes), rate_hz=6400.0, duration_s=0.4)  # type: ignore[arg-type]
    expected = WINDING_MATRICES[winding] @ phasors(primary.u_v, 6400.0, 0.34)
    assert np.abs(phasors(secondary.u_v, 6400.0, 0.34) - expected).max() < 0.005 * U


def test_the_lowest_phase_behind_a_delta_of_a_bolted_single_phase_fault_is_0_577() -> None:
    # SOURCE: type C with V* = 1/3: sqrt(1/4 + 3/4 / 9)
    fault = Fault(place="source", phases="A", ground=True, spans_s=((0.1, 0.4),))
    built = Feeder(windings=("Dyn",), devices=(ImpedanceLoad(va=1e4),), faults=(fault,), zero_over_positive=1.0)
    recording = record(built, rate_hz=6400.0, duration_s=0.4)
    assert np.abs(phasors(recording.u_v, 6400.0, 0.34)).min() / U == pytest.approx(0.5774, abs=0.003)


# --- capacitors


@pytest.mark.parametrize(("short_circuit_va", "var"), [(200e6, 3e6), (100e6, 1e6), (300e6, 2e6)])
def test_a_capacitor_rings_at_f1_root_of_ssc_over_q_and_lifts_the_voltage_by_q_over_ssc(
    short_circuit_va: float, var: float
) -> None:
    # SOURCE: f1 sqrt(Ssc / Q), 490 Hz for 200 MVA and 3 Mvar at 60 Hz; rise Q / Ssc (to first order, 2 % off).
    rate_hz = 60 * 512.0
    bank = Capacitor(var=var, closes_s=(0.1,), series_pu=(1e-4, 1e-5))
    built = Feeder(
        frequency_hz=60.0, short_circuit_va=short_circuit_va, x_over_r=20.0, zero_over_positive=1.0,
        line_ohm=STIFF, devices=(ImpedanceLoad(va=1e5), bank),
    )  # fmt: skip
    recording = record(built, rate_hz=rate_hz, duration_s=1.0)
    k = round(0.1 * rate_hz) + 2
    n = 1024
    later = k + 48 * 512  # whole cycles on, when it has died away
    ringing = recording.u_v[0, k : k + n] - recording.u_v[0, later : later + n]
    crossings = np.flatnonzero(np.diff(np.signbit(ringing)))
    places = [float(c + ringing[c] / (ringing[c] - ringing[c + 1])) for c in crossings]
    period = 2 * np.mean([b - a for a, b in pairwise(places)])
    expected_hz = 60 * math.sqrt(short_circuit_va / var)
    assert rate_hz / period == pytest.approx(expected_hz, rel=0.02)
    before, after = (np.abs(phasors(recording.u_v, rate_hz, t, f_hz=60.0)).mean() for t in (0.05, 0.95))
    assert after / before - 1 == pytest.approx(var / short_circuit_va, rel=0.04)
    assert np.abs(recording.u_v[:, k : k + 512]).max() < 2.0 * U * math.sqrt(2)  # 2 pu is the most in theory


# --- motors and transformers


@pytest.mark.parametrize(("start_va", "short_circuit_va"), [(6e6, 60e6), (9e6, 100e6)])
def test_a_motor_at_standstill_takes_the_voltage_down_as_the_divider_says(
    start_va: float, short_circuit_va: float
) -> None:
    # SOURCE: |Zm / (Zs + Zm)| with the impedance at slip 1; about Ssc / (Ssc + Sst), 0.909 for 60 and 6 MVA.
    motor = Motor.typical(rated_va=start_va / 6, nominal_v=10e3, frequency_hz=50.0, start_ratio=6, inertia_s=50.0)
    built = Feeder(
        short_circuit_va=short_circuit_va, devices=(ImpedanceLoad(va=1e4), MotorLoad(motor=motor, closes_s=(0.1,))),
        line_ohm=STIFF,
    )  # fmt: skip
    recording = record(built, rate_hz=6400.0, duration_s=0.5)
    seen = np.abs(phasors(recording.u_v, 6400.0, 0.4)).mean() / U
    z = motor.impedance(1.0, W)
    assert seen == pytest.approx(abs(z / (z + built.source_ohm)), abs=0.002)
    assert seen == pytest.approx(short_circuit_va / (short_circuit_va + start_va), abs=0.01)


def test_a_motor_comes_up_to_the_slip_at_which_it_runs_from_the_start() -> None:
    # Two ways to the same steady state: started in time, and by phasors with the torque in balance.
    motor = Motor.typical(rated_va=1e6, nominal_v=10e3, frequency_hz=50.0, start_ratio=6, inertia_s=0.2)
    started = record(Feeder(devices=(MotorLoad(motor=motor, closes_s=(0.02,)),)), rate_hz=6400.0, duration_s=3.0)
    running = record(Feeder(devices=(MotorLoad(motor=motor),)), rate_hz=6400.0, duration_s=3.0)
    ends = [phasors(one.i_a, 6400.0, 2.9) for one in (started, running)]
    assert np.abs(ends[0] - ends[1]).max() < 0.001 * np.abs(ends[1]).max()
    early = np.abs(phasors(started.i_a, 6400.0, 0.1)).max()
    assert 5 < early / (1e6 / (math.sqrt(3) * 10e3)) < 6.5  # times the rated current; 6 at nominal voltage


def test_a_transformer_draws_even_harmonics_when_it_is_energised_and_few_later() -> None:
    # common practice, no source: h2 / h1 beyond 15 to 20 % in the inrush, unequal in the phases.
    transformer = Transformer(va=8e6, closes_s=(0.1,), residual_pu=(0.5, -0.25, -0.25))
    recording = record(Feeder(devices=(ImpedanceLoad(va=1e5), transformer)), rate_hz=6400.0, duration_s=3.0)
    before, early, late = (np.abs(phasors(recording.i_a, 6400.0, t, order=2)) for t in (0.05, 0.16, 2.9))
    assert before.max() < 0.01
    assert (early / np.abs(phasors(recording.i_a, 6400.0, 0.16))).max() > 0.3
    assert late.max() < 0.1 * early.max()
    assert np.ptp(np.abs(phasors(recording.u_v, 6400.0, 0.12))) > 0.005 * U


# --- converter


@pytest.mark.parametrize(("windings", "angle_deg"), [((), 0.0), ((), 250.0), (("Dyn",), 70.0), (("YNd",), 10.0)])
def test_a_six_pulse_bridge_draws_harmonics_of_six_k_plus_and_minus_one(
    windings: tuple[str, ...], angle_deg: float
) -> None:
    # SOURCE: square blocks of 120 degrees: I5 = I1 / 5, I7 = I1 / 7, less by overlap; none of orders 3 and 9.
    converter = Converter(va=2e6, delay_deg=40.0, commutation_pu=0.02)
    built = Feeder(
        devices=(ImpedanceLoad(va=1e4), converter), short_circuit_va=500e6, windings=windings, angle_deg=angle_deg
    )  # fmt: skip
    recording = record(built, rate_hz=25600.0, duration_s=0.6)
    lines = np.abs(np.stack([phasors(recording.i_a, 25600.0, 0.5, order=h) for h in (1, 3, 5, 7, 9)]))
    assert lines[2] / lines[0] == pytest.approx(1 / 5, abs=0.03)
    assert lines[3] / lines[0] == pytest.approx(1 / 7, abs=0.03)
    assert (lines[[1, 4]] / lines[0]).max() < 0.01


@pytest.mark.parametrize("delay_deg", [25.0, 40.0])
def test_the_notches_of_a_bridge_are_as_deep_as_the_reactances_split_them(delay_deg: float) -> None:
    # SOURCE: two phases are joined at the bridge; the monitor sees Xb / (Xs + Xb) of the voltage between them, Xb from
    # there to the bridge. Half-way through the notch, against the sine between the notches' sides: 5 % for resistance.
    converter = Converter(va=2e6, delay_deg=delay_deg, commutation_pu=0.04)
    built = Feeder(devices=(converter,), x_over_r=50.0, line_ohm=(0.001 + 0.02j, 0.001 + 0.1j))
    recording = record(built, rate_hz=51200.0, duration_s=0.6)
    u = recording.u_v[0, -1024:] - recording.u_v[1, -1024:]
    angle = 2 * np.pi * np.arange(1024) / 1024
    smooth = 2 / 1024 * (u @ np.cos(angle) * np.cos(angle) + u @ np.sin(angle) * np.sin(angle))
    inner = (u - smooth)[np.abs(smooth) > 0.3 * np.abs(smooth).max()] / smooth[
        np.abs(smooth) > 0.3 * np.abs(smooth).max()
    ]
    x_source, x_bridge = built.source_ohm.imag + 0.02, 0.1 + 0.04 * 50.0
    deepest = -float(np.percentile(inner, 1))
    assert deepest == pytest.approx(x_source / (x_source + x_bridge), abs=0.06)


# --- whole


def test_a_second_of_a_feeder_takes_less_than_a_second() -> None:
    # The claim of the simulation's speed, by a factor of ten above what it takes; one process, 6400 samples a second.
    motor = Motor.typical(rated_va=1e6, nominal_v=10e3, frequency_hz=50.0, start_ratio=6, inertia_s=0.5)
    fault = Fault(place="upstream", phases="BC", ground=False, spans_s=((0.3, 0.45),), spur_ohm=0.5 + 0.5j)
    devices = (ImpedanceLoad(va=2e6), MotorLoad(motor=motor), Transformer(va=4e6, closes_s=(0.6,)))
    began = time.process_time()
    record(Feeder(devices=devices, faults=(fault,)), rate_hz=6400.0, duration_s=1.0)
    assert time.process_time() - began < 1.0


def test_the_truth_names_what_happens_in_order() -> None:
    built = Feeder(
        devices=(
            ImpedanceLoad(va=1e6),
            Capacitor(var=1e6, closes_s=(0.5,), opens_s=0.95),
            ImpedanceLoad(place="upstream", va=1e6, opens_s=0.2),
        ),
        faults=(Fault(place="source", phases="BC", ground=True, spans_s=((0.3, 0.4), (0.9, 1.0))),),
        source_steps=((0.8, 1.01),),
    )
    found = [(one.cause, one.direction, one.start_s, one.fault, one.repeats) for one in true_causes(built)]
    assert found == [
        ("load switching", "upstream", 0.2, None, 1),
        ("fault", "upstream", 0.3, "BCG", 2),
        ("capacitor energising", "downstream", 0.5, None, 1),
        ("voltage-regulator step", "upstream", 0.8, None, 1),
        ("capacitor de-energising", "downstream", 0.95, None, 1),
    ]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Feeder(windings=("Dzn",)), "allowed are YNyn"),
        (lambda: Feeder(nominal_v=0.0), "above zero"),
        (lambda: Fault(place="source", phases="A", ground=False, spans_s=((0.1, 0.2),)), "no way"),
        (
            lambda: record(
                Feeder(devices=(ImpedanceLoad(va=1e6, closes_s=(0.1, 0.2)),)), rate_hz=6400.0, duration_s=0.2
            ),
            "1 or 3",
        ),
        (lambda: record(Feeder(), rate_hz=0.0, duration_s=0.2), "above zero"),
        (lambda: simulate(Network(50.0, 1e6), {}, dt_s=0.0, n_steps=1), "above zero"),
        (lambda: simulate(Network(50.0, 1e6), {}, dt_s=1.0, n_steps=1, voltages_of=["x"]), "no group 'x'"),
    ],
)
def test_what_cannot_be_built_is_refused(make: object, message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        make()  # type: ignore[operator]


def test_ground_is_no_node() -> None:
    network = Network(50.0, 1e6)
    network.resistive("r", [between("a", GROUND)], ohm=1.0)
    assert list(network.nodes) == ["a"]
    with pytest.raises(ConfigError, match="already"):
        network.resistive("r", [between("a")], ohm=1.0)


# --- generators


@pytest.mark.parametrize("impedance_pu", [0.01 + 0.25j, 20.0 + 0.5j])
def test_a_generator_feeds_its_power_upstream_and_answers_a_sag_by_its_impedance(impedance_pu: complex) -> None:
    # SOURCE: 1 MW and 0.2 Mvar at nominal voltage; what a drop dV of the source's voltage adds is dV / (Zs + Z).
    generator = Generator(w=1e6, va=1.25e6, var=0.2e6, impedance_pu=impedance_pu)
    feeder = Feeder(
        short_circuit_va=1e9, line_ohm=STIFF, devices=(generator,), source_steps=((0.1, 0.7),), zero_over_positive=1.0
    )
    recording = record(feeder, rate_hz=6400.0, duration_s=0.4)
    u, i = (phasors(x, 6400.0, 0.04)[0] for x in (recording.u_v, recording.i_a))
    assert 3 * u * np.conj(i) == pytest.approx(-(1e6 + 0.2e6j), rel=0.01)
    later = phasors(recording.i_a, 6400.0, 0.36)[0]
    z = impedance_pu * 10e3**2 / 1.25e6 + feeder.source_ohm
    strays = 3 * 0.3 * U / 1e5  # [A] to ground, from each node 1e6 times the base impedance of 0.1 ohm
    assert later - i == pytest.approx(-0.3 * U / z, rel=0.01, abs=strays)
    assert [one.cause for one in true_causes(feeder)] == ["voltage-regulator step"]
