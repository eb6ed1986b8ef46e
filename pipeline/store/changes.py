"""Days of a store that are about to change, noted before they do, so that what was kept of all others can be trusted.

.index/changed/SITE.2026-03-01   SITE: as `site_key` has it

A note stays until a look at the days has seen what became of it; one left by a run that was killed costs a look.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
from collections.abc import Collection, Mapping
from datetime import date
from functools import lru_cache
from pathlib import Path

from halfcycle.pipeline.store.atomic import refused


@lru_cache(maxsize=4096)
def site_key(site: str) -> str:
    """A site's name as the name of a file, whatever its letters and its length."""
    return hashlib.sha256(site.encode()).hexdigest()[:16]


class Changes:
    """The notes of one store, below its folder."""

    def __init__(self, root: Path) -> None:
        self._index = f"{root}/.index"
        self._folder = f"{self._index}/changed"

    def note(self, site: str, day: date) -> None:
        """Note that something of a day will be written or removed.

        Raises
        ------
        StoreError : it cannot be noted.
        """
        path = f"{self._folder}/{site_key(site)}.{day.isoformat()}"
        try:
            try:
                handle = os.open(path, os.O_CREAT | os.O_WRONLY, 0o644)
            except FileNotFoundError:
                os.makedirs(self._folder, exist_ok=True)
                handle = os.open(path, os.O_CREAT | os.O_WRONLY, 0o644)
        except (NotADirectoryError, FileExistsError):  # where no folder can be, nothing is kept that could be wrong
            return
        except OSError as error:
            raise refused(f"{path}: cannot be written", error) from error
        os.close(handle)

    def noted(self) -> dict[str, frozenset[date]]:
        """The days noted, by the `site_key` of their site.

        Raises
        ------
        StoreError : the notes cannot be read.
        """
        found: dict[str, set[date]] = {}
        try:
            names = os.listdir(self._folder)
        except (FileNotFoundError, NotADirectoryError):
            return {}
        except OSError as error:
            raise refused(f"{self._folder}: cannot be read", error) from error
        for name in names:
            key, _, day = name.partition(".")
            with contextlib.suppress(ValueError):
                found.setdefault(key, set()).add(date.fromisoformat(day))
        return {key: frozenset(days) for key, days in found.items()}

    def forget_site(self, site: str) -> None:
        """Drop all that was noted and kept of a site, which the store holds no more; for who holds its lock."""
        key = site_key(site)
        self.forget({key: self.noted().get(key, frozenset())})
        shutil.rmtree(f"{self._index}/{key}", ignore_errors=True)

    def forget(self, noted: Mapping[str, Collection[date]]) -> None:
        """Drop notes of which it is known what became of them; for who holds the store's lock."""
        for key, days in noted.items():
            for day in days:
                with contextlib.suppress(OSError):
                    os.unlink(f"{self._folder}/{key}.{day.isoformat()}")
