"""What was last found of each site's days, so that a look at them costs what has changed since.

.index/SITE/days           each day's state, and when its catalogue was written
.index/SITE/2026-03.json   what the catalogues of a month say of their inputs, by the stamps of their files
.index/changed/            days that were about to change, see `store.changes`

It is no more than a memory: the files of the store stay the truth, and where it is lost, damaged or cannot be written
all is looked at. Looked at anew are days that were noted as about to change, those that depend on them, the newest ones
where anything of them has another stamp, and days whose folder came or went. What others than a run change by hand in
older days shows when the memory ends, after some 20 to 40 days, and to who does not trust it, as ``verify``.
"""

from __future__ import annotations

import hashlib
import json
import time
import zlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata
from halfcycle.pipeline.store.atomic import SETTLED_NS, write_atomically, written_and_size
from halfcycle.pipeline.store.changes import site_key
from halfcycle.pipeline.store.documents import document_at
from halfcycle.pipeline.store.partitions import JUDGED_KINDS, Store

_NOT_LOOKED_AT: Final = ("coverage", "set_aside", "judged_by", "inputs")  # of a catalogue's metadata
_NEWEST: Final = 14  # days of a site whose files are looked at each time
_LEAST_LIFE, _LIVES = 20, 21  # days; sites end apart, so that no night looks at all of them
MOMENT_AGO: Final = -1
"""In place of a time that is no longer ago than a further change may take to show."""
_ONE_DAY: Final = timedelta(days=1)
STATES: Final = ("", "fresh", "stale", "other version", "damaged", "frozen")
"""Of days, see `day_states.State`; "" of one that has a folder and nothing to be judged."""
WHYS: Final = ("names", "settings", "incident_before")
"""See `day_states.Why`."""
LINE: Final = np.dtype(
    [
        ("day", "<i4"),
        ("state", "u1"),
        ("why", "u1"),
        ("kinds", "u1"),
        ("loose", "u1"),
        ("written", "<i8"),
        ("size", "<i8"),
    ]
)
"""Of what is known of a day: its ordinal, the place of its state in `STATES`, bits of `WHYS`, kinds of folders,
whether its captures are worth a pack, and its catalogue's stamp, -1 where there is none."""
Table = npt.NDArray[np.void]
"""Days in order, each a `LINE`."""


@dataclass(frozen=True, slots=True)
class Stamps:
    """When the folders and catalogues of some of a site's days were last changed.

    Attributes
    ----------
    folders, recorded : of each day's captures, and of what its recorder computed itself. [ns since 1970-01-01]
    catalogues : of each day's catalogue, as `Store.catalogue_stamps` gives them.
    """

    folders: Mapping[date, int]
    recorded: Mapping[date, int]
    catalogues: Mapping[date, str]

    @staticmethod
    def of(store: Store, site: str, held: Mapping[date, int]) -> Stamps:
        """Those of some days, as they are now.

        held : days, with the kinds of folders that they have, as `folders_of` has them.

        Raises
        ------
        PlaceError : a folder cannot be read.
        """
        waveforms, recorded, catalogue = ([d for d, kinds in held.items() if kinds >> i & 1] for i in range(3))
        return Stamps(
            store.folder_stamps("waveforms", site, waveforms),
            store.folder_stamps("recorded", site, recorded),
            store.catalogue_stamps(site, catalogue),
        )

    def digest(self) -> str:
        """Of them all."""
        kinds: tuple[Mapping[date, int] | Mapping[date, str], ...] = (self.folders, self.recorded, self.catalogues)
        text = repr([[(day.toordinal(), stamp) for day, stamp in sorted(kind.items())] for kind in kinds])
        return hashlib.sha256(text.encode()).hexdigest()[:32]

    def unsettled(self) -> set[date]:
        """Days of which something changed a moment ago, so that a further change may leave the same stamp."""
        since = time.time_ns() - SETTLED_NS
        written = {day: written_and_size(stamp)[0] for day, stamp in self.catalogues.items()}
        return {day for kind in (self.folders, self.recorded, written) for day, ns in kind.items() if ns >= since}


def folders_of(store: Store, site: str) -> dict[date, int]:
    """The days of a site, and which of the folders waveforms, recorded, catalogue each has: bits 0, 1, 2.

    Raises
    ------
    PlaceError : a folder cannot be read.
    """
    found: dict[date, int] = {}
    for i, kind in enumerate(JUDGED_KINDS):
        for day in store.listed_days(kind, site):
            found[day] = found.get(day, 0) | 1 << i
    return found


def folders_of_days(store: Store, site: str, days: Collection[date]) -> dict[date, int]:
    """As `folders_of`, of some days alone."""
    found = {
        day: sum(1 << i for i, kind in enumerate(JUDGED_KINDS) if store.has_folder(kind, site, day)) for day in days
    }
    return {day: kinds for day, kinds in found.items() if kinds}


@dataclass(frozen=True, slots=True)
class KnownDay:
    """What is known of a day.

    Attributes
    ----------
    state : one of `STATES`.
    why : of `WHYS`, what no longer matches, of a stale one.
    kinds : of folders, as `folders_of` has them.
    catalogue : its stamp, as `Store.catalogue_stamps` has it; "" where there is none.
    is_loose : its captures are worth a pack, see `day_packs`.
    """

    state: str
    why: tuple[str, ...]
    kinds: int
    catalogue: str
    is_loose: bool = False

    def row(self, day: date) -> tuple[int, ...]:
        """As a line of a `Table`."""
        why = sum(1 << WHYS.index(one) for one in self.why)
        return (
            day.toordinal(),
            STATES.index(self.state),
            why,
            self.kinds,
            self.is_loose,
            *written_and_size(self.catalogue),
        )


def table_of(days: Mapping[date, KnownDay]) -> Table:
    """Days in order of time."""
    return np.array([days[day].row(day) for day in sorted(days)], LINE)


@dataclass(frozen=True, slots=True)
class Memory:
    """What was kept of a site.

    Attributes
    ----------
    days : all of them, in order.
    reach : how many days after its own a catalogue rests on, at most.
    newest : digest of the stamps of the newest days.
    open : days to be looked at anew, as they had changed a moment before.
    folders : when the site's folders last had a day more or less. [ns since 1970-01-01]
    ends : the last day (ordinal, UTC) on which it is trusted.
    number : of looks at which something may have changed: where it is the same, nothing has.
    """

    days: Table
    reach: int = 1
    newest: str = ""
    open: frozenset[date] = frozenset()
    folders: tuple[int, ...] = ()
    ends: int = 0
    number: int = 0

    def held(self) -> dict[date, int]:
        """The days that have folders, as `folders_of` has them."""
        return {date.fromordinal(day): kinds for day, kinds in self.days[["day", "kinds"]].tolist() if kinds}

    def newest_days(self) -> dict[date, int]:
        """Those of `held` whose files are looked at each time."""
        held = self.days[self.days["kinds"] > 0][-_NEWEST:] if _NEWEST else self.days[:0]
        return {date.fromordinal(day): kinds for day, kinds in held[["day", "kinds"]].tolist()}

    def other_folders(self, held: Mapping[date, int]) -> set[date]:
        """The days of which a folder came or went. held : as `folders_of` has them now."""
        known = self.held()
        return {day for day in held.keys() | known.keys() if held.get(day, 0) != known.get(day, 0)}

    def resting_on(self, changed: Collection[date]) -> set[date]:
        """Some days that changed, and all whose catalogue may rest on them."""
        return {day + n * _ONE_DAY for day in changed for n in range(-self.reach, 2)}

    def with_days(self, days: Mapping[date, KnownDay], anew: Collection[date]) -> Table:
        """All days, those looked at anew as they are now. anew : all that were looked at, be they there or not."""
        stays = ~np.isin(self.days["day"], [day.toordinal() for day in anew])
        return np.sort(np.concatenate([self.days[stays], table_of(days)]), order="day")


class DayIndex:
    """The memory of one site."""

    def __init__(self, store: Store, site: str) -> None:
        self._store, self._site = store, site
        self._folder = store.root / ".index" / site_key(site)
        self._path = self._folder / "days"

    def memory(self, settings: str, today: date) -> Memory | None:
        """What was kept under the same settings; None where that is nothing, or too old to be trusted."""
        try:
            head, _, rows = self._path.read_bytes().partition(b"\n")
            document = json.loads(head)
            if (document["settings"], document["line"], document["crc"]) != (settings, LINE.itemsize, zlib.crc32(rows)):
                return None
            opened = frozenset(map(date.fromisoformat, document["open"]))
            folders, ends = tuple(document["folders"]), document["ends"]
            kept = Memory(
                np.frombuffer(rows, LINE), document["reach"], document["newest"], opened, folders, ends,
                document["number"],
            )  # fmt: skip
            is_trusted = today.toordinal() <= ends <= today.toordinal() + _LEAST_LIFE + _LIVES
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None
        return kept if is_trusted else None

    def ends(self, today: date) -> int:
        """Until when what is found today may be trusted, as an ordinal."""
        return today.toordinal() + _LEAST_LIFE + int(site_key(self._site), 16) % _LIVES

    def keep(self, memory: Memory, settings: str) -> bool:
        """Keep what was found; returns whether it could be written."""
        rows = memory.days.tobytes()
        head = {
            "settings": settings, "line": LINE.itemsize, "crc": zlib.crc32(rows), "reach": memory.reach,
            "newest": memory.newest, "open": sorted(day.isoformat() for day in memory.open),
            "folders": memory.folders, "ends": memory.ends, "number": memory.number,
        }  # fmt: skip
        content = json.dumps(head).encode() + b"\n" + rows
        return self._is_kept(content, self._path)

    def folder_times(self) -> tuple[int, ...]:
        """When each of the site's folders last had a day more or less, or `MOMENT_AGO`."""
        since = time.time_ns() - SETTLED_NS
        times = (self._store.site_stamp(kind, self._site) for kind in JUDGED_KINDS)
        return tuple(MOMENT_AGO if ns >= since else ns for ns in times)

    def documents(self, stamps: Mapping[date, str], *, keep: bool) -> tuple[dict[date, dict[str, Any]], set[date]]:
        """What catalogues say of their inputs, without what no state follows from, and the days of damaged ones.

        Parameters
        ----------
        stamps : of the catalogues wanted, as they are now.
        keep : remember what had to be read, where it did not change a moment ago.
        """
        found: dict[date, dict[str, Any]] = {}
        damaged: set[date] = set()
        months: dict[str, list[date]] = {}
        for day in stamps:
            months.setdefault(day.isoformat()[:7], []).append(day)
        since = time.time_ns() - SETTLED_NS
        for month, days in months.items():
            path = self._folder / f"{month}.json"
            kept = document_at(path)
            now = dict(kept)
            for day in days:
                held = kept.get(day.isoformat())
                if not (isinstance(held, list) and held[0] == stamps[day]):
                    try:
                        held = [stamps[day], self._read(day)]
                    except PlaceError:
                        damaged.add(day)
                        continue
                    if written_and_size(stamps[day])[0] < since:
                        now[day.isoformat()] = held
                found[day] = held[1]
            if keep and now != kept:
                self._is_kept(json.dumps(now, sort_keys=True).encode(), path)
        return found, damaged

    def _read(self, day: date) -> dict[str, Any]:
        document = catalogue_metadata(self._store.catalogue_path(self._site, day)) or {}
        slim = {key: value for key, value in document.items() if key not in _NOT_LOOKED_AT}
        return slim | {"coverage": bool(document.get("coverage"))}

    def _is_kept(self, content: bytes, path: Path) -> bool:
        """Whether something could be written: in a store that is only read, or full, the next look costs more.

        The disk is not waited for: what is torn where power fails is told by its checksum or as no JSON, and no note
        of a change is dropped on the disk before what was kept later than that change is there by its name.
        """
        try:
            write_atomically(path, lambda aside: aside.write_bytes(content), staging=self._store.staging, flush=False)
        except StoreError:
            return False
        return True
