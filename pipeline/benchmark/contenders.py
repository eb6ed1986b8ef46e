"""Whoever takes part in a benchmark of detectors: ours, baselines, and those of other distributions."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.point_on_wave import refine_end
from halfcycle.pipeline.errors import ConfigError

F32 = npt.NDArray[np.float32]
One = TypeVar("One")


@dataclass(frozen=True, slots=True)
class Problem:
    """What a contender is given.

    Attributes
    ----------
    u : float32, shape (3, n_samples). Voltages to neutral. [V]
    rate_hz : [Hz]
    nominal_voltage_v : RMS. [V]
    nominal_frequency_hz : [Hz]
    """

    u: F32
    rate_hz: float
    nominal_voltage_v: float
    nominal_frequency_hz: float


@dataclass(frozen=True, slots=True)
class Detection:
    """One event that was found, or that there is.

    Attributes
    ----------
    kind : ``sag``, ``swell``, ``interruption``, ``oscillatory_transient`` or ``impulsive_transient``; a contender that
        finds changes without telling their kind says ``change``, which matches any RMS variation.
    start_s, stop_s : from the first sample. [s]
    magnitude_pu : residual voltage, swell maximum, or peak over the nominal peak; NaN where not told.
    """

    kind: str
    start_s: float
    stop_s: float
    magnitude_pu: float


@dataclass(frozen=True, slots=True)
class Contender:
    """A detector in a benchmark.

    Attributes
    ----------
    name : in the results.
    detect : from a problem to detections.
    finds : kinds that it can find; the others are not asked of it.
    """

    name: str
    detect: Callable[[Problem], list[Detection]]
    finds: frozenset[str]


RMS_VARIATIONS = frozenset({"sag", "swell", "interruption"})
TRANSIENTS = frozenset({"oscillatory_transient", "impulsive_transient"})


def halfcycle(problem: Problem) -> list[Detection]:
    """Our own: from samples to catalogue rows, thresholds of IEEE 1159 and the transient detector."""
    from halfcycle.pipeline.capture import Capture, Channel, Header
    from halfcycle.pipeline.catalogue.judge import Terms, judge
    from halfcycle.pipeline.detectors.registry import choose
    from halfcycle.pipeline.records.piece import Piece
    from halfcycle.pipeline.records.record import records_of
    from halfcycle.pipeline.settings import Thresholds

    channels = tuple(Channel(f"U{phase}", "voltage", phase, "V") for phase in "ABC")
    header = Header("benchmark", 0, problem.rate_hz, problem.u.shape[1], channels, "float32")
    capture = Capture(header, problem.u)
    (record,) = records_of([Piece(header, lambda: capture, lambda: "")])
    terms = Terms(
        Thresholds(), problem.nominal_voltage_v, problem.nominal_frequency_hz, "four-wire", choose({"transient": {}})
    )
    events = judge(record, site="benchmark", terms=terms).events
    found = []
    for event in events:
        if event.kind in RMS_VARIATIONS | TRANSIENTS:
            stop_s = _physical_end_s(problem, event.kind, event.end / 1e9)
            found.append(Detection(event.kind, event.onset / 1e9, stop_s, event.magnitude))
    return found


def _physical_end_s(problem: Problem, kind: str, end_s: float) -> float:
    """Where the voltage is back on the waveform, near the end that the standard gives; that end where it is not told.

    By the standard an interruption ends with the window that is back, other variations with its start.
    """
    if kind not in RMS_VARIATIONS:
        return end_s
    cycle = problem.rate_hz / problem.nominal_frequency_hz
    latest = end_s * problem.rate_hz + (0.25 if kind == "interruption" else 1.0) * cycle
    first = max(0, int(latest - 3 * cycle))
    part = problem.u[:, first : int(latest + 3 * cycle)]
    found = refine_end(part, samples_per_cycle=cycle, i_end=latest - first)
    return end_s if found is None else (first + found) / problem.rate_hz


@cache
def contenders() -> dict[str, Contender]:
    """All contenders by name: ours, the baselines, and those of the entry-point group ``halfcycle.contenders``."""
    from halfcycle.pipeline.benchmark.baselines import BASELINES

    own = Contender("halfcycle", halfcycle, RMS_VARIATIONS | TRANSIENTS)
    others = [entry.load() for entry in entry_points(group="halfcycle.contenders")]
    return {one.name: one for one in (own, *BASELINES, *others)}


def chosen(names: Iterable[str], known: Mapping[str, One]) -> list[One]:
    """Contenders by name; all of them where no name is given.

    Raises
    ------
    ConfigError : an unknown name.
    """
    wanted = list(names) or list(known)
    for name in wanted:
        if name not in known:
            raise ConfigError(f"contender {name!r} is not known; known are {', '.join(map(repr, known))}")
    return [known[name] for name in wanted]
