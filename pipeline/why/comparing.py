"""A row and the same row made again: equal to the byte, or in which columns not."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.catalogue.reading import read_events
from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.events import Event, catalogue_schema, catalogue_table, value_in

_PLAIN: Final = ".parquet"  # holds values as they are


@dataclass(frozen=True, slots=True)
class Difference:
    """A column, what the row says, and what it says made again."""

    column: str
    was: Any
    now: Any


def as_written(events: Sequence[Event], ending: str) -> list[Event]:
    """Events as a file of some ending holds them: text cannot tell an empty cell from an empty word.

    Parameters
    ----------
    events : in any order.
    ending : ``.parquet``, ``.csv`` or ``.ndjson``.

    Returns
    -------
    In catalogue order.
    """
    if ending == _PLAIN or not events:
        return list(events)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"rows{ending}"
        write_table(catalogue_table(events), path)
        return read_events(path)


def differences(row: Event, again: Event) -> list[Difference]:
    """In which columns two rows differ, in their order; none: their bytes are the same."""
    names = catalogue_schema(uncertainty=True).names
    pairs = [(name, value_in(row, name), value_in(again, name)) for name in names]
    return [Difference(name, was, now) for name, was, now in pairs if not _same(was, now)]


def _same(was: Any, now: Any) -> bool:
    if isinstance(was, float) and isinstance(now, float):
        return was.hex() == now.hex()
    return type(was) is type(now) and bool(was == now)
