"""Catalogue files read back: Parquet, CSV and NDJSON alike, of this version and of earlier ones."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event, catalogue_schema, default_of, events_of, says_uncertainty

if TYPE_CHECKING:
    import pyarrow as pa

_NEEDED: Final = ("event_id", "site", "kind", "start", "magnitude", "observed_s")
_TRUTHS: Final = {"true": True, "false": False}


def read_events(path: Path | str) -> list[Event]:
    """The events of a catalogue file.

    Parameters
    ----------
    path : ends in ``.parquet``, ``.csv`` or ``.ndjson``.

    Returns
    -------
    Events in the file's order. Columns that the file lacks, as one of an earlier version may, have their defaults.

    Raises
    ------
    ConfigError : there is no such file, it has another ending, or it is no catalogue.

    Examples
    --------
    >>> events = hc.read_events("demo-fleet/events.parquet")
    >>> sorted({event.site for event in events})[:2]
    ['Cooperage Works', 'Hollin Ferry']
    """
    path = Path(path)
    table = read_table(path)
    try:
        return events_of(table)
    except (ValueError, TypeError) as error:
        raise ConfigError(f"{path}: is not a catalogue ({error})") from error


def read_table(path: Path) -> pa.Table:
    """The rows of a catalogue file as a table with exactly a catalogue's columns; as for `read_events`.

    Raises
    ------
    ConfigError : as for `read_events`.
    """
    readers = {".parquet": _parquet, ".csv": _csv, ".ndjson": _ndjson}
    if path.suffix.lower() not in readers:
        raise ConfigError(f"{path.name}: the extension of a catalogue must be one of {', '.join(readers)}")
    if not path.is_file():
        raise ConfigError(f"{path}: no such catalogue")
    import pyarrow as pa

    try:
        table = readers[path.suffix.lower()](path)
        missing = [name for name in _NEEDED if name not in table.column_names]
        if missing:
            raise ConfigError(f"{path}: is not a catalogue: it has no column {', '.join(missing)}")
        return aligned(table)
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as error:
        if isinstance(error, ConfigError):
            raise
        raise ConfigError(f"{path}: is not a catalogue ({error})") from error


def aligned(table: pa.Table, names: Sequence[str] | None = None) -> pa.Table:
    """A table with exactly a catalogue's columns, or some of them, by name: those that it lacks are null, or what an
    event has by default; those of uncertainty where it has any of them."""
    import pyarrow as pa

    schema = catalogue_schema(uncertainty=says_uncertainty(table.column_names))
    if names is not None:
        schema = pa.schema([schema.field(name) for name in names])
    if table.schema.equals(schema):
        return table.replace_schema_metadata(None)
    columns = []
    held = dict(zip(table.column_names, table.columns, strict=True))
    for field in schema:
        if field.name in held:
            column = held[field.name]
            columns.append(column if column.type == field.type else column.cast(field.type))
            continue
        default = default_of(field.name)
        value = default if isinstance(default, str | int | float | bool) else None
        columns.append(pa.array([value] * table.num_rows, field.type))
    return pa.table(columns, schema=schema)


def _parquet(path: Path) -> pa.Table:
    import pyarrow.parquet as pq

    return pq.read_table(path, partitioning=None)


def _ndjson(path: Path) -> pa.Table:
    with path.open(encoding="utf-8") as stream:
        return _table([json.loads(line) for line in stream if line.strip()])


def _csv(path: Path) -> pa.Table:
    with path.open(encoding="utf-8", newline="") as stream:
        return _table([{name: _uncovered(cell) for name, cell in row.items()} for row in csv.DictReader(stream)])


def _uncovered(cell: str | None) -> str | None:
    """A cell without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    return cell[1:] if cell and len(cell) > 1 and cell[0] == "'" else cell


def _table(rows: list[dict[str, Any]]) -> pa.Table:
    import pyarrow as pa

    schema = catalogue_schema(uncertainty=bool(rows) and says_uncertainty(rows[0]))
    names = [name for name in schema.names if not rows or name in rows[0]]
    columns = {}
    for name in names:
        cells: list[Any] = [row.get(name) for row in rows]
        if default_of(name) is None:
            cells = [None if cell == "" else cell for cell in cells]
        columns[name] = [_value(cell, schema.field(name).type) for cell in cells]
    return pa.table({name: pa.array(values, schema.field(name).type) for name, values in columns.items()})


def _value(given: Any, kind: pa.DataType) -> Any:
    """A value of a text file as its column holds it."""
    import pyarrow as pa

    if given is None or (given == "" and not pa.types.is_string(kind)):
        return None
    if pa.types.is_timestamp(kind):
        return nanoseconds(str(given))
    if pa.types.is_boolean(kind):
        return given if isinstance(given, bool) else _TRUTHS[str(given)]
    if pa.types.is_integer(kind):
        return int(given)
    if pa.types.is_floating(kind):
        return float(given)
    return str(given)


def nanoseconds(text: str) -> int:
    """Nanoseconds since 1970-01-01 UTC of ``2026-03-02T06:00:00.123456789Z``."""
    from datetime import UTC, datetime

    whole, _, rest = text.removesuffix("Z").partition(".")
    moment = datetime.fromisoformat(whole).replace(tzinfo=UTC)
    return int(moment.timestamp()) * 1_000_000_000 + int(rest.ljust(9, "0")[:9] or 0)
