"""Recordings of random grids: case k of a seed is always the same, whatever else is drawn."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from halfcycle.pipeline.synthesis.circuit.grid import build_grid
from halfcycle.pipeline.synthesis.circuit.happenings import START_S, draw_scene
from halfcycle.pipeline.synthesis.circuit.network import C128, F64, Sine
from halfcycle.pipeline.synthesis.circuit.random_grid import chance, spread, uniform
from halfcycle.pipeline.synthesis.circuit.scene import Scene, SceneEvent
from halfcycle.pipeline.synthesis.circuit.stepping import simulate

_SETTLING_S: Final = 0.04  # of the filter, cut away
_RATES_HZ: Final = (1000, 1200, 1920, 2400, 3200, 4000, 4800, 5000, 6400, 7680, 9600, 10000, 12800, 15360, 20000, 30000)
_BITS: Final = (8, 10, 12, 14, 16)
_ORDERS: Final = (3, 5, 7, 11, 13)


@dataclass(frozen=True, slots=True)
class Surge:
    """A voltage of one phase that rises and falls as two exponentials.

    Attributes
    ----------
    peak_v : about. [V]
    start_s, front_s, tail_s : instant, and time constants. [s]
    """

    peak_v: float
    start_s: float
    front_s: float
    tail_s: float

    @property
    def phasors(self) -> C128:
        """None of it is there in the steady state before."""
        return np.zeros(3, np.complex128)

    def at(self, t_s: F64) -> F64:
        """Voltages at some instants, shape (n_instants, 3). [V]"""
        since = np.maximum(t_s - self.start_s, 0.0)
        values = np.zeros((t_s.size, 3))
        values[:, 0] = (
            self.peak_v * (np.exp(-since / self.tail_s) - np.exp(-since / self.front_s)) * (t_s > self.start_s)
        )
        return values


@dataclass(frozen=True, slots=True)
class CircuitCase:
    """A recording and its truth.

    Attributes
    ----------
    u_v, i_a : shape (3, n): voltages to ground, currents towards downstream. [V], [A]
    rate_hz : of the samples. [Hz]
    nominal_v, nominal_hz : line to line, and of the fundamental. [V], [Hz]
    events : with `start_s` from the first sample on.
    side : of the first event's place.
    kind : what was drawn.
    group : family of grids that it comes from.
    """

    u_v: F64
    i_a: F64
    rate_hz: float
    nominal_v: float
    nominal_hz: float
    events: tuple[SceneEvent, ...]
    side: str
    kind: str
    group: str

    def kept(self) -> CircuitCase:
        """With samples of single precision, as files keep them."""
        return replace(self, u_v=self.u_v.astype(np.float32), i_a=self.i_a.astype(np.float32))


def draw_case(seed: int, k: int, happening: Callable[[np.random.Generator], Scene] | None = None) -> CircuitCase:
    """Case k of a seed.

    Parameters
    ----------
    seed, k : which.
    happening : one of `happenings.HAPPENINGS`; None: any.
    """
    rng = np.random.default_rng([seed, k])
    scene = draw_scene(rng, happening)
    rate_hz = float(rng.choice(_RATES_HZ))
    fine = max(1, math.ceil(1 / (rate_hz * scene.step_s) - 1e-9))
    u, i = _solved(rng, scene, rate_hz, fine)
    u, i = (_filtered(rng, x, fine, rate_hz) for x in (u, i))
    lead_s = uniform(rng, 3.6, 9) / scene.grid.frequency_hz
    first = round((START_S - lead_s) * rate_hz)
    u, i = u[:, first:], i[:, first:]
    u, i = _instrument(rng, u, i, scene, rate_hz)
    shift = first / rate_hz
    events = tuple(
        SceneEvent(e.cause, e.cause_by_voltage, e.place, e.start_s - shift) for e in scene.events
    )  # fmt: skip
    turn = int(rng.integers(3))
    name = scene.events[0].cause
    nominal_hz = 60.0 if scene.grid.frequency_hz > 55 else 50.0
    return CircuitCase(
        np.roll(u, turn, axis=0), np.roll(i, turn, axis=0), rate_hz, scene.grid.nominal_v, nominal_hz, events,
        scene.side, name, scene.surroundings.group,
    )  # fmt: skip


def _solved(rng: np.random.Generator, scene: Scene, rate_hz: float, fine: int) -> tuple[F64, F64]:
    grid = scene.grid
    network, built = build_grid(grid)
    sources: dict[str, Sine] = {
        "grid": Sine(grid.base.phase_peak_v, grid.frequency_hz, math.radians(grid.angle_deg), scene.source_steps)
    }
    for one in built:
        sources.update(dict(one.sources))
    if scene.surge_pu:
        tail_s = spread(rng, 40e-6, 600e-6)
        surge = Surge(scene.surge_pu * grid.base.phase_peak_v, START_S, tail_s * uniform(rng, 0.05, 0.4), tail_s)
        sources["surge"] = surge  # type: ignore[assignment]
    n_samples = round((START_S + scene.after_s) * rate_hz)
    trace = simulate(
        network, sources, dt_s=1 / (rate_hz * fine), n_steps=(n_samples - 1) * fine,
        voltages_of=[f"{scene.monitor.bus}.u"], currents_of=[scene.monitor.element],
        commands=[*(command for one in built for command in one.commands), *scene.commands],
        motors=[motor for one in built for motor in one.motors], valves=[v for one in built for v in one.valves],
    )  # fmt: skip
    return trace.voltages[f"{scene.monitor.bus}.u"], trace.currents[scene.monitor.element]


def _filtered(rng: np.random.Generator, x: F64, fine: int, rate_hz: float) -> F64:
    """Anti-aliasing filter and decimation; its settling lies before what is kept."""
    from scipy.signal import butter, sosfilt

    cut_hz = uniform(rng, 0.3, 0.45) * rate_hz
    sections = butter(int(rng.integers(2, 5)), cut_hz, fs=rate_hz * fine, output="sos")
    kept: F64 = np.asarray(sosfilt(sections, x, axis=1))[:, ::fine]
    return kept


def _instrument(
    rng: np.random.Generator, u: F64, i: F64, scene: Scene, rate_hz: float
) -> tuple[F64, F64]:  # fmt: skip
    """What supply and recorder add: harmonics that follow the voltage, ratios, noise, quantisation, clipping."""
    n = round(rate_hz / scene.grid.frequency_hz)
    u = u + _harmonics(rng, u, n, rate_hz, scene.grid.frequency_hz)
    u *= 1 + 0.004 * rng.standard_normal((3, 1))
    peaks = [float(np.abs(x[:, : 3 * n]).max()) for x in (u, i)]
    snr_db = uniform(rng, 45, 75) if chance(rng, 0.8) else uniform(rng, 32, 45)
    bits = int(rng.choice(_BITS, p=(0.04, 0.06, 0.2, 0.2, 0.5)))
    spans = (peaks[0] * uniform(rng, 1.4, 3), max(peaks[1], 1e-9) * spread(rng, 3, 40))
    out = []
    for x, peak, full in zip((u, i), peaks, spans, strict=True):
        noisy = x + peak / math.sqrt(2) * 10 ** (-snr_db / 20) * rng.standard_normal(x.shape)
        step = 2 * full / 2**bits
        out.append(np.clip(np.round(noisy / step) * step, -full, full))
    return out[0], out[1]


def _harmonics(rng: np.random.Generator, u: F64, n: int, rate_hz: float, frequency_hz: float) -> F64:
    thd = uniform(rng, 0.0, 0.04) if chance(rng, 0.8) else 0.0
    shares = np.abs(rng.standard_normal(len(_ORDERS)))
    shares *= thd / math.sqrt(float((shares**2).sum()))
    squares = np.cumsum(np.pad(u**2, ((0, 0), (n, 0)), mode="edge"), axis=1)
    envelope: F64 = np.sqrt(2 * np.maximum(squares[:, n:] - squares[:, :-n], 0) / n)
    t = np.arange(u.shape[1]) / rate_hz
    turns = 2 * np.pi / 3 * np.arange(3, dtype=np.float64)[:, None]
    out = np.zeros_like(u)
    for order, share in zip(_ORDERS, shares, strict=True):
        if order * frequency_hz < 0.4 * rate_hz:
            out += share * np.sin(order * (2 * np.pi * frequency_hz * t - turns) + uniform(rng, 0, 2 * math.pi))
    return envelope * out
