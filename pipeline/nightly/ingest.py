"""Ingest: capture files into the waveform store, each capture once whatever file it comes in."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

from pipeline.capture import Header
from pipeline.config import Fleet, Site
from pipeline.errors import HalfcycleError, ReadError
from pipeline.nightly.inbox import NotMovedError, is_special, state_of, to_processed, to_quarantine
from pipeline.nightly.stored import forget_catalogues, is_sound
from pipeline.readers import companions_of, read_captures, remarks_on
from pipeline.store.atomic import put_in_place, stage
from pipeline.store.partitions import Store, day_of
from pipeline.writers.parquet import write_waveform_parquet


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of one file.

    Attributes
    ----------
    path : where it was in the inbox.
    state : ``stored`` (with something new, or in place of something damaged), ``known`` (all its captures were in the
        store), ``no waveform`` (it is sound and holds none), ``quarantined``, ``left`` (in the inbox: it is no plain
        file, cannot be moved, or changed while it was read).
    site : whose captures they are; "" where there are none.
    n_captures, n_new : captures in it, and those that were not in the store yet.
    reason : why it was quarantined or left, or what it holds instead of waveforms, in words.
    """

    path: Path
    state: Literal["stored", "known", "no waveform", "quarantined", "left"]
    site: str = ""
    n_captures: int = 0
    n_new: int = 0
    reason: str = ""


def ingest_files(files: Sequence[Path], fleet: Fleet) -> list[FileOutcome]:
    """Store the captures of some inbox files, as the files hold them, and move the files on.

    Parameters
    ----------
    files : below the inbox.
    fleet : the configuration.

    Returns
    -------
    One outcome a file. A file that cannot be read, or whose site is not configured, is quarantined; so is in a strict
    run one in which something would have to be put right. The rest goes on.

    Raises
    ------
    StoreError : the store, `processed` or `quarantine` cannot be written. All that was in the inbox is still there or
        where it belongs; running again goes on from there.
    """
    outcomes: list[FileOutcome] = []
    for i, path in enumerate(files):
        # Files of one stem may share a description: it stays until the last of them has been read.
        alike = [other for other in files[i + 1 :] if other.parent == path.parent and other.stem == path.stem]
        keep = frozenset(companion for other in alike for companion in companions_of(other))
        try:
            outcomes.append(_ingest(path, fleet, keep=keep))
        except NotMovedError as error:
            outcomes.append(FileOutcome(path, "left", reason=str(error)))
    return outcomes


def _ingest(path: Path, fleet: Fleet, *, keep: frozenset[Path]) -> FileOutcome:
    store = Store(fleet.store)
    staged: list[tuple[Path, Path]] = []
    n_captures = 0
    site_names: set[str] = set()
    remarks: tuple[str, ...] = ()
    if is_special(path):
        return FileOutcome(path, "left", reason=f"{path.name}: is no plain file; it is never opened")
    before = state_of(path)
    try:
        for capture in read_captures(path, strict=fleet.run.strict):
            site = site_of(path, capture.header, fleet)
            site_names.add(site.name)
            n_captures += 1
            digest = capture.digest()
            place = store.waveform_path(site.name, day_of(capture.header.start_ns), digest)
            if place not in (final for _, final in staged) and not is_sound(place):
                if place.exists():  # damaged: this one takes its place
                    forget_catalogues(store, site.name, capture.header.start_ns)
                aside = stage(place, partial(write_waveform_parquet, capture, digest=digest), staging=store.staging)
                staged.append((aside, place))
        if not n_captures:
            remarks = remarks_on(path, strict=fleet.run.strict)
    except HalfcycleError as error:
        for aside, _ in staged:
            aside.unlink(missing_ok=True)
        if not isinstance(error, ReadError):
            raise
        to_quarantine(path, str(error), fleet, keep=keep)
        return FileOutcome(path, "quarantined", reason=str(error))
    if state_of(path) != before:
        for aside, _ in staged:
            aside.unlink(missing_ok=True)
        return FileOutcome(path, "left", reason=f"{path.name}: changed while it was read; it is left to settle")
    if remarks:
        reason = f"{path.name}: holds no waveform; {'; '.join(remarks)}"
        to_processed(path, fleet, keep=keep, reason=reason)
        return FileOutcome(path, "no waveform", reason=reason)
    # Only when the whole file has been read do its captures take their names.
    for aside, place in staged:
        put_in_place(aside, place)
    to_processed(path, fleet, keep=keep)
    state: Literal["stored", "known"] = "stored" if staged else "known"
    return FileOutcome(path, state, "+".join(sorted(site_names)), n_captures, len(staged))


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
    raise ReadError(path, "", f"{where} and station {header.station!r} name no configured site")


def _composed(name: str) -> str:
    """A name with each letter and its accent in one: some systems write file names with the two apart."""
    return unicodedata.normalize("NFC", name)
