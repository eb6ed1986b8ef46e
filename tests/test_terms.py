"""The trade's words as files spell them: units and phases."""

from __future__ import annotations

import pytest

from halfcycle.pipeline.terms import phase_of, phases_of, quantity_of_unit

SOURCE = "the SI's prefixes and unit names (SI brochure, from memory); spellings of phases: common practice, no source"


@pytest.mark.parametrize(
    ("unit", "quantity", "factor"),
    [
        ("V", "voltage", 1.0), ("Volt", "voltage", 1.0), ("volts", "voltage", 1.0), ("kilovolt", "voltage", 1e3),
        ("kV", "voltage", 1e3), ("KV", "voltage", 1e3), ("MV", "voltage", 1e6), ("mV", "voltage", 1e-3),
        ("Megavolts", "voltage", 1e6), ("[kV]", "voltage", 1e3), ("(V)", "voltage", 1.0), ("μV", "voltage", 1e-6),
        ("ampere", "current", 1.0), ("Amperes", "current", 1.0), ("amp", "current", 1.0), ("kA", "current", 1e3),
        ("kiloampere", "current", 1e3), ("milliamps", "current", 1e-3), ("µA", "current", 1e-6),
        ("", "other", 1.0), ("pu", "other", 1.0), ("VA", "other", 1.0), ("Hz", "other", 1.0), ("kW", "other", 1.0),
    ],
)  # fmt: skip
def test_units_say_quantity_and_factor(unit: str, quantity: str, factor: float) -> None:
    assert quantity_of_unit(unit) == (quantity, factor)


@pytest.mark.parametrize(
    ("field", "phase"),
    [
        ("V1", "A"), ("V2", "B"), ("V3", "C"), ("V4", "N"), ("I1", "A"), ("I3", "C"), ("I4", "N"), ("u2", "B"),
        ("L1-N", "A"), ("L1", "A"), ("L1-L2", "AB"), ("V12", "AB"), ("UL3", "C"), ("Va", "A"), ("Ibc", "BC"),
        ("VN", "N"), ("E", "N"), ("V5", ""), ("4", ""), ("V", ""), ("A", "A"), ("ca", "CA"),
    ],
)  # fmt: skip
def test_phase_fields_are_understood(field: str, phase: str) -> None:
    assert phase_of(field) == phase


@pytest.mark.parametrize(
    ("fields", "names", "phases"),
    [
        (["1", "2", "3"], ["x", "y", "z"], ("A", "B", "C")),
        (["1", "2", "3", "0"], ["x", "y", "z", "w"], ("A", "B", "C", "N")),
        (["1", "2", "3", "4"], ["x", "y", "z", "w"], ("A", "B", "C", "N")),
        (["1", "2"], ["x", "y"], ("A", "B")),
        (["0", "1"], ["Uab", "Ubc"], ("AB", "BC")),  # numbers that count something else: the names decide
        (["0", "1"], ["x", "y"], ("", "")),
        (["0", "1", "2"], ["VA", "VB", "VC"], ("A", "B", "C")),
        (["4", "5", "6"], ["x", "y", "z"], ("", "", "")),
        (["1", "2", "3", "1", "2", "3"], ["a1"] * 6, ("A", "B", "C") * 2),
        (["A", "1"], ["x", "y"], ("A", "A")),
    ],
)
def test_numbers_are_phases_only_where_they_fit_a_set(
    fields: list[str], names: list[str], phases: tuple[str, ...]
) -> None:
    assert phases_of(fields, names) == phases
