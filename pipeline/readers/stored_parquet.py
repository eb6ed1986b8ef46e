"""Captures as our own store lays them in Parquet: their headers, and their rows decoded row group by row group."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, get_args

import numpy as np

from halfcycle.pipeline.capture import MAX_CAPTURE_SAMPLES, SAMPLE_TYPES, Capture, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.kept import has_gone
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Quantity

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_PHASES: Final = ("", *LINE_PHASES, *LINE_TO_LINE_PHASES, NEUTRAL)


@contextmanager
def decoding(path: Path, place: str = "") -> Iterator[None]:
    """Let errors of decoding name a file, and the place in it."""
    import pyarrow as pa

    try:
        yield
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        raise MalformedRecord(path, place, f"cannot be decoded ({error})") from error


def stored_headers(path: Path, file: pq.ParquetFile) -> list[Header] | None:
    """The headers of the captures in a file of our own, checked against its columns; None for a plain table.

    Raises
    ------
    MalformedRecord : they are broken, or the columns are others.
    """
    from halfcycle.pipeline.waveform_table import HEADER_KEY, PACK_KEY, header_of, packed_in

    schema, metadata = file.schema_arrow, file.metadata.metadata
    key = PACK_KEY if PACK_KEY in (metadata or {}) else HEADER_KEY
    try:
        single, packed = header_of(schema.metadata), packed_in(metadata)
        headers = [single] if single is not None else None if packed is None else list(packed.values())
        for header in headers or ():
            _check_header(header)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        place = f"metadata {key.decode()}"
        raise MalformedRecord(path, place, f"the header is broken ({error or type(error).__name__})") from error
    for header in headers or ():
        _check_columns(path, schema, header, is_packed=key == PACK_KEY)
    if len({tuple(channel.quantity for channel in header.channels) for header in headers or ()}) > 1:
        raise MalformedRecord(path, "", "its captures differ in what their channels hold")
    return headers


def _check_columns(path: Path, schema: pa.Schema, header: Header, *, is_packed: bool) -> None:
    from halfcycle.pipeline.waveform_table import capture_column, column_names

    names = column_names(header.channels)
    if schema.names != [*names, *([capture_column(header)] if is_packed else ())]:
        raise MalformedRecord(path, "", f"its columns are {schema.names}, the header's channels {names}")
    for name in names:
        kind = str(schema.field(name).type)
        if kind != {"float32": "float"}.get(header.sample_type, header.sample_type):
            raise MalformedRecord(path, name, f"holds {kind}, the header states {header.sample_type}")


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
        raise TypeError("a name, unit, point, station, source or note is not text")
    if header.rate_hz <= 0 or header.n_samples < 0 or not -(2**63) <= header.start_ns < 2**63:
        raise ValueError(f"rate_hz {header.rate_hz}, n_samples {header.n_samples} or start_ns {header.start_ns}")
    if header.sample_type not in SAMPLE_TYPES:
        raise ValueError(f"sample_type {header.sample_type!r}; allowed are {', '.join(SAMPLE_TYPES)}")


class StoredCaptures:
    """Captures of our own, their pieces decoded row group by row group into one array each.

    Parameters
    ----------
    path, file : opened.
    stored : the headers of its captures.
    quantities : channels that are wanted; None: all.
    """

    def __init__(
        self, path: Path, file: pq.ParquetFile, stored: Sequence[Header], quantities: frozenset[Quantity] | None
    ) -> None:
        from halfcycle.pipeline.waveform_table import column_names

        self._path, self._file = path, file
        self._pieces = pieces_of(path, file, stored, quantities)
        channels = stored[0].channels
        wanted = [quantities is None or channel.quantity in quantities for channel in channels]
        self._names = [name for name, is_wanted in zip(column_names(channels), wanted, strict=True) if is_wanted]

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The pieces from the one at `first` on."""
        if first < len(self._pieces):
            rows = _Rows(self._path, self._file, self._names, self._pieces[first][0])
            for _, header in self._pieces[first:]:
                yield Capture(header, rows.take(header.n_samples, header.sample_type))

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a piece."""
        if index >= len(self._pieces):
            raise has_gone(self._path, index)
        row, header = self._pieces[index]
        return _Rows(self._path, self._file, self._names, row + start).take(stop - start, header.sample_type)


class _Rows:
    """Rows of some columns of plain numbers, in order from one of them on."""

    def __init__(self, path: Path, file: pq.ParquetFile, names: Sequence[str], first: int) -> None:
        self._path, self._names, self._row = path, names, first
        with decoding(path):
            self._batches = batches_from(file, names, first)
        self._arrays: list[Any] = []  # of the batch at hand
        self._n_batch = self._used = 0

    def take(self, n_rows: int, sample_type: str) -> SampleArray:
        """The next rows, shape (n_columns, n_rows).

        Raises
        ------
        MalformedRecord : they cannot be decoded, or there are not as many.
        """
        samples = np.empty((len(self._names), n_rows), dtype=sample_type)
        filled = 0 if self._names else n_rows
        while filled < n_rows:
            if self._used == self._n_batch:
                with decoding(self._path, f"row {self._row + 1}"):
                    self._next_batch()
            n = min(self._n_batch - self._used, n_rows - filled)
            for row, array in zip(samples, self._arrays, strict=True):
                row[filled : filled + n] = array[self._used : self._used + n]
            filled, self._used, self._row = filled + n, self._used + n, self._row + n
        return samples

    def _next_batch(self) -> None:
        batch = next(self._batches, None)
        if batch is None:
            raise ValueError("the rows end early")
        self._arrays = [batch.column(name).to_numpy(zero_copy_only=True) for name in self._names]
        self._n_batch, self._used = batch.num_rows, 0


def batches_from(file: pq.ParquetFile, names: Sequence[str], first: int) -> Iterator[pa.RecordBatch]:
    """Some columns from a row on, without decoding the row groups before it."""
    from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES

    metadata, group = file.metadata, 0
    while group < metadata.num_row_groups - 1 and first >= metadata.row_group(group).num_rows:
        first -= metadata.row_group(group).num_rows
        group += 1
    groups = list(range(group, metadata.num_row_groups))
    batches = file.iter_batches(ROW_GROUP_SAMPLES, row_groups=groups, columns=list(names), use_threads=False)
    return _without_first(batches, first)


def _without_first(batches: Iterator[pa.RecordBatch], n_rows: int) -> Iterator[pa.RecordBatch]:
    for batch in batches:
        skipped = min(n_rows, batch.num_rows)
        n_rows -= skipped
        if skipped < batch.num_rows:
            yield batch.slice(skipped)


def pieces_of(
    path: Path, file: pq.ParquetFile, stored: Sequence[Header], quantities: frozenset[Quantity] | None
) -> list[tuple[int, Header]]:
    """The pieces that captures of our own are read in: the row that each begins with, and its header."""
    n_rows, n_stated = file.metadata.num_rows, sum(header.n_samples for header in stored)
    if n_rows != n_stated:
        raise MalformedRecord(path, "", f"holds {n_rows} rows, the header states {n_stated}")
    pieces: list[tuple[int, Header]] = []
    row = 0
    for header in stored:
        channels = tuple(channel for channel in header.channels if quantities is None or channel.quantity in quantities)
        for first in range(0, max(header.n_samples, 1), MAX_CAPTURE_SAMPLES):
            n_samples = min(MAX_CAPTURE_SAMPLES, header.n_samples - first)
            start_ns = header.time_ns(first)
            piece = replace(header, channels=channels, source=path.name, start_ns=start_ns, n_samples=n_samples)
            pieces.append((row + first, piece))
        row += header.n_samples
    return pieces
