"""Profiles of limits: what is limited, over which intervals and periods, by which bound, and how sure that bound is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from halfcycle.pipeline.config import checked, read_toml
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.quantities import HIGHEST_ORDER, QUANTITIES
from halfcycle.pipeline.resources import resource, resource_names
from halfcycle.pipeline.survey.compliance.levels import (
    Mark,
    OrderLevel,
    current_levels,
    harmonic_levels,
    is_current_table,
)

Period = Literal["day", "week", "month", "year"]
MeasuredAs = Literal["absolute", "pct_of_nominal", "pu_of_nominal", "pct_of_fundamental", "pct_of_demand"]

OF_DECLARED: Final = ("pct_of_nominal", "pu_of_nominal")
_FAMILIES: Final = ("uh", "ih")
_NO_RATIO: Final = "the short-circuit ratio Isc/IL is not declared"


def _exact(value: object) -> object:
    """A decimal number or a fraction such as "110/120", exactly as it is written."""
    if isinstance(value, bool) or not isinstance(value, int | float | str | Fraction):
        raise ValueError(f"a number or a fraction such as '110/120' is expected, got {value!r}")
    try:
        return value if isinstance(value, Fraction) else Fraction(str(value))
    except (ValueError, ZeroDivisionError) as error:
        raise ValueError(f"a number or a fraction such as '110/120' is expected, got {value!r}") from error


Exact = Annotated[Fraction, BeforeValidator(_exact)]


class LimitRow(BaseModel):
    """One limit of a profile.

    name : what is limited, in words.
    quantity : of `halfcycle.pipeline.quantities`; ``uh`` or ``ih`` for single orders, with `table` or `orders`.
    interval_s : length of the intervals whose values count. [s]
    period : over which they are looked at; each period is judged by itself.
    share_pct : of the intervals that must be within the bounds.
    above, below : bounds, as `measured_as` says; numbers, or fractions such as "110/120", taken exactly.
    by_frequency : upper bounds of a mains signal at some frequencies [Hz], rising; between them straight on logarithmic
        axes, beyond them none.
    measured_as : ``absolute``, ``pct_of_nominal`` or ``pu_of_nominal`` (of the declared voltage),
        ``pct_of_fundamental`` (of harmonics), or ``pct_of_demand`` (of the demand current).
    table : of datasets/limits, whose bounds, sources and marks replace `above`.
    times : what the bounds of the table are multiplied by.
    orders : first and last order; of the table those, without a table each with the bounds of this row.
    parity : which of these orders.
    without_flagged : intervals that hold a sag, swell or interruption do not count. Where this is false they do, but
        what an interruption lacks of voltage does not.
    source, mark : of the limit; a mark of ``memory`` means that the figure could not be looked up.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, arbitrary_types_allowed=True)

    name: str = Field(min_length=1)
    quantity: str
    interval_s: float = Field(600.0, gt=0)
    period: Period = "week"
    share_pct: Exact = Fraction(95)
    above: Exact | None = None
    below: Exact | None = None
    by_frequency: tuple[tuple[float, float], ...] = ()
    measured_as: MeasuredAs = "absolute"
    table: str = ""
    times: Exact = Fraction(1)
    orders: tuple[int, int] | None = None
    parity: Literal["all", "odd", "even"] = "all"
    without_flagged: bool = True
    source: str = Field(min_length=1)
    mark: Mark = "memory"

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.above is None and self.below is None and not self.table and not self.by_frequency:
            raise ValueError(f"{self.name!r}: above, below, table or by_frequency is needed")
        self._check_frequencies()
        if not 0 < self.share_pct <= 100:
            raise ValueError(f"{self.name!r}: share_pct must be above 0 and at most 100")
        if self.quantity not in (*QUANTITIES, *_FAMILIES):
            raise ValueError(f"{self.name!r}: quantity {self.quantity!r} is not known")
        if self.quantity in _FAMILIES and not self.table and self.orders is None:
            raise ValueError(f"{self.name!r}: quantity {self.quantity!r} needs table or orders")
        if self.orders is not None and not 1 <= self.orders[0] <= self.orders[1] <= HIGHEST_ORDER:
            raise ValueError(f"{self.name!r}: orders {self.orders} must increase within 1 to {HIGHEST_ORDER}")
        return self

    def _check_frequencies(self) -> None:
        hertz = [frequency for frequency, _ in self.by_frequency]
        if not hertz:
            return
        if self.quantity != "u_sig" or self.table or self.above is not None:
            raise ValueError(f"{self.name!r}: by_frequency is for u_sig alone, in place of above and table")
        if len(hertz) < 2 or sorted(set(hertz)) != hertz or hertz[0] <= 0 or min(b for _, b in self.by_frequency) <= 0:
            raise ValueError(f"{self.name!r}: by_frequency needs two frequencies or more that rise, and bounds above 0")

    def bound_at(self, hertz: float) -> Fraction | None:
        """The upper bound of a mains signal of a frequency; None where the row has none there. hertz: [Hz]"""
        frequencies, bounds = zip(*self.by_frequency, strict=True)
        if not frequencies[0] <= hertz <= frequencies[-1]:
            return None
        found = math.exp(float(np.interp(math.log(hertz), np.log(frequencies), np.log(bounds))))
        return Fraction(round(found, 9)).limit_denominator(10**9)


class LimitProfile(BaseModel):
    """A set of limits; ``configs/limits`` has some, each key explained in en-50160-lv.toml.

    title : in reports.
    least_coverage_pct : of an interval that must have been measured for its value to count.
    least_data_pct : of a period's intervals that must be known for "met".
    declared_voltage_v : of the judged voltages, where the profile is of one supply. [V]
    demand_current_a, short_circuit_ratio : of that supply: IL, and Isc/IL. [A], [1]
    rows : the limits.
    event_tables : names of tables of `datasets/indices` that are counted beside them, without a limit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    title: str
    least_coverage_pct: float = Field(90.0, gt=0, le=100)
    least_data_pct: float = Field(90.0, gt=0, le=100)
    declared_voltage_v: float | None = Field(None, gt=0)
    demand_current_a: float | None = Field(None, gt=0)
    short_circuit_ratio: float | None = Field(None, gt=0)
    event_tables: tuple[str, ...] = ()
    rows: tuple[LimitRow, ...] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Limit:
    """A row with one bound: of one quantity, one order.

    Attributes
    ----------
    name, quantity, source, mark, row : of the limit; the row has what all its orders share.
    above, below : exact; None where there is none. [as `row.measured_as` says]
    obstacle : why it cannot be judged whatever was measured; "" where it can.
    """

    name: str
    quantity: str
    above: Fraction | None
    below: Fraction | None
    row: LimitRow
    source: str
    mark: Mark
    obstacle: str = ""


def load_limit_profile(name: str) -> LimitProfile:
    """A profile of ``configs/limits`` by name, or a TOML file.

    A file may say ``like = "name of a profile"``: it then has that profile's keys and rows but for its own; a row of
    the same name takes its place, and rows named in ``without`` are left out.

    Raises
    ------
    ConfigError : no such profile, or what is wrong in it.
    """
    known = resource_names("configs", "limits", ".toml")
    if not name.endswith(".toml") and name not in known:
        raise ConfigError(
            f"limit profile {name!r} is not known; known are {', '.join(known)}, or give the path of a TOML file"
        )
    path = Path(name) if name.endswith(".toml") else resource("configs", f"limits/{name}.toml")
    return checked(LimitProfile, _whole(read_toml(path), path, ()), str(path))


def _whole(document: dict[str, Any], path: Path, above: tuple[str, ...]) -> dict[str, Any]:
    """A document with what it takes over from the profile that it is like."""
    keys = dict(document)
    like, without = keys.pop("like", None), keys.pop("without", [])
    if like is None:
        if without:
            raise ConfigError(f"{path}: without needs like")
        return keys
    known = resource_names("configs", "limits", ".toml")
    if like not in known or like in above:
        raise ConfigError(f"{path}: like {like!r}; allowed are {', '.join(known)}, without loops")
    base_path = resource("configs", f"limits/{like}.toml")
    base = _whole(read_toml(base_path), base_path, (*above, like))
    own = {row.get("name"): row for row in keys.get("rows", [])}
    names = [row["name"] for row in base["rows"]]
    if unknown := [name for name in without if name not in names]:
        raise ConfigError(f"{path}: without {unknown[0]!r}; rows of {like} are {', '.join(names)}")
    rows = [own.pop(name, row) for name, row in zip(names, base["rows"], strict=True) if name not in without]
    return base | keys | {"rows": [*rows, *own.values()]}


def limits_of(profile: LimitProfile, *, short_circuit_ratio: float | None) -> list[Limit]:
    """The limits of a profile, one for each order, in its order.

    Parameters
    ----------
    profile : its rows, and the ratio where it has one.
    short_circuit_ratio : Isc/IL; None: limits of currents cannot be judged. [1]

    Raises
    ------
    ConfigError : a table that is not there, or does not fit the quantity.
    """
    found: list[Limit] = []
    for row in profile.rows:
        try:
            found += _expanded(row, short_circuit_ratio)
        except ConfigError as error:
            raise ConfigError(f"limit {row.name!r}: {error}") from error
    return found


def needed_quantities(profile: LimitProfile) -> dict[float, list[str]]:
    """The quantities that a profile judges, by length of the intervals. [s]"""
    needed: dict[float, set[str]] = {}
    for limit in limits_of(profile, short_circuit_ratio=profile.short_circuit_ratio or 1.0):
        symbols = needed.setdefault(limit.row.interval_s, set())
        symbols.add(limit.quantity)
        if limit.row.measured_as == "pct_of_fundamental":
            symbols.add(f"{limit.quantity[:2]}01")
    return {interval_s: sorted(symbols) for interval_s, symbols in needed.items()}


def _expanded(row: LimitRow, ratio: float | None) -> list[Limit]:
    """A limit for each order that the row is about."""
    plain = Limit(row.name, row.quantity, row.above, row.below, row, row.source, row.mark)
    if not row.table:
        if row.quantity not in _FAMILIES:
            return [plain]
        first, last = row.orders or (1, HIGHEST_ORDER)
        return [_of_order(plain, order) for order in range(first, last + 1) if _counts(row, order)]
    if is_current_table(row.table):
        if ratio is None:
            return [replace(plain, obstacle=_NO_RATIO)]
        levels = current_levels(row.table, short_circuit_ratio=ratio)
    else:
        levels = harmonic_levels(row.table)
    single = row.quantity in _FAMILIES
    chosen = [level for level in levels if (level.order > 0) == single and (not single or _counts(row, level.order))]
    if not chosen:
        raise ConfigError(f"table {row.table!r} has no limit of {row.quantity!r}")
    return [_with_level(_of_order(plain, level.order) if single else plain, level) for level in chosen]


def _counts(row: LimitRow, order: int) -> bool:
    first, last = row.orders or (1, HIGHEST_ORDER)
    wanted = {"all": True, "odd": order % 2 == 1, "even": order % 2 == 0}[row.parity]
    return first <= order <= last and wanted


def _of_order(limit: Limit, order: int) -> Limit:
    return replace(limit, name=f"{limit.name} {order}", quantity=f"{limit.quantity}{order:02d}")


def _with_level(limit: Limit, level: OrderLevel) -> Limit:
    """With a table's bound; it is as sure as the less sure of bound and row."""
    row = limit.row
    mark: Mark = "memory" if "memory" in (row.mark, level.mark) else level.mark
    source = level.source if row.source == level.source else f"{level.source}; {row.source}"
    return replace(limit, above=level.limit_pct * row.times, source=source, mark=mark)
