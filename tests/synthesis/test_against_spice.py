"""Circuits of the family solved by a general circuit simulator as well: ngspice, where it is installed."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from synthesis.spice import PROGRAM, solved

from halfcycle.pipeline.synthesis.circuit.grid import build_grid
from halfcycle.pipeline.synthesis.circuit.happenings import HAPPENINGS, START_S, draw_scene
from halfcycle.pipeline.synthesis.circuit.network import Sine
from halfcycle.pipeline.synthesis.circuit.stepping import simulate

SOURCE = "another program: ngspice with the same branches, from the same steady state, in steps of its own"
STOP_S = START_S + 0.04
STEP_S = 1 / 25600
# Steps of 39 us against some that the other chooses: banks ring at kilohertz, a core's inrush hangs on its flux.
MOST_APART = {"transformer_energising": 0.05, "capacitor_energising": 0.03, "back_to_back": 0.04}


def apart(happening: str, seed: int, folder: Path) -> tuple[float, float]:
    """Of voltages and currents at the monitor, what 99 % of the differences stay within, over the largest value.

    Only scenes without motors, valves and surges, in which poles do nothing but close: the rest is checked elsewhere.
    """
    make = next(make for make, _ in HAPPENINGS if make.__name__ == happening)
    scene = draw_scene(np.random.default_rng([seed, 5]), make)
    grid = scene.grid
    network, built = build_grid(grid)
    commands = [c for c in [*(c for one in built for c in one.commands), *scene.commands] if c.t_s < STOP_S]
    assert all(c.close for c in commands)
    assert not scene.surge_pu
    assert not any(one.motors or one.valves for one in built)
    # A pole of ours closes at a step.
    commands = [type(c)(math.ceil(c.t_s / STEP_S - 1e-9) * STEP_S, c.group, c.pole, c.close) for c in commands]
    angle = math.radians(grid.angle_deg)
    sources = {"grid": Sine(grid.base.phase_peak_v, grid.frequency_hz, angle, scene.source_steps)}
    for one in built:
        sources.update(dict(one.sources))
    u, i = f"{scene.monitor.bus}.u", scene.monitor.element
    ours = simulate(
        network, sources, dt_s=STEP_S, n_steps=round(STOP_S / STEP_S), voltages_of=[u], currents_of=[i],
        commands=commands,
    )  # fmt: skip
    t, theirs = solved(network, sources, commands, wanted=[u, i], stop_s=STOP_S, step_s=STEP_S / 2, folder=folder)
    shares = []
    for mine, other in ((ours.voltages[u], theirs[u]), (ours.currents[i], theirs[i])):
        at = np.stack([np.interp(ours.t_s[:-2], t, row) for row in other])
        shares.append(float(np.quantile(np.abs(at - mine[:, :-2]), 0.99) / np.abs(mine).max()))
    return shares[0], shares[1]


@pytest.mark.skipif(PROGRAM is None, reason="ngspice is not installed")
@pytest.mark.parametrize(
    ("happening", "seed"),
    [
        pytest.param("regulator_step", 0, marks=pytest.mark.slow),
        pytest.param("load_switching", 0, marks=pytest.mark.slow),
        *(
            pytest.param(happening, seed, marks=pytest.mark.exam)
            for happening, seed in (
                ("cleared_fault", 0), ("evolving_fault", 0), ("tripped_fault", 0), ("capacitor_energising", 1),
                ("capacitor_energising", 3), ("back_to_back", 0), ("transformer_energising", 0),
            )
        ),
    ],
)  # fmt: skip
def test_another_simulator_finds_the_same_voltages_and_currents(happening: str, seed: int, tmp_path: Path) -> None:
    # SOURCE
    assert max(apart(happening, seed, tmp_path)) < MOST_APART.get(happening, 0.01)
