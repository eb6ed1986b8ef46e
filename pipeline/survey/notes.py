"""What a trend's columns say of themselves, as metadata of its fields: orders covered, lamp, why there is no value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pyarrow as pa


NOTES: Final = ("orders", "lamp", "reason", "derived", "over", "at")
"""What may be noted: orders covered, lamp, why there is no value, of what made, over how long, at which frequency."""
_OURS: Final = {name.encode(): name for name in NOTES}


def with_notes(table: pa.Table, notes: Mapping[str, Mapping[str, str]]) -> pa.Table:
    """A table whose columns carry notes; a column with a ``reason`` has no value and becomes null.

    Parameters
    ----------
    table : a trend.
    notes : by column, of those that have some.
    """
    import pyarrow as pa

    fields, columns = [], []
    written: dict[tuple[tuple[str, str], ...], pa.KeyValueMetadata] = {}  # thousands of columns have a few notes
    for old, column in zip(table.schema, table.columns, strict=True):
        own = notes.get(old.name)
        if own:
            key = tuple(own.items())
            if key not in written:
                written[key] = pa.KeyValueMetadata(dict(own))
            fields.append(old.with_metadata(written[key]))
        else:
            fields.append(old)
        columns.append(pa.nulls(table.num_rows, old.type) if own and "reason" in own else column)
    return pa.table(columns, schema=pa.schema(fields))


def notes_of(table: pa.Table) -> dict[str, dict[str, str]]:
    """The notes of a table's columns, of those that have some."""
    found: dict[str, dict[str, str]] = {}
    read: dict[tuple[tuple[bytes, bytes], ...], dict[str, str]] = {}  # thousands of columns have a few notes
    for field in table.schema:
        if said := field.metadata:
            key = tuple(said.items())
            if key not in read:
                read[key] = {_OURS[key]: value.decode() for key, value in said.items() if key in _OURS}
            found[field.name] = dict(read[key])
    return found


def joined_notes(tables: Sequence[pa.Table]) -> dict[str, dict[str, str]]:
    """What holds for all of some tables together: the fewest orders, a reason only where none has a value."""
    found: dict[str, dict[str, str]] = {}
    of_tables: list[dict[str, dict[str, str]]] = [
        {column: {} for column in table.column_names} | notes_of(table) for table in tables
    ]
    for name in dict.fromkeys(name for notes in of_tables for name in notes):
        of_each = [notes[name] for notes in of_tables if name in notes]
        measured = [own for own in of_each if "reason" not in own]
        if not measured:
            found[name] = dict(of_each[0])
            continue
        together = {key: value for own in measured for key, value in own.items()}
        orders = [own["orders"] for own in measured if "orders" in own]
        if orders:
            together["orders"] = min(orders, key=lambda text: int(text.rpartition("-")[2]))
        lamps = sorted({own["lamp"] for own in measured if "lamp" in own})
        if lamps:
            together["lamp"] = "; ".join(lamps)
        found[name] = together
    return {name: own for name, own in found.items() if own}


def without_notes(table: pa.Table) -> pa.Table:
    """The table, its columns bare: tables whose notes differ go together."""
    import pyarrow as pa

    return table.cast(pa.schema([field.remove_metadata() for field in table.schema]))
