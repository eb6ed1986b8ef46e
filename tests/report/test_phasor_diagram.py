"""The drawing of a hookup and its phasors: well-formed, complete, and to scale."""

from __future__ import annotations

import cmath
import math
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from pipeline.report.phasor_diagram import Phasor, degrees, phasor_svg, phasor_table, scaled
from pipeline.report.picture import write_png
from pipeline.terms import HOOKUPS

SVG = "{http://www.w3.org/2000/svg}"


def polar(size: float, angle: float) -> complex:
    return cmath.rect(size, math.radians(angle))


WYE = [
    *(Phasor("voltage", phase, polar(230, -120 * k)) for k, phase in enumerate("ABC")),
    *(Phasor("current", phase, polar(10, -120 * k - 30)) for k, phase in enumerate("ABC")),
]


def texts(root: ET.Element) -> list[str]:
    return [str(element.text) for element in root.iter(f"{SVG}text")]


def drawn(hookup: str, phasors: list[Phasor] = WYE, **more: object) -> ET.Element:
    return ET.fromstring(phasor_svg(phasors, hookup=HOOKUPS[hookup], title="Mill Lane", **more))  # type: ignore[arg-type]


@pytest.mark.parametrize("hookup", HOOKUPS)
def test_the_drawing_names_every_conductor_and_every_channel_that_the_hookup_needs(hookup: str) -> None:
    shown = texts(drawn(hookup, []))
    needs = HOOKUPS[hookup]
    assert {f"U{phase}" for phase in needs.voltages} <= set(shown)
    assert {f"I{phase}" for phase in needs.currents} <= set(shown)
    conductors = {letter for phase in needs.judged_phases for letter in phase}
    assert conductors <= set(shown)
    assert ("N" in shown) == (not needs.line_to_line)
    assert ("E" in shown) == (hookup == "five-wire")
    assert ("high leg" in shown) == (hookup == "high-leg")


def test_every_arrow_has_its_phasors_angle_and_length() -> None:
    """Derived: the longest voltage reaches the circle; an angle of 0 is to the right, and 90 degrees up."""
    root = drawn("four-wire")
    circle = next(root.iter(f"{SVG}circle"))
    radii = [float(element.get("r", 0)) for element in root.iter(f"{SVG}circle")]
    (cx, cy), radius = (655.0, 245.0), max(radii)
    assert circle is not None
    tips = {
        complex(round((float(line.get("x2", 0)) - cx) / radius, 2), round((cy - float(line.get("y2", 0))) / radius, 2))
        for line in root.iter(f"{SVG}line")
        if (float(line.get("x1", 0)), float(line.get("y1", 0))) == (cx, cy) and line.get("stroke") != "#BBBBBB"
    }
    for phasor in WYE:
        size = 1.0 if phasor.quantity == "voltage" else 0.62
        expected = size * phasor.value / abs(phasor.value)
        assert min(abs(tip - expected) for tip in tips) < 0.01, phasor
    assert len(tips) == 6


def test_what_has_no_steady_angle_is_not_drawn() -> None:
    phasors = [WYE[0], Phasor("current", "A", 3 + 0j, steady=False), Phasor("voltage", "B", 0j)]
    shown = texts(drawn("four-wire", phasors))
    assert shown.count("UA") == 2  # in the hookup, and as an arrow
    assert shown.count("IA") == shown.count("UB") == 1


def test_names_from_a_file_cannot_break_the_drawing() -> None:
    title = "a <b> & 'c' \"d\" \x00 \ud800 東"
    root = ET.fromstring(phasor_svg(WYE, hookup=HOOKUPS["four-wire"], title=title, notes=["1 < 2 & 3"]))
    assert any(text.startswith("a <b> & 'c' \"d\" ") for text in texts(root))
    assert "1 < 2 & 3" in texts(root)


def test_phases_have_colours_of_their_own_and_currents_another_line() -> None:
    root = drawn("four-wire")
    colours = {e.text: e.get("fill") for e in root.iter(f"{SVG}text") if e.text in ("UA", "UB", "UC")}
    assert len(set(colours.values())) == 3
    dashed = [line for line in root.iter(f"{SVG}line") if line.get("stroke-dasharray") == "7 4"]
    assert len(dashed) == 3


def test_the_table_has_sizes_angles_and_how_far_currents_lag() -> None:
    table = phasor_table(WYE, title="", nominal_v=230.0)
    assert table.heads == ("phasor", "RMS", "pu", "angle", "current lags by")
    assert table.rows[1] == ("UB", "230 V", "1.000", "-120.0°", "")
    assert table.rows[5] == ("IC", "10 A", "", "90.0°", "30.0°")
    plain = phasor_table([Phasor("voltage", "A", 5 + 0j), Phasor("voltage", "B", 1j, steady=False)], title="")
    assert plain.heads == ("phasor", "RMS", "angle")
    assert plain.rows[1][-1] == "no steady angle"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (136_460.0, "V", "136.46 kV"),
        (-2.5e6, "W", "-2.5 MW"),
        (999.0, "A", "999 A"),
        (5e4, "°C", "50000 °C"),
        (3, "", "3"),
    ],
)
def test_values_are_written_with_the_prefix_that_reads_best(value: float, unit: str, text: str) -> None:
    assert scaled(value, unit) == text


def test_an_angle_is_never_minus_180_or_minus_0() -> None:
    assert degrees(complex(-1.0, -0.0)) == 180.0
    assert math.copysign(1.0, degrees(complex(1.0, -0.0))) == 1.0


def test_the_drawing_as_a_picture_has_its_size_and_its_colours(tmp_path: Path) -> None:
    matplotlib_image = pytest.importorskip("matplotlib.image")
    phasors = [Phasor("voltage", "A", 230.0 + 0j), Phasor("current", "A", 5.0 - 2.0j)]
    svg = phasor_svg(phasors, hookup=HOOKUPS["single-phase"], title="Mill Lane")
    write_png(svg, tmp_path / "d.png")
    pixels = matplotlib_image.imread(tmp_path / "d.png")
    assert pixels.shape[:2] == (2 * 470, 2 * 900)
    blue = np.abs(pixels[..., :3] - np.array([0x00, 0x72, 0xB2]) / 255).max(axis=2) < 0.02
    assert 200 < blue.sum() < 50_000
