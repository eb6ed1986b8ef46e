"""The loop that both fuzzers run in: what ends a child is told as a failed case, and the cases after it are run."""

from __future__ import annotations

import argparse
import faulthandler
import os
import signal
from pathlib import Path

import forked_cases
import pytest
from forked_cases import Outcome, RunCase, write_case

SOURCE = "the project's own design: signals and aborts count, and cost their own case"


def prepare(arguments: argparse.Namespace, folder: Path) -> RunCase:
    def run(case: int) -> Outcome:
        write_case(folder / "case", [("x.txt", str(case).encode())])
        if case == 3:
            faulthandler.disable()  # of the tests' own, which would tell of it at length
            os.abort()
        if case == 5:
            os.kill(os.getpid(), signal.SIGKILL)
        if case == 7:
            bytearray(1 << 30)
        if case == 8:
            while True:
                pass
        return Outcome("text", case % 2 == 0, "is odd" if case == 9 else None)

    return run


def test_what_ends_a_child_is_told_kept_and_costs_its_case_alone(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    monkeypatch.setattr(forked_cases, "HANGS_S", 0.3)
    words = ["--cases", "12", "--seed", "4", "--keep", str(tmp_path)]
    arguments = forked_cases.parser("x").parse_args(words)
    assert forked_cases.run_cases(arguments, prepare, most_bytes=256 << 20) == 1
    told = capfd.readouterr().out.splitlines()
    assert [line.removeprefix("BAD seed 4 case ") for line in told if line.startswith("BAD")] == [
        "3: ended the process (SIGABRT)", "5: ended the process (SIGKILL)", "7: ended the process (70)",
        "8: ended the process (SIGPROF)", "9: is odd",
    ]  # fmt: skip
    assert "text: 5 read, 3 refused" in told
    assert {path.name: (path / "x.txt").read_text() for path in tmp_path.iterdir()} == {
        f"4-{case}": str(case) for case in (3, 5, 7, 8, 9)
    }
