"""`halfcycle export`: says what was written and how well it reads back, and what was left out."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_fleet import halfcycle, made_capture, write_capture

from halfcycle.pipeline.readers import read_captures

pytestmark = pytest.mark.slow

START = "2026-03-01T12:00:00"


def test_captures_of_a_folder_become_one_file_and_a_bad_one_is_left_out_with_its_reason(tmp_path: Path) -> None:
    for i, name in enumerate(("a.cfg", "b.parquet")):
        write_capture(made_capture(f"2026-03-01T12:0{i}:00", station="S", seed=i), tmp_path / "in" / name)
    (tmp_path / "in" / "bad.parquet").write_bytes(b"PAR1 no more")
    done = halfcycle("export", tmp_path / "in", "--out", tmp_path / "out" / "night.pqd")
    assert done.returncode == 3, done.stderr
    assert "2 captures, samples read back exactly" in done.stdout
    assert "left out: 1 file" in done.stdout
    assert "bad.parquet" in done.stderr
    assert len(list(read_captures(tmp_path / "out" / "night.pqd"))) == 2


def test_a_wrong_ending_or_data_is_wrong_usage(tmp_path: Path) -> None:
    write_capture(made_capture(START), tmp_path / "a.cfg")
    for words in (("--out", "x.doc"), ("--out", "x.cfg", "--data", "HEX"), ("--out", "x.csv", "--revision", "1999")):
        done = halfcycle("export", tmp_path / "a.cfg", *words)
        assert done.returncode == 2, (words, done.stdout, done.stderr)
    assert halfcycle("export", tmp_path / "none.cfg", "--out", tmp_path / "x.csv").returncode == 1
