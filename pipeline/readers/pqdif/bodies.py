"""Bodies of records, plain or compressed, and how much a file may make its reader do.

A compressed body is inflated only as far as what is asked of it: a stream that would inflate to far more than the
lengths in it need is left where it is. Lengths that lie are stopped by hard limits.

Source: IEEE 1159.3, physical layer, tagCompressionStyleID, tagCompressionAlgorithmID.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.budget import VARIABLE, allowed_bytes, check_time
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.pqdif.sources import MemorySource, Source

MAX_BODY_BYTES: Final = 96 << 20
"""Of one compressed record, inflated."""
MAX_FILE_BYTES: Final = 128 << 20
"""Of a file compressed as a whole, inflated."""

_ENTRY_BYTES: Final = 28
_STEP: Final = 1 << 16  # bytes taken from the file, and inflated beyond what is needed, at a time
_SMALL: Final = 1 << 16
_CHECKED_AT_A_TIME: Final = 1 << 20
# What a small file may always do; a larger one in proportion to its size. zlib shrinks waveforms to between a half and
# a tenth, and a dead channel to a thousandth.
_FREE_ENTRIES: Final = 1 << 17
_LOOKS: Final = 2  # at each collection: what an observation is, and what is in it
_ENTRIES_SHRINK: Final = 8  # to an eighth, or less far
_FREE_VALUES: Final = 1 << 24


@dataclass(frozen=True, slots=True)
class PqdifRecord:
    """A record of the chain.

    Attributes
    ----------
    offset : of its header in the file. [bytes]
    tag : GUID of its type.
    body_offset, body_size : where its body lies, as stored. [bytes]
    checksum : Adler-32 of the body as stored; 0 where there is none.
    """

    offset: int
    tag: bytes
    body_offset: int
    body_size: int
    checksum: int

    @property
    def end(self) -> int:
        """Where the body ends. [bytes]"""
        return self.body_offset + self.body_size

    @property
    def place(self) -> str:
        """For messages."""
        return f"record at byte {self.offset}"


class BodyBudget:
    """What is left of the entries, inflated bytes and bytes of values that a file of its size may have.

    Collections, bodies and vectors do not overlap in a sound file, so their sums are bounded by its size. Links that
    lead many times to the same place would otherwise make a small file a large one.
    """

    def __init__(self, file_size: int, *, compressed: bool) -> None:
        most_inflated = allowed_bytes(file_size)
        shrunk = _ENTRIES_SHRINK if compressed else 1
        self._entries = _FREE_ENTRIES + _LOOKS * shrunk * file_size // _ENTRY_BYTES
        self._value_bytes = _FREE_VALUES + (most_inflated if compressed else file_size)
        self._most_inflated = most_inflated
        self._inflated: dict[int, int] = {}
        self._total_inflated = 0

    @contextmanager
    def again(self) -> Iterator[None]:
        """What is taken meanwhile was taken before, and does not count."""
        before = self._entries, self._value_bytes
        try:
            yield
        finally:
            self._entries, self._value_bytes = before

    def use_entries(self, n: int, body: Body, place: str) -> None:
        """Take entries of a collection.

        Raises
        ------
        MalformedRecord : there are more than any sound file of the size has.
        """
        self._entries -= n
        if self._entries < 0:
            raise MalformedRecord(body.path, place, (
                "the collections so far have more entries than a file of this size can hold: their counts or links "
                "are wrong"
            ))  # fmt: skip

    def use_values(self, n_bytes: int, body: Body, place: str) -> None:
        """Take values of a vector.

        Raises
        ------
        MalformedRecord : there are more than any sound file of the size has.
        """
        self._value_bytes -= n_bytes
        if self._value_bytes < 0:
            raise MalformedRecord(body.path, place, (
                "the series so far have more values than a file of this size can hold: their counts or links are "
                "wrong"
            ))  # fmt: skip

    def inflated(self, record: PqdifRecord, n_bytes: int, path: Path) -> None:
        """Say how far a record has been inflated; how often does not count.

        Raises
        ------
        MalformedRecord : all records of the file together have grown out of proportion.
        """
        before = self._inflated.get(record.offset, 0)
        if n_bytes > before:
            self._inflated[record.offset] = n_bytes
            self._total_inflated += n_bytes - before
        if self._total_inflated > self._most_inflated:
            reason = f"the records so far inflate to more than {self._most_inflated} bytes"
            raise MalformedRecord(path, record.place, f"{reason}; {VARIABLE} allows more")


class Body(Protocol):
    """The bytes of a record's body by their place in it; taking such as are not there raises MalformedRecord."""

    @property
    def path(self) -> Path: ...
    @property
    def record(self) -> PqdifRecord: ...
    @property
    def budget(self) -> BodyBudget: ...
    @property
    def held_bytes(self) -> int: ...
    def take(self, offset: int, n: int, place: str) -> bytes: ...
    def take_into(self, offset: int, view: memoryview, place: str) -> None: ...
    def check(self, *, is_adler: bool) -> str | None: ...


class PlainBody:
    """A body that is read from the file, a small one at once and a large one piece by piece."""

    def __init__(self, source: Source, record: PqdifRecord, budget: BodyBudget) -> None:
        self.path, self.record, self.budget = source.path, record, budget
        self.held_bytes = 0
        self._source = source
        self._content: bytes | None = None

    def take(self, offset: int, n: int, place: str) -> bytes:
        """`n` bytes."""
        self._check_within(offset, n, place)
        if self._content is None and self.record.body_size <= _SMALL:
            self._content = self._source.take(self.record.body_offset, self.record.body_size, place)
        if self._content is not None:
            return self._content[offset : offset + n]
        return self._source.take(self.record.body_offset + offset, n, place)

    def take_into(self, offset: int, view: memoryview, place: str) -> None:
        """As many bytes as `view` holds."""
        self._check_within(offset, view.nbytes, place)
        self._source.take_into(self.record.body_offset + offset, view, place)

    def check(self, *, is_adler: bool) -> str | None:
        """See `checksum_note`."""
        return checksum_note(self._source, self.record, is_adler=is_adler)

    def _check_within(self, offset: int, n: int, place: str) -> None:
        if offset + n > self.record.body_size:
            raise beyond(self, offset + n, self.record.body_size, place)


class InflatedBody:
    """A body that is one zlib stream, inflated as far as it has been asked for."""

    def __init__(self, source: Source, record: PqdifRecord, budget: BodyBudget) -> None:
        self.path, self.record, self.budget = source.path, record, budget
        self._source = source
        self._stream = _Inflation(source, record.body_offset, record.end, MAX_BODY_BYTES, record.place)

    @property
    def held_bytes(self) -> int:
        """What it keeps in memory. [bytes]"""
        return len(self._stream.content)

    def take(self, offset: int, n: int, place: str) -> bytes:
        """`n` bytes."""
        self._reach(offset + n, place)
        return bytes(self._stream.content[offset : offset + n])

    def take_into(self, offset: int, view: memoryview, place: str) -> None:
        """As many bytes as `view` holds."""
        self._reach(offset + view.nbytes, place)
        with memoryview(self._stream.content) as content, content[offset : offset + view.nbytes] as part:
            view[:] = part

    def check(self, *, is_adler: bool) -> str | None:
        """Inflate the rest, so that zlib compares its own checksum; and see `checksum_note`."""
        self._stream.finish()
        self.budget.inflated(self.record, self.held_bytes, self.path)
        return checksum_note(self._source, self.record, is_adler=is_adler)

    def _reach(self, end: int, place: str) -> None:
        self._stream.reach(end)
        self.budget.inflated(self.record, self.held_bytes, self.path)
        if end > self.held_bytes:
            raise beyond(self, end, self.held_bytes, place)


class _Inflation:
    """A zlib stream in part of a file."""

    def __init__(self, source: Source, start: int, end: int, most: int, place: str) -> None:
        self.content = bytearray()
        self._source, self._at, self._end, self._most, self._place = source, start, end, most, place
        self._zlib = zlib.decompressobj()
        self._ahead = b""

    def reach(self, end: int) -> None:
        """Inflate up to byte `end` of the content, or to its own end."""
        if end > self._most:
            raise MalformedRecord(self._source.path, self._place, f"its content reaches to byte {end}; at most "
                                                                  f"{self._most} are read")  # fmt: skip
        while len(self.content) < end and not self._zlib.eof:
            self._step(max(end - len(self.content), _STEP))

    def finish(self) -> None:
        """Inflate all of it."""
        while not self._zlib.eof:
            self._step(_STEP)
            if len(self.content) > self._most:
                raise MalformedRecord(self._source.path, self._place, f"it inflates to more than {self._most} bytes")

    def _step(self, most: int) -> None:
        check_time(self._place)
        n = 0 if self._ahead else min(_STEP, self._end - self._at)
        if n:
            self._ahead = self._source.take(self._at, n, self._place)
            self._at += n
        try:
            more = self._zlib.decompress(self._ahead, most)
        except zlib.error as error:
            raise MalformedRecord(self._source.path, self._place, f"not a zlib stream ({error})") from error
        if not (self._ahead or more or self._zlib.eof):
            raise MalformedRecord(self._source.path, self._place, "its zlib stream is truncated")
        self._ahead = self._zlib.unconsumed_tail
        self.content += more


def inflated_file(source: Source, start: int) -> MemorySource:
    """A file whose bytes from `start` on are one zlib stream, as it was before it was compressed.

    Raises
    ------
    MalformedRecord : the stream is none, is cut, or inflates to more than `MAX_FILE_BYTES`.
    """
    stream = _Inflation(source, start, source.size, MAX_FILE_BYTES, f"byte {start}")
    stream.content += source.take(0, start, "byte 0")
    stream.finish()
    return MemorySource(source.path, stream.content)


def checksum_note(source: Source, record: PqdifRecord, *, is_adler: bool) -> str | None:
    """Compare a record's checksum with the bytes as stored.

    Parameters
    ----------
    source : of the record.
    record : whose checksum may be 0, for none.
    is_adler : whether another record of the file shows that its writer takes Adler-32, which few facts tell.

    Returns
    -------
    A repair where it differs: that it is another kind of sum, and the record sound, is a guess.

    Raises
    ------
    MalformedRecord : it differs, and is Adler-32.
    """
    if not record.checksum:
        return None
    if adler(source, record) == record.checksum:
        return None
    if is_adler:
        raise MalformedRecord(source.path, record.place, "its checksum does not match its bytes: it is damaged")
    return Repair("record checksums are not Adler-32 and are not compared")


def adler(source: Source, record: PqdifRecord) -> int:
    """The Adler-32 sum of a record's body as stored."""
    total = 1
    for at in range(record.body_offset, record.end, _CHECKED_AT_A_TIME):
        total = zlib.adler32(source.take(at, min(_CHECKED_AT_A_TIME, record.end - at), record.place), total)
    return total


def beyond(body: Body, end: int, size: int, place: str) -> MalformedRecord:
    """The error for bytes that a body does not have."""
    return MalformedRecord(body.path, place, f"it would extend to byte {end} of a body of {size} bytes")
