"""A network of ours as a netlist of a general circuit simulator, and its answer: an outside check of our solver."""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.synthesis.circuit.network import GROUND, Group, Network, Sine
from halfcycle.pipeline.synthesis.circuit.stepping import Command

F64 = npt.NDArray[np.float64]
PROGRAM = shutil.which("ngspice")
OPEN_OHM = 1e9


def solved(
    network: Network,
    sources: Mapping[str, Sine],
    commands: Sequence[Command],
    *,
    wanted: Sequence[str],
    stop_s: float,
    step_s: float,
    folder: Path,
) -> tuple[F64, dict[str, F64]]:
    """Instants [s], and of each group wanted the voltages of a probe or the currents of its branches, (n_branches, n).

    Every branch stands by itself between a node of its own and ground: a controlled source gives it its weighted sum of
    node voltages, and others draw its current, weighted alike, from these nodes. Switches only close.
    """
    assert all(command.close for command in commands)
    voltages, currents = (x.real for x in network.steady_state({name: one.phasors for name, one in sources.items()}))
    lines = ["a network", *(f"Rs{n} n{n} 0 {network.stray_ohm!r}" for n in network.nodes.values())]
    for group in network.groups.values():
        for k in range(group.n):
            lines += _coupled(network, group.first + k)
        lines += _elements(group, sources, commands, voltages[group.span], currents[group.span])
    outputs = [
        f"v(p{b})" if network.groups[name].kind == "probe" else f"i(V{b})"
        for name in wanted
        for b in range(network.groups[name].first, network.groups[name].first + network.groups[name].n)
    ]
    lines += [
        ".options method=trap reltol=1e-5 abstol=1e-9 vntol=1e-6 chgtol=1e-16", ".control",
        f"tran {step_s!r} {stop_s!r} 0 {step_s!r} uic", f"wrdata {folder / 'out.data'} {' '.join(outputs)}", "quit",
        ".endc", ".end",
    ]  # fmt: skip
    (folder / "net.cir").write_text("\n".join(lines) + "\n")
    subprocess.run([str(PROGRAM), "-b", str(folder / "net.cir")], check=False, capture_output=True, timeout=300)
    table = np.loadtxt(folder / "out.data")
    if table[-1, 0] < stop_s - 2 * step_s:
        raise RuntimeError(f"it gave up at {table[-1, 0]} of {stop_s} s")
    found, column = {}, 1
    for name in wanted:
        n = network.groups[name].n
        found[name] = table[:, column : column + 2 * n : 2].T
        column += 2 * n
    return table[:, 0], found


def _coupled(network: Network, b: int) -> list[str]:
    """The branch's voltage p from the nodes', and its current drawn from them."""
    ends = [(network.nodes[node], weight) for node, weight in network.rows[b].items() if node != GROUND]
    sum_of = " + ".join(f"{weight!r}*v(n{n})" for n, weight in ends) or "0"
    return [
        f"B{b} p{b} 0 V = {sum_of}", f"V{b} p{b} q{b} 0", *(f"F{b}x{n} n{n} 0 V{b} {weight!r}" for n, weight in ends),
    ]  # fmt: skip


def _elements(
    group: Group, sources: Mapping[str, Sine], commands: Sequence[Command], volts: F64, amperes: F64
) -> list[str]:
    """What lies between q of each branch and ground."""
    lines = []
    for k in range(group.n):
        b = group.first + k
        if group.kind == "inductive":
            lines += _inductive(group, k, None if group.emf is None else sources.get(group.emf), float(amperes[k]))
        elif group.kind == "resistive":
            lines.append(f"R{b} q{b} 0 {float(group.value[k])!r}")
        elif group.kind == "capacitive":
            lines.append(f"C{b} q{b} 0 {float(group.value[k])!r} ic={float(volts[k])!r}")
        elif group.kind == "switch":
            closing = [command.t_s for command in commands if (command.group, command.pole) == (group.name, k)]
            ohm, at_s = float(group.value[k]), min(closing, default=math.inf)
            if group.closed[k]:
                lines.append(f"R{b} q{b} 0 {ohm!r}")
            elif math.isfinite(at_s):
                lines += [f"S{b} q{b} 0 c{b} 0 m{b}", f"Vc{b} c{b} 0 PWL(0 0 {at_s!r} 0 {at_s + 2e-6!r} 1)"]
                lines.append(f".model m{b} sw vt=0.5 vh=0 ron={ohm!r} roff={OPEN_OHM!r}")
            else:
                lines.append(f"R{b} q{b} 0 {OPEN_OHM!r}")
        elif group.kind == "saturable":
            lines += _saturable(group, k, float(amperes[k]))
        else:  # a probe carries nothing
            lines.append(f"R{b} q{b} 0 {OPEN_OHM!r}")
    return lines


def _inductive(group: Group, k: int, emf: Sine | None, ampere: float) -> list[str]:
    b, lines = group.first + k, []
    resistance, inductance = np.asarray(group.resistance), np.asarray(group.inductance)
    drops = " + ".join(f"{float(resistance[k, j])!r}*i(V{group.first + j})" for j in range(group.n)) or "0"
    if emf is not None:
        size = repr(emf.peak_v)
        for instant, factor in emf.steps:
            size = f"(time < {instant!r} ? {size} : {emf.peak_v * factor!r})"
        angle = emf.angle_rad - 2 * math.pi / 3 * k
        drops += f" + {size}*cos({2 * math.pi * emf.frequency_hz!r}*time + {angle!r})"
    lines += [f"L{b} q{b} r{b} {float(inductance[k, k])!r} ic={ampere!r}", f"Br{b} r{b} 0 V = {drops}"]
    for j in range(k):
        share = float(inductance[k, j]) / math.sqrt(float(inductance[k, k] * inductance[j, j]))
        if share:
            lines.append(f"K{b}x{j} L{group.first + j} L{b} {share!r}")
    return lines


def _saturable(group: Group, k: int, ampere: float) -> list[str]:
    """The flux is the voltage of a capacitor of 1 F that the branch's voltage charges."""
    b, curve = group.first + k, group.curve
    assert curve is not None
    flux = ampere * curve.slopes_h[0] if group.flux_vs is None else group.flux_vs[k]
    points = [0.0]
    for i, knee in enumerate(curve.knees_vs):
        points.append(points[-1] + (knee - ((0.0, *curve.knees_vs)[i])) / curve.slopes_h[i])
    current = f"v(f{b})/{curve.slopes_h[0]!r}"
    for i, knee in enumerate(curve.knees_vs):
        more = 1 / curve.slopes_h[i + 1] - 1 / curve.slopes_h[i]
        current += f" + {more!r}*(max(v(f{b}) - {knee!r}, 0) - max(-v(f{b}) - {knee!r}, 0))"
    return [
        f"Bi{b} 0 f{b} I = v(q{b})", f"Cf{b} f{b} 0 1 ic={flux!r}", f"Rf{b} f{b} 0 1e12",
        f"Bm{b} q{b} 0 I = {current}",
    ]  # fmt: skip
