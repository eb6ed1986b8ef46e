"""Incidents that several sites saw, as a matrix of sites against time: how far each fault spread, and how deep."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.events import Event, catalogue_table
from halfcycle.pipeline.incidents.fleet import FleetIncidents, fleet_incidents
from halfcycle.pipeline.incidents.tables import incident_table
from halfcycle.pipeline.report.charts import SEVERITY
from halfcycle.pipeline.report.drawing import GRID, INK, LIMIT, MUTED, cells_of, document, rect_of, text_of
from halfcycle.pipeline.report.figures import NARROW, WIDE, Figure
from halfcycle.pipeline.report.incident_words import likely
from halfcycle.pipeline.report.summary import TextTable
from halfcycle.pipeline.report.times import LocalTime

if TYPE_CHECKING:
    import pyarrow as pa

_COLUMNS: Final = {WIDE: 36, NARROW: 12}
_MOST_SITES: Final = 60
_EDGES_PU: Final = (0.8, 0.6, 0.3)  # between the shades
_ROW: Final = 20.0
_TOP: Final = 26.0

F64 = npt.NDArray[np.float64]


def incident_figures(events: Sequence[Event], clock: LocalTime) -> list[Figure]:
    """The matrix of sites against incidents; empty where no incident is seen by several sites.

    Parameters
    ----------
    events : rows of the catalogue.
    clock : in whose zone times are given.
    """
    if len({event.site for event in events}) < 2:
        return []
    table = catalogue_table(events)
    found = fleet_incidents(table)
    rows = incident_table(table, found)
    shared = [row for row in _plain(rows) if row["sites"] > 1]
    if not shared:
        return []
    shown = sorted(shared, key=lambda row: (-row["sites"], row["worst_pu"] or 9.0, row["start"]))[: _COLUMNS[WIDE]]
    shown.sort(key=lambda row: (row["start"], row["incident_id"]))
    alone = "The incident seen by several sites is a column"
    of_them = f"{len(shown)} of {len(shared)} incidents seen by several sites, one column each in order of time"
    said = (
        f"{alone if len(shared) == 1 else of_them}; one row per site; sites with common incidents are adjacent. The "
        "darker, the lower the voltage: below 90, 80, 60 and 30 %; "
        "a frame marks the site where the incident most likely began."
    )
    ids = [row["incident_id"] for row in shown]
    wide, narrow = (_drawn(found, ids, width=width, label=said) for width in (WIDE, NARROW))
    return [Figure("incidents-chart", "Incidents over sites", said, wide, narrow, _listed(shown, clock))]


def _plain(rows: pa.Table) -> list[dict[str, Any]]:
    import pyarrow as pa

    place = rows.column_names.index("start")
    plain: list[dict[str, Any]] = rows.set_column(place, "start", rows.column("start").cast(pa.int64())).to_pylist()
    return plain


def _depths(found: FleetIncidents, ids: Sequence[str]) -> tuple[list[int], F64]:
    """The sites of some incidents, those alike side by side, and their lowest voltages; NaN of what saw nothing."""
    column = {incident: k for k, incident in enumerate(ids)}
    of = np.array([column.get(incident, -1) for incident in found.ids.tolist()])
    shares = found.shares
    held = np.flatnonzero(of[shares.incident] >= 0)
    sites, place = np.unique(shares.site[held], return_inverse=True)
    low = np.full((len(sites), len(ids)), np.nan)
    low[place, of[shares.incident[held]]] = np.nan_to_num(shares.low_pu[held], nan=1.0)
    most = np.argsort(-np.isfinite(low).sum(axis=1), kind="stable")[:_MOST_SITES]
    order = np.sort(most)
    order = order[_alike(np.nan_to_num(low[order], nan=1.0))]
    return sites[order].tolist(), low[order]


def _alike(low: F64) -> npt.NDArray[np.int64]:
    """An order of sites in which those with the same voltages lie side by side."""
    if len(low) < 3:
        return np.arange(len(low))
    from scipy.cluster.hierarchy import leaves_list, linkage

    return np.asarray(leaves_list(linkage(low, method="average")), dtype=np.int64)


def _drawn(found: FleetIncidents, listed: Sequence[str], *, width: float, label: str) -> str:
    """The drawing: of those listed the last ones that fit, numbered as they are listed."""
    ids = listed[-_COLUMNS[width] :]
    sites, low = _depths(found, ids)
    names = found.sightings.sites
    first = {incident: int(found.origins.site[k, 0]) for k, incident in enumerate(found.ids.tolist())}
    left = 190.0 if width > 600 else 110.0
    step = min((width - left - 10) / max(len(ids), 1), 40.0)
    parts = []
    squares: list[list[tuple[float, float]]] = [[] for _ in SEVERITY]
    frames: list[str] = []
    for k in range(len(ids)):
        parts.append(
            text_of(
                left + (k + 0.5) * step,
                _TOP - 8,
                str(len(listed) - len(ids) + k + 1),
                size=10,
                anchor="middle",
                colour=MUTED,
            )
        )
    for r, site in enumerate(sites):
        y = _TOP + r * _ROW
        name = names[site]
        longest = 28 if width > 600 else 15
        shown = name if len(name) <= longest else name[: longest - 1] + "…"
        parts.append(text_of(left - 6, y + 14, shown, size=11, anchor="end"))
        for k, incident in enumerate(ids):
            origin = first[incident] == site
            squares[0 if np.isnan(low[r, k]) else _shade(float(low[r, k]))].append((left + k * step + 1, y + 1))
            if origin:
                frames.append(rect_of(left + k * step + 2, y + 2, step - 4, _ROW - 4, stroke=LIMIT))
                frames.append(rect_of(left + k * step + 3, y + 3, step - 6, _ROW - 6, stroke=LIMIT))
    parts += [
        cells_of(places, step - 2, _ROW - 2, fill=fill, stroke=GRID)
        for places, fill in zip(squares, SEVERITY, strict=True)
    ]
    parts += frames
    bottom = _TOP + len(sites) * _ROW
    parts.append(text_of(left, bottom + 16, "incident, as numbered in the table", size=11, colour=INK))
    return document(parts, width=width, height=bottom + 24, label=label)


def _shade(low_pu: float) -> int:
    return 1 + sum(low_pu < edge for edge in _EDGES_PU)


def _listed(shown: Sequence[dict[str, Any]], clock: LocalTime) -> TextTable:
    rows = tuple(
        (
            str(k + 1),
            clock.exact(row["start"]),
            str(row["sites"]),
            str(row["shots"]),
            row["worst_site"] or "",
            "" if row["worst_pu"] is None else f"{100 * row['worst_pu']:.0f} %",
            likely(row["origin_site"], row["origin_confidence"]),
            likely(row["rival_site"], row["rival_confidence"]),
            row["clock_notes"].replace(" | ", "; "),
        )
        for k, row in enumerate(shown)
    )
    heads = (
        "no.",
        f"start ({clock.zone})",
        "sites",
        "shots",
        "lowest at",
        "down to",
        "began near",
        "or near",
        "clocks",
    )
    return TextTable("incidents over sites", heads, rows)
