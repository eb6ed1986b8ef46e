"""A short run of the fuzzer of readers; the long one is a command, see `fuzz_readers`."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import fuzz_readers
import pytest

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.readers import readers

SOURCE = "the project's own design: a reader raises ReadError and nothing else, in bounded time and memory"


@pytest.mark.long
def test_damaged_files_of_every_format_are_read_or_refused() -> None:
    # SOURCE.
    command = [sys.executable, str(Path(fuzz_readers.__file__)), "--cases", "500", "--seed", "11"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    for name in readers():
        (line,) = [line for line in done.stdout.splitlines() if line.startswith(f"{name}: ")]
        n_read, n_refused = (int(word) for word in line.removeprefix(f"{name}: ").split() if word.isdigit())
        assert n_refused > 0
        assert n_read > 0


@pytest.mark.parametrize(
    ("fault", "words"),
    [(ValueError("odd"), "ValueError: odd"), (MemoryError(), "MemoryError")],
)
def test_the_fuzzer_tells_of_a_reader_that_lets_another_error_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception, words: str
) -> None:
    def broken(path: Path, **_: object) -> Iterator[Capture]:
        raise fault

    goods = [good for good in fuzz_readers.good_files(tmp_path / "good") if good.reader == "delimited text"]
    assert goods
    monkeypatch.setattr(fuzz_readers, "read_captures", broken)
    outcome = fuzz_readers.run_case(goods, seed=1, case=1, folder=tmp_path / "case")
    assert outcome.problem is not None
    assert words in outcome.problem


def test_the_fuzzer_tells_of_a_reader_that_takes_too_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    goods = fuzz_readers.good_files(tmp_path / "good")
    monkeypatch.setattr(fuzz_readers, "MOST_SECONDS", 0.0)
    outcome = fuzz_readers.run_case(goods, seed=1, case=1, folder=tmp_path / "case")
    assert outcome.problem is not None
    assert "took" in outcome.problem


def test_every_reader_has_good_files_to_start_from_and_a_case_is_the_same_each_time(tmp_path: Path) -> None:
    goods = fuzz_readers.good_files(tmp_path / "good")
    assert {good.reader for good in goods} == set(readers())
    outcomes = []
    for folder in ("a", "b"):
        outcomes.append(fuzz_readers.run_case(goods, seed=5, case=3, folder=tmp_path / folder))
        outcomes.append(sorted((p.name, p.read_bytes()) for p in (tmp_path / folder).iterdir()))
    assert outcomes[:2] == outcomes[2:]
