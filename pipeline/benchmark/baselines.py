"""What an engineer would script from general-purpose libraries, as baselines: each in its plainest sensible form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from halfcycle.pipeline.benchmark.contenders import RMS_VARIATIONS, TRANSIENTS, Contender, Detection, Problem
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.measures.mask_runs import runs

_SAG_PU, _SWELL_PU, _INTERRUPTION_PU = 0.9, 1.1, 0.1
_TRANSIENT_PU = 0.1
_PENALTY = 0.02  # of ruptures' cost, per change point and logarithm of the length
_FEWEST_VALUES = 3


def rolling_rms(problem: Problem) -> list[Detection]:
    """pandas: a rolling RMS over one nominal cycle each half cycle, thresholds, first and last crossing."""
    import pandas as pd

    window = round(problem.rate_hz / problem.nominal_frequency_hz)
    squares = pd.DataFrame(problem.u.T.astype(np.float64) ** 2)
    rms = np.sqrt(squares.rolling(window).mean().to_numpy()[window - 1 :: window // 2]) / problem.nominal_voltage_v
    step_s = (window // 2) / problem.rate_hz
    found = []
    states = {
        "sag": (rms < _SAG_PU).any(axis=1),
        "swell": (rms > _SWELL_PU).any(axis=1),
        "interruption": (rms < _INTERRUPTION_PU).all(axis=1),
    }
    for kind, state in states.items():
        for a, b in _runs(state):
            part = rms[a:b]
            extreme = part.max() if kind == "swell" else part.min()
            found.append(Detection(kind, a * step_s, b * step_s, float(extreme)))
    return found


@dataclass(frozen=True, slots=True)
class SlidingSettings:
    """Of `sliding_rms`; the defaults are the best of 60 on 160 cases of their own: tests/benchmarks/tune_sliding.py.

    window_cycles : that an RMS is taken over.
    hysteresis_pu : beyond a threshold, at which a state ends.
    start_share, stop_share : of the window, where in the first and last one beyond a threshold the edge is set.
    """

    window_cycles: float = 1.0
    hysteresis_pu: float = 0.03
    start_share: float = 0.9
    stop_share: float = 0.1


def sliding_rms(problem: Problem, settings: SlidingSettings = SlidingSettings()) -> list[Detection]:
    """NumPy: the RMS of a window that slides from sample to sample, thresholds with hysteresis, tuned edges."""
    n = max(2, round(settings.window_cycles * problem.rate_hz / problem.nominal_frequency_hz))
    squares = np.cumsum(np.pad(problem.u.astype(np.float64) ** 2, ((0, 0), (1, 0))), axis=1)
    rms = np.sqrt(np.maximum(squares[:, n:] - squares[:, :-n], 0) / n) / problem.nominal_voltage_v
    low, high, slack = rms.min(axis=0), rms.max(axis=0), settings.hysteresis_pu
    found = []
    for kind, beyond, back, level in (
        ("sag", low < _SAG_PU, low >= _SAG_PU + slack, low),
        ("swell", high > _SWELL_PU, high <= _SWELL_PU - slack, high),
        ("interruption", high < _INTERRUPTION_PU, high >= _INTERRUPTION_PU + slack, low),
    ):
        last = np.maximum.accumulate(np.where(beyond | back, np.arange(beyond.size), 0))
        for a, b in _runs(beyond[last]):
            part = level[a:b]
            found.append(Detection(
                kind, (a + settings.start_share * n) / problem.rate_hz, (b + settings.stop_share * n) / problem.rate_hz,
                float(part.max() if kind == "swell" else part.min()),
            ))  # fmt: skip
    return found


def change_points(problem: Problem) -> list[Detection]:
    """ruptures: change points of the three half-cycle RMS series; the stretches between that are beyond a threshold."""
    ruptures = library("ruptures")
    half = round(problem.rate_hz / problem.nominal_frequency_hz / 2)
    n = problem.u.shape[1] // half
    blocks = problem.u[:, : n * half].reshape(3, n, half).astype(np.float64)
    rms = np.sqrt((blocks**2).mean(axis=2)) / problem.nominal_voltage_v
    if n < 2 * _FEWEST_VALUES:
        return []
    ends = ruptures.KernelCPD(kernel="linear", min_size=2).fit(rms.T).predict(pen=_PENALTY * np.log(n))
    found = []
    step_s = half / problem.rate_hz
    for a, b in zip([0, *ends[:-1]], ends, strict=True):
        level = np.median(rms[:, a:b], axis=1)
        kind = _kind_of(level)
        if kind:
            found.append(
                Detection(kind, a * step_s, b * step_s, float(level.max() if kind == "swell" else level.min()))
            )
    return found


def peaks(problem: Problem) -> list[Detection]:
    """scipy.signal.find_peaks on the difference from a cycle before; peaks within a cycle and a half are one."""
    from scipy.signal import find_peaks

    cycle = round(problem.rate_hz / problem.nominal_frequency_hz)
    peak_v = np.sqrt(2) * problem.nominal_voltage_v
    residue = np.abs(problem.u[:, cycle:] - problem.u[:, :-cycle]).max(axis=0) / peak_v
    at, properties = find_peaks(residue, height=max(_TRANSIENT_PU, 5 * float(np.median(residue))), distance=2)
    found: list[Detection] = []
    last = -np.inf
    for i, height in zip(at.tolist(), properties["peak_heights"].tolist(), strict=True):
        time_s = (i + cycle) / problem.rate_hz
        if i - last > 1.5 * cycle:
            found.append(Detection("impulsive_transient", time_s, time_s, height))
        last = i
    return found


def _kind_of(level: Any) -> str:
    if (level < _INTERRUPTION_PU).all():
        return "interruption"
    if (level < _SAG_PU).any():
        return "sag"
    return "swell" if (level > _SWELL_PU).any() else ""


def _runs(state: Any) -> list[tuple[int, int]]:
    return list(zip(*(edges.tolist() for edges in runs(state)), strict=True))


def library(name: str) -> Any:
    """A library of the extra ``bench``.

    Raises
    ------
    ConfigError : it is not installed.
    """
    from importlib import import_module

    try:
        return import_module(name)
    except ImportError as error:
        raise ConfigError(f"{name} is not installed; install halfcycle[bench], or leave this contender out") from error


BASELINES = (
    Contender("tuned sliding RMS", sliding_rms, RMS_VARIATIONS),
    Contender("pandas rolling RMS", rolling_rms, RMS_VARIATIONS),
    Contender("ruptures change points", change_points, RMS_VARIATIONS),
    Contender("scipy find_peaks", peaks, TRANSIENTS),
)
