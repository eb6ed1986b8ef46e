"""Archives that the benchmarks run on: invented captures, written once into a folder."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

RATE_HZ = 12_800.0
FREQUENCY_HZ = 50.0
NOMINAL_V = 230.0
COUNTS_PER_PEAK = 20_000
START_NS = 1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z
GAP_S = 600  # between captures, so that each is a record of its own


def capture(index: int, *, seconds: float, n_currents: int = 3) -> Capture:
    """A three-phase capture; every second one holds a sag of 120 ms to 0.6 pu on phase A, at its middle."""
    rng = np.random.default_rng(index)
    n = round(seconds * RATE_HZ)
    angle = 2 * np.pi * FREQUENCY_HZ * (1 + 2e-4 * rng.standard_normal()) * np.arange(n) / RATE_HZ
    scale = NOMINAL_V * np.sqrt(2) / COUNTS_PER_PEAK
    rows = []
    for phase in range(3):
        wave = np.sin(angle - phase * 2 * np.pi / 3) + 0.03 * np.sin(5 * (angle - phase * 2 * np.pi / 3))
        if phase == 0 and index % 2:
            first = n // 2
            wave[first : first + round(0.12 * RATE_HZ)] *= 0.6
        rows.append(np.round(COUNTS_PER_PEAK * wave + rng.normal(0, 20, n)).astype(np.int16))
    rows += [np.round(3000 * np.sin(angle - k * 2 * np.pi / 3 - 0.4)).astype(np.int16) for k in range(n_currents)]
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", scale) for p in "ABC")
    channels += tuple(Channel(f"I{p}", "current", p, "A", 0.01) for p in "ABC"[:n_currents])
    header = Header(
        station=f"bench-{index % 10}",
        start_ns=START_NS + round((seconds + GAP_S) * 1e9) * index,
        rate_hz=RATE_HZ,
        n_samples=n,
        channels=channels,
        sample_type="int16",
        nominal_frequency_hz=FREQUENCY_HZ,
    )
    return Capture(header, np.stack(rows))


def parquet_archive(folder: Path, *, n_files: int, seconds: float, n_currents: int = 3) -> list[Path]:
    """Captures as Parquet files of the store's layout."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for i in range(n_files):
        path = folder / f"{i:05d}.parquet"
        write_waveform_parquet(capture(i, seconds=seconds, n_currents=n_currents), path)
        paths.append(path)
    return paths
