"""Single files between a working copy and an address; several at once."""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final, TypeVar

from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.replica.looking import stamp_of
from halfcycle.pipeline.replica.places import Place
from halfcycle.pipeline.replica.state import Entry, file_digest, new_key
from halfcycle.pipeline.store.atomic import ASIDE, put_in_place, refused

_AT_ONCE: Final = 8
Item = TypeVar("Item")
Result = TypeVar("Result")


class Gone(Exception):
    """An object that a state names is not there any more: a later state has to be read."""


def at_once(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Do something with each item, several at once; the first failure is raised when all have ended."""
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        return list(pool.map(work, items))


def copy_from(place: Place, entry: Entry, target: Path, staging: Path, *, with_time: bool) -> None:
    """Copy an object to where its file belongs; what lies there is replaced as a whole.

    Parameters
    ----------
    place : of the object.
    entry : as a state names it.
    target : the file.
    staging : folder of the same file system in which it is written.
    with_time : give it the time of what it is a copy of.

    Raises
    ------
    Gone : there is no such object.
    StoreError : it is damaged, cannot be reached, or cannot be written.
    """
    aside = staging / f"{ASIDE}{uuid.uuid4().hex}"
    try:
        try:
            staging.mkdir(parents=True, exist_ok=True)
            if not place.fetch(f"object/{entry.key}", aside):
                raise Gone
            if file_digest(aside) != entry.digest:
                raise PlaceError(f"{place.words}: object/{entry.key}, for {target}, is damaged")
            if with_time:
                os.utime(aside, (entry.changed_s, entry.changed_s))
        except OSError as error:
            raise refused(f"{target}: cannot be written", error) from error
        put_in_place(aside, target)
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)


def send_to(place: Place, path: Path, stamp: str, digest: str) -> str:
    """Put a file as a new object; returns its key.

    Parameters
    ----------
    place : where.
    path : of the file.
    stamp, digest : as it was looked at.

    Raises
    ------
    StoreError : it cannot be read, has changed since, or the place cannot be reached.
    """
    key = new_key(digest)
    try:
        place.send(path, f"object/{key}")
        is_same = stamp_of(path.stat()) == stamp or file_digest(path) == digest
    except OSError as error:
        raise refused(f"{path}: cannot be read", error) from error
    if not is_same:
        raise PlaceError(f"{path}: changed while it was copied to {place.words}")
    return key


def give_way(path: Path, digest: str) -> None:
    """Move a file to a folder beside it, as another machine has another one of its name; digest: of its content.

    Raises
    ------
    StoreError : it cannot be moved.
    """
    beside = path.parent / digest[:8] / path.name
    try:
        beside.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileNotFoundError):
            os.replace(path, beside)
    except OSError as error:
        raise refused(f"{path}: cannot be moved to {beside}", error) from error


def remove(path: Path, root: Path) -> None:
    """Remove a file, and the folders above it that are then empty, up to a root.

    Raises
    ------
    StoreError : it cannot be removed.
    """
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise refused(f"{path}: cannot be removed", error) from error
    for folder in path.parents:
        if folder == root:
            return
        try:
            folder.rmdir()
        except OSError:  # it holds more
            return
