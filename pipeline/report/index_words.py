"""Indices as tables for people."""

from __future__ import annotations

from collections.abc import Sequence

from halfcycle.pipeline.indices.cells import grids
from halfcycle.pipeline.indices.rates import poisson_interval
from halfcycle.pipeline.indices.table import CONTOUR, CONTOUR_PCT, CONTOUR_S, IndexRow
from halfcycle.pipeline.locales import number
from halfcycle.pipeline.report.summary import TextTable

_NEAR_EDGE = 0.05  # by which an expected count differs from the count to be told beside it


def sarfi_table(rows: Sequence[IndexRow], *, basis: str) -> TextTable:
    """SARFI-X by site, counts and rates.

    Parameters
    ----------
    rows : of `indices.table.index_rows`.
    basis : how events were counted.
    """
    chosen = [row for row in rows if row.index == "SARFI-X" and row.basis == basis]
    items = list(dict.fromkeys(row.item for row in chosen))
    days = chosen[0].rate_days if chosen else 30.0
    body = []
    by_site: dict[str, dict[str, IndexRow]] = {}
    for row in chosen:
        by_site.setdefault(row.site, {})[row.item] = row
    for site, of_site in by_site.items():
        cells = [_count(of_site[item]) for item in items]
        ninety = of_site.get("90 %")
        body.append((site, *cells, "withheld" if ninety is None or ninety.rate is None else interval(ninety)))
    mean = {row.item: row for row in rows if row.index == "system SARFI-X" and row.basis == basis}
    if mean:
        rate = mean["90 %"].rate
        body.append(
            ("mean of the sites", *(_short(mean[item].value) for item in items), "" if rate is None else _short(rate))
        )
    heads = (
        "site",
        *(f"{'>' if float(item[:-2]) > 100 else '<'} {item}" for item in items),
        f"below 90 % in {number(days, 'g')} d",
    )
    return TextTable(f"SARFI-X, {basis}: events of at most 60 s", heads, tuple(body))


def cells_table(rows: Sequence[IndexRow], *, title: str, site: str | None = None) -> TextTable:
    """A table of magnitude and duration, polyphase events of one site or of all.

    Parameters
    ----------
    rows : of `indices.table.index_rows`.
    title : of the table, as in the rows.
    site : whose; None: all sites together.
    """
    grid = next(one for one in grids() if one.title == title)
    counts: dict[str, float] = {}
    expected: dict[str, float] = {}
    for row in rows:
        if row.index == title and row.basis == "polyphase" and site in (None, row.site):
            counts[row.item] = counts.get(row.item, 0.0) + (row.value or 0.0)
            expected[row.item] = expected.get(row.item, 0.0) + (row.expected or 0.0)
    heads = ("magnitude", *(_span(c.low / 1000, c.high / 1000) for c in grid.columns))
    body = []
    for band in grid.rows:
        name = f"≥ {band.low:g} %" if band.high == float("inf") else f"{band.low:g}–{band.high:g} %"
        cells = [(band.label + c.label, counts.get(band.label + c.label, 0.0)) for c in grid.columns]
        body.append((name, *(_cell(label, n, expected.get(label, 0.0)) for label, n in cells)))
    outside = counts.get("outside all cells", 0.0)
    return TextTable(f"{title}, polyphase ({outside:.0f} outside all cells)", heads, tuple(body))


def _cell(label: str, n: float, expected: float) -> str:
    """A cell with its count, and with what is to be expected there where events lie near its edges."""
    near = f" ({number(expected, '.1f')})" if abs(expected - n) >= _NEAR_EDGE else ""
    return f"{label}: {n:.0f}{near}" if n or near else "·"


def contour_table(rows: Sequence[IndexRow]) -> TextTable:
    """How many sags were at least as deep and as long, all sites together. rows: of `index_rows`."""
    counts: dict[str, float] = {}
    for row in rows:
        if row.index == CONTOUR:
            counts[row.item] = counts.get(row.item, 0.0) + (row.value or 0.0)
    body = tuple(
        (f"{level:g} % or less", *(f"{counts.get(f'{level:g} %, {s:g} s', 0.0):.0f}" for s in CONTOUR_S))
        for level in CONTOUR_PCT
    )
    heads = ("residual voltage", *(f"≥ {_seconds(seconds)}" for seconds in CONTOUR_S))
    return TextTable("sags at least as deep and as long, polyphase, all sites", heads, body)


def months_table(rows: Sequence[IndexRow]) -> TextTable:
    """Events of each month, all sites together, with their 95 % interval. rows: of `index_rows`."""
    counts: dict[str, float] = {}
    for row in rows:
        if row.index == "events by month":
            counts[row.item] = counts.get(row.item, 0.0) + (row.value or 0.0)
    body = []
    for month, n in sorted(counts.items()):
        low, high = poisson_interval(round(n))
        body.append((month, f"{n:.0f}", f"{_short(low)}–{_short(high)}"))
    return TextTable("events by month (UTC), polyphase, all sites", ("month", "events", "95 % interval"), tuple(body))


def interval(row: IndexRow) -> str:
    """A rate with its interval. row: one with a rate."""
    return f"{_short(row.rate)} ({_short(row.rate_low)}–{_short(row.rate_high)})"


def _short(value: float | None) -> str:
    return "" if value is None else number(value, ".1f" if abs(value) < 100 else ".0f")


def _count(row: IndexRow) -> str:
    return f"{row.value:.0f}" if row.value else "·"


def _span(low_s: float, high_s: float) -> str:
    return f"{_seconds(low_s)}–{_seconds(high_s)}"


def _seconds(seconds: float) -> str:
    return f"{seconds * 1000:g} ms" if seconds < 1 else f"{number(seconds, 'g')} s"


def curve_table(rows: Sequence[IndexRow]) -> TextTable:
    """Sags below each ride-through curve, all sites together, by how they are counted. rows: of `index_rows`."""
    from halfcycle.pipeline.indices.curves import curves

    titles = {one.name: one.title for one in curves()}
    chosen = [row for row in rows if row.index == "SARFI-curve"]
    bases = list(dict.fromkeys(row.basis for row in chosen))
    body = []
    for item in dict.fromkeys(row.item for row in chosen):
        sums = [sum(row.value or 0.0 for row in chosen if (row.item, row.basis) == (item, basis)) for basis in bases]
        body.append((titles.get(item, item), *(f"{n:.0f}" for n in sums)))
    return TextTable("SARFI by curve: sags below it, all sites", ("curve", *bases), tuple(body))


def severity_table(rows: Sequence[IndexRow]) -> TextTable:
    """Energy, severity, lost voltage and dispersion by site. rows: of `index_rows`."""
    wanted = (
        ("sag energy", "sum", "sag energy [s]"), ("sag energy", "mean of events", "a sag [s]"),
        ("sag energy", "worst row", "worst row [s]"), ("sag score", "sum", "sag score [pu]"),
        ("severity", "worst", "worst severity"), ("severity", "sum", "severity, sum"),
        ("lost voltage", "sum", "lost voltage [pu s]"), ("dispersion", "months", "dispersion of months"),
    )  # fmt: skip
    values = {(row.site, row.index, row.item): row.value for row in rows}
    body = []
    for site in dict.fromkeys(row.site for row in rows if row.index == "sag energy"):
        cells = [values.get((site, index, item)) for index, item, _ in wanted]
        body.append((site, *("·" if value is None else number(value, ".3g") for value in cells)))
    return TextTable("Energy and severity (IEEE 1564)", ("site", *(words for _, _, words in wanted)), tuple(body))
