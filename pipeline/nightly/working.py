"""A fleet's store while something works on it: its lock, and where it lies at an address, the lease and the copying.

At the address lie the store, what is processed and what is in quarantine; the folders of this machine are a copy on
which a night works as on any others. What is brought there after each step is one state of all three.
"""

from __future__ import annotations

import contextlib
import platform
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.nightly.fetching import MEMORY, note_taken
from halfcycle.pipeline.replica.lease import leased
from halfcycle.pipeline.replica.looking import Root
from halfcycle.pipeline.replica.places import Place, place_at
from halfcycle.pipeline.replica.working_copy import WorkingCopy
from halfcycle.pipeline.store.lock import locked
from halfcycle.pipeline.store.partitions import Store

_GIVEN: Final = ("store/waveforms/", "store/recorded/", "store/runs/", "processed/", "quarantine/")
_OF_THIS_MACHINE: Final = frozenset({f"store/{MEMORY}", "store/incidents/index.json"})
"""What tells of files by their times, which are others on another machine."""


@contextmanager
def at_work(fleet: Fleet) -> Iterator[Callable[[], list[str]]]:
    """Hold a fleet's store for writing, as it is at the address where it lies at one.

    Yields
    ------
    What brings the work done so far to the address, and gives in words what could not be read for that. It is called
    at the end, too, where nothing was raised.

    Raises
    ------
    StoreError : another run is at work here or elsewhere, the address cannot be reached, or nothing can be written.
    """
    with locked(fleet.store, wait_s=fleet.run.wait_for_lock_s):
        if not fleet.store_at:
            yield list
            return
        place = place_at(fleet.store_at)
        with _copy_of(fleet, place) as copy:
            holder = f"{platform.node() or 'a machine without a name'} {copy.name}"
            good_for_s, wait_s = fleet.run.lease_s, fleet.run.wait_for_lock_s
            with leased(place, holder, good_for_s=good_for_s, wait_s=wait_s) as lease:
                copy.pull(lease)
                if fleet.inbox_from:
                    fleet.inbox.mkdir(parents=True, exist_ok=True)  # it may be a new machine

                def push() -> list[str]:
                    note_taken(fleet)
                    return copy.push()

                yield push
                push()


def bring_here(fleet: Fleet, *, tell: Callable[[str], None] = lambda words: None) -> str:
    """Bring the folders of this machine up to the address, for who only reads.

    While a run is at work here, or where this machine's folders cannot be written, they are read as they are.

    Parameters
    ----------
    fleet : the configuration; without an address nothing is done.
    tell : is called with what is about to be copied, in words.

    Returns
    -------
    Why the folders may not be as they are at the address, in words; "" where they are.

    Raises
    ------
    StoreError : the address cannot be reached, and nothing of it was ever brought here; or it is damaged.
    """
    if not fleet.store_at:
        return ""
    with contextlib.ExitStack() as held:
        try:
            held.enter_context(locked(fleet.store))
        except StoreError as error:
            return f"read as it is on this machine: {error}" if fleet.store.is_dir() else _refuse(error)
        with _copy_of(fleet, place_at(fleet.store_at), tell) as copy:
            try:
                copy.pull()
            except PlaceError as error:
                if not copy.is_agreed:
                    raise
                return f"read as it was when it was last copied: {error}"
    return ""


def carry_over(fleet: Fleet) -> None:
    """Bring what was left beside a run's work, such as its own file, to the address; else the next run does."""
    if fleet.store_at:
        with contextlib.suppress(StoreError), at_work(fleet):
            pass


def _refuse(error: StoreError) -> str:
    raise error


def _copy_of(fleet: Fleet, place: Place, tell: Callable[[str], None] = lambda words: None) -> WorkingCopy:
    roots = [
        Root("store", fleet.store, left_out=_OF_THIS_MACHINE),
        Root("processed", fleet.processed, is_foreign=True),
        Root("quarantine", fleet.quarantine, is_foreign=True),
    ]
    store = Store(fleet.store)

    def before(path: Path) -> None:
        if path.is_relative_to(fleet.store):
            store.note(path)

    return WorkingCopy(place, roots, given=_GIVEN, before=before, tell=tell)
