"""Fleets whose months are gathered, for the tests of files of months."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
from made_fleet import digests, grown_old, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.catalogue.reading import read_events
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.run import run_nightly

SITES = ["Mill Lane", "Öllwang Lock"]


def fill(fleet: Fleet, days: Iterable[int] = range(1, 11), month: str = "2026-03") -> None:
    for k, site in enumerate(SITES):
        for n in days:
            capture = made_capture(f"{month}-{n:02}T12:00:00", seconds=0.6, sags=[(0.2, 0.2, 0.5)], seed=n + 100 * k)
            write_capture(capture, fleet.inbox / site / f"{month}-{n:02}.npz")


def gathered(root: Path, **options: Any) -> Fleet:
    """A fleet of two sites, ten days of March and three of February, whose months are made and settled."""
    fleet = loaded(write_fleet(root, sites=SITES, **options))
    fill(fleet)
    fill(fleet, range(26, 29), "2026-02")
    run_nightly(fleet)
    grown_old(fleet)
    made_anew(fleet)
    return fleet


def made_anew(fleet: Fleet) -> None:
    """Forget the files of months and make them again, of catalogues that have settled."""
    for path in [*(fleet.store / "months").rglob("*.parquet"), *(fleet.store / ".index" / "months").glob("*")]:
        path.unlink()
    for path in (fleet.store / ".index").glob("*/days"):
        path.unlink()  # its stamps are those of before the catalogues grew old
    run_nightly(fleet)


def month_bytes(fleet: Fleet) -> dict[str, str]:
    return digests(fleet.store / "months")


def rows_in(fleet: Fleet, month: str = "2026-03") -> pd.DataFrame:
    return pq.read_table(fleet.store / f"months/events/month={month}/events.parquet", partitioning=None).to_pandas()


def by_days(fleet: Fleet) -> list[Event]:
    """The events of all days, each read from the file of its day alone."""
    paths = sorted((fleet.store / "catalogue").rglob("*.parquet"))
    found = [event for path in paths for event in read_events(path)]
    return sorted(found, key=lambda event: (event.start, event.site))
