"""All indices of a catalogue as rows of one table: what was counted how, the count, the rate and its interval."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from itertools import product
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.cells import count_cells, grids
from halfcycle.pipeline.indices.counted import RULES, VARIATIONS, WINDOW_S, Basis, Counted, counted_by
from halfcycle.pipeline.indices.coverage import CoverageSpan, exposure_of
from halfcycle.pipeline.indices.curves import curve, curves
from halfcycle.pipeline.indices.rates import Exposure, by_month, dispersion, scaled
from halfcycle.pipeline.indices.sarfi import LEVELS_PCT, brief, sarfi, sarfi_curve, system_sarfi, worse_than
from halfcycle.pipeline.indices.severity import event_energy_s, lost_voltage_s, sag_score, severity

if TYPE_CHECKING:
    import pyarrow as pa

REFERENCE_CURVE: Final = "semi-reference"
SYSTEM: Final = "all sites"
CONTOUR: Final = "sags as deep and as long"
CONTOUR_PCT: Final = (90.0, 80.0, 70.0, 50.0, 10.0)
CONTOUR_S: Final = (0.01, 0.1, 0.2, 0.5, 1.0, 5.0, 10.0)
"""Points of the contour chart: how many sags were at least so deep and so long; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexRow:
    """One index of one site.

    Attributes
    ----------
    site : name.
    index : ``SARFI-X``, ``SARFI-curve``, a table of cells, ``sag energy`` …
    item : the level, curve or cell.
    basis : how events were counted.
    value : count, or the value in `unit`.
    unit : ``events``, ``s``, ``pu s`` or "".
    expected, expected_u : of a cell: sum of the probabilities that each event lies in it, and its standard uncertainty.
    rate : the count in `rate_days` days of judged time; None where it is withheld, or the value is no count.
    rate_low, rate_high : its 95 % interval.
    rate_days : that the rate is for.
    withheld : why there is no rate.
    rule : of counting, in words.
    """

    site: str
    index: str
    item: str
    basis: str
    value: float | None
    unit: str = "events"
    rate: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None
    rate_days: float = 30.0
    withheld: str = ""
    rule: str = ""
    expected: float | None = None
    expected_u: float | None = None


def index_rows(
    events: Sequence[Event],
    *,
    sites: Sequence[str] | None = None,
    coverage: Sequence[CoverageSpan] = (),
    period_ns: tuple[int, int] | None = None,
    judged_days: float | None = None,
    rate_days: float = 30.0,
    window_s: float = WINDOW_S,
) -> list[IndexRow]:
    """The indices of each site.

    Parameters
    ----------
    events : rows of a catalogue, of any kind.
    sites : those to give, with or without events; None: those of the events and of the coverage.
    coverage : time judged; without it, and without `judged_days`, rates are withheld.
    period_ns : that the counts stand for, half-open; events outside it are left out. [ns since 1970-01-01]
    judged_days : time judged of each site where its owner declares it, as of a recorder that was armed throughout. [d]
    rate_days : that rates are for. [d]
    window_s : of aggregation in time. [s]
    """
    if period_ns is not None:
        events = [event for event in events if period_ns[0] <= event.start < period_ns[1]]
    chosen = sorted({event.site for event in events} | {span.site for span in coverage}) if sites is None else sites
    rows: list[IndexRow] = []
    for site in chosen:
        mine = [event for event in events if event.site == site]
        if judged_days is not None:
            exposure: Exposure | None = Exposure(judged_days * 86_400, judged_days * 86_400)
        else:
            first, last = period_ns or (None, None)
            exposure = exposure_of(coverage, site, from_ns=first, to_ns=last)
        rows += _of_site(mine, _Maker(site, exposure, rate_days, window_s))
    return [*rows, *_of_system(rows, _Maker(SYSTEM, None, rate_days, window_s))]


def index_table(rows: Sequence[IndexRow]) -> pa.Table:
    """Rows as a table with the columns of `IndexRow`."""
    import pyarrow as pa

    numbers = {"expected", "expected_u", "value", "rate", "rate_low", "rate_high", "rate_days"}
    schema = pa.schema([(f.name, pa.float64() if f.name in numbers else pa.string()) for f in fields(IndexRow)])
    return pa.table({f.name: [getattr(row, f.name) for row in rows] for f in fields(IndexRow)}, schema=schema)


@dataclass(frozen=True, slots=True)
class _Maker:
    """Makes the rows of one site."""

    site: str
    exposure: Exposure | None
    rate_days: float
    window_s: float

    def count(self, index: str, item: str, basis: Basis, n: int) -> IndexRow:
        rate = scaled(n, self.exposure, days=self.rate_days)
        return IndexRow(
            site=self.site, index=index, item=item, basis=basis, value=float(n), rate=rate.value, rate_low=rate.low,
            rate_high=rate.high, rate_days=self.rate_days, withheld=rate.withheld,
            rule=RULES[basis].format(window_s=self.window_s),
        )  # fmt: skip

    def value(self, index: str, item: str, basis: Basis, value: float | None, unit: str, rule: str) -> IndexRow:
        return IndexRow(
            site=self.site, index=index, item=item, basis=basis, value=value, unit=unit, rate_days=self.rate_days,
            rule=rule,
        )  # fmt: skip


def _of_site(events: Sequence[Event], make: _Maker) -> Iterator[IndexRow]:
    ways = counted_by(events, window_s=make.window_s)
    for basis, counted in ways.items():
        for level in LEVELS_PCT:
            yield make.count("SARFI-X", f"{level:g} %", basis, sarfi(counted, level))
    for basis, counted in ways.items():
        for one in curves():
            yield make.count("SARFI-curve", one.name, basis, sarfi_curve(counted, one))
    for basis in ("polyphase", "time-aggregated"):
        yield from _cells(ways[basis], basis, make)
    together = brief(ways["polyphase"])
    for level, seconds in product(CONTOUR_PCT, CONTOUR_S):
        n = worse_than(together, magnitude_pu=level / 100, duration_s=seconds)
        yield make.count(CONTOUR, f"{level:g} %, {seconds:g} s", "polyphase", n)
    yield from _severities(ways["per phase"], ways["polyphase"], make)
    yield from _months(events, ways["polyphase"], make)


def _cells(counted: Sequence[Counted], basis: Basis, make: _Maker) -> Iterator[IndexRow]:
    for grid in grids():
        variation = "swell" if "swell" in grid.name else "sag"
        cells = count_cells([one for one in counted if one.variation == variation], grid)
        for cell, n in cells.counts.items():
            row = make.count(grid.title, cell, basis, n)
            yield replace(row, expected=cells.expected[cell], expected_u=math.sqrt(cells.variance[cell]))
        yield make.count(grid.title, "in no cell", basis, cells.outside)


def _severities(phases: Sequence[Counted], points: Sequence[Counted], make: _Maker) -> Iterator[IndexRow]:
    sags = [one for one in brief(points) if one.variation == "sag"]
    rows: dict[str, list[Counted]] = {}
    for one in brief(phases):
        if one.variation == "sag":
            rows.setdefault(one.event_ids[0], []).append(one)
    energies = [event_energy_s([p.magnitude_pu for p in row], [p.duration_s for p in row]) for row in rows.values()]
    rule = "sum over phases of (1 - V²) × duration, taken as rectangular; events of at most 60 s"
    yield make.value("sag energy", "sum", "per phase", sum(energies), "s", rule)
    yield make.value("sag energy", "worst row", "per phase", max(energies, default=None), "s", rule)
    scores = [sag_score([p.magnitude_pu for p in row]) for row in rows.values() if len(row) == 3]
    rule_of_score = "1 - (Va + Vb + Vc) / 3 of the rows with three phases; events of at most 60 s"
    yield make.value("sag score", "sum", "per phase", sum(scores) if scores else None, "pu", rule_of_score)
    mean = sum(energies) / len(sags) if sags else None
    yield make.value("sag energy", "mean of events", "per phase", mean, "s", rule)
    curve_here = curve(REFERENCE_CURVE)
    bad = [severity(one.magnitude_pu, one.duration_s, curve_here) for one in sags]
    rule = f"(1 - V) over the (1 - V) of the {curve_here.title} at the same duration; events of at most 60 s"
    yield make.value("severity", "sum", "polyphase", sum(bad), "", rule)
    yield make.value("severity", "worst", "polyphase", max(bad, default=None), "", rule)
    lost = sum(lost_voltage_s(one.magnitude_pu, one.duration_s) for one in sags)
    yield make.value("lost voltage", "sum", "polyphase", lost, "pu s", "(1 - V) × duration; events of at most 60 s")


def _of_system(rows: Sequence[IndexRow], make: _Maker) -> Iterator[IndexRow]:
    """The mean over sites of each SARFI-X, each site alike; nothing for fewer than two sites."""
    groups: dict[tuple[str, Basis], list[IndexRow]] = {}
    for row in rows:
        if row.index == "SARFI-X" and row.basis in RULES:
            groups.setdefault((row.item, row.basis), []).append(row)
    for (item, basis), of_sites in groups.items():
        if len(of_sites) < 2:
            continue
        counts = {row.site: row.value or 0.0 for row in of_sites}
        rates = {row.site: row.rate for row in of_sites if row.rate is not None}
        whole = len(rates) == len(of_sites)
        mean = make.value("system SARFI-X", item, basis, system_sarfi(counts), "events a site", RULES[basis])
        yield replace(
            mean, rate=system_sarfi(rates) if whole else None,
            withheld="" if whole else f"{len(of_sites) - len(rates)} of {len(of_sites)} sites have no rate",
            rule=RULES[basis].format(window_s=make.window_s),
        )  # fmt: skip


def _months(events: Sequence[Event], points: Sequence[Counted], make: _Maker) -> Iterator[IndexRow]:
    yield make.count("RMS variations", "all", "polyphase", len(points))
    starts = [one.start for one in points]
    if not starts:
        return
    months = by_month(starts, from_ns=min(starts), to_ns=max(starts) + 1)
    for month, n in months.items():
        yield IndexRow(
            site=make.site, index="events by month", item=month, basis="polyphase", value=float(n),
            rate_days=make.rate_days, withheld="the judged share of the month is unknown here",
        )  # fmt: skip
    spread = dispersion(list(months.values()))
    rule = "variance over mean of the monthly counts: 1 for independent events, above 1 for clusters"
    yield make.value("dispersion", "months", "polyphase", spread, "", rule)
    others: dict[str, int] = {}
    for event in events:
        if event.kind not in VARIATIONS:
            others[event.kind] = others.get(event.kind, 0) + 1
    for kind, n in sorted(others.items()):
        yield make.value("other events", kind, "polyphase", float(n), "events", "rows of the catalogue of this kind")
