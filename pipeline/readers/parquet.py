"""Parquet: captures as our own store lays them, and plain tables of samples with a time column or a rate.

A file of our own carries its whole header in its metadata (`waveform_table`); a description beside it is not looked
at. A plain table may say ``rate_hz``, ``start``, ``station`` and ``nominal_frequency_hz`` in its key-value metadata.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, get_args

import numpy as np

from pipeline.capture import MAX_CAPTURE_SAMPLES, SAMPLE_TYPES, Capture, Header
from pipeline.errors import MalformedRecord, ReadError
from pipeline.readers.columns import Block, ColumnFile, captures_of, own_description
from pipeline.readers.contract import Reader
from pipeline.readers.description import Column, companions, name_and_unit
from pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Quantity

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_MAGIC: Final = b"PAR1"
_PHASES: Final = ("", *LINE_PHASES, *LINE_TO_LINE_PHASES, NEUTRAL)


@contextmanager
def _read_errors(path: Path, place: str = "") -> Iterator[None]:
    import pyarrow as pa

    try:
        yield
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        raise MalformedRecord(path, place, f"cannot be decoded ({error})") from error


def _stored_header(path: Path, schema: pa.Schema) -> Header | None:
    """The header of a capture of our own, checked against the file's columns; None for a plain table."""
    from pipeline.waveform_table import HEADER_KEY, column_names, header_of

    try:
        header = header_of(schema.metadata)
        if header is None:
            return None
        _check_header(header)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        place = f"metadata {HEADER_KEY.decode()}"
        raise MalformedRecord(path, place, f"the header is broken ({error or type(error).__name__})") from error
    names = column_names(header.channels)
    if schema.names != names:
        raise MalformedRecord(path, "", f"its columns are {schema.names}, the header's channels {names}")
    for column in schema:
        if str(column.type) != {"float32": "float"}.get(header.sample_type, header.sample_type):
            raise MalformedRecord(path, column.name, f"holds {column.type}, the header says {header.sample_type}")
    return header


def _check_header(header: Header) -> None:
    """Refuse values that a header of our own cannot have.

    Raises
    ------
    ValueError, TypeError : saying which.
    """
    whole = {"start_ns": header.start_ns, "n_samples": header.n_samples}
    texts = [header.station, header.source, *header.notes]
    numbers = {"rate_hz": header.rate_hz, "nominal_frequency_hz": header.nominal_frequency_hz or 1.0}
    for i, channel in enumerate(header.channels):
        texts += [channel.name, channel.unit, channel.point]
        numbers |= {f"scale of channel {i + 1}": channel.scale, f"offset of channel {i + 1}": channel.offset}
        numbers[f"rated of channel {i + 1}"] = channel.rated or 1.0
        codes = {"missing_code": channel.missing_code, "rail_low": channel.rail_low, "rail_high": channel.rail_high}
        whole |= {f"{name} of channel {i + 1}": code for name, code in codes.items() if code is not None}
        if channel.quantity not in get_args(Quantity) or channel.phase not in _PHASES:
            raise ValueError(f"channel {i + 1} has quantity {channel.quantity!r} and phase {channel.phase!r}")
    whole |= {} if header.trigger_ns is None else {"trigger_ns": header.trigger_ns}
    if any(type(value) is not int for value in whole.values()):
        raise TypeError(f"these must be integers: {whole}")
    if any(type(value) not in (int, float) or not math.isfinite(value) for value in numbers.values()):
        raise TypeError(f"these must be finite numbers: {numbers}")
    if not all(isinstance(text, str) for text in texts):
        raise TypeError("a name, unit, point, station, source or note is no text")
    if header.rate_hz <= 0 or header.n_samples < 0 or not -(2**63) <= header.start_ns < 2**63:
        raise ValueError(f"rate_hz {header.rate_hz}, n_samples {header.n_samples} or start_ns {header.start_ns}")
    if header.sample_type not in SAMPLE_TYPES:
        raise ValueError(f"sample_type {header.sample_type!r}; allowed are {', '.join(SAMPLE_TYPES)}")


def _stored_captures(
    path: Path, file: pq.ParquetFile, stored: Header, quantities: frozenset[Quantity] | None
) -> Iterator[Capture]:
    """The pieces of a capture of our own, decoded row group by row group into one array each."""
    from pipeline.waveform_table import ROW_GROUP_SAMPLES, column_names

    names = column_names(stored.channels)
    wanted = [i for i, channel in enumerate(stored.channels) if quantities is None or channel.quantity in quantities]
    with _read_errors(path):
        batches = file.iter_batches(ROW_GROUP_SAMPLES, columns=[names[i] for i in wanted], use_threads=False)
    arrays: list[Any] = []  # of the batch at hand
    n_batch = used = 0
    first = 0
    for header in _piece_headers(path, file, stored, quantities):
        n_piece = header.n_samples
        samples = np.empty((len(wanted), n_piece), dtype=stored.sample_type)
        filled = 0 if wanted else n_piece
        while filled < n_piece:
            if used == n_batch:
                with _read_errors(path, f"row {first + filled + 1}"):
                    batch = next(batches, None)
                    if batch is None:
                        raise ValueError("the rows end early")
                    arrays = [batch.column(names[i]).to_numpy(zero_copy_only=True) for i in wanted]
                    n_batch, used = batch.num_rows, 0
            n = min(n_batch - used, n_piece - filled)
            for row, array in zip(samples, arrays, strict=True):
                row[filled : filled + n] = array[used : used + n]
            filled, used = filled + n, used + n
        first += n_piece
        yield Capture(header, samples)


def _piece_headers(
    path: Path, file: pq.ParquetFile, stored: Header, quantities: frozenset[Quantity] | None
) -> list[Header]:
    """The headers of the pieces that a capture of our own is read in."""
    n_rows = file.metadata.num_rows
    if n_rows != stored.n_samples:
        raise MalformedRecord(path, "", f"holds {n_rows} rows, the header says {stored.n_samples}")
    channels = tuple(channel for channel in stored.channels if quantities is None or channel.quantity in quantities)
    return [
        replace(
            stored,
            channels=channels,
            source=path.name,
            start_ns=stored.time_ns(first),
            n_samples=min(MAX_CAPTURE_SAMPLES, n_rows - first),
        )
        for first in range(0, max(n_rows, 1), MAX_CAPTURE_SAMPLES)
    ]


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
        notes = [f"columns left out, as they hold no numbers: {', '.join(left_out)}"] if left_out else []
        super().__init__(path, columns=columns, own=own_description(stated, path=path), notes=notes)

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        import pyarrow as pa

        from pipeline.waveform_table import ROW_GROUP_SAMPLES

        if not positions:
            yield self._file.metadata.num_rows, []
            return
        names = [self._names[i] for i in positions]
        with _read_errors(self.path):
            batches = self._file.iter_batches(ROW_GROUP_SAMPLES, columns=names, use_threads=False)
        n_read = 0
        while True:
            with _read_errors(self.path, f"row {n_read + 1}"):
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

    from pipeline.waveform_table import ROW_GROUP_SAMPLES

    schema = file.schema_arrow
    counts = Counter(schema.names)
    asked = [f.name for f in schema if f.nullable and kinds.is_integer(f.type) and counts[f.name] == 1]
    found: set[str] = set()
    with _read_errors(path):
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
    with _read_errors(path):
        return pq.ParquetFile(path, page_checksum_verification=True)


def _read_headers(path: Path, quantities: frozenset[Quantity]) -> list[Header] | None:
    with _opened(path) as file:
        stored = _stored_header(path, file.schema_arrow)
        return None if stored is None else _piece_headers(path, file, stored, quantities)


def _read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    with _opened(path) as file:
        stored = _stored_header(path, file.schema_arrow)
        if stored is not None:
            yield from _stored_captures(path, file, stored, quantities)
        else:
            with _read_errors(path):
                table = _Table(path, file)
            yield from captures_of(table, quantities=quantities)


READER: Final = Reader("Parquet", recognises=_recognises, read=_read, companions=companions, read_headers=_read_headers)
