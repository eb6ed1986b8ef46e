"""Files that are there whole or not at all: written aside, flushed to the disk, then renamed into place."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

from pipeline.errors import StoreError

ASIDE_PREFIX = ".aside-"


def write_atomically(path: Path, write: Callable[[Path], None]) -> None:
    """Make a file by writing it aside and renaming it.

    Parameters
    ----------
    path : of the file; its folder is made if need be. An older file is replaced at once.
    write : writes the content to the path it is given, which lies in the same folder and has the same ending.

    Raises
    ------
    StoreError : the folder or file cannot be written, or the disk is full; an older file is then still whole.
    """
    aside = path.with_name(f"{ASIDE_PREFIX}{os.getpid()}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(aside)
        with aside.open("rb+") as stream:
            os.fsync(stream.fileno())
        aside.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        raise StoreError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries to the disk, where the system can."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def clear_aside(root: Path) -> int:
    """Remove files that a killed run left aside below a folder; returns how many. Call it under the store's lock."""
    left = list(root.rglob(f"{ASIDE_PREFIX}*")) if root.is_dir() else []
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)
