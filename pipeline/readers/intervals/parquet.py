"""Interval records as a plain Parquet table with a column of times."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.description import name_and_unit
from halfcycle.pipeline.readers.intervals.columns import NamedColumn, records_of
from halfcycle.pipeline.readers.intervals.description import IntervalDescription, described_intervals
from halfcycle.pipeline.readers.intervals.records import IntervalRecords
from halfcycle.pipeline.readers.intervals.text import SHORTEST_STEP_S
from halfcycle.pipeline.trend_table import CERTIFICATE_KEY
from halfcycle.pipeline.waveform_table import HEADER_KEY

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_ROWS_LOOKED_AT = 3


def parquet_intervals(path: Path) -> tuple[IntervalRecords, ...]:
    """The interval records in a Parquet table; none where it is a capture, a trend of ours, or its rows are samples.

    Raises
    ------
    ReadError : it cannot be decoded, or does not say enough.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    said = described_intervals(path)
    try:
        with pq.ParquetFile(path) as file:
            if said is None and not holds_intervals(file):
                return ()
            table = file.read()
            return (_records(table, said or IntervalDescription()),)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise MalformedRecord(path, "", f"cannot be read as interval records ({error})") from error


def holds_intervals(file: pq.ParquetFile) -> bool:
    """Whether the rows of a table follow one another so slowly that they are no samples."""
    schema = file.schema_arrow
    metadata = schema.metadata or {}
    name = _time_column(schema)
    if name is None or HEADER_KEY in metadata or CERTIFICATE_KEY in metadata or file.metadata.num_rows < 2:
        return False
    head = next(file.iter_batches(_ROWS_LOOKED_AT, columns=[name], use_threads=False))
    steps = np.diff(_instants(head.column(0))) / 1e9
    return bool((np.abs(steps) >= SHORTEST_STEP_S).all())


def _records(table: pa.Table, said: IntervalDescription) -> IntervalRecords:
    import pyarrow as pa

    name = said.time_column or _time_column(table.schema)
    if name is None or name not in table.column_names:
        raise ValueError("there is no time column")
    notes = () if table.schema.field(name).type.tz else ("the times have no time zone; read as UTC",)
    columns = []
    for field in table.schema:
        if field.name == name:
            continue
        column = table.column(field.name)
        numeric = pa.types.is_floating(field.type) or pa.types.is_integer(field.type)
        numbers = column.cast(pa.float64()).to_numpy(zero_copy_only=False) if numeric else None
        texts = [] if numeric else ["" if cell is None else str(cell) for cell in column.to_pylist()]
        if numbers is not None:
            texts = [f"{value:g}" for value in numbers] if _is_status(field.name, said) else []
        columns.append(NamedColumn(field.name, *name_and_unit(field.name), numbers, texts))
    return records_of(columns, _instants(table.column(name)), said, notes)


def _is_status(name: str, said: IntervalDescription) -> bool:
    found = said.rule_for(name, name)
    return (found is not None and found[0].status) or name.lower() in ("flag", "flags", "flagged", "event", "status")


def _time_column(schema: pa.Schema) -> str | None:
    import pyarrow as pa

    names = [field.name for field in schema if pa.types.is_timestamp(field.type)]
    return names[0] if len(names) == 1 else None


def _instants(column: Any) -> Any:
    return np.asarray(column.to_numpy(zero_copy_only=False)).astype("datetime64[ns]").astype(np.int64)
