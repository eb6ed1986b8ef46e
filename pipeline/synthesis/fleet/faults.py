"""Faults of drawn fleets: background, storms, reclosing; where, of which kind, how long."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.synthesis.fleet.network import FleetNetwork

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_DAY_S: Final = 86_400.0
FAULT_KINDS: Final = ("one phase", "two phases", "two phases to earth", "three phases")
_KIND_SHARES: Final = (0.65, 0.15, 0.12, 0.08)  # common practice, no source
_DEAD_TIMES_S: Final = ((0.3, 1.0), (5.0, 30.0))  # of reclosing, quick and slow; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """How often there are faults.

    Attributes
    ----------
    faults_a_day : in calm weather, of the whole network.
    storms_a_day : each over one area.
    storm_faults : in one storm, on the average.
    storm_hours : how long one lasts.
    reclosing_share : faults that are reclosed onto once or twice more.
    """

    faults_a_day: float = 20.0
    storms_a_day: float = 0.3
    storm_faults: float = 30.0
    storm_hours: float = 4.0
    reclosing_share: float = 0.3


@dataclass(frozen=True, slots=True)
class Faults:
    """Voltage collapses, in order of time; those of one `cause` are a fault and the reclosures onto it.

    Attributes
    ----------
    t_s : from the first day's beginning. [s]
    cause : number of the fault.
    at : site at which it is.
    fault_pu : its impedance.
    kind : index into `FAULT_KINDS`.
    phase : 0 to 2: which phase, or which one is sound.
    cleared_s : how long it stays. [s]
    dead_s : for how long its feeder is without voltage afterwards; 0: not at all. [s]
    """

    t_s: FloatArray
    cause: IntArray
    at: IntArray
    fault_pu: FloatArray
    kind: IntArray
    phase: IntArray
    cleared_s: FloatArray
    dead_s: FloatArray


def drawn_faults(network: FleetNetwork, n_days: int, weather: Weather, rng: np.random.Generator) -> Faults:
    """Faults of some days."""
    n_calm = rng.poisson(weather.faults_a_day * n_days)
    n_storms = rng.poisson(weather.storms_a_day * n_days)
    sizes = rng.poisson(weather.storm_faults, n_storms)
    begins = rng.uniform(0, n_days * _DAY_S, n_storms)
    t_s = np.concatenate(
        [
            rng.uniform(0, n_days * _DAY_S, n_calm),
            np.repeat(begins, sizes) + rng.uniform(0, weather.storm_hours * 3600, sizes.sum()),
        ]
    )
    at = np.concatenate([rng.integers(0, network.n, n_calm), _in_storms(network, sizes, rng)])
    kept = np.flatnonzero(t_s < n_days * _DAY_S)
    order = kept[np.argsort(t_s[kept], kind="stable")]
    n = len(order)
    level = network.level[at[order]]
    first = Faults(
        t_s[order],
        np.arange(n),
        at[order],
        rng.exponential(np.where(level == 1, 0.06, 0.01)),
        rng.choice(4, n, p=_KIND_SHARES),
        rng.integers(0, 3, n),
        np.exp(rng.normal(np.log(np.where(level == 1, 0.25, 0.09)), np.where(level == 1, 0.5, 0.25))).clip(0.04, 2.0),
        np.zeros(n),
    )
    return _with_reclosing(first, level, weather, rng)


def _in_storms(network: FleetNetwork, sizes: IntArray, rng: np.random.Generator) -> IntArray:
    """Sites of the faults of storms, each storm over one area."""
    areas = np.repeat(rng.integers(0, network.area.max() + 1, len(sizes)), sizes)
    by_area = np.argsort(network.area, kind="stable")
    count = np.bincount(network.area)
    begin = np.cumsum(count) - count
    return np.asarray(by_area[begin[areas] + (rng.random(len(areas)) * count[areas]).astype(np.int64)])


def _with_reclosing(first: Faults, level: IntArray, weather: Weather, rng: np.random.Generator) -> Faults:
    """Some faults on feeders are switched onto again, once or twice; then, or at once, it holds or stays off."""
    n = len(first.t_s)
    times = np.where((level == 1) & (rng.random(n) < weather.reclosing_share), rng.integers(1, 3, n), 0)
    quick, slow = (rng.uniform(*span, n) for span in _DEAD_TIMES_S)
    second = first.t_s + first.cleared_s + quick
    third = second + first.cleared_s + slow
    trips = (level == 1) & (rng.random(n) < 0.5)
    parts = [
        (np.arange(n), first.t_s, np.where((times > 0) | trips, quick, 0.0)),
        (np.flatnonzero(times > 0), second[times > 0], np.where(times > 1, slow, 60.0)[times > 0]),
        (np.flatnonzero(times > 1), third[times > 1], np.full(int((times > 1).sum()), 60.0)),
    ]
    of = np.concatenate([part[0] for part in parts])
    t_s = np.concatenate([part[1] for part in parts])
    dead_s = np.concatenate([part[2] for part in parts])
    order = np.argsort(t_s, kind="stable")
    of = of[order]
    return Faults(
        t_s[order], first.cause[of], first.at[of], first.fault_pu[of], first.kind[of], first.phase[of],
        first.cleared_s[of], dead_s[order],
    )  # fmt: skip
