"""A grid with one radial path in full: source, transformers, main bus, breaker, line, service, and a customer's bus.

    source - [transformers] - incomer - "main" - breaker - "feeder" - line - "end" - service - "customer"

Lines have capacitance, the neutral is earthed in any of the usual ways, and a monitor sits at one of four places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from halfcycle.pipeline.synthesis.circuit.devices import Base, Built, Device, Fault, Place, phases_of, series
from halfcycle.pipeline.synthesis.circuit.feeder import add_transformer
from halfcycle.pipeline.synthesis.circuit.network import GROUND, Network, between, three_phase

Earthing = Literal["solid", "resistance", "resonant", "isolated"]

BREAKER: Final = "breaker"
_STRAY_SHARE: Final = 1e6  # of the base impedance: from each node to ground
_POSITIVE_PU: Final = 1e4  # of an earthing transformer: it carries zero sequence alone
_SURGE_S: Final = 100e-6  # wave impedance times the capacitance that keeps the supply out of it
_BLEED_S: Final = 0.1  # time constant of a line's charge; no source
_BLEED_PU: Final = 1e4  # of the base impedance, where lines have no capacitance
_DAMPED_AT: Final = 25.0  # times its reactance: resistance beside a source's reactance or a line's: no source


@dataclass(frozen=True, slots=True)
class Monitor:
    """Where voltages and currents are taken.

    Attributes
    ----------
    bus : whose voltages to ground are taken.
    element : whose currents are taken, towards the customer.
    downstream : the buses that lie beyond the element.
    """

    bus: Place
    element: str
    downstream: tuple[Place, ...]


MONITORS: Final = (
    Monitor("main", "incomer", ("main", "feeder", "end", "customer")),
    Monitor("main", BREAKER, ("feeder", "end", "customer")),
    Monitor("feeder", BREAKER, ("feeder", "end", "customer")),
    Monitor("customer", "service", ("customer",)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line by its positive- and zero-sequence values, as one section with its capacitance halved to both ends.

    Attributes
    ----------
    ohm, zero_ohm : in series. [ohm]
    farad, zero_farad : to ground; 0 leaves them out. [F]
    """

    ohm: complex
    zero_ohm: complex
    farad: float = 0.0
    zero_farad: float = 0.0

    def build(self, network: Network, name: str, first: str, second: str, w: float) -> None:
        """Into a network, between two buses."""
        series(network, name, first, second, ohm=self.ohm, zero_ohm=self.zero_ohm, w=w)
        if not self.farad:
            return
        ends = [between(a, b) for a, b in zip(phases_of(first), phases_of(second), strict=True)]
        network.resistive(f"{name}.damping", ends, ohm=_DAMPED_AT * abs(self.ohm.imag))
        for bus in (first, second):
            nodes = phases_of(bus)
            network.capacitive(f"{name}.{bus}.ground", [between(x) for x in nodes], farad=self.zero_farad / 2)
            pairs = [between(nodes[i], nodes[(i + 1) % 3]) for i in range(3)]
            if self.farad > self.zero_farad:
                network.capacitive(f"{name}.{bus}.phases", pairs, farad=(self.farad - self.zero_farad) / 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The grid; impedances are referred to the nominal voltage at the monitor.

    Attributes
    ----------
    nominal_v, frequency_hz, short_circuit_va, x_over_r, zero_over_positive, windings, transformer_ohm, angle_deg :
        as of `feeder.Feeder`.
    earthing : of the main bus's neutral; other than ``solid`` needs transformers without a grounded secondary.
    earthing_ohm : of the neutral, where it is earthed through a resistor or coil. [ohm]
    line : from breaker to end.
    other_line : of a second one, which ends open at the main bus and gives its capacitance alone; None: there is none.
    service_ohm : from the line's end to the customer. [ohm]
    devices, faults : what hangs on it, and what happens.
    surge_at : bus at which a surge enters one phase; None: none does.
    """

    nominal_v: float
    frequency_hz: float
    short_circuit_va: float
    x_over_r: float
    zero_over_positive: float
    windings: tuple[str, ...]
    transformer_ohm: complex
    angle_deg: float
    earthing: Earthing
    earthing_ohm: complex
    line: Line
    other_line: Line | None
    service_ohm: complex
    devices: tuple[Device, ...] = ()
    faults: tuple[Fault, ...] = ()
    surge_at: Place | None = None

    @property
    def base(self) -> Base:
        """What the devices are scaled by, the angle being that at the main bus."""
        turns = sum({"Dyn": 1, "Yd": -1, "YNd": -1}.get(winding, 0) for winding in self.windings)
        return Base(self.nominal_v, self.frequency_hz, self.short_circuit_va, self.angle_deg + 30.0 * turns)

    @property
    def source_ohm(self) -> complex:
        """Positive-sequence impedance of the source. [ohm]"""
        return self.base.ohm(self.short_circuit_va) * complex(1, self.x_over_r) / math.hypot(1, self.x_over_r)


def build_grid(grid: Grid) -> tuple[Network, list[Built]]:
    """The network: source ``grid``; groups and those that `MONITORS` name."""
    base, w = grid.base, grid.base.w
    network = Network(grid.frequency_hz, _STRAY_SHARE * base.ohm(grid.short_circuit_va))
    bus = _source(network, grid)
    for i, winding in enumerate(grid.windings):
        add_transformer(network, f"transformer{i}", winding, bus, f"bus{i}", grid.transformer_ohm, w)
        bus = f"bus{i}"
    tie = 10 * base.closed_ohm * (1 + 1j)
    series(network, "incomer", bus, "main", ohm=tie, zero_ohm=tie, w=w)
    _earth(network, grid)
    poles = [between(a, b) for a, b in zip(phases_of("main"), phases_of("feeder"), strict=True)]
    network.switch(BREAKER, poles, ohm=base.closed_ohm, closed=True)
    grid.line.build(network, "line", "feeder", "end", w)
    if grid.other_line is not None:
        grid.other_line.build(network, "other", "main", "other.end", w)
    service = grid.service_ohm + tie
    series(network, "service", "end", "customer", ohm=service, zero_ohm=2 * service, w=w)
    for place in ("main", "feeder", "customer"):
        network.probe(f"{place}.u", [between(node) for node in phases_of(place)])
    # Instrument transformers and insulators take away what a switched-off line keeps.
    farad = grid.line.zero_farad
    bleed = _BLEED_S / farad if farad else _BLEED_PU * base.ohm(grid.short_circuit_va)
    for place in ("feeder", "customer"):
        network.resistive(f"{place}.bleed", [between(node) for node in phases_of(place)], ohm=bleed)
    if grid.surge_at is not None:
        wave = 40 * base.ohm(grid.short_circuit_va)
        node = phases_of(grid.surge_at)[0]
        network.inductive("surge", [between("surge.in")], resistance=wave, inductance=wave / w / 1e3, emf="surge")
        network.capacitive("surge.gap", [between("surge.in", node)], farad=_SURGE_S / wave)
    built = [device.build(network, f"device{i}", base) for i, device in enumerate(grid.devices)]
    built += [fault.build(network, f"fault{i}", base) for i, fault in enumerate(grid.faults)]
    return network, built


def _source(network: Network, grid: Grid) -> str:
    """A stiff source behind its impedance, which is damped at high frequency; gives back its bus."""
    z, w = grid.source_ohm, grid.base.w
    zero = grid.zero_over_positive * z
    network.inductive(
        "stiff", [between(node) for node in phases_of("stiff")], resistance=0.01 * z.real,
        inductance=0.01 * z.imag / w, emf="grid",
    )  # fmt: skip
    series(network, "source", "stiff", "source", ohm=z, zero_ohm=zero, w=w)
    ends = [between(a, b) for a, b in zip(phases_of("stiff"), phases_of("source"), strict=True)]
    network.resistive("source.damping", ends, ohm=_DAMPED_AT * abs(z))
    return "source"


def _earth(network: Network, grid: Grid) -> None:
    """An earthing transformer at the main bus, where the neutral is earthed through something."""
    if grid.earthing in ("solid", "isolated"):
        return
    z = 3 * grid.earthing_ohm + 0.1j * abs(grid.source_ohm)
    positive = _POSITIVE_PU * abs(grid.source_ohm)
    network.inductive(
        "earthing", [between(node, GROUND) for node in phases_of("main")],
        resistance=three_phase((0.1 * positive, z.real)),
        inductance=three_phase((positive / grid.base.w, z.imag / grid.base.w)),
    )  # fmt: skip
