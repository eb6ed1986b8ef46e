"""Which reader a file has: chosen by what the file holds, not only by its ending."""

from __future__ import annotations

import importlib
import pkgutil
import stat
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ReadError, UnknownFormat
from halfcycle.pipeline.gate import reading
from halfcycle.pipeline.readers.bundle import MEMBER, bundle_of
from halfcycle.pipeline.readers.contract import Reader

_HEAD_BYTES = 4096
SPECIAL_FILES: Final = {
    stat.S_IFIFO: "named pipe", stat.S_IFSOCK: "socket", stat.S_IFCHR: "device", stat.S_IFBLK: "device",
}  # fmt: skip


@cache
def readers() -> dict[str, Reader]:
    """The known readers by name: one module of this folder each, then those of other distributions.

    Another distribution adds a reader through the entry-point group ``halfcycle.readers``, naming a `Reader`.
    """
    found: list[Reader] = []
    for module_info in sorted(pkgutil.iter_modules([str(Path(__file__).parent)]), key=lambda info: info.name):
        reader = getattr(importlib.import_module(f"{__package__}.{module_info.name}"), "READER", None)
        if isinstance(reader, Reader):
            found.append(reader)
    found.extend(entry.load() for entry in entry_points(group="halfcycle.readers"))
    return {reader.name: reader for reader in found}


def reader_of(path: Path) -> Reader:
    """The reader for a file, which may lie in a bundle.

    Raises
    ------
    UnknownFormat : no reader recognises it, or it is empty.
    ReadError : the file cannot be opened.
    """
    try:
        state = refuse_special(path)
        known = _RECOGNISED.get(path)
        if known is not None and known[0] == state:
            return known[1]
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except NotADirectoryError as error:
        if bundle_of(path) is not None:
            return MEMBER
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    if not head:
        raise UnknownFormat(path, "", "the file is empty")
    for reader in readers().values():
        with reading(path, format_name=reader.name):
            if reader.recognises(path, head):
                _remember(path, state, reader)
                return reader
    raise UnknownFormat(path, "", f"no reader recognises the file; known formats are {', '.join(readers())}")


_State = tuple[int, int, int]  # of a file: which it is, its length and time
_RECOGNISED: dict[Path, tuple[_State, Reader]] = {}
_MOST_RECOGNISED: Final = 1 << 13


def _remember(path: Path, state: _State, reader: Reader) -> None:
    """Keep which reader a file has: it is asked for when the file is found, looked at and read."""
    if len(_RECOGNISED) >= _MOST_RECOGNISED:
        _RECOGNISED.clear()
    _RECOGNISED[path] = state, reader


def refuse_special(path: Path) -> _State:
    """Refuse what is neither file nor folder: to open a pipe or device may wait for ever.

    Returns
    -------
    Which file it is, its length, and when it was last written.

    Raises
    ------
    ReadError : it is a pipe, a device or a socket.
    OSError : there is no such file.
    """
    found = path.stat()
    kind = stat.S_IFMT(found.st_mode)
    if kind in SPECIAL_FILES:
        raise ReadError(path, "", f"is a {SPECIAL_FILES[kind]}, which is never opened; only regular files are read")
    return found.st_ino, found.st_size, found.st_mtime_ns


def reader_of_whole(path: Path) -> Reader:
    """The reader for a file whose companions are plain files like itself."""
    reader = reader_of(path)
    with reading(path, format_name=reader.name):
        for companion in reader.companions(path):
            refuse_special(companion)
    return reader
