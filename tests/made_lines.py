"""Lines of random proportions with a monitor on them, on which things happen that `made_circuits` has none of.

    source - bus "b" - breaker - "v" - line - "f" - line - "e" - load

A monitor at the line's head measures the voltages of "v" and the line's currents; a customer's those of "e" and the
load's. Solved by `twin_circuit`. Proportions: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from twins.twin_circuit import Action, Circuit, solve

SETTLING_S = 0.3  # from rest to the steady state; cut away
LEAD_CYCLES = 7
THIRDS = -2 * math.pi / 3 * np.arange(3)


@dataclass(frozen=True)
class LineCase:
    """What a monitor recorded, and what happened at which sample; `stop` lies beyond the record where nothing ended."""

    cause: str
    u: np.ndarray
    i: np.ndarray
    rate_hz: float
    frequency_hz: float
    start: float
    stop: float


@dataclass
class Line:
    """A line as it is drawn, and the circuit made of it."""

    circuit: Circuit
    frequency_hz: float
    peak_v: float
    source_ohm: float
    earthed: bool
    at_customer: bool


def between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def drawn_line(rng: np.random.Generator, *, at_customer: bool | None = None) -> Line:
    """A line of 400 V to 110 kV, earthed solidly, through a resistor or not at all."""
    volt, va, km = (
        (400.0, between(rng, 4e6, 20e6), 0.3), (11e3, between(rng, 60e6, 300e6), 6.0),
        (20e3, between(rng, 80e6, 500e6), 12.0), (110e3, between(rng, 1e9, 6e9), 35.0),
    )[int(rng.choice(4, p=(0.2, 0.3, 0.25, 0.25)))]  # fmt: skip
    frequency = (50.0, 60.0)[int(rng.integers(2))]
    w, c = 2 * math.pi * frequency, Circuit()
    base, x_over_r = volt**2 / va, between(rng, 2, 12)
    z = base * complex(1, x_over_r) / math.hypot(1, x_over_r)
    earth = 0.001 if volt in (400.0, 110e3) else (0.001, volt / 1.732 / between(rng, 150, 800), 1e6)[rng.integers(3)]
    coupled(c, "emf", "s", "b", z, between(rng, 0.7, 2.5) * z, w, from_star="n")
    c.resistor("n", "0", float(earth))
    for p in range(3):
        c.switch("breaker", p, f"b{p}", f"v{p}", ohm=1e-3 * base, closed=True)
    ohm = km * between(rng, 0.4, 1.3) * (complex(0.3, 0.1) if volt < 1e3 else complex(between(rng, 0.08, 0.4), 0.36))
    coupled(c, "line", "v", "f", 0.5 * ohm, 1.5 * ohm, w)
    coupled(c, "rest", "f", "e", 0.5 * ohm, 1.5 * ohm, w)
    farad = 0.0 if volt < 1e3 else km * between(rng, 8e-9, 12e-9) * (1 if volt > 5e4 or rng.integers(2) else 20)
    for bus, share in (("v", 0.25), ("f", 0.5), ("e", 0.25), ("b", 1.0)):
        for p in range(3):
            c.capacitor(f"{bus}{p}", "0", share * farad + 1e-12 / base)
    load = va * between(rng, 0.01, 0.06)
    hang_load(c, "own", "e", volt, load, rng, w, star=earth == 0.001 and bool(rng.integers(2)))
    hang_load(c, "other", "b", volt, load * between(rng, 0.3, 2), rng, w, star=False)
    customer = bool(rng.integers(2)) if at_customer is None else at_customer
    return Line(c, frequency, volt * math.sqrt(2 / 3), base, earth < 100, customer)


def coupled(
    c: Circuit, name: str, a: str, b: str, z: complex, zero: complex, w: float, *, from_star: str | None = None
) -> None:
    """Three coupled branches by their positive and zero sequence; from one node where they begin in a star."""
    mutual, own = (zero - z) / 3, (zero + 2 * z) / 3
    matrix = np.full((3, 3), mutual) + (own - mutual) * np.eye(3)
    ends = [(from_star or f"{a}{p}", f"{b}{p}") for p in range(3)]
    c.coil(name, ends, matrix.real, matrix.imag / w)


def hang_load(
    c: Circuit, name: str, bus: str, volt: float, va: float, rng: np.random.Generator, w: float, *, star: bool
) -> None:
    """A load of constant impedance in star, with its neutral earthed or free."""
    factor = between(rng, 0.8, 0.99)
    z = volt**2 / va * complex(factor, math.sqrt(1 - factor**2))
    ends = [(f"{bus}{p}", "0" if star else f"{name}.star") for p in range(3)]
    c.coil(name, ends, z.real * np.eye(3), z.imag / w * np.eye(3))


def hang_fault(
    line: Line, rng: np.random.Generator, bus: str, phases: str, *, ground: bool, name: str = "fault"
) -> None:
    """Poles from a bus through a spur to a common point, and to the ground where it takes part; all open."""
    c, w = line.circuit, 2 * math.pi * line.frequency_hz
    spur = line.source_ohm * between(rng, 0.05, 1.2) * complex(0.4, 1)
    arc = line.source_ohm * math.exp(between(rng, math.log(0.01), math.log(0.4)))
    coupled(c, f"{name}.spur", bus, f"{name}.end", spur, 2 * spur, w)
    for phase in phases:
        p = "ABC".index(phase)
        c.switch(name, p, f"{name}.end{p}", f"{name}.common", ohm=arc, closed=False)
    for p in range(3):
        c.capacitor(f"{name}.end{p}", "0", 1e-10 / line.source_ohm)
    c.resistor(f"{name}.common", "0", arc if ground else 1e6)


def fault_kind(rng: np.random.Generator, line: Line) -> tuple[str, bool]:
    kinds = [("AB", False), ("BC", False), ("CA", True), ("ABC", False)]
    kinds += [("A", True), ("B", True), ("C", True)] * 2 if line.earthed else []
    return kinds[int(rng.integers(len(kinds)))]


def moves(switch: str, t: float, poles: str = "ABC", *, closes: bool) -> list[Action]:
    return [(t, switch, "ABC".index(pole), closes) for pole in poles]


def made(
    cause: str, line: Line, rng: np.random.Generator, actions: list[Action], *, length_s: float | None, after_s: float,
    at_s: float = 0.0,
) -> LineCase:  # fmt: skip
    """Solves a line; actions count from the first thing that happens, the window is set at `at_s` after it.

    Recorded as a recorder does: a filter against aliasing, white noise of 45 to 65 dB. The start is up to half a cycle
    off.
    """
    from scipy.signal import firwin

    rate = float(rng.choice((3200, 5000, 6400, 9600, 12800)))
    fine = math.ceil(25000 / rate)
    cycle_s = 1 / line.frequency_hz
    origin = SETTLING_S + between(rng, 0, 1) * cycle_s
    angle = between(rng, 0, 2 * math.pi)

    def emf(t: float) -> np.ndarray:
        gain = min(t / cycle_s, 1.0) * line.peak_v
        return gain * np.cos(2 * math.pi * line.frequency_hz * t + angle + THIRDS)

    where, what = ("e", "own") if line.at_customer else ("v", "line")
    solved = solve(
        line.circuit, emf, step_s=1 / (rate * fine), n_steps=round((origin + after_s) * rate * fine),
        voltage_of=[f"{where}{p}" for p in range(3)], current_of=what,
        actions=[(t + origin, *rest) for t, *rest in actions],  # type: ignore[misc]
    )  # fmt: skip
    taps = firwin(8 * fine + 1, 0.4 * rate, fs=rate * fine)
    first = round((origin + at_s - LEAD_CYCLES * cycle_s) * rate)
    kept = []
    for x in (solved.u, solved.i):
        smooth = np.array([np.convolve(row, taps, "same") for row in x])[:, ::fine][:, first:]
        n = round(rate * cycle_s)
        size = float(np.sqrt((smooth[:, : 3 * n] ** 2).mean(axis=1)).max())
        kept.append(smooth + size * 10 ** (-between(rng, 45, 65) / 20) * rng.standard_normal(smooth.shape))
    start = (origin + at_s) * rate - first + between(rng, -0.5, 0.5) * rate * cycle_s
    stop = kept[0].shape[1] + 1.0 if length_s is None else start + length_s * rate
    return LineCase(cause, kept[0], kept[1], rate, line.frequency_hz, start, stop)


def fault(rng: np.random.Generator, *, clearing: bool = False) -> LineCase:
    """A fault on the line, or before the breaker, that goes out; looked at as it begins, or as it ends."""
    line = drawn_line(rng)
    phases, ground = fault_kind(rng, line)
    hang_fault(line, rng, "fb"[int(rng.integers(2))], phases, ground=ground)
    length = between(rng, 0.12, 0.4) if clearing else between(rng, 0.05, 0.4)
    actions = moves("fault", 0, phases, closes=True) + moves("fault", length, phases, closes=False)
    if clearing:
        return made("fault clearing", line, rng, actions, length_s=0.04, after_s=length + 0.4, at_s=length)
    return made("fault", line, rng, actions, length_s=length, after_s=length + between(rng, 0.2, 0.8))


def evolving(rng: np.random.Generator) -> LineCase:
    """A phase joins a fault that is there."""
    line = drawn_line(rng)
    first, then = (("AB", "C"), ("A", "B"), ("C", "AB"), ("B", "C"))[int(rng.integers(4 if line.earthed else 1))]
    hang_fault(line, rng, "f", first + then, ground=True)
    joins = between(rng, 0.05, 0.25)
    stop = joins + between(rng, 0.06, 0.3)
    actions = moves("fault", 0, first, closes=True) + moves("fault", joins, then, closes=True)
    actions += moves("fault", stop, first + then, closes=False)
    return made("evolving fault", line, rng, actions, length_s=stop, after_s=stop + 0.4)


def tripped(rng: np.random.Generator, *, recloses: bool = False) -> LineCase:
    """The breaker takes a faulty line away; it may close again after a dead time, on the fault or not."""
    line = drawn_line(rng)
    phases, ground = fault_kind(rng, line)
    hang_fault(line, rng, "f", phases, ground=ground)
    opens = between(rng, 0.06, 0.4)
    actions = moves("fault", 0, phases, closes=True) + moves("breaker", opens, closes=False)
    if not recloses:
        return made("fault, then trip", line, rng, actions, length_s=None, after_s=opens + between(rng, 0.3, 1.5))
    dead = between(rng, 0.3, 0.9)
    actions += moves("breaker", opens + dead, closes=True)
    if rng.integers(2):
        actions += moves("fault", opens + 0.05, phases, closes=False)
        after = opens + dead + between(rng, 0.25, 0.6)
    else:
        again = opens + dead + between(rng, 0.08, 0.3)
        actions += moves("breaker", again, closes=False)
        after = again + between(rng, 0.1, 0.4)
    return made("fault with reclosing", line, rng, actions, length_s=opens + dead, after_s=after)


def open_pole(rng: np.random.Generator, *, returns: bool = False) -> LineCase:
    """One pole of the breaker opens and stays so; or closes again, which is what is looked at."""
    line = drawn_line(rng)
    pole = "ABC"[int(rng.integers(3))]
    actions = moves("breaker", 0, pole, closes=False)
    if not returns:
        return made("open phase", line, rng, actions, length_s=None, after_s=between(rng, 0.4, 1.5))
    back = between(rng, 0.25, 0.6)
    actions += moves("breaker", back, pole, closes=True)
    return made("re-energising", line, rng, actions, length_s=0.02, after_s=back + 0.4, at_s=back)


def disconnected(rng: np.random.Generator) -> LineCase:
    """The breaker opens on load."""
    line = drawn_line(rng)
    return made(
        "disconnection", line, rng, moves("breaker", 0, closes=False), length_s=None, after_s=between(rng, 0.3, 1.2)
    )


def bank_off(rng: np.random.Generator) -> LineCase:
    """A bank at the bus or on the line is switched off."""
    line = drawn_line(rng)
    c, bus = line.circuit, "bf"[int(rng.integers(2))]
    farad = between(rng, 0.01, 0.05) / (line.source_ohm * 2 * math.pi * line.frequency_hz)
    earthed = line.earthed and bool(rng.integers(2))
    for p in range(3):
        c.switch("bank", p, f"{bus}{p}", f"bank{p}", ohm=0.002 * line.source_ohm, closed=True)
        c.capacitor(f"bank{p}", "0" if earthed else "bank.star", farad)
    c.resistor("bank.star", "0", 1e6 * line.source_ohm)
    return made(
        "capacitor de-energising",
        line,
        rng,
        moves("bank", 0, closes=False),
        length_s=0.02,
        after_s=between(rng, 0.2, 0.8),
    )


def surge(rng: np.random.Generator) -> LineCase:
    """A current of lightning's shape comes into one phase of the line, which does not flash over."""
    line = drawn_line(rng)
    ampere, tail = line.peak_v / line.source_ohm * between(rng, 0.05, 0.6), between(rng, 50e-6, 300e-6)
    front = tail * between(rng, 0.1, 0.3)
    node, struck = line.circuit.node(f"f{rng.integers(3)}"), SETTLING_S + 0.5 / line.frequency_hz

    def current(t: float) -> float:
        since = t - struck
        return ampere * (math.exp(-since / tail) - math.exp(-since / front)) if since > 0 else 0.0

    line.circuit.injections.append((node, current))
    return made("lightning impulse", line, rng, [], length_s=0.002, after_s=0.3)


CASES: dict[str, Callable[[np.random.Generator], LineCase]] = {
    "fault": fault,
    "fault clearing": lambda rng: fault(rng, clearing=True),
    "evolving fault": evolving,
    "fault, then trip": tripped,
    "fault with reclosing": lambda rng: tripped(rng, recloses=True),
    "open phase": open_pole,
    "re-energising": lambda rng: open_pole(rng, returns=True),
    "disconnection": disconnected,
    "capacitor de-energising": bank_off,
    "lightning impulse": surge,
}
