"""Files that leave the inbox: to `processed` when they are stored, to `quarantine` with a reason when they cannot be.

A sound file that holds nothing to be stored goes to `processed`, with a reason, too.

No step removes a file before its content lies elsewhere, and each may be repeated; so a run that is killed loses
nothing and the next one finishes what it began.
"""

from __future__ import annotations

import contextlib
import errno
import filecmp
import hashlib
import os
import re
import shutil
import stat
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.plain_text import plain
from halfcycle.pipeline.readers import SPECIAL_FILES, capture_files, companions_of
from halfcycle.pipeline.store.atomic import clear_staging, refused, sync_folder, write_atomically
from halfcycle.pipeline.store.partitions import REASON_ENDING

STAGING: Final = ".staging"
_UPLOAD_ENDINGS: Final = (".part", ".partial", ".tmp")  # common practice, no source
_LONGEST_WATCH_S: Final = 2.0  # of files dated in the future
_MARK: Final = re.compile(r"[0-9a-f]{8}")
_LONGEST_NAME: Final = 255  # bytes, on the usual file systems


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits in the inbox.

    Attributes
    ----------
    ready : capture files that are whole; in order, files of one stem side by side, and a link to another of them
        before it.
    settling : those that changed a moment ago, or of which a part is still being uploaded.
    unreadable : in words, folders that cannot be looked into.
    """

    ready: tuple[Path, ...]
    settling: tuple[Path, ...]
    unreadable: tuple[str, ...] = ()


def waiting(fleet: Fleet) -> Waiting:
    """Capture files in the inbox, those apart that are still being written.

    A file is being written while it changed within the configured time; where its time stamp lies in the future, while
    its size or stamp changes under watch; and while a file of its stem has a name that uploads have in the meantime.

    Raises
    ------
    StoreError : the inbox is not a folder.
    """
    if not fleet.inbox.is_dir():
        raise StoreError(f"{fleet.inbox}: the inbox is not a folder")
    drop_leftovers(fleet)
    files = capture_files([fleet.inbox])
    uploads = [path for path in files if path.suffix.lower() in _UPLOAD_ENDINGS]
    stems = {group_of(path.with_suffix("")) for path in uploads}
    groups = {path: group_of(path) for path in files}
    growing = set(uploads) | {path for path in files if groups[path] in stems}
    if fleet.run.settle_s > 0:
        growing |= _unsettled([path for path in files if path not in growing], fleet.run.settle_s)
    ordered = sorted(files, key=lambda path: (*groups[path], not path.is_symlink(), path))
    closed: list[OSError] = []
    for _ in os.walk(fleet.inbox, onerror=closed.append):
        pass
    return Waiting(
        tuple(path for path in ordered if path not in growing),
        tuple(path for path in ordered if path in growing),
        tuple(f"{error.filename}: cannot be listed ({error.strerror})" for error in closed),
    )


def _unsettled(files: Sequence[Path], settle_s: float) -> set[Path]:
    """Those files that changed within some time, or change now where their time stamps cannot tell."""
    now = time.time()
    changed = {path: max(_changed(part) for part in (path, *companions_of(path))) for path in files}
    found = {path for path, at in changed.items() if now - settle_s < at <= now}
    ahead = [path for path, at in changed.items() if at > now]
    if ahead:
        before = {path: state_of(path) for path in ahead}
        time.sleep(min(settle_s, _LONGEST_WATCH_S))
        found |= {path for path in ahead if state_of(path) != before[path]}
    return found


def is_special(path: Path) -> bool:
    """Whether a path is a pipe, a device or a socket, which are never opened nor moved."""
    status = _status(path)
    return status is not None and stat.S_IFMT(status.st_mode) in SPECIAL_FILES


def state_of(path: Path) -> tuple[tuple[int, int], ...]:
    """Size and time stamp of a file and each of its companions: while they stay, nothing was written."""
    found = []
    for part in (path, *companions_of(path)):
        status = _status(part)
        found.append((0, 0) if status is None else (status.st_size, status.st_mtime_ns))
    return tuple(found)


def _status(path: Path) -> os.stat_result | None:
    """What the system says of a file, or of a link that leads nowhere; None where it has gone, as by a rename."""
    with contextlib.suppress(OSError):
        return path.stat()
    with contextlib.suppress(OSError):
        return path.lstat()
    return None


def batches_of(files: Sequence[Path], fleet: Fleet) -> list[tuple[Path, ...]]:
    """Files in batches of the configured count and size, in order; those of one stem are not parted."""
    batches: list[list[Path]] = []
    n_bytes = 0.0
    for path in files:
        statuses = [_status(part) for part in (path, *companions_of(path))]
        size = sum(status.st_size for status in statuses if status is not None)
        last = batches[-1] if batches else []
        full = len(last) >= fleet.run.batch_files or n_bytes + size > fleet.run.batch_megabytes * 1e6
        if not last or (full and group_of(last[-1]) != group_of(path)):
            batches.append([])
            n_bytes = 0.0
        batches[-1].append(path)
        n_bytes += size
    return [tuple(batch) for batch in batches]


def to_processed(path: Path, fleet: Fleet, *, keep: Collection[Path] = (), reason: str = "") -> Path:
    """Move a file that is done with and its companions out of the inbox.

    Parameters
    ----------
    path : of the file.
    fleet : the configuration.
    keep : companions that stay, because another file in the inbox shares them.
    reason : in words, why nothing of it was stored; "" where it was.

    Returns
    -------
    The file's new place.

    Raises
    ------
    StoreError : they cannot be moved, or the reason cannot be written.
    """
    return _to(fleet.processed, path, reason, fleet, keep)


def to_quarantine(path: Path, reason: str, fleet: Fleet, *, keep: Collection[Path] = ()) -> Path:
    """Move a file that cannot be used, with its companions, and write the reason beside it.

    Parameters
    ----------
    path, fleet, keep : as for `to_processed`.
    reason : in words.

    Returns
    -------
    The file's new place.

    Raises
    ------
    StoreError : they cannot be moved, or the reason cannot be written.
    """
    return _to(fleet.quarantine, path, reason, fleet, keep)


def _to(root: Path, path: Path, reason: str, fleet: Fleet, keep: Collection[Path]) -> Path:
    """Move a file and its companions below a folder, the reason first where there is one."""
    parts = (path, *companions_of(path))
    places = _places(parts, fleet.inbox, root)
    if reason:
        write_atomically(_note_of(places[0]), partial(_write_reason, reason), staging=root / STAGING)
    _move(parts, places, fleet.inbox, root, keep)
    return places[0]


def to_inbox(path: Path, fleet: Fleet) -> Path:
    """Move a file of the quarantine and its companions back into the inbox, and drop the reason.

    Returns
    -------
    The file's new place, below the inbox as it lay below the quarantine.

    Raises
    ------
    StoreError : they cannot be moved; a PlaceError where other files lie there, or only these cannot be.
    """
    parts = (path, *companions_of(path))
    places = [fleet.inbox / part.relative_to(fleet.quarantine) for part in parts]
    for part, place in zip(parts, places, strict=True):
        if not _may_lie_at(part, place):
            raise PlaceError(f"{place}: another file of this name lies in the inbox")
    _move(parts, places, fleet.quarantine, fleet.inbox, ())
    _note_of(path).unlink(missing_ok=True)
    return places[0]


def quarantined_files(fleet: Fleet) -> list[tuple[Path, Path]]:
    """The files in quarantine that have a reason beside them, each with its note, in order."""
    found = []
    for folder, folders, names in os.walk(fleet.quarantine):
        folders[:] = [name for name in folders if name != STAGING]
        notes = {name for name in names if name.endswith(REASON_ENDING)}
        for name in names:
            note = _note_of(Path(folder, name))
            if name not in notes and note.name in notes:
                found.append((Path(folder, name), note))
    return sorted(found)


def drop_leftovers(fleet: Fleet) -> int:
    """Remove from the inbox what a killed run had already brought elsewhere; returns how many files."""
    for root in (fleet.processed, fleet.quarantine):
        clear_staging(root / STAGING)
    found: list[Path] = []
    left: set[Path] = set()
    for folder, _, names in os.walk(fleet.inbox):
        paths = [Path(folder, name) for name in names]
        places = _possible_places(Path(folder), fleet)
        found += paths
        for path in paths:
            with contextlib.suppress(OSError):
                if any(_is_same(path, place / path.name) for place in places):
                    left.add(path)
    for parts in ({path, *companions_of(path)} for path in found if left):
        if not parts <= left:
            left -= parts  # not all of these files lie elsewhere: they are moved once more, together
    for path in left:
        with contextlib.suppress(OSError):  # it is met again, and named, where it is to be moved
            path.unlink()
    return len(left)


def _possible_places(folder: Path, fleet: Fleet) -> list[Path]:
    """The folders to which an interrupted move may have brought the files of a folder of the inbox."""
    places: list[Path] = []
    for root in (fleet.processed, fleet.quarantine):
        place = _folder_below(root, folder.relative_to(fleet.inbox))
        if place.is_dir():
            places += [place, *(sub for sub in sorted(place.iterdir()) if _MARK.fullmatch(sub.name))]
    return places


def _is_same(path: Path, place: Path) -> bool:
    """Whether a file of the inbox lies at a place already, as it does when a move was cut in its middle."""
    try:
        here, there = path.lstat(), place.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    if place.is_symlink():
        return path.is_symlink() and os.path.realpath(path) == os.path.realpath(place)
    if path.is_symlink():
        return path.exists() and os.path.samestat(path.stat(), there)
    if here.st_dev == there.st_dev:
        return os.path.samestat(here, there)
    return place.is_file() and filecmp.cmp(path, place, shallow=False)


def group_of(path: Path) -> tuple[str, str]:
    """What files that may share companions, or be links to one another, have in common."""
    real = Path(os.path.realpath(path))
    return str(real.parent), real.stem


def _changed(path: Path) -> float:
    """When a file last changed: now, where it has gone. [s since 1970]"""
    status = _status(path)
    return time.time() if status is None else status.st_mtime


def _places(parts: Sequence[Path], inbox: Path, root: Path) -> list[Path]:
    """Where a capture's files go: as in the inbox, or in a folder of their own beside others of the same names."""
    places = [_folder_below(root, part.relative_to(inbox).parent) / part.name for part in parts]
    if all(_may_lie_at(part, place) for part, place in zip(parts, places, strict=True)):
        return places
    sha = hashlib.sha256()
    for part in parts:
        sha.update(part.read_bytes() if part.is_file() else os.fsencode(os.path.realpath(part)))
    return [place.parent / sha.hexdigest()[:8] / place.name for place in places]


def _folder_below(root: Path, relative: Path) -> Path:
    """A folder below another, around files that have the name of one of its parts."""
    folder = root
    for name in relative.parts:
        folder = folder / name
        while folder.exists() and not folder.is_dir():
            folder = folder.with_name(folder.name + "~")
    return folder


def _may_lie_at(part: Path, place: Path) -> bool:
    if not os.path.lexists(place) or _is_same(part, place):
        return True
    regular = part.is_file() and place.is_file() and not part.is_symlink() and not place.is_symlink()
    return regular and filecmp.cmp(part, place, shallow=False)


def _move(parts: Sequence[Path], places: Sequence[Path], origin: Path, root: Path, keep: Collection[Path]) -> None:
    """Move files from below one folder to below another."""
    try:
        for part, place in zip(parts, places, strict=True):
            _bring(part, place, origin, root)
        for folder in {place.parent for place in places}:
            sync_folder(folder)
        for part in parts:
            if part not in keep:
                part.unlink(missing_ok=True)
        sync_folder(parts[0].parent)
    except OSError as error:
        raise refused(f"{parts[0]}: cannot be moved below {root}", error) from error


def _bring(path: Path, place: Path, origin: Path, root: Path) -> None:
    """A second name for a file, or a copy of it on another file system.

    A link stays a link, but where it leads to another file below its origin, which leaves its place, too.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    if os.path.lexists(place):
        return
    real = Path(os.path.realpath(path))
    if path.is_symlink() and not (real.exists() and real.is_relative_to(os.path.realpath(origin))):
        place.symlink_to(real)
        return
    try:
        place.hardlink_to(real)
    except OSError as error:
        if error.errno not in (errno.EXDEV, errno.EPERM, errno.ENOTSUP, errno.EMLINK):
            raise
        write_atomically(place, partial(_copy, path), staging=root / STAGING)


def _note_of(place: Path) -> Path:
    """Where the reason for a file lies: beside it, under its name or as much of that as there is room for."""
    name = place.name
    while len(os.fsencode(name + REASON_ENDING)) > _LONGEST_NAME:
        name = name[:-1]
    return place.with_name(name + REASON_ENDING)


def _write_reason(reason: str, aside: Path) -> None:
    aside.write_text(plain(reason) + "\n", encoding="utf-8")


def _copy(path: Path, aside: Path) -> None:
    shutil.copy2(path, aside)
