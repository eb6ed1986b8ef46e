"""Dips, swells and interruptions beside a survey's verdicts: in the cells of EN 50160's tables, or why not counted."""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_fleet import halfcycle, made_capture, write_capture

from halfcycle.pipeline.event_tables import counted_events
from halfcycle.pipeline.survey.compliance import load_limit_profile
from halfcycle.pipeline.survey.event_flags import Passed
from halfcycle.pipeline.survey.files import measure_files
from halfcycle.pipeline.survey.measure import Survey
from halfcycle.pipeline.survey.road import measure

SOURCE = "EN 50160:2010, tables of dips and swells, from memory; what was drawn is what must be counted"
PROFILE = load_limit_profile("en-50160-lv")
SAGS = [(1.0, 0.1, 0.85), (3.0, 0.3, 0.5), (5.0, 0.3, 0.6), (7.0, 2.0, 0.2)]


@pytest.fixture
def captures(tmp_path: Path) -> Path:
    capture = made_capture("2026-03-02T06:00:00", seconds=12.0, sags=SAGS, station="Mill", hookup="four-wire")
    write_capture(capture, tmp_path / "in" / "a.parquet")
    return tmp_path / "in"


def test_the_dips_of_waveforms_lie_in_their_cells(captures: Path) -> None:
    found = measure_files([captures], Survey((), nominal_voltage_v=230.0), profile=PROFILE)
    lines = counted_events(found.certified, PROFILE)["Mill", ""].lines
    assert lines[0].startswith("EN 50160 dips: A1 1, C2 2, D4 1 (")
    assert lines[1].startswith("EN 50160 swells: none (")
    assert lines[2:] == ["interruptions: 0 of at most 3 min, 0 longer"]


def test_undeclared_voltages_and_trends_that_were_read_are_not_counted_as_none(captures: Path, tmp_path: Path) -> None:
    inferred = measure_files([captures], Survey(()), profile=PROFILE)
    (line,) = counted_events(inferred.certified, PROFILE)["Mill", ""].lines
    assert line == "dips, swells and interruptions are not counted: no voltage is declared"
    trend = tmp_path / "trend.parquet"
    done = halfcycle("measure", captures, "--out", trend, "--nominal-voltage", "230", "--quantities", "u_rms")
    assert done.returncode == 0, done.stderr
    (line,) = counted_events(measure([trend], Survey(())).certified, PROFILE)["Mill", ""].lines
    assert "a trend holds no events" in line


def test_a_log_of_rms_counts_too_long_interruptions_apart_and_the_command_says_it(tmp_path: Path) -> None:
    volts = np.full(1200, 230.0)
    volts[100:110], volts[300:303], volts[500:740] = 0.0, 290.0, 1.0
    lines = ["time,U L1 min (V),U L1 max (V)"]
    for i, value in enumerate(volts):
        moment = datetime(2026, 3, 2, 6) + timedelta(seconds=i)
        lines.append(f"{moment.isoformat()}Z,{min(value, 229)},{max(value, 231) if value > 100 else value}")
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    done = halfcycle("measure", tmp_path / "log.csv", "--limits", "en-50160-lv", "--nominal-voltage", "230")
    assert done.returncode == 0, done.stderr
    assert "EN 50160 dips: X5 1, 1 outside all cells (" in done.stdout
    assert "EN 50160 swells: S2 1 (" in done.stdout
    assert "interruptions: 1 of at most 3 min, 1 longer" in done.stdout


def test_an_event_that_two_files_have_counts_once_and_a_profile_without_tables_counts_none(captures: Path) -> None:
    (captures / "b.parquet").write_bytes((captures / "a.parquet").read_bytes())
    found = measure_files([captures], Survey((), nominal_voltage_v=230.0), profile=PROFILE)
    assert counted_events(found.certified, PROFILE)["Mill", ""].lines[0].startswith("EN 50160 dips: A1 1, C2 2, D4 1 (")
    trend = found.certified[0].trend
    assert trend.passed is not None
    assert all(isinstance(one, Passed) for one in trend.passed)
    assert counted_events(found.certified, load_limit_profile("iec-61000-2-2")) == {}


def test_the_tables_lie_beside_the_verdicts_with_every_cell_and_the_edges_of_each(
    captures: Path, tmp_path: Path
) -> None:
    verdicts = tmp_path / "verdicts.csv"
    done = halfcycle(
        "measure", captures, "--limits", "en-50160-lv", "--verdicts", verdicts, "--nominal-voltage", "230"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "verdicts.events.csv" in done.stdout
    rows = list(csv.DictReader((tmp_path / "verdicts.events.csv").read_text().splitlines()))
    assert {row["site"] for row in rows} == {"Mill"}
    dips = {row["cell"]: row for row in rows if row["table"] == "EN 50160 dips"}
    assert len(dips) == 5 * 5 + 1  # and those in no cell
    assert {cell for cell, row in dips.items() if int(row["count"])} == {"A1", "C2", "D4"}
    ends = ("magnitude_low_pct", "magnitude_high_pct", "duration_low_ms", "duration_high_ms")
    assert [float(dips["C2"][end]) for end in ends] == [40.0, 70.0, 200.0, 500.0]
    interruptions = [(row["cell"], row["count"]) for row in rows if row["table"] == "interruptions"]
    assert interruptions == [("short", "0"), ("long", "0")]
    unknown = tmp_path / "unknown.csv"
    done = halfcycle("measure", captures, "--limits", "en-50160-lv", "--verdicts", unknown)
    assert done.returncode == 0, done.stderr
    (row,) = csv.DictReader((tmp_path / "unknown.events.csv").read_text().splitlines())
    assert (row["count"], row["reason"]) == ("", "no voltage is declared")
