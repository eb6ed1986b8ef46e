"""Tables of magnitude against duration: in which cell an event lies, and how surely."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

from halfcycle.pipeline.indices.counted import Counted
from halfcycle.pipeline.indices.reference_tables import named, rows_by, sources_of


@dataclass(frozen=True, slots=True)
class Band:
    """A row or a column: from `low` to `high`, each end in it or not."""

    label: str
    low: float
    low_in: bool
    high: float
    high_in: bool

    def holds(self, value: float) -> bool:
        """Whether a value lies in the band."""
        above = value >= self.low if self.low_in else value > self.low
        return above and (value <= self.high if self.high_in else value < self.high)

    def probability(self, value: float, u: float) -> float:
        """How likely a value of standard uncertainty u, normally distributed, lies in the band."""
        if u <= 0:
            return float(self.holds(value))
        return _normal((self.high - value) / u) - _normal((self.low - value) / u)


@dataclass(frozen=True, slots=True)
class CellGrid:
    """A table's rows (magnitude, % of reference) and columns (duration, ms)."""

    name: str
    title: str
    rows: tuple[Band, ...]
    columns: tuple[Band, ...]
    sources: tuple[str, ...]

    def cell(self, magnitude_pct: float, duration_ms: float) -> str | None:
        """The cell's name, such as ``C2``; None where the event is in none. magnitude_pct: [%]; duration_ms: [ms]."""
        row = next((band.label for band in self.rows if band.holds(magnitude_pct)), None)
        column = next((band.label for band in self.columns if band.holds(duration_ms)), None)
        return None if row is None or column is None else row + column


@dataclass(frozen=True, slots=True)
class CellCounts:
    """What a table holds.

    Attributes
    ----------
    counts : events by cell; every cell is there.
    outside : events in no cell.
    expected, variance : sum of the probabilities p of each event to lie in the cell, and of p (1 - p).
    """

    counts: dict[str, int]
    outside: int
    expected: dict[str, float]
    variance: dict[str, float]


def count_cells(counted: Iterable[Counted], grid: CellGrid) -> CellCounts:
    """Events by cell.

    Parameters
    ----------
    counted : polyphase events; sags for a table of dips, swells for one of swells: others fall outside.
    grid : the table.

    Source: that of the table, row by row in its file.
    """
    names = [row.label + column.label for row in grid.rows for column in grid.columns]
    counts, expected, variance = dict.fromkeys(names, 0), dict.fromkeys(names, 0.0), dict.fromkeys(names, 0.0)
    outside = 0
    for one in counted:
        cell = grid.cell(one.magnitude_pu * 100, one.duration_s * 1000)
        if cell is None:
            outside += 1
        else:
            counts[cell] += 1
        for name, p in cell_probabilities(one, grid).items():
            expected[name] += p
            variance[name] += p * (1 - p)
    return CellCounts(counts, outside, expected, variance)


def cell_probabilities(one: Counted, grid: CellGrid) -> dict[str, float]:
    """How likely an event lies in each cell, where that is above zero; magnitude and duration as independent.

    Parameters
    ----------
    one : its uncertainties are zero where they are not known.
    grid : the table.

    Source: derived: the probability of both is the product of the two.
    """
    rows = [
        (band.label, band.probability(one.magnitude_pu * 100, (one.magnitude_u or 0.0) * 100)) for band in grid.rows
    ]
    columns = [
        (band.label, band.probability(one.duration_s * 1000, (one.duration_s_u or 0.0) * 1000)) for band in grid.columns
    ]
    return {row + column: p * q for row, p in rows for column, q in columns if p * q > 0}


def grid(name: str) -> CellGrid:
    """A table of `datasets/indices/magnitude-duration-cells.csv` by its name.

    Raises
    ------
    ConfigError : there is no such table.
    """
    return named(name, grids(), kind="table")


@cache
def grids() -> tuple[CellGrid, ...]:
    """All tables, in the order of the file."""
    return tuple(
        CellGrid(
            name,
            lines[0]["title"],
            _bands(lines, "magnitude_pct"),
            _bands(lines, "duration_ms"),
            sources_of(lines),
        )
        for name, lines in rows_by("table", "magnitude-duration-cells.csv").items()
    )


def _bands(lines: Sequence[dict[str, str]], axis: str) -> tuple[Band, ...]:
    return tuple(
        Band(
            line["label"], float(line["low"]), line["low_in"] == "true", float(line["high"]), line["high_in"] == "true"
        )
        for line in lines
        if line["axis"] == axis
    )


def _normal(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2))
