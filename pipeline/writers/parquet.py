"""Captures as Parquet, in the layout of the store (`waveform_table`)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfcycle.pipeline.capture import Capture, Header
from halfcycle.pipeline.errors import StoreError

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq


def write_waveform_parquet(capture: Capture, path: Path, *, digest: str | None = None) -> None:
    """Write a capture as one Parquet file; the same capture gives the same bytes.

    Integers are delta-coded and floats plain, without dictionary, compression or statistics: this decodes fastest.
    Each page has a checksum, which a reader may verify.

    Parameters
    ----------
    capture : to be written.
    path : of the file; an existing one is replaced. To do so atomically is the caller's part.
    digest : of the capture's content, where the caller has it already.

    Raises
    ------
    StoreError : the file cannot be written.
    """
    from halfcycle.pipeline.waveform_table import schema_of

    schema = schema_of(capture.header, digest=digest or capture.digest())
    with _writer(path, schema, capture.header) as writer:
        _write_rows(writer, schema, capture.header.n_samples, capture.samples)


def write_pack(members: Mapping[str, Header], captures: Iterable[Capture], path: Path) -> None:
    """Write several captures as one Parquet file, encoded as `write_waveform_parquet` does.

    Parameters
    ----------
    members : the headers of all captures by their digests. All have the same columns, quantities and
        sample type.
    captures : the same ones in the same order, one needed at a time.
    path : as for `write_waveform_parquet`.

    Raises
    ------
    StoreError : the file cannot be written.
    """
    import pyarrow as pa

    from halfcycle.pipeline.waveform_table import capture_column, pack_metadata, pack_schema

    first = next(iter(members.values()))
    schema = pack_schema(first)
    with _writer(path, schema, first, named_by=[capture_column(first)]) as writer:
        for digest, capture in zip(members, captures, strict=True):
            named = pa.DictionaryArray.from_arrays(np.zeros(capture.header.n_samples, np.int32), [digest])
            _write_rows(writer, schema, capture.header.n_samples, [*capture.samples, named])
        writer.add_key_value_metadata(pack_metadata(members))


def _write_rows(writer: pq.ParquetWriter, schema: pa.Schema, n_rows: int, columns: Iterable[Any]) -> None:
    """Write the rows of a capture as row groups of its own."""
    import pyarrow as pa

    from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES

    values = list(columns)
    for first in range(0, n_rows, ROW_GROUP_SAMPLES):
        rows = [column[first : first + ROW_GROUP_SAMPLES] for column in values]
        batch = pa.record_batch([row if isinstance(row, pa.Array) else pa.array(row) for row in rows], schema=schema)
        writer.write_batch(batch, row_group_size=ROW_GROUP_SAMPLES)


@contextmanager
def _writer(
    path: Path, schema: pa.Schema, header: Header, *, named_by: Sequence[str] = ()
) -> Iterator[pq.ParquetWriter]:
    """What writes a file of captures. named_by : columns of texts, each text of which is written once."""
    import pyarrow.parquet as pq

    encoding = "PLAIN" if header.sample_type == "float32" else "DELTA_BINARY_PACKED"
    try:
        with pq.ParquetWriter(
            path,
            schema,
            use_dictionary=list(named_by) or False,
            compression="NONE",
            column_encoding={name: encoding for name in schema.names if name not in named_by},
            write_statistics=False,
            write_page_checksum=True,
        ) as writer:
            yield writer
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error
