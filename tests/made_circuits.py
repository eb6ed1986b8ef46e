"""Random feeders on which one thing happens, whose cause and side are known because the circuit was built so."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from halfcycle.pipeline.synthesis.circuit.devices import (
    Capacitor,
    Converter,
    Device,
    Fault,
    Generator,
    ImpedanceLoad,
    MotorLoad,
    Place,
    Transformer,
)
from halfcycle.pipeline.synthesis.circuit.feeder import Feeder, SimulatedRecording, record
from halfcycle.pipeline.synthesis.circuit.motor import Motor

NOMINAL_V = 10e3
FREQUENCY_HZ = 50.0
START_S = 0.12
RATE_HZ = 6400.0
SNR_DB = 50.0


@dataclass(frozen=True)
class Case:
    """A recording with what the monitor would take for the event's start and stop. [samples]"""

    recording: SimulatedRecording
    start: float
    stop: float
    noisy_u: np.ndarray
    noisy_i: np.ndarray


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def feeder(rng: np.random.Generator, *more: Device, beside_motor: bool = True, **changes: object) -> Feeder:
    """A feeder with loads on both sides, in half of the cases with a running motor, and what is added."""
    va = uniform(rng, 0.5e6, 3e6)
    devices: list[Device] = [
        ImpedanceLoad(va=va, power_factor=uniform(rng, 0.85, 0.99), delta=bool(rng.integers(2))),
        ImpedanceLoad(place="upstream", va=uniform(rng, 0.5e6, 3e6), power_factor=uniform(rng, 0.85, 0.99)),
    ]
    if beside_motor and rng.integers(2):
        motor = motor_of(uniform(rng, 0.2, 0.5) * va, rng)
        devices.append(MotorLoad(motor=motor))
    basis: dict[str, object] = {
        "short_circuit_va": uniform(rng, 60e6, 250e6),
        "x_over_r": uniform(rng, 2, 12),
        "angle_deg": uniform(rng, 0, 360),
        "line_ohm": (uniform(rng, 0.02, 0.2) * (1 + 1j), uniform(rng, 0.05, 0.4) * (1 + 1j)),
        "devices": (*devices, *more),
    }
    return Feeder(**{**basis, **changes})  # type: ignore[arg-type]


def motor_of(va: float, rng: np.random.Generator) -> Motor:
    return Motor.typical(
        rated_va=va,
        nominal_v=NOMINAL_V,
        frequency_hz=FREQUENCY_HZ,
        start_ratio=uniform(rng, 4.5, 7),
        inertia_s=uniform(rng, 0.25, 0.8),
        load_pu=uniform(rng, 0.3, 0.6),
    )


def side(rng: np.random.Generator) -> Place:
    return "downstream" if rng.integers(2) else "upstream"


def fault_case(rng: np.random.Generator, *, place: Place | None = None) -> Case:
    kind, length_s = int(rng.integers(6)), uniform(rng, 0.07, 0.4)
    fault, windings = drawn_fault(rng, place, length_s, kind=kind)
    return made(rng, feeder(rng, faults=(fault,), windings=windings), length_s, 0.5 + length_s)


def drawn_fault(
    rng: np.random.Generator, place: Place | None, length_s: float, *, kind: int | None = None
) -> tuple[Fault, tuple[str, ...]]:
    """A fault at a place, and the transformers that lie between it and the monitor."""
    phases, ground = [("A", True), ("B", True), ("BC", False), ("CA", True), ("AB", False), ("ABC", False)][
        int(rng.integers(6)) if kind is None else kind
    ]
    where: Place = place or (["source", "upstream", "downstream"][int(rng.integers(3))])  # type: ignore[assignment]
    windings = ((), ("Dyn",), ("YNyn",))[int(rng.integers(3))] if where == "source" else ()
    fault = Fault(
        place=where, phases=phases, ground=ground, spans_s=((START_S, START_S + length_s),),
        ohm=(uniform(rng, 0, 0.3), uniform(rng, 0, 0.5)),
        spur_ohm=complex(uniform(rng, 0.05, 1), uniform(rng, 0.1, 1.5)),
    )  # fmt: skip
    return fault, windings


def motor_case(rng: np.random.Generator, *, place: Place | None = None) -> Case:
    place = place or side(rng)
    motor = motor_of(uniform(rng, 0.6e6, 2e6), rng)
    device = MotorLoad(place=place, motor=motor, closes_s=(START_S,))
    return made(rng, feeder(rng, device), 1.0, 2.0)


def transformer_case(rng: np.random.Generator, *, place: Place | None = None) -> Case:
    place = place or side(rng)
    residual = uniform(rng, 0, 0.7)
    device = Transformer(
        place=place, va=uniform(rng, 4e6, 12e6), winding=("YN", "D")[int(rng.integers(2))],
        closes_s=(START_S + uniform(rng, 0, 0.02),),
        residual_pu=(residual, -residual / 2, -residual / 2),
    )  # fmt: skip
    return made(rng, feeder(rng, device), 0.3, 1.0)


def capacitor_case(rng: np.random.Generator, *, place: Place | None = None, beside: bool = False) -> Case:
    place = place or side(rng)
    t = START_S + uniform(rng, 0, 0.02)
    poles = (t, t + uniform(rng, 0, 1e-3), t + uniform(rng, 0, 1e-3))
    var = uniform(rng, 0.6e6, 3e6)
    grounded = bool(rng.integers(2))
    more: list[Device] = [Capacitor(place=place, var=var, grounded=grounded, closes_s=poles)]
    if not beside:
        return made(rng, feeder(rng, *more), 0.02, 0.5)
    # The monitor lies between the banks, all of them at one place: what they exchange passes it.
    other: Place = "upstream" if place == "downstream" else "downstream"
    more.append(Capacitor(place=other, var=uniform(rng, 0.7, 1.3) * var, grounded=grounded))
    return made(rng, feeder(rng, *more, line_ohm=(0.002 + 0.002j, 0.002 + 0.002j)), 0.02, 0.5)


def load_case(rng: np.random.Generator, *, place: Place | None = None) -> Case:
    place = place or side(rng)
    times = {"closes_s": (START_S,)} if rng.integers(2) else {"opens_s": START_S}
    device = ImpedanceLoad(place=place, va=uniform(rng, 0.8e6, 4e6), power_factor=uniform(rng, 0.85, 0.99), **times)  # type: ignore[arg-type]
    return made(rng, feeder(rng, device), 0.02, 0.5)


def regulator_case(rng: np.random.Generator) -> Case:
    factor = 1 + uniform(rng, 0.006, 0.025) * (1 if rng.integers(2) else -1)
    return made(rng, feeder(rng, source_steps=((START_S + uniform(rng, 0, 0.02), factor),)), 0.02, 0.5)


def converter_case(rng: np.random.Generator, *, rate_hz: float) -> Case:
    device = Converter(
        va=uniform(rng, 3e6, 5e6), delay_deg=uniform(rng, 20, 50), commutation_pu=uniform(rng, 0.02, 0.05)
    )
    return made(rng, feeder(rng, device, short_circuit_va=uniform(rng, 50e6, 90e6)), 0.3, 0.6, rate_hz=rate_hz)


FLOWS = ("importing", "balanced", "exporting")
INVERTER_PU, MACHINE_PU = 20.0 + 0.5j, 0.01 + 0.25j


def generation_case(rng: np.random.Generator, *, place: Place | None = None, flow: str = "exporting") -> Case:
    """A fault at a site with a generator of its own, a machine or an inverter, which may stop in the fault.

    The site takes power, gives it, or next to nothing passes the monitor before.
    """
    va, power_factor = uniform(rng, 0.3e6, 3e6), uniform(rng, 0.85, 0.99)
    share = {"importing": uniform(rng, 0, 0.8), "balanced": uniform(rng, 0.97, 1.03), "exporting": uniform(rng, 1.2, 4)}
    w = share[flow] * va * power_factor
    load = ImpedanceLoad(va=va, power_factor=power_factor, delta=bool(rng.integers(2)))
    var = va * math.sqrt(1 - power_factor**2) if flow == "balanced" else uniform(rng, -0.2, 0.3) * w
    is_machine = bool(rng.integers(2))
    stops = START_S + uniform(rng, 0.02, 0.1) if not is_machine and rng.random() < 0.25 else None
    site: list[Device] = [load]
    if w > 0.02 * va:
        pu = MACHINE_PU * uniform(rng, 0.6, 1.6) if is_machine else INVERTER_PU
        site.append(Generator(w=w, va=1.2 * w, var=var, impedance_pu=pu, opens_s=stops))
    if flow != "balanced" and rng.integers(3) == 0:
        site.append(MotorLoad(motor=motor_of(uniform(rng, 0.1, 0.3) * va, rng)))
    neighbour = ImpedanceLoad(place="upstream", va=uniform(rng, 0.5e6, 3e6), power_factor=uniform(rng, 0.85, 0.99))
    length_s = uniform(rng, 0.07, 0.25)
    fault, windings = drawn_fault(rng, place, length_s)
    built = feeder(
        rng, devices=(*site, neighbour), faults=(fault,), windings=windings, short_circuit_va=uniform(rng, 30e6, 250e6)
    )
    return made(rng, built, length_s, 0.25 + length_s)


CASES: dict[str, Callable[[np.random.Generator], Case]] = {
    "fault": fault_case,
    "motor start": motor_case,
    "transformer energising": transformer_case,
    "capacitor energising": capacitor_case,
    "back-to-back capacitor energising": lambda rng: capacitor_case(rng, beside=True),
    "load switching": load_case,
    "voltage-regulator step": regulator_case,
}


def made(
    rng: np.random.Generator, built: Feeder, length_s: float, duration_s: float, *, rate_hz: float = RATE_HZ
) -> Case:
    """Records a feeder with white noise, and the start and stop as a half-cycle detector has them: half a cycle off."""
    recording = record(built, rate_hz=rate_hz, duration_s=duration_s)
    off = uniform(rng, -0.5, 0.5) * rate_hz / FREQUENCY_HZ
    start = recording.truth[0].start_s * rate_hz + off
    noisy = []
    for x in (recording.u_v, recording.i_a):
        sigma = 10 ** (-SNR_DB / 20) * np.sqrt((x[:, :600] ** 2).mean())
        noisy.append(x + sigma * rng.standard_normal(x.shape))
    return Case(recording, start, start + length_s * rate_hz, noisy[0], noisy[1])
