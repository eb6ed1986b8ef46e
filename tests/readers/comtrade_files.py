"""COMTRADE files made from the text of the standard (IEEE C37.111, from memory), not by the project's writer."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.readers import read_captures

RECORDINGS = Path(__file__).parents[3] / "shared" / "data"
BINARY_TYPES = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

# Lines 1 to 14 of the configuration that most tests start from; the tests replace some by number.
LINES = {
    1: "Mill Lane,rec 1,1999",
    2: "5,3A,2D",
    3: "1,UA,A,bus 1,V,0.5,0,0,-32767,32767,1,1,P",
    4: "2,UB,B,bus 1,V,0.25,-3,0,-32767,32767,1,1,P",
    5: "3,IA,A,bay 7,A,0.01,0,0,-32767,32767,1,1,P",
    6: "1,breaker,,,0",
    7: "2,pickup,,,0",
    8: "50",
    9: "1",
    10: "1000,6",
    11: "05/03/2024,23:59:58.500000",
    12: "05/03/2024,23:59:58.503000",
    13: "BINARY",
    14: "1",
}
VALUES = np.array([[10, -20, 30], [1, 2, 3], [-400, 500, -600], [7, 8, 9], [32767, -32767, 0], [5, 6, 7]])


def binary_rows(values: np.ndarray, *, kind: str = "BINARY", n_digital: int = 2, stamps: Any = None) -> bytes:
    n_rows, n_analog = values.shape
    words = (n_digital + 15) // 16
    row = np.dtype([("n", "<u4"), ("t", "<u4"), ("v", BINARY_TYPES[kind], (n_analog,)), ("d", "<u2", (words,))])
    rows = np.zeros(n_rows, row)
    rows["n"] = np.arange(1, n_rows + 1)
    rows["t"] = np.arange(n_rows) * 1000 if stamps is None else stamps
    rows["v"] = values
    rows["d"] = 0xA5C3  # states that would show at once if they were taken for samples
    return rows.tobytes()


def ascii_rows(values: Any, *, n_digital: int = 2, stamps: Any = None) -> bytes:
    states = ["1", "0"] * ((n_digital + 1) // 2)
    stamps = [i * 1000 for i in range(len(values))] if stamps is None else stamps
    rows = [[i + 1, stamps[i], *row, *states[:n_digital]] for i, row in enumerate(values)]
    return "".join(",".join(map(str, row)) + "\r\n" for row in rows).encode()


def put(folder: Path, lines: dict[int, str], data: bytes, *, name: str = "r.cfg", end: str = "\r\n") -> Path:
    path = folder / name
    path.write_bytes("".join(f"{lines[i]}{end}" for i in sorted(lines)).encode())
    (folder / name).with_suffix(".dat").write_bytes(data)
    return path


def read(path: Path, **kwargs: Any) -> list[Capture]:
    return list(read_captures(path, **kwargs))


def read_one(path: Path, **kwargs: Any) -> Capture:
    (capture,) = read(path, **kwargs)
    return capture


def read_lines(folder: Path, changed: dict[int, str], data: bytes | None = None, **kwargs: Any) -> Capture:
    return read_one(put(folder, LINES | changed, binary_rows(VALUES) if data is None else data, **kwargs))


def at(text: str) -> int:
    """Nanoseconds of an ISO time that may have nine decimals."""
    whole, _, fraction = text.partition(".")
    seconds = (datetime.fromisoformat(whole + "+00:00") - EPOCH) // timedelta(seconds=1)
    return seconds * 10**9 + int(fraction.ljust(9, "0") or 0)


def has_note(capture: Capture, words: str) -> bool:
    return any(words in note for note in capture.header.notes)


def variant(folder: Path, revision: int, kind: str, n_digital: int, *, single: bool = False) -> Path:
    rng = np.random.default_rng(n_digital)
    values = rng.integers(-30000, 30000, (50, 3))
    values[values == -1] = 0  # the package takes -1 for a missing value of 1991
    ratio = "" if revision == 1991 else ",110000,110,S"
    lines = [
        f"Mill Lane,rec 1,{revision}" if revision > 1991 else "Mill Lane,rec 1",
        f"{3 + n_digital},3A,{n_digital}D",
    ]
    lines += [
        f"{i},ch {i},A,bus,{unit},0.012345,{i}.5,0,-32767,32767{ratio}" for i, unit in enumerate(("V", "kV", "A"))
    ]
    lines += [f"{i},state {i},0" if revision == 1991 else f"{i},state {i},,,0" for i in range(n_digital)]
    stamp = "03/05/2024" if revision == 1991 else "05/03/2024"
    lines += ["60", "1", "1234.5,50", f"{stamp},10:11:12.250000", f"{stamp},10:11:12.260000", kind]
    lines += [] if revision == 1991 else ["1"]
    lines += ["0,0", "0,0"] if revision == 2013 else []
    data = ascii_rows(values.tolist(), n_digital=n_digital) if kind == "ASCII" else binary_rows(
        values, kind=kind, n_digital=n_digital)  # fmt: skip
    if not single:
        return put(folder, dict(enumerate(lines)), data)
    size = "" if kind == "ASCII" else f": {len(data)}"
    text = "\r\n".join(["--- file type: CFG ---", *lines, "--- file type: INF ---", "", "--- file type: HDR ---",
                        "a note of the crew", f"--- file type: DAT {kind}{size} ---", ""])  # fmt: skip
    path = folder / "r.cff"
    path.write_bytes(text.encode() + data)
    return path


def rates(folder: Path, *table: str) -> list[Capture]:
    n_samples = int(table[-1].split(",")[1])
    lines = LINES | {9: str(len(table)), 10: "\r\n".join(table)}
    return read(put(folder, lines, binary_rows(np.arange(3 * n_samples).reshape(n_samples, 3))))
