"""Random grids of all levels, low to high voltage, with what usually hangs on them.

Proportions: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.pipeline.synthesis.circuit.devices import Capacitor, Device, Generator, ImpedanceLoad, MotorLoad, Place
from halfcycle.pipeline.synthesis.circuit.grid import Earthing, Grid, Line
from halfcycle.pipeline.synthesis.circuit.motor import Motor

LEVELS: Final = ("low", "medium overhead", "medium cable", "high")
_VOLTAGES: Final = {
    "low": (208.0, 400.0, 480.0, 690.0),
    "medium overhead": (4.16e3, 11e3, 12.47e3, 20e3, 24.9e3, 33e3),
    "medium cable": (6e3, 10e3, 11e3, 13.8e3, 20e3),
    "high": (66e3, 90e3, 110e3, 132e3, 220e3, 400e3),
}
_GROUNDED: Final = ((), ("Dyn",), ("YNyn",), ("Dyn", "YNyn"), ("YNd", "Dyn"))
_UNGROUNDED: Final = (("Yd",), ("YNd",), ("Dd",), ("Yy",), ("Dyn", "Yd"))


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, evenly."""
    return float(rng.uniform(low, high))


def spread(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, evenly on a logarithmic scale."""
    return math.exp(uniform(rng, math.log(low), math.log(high)))


def chance(rng: np.random.Generator, share: float) -> bool:
    """Whether something happens that does in some share of the cases."""
    return bool(rng.random() < share)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is drawn of a grid before its devices.

    Attributes
    ----------
    level : of `LEVELS`.
    earthing : of the neutral.
    grid : without devices, or with those that are always there.
    load_va : what the feeder carries. [VA]
    """

    level: str
    earthing: Earthing
    grid: Grid
    load_va: float

    @property
    def group(self) -> str:
        """The family of grids it belongs to, which cross-validation leaves out as a whole."""
        return f"{self.level}, {self.earthing}, {self.grid.frequency_hz > 55:d}"


def draw_grid(rng: np.random.Generator, *, level: str | None = None, capacitance: bool = True) -> Surroundings:
    """A grid with its usual loads.

    Parameters
    ----------
    rng : drawn from.
    level : of `LEVELS`; None: any.
    capacitance : whether lines have it; without, larger steps will do.
    """
    level = level or LEVELS[int(rng.choice(4, p=(0.2, 0.25, 0.2, 0.35)))]
    nominal_v = float(rng.choice(_VOLTAGES[level]))
    frequency_hz = float(rng.choice((50.0, 60.0))) * (1 + uniform(rng, -0.003, 0.003))
    w = 2 * math.pi * frequency_hz
    short_circuit_va = _short_circuit_va(rng, level, nominal_v)
    base_ohm = nominal_v**2 / short_circuit_va
    earthing: Earthing = "solid"
    if level.startswith("medium"):
        kinds: tuple[Earthing, ...] = ("solid", "resistance", "resonant", "isolated")
        earthing = kinds[int(rng.choice(4, p=(0.4, 0.25, 0.2, 0.15)))]
    windings = (_GROUNDED if earthing == "solid" else _UNGROUNDED)[int(rng.integers(5))]
    if level == "high" and chance(rng, 0.6):
        windings = ()
    line, other = (_line(rng, level, base_ohm, w, capacitance) for _ in range(2))
    grid = Grid(
        nominal_v=nominal_v, frequency_hz=frequency_hz, short_circuit_va=short_circuit_va,
        x_over_r=uniform(rng, 1.5, 6) if level == "low" else spread(rng, 3, 25),
        zero_over_positive=uniform(rng, 0.6, 3.5), windings=windings,
        transformer_ohm=base_ohm * uniform(rng, 0.2, 0.8) * complex(uniform(rng, 0.03, 0.2), 1),
        angle_deg=uniform(rng, 0, 360), earthing=earthing,
        earthing_ohm=_earthing_ohm(rng, earthing, nominal_v, line, other, w),
        line=line, other_line=other if capacitance and level != "low" else None,
        service_ohm=base_ohm * uniform(rng, 0.02, 0.3) * (1 + 1j),
    )  # fmt: skip
    load_va = short_circuit_va * spread(rng, 0.01, 0.06)
    return Surroundings(level, earthing, _with_loads(rng, grid, level, load_va, capacitance), load_va)


def _short_circuit_va(rng: np.random.Generator, level: str, nominal_v: float) -> float:
    if level == "low":
        return spread(rng, 2e6, 30e6)
    return spread(rng, 40e6, 500e6) if level.startswith("medium") else nominal_v / 110e3 * spread(rng, 0.8e9, 8e9)


def _line(rng: np.random.Generator, level: str, base_ohm: float, w: float, capacitance: bool) -> Line:
    """Ohms and farads a kilometre as handbooks have them, from memory."""
    if level == "low":
        ohm = base_ohm * spread(rng, 0.1, 1.5) * complex(1, uniform(rng, 0.2, 0.6))
        return Line(ohm=ohm, zero_ohm=uniform(rng, 2, 4) * ohm)
    if level == "medium cable":
        km = spread(rng, 0.5, 12)
        ohm = km * complex(uniform(rng, 0.1, 0.35), uniform(rng, 0.09, 0.13))
        farad = km * uniform(rng, 0.2e-6, 0.45e-6)
        zero_farad = farad
    elif level == "medium overhead":
        km = spread(rng, 2, 30)
        ohm = km * complex(uniform(rng, 0.2, 0.7), uniform(rng, 0.33, 0.42))
        farad = km * uniform(rng, 9e-9, 11e-9)
        zero_farad = uniform(rng, 0.4, 0.6) * farad
    else:
        km = spread(rng, 8, 90)
        ohm = km * complex(uniform(rng, 0.03, 0.12), uniform(rng, 0.3, 0.42))
        farad = km * uniform(rng, 8.5e-9, 12e-9)
        zero_farad = uniform(rng, 0.5, 0.7) * farad
    zero_ohm = complex(ohm.real + km * 0.15, uniform(rng, 2.2, 4) * ohm.imag)
    share = 1.0 if capacitance else 0.0
    return Line(ohm=ohm, zero_ohm=zero_ohm, farad=share * farad, zero_farad=share * zero_farad)


def _earthing_ohm(
    rng: np.random.Generator, earthing: Earthing, nominal_v: float, line: Line, other: Line, w: float
) -> complex:
    if earthing == "resistance":
        return complex(nominal_v / math.sqrt(3) / spread(rng, 80, 1000))
    if earthing == "resonant":
        farad = max(line.zero_farad + other.zero_farad, 1e-8)
        x = uniform(rng, 0.85, 1.1) / (3 * w * farad)
        return complex(uniform(rng, 0.02, 0.06) * x, x)
    return 0j


def _with_loads(rng: np.random.Generator, grid: Grid, level: str, load_va: float, with_banks: bool) -> Grid:
    delta = grid.earthing != "solid" or chance(rng, 0.5)
    devices: list[Device] = []
    places: tuple[Place, ...] = ("main", "end", "customer")
    for place in places:
        va = load_va * uniform(rng, 0.3, 1.2)
        devices.append(ImpedanceLoad(place=place, va=va, power_factor=uniform(rng, 0.8, 0.99), delta=delta))
    if with_banks and chance(rng, 0.15):
        bank = Capacitor(
            place="main", var=load_va * uniform(rng, 0.2, 0.6), grounded=not delta, series_pu=(0.01, 0.005)
        )
        devices.append(bank)
    if chance(rng, 0.5 if level == "high" else 0.15):
        devices.append(infeed(rng, load_va))
    return Grid(**{**{name: getattr(grid, name) for name in grid.__dataclass_fields__}, "devices": tuple(devices)})


def infeed(rng: np.random.Generator, load_va: float) -> Generator:
    """A machine, or an inverter, at the line's end."""
    watt = load_va * uniform(rng, 0.3, 2.5)
    machine = chance(rng, 0.7)
    z = complex(0.01, uniform(rng, 0.15, 0.35)) if machine else 20 + 0.5j
    place: Place = "end" if chance(rng, 0.7) else "customer"
    return Generator(place=place, w=watt, va=1.2 * watt, var=uniform(rng, -0.2, 0.3) * watt, impedance_pu=z)


def running_motor(
    rng: np.random.Generator, grid: Grid, va: float, *, start_ratio: tuple[float, float] = (4.5, 7)
) -> Motor:
    """A motor of usual proportions."""
    return Motor.typical(
        rated_va=va, nominal_v=grid.nominal_v, frequency_hz=grid.frequency_hz, start_ratio=uniform(rng, *start_ratio),
        inertia_s=spread(rng, 0.2, 1.5), load_pu=uniform(rng, 0.2, 0.7),
    )  # fmt: skip


__all__ = ["LEVELS", "MotorLoad", "Surroundings", "chance", "draw_grid", "infeed", "running_motor", "spread", "uniform"]
