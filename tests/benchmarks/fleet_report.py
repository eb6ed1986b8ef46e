"""What the report of a fleet costs: 10,000 events at 400 sites as a folder of pages; processor time, memory, bytes.

    python tests/benchmarks/fleet_report.py [--sites 400] [--events 10000]

The bars are 60 s of one core and 400 MiB. Events and waveforms are drawn; the pages go to a folder that is removed.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.events import Event, with_identity
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.indices.curves import curve
from halfcycle.pipeline.report.content import ReportSettings
from halfcycle.pipeline.report.folder import fleet_pages, write_folder
from halfcycle.pipeline.report.material import Material
from halfcycle.pipeline.report.slice import Slice

START_NS = 1_772_366_400_000_000_000  # 2026-03-01
DAY_NS = 86_400_000_000_000
RATE_HZ, CYCLE = 3200.0, 64


def drawn_events(n_sites: int, n_events: int, rng: np.random.Generator) -> list[Event]:
    """Sags and transients over 30 days."""
    events = []
    for k in range(n_events):
        is_sag = bool(rng.random() < 0.7)
        lasted = float(rng.choice([0.06, 0.12, 0.4, 1.5]))
        events.append(
            with_identity(
                Event(
                    site=f"Site {k % n_sites:03d}",
                    kind="sag" if is_sag else "oscillatory_transient",
                    category="instantaneous sag" if is_sag else "low-frequency oscillatory transient",
                    start=START_NS + int(rng.integers(30 * DAY_NS)),
                    duration_s=lasted,
                    observed_s=lasted,
                    magnitude=float(rng.uniform(0.05, 0.89)),
                    phases="ABC",
                    line_to_line=False,
                    reference_v=230.0,
                    capture=f"{k:032x}",
                    incident_id=str(k),
                    frequency_hz=50.0,
                    oscillation_hz=None if is_sag else 620.0,
                )
            )
        )
    return events


def slice_of(event: Event) -> Slice:
    """Six cycles before and after, three voltages and three currents of 16 bits with noise."""
    rng = np.random.default_rng(event.start % 2**32)
    n = round(event.observed_s * RATE_HZ) + 12 * CYCLE
    t = np.arange(n)
    rows = [2000 * np.cos(2 * np.pi * t / CYCLE - 2 * np.pi * k / 3) + rng.normal(0, 1, n) for k in range(6)]
    samples = np.rint(rows).astype(np.int16)
    samples[:3, 6 * CYCLE : n - 6 * CYCLE] //= 2
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", scale=0.16) for p in "ABC")
    channels += tuple(Channel(f"I{p}", "current", p, "A", scale=0.05) for p in "ABC")
    return Slice(channels, samples, RATE_HZ, -6.0 * CYCLE, event.observed_s * RATE_HZ, "drawn", hookup="four-wire")


def main() -> None:
    """Measure and print."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    words.add_argument("--sites", type=int, default=400)
    words.add_argument("--events", type=int, default=10_000)
    words.add_argument("--worst", type=int, default=12)
    given = words.parse_args()
    events = drawn_events(given.sites, given.events, np.random.default_rng(1))
    spans = [
        CoverageSpan(site, None, START_NS + d * DAY_NS, START_NS + (d + 1) * DAY_NS, 86_000.0)
        for site in sorted({event.site for event in events})
        for d in range(30)
    ]
    material = Material(events=events, slices=slice_of, coverage=spans)
    settings = ReportSettings(curve=curve("iti"), worst=given.worst)
    before_s = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        pages = write_folder(fleet_pages(material, settings=settings), Path(folder) / "pages")
        spent_s = time.process_time() - before_s
        n_bytes = [path.stat().st_size for path in (Path(folder) / "pages").glob("*.html")]
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(events)} events, {given.sites} sites, {given.worst} shown of each: {pages} pages")
    print(f"{spent_s:.1f} s of processor time (bar 60), {peak_mib:.0f} MiB at most (bar 400)")
    print(f"{sum(n_bytes) / 1e6:.0f} MB in all, the largest page {max(n_bytes) / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
