"""What a store holds under a site's former names, brought under the one it has: its history goes on.

Each file is written under its new name before the old one goes, so that what is interrupted is gone on with.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError, ReadError
from halfcycle.pipeline.event_tables import event_tables_path
from halfcycle.pipeline.events import Event, catalogue_table, events_of, with_identity
from halfcycle.pipeline.nightly.catalogue_file import Row, catalogue_metadata, read_events_table, write_catalogue
from halfcycle.pipeline.nightly.standing import CAPTURES
from halfcycle.pipeline.nightly.surveyed import MADE, SurveyFolders
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.store.changes import Changes
from halfcycle.pipeline.store.documents import document_at, write_document
from halfcycle.pipeline.store.partitions import Store, for_partitions
from halfcycle.pipeline.store.trends import write_trend
from halfcycle.pipeline.survey.certificate import with_certificates
from halfcycle.pipeline.survey.compliance import assessments_at, verdicts_table
from halfcycle.pipeline.survey.stored import RECORDED, read_trends

_MOVED: Final = ("waveforms", "recorded")  # whose files do not name their site
_KINDS: Final = (*_MOVED, "catalogue", "trends", "verdicts")


def former_names(fleet: Fleet) -> list[tuple[Site, str]]:
    """The sites under whose former names the store holds something, with each such name."""
    store = Store(fleet.store)
    return [(site, old) for site in fleet.sites for old in site.formerly if any(_folders(store, old))]


def names_unknown(fleet: Fleet) -> list[str]:
    """Names under which the store has waveforms or catalogues, and which no site of the fleet has or had."""
    known = {name for site in fleet.sites for name in (site.name, *site.formerly)}
    held = {path.name.removeprefix("site=") for kind in ("waveforms", "catalogue")
            for path in (fleet.store / kind).glob("site=*") if path.is_dir()}  # fmt: skip
    return sorted(held - known)


def take_over(fleet: Fleet) -> tuple[list[str], list[str]]:
    """Bring all that the store holds under former names under the present ones; the caller holds the lock.

    Returns
    -------
    (what was brought, what could not be as it is damaged and was left where it is), in words.

    Raises
    ------
    StoreError : nothing can be written.
    """
    told: list[str] = []
    unreadable: list[str] = []
    for site, old in former_names(fleet):
        left = _take_over(site, old, fleet)
        unreadable += [f"{path}: {words}; it stays under the former name of {site.name}" for path, words in left]
        if not left:
            told.append(f"the data stored for {old} now belong to {site.name}")
    return told, unreadable


def _take_over(site: Site, old: str, fleet: Fleet) -> list[tuple[Path, str]]:
    store = Store(fleet.store)
    left: list[tuple[Path, str]] = []
    for kind in _MOVED:
        for path in sorted((store.root / kind / f"site={old}").glob("date=*/*")):
            store.move(path, store.root / kind / f"site={site.name}" / path.parent.name / path.name)
    ids: dict[str, str] = {}
    for day in store.catalogue_days(old):
        path = store.catalogue_path(old, day)
        try:
            _rename_catalogue(path, day, site, old, fleet, ids)
        except PlaceError as error:
            left.append((path, str(error).removeprefix(f"{path}: ")))
            continue
        store.remove(path)
    for day, made in SurveyFolders(store, old).made_paths().items():
        try:
            _rename_trends(made, day, site, store, fleet.secret)
        except ReadError as error:
            left.append((made, str(error)))
    _rename_verdicts(site, old, store)
    for folder in _folders(store, old):
        _clear(folder)
    Changes(store.root).forget_site(old)
    return left


def _rename_catalogue(path: Path, day: date, site: Site, old: str, fleet: Fleet, ids: dict[str, str]) -> None:
    """Write a catalogue under the new name, with the identities that its events have there. ids: new by old ones."""
    store = Store(fleet.store)
    document = dict(catalogue_metadata(path) or {})
    events = _renamed(events_of(read_events_table(path)), old, site.name, ids)
    then = site.on(day)
    if document.get("settings") == fleet.site_digest(then.model_copy(update={"name": old})):
        document |= {"settings": fleet.site_digest(then), "judged_by": fleet.judged_by(then)}
    for key in ("incident_before", "incident_after"):
        if document.get(key):
            incident, until = document[key]
            document[key] = [ids.get(incident, incident), until]
    document["site"] = site.name
    target = store.catalogue_path(site.name, day)
    if target.exists():  # captures of that day came under both names
        events, document = _joined(events, document, target)
    write_catalogue(catalogue_table(events), document, target, store, key=fleet.secret)


def _renamed(events: Sequence[Event], old: str, name: str, ids: dict[str, str]) -> list[Event]:
    for event in events:
        ids[event.event_id] = with_identity(replace(event, site=name)).event_id
    return [
        replace(
            event, site=name, event_id=ids[event.event_id],
            incident_id=ids.get(event.incident_id, event.incident_id),
            part_of=ids.get(event.part_of or "", event.part_of),
            source=(event.source or "").replace(f"/site={old}/", f"/site={name}/") or None,
        )
        for event in events
    ]  # fmt: skip


def _joined(events: list[Event], document: dict[str, Any], target: Path) -> tuple[list[Event], dict[str, Any]]:
    """With what a catalogue of the new name holds; its inputs match nothing, so that it is made anew if it can be."""
    there = catalogue_metadata(target) or {}
    known = {event.event_id for event in events}
    others = [event for event in events_of(read_events_table(target)) if event.event_id not in known]
    rows: list[Row] = [*document.get("coverage", ()), *there.get("coverage", ())]
    captures = sorted({*document.get(CAPTURES, ()), *there.get(CAPTURES, ())})
    return [*events, *others], there | {"coverage": rows, CAPTURES: captures, "names": "", "inputs": ""}


def _rename_trends(made: Path, day: date, site: Site, store: Store, key: bytes | None) -> None:
    document = document_at(made)
    files: list[str] = []
    for name in document.get("files", ()):
        (one,) = read_trends(store.root / name)
        certificate = replace(one.certificate, site=site.name)
        paths = write_trend(
            with_certificates(one.trend.table, [certificate]), store.root,
            site=f"{site.name} {certificate.point}".strip(), interval_s=certificate.interval_s,
            recorded=certificate.origin == RECORDED, key=key,
        )  # fmt: skip
        files += [path.relative_to(store.root).as_posix() for path in paths]
    write_document(document | {"files": sorted(files)}, SurveyFolders(store, site.name).made_path(day), store.staging)
    for path in (*(store.root / name for name in document.get("files", ())), made):
        path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # more lies there
            path.parent.rmdir()
            path.parent.parent.rmdir()


def _rename_verdicts(site: Site, old: str, store: Store) -> None:
    """Those of periods whose trends are gone stand under the new name; the others are made anew."""
    path, target = SurveyFolders(store, old).verdicts_path, SurveyFolders(store, site.name).verdicts_path
    with contextlib.suppress(ReadError):  # they are made anew, as far as there are trends
        found = {(site.name, point): of_point for (_, point), of_point in assessments_at(path).items()}
        if not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            write_table(for_partitions(verdicts_table(found)), target)
            first = document_at(path.with_name(MADE)).get("first")
            if first is not None:
                write_document({"first": first}, target.with_name(MADE), store.staging)
    for one in (path, event_tables_path(path), path.with_name(MADE)):
        one.unlink(missing_ok=True)


def _folders(store: Store, name: str) -> Iterator[Path]:
    """The folders of a name, those of its points among the trends included."""
    for kind in _KINDS:
        folder = store.root / kind / f"site={name}"
        if folder.is_dir():
            yield folder


def _clear(folder: Path) -> None:
    """Remove a folder, where nothing but empty folders is left in it."""
    if not any(path.is_file() for path in folder.rglob("*")):
        with contextlib.suppress(OSError):
            shutil.rmtree(folder)
