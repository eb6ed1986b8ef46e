"""The drawing of a hookup and its phasors: well-formed, complete, and to scale."""

from __future__ import annotations

import cmath
import math
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.report.phasor_diagram import Phasor, degrees, phasor_svg, phasor_table, scaled
from halfcycle.pipeline.report.picture import drawable, letters_without_font, write_png
from halfcycle.pipeline.sites.wiring import Diagnosis
from halfcycle.pipeline.sites.wiring_words import WORDS, WiringFinding, words_of
from halfcycle.pipeline.terms import HOOKUPS

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
    (cx, cy), radius = (715.0, 275.0), max(radii)
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


def test_what_has_no_steady_angle_is_no_arrow_but_stands_in_the_list_and_says_so() -> None:
    phasors = [WYE[0], Phasor("current", "A", 3 + 0j, steady=False), Phasor("voltage", "B", 0j)]
    shown = texts(drawn("four-wire", phasors))
    assert shown.count("UA") == 3  # in the hookup, as an arrow, and in the list
    assert shown.count("IA") == shown.count("UB") == 2
    assert "3 A: no steady angle, not drawn" in shown
    assert "0 V: nothing measured, not drawn" in shown


def test_every_current_appears_however_small_it_is() -> None:
    small = [Phasor("current", "B", polar(0.01, -100)), Phasor("current", "C", polar(0.05, 70))]
    root = drawn("four-wire", [*WYE[:4], *small])
    shown = texts(root)
    assert {"IA", "IB*", "IC*"} <= set(shown)
    assert "0.01 A at -100.0° * not to scale, drawn longer" in shown
    tips = {
        complex(float(line.get("x2", 0)) - 715.0, 275.0 - float(line.get("y2", 0)))
        for line in root.iter(f"{SVG}line")
        if (float(line.get("x1", 0)), float(line.get("y1", 0))) == (715.0, 275.0) and line.get("stroke") != "#BBBBBB"
    }
    for phasor in small:
        assert min(abs(tip - 16.0 * phasor.value / abs(phasor.value)) for tip in tips) < 0.2


def test_a_current_that_the_hookup_does_not_need_has_its_clamp_and_its_arrow() -> None:
    root = drawn("four-wire", [*WYE, Phasor("current", "N", polar(3, 40))])
    assert texts(root).count("IN") == 3  # the clamp, the arrow and the list
    assert clamp_of(root, "N") == ("N", "load")


def test_file_and_date_stand_on_the_drawing() -> None:
    assert "mill.cfg, 2026-03-01T12:00:00 UTC" in texts(drawn("four-wire", source="mill.cfg, 2026-03-01T12:00:00 UTC"))


# --- what was found


def finding(fault: str, *phases: str, sure: float = 0.95) -> WiringFinding:
    return words_of(Diagnosis(fault, phases, sure, (("voltage over nominal", 2.0),)))


def clamp_of(root: ET.Element, channel: str) -> tuple[str, str]:
    """(conductor that a clamp is drawn on, to which side its arrow points)."""
    conductors = {
        str(e.text): float(e.get("y", 0)) - 5
        for e in root.iter(f"{SVG}text")
        if e.text in ("A", "B", "C", "N") and float(e.get("x", 0)) == 50.0
    }
    label = next(e for e in root.iter(f"{SVG}text") if e.text == f"I{channel}")
    x, y = float(label.get("x", 0)), float(label.get("y", 0)) + 26
    head = next(
        [float(pair.split(",")[0]) for pair in e.get("points", "").split()]
        for e in root.iter(f"{SVG}polyline")
        if abs(float(e.get("points", "").split()[1].split(",")[1]) - (y - 20)) < 0.1
        and abs(float(e.get("points", "").split()[1].split(",")[0]) - x) < 16
    )
    conductor = min(conductors, key=lambda name: abs(conductors[name] - y))
    return conductor, "load" if head[1] > head[0] else "supply"


def test_a_clamp_found_backwards_is_drawn_backwards_and_marked() -> None:
    root = drawn("four-wire", found=[finding("current_reversed", "B")])
    assert [clamp_of(root, phase) for phase in "ABC"] == [("A", "load"), ("B", "supply"), ("C", "load")]
    assert texts(root).count("backwards") == 1
    doubtful = drawn("four-wire", found=[finding("current_reversed", "B", sure=0.5)])
    assert "backwards?" in texts(doubtful)
    all_of_them = drawn("four-wire", found=[finding("power_reversed", sure=0.5)])
    assert texts(all_of_them).count("backwards?") == 3


@pytest.mark.parametrize(
    ("found", "places"),
    [
        (finding("currents_swapped", "A", "C"), "CBA"),
        (finding("currents_rotated", "B", "C", "A"), "BCA"),
        (finding("currents_rotated", "C", "A", "B"), "CAB"),
        (finding("current_wrong_phase", "A", "B"), "BBC"),
    ],
)
def test_clamps_are_drawn_on_the_conductors_that_they_were_found_on(found: WiringFinding, places: str) -> None:
    root = drawn("four-wire", found=[found])
    assert "".join(clamp_of(root, phase)[0] for phase in "ABC") == places
    for phase, place in zip("ABC", places, strict=True):
        assert (f"on {place}" in texts(root)) or phase == place


@pytest.mark.parametrize("fault", WORDS)
def test_every_fault_can_be_drawn_on_every_hookup_and_a_wrong_lead_is_marked(fault: str) -> None:
    names = {"voltages_rotated": ("B", "C", "A"), "currents_rotated": ("B", "C", "A"), "neutral_missing": ()}
    for hookup in HOOKUPS.values():
        channel = hookup.voltages[0] if fault.startswith("voltage_") else hookup.currents[0]
        pair = ("A", "B") if fault.endswith(("swapped", "wrong_phase")) else (channel,)
        root = drawn(hookup.name, [], found=[finding(fault, *names.get(fault, pair))])
        marked = [e.text for e in root.iter(f"{SVG}text") if e.get("fill") == "#A3004F"]
        unmarked = {"rotation_reversed", "neutral_to_earth", "nominal_mismatch", "hookup_mismatch", "unclear"}
        if len(hookup.currents) == 3:
            assert bool(marked) == (fault not in unmarked), fault


def test_names_from_a_file_cannot_break_the_drawing() -> None:
    title = "a <b> & 'c' \"d\" \x00 \ud800 東"
    root = ET.fromstring(phasor_svg(WYE, hookup=HOOKUPS["four-wire"], title=title, notes=["1 < 2 & 3"]))
    assert any(text.startswith("a <b> & 'c' \"d\" ") for text in texts(root))
    assert "1 < 2 & 3" in texts(root)


def test_phases_have_colours_and_dashes_of_their_own_and_currents_are_thin() -> None:
    root = drawn("four-wire")
    colours = {e.text: e.get("fill") for e in root.iter(f"{SVG}text") if e.text in ("UA", "UB", "UC")}
    assert len(set(colours.values())) == 3
    from_centre = [e for e in root.iter(f"{SVG}line") if float(e.get("x1", 0)) == 715 and e.get("stroke") != "#BBBBBB"]
    dashes = {(e.get("stroke"), e.get("stroke-dasharray")) for e in from_centre}
    assert len(dashes) == len({dash for _, dash in dashes}) == 3  # a colour and dashes of its own for each phase
    assert sorted(e.get("stroke-width", "") for e in from_centre) == ["1.6"] * 3 + ["2.8"] * 3


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
    size = ET.fromstring(svg)
    assert pixels.shape[:2] == (2 * float(size.get("height", 0)), 2 * float(size.get("width", 0)))
    blue = np.abs(pixels[..., :3] - np.array([0x00, 0x72, 0xB2]) / 255).max(axis=2) < 0.02
    assert 200 < blue.sum() < 50_000


def test_letters_that_no_installed_font_has_are_shown_as_what_they_are() -> None:
    pytest.importorskip("matplotlib")
    families, shown = drawable("Möhle станция μ° \U000efff0 $x$")  # not assigned, so that no font has it
    assert shown == "Möhle станция μ° \\U000efff0 $x$"
    assert families[0] == "DejaVu Sans"


def test_a_picture_says_which_letters_it_lacks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    for title, letters in (("Möhle станция", ""), ("Möhle \U000efff0", "\U000efff0")):  # not assigned: no font has it
        svg = phasor_svg(WYE, hookup=HOOKUPS["four-wire"], title=title)
        assert letters_without_font(svg) == letters
        show.draw(svg, tmp_path / "d.png")
        assert (tmp_path / "d.png").read_bytes().startswith(b"\x89PNG")
        assert (f"no installed font has {letters}," in capsys.readouterr().err) == bool(letters)
        show.draw(svg, tmp_path / "d.svg")
        assert (capsys.readouterr().err, title in (tmp_path / "d.svg").read_text(encoding="utf-8")) == ("", True)


def test_names_in_any_script_stand_in_the_svg_as_they_are_and_can_be_made_a_picture(tmp_path: Path) -> None:
    title = "東京 станция Αθήνα القاهرة दिल्ली \U0001f50c"
    svg = phasor_svg(WYE, hookup=HOOKUPS["four-wire"], title=title)
    assert title in texts(ET.fromstring(svg))
    assert "sans-serif" in svg
    pytest.importorskip("matplotlib")
    write_png(svg, tmp_path / "d.png")  # warnings are errors here: a letter without a glyph would be one


def test_straight_paths_and_what_links_hold_are_drawn(tmp_path: Path) -> None:
    # SVG 1.1, 8.3.2 to 8.3.4: M is absolute, h, v and l are relative, z closes; two squares and a line, by hand.
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="100" height="50">'
        '<path d="M10 10h20v20h-20zM60 10 l20 0 0 20 -20 0z" fill="#FF0000" stroke="none"/>'
        '<a href="#x"><rect x="40" y="10" width="10" height="20" fill="#0000FF" stroke="none"/></a>'
        '<path d="M0 45h100" fill="none" stroke="#00FF00" stroke-width="4"/></svg>'
    )
    write_png(svg, tmp_path / "d.png")
    picture = imread(tmp_path / "d.png")
    across, down = picture.shape[1] / 100, picture.shape[0] / 50

    def colour(x: float, y: float) -> list[float]:
        return [round(float(one)) for one in picture[int(y * down), int(x * across), :3]]

    assert [colour(x, 20) for x in (5, 20, 35, 45, 55, 70, 90)] == [
        [1, 1, 1], [1, 0, 0], [1, 1, 1], [0, 0, 1], [1, 1, 1], [1, 0, 0], [1, 1, 1],
    ]  # fmt: skip
    assert [colour(50, y) for y in (38, 45, 49)] == [[1, 1, 1], [0, 1, 0], [1, 1, 1]]
