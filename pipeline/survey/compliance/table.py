"""Verdicts as a table and back: a row for each limit, series and period."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.survey.compliance.verdicts import Assessment

if TYPE_CHECKING:
    import pyarrow as pa


def verdicts_table(assessments: Mapping[tuple[str, str], Sequence[Assessment]]) -> pa.Table:
    """The assessments of some points as a table.

    Parameters
    ----------
    assessments : by site and point.

    Returns
    -------
    The columns ``site``, ``point``, ``limit``, and those of `Assessment` by their names; NaN is null. Those of the
    probability are there where one has it.
    """
    import pyarrow as pa

    rows = [(site, point, one) for (site, point), found in assessments.items() for one in found]

    def texts(name: str) -> pa.Array:
        return pa.array([getattr(one, name) for _, _, one in rows], pa.string())

    def numbers(name: str) -> pa.Array:
        values = [getattr(one, name) for _, _, one in rows]
        return pa.array([None if value is None or math.isnan(value) else value for value in values], pa.float64())

    def counts(name: str) -> pa.Array:
        return pa.array([getattr(one, name) for _, _, one in rows], pa.int64())

    is_guarded = any(one.decision for _, _, one in rows)
    return pa.table(
        {
            "site": pa.array([site for site, _, _ in rows], pa.string()),
            "point": pa.array([point or None for _, point, _ in rows], pa.string()),
            "limit": texts("name"),
            **{name: texts(name) for name in ("quantity", "series", "period", "verdict", "reason", "bounds")},
            **{name: numbers(name) for name in ("declared_voltage_v", "share_pct", "needed_pct", "percentile")},
            **{name: counts(name) for name in ("n", "n_outside", "n_flagged", "n_missing", "n_expected")},
            **{name: texts(name) for name in ("source", "mark")},
            **({"probability": numbers("probability"), "decision": texts("decision")} if is_guarded else {}),
        }
    )


def assessments_at(path: Path) -> dict[tuple[str, str], list[Assessment]]:
    """The assessments in a Parquet file of `verdicts_table`, by site and point.

    Raises
    ------
    ReadError : it cannot be read, or is no such table.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    found: dict[tuple[str, str], list[Assessment]] = {}
    try:
        for row in pq.ParquetFile(path).read().to_pylist():
            site, point, name = row.pop("site"), row.pop("point"), row.pop("limit")
            for key in ("share_pct", "percentile"):
                row[key] = math.nan if row[key] is None else row[key]
            found.setdefault((site, point or ""), []).append(Assessment(name=name, **row))
    except (OSError, pa.ArrowException, KeyError, TypeError) as error:
        raise MalformedRecord(path, "", f"is not a table of verdicts ({error})") from error
    return found
