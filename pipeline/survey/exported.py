"""Trends handed on as CSV, Parquet or PQDIF, each file read back and compared with what was written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.readers.intervals.records import IntervalRecords, Statistic
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.certificate import quantity_of_column
from halfcycle.pipeline.survey.recorded import recorded_trends
from halfcycle.pipeline.survey.stored import StoredTrend, by_point, is_trend, read_trends
from halfcycle.pipeline.survey.written import write_trends
from halfcycle.pipeline.trend_table import certificate_path

if TYPE_CHECKING:
    import pyarrow as pa

    from halfcycle.pipeline.writers.pqdif_intervals import IntervalTable

F64 = npt.NDArray[np.float64]

_SAME_STEP: Final = 0.02  # intervals of cycles are not of one length
_ENDINGS: Final = (".csv", ".parquet", ".pqd")
_OF_LOGS_S: Final = 600.0
_ENDS: Final[dict[str, Statistic]] = {"min": "least", "max": "largest"}
_RESOLUTION: Final = 1e-6  # of the largest value: seven digits, which float32 keeps


@dataclass(frozen=True, slots=True)
class ExportedTrend:
    """A file of trends that was written.

    Attributes
    ----------
    path : of the file.
    n_rows : in it, over all sites and points.
    largest_error : over all columns, read back against written, as a share of the column's largest value. [pu]
    left_out : columns that the format has no place for.
    """

    path: Path
    n_rows: int
    largest_error: float
    left_out: tuple[str, ...] = ()


def trends_in(path: Path, *, sites: SiteTable) -> list[StoredTrend]:
    """The trends in a file, ours or a recorder's, whose logs of RMS come in ten minutes; none where it is of waveforms.

    Raises
    ------
    ReadError : it cannot be read.
    """
    if is_trend(path):
        return read_trends(path)
    return recorded_trends(
        path, sites=sites, declared=Declared(), thresholds=Thresholds(), interval_s=_OF_LOGS_S
    )  # fmt: skip


def export_trends(trends: Sequence[StoredTrend], out: Path) -> list[ExportedTrend]:
    """Write trends in the format that a file's ending names.

    Parameters
    ----------
    trends : of any sites, points and intervals; those of one origin, point and interval are joined.
    out : ends in .csv, .parquet or .pqd. Trends of a longer or shorter interval than the first one's lie beside it; see
        `stored.neighbour_path`. A PQDIF file holds all of an origin, without the shares that were measured, and with
        those quantities alone for which the standard has a characteristic; of two origins ``x.recorded.pqd`` has one.

    Raises
    ------
    ConfigError : another ending, or no trend.
    StoreError : a file cannot be written, or does not read back as what was written.
    """
    if out.suffix.lower() not in _ENDINGS:
        raise ConfigError(f"{out.name}: trends are exported as {', '.join(_ENDINGS)}")
    joined = [one for of_point in by_point(trends).values() for one in of_point.values()]
    if not joined:
        raise ConfigError("there is no trend to export")
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".aside-", dir=out.parent) as folder:
        aside = Path(folder) / out.name
        if out.suffix.lower() == ".pqd":
            written = _pqdif_by_origin(joined, aside)
        else:
            paths = write_trends(joined, aside, interval_s=joined[0].certificate.interval_s)
            written = [_checked(joined, path) for path in paths]
        _into_place(Path(folder), out)
    return [ExportedTrend(out.parent / one.path.name, one.n_rows, one.largest_error, one.left_out) for one in written]


def _into_place(folder: Path, out: Path) -> None:
    """Move all files of a folder beside `out`, certificates before what they belong to."""
    try:
        for file in sorted(folder.iterdir(), key=lambda file: file.name != certificate_path(file).name):
            os.replace(file, out.parent / file.name)
    except OSError as error:
        raise StoreError(f"{out}: cannot be written ({error.strerror or error})") from error


def _checked(trends: Sequence[StoredTrend], path: Path) -> ExportedTrend:
    """A file of trends, with how far off it reads back."""
    again = read_trends(path)
    lengths = {one.certificate.interval_s for one in again}
    own = [one for one in trends if one.certificate.interval_s in lengths]
    pairs = zip(sorted(own, key=_order), sorted(again, key=_order), strict=True)
    errors = [_difference(one.trend.table, other.trend.table, path) for one, other in pairs]
    return ExportedTrend(path, sum(one.trend.table.num_rows for one in own), _fine(max(errors), path))


def _order(one: StoredTrend) -> tuple[str, str, str, float]:
    return (*one.key, one.certificate.origin, one.certificate.interval_s)


def _difference(ours: pa.Table, theirs: pa.Table, path: Path) -> float:
    if ours.num_rows != theirs.num_rows or set(ours.column_names) - set(theirs.column_names):
        raise StoreError(f"{path.name}: the rows or columns read back differ from those written")
    if not ours.column("start").equals(theirs.column("start").cast(ours.schema.field("start").type)):
        raise StoreError(f"{path.name}: the times read back differ from those written")
    names = [name for name in ours.column_names if name != "start"]
    return max(_apart(_values(ours, name), _values(theirs, name)) for name in names)


def _apart(a: F64, b: F64) -> float:
    """The largest difference of two columns, over the largest value; infinite where one lacks what the other has."""
    if (np.isnan(a) != np.isnan(b)).any():
        return np.inf
    largest = float(np.nanmax(np.abs(a), initial=0.0))
    return float(np.nanmax(np.abs(a - b), initial=0.0)) / (largest or 1.0)


def _fine(error: float, path: Path) -> float:
    if error > _RESOLUTION:
        raise StoreError(f"{path.name}: values read back differ by {error:.2g} of the largest; nothing was written")
    return error


def _pqdif_by_origin(trends: Sequence[StoredTrend], path: Path) -> list[ExportedTrend]:
    """A file, or two where some trends were measured and some recorded: the format does not tell them apart."""
    recorded = [one for one in trends if one.certificate.origin == "recorded by the instrument"]
    measured = [one for one in trends if one.certificate.origin != "recorded by the instrument"]
    beside = path.with_stem(f"{path.stem}.recorded") if measured else path
    return [_pqdif(ones, file) for ones, file in ((measured, path), (recorded, beside)) if ones]


def _pqdif(trends: Sequence[StoredTrend], path: Path) -> ExportedTrend:
    """Write a PQDIF file, read back as anybody's."""
    from halfcycle.pipeline.writers.pqdif_intervals import write_pqdif_intervals

    held = [_held(one.trend.table) for one in trends]
    write_pqdif_intervals([_table(one, rows) for one, rows in zip(trends, held, strict=True)], path)
    again = intervals_in(path)
    if len(again) != len(trends):
        raise StoreError(f"{path.name}: {len(trends)} trends were written and {len(again)} read back")
    errors = [_read_back(one, rows, again, path) for one, rows in zip(trends, held, strict=True)]
    left_out = dict.fromkeys(
        name
        for one, rows in zip(trends, held, strict=True)
        for name in one.trend.table.column_names
        if name not in rows and name not in ("start", "flag")
    )
    n_rows = sum(one.trend.table.num_rows for one in trends)
    return ExportedTrend(path, n_rows, _fine(max(errors), path), tuple(left_out))


def _held(table: pa.Table) -> dict[str, tuple[str, str, Statistic]]:
    """The columns that PQDIF has a place for: symbol, phase and statistic of each."""
    from halfcycle.pipeline.writers.pqdif_intervals import holds_quantity

    found: dict[str, tuple[str, str, Statistic]] = {}
    for name in table.column_names:
        quantity = quantity_of_column(name)
        if quantity is None or not holds_quantity(quantity.symbol):
            continue
        words = name.removeprefix(quantity.symbol).split("_")[1:]
        statistic = _ENDS.get(words[-1] if words else "", "average")
        phase = "".join(word for word in words if word not in _ENDS).upper()
        if not (quantity.symbol == "u_rms" and phase == "N"):
            found[name] = (quantity.symbol, phase, statistic)
    return found


def _table(one: StoredTrend, held: dict[str, tuple[str, str, Statistic]]) -> IntervalTable:
    from halfcycle.pipeline.writers.pqdif_intervals import IntervalChannel, IntervalTable

    table = one.trend.table
    rows: dict[tuple[str, str], dict[Statistic, npt.NDArray[np.float32]]] = {}
    for name, (symbol, phase, statistic) in held.items():
        rows.setdefault((symbol, phase), {})[statistic] = np.asarray(_values(table, name), np.float32)
    channels = tuple(IntervalChannel(symbol, phase, by_statistic) for (symbol, phase), by_statistic in rows.items())
    starts = table.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    flagged = np.asarray(table.column("flag").to_numpy(zero_copy_only=False), np.bool_)
    return IntervalTable(one.certificate.site, one.certificate.point, starts, channels, flagged)


def _read_back(
    one: StoredTrend, held: dict[str, tuple[str, str, Statistic]], again: Sequence[IntervalRecords], path: Path
) -> float:
    """How far off a trend was read back, as a share of the largest value of its column."""
    table, certificate = one.trend.table, one.certificate
    starts = table.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    for found in again:
        named = found.station == certificate.site and found.point in ("", certificate.point)
        if (
            named
            and abs(found.step_s / certificate.interval_s - 1) < _SAME_STEP
            and np.array_equal(found.starts_ns, starts)
        ):
            break
    else:
        raise StoreError(f"{path.name}: the trend of {certificate.site} was not read back")
    columns = {series.column: series.values for series in found.series}
    flags = np.asarray(table.column("flag").to_numpy(zero_copy_only=False), np.bool_)
    if columns.keys() != held.keys() or (found.flagged != flags).any():
        raise StoreError(f"{path.name}: the columns or flags read back differ from those written")
    return max(_apart(_values(table, name), columns[name]) for name in held)


def _values(table: pa.Table, name: str) -> F64:
    return np.asarray(table.column(name).to_numpy(zero_copy_only=False), np.float64)
