"""What was last found of each site's days, so that a look at them costs what has changed since.

.index/SITE.states.json   the states, and the stamps of all that they were found from
.index/SITE.days.json     what each catalogue says of its inputs, by the stamp of its file

It is no more than a memory: the files of the store stay the truth, and where it is lost, damaged or cannot be written
all is looked at. Nothing is remembered of what changed a moment ago, as a further change may leave the same stamp.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.errors import PlaceError, StoreError
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata
from halfcycle.pipeline.store.documents import document_at, write_document
from halfcycle.pipeline.store.partitions import Store

_SETTLED_NS: Final = 3_000_000_000  # some file systems keep times to two seconds
_NOT_LOOKED_AT: Final = ("coverage", "set_aside", "judged_by", "inputs")  # of a catalogue's metadata


@dataclass(frozen=True, slots=True)
class Stamps:
    """When the folders and catalogues of a site's days were last changed.

    Attributes
    ----------
    folders, recorded : of each day's captures, and of what its recorder computed itself. [ns since 1970-01-01]
    catalogues : of each day's catalogue, as `Store.catalogue_stamps` gives them.
    """

    folders: Mapping[date, int]
    recorded: Mapping[date, int]
    catalogues: Mapping[date, str]

    @staticmethod
    def of(store: Store, site: str) -> Stamps:
        """Those of a site, as they are now.

        Raises
        ------
        PlaceError : a folder cannot be read.
        """
        waveforms, recorded = (store.folder_stamps(kind, site) for kind in ("waveforms", "recorded"))
        return Stamps(waveforms, recorded, store.catalogue_stamps(site))

    def key(self, settings: str) -> str:
        """Digest of all that the states of the days follow from. settings: with the version of the code."""
        kinds: tuple[Mapping[date, int] | Mapping[date, str], ...] = (self.folders, self.recorded, self.catalogues)
        stamps = [[(day.toordinal(), stamp) for day, stamp in sorted(kind.items())] for kind in kinds]
        text = json.dumps([settings, *stamps])
        return hashlib.sha256(text.encode()).hexdigest()[:32]

    def is_settled(self) -> bool:
        """Whether nothing changed a moment ago."""
        times = [
            *self.folders.values(),
            *self.recorded.values(),
            *(int(stamp.partition("\x1f")[0]) for stamp in self.catalogues.values()),
        ]
        return max(times, default=0) < time.time_ns() - _SETTLED_NS


class DayIndex:
    """The memory of one site."""

    def __init__(self, store: Store, site: str) -> None:
        self._store, self._site = store, site
        name = hashlib.sha256(site.encode()).hexdigest()[:16]
        folder = store.root / ".index"
        self._states_path, self._days_path = folder / f"{name}.states.json", folder / f"{name}.days.json"

    def states(self, key: str) -> Any:
        """What was kept for a key; None where that is not what was kept last."""
        document = document_at(self._states_path)
        return document.get("states") if document.get("key") == key else None

    def keep_states(self, key: str, states: Any) -> None:
        """Keep the states for a key; where they cannot be written they are not kept."""
        self._keep({"key": key, "states": states}, self._states_path)

    def documents(self, stamps: Stamps, *, keep: bool) -> tuple[dict[date, dict[str, Any]], set[date]]:
        """What each catalogue says of its inputs, without what no state follows from, and the days of damaged ones.

        Parameters
        ----------
        stamps : as they are now.
        keep : remember what had to be read, where nothing changed a moment ago.
        """
        kept = document_at(self._days_path)
        found: dict[date, dict[str, Any]] = {}
        damaged: set[date] = set()
        now: dict[str, Any] = {}
        for day, stamp in stamps.catalogues.items():
            held = kept.get(day.isoformat())
            if not (isinstance(held, list) and held[0] == stamp):
                try:
                    held = [stamp, self._read(day)]
                except PlaceError:
                    damaged.add(day)
                    continue
            found[day] = held[1]
            now[day.isoformat()] = held
        if keep and now != kept and stamps.is_settled():
            self._keep(now, self._days_path)
        return found, damaged

    def _read(self, day: date) -> dict[str, Any]:
        document = catalogue_metadata(self._store.catalogue_path(self._site, day)) or {}
        slim = {key: value for key, value in document.items() if key not in _NOT_LOOKED_AT}
        return slim | {"coverage": bool(document.get("coverage"))}

    def _keep(self, document: Mapping[str, Any], path: Path) -> None:
        with contextlib.suppress(StoreError):  # a store that is only read, or full: the next look costs more
            write_document(document, path, self._store.staging)
