"""Incidents of a fleet in words: the table on the screen, and the one of clocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from halfcycle.pipeline.catalogue.tables import iso_utc
from halfcycle.pipeline.incidents.waveforms import WaveformEvidence
from halfcycle.pipeline.plain_text import percent
from halfcycle.pipeline.report.summary import TextTable

if TYPE_CHECKING:
    import pyarrow as pa

_MOST_CLOCKS = 30
_LEAST_TOLD = 0.01
_VERDICTS = {
    "same": "one disturbance", "unclear": "inconclusive", "other": "not the same disturbance",
}  # fmt: skip


def ranked(table: pa.Table) -> list[dict[str, Any]]:
    """Incident rows, those that most sites saw first, then the deepest; start in nanoseconds since 1970-01-01."""
    import pyarrow as pa

    place = table.column_names.index("start")
    rows = table.set_column(place, "start", table.column("start").cast(pa.int64())).to_pylist()
    return sorted(rows, key=lambda row: (-row["sites"], _worst(row), row["start"], row["incident_id"]))


def incidents_table(table: pa.Table, *, most: int) -> TextTable:
    """The incidents that most sites saw, then the deepest, with where they began and the rival.

    Parameters
    ----------
    table : of `incidents.tables.incident_table`.
    most : rows at the most.
    """
    rows = ranked(table)
    shared = [row for row in rows if row["sites"] > 1]
    shown = rows[:most]
    return TextTable(
        f"{len(shown)} of {len(rows)} incidents, {len(shared)} of them seen by several sites",
        ("start (UTC)", "span", "sites", "shots", "worst", "down to", "began near", "or near", "cause"),
        tuple(_cells(row) for row in shown),
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
        likely(row["origin_site"], row["origin_confidence"]) if row["sites"] > 1 else "",
        likely(row["rival_site"], row["rival_confidence"]),
        row["cause"] or "",
    )


def likely(site: str | None, probability: float | None) -> str:
    """A site with its probability; "" for none."""
    if site is None or probability is None:
        return ""
    return f"{site} ({percent(probability)})" if probability >= _LEAST_TOLD else f"{site} (under 1 %)"


def waveforms_table(rows: Sequence[WaveformEvidence], starts: Mapping[str, int]) -> TextTable:
    """What waveforms say of joins. starts: of the incidents, by id. [ns since 1970-01-01]"""
    cells = tuple(
        (
            iso_utc(starts[row.incident_id])[:23] + "Z",
            row.reference_site,
            row.site,
            "" if row.match is None else f"{row.match.correlation:.3f}",
            "" if row.match is None else f"{1e3 * row.match.lag_s:+.2f} ms",
            row.why_not if row.match is None else _VERDICTS[row.match.verdict],
        )
        for row in rows
    )
    heads = ("incident (UTC)", "site", "against", "alike", "later by", "waveforms")
    return TextTable("overlaid waveforms", heads, cells)


def clocks_table(notes: dict[str, str]) -> TextTable:
    """Whose clock is off. notes: of `incidents.clock_days.clock_notes`, by site."""
    shown = sorted(notes.items())[:_MOST_CLOCKS]
    more = f", the first {len(shown)} of them" if len(shown) < len(notes) else ""
    return TextTable(
        f"{len(notes)} clocks that are off{more}", ("site", "clock relative to the other sites"), tuple(shown)
    )
