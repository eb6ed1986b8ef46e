"""Coverage: which time of a site was judged, and which was not and why. Beside a catalogue, as a table of its own."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.catalogue.reading import nanoseconds
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.indices.rates import Exposure

if TYPE_CHECKING:
    import pyarrow as pa

_COLUMNS: Final = ("site", "point", "start", "end", "judged_s", "not_judged_s", "reason")


@dataclass(frozen=True, slots=True)
class CoverageSpan:
    """A span of time of one measuring point.

    Attributes
    ----------
    site, point : where; the point is None where the site has but one.
    start, end : the span, half-open. [ns since 1970-01-01]
    judged_s, not_judged_s : recorded time in it that was judged, and that could not be. What was not recorded is
        neither. [s]
    reason : why some was not judged, in words; "" where all was.
    """

    site: str
    point: str | None
    start: int
    end: int
    judged_s: float
    not_judged_s: float = 0.0
    reason: str = ""

    @property
    def missing_s(self) -> float:
        """Time of the span that was not recorded. [s]"""
        return max((self.end - self.start) / 1e9 - self.judged_s - self.not_judged_s, 0.0)


def exposure_of(
    spans: Iterable[CoverageSpan], site: str, *, from_ns: int | None = None, to_ns: int | None = None
) -> Exposure | None:
    """A site's time judged and period; None where nothing is known of it.

    Parameters
    ----------
    spans : of any sites.
    site : whose.
    from_ns, to_ns : the period; None: from the first span's start, to the last one's end. [ns since 1970-01-01]

    Returns
    -------
    Where the site has several points: the mean over them.
    """
    mine = [
        span
        for span in spans
        if span.site == site and (to_ns is None or span.start < to_ns) and (from_ns is None or span.end > from_ns)
    ]
    if not mine:
        return None
    first = min(span.start for span in mine) if from_ns is None else from_ns
    last = max(span.end for span in mine) if to_ns is None else to_ns
    judged = sum(span.judged_s for span in mine) / len({span.point for span in mine})
    return Exposure(judged, (last - first) / 1e9)


def coverage_table(spans: Sequence[CoverageSpan]) -> pa.Table:
    """Spans as a table with the columns site, point, start, end, judged_s, not_judged_s, reason."""
    import pyarrow as pa

    time = pa.timestamp("ns", tz="UTC")
    types = (pa.string(), pa.string(), time, time, pa.float64(), pa.float64(), pa.string())
    columns = {name: [getattr(span, name) for span in spans] for name in _COLUMNS}
    return pa.table(columns, schema=pa.schema(list(zip(_COLUMNS, types, strict=True))))


def coverage_spans(table: pa.Table) -> list[CoverageSpan]:
    """The spans of such a table; further columns of it are left out."""
    import pyarrow as pa

    for name in ("start", "end"):
        column = table.column(name).cast(pa.timestamp("ns", tz="UTC")).cast(pa.int64())
        table = table.set_column(table.column_names.index(name), name, column)
    return [CoverageSpan(**row) for row in table.select(_COLUMNS).to_pylist()]


def read_coverage(path: Path) -> list[CoverageSpan]:
    """The spans of a coverage table.

    Parameters
    ----------
    path : ends in ``.parquet`` or ``.csv``; columns as of `coverage_table`.

    Raises
    ------
    ConfigError : there is no such file, it has another ending, or it is no such table.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    if path.suffix.lower() not in (".parquet", ".csv"):
        raise ConfigError(f"{path.name}: the extension of a coverage table must be .parquet or .csv")
    try:
        if path.suffix.lower() == ".parquet":
            return coverage_spans(pq.read_table(path, partitioning=None))
        return [CoverageSpan(**{name: row[name] for name in _COLUMNS}) for row in _csv_rows(path)]
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: no such coverage table") from error
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as error:
        raise ConfigError(f"{path}: is not a coverage table; it needs the columns {', '.join(_COLUMNS)}") from error


def _csv_rows(path: Path) -> list[dict[str, Any]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return [
            {
                **row,
                "point": row["point"] or None,
                "start": nanoseconds(row["start"]),
                "end": nanoseconds(row["end"]),
                "judged_s": float(row["judged_s"]),
                "not_judged_s": float(row["not_judged_s"]),
            }
            for row in csv.DictReader(stream)
        ]
