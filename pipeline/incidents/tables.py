"""Incidents as tables: one row an incident, one row an event, and a catalogue with its incidents over all sites."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from halfcycle.pipeline.incidents.clock_days import notes_of
from halfcycle.pipeline.incidents.drifts import cells
from halfcycle.pipeline.incidents.fleet import FleetIncidents
from halfcycle.pipeline.incidents.origin import reason
from halfcycle.pipeline.incidents.sightings import FloatArray, IntArray

if TYPE_CHECKING:
    import pyarrow as pa

_MOST_NOTES: Final = 3
_DAY_NS: Final = 86_400_000_000_000


def member_table(table: pa.Table, found: FleetIncidents) -> pa.Table:
    """One row an event: where it belongs, and its start by the clocks that agree.

    Parameters
    ----------
    table : the catalogue that the incidents are of.
    found : the incidents.

    Returns
    -------
    Columns event_id, incident_id, shot_id (events of one instant), site, start (as recorded), corrected_start,
    corrected_start_u_s, clock_offset_s (zone included; null where nothing tells it) and join_confidence (null of events
    that belong to no other site's), in the catalogue's order.
    """
    import pyarrow as pa

    of_row = found.of_row
    held = of_row >= 0
    at = np.maximum(of_row, 0)
    ids = table.column("event_id").to_numpy(zero_copy_only=False).astype(object)
    start_ns = table.column("start").cast(pa.int64()).to_numpy().astype(np.int64)
    offset_s, u_s, sure = _of_rows(found, at, held)
    shift_ns = np.round(np.nan_to_num(offset_s) * 1e9).astype(np.int64)
    incident = np.where(held, found.ids[found.incident[at]], ids) if found.n else ids
    shot = np.where(held, found.shot_ids[found.joined.shot[at]], ids) if found.n else ids
    return pa.table(
        {
            "event_id": pa.array(ids, pa.string()),
            "incident_id": pa.array(incident, pa.string()),
            "shot_id": pa.array(shot, pa.string()),
            "site": table.column("site"),
            "start": table.column("start"),
            "corrected_start": pa.array(start_ns - shift_ns).cast(pa.timestamp("ns", tz="UTC")),
            "corrected_start_u_s": pa.array(u_s, mask=~np.isfinite(u_s)),
            "clock_offset_s": pa.array(offset_s, mask=~np.isfinite(offset_s)),
            "join_confidence": pa.array(sure, mask=~np.isfinite(sure)),
        }
    )


def _of_rows(found: FleetIncidents, at: IntArray, held: np.ndarray[Any, np.dtype[np.bool_]]) -> tuple[FloatArray, ...]:
    """Clock offset, uncertainty of the corrected start and confidence of the join of each row; NaN of none."""
    if not found.sightings.n:
        none = np.full(len(at), np.nan)
        return none, none, none
    clock = found.joined.clock
    known = held & np.isfinite(clock.offset_s[at])
    offset_s = np.where(known, clock.offset_s[at] + found.zone_ns[at] * 1e-9, np.nan)
    u_s = np.where(known, np.hypot(found.sightings.start_u_s[at], np.nan_to_num(clock.offset_u_s[at])), np.nan)
    together = held & np.isfinite(found.joined.lag_s[at])
    sure = np.where(together, 1 / (1 + np.exp(-np.clip(found.joined.score[at], -50, 50))), np.nan)
    return offset_s, u_s, sure


def with_fleet_incidents(table: pa.Table, found: FleetIncidents) -> pa.Table:
    """The catalogue with `incident_id` over all sites, and corrected_start and the columns after it beside the
    recorder's own times, which stay as they are."""
    members = member_table(table, found)
    place = table.column_names.index("incident_id")
    joined = table.set_column(place, "incident_id", members.column("incident_id"))
    for name in ("shot_id", "corrected_start", "corrected_start_u_s", "clock_offset_s", "join_confidence"):
        if name in joined.column_names:
            joined = joined.drop_columns([name])
        joined = joined.append_column(name, members.column(name))
    return joined


def incident_table(table: pa.Table, found: FleetIncidents) -> pa.Table:
    """One row an incident, in order of start; steady states are left out.

    Returns
    -------
    Columns incident_id; start (corrected) and span_s (first start to last end); shots, sites, events (counts);
    site_names, the deepest first; worst_site, worst_pu, worst_duration_s; phases and cause (the most confident one);
    origin_site, origin_confidence, rival_site, rival_confidence, origin_group, origin_group_confidence, why;
    clock_notes.
    """
    import pyarrow as pa

    s, joined, incident, n = found.sightings, found.joined, found.incident, found.n
    first = np.full(n, np.iinfo(np.int64).max)
    last = np.full(n, np.iinfo(np.int64).min)
    observed_s = np.nan_to_num(_numbers(table, "observed_s"))[s.row]
    np.minimum.at(first, incident, joined.time_ns)
    np.maximum.at(last, incident, joined.time_ns + np.round(observed_s * 1e9).astype(np.int64))
    pairs = np.unique(incident * (int(joined.shot.max(initial=0)) + 1) + joined.shot)
    shots = np.bincount(pairs // (int(joined.shot.max(initial=0)) + 1), minlength=n)
    worst = _first_of_each(incident, np.where(np.isfinite(s.low_pu), s.low_pu, 9.0), s.key, n)
    events = np.bincount(incident[found.of_row[found.of_row >= 0]], minlength=n)
    cause = _causes(table, found)
    ranks = found.origins
    order = np.lexsort((found.ids.astype(str), first)) if n else np.zeros(0, dtype=np.int64)
    names = np.array([*s.sites, None], dtype=object)
    phases = table.column("phases").to_numpy(zero_copy_only=False)
    low = s.low_pu[worst]
    columns: dict[str, Any] = {
        "incident_id": pa.array(found.ids[order], pa.string()),
        "start": pa.array(first[order]).cast(pa.timestamp("ns", tz="UTC")),
        "span_s": pa.array(((last - first) * 1e-9)[order]),
        "shots": pa.array(shots[order]),
        "sites": pa.array(np.bincount(found.shares.incident, minlength=n)[order]),
        "events": pa.array(events[order]),
        "site_names": pa.array(_site_names(found)[order], pa.string()),
        "worst_site": pa.array(names[s.site[worst]][order], pa.string()),
        "worst_pu": pa.array(low[order], mask=~np.isfinite(low[order])),
        "worst_duration_s": pa.array(observed_s[worst][order]),
        "phases": pa.array(phases[s.row[worst]][order], pa.string()),
        "cause": pa.array(cause[order], pa.string()),
        "origin_site": pa.array(names[ranks.site[:, 0]][order], pa.string()),
        "origin_confidence": _nullable(ranks.probability[order, 0]),
        "rival_site": pa.array(names[ranks.site[:, 1]][order], pa.string()),
        "rival_confidence": _nullable(ranks.probability[order, 1]),
        "origin_group": pa.array([word or None for word in ranks.group[order]], pa.string()),
        "origin_group_confidence": _nullable(ranks.group_probability[order]),
        "why": pa.array([reason(ranks, i, s.sites) for i in order.tolist()], pa.string()),
        "clock_notes": pa.array(_notes(found)[order], pa.string()),
    }
    return pa.table(columns)


def _numbers(table: pa.Table, name: str) -> FloatArray:
    import pyarrow as pa

    return np.asarray(table.column(name).cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)


def _nullable(values: FloatArray) -> pa.Array:
    import pyarrow as pa

    return pa.array(values, mask=~np.isfinite(values))


def _first_of_each(group: IntArray, value: FloatArray, key: IntArray, n: int) -> IntArray:
    """The entry of each group with the least value."""
    order = np.lexsort((key, value, group))
    return np.asarray(order[np.searchsorted(group[order], np.arange(n))], dtype=np.int64)


def _causes(table: pa.Table, found: FleetIncidents) -> Any:
    """The cause that the most confident event of each incident names; None of none."""
    cause = table.column("cause").to_numpy(zero_copy_only=False).astype(object)
    sure = np.nan_to_num(_numbers(table, "cause_confidence"), nan=0.0)
    named = np.flatnonzero((found.of_row >= 0) & np.array([word is not None for word in cause.tolist()], dtype=bool))
    out = np.full(found.n, None, dtype=object)
    if len(named):
        incident = found.incident[found.of_row[named]]
        key = found.sightings.key[found.of_row[named]]
        order = np.lexsort((key, -sure[named], incident))
        where, place = np.unique(incident[order], return_index=True)
        out[where] = cause[named[order[place]]]
    return out


def _site_names(found: FleetIncidents) -> Any:
    """Names of the sites of each incident, the deepest first."""
    shares = found.shares
    low = np.where(np.isfinite(shares.low_pu), shares.low_pu, 9.0)
    order = np.lexsort((shares.site, low, shares.incident))
    names = (
        np.array(found.sightings.sites, dtype=object)[shares.site[order]] if len(order) else np.zeros(0, dtype=object)
    )
    begins = np.searchsorted(shares.incident[order], np.arange(found.n + 1))
    parts = names.tolist()
    return np.array(["; ".join(parts[begins[i] : begins[i + 1]]) for i in range(found.n)] or [], dtype=object)


def _notes(found: FleetIncidents) -> Any:
    """What was the matter with the clocks of an incident's sites on that day."""
    clocks, s = found.clocks, found.sightings
    notes = notes_of(clocks)
    out: list[dict[str, None]] = [{} for _ in range(found.n)]
    if notes:
        rows = np.array(sorted(notes))
        noted_cells = cells(clocks.site[rows], clocks.day[rows])  # in order, as the rows are
        cell = cells(s.site, s.start_ns // _DAY_NS)
        place = np.minimum(np.searchsorted(noted_cells, cell), len(noted_cells) - 1)
        noted = np.flatnonzero(noted_cells[place] == cell)
        order = noted[np.lexsort((s.site[noted], found.incident[noted]))]
        for i, row in zip(found.incident[order].tolist(), rows[place[order]].tolist(), strict=True):
            out[i][f"{s.sites[clocks.site[row]]}: {notes[row]}"] = None
    words = [
        " | ".join(list(said)[:_MOST_NOTES])
        + (f" | and {len(said) - _MOST_NOTES} more" if len(said) > _MOST_NOTES else "")
        for said in out
    ]
    return np.array(words or [], dtype=object)
