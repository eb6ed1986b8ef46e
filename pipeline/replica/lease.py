"""One writer at a time of what lies at an address: an object that says who works there, and until when.

The times are those of the machines' own clocks, and only say who begins. That nobody overwrites what another one did is
seen to by the head of the state: it bears the token of a lease, and is not swapped where it bears another one.
"""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from typing import Final

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.replica.places import Place, is_put

KEY: Final = "lease.json"
_POLL_S: Final = 1.0
_RENEWALS: Final = 3  # within the time a lease is good for


@dataclass(frozen=True, slots=True)
class Said:
    """What a lease says.

    Attributes
    ----------
    holder : who works there, in words that no other working copy has.
    until_s : when it ends, in seconds since 1970; 0: it was given back.
    mark : drawn anew with each writing.
    """

    holder: str
    until_s: float
    mark: str

    def content(self) -> bytes:
        """As an object."""
        return json.dumps(asdict(self), sort_keys=True).encode()


class Lease:
    """A lease that is held.

    Attributes
    ----------
    token : that no other lease has.
    """

    def __init__(self, place: Place, said: Said, version: str, good_for_s: float) -> None:
        self.token = said.mark
        self._place, self._said, self._version, self._good_for_s = place, said, version, good_for_s
        self._until = time.monotonic() + good_for_s
        self._guard = threading.Lock()
        self._is_lost = False

    def check(self) -> None:
        """Make sure that it is held still, and for a while to come.

        Raises
        ------
        StoreError : another one has taken it over.
        PlaceError : it cannot be told.
        """
        with self._guard:
            if not self._is_lost and time.monotonic() < self._until - self._good_for_s / 2:
                return
            self._write(time.time() + self._good_for_s)
            self._until = time.monotonic() + self._good_for_s

    def give_back(self) -> None:
        """End it; where it was lost nothing is done.

        Raises
        ------
        PlaceError : it cannot be written.
        """
        with self._guard:
            if not self._is_lost:
                self._write(0.0)
                self._is_lost = True

    def _write(self, until_s: float) -> None:
        said = replace(self._said, until_s=until_s, mark=uuid.uuid4().hex)
        version = None
        if not self._is_lost:
            version = self._place.swap_if_unchanged(KEY, said.content(), self._version)
            version = is_put(self._place, KEY, said.content(), version)
        if version is None:
            self._is_lost = True
            raise StoreError(f"{self._place.words}: another machine has taken over; what is here goes there next time")
        self._version = version


@contextmanager
def leased(place: Place, holder: str, *, good_for_s: float, wait_s: float = 0.0) -> Iterator[Lease]:
    """Hold the lease of a place, renewed as long as this process lives.

    Parameters
    ----------
    place : where.
    holder : who takes it. What it left itself, as when it was killed, it takes over at once.
    good_for_s : how long a lease is good for that is not renewed. [s]
    wait_s : how long to wait for another one to end. [s]

    Raises
    ------
    StoreError : another one works there.
    PlaceError : the place cannot be reached.
    """
    lease = _taken(place, holder, good_for_s, wait_s)
    ended = threading.Event()
    renewing = threading.Thread(target=_renew, args=(lease, ended, good_for_s / _RENEWALS), daemon=True)
    renewing.start()
    try:
        yield lease
    finally:
        ended.set()
        renewing.join()
        with suppress(StoreError):  # it ends by itself
            lease.give_back()


def _renew(lease: Lease, ended: threading.Event, every_s: float) -> None:
    while not ended.wait(every_s):
        try:
            lease.check()
        except StoreError:  # the next step that writes asks again, and says so
            continue


def _taken(place: Place, holder: str, good_for_s: float, wait_s: float) -> Lease:
    deadline = time.monotonic() + wait_s
    while True:
        there = place.get(KEY)
        before = _said(there[0]) if there is not None else None
        is_free = before is None or before.holder == holder or before.until_s < time.time()
        if is_free:
            said = Said(holder, time.time() + good_for_s, uuid.uuid4().hex)
            if there is None:
                version = place.put_if_absent(KEY, said.content())
            else:
                version = place.swap_if_unchanged(KEY, said.content(), there[1])
            version = is_put(place, KEY, said.content(), version)
            if version is not None:
                return Lease(place, said, version, good_for_s)
        if time.monotonic() >= deadline:
            who = "another machine" if before is None else before.holder.partition(" ")[0]
            raise StoreError(f"{place.words}: another run is in progress (on {who}); try again when it has ended")
        time.sleep(min(_POLL_S, good_for_s / 4))


def _said(content: bytes) -> Said | None:
    """What an object says; of one that is broken nothing, so that it is taken over."""
    try:
        document = json.loads(content)
        return Said(str(document["holder"]), float(document["until_s"]), str(document["mark"]))
    except (ValueError, KeyError, TypeError):
        return None
