"""The tree of exceptions. Messages say what, where, what was got and what is allowed.

HalfcycleError
├── ReadError            a capture file could not be read: path, place, reason
│   ├── UnknownFormat    no reader recognises the file
│   ├── MalformedRecord  the file breaks its own format
│   ├── Unsupported      the format is known, this variant of it is not read
│   └── ReaderFault      the reader failed in a way that it should not: a fault of the reader, not of the file
├── SignalError          an array does not allow the measure (also a ValueError)
├── ConfigError          a setting is wrong (also a ValueError)
└── StoreError           the store, an output or the lock on them failed
    ├── PlaceError       one file or folder cannot be read or written; others may be
    └── DamagedCapture   a stored capture is not what was put there
"""

from __future__ import annotations

from pathlib import Path


class HalfcycleError(Exception):
    """Root of every error that this project raises on purpose.

    Examples
    --------
    >>> try:
    ...     list(hc.read_captures("missing.cfg"))
    ... except hc.HalfcycleError as error:
    ...     print(type(error).__name__)
    ReadError
    """


class ReadError(HalfcycleError):
    """A capture file could not be read."""

    def __init__(self, path: Path | str, place: str, reason: str) -> None:
        super().__init__(path, place, reason)
        self.path = Path(path)
        self.place = place
        self.reason = reason

    def __str__(self) -> str:
        where = f", {self.place}" if self.place else ""
        return f"{self.path.name}{where}: {self.reason}"


class UnknownFormat(ReadError):
    """No reader recognises the file."""


class MalformedRecord(ReadError):
    """The file breaks its own format."""


class Unsupported(ReadError):
    """The format is known, but this variant of it is not read."""


class ReaderFault(ReadError):
    """The reader failed in a way that it should not; the file may be sound."""


class SignalError(HalfcycleError, ValueError):
    """An array does not allow the measure that was asked for."""


class ConfigError(HalfcycleError, ValueError):
    """A setting is missing, unknown or out of its range."""


class StoreError(HalfcycleError):
    """The store, an output file or the lock on them failed."""


class PlaceError(StoreError):
    """One file or folder of the store or the inbox cannot be read or written, for what it is or where it lies."""


class DamagedCapture(StoreError):
    """A stored capture is not what was put there."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(path, reason)
        self.path = path
        self.reason = reason

    def __str__(self) -> str:
        return f"{self.path}: {self.reason}"
