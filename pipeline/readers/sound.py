"""Sound files, WAV and FLAC, in which some loggers and open data sets keep voltage and current for months.

Such a file tells its rate and how a sample is stored, and names no channel: they are ``channel_1``, ``channel_2`` …
What they measure and what a count is stand in the description beside it or in the table of its site. A count is one
step of the samples as stored: of 24 bits from -8388608 to 8388607. Where a file's name has a Unix time of its first
sample, in seconds with or without a fraction (``house-1363888480_023467.flac``), that is its start.

Decoded by libsndfile. Sources of the formats: RFC 9639 (FLAC); RIFF WAVE, of Microsoft and IBM, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from io import SEEK_END
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from halfcycle.pipeline.errors import MalformedRecord, ReadError, Unsupported
from halfcycle.pipeline.readers.columns import MAX_WIDTH, Block, ColumnCaptures, ColumnFile
from halfcycle.pipeline.readers.contract import Reader, reading
from halfcycle.pipeline.readers.description import Column, Description, companions, validated
from halfcycle.pipeline.terms import Quantity

if TYPE_CHECKING:
    import soundfile

_BLOCK_ROWS: Final = 1 << 17
_HEAD_BYTES: Final = 28
_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 0, "DOUBLE": 0}
"""Bits of a stored sample, by the name of its kind; 0 of floating point."""
_UNIX_TIME: Final = re.compile(r"(?<!\d)(1\d{9})(?:[._](\d{1,9}))?(?!\d)")  # of the years 2001 to 2033


@contextmanager
def _read_errors(path: Path) -> Iterator[None]:
    import soundfile

    try:
        yield
    except (soundfile.SoundFileError, OSError, ValueError) as error:
        raise MalformedRecord(path, "", f"cannot be decoded ({error})") from error


class _Sound(ColumnFile):
    """The channels of an opened file."""

    def __init__(self, path: Path, file: soundfile.SoundFile) -> None:
        if file.subtype not in _BITS:
            raise Unsupported(path, "", f"its samples are {file.subtype_info}; read are {', '.join(_BITS)}")
        if file.channels > MAX_WIDTH:
            raise Unsupported(path, "", f"has {file.channels} channels; {MAX_WIDTH} are read")
        bits = _BITS[file.subtype]
        self._file = file
        self._type = np.dtype("float32" if bits == 0 else "int16" if bits <= 16 else "int32")
        self._shift = 0 if bits == 0 else 8 * self._type.itemsize - bits  # integers come with their highest bit on top
        names = [f"channel_{k + 1}" for k in range(file.channels)]
        own, notes = _own(path, file.samplerate)
        columns = [Column(name, name, None, self._type, file.frames) for name in names]
        super().__init__(path, columns=columns, own=own, notes=notes)

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        yield from self.blocks_from(positions, 0)

    def blocks_from(self, positions: Sequence[int], first: int) -> Iterator[Block]:
        n_rows = self.columns[0].n_rows or 0
        while first < n_rows:
            n = min(_BLOCK_ROWS, n_rows - first)
            with _read_errors(self.path):
                self._file.seek(first)
                rows: np.ndarray[Any, Any] = self._file.read(n, dtype=self._type.name, always_2d=True)
            if len(rows) < n:
                raise MalformedRecord(
                    self.path, f"sample {first + len(rows) + 1}", f"the file ends here; it states {n_rows} samples"
                )
            if self._shift:
                rows >>= self._shift
            yield n, [rows[:, i] for i in positions]
            first += n


def _own(path: Path, rate_hz: int) -> tuple[Description, list[str]]:
    """What the file says: its rate, and by its name when it began."""
    said: dict[str, Any] = {"rate_hz": float(rate_hz)}
    found = _UNIX_TIME.search(path.stem)
    if found is None:
        return validated(said, path=path, places={}), []
    second, fraction = int(found[1]), found[2] or "0"
    said["start"] = f"{datetime.fromtimestamp(second, UTC):%Y-%m-%dT%H:%M:%S}.{fraction}Z"
    return validated(said, path=path, places={}), [f"its start is the Unix time in its name, {found[0]}"]


def _opened(path: Path) -> soundfile.SoundFile:
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise ReadError(path, "", f"sound files need more ({error}): pip install 'halfcycle[sound]'") from error
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
            n_bytes = stream.seek(0, SEEK_END)
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    if n_bytes < _stated_bytes(head):  # libsndfile would give what there is
        raise MalformedRecord(path, "", f"ends after {n_bytes} bytes; it states {_stated_bytes(head)}")
    with _read_errors(path):
        return soundfile.SoundFile(path)


def _stated_bytes(head: bytes) -> int:
    """How long a WAV file is by its own head; 0 where that is not said."""
    if head.startswith(b"RF64"):
        return int.from_bytes(head[20:28], "little") + 8  # of the chunk ds64, which is the first
    return int.from_bytes(head[4:8], "little") + 8 if head.startswith(b"RIFF") else 0


class _Recording(ColumnCaptures):
    """A file opened for its captures."""

    def __init__(self, path: Path, quantities: frozenset[Quantity] | None) -> None:
        self._sound = _opened(path)
        try:
            super().__init__(_Sound(path, self._sound), quantities)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._sound.close()


def _recognises(path: Path, head: bytes) -> bool:
    return head.startswith(b"fLaC") or (head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE")


READER: Final = Reader(
    "sound file", recognises=_recognises, read=reading(_Recording), companions=companions, opens=_Recording
)
