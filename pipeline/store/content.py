"""What a stored capture holds: its header, the digest by which it is named, or all of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.pipeline.capture import Capture, Header, SampleArray, content_digest
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES, column_names, header_of

if TYPE_CHECKING:
    import pyarrow.parquet as pq


def stored_header(path: Path) -> Header:
    """Header of a stored capture, from the file's footer alone.

    Raises
    ------
    DamagedCapture : the file is no capture of the store, or damaged.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        header = header_of(pq.read_schema(path).metadata)
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise DamagedCapture(path, f"is not a stored capture ({error})") from error
    if header is None:
        raise DamagedCapture(path, "is not a stored capture (it has no header)")
    return header


def stored_digest(path: Path) -> str:
    """The digest of a stored capture's content, whatever its name says; no more of it than a row group is in memory.

    Raises
    ------
    DamagedCapture : it cannot be read.
    """
    with _opened(path) as (header, file):
        return content_digest(header, _samples(file, column_names(header.channels)))


def stored_capture(path: Path) -> Capture:
    """A stored capture whole, with all its channels.

    Raises
    ------
    DamagedCapture : it cannot be read.
    """
    with _opened(path) as (header, file):
        n_rows = file.metadata.num_rows
        if n_rows != header.n_samples:
            raise DamagedCapture(path, f"cannot be read (it holds {n_rows} rows, its header states {header.n_samples})")
        table = file.read(column_names(header.channels), use_threads=False)
        samples = np.empty((table.num_columns, n_rows), header.sample_type)
        for row, column in zip(samples, table.columns, strict=True):
            first = 0
            for chunk in column.chunks:
                row[first : first + len(chunk)] = chunk.to_numpy(zero_copy_only=True)
                first += len(chunk)
        return Capture(header, samples)


@contextmanager
def _opened(path: Path) -> Iterator[tuple[Header, pq.ParquetFile]]:
    """The header of a stored capture, and its file.

    Raises
    ------
    DamagedCapture : it has no header, or cannot be read while it is open.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    what = "is not a stored capture"
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            header = header_of(file.schema_arrow.metadata)
            if header is None:
                raise DamagedCapture(path, f"{what} (it has no header)")
            what = "cannot be read"
            yield header, file
    except (MemoryError, DamagedCapture):  # pyarrow's MemoryError is an ArrowException too
        raise
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise DamagedCapture(path, f"{what} ({error})") from error


def _samples(file: pq.ParquetFile, names: list[str]) -> Iterator[SampleArray]:
    for name in names:
        for batch in file.iter_batches(ROW_GROUP_SAMPLES, columns=[name], use_threads=False):
            yield batch.column(name).to_numpy(zero_copy_only=True)
