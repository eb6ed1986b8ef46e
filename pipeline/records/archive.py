"""From files to records: one way for all commands. What is no recording is told apart from one that is damaged."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from pathlib import Path
from typing import Final, Literal, TypeVar

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.errors import ConfigError, ReadError, UnknownFormat
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.readers import capture_at, capture_files, known_headers, read_captures, remarks_on, samples_at
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.spread import leave_to_another
from halfcycle.pipeline.terms import Quantity

Outcome = TypeVar("Outcome")
Describe = Callable[[Header, Path], Header]
FileKind = Literal["recording", "no waveform", "damaged", "other"]

_BATCH_FILES: Final = 32
_BATCH_BYTES: Final = 64 << 20
_KEPT_CAPTURES: Final = 2  # of a record, in memory while it is worked on
_KEEP_BYTES: Final = 256 << 20  # of a file's captures that stay in memory between reading and the work on them
_RECORDINGS: Final = frozenset(
    {
        ".cfg",
        ".cff",
        ".dat",
        ".hdr",
        ".inf",
        ".pqd",
        ".pqdif",
        ".parquet",
        ".npz",
        ".mat",
        ".csv",
        ".zip",
        ".gz",
        ".tgz",
    }
)


@dataclass(frozen=True, slots=True)
class SetAside:
    """An input that was not used: its path and the reason, in words."""

    path: Path
    reason: str


@dataclass(frozen=True, slots=True)
class Reading:
    """How files are read.

    Attributes
    ----------
    quantities : channels that are wanted.
    strict : refuse files in which something had to be put right or guessed.
    describe : says what the channels of a header are, where a person told so; None: as the file has it.
    """

    quantities: tuple[Quantity, ...]
    strict: bool = False
    describe: Describe | None = None

    def headers(self, path: Path) -> list[Header] | None:
        """Headers of a file's captures where its format gives them without the samples, else None."""
        known = known_headers(path, quantities=self._read, strict=self.strict)
        return None if known is None else [self._header(header, path) for header in known]

    def captures(self, path: Path) -> Iterable[Capture]:
        """A file's captures, in order of time."""
        for capture in read_captures(path, quantities=self._read, strict=self.strict):
            yield self._capture(capture, path)

    def load(self, path: Path, index: int) -> Capture:
        """One of a file's captures, by its place among them."""
        return self._capture(capture_at(path, index, quantities=self._read, strict=self.strict), path)

    def samples(self, part: Part, start: int, stop: int) -> SampleArray:
        """Some samples of a capture, without the rest of it where its format allows that."""
        if self.describe is None:
            return samples_at(part.path, part.index, start, stop, quantities=self.quantities)
        return self.load(part.path, part.index).samples[:, start:stop]

    @property
    def _read(self) -> tuple[Quantity, ...]:
        """Quantities that are read: all, where a description may say that others are voltages or currents."""
        return self.quantities if self.describe is None else ("voltage", "current", "other")

    def _header(self, header: Header, path: Path) -> Header:
        if self.describe is None:
            return header
        told = self._told(header, path)
        return replace(told, channels=tuple(c for c in told.channels if c.quantity in self.quantities))

    def _told(self, header: Header, path: Path) -> Header:
        try:
            return header if self.describe is None else self.describe(header, path)
        except ConfigError as error:
            raise ReadError(path, "channels", f"do not match the table of the site: {error}") from error

    def _capture(self, capture: Capture, path: Path) -> Capture:
        if self.describe is None:
            return capture
        told = self._told(capture.header, path)
        rows = [i for i, channel in enumerate(told.channels) if channel.quantity in self.quantities]
        header = replace(told, channels=tuple(told.channels[i] for i in rows))
        return Capture(header, capture.samples[rows])


@by_position
@dataclass(frozen=True, slots=True)
class Part:
    """A capture of a file: which file, which one in it, and its header."""

    path: Path
    index: int
    header: Header


@by_position
@dataclass(frozen=True, slots=True)
class FileLook:
    """What a file is.

    Attributes
    ----------
    path : of the file.
    kind : a ``recording``; a sound file with ``no waveform``; a ``damaged`` recording; or an ``other`` file, such as a
        document, a picture or an empty one.
    headers : of its captures.
    remarks : what a file without waveforms holds instead.
    reason : why it is damaged, or no recording.
    """

    path: Path
    kind: FileKind = "recording"
    headers: tuple[Header, ...] = ()
    remarks: tuple[str, ...] = ()
    reason: str = ""

    @property
    def parts(self) -> tuple[Part, ...]:
        """Its captures."""
        return tuple(Part(self.path, i, header) for i, header in enumerate(self.headers))


def batches_of(files: Sequence[Path]) -> list[tuple[Path, ...]]:
    """Files in handfuls of a size that pays for handing them over."""
    batches: list[list[Path]] = []
    n_bytes = 0
    for path in files:
        size = _size(path)
        if not batches or len(batches[-1]) >= _BATCH_FILES or n_bytes + size > _BATCH_BYTES:
            batches.append([])
            n_bytes = 0
        batches[-1].append(path)
        n_bytes += size
    return [tuple(batch) for batch in batches]


def _size(path: Path) -> int:
    """Of a file that may have gone. [bytes]"""
    try:
        return os.stat(path).st_size
    except OSError:
        return 0


def look_at(path: Path, reading: Reading) -> tuple[FileLook, dict[int, Capture] | None]:
    """Look at a file.

    Parameters
    ----------
    path : of the file.
    reading : how.

    Returns
    -------
    (what it is, its captures by their place if they had to be read). Of a large file not all captures are kept.
    """
    try:
        known = reading.headers(path)
        if known:
            return FileLook(path, headers=tuple(known)), None
        headers: list[Header] = []
        kept: dict[int, Capture] = {}
        n_bytes = 0
        for i, capture in enumerate(reading.captures(path)):
            headers.append(capture.header)
            n_bytes += capture.samples.nbytes
            if n_bytes <= _KEEP_BYTES:
                kept[i] = capture
        if not headers:
            return FileLook(path, "no waveform", remarks=remarks_on(path, strict=reading.strict)), None
        return FileLook(path, headers=tuple(headers)), kept
    except ReadError as error:
        leave_to_another(_want_of_memory(error))
        return unreadable(path, error), None


def _want_of_memory(error: ReadError) -> MemoryError | None:
    """What kept a file from being read, where that was no fault of its own."""
    return error.__cause__ if isinstance(error.__cause__, MemoryError) else None


def may_hold_both(path: Path) -> bool:
    """Whether a file may hold values that the recorder made beside waveforms, as PQDIF does."""
    return path.suffix.lower() in (".pqd", ".pqdif")


def files_below(paths: Sequence[Path], *, leave_out: Collection[Path] = ()) -> list[Path]:
    """All files below some paths, those of bundles among them, without some that are no inputs.

    Raises
    ------
    ReadError : a path does not exist.
    """
    found = capture_files(paths, in_bundles=True)
    if not leave_out:
        return found
    left_out = {os.path.realpath(path) for path in leave_out}
    real_folder = cache(os.path.realpath)

    def real(path: Path) -> str:
        return os.path.realpath(path) if path.is_symlink() else os.path.join(real_folder(path.parent), path.name)

    return [path for path in found if real(path) not in left_out]


def lost_file(path: Path, reason: str) -> FileLook:
    """A file that could not even be looked at, with the reason."""
    return FileLook(path, "damaged", reason=f"{path.name}: cannot be read ({reason})")


def records_by_site(
    looks: Iterable[FileLook], name_of: Callable[[Header, Path], str], reading: Reading
) -> tuple[list[tuple[str, Record, tuple[Part, ...]]], list[SetAside]]:
    """The records of some files: (site, record, part of each piece) each; and what had to be set aside to join them."""
    by_site: dict[str, list[Part]] = {}
    for look in looks:
        for part in look.parts:
            by_site.setdefault(name_of(part.header, part.path), []).append(part)
    found: list[tuple[str, Record, tuple[Part, ...]]] = []
    set_aside: list[SetAside] = []
    for site, parts in by_site.items():
        records, unread = without_unreadable(parts, partial(records_of_parts, reading=reading))
        found += [(site, record, of_record) for record, of_record in records]
        set_aside += unread
    return found, set_aside


def unreadable(path: Path, error: ReadError) -> FileLook:
    """A file that cannot be read: a damaged recording, or none at all."""
    no_format = isinstance(error, UnknownFormat) and error.path == path
    try:
        empty = path.is_file() and path.stat().st_size == 0
    except OSError:
        empty = False
    if empty or (no_format and path.suffix.lower() not in _RECORDINGS):
        return FileLook(path, "other", reason=str(error))
    return FileLook(path, "damaged", reason=str(error))


def site_of(header: Header, path: Path) -> str:
    """The site of a capture: the station that the file names, else the file's own name."""
    return header.station or as_text(path.stem)


def as_text(text: str) -> str:
    """A text without the marks that stand for bytes of a file's name which are no UTF-8: they are spelled out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def records_of_captures(
    parts: Sequence[Part], captures: dict[int, Capture], reading: Reading
) -> list[tuple[Record, tuple[Part, ...]]]:
    """The records that the captures of one file make, which were just read; and of which part each piece is."""
    loads = [partial(_kept_or_loaded, captures, part, reading.load) for part in parts]
    return _records(parts, loads, [None] * len(parts))


def records_of_parts(parts: Sequence[Part], reading: Reading) -> list[tuple[Record, tuple[Part, ...]]]:
    """The records that captures make, and of which part each piece is; samples are loaded when they are needed.

    Raises
    ------
    ReadError : captures overlap, and one of them cannot be read.
    """
    load = lru_cache(maxsize=_KEPT_CAPTURES)(reading.load)
    loads = [partial(load, part.path, part.index) for part in parts]
    return _records(parts, loads, [partial(reading.samples, part) for part in parts])


def _records(
    parts: Sequence[Part],
    loads: Sequence[Callable[[], Capture]],
    samples: Sequence[Callable[[int, int], SampleArray] | None],
) -> list[tuple[Record, tuple[Part, ...]]]:
    pieces = [
        Piece(part.header, load, partial(source_digest, part.path), samples=some, path=as_text(str(part.path)))
        for part, load, some in zip(parts, loads, samples, strict=True)
    ]
    owners = {id(piece): part for piece, part in zip(pieces, parts, strict=True)}
    return [(record, tuple(owners[id(piece.given)] for piece in record.pieces)) for record in records_of(pieces)]


def without_unreadable(
    parts: Sequence[Part], work: Callable[[tuple[Part, ...]], Outcome]
) -> tuple[Outcome, tuple[SetAside, ...]]:
    """What work on captures gives; a file that turns out to be unreadable is set aside and the work done without it."""
    kept = tuple(parts)
    set_aside: list[SetAside] = []
    while True:
        try:
            return work(kept), tuple(set_aside)
        except ReadError as error:
            leave_to_another(_want_of_memory(error))
            fewer = tuple(part for part in kept if part.path != error.path)
            if len(fewer) == len(kept):
                raise
            set_aside.append(SetAside(error.path, str(error)))
            kept = fewer


def _kept_or_loaded(kept: dict[int, Capture], part: Part, load: Callable[[Path, int], Capture]) -> Capture:
    return kept[part.index] if part.index in kept else load(part.path, part.index)
