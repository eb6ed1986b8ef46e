"""Trends: values of intervals of one length, by site and UTC day, as flat Parquet columns.

A table has the columns ``start`` (of each interval, UTC), ``measured`` (share of it that was), ``flag`` (it holds a
sag, swell or interruption) and, for each series, its value and where asked its least and largest as ``NAME_min`` and
``NAME_max``. A day of a site and an interval is one file, written whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import date
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.atomic import write_atomically
from halfcycle.pipeline.store.manifest import MANIFEST_KEY, with_manifest
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_of

if TYPE_CHECKING:
    import pyarrow as pa

LEADING: Final = ("start", "measured", "flag")
_ROW_GROUP: Final = 1 << 16


def write_trend(
    table: pa.Table, root: Path, *, site: str, interval_s: float, recorded: bool = False, key: bytes | None = None
) -> list[Path]:  # fmt: skip
    """Write a trend, a file for each UTC day it holds; older files of these days are replaced.

    Parameters
    ----------
    table : see the module; in order of start.
    root : of the store.
    site : whose trend it is.
    interval_s : length of the intervals. [s]
    recorded : its values were made by the recorder, not measured from waveforms.
    key : that the manifest of each file is signed with; None: they are not.

    Raises
    ------
    StoreError : a file cannot be written, or the table is no trend.
    """
    import numpy as np

    missing = [name for name in LEADING if name not in table.column_names]
    if missing:
        raise StoreError(f"a trend needs the columns {', '.join(LEADING)}; without {', '.join(missing)}")
    starts = table.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64)
    if (np.diff(starts) <= 0).any():
        raise StoreError("the intervals of a trend must be in order of start, without repeats")
    days = starts // DAY_NS
    edges = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), starts.size]
    paths = []
    for first, stop in pairwise(edges):
        if stop == first:
            continue
        path = Store(root).trend_path(site, day_of(int(starts[first])), interval_s, recorded=recorded)
        write_atomically(
            path, partial(_write, _told(table.slice(first, stop - first), key)), staging=Store(root).staging
        )
        paths.append(path)
    return paths


def _told(table: pa.Table, key: bytes | None) -> pa.Table:
    """A day of a trend with its manifest, which names what its certificate says by digest."""
    said = {name: value for name, value in (table.schema.metadata or {}).items() if name != MANIFEST_KEY}
    activity = {f"{name.decode()} sha256": hashlib.sha256(value).hexdigest() for name, value in said.items()}
    return with_manifest(table.replace_schema_metadata(said), "trend", activity, key=key)


def read_trend(
    root: Path, *, site: str, interval_s: float, columns: list[str] | None = None,
    first: date | None = None, last: date | None = None, recorded: bool = False,
) -> pa.Table:  # fmt: skip
    """A site's trend of one interval, of all its days or those from first to last.

    Parameters
    ----------
    root : of the store.
    site, interval_s : which trend.
    columns : besides `LEADING`; None: all.
    first, last : days, both included.
    recorded : that which the recorder made.

    Returns
    -------
    The table in order of time; days whose columns differ are joined, nulls where a day does not have one.

    Raises
    ------
    StoreError : there is none, or a file is damaged.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    tables: list[Any] = []
    for path in _files(root, site, interval_s, first, last, recorded):
        try:
            names = pq.read_schema(path).names
            wanted = None if columns is None else [name for name in (*LEADING, *columns) if name in names]
            tables.append(pq.read_table(path, columns=wanted))
        except (OSError, pa.ArrowException) as error:
            raise StoreError(f"{path}: a trend is damaged ({error})") from error
    if not tables:
        raise StoreError(f"{root}: no trend of {interval_s:g} s for site {site!r} in these days")
    return pa.concat_tables(tables, promote_options="default")


def _files(
    root: Path, site: str, interval_s: float, first: date | None, last: date | None, recorded: bool
) -> Iterator[Path]:
    store = Store(root)
    for day in store.trend_days(site, interval_s, recorded=recorded):
        if (first is None or day >= first) and (last is None or day <= last):
            yield store.trend_path(site, day, interval_s, recorded=recorded)


def _write(table: pa.Table, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    # Neighbouring values of a measured quantity share their first bytes: split by byte they compress.
    split = [field.name for field in table.schema if pa.types.is_floating(field.type)]
    pq.write_table(
        table, path, compression="zstd", compression_level=1, use_byte_stream_split=split,
        use_dictionary=[name for name in table.column_names if name not in split], row_group_size=_ROW_GROUP,
        write_page_checksum=True,
    )  # fmt: skip
