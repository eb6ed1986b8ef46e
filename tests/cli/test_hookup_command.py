"""`halfcycle hookup`: what is listed, told, drawn and refused."""

from __future__ import annotations

import os
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from made_fleet import errors_after_hanging_up, halfcycle

from halfcycle.pipeline.terms import HOOKUPS


def test_without_a_name_all_hookups_are_listed() -> None:
    done = halfcycle("hookup")
    assert (done.returncode, done.stderr) == (0, "")
    for name, hookup in HOOKUPS.items():
        (line,) = (line for line in done.stdout.splitlines() if line.strip().startswith(f"{name} "))
        assert hookup.meaning in line
    assert "half of leg to leg" in done.stdout


def test_a_hookup_is_told_and_drawn_before_anybody_goes_out(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "x.svg"
    done = halfcycle("hookup", "four-wire", "--nominal-voltage", "240", "--diagram", out)
    assert (done.returncode, done.stderr) == (0, "")
    words = " ".join(done.stdout.split())
    for said in (
        "UA + lead on A - lead on N", "IC clamp around C alone arrow to the load", "5. Connect the voltage leads",
        "UB 240 V -120°", "qualified persons only", "verify absence of voltage", "Never open the secondary",
        "that side is downstream", f"diagram: {out}",
    ):  # fmt: skip
        assert said in words, said
    texts = {element.text for element in ET.parse(out).getroot().iter("{http://www.w3.org/2000/svg}text")}
    assert {"UA", "UB", "UC", "IA", "IB", "IC", "hookup four-wire"} <= texts


def test_a_picture_is_a_png(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    done = halfcycle("hookup", "high-leg", "--diagram", tmp_path / "x.png")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "x.png").read_bytes().startswith(b"\x89PNG")


def test_the_drawing_is_there_though_who_reads_along_hangs_up(tmp_path: Path) -> None:
    errors = errors_after_hanging_up("hookup", "four-wire", "--diagram", tmp_path / "x.svg")
    assert "Traceback" not in errors
    assert ET.parse(tmp_path / "x.svg").getroot().tag.endswith("svg")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["delta"], "single-phase, split-phase, four-wire, three-wire, two-element, five-wire, high-leg"),
        (["four-wire", "--diagram", "a.gif"], ".svg or .png"),
        (["--diagram", "a.svg"], "name the hookup to draw"),
        (["four-wire", "--nominal-voltage", "inf"], "number of volts"),
    ],
)
def test_what_is_wrong_is_said_with_status_2(words: list[str], message: str) -> None:
    done = halfcycle("hookup", *words)
    assert done.returncode == 2
    assert message in done.stderr
    assert done.stdout == ""


def test_the_help_fits_a_screen_and_shows_an_example() -> None:
    done = halfcycle("hookup", "--help", env={**os.environ, "COLUMNS": "80", "LINES": "24"})
    lines = done.stdout.splitlines()
    assert done.returncode == 0
    assert len(lines) <= 24
    assert max(len(line) for line in lines) <= 80
    assert "Example: halfcycle hookup four-wire" in " ".join(done.stdout.split())
    assert "hookup" in halfcycle("--help").stdout
