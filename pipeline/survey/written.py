"""Trends of many sites and points as one table, and as files with their certificates."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.catalogue.tables import with_accounts, write_table
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.store.atomic import write_atomically
from halfcycle.pipeline.store.lock import locked
from halfcycle.pipeline.store.trends import write_trend
from halfcycle.pipeline.survey.certificate import with_certificates
from halfcycle.pipeline.survey.stored import StoredTrend, neighbour_path
from halfcycle.pipeline.trend_table import CERTIFICATE_KEY, certificate_path

if TYPE_CHECKING:
    import pyarrow as pa


def together(trends: Sequence[StoredTrend]) -> pa.Table:
    """Trends in one table, with ``site``, ``point`` and ``origin`` before their columns and all certificates."""
    import pyarrow as pa

    tables = []
    for one in trends:
        table, certificate = one.trend.table, one.certificate
        for place, (name, value) in enumerate(
            (("site", certificate.site), ("point", certificate.point or None), ("origin", certificate.origin))
        ):
            table = table.add_column(place, name, pa.array([value] * table.num_rows, pa.string()))
        tables.append(table)
    if not tables:
        return pa.table({"site": pa.array([], pa.string())})
    return with_certificates(pa.concat_tables(tables, promote_options="default"), [one.certificate for one in trends])


def write_trends(
    trends: Sequence[StoredTrend], path: Path, *, interval_s: float, accounts: Sequence[Account] = ()
) -> list[Path]:
    """Write trends to a file, those of other intervals than its own to others beside it.

    Parameters
    ----------
    trends : of any intervals.
    path : of the file; its ending names the format.
    interval_s : of the trends in it; see `stored.neighbour_path` for the others. [s]
    accounts : of the sites, see `catalogue.tables.with_accounts`.

    Returns
    -------
    The files that were written; certificates beside those without metadata are not among them.

    Raises
    ------
    ConfigError : an ending that is not known.
    StoreError : a file cannot be written.
    """
    files = by_file(trends, path, interval_s=interval_s)
    for target, ones in files.items():
        _write(with_accounts(together(ones), accounts), target)
    return list(files)


def by_file(trends: Sequence[StoredTrend], path: Path, *, interval_s: float) -> dict[Path, list[StoredTrend]]:
    """Which trends go into which file; as for `write_trends`."""
    found: dict[Path, list[StoredTrend]] = {path: []}
    for one in trends:
        of_s = one.certificate.interval_s
        found.setdefault(path if of_s == interval_s else neighbour_path(path, of_s), []).append(one)
    return found


def store_trends(trends: Sequence[StoredTrend], root: Path, *, wait_s: float = 60.0) -> list[Path]:
    """Write trends to a store, by site and UTC day, under the store's lock.

    Parameters
    ----------
    trends : of any intervals.
    root : of the store.
    wait_s : how long to wait for another run that works in the store. [s]

    Raises
    ------
    StoreError : another run is at work there, or a file cannot be written.
    """
    paths: list[Path] = []
    with locked(root, wait_s=wait_s):
        for one in trends:
            certificate = one.certificate
            table = with_certificates(one.trend.table, [certificate])
            paths += write_trend(
                table, root, site=f"{certificate.site} {certificate.point}".strip(), interval_s=certificate.interval_s,
                recorded=certificate.origin == "recorded by the instrument",
            )  # fmt: skip
    return paths


def _write(table: pa.Table, path: Path) -> None:
    write_table(table, path)
    text = (table.schema.metadata or {}).get(CERTIFICATE_KEY)
    if text is not None and path.suffix.lower() != ".parquet":
        write_atomically(certificate_path(path), partial(_write_bytes, text))


def _write_bytes(text: bytes, path: Path) -> None:
    path.write_bytes(text)
