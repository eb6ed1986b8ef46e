"""Status channels: what changes, and when, as the comtrade package reads their states."""

from __future__ import annotations

import zipfile
from pathlib import Path

import comtrade
import numpy as np
import pytest
from readers.comtrade_files import LINES, RECORDINGS, VALUES, ascii_rows, at, binary_rows, put

from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import status_changes

SOURCE = "the comtrade package 0.2.0, a general reader of the open format"
STATES = np.array([[0, 0, 1, 1, 0, 0], [1, 1, 1, 1, 1, 0]])  # breaker, pickup
START_NS = at("2024-03-05T23:59:58.500000")
EXPECTED = [("breaker", 2, True), ("breaker", 4, False), ("pickup", 5, False)]


def recording(folder: Path, kind: str) -> Path:
    if kind == "ASCII":
        rows = [row.split(",") for row in ascii_rows(VALUES).decode().split()]
        data = "".join(",".join([*row[:5], *map(str, STATES[:, i])]) + "\r\n" for i, row in enumerate(rows)).encode()
    else:
        size = 8 + 3 * (2 if kind == "BINARY" else 4) + 2
        rows = np.frombuffer(binary_rows(VALUES, kind=kind), np.uint8).reshape(-1, size).copy()
        rows[:, -2:] = np.stack([STATES[0] + 2 * STATES[1], np.zeros(6, int)], axis=1)
        data = rows.tobytes()
    return put(folder, LINES | {13: kind}, data)


@pytest.mark.parametrize("kind", ["ASCII", "BINARY", "BINARY32", "FLOAT32"])
def test_changes_have_their_channel_their_time_and_their_state(tmp_path: Path, kind: str) -> None:
    # By hand: rows of 1 kHz are a millisecond apart.
    found = status_changes(recording(tmp_path, kind))
    assert [(one.name, (one.at_ns - START_NS) / 1e6, one.state) for one in found] == EXPECTED


def test_channels_of_a_file_in_a_bundle_are_read_there(tmp_path: Path) -> None:
    path = recording(tmp_path, "BINARY")
    with zipfile.ZipFile(tmp_path / "night.zip", "w") as bundle:
        for name in ("r.cfg", "r.dat"):
            bundle.write(tmp_path / name, name)
    assert status_changes(tmp_path / "night.zip" / "r.cfg") == status_changes(path)


def test_formats_without_status_channels_have_no_changes_and_broken_files_are_refused(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", UA=np.zeros(64), rate_hz=3200.0)
    assert status_changes(tmp_path / "a.npz") == ()
    path = recording(tmp_path, "BINARY")
    path.with_suffix(".dat").write_bytes(b"cut")
    with pytest.raises(ReadError):
        status_changes(path)


@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the measured records are not there")
@pytest.mark.parametrize("name", ["single-pole-reclose", "load-trip-float32", "fault-failed-reclose"])
def test_changes_of_measured_records_are_those_that_the_comtrade_package_reads(name: str) -> None:
    # SOURCE.
    path = RECORDINGS / f"{name}.cfg"
    theirs = comtrade.Comtrade(ignore_warnings=True)
    theirs.load(str(path), str(path.with_suffix(".dat")), encoding="gb18030" if name.startswith("fault") else "utf-8")
    expected = sum(int(np.count_nonzero(np.diff(states))) for states in theirs.status)
    found = status_changes(path)
    assert len(found) == expected > 0
    assert {one.name for one in found} <= {label.strip() for label in theirs.status_channel_ids}
    assert [one.at_ns for one in found] == sorted(one.at_ns for one in found)
