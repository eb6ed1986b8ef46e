"""How much memory and time a file may take: multiples of its size, so that a small file cannot take all there is.

Waveforms shrink to between a half and a tenth, dead channels further; what would grow beyond is refused before it does.
Readers read thousands of bytes in a millisecond; what takes a thousand times as long is refused while it does.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from itertools import chain
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ConfigError, Unsupported

BYTES_PER_BYTE: Final = 100  # of the file
LEAST_BYTES: Final = 64 << 20  # that any file may become
MOST_BYTES: Final = 4 << 30
VARIABLE: Final = "HALFCYCLE_READ_BYTES"

SECONDS_PER_MEGABYTE: Final = 20.0  # of processor time
LEAST_SECONDS: Final = 60.0  # that any file may take
MOST_SECONDS: Final = 3600.0
SECONDS_VARIABLE: Final = "HALFCYCLE_READ_SECONDS"


def allowed_bytes(file_size: int) -> int:
    """What a file of a size may become when it is unpacked: `BYTES_PER_BYTE` times that, within the limits above.

    The environment variable ``HALFCYCLE_READ_BYTES``, a number of bytes, stands in place of all three.

    Raises
    ------
    ConfigError : the variable is no number of bytes.
    """
    said = os.environ.get(VARIABLE)
    if said is None:
        return min(max(LEAST_BYTES, BYTES_PER_BYTE * file_size), MOST_BYTES)
    if not (said.isascii() and said.isdigit() and int(said) > 0):
        raise ConfigError(f"{VARIABLE} is {said!r}; it must be a number of bytes, such as 1000000000")
    return int(said)


class Budget:
    """Counts the bytes that a file has become.

    Parameters
    ----------
    path : of the file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._allowed = allowed_bytes(path.stat().st_size)
        self._used = 0

    @property
    def left(self) -> int:
        """Bytes that are left."""
        return self._allowed - self._used

    def use(self, n_bytes: int, place: str) -> None:
        """Take bytes before they are made.

        Raises
        ------
        Unsupported : there would be more than the file may become.
        """
        self._used += n_bytes
        if self._used > self._allowed:
            reason = f"would expand to more than {self._allowed} bytes, more than a file of its size is allowed"
            raise Unsupported(self._path, place, f"{reason}; {VARIABLE} allows more")


def allowed_seconds(path: Path) -> float:
    """Processor time that the reading of a file may take: `SECONDS_PER_MEGABYTE`, within the limits above. [s]

    The environment variable ``HALFCYCLE_READ_SECONDS``, a number of seconds, stands in place of all three. A file in a
    bundle may take what the bundle may.

    Raises
    ------
    ConfigError : the variable is no number of seconds.
    """
    said = os.environ.get(SECONDS_VARIABLE)
    if said is None:
        size = next((one.stat().st_size for one in chain((path,), path.parents) if one.is_file()), 0)
        return min(max(LEAST_SECONDS, SECONDS_PER_MEGABYTE * size / 1e6), MOST_SECONDS)
    try:
        seconds = float(said)
    except ValueError:
        seconds = math.nan
    if not (math.isfinite(seconds) and seconds > 0):
        raise ConfigError(f"{SECONDS_VARIABLE} is {said!r}; it must be a number of seconds, such as 600")
    return seconds


class ReadingTimer:
    """Counts the processor time that the reading of a file takes, not that of whoever asks for its captures.

    Parameters
    ----------
    path : of the file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._allowed_s = allowed_seconds(path)
        self._used_s = self._since_s = self._begun_s = 0.0

    @contextmanager
    def running(self) -> Iterator[None]:
        """While this lasts the file is read, and `check_time` asks this clock.

        Raises
        ------
        Unsupported : it has taken longer than it may.
        """
        self._since_s, self._begun_s = time.thread_time(), time.perf_counter()
        token = _RUNNING.set(self)
        try:
            yield
            self.check("")
        finally:
            _RUNNING.reset(token)
            self._used_s += time.thread_time() - self._since_s

    def check(self, place: str) -> None:
        """Refuse the file where it has taken longer than it may; see `check_time`."""
        # No more processor time can have gone than time by the clock on the wall, which costs far less to look at.
        if self._used_s + time.perf_counter() - self._begun_s <= self._allowed_s:
            return
        if self._used_s + time.thread_time() - self._since_s > self._allowed_s:
            reason = (
                f"takes more than {self._allowed_s:g} s of processor time to read, more than a file of its size is "
                "allowed"
            )
            raise Unsupported(self._path, place, f"{reason}; {SECONDS_VARIABLE} allows more")


_RUNNING: ContextVar[ReadingTimer | None] = ContextVar("_RUNNING", default=None)


def check_time(place: str = "") -> None:
    """Called by readers, at each step of what a file may make them do at length.

    Raises
    ------
    Unsupported : the file that is being read has taken longer than it may.
    """
    clock = _RUNNING.get()
    if clock is not None:
        clock.check(place)
