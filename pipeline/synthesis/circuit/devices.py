"""What hangs on a feeder: loads, capacitor banks, motors, transformers, converters, generators and faults."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Final, Literal

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.circuit.motor import Motor
from halfcycle.pipeline.synthesis.circuit.network import (
    GROUND,
    Ends,
    MagnetisingCurve,
    Network,
    Sine,
    between,
    three_phase,
)
from halfcycle.pipeline.synthesis.circuit.stepping import Command, MotorAt, Valves

Place = Literal["source", "upstream", "downstream", "main", "feeder", "end", "customer"]

PHASES: Final = ("a", "b", "c")
_CLOSED_SHARE: Final = 1e-5  # of the base impedance: resistance of a closed pole


@dataclass(frozen=True, slots=True)
class Base:
    """What the devices are scaled by.

    Attributes
    ----------
    nominal_v : line to line. [V]
    frequency_hz : [Hz]
    short_circuit_va : of the source. [VA]
    angle_deg : of the cosine of phase A at the monitor at the start, without load. [degrees]
    """

    nominal_v: float
    frequency_hz: float
    short_circuit_va: float
    angle_deg: float = 0.0

    @property
    def w(self) -> float:
        """Angular frequency. [rad/s]"""
        return 2 * math.pi * self.frequency_hz

    @property
    def closed_ohm(self) -> float:
        """Resistance of a closed pole. [ohm]"""
        return _CLOSED_SHARE * self.ohm(self.short_circuit_va)

    def ohm(self, va: float) -> float:
        """Impedance of each phase of a star that draws some power. [ohm]"""
        return self.nominal_v**2 / va

    @property
    def phase_peak_v(self) -> float:
        """Peak of the nominal voltage to neutral. [V]"""
        return self.nominal_v * math.sqrt(2 / 3)


@dataclass(frozen=True, slots=True)
class Built:
    """What a device leaves behind beside its branches."""

    commands: tuple[Command, ...] = ()
    motors: tuple[MotorAt, ...] = ()
    valves: tuple[Valves, ...] = ()
    sources: tuple[tuple[str, Sine], ...] = ()


def phases_of(bus: str) -> list[str]:
    """The nodes of a bus."""
    return [f"{bus}.{phase}" for phase in PHASES]


def series(network: Network, name: str, first: str, second: str, *, ohm: complex, zero_ohm: complex, w: float) -> None:
    """Three coupled series impedances between two buses, by their positive- and zero-sequence values. [ohm]"""
    network.inductive(
        name,
        [between(a, b) for a, b in zip(phases_of(first), phases_of(second), strict=True)],
        resistance=three_phase((ohm.real, zero_ohm.real)),
        inductance=three_phase((ohm.imag / w, zero_ohm.imag / w)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Switched:
    """A device of three poles.

    Attributes
    ----------
    place : where it hangs: at the source's bus, upstream of the monitor, or downstream.
    closes_s : when its poles close, one instant or one of each pole; None: closed from the start. [s]
    opens_s : when it opens, at the next current zero of each pole; None: never. [s]
    """

    place: Place = "downstream"
    closes_s: tuple[float, ...] | None = None
    opens_s: float | None = None

    def connect(self, network: Network, name: str, base: Base) -> tuple[str, tuple[Command, ...]]:
        """Puts the poles in between the bus of its place and a bus of its own."""
        own = f"{name}.bus"
        ends = [between(a, b) for a, b in zip(phases_of(self.place), phases_of(own), strict=True)]
        network.switch(f"{name}.poles", ends, ohm=base.closed_ohm, closed=self.closes_s is None)
        closing = self.closes_s or ()
        if len(closing) not in (0, 1, 3):
            raise ConfigError(f"closes_s has {len(closing)} instants; a device of three poles takes 1 or 3")
        commands = [
            Command(closing[i % len(closing)], f"{name}.poles", i, close=True) for i in range(3) if closing
        ]  # fmt: skip
        if self.opens_s is not None:
            commands += [Command(self.opens_s, f"{name}.poles", i, close=False) for i in range(3)]
        return own, tuple(commands)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceLoad(Switched):
    """Resistance and inductance in series, in star with the neutral grounded, or in delta.

    Attributes
    ----------
    va : apparent power at nominal voltage. [VA]
    power_factor : lagging.
    delta : whether in delta.
    """

    va: float
    power_factor: float = 0.95
    delta: bool = False

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        own, commands = self.connect(network, name, base)
        z = base.ohm(self.va) * complex(self.power_factor, math.sqrt(1 - self.power_factor**2))
        nodes = phases_of(own)
        ends = [between(node) for node in nodes]
        if self.delta:
            z *= 3
            ends = [between(nodes[i], nodes[(i + 1) % 3]) for i in range(3)]
        network.inductive(f"{name}.load", ends, resistance=z.real, inductance=z.imag / base.w)
        return Built(commands)


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacitor(Switched):
    """A capacitor bank in star, each phase with a small resistance and inductance in series.

    Attributes
    ----------
    var : reactive power at nominal voltage. [var]
    grounded : whether the neutral is.
    series_pu : (resistance, reactance) in series, of the bank's own reactance; between banks they are all there is.
    """

    var: float
    grounded: bool = True
    series_pu: tuple[float, float] = (0.001, 0.0005)

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        own, commands = self.connect(network, name, base)
        x = base.ohm(self.var)
        inner = phases_of(f"{name}.inner")
        network.inductive(
            f"{name}.series",
            [between(a, b) for a, b in zip(phases_of(own), inner, strict=True)],
            resistance=self.series_pu[0] * x,
            inductance=self.series_pu[1] * x / base.w,
        )
        neutral = GROUND if self.grounded else f"{name}.neutral"
        network.capacitive(f"{name}.bank", [between(node, neutral) for node in inner], farad=1 / (base.w * x))
        return Built(commands)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorLoad(Switched):
    """An induction motor; one that closes later starts from standstill."""

    motor: Motor

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        own, commands = self.connect(network, name, base)
        network.inductive(
            f"{name}.stator",
            [between(node, f"{name}.neutral") for node in phases_of(own)],
            resistance=self.motor.transient_ohm,
            inductance=self.motor.transient_h,
            emf=f"{name}.emf",
        )
        return Built(commands, (MotorAt(f"{name}.stator", self.motor, running=self.closes_s is None),))


@dataclass(frozen=True, slots=True, kw_only=True)
class Transformer(Switched):
    """An unloaded transformer of three single-phase cores, which saturate.

    Attributes
    ----------
    va : rated power. [VA]
    winding : ``YN`` or ``D``, of the side that is energised.
    leakage : series impedance of that side. [pu of the transformer]
    magnetising_pu : current at nominal voltage, of the rated one.
    knees_pu : fluxes, of the nominal peak, at which the slope changes.
    air_core_pu : slope beyond each knee: reactance of the transformer's base.
    residual_pu : flux of each core at the start, of the nominal peak, if it is energised later.

    Source of the proportions: common practice, no source.
    """

    va: float
    winding: Literal["YN", "D"] = "YN"
    leakage: complex = 0.01 + 0.05j
    magnetising_pu: float = 0.005
    knees_pu: tuple[float, ...] = (1.1, 1.2)
    air_core_pu: tuple[float, ...] = (3.0, 0.35)
    residual_pu: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        own, commands = self.connect(network, name, base)
        scale = 1.0 if self.winding == "YN" else math.sqrt(3)
        ohm = base.ohm(self.va)
        flux = scale * base.phase_peak_v / base.w
        turns = scale**2
        curve = MagnetisingCurve(
            tuple(knee * flux for knee in self.knees_pu),
            tuple(x * ohm * turns / base.w for x in (1 / self.magnetising_pu, *self.air_core_pu)),
        )
        inner, outer = phases_of(f"{name}.inner"), phases_of(own)
        series(network, f"{name}.leakage", own, f"{name}.inner", ohm=self.leakage * ohm,
               zero_ohm=self.leakage * ohm, w=base.w)  # fmt: skip
        ends: list[dict[str, float]] = [between(node) for node in inner]
        if self.winding == "D":
            ends = [between(inner[i], inner[(i + 1) % 3]) for i in range(3)]
        residual = None if self.closes_s is None else [one * flux for one in self.residual_pu]
        network.saturable(f"{name}.core", ends, curve=curve, flux_vs=residual)
        # Losses beside the core damp what a pole that opens leaves behind.
        network.resistive(f"{name}.losses", [between(node) for node in outer], ohm=500 * ohm)
        return Built(commands)


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter(Switched):
    """A line-commutated six-pulse bridge with a smoothed direct current.

    Attributes
    ----------
    va : direct voltage at no delay, times direct current. [VA]
    delay_deg : firing angle. [degrees]
    commutation_pu : reactance before the bridge, of va; it splits the notches with the network's.

    Source: common practice, no source.
    """

    va: float
    delay_deg: float = 30.0
    commutation_pu: float = 0.05

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        own, commands = self.connect(network, name, base)
        ohm = base.ohm(self.va)
        series(network, f"{name}.reactor", own, f"{name}.bridge", ohm=(0.002 + 1j * self.commutation_pu) * ohm,
               zero_ohm=(0.002 + 1j * self.commutation_pu) * ohm, w=base.w)  # fmt: skip
        bridge, plus, minus = phases_of(f"{name}.bridge"), f"{name}.plus", f"{name}.minus"
        ends: list[Ends] = [*(between(node, plus) for node in bridge), *(between(minus, node) for node in bridge)]
        network.switch(f"{name}.valves", ends, ohm=10 * base.closed_ohm, closed=False)
        resistance = 1.82 * ohm * math.cos(math.radians(self.delay_deg))  # (3 sqrt 2 / pi)^2 of the base
        network.inductive(
            f"{name}.direct", [between(plus, minus)], resistance=resistance, inductance=resistance * 0.05
        )  # fmt: skip
        cycle = 1 / base.frequency_hz
        # The upper valve of phase a may fire from 30 degrees after its rising zero on; cosines peak at zero.
        first = [(self.delay_deg - 60 + 120 * i - base.angle_deg) % 360 / 360 * cycle for i in range(3)]
        fired = (*first, *((one + cycle / 2) % cycle for one in first))
        return Built(commands, valves=(Valves(f"{name}.valves", fired, cycle, cycle / 3),))


@dataclass(frozen=True, slots=True, kw_only=True)
class Generator(Switched):
    """A generator in star with a free neutral: a fixed voltage behind an impedance, which sets what it feeds at first.

    Attributes
    ----------
    w : active power that it feeds at nominal voltage. [W]
    va : rated power; the impedance is per unit of it. [VA]
    var : reactive power that it feeds. [var]
    impedance_pu : a synchronous machine's transient one, within the time in which its rotor hardly moves; or a large
        resistance, with which it feeds nearly the same current whatever the voltage, as a controlled inverter does.

    Source of the proportions: common practice, no source.
    """

    w: float
    va: float
    var: float = 0.0
    impedance_pu: complex = 0.01 + 0.25j

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        own, commands = self.connect(network, name, base)
        z = self.impedance_pu * base.ohm(self.va)
        voltage = cmath.rect(base.phase_peak_v, math.radians(base.angle_deg))
        emf = voltage + z * (complex(self.w, self.var) / (1.5 * voltage)).conjugate()
        source = Sine(abs(emf), base.frequency_hz, cmath.phase(emf))
        network.inductive(
            f"{name}.machine",
            [between(node, f"{name}.neutral") for node in phases_of(own)],
            resistance=z.real,
            inductance=z.imag / base.w,
            emf=f"{name}.emf",
        )
        return Built(commands, sources=((f"{name}.emf", source),))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault at the end of a spur.

    Attributes
    ----------
    place : where the spur hangs.
    phases : ``A``, ``BC``, ``ABC`` …
    ground : whether the ground takes part.
    spans_s : (start, stop) of each time that it is fed; it ends at the next current zero of each pole. [s]
    ohm : resistance of each phase to the common point, and of that to ground. [ohm]
    spur_ohm : positive-sequence impedance of the spur; zero-sequence is three times it. [ohm]
    """

    place: Place
    phases: str
    ground: bool
    spans_s: tuple[tuple[float, float], ...]
    ohm: tuple[float, float] = (0.0, 0.0)
    spur_ohm: complex = 0j

    def __post_init__(self) -> None:
        if not self.phases or set(self.phases) - set("ABC") or (len(self.phases) == 1 and not self.ground):
            raise ConfigError(f"a fault of phases {self.phases!r}, ground {self.ground}, has no way for its current")

    def build(self, network: Network, name: str, base: Base) -> Built:
        """Into a network."""
        end, common = f"{name}.end", f"{name}.common"
        spur = self.spur_ohm + base.closed_ohm * (1 + 1j)
        series(network, f"{name}.spur", self.place, end, ohm=spur, zero_ohm=3 * spur, w=base.w)
        poles = [between(node, common) for node in phases_of(end)]
        least = base.closed_ohm
        network.switch(f"{name}.poles", [*poles, between(common)],
                       ohm=[self.ohm[0] + least] * 3 + [self.ohm[1] + least], closed=False)  # fmt: skip
        which = ["ABC".index(phase) for phase in self.phases] + ([3] if self.ground else [])
        commands = [
            Command(t, f"{name}.poles", pole, close=close)
            for span in self.spans_s
            for t, close in zip(span, (True, False), strict=True)
            for pole in which
        ]
        return Built(tuple(commands))


Device = ImpedanceLoad | Capacitor | MotorLoad | Transformer | Converter | Generator
