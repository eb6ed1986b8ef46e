"""Whether a site keeps its limits: shares and percentiles of a trend against a profile, with a verdict for each row.

A verdict is given only where enough was seen; intervals that hold a sag, swell or interruption are left out where the
profile says so, and their share is stated.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from pipeline.config import checked, read_toml
from pipeline.detectors.harmonics import compatibility_levels
from pipeline.errors import ConfigError
from pipeline.quantities import QUANTITIES, Quantity
from pipeline.resources import resource, resource_names

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
Verdict = Literal["kept", "exceeded", "too little data", "not measured"]

_PERIODS_S = {"day": 86_400.0, "week": 7 * 86_400.0, "year": 365 * 86_400.0}


class LimitRow(BaseModel):
    """One limit of a profile.

    name : what is limited, in words.
    quantity : a symbol of `pipeline.quantities`; or ``uh`` with `table`: each order that the table has.
    interval_s : length of the intervals whose values count. [s]
    period : over which they are looked at.
    share_pct : of the intervals that must be within the bounds.
    above, below : bounds, as `measured_as` says.
    measured_as : ``absolute``, ``pct_of_nominal``, or ``pct_of_fundamental`` (of harmonics).
    table : of datasets/limits/compatibility-levels.csv, whose bounds replace `above`.
    without_flagged : intervals that hold a sag, swell or interruption do not count.
    source : of the limit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(min_length=1)
    quantity: str
    interval_s: float = Field(600.0, gt=0)
    period: Literal["day", "week", "year"] = "week"
    share_pct: float = Field(95.0, gt=0, le=100)
    above: float | None = None
    below: float | None = None
    measured_as: Literal["absolute", "pct_of_nominal", "pct_of_fundamental"] = "absolute"
    table: str = ""
    without_flagged: bool = True
    source: str = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.above is None and self.below is None and not self.table:
            raise ValueError(f"{self.name!r}: above, below or table is needed")
        if self.quantity not in QUANTITIES and not (self.quantity == "uh" and self.table):
            raise ValueError(f"{self.name!r}: quantity {self.quantity!r} is not known")
        return self


class LimitProfile(BaseModel):
    """A set of limits; ``configs/limits`` has some, each key explained in en-50160-lv.toml.

    title : in reports.
    least_data_pct : of a period's intervals that must be there for a verdict.
    rows : the limits.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    title: str
    least_data_pct: float = Field(90.0, gt=0, le=100)
    rows: tuple[LimitRow, ...] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Assessment:
    """One limit at one series of a trend.

    Attributes
    ----------
    name, quantity, series : the limit's name, its quantity's symbol, and the column that was judged; "" where none is.
    verdict : see `Verdict`.
    bounds : in words.
    share_pct : of the intervals within the bounds; NaN where none counts.
    needed_pct : share that the limit asks for.
    percentile : the value that so many of the intervals do not exceed, or stay above. [unit of bounds]
    n, n_flagged, n_expected : intervals that count, that were left out as flagged, and that a whole period has.
    source : of the limit.
    """

    name: str
    quantity: str
    series: str
    verdict: Verdict
    bounds: str
    share_pct: float
    needed_pct: float
    percentile: float
    n: int
    n_flagged: int
    n_expected: int
    source: str


def load_limit_profile(name: str) -> LimitProfile:
    """A profile of ``configs/limits`` by name, or a TOML file.

    Raises
    ------
    ConfigError : no such profile, or what is wrong in it.
    """
    known = resource_names("configs", "limits", ".toml")
    if not name.endswith(".toml") and name not in known:
        raise ConfigError(f"limit profile {name!r}; there are {', '.join(known)}, or give the path of a TOML file")
    path = Path(name) if name.endswith(".toml") else resource("configs", f"limits/{name}.toml")
    return checked(LimitProfile, read_toml(path), str(path))


def assess(trends: Mapping[float, pa.Table], profile: LimitProfile, *, nominal_voltage_v: float) -> list[Assessment]:
    """Judge a site's trends by a profile.

    Parameters
    ----------
    trends : by length of their intervals [s], with columns as `store.trends` has them. At most the last period of
        each is looked at.
    profile : the limits.
    nominal_voltage_v : of the judged voltages. [V]

    Returns
    -------
    An assessment for each limit and series, in the profile's order; one that says "not measured" where a limit has no
    series.

    Source: EN 50160:2010, 4.2 and 5.2: share of the valid intervals of a week that are within [memory].
    """
    found: list[Assessment] = []
    for row in profile.rows:
        for one in _expanded(row):
            trend = trends.get(one.interval_s)
            names = [] if trend is None else series_of(trend, one.quantity)
            if trend is None or not names:
                found.append(_unmeasured(one))
            for name in names:
                found.append(_assessed(trend, name, one, profile, nominal_voltage_v))
    return found


def needed_quantities(profile: LimitProfile) -> dict[float, list[str]]:
    """The quantities that a profile judges, by length of the intervals. [s]"""
    needed: dict[float, set[str]] = {}
    for row in profile.rows:
        for one in _expanded(row):
            symbols = needed.setdefault(one.interval_s, set())
            symbols.add(one.quantity)
            if one.measured_as == "pct_of_fundamental":
                symbols.add(f"{one.quantity[:2]}01")
    return {interval_s: sorted(symbols) for interval_s, symbols in needed.items()}


def series_of(trend: pa.Table, quantity: str) -> list[str]:
    """Columns of a trend that hold a quantity's values: its symbol, alone or with a phase after it."""
    form = re.compile(rf"{re.escape(quantity)}(_(a|b|c|ab|bc|ca|n))?")
    return [name for name in trend.column_names if form.fullmatch(name)]


def _expanded(row: LimitRow) -> list[LimitRow]:
    """A row for each order where a table has the bounds."""
    if not row.table:
        return [row]
    try:
        levels = compatibility_levels(row.table)
    except ConfigError as error:
        raise ConfigError(f"limit {row.name!r}: {error}") from error
    if row.quantity == "thd_u":
        return [row.model_copy(update={"table": "", "above": levels.thd_pct})]
    if row.quantity != "uh":
        return []
    return [
        row.model_copy(
            update={"name": f"{row.name} {order}", "quantity": f"uh{order:02d}", "table": "", "above": limit_pct}
        )
        for order, limit_pct in levels.orders_pct
    ]


def _assessed(trend: pa.Table, name: str, row: LimitRow, profile: LimitProfile, nominal_voltage_v: float) -> Assessment:
    values = _in_bounds_unit(trend, name, row, nominal_voltage_v)
    starts = trend.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    period_s = _PERIODS_S[row.period]
    recent = starts > starts[-1] - period_s * 1e9
    n_expected = round(period_s / row.interval_s)
    flagged = trend.column("flag").to_numpy(zero_copy_only=False).astype(np.bool_) & row.without_flagged
    seen = np.isfinite(values) & recent
    counted = values[seen & ~flagged]
    n_flagged = int((seen & flagged).sum())
    inside = np.ones(counted.size, np.bool_)
    if row.above is not None:
        inside &= counted <= row.above
    if row.below is not None:
        inside &= counted >= row.below
    share_pct = 100.0 * float(inside.mean()) if counted.size else np.nan
    verdict: Verdict = "kept" if share_pct >= row.share_pct - 1e-9 else "exceeded"
    if not counted.size or counted.size + n_flagged < profile.least_data_pct / 100 * n_expected:
        verdict = "too little data"
    return Assessment(
        row.name, row.quantity, name, verdict, _words(row), share_pct, row.share_pct, _percentile(counted, row),
        int(counted.size), n_flagged, n_expected, row.source,
    )  # fmt: skip


def _in_bounds_unit(trend: pa.Table, name: str, row: LimitRow, nominal_voltage_v: float) -> F64:
    values = _column(trend, name)
    if row.measured_as == "pct_of_nominal":
        return values * (100.0 / nominal_voltage_v)
    if row.measured_as == "pct_of_fundamental":
        first = name.replace(row.quantity, f"{row.quantity[:2]}01", 1)
        if first not in trend.column_names:
            return np.full(values.shape, np.nan)
        fundamental = _column(trend, first)
        share: F64 = np.divide(100.0 * values, fundamental, out=np.full(values.shape, np.nan), where=fundamental > 0)
        return share
    return values


def _column(trend: pa.Table, name: str) -> F64:
    return np.asarray(trend.column(name).to_numpy(zero_copy_only=False), np.float64)


def _percentile(counted: F64, row: LimitRow) -> float:
    """The value at the share that the limit asks for, counted from the side that the bound is on."""
    if not counted.size:
        return float("nan")
    if row.above is not None and (row.below is None or counted.mean() >= (row.above + row.below) / 2):
        return float(np.percentile(counted, row.share_pct, method="inverted_cdf"))
    return float(np.percentile(counted, 100 - row.share_pct, method="inverted_cdf"))


def _unmeasured(row: LimitRow) -> Assessment:
    nan = float("nan")
    n_expected = round(_PERIODS_S[row.period] / row.interval_s)
    return Assessment(
        row.name, row.quantity, "", "not measured", _words(row), nan, row.share_pct, nan, 0, 0, n_expected, row.source
    )


def _words(row: LimitRow) -> str:
    unit = {"pct_of_nominal": "% of nominal", "pct_of_fundamental": "% of the fundamental"}.get(row.measured_as)
    if unit is None:
        unit = _unit_of(row.quantity)
    if row.above is not None and row.below is not None:
        return f"{row.below:g} to {row.above:g} {unit}".rstrip()
    return (
        f"{'≤' if row.above is not None else '≥'} {row.above if row.above is not None else row.below:g} {unit}".rstrip()
    )


def _unit_of(symbol: str) -> str:
    quantity: Quantity | None = QUANTITIES.get(symbol)
    return "" if quantity is None else quantity.unit


def overall(assessments: Sequence[Assessment]) -> Verdict:
    """One word for all: exceeded where any limit is; kept where all are; else too little data."""
    verdicts = {one.verdict for one in assessments}
    if "exceeded" in verdicts:
        return "exceeded"
    return "kept" if verdicts == {"kept"} else "too little data"
