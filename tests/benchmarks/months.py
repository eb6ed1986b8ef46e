"""A month of daily catalogues read by way of the file of the month, against each by its own: processor time.

    python tests/benchmarks/months.py --sites 400    a month of 12,000 catalogues: some minutes

The catalogues are drawn: each has a sag, written under each site and day as a night would have.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import pandas as pd
import pyarrow.parquet as pq
from made_fleet import SITE, events_in, grown_old, loaded, with_sag, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import catalogue_table, with_identity
from halfcycle.pipeline.nightly import month_files
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata, write_catalogue
from halfcycle.pipeline.nightly.day_states import look_at_days
from halfcycle.pipeline.nightly.days import Day, coverage_of, path_of, read_days
from halfcycle.pipeline.nightly.months import gather_months, has_due_months
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.store.partitions import DAY_NS, Store

FIRST, DAYS = date(2026, 4, 1), 30
Result = TypeVar("Result")


def timed(what: str, work: Callable[[], Result]) -> tuple[Result, float]:
    begun = time.process_time()
    result = work()
    spent = time.process_time() - begun
    print(f"{what:55} {spent:8.2f} s", flush=True)
    return result, spent


def drawn(root: Path, sites: list[str]) -> Fleet:
    """A fleet whose store holds a catalogue of each site and day of a month, and no waveforms."""
    first = loaded(write_fleet(root / "one"))
    write_capture(with_sag(f"{FIRST}"), first.inbox / SITE / "a.npz")
    run_nightly(first)
    (event,) = events_in(first)
    document = catalogue_metadata(path_of(Day(SITE, FIRST), first))
    assert document is not None
    fleet = loaded(write_fleet(root / "fleet", sites=sites, run=f"month_days = {len(sites) * DAYS}\n"))
    store = Store(fleet.store)
    for site in sites:
        for n in range(DAYS):
            day = FIRST + timedelta(days=n)
            moved = with_identity(replace(event, site=site, start=event.start + n * DAY_NS, refined_start=None))
            said = document | {"site": site, "date": day.isoformat()}
            write_catalogue(catalogue_table([moved]), said, store.catalogue_path(site, day), store)
    return fleet


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=40)
    asked = parser.parse_args()
    sites = [f"Site {n:03}" for n in range(asked.sites)]
    with tempfile.TemporaryDirectory() as folder:
        fleet = drawn(Path(folder), sites)
        grown_old(fleet)
        found = look_at_days(fleet, keep=True)
        days = [Day(site, FIRST + timedelta(days=n)) for site in sites for n in range(DAYS)]
        gathered, _ = timed("the month is gathered, once", lambda: gather_months(fleet, found, date(2026, 6, 1)))
        assert gathered is not None
        assert gathered.days == len(days)
        is_due, _ = timed("a look whether it is still right", lambda: has_due_months(fleet, found, date(2026, 6, 1)))
        assert not is_due
        (by_month, _), quick = timed("events by way of the month", lambda: read_days(fleet, days))
        spans, quick_spans = timed("coverage by way of the month", lambda: coverage_of(fleet, days))
        month_files._LEAST = len(days) + 1
        (by_days, _), slow = timed("events by days", lambda: read_days(fleet, days))
        other, slow_spans = timed("coverage by days", lambda: coverage_of(fleet, days))
        assert by_month.num_rows == len(days)
        assert by_month.equals(by_days)
        assert spans == other
        month, folders = fleet.store / "months" / "events", fleet.store / "catalogue"
        for name, read in {"pandas": pd.read_parquet, "pyarrow": pq.read_table}.items():
            timed(f"{name}, the month", lambda read=read: read(month))  # type: ignore[misc]
            timed(f"{name}, the daily files", lambda read=read: read(folders))  # type: ignore[misc]
        sizes = [sum(path.stat().st_size for path in one.rglob("*.parquet")) / 1e6 for one in (month, folders)]
        print(f"{len(days)} catalogues, {sizes[1]:.1f} MB; the month {sizes[0]:.1f} MB")
        print(f"events by days / by the month {slow / quick:.1f}, coverage {slow_spans / quick_spans:.1f}")


if __name__ == "__main__":
    main()
