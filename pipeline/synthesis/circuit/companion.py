"""One step of a network as a matrix: each branch as a conductance beside a current that its past gives.

The state is (currents, voltages less sources, fluxes, 1) of all branches; with the sources at the step's end behind it,
one product gives the next state.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfcycle.pipeline.synthesis.circuit.network import F64, Group, Network


def step_matrix(network: Network, *, closed: Sequence[bool], pieces: Sequence[int], dt_s: float, backward: bool) -> F64:
    """The step of a network whose switches and cores are in some state.

    Parameters
    ----------
    network : the branches.
    closed : of each pole of all switches, in order.
    pieces : of each core, the piece of its magnetising curve, in order.
    dt_s : length of a whole step. [s]
    backward : whether it is a backward step of half that length, which needs the same conductances, or a trapezoidal
        one of the whole.

    Returns
    -------
    shape (n_state, n_state + n_sources).

    Source: H. W. Dommel, IEEE Trans. PAS-88 (1969), 388-399 (from memory).
    """
    parts = _Parts.of(network, closed, pieces, dt_s, backward)
    n, n_state = len(network.rows), parts.history.shape[1]
    c = network.incidence()
    nodal = c.T @ parts.conductance @ c + np.eye(c.shape[1]) / network.stray_ohm
    to_branches = -c @ np.linalg.solve(nodal, c.T)
    voltages = np.concatenate(
        [to_branches @ parts.history, -to_branches @ parts.conductance @ parts.of_emf - parts.of_emf], axis=1
    )
    currents = parts.conductance @ voltages
    currents[:, :n_state] += parts.history
    fluxes = np.zeros((len(parts.cores), voltages.shape[1]))
    for i, branch in enumerate(parts.cores):
        fluxes[i] = dt_s / 2 * voltages[branch]
        fluxes[i, 2 * n + i] += 1.0
        if not backward:
            fluxes[i, n + branch] += dt_s / 2
    one = np.zeros((1, voltages.shape[1]))
    one[0, n_state - 1] = 1.0
    return np.concatenate([currents, voltages, fluxes, one])


@dataclass(slots=True)
class _Parts:
    """i = conductance (u - emf) + history z, of all branches; `cores` are the numbers of the saturable ones."""

    conductance: F64
    history: F64
    of_emf: F64
    cores: list[int]

    @classmethod
    def of(cls, network: Network, closed: Sequence[bool], pieces: Sequence[int], dt: float, backward: bool) -> _Parts:
        groups = list(network.groups.values())
        n = len(network.rows)
        cores = [b for group in groups if group.kind == "saturable" for b in range(group.span.start, group.span.stop)]
        n_emf = sum(group.n for group in groups if group.emf is not None)
        parts = cls(np.zeros((n, n)), np.zeros((n, 2 * n + len(cores) + 1)), np.zeros((n, n_emf)), cores)
        i_emf = i_pole = 0
        for group in groups:
            if group.emf is not None:
                parts.of_emf[group.span, i_emf : i_emf + group.n] = np.eye(group.n)
                i_emf += group.n
            if group.kind == "switch" and group.value is not None:
                now = np.asarray(closed[i_pole : i_pole + group.n])
                parts.conductance[group.span, group.span] = np.diag(np.where(now, 1 / group.value, 0.0))
                i_pole += group.n
            else:
                parts.add(group, n, dt, backward)
        for i, (branch, piece) in enumerate(zip(cores, pieces, strict=True)):
            parts.add_core(network, i, branch, piece, dt, backward)
        return parts

    def add(self, group: Group, n: int, dt: float, backward: bool) -> None:
        """A group that is linear."""
        s, w = group.span, slice(n + group.first, n + group.first + group.n)
        g, history = self.conductance, self.history
        if group.resistance is not None and group.inductance is not None:
            keeps = 2 / dt * group.inductance
            g[s, s] = np.linalg.inv(group.resistance + keeps)
            history[s, s] = g[s, s] @ (keeps if backward else keeps - group.resistance)
            if not backward:
                history[s, w] = g[s, s]
        elif group.kind == "capacitive" and group.value is not None:
            g[s, s] = np.diag(2 / dt * group.value)
            history[s, w] = -g[s, s]
            if not backward:
                history[s, s] = -np.eye(group.n)
        elif group.kind == "resistive" and group.value is not None:
            g[s, s] = np.diag(1 / group.value)

    def add_core(self, network: Network, i: int, branch: int, piece: int, dt: float, backward: bool) -> None:
        """A core on one piece of its curve: i = offset + flux / L."""
        n = len(network.rows)
        curve = next(group.curve for group in network.groups.values() if group.span.start <= branch < group.span.stop)
        if curve is None:
            return
        offset, inductance = curve.of_piece(piece)
        self.conductance[branch, branch] = dt / 2 / inductance
        self.history[branch, 2 * n + i], self.history[branch, -1] = 1 / inductance, offset
        if not backward:
            self.history[branch, n + branch] = dt / 2 / inductance
