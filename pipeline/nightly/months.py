"""Months that are over, gathered in files of their own: those whose catalogues have changed, so many days a night.

A file is made of the catalogues as they are; of days that have not changed it takes the rows of the file before it. So
a late capture costs its day, and a night that is killed leaves the file before or the one after.
"""

from __future__ import annotations

import contextlib
import hashlib
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.nightly.catalogue_file import read_day
from halfcycle.pipeline.nightly.day_states import DaysFound
from halfcycle.pipeline.nightly.days import Day, coverage_said
from halfcycle.pipeline.nightly.month_files import (
    FOLDER,
    KINDS,
    Key,
    Kind,
    coverage_with_dates,
    days_known,
    drop_month,
    events_with_dates,
    made_of,
    month_of,
    months_held,
    read_month,
    rows_of,
    schema_of,
    table_of,
    write_month,
)
from halfcycle.pipeline.store.atomic import SETTLED_NS, written_and_size
from halfcycle.pipeline.store.partitions import EPOCH, Store

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True, slots=True)
class MonthsDone:
    """What became of the files of months.

    Attributes
    ----------
    made : months whose files were written, by their first days.
    dropped : months of which no catalogue is left, and whose files were removed.
    left : months that are left to later nights.
    days : catalogues of days that were read.
    failed : in words, what could not be written; the next night tries it again.
    """

    made: tuple[date, ...] = ()
    dropped: tuple[date, ...] = ()
    left: tuple[date, ...] = ()
    days: int = 0
    failed: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """Which months were written."""
        first, last = min(self.made), max(self.made)
        one = f"{last:%Y-%m}"
        return one if len(self.made) == 1 else f"{len(self.made)} from {first:%Y-%m} to {one}"

    @property
    def left_words(self) -> str:
        """How many were left, and why; "" of none."""
        return f"; {len(self.left)} left for later nights, as [run] month_days limits" if self.left else ""


@dataclass(frozen=True, slots=True)
class _Due:
    """A month whose files are to be made. made_of : digest of the stamps of its catalogues, see `_digests`."""

    month: date
    made_of: str


def has_due_months(fleet: Fleet, found: DaysFound, today: date) -> bool:
    """Whether `gather_months` would find something to do."""
    if found.unreadable:
        return False
    due, gone = _due(fleet, found, today)
    return bool(due or gone)


def months_to_gather(fleet: Fleet, found: DaysFound, today: date) -> MonthsDone:
    """What `gather_months` would do, as the catalogues are now; nothing is changed."""
    if found.unreadable:
        return MonthsDone()
    due, gone = _due(fleet, found, today)
    chosen, n_days = _within(fleet, due, found)
    left = tuple(one.month for one in due if one not in chosen)
    return MonthsDone(tuple(one.month for one in chosen), tuple(gone), left, n_days)


def gather_months(fleet: Fleet, found: DaysFound, today: date) -> MonthsDone | None:
    """Bring files of months up to date, the latest first; the caller holds the lock. None where they stay as they are.

    Parameters
    ----------
    fleet : the configuration; it says how many days may be read. At least one month is made, or all files go where
        none are wanted.
    found : of all days, once their catalogues are made and what is past its age was removed. Where some cannot be read
        all files stay as they are.
    today : UTC; months that are over by then are gathered.

    Raises
    ------
    StoreError : nothing can be written any more.
    """
    if found.unreadable:
        return None
    store = Store(fleet.store)
    due, gone = _due(fleet, found, today)
    chosen, n_days = _within(fleet, due, found)
    made, failed = [], []
    for one in chosen:
        stamps = _stamps(found, one.month)
        try:
            _gather(one, stamps, fleet)
        except PlaceError as error:
            failed.append(str(error))
        else:
            made.append(one.month)
    for month in gone:
        try:
            drop_month(store, month)
        except OSError as error:
            failed.append(f"{store.root / FOLDER}, {month:%Y-%m}: cannot be removed ({error.strerror or error})")
    left = tuple(one.month for one in due if one not in chosen)
    return MonthsDone(tuple(made), tuple(gone), left, n_days, tuple(failed))


def _due(fleet: Fleet, found: DaysFound, today: date) -> tuple[list[_Due], list[date]]:
    """The months to make, the latest first; and those that have files and no catalogue any more."""
    store = Store(fleet.store)
    wanted = _digests(found) if fleet.run.month_days else {}
    digests = {month: digest for month, digest in wanted.items() if month < month_of(today)}
    due = [
        _Due(month, digest)
        for month, digest in sorted(digests.items(), reverse=True)
        if made_of(store, month) != digest
    ]
    held = {month for kind in KINDS for month in months_held(store, kind)}
    return due, sorted(held - digests.keys())


def _within(fleet: Fleet, due: list[_Due], found: DaysFound) -> tuple[list[_Due], int]:
    """Those of some months that one night makes, and how many catalogues of days it reads for that."""
    store = Store(fleet.store)
    chosen: list[_Due] = []
    n_days = 0
    for one in due:
        if chosen and n_days >= fleet.run.month_days:
            break
        stamps = _stamps(found, one.month)
        known = days_known(store, one.month)
        n = sum(known.get(key) != stamp for key, stamp in stamps.items())
        if chosen and n_days + n > fleet.run.month_days:
            break
        chosen.append(one)
        n_days += n
    return chosen, n_days


def _digests(found: DaysFound) -> dict[date, str]:
    """By month, the digest of the stamps of all its catalogues: of which sites and days, when written and how large."""
    digests: dict[date, Any] = {}
    columns = repr([(kind, schema_of(kind).names) for kind in KINDS]).encode()
    for name, site in sorted(found.sites.items()):
        rows = site.table[site.table["written"] >= 0]
        months = (rows["day"].astype(np.int64) - EPOCH.toordinal()).astype("datetime64[D]").astype("datetime64[M]")
        edges = [0, *(np.flatnonzero(months[1:] != months[:-1]) + 1).tolist(), months.size]
        for first, stop in pairwise(edges):
            if stop > first:
                month = months[first].astype("datetime64[D]").item()
                digest = digests.setdefault(month, hashlib.sha256(columns))
                digest.update(f"\x1f{name}\x1f".encode())
                for field in ("day", "written", "size"):
                    digest.update(np.ascontiguousarray(rows[field][first:stop]).tobytes())
    return {month: digest.hexdigest()[:32] for month, digest in digests.items()}


def _stamps(found: DaysFound, month: date) -> dict[Key, str]:
    """The stamp of each catalogue of a month."""
    last = month_of(month + timedelta(days=31)) - timedelta(days=1)
    return {
        (name, day): stamp for name, site in found.sites.items() for day, stamp in site.catalogues(month, last).items()
    }


def _gather(due: _Due, stamps: Mapping[Key, str], fleet: Fleet) -> None:
    """Make the files of a month."""
    store = Store(fleet.store)
    former = {kind: read_month(store, kind, due.month) for kind in KINDS}
    same = {key for key, stamp in stamps.items() if all(one.days.get(key) == stamp for one in former.values())}
    read, rows = rows_of_days(store, sorted(stamps.keys() - same))
    whole = {kind: table_of([rows_of(file, same), rows[kind]], kind) for kind, file in former.items()}
    settled = time.time_ns() - SETTLED_NS
    sure = {key: stamps[key] for key in same.union(read) if written_and_size(stamps[key])[0] < settled}
    write_month(whole, sure, due.made_of, store, due.month, key=fleet.secret)


def rows_of_days(store: Store, days: Iterable[Key]) -> tuple[list[Key], dict[Kind, pa.Table]]:
    """Which of some days have catalogues that can be read, and their rows as files of months have them."""
    read: list[Key] = []
    events: list[pa.Table] = []
    spans: list[CoverageSpan] = []
    for site, day in days:
        with contextlib.suppress(PlaceError):  # a damaged one is left out until it is made anew
            document, table = read_day(store.catalogue_path(site, day))
            read.append((site, day))
            events.append(table)
            spans += coverage_said(document, Day(site, day))
    return read, {
        "events": events_with_dates(events, [day for _, day in read]),
        "coverage": coverage_with_dates(spans),
    }
