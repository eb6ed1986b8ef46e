"""Trends that were written before: read back with their certificates, and judged without decoding a waveform."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.coarser import coarser
from halfcycle.pipeline.survey.compliance import Assessment, LimitProfile, assess, needed_quantities
from halfcycle.pipeline.survey.joining import joined_trends
from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.notes import with_notes, without_notes
from halfcycle.pipeline.trend_table import (
    UNCERTAINTY,
    Certificate,
    certificate_path,
    certificates_in,
    certificates_of,
    has_certificate,
)

if TYPE_CHECKING:
    import pyarrow as pa

Key = tuple[str, str]

RECORDED: Final = "recorded by the instrument"
LEADING: Final = ("start", "measured", "flag", "interrupted")
_ENDINGS: Final = (".parquet", ".csv")
_NOTES: Final = ("orders", "lamp", "reason", "at")


@dataclass(frozen=True, slots=True)
class StoredTrend:
    """A trend of one point and one interval, with its certificate."""

    trend: Trend
    certificate: Certificate

    @property
    def key(self) -> Key:
        """Site and point."""
        return self.certificate.site, self.certificate.point


def is_trend(path: Path) -> bool:
    """Whether a file is a trend with a certificate: its metadata carries one, or one lies beside it."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    if not path.is_file() or path.suffix.lower() not in _ENDINGS:
        return False
    if path.suffix.lower() != ".parquet":
        return has_certificate(path)
    try:
        return bool(certificates_in(pq.read_schema(path).metadata))
    except (OSError, pa.ArrowException, ValueError):
        return False


def neighbours_of(path: Path) -> list[Path]:
    """The trends in other intervals that were written beside one: ``trend.10s.parquet`` beside ``trend.parquet``."""
    form = re.compile(rf"{re.escape(path.stem)}\.[\d.e+]+s{re.escape(path.suffix)}")
    return sorted(other for other in path.parent.iterdir() if form.fullmatch(other.name) and is_trend(other))


def neighbour_path(path: Path, interval_s: float) -> Path:
    """Where the trend in another interval lies beside one."""
    return path.with_name(f"{path.stem}.{interval_s:g}s{path.suffix}")


def certificates_at(path: Path) -> tuple[Certificate, ...]:
    """The certificates of a trend's file.

    Raises
    ------
    ReadError : it cannot be read, or has none.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    beside = certificate_path(path)
    try:
        if path.suffix.lower() == ".parquet":
            found = certificates_in(pq.read_schema(path).metadata)
        else:
            found = certificates_of(beside.read_text(encoding="utf-8"))
    except (OSError, pa.ArrowException) as error:
        raise ReadError(path, "", f"cannot be read ({error})") from error
    except ValueError as error:
        raise MalformedRecord(path, "certificate", str(error)) from error
    if not found:
        raise MalformedRecord(path, "certificate", "there is none; halfcycle did not write this trend")
    return found


def read_trends(path: Path) -> list[StoredTrend]:
    """The trends in a file that halfcycle wrote, by site and point.

    Raises
    ------
    ReadError : it cannot be read, or lacks what its certificates name.
    """
    certificates = certificates_at(path)
    table = _table_at(path)
    return [StoredTrend(_trend_of(table, one, path), one) for one in certificates]


def read_columns(paths: Sequence[Path], columns: Sequence[str]) -> tuple[pa.Table | None, list[Path]]:
    """Some columns of a point's trend that lies in several files, each of its own time.

    Parameters
    ----------
    paths : Parquet files in order of time, all of one point and one interval.
    columns : beside ``start``; null where a file does not have them.

    Returns
    -------
    The table, None where no file can be read; and the files that cannot.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    tables, unread = [], []
    for path in paths:
        try:
            stored = pq.ParquetFile(path).read(columns=["start", *columns], use_threads=False)
            tables.append(stored.replace_schema_metadata(None))
        except (OSError, pa.ArrowException):
            unread.append(path)
    return pa.concat_tables(tables, promote_options="default") if tables else None, unread


def judge_trends(
    stored: Sequence[StoredTrend],
    profile: LimitProfile,
    *,
    declared: Declared,
    sites: SiteTable | None = None,
    demand_current_a: float | None = None,
) -> dict[Key, list[Assessment]]:
    """Judge trends by a profile, as `files.measure_files` judges what it measures.

    Parameters
    ----------
    stored : trends, of any intervals; those of a point and an interval are joined in order of time. Where a limit needs
        an interval that is not there, it is made of shorter ones, see `coarser`.
    profile : the limits.
    declared, sites : what a person declares; a declared voltage goes before that of the certificates.
    demand_current_a : of limits of currents; None: the certificates', else the profile's. [A]

    Returns
    -------
    Assessments by site and point; of what recorders made the point's name says so.
    """
    table = sites or SiteTable()
    found: dict[Key, list[Assessment]] = {}
    for (site, point, origin), by_interval in by_point(stored).items():
        key = told_key(site, point, origin)
        certificate = next(iter(by_interval.values())).certificate
        trends = {interval_s: one.trend for interval_s, one in by_interval.items()}
        said = table.declared(site, declared).nominal_voltage_v
        known = certificate.nominal_kind == "declared"
        found[key] = assess(
            {interval_s: trend.table for interval_s, trend in with_needed(trends, profile).items()},
            profile,
            nominal_voltage_v=certificate.nominal_voltage_v if said is None else said,
            declared=known or said is not None,
            demand_current_a=demand_current_a or certificate.demand_current_a,
            voltages_of=certificate.voltages_of,
        )
    return {key: judged for key, judged in found.items() if judged}


def told_key(site: str, point: str, origin: str) -> Key:
    """Site, and the point's name, which says so where recorders made the trend. origin: of a certificate."""
    return site, point if origin == "measured from waveforms" else f"{point} {origin}".strip()


def by_point(stored: Sequence[StoredTrend]) -> dict[tuple[str, str, str], dict[float, StoredTrend]]:
    """Trends by site, point and origin, and by interval, those of several files joined."""
    groups: dict[tuple[str, str, str], dict[float, list[StoredTrend]]] = {}
    for one in stored:
        groups.setdefault((*one.key, one.certificate.origin), {}).setdefault(one.certificate.interval_s, []).append(one)
    return {
        key: {interval_s: _joined(ones) for interval_s, ones in of_point.items()} for key, of_point in groups.items()
    }


def with_needed(trends: Mapping[float, Trend], profile: LimitProfile) -> dict[float, Trend]:
    """Trends by interval, and those that a profile needs beside them, made of the longest that they can be made of."""
    found = dict(trends)
    for wanted_s in needed_quantities(profile):
        for from_s in sorted(trends, reverse=True):
            made = None if wanted_s in found else coarser(trends[from_s], from_s=from_s, to_s=wanted_s)
            if made is not None:
                found[wanted_s] = made
    return found


def of_span(trends: Sequence[Trend], first_ns: int, last_ns: int) -> Trend | None:
    """Trends of a point together, of the intervals that start in a span; None where none does. [ns UTC]"""
    import numpy as np

    if not trends:
        return None
    whole = joined_trends(trends)
    starts = whole.table.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    rows: pa.Table = whole.table.filter((starts >= first_ns) & (starts < last_ns))
    return replace(whole, table=rows) if rows.num_rows else None


def _joined(ones: Sequence[StoredTrend]) -> StoredTrend:
    """Of an interval that two files have, the one that covers more counts."""
    return ones[0] if len(ones) == 1 else replace(ones[0], trend=joined_trends([one.trend for one in ones]))


def _table_at(path: Path) -> pa.Table:
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv as arrow_csv
    import pyarrow.parquet as pq

    try:
        if path.suffix.lower() == ".parquet":
            return pq.read_table(path)
        texts = dict.fromkeys(("start", "site", "point", "origin"), pa.string())
        options = arrow_csv.ConvertOptions(column_types=texts, strings_can_be_null=True)
        table = arrow_csv.read_csv(path, convert_options=options)
        instants = pc.strptime(pc.utf8_slice_codeunits(table.column("start"), 0, 19), "%Y-%m-%dT%H:%M:%S", "ns")
        place = table.column_names.index("start")
        return table.set_column(place, "start", instants.cast(pa.timestamp("ns", tz="UTC")))
    except (OSError, pa.ArrowException, KeyError) as error:
        raise MalformedRecord(path, "", f"cannot be decoded ({error})") from error


def _trend_of(table: pa.Table, certificate: Certificate, path: Path) -> Trend:
    """The rows and columns of one certificate, with their notes."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = [*LEADING, *(name for quantity in certificate.quantities for name in quantity.columns)]
    held, wanted = set(table.column_names), set(names)
    if missing := [name for name in names if name not in held]:
        raise MalformedRecord(path, "", f"lacks the columns {', '.join(missing[:5])}, which its certificate names")
    if "site" in table.column_names:
        table = table.filter(pc.equal(pc.fill_null(table.column("site"), ""), certificate.site))
    if "point" in table.column_names:
        table = table.filter(pc.equal(pc.fill_null(table.column("point"), ""), certificate.point))
    if "origin" in table.column_names:
        table = table.filter(pc.equal(table.column("origin"), certificate.origin))
    wanted |= {f"{name}{UNCERTAINTY}" for name in wanted}
    kept = table.select([name for name in table.column_names if name in wanted])
    bare = without_notes(kept).cast(pa.schema([(field.name, _kind(field)) for field in kept.schema]))
    notes = {
        name: {key: value for key in _NOTES if (value := getattr(quantity, key))}
        for quantity in certificate.quantities
        for name in quantity.columns
    }
    return Trend(
        with_notes(bare, notes), certificate.nominal_voltage_v, certificate.nominal_kind, certificate.hookup,
        certificate.phases, certificate.current_phases, voltages_of=certificate.voltages_of,
    )  # fmt: skip


def _kind(field: pa.Field) -> pa.DataType:
    """The type of a trend's column: a text file does not tell how exact its numbers were."""
    import pyarrow as pa

    if pa.types.is_timestamp(field.type) or pa.types.is_boolean(field.type):
        return field.type
    return pa.float64() if field.name.startswith("energy") else pa.float32()
