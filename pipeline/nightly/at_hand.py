"""What a process has at hand, written down: so that what ended a process is known to the next run.

A run that finds such marks of one that ended in its middle tries those files and days apart, in a process of their own,
and counts. What has ended enough processes is not tried any more.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import threading
from collections.abc import Callable, Collection, Iterable
from multiprocessing import parent_process
from pathlib import Path
from types import TracebackType
from typing import Final, Self, TypeVar

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.store.atomic import write_atomically

MOST_STRIKES: Final = 3
"""After so many a file that ends its process in a process of its own, too, is quarantined."""
MOST_UNTRIED: Final = 6
"""After so many nothing is tried any more: what ends even the run that tries it apart."""
_FOLDER: Final = ".at_hand"
_FILE: Final = "file "
_COUNTS: Final = "strikes.json"
Item = TypeVar("Item")


class AtHand:
    """The mark of what this thread is at work on, for a batch.

    Parameters
    ----------
    fleet : its store holds the marks.
    """

    def __init__(self, fleet: Fleet) -> None:
        self._path = fleet.store / _FOLDER / f"{os.getpid()}-{threading.get_ident()}"
        self._longest_s = fleet.run.longest_s
        self._handle: int | None = None
        is_apart = parent_process() is not None and threading.current_thread() is threading.main_thread()
        self._is_timed = is_apart and hasattr(signal, "setitimer")

    def __enter__(self) -> Self:
        with contextlib.suppress(OSError):  # a mark is worth no failure
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        if self._is_timed:
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
        return self

    def on(self, key: str) -> None:
        """From now on this is at hand: in a process of its own for so long as the settings allow, which then ends."""
        if self._handle is not None:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, 0)
                os.pwrite(self._handle, os.fsencode(key), 0)
        if self._is_timed:
            signal.setitimer(signal.ITIMER_REAL, self._longest_s)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._is_timed:
            signal.setitimer(signal.ITIMER_REAL, 0)
        if self._handle is not None:
            os.close(self._handle)
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)


class Strikes:
    """How many processes each file and day has ended, as far as is known; for the run that holds the store's lock.

    Parameters
    ----------
    fleet : whose. The marks of a run that ended in its middle are counted at once.
    """

    def __init__(self, fleet: Fleet) -> None:
        self._folder = fleet.store / _FOLDER
        self._counts = self._read()
        left = self._marks()
        for path in left:
            with contextlib.suppress(OSError):
                key = os.fsdecode(path.read_bytes())
                if key:
                    self.add(key)
        if left:
            self.settle(())

    def __getitem__(self, key: str) -> int:
        return self._counts.get(key, 0)

    def parted(self, items: Iterable[Item], key: Callable[[Item], str]) -> tuple[list[Item], list[Item], list[Item]]:
        """Those that never ended a process, those to be tried apart, and those not to be tried any more; in order."""
        plain: list[Item] = []
        apart: list[Item] = []
        given_up: list[Item] = []
        for item in items:
            n = self[key(item)]
            (plain if not n else apart if n < MOST_UNTRIED else given_up).append(item)
        return plain, apart, given_up

    def add(self, key: str) -> int:
        """One more; returns how many now."""
        self._counts[key] = self[key] + 1
        return self._counts[key]

    @property
    def path(self) -> Path:
        """Where they are written down."""
        return self._folder / _COUNTS

    def files(self) -> set[str]:
        """The keys of files among those counted."""
        return {key for key in self._counts if key.startswith(_FILE)}

    def settle(self, done: Collection[str]) -> None:
        """Forget what is done with, write the rest down and remove the marks, as nothing is at hand any more."""
        self._counts = {key: n for key, n in self._counts.items() if key not in done}
        self._write()
        for path in self._marks():
            with contextlib.suppress(OSError):
                path.unlink()

    def _marks(self) -> list[Path]:
        try:
            return sorted(path for path in self._folder.iterdir() if path.name[:1].isdigit())
        except OSError:
            return []

    def _read(self) -> dict[str, int]:
        try:
            held = json.loads(self.path.read_text(encoding="utf-8", errors="surrogateescape"))
            return {str(key): int(n) for key, n in held.items()}
        except (OSError, ValueError, TypeError, AttributeError):
            return {}  # damaged: counted anew

    def _write(self) -> None:
        if not self._counts:
            if self.path.exists():
                self.path.unlink()
            return
        text = json.dumps(self._counts, sort_keys=True)
        write_atomically(self.path, lambda aside: _write_text(aside, text))


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="surrogateescape")


def key_of_file(path: Path, fleet: Fleet) -> str:
    """The key of a file of the inbox."""
    return f"{_FILE}{path.relative_to(fleet.inbox)}"
