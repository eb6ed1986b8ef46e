"""A working copy: brought up to what lies at an address, and what is new in it brought there.

What is given (captures, records, originals, reasons, files of runs) is united. What is made of it (catalogues, trends,
incidents) is taken as it is at the address as soon as another one brought something there: it can be made again, and
its files belong together.
"""

from __future__ import annotations

import contextlib
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.replica import state
from halfcycle.pipeline.replica.copying import Gone, at_once, copy_from, give_way, remove, send_to
from halfcycle.pipeline.replica.lease import Lease
from halfcycle.pipeline.replica.looking import Root, look, path_of
from halfcycle.pipeline.replica.memory import Memory
from halfcycle.pipeline.replica.places import Place
from halfcycle.pipeline.replica.state import Entry, Head

_BATCH: Final = 256  # objects sent between two notes of them
_KEPT_S: Final = 86_400  # that an object stays there which no state names any more
_TRIES: Final = 5  # to read a state while others are being made
_FOLDER: Final = ".replica"  # of the memory, below the first root
Files = dict[str, Entry]


@dataclass(frozen=True, slots=True)
class _State:
    """A state of the address: of the parts that are other ones than those last agreed on, their keys and files."""

    head: Head
    parts: Mapping[str, tuple[str, Files]]


class WorkingCopy:
    """A working copy, open. Only one process may have it open: see `halfcycle.pipeline.store.lock`.

    Parameters
    ----------
    place : of the address.
    roots : its folders.
    given : beginnings of the paths of what is given.
    before : is called with each file that is about to come or go.
    tell : is called with what is about to be copied, in words.
    """

    def __init__(
        self, place: Place, roots: Sequence[Root], *, given: tuple[str, ...],
        before: Callable[[Path], None] = lambda path: None, tell: Callable[[str], None] = lambda words: None,
    ) -> None:  # fmt: skip
        self._place, self._given, self._before, self._tell = place, given, before, tell
        self._roots = {root.name: root for root in roots}
        self._memory = Memory(roots[0].folder / _FOLDER)
        self._head: Head | None = None
        self._lease: Lease | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._memory.close()

    @property
    def name(self) -> str:
        """By which no other working copy goes."""
        name = self._memory.said("name")
        if not name:
            name = uuid.uuid4().hex[:12]
            self._memory.say("name", name)
        return name

    @property
    def is_agreed(self) -> bool:
        """Whether it was brought up to some state of the address before."""
        return bool(self._memory.said("index"))

    # --- From there -----------------------------------------------------------------------------------------------

    def pull(self, lease: Lease | None = None) -> list[str]:
        """Bring the files up to the present state of the address.

        Parameters
        ----------
        lease : under which something is to be brought there later; None: it is only read.

        Returns
        -------
        Files of the working copy that cannot be read, in words.

        Raises
        ------
        StoreError : the address cannot be read, or the files cannot be written; what was copied by then stays.
        """
        self._lease = lease
        for _ in range(_TRIES):
            head = self._head_for(lease)
            if head is None:
                return look(self._memory, self._roots)
            try:
                return self._brought_up_to(head)
            except Gone:
                continue
        raise PlaceError(f"{self._place.words}: objects that its state names are missing there")

    def _head_for(self, lease: Lease | None) -> Head | None:
        """The present head; under a lease it is written anew under its token, so that no former holder can swap it."""
        for _ in range(_TRIES):
            head = state.head_at(self._place)
            if lease is None:
                return head
            lease.check()
            now = state.swapped(
                self._place, head, index=head.index if head else "", garbage=head.garbage if head else "",
                lease=lease.token,
            )  # fmt: skip
            if now is not None:
                self._head = now
                return now
        raise PlaceError(f"{self._place.words}: {state.HEAD} changes all the time")

    def _brought_up_to(self, head: Head) -> list[str]:
        lost = self._lost_roots()
        closed = look(self._memory, self._roots)
        if head.index == self._memory.said("index"):
            self._take({path: self._memory.base(path) for path in lost})
            return closed
        self._forget_another_past(head)
        there = self._state_of(head)
        wanted = self._wanted(there)
        wanted |= {path: there_ for path in lost if path not in wanted and (there_ := self._memory.base(path))}
        self._take(wanted)
        with self._memory.at_once():
            self._memory.agree(there.parts, head.index)
            self._memory.write("DELETE FROM sent", [()])  # they may be named by now, and be removed one day
            self._memory.say("address", self._place.words)
            self._memory.say("generation", str(head.generation))
        return closed

    def _forget_another_past(self, head: Head) -> None:
        """Where the address is another one, or was emptied or put back, what is here is new there: nothing has gone."""
        is_same = self._memory.said("address") in ("", self._place.words)
        if is_same and head.generation >= int(self._memory.said("generation") or 0):
            return
        with self._memory.at_once():
            self._memory.forget_base()

    def _lost_roots(self) -> list[str]:
        """Files of folders that are missing as a whole: not removed, but never here, as on another machine."""
        found: list[str] = []
        for root in self._roots.values():
            if not root.folder.is_dir():
                found += self._memory.base_below(f"{root.name}/")
        return found

    def _state_of(self, head: Head) -> _State:
        index = state.document_of(self._place, "index", head.index)
        if index is None:
            raise Gone
        known = self._memory.parts()
        other = {part: key for part, key in index.items() if known.get(part) != key}
        found = at_once(partial(state.part_at, self._place), other.values())
        parts: dict[str, tuple[str, Files]] = {part: ("", {}) for part in known.keys() - index.keys()}
        for (part, key), files in zip(other.items(), found, strict=True):
            if files is None:
                raise Gone
            parts[part] = (key, files)
        return _State(head, parts)

    def _wanted(self, there: _State) -> dict[str, Entry | None]:
        """What is to be taken from there: files by their path, None for those that have gone."""
        wanted: dict[str, Entry | None] = {}
        news: set[str] = set()
        for part, (_, files) in there.parts.items():
            before = self._memory.part(part)
            for path in files.keys() | before.keys():
                now, then = files.get(path), before.get(path)
                if _digest(now) == _digest(then):
                    continue
                news.add(path)
                here = self._memory.local(path)
                if here == _digest(now):
                    continue
                if here in (None, _digest(then)) or now is not None or not self._is_given(path):
                    if here not in (None, _digest(then)) and now is not None and self._root(path).is_foreign:
                        give_way(self._path(path), here or "")
                    wanted[path] = now
        if not self.is_agreed:  # what is here alone never was there
            return wanted
        for (path,) in self._memory.rows("SELECT path FROM changed"):
            if path not in news and not self._is_given(path):
                then = self._memory.base(path)
                if self._memory.local(path) != _digest(then):
                    wanted[path] = then
        return wanted

    def _is_given(self, path: str) -> bool:
        return path.startswith(self._given)

    def _take(self, wanted: Mapping[str, Entry | None]) -> None:
        """Copy files from the address, and then remove those that have gone there."""
        new = [(path, entry) for path, entry in wanted.items() if entry is not None]
        if new:
            megabytes = sum(entry.size for _, entry in new) / 1e6
            self._tell(f"copying {counted(len(new), 'file')} ({megabytes:.1f} MB) from {self._place.words} …")
        if not wanted:
            return
        for path in wanted:
            self._before(self._path(path))
        at_once(lambda item: self._copy(*item), new)
        for path in [path for path, entry in wanted.items() if entry is None]:
            remove(self._path(path), self._root(path).folder)
        look(self._memory, self._roots)

    def _copy(self, path: str, entry: Entry) -> None:
        root = self._root(path)  # how old files of ours are is never told by their time
        copy_from(self._place, entry, self._path(path), root.folder / ".staging", with_time=root.is_foreign)

    def _root(self, path: str) -> Root:
        return self._roots[path.partition("/")[0]]

    def _path(self, path: str) -> Path:
        return path_of(path, self._roots)

    # --- To there -------------------------------------------------------------------------------------------------

    def push(self) -> list[str]:
        """Bring what is new to the address, under the lease of the last `pull`.

        A kill at any instant leaves the former state or the new one.

        Returns
        -------
        Files of the working copy that cannot be read, in words.

        Raises
        ------
        StoreError : another machine has taken over, or the address cannot be written.
        """
        lease, head = self._lease, self._head
        if lease is None or head is None:
            raise StoreError(f"{self._place.words}: nothing is brought there without a lease")
        closed = look(self._memory, self._roots)
        changes = self._changes()
        if not changes:
            return closed
        keys = self._sent([path for path, is_here in changes.items() if is_here], lease)
        contents, former = self._now_in_parts(changes, keys)
        made = at_once(partial(state.put_part, self._place), contents.values())
        parts = {part: (key, files) for key, (part, files) in zip(made, contents.items(), strict=True)}
        known = self._memory.parts()
        index = {**known, **{part: key for part, (key, _) in parts.items()}}
        index_key = state.put_document(self._place, "index", {part: key for part, key in index.items() if key})
        gone = [f"part/{known[part]}" for part in parts if part in known] + former
        self._swap(head, lease, index_key, parts, gone)
        return closed

    def _changes(self) -> dict[str, bool]:
        """The files that are not as at the address: whether each is here."""
        found: dict[str, bool] = {}
        same: list[tuple[str]] = []
        for (path,) in self._memory.rows("SELECT path FROM changed"):
            here = self._memory.local(path)
            if here == _digest(self._memory.base(path)):
                same.append((path,))
            else:
                found[path] = here is not None
        self._memory.write("DELETE FROM changed WHERE path = ?", same)
        return found

    def _sent(self, paths: Sequence[str], lease: Lease) -> dict[str, Entry]:
        """The files as the new state names them; their objects are there when this returns."""
        entries: dict[str, Entry] = {}
        for i in range(0, len(paths), _BATCH):
            rows = [(path, *self._row(path)) for path in paths[i : i + _BATCH]]
            absent = {row[2]: row for row in rows if self._memory.key_for(row[2]) is None}
            lease.check()
            keys = at_once(lambda row: send_to(self._place, self._path(row[0]), row[1], row[2]), absent.values())
            self._memory.write("REPLACE INTO sent VALUES (?, ?)", zip(absent, keys, strict=True))
            for path, _, digest, size, changed_s in rows:
                entries[path] = Entry(self._memory.key_for(digest) or "", size, changed_s)
        return entries

    def _row(self, path: str) -> tuple[str, str, int, int]:
        folder, _, name = path.rpartition("/")
        query = "SELECT stamp, digest, size, changed_s FROM files WHERE folder = ? AND name = ?"
        ((stamp, digest, size, changed_s),) = self._memory.rows(query, folder, name)
        return stamp, digest, size, changed_s

    def _now_in_parts(self, changes: Mapping[str, bool], new: Files) -> tuple[dict[str, Files], list[str]]:
        """The files of each part that has changes, with these; and the objects that it does not name there any more."""
        parts: dict[str, Files] = {}
        former: list[str] = []
        for path, is_here in changes.items():
            part = state.part_of(path)
            if part not in parts:
                parts[part] = self._memory.part(part)
            old = parts[part].pop(path, None)
            if old is not None:
                former.append(f"object/{old.key}")
            if is_here:
                parts[part][path] = new[path]
        return parts, former

    def _swap(
        self, head: Head, lease: Lease, index: str, parts: Mapping[str, tuple[str, Files]], gone: Sequence[str]
    ) -> None:
        now = time.time()
        garbage: dict[str, float] = state.document_of(self._place, "garbage", head.garbage) or {}
        due = [key for key, since in garbage.items() if since < now - _KEPT_S]
        own = [f"index/{head.index}"] if head.index else []
        own += [f"garbage/{head.garbage}"] if head.garbage else []
        kept = {key: since for key, since in garbage.items() if key not in due} | dict.fromkeys([*own, *gone], now)
        garbage_key = state.put_document(self._place, "garbage", kept)
        lease.check()
        swapped = state.swapped(self._place, head, index=index, garbage=garbage_key, lease=lease.token)
        if swapped is None:
            raise StoreError(f"{self._place.words}: another machine has taken over; what is here goes there next time")
        self._head = swapped
        with self._memory.at_once():
            self._memory.agree(parts, index)
            self._memory.write("DELETE FROM sent", [()])
            self._memory.say("address", self._place.words)
            self._memory.say("generation", str(swapped.generation))
        at_once(self._drop, [key for key in due if not self._is_named(key)])

    def _is_named(self, key: str) -> bool:
        """Whether the state agreed on names an object that a former one named."""
        kind, _, name = key.partition("/")
        return kind == "object" and self._memory.is_named(name)

    def _drop(self, key: str) -> None:
        with contextlib.suppress(PlaceError):  # it takes room, and nothing else
            self._place.delete(key)


def _digest(entry: Entry | None) -> str | None:
    return None if entry is None else entry.digest
