"""How columns of samples, from whatever kind of file, become captures."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import MAX_CAPTURE_SAMPLES, Capture, Channel, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.description import (
    Column,
    Description,
    channels_of,
    description_path,
    load_description,
    name_and_unit,
    phase_of_name,
    time_column_of,
    validated,
)
from halfcycle.pipeline.readers.kept import has_gone
from halfcycle.pipeline.readers.time_axis import RowSpan, timing_of
from halfcycle.pipeline.terms import LINE_PHASES, Quantity

Block = tuple[int, list[npt.NDArray[Any]]]
"""Some rows of a file: how many, and of each column that was asked for an array of that length."""

MAX_WIDTH: Final = 64  # the shorter side of a 2-D array: its channels
_SCALARS: Final = {
    "rate_hz": "rate_hz", "fs": "rate_hz", "sampling_rate": "rate_hz", "sample_rate": "rate_hz", "start": "start",
    "nominal_frequency_hz": "nominal_frequency_hz", "f0": "nominal_frequency_hz", "station": "station",
}  # fmt: skip


class ColumnFile(ABC):
    """A file of columns, read block by block so that memory stays bounded.

    Attributes
    ----------
    path : of the file.
    columns : what it holds.
    own : what it says of itself; a description beside it comes first.
    notes : what was odd.
    takes_layout : whether a description's `layout` was heeded.
    """

    takes_layout: bool = False

    def __init__(self, path: Path, *, columns: Sequence[Column], own: Description, notes: Sequence[str] = ()) -> None:
        self.path = path
        self.columns = columns
        self.own = own
        self.notes = notes

    @abstractmethod
    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        """The rows of the columns at these positions, in order; of no columns, the numbers of rows alone."""

    def blocks_from(self, positions: Sequence[int], first: int) -> Iterator[Block]:
        """As `blocks`, from a row on. Those before are read and dropped where a format cannot find rows otherwise."""
        for n_rows, arrays in self.blocks(positions):
            skipped = min(first, n_rows)
            first -= skipped
            if skipped < n_rows:
                yield n_rows - skipped, [array[skipped:] for array in arrays]

    def place(self, i_row: int, column: Column) -> str:
        """Where a row stands in the file, for messages."""
        return f"sample {i_row + 1} of {column.label}"


def captures_of(file: ColumnFile, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    """Captures from a file's columns, its description and its time column.

    Parameters
    ----------
    file : the columns.
    quantities : channels of these only; None: all that tell what they measure. Where ``other`` is named, columns that
        do not tell it are channels, too, for a table of the site to describe.

    Returns
    -------
    Iterator of captures in order of time, cut where samples are missing and at `capture.MAX_CAPTURE_SAMPLES`.

    Raises
    ------
    ReadError : the file or its description is wrong, or they do not say enough.
    """
    yield from ColumnCaptures(file, quantities).captures()


class ColumnCaptures:
    """The captures in a file of columns: what they are is worked out once, their samples are read when asked for.

    Parameters, errors : as for `captures_of`.
    """

    def __init__(self, file: ColumnFile, quantities: frozenset[Quantity] | None) -> None:
        path, columns = file.path, file.columns
        said = load_description(path).over(file.own)
        if said.layout is not None and not file.takes_layout:
            raise MalformedRecord(description_path(path), "layout", "applies only to arrays of a NumPy archive (.npz)")
        i_time = time_column_of(columns, said=said, path=path)
        keep_unknown = quantities is not None and "other" in quantities
        channels, notes = channels_of(
            columns, said=said, own=file.own, i_time=i_time, path=path, keep_unknown=keep_unknown
        )
        if keep_unknown:
            channels = dict(sorted((channels | _unknown(columns, channels, i_time)).items()))
        _check_lengths(path, [columns[i] for i in (*channels, *(() if i_time is None else (i_time,)))])
        rate_hz, spans, time_notes = timing_of(file, said=said, i_time=i_time)
        wanted = {i: channel for i, channel in channels.items() if quantities is None or channel.quantity in quantities}
        sample_type, type_notes = _sample_type(file, tuple(wanted))
        if sample_type == "float32":  # there NaN marks missing samples
            given = tuple(replace(channel, missing_code=None) for channel in wanted.values())
        else:
            given = tuple(wanted.values())
        self._file, self._spans, self._channels = file, spans, wanted
        self._ahead: tuple[int, Iterator[Block]] | None = None  # the row after the samples that were asked for last
        self._header = Header(
            station=said.station or "",
            start_ns=0,
            rate_hz=rate_hz,
            n_samples=0,
            channels=given,
            sample_type=sample_type,
            nominal_frequency_hz=said.nominal_frequency_hz,
            trigger_ns=said.trigger_ns,
            source=path.name,
            notes=(*file.notes, *notes, *time_notes, *type_notes),
        )

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        place = self._place(first)
        if place is not None:
            i_span, i_row, first_row = place
            yield from _pieces(self._file, self._header, self._spans[i_span:], self._channels, i_row, first_row)

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a capture."""
        place = self._place(index)
        if place is None:
            raise has_gone(self._file.path, index)
        row, n_rows = place[2] + start, stop - start
        if self._ahead is None or self._ahead[0] != row:
            self._ahead = row, self._file.blocks_from(tuple(self._channels), row)
        blocks = self._ahead[1]
        codes = [channel.missing_code for channel in self._channels.values()]
        parts: list[npt.NDArray[Any]] = []
        while n_rows:
            n_block, arrays = next(blocks)
            n = min(n_block, n_rows)
            parts.append(
                _converted([array[:n] for array in arrays], n, sample_type=self._header.sample_type, codes=codes)
            )
            n_rows -= n
            if n < n_block:  # the rest comes first if what follows is asked for next
                blocks = chain([(n_block - n, [array[n:] for array in arrays])], blocks)
        self._ahead = row + stop - start, blocks
        samples: SampleArray = np.concatenate(parts, axis=1)
        _without_endless(samples)
        return samples

    def _place(self, index: int) -> tuple[int, int, int] | None:
        """Of a capture the span, the row in it and the row in the file that it begins with; None: there is none."""
        row = 0
        for i_span, span in enumerate(self._spans):
            n_rows = span.n_rows if span.n_rows is not None else self._n_rows()
            n_pieces = -(-n_rows // MAX_CAPTURE_SAMPLES)
            if index < n_pieces or (index == 0 and n_rows == 0):
                return i_span, index * MAX_CAPTURE_SAMPLES, row + index * MAX_CAPTURE_SAMPLES
            index, row = index - n_pieces, row + n_rows
        return None

    def _n_rows(self) -> int:
        """Rows of the channels, where the file tells; else as many as need be."""
        of_all = [self._file.columns[i].n_rows for i in self._channels] or [one.n_rows for one in self._file.columns]
        return next((n for n in of_all if n is not None), 1 << 62)


def _unknown(columns: Sequence[Column], channels: Mapping[int, Channel], i_time: int | None) -> dict[int, Channel]:
    """Columns of numbers that do not tell what they measure, as long as those that do."""
    known = [*channels, *(() if i_time is None else (i_time,))]
    lengths = {columns[i].n_rows for i in known} or {max((column.n_rows or 0 for column in columns), default=0) or None}
    return {
        i: Channel(column.name, "other", phase_of_name(column.name) if column.phase is None else column.phase, "")
        for i, column in enumerate(columns)
        if i != i_time and i not in known and column.kind.kind in "iuf" and column.n_rows in lengths
    }


def _check_lengths(path: Path, columns: Sequence[Column]) -> None:
    for column in columns:
        if column.n_rows != columns[0].n_rows:
            raise MalformedRecord(path, column.label, f"holds {column.n_rows} samples, but {columns[0].label} holds "
                                  f"{columns[0].n_rows}; name the channels to read under [channels] in "
                                  f"{description_path(path).name}")  # fmt: skip


def _pieces(
    file: ColumnFile,
    header: Header,
    spans: Sequence[RowSpan],
    channels: Mapping[int, Channel],
    i_row: int,
    first_row: int,
) -> Iterator[Capture]:
    """Cut the rows at the ends of spans and at the largest capture's length, from a row of the first span on."""
    codes = [channel.missing_code for channel in channels.values()]
    parts: list[npt.NDArray[Any]] = []
    held = i_span = 0  # samples in parts; the span behind them, and above the row in it
    for n_rows, arrays in file.blocks_from(tuple(channels), first_row):
        check_time()
        block = _converted(arrays, n_rows, sample_type=header.sample_type, codes=codes)
        at = 0
        while at < n_rows:
            span = spans[i_span]
            take = min(n_rows - at, MAX_CAPTURE_SAMPLES - held)
            take = take if span.n_rows is None else min(take, span.n_rows - i_row)
            parts.append(block[:, at : at + take])
            held, i_row, at = held + take, i_row + take, at + take
            if held == MAX_CAPTURE_SAMPLES or i_row == span.n_rows:
                capture = _capture(header, span, parts, i_first=i_row - held)
                parts, held = [], 0
                yield capture
                del capture  # it may not be needed any more while this waits
            if i_row == span.n_rows:
                i_span, i_row = i_span + 1, 0
    if parts:
        yield _capture(header, spans[i_span], parts, i_first=i_row - held)
    if i_span == i_row == 0:
        raise MalformedRecord(file.path, "", "holds no samples")


def _capture(header: Header, span: RowSpan, parts: list[npt.NDArray[Any]], *, i_first: int) -> Capture:
    samples = np.concatenate(parts, axis=1)
    notes = header.notes
    if n_endless := _without_endless(samples):
        notes = (*notes, Repair(f"{n_endless} values are infinite or beyond float32; read as missing"))
    at_start = replace(header, start_ns=span.start_ns)
    return Capture(
        replace(header, start_ns=at_start.time_ns(i_first), n_samples=samples.shape[1], notes=notes), samples
    )


def _without_endless(samples: npt.NDArray[Any]) -> int:
    """Make infinite samples missing ones; how many there were."""
    if samples.dtype.kind != "f":
        return 0
    endless = np.isinf(samples)
    n_endless = int(np.count_nonzero(endless))
    if n_endless:
        samples[endless] = np.nan
    return n_endless


def _converted(
    arrays: Sequence[npt.NDArray[Any]], n_rows: int, *, sample_type: str, codes: Sequence[int | None]
) -> npt.NDArray[Any]:
    block = np.empty((len(arrays), n_rows), dtype=sample_type)
    with np.errstate(over="ignore", invalid="ignore"):  # beyond float32 becomes infinite, and that is noted
        for row, array, code in zip(block, arrays, codes, strict=True):
            row[:] = array
            if code is not None and sample_type == "float32":
                row[array == code] = np.nan
    return block


def _sample_type(file: ColumnFile, positions: Sequence[int]) -> tuple[str, list[str]]:
    """The one type that holds all the columns: the stored one where captures allow it."""
    kinds = {i: file.columns[i].kind for i in positions}
    ranges = {i: [0, 0] for i, kind in kinds.items() if kind.kind in "iu" and not np.can_cast(kind, np.int32)}
    if ranges:
        for _, arrays in file.blocks(tuple(ranges)):
            check_time()
            for reach, array in zip(ranges.values(), arrays, strict=True):
                reach[:] = min(reach[0], int(array.min(initial=0))), max(reach[1], int(array.max(initial=0)))
    held: set[str] = set()
    for i, kind in kinds.items():
        low, high = ranges.get(i, (0, 0))
        fits = kind.kind in "iu" and low >= -(2**31) and high < 2**31
        short = low >= -(2**15) and high < 2**15 if i in ranges else np.can_cast(kind, np.int16)
        held.add(("int16" if short else "int32") if fits else "float32")
    if "float32" not in held:
        return ("int32" if "int32" in held else "int16"), []
    wide = [file.columns[i].label for i, kind in kinds.items() if kind.kind in "iu" and not np.can_cast(kind, np.int16)]
    return "float32", [f"integers held as float32, exact to 24 bits: {', '.join(wide)}"] if wide else []


def columns_of_array(name: str, shape: tuple[int, ...], kind: np.dtype[Any]) -> list[Column]:
    """The columns in a named array.

    Parameters
    ----------
    name : of the array, perhaps with its unit: ``v1``, ``v1_V``.
    shape : 1-D, or 2-D whose shorter side are the channels: ``name_1``, ``name_2`` …, three of them phases A, B, C.
    kind : of its elements.

    Returns
    -------
    Columns; none where the array holds no series of numbers or times.
    """
    sides = [side for side in shape if side != 1]
    if kind.kind not in "iufM" or not 1 <= len(sides) <= 2 or (kind.kind == "f" and kind.itemsize > 8):
        return []
    if len(sides) == 1:
        return [Column(name, name, name_and_unit(name)[1], kind, n_rows=sides[0])]
    width, n_rows = sorted(sides)
    if width > MAX_WIDTH or width == n_rows:
        return []
    stem, unit = name_and_unit(name)
    phases = LINE_PHASES if width == len(LINE_PHASES) else ("",) * width
    labels = [f"{stem}_{i + 1}" for i in range(width)]
    return [Column(label, label, unit, kind, n_rows, phase) for label, phase in zip(labels, phases, strict=True)]


def own_description(scalars: Mapping[str, object], *, path: Path) -> Description:
    """What a file's scalars say of it: ``rate_hz`` (or ``fs`` …), ``start``, ``station``, ``nominal_frequency_hz``.

    Raises
    ------
    MalformedRecord : a value is not allowed.
    """
    document: dict[str, object] = {}
    places: dict[str, str] = {}
    for name, value in scalars.items():
        key = _SCALARS.get(name.rpartition(".")[2].lower())
        text = isinstance(value, str)
        if key is not None and text == (key in ("start", "station")):
            document[key], places[key] = value, name
    return validated(document, path=path, places=places)
