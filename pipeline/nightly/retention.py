"""What a fleet keeps for how long: waveforms, trends, catalogues and original files past their age are removed.

Waveforms go only once the catalogues and trends that are made of them are there; the days then stand as they were
judged (see `standing`). A removal that is interrupted goes on in the next night.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.catalogue_file import metadata_if_whole, read_events_table
from halfcycle.pipeline.nightly.day_looks import forget_looks
from halfcycle.pipeline.nightly.day_packs import drop_captures
from halfcycle.pipeline.nightly.day_states import SETTLED, DaysFound
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.standing import CAPTURES
from halfcycle.pipeline.nightly.survey import days_without_trends
from halfcycle.pipeline.nightly.surveyed import SurveyFolders
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.settings import Retention
from halfcycle.pipeline.store.content import stored_size
from halfcycle.pipeline.store.documents import document_at
from halfcycle.pipeline.store.packs import is_held
from halfcycle.pipeline.store.partitions import Store, day_named

_ONE_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Removed:
    """What was removed of a store, and what could not be.

    Attributes
    ----------
    captures, trends, catalogues, originals : files of each kind.
    size : of them all. [bytes]
    failed : in words, what could not be removed; the next night tries it again.
    """

    captures: int = 0
    trends: int = 0
    catalogues: int = 0
    originals: int = 0
    size: int = 0
    failed: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """How many files of each kind, and their size; "" where there are none."""
        kinds = {"capture": self.captures, "trend file": self.trends, "catalogue": self.catalogues,
                 "original file": self.originals}  # fmt: skip
        told = ", ".join(counted(n, kind) for kind, n in kinds.items() if n)
        return told and f"{told} ({self.size / 1e6:.1f} MB)"


@dataclass(frozen=True, slots=True)
class _Expired:
    captures: tuple[Path, ...] = ()
    trends: tuple[Path, ...] = ()
    catalogues: tuple[Path, ...] = ()
    originals: tuple[Path, ...] = ()

    @property
    def is_empty(self) -> bool:
        return not (self.captures or self.trends or self.catalogues or self.originals)


def has_expired(fleet: Fleet, found: DaysFound, today: date) -> bool:
    """Whether a night would remove something; parameters as for `remove_expired`."""
    return not _expired(fleet, found, today).is_empty


def would_be_removed(fleet: Fleet, found: DaysFound, today: date) -> Removed:
    """How much a night would remove; parameters as for `remove_expired`."""
    expired = _expired(fleet, found, today)
    kinds = (expired.captures, expired.trends, expired.catalogues, expired.originals)
    size = sum(stored_size(path) for paths in kinds for path in paths if is_held(path))
    captures, trends, catalogues, originals = map(len, kinds)
    return Removed(captures, trends, catalogues, originals, size)


def remove_expired(fleet: Fleet, found: DaysFound, today: date) -> Removed | None:
    """Remove what is past its age; the caller holds the lock. None where the fleet keeps everything.

    Parameters
    ----------
    fleet : the configuration.
    found : of all days, once all catalogues are made.
    today : from which ages count. UTC.
    """
    if fleet.retention is None:
        return None
    expired = _expired(fleet, found, today)
    failed: list[str] = []
    store = Store(fleet.store)
    kinds = (expired.trends, expired.catalogues, expired.originals)
    captures, a = _captures_removed(expired.captures, store, failed)
    (trends, b), (catalogues, c), (originals, d) = (_removed(paths, store, failed) for paths in kinds)
    return Removed(captures, trends, catalogues, originals, a + b + c + d, tuple(failed))


def _captures_removed(paths: Sequence[Path], store: Store, failed: list[str]) -> tuple[int, int]:
    """As `_removed`, of captures, those of a day together: they may lie in one file."""
    size = n = 0
    for folder, of_day in groupby(paths, key=lambda path: path.parent):
        held = {path: stored_size(path) for path in of_day if is_held(path)}
        failed += drop_captures(store, held)
        held = {path: n_bytes for path, n_bytes in held.items() if not is_held(path)}
        if held and (day := day_named(folder.name)) is not None:
            forget_looks(store, folder.parent.name.removeprefix("site="), day)
        size, n = size + sum(held.values()), n + len(held)
        with contextlib.suppress(OSError):  # the folder holds more
            folder.rmdir()
    return n, size


def _removed(paths: Iterable[Path], store: Store, failed: list[str]) -> tuple[int, int]:
    """Remove files; returns how many, and their size. [bytes]"""
    size = n = 0
    for path in paths:
        try:
            n_bytes = path.stat().st_size
            store.remove(path)
        except FileNotFoundError:
            continue
        except OSError as error:
            failed.append(f"{path}: cannot be removed ({error.strerror or error})")
            continue
        size, n = size + n_bytes, n + 1
        with contextlib.suppress(OSError):  # the folder holds more
            path.parent.rmdir()
    return n, size


def _expired(fleet: Fleet, found: DaysFound, today: date) -> _Expired:
    retention = fleet.retention
    if retention is None:
        return _Expired()
    store = Store(fleet.store)
    settled = sorted((day for day, state in found.states if state in SETTLED), key=lambda one: (one.site, one.day))
    catalogues = [
        store.catalogue_path(day.site, day.day)
        for day in settled
        if _is_past(day.day, retention.catalogues_days, today)
        and not (day in found.with_captures and any(store.held(day.site, day.day)))
    ]
    trends = [
        path
        for site in (fleet.sites if retention.trends_days is not None else ())
        for day, made in SurveyFolders(store, site.name).made_paths().items()
        if _is_past(day, retention.trends_days, today) and not any(store.held(site.name, day))
        for path in _trend_files(store, made)
    ]
    captures = tuple(_captures(settled, found, fleet, retention, today))
    return _Expired(captures, tuple(trends), tuple(catalogues), tuple(_originals(fleet, today)))


def _captures(
    settled: Sequence[Day], found: DaysFound, fleet: Fleet, retention: Retention, today: date
) -> Iterator[Path]:
    """Captures past their age, of days that have all that is made of them, as have those beside them."""
    ages = (retention.calm_waveforms_days, retention.event_waveforms_days)
    past = [day for day in settled if any(_is_past(day.day, age, today) for age in ages) and day in found.with_captures]
    if not past:
        return
    open_days = {day for day, state in found.states if state not in SETTLED} | set(days_without_trends(fleet, found))
    for day in past:
        if open_days.isdisjoint(Day(day.site, day.day + n * _ONE_DAY) for n in (-1, 0, 1)):
            yield from _captures_past(day, retention, Store(fleet.store), today)


def _captures_past(day: Day, retention: Retention, store: Store, today: date) -> Iterator[Path]:
    """Captures of a day that are past their age, those that hold an event and those that hold none."""
    held, _ = store.held(day.site, day.day)
    document = metadata_if_whole(store.catalogue_path(day.site, day.day)) if held else None
    if document is None:
        return
    calm = _is_past(day.day, retention.calm_waveforms_days, today)
    eventful = _is_past(day.day, retention.event_waveforms_days, today)
    listed = set(document.get(CAPTURES, ()))
    with_event = _with_event(day, store)
    for path in held:
        if path.stem in listed and (eventful if path.stem in with_event else calm):
            yield path


def _with_event(day: Day, store: Store) -> set[str]:
    """Names of captures that hold an event of a day or of one beside it."""
    found: set[str] = set()
    for n in (-1, 0, 1):
        path = store.catalogue_path(day.site, day.day + n * _ONE_DAY)
        if path.exists():
            for names in read_events_table(path, ["capture"]).column("capture").to_pylist():
                found |= set((names or "").split("+"))
    return found


def _trend_files(store: Store, made: Path) -> Iterator[Path]:
    """The files of a day's trends, and last what names them."""
    yield from (store.root / name for name in document_at(made).get("files", ()))
    yield made


def _originals(fleet: Fleet, today: date) -> Iterator[Path]:
    days = None if fleet.retention is None else fleet.retention.processed_days
    if days is None or not fleet.processed.is_dir():
        return
    for path in sorted(fleet.processed.rglob("*")):
        with contextlib.suppress(OSError):
            status = path.stat()
            came = datetime.fromtimestamp(max(status.st_mtime, status.st_ctime), UTC)  # a move keeps the former
            if path.is_file() and _is_past(came.date(), days, today):
                yield path


def _is_past(day: date, days: int | None, today: date) -> bool:
    return days is not None and (today - day).days > days
