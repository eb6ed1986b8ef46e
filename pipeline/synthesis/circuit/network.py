"""Electric networks of a few nodes: branches of all kinds between named nodes, and phasors of their steady state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]
Ends = Mapping[str, float]
BranchKind = Literal["inductive", "resistive", "capacitive", "switch", "saturable", "probe"]

GROUND: Final = "ground"


def between(first: str, second: str = GROUND, *, ratio: float = 1.0) -> dict[str, float]:
    """The ends of a branch whose voltage is ratio * (u_first - u_second)."""
    return {first: ratio, second: -ratio}


@dataclass(frozen=True, slots=True)
class MagnetisingCurve:
    """Flux against current in straight pieces, the same for either sign.

    Attributes
    ----------
    knees_vs : flux linkages at which the slope changes, rising. [V s]
    slopes_h : inductance below the first knee, between knees, and above the last: one more than there are knees. [H]
    """

    knees_vs: tuple[float, ...]
    slopes_h: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.slopes_h) != len(self.knees_vs) + 1 or min(self.slopes_h) <= 0:
            raise ConfigError(f"slopes_h {self.slopes_h} must be above zero and one more than knees_vs {self.knees_vs}")
        if list(self.knees_vs) != sorted(set(self.knees_vs)) or min(self.knees_vs, default=1.0) <= 0:
            raise ConfigError(f"knees_vs {self.knees_vs} must be above zero and rise")

    def piece(self, flux_vs: float) -> int:
        """The piece that a flux lies on: 0, or the number of knees passed, with the sign of the flux."""
        passed = sum(1 for knee in self.knees_vs if abs(flux_vs) > knee)
        return passed if flux_vs >= 0 else -passed

    def of_piece(self, piece: int) -> tuple[float, float]:
        """(current at zero flux [A], inductance [H]) of the line that a piece lies on."""
        current = 0.0
        for i in range(abs(piece)):
            current += self.knees_vs[i] * (1 / self.slopes_h[i] - 1 / self.slopes_h[i + 1])
        return (current if piece >= 0 else -current), self.slopes_h[abs(piece)]


@dataclass(frozen=True, slots=True)
class Group:
    """Branches that were put in together; `first` is the number of the first one.

    Attributes
    ----------
    name, kind : as put in.
    first, n : numbers of the branches: first to first + n - 1.
    resistance, inductance : shape (n, n), of an inductive group. [ohm], [H]
    value : shape (n,): resistance [ohm], capacitance [F], or resistance of a closed switch [ohm].
    closed : shape (n,), of switches at the start.
    curve, flux_vs : of a saturable group, and its flux linkages at the start; None: those of the steady state.
    emf : name of the source in series; None: there is none.
    """

    name: str
    kind: BranchKind
    first: int
    n: int
    resistance: F64 | None = None
    inductance: F64 | None = None
    value: F64 | None = None
    closed: tuple[bool, ...] = ()
    curve: MagnetisingCurve | None = None
    flux_vs: tuple[float, ...] | None = None
    emf: str | None = None

    @property
    def span(self) -> slice:
        """The numbers of its branches."""
        return slice(self.first, self.first + self.n)


@dataclass(slots=True)
class Network:
    """Branches between nodes. A branch's current flows from its positive end through it to the negative one.

    The voltage of a branch is a weighted sum of node voltages, so that a winding with a ratio is a branch as well:
    what leaves a node is the branch's current times the node's weight, and no power is lost on the way.

    Attributes
    ----------
    frequency_hz : of the steady state before the start. [Hz]
    stray_ohm : from each node to ground, which gives a node without any other path there a voltage. [ohm]
    """

    frequency_hz: float
    stray_ohm: float
    nodes: dict[str, int] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    rows: list[Ends] = field(default_factory=list)

    def inductive(
        self,
        name: str,
        ends: Sequence[Ends],
        *,
        resistance: npt.ArrayLike,
        inductance: npt.ArrayLike,
        emf: str | None = None,
    ) -> None:
        """Series resistance and inductance [ohm], [H]: scalars, or matrices of branches that are coupled.

        With `emf`, a source of that name lies in series: u = R i + L di/dt + emf.
        """
        n = len(ends)
        r, x = (_square(value, n) for value in (resistance, inductance))
        self._add(Group(name, "inductive", len(self.rows), n, resistance=r, inductance=x, emf=emf), ends)

    def resistive(self, name: str, ends: Sequence[Ends], *, ohm: float) -> None:
        """Resistors."""
        self._add(Group(name, "resistive", len(self.rows), len(ends), value=np.full(len(ends), ohm)), ends)

    def capacitive(self, name: str, ends: Sequence[Ends], *, farad: float) -> None:
        """Capacitors."""
        self._add(Group(name, "capacitive", len(self.rows), len(ends), value=np.full(len(ends), farad)), ends)

    def switch(self, name: str, ends: Sequence[Ends], *, ohm: Sequence[float] | float, closed: bool) -> None:
        """Poles of a switch with their resistances when closed; open ones carry nothing."""
        n = len(ends)
        value = np.broadcast_to(np.asarray(ohm, np.float64), (n,)).copy()
        self._add(Group(name, "switch", len(self.rows), n, value=value, closed=(closed,) * n), ends)

    def saturable(
        self, name: str, ends: Sequence[Ends], *, curve: MagnetisingCurve, flux_vs: Sequence[float] | None = None
    ) -> None:
        """Inductances that follow a magnetising curve, from flux linkages at the start or in the steady state."""
        flux = None if flux_vs is None else tuple(flux_vs)
        self._add(Group(name, "saturable", len(self.rows), len(ends), curve=curve, flux_vs=flux), ends)

    def probe(self, name: str, ends: Sequence[Ends]) -> None:
        """Voltmeters: branches without a current."""
        self._add(Group(name, "probe", len(self.rows), len(ends)), ends)

    def of_kind(self, kind: BranchKind) -> list[Group]:
        """The groups of one kind, in order."""
        return [group for group in self.groups.values() if group.kind == kind]

    def _add(self, group: Group, ends: Sequence[Ends]) -> None:
        if group.name in self.groups:
            raise ConfigError(f"there is a group {group.name!r} already")
        self.groups[group.name] = group
        for row in ends:
            self.rows.append(dict(row))
            for node in row:
                if node != GROUND:
                    self.nodes.setdefault(node, len(self.nodes))

    def incidence(self) -> F64:
        """Weights of the nodes in the voltages of the branches, shape (n_branches, n_nodes)."""
        matrix = np.zeros((len(self.rows), len(self.nodes)))
        for i, row in enumerate(self.rows):
            for node, weight in row.items():
                if node != GROUND:
                    matrix[i, self.nodes[node]] += weight
        return matrix

    def steady_state(
        self, emfs: Mapping[str, C128], impedances: Mapping[str, complex] | None = None
    ) -> tuple[C128, C128]:
        """Phasors of the steady state, with fluxes below their first knee.

        Parameters
        ----------
        emfs : peak phasors of the sources by name; a source that is not named is zero. [V]
        impedances : of groups that are taken for impedances, with no source, instead of what they are. [ohm]

        Returns
        -------
        (voltages, currents) of the branches, peak, each of shape (n_branches,). [V], [A]
        """
        w = 2 * np.pi * self.frequency_hz
        n = len(self.rows)
        admittance = np.zeros((n, n), np.complex128)
        source = np.zeros(n, np.complex128)
        for group in self.groups.values():
            admittance[group.span, group.span] = _admittance(group, w, (impedances or {}).get(group.name))
            if group.emf is not None and group.name not in (impedances or {}):
                source[group.span] = emfs.get(group.emf, np.zeros(group.n))[: group.n]
        c = self.incidence()
        nodal = c.T @ admittance @ c + np.eye(c.shape[1]) / self.stray_ohm
        voltages = c @ np.linalg.solve(nodal, c.T @ (admittance @ source))
        return voltages, admittance @ (voltages - source)


@dataclass(frozen=True, slots=True)
class Sine:
    """A symmetrical three-phase source whose magnitude may step.

    Attributes
    ----------
    peak_v : of the first phase, at the start. [V]
    frequency_hz : [Hz]
    angle_rad : of the cosine of the first phase at the start. [rad]
    steps : (instant [s], factor on the magnitude from then on), in order.
    """

    peak_v: float
    frequency_hz: float
    angle_rad: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()

    @property
    def phasors(self) -> C128:
        """Peak phasors of the three phases before any step. [V]"""
        turns = np.exp(-2j * np.pi / 3 * np.arange(3))
        phasors: C128 = self.peak_v * np.exp(1j * self.angle_rad) * turns
        return phasors

    def at(self, t_s: F64) -> F64:
        """Voltages at some instants, shape (n_instants, 3). [V]"""
        factor = np.ones(t_s.shape)
        for instant, value in self.steps:
            factor[t_s >= instant] = value
        turning = np.exp(2j * np.pi * self.frequency_hz * t_s)
        values: F64 = factor[:, None] * (turning[:, None] * self.phasors).real
        return values


def three_phase(self_and_mutual: tuple[float, float]) -> F64:
    """The matrix of three coupled conductors from its positive- and zero-sequence value.

    Source: derived; the diagonal is (z0 + 2 z1) / 3, the rest (z0 - z1) / 3.
    """
    positive, zero = self_and_mutual
    matrix = np.full((3, 3), (zero - positive) / 3.0)
    np.fill_diagonal(matrix, (zero + 2.0 * positive) / 3.0)
    return matrix


def _square(value: npt.ArrayLike, n: int) -> F64:
    array = np.asarray(value, np.float64)
    matrix: F64 = array * np.eye(n) if array.ndim == 0 else array
    if matrix.shape != (n, n):
        raise ConfigError(f"a matrix of shape {matrix.shape} does not fit {n} branches")
    return matrix


def _admittance(group: Group, w: float, impedance: complex | None) -> C128:
    if impedance is not None:
        return np.eye(group.n, dtype=np.complex128) / impedance
    if group.kind == "inductive" and group.resistance is not None and group.inductance is not None:
        return np.asarray(np.linalg.inv(group.resistance + 1j * w * group.inductance))
    diagonal: C128 = np.zeros(group.n, np.complex128)
    if group.value is not None:
        if group.kind == "resistive":
            diagonal += 1.0 / group.value
        elif group.kind == "capacitive":
            diagonal += 1j * w * group.value
        elif group.kind == "switch":
            diagonal += np.where(group.closed, 1.0 / group.value, 0.0)
    if group.curve is not None:
        diagonal += 1.0 / (1j * w * group.curve.slopes_h[0])
    return np.diag(diagonal)
