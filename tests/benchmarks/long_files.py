"""One long file against the same samples in files of ten minutes: processor time and peak memory of the commands.

    python tests/benchmarks/long_files.py --hours 6 --format Parquet    one format, a shorter record

The record is one block of ten minutes, 50.00 Hz at 1600 Hz, over and over, so that it runs on from each into the next;
each holds one sag. Each format is written, measured and removed before the next: 24 hours of six channels are 6 GB.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow.parquet as pq

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.writers.comtrade import write_comtrade
from halfcycle.pipeline.writers.parquet import write_waveform_parquet
from halfcycle.pipeline.writers.pqdif import write_pqdif

RATE_HZ: Final = 1600.0
BLOCK_S: Final = 600.0
NOMINAL_V: Final = 230.0
SAG_S: Final = 0.2
START_NS: Final = 1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z
HALFCYCLE: Final = str(Path(sys.executable).with_name("halfcycle"))
_FLEET: Final = f"""
inbox = "inbox"
store = "store"
processed = "processed"
quarantine = "quarantine"
explain = true
[run]
workers = 1
settle_s = 0.0
[survey]
interval_s = {BLOCK_S:g}
quantities = []
[[sites]]
name = "Long weir"
nominal_voltage_v = {NOMINAL_V:g}
nominal_frequency_hz = 50
hookup = "four-wire"
"""
Write = Callable[[Capture, Path], object]
FORMATS: Final[dict[str, tuple[str, Write]]] = {
    "Parquet": (".parquet", partial(write_waveform_parquet, digest="0" * 32)),
    "COMTRADE": (".cfg", partial(write_comtrade, data="BINARY")),
    "PQDIF": (".pqd", lambda capture, path: write_pqdif([capture], path)),
}


@dataclass(frozen=True, slots=True)
class Cost:
    """Of one command: processor time, which other work on the machine changes little [s]; peak resident memory."""

    seconds: float
    peak_bytes: int


def block() -> Capture:
    """Ten minutes of three voltages and currents, with a sag of 0.2 s to 0.6 on phase A in the middle."""
    n = round(BLOCK_S * RATE_HZ)
    angle = 2 * np.pi * 50.0 * np.arange(n) / RATE_HZ
    rng = np.random.default_rng(1)
    rows = []
    for k in range(3):
        wave = np.sin(angle - k * 2 * np.pi / 3) + 0.03 * np.sin(5 * (angle - k * 2 * np.pi / 3))
        if k == 0:
            wave[n // 2 : n // 2 + round(SAG_S * RATE_HZ)] *= 0.6
        rows.append(np.round(20_000 * wave + rng.normal(0, 20, n)).astype(np.int16))
    rows += [np.round(3000 * np.sin(angle - k * 2 * np.pi / 3 - 0.4)).astype(np.int16) for k in range(3)]
    volts = NOMINAL_V * np.sqrt(2) / 20_000
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", volts) for p in "ABC")
    channels += tuple(Channel(f"I{p}", "current", p, "A", 0.01) for p in "ABC")
    return Capture(Header("Long weir", START_NS, RATE_HZ, n, channels, "int16", 50.0), np.stack(rows))


def write_both(folder: Path, *, hours: float, kind: str) -> tuple[Path, Path]:
    """The folder with one file of so many hours, and that with files of ten minutes."""
    one, (ending, write) = block(), FORMATS[kind]
    n_blocks = round(hours * 3600 / BLOCK_S)
    long, short = folder / "one", folder / "many"
    for made in (long, short):
        made.mkdir(parents=True)
    for i in range(n_blocks):
        header = replace(one.header, start_ns=one.header.time_ns(i * one.header.n_samples))
        write(Capture(header, one.samples), short / f"{i:04d}{ending}")
    header = replace(one.header, n_samples=n_blocks * one.header.n_samples)
    write(Capture(header, np.tile(one.samples, n_blocks)), long / f"long{ending}")
    return long, short


def cost_of(arguments: list[str]) -> Cost:
    """What a command of ours costs."""
    code = (
        "import json, resource, subprocess, sys; "
        "subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL); "
        "used = resource.getrusage(resource.RUSAGE_CHILDREN); "
        "print(json.dumps([used.ru_utime + used.ru_stime, used.ru_maxrss * 1024]))"
    )
    answer = subprocess.run([sys.executable, "-c", code, HALFCYCLE, *arguments], check=True, capture_output=True)
    return Cost(*json.loads(answer.stdout))


def screened(folder: Path, out: Path, *, n_sags: int) -> Cost:
    """Cost of a screening with all detectors, its sags counted."""
    cost = cost_of(["screen", str(folder), "--out", str(out), "--detect", "all", "--workers", "1"])
    kinds = pq.read_table(out, columns=["kind"]).column("kind").to_pylist()
    assert kinds.count("sag") == n_sags, f"{kinds.count('sag')} sags in {folder.name}; {n_sags} were drawn"
    return cost


def measured(folder: Path, out: Path, *, n_sags: int) -> Cost:
    """Cost of a survey of all quantities, its intervals counted: each is flagged for its sag."""
    cost = cost_of(["measure", str(folder), "--out", str(out)])
    flags = pq.read_table(out, columns=["flag"]).column("flag").to_pylist()
    assert flags == [True] * n_sags, f"{sum(flags)} of {len(flags)} intervals flagged in {folder.name}"
    return cost


def spent_night(folder: Path, out: Path, *, n_sags: int) -> Cost:
    """Cost of a night that stores, judges and surveys the files, its sags counted. out: the fleet lies beside it."""
    root = out.with_suffix(".fleet")
    (root / "inbox").mkdir(parents=True)
    for path in folder.iterdir():
        os.link(path, root / "inbox" / path.name)
    (root / "fleet.toml").write_text(_FLEET, encoding="utf-8")
    cost = cost_of(["nightly", "--config", str(root / "fleet.toml")])
    found = root.glob("store/catalogue/*/*/events.parquet")
    kinds = [kind for path in found for kind in pq.read_table(path, partitioning=None).column("kind").to_pylist()]
    assert kinds.count("sag") == n_sags, f"{kinds.count('sag')} sags in {folder.name}; {n_sags} were drawn"
    return cost


def compared(folder: Path, *, hours: float, kinds: list[str]) -> list[tuple[str, str, str]]:
    """A row for each format and command: one file against many."""
    rows = []
    for kind in kinds:
        with tempfile.TemporaryDirectory(dir=folder) as made:
            long, short = write_both(Path(made), hours=hours, kind=kind)
            n_sags = len(list(short.glob(f"*{FORMATS[kind][0]}")))
            for what, run in RUNS.items():
                one = run(long, Path(made, "one.parquet"), n_sags=n_sags)
                many = run(short, Path(made, "many.parquet"), n_sags=n_sags)
                words = (
                    f"time {one.seconds / many.seconds:.2f}, memory {one.peak_bytes / many.peak_bytes:.2f} "
                    f"({one.seconds:.0f} s and {many.seconds:.0f} s, {one.peak_bytes / 2**20:.0f} MiB and "
                    f"{many.peak_bytes / 2**20:.0f} MiB)"
                )
                name = f"{kind}: one file of {hours:g} h against {n_sags} of ten minutes, {what}"
                rows.append((name, "≤ 1.1, ≤ 1.1 and ≤ 500 MiB", words))
    return rows


RUNS: Final = {
    "screen, all detectors": screened,
    "measure, all quantities": measured,
    "a night, all quantities": spent_night,
}


def main() -> None:
    """Compare some formats over some hours."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--format", choices=list(FORMATS), action="append")
    given = parser.parse_args()
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for kind in given.format or list(FORMATS):
            for row in compared(Path(folder), hours=given.hours, kinds=[kind]):
                print(f"| {' | '.join(row)} |", flush=True)
    print(f"{time.perf_counter() - start:.0f} s in all")


if __name__ == "__main__":
    main()
