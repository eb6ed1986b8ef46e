"""Parquet: captures as our own store lays them, and plain tables of samples with a time column or a rate.

A file of our own carries its whole header in its metadata (`waveform_table`); a description beside it is not looked
at. A plain table may say ``rate_hz``, ``start``, ``station`` and ``nominal_frequency_hz`` in its key-value metadata.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers.columns import Block, ColumnCaptures, ColumnFile, own_description
from halfcycle.pipeline.readers.contract import Reader, reading
from halfcycle.pipeline.readers.description import Column, companions, name_and_unit
from halfcycle.pipeline.readers.intervals.description import described_intervals
from halfcycle.pipeline.readers.intervals.parquet import holds_intervals, parquet_intervals
from halfcycle.pipeline.readers.kept import has_gone
from halfcycle.pipeline.readers.stored_parquet import StoredCaptures, batches_from, decoding, pieces_of, stored_headers
from halfcycle.pipeline.terms import Quantity
from halfcycle.pipeline.trend_table import CERTIFICATE_KEY

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_MAGIC: Final = b"PAR1"


class _Table(ColumnFile):
    """The columns of a plain table."""

    def __init__(self, path: Path, file: pq.ParquetFile) -> None:
        self._file = file
        columns: list[Column] = []
        left_out: list[str] = []
        self._names: list[str] = []
        schema = file.schema_arrow
        with_nulls, counts = _with_nulls(path, file), Counter(schema.names)
        for field in schema:
            kind = _kind(field, with_nulls)
            if kind is None or counts[field.name] > 1:
                left_out.append(field.name)
                continue
            has_zone = kind.kind == "M" and field.type.tz is not None
            columns.append(
                Column(field.name, *name_and_unit(field.name), kind, file.metadata.num_rows, has_zone=has_zone)
            )
            self._names.append(field.name)
        stated: dict[str, object] = {}
        for key, value in (schema.metadata or {}).items():
            text = value.decode("utf-8", "replace")
            stated[key.decode("utf-8", "replace")] = _number(text)
        notes = [f"columns ignored, as they hold no numbers: {', '.join(left_out)}"] if left_out else []
        super().__init__(path, columns=columns, own=own_description(stated, path=path), notes=notes)

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        return self.blocks_from(positions, 0)

    def blocks_from(self, positions: Sequence[int], first: int) -> Iterator[Block]:
        """As `blocks`, from a row on, without decoding the row groups before it."""
        import pyarrow as pa

        if not positions:
            yield self._file.metadata.num_rows - first, []
            return
        names = [self._names[i] for i in positions]
        with decoding(self.path):
            batches = batches_from(self._file, names, first)
        n_read = first
        while True:
            with decoding(self.path, f"row {n_read + 1}"):
                batch = next(batches, None)
                if batch is None:
                    break
                arrays = []
                for i, name in zip(positions, names, strict=True):
                    values = batch.column(name)
                    if self.columns[i].kind.kind == "M":
                        values = values.cast(pa.timestamp("ns", values.type.tz))
                    arrays.append(values.to_numpy(zero_copy_only=False))
            n_read += batch.num_rows
            yield batch.num_rows, arrays
        if n_read != self._file.metadata.num_rows:
            raise MalformedRecord(self.path, f"row {n_read + 1}", "the rows end early")


def _kind(field: pa.Field, with_nulls: frozenset[str]) -> np.dtype[Any] | None:
    """The type of a column's values as NumPy has it; None for what is neither number nor time."""
    import pyarrow.types as kinds

    if kinds.is_timestamp(field.type):
        return np.dtype("datetime64[ns]")
    if not (kinds.is_integer(field.type) or kinds.is_floating(field.type)):
        return None
    kind: np.dtype[Any] = np.dtype(field.type.to_pandas_dtype())
    # Integers come as floats where a value is missing.
    return np.dtype(np.float64) if kind.kind in "iu" and field.name in with_nulls else kind


def _with_nulls(path: Path, file: pq.ParquetFile) -> frozenset[str]:
    """Names of the columns of integers in which a value is missing.

    The values themselves tell; the statistics in the footer would tell sooner, but to ask for those of a damaged
    footer can end the whole process.
    """
    import pyarrow.types as kinds

    from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES

    schema = file.schema_arrow
    counts = Counter(schema.names)
    asked = [f.name for f in schema if f.nullable and kinds.is_integer(f.type) and counts[f.name] == 1]
    found: set[str] = set()
    with decoding(path):
        for batch in file.iter_batches(ROW_GROUP_SAMPLES, columns=asked, use_threads=False) if asked else ():
            found.update(name for name in asked if batch.column(name).null_count)
    return frozenset(found)


def _number(text: str) -> object:
    try:
        return float(text)
    except ValueError:
        return text


def _recognises(path: Path, head: bytes) -> bool:
    return head.startswith(_MAGIC)


def _opened(path: Path) -> pq.ParquetFile:
    import pyarrow.parquet as pq

    try:
        stream = path.open("rb")
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    stream.close()
    with decoding(path):
        # Read ahead, every row group asked for would stay in memory until the last is read.
        return pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False)


def _remarks(path: Path) -> tuple[str, ...]:
    """What a file of trends holds."""
    from halfcycle.pipeline.trend_table import certificates_in, remark_of

    with _opened(path) as file, decoding(path, "certificate"):
        certificates = certificates_in(file.schema_arrow.metadata)
        if certificates:
            return (remark_of(certificates, file.metadata.num_rows),)
    return tuple(one.remark for one in parquet_intervals(path))


def _is_slow(path: Path, file: pq.ParquetFile) -> bool:
    """Whether a plain table's rows are interval records."""
    with decoding(path):
        return holds_intervals(file) or described_intervals(path) is not None


class _NoCaptures:
    """A file of trends or interval records: there is no waveform in it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """None."""
        yield from ()

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """There are none."""
        raise has_gone(self._path, index)


def _read_headers(path: Path, quantities: frozenset[Quantity]) -> list[Header] | None:
    with _opened(path) as file:
        stored = stored_headers(path, file)
        return None if stored is None else [header for _, header in pieces_of(path, file, stored, quantities)]


class _Recording:
    """A file opened for its captures."""

    def __init__(self, path: Path, quantities: frozenset[Quantity] | None) -> None:
        self._file = _opened(path)
        try:
            stored = stored_headers(path, self._file)
            self._captures: StoredCaptures | ColumnCaptures | _NoCaptures
            if CERTIFICATE_KEY in (self._file.schema_arrow.metadata or {}):
                self._captures = _NoCaptures(path)
            elif stored is not None:
                self._captures = StoredCaptures(path, self._file, stored, quantities)
            elif _is_slow(path, self._file):
                self._captures = _NoCaptures(path)
            else:
                with decoding(path):
                    table = _Table(path, self._file)
                self._captures = ColumnCaptures(table, quantities)
        except BaseException:
            self.close()
            raise

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        return self._captures.captures(first)

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a capture."""
        return self._captures.samples(index, start, stop)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


READER: Final = Reader(
    "Parquet",
    recognises=_recognises,
    read=reading(_Recording),
    companions=companions,
    read_headers=_read_headers,
    remarks=_remarks,
    opens=_Recording,
)
