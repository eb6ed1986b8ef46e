"""Incidents of a fleet in words: the table on the screen, and the one of clocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.catalogue.tables import iso_utc
from pipeline.report.summary import TextTable

if TYPE_CHECKING:
    import pyarrow as pa

_MOST_CLOCKS = 30


def incidents_table(table: pa.Table, *, most: int) -> TextTable:
    """The incidents that most sites saw, then the deepest, with where they began and the rival.

    Parameters
    ----------
    table : of `incidents.tables.incident_table`.
    most : rows at the most.
    """
    import pyarrow as pa

    place = table.column_names.index("start")
    rows = table.set_column(place, "start", table.column("start").cast(pa.int64())).to_pylist()
    shared = [row for row in rows if row["sites"] > 1]
    ranked = sorted(rows, key=lambda row: (-row["sites"], _worst(row), row["start"], row["incident_id"]))[:most]
    return TextTable(
        f"{len(ranked)} of {len(rows)} incidents, {len(shared)} of them seen by several sites",
        ("start (UTC)", "span", "sites", "shots", "worst", "down to", "began near", "or near", "cause"),
        tuple(_cells(row) for row in ranked),
    )


def _worst(row: dict[str, Any]) -> float:
    return 9.0 if row["worst_pu"] is None else float(row["worst_pu"])


def _cells(row: dict[str, Any]) -> tuple[str, ...]:
    span_s = row["span_s"]
    return (
        iso_utc(row["start"])[:23] + "Z",
        f"{span_s:.2f} s" if span_s < 100 else f"{span_s / 60:.1f} min",
        str(row["sites"]),
        str(row["shots"]),
        row["worst_site"] or "",
        "" if row["worst_pu"] is None else f"{row['worst_pu']:.3f} pu",
        _likely(row["origin_site"], row["origin_confidence"]) if row["sites"] > 1 else "",
        _likely(row["rival_site"], row["rival_confidence"]),
        row["cause"] or "",
    )


def _likely(site: str | None, probability: float | None) -> str:
    return "" if site is None or probability is None else f"{site} ({probability:.0%})"


def clocks_table(notes: dict[str, str]) -> TextTable:
    """Whose clock is off. notes: of `incidents.clock_days.clock_notes`, by site."""
    shown = sorted(notes.items())[:_MOST_CLOCKS]
    more = f", the first {len(shown)} of them" if len(shown) < len(notes) else ""
    return TextTable(
        f"{len(notes)} clocks that are off{more}", ("site", "clock against the other sites'"), tuple(shown)
    )
