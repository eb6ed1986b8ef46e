"""Which sites' trends and verdicts were found to need nothing, so that a look at them costs what has changed since.

.index/SITE/trends.json   what that was found from; no more than a memory, as `day_index`
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from datetime import date
from typing import Final

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.nightly.day_states import SiteDays
from halfcycle.pipeline.nightly.surveyed import MADE, SurveyFolders
from halfcycle.pipeline.store.changes import site_key
from halfcycle.pipeline.store.documents import document_at, write_document
from halfcycle.pipeline.store.partitions import Store

_NEWEST: Final = 14  # days whose trends are looked at each time


class TrendIndex:
    """The memory of one site.

    Parameters
    ----------
    store : of the fleet.
    seen : its days, as they are.
    settings : all that trends and verdicts follow from beside captures, and the version of the code.
    """

    def __init__(self, store: Store, seen: SiteDays, settings: str) -> None:
        self._staging = store.staging
        self._path = store.root / ".index" / site_key(seen.site) / "trends.json"
        self._folders = SurveyFolders(store, seen.site)
        self._seen, self._settings = seen, settings

    def is_current(self) -> bool:
        """Whether nothing was to be made when it was last kept, and nothing has changed since."""
        return document_at(self._path).get("key") == self._key()

    def keep(self) -> None:
        """Keep that nothing is to be made now; for who holds the store's lock, and has looked."""
        with contextlib.suppress(StoreError):  # a store that is full: the next look costs more
            write_document({"key": self._key()}, self._path, self._staging)

    def _key(self) -> str:
        newest = [date.fromordinal(day) for day in self._seen.table["day"][-_NEWEST:].tolist()]
        verdicts = self._folders.verdicts_path
        paths = [*map(self._folders.made_path, newest), verdicts, verdicts.with_name(MADE)]
        stamps: list[tuple[int, int] | None] = []
        for path in paths:
            try:
                status = os.stat(path)
                stamps.append((status.st_mtime_ns, status.st_size))
            except OSError:
                stamps.append(None)
        text = json.dumps([self._settings, self._seen.number, stamps])
        return hashlib.sha256(text.encode()).hexdigest()[:32]
