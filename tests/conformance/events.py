"""Sags, swells, interruptions, rapid changes: drawn, found by the commands, against half cycles by the definition."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq
from signals import START_NS, UDIN_V, write_rows
from steady import HALFCYCLE, Finding, measured

F64 = npt.NDArray[np.float64]
SAG, SWELL, INTERRUPTION, HYSTERESIS = 0.90, 1.10, 0.10, 0.02
FINE = 400  # steps of a half cycle on which the definition is worked out
BEFORE_S, AFTER_S = 1.0, 1.0


@dataclass(frozen=True)
class Case:
    """Rectangular changes of three voltages: (start, stop, level) of each phase. [cycles from `BEFORE_S`], [pu]"""

    name: str
    f_hz: float
    changes: tuple[tuple[tuple[float, float, float], ...], ...]
    rate_hz: float = 6400.0

    @property
    def seconds(self) -> float:
        """Length of the record. [s]"""
        return BEFORE_S + max(stop for phase in self.changes for _, stop, _ in phase) / self.f_hz + AFTER_S

    def envelope(self, phase: int, t: F64) -> F64:
        """Level of a phase at some times. [pu]"""
        level = np.ones(t.shape)
        for start, stop, value in self.changes[phase]:
            level[(t >= BEFORE_S + start / self.f_hz) & (t < BEFORE_S + stop / self.f_hz)] = value
        return level

    def rows(self) -> dict[str, F64]:
        """Its samples."""
        t = np.arange(round(self.seconds * self.rate_hz)) / self.rate_hz
        return {
            f"U{name}": self.envelope(k, t) * UDIN_V * np.sqrt(2) * np.sin(2 * np.pi * (self.f_hz * t - k / 3))
            for k, name in enumerate("ABC")
        }

    def half_cycles(self) -> tuple[F64, F64]:
        """Start of each half cycle [s] and its Urms(1/2) [pu], by the definition, shape (3, n) each."""
        n = int(self.seconds * self.f_hz * 2) - 4
        starts, values = np.empty((3, n)), np.empty((3, n))
        for k in range(3):
            first = (k / 3) / self.f_hz
            steps = (np.arange((n + 2) * FINE) + 0.5) / (2 * FINE * self.f_hz)
            t = first + steps
            u = self.envelope(k, t) * np.sin(2 * np.pi * self.f_hz * steps)
            square = (2 * u**2).reshape(-1, FINE).mean(axis=1)
            values[k] = np.sqrt((square[:-1] + square[1:]) / 2)[:n]
            starts[k] = first + np.arange(n) / (2 * self.f_hz)
        return starts, values


def cases(*, short: bool) -> list[Case]:
    """The test set; its levels and durations are the project's own, in the style of IEC 62586-2, A4."""
    found: list[Case] = []
    for f_hz in (50.0, 60.0):
        for level in (0.70, 0.0) if short else (0.85, 0.70, 0.40, 0.10, 0.0):
            for cycles in (2.5, 30.0) if short else (1.5, 2.5, 10.0, 30.0, 150.0):
                for at in (0.0,) if short else (0.0, 0.13, 0.25, 0.37):
                    change = ((at, at + cycles, level),)
                    name = f"sag to {level:.0%} for {cycles:g} cycles at {at:g}, {f_hz:g} Hz"
                    found.append(Case(name, f_hz, (change, (), ())))
        for level in (1.2,) if short else (1.13, 1.2, 1.5):
            for cycles in (2.5, 30.0):
                change = ((0.2, 0.2 + cycles, level),)
                found.append(Case(f"swell to {level:.0%} for {cycles:g} cycles, {f_hz:g} Hz", f_hz, (change,) * 3))
        for cycles in (5.0, 60.0):
            found.append(
                Case(f"interruption of {cycles:g} cycles, {f_hz:g} Hz", f_hz, (((0.1, 0.1 + cycles, 0.0),),) * 3)
            )
        slow = ((0.0, 10.0, 0.85), (10.0, 20.0, 0.91), (20.0, 30.0, 0.925))
        found.append(Case(f"hysteresis, {f_hz:g} Hz", f_hz, (slow, (), ())))
        one, other = ((0.0, 5.0, 0.6),), ((4.0, 9.0, 0.6),)
        found.append(Case(f"one phase after the other, {f_hz:g} Hz", f_hz, (one, other, ())))
        found.append(Case(f"two phases lost, {f_hz:g} Hz", f_hz, (((0.0, 8.0, 0.0),), ((0.0, 8.0, 0.0),), ())))
        found.append(Case(f"below the interruption threshold, {f_hz:g} Hz", f_hz, (((0.0, 8.0, 0.04),),) * 3))
    return found


@dataclass(frozen=True)
class Event:
    """kind, start [s from the record's start], duration [s], residual or maximum [pu]."""

    kind: str
    start: float
    duration: float
    magnitude: float


def expected(case: Case) -> list[Event]:
    """Events by the rules of IEC 61000-4-30, 5.4 and 5.5, of half cycles by the definition."""
    starts, values = case.half_cycles()
    found = []
    for kind, sign, threshold in (("sag", 1, SAG), ("swell", -1, SWELL)):
        v = sign * values
        out, back = v < sign * threshold, v >= sign * threshold + HYSTERESIS
        found += _latched(kind, starts, values, out, back, any_starts=True)
    out, back = values < INTERRUPTION, values >= INTERRUPTION + HYSTERESIS
    found += _latched("interruption", starts, values, out, back, any_starts=False)
    return sorted(found, key=lambda event: (event.start, event.kind))


def _latched(kind: str, starts: F64, values: F64, out: F64, back: F64, *, any_starts: bool) -> list[Event]:
    """Events of three phases: from the first that is out to the last that is back, or from the last to the first."""
    order = np.argsort(starts.ravel(), kind="stable")
    inside = np.zeros(3, np.bool_)
    found: list[Event] = []
    begun: float | None = None
    extreme = 1.0
    for place in order.tolist():
        k, i = divmod(place, starts.shape[1])
        inside[k] = out[k, i] or (inside[k] and not back[k, i])
        on = inside.any() if any_starts else inside.all()
        if on and begun is None:
            begun, extreme = float(starts[k, i]), float(values[k, i])
        if begun is not None:
            extreme = max(extreme, values[k, i]) if kind == "swell" else min(extreme, values[k, i])
            if not on:
                found.append(Event(kind, begun, float(starts[k, i]) - begun, float(extreme)))
                begun = None
    return found


def findings(folder: Path, *, short: bool) -> Iterator[Finding]:
    """Of all events; one that lacks, or is there for nothing, is off by all of its limit."""
    drawn = cases(short=short)
    by_name = {}
    for n, case in enumerate(drawn):
        by_name[f"case{n:03d}"] = case
        write_rows(folder / "events", f"case{n:03d}", case.rows(), rate_hz=case.rate_hz)
    out = folder / "events.parquet"
    command = [
        HALFCYCLE, "screen", str(folder / "events"), "--out", str(out), "--nominal-voltage", f"{UDIN_V:g}",
        "--hookup", "four-wire", "--workers", "1",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {done.returncode}: {done.stderr or done.stdout}")
    rows: dict[str, list[dict[str, object]]] = {}
    for row in pq.read_table(out).to_pylist():
        if row["kind"] in ("sag", "swell", "interruption"):
            rows.setdefault(row["site"], []).append(row)
    for name, case in by_name.items():
        yield from _compared(case, expected(case), rows.get(name, []))


def _compared(case: Case, truth: Sequence[Event], rows: Sequence[dict[str, object]]) -> Iterator[Finding]:
    kinds = sorted(event.kind for event in truth)
    same = kinds == sorted(str(row["kind"]) for row in rows)
    yield Finding(
        "events, no more and no fewer", "4-30, 5.4, 5.5", "as the rules say", 0.0 if same else 1.0, 1.0, "", case.name
    )
    if not same:
        return
    for event in truth:
        (row,) = [row for row in rows if row["kind"] == event.kind]
        what = {"sag": "residual voltage of a sag", "swell": "maximum of a swell"}.get(event.kind)
        if what:
            error = float(str(row["magnitude"])) - event.magnitude
            yield Finding(what, "4-30, 5.4", "0.2 % of Udin", 100 * error, 0.2, "%", case.name)
        cycle = 1 / case.f_hz
        # An interruption ends with the end of the window that is back, a sag with its start: docs/catalogue.md.
        duration = event.duration + (cycle if event.kind == "interruption" else 0.0)
        error = (float(str(row["duration_s"])) - duration) / cycle
        clause = "4-30, 5.5" if event.kind == "interruption" else "4-30, 5.4"
        yield Finding(f"duration of a {event.kind}".replace("a i", "an i"), clause, "1 cycle", error, 1.0, "cycles",
                      case.name)  # fmt: skip
        start = row["start"].value - START_NS  # type: ignore[attr-defined]
        yield Finding("start of an event", "4-30, 5.4", "1 cycle", (start / 1e9 - event.start) / cycle, 1.0, "cycles",
                      case.name)  # fmt: skip


def rapid_changes(folder: Path, *, short: bool) -> Iterator[Finding]:
    """Steps that stay, within the limits of sag and swell."""
    steps = (-0.05,) if short else (-0.08, -0.05, -0.035, 0.04, 0.07)
    for step in steps:
        for f_hz in (50.0, 60.0):
            t = np.arange(round(6400 * 12.0)) / 6400.0
            level = np.where(t >= 6.3, 1 + step, 1.0)
            u = level * UDIN_V * np.sqrt(2) * np.sin(2 * np.pi * f_hz * t)
            write_rows(folder / "changes", f"step_{step:+.3f}_{f_hz:g}_Hz", {"UA": u}, rate_hz=6400.0)
    found = measured(
        folder / "changes", folder / "changes.parquet", "--nominal-voltage", f"{UDIN_V:g}", "--quantities", "rvc"
    )
    for name, rows in found.items():
        largest = max(row["rvc"] for row in rows)
        error = largest - 100 * abs(float(name.split("_")[1]))
        yield Finding("rapid voltage change, largest", "4-30, 5.11", "0.2 % of Udin", error, 0.2, "%", name)
