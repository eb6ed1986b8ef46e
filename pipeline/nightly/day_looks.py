"""What a day's records showed, kept, so that judging them again by other settings reads no waveform that is calm.

.index/SITE/looks/2026-03-01.parquet   by key, see `records.kept`; no more than a memory, as `day_index`
"""

from __future__ import annotations

import contextlib
from datetime import date
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.store.atomic import write_atomically
from halfcycle.pipeline.store.changes import site_key
from halfcycle.pipeline.store.partitions import Store

_VERSION: Final = b"halfcycle.version"


class DayLooks:
    """The memory of the records that a day is made of.

    Parameters
    ----------
    store, site, day : whose.
    """

    def __init__(self, store: Store, site: str, day: date) -> None:
        self._path, self._staging = _path_of(store, site, day), store.staging
        self._kept: dict[str, bytes] | None = None
        self._used: dict[str, bytes] = {}
        self._is_new = False

    def get(self, key: str) -> bytes | None:
        """What was kept for a key; None where there is nothing."""
        if self._kept is None:
            self._kept = _read(self._path)
        found = self._used.get(key, self._kept.get(key))
        if found is not None:
            self._used[key] = found
        return found

    def __setitem__(self, key: str, content: bytes) -> None:
        self._used[key] = content
        self._is_new = True

    def write(self) -> None:
        """Keep what was used or is new, and nothing else; where it cannot be written nothing is kept."""
        if not self._is_new and self._kept is not None and self._used.keys() == self._kept.keys():
            return
        import pyarrow as pa
        import pyarrow.parquet as pq

        contents = pa.array(list(self._used.values()), pa.large_binary())
        table = pa.table({"key": pa.array(list(self._used), pa.string()), "content": contents})
        table = table.replace_schema_metadata({_VERSION: code_version().encode()})

        def write(aside: Path) -> None:
            pq.write_table(table, aside, compression="zstd", use_dictionary=False, write_page_checksum=True)

        with contextlib.suppress(StoreError):  # a store that is full: judging again costs more
            write_atomically(self._path, write, staging=self._staging, flush=False)


def forget_looks(store: Store, site: str, day: date) -> None:
    """Drop what was kept of a day."""
    with contextlib.suppress(OSError):
        _path_of(store, site, day).unlink(missing_ok=True)


def _path_of(store: Store, site: str, day: date) -> Path:
    return store.root / ".index" / site_key(site) / "looks" / f"{day.isoformat()}.parquet"


def _read(path: Path) -> dict[str, bytes]:
    """What a file holds; nothing where it is damaged, not there, or by another version of the code."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            if (file.schema_arrow.metadata or {}).get(_VERSION) != code_version().encode():
                return {}
            table = file.read(use_threads=False)
        return dict(zip(table.column("key").to_pylist(), table.column("content").to_pylist(), strict=True))
    except (OSError, pa.ArrowException, KeyError, ValueError):
        return {}
