"""What a reader is. A format is one module in this folder that defines `READER`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.terms import Quantity


class Repair(str):
    """A note of something wrong in a file that was put right or guessed in reading it.

    Notes that are plain text say what is odd but allowed, or what was assumed where a file is silent. A strict reading
    refuses files with a repair. What was repaired and stored holds no fault any more: in the store the note is plain.
    """

    __slots__ = ()


class ReadFunction(Protocol):
    """Yields the captures of one file, in order of time.

    `quantities` limits the channels to those quantities (None: all); channels left out are not decoded.
    A file without such a channel yields captures without channels rather than an error, so that its
    reader's checks of the file still run and its length is known.
    """

    def __call__(self, path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]: ...


class Recording(Protocol):
    """A file that was opened for its captures, of which each is read where it lies.

    What says where they lie is looked at once, when it is opened. `captures` gives those that `read` yields, from the
    one at `first` (counted from 0) on, without decoding samples of those before it; nothing where there is no such
    capture. `samples` gives those of one capture, of the channels of `captures`, at [start, stop), which lie within
    it, as far as can be without decoding others. Both raise `ReadError` and nothing else.
    """

    def captures(self, first: int = 0) -> Iterator[Capture]: ...
    def samples(self, index: int, start: int, stop: int) -> SampleArray: ...
    def close(self) -> None: ...


OpenFunction = Callable[[Path, frozenset[Quantity] | None], Recording]
"""Opens a file for its captures, with the channels of some quantities (None: all); raises `ReadError` alone."""


def reading(opens: OpenFunction) -> ReadFunction:
    """The `ReadFunction` of a format whose files are opened for their captures."""

    def read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
        with closing(opens(path, quantities)) as recording:
            yield from recording.captures()

    return read


@dataclass(frozen=True, slots=True)
class StatusChange:
    """A status channel that changes.

    Attributes
    ----------
    name : of the channel.
    at_ns : when. [ns since 1970-01-01 UTC]
    state : from then on.
    """

    name: str
    at_ns: int
    state: bool


def no_status(path: Path) -> tuple[StatusChange, ...]:
    """For formats without status channels."""
    return ()


def no_headers(path: Path, quantities: frozenset[Quantity]) -> list[Header] | None:
    """For formats that must be read to know their captures."""
    return None


def no_remarks(path: Path) -> tuple[str, ...]:
    """For formats in which a file without a capture is broken."""
    return ()


@dataclass(frozen=True, slots=True)
class Reader:
    """One format.

    Attributes
    ----------
    name : the format's name, as shown in messages.
    recognises : from the path and the first bytes of a file, whether this reader is the one for it. Cheap, and
        never raises.
    read : see `ReadFunction`; raises `ReadError` and nothing else for whatever is wrong with a file.
    companions : the other files that belong to a capture file (a .dat to its .cfg, a description beside the data).
        They are moved with it and are no capture files themselves. Only files that exist are given.
    read_headers : the headers of what `read` would yield with the same quantities, without decoding samples; None for
        files that cannot tell them so cheaply.
    opens : see `Recording`; None for formats that are read in order only.
    remarks : what a sound file without waveforms holds instead, in words, a `Repair` among them where something had to
        be put right; none for a file with captures, whose notes say it. Raises `ReadError` and nothing else.
    status : what changes in the status channels of a file, in order of time. Raises `ReadError` and nothing else.
    """

    name: str
    recognises: Callable[[Path, bytes], bool]
    read: ReadFunction
    companions: Callable[[Path], tuple[Path, ...]]
    read_headers: Callable[[Path, frozenset[Quantity]], list[Header] | None] = no_headers
    remarks: Callable[[Path], tuple[str, ...]] = no_remarks
    opens: OpenFunction | None = None
    status: Callable[[Path], tuple[StatusChange, ...]] = no_status


def no_companions(path: Path) -> tuple[Path, ...]:
    """For formats whose captures are one file."""
    return ()
