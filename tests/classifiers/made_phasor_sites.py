"""Sites behind weak and usual sources as phasors: two nodes solved by NumPy, apart from the simulator.

A source behind its impedance feeds a bus with a neighbour's load; a line leads to the monitor, and behind it lie loads,
motors and generation of the site: inverters by their current, machines and motors by a voltage behind an impedance.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

C128 = npt.NDArray[np.complex128]
Source = Literal["usual", "weak", "weak and resistive"]
Flow = Literal["importing", "balanced", "exporting"]
Side = Literal["downstream", "upstream"]

N_BEFORE, N_AFTER = 20, 18  # half cycles
NOISE = 2e-4


@dataclass(frozen=True)
class Recorded:
    """Sequence phasors at the monitor, currents positive towards the site; `negative` of unbalanced faults alone."""

    v1: C128
    i1: C128
    negative: tuple[C128, C128] | None

    @property
    def backwards(self) -> Recorded:
        """The same with all clamps turned round."""
        return Recorded(self.v1, -self.i1, None if self.negative is None else (self.negative[0], -self.negative[1]))

    @property
    def lag_deg(self) -> float:
        """Of the current behind the voltage before the event."""
        return math.degrees(cmath.phase(complex(self.v1[:N_BEFORE].mean() * self.i1[:N_BEFORE].mean().conjugate())))


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def recorded(rng: np.random.Generator, *, source: Source, flow: Flow, side: Side) -> Recorded:
    """A fault on one side. Per unit of the site's load and of the voltage before; `source` by its drop at that load."""
    load = cmath.rect(1.0, math.acos(uniform(rng, 0.85, 0.99)))
    motors = uniform(rng, 0.1, 0.4) * cmath.rect(1.0, math.acos(uniform(rng, 0.75, 0.9))) if rng.random() < 0.4 else 0j
    share = {"importing": (0.0, 0.8), "balanced": (0.9, 1.2), "exporting": (1.2, 4.0)}[flow]
    w = uniform(rng, *share) * load.real
    made = complex(w, load.imag * uniform(rng, 0.8, 1.2) if rng.random() < 0.3 else w * uniform(rng, -0.2, 0.3))
    is_machine = w > 0.02 and rng.random() < (0.15 if source == "weak and resistive" else 0.5)
    drop = uniform(rng, 0.01, 0.06) if source == "usual" else uniform(rng, 0.08, 0.15)
    x_over_r = math.exp(uniform(rng, math.log(0.2), 0.0)) if "resistive" in source else uniform(rng, 1.5, 12)
    z_source = cmath.rect(drop / max(abs(load - made), 1.0, abs(made)), math.atan(x_over_r))
    here = uniform(rng, 0.05, 0.95)
    z_bus, z_line = z_source * here, z_source * (1 - here)
    neighbour = uniform(rng, 0, 2) * cmath.rect(1.0, -math.acos(uniform(rng, 0.85, 0.99)))

    # What keeps its voltage behind an impedance, and what keeps its current.
    y_site, emf = (load - motors).conjugate(), 0j
    if motors:
        z = cmath.rect(1 / (abs(motors) * uniform(rng, 4.5, 7)), math.radians(uniform(rng, 60, 80)))
        y_site, emf = y_site + 1 / z, emf + (1 - z * motors.conjugate()) / z
    current = made.conjugate()
    if is_machine:
        z = (0.01 + 0.25j) * uniform(rng, 0.6, 1.6) / (1.2 * w)
        y_site, emf, current = y_site + 1 / z, emf + (1 + z * current) / z, 0j
    before = (load - made).conjugate()
    at_bus = 1 + z_line * before
    e = at_bus + z_bus * (before + neighbour * at_bus)

    # An unbalanced fault is, to the positive sequence, one through the impedances of the others.
    unbalanced = bool(rng.integers(4))
    z_fault = complex(uniform(rng, 0, 1), uniform(rng, 0, 1)) * drop * uniform(rng, 0.1, 3) + 1e-6
    z_fault += z_source * uniform(rng, 0.6, 2.5) if unbalanced else 0
    trips, follows = rng.random() < 0.25, bool(rng.integers(2))
    v = 1 + 0j
    for _ in range(80):  # an inverter's current keeps its angle to the voltage, or stands
        injected = 0j if trips else current * cmath.exp(1j * cmath.phase(v)) if follows else current
        nodes = np.array([[1 / z_bus + neighbour + 1 / z_line, -1 / z_line], [-1 / z_line, 1 / z_line + y_site]])
        where = 0 if side == "upstream" else 1
        nodes[where, where] += 1 / z_fault
        bus, monitor = np.linalg.solve(nodes, np.array([e / z_bus, emf + injected]))
        v = 0.5 * v + 0.5 * complex(monitor)
    turn, during = cmath.exp(1j * uniform(rng, 0, 6.28)), complex(bus - monitor) / z_line

    def noisy(first: complex, then: complex, size: float) -> C128:
        clean = turn * np.repeat([first, then], [N_BEFORE, N_AFTER])
        return clean + NOISE * size * (rng.normal(size=clean.size) + 1j * rng.normal(size=clean.size))

    size = max(abs(before), 0.05)
    negative = None
    if unbalanced:
        v2 = 0.35 * abs(1 - complex(monitor)) * cmath.exp(1j * uniform(rng, 0, 6.28))
        i2 = -v2 / z_source if side == "downstream" else v2 * y_site
        negative = noisy(0, v2, 1), noisy(0, i2, size)
    return Recorded(noisy(1, complex(monitor), 1), noisy(before, during, size), negative)
