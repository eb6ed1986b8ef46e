"""A small three-phase circuit solver of its own, by the theta method on Kirchhoff's equations.

States are all node voltages and the currents of inductive branches: E dx/dt = A x + b. Nodes without capacitance are
algebraic, so that their rows are taken at the end of each step alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

THETA = 0.55  # trapezoids, damped a little against the ringing of their own after a switch moves
OPEN_OHM = 1e9
Action = tuple[float, str, int, bool]  # instant [s], switch, pole, closes


@dataclass
class Circuit:
    """Nodes by name, and what lies between them; node "0" is the ground. [ohm], [H], [F]"""

    nodes: dict[str, int] = field(default_factory=dict)
    resistors: list[tuple[int, int, float]] = field(default_factory=list)
    capacitors: list[tuple[int, int, float]] = field(default_factory=list)
    coils: list[tuple[list[tuple[int, int]], np.ndarray, np.ndarray, str]] = field(default_factory=list)
    switches: dict[tuple[str, int], tuple[int, int, float]] = field(default_factory=dict)
    closed: set[tuple[str, int]] = field(default_factory=set)
    injections: list[tuple[int, Callable[[float], float]]] = field(default_factory=list)

    def node(self, name: str) -> int:
        return -1 if name == "0" else self.nodes.setdefault(name, len(self.nodes))

    def resistor(self, a: str, b: str, ohm: float) -> None:
        self.resistors.append((self.node(a), self.node(b), ohm))

    def capacitor(self, a: str, b: str, farad: float) -> None:
        self.capacitors.append((self.node(a), self.node(b), farad))

    def coil(self, name: str, ends: list[tuple[str, str]], ohm: np.ndarray, henry: np.ndarray) -> None:
        """Inductive branches that are coupled; one named "emf" has the source's voltage in each phase."""
        self.coils.append(([(self.node(a), self.node(b)) for a, b in ends], ohm, henry, name))

    def switch(self, name: str, pole: int, a: str, b: str, *, ohm: float, closed: bool) -> None:
        self.switches[name, pole] = self.node(a), self.node(b), ohm
        if closed:
            self.closed.add((name, pole))


@dataclass(frozen=True)
class Solved:
    """What was asked for, shape (3, n) each. [V], [A]"""

    u: np.ndarray
    i: np.ndarray


def solve(
    circuit: Circuit, emf: Callable[[float], np.ndarray], *, step_s: float, n_steps: int, voltage_of: list[str],
    current_of: str, actions: list[Action],
) -> Solved:  # fmt: skip
    """Steps through time from rest; the source is let in over the first cycle, which callers cut away.

    An opening pole goes on until its current is zero.
    """
    n_nodes = len(circuit.nodes)
    branches = [(a, b) for ends, *_ in circuit.coils for a, b in ends]
    size = n_nodes + len(branches)
    storage, static = _matrices(circuit, branches, n_nodes, size)
    source_rows, wanted = [], []
    row = n_nodes
    for ends, _, _, name in circuit.coils:
        rows = list(range(row, row + len(ends)))
        source_rows += rows if name == "emf" else []
        wanted += rows if name == current_of else []
        row += len(ends)
    theta = np.where((storage != 0).any(axis=1), THETA, 1.0)[:, None]
    closed, opening = set(circuit.closed), set[tuple[str, int]]()
    steps: dict[frozenset[tuple[str, int]], tuple[np.ndarray, np.ndarray]] = {}

    def stepping() -> tuple[np.ndarray, np.ndarray]:
        key = frozenset(closed)
        if key not in steps:
            a = static - _conductances(circuit, closed, size)
            inverse = np.linalg.inv(storage / step_s - theta * a)
            steps[key] = inverse @ (storage / step_s + (1 - theta) * a), inverse
        return steps[key]

    todo, x = sorted(actions), np.zeros(size)
    at = [circuit.node(name) for name in voltage_of]
    kept = np.empty((n_steps, 6))
    onward, inverse = stepping()
    before = _drive(circuit, emf, source_rows, size, 0.0)
    for k in range(n_steps):
        t = (k + 1) * step_s
        now = _drive(circuit, emf, source_rows, size, t)
        old, x = x, onward @ x + inverse @ (theta[:, 0] * now + (1 - theta[:, 0]) * before)
        before = now
        changed = False
        while todo and todo[0][0] <= t:
            _, name, pole, closes = todo.pop(0)
            opening.discard((name, pole))
            if closes:
                closed.add((name, pole))
                changed = True
            elif (name, pole) in closed:
                opening.add((name, pole))
        for one in tuple(opening):
            a, b, _ = circuit.switches[one]
            if _across(old, a, b) * _across(x, a, b) <= 0:
                opening.discard(one)
                closed.discard(one)
                changed = True
        if changed:
            onward, inverse = stepping()
        kept[k, :3], kept[k, 3:] = x[at], x[wanted]
    return Solved(kept[:, :3].T.copy(), kept[:, 3:].T.copy())


def _matrices(
    circuit: Circuit, branches: list[tuple[int, int]], n_nodes: int, size: int
) -> tuple[np.ndarray, np.ndarray]:
    storage, static = np.zeros((size, size)), np.zeros((size, size))
    for a, b, farad in circuit.capacitors:
        _stamp(storage, a, b, farad)
    for a, b, ohm in circuit.resistors:
        _stamp(static, a, b, -1 / ohm)
    for k in range(n_nodes):
        static[k, k] -= 1 / OPEN_OHM
    row = n_nodes
    for ends, ohm, henry, _ in circuit.coils:
        part = slice(row, row + len(ends))
        storage[part, part], static[part, part] = henry, -ohm
        row += len(ends)
    for j, (a, b) in enumerate(branches, start=n_nodes):
        for node, sign in ((a, 1.0), (b, -1.0)):
            if node >= 0:
                static[node, j] -= sign
                static[j, node] += sign
    return storage, static


def _conductances(circuit: Circuit, closed: set[tuple[str, int]], size: int) -> np.ndarray:
    matrix = np.zeros((size, size))
    for key, (a, b, ohm) in circuit.switches.items():
        _stamp(matrix, a, b, 1 / (ohm if key in closed else OPEN_OHM))
    return matrix


def _stamp(matrix: np.ndarray, a: int, b: int, value: float) -> None:
    for node, other in ((a, b), (b, a)):
        if node >= 0:
            matrix[node, node] += value
            if other >= 0:
                matrix[node, other] -= value


def _drive(
    circuit: Circuit, emf: Callable[[float], np.ndarray], rows: list[int], size: int, t: float
) -> np.ndarray:  # fmt: skip
    b = np.zeros(size)
    b[rows] = emf(t)
    for node, ampere in circuit.injections:
        b[node] += ampere(t)
    return b


def _across(x: np.ndarray, a: int, b: int) -> float:
    return float((x[a] if a >= 0 else 0.0) - (x[b] if b >= 0 else 0.0))
