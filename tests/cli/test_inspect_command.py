"""`halfcycle inspect`: what is printed, drawn and refused."""

from __future__ import annotations

import os
import shutil
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from made_fleet import halfcycle, made_capture, write_capture
from readers.pqdif_bytes import container, file, interval_file, interval_records

START = "2026-03-01T12:00:00"
DATA = Path(__file__).parents[2].parent / "shared" / "data"
measured_captures = pytest.mark.skipif(not DATA.is_dir(), reason="the measured recordings are not here")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["a.cfg", "a.csv", "a.npz", "a.parquet", "a.cff"])
def test_every_format_is_told_in_plain_words(tmp_path: Path, name: str) -> None:
    path = write_capture(made_capture(START, station="REC-1", hookup="four-wire"), tmp_path / name)
    done = halfcycle("inspect", path)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    words = " ".join(done.stdout.split())
    for said in ("REC-1", "2026-03-01T12:00:00", "2 s", "1.6 kHz", "UA voltage A", "four-wire", "frequency: 50.0",
                 "fundamental phasors", "UB 230", "-120.0°", "wiring: no sign of an error"):  # fmt: skip
        assert said in words, said
    assert "caution" not in words


def test_the_diagram_is_a_drawing_beside_the_text(tmp_path: Path) -> None:
    path = write_capture(made_capture(START, hookup="three-wire", volts=400.0), tmp_path / "a.csv")
    out = tmp_path / "deep" / "a.svg"
    done = halfcycle("inspect", path, "--diagram", out)
    assert done.returncode == 0, done.stderr
    assert f"diagram: {out}" in done.stdout
    root = ET.parse(out).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert {"UAB", "UBC", "UCA"} <= {element.text for element in root.iter("{http://www.w3.org/2000/svg}text")}


def test_a_file_without_a_waveform_is_told_in_plain_words(tmp_path: Path) -> None:
    path = tmp_path / "trend.pqd"
    path.write_bytes(interval_file())
    done = halfcycle("inspect", path, "--diagram", tmp_path / "d.svg", "--strict")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [
        f"file:     {path} (PQDIF)",
        "holds no waveform, so there is nothing to judge; it holds:",
        "  - 3 interval observations (RMS) not read as waveforms",
    ]
    assert "no diagram" in done.stderr
    path.write_bytes(file(container(), *interval_records(), checksum=lambda stored: 7))
    done = halfcycle("inspect", path, "--strict")
    assert done.returncode == 1
    assert "needs repair, which strict reading refuses: record checksums are not Adler-32" in done.stderr


def test_a_stated_hookup_and_nominal_voltage_are_used_and_what_does_not_fit_comes_with_cautions(tmp_path: Path) -> None:
    path = write_capture(made_capture(START, hookup="four-wire"), tmp_path / "a.csv")
    done = halfcycle("inspect", path, "--hookup", "three-wire", "--nominal-voltage", "230")
    assert done.returncode == 0, done.stderr
    assert "measuring point: three-wire" in done.stdout
    assert "wiring: voltages do not match the nominal voltage" in done.stdout
    assert "qualified persons only" in done.stdout
    assert "action:   check " in done.stdout


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (
            ["--hookup", "delta"],
            2,
            "single-phase, split-phase, four-wire, three-wire, two-element, five-wire, high-leg",
        ),
        (["--diagram", "a.gif"], 2, ".svg or .png"),
        (["--nominal-voltage", "inf"], 2, "number of volts"),
        (["--nominal-voltage", "-1"], 2, "--nominal-voltage"),
        (["--hookup", "four-wire"], 1, "needs 3 voltages"),
    ],
)
def test_what_is_wrong_is_said_with_its_status(tmp_path: Path, words: list[str], status: int, message: str) -> None:
    path = write_capture(made_capture(START), tmp_path / "a.csv")
    done = halfcycle("inspect", path, *words)
    assert done.returncode == status
    assert message in " ".join(done.stderr.replace("│", " ").split())
    assert done.stdout == ""


def test_a_file_that_cannot_be_read_is_named_with_its_reason_and_status_1(tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_bytes(b"\x00")
    for name in ("bad.csv", "nowhere.csv"):
        done = halfcycle("inspect", tmp_path / name)
        assert done.returncode == 1
        assert name in done.stderr
        assert "Traceback" not in done.stderr
        assert done.stdout == ""


@pytest.mark.slow
@measured_captures
def test_measured_recordings_on_sound_lines_show_no_wrong_wiring() -> None:
    """Recordings of relays in service, whose wiring was commissioned (INDEX.md of the shared data): a cross-check."""
    for name in ("single-pole-reclose", "load-trip-float32", "intermittent-earth-fault", "fault-failed-reclose"):
        done = halfcycle("inspect", DATA / f"{name}.cfg")
        assert done.returncode == 0, done.stderr
        assert "wiring: no sign of an error" in done.stdout, name
        assert not any(line.startswith("wiring:") and "(confidence" in line for line in done.stdout.splitlines()), name


@measured_captures
def test_a_load_that_trips_is_seen_as_it_was_before() -> None:
    """INDEX.md: the load current changes, the voltage does not; most of the record is without load."""
    words = " ".join(halfcycle("inspect", DATA / "load-trip-float32.cfg").stdout.split())
    assert "median over 1 s of steady state" in words
    assert "IA 179.5" in words


@measured_captures
def test_a_file_of_segments_shows_the_one_that_can_be_measured() -> None:
    """INDEX.md: four segments, 3200/50/3200/50 Hz; the 50 Hz ones carry one sample a cycle."""
    done = halfcycle("inspect", DATA / "fault-failed-reclose.cfg")
    assert "4 captures; details below are of the one marked *" in done.stdout
    assert "3 *" in done.stdout
    assert "gb18030" in done.stdout.lower()


@measured_captures
def test_strict_refuses_what_was_put_right(tmp_path: Path) -> None:
    for ending in ("cfg", "dat"):
        shutil.copyfile(DATA / f"intermittent-earth-fault.{ending}", tmp_path / f"r.{ending}")
    done = halfcycle("inspect", tmp_path / "r.cfg", "--strict")
    assert done.returncode == 1
    assert "strict reading refuses" in done.stderr
    assert halfcycle("inspect", tmp_path / "r.cfg").returncode == 0


def test_the_help_fits_a_screen_explains_every_option_and_shows_an_example() -> None:
    done = halfcycle("inspect", "--help", env={**os.environ, "COLUMNS": "80", "LINES": "24"})
    lines = done.stdout.splitlines()
    assert done.returncode == 0
    assert len(lines) <= 40
    assert max(len(line) for line in lines) <= 80
    words = " ".join(done.stdout.split())
    assert "Example: halfcycle inspect feeder.cfg" in words
    for option in ("--hookup", "--nominal-voltage", "--diagram", "--strict"):
        assert option in words
    assert "inspect" in halfcycle("--help").stdout
