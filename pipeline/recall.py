"""From a row of the catalogue back to its waveform: by the path it names, or by its digest where the file was moved."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.pipeline.capture import Capture, Header
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ReadError, SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.readers import capture_at, capture_files, read_captures
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import Point, measured_channels, points_of
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.report.slice import Slice
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.table import SiteTable, of_site
from halfcycle.pipeline.store.content import place_of
from halfcycle.pipeline.store.packs import pack_of, with_packed
from halfcycle.pipeline.terms import Quantity

_ALL: Final[tuple[Quantity, ...]] = ("voltage", "current", "other")
BEFORE_CYCLES: Final = 6.0
AFTER_CYCLES: Final = 6.0
_KEPT_FILES: Final = 3
_USUAL_HZ: Final = 50.0
_LOGGED: Final = "holds no waveform; the event comes from logged values"
_NEAR_NS: Final = 20_000_000  # by which clocks of files that follow one another may differ


@dataclass(slots=True)
class WaveformPlaces:
    """Where waveforms may lie.

    Attributes
    ----------
    folders : that paths may be relative to, and that moved files are looked for in.
    fleet : whose store holds the waveforms, and whose sites say ratios and hookups; or None.
    sites : what a person declared of the sites where there is no fleet.
    """

    folders: tuple[Path, ...]
    fleet: Fleet | None = None
    sites: SiteTable = field(default_factory=SiteTable)
    _by_digest: dict[str, Path] = field(default_factory=dict, repr=False)
    _unread: list[Path] | None = field(default=None, repr=False)
    _records: dict[tuple[Path, ...], list[Record]] = field(default_factory=dict, repr=False)

    def slice_of(
        self, event: Event, *, before_cycles: float = BEFORE_CYCLES, after_cycles: float = AFTER_CYCLES
    ) -> Slice:
        """The waveforms around an event.

        Parameters
        ----------
        event : a row of the catalogue.
        before_cycles, after_cycles : of the waveform before and after it, as far as the file goes.

        Raises
        ------
        ReadError : its file is not there, nor one with its digest, or does not hold it.
        """
        paths = self._captures_of(event)
        record, point = self._place_of(event, paths)
        rate_hz = record.header.rate_hz
        hertz = event.frequency_hz if event.frequency_hz and event.frequency_hz > 0 else _USUAL_HZ
        cycle = rate_hz / hertz
        near = record.position_of(event.start)
        start = near - (record.time_ns(near) - event.start) / 1e9 * rate_hz
        length = max(event.observed_s * rate_hz, 1.0)
        first = max(int(start - before_cycles * cycle), 0)
        stop = min(int(np.ceil(start + length + after_cycles * cycle)), record.n_samples)
        samples = np.concatenate(list(record.blocks(point, first=first, stop=stop, currents=True)), axis=1)
        channels = measured_channels(record.header, point)
        origin = "+".join(str(path) for path in _files_of(paths))
        return Slice(channels, samples, rate_hz, first - start, length, origin, hookup=point.hookup.name)

    def files_of(self, event: Event) -> tuple[Path, ...]:
        """The files that hold an event, in order: of captures of the store that are packed, their packs.

        Parameters
        ----------
        event : a row of the catalogue.

        Raises
        ------
        ReadError : one of them is neither where the row says nor anywhere in the archive's folders.
        """
        return _files_of(self._captures_of(event))

    def _captures_of(self, event: Event) -> tuple[Path, ...]:
        """As `files_of`, captures of the store by the paths that they have there, packed or not."""
        digests = [digest for digest in event.capture.split("+") if digest]
        if not digests:
            raise ReadError(event.source or event.event_id, "", "the row names no capture")
        named = self._named(event.source or "")
        if self.fleet is not None and any(path.is_relative_to(self.fleet.store / "recorded") for path in named):
            raise ReadError(event.source or "", "", _LOGGED)
        found: list[Path] = []
        for digest in digests:
            path = self.file_with(digest, event.source or "")
            if path is None:
                where = ", ".join(str(folder) for folder in self._roots())
                name = event.source or digest
                reason = (
                    f"does not exist, and no file with its digest {digest} was found below {where}; give its folder "
                    "with --files"
                )
                raise ReadError(name, "", reason)
            found.append(path)
        return tuple(dict.fromkeys(found))

    def file_with(self, digest: str, source: str) -> Path | None:
        """The file with a digest: by the path that a row names, or wherever it lies in the archive's folders; or None.

        Parameters
        ----------
        digest : as in the column ``capture``.
        source : the path as it was given.
        """
        named = self._named(source)
        return next((path for path in named if self._is(path, digest)), None) or self._moved(digest, named)

    def _roots(self) -> list[Path]:
        store = [self.fleet.store] if self.fleet is not None else []
        return [*store, *self.folders]

    def _named(self, source: str) -> list[Path]:
        """The paths that a row's source may mean, of which there is a file or a packed capture."""
        names = [source, *source.split("+")] if "+" in source else [source]
        wanted = [root / name for name in names if name for root in (Path(), *self._roots())]
        return [
            path
            for path in dict.fromkeys(wanted)
            if path.is_file() or any(p.is_file() for p in path.parents) or pack_of(path) is not None
        ]

    def _is(self, path: Path, digest: str) -> bool:
        known = next((known for known, at in self._by_digest.items() if at == path), None)
        if known is None:
            try:
                known = source_digest(path) if pack_of(path) is None else path.stem
            except ReadError:
                return False
            self._by_digest[known] = path
        return known == digest

    def _moved(self, digest: str, named: Sequence[Path]) -> Path | None:
        """A file with a digest: those named like it first, then all others, each read once."""
        if digest in self._by_digest:
            return self._by_digest[digest]
        if self._unread is None:
            files = capture_files([root for root in self._roots() if root.exists()], in_bundles=True)
            self._unread = [path for path in _unpacked(files) if path not in named]
        likely = [path for path in self._unread if path.stem == digest]
        for path in [*likely, *(path for path in self._unread if path not in likely)]:
            self._unread = [other for other in self._unread if other != path]
            if self._is(path, digest):
                return path
        return None

    def _place_of(self, event: Event, paths: tuple[Path, ...]) -> tuple[Record, Point]:
        """The record and the measuring point that an event lies in."""
        records = self._records_of(paths, event.site)
        if not records:
            raise ReadError(paths[0], "", _LOGGED)
        lying = [
            record
            for record in records
            if record.header.start_ns - _NEAR_NS <= event.start < record.time_ns(record.n_samples) + _NEAR_NS
        ]
        hookups = [None, "three-wire", "four-wire"]
        site = self._site(event.site)
        if site is not None:
            hookups = [site.hookup, *hookups]
        for record in sorted(lying, key=lambda record: not _is_station(record, event.site)):
            for hookup in hookups:
                for point in _points(record.header, hookup):
                    if point.name == event.point and point.hookup.line_to_line == event.line_to_line:
                        return record, point
        for record in lying:
            for point in _points(record.header, None):
                if event.point in (None, point.name):
                    return record, point
        raise ReadError(paths[0], "", f"holds no measuring point {event.point or ''} at the time of the event")

    def _records_of(self, paths: tuple[Path, ...], site: str) -> list[Record]:
        """The records that some files make, at primary values of the site."""
        if paths not in self._records:
            captures = [self._primary(capture, site) for path in paths for capture in _read(path)]
            pieces = [Piece(capture.header, partial(_itself, capture), str) for capture in captures]
            while len(self._records) >= _KEPT_FILES:
                self._records.pop(next(iter(self._records)))
            self._records[paths] = records_of(pieces)
        return self._records[paths]

    def _primary(self, capture: Capture, site: str) -> Capture:
        settings = self._site(site)
        return capture if settings is None else Capture(of_site(capture.header, settings), capture.samples)

    def _site(self, name: str) -> Site | None:
        """What is declared of a site."""
        sites = self.fleet.sites if self.fleet is not None else self.sites.sites
        return next((site for site in sites if site.name == name), None)


def _files_of(paths: Iterable[Path]) -> tuple[Path, ...]:
    return tuple(dict.fromkeys(place_of(path)[0] for path in paths))


def _unpacked(files: Iterable[Path]) -> list[Path]:
    """Files, and in place of packs the paths of their captures."""
    found: list[Path] = []
    for path in files:
        found += [path.parent / name for name in sorted(with_packed(path.parent, [path.name]))]
    return found


def _read(path: Path) -> Iterable[Capture]:
    """The captures of a file, or one that a pack holds."""
    file, index = place_of(path)
    return read_captures(path, quantities=_ALL) if file == path else [capture_at(file, index, quantities=_ALL)]


def _points(header: Header, hookup: str | None) -> Iterable[Point]:
    try:
        return points_of(header, hookup=hookup)
    except SignalError:
        return ()


def _is_station(record: Record, site: str) -> bool:
    return record.header.station == site or Path(record.header.source).stem == site


def _itself(capture: Capture) -> Capture:
    return capture
