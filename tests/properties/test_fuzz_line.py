"""A short run of the fuzzer of the whole line, and every file that once failed in it; the long run is a command."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import fuzz_line
import pytest

from halfcycle.pipeline.capture import Capture

SOURCE = "the project's own design: a file is refused with a ReadError or done, in bounded time and memory"
CORPUS = sorted(path for path in fuzz_line.CORPUS.glob("*/r.*") if path.suffix not in (".dat", ".toml"))


@pytest.mark.long
def test_hostile_files_are_refused_or_done_from_reader_to_survey() -> None:
    # SOURCE.
    command = [sys.executable, str(Path(fuzz_line.__file__)), "--cases", "150", "--seed", "12"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    read = [line for line in done.stdout.splitlines() if " read, " in line]
    assert sum(int(line.split(": ")[1].split(" ")[0]) for line in read) > 10, "hardly a file gets past the readers"


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.parent.name)
def test_what_once_failed_is_refused_or_done(path: Path) -> None:
    # SOURCE.
    assert fuzz_line.go_through(path)[1] is None


def test_the_fuzzer_tells_of_a_fault_in_a_reader_and_behind_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(path: Path, **_: object) -> Iterator[Capture]:
        raise IndexError("far")
        yield

    capture = fuzz_line.capture_with_sag()
    monkeypatch.setattr(fuzz_line, "read_captures", broken)
    assert fuzz_line.go_through(tmp_path / "x") == (False, "reader: IndexError: far")
    monkeypatch.setattr(fuzz_line, "read_captures", lambda path: iter([capture]))
    assert fuzz_line.go_through(tmp_path / "x") == (True, None)
    monkeypatch.setattr(fuzz_line, "judge", lambda *_, **__: broken(tmp_path).__next__())
    assert fuzz_line.go_through(tmp_path / "x") == (True, "judge: IndexError: far")
