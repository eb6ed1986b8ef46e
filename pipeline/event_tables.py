"""How many dips, swells and interruptions a survey held, in the tables that a profile of limits names."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.events import Event, with_identity
from halfcycle.pipeline.indices.cells import CellCounts, CellGrid, count_cells, grid
from halfcycle.pipeline.indices.counted import VARIATIONS, polyphase
from halfcycle.pipeline.survey.compliance import LimitProfile
from halfcycle.pipeline.survey.event_flags import Passed
from halfcycle.pipeline.survey.stored import Key, StoredTrend, told_key

if TYPE_CHECKING:
    import pyarrow as pa

NOT_DECLARED: Final = "no voltage is declared"
_LONG_S: Final = 180.0  # an interruption of more than this is a long one: EN 50160:2010, 3 (from memory)
_LONG_SOURCE: Final = "EN 50160:2010, 3 (from memory)"
_SIDES: Final = ("dips", "swells")
_COLUMNS: Final = (
    ("site", "string"), ("point", "string"), ("period", "string"), ("table", "string"), ("cell", "string"),
    ("magnitude_low_pct", "float64"), ("magnitude_high_pct", "float64"), ("duration_low_ms", "float64"),
    ("duration_high_ms", "float64"), ("count", "int64"), ("reason", "string"), ("source", "string"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CountedEvents:
    """The dips, swells and interruptions of a point in some time.

    Attributes
    ----------
    tables : of the profile, each with what its cells hold.
    n_short, n_long : interruptions of at most three minutes, and longer ones.
    n_open : of all of them, those that went on where the record begins or ends.
    reason : why nothing was counted, in words; "" where it was.
    """

    tables: tuple[tuple[CellGrid, CellCounts], ...] = ()
    n_short: int = 0
    n_long: int = 0
    n_open: int = 0
    reason: str = ""

    @property
    def lines(self) -> list[str]:
        """In words: a line a table and one of interruptions."""
        if self.reason:
            return [f"dips, swells and interruptions are not counted: {self.reason}"]
        lines = []
        for table, found in self.tables:
            cells = [f"{cell} {n}" for cell, n in found.counts.items() if n]
            cells += [f"{found.outside} outside all cells"] if found.outside else []
            lines.append(f"{table.title}: {', '.join(cells) or 'none'} ({table.sources[0]}; a count, not a limit)")
        lines.append(f"interruptions: {self.n_short} of at most 3 min, {self.n_long} longer")
        went_on = f"{self.n_open} of these are cut off at the start or end of the record"
        return [*lines, *([went_on] if self.n_open else [])]


def counted_events(trends: Sequence[StoredTrend], profile: LimitProfile) -> dict[Key, CountedEvents]:
    """What the tables of a profile hold, by site and point.

    Parameters
    ----------
    trends : of all intervals; one of a point that tells its events is enough.
    profile : names the tables; none: nothing is counted.

    Returns
    -------
    Where no voltage is declared, or trends were read that hold no events, the reason: that is not the same as
    none.

    Source: EN 50160:2010, tables of dips and swells, interruptions clause 3 (from memory); counted as events of all
    phases of a point together, IEC 61000-4-30, 5.4.
    """
    by_key: dict[Key, list[StoredTrend]] = {}
    for one in trends if profile.event_tables else ():
        if one.certificate.voltages_of:  # its events are those of the point whose voltages it has
            continue
        by_key.setdefault(told_key(*one.key, one.certificate.origin), []).append(one)
    return {key: _of_trends(ones, profile) for key, ones in by_key.items()}


def _of_trends(trends: Sequence[StoredTrend], profile: LimitProfile) -> CountedEvents:
    known = [one for one in trends if one.trend.passed is not None]
    if not known:
        return CountedEvents(reason="a trend holds no events; measure the waveforms or RMS logs")
    if known[0].trend.nominal_kind != "declared":
        return CountedEvents(reason=NOT_DECLARED)
    return counts_of([_event(one) for one in known[0].trend.passed or ()], profile)


def counts_of(events: Sequence[Event], profile: LimitProfile) -> CountedEvents:
    """Events of one point in the tables of a profile; other kinds than those of RMS variations are left out."""
    counted = polyphase(events)
    tables = []
    for name in profile.event_tables:
        side = "swell" if name.endswith(_SIDES[1]) else "sag"
        tables.append((grid(name), count_cells([one for one in counted if one.variation == side], grid(name))))
    lost = [one.observed_s for one in events if one.kind == "interruption"]
    n_long = sum(seconds > _LONG_S for seconds in lost)
    n_open = sum(one.open_start or one.open_end for one in events if one.kind in VARIATIONS)
    return CountedEvents(tuple(tables), len(lost) - n_long, n_long, n_open)


def counts_table(counted: Mapping[tuple[str, str, str], CountedEvents]) -> pa.Table:
    """Counts as a table, a row a cell.

    Parameters
    ----------
    counted : by site, point and period; the period is "" where all of a record was counted.

    Returns
    -------
    The columns ``site``, ``point``, ``period``, ``table``, ``cell`` (null: outside all cells), ``magnitude_low_pct``
    and ``_high_pct`` of the declared voltage, ``duration_low_ms`` and ``_high_ms`` (null: without an end), ``count``
    (null: unknown, and ``reason`` says why) and ``source``.
    """
    import pyarrow as pa

    rows = [
        {"site": site, "point": point or None, "period": period or None} | row
        for (site, point, period), found in counted.items()
        for row in _rows(found)
    ]
    return pa.Table.from_pylist(rows, schema=pa.schema([(name, getattr(pa, kind)()) for name, kind in _COLUMNS]))


def _rows(found: CountedEvents) -> Iterator[dict[str, Any]]:
    if found.reason:
        yield {"reason": found.reason}
        return
    for table, counts in found.tables:
        told = {"table": table.title, "source": table.sources[0]}
        for row in table.rows:
            for column in table.columns:
                cell = row.label + column.label
                edges = {
                    "magnitude_low_pct": _finite(row.low), "magnitude_high_pct": _finite(row.high),
                    "duration_low_ms": _finite(column.low), "duration_high_ms": _finite(column.high),
                }  # fmt: skip
                yield told | edges | {"cell": cell, "count": counts.counts[cell]}
        yield told | {"count": counts.outside}
    long_ms = _LONG_S * 1e3
    for cell, low_ms, high_ms, n in (
        ("short", 0.0, long_ms, found.n_short), ("long", long_ms, None, found.n_long),
    ):  # fmt: skip
        edges = {"duration_low_ms": low_ms, "duration_high_ms": high_ms}
        yield edges | {"table": "interruptions", "cell": cell, "count": n, "source": _LONG_SOURCE}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def event_tables_path(verdicts: Path) -> Path:
    """Where the tables lie beside a file of verdicts: ``verdicts.events.csv``."""
    return verdicts.with_stem(f"{verdicts.stem}.events")


def _event(one: Passed) -> Event:
    """A row as the tables count it."""
    return with_identity(
        Event(
            site="", kind=one.kind, start=one.start_ns, duration_s=None if one.is_open else one.duration_s,
            observed_s=one.duration_s, magnitude=one.magnitude_pu, phases="", line_to_line=False, reference_v=1.0,
            open_end=one.is_open, capture="",
        )
    )  # fmt: skip
