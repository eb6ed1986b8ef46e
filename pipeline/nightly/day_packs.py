"""Captures of a day of the store brought together in packs, and taken out of them again.

A pack is written aside, read back and compared with the digests of its captures before their own files go. What is
interrupted leaves captures twice, never none of them; the next night goes on with that day.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from datetime import date
from functools import partial
from pathlib import Path
from typing import Final

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import DamagedCapture, StoreError
from halfcycle.pipeline.nightly.stored import check_stored, checked_capture, is_sound
from halfcycle.pipeline.store.atomic import stage
from halfcycle.pipeline.store.packs import Pack, is_pack, pack_at, pack_name, packs_in
from halfcycle.pipeline.store.partitions import Store
from halfcycle.pipeline.waveform_table import column_names
from halfcycle.pipeline.writers.parquet import write_pack

_LEAST: Final = 4  # files of a day that are worth a pack
_SMALL_BYTES: Final = 4 << 20  # larger files are few enough as they are
_MOST_BYTES: Final = 64 << 20  # of samples that are in memory while packs are written


def is_worth_packing(store: Store, site: str, day: date) -> bool:
    """Whether a day has so many captures in small files of their own, or one in a file and in a pack, too.

    Raises
    ------
    PlaceError : it cannot be read.
    """
    loose, twice = _own_files(store, site, day)
    return bool(twice) or len(loose) >= _LEAST


def pack_day(store: Store, site: str, day: date) -> tuple[int, list[str]]:
    """Bring captures of a day that lie in small files of their own together; the caller holds the lock.

    Returns
    -------
    (how many captures lie in packs now that did not, in words what is damaged and was left as it is).

    Raises
    ------
    StoreError : a pack cannot be written, or a file not removed; every capture is there.
    """
    failed: list[str] = []
    _settle_twice(store, site, day, failed)
    loose, _ = _own_files(store, site, day)
    n = 0
    if len(loose) >= _LEAST:
        for part in _in_parts(loose, failed):
            n += len(part)
            _put_pack(store, part)
            for path in part:
                store.remove(path)
    return n, failed


def drop_captures(store: Store, paths: Collection[Path]) -> list[str]:
    """Remove captures of one day, be they in files of their own or in packs; the caller holds the lock.

    Returns
    -------
    In words, what could not be removed. Of a pack all captures stay where another one of it is damaged, or there is no
    room for another pack.
    """
    failed: list[str] = []
    for path in paths:
        try:
            store.remove(path)
        except OSError as error:
            failed.append(f"{path}: cannot be removed ({error.strerror or error})")
    gone = {path.stem for path in paths}
    for pack in [pack for folder in {path.parent for path in paths} for pack in packs_in(folder)]:
        if not gone.isdisjoint(pack.headers):
            try:
                _without(store, pack, gone)
            except StoreError as error:
                failed.append(f"{pack.path}: captures cannot be removed from it ({error})")
            except OSError as error:
                failed.append(f"{pack.path}: cannot be removed ({error.strerror or error})")
    return failed


def _own_files(store: Store, site: str, day: date) -> tuple[list[Path], list[Path]]:
    """The captures of a day in small files of their own: those in no pack, and those that lie in one, too."""
    paths = [path for path in store.captures(site, day) if not is_pack(path.name)]
    packed = {digest for pack in packs_in(paths[0].parent) for digest in pack.headers} if paths else set()
    loose: list[Path] = []
    twice: list[Path] = []
    for path in paths:
        with suppress(FileNotFoundError):  # it lies in a pack alone
            if path.stat().st_size <= _SMALL_BYTES:
                (twice if path.stem in packed else loose).append(path)
    return loose, twice


def _settle_twice(store: Store, site: str, day: date, failed: list[str]) -> None:
    """Let captures lie in one place: in the pack, or in the file where the pack's is damaged."""
    _, twice = _own_files(store, site, day)
    for pack in packs_in(twice[0].parent) if twice else ():
        both = [path for path in twice if path.stem in pack.headers]
        damaged = {path for path in both if not is_sound(path, pack)}
        if damaged:
            try:
                _without(store, pack, {path.stem for path in damaged})
            except DamagedCapture as error:
                failed.append(str(error))
        for path in both:
            if path not in damaged:
                store.remove(path)


def _in_parts(paths: Iterable[Path], failed: list[str]) -> Iterator[dict[Path, Capture]]:
    """Captures that go into one pack each, in order of time. failed : is given what is damaged, in words."""
    alike: dict[object, dict[Path, Capture]] = {}
    n_bytes = 0
    for path in paths:
        try:
            capture = checked_capture(path)
        except DamagedCapture as error:
            failed.append(str(error))
            continue
        channels = capture.header.channels
        kind = tuple(column_names(channels)), *(one.quantity for one in channels), capture.header.sample_type
        alike.setdefault(kind, {})[path] = capture
        n_bytes += capture.samples.nbytes
        if n_bytes > _MOST_BYTES:
            yield from map(_in_order, alike.values())
            alike, n_bytes = {}, 0
    yield from map(_in_order, alike.values())


def _in_order(part: dict[Path, Capture]) -> dict[Path, Capture]:
    return dict(sorted(part.items(), key=lambda item: (item[1].header.start_ns, item[0].stem)))


def _without(store: Store, pack: Pack, gone: Collection[str]) -> None:
    """Put a pack without some of its captures in the place of another, or none where no other is left."""
    folder = pack.path.parent
    kept = [folder / f"{digest}.parquet" for digest in pack.headers if digest not in gone]
    if kept:
        _put_pack(store, {path: checked_capture(path, pack) for path in kept})
    store.remove(pack.path)


def _put_pack(store: Store, captures: dict[Path, Capture]) -> None:
    """Write a pack, and read it back before it is put in its place."""
    members = {path.stem: capture.header for path, capture in captures.items()}
    place = next(iter(captures)).with_name(pack_name(members))
    aside = stage(place, partial(write_pack, members, captures.values()), staging=store.staging)
    try:
        written = pack_at(aside)
        for path in captures:
            check_stored(path, written)
    except DamagedCapture:
        aside.unlink(missing_ok=True)
        raise
    store.put(aside, place)
