"""The file of a day's catalogue: its events, and in its metadata what it was made of."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.catalogue.reading import aligned
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.store.manifest import what_changed, with_manifest
from halfcycle.pipeline.store.partitions import Store, for_partitions

if TYPE_CHECKING:
    import pyarrow as pa

CATALOGUE_KEY: Final = b"halfcycle.catalogue"
Row = tuple[str | None, float, float, str]
"""Of a catalogue's coverage: point, time judged, time not judged [s], why not."""
_MADE_ANEW: Final = "catalogue, nightly or verify --repair rebuilds it"


def catalogue_metadata(path: Path) -> dict[str, Any] | None:
    """What a catalogue says of its inputs; None where there is no such file.

    Raises
    ------
    PlaceError : the file is damaged or no catalogue of ours.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        document = json.loads(pq.read_schema(path).metadata[CATALOGUE_KEY])
    except FileNotFoundError:
        return None
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise PlaceError(f"{path}: is not a catalogue ({error}); {_MADE_ANEW}") from error
    if not isinstance(document, dict):
        raise PlaceError(f"{path}: is not a catalogue (its metadata is no table); {_MADE_ANEW}")
    return document


def metadata_if_whole(path: Path) -> dict[str, Any] | None:
    """As `catalogue_metadata`; None of a catalogue that is damaged, too: it is made anew."""
    try:
        return catalogue_metadata(path)
    except PlaceError:
        return None


def read_events_table(path: Path, names: Sequence[str] | None = None) -> pa.Table:
    """A catalogue's events; columns that an older one lacks are null. names: of some columns; None: all.

    Raises
    ------
    PlaceError : the file is damaged.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            return aligned(file.read(columns=names, use_threads=False), names)
    except (OSError, pa.ArrowException, ValueError) as error:
        raise PlaceError(f"{path}: is not a catalogue ({error}); {_MADE_ANEW}") from error


def read_day(path: Path) -> tuple[dict[str, Any], pa.Table]:
    """What a catalogue says of its inputs, and its events; as `catalogue_metadata` and `read_events_table`, at once.

    Raises
    ------
    PlaceError : the file is damaged, or no catalogue of ours.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            document = json.loads(file.schema_arrow.metadata[CATALOGUE_KEY])
            return dict(document), aligned(file.read(use_threads=False))
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise PlaceError(f"{path}: is not a catalogue ({error}); {_MADE_ANEW}") from error


def altered_catalogue(path: Path, *, key: bytes | None = None) -> str:
    """What of a catalogue is not as its manifest says; as `store.manifest.what_changed`.

    Raises
    ------
    PlaceError : the file is damaged.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            return what_changed(file.read(use_threads=False), key=key)
    except (OSError, pa.ArrowException, ValueError) as error:
        raise PlaceError(f"{path}: is not a catalogue ({error}); {_MADE_ANEW}") from error


def write_catalogue(
    table: pa.Table, document: dict[str, Any], path: Path, store: Store, *, key: bytes | None = None
) -> None:
    """Write a catalogue with its manifest, whole or not at all; each page has a checksum. key: that it is signed with.

    Raises
    ------
    StoreError : it cannot be written; a PlaceError where only this place cannot be.
    """
    import pyarrow.parquet as pq

    said = json.dumps(document, sort_keys=True).encode()
    named = for_partitions(table).replace_schema_metadata({CATALOGUE_KEY: said})
    named = with_manifest(named, "catalogue", document, key=key)
    store.write(path, lambda aside: pq.write_table(named, aside, compression="zstd", write_page_checksum=True))
