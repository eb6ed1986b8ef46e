"""NumPy archives (.npz), and how columns of samples, from whatever kind of file, become captures.

Source of the archive's layout: NumPy Enhancement Proposal 1, "A Simple File Format for NumPy Arrays". Arrays that
hold Python objects are never unpickled.
"""

from __future__ import annotations

import lzma
import math
import re
import struct
import zipfile
import zlib
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.capture import MAX_CAPTURE_SAMPLES, Capture, Channel, Header
from pipeline.errors import MalformedRecord, ReadError, Unsupported
from pipeline.readers.contract import Reader
from pipeline.readers.description import (
    Column,
    Description,
    channels_of,
    companions,
    description_path,
    load_description,
    name_and_unit,
    offset_ns,
    ticks_per_second,
    time_column_of,
    validated,
)
from pipeline.terms import LINE_PHASES, Quantity

Block = tuple[int, list[npt.NDArray[Any]]]
"""Some rows of a file: how many, and of each column that was asked for an array of that length."""

MAX_JITTER: Final = 0.05  # of a step, in a time column
GAP: Final = 1.5  # a longer step, in median steps, is a gap
GAPS_IN_A_ROW: Final = 3  # are a change of rate, not gaps
MIN_ROUNDED_STEPS: Final = 3  # uneven steps, before they are put down to the rounding of stamps
MAX_WIDTH: Final = 64  # the shorter side of a 2-D array: its channels

_BLOCK_ROWS: Final = 1 << 17
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
    """

    def __init__(self, path: Path, *, columns: Sequence[Column], own: Description, notes: Sequence[str] = ()) -> None:
        self.path = path
        self.columns = columns
        self.own = own
        self.notes = notes

    @abstractmethod
    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        """The rows of the columns at these positions, in order; of no columns, the numbers of rows alone."""

    def place(self, i_row: int, column: Column) -> str:
        """Where a row stands in the file, for messages."""
        return f"sample {i_row + 1} of {column.label}"


@dataclass(frozen=True, slots=True)
class _Span:
    """Rows without a gap: how many (None: all there are) and when the first was taken. [ns since 1970-01-01]"""

    n_rows: int | None
    start_ns: int


def captures_of(file: ColumnFile, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    """Captures from a file's columns, its description and its time column.

    Parameters
    ----------
    file : the columns.
    quantities : channels of these only; None: all.

    Returns
    -------
    Iterator of captures in order of time, cut where samples are missing and at `capture.MAX_CAPTURE_SAMPLES`.

    Raises
    ------
    ReadError : the file or its description is wrong, or they do not say enough.
    """
    path, columns = file.path, file.columns
    said = load_description(path).over(file.own)
    i_time = time_column_of(columns, said=said, path=path)
    channels, notes = channels_of(columns, said=said, own=file.own, i_time=i_time, path=path)
    _check_lengths(path, [columns[i] for i in (*channels, *(() if i_time is None else (i_time,)))])
    rate_hz, spans, time_notes = _timing(file, said=said, i_time=i_time)
    wanted = {i: channel for i, channel in channels.items() if quantities is None or channel.quantity in quantities}
    sample_type, type_notes = _sample_type(file, tuple(wanted))
    if sample_type == "float32":  # there NaN marks missing samples
        given = tuple(replace(channel, missing_code=None) for channel in wanted.values())
    else:
        given = tuple(wanted.values())
    header = Header(
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
    yield from _pieces(file, header, spans, wanted)


def _check_lengths(path: Path, columns: Sequence[Column]) -> None:
    for column in columns:
        if column.n_rows != columns[0].n_rows:
            raise MalformedRecord(path, column.label, f"holds {column.n_rows} samples, but {columns[0].label} holds "
                                  f"{columns[0].n_rows}; the channels to read can be named under [channels] in "
                                  f"{description_path(path).name}")  # fmt: skip


def _pieces(
    file: ColumnFile, header: Header, spans: Sequence[_Span], channels: Mapping[int, Channel]
) -> Iterator[Capture]:
    """Cut the rows at the ends of spans and at the largest capture's length."""
    codes = [channel.missing_code for channel in channels.values()]
    parts: list[npt.NDArray[Any]] = []
    held = i_span = i_row = 0  # samples in parts; the span, and the row in it, behind them
    for n_rows, arrays in file.blocks(tuple(channels)):
        block = _converted(arrays, n_rows, sample_type=header.sample_type, codes=codes)
        at = 0
        while at < n_rows:
            span = spans[i_span]
            take = min(n_rows - at, MAX_CAPTURE_SAMPLES - held)
            take = take if span.n_rows is None else min(take, span.n_rows - i_row)
            parts.append(block[:, at : at + take])
            held, i_row, at = held + take, i_row + take, at + take
            if held == MAX_CAPTURE_SAMPLES or i_row == span.n_rows:
                yield _capture(header, span, parts, i_first=i_row - held)
                parts, held = [], 0
            if i_row == span.n_rows:
                i_span, i_row = i_span + 1, 0
    if parts:
        yield _capture(header, spans[i_span], parts, i_first=i_row - held)
    if i_span == i_row == 0:
        raise MalformedRecord(file.path, "", "holds no samples")


def _capture(header: Header, span: _Span, parts: list[npt.NDArray[Any]], *, i_first: int) -> Capture:
    samples = np.concatenate(parts, axis=1)
    notes = header.notes
    if header.sample_type == "float32":
        endless = np.isinf(samples)
        if n_endless := np.count_nonzero(endless):
            samples[endless] = np.nan
            notes = (*notes, f"{n_endless} values are infinite or beyond float32; read as missing")
    at_start = replace(header, start_ns=span.start_ns)
    return Capture(
        replace(header, start_ns=at_start.time_ns(i_first), n_samples=samples.shape[1], notes=notes), samples
    )


def _converted(
    arrays: Sequence[npt.NDArray[Any]], n_rows: int, *, sample_type: str, codes: Sequence[int | None]
) -> npt.NDArray[Any]:
    block = np.empty((len(arrays), n_rows), dtype=sample_type)
    with np.errstate(over="ignore"):  # beyond float32 becomes infinite, and that is noted
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
    return "float32", [f"integers held as float32, good to 24 bits: {', '.join(wide)}"] if wide else []


def _timing(file: ColumnFile, *, said: Description, i_time: int | None) -> tuple[float, list[_Span], list[str]]:
    """Sampling rate, spans without gaps, and notes."""
    path, add_to = file.path, description_path(file.path).name
    notes: list[str] = []
    if i_time is None:
        if said.rate_hz is None:
            raise MalformedRecord(path, "", f"no sampling rate and no time column; add rate_hz = ... to {add_to}")
        if said.start_ns is None:
            notes.append("no start given; read as 1970-01-01T00:00:00Z")
        return said.rate_hz, [_Span(None, said.start_ns or 0)], notes
    column = file.columns[i_time]
    stamps = _Stamps(file, column, ticks_per_s=1e9 if column.kind.kind == "M" else ticks_per_second(column, said=said))
    for _, (times,) in file.blocks((i_time,)):
        stamps.add(times)
    if column.kind.kind != "M":
        start_ns = said.start_ns or 0
        notes += ["no start given; t = 0 read as 1970-01-01T00:00:00Z"] if said.start_ns is None else []
    else:
        start_ns = stamps.base_ns - (offset_ns(said.utc_offset) if said.utc_offset and not column.has_zone else 0)
        if said.start_ns is not None:
            notes.append("the start given is taken, not that of the time column")
            start_ns = said.start_ns
        elif not column.has_zone and said.utc_offset is None:
            notes.append(f"the times say no zone; read as UTC (utc_offset in {add_to} says another)")
    rate_hz = stamps.rate_hz(given_hz=said.rate_hz, add_to=add_to)
    notes += stamps.notes()
    ns_per_tick = 1e9 / stamps.ticks_per_s
    return rate_hz, [_Span(n, start_ns + round(first * ns_per_tick)) for n, first, _ in stamps.spans], notes


class _Stamps:
    """Checks a time column block by block, and cuts it into spans without gaps.

    Stamps rounded to fewer digits than the sampling needs come in uneven steps; they are taken as evenly spaced where
    no step is off by more than their resolution.
    """

    def __init__(self, file: ColumnFile, column: Column, *, ticks_per_s: float) -> None:
        self.file, self.column, self.ticks_per_s = file, column, ticks_per_s
        self.spans: list[list[Any]] = []  # rows, first and last stamp of each [ticks]
        self.base_ns = 0
        self.n_rows = 0
        self.jitter = 0.0  # largest departure from an even step [steps]
        self.resolution = 0.0  # of the stamps [ticks]
        self.step: float | None = None  # [ticks]
        self.slack = 0.0  # what rounding may add to a step [ticks]

    def add(self, times: npt.NDArray[Any]) -> None:
        """Take the next rows.

        Raises
        ------
        MalformedRecord : a time is missing, goes backwards, or the steps are uneven.
        """
        if not len(times):
            return
        missing = np.isnat(times) if times.dtype.kind == "M" else ~np.isfinite(times)
        if missing.any():
            raise self._malformed(int(np.argmax(missing)), "the time is missing")
        if times.dtype.kind == "M":
            ns = times.astype("datetime64[ns]").view(np.int64)
            self.base_ns = self.base_ns if self.n_rows else int(ns[0])
            times = ns - self.base_ns
        eps = float(np.finfo(times.dtype).eps) if times.dtype.kind == "f" else float(np.finfo(np.float64).eps)
        ticks = times.astype(np.float64)
        if self.n_rows == 0:
            self.spans.append([1, ticks[0], ticks[0]])
            known = ticks
        else:
            known = np.concatenate(([self.spans[-1][2]], ticks))
        self._judge(known, eps)
        self.n_rows += len(ticks)

    def _judge(self, known: npt.NDArray[np.float64], eps: float) -> None:
        """Check the steps between stamps of which the first was taken before, or is the file's first."""
        steps = np.diff(known)
        i_first = self.n_rows - (self.n_rows > 0) + 1  # row at the end of the first step
        if not len(steps):
            return
        if steps.min() < 0:
            i = int(np.argmax(steps < 0))
            raise self._malformed(i_first + i - self.n_rows, f"time runs backwards, from {known[i]:.12g} to "
                                  f"{known[i + 1]:.12g}{self._unit()}")  # fmt: skip
        if self.step is None:
            self._measure(known, steps, eps)
        step = self.step or 0.0
        gaps = steps > GAP * step + self.slack
        off = np.where(gaps, 0.0, np.abs(steps - step))
        uneven = off > MAX_JITTER * step + self.slack
        if uneven.any():
            i = int(np.argmax(uneven))
            raise self._malformed(i_first + i - self.n_rows, f"the time steps by {steps[i]:.6g}{self._unit()}, where a "
                                  f"step is {step:.6g}: samples are not evenly spaced")  # fmt: skip
        self.jitter = max(self.jitter, float(off.max()) / step)
        self._cut(known, gaps, i_first)

    def _cut(self, known: npt.NDArray[np.float64], gaps: npt.NDArray[np.bool_], i_first: int) -> None:
        at = 0
        for i in np.flatnonzero(gaps).tolist():
            self.spans[-1][0] += i - at
            self.spans[-1][2] = known[i]
            self.spans.append([1, known[i + 1], known[i + 1]])
            at = i + 1
            if len(self.spans) > GAPS_IN_A_ROW and all(n == 1 for n, *_ in self.spans[-GAPS_IN_A_ROW - 1 : -1]):
                raise self._malformed(i_first + i - self.n_rows, "several gaps follow one another: the sampling rate "
                                      "seems to change; a table of one rate is needed")  # fmt: skip
        self.spans[-1][0] += len(gaps) - at
        self.spans[-1][2] = known[-1]

    def _measure(self, known: npt.NDArray[np.float64], steps: npt.NDArray[np.float64], eps: float) -> None:
        """Find the step and the resolution from the first rows."""
        self.resolution = _resolution(known, eps)
        step = float(np.median(steps))
        if np.count_nonzero(np.abs(steps - step) > MAX_JITTER * step) >= MIN_ROUNDED_STEPS:
            slack = 1.001 * self.resolution
            ends = np.flatnonzero(np.concatenate(([True], steps > GAP * step + slack, [True])))
            i_longest = int(np.argmax(np.diff(ends)))
            run = known[ends[i_longest] : ends[i_longest + 1]]
            line = np.linspace(run[0], run[-1], len(run))
            if len(run) > 1 and np.abs(run - line).max() <= 1.1 * self.resolution:
                self.slack, step = slack, float(line[1] - line[0])
        if step <= 0:
            raise self._malformed(-self.n_rows, "the time stands still")
        self.step = step

    def rate_hz(self, *, given_hz: float | None, add_to: str) -> float:
        """The exact rate: as given, else from the stamps, rounded as far as they leave it open. [Hz]"""
        n_steps = sum(n - 1 for n, *_ in self.spans)
        ticks = sum(last - first for _, first, last in self.spans)
        if not n_steps or not ticks:
            if given_hz is None:
                raise MalformedRecord(self.file.path, self.column.label, "too few rows to find the sampling rate; add "
                                      f"rate_hz = ... to {add_to}")  # fmt: skip
            return given_hz
        rate_hz = n_steps * self.ticks_per_s / ticks
        open_hz = rate_hz * self.resolution / ticks
        if given_hz is not None:
            if abs(rate_hz - given_hz) > open_hz + 1e-3 * rate_hz:
                raise MalformedRecord(self.file.path, self.column.label, f"the time column runs at {rate_hz:.6g} Hz, "
                                      f"the rate given is {given_hz:.6g} Hz")  # fmt: skip
            return given_hz
        for rounded_hz in (round(rate_hz), round(rate_hz, 6 - math.floor(math.log10(rate_hz)))):
            if rounded_hz > 0 and abs(rounded_hz - rate_hz) <= open_hz:
                return float(rounded_hz)
        return rate_hz

    def notes(self) -> list[str]:
        """What was odd in the column."""
        notes = [f"the time column jumps {len(self.spans) - 1} times"] if len(self.spans) > 1 else []
        if self.slack:
            notes.append(f"times are rounded to {self.resolution:.3g}{self._unit()}, a step is {self.step:.6g}")
        elif self.jitter > 1e-3 and self.step and self.jitter * self.step > 1.001 * self.resolution:
            notes.append(f"the time column's steps vary by up to {100 * self.jitter:.2g} %")
        return notes

    def _unit(self) -> str:
        return {1.0: " s", 1e3: " ms", 1e6: " us", 1e9: " ns"}[self.ticks_per_s]

    def _malformed(self, i_new: int, reason: str) -> MalformedRecord:
        return MalformedRecord(self.file.path, self.file.place(self.n_rows + i_new, self.column), reason)


def _resolution(ticks: npt.NDArray[np.float64], eps: float) -> float:
    """The largest power of ten that all stamps are multiples of, but not under what their type can tell apart."""
    floor = float(np.abs(ticks).max()) * eps
    for exponent in range(9, -16, -1):
        unit = 10.0**exponent
        if floor > 0.01 * unit:
            break
        counts = ticks / unit
        if np.abs(counts - np.round(counts)).max() <= 1e-3 + 4 * floor / unit:
            return unit
    return floor


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
        return [Column(name, *name_and_unit(name), kind, n_rows=sides[0])]
    width, n_rows = sorted(sides)
    if width > MAX_WIDTH or width == n_rows:
        return []
    stem, unit = name_and_unit(name)
    phases = LINE_PHASES if width == len(LINE_PHASES) else ("",) * width
    labels = [f"{stem}_{i + 1}" for i in range(width)]
    return [Column(label, label, unit, kind, n_rows, phase) for label, phase in zip(labels, phases, strict=True)]


def own_description(scalars: Mapping[str, object], *, path: Path) -> Description:
    """What a file's scalars say of it: ``rate_hz`` (``fs`` …), ``start``, ``station``, ``nominal_frequency_hz`` (``f0``).

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


_MAGIC: Final = b"\x93NUMPY"
_HEADER_KEYS: Final = re.compile(
    r"""\{(?=.*'descr':\s*'(?P<kind>[<>|=]?(?:[biufcSUOV?]\d*|M8\[\d*[a-zμ]+\]))')"""
    r"""(?=.*'fortran_order':\s*(?P<fortran>True|False))(?=.*'shape':\s*\((?P<shape>[\d\s,L]*)\)).*\}\s*""",
    re.DOTALL,
)
_BROKEN: Final = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, OSError, ValueError, IndexError, OverflowError,
)  # fmt: skip


@contextmanager
def _read_errors(path: Path, place: str) -> Iterator[None]:
    try:
        yield
    except RuntimeError as error:  # encrypted, or a compression that this Python lacks
        raise Unsupported(path, place, str(error)) from error
    except _BROKEN as error:
        raise MalformedRecord(path, place, f"the archive is broken ({error or type(error).__name__})") from error


@dataclass(frozen=True, slots=True)
class _Member:
    """One array in an archive, by its header. Its elements start `offset` bytes into the member."""

    name: str
    info: zipfile.ZipInfo
    kind: np.dtype[Any]
    shape: tuple[int, ...]
    is_fortran: bool
    offset: int


def _member(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path) -> _Member | None:
    """Read an array's header; None for a member that is no array of plain elements."""
    name = info.filename.removesuffix(".npy")
    with _read_errors(path, name), archive.open(info) as stream:
        start = stream.read(12)
        if start[:6] != _MAGIC:
            return None
        short = start[6:7] == b"\x01"
        offset = (10 + int.from_bytes(start[8:10], "little")) if short else (12 + int.from_bytes(start[8:12], "little"))
        text = (start[10 if short else 12 :] + stream.read(min(offset - len(start), 1 << 16))).decode("latin-1")
    match = _HEADER_KEYS.fullmatch(text)
    if not match:
        return None
    with _read_errors(path, name):
        shape = tuple(int(side.strip(" \nL")) for side in match["shape"].split(",") if side.strip())
        kind = np.dtype(match["kind"].replace("μ", "u"))
    n_bytes = info.file_size - offset
    if not kind.hasobject and math.prod(shape) * kind.itemsize != n_bytes:
        raise MalformedRecord(path, name, f"holds {n_bytes} bytes, but its header says {shape} elements of {kind}")
    return _Member(name, info, kind, shape, match["fortran"] == "True", offset)


class _Archive(ColumnFile):
    """The arrays of an archive, read through one stream for each series in it."""

    def __init__(self, path: Path, archive: zipfile.ZipFile) -> None:
        members = {info.filename: _member(archive, info, path) for info in archive.infolist()}
        self._archive = archive
        self._sources: list[tuple[_Member, int]] = []  # of each column: the array, and the row in it
        columns: list[Column] = []
        scalars: dict[str, object] = {}
        left_out = [name.removesuffix(".npy") for name, member in members.items() if member is None]
        for member in members.values():
            if member is None:
                continue
            found = columns_of_array(member.name, member.shape, member.kind)
            if math.prod(member.shape) == 1 and member.kind.kind in "iufUS":
                scalars[member.name] = self._scalar(member, path)
            elif not found:
                left_out.append(member.name)
            self._sources += [(member, i) for i in range(len(found))]
            columns += found
        notes = [f"arrays left out, as they hold no series of numbers: {', '.join(left_out)}"] if left_out else []
        super().__init__(path, columns=columns, own=own_description(scalars, path=path), notes=notes)

    def _scalar(self, member: _Member, path: Path) -> object:
        with _read_errors(path, member.name), self._archive.open(member.info) as stream:
            value = np.frombuffer(stream.read()[member.offset :], member.kind)[0].item()
            return value.decode() if isinstance(value, bytes) else value

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        if not positions:
            yield (self.columns[0].n_rows or 0) if self.columns else 0, []
            return
        wanted = {id(self._sources[i][0]): self._sources[i][0] for i in positions}
        series = {key: self._rows(member) for key, member in wanted.items()}
        while True:
            rows = {key: next(stream, None) for key, stream in series.items()}
            arrays = [
                found[i] for found, i in ((rows[id(member)], i) for member, i in map(self._sources.__getitem__, positions))
                if found is not None
            ]  # fmt: skip
            if not arrays:
                return
            yield len(arrays[0]), arrays

    def _rows(self, member: _Member) -> Iterator[npt.NDArray[Any]]:
        """Blocks of an array, shape (series, samples), whatever way it lies in the archive."""
        sides = [side for side in member.shape if side != 1]
        width, n_rows = (1, sides[0]) if len(sides) == 1 else (min(sides), max(sides))
        interleaved = width > 1 and (sides[0] > sides[1]) != member.is_fortran
        starts = [0] if interleaved else [i * n_rows for i in range(width)]
        with _read_errors(self.path, member.name):
            streams = [self._stream(member, start) for start in starts]
        for at in range(0, n_rows, _BLOCK_ROWS):
            n = min(_BLOCK_ROWS, n_rows - at)
            with _read_errors(self.path, member.name):
                parts = [_elements(stream, n * width // len(streams), member.kind) for stream in streams]
            yield parts[0].reshape(n, width).T if interleaved else np.stack(parts)

    def _stream(self, member: _Member, i_start: int) -> IO[bytes]:
        stream = self._archive.open(member.info)
        stream.seek(member.offset + i_start * member.kind.itemsize)
        return stream


def _elements(stream: IO[bytes], n: int, kind: np.dtype[Any]) -> npt.NDArray[Any]:
    data = stream.read(n * kind.itemsize)
    if len(data) < n * kind.itemsize:
        raise EOFError("an array ends early")
    return np.frombuffer(data, kind)


def _recognises(path: Path, head: bytes) -> bool:
    if head[:4] == b"PK\x03\x04" and len(head) > 30:
        n_name = int.from_bytes(head[26:28], "little")
        return head[30 : 30 + n_name].endswith(b".npy") or path.suffix.lower() == ".npz"
    return head[:2] == b"PK" and path.suffix.lower() == ".npz"


def _read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    try:
        stream = path.open("rb")
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    with stream:
        with _read_errors(path, ""):
            archive = zipfile.ZipFile(stream)
        with archive:
            yield from captures_of(_Archive(path, archive), quantities=quantities)


READER: Final = Reader("NumPy archive", recognises=_recognises, read=_read, companions=companions)
