"""Ingest: capture files into the waveform store, each capture once whatever file it comes in."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from pathlib import Path
from typing import Final, Literal

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import HalfcycleError, PlaceError, ReadError
from halfcycle.pipeline.nightly.at_hand import AtHand, key_of_file
from halfcycle.pipeline.nightly.inbox import is_special, state_of, to_processed, to_quarantine
from halfcycle.pipeline.nightly.recorded import are_stored, days_of_records, given_before, write_records
from halfcycle.pipeline.nightly.stored import forget_catalogues, is_sound
from halfcycle.pipeline.readers import companions_of, read_captures, remarks_on
from halfcycle.pipeline.records.archive import may_hold_both
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.recorded import header_of
from halfcycle.pipeline.store.atomic import refused, stage
from halfcycle.pipeline.store.packs import is_held
from halfcycle.pipeline.store.partitions import Store, day_of
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

_BUNDLES: Final = (".zip", ".gz", ".tgz")


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of one file.

    Attributes
    ----------
    path : where it was in the inbox.
    state : ``stored`` (with something new, or in place of something damaged), ``known`` (all its captures were in the
        store), ``no waveform`` (it is sound and holds none), ``quarantined``, ``left`` (in the inbox: it is no plain
        file, cannot be stored or moved, changed while it was read, or ended the process that read it).
    site : whose captures they are; "" where there are none.
    n_captures, n_new : captures in it, and those that were not in the store yet.
    n_recorded : site-days of values in it that the recorder computed itself, which were not in the store yet.
    reason : why it was quarantined or left, or what it holds instead of waveforms, or why its captures are not
        counted, in words.
    """

    path: Path
    state: Literal["stored", "known", "no waveform", "quarantined", "left"]
    site: str = ""
    n_captures: int = 0
    n_new: int = 0
    n_recorded: int = 0
    reason: str = ""

    @property
    def words(self) -> str:
        """The file, by its name, and the reason."""
        reason = self.reason_alone
        return reason if reason.startswith(self.path.name) else f"{self.path.name}: {reason}"

    @property
    def reason_alone(self) -> str:
        """The reason without the file's path or name, where it begins with one."""
        return self.reason.removeprefix(f"{self.path}: ").removeprefix(f"{self.path.name}: ")


def ingest_files(files: Sequence[Path], fleet: Fleet) -> list[FileOutcome]:
    """Store the captures of some inbox files, as the files hold them, and move the files on.

    Parameters
    ----------
    files : below the inbox.
    fleet : the configuration.

    Returns
    -------
    One outcome a file. A file that cannot be read, or whose site is not configured, is quarantined; so is in a strict
    run one in which something would have to be put right; one that cannot be stored or moved for where it lies, or
    where its captures belong, is left. The rest goes on.

    Raises
    ------
    StoreError : nothing can be written any more, as where the disk is full. All that was in the inbox is still there or
        where it belongs; running again goes on from there.
    """
    outcomes: list[FileOutcome] = []
    alike: dict[tuple[Path, str], list[Path]] = {}
    for path in files:
        alike.setdefault((path.parent, path.stem), []).append(path)
    with AtHand(fleet) as mark:
        for path in files:
            # Files of one stem may share a description: it stays until the last of them has been read.
            to_come = alike[path.parent, path.stem]
            to_come.remove(path)
            keep = frozenset(companion for other in to_come for companion in companions_of(other))
            mark.on(key_of_file(path, fleet))
            outcomes.append(_ingest_or_left(path, fleet, keep=keep))
    return outcomes


def _ingest_or_left(path: Path, fleet: Fleet, *, keep: frozenset[Path]) -> FileOutcome:
    try:
        try:
            return _ingest(path, fleet, keep=keep)
        except OSError as error:
            raise refused(f"{path}: cannot be examined", error) from error
    except PlaceError as error:
        return FileOutcome(path, "left", reason=str(error))


@dataclass(slots=True)
class _Held:
    """What a file holds: a place in the store for each capture, those written aside that are not there yet, sites."""

    places: list[Path] = field(default_factory=list)
    recorded: list[Path] = field(default_factory=list)
    n_recorded: int = 0
    former: list[Path] = field(default_factory=list)  # what the file gave when it was read before, and does not now
    staged: list[tuple[Path, Path]] = field(default_factory=list)
    sites: set[str] = field(default_factory=set)
    remarks: tuple[str, ...] = ()
    unread: str = ""  # why its recorder's own values cannot be read

    def drop(self) -> None:
        """Remove what was written aside and has no place yet."""
        for aside, _ in self.staged:
            aside.unlink(missing_ok=True)


def _ingest(path: Path, fleet: Fleet, *, keep: frozenset[Path]) -> FileOutcome:
    if not os.path.lexists(path):
        return _moved(path, fleet)
    if is_special(path):
        return FileOutcome(path, "left", reason=f"{path.name}: is not a regular file and is never opened")
    before = state_of(path)
    held = _Held()
    try:
        _stage(path, fleet, held)
    except HalfcycleError as error:
        held.drop()
        if isinstance(error.__cause__, MemoryError):  # there may be more of it when nothing else is at work
            raise error.__cause__ from None
        if not isinstance(error, ReadError):
            raise
        to_quarantine(path, str(error), fleet, keep=keep)
        return FileOutcome(path, "quarantined", reason=str(error))
    if state_of(path) != before:
        held.drop()
        return FileOutcome(path, "left", reason=f"{path.name}: changed while being read; it is left to settle")
    if held.remarks:
        reason = f"{path.name}: holds no waveform; {'; '.join(held.remarks)}"
        to_processed(path, fleet, keep=keep, reason=reason)
        return FileOutcome(path, "no waveform", reason=reason)
    _put_in_place(held, Store(fleet.store))
    to_processed(path, fleet, keep=keep)
    state: Literal["stored", "known"] = "stored" if held.staged else "known"
    n_new = len(held.staged) - held.n_recorded
    sites = "+".join(sorted(held.sites))
    return FileOutcome(path, state, sites, len(held.places), n_new, held.n_recorded, held.unread)


def _moved(path: Path, fleet: Fleet) -> FileOutcome:
    """What became of a file that was there when the run began: a process that then ended was done with it."""
    relative = path.relative_to(fleet.inbox)
    if (fleet.quarantine / relative).exists():
        return FileOutcome(path, "quarantined", reason=f"{path.name}: its reason is beside it in {fleet.quarantine}")
    if (fleet.processed / relative).exists():
        return FileOutcome(path, "stored", reason="by a process that ended before reporting the number of captures")
    return FileOutcome(path, "left", reason=f"{path.name}: no longer exists")


def _stage(path: Path, fleet: Fleet, held: _Held) -> None:
    """Write those captures of a file aside that are not in the store."""
    store = Store(fleet.store)
    for capture in read_captures(path, strict=fleet.run.strict):
        site = site_of(path, capture.header, fleet)
        held.sites.add(site.name)
        digest = capture.digest()
        place = store.waveform_path(site.name, day_of(capture.header.start_ns), digest)
        is_there = place in held.places or is_held(place)
        if not is_there or (place not in held.places and not is_sound(place)):
            if is_there:  # damaged: this one takes its place
                forget_catalogues(store, site.name, capture.header.start_ns)
            aside = stage(place, partial(write_waveform_parquet, capture, digest=digest), staging=store.staging)
            held.staged.append((aside, place))
        held.places.append(place)
        del capture  # the next one needs its memory
    _stage_recorded(path, fleet, held)
    if not held.places and not held.recorded:
        held.remarks = remarks_on(path, strict=fleet.run.strict)


def _stage_recorded(path: Path, fleet: Fleet, held: _Held) -> None:
    """Write what a recorder computed itself aside; beside waveforms it is looked for where a format may hold both."""
    if held.places and not may_hold_both(path) and path.suffix.lower() not in _BUNDLES:
        return
    store = Store(fleet.store)
    days: dict[tuple[str, str], set[date]] = {}
    try:
        for one in days_of_records(path, strict=fleet.run.strict):
            site = site_of(path, header_of(one.records), fleet)
            held.sites.add(site.name)
            place = store.recorded_path(site.name, one.day, one.name)
            if not are_stored(one, place):
                aside = stage(place, partial(write_records, one), staging=store.staging)
                held.staged.append((aside, place))
                held.n_recorded += 1
            held.recorded.append(place)
            days.setdefault((site.name, one.digest), set()).add(one.day)
    except ReadError as error:
        if not held.places:
            raise
        held.unread = str(error)
        return
    for (name, digest), own in days.items():
        held.former += given_before(store, name, own, digest, now=held.recorded)


def _put_in_place(held: _Held, store: Store) -> None:
    """Only when the whole file has been read do its captures take their names, and what it gave before goes."""
    try:
        for aside, place in held.staged:
            store.put(aside, place)
    except PlaceError:
        held.drop()
        raise
    for place in (*held.places, *held.recorded):
        store.put_back(place)  # it is tried again, whatever it was set aside for
    for path in held.former:
        store.put_back(path)
        store.remove(path)


def site_of(path: Path, header: Header, fleet: Fleet) -> Site:
    """The site whose capture this is: that of the inbox's subfolder, else the one that lists the station.

    Raises
    ------
    ReadError : neither names a configured site.
    """
    folders = path.relative_to(fleet.inbox).parts[:-1]
    names = {_composed(site.name): site for site in fleet.sites}
    for folder in folders:
        if _composed(folder) in names:
            return names[_composed(folder)]
    for site in fleet.sites:
        if header.station and header.station in (site.name, *site.stations):
            return site
    where = f"folder {folders[0]!r}" if folders else "no folder"
    raise ReadError(path, "", f"{where} and station {header.station!r} match no configured site")


def _composed(name: str) -> str:
    """A name with each letter and its accent in one: some systems write file names with the two apart."""
    return unicodedata.normalize("NFC", name)
