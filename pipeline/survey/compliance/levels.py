"""Limits by order, and by the strength of the supply, from the tables in datasets/limits."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import resource_rows

Mark = Literal["found", "calculated", "practice", "memory"]

_HARMONICS: Final = "limits/compatibility-levels.csv"
_CURRENTS: Final = "limits/current-distortion.csv"
_WITHOUT_END: Final = Fraction(10**9)  # of a ratio


@dataclass(frozen=True, slots=True)
class OrderLevel:
    """A limit of one order, or of all together.

    Attributes
    ----------
    order : of the harmonic; 0 for the total.
    limit_pct : exact, as the table has it. [%]
    source, mark : where it is from, and how sure that is.
    """

    order: int
    limit_pct: Fraction
    source: str
    mark: Mark


def harmonic_levels(table: str) -> tuple[OrderLevel, ...]:
    """Limits of a table of datasets/limits/compatibility-levels.csv, the total first where it has one.

    Raises
    ------
    ConfigError : there is no such table.
    """
    rows = [row for row in resource_rows("datasets", _HARMONICS) if row["table"] == table]
    if not rows:
        raise ConfigError(f"limits {table!r}; allowed are {', '.join(tables())}")
    levels = [
        OrderLevel(
            0 if row["quantity"] == "thd" else int(row["order"]), Fraction(row["limit_pct"]), row["source"], _mark(row)
        )
        for row in rows
    ]
    return tuple(sorted(levels, key=lambda level: level.order))


def current_levels(table: str, *, short_circuit_ratio: float) -> tuple[OrderLevel, ...]:
    """Limits of the orders 2 to 50 and of their total, of the demand current.

    Parameters
    ----------
    table : of datasets/limits/current-distortion.csv.
    short_circuit_ratio : short-circuit current over demand current, Isc/IL. [1]

    Returns
    -------
    Levels as for odd orders; the profile says what of them even orders are allowed.

    Raises
    ------
    ConfigError : there is no such table, or the ratio is not above zero.

    Source: IEEE 519-2022, Tables 2 to 4.
    """
    rows = [row for row in resource_rows("datasets", _CURRENTS) if row["table"] == table]
    if not rows:
        raise ConfigError(f"limits {table!r}; allowed are {', '.join(tables())}")
    if not short_circuit_ratio > 0:
        raise ConfigError(f"the short-circuit ratio is {short_circuit_ratio:g}; it must be above 0")
    ratio = Fraction(str(short_circuit_ratio))
    levels = []
    for row in rows:
        to = Fraction(row["ratio_to"]) if row["ratio_to"] else _WITHOUT_END
        if Fraction(row["ratio_from"]) <= ratio < to:
            orders = [0] if row["quantity"] == "tdd" else range(int(row["order_from"]), int(row["order_to"]) + 1)
            levels += [OrderLevel(order, Fraction(row["limit_pct"]), row["source"], _mark(row)) for order in orders]
    return tuple(sorted(levels, key=lambda level: level.order))


def is_current_table(table: str) -> bool:
    """Whether a table has limits of currents, which depend on the short-circuit ratio."""
    return any(row["table"] == table for row in resource_rows("datasets", _CURRENTS))


def tables() -> tuple[str, ...]:
    """Names of all tables."""
    return tuple(
        dict.fromkeys(row["table"] for name in (_HARMONICS, _CURRENTS) for row in resource_rows("datasets", name))
    )


def _mark(row: dict[str, str]) -> Mark:
    known: dict[str, Mark] = {"found": "found", "calculated": "calculated", "practice": "practice"}
    return known.get(row["mark"], "memory")
