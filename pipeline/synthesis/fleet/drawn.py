"""What the recorders of a drawn fleet catalogue, and what was really the matter."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.events import Event, catalogue_schema
from halfcycle.pipeline.synthesis.fleet.clocks import ClockMix, Clocks, drawn_clocks
from halfcycle.pipeline.synthesis.fleet.faults import Faults, Weather, drawn_faults
from halfcycle.pipeline.synthesis.fleet.network import FleetNetwork, drawn_network

if TYPE_CHECKING:
    import pyarrow as pa

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

Rows = dict[str, npt.NDArray[Any]]

_CYCLE_S: Final = 0.02
_REFERENCE_V: Final = 6350.0
_BLOCK: Final = 2000  # faults whose voltages are worked out at a time
_PHASE_SETS: Final = np.array(["A", "B", "C", "AB", "BC", "AC", "ABC"])
_SPREAD: Final = np.uint64(0x9E3779B97F4A7C15)  # odd, so that no two ids are alike


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetPlan:
    """A fleet to be drawn.

    Attributes
    ----------
    n_sites, n_areas, n_feeders : of the network.
    n_days : of recording.
    first_day_ns : its beginning. [ns since 1970-01-01]
    weather, clocks : how many faults, which clocks.
    missing_share : captures that never come.
    alone_a_day : events of one site alone, such as motors that start, per site and day.
    refined_share : starts that are refined on the waveform.
    """

    n_sites: int = 100
    n_areas: int = 5
    n_feeders: int = 4
    n_days: int = 30
    first_day_ns: int = 1_767_225_600_000_000_000
    weather: Weather = field(default_factory=Weather)
    clocks: ClockMix = field(default_factory=ClockMix)
    missing_share: float = 0.0
    alone_a_day: float = 0.02
    refined_share: float = 0.9


@dataclass(frozen=True, slots=True)
class DrawnFleet:
    """A drawn fleet: its catalogue, row by row what each event belongs to, and what there is of network and clocks.

    Attributes
    ----------
    table : rows of a catalogue, in order of site and time of drawing.
    site : of each row, as an index into `network.names`.
    shot : which voltage collapse a row belongs to; numbers past the last one are events of one site alone.
    cause : which fault, reclosures with it; likewise.
    offset_s : how far the recorder's clock was ahead. [s]
    """

    table: pa.Table
    site: IntArray
    shot: IntArray
    cause: IntArray
    offset_s: FloatArray
    network: FleetNetwork
    faults: Faults
    clocks: Clocks


def drawn_fleet(plan: FleetPlan, *, seed: int) -> DrawnFleet:
    """A fleet's catalogue and the truth about it.

    Parameters
    ----------
    plan : what is to be drawn.
    seed : the same one gives the same fleet.

    Raises
    ------
    ConfigError : a network that cannot be.
    """
    network = drawn_network(plan.n_sites, n_areas=plan.n_areas, n_feeders=plan.n_feeders, seed=seed)
    rng = np.random.default_rng(seed + 1)
    clocks = drawn_clocks(plan.n_sites, plan.n_days, plan.clocks, rng)
    faults = drawn_faults(network, plan.n_days, plan.weather, rng)
    seen = _seen(network, faults, rng)
    alone = _alone(plan, len(faults.t_s), int(faults.cause.max(initial=-1)) + 1, rng)
    rows = {key: np.concatenate([seen[key], alone[key]]) for key in seen}
    kept = rng.random(len(rows["t_s"])) >= plan.missing_share
    rows = {key: values[kept] for key, values in rows.items()}
    offset_s = clocks.offset_s(rows["site"], rows["t_s"])
    table = _catalogue(plan, network, rows, offset_s, rng)
    return DrawnFleet(table, rows["site"], rows["shot"], rows["cause"], offset_s, network, faults, clocks)


def _seen(network: FleetNetwork, faults: Faults, rng: np.random.Generator) -> Rows:
    """Rows of all sites whose voltage a fault takes below 90 %."""
    behind = network.behind()
    blocks = []
    for begin in range(0, len(faults.t_s), _BLOCK):
        i = slice(begin, begin + _BLOCK)
        v1 = np.clip(network.residual_pu(faults.at[i], faults.fault_pu[i]), 0.0, 1.0)
        low, characteristic = _dips(network, faults, i, v1)
        off = rng.normal(0, 0.003, low.shape)
        low, characteristic = np.maximum(low + off, 0.0), np.maximum(characteristic + off, 0.0)
        shot, site = np.nonzero(low < 0.9)
        blocks.append((shot + begin, site, low[shot, site], characteristic[shot, site]))
    shot, site, v, characteristic = (np.concatenate([block[k] for block in blocks]) for k in range(4))
    at = faults.at[shot]
    dead = (network.feeder[site] >= 0) & (network.feeder[site] == network.feeder[at]) & (faults.dead_s[shot] > 0)
    return {
        "t_s": faults.t_s[shot],
        "site": site,
        "shot": shot,
        "cause": faults.cause[shot],
        "v": v,
        "characteristic": characteristic,
        "kind": faults.kind[shot],
        "label": _labels(network, faults, shot, site),
        "length_s": faults.cleared_s[shot],
        "dead_s": np.where(dead, faults.dead_s[shot], 0.0),
        "downstream": behind[at, site],
    }


def _dips(network: FleetNetwork, faults: Faults, which: slice, v1: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest phase voltage and characteristic voltage at all sites, shape (n_faults, n) each.

    Source: dip types and what transformers make of them (Bollen, Understanding Power Quality Problems, 2000; from
    memory): without its zero sequence a fault of one phase is type D of (1 + 2 V) / 3; a delta-star step makes D of C
    and C of D, whose lowest phase is sqrt(1/4 + 3/4 V^2).
    """
    at = faults.at[which]
    kind = faults.kind[which, None]
    characteristic = np.where(kind == 0, (1 + 2 * v1) / 3, v1)
    step = (network.turn[None, :] - network.turn[at, None]) % 2
    is_d = (kind == 0) ^ (step == 1)
    low = np.where((kind == 3) | is_d, characteristic, np.sqrt(0.25 + 0.75 * np.square(characteristic)))
    on_feeder = network.feeder[None, :] == network.feeder[at, None]  # or both are stations
    return np.where((kind == 0) & on_feeder, v1, low), characteristic


def _labels(network: FleetNetwork, faults: Faults, shot: IntArray, site: IntArray) -> IntArray:
    """The angle of V2 over the loss of V1 in steps of 60 degrees, as transformers turn it; -1 where it has none.

    Source: the table of dip types by symmetrical components (Bollen, Understanding Power Quality Problems, 2000; from
    memory): even steps are type C, odd ones D.
    """
    of_phase = np.array([3, 5, 1])[faults.phase[shot]]  # Da, Db, Dc
    sound = np.array([0, 2, 4])[faults.phase[shot]]  # Ca, Cb, Cc
    here = np.where(faults.kind[shot] == 0, of_phase, sound)
    turned = (here + network.turn[site] - network.turn[faults.at[shot]]) % 6
    return np.where(faults.kind[shot] == 3, -1, turned)


def _alone(plan: FleetPlan, n_shots: int, n_causes: int, rng: np.random.Generator) -> Rows:
    """Events of one site alone."""
    n = int(rng.poisson(plan.alone_a_day * plan.n_days * plan.n_sites))
    v = rng.uniform(0.6, 0.89, n)
    return {
        "t_s": rng.uniform(0, plan.n_days * 86_400.0, n),
        "site": rng.integers(0, plan.n_sites, n),
        "shot": n_shots + np.arange(n),
        "cause": n_causes + np.arange(n),
        "v": v,
        "characteristic": v,
        "kind": rng.choice(4, n, p=(0.3, 0.2, 0.0, 0.5)),
        "label": rng.integers(0, 6, n),
        "length_s": np.exp(rng.normal(np.log(0.3), 1.0, n)).clip(0.02, 20),
        "dead_s": np.zeros(n),
        "downstream": rng.random(n) < 0.8,
    }


def _catalogue(
    plan: FleetPlan, network: FleetNetwork, rows: Rows, offset_s: FloatArray,
    rng: np.random.Generator,
) -> pa.Table:  # fmt: skip
    """Rows as a detector gives them: starts on the grid of half cycles, durations with their bias by depth."""
    import pyarrow as pa

    n = len(offset_s)
    v = np.asarray(rows["v"], dtype=np.float64)
    true_ns = plan.first_day_ns + np.round((rows["t_s"] + offset_s) * 1e9).astype(np.int64)
    low_part = np.minimum(0.19 / np.maximum(1 - v**2, 0.19), 1.0)  # of a cycle, until its RMS is below 90 % (derived)
    early_s = (1 - low_part - rng.uniform(0, 0.5, n)) * _CYCLE_S
    bias_s = ((0.6564 - v**2) / (1 - v**2 + 1e-9)).clip(-1, 1) * _CYCLE_S
    grid_s = rng.triangular(-0.5, 0, 0.5, n) * _CYCLE_S
    duration_s = np.maximum(rows["length_s"] + bias_s + grid_s, _CYCLE_S / 2) + rows["dead_s"]
    refined = pa.array(true_ns + np.round(rng.normal(0, 3e-4, n) * 1e9).astype(np.int64))
    start = true_ns - np.round(early_s * 1e9).astype(np.int64)
    label = np.asarray(rows["label"], dtype=np.int64)
    balanced = label < 0
    low = np.where(rows["dead_s"] > 0, 0.01, v)
    names = np.array(network.names)
    votes, sure = _votes(np.asarray(rows["downstream"], dtype=bool), rng)
    columns: dict[str, pa.Array] = {
        "event_id": pa.array(np.char.mod("%016x", rng.permutation(n).astype(np.uint64) * _SPREAD)),
        "site": pa.array(names[rows["site"]]),
        "kind": pa.array(np.where(rows["dead_s"] > 0, "interruption", "sag")),
        "category": pa.array(np.full(n, "")),
        "start": pa.array(start).cast(pa.timestamp("ns", tz="UTC")),
        "duration_s": pa.array(duration_s),
        "magnitude": pa.array(low),
        "phases": pa.array(np.where(balanced, "ABC", np.array(["BC", "C", "AC", "A", "AB", "B"])[label])),
        "refined_start": pa.array(
            refined.to_numpy(), mask=rng.random(n) >= plan.refined_share
        ).cast(pa.timestamp("ns", tz="UTC")),
        "dip_type": pa.array(np.where(balanced, "A", np.array(["Ca", "Dc", "Cb", "Da", "Cc", "Db"])[label])),
        "direction": pa.array(votes),
        "direction_confidence": pa.array(sure, mask=votes == "unknown"),
        "observed_s": pa.array(duration_s),
        "characteristic_pu": pa.array(np.asarray(rows["characteristic"], dtype=np.float64)),
        "capture": pa.array(np.full(n, "")),
        "line_to_line": pa.array(np.zeros(n, dtype=bool)),
        "reference_v": pa.array(np.full(n, _REFERENCE_V)),
    }  # fmt: skip
    schema = catalogue_schema()
    return pa.table({f.name: columns[f.name] if f.name in columns else _default(f, n) for f in schema}, schema=schema)


def _default(field: pa.Field, n: int) -> pa.Array:
    """A column of which the drawn fleet says nothing: what an event has by default."""
    import pyarrow as pa

    default = Event.__dataclass_fields__[field.name].default
    value = default if isinstance(default, str | bool | int | float) else None
    return pa.array([value] * n, field.type)


def _votes(downstream: npt.NDArray[np.bool_], rng: np.random.Generator) -> tuple[npt.NDArray[np.str_], FloatArray]:
    """The side that each recorder names, and how sure it says to be; it is right as often as it says."""
    n = len(downstream)
    sure = rng.uniform(0.6, 0.98, n)
    said = downstream ^ (rng.random(n) > sure)
    words = np.where(said, "downstream", "upstream")
    return np.where(rng.random(n) < 0.3, "unknown", words), sure
