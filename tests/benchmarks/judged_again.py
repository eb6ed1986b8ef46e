"""Days judged again by another threshold, against decoding their waveforms: processor time, as ratios.

    python tests/benchmarks/judged_again.py --files 48 --rate 12800     eight hours of three voltages, 1.3 GB

The record is one block of ten minutes over and over, 50 Hz with noise, without an event; so nothing can change in it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made_fleet import SITE, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import read_captures

BLOCK_S = 600
VOLTS_A_COUNT = 0.02
SAGS_PU = (0.85, 0.8, 0.88)


def block(rate_hz: float) -> Capture:
    """Ten minutes of three voltages, as 16-bit counts."""
    pattern = made_capture("2026-01-01T00:00:00", seconds=1.0, hookup="four-wire").header
    channels = tuple(replace(one, scale=VOLTS_A_COUNT, offset=0.0) for one in pattern.channels[:3])
    t = np.arange(round(BLOCK_S * rate_hz)) / rate_hz
    rng = np.random.default_rng(1)
    rows = [325.3 * np.sin(2 * np.pi * (50 * t - k / 3)) + rng.normal(0, 0.3, t.size) for k in range(3)]
    samples = np.rint(np.stack(rows) / VOLTS_A_COUNT).astype(np.int16)
    header = replace(pattern, rate_hz=rate_hz, n_samples=t.size, channels=channels, sample_type="int16")
    return Capture(header, samples)


def night(fleet: Fleet) -> float:
    """Processor time of a night. [s]"""
    begun = time.process_time()
    run_nightly(fleet)
    return time.process_time() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=12)
    parser.add_argument("--rate", type=float, default=12800.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        fleet = loaded(write_fleet(root))
        one = block(asked.rate)
        for n in range(asked.files):
            header = replace(one.header, start_ns=one.header.start_ns + n * BLOCK_S * 10**9)
            write_capture(Capture(header, one.samples), fleet.inbox / SITE / f"{n}.parquet")
        run_nightly(fleet, catalogue=False)
        first_s = night(fleet)
        paths = sorted((fleet.store / "waveforms").rglob("*.parquet"))
        ratios = []
        for sag_pu in SAGS_PU:
            begun = time.process_time()
            for path in paths:
                list(read_captures(path))
            decode_s = time.process_time() - begun
            again_s = night(loaded(write_fleet(root, extra=f"[thresholds.ieee-1159]\nsag_pu = {sag_pu}\n")))
            ratios.append(decode_s / again_s)
            print(f"first {first_s:.2f} s, decode {decode_s:.2f} s, judged again at {sag_pu} pu {again_s:.3f} s")
        print(f"decode / judged again {' '.join(f'{one:.1f}' for one in ratios)}, median {median(ratios):.1f}")


if __name__ == "__main__":
    main()
