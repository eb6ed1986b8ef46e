"""The cases of a suite: waveforms drawn from its ranges, with the exact truth."""

from __future__ import annotations

import math
from collections.abc import Container, Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.benchmark.contenders import Detection, Problem
from halfcycle.pipeline.benchmark.suite import DetectorFamily, DetectorSuite, Range
from halfcycle.pipeline.synthesis import Harmonic, Impulse, Stage, Transient, Waveform, synthesise

_ORDERS = (3, 5, 7, 11, 13)
_CLEAR_S = 0.2  # of a case without event at its start and end


@dataclass(frozen=True, slots=True)
class Case:
    """One case.

    Attributes
    ----------
    index : number in the suite.
    kind : of its family.
    level_pu : drawn level of the event; NaN where there is none.
    snr_db : infinite without noise.
    problem : what a contender is given.
    truth : the events in it.
    """

    index: int
    kind: str
    level_pu: float
    snr_db: float
    problem: Problem
    truth: tuple[Detection, ...]

    @property
    def seconds(self) -> float:
        """Length. [s]"""
        return float(self.problem.u.shape[1] / self.problem.rate_hz)


def cases_of(suite: DetectorSuite, *, seed: int | None = None, numbers: Container[int] | None = None) -> Iterator[Case]:
    """The cases of a suite, one by one; each depends on the seed and its own number alone.

    Parameters
    ----------
    suite : the ranges.
    seed : instead of the suite's.
    numbers : of the cases wanted, from 0; None: all.
    """
    base = suite.seed if seed is None else seed
    grid = product(suite.families, suite.rates_hz, suite.nominal_frequencies_hz, suite.snr_db)
    index = 0
    for family, rate_hz, nominal_hz, snr_db in grid:
        for _ in range(family.count):
            if numbers is None or index in numbers:
                yield _case(suite, family, index, base, rate_hz, nominal_hz, snr_db)
            index += 1


def n_cases(suite: DetectorSuite) -> int:
    """How many cases a suite has."""
    each = len(suite.rates_hz) * len(suite.nominal_frequencies_hz) * len(suite.snr_db)
    return each * sum(family.count for family in suite.families)


def _case(
    suite: DetectorSuite,
    family: DetectorFamily,
    index: int,
    seed: int,
    rate_hz: float,
    nominal_hz: float,
    snr_db: float,
) -> Case:
    rng = np.random.default_rng([seed, index])
    phases = rng.permutation(3)[: int(rng.integers(1, 4))]
    if family.kind == "interruption":
        phases = np.arange(3)
    level = _drawn(rng, family.level_pu) if family.level_pu else math.nan
    stages, transients, impulses = _event(rng, family, phases, level)
    waveform = Waveform(
        hookup="four-wire",
        nominal_voltage_v=suite.nominal_voltage_v,
        rate_hz=rate_hz,
        duration_s=family.seconds,
        nominal_frequency_hz=nominal_hz,
        frequency_hz=nominal_hz * (1 + _drawn(rng, suite.frequency_offset_pct) / 100),
        phase_deg=float(rng.uniform(-180, 180)),
        harmonics=_harmonics(rng, _drawn(rng, suite.distortion_pct) / 100),
        stages=stages,
        transients=transients,
        impulses=impulses,
        snr_db=None if math.isinf(snr_db) else snr_db,
    )
    made = synthesise(waveform, start_ns=0, seed=int(rng.integers(2**31)))
    u = np.stack([made.capture.physical(i) for i in range(3)]).astype(np.float32)
    truth = tuple(
        Detection(event.kind, event.start_ns / 1e9, event.start_ns / 1e9 + event.duration_s, event.magnitude_pu)
        for event in made.truth
    )
    problem = Problem(u, rate_hz, suite.nominal_voltage_v, nominal_hz)
    return Case(index, family.kind, level, snr_db, problem, truth)


def _event(
    rng: np.random.Generator, family: DetectorFamily, phases: npt.NDArray[np.int64], level: float
) -> tuple[tuple[Stage, ...], tuple[Transient, ...], tuple[Impulse, ...]]:
    """The one event of a case, on some phases."""
    if family.kind == "nothing":
        return (), (), ()
    if family.kind in ("oscillatory_transient", "impulsive_transient"):
        start_s = float(rng.uniform(_CLEAR_S, family.seconds - _CLEAR_S))
        peaks = tuple(level * float(rng.choice([-1, 1])) if c in phases else 0.0 for c in range(3))
        decay_s = _drawn(rng, family.decay_s or (0, 0))
        if family.kind == "impulsive_transient":
            return (), (), (Impulse(start_s=start_s, peaks_pu=peaks, rise_s=_drawn(rng, family.rise_s or (0, 0)),
                                    decay_s=decay_s),)  # fmt: skip
        hertz = _drawn(rng, family.frequency_hz or (0, 0))
        return (), (Transient(start_s=start_s, magnitudes_pu=peaks, frequency_hz=hertz, decay_s=decay_s),), ()
    duration_s = _drawn(rng, family.duration_s or (0, 0))
    stage = Stage(
        start_s=float(rng.uniform(_CLEAR_S, family.seconds - duration_s - _CLEAR_S)),
        duration_s=duration_s,
        residual_pu=tuple(level if c in phases else 1.0 for c in range(3)),
        phase_jump_deg=tuple(_drawn(rng, family.phase_jump_deg) if c in phases else 0.0 for c in range(3)),
    )
    return (stage,), (), ()


def _harmonics(rng: np.random.Generator, total: float) -> tuple[Harmonic, ...]:
    shares = rng.uniform(0.2, 1.0, len(_ORDERS)) / np.sqrt(_ORDERS)
    shares *= total / np.linalg.norm(shares)
    return tuple(
        Harmonic(order=order, magnitude_pu=float(share), angle_deg=float(rng.uniform(-180, 180)))
        for order, share in zip(_ORDERS, shares, strict=True)
    )


def _drawn(rng: np.random.Generator, bounds: Range) -> float:
    return float(rng.uniform(*bounds))
