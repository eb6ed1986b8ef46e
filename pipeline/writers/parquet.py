"""Captures as Parquet, in the layout of the store (`waveform_table`)."""

from __future__ import annotations

from pathlib import Path

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import StoreError


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
    import pyarrow as pa
    import pyarrow.parquet as pq

    from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES, schema_of

    schema = schema_of(capture.header, digest=digest or capture.digest())
    encoding = "PLAIN" if capture.header.sample_type == "float32" else "DELTA_BINARY_PACKED"
    try:
        with pq.ParquetWriter(
            path,
            schema,
            use_dictionary=False,
            compression="NONE",
            column_encoding=dict.fromkeys(schema.names, encoding),
            write_statistics=False,
            write_page_checksum=True,
        ) as writer:
            for first in range(0, capture.header.n_samples, ROW_GROUP_SAMPLES):
                rows = capture.samples[:, first : first + ROW_GROUP_SAMPLES]
                batch = pa.record_batch([pa.array(row) for row in rows], schema=schema)
                writer.write_batch(batch, row_group_size=ROW_GROUP_SAMPLES)
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error
