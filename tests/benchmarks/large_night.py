"""A night of very many small captures against one of a thousand: processor time a capture, and memory.

    python tests/benchmarks/large_night.py --captures 100000    of 1,000 sites: hours, and some 5 GB of disk

Each site has a hundred captures of one day, so that both nights differ in the number of sites alone. Nights run in
processes of their own, with two workers, the small one before and after the large one.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made_fleet import loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.capture import Capture

A_SITE = 100
APART_NS = 600_000_000_000
NIGHT = """
import json, resource, sys
from pathlib import Path
from halfcycle.pipeline.cluster import spread_with
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
with spread_with("processes", scheduler="", workers=2) as spread:
    done = run_nightly(load_fleet(Path(sys.argv[1])), spread=spread)
own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
print(json.dumps({
    "files": len(done.files), "days": len(done.days), "events": done.n_events, "is_whole": done.is_whole,
    "own_s": own.ru_utime + own.ru_stime, "workers_s": others.ru_utime + others.ru_stime,
    "own_mib": own.ru_maxrss / 1024, "worker_mib": others.ru_maxrss / 1024,
}))
"""


def fill(root: Path, captures: int) -> Path:
    """A fleet with so many captures in its inbox, a sag in each; returns its configuration."""
    sites = [f"Site {n}" for n in range(captures // A_SITE)]
    config = write_fleet(root, sites=sites)
    inbox = loaded(config).inbox
    pattern = made_capture("2026-03-01T00:05:00", seconds=0.3, sags=[(0.1, 0.1, 0.5)])
    for site in sites:
        for n in range(A_SITE):
            header = replace(pattern.header, start_ns=pattern.header.start_ns + n * APART_NS)
            write_capture(Capture(header, pattern.samples), inbox / site / f"{n}.npz")
    return config


def night(captures: int) -> float:
    """Processor time a capture of a night. [ms]"""
    with tempfile.TemporaryDirectory() as folder:
        config = fill(Path(folder), captures)
        begun = time.monotonic()
        done = subprocess.run([sys.executable, "-c", NIGHT, str(config)], capture_output=True, text=True, check=True)
        seconds = time.monotonic() - begun
    told = json.loads(done.stdout)
    assert told["is_whole"]
    assert told["files"] == told["events"] == captures
    each = 1000 * (told["own_s"] + told["workers_s"]) / captures
    print(
        f"{captures} captures of {captures // A_SITE} sites: {each:.2f} ms a capture, "
        f"{told['own_s'] / captures * 1000:.2f} ms of it in the parent; "
        f"at most {told['own_mib']:.0f} MiB there, {told['worker_mib']:.0f} MiB in a worker; "
        f"{seconds:.0f} s",
        flush=True,
    )
    return each


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=20_000)
    asked = parser.parse_args()
    before, large, after = night(1000), night(asked.captures), night(1000)
    print(f"a capture of the large night, times one of the small: {2 * large / (before + after):.2f}")


if __name__ == "__main__":
    main()
