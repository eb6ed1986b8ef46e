"""Whether a store is sound: every capture what was put there, every catalogue whole and of what is there now.

A store is checked by reading all of it. To repair it is to drop what is damaged and can be made again, to make it, and
to set damaged captures aside, so that days are judged without them until the same capture comes again.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final, Literal, get_args

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import DamagedCapture, PlaceError
from halfcycle.pipeline.nightly.at_hand import Strikes
from halfcycle.pipeline.nightly.catalogue_file import altered_catalogue, catalogue_metadata, read_events_table
from halfcycle.pipeline.nightly.day_states import look_at_days
from halfcycle.pipeline.nightly.month_checks import faults_of_months
from halfcycle.pipeline.nightly.months import gather_months
from halfcycle.pipeline.nightly.recorded import former_records, read_records
from halfcycle.pipeline.nightly.stored import check_stored, is_sound
from halfcycle.pipeline.nightly.upkeep import bring_up_to_date
from halfcycle.pipeline.nightly.working import at_work
from halfcycle.pipeline.spread import Spread, each_outcome
from halfcycle.pipeline.store.atomic import ASIDE, clear_staging
from halfcycle.pipeline.store.content import stored_header
from halfcycle.pipeline.store.manifest import what_changed
from halfcycle.pipeline.store.packs import is_held
from halfcycle.pipeline.store.partitions import REASON_ENDING, Store, day_named, day_of, today

What = Literal[
    "damaged capture", "misplaced capture", "capture set aside", "damaged catalogue", "stale catalogue", "no catalogue",
    "damaged trend", "damaged month", "altered table", "leftover", "stranger", "unreadable",
]  # fmt: skip
_BATCH: Final = 20


@dataclass(frozen=True, slots=True)
class StoreFault:
    """Something in a store that is not as it should be.

    Attributes
    ----------
    what : of which kind.
    path : where.
    words : what was found.
    """

    what: What
    path: Path
    words: str


def verify(fleet: Fleet, spread: Spread) -> list[StoreFault]:
    """Read a whole store; nothing is changed and no lock is needed, but a run at work may show as leftovers.

    Parameters
    ----------
    fleet : the configuration. Sites of the store that it does not name are checked as far as their files go.
    spread : how captures are worked on.

    Returns
    -------
    Findings in order of kind and path; a catalogue judged by other rules is none.
    """
    store = Store(fleet.store)
    captures, found = _captures(store)
    batches = [captures[i : i + _BATCH] for i in range(0, len(captures), _BATCH)]
    told = each_outcome(spread, _check_captures, batches, lost=_not_checked)
    found += [finding for finding in told if finding is not None]
    found += [*_aside(store), *_tables(store, fleet.secret), *_months(store, fleet.secret), *_days(fleet, store)]
    found += _leftovers(store)
    order = {what: i for i, what in enumerate(get_args(What))}
    return sorted(found, key=lambda finding: (order[finding.what], finding.path))


def repair(found: Sequence[StoreFault], fleet: Fleet, spread: Spread) -> list[StoreFault]:
    """Put right what can be, and bring all days up to date; returns what a further check finds.

    Raises
    ------
    StoreError : a run is at work, or nothing can be written.
    """
    store = Store(fleet.store)
    with at_work(fleet):
        clear_staging(store.staging)
        for finding in found:
            if finding.what == "damaged capture":
                store.put_aside(finding.path, finding.words)
            elif finding.what == "capture set aside" and is_sound(finding.path):
                store.put_back(finding.path)  # as one that was damaged, or that this version may judge
            elif finding.what in ("damaged catalogue", "damaged trend", "damaged month", "leftover"):
                with contextlib.suppress(OSError):  # it is found again
                    store.remove(finding.path)
        done = bring_up_to_date(fleet, spread, Strikes(fleet), trust=False)
        gather_months(fleet, done.found, today())
    return verify(fleet, spread)


def _captures(store: Store) -> tuple[list[Path], list[StoreFault]]:
    """The captures of which catalogues are made, and what cannot be read."""
    paths: list[Path] = []
    found: list[StoreFault] = []
    for site in store.sites():
        try:
            for day in store.days(site):
                paths += store.captures(site, day)
        except PlaceError as error:
            found.append(StoreFault("unreadable", store.root / "waveforms" / f"site={site}", str(error)))
    return paths, found


def _check_captures(paths: Sequence[Path]) -> list[StoreFault | None]:
    return [_of_capture(path) for path in paths]


def _of_capture(path: Path) -> StoreFault | None:
    try:
        check_stored(path)
        day = day_of(stored_header(path).start_ns)
    except DamagedCapture as error:
        return StoreFault("damaged capture", path, error.reason)
    if path.parent.name != f"date={day.isoformat()}":
        return StoreFault("misplaced capture", path, f"it begins on {day} but lies in the folder of another day")
    return None


def _not_checked(path: Path, reason: str) -> StoreFault | None:
    return StoreFault("damaged capture", path, f"it cannot be checked ({reason})")


def _aside(store: Store) -> Iterator[StoreFault]:
    for site in store.sites():
        with contextlib.suppress(PlaceError):  # it is found where captures are
            for day in store.days(site):
                for path, reason in store.set_aside(site, day).items():
                    yield StoreFault("capture set aside", path, reason)


def _tables(store: Store, key: bytes | None) -> Iterator[StoreFault]:
    """Catalogues and trends, read with the checksums of their pages, and held against their manifests."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    for path in sorted((store.root / "catalogue").glob("site=*/date=*/*.parquet")):
        try:
            document = catalogue_metadata(path) or {}
            read_events_table(path)
            named = (f"site={document.get('site')}", f"date={document.get('date')}")
            if named != (path.parent.parent.name, path.parent.name):
                yield StoreFault("damaged catalogue", path, f"it belongs to {named[0]}, {named[1]}")
            if altered := altered_catalogue(path, key=key):
                yield StoreFault("altered table", path, f"{altered}; it is left unchanged")
        except PlaceError as error:
            yield StoreFault("damaged catalogue", path, str(error).removeprefix(f"{path}: "))
    for path in sorted((store.root / "recorded").glob("site=*/date=*/*.parquet")):
        if path.with_name(path.name + REASON_ENDING).exists():
            continue
        try:
            read_records(path)
        except DamagedCapture as error:
            yield StoreFault("damaged capture", path, error.reason)
    for path in sorted((store.root / "trends").glob("site=*/date=*/*.parquet")):
        try:
            table = pq.read_table(path, partitioning=None, page_checksum_verification=True)
            if altered := what_changed(table, key=key):
                yield StoreFault("altered table", path, f"{altered}; it is left unchanged")
        except (OSError, pa.ArrowException) as error:
            words = f"it cannot be read ({error}); --repair drops it, measure --store makes it again"
            yield StoreFault("damaged trend", path, words)


def _months(store: Store, key: bytes | None) -> Iterator[StoreFault]:
    for path, words in faults_of_months(store, key):
        yield StoreFault("damaged month", path, f"{words}; --repair drops it, nights write it again")


def _days(fleet: Fleet, store: Store) -> Iterator[StoreFault]:
    for day, state in look_at_days(fleet, trust=False).states:
        path = store.catalogue_path(day.site, day.day)
        if state == "stale" and path.exists():
            yield StoreFault("stale catalogue", path, "its captures or settings have changed since it was made")
        elif state == "stale":
            yield StoreFault("no catalogue", path, "the day has captures but no catalogue yet")


def _leftovers(store: Store) -> Iterator[StoreFault]:
    """Files of interrupted writes, records that lie there twice, reasons without a capture, what has no place there."""
    for path in _twice(store):
        yield StoreFault("leftover", path, "the same file gave these values under another name")
    for path in _all_below(store.root):
        relative = path.relative_to(store.root)
        if path.name.startswith(ASIDE) or relative.parts[0] == store.staging.name:
            yield StoreFault("leftover", path, "an interrupted write")
        elif relative.parts[0] not in {folder.name for folder in store.folders}:
            continue  # the lock, the flow's own files and the like
        elif path.name.endswith(REASON_ENDING):
            if not is_held(path.with_name(path.name.removesuffix(REASON_ENDING))):
                yield StoreFault("leftover", path, "the reason for a missing capture")
        elif not _has_place(relative):
            yield StoreFault("stranger", path, "a store has no file of this name; it is left unchanged")


def _twice(store: Store) -> Iterator[Path]:
    for folder in sorted((store.root / "recorded").glob("site=*/date=*")):
        day = day_named(folder.name)
        if day is not None:
            with contextlib.suppress(PlaceError):
                yield from former_records(store, folder.parent.name.removeprefix("site="), day)


def _all_below(folder: Path) -> Iterable[Path]:
    return sorted(path for path in folder.rglob("*") if not path.is_dir())


def _has_place(relative: Path) -> bool:
    parts = relative.parts
    return (
        len(parts) == 4
        and parts[1].startswith("site=")
        and isinstance(day_named(parts[2]), date)
        and (parts[3].endswith(".parquet") or (parts[0] == "trends" and parts[3].endswith(".json")))
    )
