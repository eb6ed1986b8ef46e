"""Capture files in, captures out. A file's reader is chosen by what the file holds, not only by its ending."""

from __future__ import annotations

import importlib
import os
import pkgutil
from collections.abc import Collection, Iterator
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path

from pipeline.capture import Capture
from pipeline.errors import ReadError, UnknownFormat
from pipeline.readers.contract import Reader
from pipeline.terms import Quantity

_HEAD_BYTES = 4096


@cache
def readers() -> dict[str, Reader]:
    """The known readers by name: one module of this folder each, then those of other distributions.

    Another distribution adds a reader through the entry-point group ``halfcycle.readers``, naming a `Reader`.
    """
    found: list[Reader] = []
    for module_info in sorted(pkgutil.iter_modules(__path__), key=lambda info: info.name):
        reader = getattr(importlib.import_module(f"{__name__}.{module_info.name}"), "READER", None)
        if isinstance(reader, Reader):
            found.append(reader)
    found.extend(entry.load() for entry in entry_points(group="halfcycle.readers"))
    return {reader.name: reader for reader in found}


def reader_of(path: Path) -> Reader:
    """The reader for a file.

    Raises
    ------
    UnknownFormat : no reader recognises it, or it is empty.
    ReadError : the file cannot be opened.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    if not head:
        raise UnknownFormat(path, "", "the file is empty")
    for reader in readers().values():
        if reader.recognises(path, head):
            return reader
    raise UnknownFormat(path, "", f"no reader recognises it; known formats are {', '.join(readers())}")


def read_captures(path: Path | str, *, quantities: Collection[Quantity] | None = None) -> Iterator[Capture]:
    """Read the captures of one file.

    Parameters
    ----------
    path : of the capture file (for a file pair, the one that describes the data).
    quantities : only channels of these quantities (``voltage``, ``current``, ``other``); None: all.

    Returns
    -------
    Iterator of captures in order of time. A file holds several where its sampling rate changes, where samples are
    missing between parts, or where it is longer than `capture.MAX_CAPTURE_SAMPLES`.

    Raises
    ------
    ReadError : naming the file, the place in it and what is wrong.
    """
    path = Path(path)
    wanted = None if quantities is None else frozenset(quantities)
    yield from reader_of(path).read(path, quantities=wanted)


def companions_of(path: Path) -> tuple[Path, ...]:
    """The other files that belong to a capture file; none for a file that no reader knows."""
    try:
        return reader_of(path).companions(path)
    except ReadError:
        return ()


def capture_files(roots: Collection[Path]) -> list[Path]:
    """All capture files below folders (or named themselves), sorted, without those that belong to another.

    Parameters
    ----------
    roots : folders, searched through all levels without hidden files, or single files. Links are followed to
        files, not to folders, so that a loop of links ends.

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
    belonging = {companion for path in found for companion in companions_of(path)}
    return sorted(found - belonging)
