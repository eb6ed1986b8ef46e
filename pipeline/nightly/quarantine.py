"""What is set aside, files and stored captures alike: listed with reasons and dates, and put back to be tried again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ConfigError, PlaceError
from halfcycle.pipeline.nightly.at_hand import Strikes, key_of_file
from halfcycle.pipeline.nightly.inbox import quarantined_files, to_inbox
from halfcycle.pipeline.nightly.working import at_work
from halfcycle.pipeline.store.partitions import REASON_ENDING, Store


@dataclass(frozen=True, slots=True)
class QuarantineEntry:
    """A file or a stored capture that is not used.

    Attributes
    ----------
    name : by which it is chosen: its path below the quarantine, or of a capture below the store.
    what : ``file`` of the quarantine, or ``capture`` of the store.
    since : when it was set aside.
    reason : in words.
    path : where it lies.
    """

    name: str
    what: Literal["file", "capture"]
    since: datetime
    reason: str
    path: Path


def all_set_aside(fleet: Fleet) -> list[QuarantineEntry]:
    """Everything that is set aside: the files of the quarantine, then the captures of the store; in order of name.

    Raises
    ------
    StoreError : a folder of the store cannot be read.
    """
    store = Store(fleet.store)
    found = [
        _with_note(path, note, path.relative_to(fleet.quarantine), "file") for path, note in quarantined_files(fleet)
    ]
    for site in store.sites():
        for day in store.days(site):
            for path in store.set_aside(site, day):
                note = path.with_name(path.name + REASON_ENDING)
                found.append(_with_note(path, note, path.relative_to(store.root), "capture"))
    return found


def _with_note(path: Path, note: Path, name: Path, what: Literal["file", "capture"]) -> QuarantineEntry:
    try:
        reason = note.read_text(encoding="utf-8", errors="replace").strip()
        since = datetime.fromtimestamp(note.stat().st_mtime, UTC)
    except OSError as error:
        return QuarantineEntry(name.as_posix(), what, datetime.fromtimestamp(0, UTC), f"cannot be read ({error})", path)
    return QuarantineEntry(name.as_posix(), what, since, reason, path)


def chosen(held: Sequence[QuarantineEntry], names: Sequence[str]) -> list[QuarantineEntry]:
    """Those of some names, in the order held; a name may be a pattern with ``*`` and ``?``.

    Raises
    ------
    ConfigError : nothing has one of the names.
    """
    wanted: set[str] = set()
    for name in names:
        exact = {one.name for one in held if one.name == name}
        matching = exact or {one.name for one in held if fnmatchcase(one.name, name)}
        if not matching:
            raise ConfigError(f"nothing set aside is named {name!r}; `halfcycle quarantine` lists the names")
        wanted |= matching
    return [one for one in held if one.name in wanted]


def put_back(held: Sequence[QuarantineEntry], fleet: Fleet) -> list[tuple[QuarantineEntry, str]]:
    """Put files back into the inbox, and captures back among those that are judged; the next night tries them again.

    Returns
    -------
    Those that could not be put back, and why.

    Raises
    ------
    StoreError : a run is at work, or nothing can be written.
    """
    failed = []
    with at_work(fleet):
        strikes = Strikes(fleet)
        done = set()
        for one in held:
            try:
                if one.what == "capture":
                    Store(fleet.store).put_back(one.path)
                else:
                    done.add(key_of_file(to_inbox(one.path, fleet), fleet))
            except PlaceError as error:
                failed.append((one, str(error)))
            except OSError as error:
                failed.append((one, error.strerror or str(error)))
        strikes.settle(done)
    return failed
