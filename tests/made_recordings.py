"""Recordings whose channels say nothing of themselves, and the truth beside them; written without `pipeline`.

A bus or two, feeders with loads of their own, neutrals, line-to-line voltages, a battery, unused inputs, a sag or none.
Unbalance is at most 5 % (voltages 2 %), noise 50 to 75 dB below, in counts of a 16-bit recorder: common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt


@dataclass
class TrueSet:
    """Rows in order of rotation: each 120 degrees behind the one before."""

    quantity: str
    rows: tuple[int, int, int]
    line_to_line: bool = False


@dataclass
class Recording:
    """Samples in counts, shape (n_channels, n), and what each channel is: its role, quantity and phase by lag."""

    samples: npt.NDArray[np.int16]
    rate_hz: float
    roles: list[str]
    quantities: list[str]
    letters: list[str]
    sets: list[TrueSet]
    layout: str = ""
    notes: list[str] = field(default_factory=list)


@dataclass
class _Row:
    wave: npt.NDArray[np.float64]
    role: str
    quantity: str
    letter: str = ""
    group: int = -1
    line_to_line: bool = False


def drawn_recording(seed: int) -> Recording:
    """One recording of the family."""
    rng = np.random.default_rng(seed)
    frequency = float(rng.choice([50.0, 60.0])) + rng.uniform(-0.4, 0.4)
    rate = float(rng.choice([1600.0, 3200.0, 4000.0, 6400.0, 7680.0, 12800.0]))
    n = int(rate * rng.uniform(0.25, 1.0))
    t = np.arange(n) / rate
    angle = 2 * np.pi * frequency * t + rng.uniform(0, 2 * np.pi)
    sag = _drawn_sag(rng, t, frequency)
    rows: list[_Row] = []
    group = 0
    for _ in range(int(rng.integers(1, 3))):
        group = _voltages(rng, rows, angle, sag, group)
    for _ in range(int(rng.integers(1, 5))):
        group = _currents(rng, rows, angle, sag, group)
    rows, layout = _laid_out(rng, rows)
    for _ in range(int(rng.integers(0, 2))):
        rows.insert(int(rng.integers(0, 2)) * len(rows), _Row(np.full(n, rng.uniform(40, 250)), "dc", "voltage"))
    for _ in range(int(rng.integers(0, 5))):
        rows.append(_Row(rng.normal(0, 1.0, n), "unused", "voltage"))
    return _recorded(rng, rows, rate, layout)


def _drawn_sag(rng, t, frequency):
    """(residual, jump, current factor) of each phase over time."""
    residual, jump, factor = (np.ones((3, t.size)), np.zeros((3, t.size)), np.ones((3, t.size)))
    if rng.uniform() < 0.3:
        return residual, jump, factor
    start = rng.uniform(3 / frequency, 0.6 * t[-1])
    stop = t[-1] + 1 if rng.uniform() < 0.3 else start + rng.uniform(2 / frequency, 0.3 * t[-1])
    inside = (t >= start) & (t < stop)
    phases = rng.permutation(3)[: int(rng.integers(1, 4))]
    rise = rng.choice([0.5, rng.uniform(1.5, 15.0)])
    for phase in phases:
        residual[phase, inside] = rng.uniform(0.1, 0.9)
        jump[phase, inside] = rng.uniform(-0.5, 0.5)
        factor[phase, inside] = rise
    return residual, jump, factor


def _wave(rng, angle, k, *, harmonics, size, turned, magnitude, jump):
    """A phase: k = 0, 1, 2 lag by 120 degrees each; harmonics turn with it."""
    own = angle - 2 * np.pi * k / 3 + turned + jump
    wave = np.sqrt(2) * size * np.sin(own)
    for order, part, at in harmonics:
        wave = wave + np.sqrt(2) * size * part * np.sin(order * own + at)
    return wave * magnitude


def _harmonics(rng, most):
    total = rng.uniform(0, most)
    parts = np.abs(rng.normal(size=4))
    parts *= total / np.linalg.norm(parts)
    return [(o, p, rng.uniform(0, 2 * np.pi)) for o, p in zip((3, 5, 7, 11), parts, strict=True)]


def _unbalanced(rng, most):
    """Magnitudes and angles with negative over positive sequence of up to `most`."""
    size, at = rng.uniform(0, most), rng.uniform(0, 2 * np.pi)
    phasors = [np.exp(-2j * np.pi * k / 3) + size * np.exp(1j * (at + 2 * np.pi * k / 3)) for k in range(3)]
    return [(abs(p), float(np.angle(p * np.exp(2j * np.pi * k / 3)))) for k, p in enumerate(phasors)]


def _voltages(rng, rows, angle, sag, group):
    harmonics, level = _harmonics(rng, 0.05), 10 ** rng.uniform(1.7, 4.5)
    off, shift = _unbalanced(rng, 0.02), rng.uniform(-0.02, 0.02)
    waves = [
        _wave(rng, angle, k, harmonics=harmonics, size=level * off[k][0], turned=off[k][1] + shift,
              magnitude=sag[0][k], jump=sag[1][k])
        for k in range(3)
    ]  # fmt: skip
    noisy = [w + _noise(rng, w) for w in waves]
    rows += [_Row(w, "phase", "voltage", "ABC"[k], group) for k, w in enumerate(noisy)]
    group += 1
    if rng.uniform() < 0.3:
        total = sum(waves) + _noise(rng, waves[0])
        rows.append(_Row(total, "neutral", "voltage", "N", group - 1))
    if rng.uniform() < 0.25:
        for k in range(3):
            difference = waves[k] - waves[(k + 1) % 3]
            pair = ("AB", "BC", "CA")[k]
            rows.append(_Row(difference + _noise(rng, difference), "phase", "voltage", pair, group, True))
        group += 1
    return group


def _currents(rng, rows, angle, sag, group):
    harmonics, level = _harmonics(rng, rng.choice([0.03, 0.25])), 10 ** rng.uniform(0.3, 3.3)
    off, lag = _unbalanced(rng, 0.05), math.radians(rng.uniform(-20, 45)) + math.pi * (rng.uniform() < 0.2)
    waves = [
        _wave(rng, angle, k, harmonics=harmonics, size=level * off[k][0], turned=off[k][1] - lag,
              magnitude=sag[2][k], jump=-0.3 * (sag[2][k] - 1).clip(0, 3))
        for k in range(3)
    ]  # fmt: skip
    rows += [_Row(w + _noise(rng, w), "phase", "current", "ABC"[k], group) for k, w in enumerate(waves)]
    if rng.uniform() < 0.4:
        total = sum(waves)
        rows.append(_Row(total + _noise(rng, waves[0]), "neutral", "current", "N", group))
    if rng.uniform() < 0.1:
        rows.append(_Row(waves[0] * rng.uniform(0.1, 0.6) + _noise(rng, waves[0]), "unknown", "current"))
    return group + 1


def _noise(rng, wave):
    return rng.normal(0, 1, wave.size) * np.sqrt(np.mean(wave**2)) * 10 ** (-rng.uniform(50, 75) / 20)


def _laid_out(rng, rows):
    """Sets one after another, mostly; or currents first, phase by phase, with sets the other way round, or anyhow."""
    layouts = ["usual", "currents first", "phase by phase", "turned", "any"]
    layout = str(rng.choice(layouts, p=[0.6, 0.1, 0.1, 0.1, 0.1]))
    if layout == "currents first":
        rows = [r for r in rows if r.quantity == "current"] + [r for r in rows if r.quantity == "voltage"]
    elif layout == "phase by phase":
        rest = [r for r in rows if r.role != "phase"]
        rows = [r for letter in "ABC" for r in rows if r.role == "phase" and r.letter[0] == letter] + rest
    elif layout == "turned":
        ways = ((0, 2, 1), (1, 2, 0), (2, 1, 0))
        order = ways[int(rng.integers(0, 3))]
        groups: dict[tuple[int, bool], list[_Row]] = {}
        for row in rows:
            groups.setdefault((row.group, row.role == "phase"), []).append(row)
        rows = [
            members[i]
            for (_, phases), members in groups.items()
            for i in (order if phases and len(members) == 3 else range(len(members)))
        ]
    elif layout == "any":
        rows = [rows[i] for i in rng.permutation(len(rows))]
    return rows, layout


def _recorded(rng, rows, rate, layout):
    samples = np.empty((len(rows), rows[0].wave.size), np.int16)
    scales: dict[tuple[str, int], float] = {}
    for i, row in enumerate(rows):
        if row.role == "unused":
            offset = rng.choice([0.0, 0.0, 5.0])
            samples[i] = np.round(rng.choice([0.0, 1.5]) * row.wave + offset)
            continue
        if row.role == "dc":
            samples[i] = np.round(row.wave * rng.uniform(20, 100) + rng.normal(0, 3, row.wave.size))
            continue
        key = (row.quantity, row.group if not row.line_to_line else row.group - 1)
        peak = max(np.abs(r.wave).max() for r in rows if r.quantity == row.quantity and r.role == "phase")
        share = scales.setdefault(key, rng.uniform(0.3, 0.9))
        own = max(np.abs(r.wave).max() for r in rows if (r.quantity, r.group) in (key, (key[0], key[1] + 1)))
        samples[i] = np.round(row.wave * 30000 * share / max(own, 1e-9)) if peak else 0
    sets: list[TrueSet] = []
    for group in sorted({row.group for row in rows}):
        members = {row.letter: i for i, row in enumerate(rows) if row.group == group and row.role == "phase"}
        for names in (("A", "B", "C"), ("AB", "BC", "CA")):
            if set(names) <= set(members):
                a, b, c = (members[name] for name in names)
                sets.append(TrueSet(rows[a].quantity, (a, b, c), len(names[0]) == 2))
    roles = [row.role if samples[i].any() else "unused" for i, row in enumerate(rows)]  # a sum of less than a count
    return Recording(samples, rate, roles, [r.quantity for r in rows], [r.letter for r in rows], sets, layout)
