"""Files of months: the catalogues of all sites and days of a month in one file of events and one of coverage.

months/events/month=2026-03/events.parquet       all rows in catalogue order, each with the ``date`` of its catalogue
months/coverage/month=2026-03/coverage.parquet   what was judged of each site and day, and what was not and why
.index/months/2026-03                            by which stamps of files they are those of the days

They are a pure function of the days' own catalogues, which stay the truth, and have always the same columns, those of
uncertainty included. Who reads by way of this module takes from them the days whose catalogues are still those that
they were made of, and all others from their own files. See `months` for when they are made.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from halfcycle.pipeline.events import catalogue_schema
from halfcycle.pipeline.indices.coverage import CoverageSpan, coverage_table
from halfcycle.pipeline.store.atomic import file_stamp, write_atomically, write_text_atomically
from halfcycle.pipeline.store.manifest import with_manifest
from halfcycle.pipeline.store.partitions import EPOCH, Store

if TYPE_CHECKING:
    import pyarrow as pa

Kind = Literal["events", "coverage"]
KINDS: Final[tuple[Kind, ...]] = ("events", "coverage")
Key = tuple[str, date]
"""A site and a day."""
FOLDER: Final = "months"
_LEAST: Final = 8  # days of a month for which its file is opened: below, their own are read as soon
_ORDER: Final[Mapping[Kind, tuple[str, ...]]] = {
    "events": ("start", "site", "point", "kind", "phases"), "coverage": ("site", "start", "point"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class MonthFile:
    """A file of a month.

    Attributes
    ----------
    rows : with a column ``date``.
    days : the stamp of each catalogue that its rows are those of; those that were written a moment before are left out.
    """

    rows: pa.Table
    days: Mapping[Key, str]


def month_path(store: Store, kind: Kind, month: date) -> Path:
    """Where a file of a month lies. month : its first day."""
    return store.root / FOLDER / kind / f"month={month:%Y-%m}" / f"{kind}.parquet"


def months_held(store: Store, kind: Kind) -> dict[date, Path]:
    """The months of which there is a file, or what stands in its place."""
    found = {}
    for path in (store.root / FOLDER / kind).glob(f"month=*/{kind}.parquet"):
        with contextlib.suppress(ValueError):
            month = date.fromisoformat(f"{path.parent.name.removeprefix('month=')}-01")
            if path.parent.name == f"month={month:%Y-%m}":
                found[month] = path
    return found


def month_of(day: date) -> date:
    """The first day of a day's month."""
    return day.replace(day=1)


@cache
def schema_of(kind: Kind) -> pa.Schema:
    """The columns of a file of a month."""
    import pyarrow as pa

    schema = catalogue_schema(uncertainty=True) if kind == "events" else coverage_table([]).schema
    return schema.append(pa.field("date", pa.date32()))


def made_of(store: Store, month: date) -> str:
    """The digest of what a month's files were made of; "" where there are none, or they are other ones."""
    try:
        with _memory_path(store, month).open(encoding="utf-8") as stream:
            said = json.loads(stream.readline())
        same = all(said["files"][kind] == _stamp(month_path(store, kind, month)) for kind in KINDS)
        return str(said["made_of"]) if same else ""
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def days_known(store: Store, month: date) -> dict[Key, str]:
    """The stamps of the catalogues that a month's files were made of; of none where they are other ones."""
    if not made_of(store, month):
        return {}
    try:
        _, days = _memory_path(store, month).read_text(encoding="utf-8").splitlines()
        return {
            (site, month + timedelta(days=n)): stamp for site, held in json.loads(days).items() for n, stamp in held
        }
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def read_month(store: Store, kind: Kind, month: date) -> MonthFile:
    """A file of a month; where there is none, or it is damaged or another one than is known, it is of no day."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    days = days_known(store, month)
    path = month_path(store, kind, month)
    try:
        with path.open("rb") as stream, pq.ParquetFile(stream, page_checksum_verification=True) as file:
            rows = file.read(use_threads=False).replace_schema_metadata(None).cast(schema_of(kind))
            is_known = bool(days) and days_known(store, month) == days  # it was not made anew in between
            return MonthFile(rows, days if is_known else {})
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError):
        return MonthFile(schema_of(kind).empty_table(), {})


def write_month(
    rows: Mapping[Kind, pa.Table], days: Mapping[Key, str], made_of: str, store: Store, month: date, *,
    key: bytes | None = None,
) -> None:  # fmt: skip
    """Write the files of a month, each whole or not at all, and then what they were made of.

    Parameters
    ----------
    rows : of each kind, in any order.
    days : the stamps of the catalogues that these are the rows of and that cannot have changed since.
    made_of : digest of the stamps of all catalogues that there are.
    store, month : where.
    key : that they are signed with; None: they are not.

    Raises
    ------
    StoreError : one cannot be written; a PlaceError where only this place cannot be.
    """
    for kind, table in rows.items():
        said = {"month": f"{month:%Y-%m}"}
        sealed = with_manifest(ordered(table, kind), f"{kind} of a month", said, key=key)
        write_atomically(month_path(store, kind, month), partial(_write, sealed), staging=store.staging)
    held: dict[str, list[tuple[int, str]]] = {}
    for (site, day), stamp in sorted(days.items()):
        held.setdefault(site, []).append(((day - month).days, stamp))
    files = {kind: _stamp(month_path(store, kind, month)) for kind in KINDS}
    lines = [json.dumps({"made_of": made_of, "files": files}), json.dumps(held)]
    write_text_atomically(_memory_path(store, month), "\n".join(lines), staging=store.staging)


def drop_month(store: Store, month: date) -> None:
    """Remove the files of a month.

    Raises
    ------
    OSError : one cannot be removed.
    """
    for path in (_memory_path(store, month), *(month_path(store, kind, month) for kind in KINDS)):
        path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # it holds more
            path.parent.rmdir()


def _memory_path(store: Store, month: date) -> Path:
    return store.root / ".index" / FOLDER / f"{month:%Y-%m}"


def _stamp(path: Path) -> str:
    status = path.stat()
    return file_stamp(status.st_mtime_ns, status.st_size)


def _write(rows: pa.Table, path: Path) -> None:
    import pyarrow.parquet as pq

    pq.write_table(rows, path, compression="zstd", write_page_checksum=True)


def events_with_dates(tables: Sequence[pa.Table], days: Sequence[date]) -> pa.Table:
    """The events of days as a month has them: each with its date, and nulls in columns that none of the days has."""
    import numpy as np
    import pyarrow as pa

    rows = pa.concat_tables([catalogue_schema().empty_table(), *tables], promote_options="default")
    numbers = [(day - EPOCH).days for day in days]
    dates = np.repeat(np.array(numbers, np.int32), [table.num_rows for table in tables])
    held = dict(zip(rows.column_names, rows.columns, strict=True)) | {"date": pa.array(dates).cast(pa.date32())}
    schema = schema_of("events")
    columns = [held[field.name] if field.name in held else pa.nulls(rows.num_rows, field.type) for field in schema]
    return pa.table(columns, schema=schema)


def coverage_with_dates(spans: Sequence[CoverageSpan]) -> pa.Table:
    """The coverage of days as a month has it."""
    import pyarrow as pa

    rows = coverage_table(spans)
    return rows.append_column("date", rows.column("start").cast(pa.date32()))


def kept_rows(store: Store, kind: Kind, wanted: Iterable[Key]) -> tuple[list[pa.Table], set[Key]]:
    """The rows of those of some days that the files of their months have as they are now, and these days."""
    by_month: dict[date, list[Key]] = {}
    for site, day in wanted:
        by_month.setdefault(month_of(day), []).append((site, day))
    tables, found = [], set()
    for month, keys in sorted(by_month.items()):
        if len(keys) < _LEAST:
            continue
        file = read_month(store, kind, month)
        same = kept_days(store, file).intersection(keys)
        tables.append(rows_of(file, same))
        found |= same
    return tables, found


def kept_days(store: Store, file: MonthFile) -> set[Key]:
    """The days whose catalogues are those that a file of a month was made of."""
    by_site: dict[str, list[date]] = {}
    for site, day in file.days:
        by_site.setdefault(site, []).append(day)
    return {
        (site, day)
        for site, days in by_site.items()
        for day, stamp in store.catalogue_stamps(site, days).items()
        if file.days[site, day] == stamp
    }


def rows_of(file: MonthFile, days: Collection[Key]) -> pa.Table:
    """The rows of some of a month's days, in order. days : a set, or a mapping by them."""
    import pyarrow as pa

    names = zip(*(file.rows.column(name).to_pylist() for name in ("site", "date")), strict=True)
    return file.rows.filter(pa.array([name in days for name in names], pa.bool_()))


def table_of(tables: Iterable[pa.Table], kind: Kind) -> pa.Table:
    """Rows of days as one table."""
    import pyarrow as pa

    return pa.concat_tables([schema_of(kind).empty_table(), *tables])


def ordered(rows: pa.Table, kind: Kind) -> pa.Table:
    """Rows in the order in which a file has them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = _ORDER[kind]
    texts = {name: pa.types.is_string(rows.schema.field(name).type) for name in names}
    keys = {name: pc.fill_null(rows.column(name), "") if text else rows.column(name) for name, text in texts.items()}
    order = pc.sort_indices(pa.table(keys), sort_keys=[(name, "ascending") for name in names])
    return rows.take(order).combine_chunks()  # the bytes of a file must not tell how its rows came together
