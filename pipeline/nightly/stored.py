"""Whether what lies in the store is still what was put there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.errors import DamagedCapture, ReadError
from halfcycle.pipeline.readers import read_captures, samples_at
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.table import of_site
from halfcycle.pipeline.store.content import stored_digest
from halfcycle.pipeline.store.partitions import Store, day_of, stored_header
from halfcycle.pipeline.terms import Quantity


def check_stored(path: Path) -> None:
    """Compare a stored capture with the digest of its content, by which it is named.

    Raises
    ------
    DamagedCapture : its content cannot be read, or is another one's.
    """
    try:
        digest = stored_digest(path)
    except DamagedCapture as error:
        raise _damaged(path, error.reason) from error
    if digest != path.stem:
        raise _damaged(path, f"the digest of its content is {digest}, which differs from its name")


def _damaged(path: Path, how: str) -> DamagedCapture:
    return DamagedCapture(
        path, f"a stored capture is damaged ({how}); put the same capture into the inbox again to replace it"
    )


def _damage_in(path: Path, error: Exception) -> Exception:
    """What an error of reading a stored capture says of it; that memory is short says nothing."""
    return error.__cause__ if isinstance(error.__cause__, MemoryError) else _damaged(path, str(error))


def is_sound(path: Path) -> bool:
    """Whether a stored capture is there and undamaged."""
    if not path.exists():
        return False
    try:
        check_stored(path)
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


def stored_piece(path: Path, *, store: Store, site: Site, quantities: tuple[Quantity, ...]) -> Piece:
    """A stored capture as a piece of a record: as its site's table describes it, in primary units.

    Parameters
    ----------
    path : in the store.
    store : the paths of its files are relative to it.
    site : whose capture it is.
    quantities : channels that are wanted.
    """
    plain = stored_header(path)
    told = of_site(plain, site)
    rows = [i for i, channel in enumerate(told.channels) if channel.quantity in quantities]
    header = replace(told, channels=tuple(told.channels[i] for i in rows))
    read = tuple(sorted({plain.channels[i].quantity for i in rows}))
    held = [i for i, channel in enumerate(plain.channels) if channel.quantity in read]
    stored = _StoredCapture(path, header, read, tuple(held.index(i) for i in rows))
    shown = path.relative_to(store.root).as_posix()
    return Piece(header, stored.load, lambda: path.stem, samples=stored.samples, path=shown)


@dataclass(slots=True)
class _StoredCapture:
    """A capture of the store, the first time read whole and compared with the digest that it is named by.

    Attributes
    ----------
    path : in the store.
    header : of the channels that are wanted, as the site's table describes them.
    quantities : as stored, of the channels that are read.
    places : of those that are wanted among them.
    is_checked : whether its digest was compared.
    """

    path: Path
    header: Header
    quantities: tuple[Quantity, ...]
    places: tuple[int, ...]
    is_checked: bool = False

    def load(self) -> Capture:
        """The capture, of its channels those that are wanted.

        Raises
        ------
        DamagedCapture : naming the file.
        """
        with self._damage_named():
            (capture,) = read_captures(self.path, quantities=self.quantities)
        told = replace(self.header, source=capture.header.source, notes=(*self.header.notes, *capture.header.notes))
        return Capture(told, capture.samples[list(self.places)])

    def samples(self, start: int, stop: int) -> SampleArray:
        """Some of its samples, as stored; errors as for `load`."""
        with self._damage_named():
            return samples_at(self.path, 0, start, stop, quantities=self.quantities)[list(self.places)]

    @contextmanager
    def _damage_named(self) -> Iterator[None]:
        if not self.is_checked:
            check_stored(self.path)
            self.is_checked = True
        try:
            yield
        except (ReadError, ValueError) as error:
            raise _damage_in(self.path, error) from error
