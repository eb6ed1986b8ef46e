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
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import DamagedCapture, ReadError
from halfcycle.pipeline.readers import known_headers, read_captures
from halfcycle.pipeline.store.content import stored_capture, stored_size
from halfcycle.pipeline.store.packs import pack_at
from halfcycle.pipeline.writers.parquet import write_pack

path, n_cases, kind = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
n = 300
if kind == "pack":
    channels = tuple(Channel(f"u{i}", "voltage", phase, "V", 0.01) for i, phase in enumerate("ABC"))
    samples = np.arange(3 * n, dtype=np.int16).reshape(3, n)
    captures = [Capture(Header("", i, 1600.0, n, channels, "int16"), samples) for i in range(4)]
    write_pack({one.digest(): one.header for one in captures}, captures, path)
    good = path.read_bytes()
else:
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
    if kind == "pack":
        try:
            for digest in pack_at(path).headers:
                member = path.with_name(f"{digest}.parquet")
                stored_size(member), stored_capture(member, pack_at(path))
        except (DamagedCapture, FileNotFoundError):
            pass
print(n_read, n_refused)
"""


@pytest.mark.long
@pytest.mark.parametrize("kind", ["table", "pack"])
def test_damaged_footers_are_refused_and_end_no_process(tmp_path: Path, kind: str) -> None:
    # SOURCE. The statistics of a damaged footer, asked for, end the process with about one in a thousand of them.
    command = [sys.executable, "-c", _READ, str(tmp_path / "captures-x.parquet"), "4000", kind]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr[-2000:]
    n_read, n_refused = map(int, done.stdout.split())
    assert n_read > (30 if kind == "pack" else 100), "the damage is too great for a test of what is read"
    assert n_refused > 1000
