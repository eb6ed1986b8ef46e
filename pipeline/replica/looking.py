"""The files of a working copy, looked at where a folder changed since the last look.

All files below it take their places by renaming, so that a file that changes changes its folder's time stamp.
"""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from halfcycle.pipeline.replica.memory import Memory
from halfcycle.pipeline.replica.state import file_digest, name_of, path_named
from halfcycle.pipeline.store.atomic import ASIDE, SETTLED_NS

_HIDDEN: Final = (".staging",)


@dataclass(frozen=True, slots=True)
class Root:
    """A folder of the working copy.

    Attributes
    ----------
    name : under which its files are known at the address.
    folder : where it lies.
    is_foreign : its files have names that somebody else gave them: any, and perhaps one name for two contents.
    left_out : files below it that stay on this machine.
    """

    name: str
    folder: Path
    is_foreign: bool = False
    left_out: frozenset[str] = frozenset()


@dataclass(slots=True)
class _Found:
    """What a look finds different."""

    files: list[tuple[object, ...]] = field(default_factory=list)
    gone: list[tuple[str, str]] = field(default_factory=list)
    folders: list[tuple[object, ...]] = field(default_factory=list)
    closed: list[str] = field(default_factory=list)


def path_of(path: str, roots: Mapping[str, Root]) -> Path:
    """Where a file lies that is known by a path.

    Raises
    ------
    PlaceError : it leads out of its root.
    """
    root, _, name = path.partition("/")
    return roots[root].folder / path_named(name)


def look(memory: Memory, roots: Mapping[str, Root]) -> list[str]:
    """Bring the memory of the files up to date; those that are other ones than before are noted as changed.

    Returns
    -------
    What cannot be read, in words; it is taken to be as it was.
    """
    found = _Found()
    for root in roots.values():
        _look_at(memory, root, root.folder, "", root.name, found)
    with memory.at_once():
        memory.write("DELETE FROM files WHERE folder = ? AND name = ?", found.gone)
        memory.write("REPLACE INTO files VALUES (?, ?, ?, ?, ?, ?)", found.files)
        memory.write("REPLACE INTO folders VALUES (?, ?, ?, ?)", found.folders)
        changed = [f"{row[0]}/{row[1]}" for row in (*found.gone, *found.files)]
        memory.write("INSERT OR IGNORE INTO changed VALUES (?)", [(path,) for path in changed])
    return found.closed


def _look_at(memory: Memory, root: Root, folder: Path | str, parent: str, name: str, found: _Found) -> None:
    """Look at a folder and those below it. parent, name: by which it is known."""
    known = memory.rows("SELECT stamp, has_folders FROM folders WHERE parent = ? AND name = ?", parent, name)
    _look_into(memory, root, str(folder), parent, name, known[0] if known else None, found)


def _look_into(
    memory: Memory, root: Root, folder: str, parent: str, name: str, known: tuple[int, ...] | None, found: _Found
) -> None:
    path = f"{parent}/{name}" if parent else name
    try:
        stamp = os.stat(folder).st_mtime_ns
        if known is not None and known[0] == stamp:
            if known[1]:
                _look_below(memory, root, folder, path, None, found)
            return
        with os.scandir(folder) as entries:
            listed = [entry for entry in entries if _belongs(entry.name, root, path)]
        below = {name_of(Path(entry.name)) for entry in listed if entry.is_dir(follow_symlinks=False)}
        _look_at_files([one for one in listed if not one.is_dir(follow_symlinks=False)], memory, path, found)
    except (FileNotFoundError, NotADirectoryError):
        stamp, below = -1, set()
        found.gone += [(path, name) for (name,) in memory.rows("SELECT name FROM files WHERE folder = ?", path)]
    except OSError as error:
        found.closed.append(f"{folder}: cannot be read ({error.strerror or error})")
        return
    _look_below(memory, root, folder, path, below, found)
    settled = stamp if stamp < time.time_ns() - SETTLED_NS else 0
    found.folders.append((parent, name, settled, int(bool(below))))


def _look_below(memory: Memory, root: Root, folder: str, path: str, listed: set[str] | None, found: _Found) -> None:
    """Look at the folders of a folder. listed: those there are; None: the same as before."""
    query = "SELECT name, stamp, has_folders FROM folders WHERE parent = ? AND stamp >= 0"
    known = {name: (stamp, has_folders) for name, stamp, has_folders in memory.rows(query, path)}
    for name in sorted(known.keys() | (listed or set())):
        below = f"{folder}/{path_named(name) if '%' in name else name}"
        before = known.get(name)
        if before is None or before[1] or not _is_unchanged(below, before[0]):  # else it is one of very many
            _look_into(memory, root, below, path, name, before, found)


def _is_unchanged(folder: str, stamp: int) -> bool:
    try:
        return os.stat(folder).st_mtime_ns == stamp
    except OSError:
        return False


def _look_at_files(entries: list[os.DirEntry[str]], memory: Memory, path: str, found: _Found) -> None:
    known: dict[str, str] = dict(memory.rows("SELECT name, stamp FROM files WHERE folder = ?", path))
    for entry in entries:
        name = name_of(Path(entry.name))
        try:
            status = entry.stat()
            if not stat.S_ISREG(status.st_mode):
                continue
            stamp = stamp_of(status)
            if known.pop(name, "") != stamp:
                digest = file_digest(Path(entry.path))
                found.files.append((path, name, stamp, digest, status.st_size, int(status.st_mtime)))
        except FileNotFoundError:  # a link that leads nowhere
            continue
        except OSError as error:
            known.pop(name, "")
            found.closed.append(f"{entry.path}: cannot be read ({error.strerror or error})")
    found.gone += [(path, name) for name in known]


def stamp_of(status: os.stat_result) -> str:
    """What is another one whenever a file is."""
    return f"{status.st_size} {status.st_mtime_ns} {status.st_ctime_ns} {status.st_ino}"


def _belongs(name: str, root: Root, path: str) -> bool:
    """Whether an entry of a folder is one of the files that lie at the address, too. path: by which the folder goes."""
    if name.startswith(ASIDE) or name in _HIDDEN or f"{path}/{name}" in root.left_out:
        return False
    return root.is_foreign or not name.startswith(".")
