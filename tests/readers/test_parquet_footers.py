"""Damaged footers of Parquet files: each in a process that a crash of the library may end, so that it is seen."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SOURCE = "the project's own design: a file that cannot be read is a ReadError, and never the end of the process"

_READ = """
import io, sys
from pathlib import Path
import numpy as np, pyarrow as pa, pyarrow.parquet as pq
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import known_headers, read_captures

path, n_cases = Path(sys.argv[1]), int(sys.argv[2])
n = 300
table = pa.table({"t": np.arange(n) / 1600.0, "u1 (V)": np.arange(n, dtype=np.int16), "u2 (V)": np.arange(n)})
stream = io.BytesIO()
pq.write_table(table, stream)
good = stream.getvalue()
stop = len(good) - 8
first = stop - int.from_bytes(good[-8:-4], "little")
n_read = n_refused = 0
for case in range(n_cases):
    rng = np.random.default_rng([17, case])
    data = bytearray(good)
    for _ in range(rng.choice([1, 2, 5])):
        at, width = int(rng.integers(first, stop)), int(rng.choice([1, 4, 8]))
        data[at : at + width] = [bytes(width), b"\\xff" * width, rng.bytes(width)][rng.integers(3)]
    path.write_bytes(bytes(data))
    try:
        known_headers(path, quantities=("voltage",))
        list(read_captures(path))
        n_read += 1
    except ReadError:
        n_refused += 1
print(n_read, n_refused)
"""


@pytest.mark.long
def test_damaged_footers_are_refused_and_end_no_process(tmp_path: Path) -> None:
    # SOURCE. The statistics of a damaged footer, asked for, end the process with about one in a thousand of them.
    command = [sys.executable, "-c", _READ, str(tmp_path / "x.parquet"), "4000"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr[-2000:]
    n_read, n_refused = map(int, done.stdout.split())
    assert n_read > 100, "the damage is too great for a test of what is read"
    assert n_refused > 1000
