"""The file that captures were last taken from, kept open: one asked for after another costs no new start."""

from __future__ import annotations

import atexit
import os
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.capture import Capture, SampleArray
from pipeline.readers.contract import Reader, Recording
from pipeline.terms import Quantity

Key = tuple[int, str, Path, frozenset[Quantity] | None]  # a process that was forked has a kept file of its own
Signature = tuple[tuple[Path, int, int, int], ...]  # of a file and its companions: which file, its length and time


class InOrder:
    """A `Recording` of a format that is read in order only: it goes on where it was, and starts anew to go back."""

    def __init__(self, reader: Reader, path: Path, quantities: frozenset[Quantity] | None) -> None:
        self._start = partial(reader.read, path, quantities=quantities)
        self._under_way: Iterator[Capture] = iter(())
        self._next: int | None = None  # place of the capture that comes next; None: not begun

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        if self._next is None or first < self._next:
            self._under_way, self._next = self._start(), 0
        for capture in self._under_way:
            self._next += 1
            if self._next > first:
                yield capture

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a capture."""
        return next(self.captures(index)).samples[:, start:stop]

    def close(self) -> None:
        """Let go of the file."""
        self._under_way, self._next = iter(()), None


@dataclass(slots=True)
class _Kept:
    key: Key
    signature: Signature
    recording: Recording


class _Slot(threading.local):
    """The kept file of each thread."""

    kept: _Kept | None = None


_SLOT = _Slot()


def recording_of(reader: Reader, path: Path, quantities: frozenset[Quantity] | None) -> Recording:
    """A file opened for its captures: the kept one, as long as neither it nor its companions have changed.

    Raises
    ------
    ReadError : it cannot be opened.
    """
    key = (os.getpid(), reader.name, path, quantities)
    kept = _SLOT.kept
    if kept is not None and kept.key == key and kept.signature == _signature([one[0] for one in kept.signature]):
        return kept.recording
    release()
    signature = _signature([path, *reader.companions(path)])
    opens = reader.opens or partial(InOrder, reader)
    recording = opens(path, quantities)
    if signature is not None:
        _SLOT.kept = _Kept(key, signature, recording)
    return recording


def release(folder: Path | None = None) -> None:
    """Let go of the kept file, or only of one in a folder that is about to be removed."""
    kept = _SLOT.kept
    if kept is not None and (folder is None or kept.key[2].is_relative_to(folder)):
        _SLOT.kept = None
        kept.recording.close()


def _signature(paths: list[Path]) -> Signature | None:
    """None where some file cannot be looked at."""
    try:
        seen = [(path, path.stat()) for path in paths]
    except OSError:
        return None
    return tuple((path, stat.st_ino, stat.st_size, stat.st_mtime_ns) for path, stat in seen)


atexit.register(release)
