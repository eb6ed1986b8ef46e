"""The bytes that records lie in: a file, or what a whole-file compressed one holds."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO, Protocol

from halfcycle.pipeline.errors import MalformedRecord, ReadError


class Source(Protocol):
    """Bytes by their place; taking such as are not there raises MalformedRecord."""

    @property
    def path(self) -> Path: ...
    @property
    def size(self) -> int: ...
    def take(self, offset: int, n: int, place: str) -> bytes: ...
    def take_into(self, offset: int, view: memoryview, place: str) -> None: ...


class FileSource:
    """An open file. It is read, not mapped: a mapped file that another process cuts takes its readers down."""

    def __init__(self, path: Path, stream: BinaryIO, size: int) -> None:
        self.path, self.size = path, size
        self._stream = stream

    def take(self, offset: int, n: int, place: str) -> bytes:
        """`n` bytes."""
        check_within(self, offset, n, place)
        try:
            self._stream.seek(offset)
            content = self._stream.read(n)
        except OSError as error:
            raise ReadError(self.path, place, f"cannot be read ({error.strerror or error})") from error
        if len(content) != n:
            raise MalformedRecord(self.path, place, "the file ends here, earlier than when it was opened")
        return content

    def take_into(self, offset: int, view: memoryview, place: str) -> None:
        """As many bytes as `view` holds."""
        check_within(self, offset, view.nbytes, place)
        try:
            self._stream.seek(offset)
            n = self._stream.readinto(view)  # type: ignore[attr-defined]  # a buffered reader fills all of it
        except OSError as error:
            raise ReadError(self.path, place, f"cannot be read ({error.strerror or error})") from error
        if n != view.nbytes:
            raise MalformedRecord(self.path, place, "the file ends here, earlier than when it was opened")


class MemorySource:
    """Bytes in memory."""

    def __init__(self, path: Path, content: bytes | bytearray) -> None:
        self.path, self.size = path, len(content)
        self._view = memoryview(content)

    def take(self, offset: int, n: int, place: str) -> bytes:
        """`n` bytes."""
        check_within(self, offset, n, place)
        return bytes(self._view[offset : offset + n])

    def take_into(self, offset: int, view: memoryview, place: str) -> None:
        """As many bytes as `view` holds."""
        check_within(self, offset, view.nbytes, place)
        view[:] = self._view[offset : offset + view.nbytes]


def check_within(source: Source, offset: int, n: int, place: str) -> None:
    """Refuse bytes that are not there.

    Raises
    ------
    MalformedRecord : naming the place.
    """
    if offset + n > source.size:
        raise MalformedRecord(source.path, place, (
            f"bytes {offset} to {offset + n} are needed, but the file ends at byte {source.size}: it is truncated"
        ))  # fmt: skip
