"""Small COMTRADE captures screened, against a script with pandas: processor time of a capture of 1.8 s, six channels.

    python tests/benchmarks/small_captures.py --captures 200 --turns 5

The two alternate, one thread each; the median of the turns' ratios is printed, and the least time of each.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from archives import FREQUENCY_HZ, NOMINAL_V, RATE_HZ, capture
from threadpoolctl import threadpool_limits

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.writers.comtrade import write_comtrade

SECONDS = 1.8
TERMS = Terms(Thresholds(), NOMINAL_V, FREQUENCY_HZ, None)


def script(folder: Path) -> int:
    """What an engineer would write: both files of each capture, rolling RMS in pandas, first crossings; how many."""
    n_found, window = 0, round(RATE_HZ / FREQUENCY_HZ)
    for path in sorted(folder.glob("*.cfg")):
        lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        n_analog, n_digital = int(lines[1][1].rstrip("A")), int(lines[1][2].rstrip("D"))
        channels = lines[2 : 2 + n_analog]
        values = [(f"c{i}", "<i2") for i in range(n_analog)]
        states = [(f"d{i}", "<u2") for i in range(-(-n_digital // 16))]
        rows = np.fromfile(path.with_suffix(".dat"), np.dtype([("n", "<u4"), ("t", "<u4"), *values, *states]))
        volts = pd.DataFrame({one[1]: rows[f"c{i}"] * float(one[5]) + float(one[6]) for i, one in enumerate(channels)})
        rms = ((volts.iloc[:, :3] ** 2).rolling(window).mean() ** 0.5).iloc[window :: window // 2]
        below = (rms < 0.9 * NOMINAL_V).any(axis=1)
        n_found += int((below & ~below.shift(fill_value=False)).sum())
    return n_found


def cost_ms(work: Callable[[], int], n: int) -> float:
    """Processor time a capture of a way to find the sags, of which every second capture has one. [ms]"""
    begun = time.process_time()
    assert work() == n // 2
    return 1000 * (time.process_time() - begun) / n


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=200)
    parser.add_argument("--turns", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, threadpool_limits(1):
        folder, n = Path(name), asked.captures
        for i in range(n):
            write_comtrade(capture(i, seconds=SECONDS), folder / f"{i:05d}.cfg", data="BINARY")

        def ours() -> int:
            return len(screen([folder], terms=TERMS, workers=1).events)

        ours()
        turns = [(cost_ms(ours, n), cost_ms(lambda: script(folder), n)) for _ in range(asked.turns)]
    times = statistics.median(theirs / mine for mine, theirs in turns)
    mine, theirs = (min(one) for one in zip(*turns, strict=True))
    print(f"{mine:.2f} ms a capture, the script {theirs:.2f} ms; {times:.2f} times as fast as the script")


if __name__ == "__main__":
    main()
