"""NumPy archives (.npz).

Arrays of one series, or of some side by side, tell what they are. Of others a description beside the file says it::

    layout = "event,channel,sample"   # or "channel,sample", "sample,channel", "event,sample"
    array = "data"                    # where more than one array has as many sides
    rate_hz = 3200.0
    [channels.data_1]                 # by the array's name and the place, from 1
    unit = "V"

Each event is a capture. Such an array is held in memory as a whole.

Source of the layout: NumPy Enhancement Proposal 1, "A Simple File Format for NumPy Arrays". Arrays that hold Python
objects are never unpickled.
"""

from __future__ import annotations

import lzma
import math
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import MalformedRecord, ReadError, Unsupported
from halfcycle.pipeline.readers.budget import Budget, check_time
from halfcycle.pipeline.readers.columns import (
    MAX_WIDTH,
    Block,
    ColumnFile,
    captures_of,
    columns_of_array,
    own_description,
)
from halfcycle.pipeline.readers.contract import Reader
from halfcycle.pipeline.readers.description import (
    Column,
    Description,
    companions,
    description_path,
    load_description,
    name_and_unit,
    quantity_of_name,
)
from halfcycle.pipeline.terms import LINE_PHASES, Quantity

MAX_ARRAY_BYTES: Final = 1 << 30  # of one that is read as a whole
_BLOCK_ROWS: Final = 1 << 17
_MAGIC: Final = b"\x93NUMPY"
_HEADER_KEYS: Final = re.compile(
    r"""\{(?=.*'descr':\s*'(?P<kind>[<>|=]?(?:[biufcSUOV?]\d*|M8\[\d*[a-zμ]+\]))')"""
    r"""(?=.*'fortran_order':\s*(?P<fortran>True|False))(?=.*'shape':\s*\((?P<shape>[\d\s,L]*)\)).*\}\s*""",
    re.DOTALL,
)
_BROKEN: Final = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, OSError, ValueError, IndexError,
    OverflowError, TypeError, SyntaxError,
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
    check_time(name)
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
        budget = Budget(path)
        for info in archive.infolist():
            budget.use(info.file_size, info.filename)
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
        self.undecided = [
            member for member in members.values()
            if member is not None and len(member.shape) > 1 and member.kind.kind in "iuf" and member.name in left_out
        ]  # fmt: skip
        notes = [f"arrays ignored, as they hold no series of numbers: {', '.join(left_out)}"] if left_out else []
        super().__init__(path, columns=columns, own=own_description(scalars, path=path), notes=notes)

    def array(self, member: _Member) -> npt.NDArray[Any]:
        """A whole array."""
        n_bytes = math.prod(member.shape) * member.kind.itemsize
        if n_bytes > MAX_ARRAY_BYTES:
            raise Unsupported(self.path, member.name, (
                f"holds {n_bytes} bytes; an array with a layout may hold {MAX_ARRAY_BYTES}: split it"
            ))  # fmt: skip
        with _read_errors(self.path, member.name), self._archive.open(member.info) as stream:
            stream.read(member.offset)
            flat = _elements(stream, math.prod(member.shape), member.kind)
        return flat.reshape(member.shape, order="F" if member.is_fortran else "C")

    def members(self) -> list[_Member]:
        """All arrays of numbers with two sides or more."""
        found = {member.name: member for member, _ in self._sources if len(member.shape) > 1}
        return [*found.values(), *self.undecided]

    def _scalar(self, member: _Member, path: Path) -> object:
        with _read_errors(path, member.name), self._archive.open(member.info) as stream:
            value = np.frombuffer(stream.read()[member.offset :], member.kind)[0].item()
            return value.decode() if isinstance(value, bytes) else value

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        if not positions:
            yield (self.columns[0].n_rows or 0) if self.columns else 0, []
            return
        members = {self._sources[i][0].name: self._sources[i][0] for i in positions}
        for rows in zip(*map(self._rows, members.values()), strict=True):
            of_member = dict(zip(members, rows, strict=True))
            arrays = [of_member[self._sources[i][0].name][self._sources[i][1]] for i in positions]
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
        stream.read(member.offset)  # not by seek, which may give up the check of the member's checksum
        if i_start:
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
            arrays = _Archive(path, archive)
            said = load_description(path)
            if said.layout is not None:
                yield from _laid_out(arrays, said, quantities)
                return
            _check_told(arrays)
            yield from captures_of(arrays, quantities=quantities)


class _Event(ColumnFile):
    """One event of a described array."""

    takes_layout = True

    def __init__(self, archive: _Archive, name: str, values: npt.NDArray[Any], notes: Sequence[str]) -> None:
        stem, unit = name_and_unit(name)
        labels = [name] if len(values) == 1 else [f"{stem}_{i + 1}" for i in range(len(values))]
        phases = LINE_PHASES if len(values) == len(LINE_PHASES) else (None,) * len(values)
        columns = [
            Column(label, label, unit, values.dtype, values.shape[1], phase)
            for label, phase in zip(labels, phases, strict=True)
        ]
        super().__init__(archive.path, columns=columns, own=archive.own, notes=notes)
        self._values = values

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        yield self._values.shape[1], [self._values[i] for i in positions]


def _laid_out(archive: _Archive, said: Description, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    """The captures of an array whose sides a description names: each event one."""
    layout = said.layout or ()
    member = _described_member(archive, said)
    values = archive.array(member)
    if "event" not in layout:
        values, layout = values[None], ("event", *layout)
    if "channel" not in layout:
        values, layout = values[..., None], (*layout, "channel")
    values = values.transpose([layout.index(side) for side in ("event", "channel", "sample")])
    n_events, n_channels, n_samples = values.shape
    if n_channels > MAX_WIDTH:
        beside = description_path(archive.path)
        raise MalformedRecord(beside, "layout", f"makes {n_channels} channels of {member.name}; allowed are "
                              f"{MAX_WIDTH}; check the order of its axes")  # fmt: skip
    shown = " x ".join(f"{n} {side}s" for n, side in zip(values.shape, ("event", "channel", "sample"), strict=True))
    for k in range(n_events):
        notes = [f"array {member.name}, read as {shown}"]
        event = _Event(archive, member.name, values[k], notes)
        for capture in captures_of(event, quantities=quantities):
            header = capture.header
            if n_events > 1:
                hours = k * math.ceil((n_samples / header.rate_hz + 60.0) / 3600.0)
                note = f"event {k + 1}: the array has no times; events are assumed to begin hours apart"
                start_ns = header.start_ns + hours * 3600 * 10**9
                header = replace(header, start_ns=start_ns, notes=(*header.notes, note))
            yield replace(capture, header=header)


def _described_member(archive: _Archive, said: Description) -> _Member:
    sides = said.layout or ()
    beside = description_path(archive.path)
    all_of_them = archive.members()
    fitting = [one for one in all_of_them if len(one.shape) == len(sides) and said.array in (None, one.name)]
    if len(fitting) == 1:
        return fitting[0]
    shown = ", ".join(f"{one.name} {one.shape}" for one in all_of_them) or "none with more than one axis"
    how = "name one as array" if len(fitting) > 1 else "one axis of the array for each word is needed"
    raise MalformedRecord(beside, "layout", f"{','.join(sides)} fits {len(fitting)} arrays of {archive.path.name}, "
                          f"which holds {shown}; {how}")  # fmt: skip


def _check_told(archive: _Archive) -> None:
    """Refuse an archive whose only samples are in an array that does not tell what its sides are."""
    if not archive.undecided or any(column.unit or quantity_of_name(column.name) for column in archive.columns):
        return
    member = archive.undecided[0]
    sides = "event,channel,sample" if len(member.shape) > 2 else "channel,sample"
    raise MalformedRecord(archive.path, member.name, (
        f"has the shape {member.shape}, and the axes of channels and samples cannot be distinguished; write layout = "
        f"\"{sides}\", or the order it has, and rate_hz to {description_path(archive.path).name}"
    ))  # fmt: skip


READER: Final = Reader("NumPy archive", recognises=_recognises, read=_read, companions=companions)
