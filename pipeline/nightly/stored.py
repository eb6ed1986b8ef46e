"""Captures of the store: whether they are still what was put there, and each read once for all that asks for it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.errors import DamagedCapture, ReadError
from halfcycle.pipeline.gate import passed
from halfcycle.pipeline.readers import capture_at, samples_at
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.table import of_site
from halfcycle.pipeline.store.content import place_of, stored_capture, stored_digest, stored_header
from halfcycle.pipeline.store.packs import Pack
from halfcycle.pipeline.store.partitions import Store, day_of
from halfcycle.pipeline.terms import Quantity

_KEPT_BYTES: Final = 32 << 20  # of samples in memory, or one capture's
_LARGE_BYTES: Final = 8 << 20  # of all channels: more is read in parts, as there is no more room for it


def check_stored(path: Path, pack: Pack | None = None) -> None:
    """Compare a stored capture with the digest of its content, by which it is named; no more than some is in memory.

    pack : as for `stored_capture`.

    Raises
    ------
    DamagedCapture : its content cannot be read, or is another one's.
    """
    try:
        digest = stored_digest(path, pack)
    except DamagedCapture as error:
        raise _damaged(path, error.reason) from error
    _check_digest(path, digest)


def checked_capture(path: Path, pack: Pack | None = None) -> Capture:
    """A stored capture whole, compared with the digest of its content as `check_stored` does: one reading for both.

    pack : as for `stored_capture`.

    Raises
    ------
    DamagedCapture : as for `check_stored`.
    """
    try:
        capture = stored_capture(path, pack)
    except DamagedCapture as error:
        raise _damaged(path, error.reason) from error
    _check_digest(path, capture.digest())
    try:
        return passed(capture, path)
    except ReadError as error:
        raise _damage_in(path, error) from error


def _check_digest(path: Path, digest: str) -> None:
    if digest != path.stem:
        raise _damaged(path, f"the digest of its content is {digest}, which differs from its name")


def _damaged(path: Path, how: str) -> DamagedCapture:
    return DamagedCapture(
        path, f"a stored capture is damaged ({how}); put the same capture into the inbox again to replace it"
    )


def _damage_in(path: Path, error: Exception) -> Exception:
    """What an error of reading a stored capture says of it; that memory is short says nothing."""
    return error.__cause__ if isinstance(error.__cause__, MemoryError) else _damaged(path, str(error))


def is_sound(path: Path, pack: Pack | None = None) -> bool:
    """Whether a stored capture is there and undamaged. pack : as for `stored_capture`."""
    try:
        check_stored(path, pack)
    except DamagedCapture:
        return False
    return True


def forget_catalogues(store: Store, site: str, start_ns: int) -> None:
    """Remove the catalogues that a damaged capture may have gone into, so that they are made anew.

    Parameters
    ----------
    store, site : where it lies.
    start_ns : of the capture; the days beside its own may have read it too. [ns since 1970-01-01]
    """
    day = day_of(start_ns)
    for other in (day - timedelta(days=1), day, day + timedelta(days=1)):
        store.remove(store.catalogue_path(site, other))


class StoredCaptures:
    """Stored captures as pieces of records, each read once: its header, and its samples while there is room for them.

    Parameters
    ----------
    store : in which they lie.
    """

    def __init__(self, store: Store) -> None:
        self._root = store.root
        self._headers: dict[Path, Header] = {}
        self._stored: dict[tuple[Path, str, tuple[Quantity, ...]], _StoredCapture] = {}
        self._kept: dict[_StoredCapture, Capture] = {}  # the one that was asked for last at the end
        self._n_bytes = 0

    def header(self, path: Path) -> Header:
        """Header of a capture as it lies in the store.

        Raises
        ------
        DamagedCapture : the file is no capture of the store, or damaged.
        """
        if path not in self._headers:
            self._headers[path] = stored_header(path)
        return self._headers[path]

    def piece(self, path: Path, *, site: Site, quantities: tuple[Quantity, ...]) -> Piece:
        """A capture as its site's table describes it, in primary units.

        Parameters
        ----------
        path : in the store.
        site : whose capture it is.
        quantities : channels that are wanted.

        Raises
        ------
        DamagedCapture : as for `header`, and as its samples are loaded.
        """
        key = path, site.name, quantities
        stored = self._stored.get(key)
        if stored is None:
            self._stored[key] = stored = _stored_capture(path, self.header(path), site, quantities)
        load, samples = partial(self._load, stored), partial(self._samples, stored)
        shown = path.relative_to(self._root).as_posix()
        return Piece(stored.header, load, lambda: path.stem, samples=samples, path=shown)

    def _load(self, stored: _StoredCapture) -> Capture:
        capture = self._kept.pop(stored, None)
        if capture is None:
            capture = stored.load()
            self._n_bytes += capture.samples.nbytes
        self._kept[stored] = capture
        while self._n_bytes > _KEPT_BYTES and len(self._kept) > 1:
            self._n_bytes -= self._kept.pop(next(iter(self._kept))).samples.nbytes
        return capture

    def _samples(self, stored: _StoredCapture, start: int, stop: int) -> SampleArray:
        if stored.is_large and stored not in self._kept:
            return stored.samples(start, stop)
        return self._load(stored).samples[:, start:stop]


@dataclass(slots=True, eq=False)
class _StoredCapture:
    """A capture of the store, the first time read whole and compared with the digest that it is named by.

    Attributes
    ----------
    path : in the store.
    header : of the channels that are wanted, as the site's table describes them.
    places : of those that are wanted among all channels.
    quantities : as stored, of those that are wanted.
    places_read : of those that are wanted among the channels of these quantities.
    is_large : too large for all its channels to be in memory at once.
    is_checked : whether its digest was compared.
    """

    path: Path
    header: Header
    places: list[int]
    quantities: tuple[Quantity, ...]
    places_read: list[int]
    is_large: bool
    is_checked: bool = False

    def load(self) -> Capture:
        """The capture, of its channels those that are wanted.

        Raises
        ------
        DamagedCapture : naming the file.
        """
        if self.is_large or self.is_checked:
            with self._damage_named():
                capture = capture_at(*place_of(self.path), quantities=self.quantities)
            return Capture(self.header, capture.samples[self.places_read])
        capture = checked_capture(self.path)
        self.is_checked = True
        return Capture(self.header, capture.samples[self.places])

    def samples(self, start: int, stop: int) -> SampleArray:
        """Some of its samples, as stored; errors as for `load`."""
        with self._damage_named():
            return samples_at(*place_of(self.path), start, stop, quantities=self.quantities)[self.places_read]

    @contextmanager
    def _damage_named(self) -> Iterator[None]:
        if not self.is_checked:
            check_stored(self.path)
            self.is_checked = True
        try:
            yield
        except (ReadError, ValueError) as error:
            raise _damage_in(self.path, error) from error


def _stored_capture(path: Path, plain: Header, site: Site, quantities: tuple[Quantity, ...]) -> _StoredCapture:
    """A capture of the store; arguments as for `StoredCaptures.piece`, and its header as it lies there."""
    told = of_site(plain, site)
    places = [i for i, channel in enumerate(told.channels) if channel.quantity in quantities]
    header = replace(told, channels=tuple(told.channels[i] for i in places))
    read = tuple(sorted({plain.channels[i].quantity for i in places}))
    held = [i for i, channel in enumerate(plain.channels) if channel.quantity in read]
    n_bytes = len(plain.channels) * plain.n_samples * np.dtype(plain.sample_type).itemsize
    return _StoredCapture(path, header, places, read, [held.index(i) for i in places], n_bytes > _LARGE_BYTES)
