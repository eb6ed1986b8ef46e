"""Pst: the table of IEC 61000-4-15 for both lamps and both frequencies, by `halfcycle measure`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from signals import write_rows
from steady import Finding, measured

TICK_NS = 1_772_409_600_000_000_000  # 2026-03-02T00:00:00Z
SETTLING_S, RATE_HZ = 150.0, 3200.0
# IEC 61000-4-15:2010, Table 5: changes a minute → depth in per cent that gives Pst 1, by lamp and frequency (found).
TABLE_5 = {
    (230, 50): {1: 2.715, 2: 2.191, 7: 1.450, 39: 0.894, 110: 0.722, 1620: 0.407, 4000: 2.343},
    (120, 60): {1: 3.181, 2: 2.564, 7: 1.694, 39: 1.040, 110: 0.844, 1620: 0.548, 4800: 4.837},
    (120, 50): {1: 3.178, 2: 2.561, 7: 1.694, 39: 1.045, 110: 0.844, 1620: 0.545, 4000: 3.426},
    (230, 60): {1: 2.719, 2: 2.194, 7: 1.450, 39: 0.895, 110: 0.723, 1620: 0.409, 4800: 3.263},
}


def findings(folder: Path, *, short: bool) -> Iterator[Finding]:
    """Of each point of the table, and of one point at other depths: Pst goes with the depth."""
    for (lamp, f_hz), rows in list(TABLE_5.items())[: 1 if short else None]:
        part = folder / f"flicker-{lamp}-{f_hz}"
        truth = {}
        for changes, depth in rows.items():
            for times in (1.0,) if changes != 39 else (0.4, 1.0, 4.0):
                if short and (changes != 39 or times != 1.0):
                    continue
                name = f"{lamp}_V_{f_hz}_Hz_{changes}_a_minute_Pst_{times:g}"
                truth[name] = times
                _write(part, name, f_hz=float(f_hz), changes=changes, depth_pct=depth * times)
        out = part.with_suffix(".parquet")
        measured_pst(part, out, lamp)
        for row in pq.read_table(out).to_pylist():
            if row["pst_a"] is not None and row["measured"] > 0.99:
                pst = truth.pop(row["site"])
                error = 100 * (row["pst_a"] / pst - 1)
                limit = "5 % of reading"
                yield Finding("flicker, Pst", "4-30, 5.3; 4-15, Table 5", limit, error, 5.0, "%", row["site"])
        if truth:
            raise SystemExit(f"no Pst of {', '.join(truth)}")


def measured_pst(part: Path, out: Path, lamp: int) -> None:
    """Ten-minute intervals of a folder."""
    options = ["--interval", "600", "--quantities", "pst", "--lamp", str(lamp), "--nominal-voltage", "230"]
    measured(part, out, *options)


def _write(folder: Path, name: str, *, f_hz: float, changes: int, depth_pct: float) -> None:
    t = np.arange(round(RATE_HZ * (SETTLING_S + 600.5))) / RATE_HZ
    square = np.where((t * changes / 120) % 1.0 < 0.5, 1.0, -1.0)
    u = 230 * np.sqrt(2) * np.sin(2 * np.pi * f_hz * t) * (1 + depth_pct / 200 * square)
    write_rows(folder, name, {"UA": u}, rate_hz=RATE_HZ, start_ns=TICK_NS - round(SETTLING_S * 1e9))
