"""What a stored capture holds: its header, the digest by which it is named, or all of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from halfcycle.pipeline.capture import Capture, Header, SampleArray, content_digest
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.store.packs import Pack, pack_of
from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES, column_names, header_of

if TYPE_CHECKING:
    import pyarrow.parquet as pq

_LOOKS: Final = 3


def stored_header(path: Path) -> Header:
    """Header of a stored capture, from the file's footer alone.

    Raises
    ------
    DamagedCapture : the file is no capture of the store, or damaged.
    """
    with _opened(path) as one:
        return one.header


def stored_digest(path: Path, pack: Pack | None = None) -> str:
    """The digest of a stored capture's content, whatever its name says; no more of it than a row group is in memory.

    pack : as for `stored_capture`.

    Raises
    ------
    DamagedCapture : it cannot be read.
    """
    with _opened(path, pack) as one:
        return content_digest(one.header, one.samples())


def stored_capture(path: Path, pack: Pack | None = None) -> Capture:
    """A stored capture whole, with all its channels.

    pack : that it is taken from, be there a file of that path; None: from where it lies.

    Raises
    ------
    DamagedCapture : it cannot be read.
    """
    with _opened(path, pack) as one:
        return Capture(one.header, one.whole())


def place_of(path: Path) -> tuple[Path, int]:
    """The file that a stored capture lies in, and its place among the captures that a reader takes from it."""
    pack = pack_of(path)
    return (path, 0) if pack is None else (pack.path, pack.index(path.stem))


def stored_size(path: Path) -> int:
    """How much of the disk a stored capture takes. [bytes]

    Raises
    ------
    OSError : it is not there.
    """
    pack = pack_of(path)
    return path.stat().st_size if pack is None else pack.size(path.stem)


@dataclass(frozen=True, slots=True)
class _Opened:
    """A stored capture in its file. groups : the row groups that hold it."""

    path: Path
    header: Header
    file: pq.ParquetFile
    groups: Sequence[int]

    def samples(self) -> Iterator[SampleArray]:
        """All samples of one channel after the other, no more than a row group at once."""
        for name in column_names(self.header.channels):
            batches = self.file.iter_batches(
                ROW_GROUP_SAMPLES, row_groups=list(self.groups), columns=[name], use_threads=False
            )
            for batch in batches:
                yield batch.column(name).to_numpy(zero_copy_only=True)

    def whole(self) -> SampleArray:
        """All samples, shape (channels, samples)."""
        table = self.file.read_row_groups(list(self.groups), column_names(self.header.channels), use_threads=False)
        n_samples = self.header.n_samples
        if table.num_rows != n_samples:
            held = f"it holds {table.num_rows} rows, its header states {n_samples}"
            raise DamagedCapture(self.path, f"cannot be read ({held})")
        samples = np.empty((table.num_columns, n_samples), self.header.sample_type)
        for row, column in zip(samples, table.columns, strict=True):
            first = 0
            for chunk in column.chunks:
                row[first : first + len(chunk)] = chunk.to_numpy(zero_copy_only=True)
                first += len(chunk)
        return samples


@contextmanager
def _opened(path: Path, pack: Pack | None = None) -> Iterator[_Opened]:
    """A stored capture in the file that it lies in. pack : as for `stored_capture`.

    Raises
    ------
    DamagedCapture : it has no header, or cannot be read while it is open.
    """
    import pyarrow as pa

    what = "is not a stored capture"
    try:
        within, file = _file_of(path, pack)
        with file:
            header = header_of(file.schema_arrow.metadata) if within is None else within.headers[path.stem]
            groups = range(file.num_row_groups) if within is None else within.groups[path.stem]
            if header is None:
                raise DamagedCapture(path, f"{what} (it has no header)")
            what = "cannot be read"
            yield _Opened(path, header, file, groups)
    except (MemoryError, DamagedCapture):  # pyarrow's MemoryError is an ArrowException too
        raise
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        raise DamagedCapture(path, f"{what} ({error})") from error


def _file_of(path: Path, pack: Pack | None) -> tuple[Pack | None, pq.ParquetFile]:
    """The file that a stored capture lies in, and the pack where it is one; it may be packed while it is looked for."""
    import pyarrow.parquet as pq

    for _ in range(_LOOKS):
        within = pack or pack_of(path)
        place, metadata = (path, None) if within is None else (within.path, within.metadata)
        with suppress(FileNotFoundError):
            return within, pq.ParquetFile(place, metadata=metadata, page_checksum_verification=True, pre_buffer=False)
    raise FileNotFoundError(f"{path.name}: no such file, nor a pack with it")
