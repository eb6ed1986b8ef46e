"""Benchmarks as ratios in one run on one machine; each checks its result before it prints a figure.

    python tests/benchmarks/run.py             all of them but long_files, as a Markdown table
    python tests/benchmarks/run.py decode help  some of them, by name

What is compared alternates in short turns and the median of the turns' ratios is printed, so that a machine whose speed
drifts does not favour either.
"""

from __future__ import annotations

import cProfile
import pstats
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from archives import FREQUENCY_HZ, NOMINAL_V, RATE_HZ, capture, parquet_archive
from long_files import FORMATS, compared
from threadpoolctl import threadpool_limits

from halfcycle.pipeline.catalogue import causes
from halfcycle.pipeline.catalogue import judge as judging
from halfcycle.pipeline.catalogue.explain import Explanation
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.detectors.registry import choose, detectors
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.store.trends import read_trend, write_trend
from halfcycle.pipeline.survey.files import measure_files
from halfcycle.pipeline.survey.measure import Survey
from halfcycle.pipeline.writers.comtrade import write_comtrade

HALFCYCLE = str(Path(sys.executable).with_name("halfcycle"))
TERMS = Terms(Thresholds(), NOMINAL_V, FREQUENCY_HZ, None)
VOLTAGES = ["UA", "UB", "UC"]
Row = tuple[str, str, str]


def seconds_of(function: Callable[[], object]) -> float:
    """Wall time of one call. [s]"""
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def cpu_seconds_of(function: Callable[[], object]) -> float:
    """Processor time of one call, whatever else the machine does. [s]"""
    start = time.process_time()
    function()
    return time.process_time() - start


def ratio(first: Callable[[], object], second: Callable[[], object], *, turns: int) -> tuple[float, float, float]:
    """Median ratio of the times of two functions called in turn, and the median times. [-], [s], [s]"""
    first(), second()
    pairs = [(seconds_of(first), seconds_of(second)) for _ in range(turns)]
    return (
        statistics.median(a / b for a, b in pairs),
        statistics.median(a for a, _ in pairs),
        statistics.median(b for _, b in pairs),
    )


def bench_decode(folder: Path) -> list[Row]:
    """Screening against pyarrow's bare decode of the same columns."""
    paths = parquet_archive(folder, n_files=24, seconds=60)
    n_samples = len(paths) * 3 * round(60 * RATE_HZ)

    def decode() -> None:
        for path in paths:
            pq.ParquetFile(path).read(columns=VOLTAGES, use_threads=False)

    def screening() -> None:
        result = screen([folder], terms=TERMS, workers=1)
        assert len(result.events) == len(paths) // 2, len(result.events)

    with threadpool_limits(1):
        times, ours_s, bare_s = ratio(screening, decode, turns=7)
    speed = f"{n_samples / ours_s / 1e6:.0f} against {n_samples / bare_s / 1e6:.0f} million samples/s"
    return [("screening a Parquet archive, times pyarrow's bare decode", "≤ 2", f"{times:.2f} ({speed})")]


def bench_detectors(folder: Path) -> list[Row]:
    """Screening with every detector on, voltages and currents, against pyarrow's bare decode of the same columns."""
    paths = parquet_archive(folder, n_files=24, seconds=60)
    n_samples = len(paths) * 6 * round(60 * RATE_HZ)
    rule = {"name": "rule", "variable": "u_half", "above": 1.2, "measured_as": "pu"}
    wanted = {name: {} for name, one in detectors().items() if not one.on_request} | {"limit": {"rules": [rule]}}
    terms = replace(TERMS, detectors=choose(wanted))

    def decode() -> None:
        for path in paths:
            pq.ParquetFile(path).read(use_threads=False)

    def screening() -> None:
        kinds = [event.kind for event in screen([folder], terms=terms, workers=1).events]
        assert kinds == ["sag"] * (len(paths) // 2), kinds

    with threadpool_limits(1):
        times, ours_s, bare_s = ratio(screening, decode, turns=5)
    speed = f"{n_samples / ours_s / 1e6:.0f} against {n_samples / bare_s / 1e6:.0f} million samples/s"
    return [(f"the same with all {len(wanted)} detectors on, six channels", "≤ 2.5", f"{times:.2f} ({speed})")]


def bench_uncertainty(folder: Path) -> list[Row]:
    """Uncertainties against the screening without them, in processor time, on an archive with a sag in two minutes.

    The least of many turns of each counts: a busy machine adds to processor time as well.
    """
    paths = parquet_archive(folder, n_files=24, seconds=60)
    plainly = judging.with_uncertainty
    taken: list[float] = []

    def timed(*words: object, **further: object) -> Event:
        taken.append(min(cpu_seconds_of(lambda: plainly(*words, **further)) for _ in range(15)))
        return plainly(*words, **further)

    with threadpool_limits(1):
        with mock.patch.object(judging, "with_uncertainty", timed):
            found = screen([folder], terms=replace(TERMS, uncertainty="standard"), workers=1).events
        assert len(taken) == len(paths) // 2
        assert all(event.uncertainty for event in found)
        plain_s = min(cpu_seconds_of(lambda: screen([folder], terms=TERMS, workers=1)) for _ in range(15))
    text = f"{100 * sum(taken) / plain_s:.1f} % ({1e3 * statistics.median(taken):.2f} ms an event)"
    return [("uncertainties of every row, of the processor time of screening", "≤ 5 %", text)]


def bench_explain(folder: Path) -> list[Row]:
    """Type, side and cause of an event with currents: processor time of each, the least of many turns."""
    paths = parquet_archive(folder, n_files=24, seconds=60)
    plainly = causes.explain
    taken: list[float] = []

    def timed(*words: Any, **further: Any) -> Explanation:
        taken.append(min(cpu_seconds_of(lambda: plainly(*words, **further)) for _ in range(15)))
        return plainly(*words, **further)

    with threadpool_limits(1), mock.patch.object(causes, "explain", timed):
        found = screen([folder], terms=replace(TERMS, explain=True), workers=1).events
    assert len(taken) == len(found) == len(paths) // 2
    assert {event.cause for event in found} == {"fault"}
    text = f"{1e3 * statistics.median(taken):.1f} ms, the slowest {1e3 * max(taken):.1f}"
    return [("explaining an event of six channels at 12.8 kHz, processor time", "≤ 4 ms", text)]


def bench_workers(folder: Path) -> list[Row]:
    """Two workers against one, on an archive large enough for the start of the workers not to count."""
    parquet_archive(folder, n_files=960, seconds=60, n_currents=0)

    def run(workers: int) -> None:
        result = screen([folder], terms=TERMS, workers=workers)
        assert len(result.events) == 480, len(result.events)

    times, one_s, two_s = ratio(lambda: run(1), lambda: run(2), turns=2)
    return [("two workers, times as fast as one", "≥ 1.8", f"{times:.2f} ({one_s:.2f} s and {two_s:.2f} s)")]


def bench_pandas(folder: Path) -> list[Row]:
    """The script an engineer would write: rolling RMS in pandas, thresholds, first and last crossing."""
    paths = parquet_archive(folder, n_files=80, seconds=60)
    window = round(RATE_HZ / FREQUENCY_HZ)

    def script() -> None:
        n_found = 0
        for path in paths:
            table = pd.read_parquet(path, columns=VOLTAGES)
            volts = table.astype("float64") * (NOMINAL_V * 2**0.5 / 20_000)
            rms = ((volts**2).rolling(window).mean() ** 0.5).iloc[window :: window // 2]
            below = (rms < 0.9 * NOMINAL_V).any(axis=1)
            n_found += int((below & ~below.shift(fill_value=False)).sum())
        assert n_found == len(paths) // 2, n_found

    def screening() -> None:
        assert len(screen([folder], terms=TERMS).events) == len(paths) // 2

    times, script_s, ours_s = ratio(script, screening, turns=3)
    return [
        ("times as fast as a pandas rolling-RMS script", "≥ 10", f"{times:.1f} ({script_s:.2f} s and {ours_s:.3f} s)")
    ]


def bench_survey(folder: Path) -> list[Row]:
    """All quantities of 256 samples a cycle, flicker too: the time it was recorded in over the processor's time."""
    seconds = 660.0
    paths = parquet_archive(folder, n_files=1, seconds=seconds)
    survey = Survey(chosen_quantities(["all"]), nominal_voltage_v=NOMINAL_V, demand_current_a=30.0)
    meters = {
        "harmonics": "harmonic_spectra", "RMS and power": "window_values", "flicker": "_push_flicker",
        "tracking": "track_fundamental", "aggregation": "aggregate",
    }  # fmt: skip

    def measuring() -> None:
        (trend,) = measure_files(paths, survey).trends.values()
        assert "pst_a" in trend.table.column_names
        assert trend.table.num_rows == 2

    with threadpool_limits(1):
        measuring()
        took_s = min(cpu_seconds_of(measuring) for _ in range(3))
        profile = cProfile.Profile(time.process_time)
        profile.runcall(measuring)
    stats = pstats.Stats(profile).stats.items()
    whole_s = max(row[3] for _, row in stats)
    shares = [
        f"{words} {100 * sum(row[3] for (_, _, name), row in stats if name == function) / whole_s:.0f} %"
        for words, function in meters.items()
    ]
    speed = f"{took_s * 1e9 / (6 * seconds * RATE_HZ):.0f} ns a sample, six channels; {', '.join(shares)}"
    return [("a survey of every quantity, times as fast as recorded", "≥ 350", f"{seconds / took_s:.0f} ({speed})")]


def bench_trends(folder: Path) -> list[Row]:
    """A month of 22 variables once a second: written to the store by day, and read back."""
    n, n_series = 30 * 86_400, 22
    rng = np.random.default_rng(0)
    walk = np.cumsum(rng.normal(0, 0.02, (n_series, n)), axis=1).astype(np.float32)
    columns: dict[str, object] = {
        "start": pa.array(1_772_323_200 * 10**9 + np.arange(n) * 10**9, pa.timestamp("ns", tz="UTC")),
        "measured": np.ones(n, np.float32),
        "flag": np.zeros(n, np.bool_),
    }
    for i in range(n_series):
        values = 230 + np.round(walk[i], 2)
        columns |= {f"v{i}": values, f"v{i}_min": values - 0.5, f"v{i}_max": values + 0.5}
    table = pa.table(columns)

    def writing() -> None:
        write_trend(table, folder, site="s", interval_s=1.0)

    write_s = seconds_of(writing)
    read_s = seconds_of(lambda: read_trend(folder, site="s", interval_s=1.0))
    size = sum(path.stat().st_size for path in folder.rglob("*.parquet")) / 2**20
    words = f"{write_s:.1f} s and {read_s:.1f} s, {size:.0f} MiB"
    return [("a month of 22 variables each second with extremes, written and read", "seconds to minutes", words)]


def bench_comtrade(folder: Path) -> list[Row]:
    """Reading COMTRADE BINARY and ASCII against the general-purpose package."""
    import comtrade

    record = capture(1, seconds=20)
    rows = []
    for data, bar in (("BINARY", "≥ 20"), ("ASCII", "-")):
        path = write_comtrade(record, folder / f"{data}.cfg", data=data)

        def ours(path: Path = path) -> None:
            (read,) = read_captures(path)
            assert np.array_equal(read.samples, record.samples)

        def theirs(path: Path = path) -> None:
            other = comtrade.load(str(path), str(path.with_suffix(".dat")))
            assert other.total_samples == record.header.n_samples

        times, _, ours_s = ratio(theirs, ours, turns=3)
        speed = record.samples.size / ours_s / 1e6
        rows.append(
            (
                f"COMTRADE {data}, times as fast as the `comtrade` package",
                bar,
                f"{times:.0f} ({speed:.0f} million samples/s)",
            )
        )
    return rows


def bench_flat(folder: Path) -> list[Row]:
    """Cost of a capture in archives of 100 and of 10,000."""
    costs = {}
    for n in (100, 10_000):
        parquet_archive(folder / str(n), n_files=n, seconds=1)
        times = []
        for _ in range(3):
            start = time.perf_counter()
            result = screen([folder / str(n)], terms=TERMS, workers=1)
            times.append(time.perf_counter() - start)
            assert len(result.events) == n // 2, len(result.events)
        costs[n] = statistics.median(times) / n
    words = f"{costs[10_000] / costs[100]:.2f} ({costs[100] * 1e3:.2f} ms and {costs[10_000] * 1e3:.2f} ms)"
    return [("cost of a capture among 10,000, times that among 100", "flat", words)]


def bench_memory(folder: Path) -> list[Row]:
    """Largest memory of a whole `halfcycle screen` on an archive and on one ten times as large."""
    peaks = {}
    for n in (10, 100):
        parquet_archive(folder / str(n), n_files=n, seconds=60)
        peaks[n] = _peak_bytes(
            [HALFCYCLE, "screen", str(folder / str(n)), "--out", str(folder / "e.parquet"), "--workers", "1"]
        )
    words = f"{peaks[100] / peaks[10]:.2f} ({peaks[10] / 2**20:.0f} MiB and {peaks[100] / 2**20:.0f} MiB)"
    return [("peak memory, an archive ten times as large against one", "flat", words)]


def bench_start(folder: Path) -> list[Row]:
    """Whole-process times of `--help` and of screening one small capture."""
    (path,) = parquet_archive(folder, n_files=1, seconds=2)
    calls = {
        "`halfcycle --help`": ([HALFCYCLE, "--help"], "≤ 0.3 s"),
        "`halfcycle screen` on one capture": (
            [HALFCYCLE, "screen", str(path), "--out", str(folder / "e.parquet")],
            "≤ 1.5 s",
        ),
    }
    rows = []
    for name, (command, bar) in calls.items():
        times = [seconds_of(lambda c=command: subprocess.run(c, check=True, capture_output=True)) for _ in range(7)]
        rows.append((name, bar, f"{statistics.median(times):.2f} s"))
    return rows


def bench_long_files(folder: Path) -> list[Row]:
    """One file of 24 hours against the same samples in 144 files of ten minutes: 6 GB at a time, and an hour."""
    return compared(folder, hours=24.0, kinds=list(FORMATS))


def _peak_bytes(command: list[str]) -> int:
    """Peak resident memory of a command. [bytes]"""
    code = (
        "import resource, subprocess, sys; subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL); "
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    answer = subprocess.run([sys.executable, "-c", code, *command], check=True, capture_output=True, text=True)
    return int(answer.stdout) * 1024


BENCHMARKS = {
    "decode": bench_decode,
    "detectors": bench_detectors,
    "uncertainty": bench_uncertainty,
    "explain": bench_explain,
    "workers": bench_workers,
    "pandas": bench_pandas,
    "comtrade": bench_comtrade,
    "survey": bench_survey,
    "trends": bench_trends,
    "flat": bench_flat,
    "memory": bench_memory,
    "start": bench_start,
    "long_files": bench_long_files,
}


def main() -> None:
    """Run the named benchmarks, or all but that of long files, which takes an hour, and print their rows."""
    names = sys.argv[1:] or [name for name in BENCHMARKS if name != "long_files"]
    print("| what | bar | measured |\n| --- | --- | --- |")
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            for what, bar, measured in BENCHMARKS[name](Path(folder)):
                print(f"| {what} | {bar} | {measured} |", flush=True)


if __name__ == "__main__":
    main()
