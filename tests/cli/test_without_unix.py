"""The commands of a consultant where the system is not Unix: what it lacks is hidden, as on Windows."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from made_fleet import made_capture, write_capture

# What the standard library's documentation calls "Availability: Unix" and our code once used.
HIDDEN = """
import os, signal, sys, warnings
for name in ("fcntl", "resource", "pwd", "grp"):
    sys.modules[name] = None
for name in ("fork", "forkpty", "link", "pread", "pwrite", "O_DIRECTORY", "getuid", "register_at_fork"):
    vars(os).pop(name, None)
for name in ("setitimer", "SIGPROF", "SIGALRM", "SIGKILL", "ITIMER_REAL", "ITIMER_PROF"):
    vars(signal).pop(name, None)
warnings.filterwarnings("error", category=EncodingWarning, module="halfcycle")
from halfcycle.pipeline.cli import main
main()
"""
_REFUSED_BY_WINDOWS = re.compile(r'[<>:"|?*]|[. ]$')


def run(folder: Path, *words: str) -> str:
    command = [sys.executable, "-X", "warn_default_encoding", "-c", HIDDEN, *words]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, encoding="utf-8", check=False)
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert "Traceback" not in said
    return said


@pytest.mark.long
def test_screening_to_report_without_what_only_unix_has(tmp_path: Path) -> None:
    # One sag to half of the voltage, as it is drawn.
    capture = made_capture("2026-03-02T12:00:00", sags=[(0.5, 0.2, 0.5)])
    (tmp_path / "captures").mkdir()
    write_capture(capture, tmp_path / "captures" / "Größe.csv")
    assert "1 event" in run(tmp_path, "screen", "captures", "--out", "events.csv", "--explain")
    event = (tmp_path / "events.csv").read_text("utf-8").splitlines()[1].split(",")[0]
    run(tmp_path, "inspect", "captures", "--sites", "sites.toml")
    run(tmp_path, "measure", "captures", "--out", "trend.csv", "--interval", "1")
    run(tmp_path, "export", "captures/Größe.csv", "--out", "night.cfg")
    run(tmp_path, "show", event, "--in", "events.csv", "--out", "event.svg", "--samples", "samples.csv")
    run(tmp_path, "report", "events.csv", "--out", "report.html", "--summary", "answer.md")
    names = [path.name for path in tmp_path.rglob("*")]
    assert len(names) > 8
    assert not [name for name in names if _REFUSED_BY_WINDOWS.search(name)]
    for path in tmp_path.glob("*.*"):
        if path.suffix in (".csv", ".toml", ".svg", ".html", ".md", ".json"):
            path.read_bytes().decode("utf-8")


def test_a_store_says_that_it_needs_locks(tmp_path: Path) -> None:
    hidden = HIDDEN.partition("warnings.filter")[0]
    code = f"{hidden}\nfrom pathlib import Path\nfrom halfcycle.pipeline.store.lock import locked\n"
    code += "with locked(Path('store')): pass"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "StoreError: this system has no flock" in done.stderr
