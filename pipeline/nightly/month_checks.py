"""Whether files of months say what the catalogues of their days say."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

from halfcycle.pipeline.nightly.month_files import (
    KINDS,
    Kind,
    kept_days,
    months_held,
    ordered,
    read_month,
    rows_of,
)
from halfcycle.pipeline.nightly.months import rows_of_days
from halfcycle.pipeline.store.manifest import what_changed
from halfcycle.pipeline.store.partitions import Store


def faults_of_months(store: Store, key: bytes | None) -> Iterator[tuple[Path, str]]:
    """Files of months that are damaged, altered, or not what the days' own files say; and how, in words.

    Days that have changed since a file was made are left out: the next night sees to them.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    for kind in KINDS:
        for month, path in sorted(months_held(store, kind).items()):
            try:
                altered = what_changed(pq.read_table(path, partitioning=None, page_checksum_verification=True), key=key)
            except (OSError, pa.ArrowException, ValueError) as error:
                altered = f"it cannot be read ({error})"
            if altered := altered or _differs(store, kind, month):
                yield path, altered


def _differs(store: Store, kind: Kind, month: date) -> str:
    file = read_month(store, kind, month)
    read, rows = rows_of_days(store, sorted(kept_days(store, file)))  # damaged ones are found where catalogues are
    same = ordered(rows[kind], kind).equals(rows_of(file, set(read)))
    return "" if same else "its rows are not those of the daily catalogues"
