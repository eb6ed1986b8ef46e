"""Guides to the hookups: complete, consistent with what they say, and judged right by the wiring check itself."""

from __future__ import annotations

import cmath
import math
import xml.etree.ElementTree as ET

import pytest

from halfcycle.pipeline.report.hookup_guide import CAUTIONS, guide_of, guide_svg, hookup_table
from halfcycle.pipeline.report.phasor_diagram import Phasor
from halfcycle.pipeline.sites.wiring import check_wiring
from halfcycle.pipeline.terms import HOOKUPS, NEUTRAL, Hookup

SVG = "{http://www.w3.org/2000/svg}"
each_hookup = pytest.mark.parametrize("hookup", HOOKUPS.values(), ids=str)


def values(phasors: tuple[Phasor, ...], quantity: str) -> dict[str, complex]:
    return {one.phase: one.value for one in phasors if one.quantity == quantity}


def ahead(one: complex, other: complex) -> float:
    """By how much one phasor leads another. [degrees]"""
    return math.degrees(cmath.phase(one / other))


def test_every_hookup_is_listed_with_its_channels_and_its_nominal_voltage() -> None:
    table = hookup_table()
    assert [row[0] for row in table.rows] == list(HOOKUPS)
    assert all(all(row) for row in table.rows)
    by_name = {row[0]: row for row in table.rows}
    assert by_name["five-wire"][2] == "4 U, 4 I"
    assert by_name["two-element"][2] == "2 U, 2 I"


@each_hookup
def test_a_guide_connects_every_channel_once_and_in_a_safe_order(hookup: Hookup) -> None:
    guide = guide_of(hookup)
    inputs = [row[0] for row in guide.connections.rows]
    assert inputs == [*(f"U{one}" for one in hookup.voltages), *(f"I{one}" for one in hookup.currents)]
    for row in guide.connections.rows:
        if row[0].startswith("I"):
            assert row[1:] == (f"clamp around {row[0][1:]} alone", "arrow to the load")
        else:
            assert row[1] == f"+ lead on {row[0][1]}"
    stages = ("into the recorder", "made safe", "voltage leads", "Close each clamp", "reverse order")
    order = [next(k for k, step in enumerate(guide.steps) if words in step) for words in stages]
    assert order == sorted(order)
    assert ("neutral" in " ".join(guide.steps)) == (not hookup.line_to_line)


@each_hookup
def test_expected_phasors_are_right_wiring_for_the_wiring_check(hookup: Hookup) -> None:
    guide = guide_of(hookup, nominal_v=100.0)
    voltages, currents = values(guide.expected, "voltage"), values(guide.expected, "current")
    assert set(voltages) == set(hookup.voltages) - {NEUTRAL}
    assert set(currents) == set(hookup.currents) - {NEUTRAL}
    assert check_wiring(voltages, currents, hookup=hookup, nominal_v=100.0) == ()
    assert abs(next(iter(voltages.values()))) == pytest.approx(100.0)


def test_what_is_said_of_line_to_line_and_high_leg_phasors_is_what_is_drawn() -> None:
    """Derived: a load's current lags its phase voltage by its angle, and the line-to-line one by 30 degrees more."""
    for name in ("three-wire", "two-element"):
        expected = guide_of(HOOKUPS[name]).expected
        u, i = values(expected, "voltage"), values(expected, "current")
        assert ahead(i["A"], u["AB"]) == pytest.approx(-55.0)  # 30 and 25
        assert ahead(u["BC"], u["AB"]) == pytest.approx(-120.0)
        assert ahead(i["C"], u["AB"]) == pytest.approx(65.0)  # 90 less 25
    u = values(guide_of(HOOKUPS["high-leg"]).expected, "voltage")
    assert abs(u["B"]) / abs(u["A"]) == pytest.approx(3**0.5)
    assert ahead(u["B"], u["A"]) == pytest.approx(-90.0)
    assert u["C"] == pytest.approx(-u["A"])


@each_hookup
def test_the_drawing_holds_inputs_steps_and_cautions(hookup: Hookup) -> None:
    guide = guide_of(hookup)
    root = ET.fromstring(guide_svg(guide))
    words = " ".join(str(element.text) for element in root.iter(f"{SVG}text"))
    for one in (*guide.steps, *CAUTIONS, *guide.look):
        assert one in " ".join(words.split())
    for row in guide.connections.rows:
        assert row[0] in words
    height = float(root.get("height", 0))
    assert max(float(element.get("y", 0)) for element in root.iter(f"{SVG}text")) < height


def test_the_cautions_are_the_usual_ones() -> None:
    said = " ".join(CAUTIONS)
    for words in ("qualified persons only", "local codes", "verify absence of voltage", "protective equipment",
                  "Never open the secondary of a current transformer under load"):  # fmt: skip
        assert words in said
