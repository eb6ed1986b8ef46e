"""Captures with an event, drawn at random, and the same with absurd samples where they do not touch it."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from halfcycle.pipeline import gate
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

START_NS = 1_700_000_000_000_000_000
NOMINAL_V = 230.0
RATES_HZ = (1600.0, 3200.0, 6400.0, 12800.0)
CLEAR_CYCLES = 2.5  # between an absurd sample and an edge of the event: what a half cycle and a start are told from
MOST_START_S = 0.0002
MOST_MAGNITUDE_PU = 0.002
_ABSURD = (1e3, 1e4, 1e5, 1e7, 1e12, 1e20, 1e30, np.nan, np.inf)


@dataclass(frozen=True)
class Case:
    """A capture with an event, and a copy with absurd samples in it."""

    clean: Capture
    spoilt: Capture
    words: str


def draw(seed: int, number: int) -> Case:
    """A case by its number."""
    rng = np.random.default_rng([seed, number])
    rate_hz, f0 = float(rng.choice(RATES_HZ)), float(rng.choice([50.0, 60.0])) + float(rng.normal(0, 0.02))
    cycle = rate_hz / f0
    n = round(rng.uniform(50, 120) * cycle)
    first, length = round(rng.uniform(15, 25) * cycle), round(rng.uniform(1.5, 20) * cycle)
    gains = np.ones((3, n))
    kind = str(rng.choice(["sag", "swell", "interruption"]))
    phases = range(3) if kind == "interruption" or rng.random() < 0.4 else [int(rng.integers(3))]
    level = {"sag": rng.uniform(0.2, 0.8), "swell": rng.uniform(1.15, 1.5), "interruption": 0.02}[kind]
    for c in phases:
        gains[c, first : first + length] = level
    t = np.arange(n) / rate_hz
    angle = 2 * np.pi * f0 * t + rng.uniform(0, 2 * np.pi)
    volts = np.sqrt(2) * NOMINAL_V * gains * np.sin(angle - np.array([[0], [2], [4]]) * np.pi / 3)
    volts += rng.normal(0, 0.001 * NOMINAL_V, volts.shape)
    is_float = rng.random() < 0.7
    scale = 1.0 if is_float else 1e-3 * NOMINAL_V
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", scale=scale) for p in "ABC")
    header = Header("Mill Lane", START_NS, rate_hz, n, channels, "float32" if is_float else "int32", None)
    raw = (volts / scale).astype(np.float32) if is_float else np.rint(volts / scale).astype(np.int32)
    places = _places(rng, n, first, first + length, cycle)
    spoilt = raw.copy()
    used = []
    for at in places:
        run = int(rng.choice([1, 1, 1, 2, 3, max(1, int(cycle / 20)), max(1, int(cycle / 2))]))
        times = float(rng.choice(_ABSURD)) * float(rng.choice([-1, 1]))
        rows = [int(rng.integers(3))] if rng.random() < 0.7 else [0, 1, 2]
        if is_float:
            spoilt[rows, at : at + run] = np.float32(
                np.clip(times * NOMINAL_V, -3e38, 3e38) if np.isfinite(times) else times
            )
        else:
            counts = times * NOMINAL_V / scale if np.isfinite(times) else 2.0**31
            spoilt[rows, at : at + run] = int(np.clip(counts, -(2**31) + 1, 2**31 - 1))
        used.append(f"{times:g} x{run} at {at}")
    words = f"{kind} on {len(list(phases))} from {first} for {length} of {n} at {rate_hz:g} Hz; {'; '.join(used)}"
    return Case(Capture(header, raw), Capture(replace(header), spoilt), words)


def _places(rng: np.random.Generator, n: int, start: int, stop: int, cycle: float) -> list[int]:
    """Where absurd samples begin: away from the edges of the event and of the record."""
    clear = round((CLEAR_CYCLES + 0.5) * cycle)
    allowed = [at for at in range(round(cycle), n - round(2 * cycle)) if min(abs(at - start), abs(at - stop)) > clear]
    allowed = [at for at in allowed if at < start or at > stop]
    return sorted(int(at) for at in rng.choice(allowed, int(rng.integers(1, 4)), replace=False))


def events_of(capture: Capture) -> list[Event]:
    """The events of a capture that went through the gate."""
    passed = gate.passed(capture, Path("x.rec"))
    (record,) = records_of([Piece(passed.header, lambda: passed, lambda: "x")])
    found = judge(record, site="Mill Lane", terms=Terms(Thresholds(), nominal_voltage_v=None))
    if found.coverage and found.coverage[0].judged_s == 0:
        raise ValueError(f"not judged: {found.coverage[0].reason}")
    return list(found.events)


def difference(case: Case) -> str | None:
    """What the absurd samples changed in words, or None."""
    before = events_of(case.clean)
    try:
        after = events_of(case.spoilt)
    except ValueError as error:
        return str(error)
    told = [[(e.kind, e.phases) for e in events] for events in (before, after)]
    if told[0] != told[1]:
        return f"{told[0]} became {told[1]}"
    for one, other in zip(before, after, strict=True):
        apart_s = abs(one.start - other.start) / 1e9
        if apart_s > MOST_START_S:
            return f"{one.kind} starts {1e3 * apart_s:.2f} ms off"
        refined = [e.refined_start for e in (one, other)]
        if None not in refined and abs(refined[0] - refined[1]) / 1e9 > MOST_START_S:  # type: ignore[operator]
            return f"{one.kind} has its refined start {(refined[1] - refined[0]) / 1e6:.2f} ms off"  # type: ignore[operator]
        if abs(one.magnitude - other.magnitude) > MOST_MAGNITUDE_PU:
            return f"{one.kind} of {one.magnitude:.4f} pu became {other.magnitude:.4f} pu"
    return None


def main(argv: list[str] | None = None) -> int:
    """Draw cases and say which of them the absurd samples changed."""
    parser = argparse.ArgumentParser(description="Absurd samples beside events.")
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    arguments = parser.parse_args(argv)
    n_bad = 0
    for number in range(arguments.first, arguments.first + arguments.cases):
        case = draw(arguments.seed, number)
        if words := difference(case):
            n_bad += 1
            print(f"case {number}: {words} ({case.words})", flush=True)
    print(f"{arguments.cases} cases, {n_bad} changed")
    return 1 if n_bad else 0


if __name__ == "__main__":
    sys.exit(main())
