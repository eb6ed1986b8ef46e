"""A grid, what happens on it, who looks, and the truth of what there is to see."""

from __future__ import annotations

from dataclasses import dataclass

from halfcycle.pipeline.synthesis.circuit.devices import Place
from halfcycle.pipeline.synthesis.circuit.grid import Grid, Monitor
from halfcycle.pipeline.synthesis.circuit.random_grid import Surroundings
from halfcycle.pipeline.synthesis.circuit.stepping import Command


@dataclass(frozen=True, slots=True)
class SceneEvent:
    """One thing that a monitor may take for an event.

    Attributes
    ----------
    cause : that the voltages and currents at the monitor can show.
    cause_by_voltage : that the voltages alone can show; None: they show nothing.
    place : bus at which it happens.
    start_s : the order to the switch, or the instant of the closing. [s]
    """

    cause: str
    cause_by_voltage: str | None
    place: Place
    start_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A grid, what happens on it and who looks.

    Attributes
    ----------
    surroundings : that it was drawn from.
    grid : with all devices and faults.
    monitor : who looks.
    events : in order; the first is the one it was drawn for.
    after_s : how long the record runs on after the start. [s]
    commands : to the breaker and to devices, beyond their own.
    source_steps : of the source's voltage, as of `network.Sine`.
    step_s : longest step of the simulation. [s]
    surge_pu : peak of a surge behind its wave impedance, of the nominal peak; 0: there is none.
    """

    surroundings: Surroundings
    grid: Grid
    monitor: Monitor
    events: tuple[SceneEvent, ...]
    after_s: float
    commands: tuple[Command, ...] = ()
    source_steps: tuple[tuple[float, float], ...] = ()
    step_s: float = 1 / 25600
    surge_pu: float = 0.0

    @property
    def side(self) -> str:
        """Of the first event."""
        return "downstream" if self.events[0].place in self.monitor.downstream else "upstream"
