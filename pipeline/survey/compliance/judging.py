"""From trends and a profile to verdicts: each limit, each series, each period."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.locales import scaled
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.survey.compliance.guarded import probability_met
from halfcycle.pipeline.survey.compliance.periods import Aligned, IntervalGrid, Mask, Periods, grid_of, periods_of
from halfcycle.pipeline.survey.compliance.profile import OF_DECLARED, Limit, LimitProfile, MeasuredAs, limits_of
from halfcycle.pipeline.survey.compliance.verdicts import Assessment, Verdict, decided, guarded
from halfcycle.pipeline.trend_table import UNCERTAINTY

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]

_NAN: Final = float("nan")
_LINES_AND_POINT: Final = r"(_(a|b|c|ab|bc|ca))?"


@dataclass(frozen=True, slots=True)
class Supply:
    """What is known of a supply beside its trends.

    Attributes
    ----------
    voltage_v : of the judged voltages; None where nobody knows. [V]
    declared : the voltage is declared, not inferred from the data.
    demand_current_a : IL, None where it is not told. [A]
    """

    voltage_v: Fraction | None
    declared: bool
    demand_current_a: Fraction | None

    @property
    def declared_v(self) -> Fraction | None:
        """The voltage where it is declared. [V]"""
        return self.voltage_v if self.declared else None

    def scale(self, how: MeasuredAs) -> tuple[Fraction | None, str]:
        """What a bound of 1 is in volts or amperes, or why nobody knows; 1 where it is absolute."""
        if how == "absolute":
            return Fraction(1), ""
        if how == "pct_of_demand":
            known = self.demand_current_a
            return (None, "the demand current is not declared") if known is None else (known / 100, "")
        if self.declared_v is None:
            inferred = "" if self.voltage_v is None else f" ({scaled(float(self.voltage_v), 'V')} is inferred)"
            return None, f"no voltage is declared{inferred}"
        return self.declared_v * (Fraction(1, 100) if how == "pct_of_nominal" else 1), ""


def assess(
    trends: Mapping[float, pa.Table],
    profile: LimitProfile,
    *,
    nominal_voltage_v: float | None = None,
    declared: bool,
    demand_current_a: float | None = None,
    short_circuit_ratio: float | None = None,
    aligned: Aligned = "record",
    voltages_of: str = "",
) -> list[Assessment]:
    """Judge a site's trends by a profile, every period by itself.

    Parameters
    ----------
    trends : by length of their intervals [s], with columns as `store.trends` has them, in order of start.
    profile : the limits, and where it is of one supply its declared voltage and currents.
    nominal_voltage_v : of the judged voltages. [V]
    declared : that voltage is declared; it then goes before the profile's. No verdict rests on one that was inferred.
    demand_current_a, short_circuit_ratio : of limits of currents, IL and Isc/IL; None: the profile's. [A], [1]
    aligned : see `periods.periods_of`.
    voltages_of : the point of the same busbar whose trends hold the voltages: limits of these are judged there alone.

    Returns
    -------
    An assessment for each limit, series and period, in the profile's order; one that says why where a limit has no
    series.

    Raises
    ------
    ConfigError : a voltage, current or ratio that is not above zero, or a table of limits that is not there.

    Source: EN 50160:2010, 4.2 and 5.2: share of the valid intervals of a period that are within [memory].
    """
    told = _told(profile, nominal_voltage_v, declared, demand_current_a)
    ratio = profile.short_circuit_ratio if short_circuit_ratio is None else short_circuit_ratio
    judges: dict[float, _Judge] = {}
    columns = {interval_s: trend.column_names for interval_s, trend in trends.items()}
    found: list[Assessment] = []
    for limit in limits_of(profile, short_circuit_ratio=ratio):
        interval_s = limit.row.interval_s
        if voltages_of and limit.quantity in QUANTITIES and QUANTITIES[limit.quantity].is_of_voltages:
            continue
        trend, names = trends.get(interval_s), series_among(columns.get(interval_s, ()), limit.quantity)
        if trend is None or limit.obstacle or not names:
            found.append(
                _without_series(limit, told, limit.obstacle or f"not measured in intervals of {interval_s:g} s")
            )
            continue
        if interval_s not in judges:
            judges[interval_s] = _Judge(trend, profile, told, aligned)
        for name in names:
            found += judges[interval_s].of(name, judges[interval_s].at_frequency(name, limit))
    return found


def series_of(trend: pa.Table, quantity: str) -> list[str]:
    """Columns of a trend that hold a quantity's values, at the point or a line: its symbol, alone or with a phase."""
    return series_among(trend.column_names, quantity)


def series_among(columns: Sequence[str], quantity: str) -> list[str]:
    """Those of some columns that hold a quantity's values, see `series_of`."""
    form = re.compile(re.escape(quantity) + _LINES_AND_POINT)
    return [name for name in columns if name.startswith(quantity) and form.fullmatch(name)]


def _told(profile: LimitProfile, voltage_v: float | None, declared: bool, demand_a: float | None) -> Supply:
    demand_a = profile.demand_current_a if demand_a is None else demand_a
    for name, value in (("nominal_voltage_v", voltage_v), ("demand_current_a", demand_a)):
        if value is not None and not 0 < value < float("inf"):
            raise ConfigError(f"{name} is {value:g}; it must be above 0")
    if profile.declared_voltage_v is not None and not (declared and voltage_v is not None):
        voltage_v, declared = profile.declared_voltage_v, True
    exact = [None if value is None else Fraction(str(value)) for value in (voltage_v, demand_a)]
    return Supply(exact[0], declared and voltage_v is not None, exact[1])


@dataclass(frozen=True, slots=True)
class DrawnBound:
    """A bound of a limit as a line in the chart of a trend.

    Attributes
    ----------
    name, quantity : of the limit.
    interval_s : of the trend. [s]
    value : in the unit of the quantity.
    is_upper : the limit is above it, else below.
    words : the bound with its unit, such as ``at most 253 V``.
    """

    name: str
    quantity: str
    interval_s: float
    value: float
    is_upper: bool
    words: str

    def is_beyond(self, values: F64) -> npt.NDArray[np.bool_]:
        """Which of some values lie beyond the bound; a missing one does not."""
        return values > self.value if self.is_upper else values < self.value


def drawn_bounds(
    profile: LimitProfile,
    *,
    nominal_voltage_v: float | None = None,
    declared: bool,
    demand_current_a: float | None = None,
) -> list[DrawnBound]:
    """The bounds of a profile that are one value over all time; those of what the trend itself scales are left out.

    Parameters
    ----------
    profile, nominal_voltage_v, declared, demand_current_a : as for `assess`.
    """
    told = _told(profile, nominal_voltage_v, declared, demand_current_a)
    found = []
    for limit in limits_of(profile, short_circuit_ratio=profile.short_circuit_ratio):
        how = limit.row.measured_as
        scale = None if limit.obstacle or how == "pct_of_fundamental" else told.scale(how)[0]
        unit = QUANTITIES[limit.quantity].unit if limit.quantity in QUANTITIES else ""
        for bound, is_upper in ((limit.above, True), (limit.below, False)):
            if scale is not None and bound is not None:
                value = float(bound * scale)
                words = f"{'at most' if is_upper else 'at least'} {value:.5g} {unit}".rstrip()
                found.append(DrawnBound(limit.name, limit.quantity, limit.row.interval_s, value, is_upper, words))
    return found


class _Judge:
    """Judges the series of one trend; what all its limits share is worked out once."""

    def __init__(self, trend: pa.Table, profile: LimitProfile, told: Supply, aligned: Aligned) -> None:
        self._trend, self._told, self._aligned = trend, told, aligned
        self._names = frozenset(trend.column_names)
        self._least_known = Fraction(str(profile.least_data_pct)) / 100
        self._least_coverage_pct = profile.least_coverage_pct
        self._grid: IntervalGrid = grid_of(trend, least_coverage_pct=profile.least_coverage_pct)
        self._periods: dict[str, Periods] = {}

    def at_frequency(self, name: str, limit: Limit) -> Limit:
        """The limit with the bound that it has at the frequency of a mains signal, or why it has none."""
        if not limit.row.by_frequency or self._field(name, b"reason"):
            return limit
        told = self._field(name, b"at").partition(" ")[0]
        if not told:
            return replace(limit, obstacle="the frequency of the mains signal is not declared")
        bound = limit.row.bound_at(float(told))
        return replace(limit, above=bound, obstacle="" if bound is not None else f"there is no bound at {told} Hz")

    def of(self, name: str, limit: Limit) -> Iterator[Assessment]:
        """The assessments of a series, a period each."""
        row, grid = limit.row, self._grid
        if row.period not in self._periods:
            self._periods[row.period] = periods_of(
                grid, row.period, interval_s=row.interval_s, aligned=self._aligned
            )  # fmt: skip
        periods = self._periods[row.period]
        values, slack = _column(self._trend, name)
        scale, obstacle = self._scale(name, limit)
        over, under = np.zeros(values.shape, np.bool_), np.zeros(values.shape, np.bool_)
        low = high = None
        if scale is not None:
            if limit.above is not None:
                high = _times(limit.above, scale)
                over = values > high + np.abs(high) * slack
            if limit.below is not None:
                low = _times(limit.below, scale)
                under = values < low - np.abs(low) * slack
        shown = _as_shown(values, scale)
        known = np.isfinite(shown) & grid.covered
        left_out = grid.flagged if row.without_flagged else grid.interrupted & ~(over & known)
        inside_period = periods.number >= 0
        counted = known & ~left_out & inside_period
        found = self._each_period(
            name, limit, periods, shown, counted, (over | under) & counted, left_out & inside_period, over & counted,
            obstacle,
        )  # fmt: skip
        if f"{name}{UNCERTAINTY}" not in self._trend.column_names or (low is None and high is None):
            yield from found
            return
        u = np.nan_to_num(_column(self._trend, f"{name}{UNCERTAINTY}")[0][counted])
        ends = [bound if bound is None or not bound.ndim else bound[counted] for bound in (low, high)]
        probability = probability_met(
            values[counted], u, ends[0], ends[1], periods.number[counted], n_periods=len(periods.names),
            needed_pct=float(row.share_pct),
        )  # fmt: skip
        for one, p in zip(found, probability, strict=True):
            yield guarded(one, float(p))

    def _each_period(
        self, name: str, limit: Limit, periods: Periods, shown: F64, counted: Mask, outside: Mask, left_out: Mask,
        over: Mask, obstacle: str,
    ) -> Iterator[Assessment]:  # fmt: skip
        size = len(periods.names)
        there = (periods.number >= 0) & ~counted & ~left_out
        n, n_outside, n_over, n_left, n_there = (
            np.bincount(periods.number[mask], minlength=size) for mask in (counted, outside, over, left_out, there)
        )
        order = np.flatnonzero(counted)
        edges = np.searchsorted(periods.number[order], np.arange(size + 1))
        for i in range(size):
            missing = max(int(periods.expected[i] - n[i] - n_left[i]), 0)
            total, beyond = int(n[i]), int(n_outside[i])
            verdict, reason = self._verdict(name, limit, total, beyond, missing, int(n_left[i]))
            if n_there[i] and "missing" in reason:
                least = f"{self._least_coverage_pct:g}"
                reason += (
                    f" ({n_there[i]} of them measured for less than {least} % of their length, or without a value)"
                )
            if limit.obstacle or obstacle:
                verdict, reason = "cannot tell", limit.obstacle or obstacle
            part = shown[order[edges[i] : edges[i + 1]]]
            upper = limit.below is None or (limit.above is not None and 2 * int(n_over[i]) >= beyond)
            told = total and not (limit.obstacle or obstacle)
            yield Assessment(
                limit.name, limit.quantity, name, periods.names[i], verdict, reason, self._words(limit),
                _float(self._told.declared_v), 100.0 * (total - beyond) / total if told else _NAN,
                float(limit.row.share_pct), _percentile(part, float(limit.row.share_pct), upper) if told else _NAN,
                total, beyond if told else 0, int(n_left[i]), missing, int(periods.expected[i]), limit.source,
                limit.mark,
            )  # fmt: skip

    def _verdict(
        self, name: str, limit: Limit, n: int, n_outside: int, n_missing: int, n_left: int
    ) -> tuple[Verdict, str]:
        verdict = decided(
            n=n, n_outside=n_outside, n_missing=n_missing, needed_pct=limit.row.share_pct,
            least_known=self._least_known,
        )  # fmt: skip
        if verdict == "exceeded":
            return verdict, ""
        if why := self._field(name, b"reason"):
            return "cannot tell", f"not measured: {why}"
        lacking = self._lacking_orders(name, limit.quantity)
        if verdict == "met" and not lacking:
            return verdict, ""
        if not n and not n_missing:
            return "cannot tell", f"all {n_left} intervals are flagged"
        missing = "" if verdict == "met" else f"{n_missing} of {n + n_missing + n_left} intervals are missing"
        return "cannot tell", "; ".join(filter(None, (lacking, missing)))

    def _lacking_orders(self, name: str, quantity: str) -> str:
        """What a sum over orders lacks: a breach by fewer is a breach, but "within" says nothing of the others."""
        told, wanted = self._field(name, b"orders"), QUANTITIES[quantity].orders
        match = re.fullmatch(r"(\d+)-(\d+)", told)
        if wanted is None or match is None or int(match[2]) >= wanted[1]:
            return ""
        return f"measured only to order {match[2]} of {wanted[1]}"

    def _field(self, name: str, key: bytes) -> str:
        return ((self._trend.schema.field(name).metadata or {}).get(key) or b"").decode()

    def _scale(self, name: str, limit: Limit) -> tuple[Fraction | F64 | None, str]:
        """What a bound of 1 is in the unit of the values, or why nobody knows."""
        how = limit.row.measured_as
        if how != "pct_of_fundamental":
            return self._told.scale(how)
        first = name.replace(limit.quantity, f"{limit.quantity[:2]}01", 1)
        if first not in self._names:
            return None, f"the fundamental ({first}) is not measured"
        fundamental, _ = _column(self._trend, first)
        return np.where(fundamental > 0, fundamental, np.nan) / 100, ""

    def _words(self, limit: Limit) -> str:
        return bounds_in_words(limit, self._told)


def bounds_in_words(limit: Limit, told: Supply) -> str:
    """The bounds, with the declared voltage that they rest on; "" where there is none."""
    if limit.above is None and limit.below is None:
        return ""
    how = limit.row.measured_as
    if how in OF_DECLARED:
        factor = Fraction(1, 100) if how == "pct_of_nominal" else Fraction(1)
        of = " %" if how == "pct_of_nominal" else ""
        voltage = told.declared_v
        if voltage is None:
            return _between(limit.below, limit.above, f"{of} of the declared voltage, but none is declared")
        volts = [None if bound is None else bound * factor * voltage for bound in (limit.below, limit.above)]
        share = _between(limit.below, limit.above, f"{of} of the declared {scaled(float(voltage), 'V')}")
        return f"{_between(volts[0], volts[1], ' V')} ({share})"
    unit = {"pct_of_fundamental": "% of the fundamental", "pct_of_demand": "% of the demand current"}.get(how)
    if unit is None:
        unit = QUANTITIES[limit.quantity].unit if limit.quantity in QUANTITIES else ""
    return _between(limit.below, limit.above, f" {unit}".rstrip())


def _between(below: Fraction | None, above: Fraction | None, unit: str) -> str:
    low, high = (None if bound is None else f"{float(bound):g}" for bound in (below, above))
    if low is not None and high is not None:
        return f"{low} to {high}{unit}"
    return f"≤ {high}{unit}" if high is not None else f"≥ {low}{unit}"


def _without_series(limit: Limit, told: Supply, reason: str) -> Assessment:
    bounds = bounds_in_words(limit, told)
    return Assessment(
        limit.name, limit.quantity, "", "", "cannot tell", reason, bounds, _float(told.declared_v), _NAN,
        float(limit.row.share_pct), _NAN, 0, 0, 0, 0, 0, limit.source, limit.mark,
    )  # fmt: skip


def _column(trend: pa.Table, name: str) -> tuple[F64, float]:
    """Values of a column, and how much of a value its rounding may be: twice, as a bound may rest on two of them."""
    values = trend.column(name).to_numpy(zero_copy_only=False)
    precision = np.finfo(values.dtype).eps if values.dtype.kind == "f" else 0.0
    return np.asarray(values, np.float64), 2.0 * float(precision)


def _times(bound: Fraction, scale: Fraction | F64) -> F64:
    return np.asarray(float(bound * scale) if isinstance(scale, Fraction) else float(bound) * scale, np.float64)


def _as_shown(values: F64, scale: Fraction | F64 | None) -> F64:
    if scale is None:
        return values
    return values / (float(scale) if isinstance(scale, Fraction) else scale)


def _percentile(counted: F64, share_pct: float, upper: bool) -> float:
    """The value at the share that the limit asks for, counted from the side that the bound is on."""
    return float(np.percentile(counted, share_pct if upper else 100 - share_pct, method="inverted_cdf"))


def _float(value: Fraction | None) -> float | None:
    return None if value is None else float(value)
