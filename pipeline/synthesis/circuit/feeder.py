"""A feeder with a monitor on it: source, transformers in a row, two lines, and what hangs on them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.circuit.devices import (
    Base,
    Built,
    Capacitor,
    Converter,
    Device,
    Fault,
    Generator,
    ImpedanceLoad,
    MotorLoad,
    Transformer,
    phases_of,
    series,
)
from halfcycle.pipeline.synthesis.circuit.network import GROUND, Network, Sine, between, three_phase
from halfcycle.pipeline.synthesis.circuit.stepping import simulate

F64 = npt.NDArray[np.float64]

WINDINGS: Final = ("YNyn", "Yy", "Dd", "Dyn", "Yd", "YNd")
_NAMES: Final = {
    Capacitor: "capacitor", MotorLoad: "motor", Transformer: "transformer", Converter: "converter",
    Generator: "generator",
}  # fmt: skip
_FORWARD: Final = ("Dyn",)  # secondary 30 degrees ahead
_BACKWARD: Final = ("Yd", "YNd")  # 30 degrees behind
_STRAY_SHARE: Final = 1e6  # of the base impedance: from each node to ground
_LONGEST_STEP_S: Final = 1 / 12800
_FINER_BESIDE_CAPACITOR: Final = 4  # times, where a capacitor rings


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeder:
    """The circuit: source - [transformers] - bus "upstream" - line - monitor - line - bus "downstream".

    All impedances are referred to the nominal voltage at the monitor. The bus "source" is the source's own, before the
    transformers; without any it is the same as "upstream" but for a short line.

    Attributes
    ----------
    nominal_v : line to line. [V]
    frequency_hz : [Hz]
    short_circuit_va : of the source. [VA]
    x_over_r : of the source.
    zero_over_positive : of the source's impedance.
    windings : of the transformers in a row from source to monitor, each one of `WINDINGS`.
    transformer_ohm : series impedance of each. [ohm]
    line_ohm : from "upstream" to the monitor, and from there to "downstream"; zero sequence is three times it. [ohm]
    angle_deg : of the cosine of the source's first phase at the start. [degrees]
    source_steps : (instant [s], factor) of the source's voltage, as a regulator makes them.
    devices : what hangs on it.
    faults : in order.
    """

    nominal_v: float = 10e3
    frequency_hz: float = 50.0
    short_circuit_va: float = 100e6
    x_over_r: float = 5.0
    zero_over_positive: float = 1.5
    windings: tuple[str, ...] = ()
    transformer_ohm: complex = 0.05 + 0.5j
    line_ohm: tuple[complex, complex] = (0.02 + 0.02j, 0.1 + 0.1j)
    angle_deg: float = 0.0
    source_steps: tuple[tuple[float, float], ...] = ()
    devices: tuple[Device, ...] = (ImpedanceLoad(va=2e6),)
    faults: tuple[Fault, ...] = ()

    def __post_init__(self) -> None:
        for winding in self.windings:
            if winding not in WINDINGS:
                raise ConfigError(f"winding {winding!r} is unknown; allowed are {', '.join(WINDINGS)}")
        if min(self.nominal_v, self.frequency_hz, self.short_circuit_va, self.x_over_r) <= 0:
            raise ConfigError("nominal voltage, frequency, short-circuit power and X/R must be above zero")

    @property
    def base(self) -> Base:
        """What the devices are scaled by."""
        forward = sum(winding in _FORWARD for winding in self.windings)
        backward = sum(winding in _BACKWARD for winding in self.windings)
        angle_deg = self.angle_deg + 30.0 * (forward - backward)
        return Base(self.nominal_v, self.frequency_hz, self.short_circuit_va, angle_deg)

    @property
    def source_ohm(self) -> complex:
        """Positive-sequence impedance of the source. [ohm]"""
        size = self.base.ohm(self.short_circuit_va)
        return size * complex(1, self.x_over_r) / math.hypot(1, self.x_over_r)


@dataclass(frozen=True, slots=True)
class TrueCause:
    """What really happened.

    Attributes
    ----------
    cause : ``fault``, ``motor start``, ``transformer energising``, ``capacitor energising``,
        ``back-to-back capacitor energising``, ``load switching``, ``voltage-regulator step``, ``converter notching``;
        ``capacitor de-energising`` and the like where a device that is no load opens; a generator that is switched on
        counts as ``load switching``.
    direction : ``upstream`` or ``downstream`` of the monitor.
    start_s : from the start. [s]
    fault : of a fault: its phases, with ``G`` where the ground takes part.
    repeats : how many times a fault was fed.
    """

    cause: str
    direction: str
    start_s: float
    fault: str | None = None
    repeats: int = 1


@dataclass(frozen=True, slots=True)
class SimulatedRecording:
    """What the monitor sees, and the truth.

    Attributes
    ----------
    u_v, i_a : shape (3, n): voltages to ground, and currents towards "downstream". [V], [A]
    rate_hz : of the samples. [Hz]
    truth : in order of start.
    """

    u_v: F64
    i_a: F64
    rate_hz: float
    truth: tuple[TrueCause, ...]


def record(feeder: Feeder, *, rate_hz: float, duration_s: float) -> SimulatedRecording:
    """Simulates a feeder and samples what the monitor sees.

    Parameters
    ----------
    feeder : the circuit and what happens on it.
    rate_hz : of the samples; steps of the simulation are a whole fraction of them. [Hz]
    duration_s : [s]

    Returns
    -------
    SimulatedRecording, the first sample at time zero. No anti-aliasing filter is applied.

    Raises
    ------
    ConfigError : a rate or duration that is not above zero.
    """
    if not (rate_hz > 0 and duration_s > 0):
        raise ConfigError(f"rate_hz {rate_hz} and duration_s {duration_s} must be above zero")
    network, built = build(feeder)
    ringing = any(isinstance(device, Capacitor) for device in feeder.devices)
    longest = _LONGEST_STEP_S / (_FINER_BESIDE_CAPACITOR if ringing else 1)
    fine = max(1, math.ceil(1 / (rate_hz * longest) - 1e-9))
    n_samples = round(duration_s * rate_hz)
    peak = feeder.base.phase_peak_v
    source = Sine(peak, feeder.frequency_hz, math.radians(feeder.angle_deg), feeder.source_steps)
    trace = simulate(
        network,
        {"grid": source, **dict(own for one in built for own in one.sources)},
        dt_s=1 / (rate_hz * fine),
        n_steps=max((n_samples - 1) * fine, 1),
        voltages_of=["monitor.u"],
        currents_of=["monitor.line"],
        commands=[command for one in built for command in one.commands],
        motors=[motor for one in built for motor in one.motors],
        valves=[valves for one in built for valves in one.valves],
    )
    u, i = trace.voltages["monitor.u"][:, ::fine], trace.currents["monitor.line"][:, ::fine]
    return SimulatedRecording(u[:, :n_samples].copy(), i[:, :n_samples].copy(), rate_hz, true_causes(feeder))


def build(feeder: Feeder) -> tuple[Network, list[Built]]:
    """The network of a feeder, source ``grid``, groups ``monitor.u`` and ``monitor.line``; and what its devices do."""
    base = feeder.base
    network = Network(feeder.frequency_hz, _STRAY_SHARE * base.ohm(feeder.short_circuit_va))
    z = feeder.source_ohm
    zero = feeder.zero_over_positive * z
    network.inductive(
        "source",
        [between(node) for node in phases_of("source")],
        resistance=three_phase((z.real, zero.real)),
        inductance=three_phase((z.imag / base.w, zero.imag / base.w)),
        emf="grid",
    )
    bus = "source"
    for i, winding in enumerate(feeder.windings):
        add_transformer(network, f"transformer{i}", winding, bus, f"bus{i}", feeder.transformer_ohm, base.w)
        bus = f"bus{i}"
    tie = base.closed_ohm * (1 + 1j)
    up, down = feeder.line_ohm
    series(network, "tie", bus, "upstream", ohm=tie, zero_ohm=tie, w=base.w)
    series(network, "line", "upstream", "monitor", ohm=up, zero_ohm=3 * up, w=base.w)
    series(network, "monitor.line", "monitor", "downstream", ohm=down, zero_ohm=3 * down, w=base.w)
    network.probe("monitor.u", [between(node) for node in phases_of("monitor")])
    built = [device.build(network, f"device{i}", base) for i, device in enumerate(feeder.devices)]
    built += [fault.build(network, f"fault{i}", base) for i, fault in enumerate(feeder.faults)]
    return network, built


def add_transformer(network: Network, name: str, winding: str, first: str, second: str, ohm: complex, w: float) -> None:
    """Two windings on each of three cores: series branches whose voltage is that of one winding less the other's."""
    primary, secondary = winding.rstrip("ynd"), winding.lstrip("YND")
    sides = zip(_winding(first, primary, f"{name}.n1"), _winding(second, secondary.upper(), f"{name}.n2"), strict=True)
    ends = []
    for one, other in sides:
        row = dict(one)
        for node, weight in other.items():
            row[node] = row.get(node, 0.0) - weight
        ends.append(row)
    network.inductive(name, ends, resistance=ohm.real, inductance=ohm.imag / w)


def _winding(bus: str, connection: str, neutral: str) -> list[dict[str, float]]:
    nodes = phases_of(bus)
    if connection == "D":
        return [between(nodes[i], nodes[(i + 1) % 3], ratio=1 / math.sqrt(3)) for i in range(3)]
    star = GROUND if connection == "YN" else neutral
    return [between(node, star) for node in nodes]


def true_causes(feeder: Feeder) -> tuple[TrueCause, ...]:
    """What happens on a feeder, in order of time. A converter that runs all the time counts from the start."""
    found = [
        TrueCause(
            "fault",
            _direction(fault.place),
            fault.spans_s[0][0],
            fault.phases + ("G" if fault.ground else ""),
            len(fault.spans_s),
        )
        for fault in feeder.faults
    ]
    found += [TrueCause("voltage-regulator step", "upstream", t) for t, _ in feeder.source_steps]
    for device in feeder.devices:
        where, closes = _direction(device.place), (device.closes_s or ())[:1]
        if isinstance(device, Converter) and not closes:
            closes = (0.0,)
        found += [TrueCause(_cause(device, feeder), where, t) for t in closes]
        if device.opens_s is not None:
            cause = "load switching" if isinstance(device, ImpedanceLoad) else f"{_NAMES[type(device)]} de-energising"
            found.append(TrueCause(cause, where, device.opens_s))
    return tuple(sorted(found, key=lambda one: one.start_s))


def _direction(place: str) -> str:
    return "downstream" if place == "downstream" else "upstream"


def _cause(device: Device, feeder: Feeder) -> str:
    if isinstance(device, MotorLoad):
        return "motor start"
    if isinstance(device, Transformer):
        return "transformer energising"
    if isinstance(device, Converter):
        return "converter notching"
    if isinstance(device, ImpedanceLoad | Generator):
        return "load switching"
    beside = any(isinstance(one, Capacitor) and one.closes_s is None for one in feeder.devices)
    return "back-to-back capacitor energising" if beside else "capacitor energising"
