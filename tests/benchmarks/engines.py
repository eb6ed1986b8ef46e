"""Two workers of each engine, with their start, against one process alone: processor time of all processes.

    python tests/benchmarks/engines.py --captures 480

What workers import is what the command `halfcycle` has them import: they read this file again, so that it imports next
to nothing by itself.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from halfcycle.pipeline.spread import Spread


def used_s(who: int) -> float:
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def costs(folder: Path, engine: AbstractContextManager[Spread], n_events: int) -> tuple[float, float, float]:
    """Processor time of this process and of its children, and by the clock. [s]"""
    from archives import FREQUENCY_HZ, NOMINAL_V

    from halfcycle.pipeline.catalogue.judge import Terms
    from halfcycle.pipeline.screening import screen
    from halfcycle.pipeline.settings import Thresholds

    before = used_s(resource.RUSAGE_SELF), used_s(resource.RUSAGE_CHILDREN), time.monotonic()
    with engine as spread:
        found = screen([folder], terms=Terms(Thresholds(), NOMINAL_V, FREQUENCY_HZ, None), spread=spread)
        assert len(found.events) == n_events
    after = used_s(resource.RUSAGE_SELF), used_s(resource.RUSAGE_CHILDREN), time.monotonic()
    own, theirs, clock = (b - a for a, b in zip(before, after, strict=True))
    return own, theirs, clock


def main() -> None:
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from archives import parquet_archive

    from halfcycle.pipeline.cluster import spread_over_cluster
    from halfcycle.pipeline.processes import spread_apart
    from halfcycle.pipeline.spread import in_this_process

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=480)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parquet_archive(folder, n_files=asked.captures, seconds=60, n_currents=0)
        n_events = asked.captures // 2
        costs(folder, nullcontext(in_this_process), n_events)  # from the disk, and what is imported when it is used
        own, _, alone_clock = costs(folder, nullcontext(in_this_process), n_events)
        print(f"one process: {own:.1f} s, by the clock {alone_clock:.1f} s", flush=True)
        alone, whole = own, {}
        for engine, spread in (("processes", spread_apart(2)), ("dask", spread_over_cluster(workers=2))):
            own, theirs, clock = costs(folder, spread, n_events)
            whole[engine] = own + theirs
            print(
                f"{engine}: {whole[engine]:.1f} s, {100 * own / whole[engine]:.1f} % of it in the first process; two "
                f"workers {2 * alone / whole[engine]:.2f} times one, by the clock {alone_clock / clock:.2f}",
                flush=True,
            )
        print(f"dask: {whole['processes'] / whole['dask']:.2f} times the processes")


if __name__ == "__main__":
    main()
