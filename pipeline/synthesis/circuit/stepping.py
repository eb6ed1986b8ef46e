"""A network in time: trapezoidal steps of fixed length, solved anew for each state of its switches and cores.

All branches of a network make one linear step z' = M z + N e for each topology (which switches are closed, on which
piece of its magnetising curve each core lies); matrices are made when a topology first occurs and then kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.circuit.companion import step_matrix
from halfcycle.pipeline.synthesis.circuit.leap import LEAP_STEPS, Leap
from halfcycle.pipeline.synthesis.circuit.motor import Motor, Running
from halfcycle.pipeline.synthesis.circuit.network import C128, F64, Group, Network, Sine

_NEAR_ZERO: Final = 1e-9  # of the largest current: nothing flows
_BISECTIONS: Final = 60


@dataclass(frozen=True, slots=True)
class Command:
    """An order to a pole: it closes at once, and opens at the next zero of its current.

    Attributes
    ----------
    t_s : [s]
    group, pole : the switch's name and which of its branches.
    close : whether it is to close, or else to open.
    """

    t_s: float
    group: str
    pole: int
    close: bool


@dataclass(frozen=True, slots=True)
class MotorAt:
    """A motor that an inductive group of three branches stands for, running from the start or at standstill."""

    group: str
    motor: Motor
    running: bool


@dataclass(frozen=True, slots=True)
class Valves:
    """Branches of a switch that close by a gate's pulse while their voltage is positive, and open at current zero.

    Attributes
    ----------
    group : the switch's name.
    firing_s : of each branch, the instant of its first pulse. [s]
    period_s : from pulse to pulse. [s]
    width_s : of a pulse. [s]
    """

    group: str
    firing_s: tuple[float, ...]
    period_s: float
    width_s: float


@dataclass(frozen=True, slots=True)
class StepTrace:
    """What was asked for, at the steps.

    Attributes
    ----------
    t_s : shape (n,). [s]
    voltages : of each group asked for, shape (n_branches, n). [V]
    currents : of each group asked for, shape (n_branches, n). [A]
    speeds : electrical speed of each motor, shape (n_motors, n). [rad/s]
    """

    t_s: F64
    voltages: Mapping[str, F64]
    currents: Mapping[str, F64]
    speeds: F64


def simulate(
    network: Network,
    sources: Mapping[str, Sine],
    *,
    dt_s: float,
    n_steps: int,
    voltages_of: Sequence[str] = (),
    currents_of: Sequence[str] = (),
    commands: Sequence[Command] = (),
    motors: Sequence[MotorAt] = (),
    valves: Sequence[Valves] = (),
) -> StepTrace:
    """A network from its steady state on.

    Parameters
    ----------
    network, sources : the branches, and the voltages of the sources that they name.
    dt_s : length of a step. [s]
    n_steps : how many.
    voltages_of, currents_of : names of the groups whose voltages and currents are given back.
    commands : to switches, in any order.
    motors, valves : what acts on the network as it goes.

    Returns
    -------
    Trace of n_steps + 1 instants, the first at zero.

    Raises
    ------
    ConfigError : a step or number of steps that is not above zero, or a name that is unknown.

    Source: H. W. Dommel, "Digital Computer Solution of Electromagnetic Transients in Single- and Multiphase Networks",
    IEEE Trans. PAS-88 (1969), 388-399; after a switch has moved, two backward half steps after J. R. Marti, J. Lin,
    "Suppression of Numerical Oscillations in the EMTP", IEEE Trans. PWRS 4 (1989), 739-747 (both from memory).
    Departs: a core changes to the next piece of its curve one step after its flux has passed the knee.
    """
    if not (dt_s > 0 and n_steps > 0):
        raise ConfigError(f"dt_s {dt_s} and n_steps {n_steps} must be above zero")
    for name in (*voltages_of, *currents_of, *(command.group for command in commands)):
        if name not in network.groups:
            raise ConfigError(f"there is no group {name!r}; there are {', '.join(network.groups)}")
    run = _Run(network, sources, dt_s, commands, motors, valves)
    wanted = [network.groups[name].span for name in (*voltages_of, *currents_of)]
    n_voltages = len(voltages_of)
    picks = [np.arange(s.start, s.stop) + (run.n if i < n_voltages else 0) for i, s in enumerate(wanted)]
    pick = np.concatenate([*picks, np.zeros(0, np.int64)]).astype(np.int64)
    out = np.empty((n_steps + 1, pick.size))
    speeds = np.empty((len(motors), n_steps + 1))
    emfs = run.emf_table(n_steps)
    k = 0
    while k <= n_steps:
        leapt = run.leap(k, emfs, pick) if k else None
        if leapt is not None:
            out[k : k + LEAP_STEPS] = leapt
            k += LEAP_STEPS
            continue
        if k:
            run.advance(k, emfs)
        out[k] = run.z[pick]
        for m, (_, running) in enumerate(run.motors):
            speeds[m, k] = running.speed
        k += 1
    rows = np.split(out.T, np.cumsum([p.size for p in picks])[:-1])
    # Branch voltages are kept without the source in series; groups with a source are asked for their current.
    return StepTrace(
        np.arange(n_steps + 1, dtype=np.float64) * dt_s,
        dict(zip(voltages_of, rows[:n_voltages], strict=True)),
        dict(zip(currents_of, rows[n_voltages : len(picks)], strict=True)),
        speeds,
    )


@dataclass(slots=True)
class _Run:
    """The state z = (currents, voltages less sources, fluxes, 1) of all branches, and what moves it on."""

    network: Network
    sources: Mapping[str, Sine]
    dt: float
    commands: Sequence[Command]
    motors_at: Sequence[MotorAt]
    valves: Sequence[Valves]
    n: int = 0
    z: F64 = field(default_factory=lambda: np.zeros(0))
    closed: list[bool] = field(default_factory=list)
    pieces: tuple[int, ...] = ()
    switches: list[Group] = field(default_factory=list)
    cores: list[Group] = field(default_factory=list)
    emf_groups: list[Group] = field(default_factory=list)
    motors: list[tuple[Group, Running]] = field(default_factory=list)
    opening: list[tuple[int, int]] = field(default_factory=list)
    moved: bool = False
    matrices: dict[tuple[tuple[bool, ...], tuple[int, ...], bool], F64] = field(default_factory=dict)
    due: list[tuple[int, int, int, bool]] = field(default_factory=list)
    offsets: dict[str, int] = field(default_factory=dict)
    i_due: int = 0
    largest: float = 0.0
    leaps: dict[tuple[tuple[bool, ...], tuple[int, ...], tuple[int, ...]], Leap] = field(default_factory=dict)
    no_leap_before: int = 0

    def __post_init__(self) -> None:
        net = self.network
        self.n = len(net.rows)
        self.switches, self.cores = net.of_kind("switch"), net.of_kind("saturable")
        self.emf_groups = [group for group in net.groups.values() if group.emf is not None]
        position = 0
        for group in self.switches:
            self.offsets[group.name] = position
            position += group.n
            self.closed += list(group.closed)
        self.due = sorted(
            (max(1, round(c.t_s / self.dt)), self.offsets[c.group] + c.pole, net.groups[c.group].first + c.pole,
             c.close) for c in self.commands
        )  # fmt: skip
        self._start()

    def _start(self) -> None:
        net, w = self.network, 2 * np.pi * self.network.frequency_hz
        emfs: dict[str, C128] = {name: sine.phasors for name, sine in self.sources.items()}
        slips = self._slips(emfs)
        impedances = {name: motor.impedance(slip, w) for name, (motor, slip) in slips.items()}
        voltages, currents = net.steady_state(emfs, impedances)
        behind = voltages.copy()
        for group in self.emf_groups:
            if group.emf in emfs:
                behind[group.span] -= emfs[str(group.emf)][: group.n]
        for at in self.motors_at:
            group = net.groups[at.group]
            running = Running(at.motor, w)
            if at.running:
                motor, slip = slips[at.group]
                emf = voltages[group.span] - currents[group.span] * complex(motor.transient_ohm, w * motor.transient_h)
                running.speed = w * (1 - slip)
                rotor = motor.lm_h / motor.lr_h * complex(-motor.rr_ohm / motor.lr_h, running.speed)
                running.flux = complex(emf[0] / rotor)
                behind[group.span] = voltages[group.span] - emf
            self.motors.append((group, running))
        fluxes: list[float] = []
        for group in self.cores:
            steady = (voltages[group.span] / (1j * w)).real.tolist()
            fluxes += list(group.flux_vs) if group.flux_vs is not None else steady
        self.z = np.concatenate([currents.real, behind.real, fluxes, [1.0]])
        self._find_pieces()
        self.largest = float(np.abs(currents).max(initial=0.0))

    def _slips(self, emfs: Mapping[str, C128]) -> dict[str, tuple[Motor, float]]:
        """Slip at which each running motor's torque is its load's, one motor after the other."""
        net, w = self.network, 2 * np.pi * self.network.frequency_hz
        found = {at.group: (at.motor, 0.02) for at in self.motors_at if at.running}
        for _ in range(3 if len(found) > 1 else 1):
            for name, (motor, _slip) in found.items():
                low, high = 1e-6, 0.3
                for _ in range(_BISECTIONS):
                    slip = 0.5 * (low + high)
                    tried = {**found, name: (motor, slip)}
                    impedances = {key: one.impedance(s, w) for key, (one, s) in tried.items()}
                    current = float(np.abs(net.steady_state(emfs, impedances)[1][net.groups[name].first]))
                    load = motor.load_torque((1 - slip) * w / motor.pole_pairs, w / motor.pole_pairs)
                    low, high = (slip, high) if motor.air_gap_torque(current, slip, w) < load else (low, slip)
                found[name] = (motor, 0.5 * (low + high))
        return found

    def emf_table(self, n_steps: int) -> F64:
        """Voltages of the sources at all half steps, shape (2 n_steps + 1, n_emf); motors' are filled in later."""
        t = 0.5 * self.dt * np.arange(2 * n_steps + 1, dtype=np.float64)
        columns = [
            self.sources[str(group.emf)].at(t)[:, : group.n]
            if str(group.emf) in self.sources
            else np.zeros((t.size, group.n))
            for group in self.emf_groups
        ]
        return np.concatenate(columns, axis=1) if columns else np.zeros((t.size, 0))

    def leap(self, k: int, emfs: F64, pick: npt.NDArray[np.int64]) -> F64 | None:
        """Steps k to k + LEAP_STEPS - 1 at one go, what is picked of each; None where something may happen in them."""
        last = k + LEAP_STEPS - 1
        busy = bool(self.motors or self.valves) or self.moved or k < self.no_leap_before
        if busy or 2 * last >= emfs.shape[0] or (self.i_due < len(self.due) and self.due[self.i_due][0] <= last):
            return None
        n_cores = self.z.size - 1 - 2 * self.n
        poles = tuple(branch for _, branch in self.opening)
        key = (tuple(self.closed), self.pieces, poles)
        leap = self.leaps.get(key)
        if leap is None:
            rows = np.concatenate([pick, np.asarray(poles, np.int64), 2 * self.n + np.arange(n_cores)])
            leap = self.leaps[key] = Leap.of(self._matrix(backward=False), rows)
        watched, z = leap(self.z, emfs[2 * k : 2 * last + 1 : 2])
        currents = watched[:, pick.size : pick.size + len(poles)]
        fluxes = watched[:, pick.size + len(poles) :]
        if self._something_opens(currents, poles) or not self._keeps_its_pieces(fluxes):
            self.no_leap_before = k + LEAP_STEPS
            return None
        self.z = z
        return watched[:, : pick.size]

    def _something_opens(self, currents: F64, poles: tuple[int, ...]) -> bool:
        if not poles:
            return False
        tiny = _NEAR_ZERO * max(self.largest, 1e-12)
        return bool(((currents * self.z[list(poles)] <= 0) | (np.abs(currents) <= tiny)).any())

    def _keeps_its_pieces(self, fluxes: F64) -> bool:
        i = 0
        for group in self.cores:
            knees = () if group.curve is None else group.curve.knees_vs
            bounds = (-np.inf, *(-knee for knee in reversed(knees)), *knees, np.inf)
            for _ in range(group.n):
                place = self.pieces[i] + len(knees)
                low, high = bounds[place], bounds[place + 1]
                if not (fluxes[:, i].min() >= low and fluxes[:, i].max() <= high):
                    return False
                i += 1
        return True

    def advance(self, k: int, emfs: F64) -> None:
        """From step k - 1 to step k."""
        while self.i_due < len(self.due) and self.due[self.i_due][0] <= k:
            _, place, branch, close = self.due[self.i_due]
            self.i_due += 1
            if close:
                self.moved |= not self.closed[place]
                self.closed[place] = True
                self.opening = [one for one in self.opening if one[0] != place]
            elif self.closed[place]:
                self.opening.append((place, branch))
        self._fire(k)
        before = self.z
        if self.moved:
            self.moved = False
            self._one(emfs[2 * k - 1], 0.5 * self.dt, backward=True)
            self._one(emfs[2 * k], 0.5 * self.dt, backward=True)
            for _, running in self.motors:
                running.last_change = None
        else:
            self._one(emfs[2 * k], self.dt, backward=False)
        if self.opening:
            self._open(before)
        if self.cores:
            self._find_pieces()

    def _one(self, emf: F64, dt: float, *, backward: bool) -> None:
        if self.motors:
            emf = emf.copy()
            for group, running in self.motors:
                a, b, c = self.z[group.span].tolist()
                running.step((a, b, c), dt)
                place = self._emf_place(group)
                emf[place : place + 3] = running.emf()
        self.z = self._matrix(backward=backward) @ np.concatenate([self.z, emf])

    def _matrix(self, *, backward: bool) -> F64:
        key = (tuple(self.closed), self.pieces, backward)
        matrix = self.matrices.get(key)
        if matrix is None:
            matrix = self.matrices[key] = step_matrix(
                self.network, closed=self.closed, pieces=self.pieces, dt_s=self.dt, backward=backward
            )
        return matrix

    def _emf_place(self, group: Group) -> int:
        place = 0
        for one in self.emf_groups:
            if one.name == group.name:
                return place
            place += one.n
        raise ConfigError(f"group {group.name!r} stands for a motor and needs an emf")

    def _open(self, before: F64) -> None:
        tiny = _NEAR_ZERO * max(self.largest, 1e-12)
        left = []
        for place, branch in self.opening:
            earlier, now = float(before[branch]), float(self.z[branch])
            if earlier * now <= 0 or abs(now) <= tiny:
                self.closed[place], self.moved = False, True
            else:
                left.append((place, branch))
        self.opening = left

    def _fire(self, k: int) -> None:
        for valves in self.valves:
            group, place = self.network.groups[valves.group], self.offsets[valves.group]
            for i, first in enumerate(valves.firing_s):
                if self.closed[place + i]:
                    if float(self.z[group.first + i]) < 0:
                        self.closed[place + i], self.moved = False, True
                elif (
                    (k * self.dt - first) % valves.period_s < valves.width_s
                    and k * self.dt >= first
                    and float(self.z[self.n + group.first + i]) > 0
                ):
                    self.closed[place + i], self.moved = True, True

    def _find_pieces(self) -> None:
        pieces: list[int] = []
        values = self.z[2 * self.n : -1].tolist()
        for group in self.cores:
            curve = group.curve
            if curve is not None:
                pieces += [curve.piece(values[len(pieces) + i]) for i in range(group.n)]
        self.pieces = tuple(pieces)
