"""Tables of `datasets/indices` of which several rows make one entry."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol, TypeVar

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import resource_rows

Row = dict[str, str]


class _Entry(Protocol):
    @property
    def name(self) -> str: ...


Entry = TypeVar("Entry", bound=_Entry)


def rows_by(key: str, file: str) -> dict[str, list[Row]]:
    """The rows of a table by the entry that they belong to, in the order of the file.

    Parameters
    ----------
    key : the column that names the entry.
    file : in `datasets/indices`.
    """
    rows: dict[str, list[Row]] = {}
    for row in resource_rows("datasets", f"indices/{file}"):
        rows.setdefault(row[key], []).append(row)
    return rows


def sources_of(rows: Sequence[Row]) -> tuple[str, ...]:
    """Where the rows of an entry come from, each source once, with its mark."""
    return tuple(dict.fromkeys(f"{row['source']} ({row['mark']})" for row in rows))


def named(name: str, entries: Iterable[Entry], *, kind: str) -> Entry:
    """An entry by its name.

    Raises
    ------
    ConfigError : there is none; it says which there are.
    """
    known = {one.name: one for one in entries}
    if name not in known:
        raise ConfigError(f"{kind} {name!r}; allowed are {', '.join(known)}")
    return known[name]
