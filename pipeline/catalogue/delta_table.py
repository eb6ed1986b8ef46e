"""Catalogues in a Delta table, for who asks with SQL: a day's rows take the place of those that the table has of it.

Source: the Delta transaction log protocol, by the library `deltalake`. A Delta table keeps times in microseconds; the
nanoseconds stand beside each in a further column.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.errors import ConfigError, StoreError

if TYPE_CHECKING:
    import pyarrow as pa

DATE: Final = "date"
"""The column of the UTC day on which an event starts."""
Days = set[tuple[str, date]]


@dataclass(frozen=True, slots=True)
class Replaced:
    """What a table was given. days : whose rows are other ones than before; rows : of these days, now."""

    days: int
    rows: int


def replace_days(table: pa.Table, where: str, *, is_chosen: Callable[[str, date], bool]) -> Replaced:
    """Make a Delta table hold the rows of a catalogue in place of those it has of the same days, in one transaction.

    Days whose rows are the same are left alone, so that a table of years costs its news; where all are, nothing is
    written.

    Parameters
    ----------
    table : the catalogue of the days.
    where : folder or address of the Delta table; it is made where there is none.
    is_chosen : whether the catalogue speaks of a site's day: its rows in the Delta table are those of the catalogue, or
        none.

    Raises
    ------
    ConfigError : the library is not installed.
    StoreError : the table cannot be read or written, or another one wrote it at the same time.
    """
    try:
        from deltalake import DeltaTable, write_deltalake
    except ImportError as error:
        raise ConfigError(f"{where}: Delta tables need more: pip install 'halfcycle[delta]'") from error
    new, options = _for_delta(table), _options(where)
    with _told(where):
        if not DeltaTable.is_deltatable(where, options):
            write_deltalake(where, new, mode="append", name="events", storage_options=options)
            return Replaced(len(_by_day(new)), new.num_rows)
        held = DeltaTable(where, storage_options=options).to_pyarrow_table()
        if not {"site", DATE} <= set(held.column_names):
            raise StoreError(f"{where}: is a table of other things than events")
        changed = _other_days(held, new, is_chosen)
        if not changed:
            return Replaced(0, 0)
        rows = _rows_of(new, changed)
        write_deltalake(
            where, rows, mode="overwrite", predicate=_predicate(changed), schema_mode="merge", storage_options=options
        )
        return Replaced(len(changed), rows.num_rows)


def _for_delta(table: pa.Table) -> pa.Table:
    """A catalogue as a Delta table can have it: with the day of each row, and times in microseconds."""
    import pyarrow as pa
    import pyarrow.compute as pc

    columns: dict[str, Any] = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        kind = column.type
        if pa.types.is_timestamp(kind):
            columns[name] = pc.floor_temporal(column, unit="microsecond").cast(pa.timestamp("us", tz="UTC"))
            columns[f"{name}_ns"] = column.cast(pa.int64())
        else:
            columns[name] = column.cast(kind.value_type) if pa.types.is_dictionary(kind) else column
    columns[DATE] = columns["start"].cast(pa.date32())
    return pa.table(columns)


def _by_day(table: pa.Table) -> dict[tuple[str, date], list[int]]:
    """The rows of each site's day."""
    found: dict[tuple[str, date], list[int]] = defaultdict(list)
    for i, key in enumerate(zip(table.column("site").to_pylist(), table.column(DATE).to_pylist(), strict=True)):
        found[key].append(i)
    return found


def _other_days(held: pa.Table, new: pa.Table, is_chosen: Callable[[str, date], bool]) -> Days:
    """The days of which a Delta table has other rows than a catalogue, in whatever order."""
    names = sorted({*held.column_names, *new.column_names})
    (rows_held, days_held), (rows_new, days_new) = ((_texts(one, names), _by_day(one)) for one in (held, new))
    return {
        day
        for day in days_held.keys() | days_new.keys()
        if is_chosen(*day)
        and sorted(rows_held[i] for i in days_held.get(day, ())) != sorted(rows_new[i] for i in days_new.get(day, ()))
    }


def _texts(table: pa.Table, names: Collection[str]) -> list[str]:
    """Each row as text, by which rows are told apart; a column that is not there counts as empty."""
    nothing = [None] * table.num_rows
    columns = [table.column(name).to_pylist() if name in table.column_names else nothing for name in names]
    return [repr(row) for row in zip(*columns, strict=True)]


def _rows_of(table: pa.Table, days: Days) -> pa.Table:
    import pyarrow as pa

    by_day = _by_day(table)
    return table.take(pa.array(sorted(i for day in days for i in by_day.get(day, ())), pa.int64()))


def _predicate(days: Days) -> str:
    """Days as a condition in SQL."""
    sites: dict[str, list[str]] = defaultdict(list)
    for site, day in sorted(days):
        sites[site].append(f"'{day.isoformat()}'")
    quoted = {site: site.replace("'", "''") for site in sites}
    return " OR ".join(f"(site = '{quoted[site]}' AND {DATE} IN ({', '.join(ds)}))" for site, ds in sites.items())


def _options(where: str) -> dict[str, str] | None:
    """What the library is to be told beside the environment: that an endpoint of one's own may be without TLS."""
    is_plain = where.startswith("s3://") and os.environ.get("AWS_ENDPOINT_URL", "").startswith("http://")
    return {"AWS_ALLOW_HTTP": "true"} if is_plain else None


@contextmanager
def _told(where: str) -> Iterator[None]:
    """Whatever the library raises, as one sentence."""
    from deltalake.exceptions import DeltaError

    try:
        yield
    except (DeltaError, OSError, ValueError) as error:
        words = (str(error) or type(error).__name__).splitlines()[0]
        raise StoreError(f"{where}: the Delta table cannot be read or written ({words})") from error
