"""Capture files in, captures out. A file's reader is chosen by what the file holds, not only by its ending."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from io import BufferedReader
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.gate import check_header, passed, reading
from halfcycle.pipeline.readers.budget import ReadingTimer
from halfcycle.pipeline.readers.bundle import (
    MEMBER,
    as_member,
    bundle_of,
    is_bundle,
    keep_unpacked,
    member_file,
    members_of,
)
from halfcycle.pipeline.readers.bundle import READER as BUNDLE
from halfcycle.pipeline.readers.contract import Repair, StatusChange
from halfcycle.pipeline.readers.kept import InOrder, Opened, has_gone, opened_file, release
from halfcycle.pipeline.readers.recognition import SPECIAL_FILES, reader_of, reader_of_whole, readers, refuse_special
from halfcycle.pipeline.terms import Quantity

if TYPE_CHECKING:
    from halfcycle.pipeline.readers.intervals.records import IntervalRecords

__all__ = [
    "SPECIAL_FILES",
    "capture_at",
    "capture_files",
    "companions_of",
    "intervals_in",
    "keep_unpacked",
    "known_headers",
    "opened",
    "read_captures",
    "reader_of",
    "readers",
    "refuse_special",
    "remarks_on",
    "samples_at",
    "status_changes",
]


def read_captures(
    path: Path | str, *, quantities: Collection[Quantity] | None = None, strict: bool = False
) -> Iterator[Capture]:
    """Read the captures of one file.

    Parameters
    ----------
    path : of the capture file (for a file pair, the one that describes the data); of a bundle of such files, or of a
        file in one, such as ``night.zip/r.cfg``.
    quantities : only channels of these quantities (``voltage``, ``current``, ``other``); None: all.
    strict : refuse a file in which something had to be put right or guessed, instead of noting that. What is odd but
        allowed, or was assumed where a file is silent, is noted in a strict reading, too.

    Returns
    -------
    Iterator of captures in order of time. A file holds several where its sampling rate changes, where samples are
    missing between parts, or where it is longer than `capture.MAX_CAPTURE_SAMPLES`; a bundle gives those of its files
    one after the other. A file that holds no waveform, but is not broken, gives none: see `remarks_on`.

    Raises
    ------
    ReadError : naming the file, the place in it and what is wrong; in a strict reading, what would be repaired.

    Examples
    --------
    >>> wave = hc.Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=0.5)
    >>> _ = hc.export([hc.synthesise(wave, start_ns=0).capture], "night.cfg")
    >>> [(c.header.rate_hz, c.header.n_samples, len(c.header.channels)) for c in hc.read_captures("night.cfg")]
    [(6400.0, 3200, 3)]
    """
    path = Path(path)
    wanted = None if quantities is None else frozenset(quantities)
    reader = reader_of_whole(path)
    clock = ReadingTimer(path)
    with reading(path, format_name=reader.name), clock.running():
        captures = iter(reader.read(path, quantities=wanted))
    while True:
        with reading(path, format_name=reader.name), clock.running():
            capture = next(captures, None)
            if capture is None:
                return
            capture = passed(capture, path, as_note=Repair)
        if strict:
            _refuse_repairs(capture.header.notes, path=path, source=capture.header.source)
        yield capture
        del capture  # whoever took it may be done with it, and the next one needs its memory


def capture_at(
    path: Path, index: int, *, quantities: Collection[Quantity] | None = None, strict: bool = False
) -> Capture:
    """One of the captures that `read_captures` gives, of a file that was read before.

    Parameters
    ----------
    path, quantities, strict : as for `read_captures`.
    index : its place among them, from 0.

    Raises
    ------
    ReadError : naming this file, whichever of its companions is at fault; or there is no such capture any more.
    """
    with _named(path), _opened(path, quantities) as file:
        capture = file.capture(index)
        if capture is None:
            raise has_gone(path, index)
        capture = as_member(capture, path)
        if strict:
            _refuse_repairs(capture.header.notes, path=path, source=capture.header.source)
        return capture


def samples_at(
    path: Path, index: int, start: int, stop: int, *, quantities: Collection[Quantity] | None = None
) -> SampleArray:
    """The samples [start, stop) of one of the captures that `read_captures` gives, of a file that was read before.

    Parameters
    ----------
    path, index, quantities : as for `capture_at`.
    start, stop : within the capture. [samples]

    Returns
    -------
    Raw samples, shape (channels, stop - start). Formats in which they can be found read no others.

    Raises
    ------
    ReadError : as `capture_at`.
    """
    with _named(path), _opened(path, quantities) as file:
        return file.samples(index, start, stop)


@contextmanager
def _opened(path: Path, quantities: Collection[Quantity] | None) -> Iterator[Opened]:
    """A file opened for its captures; one in a bundle as it lies there unpacked, a whole bundle unpacked anew."""
    wanted = None if quantities is None else frozenset(quantities)
    reader = reader_of(path)
    if reader is BUNDLE:
        with closing(Opened(InOrder(reader, path, wanted))) as file:
            yield file
    elif reader is MEMBER:
        with member_file(path) as real:
            yield opened_file(reader_of(real), real, wanted)
    else:
        yield opened_file(reader, path, wanted)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Let errors name a capture file, whichever of its companions is at fault, and start anew after one."""
    try:
        yield
    except ReadError as error:
        release()
        if error.path == path:
            raise
        raise ReadError(path, "", str(error)) from error


def known_headers(path: Path, *, quantities: Collection[Quantity], strict: bool = False) -> list[Header] | None:
    """The headers of what `read_captures` would give, where the format tells them without decoding samples; else None.

    Raises
    ------
    ReadError : as `read_captures`.
    """
    reader = reader_of_whole(path)
    with reading(path, format_name=reader.name), ReadingTimer(path).running():
        headers = reader.read_headers(path, frozenset(quantities))
        for header in headers or ():
            check_header(header, path)
    if strict:
        for header in headers or ():
            _refuse_repairs(header.notes, path=path, source=header.source)
    return headers


def remarks_on(path: Path, *, strict: bool = False) -> tuple[str, ...]:
    """What a file that gave no capture holds instead of waveforms.

    Parameters
    ----------
    path, strict : as for `read_captures`.

    Returns
    -------
    Remarks in words, one at least.

    Raises
    ------
    ReadError : it is damaged, or holds nothing that its reader could name; in a strict reading, what would be repaired.
    """
    reader = reader_of_whole(path)
    with reading(path, format_name=reader.name), ReadingTimer(path).running():
        remarks = reader.remarks(path)
    if not remarks:
        raise MalformedRecord(path, "", "holds no capture")
    if strict:
        _refuse_repairs(remarks, path=path, source=path.name)
    return remarks


def status_changes(path: Path) -> tuple[StatusChange, ...]:
    """What changes in the status channels of a capture file, in order of time; none where its format has none.

    Raises
    ------
    ReadError : as `read_captures`.
    """
    with ExitStack() as stack:
        real = stack.enter_context(member_file(path)) if not path.exists() and bundle_of(path) is not None else path
        reader = reader_of_whole(real)
        with reading(path, format_name=reader.name), ReadingTimer(path).running():
            return reader.status(real)


def intervals_in(path: Path, *, strict: bool = False) -> tuple[IntervalRecords, ...]:
    """The interval records and logs of RMS in a file, which may lie in a bundle; none where it holds other things.

    Parameters
    ----------
    path, strict : as for `read_captures`.

    Raises
    ------
    ReadError : they cannot be read, with the reason; in a strict reading, what would be repaired.
    """
    from halfcycle.pipeline.readers.intervals import interval_records

    with reading(path, format_name="interval records"), ReadingTimer(path).running():
        if not path.exists() and bundle_of(path) is not None:
            with member_file(path) as real:
                found = interval_records(real)
        else:
            refuse_special(path)
            found = interval_records(path)
    for one in found if strict else ():
        _refuse_repairs(one.notes, path=path, source=path.name)
    return found


def _refuse_repairs(notes: Sequence[str], *, path: Path, source: str) -> None:
    repair = next((note for note in notes if isinstance(note, Repair)), None)
    if repair is not None:
        inside = f"{path.name}/"
        member = source.removeprefix(inside) if inside in source else ""
        raise MalformedRecord(path, member, f"needs repair, which strict reading refuses: {repair}")


@contextmanager
def opened(path: Path) -> Iterator[BufferedReader]:
    """The bytes of a capture file, which may lie in a bundle.

    Raises
    ------
    OSError, ReadError : it cannot be opened.
    """
    if not path.exists() and bundle_of(path) is not None:
        with member_file(path) as real, real.open("rb") as stream:
            yield stream
    else:
        with path.open("rb") as stream:
            yield stream


def companions_of(path: Path) -> tuple[Path, ...]:
    """The other files that belong to a capture file; none for a file that no reader knows."""
    try:
        reader = reader_of(path)
        with reading(path, format_name=reader.name):
            return reader.companions(path)
    except ReadError:
        return ()


def capture_files(roots: Collection[Path], *, in_bundles: bool = False) -> list[Path]:
    """All capture files below folders (or named themselves), sorted, without those that belong to another.

    Parameters
    ----------
    roots : folders, searched through all levels without hidden files, or single files. Links are followed to
        files, not to folders, so that a loop of links ends.
    in_bundles : give the files in a bundle instead of the bundle itself, where it can be unpacked.

    Returns
    -------
    Sorted paths. Files of unknown formats are among them: to say so is the caller's part.

    Raises
    ------
    ReadError : a root does not exist.
    """
    found: set[Path] = set()
    for root in roots:
        if root.is_dir():
            for folder, folders, names in os.walk(root):
                folders[:] = [name for name in folders if not name.startswith(".")]
                found.update(Path(folder, name) for name in names if not name.startswith("."))
        elif root.exists():
            found.add(root)
        else:
            raise ReadError(root, "", "no such file or folder")
    files = sorted(found)
    belonging: set[Path] = set()
    for path in files:
        if path not in belonging:  # what belongs to another has nothing of its own
            belonging.update(companions_of(path))
    files = [path for path in files if path not in belonging]
    return [part for path in files for part in _parts(path)] if in_bundles else files


def _parts(path: Path) -> list[Path]:
    """The files in a bundle; any other file, and a bundle that cannot be unpacked or is empty, is its own only part."""
    try:
        return (members_of(path) if is_bundle(path) else []) or [path]
    except ReadError:
        return [path]
