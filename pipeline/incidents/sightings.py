"""What each site saw at a time: rows of a catalogue that start together there, as arrays to be joined over sites."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.terms import STEADY_KINDS

if TYPE_CHECKING:
    import pyarrow as pa

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

TOGETHER_S: Final = 0.05
"""Rows of a site that start within this of one another are one sighting: 1.2 cycles part deep and shallow sags, and
channels of one recorder share its clock (derived)."""
REFINED_U_S: Final = 0.001  # of a start refined on the waveform, where the catalogue does not state it
STANDARD_U_S: Final = 0.004  # of one on the grid of half cycles: its ± half a step, and the wave's own power in a cycle
_CYCLE_S: Final = 0.02
_DEAD_PU: Final = 0.1  # below it a point may be switched off: what the breakers did, not how near the fault is
_BEHIND: Final = 10.0
_OPEN_U_S: Final = 0.05  # of one that was under way when the record began: no start at all
_RMS_KINDS: Final = ("sag", "interruption", "undervoltage", "swell", "overvoltage")
_LOW_KINDS: Final = _RMS_KINDS[:3]
# The angle of V2 over the loss of V1 in steps of 60 degrees, by dip type (Bollen, Understanding Power Quality Problems,
# 2000; from memory): even steps are C, E, G, odd ones B, D, F.
_LABELS: Final = {
    f"{letter}{phase}": label
    for letters, of_phase in (("CEG", {"a": 0, "b": 2, "c": 4}), ("BDF", {"a": 3, "b": 5, "c": 1}))
    for letter in letters
    for phase, label in of_phase.items()
}
_PHASE_LABELS: Final = {"A": 3, "B": 5, "C": 1, "BC": 0, "AC": 2, "CA": 2, "AB": 4}
_LINE_LABELS: Final = {"BC": 0, "CA": 2, "AB": 4}
BALANCED: Final = -1
UNTOLD: Final = -2


@dataclass(frozen=True, slots=True)
class Sightings:
    """Sightings in order of time as recorded, then of site. All arrays have shape (n,).

    Attributes
    ----------
    sites : names, in alphabetical order.
    site : index into `sites`.
    key : index of the first of its event ids in alphabetical order: what identities are made of.
    start_ns : best estimate by the recorder's clock. [ns since 1970-01-01]
    start_u_s : its standard uncertainty, the clock left out. [s]
    duration_s : NaN where it is open at an end, or an interruption: what is switched off lasts as long as it does. [s]
    low_pu : lowest voltage (lowest of six RMS values where it is known), of points that are switched off only where
        all are; NaN of swells and other kinds.
    dead : whether all its points seem to be switched off: below 10 %, interrupted or not back when the
        recording ended.
    label : unbalance in steps of 60 degrees, 0 to 5; `BALANCED`; `UNTOLD`.
    side : 1 downstream, -1 upstream, 0 not told.
    side_confidence : of it, 0.5 to 1.
    row : the row that stands for it.
    """

    sites: tuple[str, ...]
    event_ids: npt.NDArray[np.object_]
    site: IntArray
    key: IntArray
    start_ns: IntArray
    start_u_s: FloatArray
    duration_s: FloatArray
    low_pu: FloatArray
    dead: BoolArray
    label: IntArray
    side: IntArray
    side_confidence: FloatArray
    row: IntArray

    @property
    def n(self) -> int:
        """How many there are."""
        return len(self.site)

    def taken(self, which: IntArray | BoolArray) -> Sightings:
        """Some of them."""
        held = {f.name: getattr(self, f.name) for f in fields(self)}
        return Sightings(**{name: held[name] if name in ("sites", "event_ids") else held[name][which] for name in held})


def sightings_of(table: pa.Table) -> tuple[Sightings, IntArray]:
    """The sightings of a catalogue.

    Parameters
    ----------
    table : with the columns of a catalogue; an optional `refined_start_u_s` says how well starts are known.

    Returns
    -------
    (sightings, for each row which one it belongs to; -1 for steady states, which belong to none).
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = table.column("kind").to_numpy(zero_copy_only=False).astype(object)
    joinable = ~np.isin(kind.astype(str), sorted(STEADY_KINDS)) if len(kind) else np.zeros(0, dtype=bool)
    rows = np.flatnonzero(joinable)
    names = table.column("site").combine_chunks().dictionary_encode() if len(table) else None
    words = [] if names is None else _flat(names).dictionary.to_pylist()
    sites = tuple(sorted(words))
    place = np.searchsorted(np.array(sites, dtype=object), np.array(words, dtype=object)) if words else np.zeros(0, int)
    site = place[_flat(names).indices.to_numpy()] if words else np.zeros(0, dtype=np.int64)
    ids = table.column("event_id").to_numpy(zero_copy_only=False).astype(object)
    key = np.empty(len(ids), dtype=np.int64)
    key[pc.array_sort_indices(table.column("event_id").combine_chunks()).to_numpy()] = np.arange(len(ids))
    start_ns = table.column("start").cast(pa.int64()).to_numpy().astype(np.int64)
    order = rows[np.lexsort((key[rows], start_ns[rows], site[rows]))]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (np.diff(site[order]) != 0) | (np.diff(start_ns[order]) > TOGETHER_S * 1e9)
    group = np.full(len(ids), -1, dtype=np.int64)
    group[order] = np.cumsum(new) - 1
    _parts_with_their_whole(table, ids, group)
    columns = _columns(table, kind, start_ns)
    return _grouped(sites, ids, site, key, group, columns)


def _flat(names: Any) -> Any:
    return names.chunk(0) if hasattr(names, "chunk") else names


def _parts_with_their_whole(table: pa.Table, ids: npt.NDArray[np.object_], group: IntArray) -> None:
    """Rows that are part of another go with it."""
    part_of = table.column("part_of")
    if part_of.null_count == len(table):
        return
    of_id = dict(zip(ids.tolist(), range(len(ids)), strict=True))
    for row, whole in enumerate(part_of.to_pylist()):
        if whole is not None and whole in of_id and group[of_id[whole]] >= 0:
            group[row] = group[of_id[whole]]


def _columns(table: pa.Table, kind: npt.NDArray[np.object_], start_ns: IntArray) -> dict[str, Any]:
    """What is needed of each row, as arrays."""
    import pyarrow as pa

    def numbers(name: str) -> FloatArray:
        return np.asarray(table.column(name).cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)

    def coded(name: str, codes: dict[str, int], other: int) -> IntArray:
        return _coded(table.column(name).combine_chunks(), codes, other)

    def flags(name: str) -> BoolArray:
        return np.asarray(table.column(name).fill_null(False).to_numpy(zero_copy_only=False), dtype=bool)

    open_start, open_end = flags("open_start"), flags("open_end")
    refined_ns = table.column("refined_start").cast(pa.int64()).fill_null(0).to_numpy().astype(np.int64)
    refined = (refined_ns != 0) & ~open_start
    stated = numbers("refined_start_u_s") if "refined_start_u_s" in table.column_names else np.full(len(kind), np.nan)
    u_s = np.where(refined, np.where(np.isfinite(stated), stated, REFINED_U_S), STANDARD_U_S)
    low = np.isin(kind.astype(str), _LOW_KINDS)
    characteristic, magnitude = numbers("characteristic_pu"), numbers("magnitude")
    dead = kind == "interruption"
    low_pu = np.where(low, np.fmin(characteristic, np.where(dead & np.isfinite(characteristic), 1, magnitude)), np.nan)
    return {
        "start_ns": np.where(refined, refined_ns, start_ns + _lead_ns(low_pu)),
        "start_u_s": np.where(open_start, _OPEN_U_S, u_s),
        "duration_s": np.where(dead | open_start | open_end, np.nan, numbers("duration_s")),
        "low_pu": low_pu,
        "dead": (dead | open_start | open_end | _is_interrupted(table, dead)) & (low_pu < _DEAD_PU),
        "label": np.where(low, _labels(coded, flags("line_to_line")), UNTOLD),
        "side": coded("direction", {"downstream": 1, "upstream": -1}, 0),
        "side_confidence": numbers("direction_confidence"),
        "rank": 8 * open_start + 8 * table.column("part_of").is_valid().to_numpy(zero_copy_only=False).astype(np.int64)
        + np.where(low, 0, 4) + 2 * open_end + np.where(refined, 0, 1),
    }  # fmt: skip


def _is_interrupted(table: pa.Table, interruption: BoolArray) -> BoolArray:
    """Which rows have an interruption as a part of theirs."""
    import pyarrow as pa
    import pyarrow.compute as pc

    wholes = table.column("part_of").filter(pa.array(interruption)).drop_null()
    return np.asarray(pc.is_in(table.column("event_id"), wholes.combine_chunks()).to_numpy(), dtype=bool)


def _lead_ns(low_pu: FloatArray) -> IntArray:
    """How far the first window below 90 % starts before the voltage falls, on the average.

    Source: derived. A window of one cycle is below once a part f of it is low, 1 - f (1 - V^2) = 0.81; windows start
    every half cycle, so the first one that is comes a quarter of a cycle later on the average.
    """
    part = np.minimum(0.19 / np.maximum(1 - np.square(np.nan_to_num(low_pu, nan=1.0)), 0.19), 1.0)
    lead_s = np.where(np.isfinite(low_pu), (0.75 - part) * _CYCLE_S, 0.0)
    return np.round(lead_s * 1e9).astype(np.int64)


def _coded(words: pa.Array, codes: dict[str, int], other: int) -> IntArray:
    """Words as numbers. codes: of the words; other: of all else, null too."""
    encoded = _flat(words.dictionary_encode())
    of_word = np.array([*(codes.get(word, other) for word in encoded.dictionary.to_pylist()), other], dtype=np.int64)
    return np.asarray(of_word[encoded.indices.fill_null(len(of_word) - 1).to_numpy(zero_copy_only=False)])


def _labels(coded: Callable[[str, dict[str, int], int], IntArray], line_to_line: BoolArray) -> IntArray:
    """Unbalance by the dip's type, or else by which phases are low. coded: gives a column's words as numbers."""
    by_type = coded("dip_type", {**_LABELS, "A": BALANCED}, UNTOLD)
    by_phase = coded("phases", {**_PHASE_LABELS, "ABC": BALANCED}, UNTOLD)
    by_line = coded("phases", _LINE_LABELS, UNTOLD)
    return np.where(by_type != UNTOLD, by_type, np.where(line_to_line, by_line, by_phase))


def _grouped(
    sites: tuple[str, ...], ids: npt.NDArray[np.object_], site: IntArray, key: IntArray, group: IntArray,
    columns: dict[str, Any],
) -> tuple[Sightings, IntArray]:  # fmt: skip
    """Groups of rows as sightings, in order of time and site."""
    rows = np.flatnonzero(group >= 0)
    low = np.where(np.isfinite(columns["low_pu"]), columns["low_pu"], np.inf)
    low = np.where(low < _DEAD_PU, low + _BEHIND, low)  # a line that is switched off says less than buses beside it
    ranked = rows[np.lexsort((key[rows], low[rows], columns["rank"][rows], group[rows]))]
    first = np.ones(len(ranked), dtype=bool)
    first[1:] = np.diff(group[ranked]) != 0
    lead = ranked[first]
    begins = np.flatnonzero(first)
    lowest = np.minimum.reduceat(low[ranked], begins) if len(begins) else np.zeros(0)
    least_key = np.minimum.reduceat(key[ranked], begins) if len(begins) else np.zeros(0, dtype=np.int64)
    start_ns = columns["start_ns"][lead]
    order = np.lexsort((least_key, site[lead], start_ns))
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    number = np.full(int(group.max(initial=-1)) + 1, -1, dtype=np.int64)
    number[group[lead]] = place
    lead = lead[order]
    sure = columns["side_confidence"][lead]
    by_key = np.empty(len(ids), dtype=object)
    by_key[key] = ids
    dead = np.logical_or.reduceat(columns["dead"][ranked], begins) if len(begins) else np.zeros(0, dtype=bool)
    dead &= np.isfinite(lowest) & (lowest >= _BEHIND)
    lowest = np.where(lowest >= _BEHIND, lowest - _BEHIND, lowest)
    made = Sightings(
        sites, by_key, site[lead].astype(np.int64), least_key[order], columns["start_ns"][lead],
        columns["start_u_s"][lead], columns["duration_s"][lead],
        np.where(np.isfinite(lowest[order]), lowest[order], np.nan), dead[order], columns["label"][lead],
        columns["side"][lead],
        np.where(np.isfinite(sure), np.clip(sure, 0.5, 0.99), 0.6), lead,
    )  # fmt: skip
    return made, np.where(group >= 0, number[np.maximum(group, 0)] if len(number) else -1, -1)
