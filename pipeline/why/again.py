"""What a row was judged with, judged again; and what of its inputs is not as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import HalfcycleError, PlaceError, ReadError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.building import judge_day_again
from halfcycle.pipeline.nightly.catalogue_file import altered_catalogue, catalogue_metadata
from halfcycle.pipeline.nightly.days import Day, held_names, names_digest, path_of
from halfcycle.pipeline.readers import capture_files
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.records.archive import Reading, look_at, records_by_site
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.screening.provenance import Input, Provenance, file_digest, settings_of
from halfcycle.pipeline.screening.units import Basis
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.store.partitions import Store, day_of


@dataclass(frozen=True, slots=True)
class Again:
    """What was judged again.

    Attributes
    ----------
    events : all of the recorder or day, with their incidents.
    records : in which they lie.
    accounts : of the sites.
    terms : that the events' site was judged by.
    changes : what of the inputs is not as it was, a sentence each.
    reached : what was made again, in words.
    altered : what of the catalogue itself is not as its manifest says; "" where all is.
    """

    events: tuple[Event, ...]
    records: tuple[Record, ...]
    accounts: tuple[Account, ...]
    terms: Terms
    changes: tuple[str, ...] = ()
    reached: str = ""
    altered: str = ""

    def row(self, event: Event) -> Event | None:
        """The row of an event, by its id, or None."""
        return next((one for one in self.events if one.event_id == event.event_id), None)


class Origin(Protocol):
    """From what rows can be made again."""

    def again(self, event: Event) -> Again:
        """All that was judged together with an event, judged again.

        Raises
        ------
        HalfcycleError : it cannot be; it says why.
        """


class ScreeningOrigin:
    """The rows of a screening's catalogue, by its provenance.

    Parameters
    ----------
    known : what lies beside the catalogue.
    catalogue : the file.
    archive : where its waveforms may lie.
    """

    def __init__(self, known: Provenance, catalogue: Path, archive: WaveformPlaces) -> None:
        self._known, self._catalogue, self._archive = known, catalogue, archive
        self._done: dict[int, Again] = {}

    def again(self, event: Event) -> Again:
        """As for `Origin`: the files of the recorder, screened with the settings of the provenance."""
        i = next((i for i, (sites, _) in enumerate(self._known.groups) if event.site in sites), None)
        if i is None:
            raise ReadError(self._catalogue, "provenance", f"names no files of site {event.site!r}")
        if i not in self._done:
            self._done[i] = self._judged(self._known.groups[i][1])
        settings = settings_of(self._known.settings)
        reading = Reading(settings.terms.quantities)
        return replace(self._done[i], terms=Basis(settings.terms, reading, settings.sites).terms_of(event.site))

    def _judged(self, inputs: Sequence[Input]) -> Again:
        settings = settings_of(self._known.settings)
        changes = [] if self._known.version == code_version() else [_other_version(self._known.version)]
        if settings.document != self._known.settings:
            changes.append("settings: the learned model or a default of this version has changed")
        places, gone = self._places(inputs)
        changes += gone
        if not places:
            raise ReadError(self._catalogue, "", "; ".join(changes) or "no file of the recorder exists")
        paths = list(places)
        roots = sorted({root for path in paths if (root := _existing(path)) is not None})
        others = set(capture_files(roots, in_bundles=True)) - set(paths)
        found = screen(
            roots, terms=settings.terms, workers=1, leave_out=others, strict=settings.strict, sites=settings.sites
        )
        changes += [f"{one.path}: {one.reason}" for one in found.set_aside]
        reading = Reading(settings.terms.quantities, settings.strict, settings.sites.described)
        looks = [look_at(path, reading)[0] for path in paths]
        records, _ = records_by_site(looks, settings.sites.name_of, reading)
        return Again(
            tuple(replace(event, source=_as_given(event.source, places)) for event in found.events),
            tuple(record for _, record, _ in records), found.accounts, settings.terms, tuple(changes),
            f"{len(paths)} file{'s' if len(paths) > 1 else ''} of the recorder screened again",
        )  # fmt: skip

    def _places(self, inputs: Sequence[Input]) -> tuple[dict[Path, str], list[str]]:
        """Where files lie now, with their paths as given; and what is not as it was."""
        moved: dict[Path, Path] = {}
        places: dict[Path, str] = {}
        changes = []
        for one in sorted(inputs, key=lambda one: one.digest is None):  # files that are known by digest tell of moves
            given = Path(one.path)
            near = [given, self._catalogue.parent / given, *(folder / given for folder in self._archive.folders)]
            near += [new / given.name for old, new in moved.items() if old == given.parent]
            here = next((path for path in near if _existing(path) is not None), None)
            if one.digest is not None and (here is None or file_digest(here) != one.digest):
                elsewhere = self._archive.file_with(one.digest, one.path)
                if elsewhere is not None:
                    moved[given.parent] = elsewhere.parent
                    here = elsewhere
                elif here is not None:
                    changes.append(f"{one.path}: its content changed (digest {file_digest(here)}, was {one.digest})")
            if here is None:
                changes.append(f"{one.path}: no longer exists; give its folder with --files")
                continue
            if one.digest is None and one.n_bytes is not None and here.stat().st_size != one.n_bytes:
                changes.append(f"{one.path}: has {here.stat().st_size} bytes, had {one.n_bytes}")
            places[here] = one.path
        return places, changes


class FleetOrigin:
    """The rows of a fleet's daily catalogues, from its store.

    Parameters
    ----------
    archive : names the fleet.
    key : that the catalogues should be signed with; None: the fleet's, where it has one.
    """

    def __init__(self, archive: WaveformPlaces, *, key: bytes | None = None) -> None:
        if archive.fleet is None:
            raise HalfcycleError("no fleet was given")
        self._fleet = archive.fleet
        self._key = archive.fleet.secret if key is None else key
        self._done: dict[Day, Again] = {}

    def again(self, event: Event) -> Again:
        """As for `Origin`: the site's day judged from the store with the fleet's settings as they are now."""
        day = Day(event.site, day_of(event.start))
        if day not in self._done:
            self._done[day] = self._judged(day)
        return self._done[day]

    def _judged(self, day: Day) -> Again:
        fleet = self._fleet
        again = judge_day_again(day, fleet)
        site = fleet.site(day.site)
        changes = []
        altered = ""
        try:
            document = catalogue_metadata(path_of(day, fleet))
            altered = "" if document is None else altered_catalogue(path_of(day, fleet), key=self._key)
        except PlaceError as error:
            document = None
            changes.append(str(error))
        if document is None or site is None:
            changes.append(f"the store holds no catalogue of {day.site}, {day.day}")
        else:
            store = Store(fleet.store)
            days = {*store.days(site.name), *store.recorded_days(site.name)}
            names = {d: held_names(store, site.name, d) for d in days}
            if document.get("version") != code_version():
                changes.append(_other_version(str(document.get("version"))))
            if document.get("settings") != fleet.site_digest(site.on(day.day)):
                changes.append("settings: those of the site changed since the day was judged")
            if document.get("names") != names_digest(names, day.day, int(document.get("days_after", 1))):
                changes.append("captures: some of the day or its neighbours were added or removed since it was judged")
        return Again(
            tuple(again.events), tuple(again.records), tuple(again.accounts), again.terms, tuple(changes),
            f"{day.day} of {day.site} judged again from the store", altered,
        )  # fmt: skip


def _other_version(was: str) -> str:
    return f"version: made by {was}, now {code_version()}"


def _existing(path: Path) -> Path | None:
    """The path, or the bundle that it lies in; None where neither is there."""
    return next((one for one in (path, *path.parents) if one.is_file()), None)


def _as_given(source: str | None, places: dict[Path, str]) -> str | None:
    """A row's source with each path as it was given to the screening."""
    given = {str(path): was for path, was in places.items()}
    if source is None or source in given:
        return None if source is None else given[source]
    return "+".join(given.get(name, name) for name in source.split("+"))
