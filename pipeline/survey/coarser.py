"""Trends in longer intervals, made of those in shorter ones."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.aggregation import aggregate
from halfcycle.pipeline.measures.flickermeter import SHORT_TERM_S, SHORT_TERMS_IN_LONG, long_term_severity
from halfcycle.pipeline.survey.certificate import quantity_of_column
from halfcycle.pipeline.survey.flicker import LONG_TERM_S
from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.notes import notes_of, with_notes

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_DEVIATIONS: Final = ("u_under", "u_over")  # per cents of nominal minus a root mean square: they do not add up


def coarser(trend: Trend, *, from_s: float, to_s: float) -> Trend | None:
    """A trend in longer intervals.

    Parameters
    ----------
    trend : in intervals of `from_s`.
    from_s, to_s : [s]

    Returns
    -------
    The trend with what can be made of it, or None where the longer interval is not a whole number of shorter ones. A
    value counts by the share of its interval that was measured: rms-type values by the root of their mean square,
    powers and frequency by their mean, extremes and energies likewise; Plt of two hours of twelve Pst. Ratios, angles
    and deviations of the voltage are left out: they cannot be made of their like.

    Source: IEC 61000-4-30 Ed. 3, 4.4 [memory]. Departs: shares of measured time weigh, so that a part of an interval
    counts as a part.
    """
    n_each = to_s / from_s
    if n_each < 1 or abs(n_each - round(n_each)) > 1e-9 or not trend.table.num_rows:
        return None
    starts = trend.table.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    numbers = starts // round(to_s * 1e9)
    share = _values(trend.table, "measured")
    columns: dict[str, Any] = {}
    for name in trend.table.column_names:
        quantity = quantity_of_column(name)
        if quantity is None or quantity.aggregation == "last" or quantity.symbol in _DEVIATIONS:
            continue
        extreme = name.removeprefix(quantity.symbol).rpartition("_")[2]
        how = extreme if extreme in ("min", "max") else quantity.aggregation
        if how not in ("ratio", "angle"):
            columns[name] = _together(_values(trend.table, name), numbers, share, how)
    if from_s == SHORT_TERM_S and to_s == LONG_TERM_S:
        columns |= _long_term(trend.table, starts, numbers)
    return replace(trend, table=_table(trend.table, columns, numbers, share / n_each, round(to_s * 1e9)))


def _table(table: pa.Table, columns: dict[str, Any], numbers: I64, share: F64, interval_ns: int) -> pa.Table:
    import pyarrow as pa

    whole = aggregate(share, numbers, how="sum")
    leading: dict[str, Any] = {
        "start": pa.array(whole.intervals * interval_ns, pa.timestamp("ns", tz="UTC")),
        "measured": np.minimum(whole.values, 1.0).astype(np.float32),
    }
    for name in ("flag", "interrupted"):
        if name in table.column_names:
            leading[name] = aggregate(_values(table, name), numbers, how="max").values > 0
    kept = {name: values.astype(table.schema.field(name).type.to_pandas_dtype()) for name, values in columns.items()
            if name in table.column_names}  # fmt: skip
    made = {name: values.astype(np.float32) for name, values in columns.items() if name not in kept}
    notes = {name: own for name, own in notes_of(table).items() if name in columns}
    lamps = {name: notes_of(table).get(f"pst{name.removeprefix('plt')}", {}) for name in made}
    return with_notes(pa.table(leading | kept | made), notes | lamps)


def _together(values: F64, numbers: I64, share: F64, how: str) -> F64:
    """Of one series: rms and mean weigh by the share of each interval that was measured."""
    if how not in ("rms", "mean"):
        return aggregate(values, numbers, how=how).values  # type: ignore[arg-type]
    weight = np.where(np.isfinite(values), share, 0.0)
    filled = np.where(weight > 0, values, 0.0)
    total = aggregate(weight, numbers, how="sum").values
    above = aggregate(weight * (filled**2 if how == "rms" else filled), numbers, how="sum").values
    mean: F64 = np.divide(above, total, out=np.full(total.shape, np.nan), where=total > 0)
    return np.sqrt(mean) if how == "rms" else mean


def _long_term(table: pa.Table, starts: I64, numbers: I64) -> dict[str, F64]:
    """Plt of each two hours of which all twelve Pst are known."""
    first, size = int(numbers[0]), int(numbers[-1] - numbers[0]) + 1
    place = ((starts - first * round(LONG_TERM_S * 1e9)) // round(SHORT_TERM_S * 1e9)).astype(np.int64)
    found: dict[str, F64] = {}
    for name in table.column_names:
        if not name.startswith("pst"):
            continue
        terms = np.full(size * SHORT_TERMS_IN_LONG, np.nan)
        terms[place] = _values(table, name)
        known = long_term_severity(terms.reshape(size, SHORT_TERMS_IN_LONG))
        found[f"plt{name.removeprefix('pst')}"] = known[np.unique(numbers) - first]
    return found


def _values(table: pa.Table, name: str) -> F64:
    return np.asarray(table.column(name).to_numpy(zero_copy_only=False), np.float64)
