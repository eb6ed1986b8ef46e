"""Certificates of trends that were measured: what their numbers rest on, told of the account and of what was read."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.quantities import QUANTITIES, Quantity
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.records.archive import as_text
from halfcycle.pipeline.resources import code_version, resource_rows
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.store.manifest import MANIFEST_KEY
from halfcycle.pipeline.survey.measure import Survey, Trend
from halfcycle.pipeline.survey.notes import notes_of
from halfcycle.pipeline.trend_table import CERTIFICATE_KEY, Certificate, CertifiedQuantity, certificates_as_toml

if TYPE_CHECKING:
    import pyarrow as pa

MOST_SOURCES: Final = 200  # files that a certificate names one by one
BUDGET: Final = (
    "the stated uncertainties cover the computation from exact samples, as verified by tests; those of the "
    "recorder, its transducers, their ratios and its clock are additional and unknown here"
)
CLOCK: Final = "time stamps as stated by the files; clock synchronisation unknown"
_ENDING: Final = re.compile(r"(?:_(?:a|b|c|n|ab|bc|ca))?(?:_(?:min|max))?")


def sources_of(paths: Sequence[Path]) -> tuple[tuple[str, str], ...]:
    """Name and digest of each of some files, each once.

    Raises
    ------
    ReadError : one cannot be read.
    """
    return tuple((as_text(path.name), source_digest(path)) for path in dict.fromkeys(paths))


def certificate_of(
    trend: Trend,
    survey: Survey,
    *,
    account: Account,
    point: str,
    sites: SiteTable,
    sources: Sequence[tuple[str, str]],
    profile: str = "",
) -> Certificate:
    """The certificate of a point's trend.

    Parameters
    ----------
    trend : whole, of all records of the point.
    survey : that it was measured by.
    account : of the site.
    point : "" where the site has one.
    sites : what a person declared; transformer ratios stand there.
    sources : name and digest of each file.
    profile : title of the limits that the trend was made for.
    """
    known = account.point(point)
    return Certificate(
        account.site, point, "measured from waveforms", survey.interval_s,
        nominal_voltage_v=trend.nominal_voltage_v, nominal_kind=trend.nominal_kind or "not told",
        nominal_told="" if known is None else known.told,
        nominal_frequency_hz=account.nominal_frequency_hz, frequency_kind=account.frequency_kind or "not told",
        demand_current_a=survey.demand_current_a, hookup=trend.hookup, phases=trend.phases,
        current_phases=trend.current_phases, voltages_of=trend.voltages_of,
        rate_hz=", ".join(f"{rate:g}" for rate in trend.rates_hz),
        thresholds={
            name: getattr(survey.thresholds, name)
            for name in ("sag_pu", "swell_pu", "interruption_pu", "hysteresis_pu")
        },
        profile=profile, version=code_version(), clock=CLOCK, ratios=_ratios(account.site, sites), budget=BUDGET,
        sources=listed_sources(sources), n_sources=len(set(sources)), quantities=certified_quantities(trend.table),
    )  # fmt: skip


def listed_sources(sources: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Sources as a certificate names them: each, or where they are too many one digest over all, in order."""
    lines = sorted({f"{digest} {name}" for name, digest in sources})
    if len(lines) <= MOST_SOURCES:
        return tuple(lines)
    whole = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:32]
    return (f"{whole} over the sorted lines 'digest name' of all {len(lines)} files",)


def certified_quantities(table: pa.Table, *, computed: bool = True) -> tuple[CertifiedQuantity, ...]:
    """The quantities of a trend, columns that are alike together.

    Parameters
    ----------
    table : a trend.
    computed : by us; of what a recorder computed no class is claimed.
    """
    notes = notes_of(table)
    groups: dict[tuple[str, str, str, str, str, str], list[str]] = {}
    for name in table.column_names:
        quantity = quantity_of_column(name)
        if quantity is None:
            continue
        own = notes.get(name, {})
        single = quantity.orders is not None and quantity.orders[0] == quantity.orders[1]
        symbol = quantity.family or quantity.symbol
        orders = "" if single else own.get("orders", "")
        key = (symbol, quantity.unit, orders, own.get("lamp", ""), own.get("reason", ""), own.get("at", ""))
        groups.setdefault(key, []).append(name)
    return tuple(
        replace(_certified(symbol, unit, tuple(columns), orders, lamp, reason, computed), at=at)
        for (symbol, unit, orders, lamp, reason, at), columns in groups.items()
    )


@cache
def quantity_of_column(name: str) -> Quantity | None:
    """The quantity that a trend's column holds, or None: the longest symbol that its name begins with."""
    parts = name.split("_")
    for n in range(len(parts), 0, -1):
        symbol = "_".join(parts[:n])
        if symbol in QUANTITIES and _ENDING.fullmatch(name.removeprefix(symbol)):
            return QUANTITIES[symbol]
    return None


def with_certificates(table: pa.Table, certificates: Sequence[Certificate]) -> pa.Table:
    """A table whose metadata carries certificates."""
    said = {name: value for name, value in (table.schema.metadata or {}).items() if name != MANIFEST_KEY}
    metadata = {**said, CERTIFICATE_KEY: certificates_as_toml(certificates).encode()}
    return table.replace_schema_metadata(metadata)


def _certified(
    symbol: str, unit: str, columns: tuple[str, ...], orders: str, lamp: str, reason: str, computed: bool
) -> CertifiedQuantity:
    row = _uncertainties().get(symbol) if computed and not reason else None
    if row is None:
        return CertifiedQuantity(symbol, unit, columns, "", "", orders, lamp, reason)
    from_memory = ", from memory" if row["mark"] == "memory" else ""
    words = f"{row['computation']}; the class allows {row['limit']} ({row['source']}{from_memory})"
    return CertifiedQuantity(symbol, unit, columns, row["class"], words, orders, lamp, reason)


def _uncertainties() -> Mapping[str, dict[str, str]]:
    return {row["symbol"]: row for row in resource_rows("datasets", "survey/uncertainty.csv")}


def _ratios(name: str, sites: SiteTable) -> str:
    site = next((one for one in sites.sites if one.name == name), None)
    if site is None or (site.voltage_ratio == 1.0 and site.current_ratio == 1.0):
        return "as stated by the files"
    return f"values in the files times {site.voltage_ratio:g} (voltages) and {site.current_ratio:g} (currents)"
