"""Catalogue files: Parquet, CSV and NDJSON with the same columns, written whole or not at all."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.records.archive import SetAside, as_text
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.store.atomic import write_atomically

if TYPE_CHECKING:
    import pyarrow as pa

ACCOUNTS_KEY: Final = b"halfcycle.accounts"
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def write_table(table: pa.Table, path: Path) -> None:
    """Write a table in the format that the file's ending names.

    Parameters
    ----------
    table : catalogue or another flat table.
    path : ends in ``.parquet``, ``.csv`` or ``.ndjson``; an older file there is replaced at once or left whole.

    Raises
    ------
    ConfigError : another ending.
    StoreError : the file cannot be written.
    """
    write = writer_for(path)
    write_atomically(path, lambda aside: write(table, aside))


def with_accounts(table: pa.Table, accounts: Sequence[Account]) -> pa.Table:
    """A table whose metadata carries the accounts of the sites in it; formats without metadata leave them out."""
    text = json.dumps([account.document for account in accounts], ensure_ascii=False)
    return table.replace_schema_metadata({**(table.schema.metadata or {}), ACCOUNTS_KEY: text.encode()})


def set_aside_table(items: Sequence[SetAside]) -> pa.Table:
    """What was set aside, as a table with the columns path and reason."""
    import pyarrow as pa

    return pa.table(
        {
            "path": pa.array([as_text(str(item.path)) for item in items], pa.string()),
            "reason": pa.array([as_text(item.reason) for item in items], pa.string()),
        }
    )


def writer_for(path: Path) -> Callable[[pa.Table, Path], None]:
    """The writer for a file's ending.

    Raises
    ------
    ConfigError : the ending is none of ``.parquet``, ``.csv``, ``.ndjson``.
    """
    writers = {".parquet": _write_parquet, ".csv": _write_csv, ".ndjson": _write_ndjson}
    if path.suffix.lower() not in writers:
        raise ConfigError(f"{path.name}: the extension must be one of {', '.join(writers)}")
    return writers[path.suffix.lower()]


def _write_parquet(table: pa.Table, path: Path) -> None:
    import pyarrow.parquet as pq

    pq.write_table(table, path, compression="zstd", store_schema=True)


def _write_csv(table: pa.Table, path: Path) -> None:
    import csv

    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(table.column_names)
        writer.writerows([_csv_cell(value) for value in row.values()] for row in _rows(table))


def _write_ndjson(table: pa.Table, path: Path) -> None:
    with path.open("w", encoding="utf-8") as stream:
        for row in _rows(table):
            stream.write(
                json.dumps({name: _json_value(value) for name, value in row.items()}, ensure_ascii=False) + "\n"
            )


def _rows(table: pa.Table) -> list[dict[str, Any]]:
    """Rows as dictionaries, times as ISO 8601 text in UTC down to the nanosecond."""
    import pyarrow as pa

    for i, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            texts = [None if ns is None else iso_utc(ns) for ns in table.column(i).cast(pa.int64()).to_pylist()]
            table = table.set_column(i, field.name, pa.array(texts, pa.string()))
    rows: list[dict[str, Any]] = table.to_pylist()
    return rows


def iso_utc(ns: int) -> str:
    """A time as ``2026-03-02T06:00:00.123456789Z``. ns: nanoseconds since 1970-01-01 UTC."""
    from datetime import UTC, datetime, timedelta

    seconds, rest = divmod(ns, 1_000_000_000)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def _json_value(value: Any) -> Any:
    """A value as JSON has it: it knows no number for "not a number" or infinity."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _csv_cell(value: Any) -> Any:
    """A value as a spreadsheet may safely open it: text that would start a formula gets an apostrophe before it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return "'" + value
    return value
