"""Verdicts as a table: a row for each limit, series and period."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.survey.compliance.verdicts import Assessment

if TYPE_CHECKING:
    import pyarrow as pa


def verdicts_table(assessments: Mapping[tuple[str, str], Sequence[Assessment]]) -> pa.Table:
    """The assessments of some points as a table.

    Parameters
    ----------
    assessments : by site and point.

    Returns
    -------
    The columns ``site``, ``point``, ``limit``, and those of `Assessment` by their names; NaN is null.
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

    return pa.table(
        {
            "site": pa.array([site for site, _, _ in rows], pa.string()),
            "point": pa.array([point or None for _, point, _ in rows], pa.string()),
            "limit": texts("name"),
            **{name: texts(name) for name in ("quantity", "series", "period", "verdict", "reason", "bounds")},
            **{name: numbers(name) for name in ("declared_voltage_v", "share_pct", "needed_pct", "percentile")},
            **{name: counts(name) for name in ("n", "n_outside", "n_flagged", "n_missing", "n_expected")},
            **{name: texts(name) for name in ("source", "mark")},
        }
    )
