"""The store's folders: waveforms and catalogues by site and UTC day.

waveforms/site=S/date=D/<digest of the capture>.parquet                 or the captures of a day together, see `packs`
waveforms/site=S/date=D/<digest of the capture>.parquet.reason.txt    why no catalogue is made of it, where that is so
catalogue/site=S/date=D/events.parquet
recorded/site=S/date=D/DIGEST.parquet   what recorders computed themselves, as their files had it
trends/site=S/date=D/interval=600s.parquet, and interval=600s.recorded.parquet where the recorder made the values
.staging/    files on their way to one of these places
.index/      what was found of days, see `nightly.day_index`; `changes` of days, noted before they are made

Captures, what recorders computed, and catalogues come and go by `Store.put`, `write` and `remove` alone.
"""

from __future__ import annotations

import contextlib
import os
import time
import unicodedata
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.plain_text import plain
from halfcycle.pipeline.store.atomic import SETTLED_NS, file_stamp, put_in_place, refused, stage
from halfcycle.pipeline.store.changes import Changes
from halfcycle.pipeline.store.packs import ENDING, with_packed

if TYPE_CHECKING:
    import pyarrow as pa

DAY_NS: Final = 86_400_000_000_000
REASON_ENDING: Final = ".reason.txt"
"""Of the note beside a file that is set aside: why."""
CATALOGUE_NAME: Final = "events.parquet"
JUDGED_KINDS: Final = ("waveforms", "recorded", "catalogue")
"""The folders of what days are judged by, and of what came of it."""
EPOCH: Final = date(1970, 1, 1)
_UNSEEN: Final = ("Cc", "Cf", "Cn", "Co", "Zl", "Zp")  # control and format signs, ends of lines
_LONGEST_NAME: Final = 200  # bytes; file systems allow 255, and "site=" stands before it


def day_of(ns: int) -> date:
    """The UTC day of a time. ns: nanoseconds since 1970-01-01."""
    return EPOCH + timedelta(days=ns // DAY_NS)


def day_start_ns(day: date) -> int:
    """The first instant of a UTC day. [ns since 1970-01-01]"""
    return (day - EPOCH).days * DAY_NS


def today() -> date:
    """The current UTC day."""
    return datetime.now(UTC).date()


def check_name(name: str) -> None:
    """Refuse a name that would not do as a folder of the store, whoever gave it.

    Raises
    ------
    StoreError : it is empty or long, or holds a separator of paths or a sign that is not seen.
    """
    unseen = any(unicodedata.category(sign) in _UNSEEN for sign in name)
    if not name.strip() or "/" in name or "\\" in name or unseen or len(os.fsencode(name)) > _LONGEST_NAME:
        raise StoreError(
            f"site {name[:80]!r} cannot be a folder of the store; allowed are up to {_LONGEST_NAME} bytes of text "
            "without / and \\ and without invisible characters"
        )


@dataclass(frozen=True, slots=True)
class Store:
    """A store below a folder."""

    root: Path

    @property
    def staging(self) -> Path:
        """Where files of the store are written before they take their place."""
        return self.root / ".staging"

    @property
    def folders(self) -> tuple[Path, ...]:
        """The folders below the root."""
        kinds = ("waveforms", "recorded", "catalogue", "trends")
        return (self.staging, *(self.root / kind for kind in kinds))

    def waveform_path(self, site: str, day: date, digest: str) -> Path:
        """Where a capture of a site and day lies."""
        return self._partition("waveforms", site, day) / f"{digest}.parquet"

    def recorded_path(self, site: str, day: date, name: str) -> Path:
        """Where what a recorder computed itself of a site and day lies."""
        return self._partition("recorded", site, day) / f"{name}.parquet"

    def recorded_days(self, site: str) -> list[date]:
        """Days for which a site has values that its recorder computed itself, in order."""
        return self._days("recorded", site)

    def recorded(self, site: str, day: date) -> list[Path]:
        """Files of what a recorder computed itself, in order of name, without those set aside."""
        return self._held("recorded", site, day)[0]

    def catalogue_path(self, site: str, day: date) -> Path:
        """Where the catalogue of a site and day lies."""
        return self._partition("catalogue", site, day) / CATALOGUE_NAME

    def trend_path(self, site: str, day: date, interval_s: float, *, recorded: bool = False) -> Path:
        """Where the trend of a site and day in intervals of a length lies: measured, or recorded by the instrument."""
        ending = ".recorded.parquet" if recorded else ".parquet"
        return self._partition("trends", site, day) / f"interval={interval_s:g}s{ending}"

    def trend_days(self, site: str, interval_s: float, *, recorded: bool = False) -> list[date]:
        """Days for which a site has a trend in intervals of a length, in order."""
        check_name(site)
        days = self._days("trends", site)
        return [day for day in days if self.trend_path(site, day, interval_s, recorded=recorded).is_file()]

    def sites(self) -> list[str]:
        """Names of the sites that have waveforms."""
        return [name for name, _ in self._values(self.root / "waveforms", "site=")]

    def days(self, site: str) -> list[date]:
        """Days for which a site has waveforms, in order; folders whose names are no dates are left out.

        Raises
        ------
        PlaceError : a folder cannot be read; so for the other lists.
        """
        return self._days("waveforms", site)

    def catalogue_days(self, site: str) -> list[date]:
        """Days for which a site has a catalogue, in order."""
        return [d for d in self._days("catalogue", site) if self.catalogue_path(site, d).exists()]

    def listed_days(self, kind: str, site: str) -> set[date]:
        """The days of which a site has a folder of a kind, whatever lies in it."""
        check_name(site)
        return {day for day, _ in self._day_folders(kind, site)}

    def has_folder(self, kind: str, site: str, day: date) -> bool:
        """Whether a day of a site has a folder of a kind, whatever lies in it."""
        check_name(site)
        return os.path.isdir(f"{self.root}/{kind}/site={site}/date={day.isoformat()}")

    def site_stamp(self, kind: str, site: str) -> int:
        """When the folder of a day of a site last came or went; 0 of a site that has none. [ns since 1970-01-01]"""
        check_name(site)
        return _changed_at(f"{self.root}/{kind}/site={site}") or 0

    def folder_stamps(self, kind: str, site: str, days: Collection[date]) -> dict[date, int]:
        """When the folder of each of some days was last changed: a file put into it, replaced or removed.

        kind : one of the store's folders. [ns since 1970-01-01]
        """
        check_name(site)
        folder = f"{self.root}/{kind}/site={site}/date="
        stamps = {day: _changed_at(f"{folder}{day.isoformat()}") for day in days}
        return {day: stamp for day, stamp in stamps.items() if stamp is not None}

    def catalogue_stamps(self, site: str, days: Collection[date] | None = None) -> dict[date, str]:
        """The stamp of each catalogue of a site, see `atomic.file_stamp`.

        days : of some; None: all.
        """
        check_name(site)
        found = {}
        folder = f"{self.root}/catalogue/site={site}/date="
        for day in self.listed_days("catalogue", site) if days is None else days:
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                status = os.stat(f"{folder}{day.isoformat()}/{CATALOGUE_NAME}")
                found[day] = file_stamp(status.st_mtime_ns, status.st_size)
        return found

    def _day_folders(self, kind: str, site: str) -> list[tuple[date, str]]:
        folder = self.root / kind / f"site={site}"
        try:
            with os.scandir(folder) as entries:
                named = [(day_named(entry.name), entry.path) for entry in entries if entry.is_dir()]
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as error:
            raise refused(f"{folder}: cannot be read", error) from error
        return [(day, path) for day, path in named if day is not None]

    def captures(self, site: str, day: date) -> list[Path]:
        """Capture files of a site and day, in order of name, without those set aside; none where there is no day."""
        return self.held(site, day)[0]

    def set_aside(self, site: str, day: date) -> dict[Path, str]:
        """Capture files of a site and day of which no catalogue is made, in order of name, and why."""
        return {path: _text_of(_note_of(path)) for path in self.held(site, day)[1]}

    def held(self, site: str, day: date) -> tuple[list[Path], list[Path]]:
        """Capture files of a site and day in order of name: those of which a catalogue is made, and those set aside."""
        return self._held("waveforms", site, day)

    def stems(self, site: str, day: date) -> tuple[list[str], list[str]]:
        """As `held`, the names of the files without their ending."""
        check_name(site)
        folder = f"{self.root}/waveforms/site={site}/date={day.isoformat()}"
        held, aside = _listed(folder)
        n = len(ENDING)
        return [name[:-n] for name in held], [name[:-n] for name in aside]

    def _held(self, kind: str, site: str, day: date) -> tuple[list[Path], list[Path]]:
        folder = self._partition(kind, site, day)
        held, aside = _listed(folder)
        return [folder / name for name in held], [folder / name for name in aside]

    def put_aside(self, path: Path, reason: str) -> None:
        """Make no catalogue of a stored capture from now on; the capture stays where it is.

        Raises
        ------
        StoreError : the reason cannot be written beside it.
        """
        self.write(_note_of(path), lambda aside: _write_text(aside, reason))

    def put_back(self, path: Path) -> None:
        """Make catalogues of a stored capture again."""
        note = _note_of(path)
        if note.exists():
            self.remove(note)

    def put(self, aside: Path, path: Path) -> None:
        """Give a file that was written aside its place, as `atomic.put_in_place` does.

        Raises
        ------
        StoreError : it cannot be written.
        """
        self.note(path)
        put_in_place(aside, path)

    def write(self, path: Path, write: Callable[[Path], object]) -> None:
        """Make a file of a day, as `atomic.write_atomically` does.

        Raises
        ------
        StoreError : it cannot be written.
        """
        self.put(stage(path, write, staging=self.staging), path)

    def remove(self, path: Path) -> None:
        """Remove a file of a day; that it is not there is no error.

        Raises
        ------
        OSError : it cannot be removed.
        """
        self.note(path)
        path.unlink(missing_ok=True)

    def move(self, path: Path, target: Path) -> None:
        """Bring a file of a day to another place of the store; one that lies there is replaced.

        Raises
        ------
        StoreError : it cannot be moved.
        """
        self.note(path)
        self.note(target)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)
        except OSError as error:
            raise refused(f"{path}: cannot be moved to {target}", error) from error

    def note(self, path: Path) -> None:
        """Note the day of which a file is about to come or go, where a look at days rests on it.

        Raises
        ------
        StoreError : it cannot be noted.
        """
        kind, site, day = path.parts[-4], path.parts[-3], day_named(path.parts[-2])
        if kind in JUDGED_KINDS and day is not None:
            Changes(self.root).note(site.removeprefix("site="), day)

    def _partition(self, kind: str, site: str, day: date) -> Path:
        check_name(site)
        return self.root / kind / f"site={site}" / f"date={day.isoformat()}"

    def _days(self, kind: str, site: str) -> list[date]:
        return sorted(day for day, _ in self._day_folders(kind, site))

    @staticmethod
    def _values(folder: Path, prefix: str) -> Iterator[tuple[str, Path]]:
        try:
            paths = sorted(folder.iterdir()) if folder.is_dir() else []
            held = [path for path in paths if path.name.startswith(prefix) and path.is_dir()]
        except OSError as error:
            raise refused(f"{folder}: cannot be read", error) from error
        yield from ((path.name.removeprefix(prefix), path) for path in held)


def _listed(folder: Path | str) -> tuple[list[str], list[str]]:
    """Names of the Parquet files and packed captures in a folder: those without a reason beside them, and the others.

    In order. Where something changed a moment ago it is looked at twice, and what either look sees is there: a capture
    that is being packed may go behind a look while its pack comes where the look has been, but then it is in the next.
    """
    captures: set[str] = set()
    for _ in range(2):
        try:
            names = set(os.listdir(folder))
        except (FileNotFoundError, NotADirectoryError):
            break
        except OSError as error:
            raise refused(f"{folder}: cannot be read", error) from error
        captures |= with_packed(folder, [n for n in names if n.endswith(ENDING) and not n.startswith(".")])
        if (_changed_at(str(folder)) or 0) < time.time_ns() - SETTLED_NS:
            break
    parts: tuple[list[str], list[str]] = ([], [])
    for name in sorted(captures):
        parts[name + REASON_ENDING in names].append(name)
    return parts


def _changed_at(folder: str) -> int | None:
    """When a folder was last changed [ns since 1970-01-01]; None where there is none."""
    try:
        return os.stat(folder).st_mtime_ns
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise refused(f"{folder}: cannot be read", error) from error


def day_named(name: str) -> date | None:
    """The day of a partition's folder, ``date=YYYY-MM-DD``; None of any other name."""
    try:
        day = date.fromisoformat(name.removeprefix("date="))
    except ValueError:
        return None
    return day if name == f"date={day.isoformat()}" else None


def _note_of(path: Path) -> Path:
    return path.with_name(path.name + REASON_ENDING)


def _write_text(path: Path, reason: str) -> None:
    path.write_text(plain(reason) + "\n", encoding="utf-8")


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError as error:
        return f"for a reason that cannot be read ({error.strerror or error})"


def for_partitions(table: pa.Table) -> pa.Table:
    """A table whose ``site`` is of the type that readers of partitioned folders give the part ``site=…`` of a path.

    Else pandas and pyarrow refuse to read the folder as one table.
    """
    import pyarrow as pa

    i = table.schema.get_field_index("site")
    return table.set_column(i, "site", table.column(i).cast(pa.dictionary(pa.int32(), pa.string())))
