"""Files that are there whole or not at all: written aside, flushed to the disk, then renamed into place."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import PlaceError, StoreError

ASIDE: Final = ".aside-"
"""Begins the name of a file on its way to its place."""
SETTLED_NS: Final = 3_000_000_000
"""After which a further change has another time: some file systems keep times to two seconds."""
_OF_ALL: Final = (
    errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM,
)  # fmt: skip
"""What the system refuses whatever the file: the disk is full or failing, or the process has too many files open."""


def file_stamp(written_ns: int, size: int) -> str:
    """When a file was written and how large it is, as words that differ where it is another. [ns, bytes]"""
    return f"{written_ns}\x1f{size}"


def written_and_size(stamp: str) -> tuple[int, int]:
    """What `file_stamp` was given; (-1, -1) of "", which stands for no file."""
    written, _, size = stamp.partition("\x1f")
    return int(written or -1), int(size or -1)


def refused(text: str, error: OSError) -> StoreError:
    """The error for what the system refuses: a PlaceError where it may concern that file or folder alone.

    Parameters
    ----------
    text : what cannot be done with what; the system's words are put behind it.
    error : as the system gave it.
    """
    kind = StoreError if error.errno in _OF_ALL else PlaceError
    return kind(f"{text} ({error.strerror or error})")


def write_atomically(
    path: Path, write: Callable[[Path], object], *, staging: Path | None = None, flush: bool = True
) -> None:
    """Make a file by writing it aside and renaming it.

    Parameters
    ----------
    path : of the file; its folder is made if need be. An older file is replaced at once.
    write : writes the content to the path it is given, which has the same ending.
    staging : folder of the same file system in which to write it; None: beside the file.
    flush : wait until the disk has it; not for what may be lost or torn where power fails.

    Raises
    ------
    StoreError : the folder or file cannot be written, or the disk is full; an older file is then still whole. A
        PlaceError where only this place cannot be.
    """
    aside = stage(path, write, staging=staging or path.parent, flush=flush)
    put_in_place(aside, path, flush=flush)


def write_text_atomically(path: Path, text: str, *, staging: Path | None = None) -> None:
    """As `write_atomically`, of a text in UTF-8."""
    write_atomically(path, lambda aside: aside.write_text(text, encoding="utf-8"), staging=staging)


def stage(path: Path, write: Callable[[Path], object], *, staging: Path, flush: bool = True) -> Path:
    """Write a file's content aside; returns where it lies until `put_in_place`. flush : as for `write_atomically`.

    Raises
    ------
    StoreError : the folder or file cannot be written, or the disk is full.
    """
    mark = hashlib.sha256(os.fsencode(path.name)).hexdigest()[:16]  # the name itself may leave no room for more
    aside = staging / f"{ASIDE}{os.getpid()}-{threading.get_ident()}-{mark}{path.suffix[:16]}"
    whole = False
    try:
        staging.mkdir(parents=True, exist_ok=True)
        write(aside)
        if flush:
            with aside.open("rb+") as stream:
                os.fsync(stream.fileno())
        whole = True
    except OSError as error:
        raise StoreError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        if not whole:
            with contextlib.suppress(OSError):
                aside.unlink(missing_ok=True)
    return aside


def put_in_place(aside: Path, path: Path, *, flush: bool = True) -> None:
    """Give a staged file its name; an older file of that name is replaced at once. flush : as for `write_atomically`.

    Raises
    ------
    StoreError : as for `write_atomically`.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.replace(path)
        if flush:
            sync_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
        raise refused(f"{path}: cannot be written", error) from error


def check_folder(folder: Path) -> None:
    """Refuse what is there in place of a folder, and a folder in which nothing can be written.

    Raises
    ------
    StoreError : the one or the other; that there is nothing is no error.
    """
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        raise StoreError(f"{folder}: cannot be written (not a folder)")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise StoreError(f"{folder}: cannot be written (permission denied)")


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries to the disk, where the system can."""
    if not hasattr(os, "O_DIRECTORY"):  # Windows opens no folders
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def clear_staging(staging: Path) -> int:
    """Remove files that a killed run left in a staging folder; returns how many. Call it under the store's lock.

    Raises
    ------
    StoreError : one cannot be removed.
    """
    try:
        left = list(staging.iterdir()) if staging.is_dir() else []
        for path in left:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{staging}: cannot be emptied ({error.strerror or error})") from error
    return len(left)
