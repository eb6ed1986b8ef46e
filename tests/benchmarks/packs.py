"""A day's captures in files of their own and in packs: what packing costs, the disk, and reading them again.

    python tests/benchmarks/packs.py --captures 144

Captures of three voltages and currents. Processor time, each part in turn three times; the middle one.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from archives import RATE_HZ, capture
from made_fleet import SITE, write_capture

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.nightly.day_packs import pack_day
from halfcycle.pipeline.nightly.stored import checked_capture
from halfcycle.pipeline.store.partitions import Store, day_start_ns

DAY = date(2026, 3, 1)
APART_NS = 600_000_000_000


def filled(store: Store, captures: int, seconds: float) -> None:
    for n in range(captures):
        one = capture(n, seconds=seconds)
        whole = Capture(replace(one.header, start_ns=day_start_ns(DAY) + n * APART_NS), one.samples)
        write_capture(whole, store.waveform_path(SITE, DAY, whole.digest()))


def timed(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def disk(store: Store) -> tuple[int, float]:
    """Files, and what they take of the disk in blocks of 4 KiB. [MiB]"""
    files = [path for path in store.root.rglob("*.parquet") if path.is_file()]
    return len(files), sum(-(-path.stat().st_size // 4096) * 4096 for path in files) / 2**20


def measure(captures: int, seconds: float) -> None:
    packing, singles, packed, listed, listed_packed = [], [], [], [], []
    for _ in range(3):
        with tempfile.TemporaryDirectory() as folder:
            store = Store(Path(folder))
            filled(store, captures, seconds)

            def read(store: Store = store) -> None:
                for path in store.captures(SITE, DAY):
                    checked_capture(path)

            def listing(store: Store = store) -> None:
                for _ in range(20):
                    store.stems(SITE, DAY)

            before = disk(store)
            singles.append(timed(read))
            listed.append(timed(listing) / 20)
            packing.append(timed(lambda store=store: pack_day(store, SITE, DAY)))
            after = disk(store)
            packed.append(timed(read))
            listed_packed.append(timed(listing) / 20)
    each, whole, again = (statistics.median(one) * 1000 / captures for one in (packing, singles, packed))
    look, look_packed = (statistics.median(one) * 1000 for one in (listed, listed_packed))
    print(
        f"{captures} captures of {seconds} s at {RATE_HZ / 1000:g} kHz: packing {each:.2f} ms a capture; "
        f"read and checked {whole:.2f} ms from files, {again:.2f} ms from packs ({again / whole:.2f}); "
        f"a look at the day {look:.2f} ms and {look_packed:.2f} ms; "
        f"{before[0]} files of {before[1]:.1f} MiB, {after[0]} of {after[1]:.1f} MiB"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=144)
    asked = parser.parse_args()
    for seconds in (1.8, 0.2):
        measure(asked.captures, seconds)


if __name__ == "__main__":
    main()
