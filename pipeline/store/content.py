"""What a stored capture holds, as the digest by which it is named: read column by column, a row group at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.capture import SampleArray, content_digest
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.store.partitions import stored_header
from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES, column_names

if TYPE_CHECKING:
    import pyarrow.parquet as pq


def stored_digest(path: Path) -> str:
    """The digest of a stored capture's content, whatever its name says; no more of it than a row group is in memory.

    Raises
    ------
    DamagedCapture : it cannot be read.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    header = stored_header(path)
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            return content_digest(header, _samples(file, column_names(header.channels)))
    except MemoryError:  # pyarrow's is an ArrowException too
        raise
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise DamagedCapture(path, f"cannot be read ({error})") from error


def _samples(file: pq.ParquetFile, names: list[str]) -> Iterator[SampleArray]:
    for name in names:
        for batch in file.iter_batches(ROW_GROUP_SAMPLES, columns=[name], use_threads=False):
            yield batch.column(name).to_numpy(zero_copy_only=True)
