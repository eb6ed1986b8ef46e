"""Taps and loads that step the voltage a little: found in records of 14 s, and named, through the whole line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import halfcycle as hc
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

SOURCE = "derived: phasors of a source behind its impedance that feeds a load, solved each half cycle"
RATE_HZ, NOMINAL_V, SECONDS = 3200.0, 230.0, 14.0
START_NS = 1_767_225_600_000_000_000
TURNS = 2 * np.pi / 3 * np.arange(3)[:, None]
TAP, LOAD = "voltage-regulator step", "load switching"


def site(rng: np.random.Generator, what: str, size_pu: float, at_s: float) -> np.ndarray:
    """Voltages and currents, shape (6, n), of a load behind a source whose tap, or which load beside it, steps.

    Source and load wander by some tenths of a per cent, as the sums of many loads do; 60 dB of noise.
    """
    n_halves = round(100 * SECONDS) + 2
    t = np.arange(n_halves) / 100

    def wander(size: float) -> np.ndarray:
        return np.cumsum(rng.standard_normal(n_halves)) * size / np.sqrt(n_halves)

    z = rng.uniform(0.02, 0.06) * np.exp(1j * np.radians(rng.uniform(20, 75)))
    y = np.full(n_halves, np.exp(-1j * np.radians(rng.uniform(5, 35)))) * (1 + wander(0.02))
    e = (1 + 0.03 * rng.uniform(-1, 1)) * (1 + wander(0.002)) + 0j
    after = t >= at_s
    if what == TAP:
        e[after] *= 1 + size_pu
    else:
        # A load that is added at z and y lowers |V| = |E / (1 + z y)| by the size, to be found by bisection.
        turn, low, high = np.exp(-1j * np.radians(rng.uniform(0, 30))), 0.0, 3.0
        before = abs(1 / (1 + z * y[0]))
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (
                (middle, high) if abs(1 / (1 + z * (y[0] + middle * turn))) > before - size_pu else (low, middle)
            )
        y = y + low * turn * (after if rng.random() < 0.5 else ~after)
    v = e / (1 + z * y)
    k = np.arange(round(RATE_HZ * SECONDS))
    at = np.minimum(k / RATE_HZ * 100, n_halves - 1)
    switched = (k / RATE_HZ >= at_s).astype(np.int64)
    rows = []
    for x, scale in ((v, NOMINAL_V), (v * y, 60.0)):
        smooth = np.interp(at, np.arange(n_halves), x.real) + 1j * np.interp(at, np.arange(n_halves), x.imag)
        edge = int(np.argmax(after))
        near = np.abs(at - edge) <= 1  # the step itself is one of samples
        smooth[near] = np.where(switched[near] == 1, x[edge + 1], x[edge - 1])
        wave = smooth * np.exp(2j * np.pi * 50 * k / RATE_HZ)
        rows.append(np.sqrt(2) * scale * (wave * np.exp(-1j * TURNS)).real)
    waves = np.concatenate(rows)
    waves[:3] += np.sqrt(2) * NOMINAL_V * 0.02 * np.cos(5 * (2 * np.pi * 50 * k / RATE_HZ - TURNS) + 1.0)
    return waves + np.abs(waves).max(axis=1, keepdims=True) / np.sqrt(2) * 1e-3 * rng.standard_normal(waves.shape)


def capture(waves: np.ndarray) -> Capture:
    scales = [0.02] * 3 + [0.02] * 3
    names = [(f"U{p}", "voltage", p, "V") for p in "ABC"] + [(f"I{p}", "current", p, "A") for p in "ABC"]
    channels = tuple(Channel(*name, scale) for name, scale in zip(names, scales, strict=True))  # type: ignore[arg-type]
    samples = np.round(waves / 0.02).astype(np.int16)
    header = Header("Alder Works", START_NS, RATE_HZ, samples.shape[1], channels, "int16", 50.0)
    return Capture(header, samples)


def outcomes(folder: Path, n: int, seed: int) -> list[tuple[str, list[tuple[str, float]]]]:
    """What was put in, and the events of each record: cause and seconds from the true instant."""
    found = []
    for i in range(n):
        rng = np.random.default_rng([seed, i])
        what = TAP if i % 2 == 0 else LOAD
        size = rng.uniform(0.006, 0.017) * rng.choice([-1, 1]) if what == TAP else rng.uniform(0.005, 0.017)
        at_s = float(rng.uniform(2.5, 11.5))
        path = folder / f"{i}.parquet"
        write_waveform_parquet(capture(site(rng, what, size, at_s)), path)
        events = hc.screen(path, detect=["voltage_step"], explain=True).events
        found.append(
            (what, [(event.cause, (event.start - 1_767_225_600_000_000_000) / 1e9 - at_s) for event in events])
        )
    return found


def shares(folder: Path, n: int, seed: int) -> tuple[float, float]:
    """Of the records: those with one event, within 0.1 s of the truth; and those in which it has the right name too."""
    seen = outcomes(folder, n, seed)
    found = [len(events) == 1 and abs(events[0][1]) < 0.1 for _, events in seen]
    named = [one and events[0][0] == what for one, (what, events) in zip(found, seen, strict=True)]
    return sum(found) / n, sum(named) / n


def test_small_steps_are_found_and_named_in_records_of_14_s(tmp_path: Path) -> None:
    # SOURCE; taps of 0.6 to 1.7 %, loads of 0.5 to 1.7 %. The exam has the bar of 95 of 100.
    found, named = shares(tmp_path, 10, 1)
    assert found == 1.0
    assert named >= 0.8


@pytest.mark.exam
def test_ninety_five_of_a_hundred_small_steps_are_found_and_named(tmp_path: Path) -> None:
    # SOURCE; the project's own bar
    found, named = shares(tmp_path, 400, 2)
    assert found >= 0.95
    assert named >= 0.95
