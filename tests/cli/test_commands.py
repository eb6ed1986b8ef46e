"""The command line as a user meets it: help, wrong usage, exit status, what goes to which stream."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from made_fleet import (
    SITE,
    errors_after_hanging_up,
    halfcycle,
    installed_halfcycle,
    loaded,
    made_capture,
    write_capture,
    write_fleet,
)

COMMANDS = (
    "demo",
    "screen",
    "inspect",
    "export",
    "show",
    "report",
    "indices",
    "incidents",
    "ingest",
    "catalogue",
    "quarantine",
    "verify",
    "nightly",
    "measure",
    "train",
    "benchmark detectors",
)


def listed_commands() -> list[str]:
    lines = halfcycle("--help").stdout.split("Commands:")[1].splitlines()
    return [line.split()[0] for line in lines if line.startswith("  ") and line[2] != " "]


def test_the_help_names_every_command() -> None:
    assert set(listed_commands()) >= {name.split()[0] for name in COMMANDS}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_fits_a_screen_and_shows_an_example(name: str) -> None:
    done = installed_halfcycle(*name.split(), "--help", env={**os.environ, "COLUMNS": "80", "LINES": "24"})
    lines = done.stdout.splitlines()
    assert done.returncode == 0
    assert done.stderr == ""
    assert len(lines) <= 40  # a terminal window; the smallest in use, 24 lines of 80, holds most of them
    assert max(len(line) for line in lines) <= 80
    if name:
        assert f"Example:  halfcycle {name} " in " ".join(done.stdout.split()).replace("Example: ", "Example:  ")


@pytest.mark.slow
@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_explained(name: str) -> None:
    text = halfcycle(*name.split(), "--help", env={**os.environ, "COLUMNS": "200"}).stdout
    assert re.search(r"<\w", text) is None  # no type of Python stands for what to write
    options = text.split("Options:")[1].split("Example:")[0].split("  --")[1:]
    assert len(options) >= 2
    for option in options:
        explanation = option.split("  ", 1)[1] if "  " in option else option.partition("\n")[2]
        assert len(explanation.split()) >= 3, option


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys, halfcycle.pipeline.cli.commands as c; sys.argv = ['halfcycle', 'nightly', '--help']; c.app(); "
        "heavy = ('numpy', 'pandas', 'pyarrow', 'scipy', 'prefect', 'halfcycle.pipeline.config'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_version_is_that_of_the_distribution() -> None:
    from importlib.metadata import version

    assert halfcycle("--version").stdout == f"halfcycle {version('halfcycle')}\n"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["nonsense"], "No such command"),
        (["screen"], "Missing"),
        (["screen", "."], "--out"),
        (["screen", ".", "--out", "e.xlsx"], ".parquet, .csv, .ndjson"),
        (["screen", ".", "--out", "e.csv", "--workers", "0"], "--workers"),
        (["screen", ".", "--out", "e.csv", "--worst", "-1"], "--worst"),
        (["screen", ".", "--out", "e.csv", "--hookup", "delta"], "single-phase, split-phase, four-wire, three-wire"),
        (["screen", ".", "--out", "e.csv", "--nominal-voltage", "-5"], "--nominal-voltage"),
        (["screen", ".", "--out", "e.csv", "--nominal-voltage", "nan"], "nominal-voltage"),
        (["screen", ".", "--out", "e.csv", "--nominal-voltage", "inf"], "nominal-voltage"),
        (["screen", ".", "--out", "e.csv", "--nominal-frequency", "400"], "--nominal-frequency"),
        (["screen", ".", "--out", "e.csv", "--thresholds", "house"], "ieee-1159, iec-61000-4-30"),
        (["screen", ".", "--out", "e.csv", "--thresholds", "nowhere.toml"], "nowhere.toml"),
        (["screen", ".", "--out", "e.csv", "--colour"], "--colour"),
        (["ingest"], "--config"),
        (["ingest", "--config", "nowhere.toml"], "nowhere.toml: No such file"),
        (["nightly", "--config", "{config}", "--serve"], "--cron"),
        (["nightly", "--config", "{config}", "--cron", "0 2 * * *"], "--serve"),
        (["nightly", "--config", "{config}", "--serve", "--cron", "99 2 * * *"], "MINUTE HOUR DAY MONTH WEEKDAY"),
        (["catalogue", "--config", "{config}", "--site", "Nowhere"], "sites are Quarry Road"),
        (["catalogue", "--config", "{config}", "--from", "March"], "--from"),
        (["catalogue", "--config", "{config}", "--from", "2026-03-02", "--to", "2026-03-01"], "--to"),
        (["catalogue", "--config", "{config}", "--out", "e.txt"], ".parquet, .csv, .ndjson"),
    ],
)
@pytest.mark.long
def test_wrong_usage_has_status_2_and_says_what_is_allowed_on_stderr(
    tmp_path: Path, words: list[str], message: str
) -> None:
    config = write_fleet(tmp_path / "fleet")
    done = halfcycle(*(word.format(config=config) for word in words), cwd=tmp_path)
    assert done.returncode == 2, done.stderr
    assert message in " ".join(done.stderr.replace("│", " ").split())
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "e.csv").exists()


def test_a_bare_command_shows_the_help_with_status_2() -> None:
    done = halfcycle()
    assert done.returncode == 2
    assert "Commands:" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("paths", [["nowhere"], ["a.csv", "nowhere"]])
def test_a_folder_that_is_not_there_is_named(tmp_path: Path, paths: list[str]) -> None:
    write_capture(made_capture("2026-03-01T12:00:00"), tmp_path / "a.csv")
    done = halfcycle("screen", *paths, "--out", "e.csv", cwd=tmp_path)
    assert done.returncode in (1, 2)
    assert "nowhere: no such file or folder" in done.stderr
    assert not (tmp_path / "e.csv").exists()


@pytest.mark.long
def test_a_demo_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    done = halfcycle("demo", "--out", tmp_path / "taken")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "taken" in done.stderr.splitlines()[-1]


def test_a_reader_that_hangs_up_is_no_error_with_a_traceback(tmp_path: Path) -> None:
    """As in `halfcycle screen … | head -1`: the pipe is closed while there is more to print."""
    write_capture(made_capture("2026-03-01T12:00:00", sags=[(0.5, 0.2, 0.5)]), tmp_path / "a.csv")
    errors = errors_after_hanging_up("screen", tmp_path / "a.csv", "--out", tmp_path / "e.csv")
    assert "Traceback" not in errors
    assert "Exception" not in errors


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_output_in_any_encoding_shows_what_it_can(tmp_path: Path, encoding: str) -> None:
    capture = made_capture("2026-03-01T12:00:00", sags=[(0.5, 0.2, 0.5)], station="")
    write_capture(capture, tmp_path / "東 Öllwang.csv")
    (tmp_path / os.fsdecode(b"bad \xfc.csv")).write_bytes(b"\x00")
    done = installed_halfcycle(
        "screen", tmp_path, "--out", tmp_path / "out" / "e.csv", "--notes",
        env={**os.environ, "PYTHONIOENCODING": encoding}, encoding=encoding,
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "1 event in 1 capture of 1 file" in done.stdout
    quarantine = (tmp_path / "out" / "e.quarantine.csv").read_bytes().decode("utf-8")
    assert "bad " in quarantine


def test_the_result_goes_to_stdout_and_progress_and_warnings_to_stderr(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet"))
    write_capture(made_capture("2026-03-01T12:00:00", sags=[(0.5, 0.2, 0.5)]), fleet.inbox / SITE / "a.csv")
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    done = halfcycle("ingest", "--config", tmp_path / "fleet" / "fleet.toml")
    assert done.returncode == 3
    assert done.stdout == "files: 1 stored, 0 already stored, 1 quarantined; 1 new capture\n"
    assert "bad.csv" in done.stderr
    assert "no reader recognises the file" in done.stderr
