"""What a night costs in a store of many site-days, against the same night in an empty one: processor time, as ratios.

    python tests/benchmarks/years_of_history.py --sites 400 --days 500    200,000 site-days: a quarter of an hour

The history is drawn: each day has one capture and a catalogue as a night would have written it, by hard links of three
files a site. Then come nights of 100 new files, in both stores in turn, and calls that find nothing to do.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made_fleet import grown_old, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata, read_events_table, write_catalogue
from halfcycle.pipeline.nightly.days import names_digest
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.store.partitions import Store

FIRST = date(2020, 1, 1)
FILES = 100
NIGHTS = 4
RUN = "month_days = 0\n"  # what months cost is a matter of its own: see months.py


class LinkedStore:
    """A store of links; a file that has as many names as the file system allows is copied."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._copies: dict[Path, Path] = {}

    def put(self, source: Path, place: Path) -> None:
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(self._copies.get(source, source), place)
        except OSError:
            shutil.copy(source, place)
            self._copies[source] = place


def drawn(root: Path, sites: list[str], n_days: int) -> Fleet:
    """A fleet whose store holds a capture and a catalogue of each site and day."""
    fleet = loaded(write_fleet(root, sites=sites, run=RUN))
    capture = made_capture(f"{FIRST}T12:00:00", seconds=0.3, seed=1)
    write_capture(capture, fleet.inbox / sites[0] / "a.npz")
    run_nightly(fleet)
    store = Store(fleet.store)
    (waves,) = store.captures(sites[0], FIRST)
    made = store.catalogue_path(sites[0], FIRST)
    document, table = catalogue_metadata(made) or {}, read_events_table(made)
    kept = root / "kept.parquet"
    shutil.copy(waves, kept)
    shutil.rmtree(store.root)
    patterns, linked = Store(root / "patterns"), LinkedStore(store)
    days = [FIRST + timedelta(days=n) for n in range(n_days)]
    names = {day: [waves.stem] for day in days}
    for name in sites:
        site = fleet.site(name)
        assert site is not None
        settings = {"site": name, "settings": fleet.site_digest(site.on(FIRST))}
        for day in {days[0], days[1], days[-1]}:  # the first and the last have a neighbour less
            said = document | settings | {"names": names_digest(names, day, document["days_after"])}
            write_catalogue(table, said, patterns.catalogue_path(name, day), patterns)
        for day in days:
            alike = day if day in (days[0], days[-1]) else days[1]
            linked.put(kept, store.waveform_path(name, day, waves.stem))
            linked.put(patterns.catalogue_path(name, alike), store.catalogue_path(name, day))
    return fleet


def night(fleet: Fleet, day: date, sites: list[str]) -> float:
    """Processor time of a night with a file of each of some sites. [s]"""
    for n, site in enumerate(sites):
        write_capture(made_capture(f"{day}T12:00:00", seconds=0.3, seed=9000 + n), fleet.inbox / site / f"{day}.npz")
    begun = time.process_time()
    done = run_nightly(fleet)
    spent = time.process_time() - begun
    assert len(done.files) == len(done.days) == len(sites)
    return spent


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=40)
    parser.add_argument("--days", type=int, default=500)
    asked = parser.parse_args()
    sites = [f"Site {n}" for n in range(asked.sites)]
    with tempfile.TemporaryDirectory() as folder:
        empty = loaded(write_fleet(Path(folder, "empty"), sites=sites, run=RUN))
        full = drawn(Path(folder, "full"), sites, asked.days)
        grown_old(full)
        assert summary_if_idle(full) is not None, "the history that was drawn is not settled"
        taking_part = sites[:: max(1, len(sites) // FILES)][:FILES]
        spent: dict[str, list[float]] = {"empty": [], "full": [], "idle": []}
        for n in range(NIGHTS):
            day = FIRST + timedelta(days=asked.days + 3 + 3 * n)  # no neighbour of what is there
            spent["empty"].append(night(empty, day, taking_part))
            spent["full"].append(night(full, day, taking_part))
            begun = time.process_time()
            assert summary_if_idle(full) is not None
            spent["idle"].append(time.process_time() - begun)
        print(
            f"{asked.sites * asked.days} site-days, {len(taking_part)} files a night, {NIGHTS} nights, processor time"
        )
        for name, seconds in spent.items():
            print(f"{name:6} {' '.join(f'{one:.2f}' for one in seconds)} s")
        ratios = [full / empty for full, empty in zip(spent["full"], spent["empty"], strict=True)]
        print(f"full / empty {' '.join(f'{one:.2f}' for one in ratios)}, median {median(ratios):.2f}")


if __name__ == "__main__":
    main()
