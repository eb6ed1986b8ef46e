"""Networks of many recorders: areas in a mesh, feeders behind transformers, and the voltages that a fault leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_SOURCE_PU: Final = (0.02, 0.06)  # reactances on one base; common practice, no source
_TIE_PU: Final = (0.04, 0.12)
_TRANSFORMER_PU: Final = (0.08, 0.20)
_SPAN_PU: Final = (0.02, 0.06)
_N_TURNS: Final = 6  # labels of dip types that a vector group turns through


@dataclass(frozen=True, slots=True)
class FleetNetwork:
    """Sites of a network, one recorder each, and how they hang together.

    Attributes
    ----------
    names : of the sites, shape (n,).
    area : of each site. A site is an area's own station, or lies on one of its feeders.
    feeder : of each site, numbered through the network; -1 for the stations.
    fed_by : the site next towards the source, -1 for stations.
    level : 0 at the stations, 1 on feeders: the side of the transformers.
    turn : by how many steps of 60 degrees the transformers turn the labels of dip types there.
    z_pu : real, shape (n, n). Bus impedances: what a current at one site does to the voltage of another.
    """

    names: tuple[str, ...]
    area: IntArray
    feeder: IntArray
    fed_by: IntArray
    level: IntArray
    turn: IntArray
    z_pu: FloatArray

    @property
    def n(self) -> int:
        """How many sites there are."""
        return len(self.names)

    def behind(self) -> npt.NDArray[np.bool_]:
        """Which site is fed through which: [i, k] tells whether i is k or lies behind it."""
        found = np.eye(self.n, dtype=bool)
        upper = self.fed_by.copy()
        while np.any(upper >= 0):
            there = np.flatnonzero(upper >= 0)
            found[there, upper[there]] = True
            upper[there] = self.fed_by[upper[there]]
        return found

    def residual_pu(self, at: IntArray, fault_pu: FloatArray) -> FloatArray:
        """Positive-sequence voltages while there are faults, shape (n_faults, n).

        Parameters
        ----------
        at : sites at which the faults are, shape (n_faults,).
        fault_pu : their impedances. [pu]

        Source: superposition in a linear network: V_k = 1 - Z_kf / (Z_ff + Z_fault), all voltages 1 before.
        """
        return 1.0 - self.z_pu[at] / (self.z_pu[at, at] + fault_pu)[:, None]


def drawn_network(n_sites: int, *, n_areas: int, n_feeders: int, seed: int) -> FleetNetwork:
    """A network drawn by chance.

    Parameters
    ----------
    n_sites : recorders in all.
    n_areas : stations, each in a ring with its neighbours and with some ties across.
    n_feeders : of each area; the other sites lie on them, one behind the other.
    seed : the same one gives the same network.

    Raises
    ------
    ConfigError : fewer sites than areas, or no area or feeder.
    """
    if not (n_areas >= 1 and n_feeders >= 1 and n_sites >= n_areas):
        raise ConfigError(
            f"{n_sites} sites in {n_areas} areas of {n_feeders} feeders: an area needs a site, and feeders"
        )
    rng = np.random.default_rng(seed)
    rest = np.arange(n_sites - n_areas)
    area = np.concatenate([np.arange(n_areas), rest % n_areas])
    nth = rest // n_areas  # of its area
    feeder = np.concatenate([np.full(n_areas, -1), (rest % n_areas) * n_feeders + nth % n_feeders])
    fed_by = np.full(n_sites, -1)
    last: dict[int, int] = {}
    for i in range(n_areas, n_sites):
        fed_by[i] = last.get(int(feeder[i]), int(area[i]))
        last[int(feeder[i])] = i
    level = (feeder >= 0).astype(np.int64)
    of_feeder = rng.choice([1, 5], size=n_areas * n_feeders)  # one delta-star step, either way
    turn = np.where(level == 1, of_feeder[np.maximum(feeder, 0)], 0) % _N_TURNS
    names = tuple(
        f"Station {a + 1:02d}" if f < 0 else f"Feeder {a + 1:02d}-{f % n_feeders + 1} site {i:04d}"
        for i, (a, f) in enumerate(zip(area.tolist(), feeder.tolist(), strict=True))
    )
    y = _admittances(area, fed_by, n_areas, rng)
    return FleetNetwork(names, area, feeder, fed_by, level, turn, np.asarray(np.linalg.inv(y), dtype=np.float64))


def _admittances(area: IntArray, fed_by: IntArray, n_areas: int, rng: np.random.Generator) -> FloatArray:
    """The admittance matrix: sources at stations, ties between them, spans along feeders. [pu]"""
    n = len(area)
    y = np.zeros((n, n))
    y[np.arange(n_areas), np.arange(n_areas)] += rng.random(n_areas) < 0.5
    y[0, 0] = 1.0
    sources = np.flatnonzero(np.diag(y))
    y[sources, sources] = 1 / rng.uniform(*_SOURCE_PU, len(sources))
    ties = [(a, (a + 1) % n_areas) for a in range(n_areas) if n_areas > 1]
    ties += [tuple(rng.choice(n_areas, 2, replace=False)) for _ in range(n_areas // 4)] if n_areas > 3 else []
    lines = [(a, b, rng.uniform(*_TIE_PU)) for a, b in ties if a != b]
    behind_station = fed_by < n_areas
    for i in range(n_areas, n):
        lines.append((i, int(fed_by[i]), rng.uniform(*(_TRANSFORMER_PU if behind_station[i] else _SPAN_PU))))
    for a, b, x in lines:
        y[a, a] += 1 / x
        y[b, b] += 1 / x
        y[a, b] -= 1 / x
        y[b, a] -= 1 / x
    return y
