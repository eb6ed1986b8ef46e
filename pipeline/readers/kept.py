"""The two files that captures were last taken from, kept open: one asked for after another costs no new start.

Two, as a capture of one may be compared with the next one's in another.
"""

from __future__ import annotations

import atexit
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from halfcycle.pipeline.capture import Capture, SampleArray
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers.contract import Reader, Recording
from halfcycle.pipeline.terms import Quantity

Key = tuple[int, str, Path, frozenset[Quantity] | None]  # a process that was forked has a kept file of its own
Signature = tuple[tuple[Path, int, int, int], ...]  # of a file and its companions: which file, its length and time


class InOrder:
    """A `Recording` of a format that is read in order only: it goes on where it was, and starts anew to go back."""

    def __init__(self, reader: Reader, path: Path, quantities: frozenset[Quantity] | None) -> None:
        self._path, self._start = path, partial(reader.read, path, quantities=quantities)
        self._under_way: Iterator[Capture] = iter(())
        self._next: int | None = None  # place of the capture that comes next; None: not begun
        self._last: tuple[int, Capture] | None = None  # of which samples were asked for

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        if self._next is None or first < self._next:
            self._under_way, self._next = self._start(), 0
        while (capture := next(self._under_way, None)) is not None:
            self._next += 1
            if self._next > first:
                yield capture
            del capture  # it may not be needed any more while this waits

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a capture."""
        if self._last is None or self._last[0] != index:
            capture = next(self.captures(index), None)
            if capture is None:
                raise has_gone(self._path, index)
            self._last = index, capture
        return self._last[1].samples[:, start:stop]

    def close(self) -> None:
        """Let go of the file."""
        self._under_way, self._next, self._last = iter(()), None, None


class Opened:
    """A file opened for its captures, which goes on where it is where they are asked for in order.

    Parameters
    ----------
    recording : the file.
    """

    def __init__(self, recording: Recording) -> None:
        self.samples, self._recording = recording.samples, recording
        self._under_way: Iterator[Capture] = iter(())
        self._next = -1  # place of the capture that comes next

    def capture(self, index: int) -> Capture | None:
        """The capture at a place; None where there is none.

        Raises
        ------
        ReadError : it cannot be read.
        """
        if index != self._next:
            self._under_way = self._recording.captures(index)
        self._next = index + 1
        return next(self._under_way, None)

    def close(self) -> None:
        """Let go of the file."""
        self._under_way = iter(())
        self._recording.close()


@dataclass(frozen=True, slots=True)
class _Kept:
    key: Key
    signature: Signature
    file: Opened


class _Slots(threading.local):
    """The kept files of each thread, the last one used at the end."""

    kept: tuple[_Kept, ...] = ()


_SLOTS = _Slots()


def opened_file(reader: Reader, path: Path, quantities: frozenset[Quantity] | None) -> Opened:
    """A file opened for its captures: a kept one, as long as neither it nor its companions have changed.

    Raises
    ------
    ReadError : it cannot be opened.
    """
    key = (os.getpid(), reader.name, path, quantities)
    for kept in _SLOTS.kept:
        if kept.key == key and kept.signature == _signature([one[0] for one in kept.signature]):
            _SLOTS.kept = (*(one for one in _SLOTS.kept if one is not kept), kept)
            return kept.file
    _close(lambda one: one.key == key or one is not _SLOTS.kept[-1])  # before another one takes its memory
    signature = _signature([path, *reader.companions(path)])
    opens = reader.opens or partial(InOrder, reader)
    file = Opened(opens(path, quantities))
    if signature is not None:
        _SLOTS.kept = (*_SLOTS.kept, _Kept(key, signature, file))
    return file


def release(folder: Path | None = None) -> None:
    """Let go of the kept files, or only of those in a folder that is about to be removed."""
    _close(lambda one: folder is None or one.key[2].is_relative_to(folder))


def _close(goes: Callable[[_Kept], bool]) -> None:
    going = [one for one in _SLOTS.kept if goes(one)]
    _SLOTS.kept = tuple(one for one in _SLOTS.kept if one not in going)
    for one in going:
        one.file.close()


def has_gone(path: Path, index: int) -> ReadError:
    """The error for a capture that a file gave once and does not give any more."""
    return ReadError(path, f"capture {index + 1}", "has gone since the file was first read")


def _signature(paths: list[Path]) -> Signature | None:
    """None where some file cannot be looked at."""
    try:
        seen = [(path, path.stat()) for path in paths]
    except OSError:
        return None
    return tuple((path, stat.st_ino, stat.st_size, stat.st_mtime_ns) for path, stat in seen)


atexit.register(release)
