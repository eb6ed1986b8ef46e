"""The trade's words, each spelled once: quantities, phases, hookups, event kinds, usual frequencies.

Synonyms, noted once: IEC standards say "dip" for sag and "declared input voltage" (Udin) for nominal voltage.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

Quantity = Literal["voltage", "current", "other"]
Side = Literal["downstream", "upstream"]
"""Of the recorder: downstream is the side that the arrows of the current clamps point to, upstream the other."""

LINE_PHASES: Final = ("A", "B", "C")
LINE_TO_LINE_PHASES: Final = ("AB", "BC", "CA")
NEUTRAL: Final = "N"

EVENT_KINDS: Final = (
    "sag",
    "swell",
    "interruption",
    "undervoltage",
    "overvoltage",
    "impulsive_transient",
    "oscillatory_transient",
    "rapid_voltage_change",
    "notching",
    "harmonics",
    "interharmonics",
    "dc_offset",
    "noise",
    "flicker",
    "unbalance",
    "frequency_deviation",
    "inrush",
    "limit",
)

STEADY_KINDS: Final = frozenset(
    {
        "notching", "harmonics", "interharmonics", "dc_offset", "noise", "flicker", "unbalance", "frequency_deviation",
        "limit",
    }
)  # fmt: skip
"""Kinds that may go on for days: they are cut at the edges of what is judged at once, and hold no incident open."""


@dataclass(frozen=True, slots=True)
class Hookup:
    """How the recorder is connected, which voltages are judged for events, and how power is summed.

    Attributes
    ----------
    name : as commands and configurations spell it.
    judged_phases : the voltages judged for events.
    line_to_line : the judged voltages are between phases.
    meaning : in words.
    voltages : the voltage channels that it needs; ``N`` is neutral to earth. Of three line-to-line voltages two do, as
        the third is what is missing to a sum of zero.
    currents : the current channels that power needs.
    elements : (voltage, current) of each element of the wattmeter: P = sum of the means of u*i. ``CB`` is ``BC`` turned
        round; in a line-to-line hookup ``A`` is the voltage to the artificial star point, (UAB - UCA) / 3.
    high_legs : judged phases whose nominal voltage is `HIGH_LEG_RATIO` times that of the others.
    """

    name: str
    judged_phases: tuple[str, ...]
    line_to_line: bool
    meaning: str
    voltages: tuple[str, ...]
    currents: tuple[str, ...]
    elements: tuple[tuple[str, str], ...]
    high_legs: tuple[str, ...] = ()


HIGH_LEG_RATIO: Final = 3**0.5
"""Of the high leg's voltage to neutral to that of the other two: 240 * sqrt(3)/2 over 240/2 (derived)."""

_THREE_ELEMENTS: Final = (("A", "A"), ("B", "B"), ("C", "C"))
_LINES: Final = LINE_TO_LINE_PHASES

HOOKUPS: Final = {
    hookup.name: hookup
    for hookup in (
        Hookup(
            "single-phase", ("A",), False, "one line conductor to neutral", ("A",), ("A",), (("A", "A"),),
        ),
        Hookup(
            "split-phase", ("A", "B"), False, "two line conductors to a centre neutral, 180° apart",
            ("A", "B"), ("A", "B"), (("A", "A"), ("B", "B")),
        ),
        Hookup(
            "four-wire", ("A", "B", "C"), False, "three-phase wye with neutral: phase-to-neutral voltages",
            LINE_PHASES, LINE_PHASES, _THREE_ELEMENTS,
        ),
        Hookup(
            "three-wire", _LINES, True, "three-phase without neutral: line-to-line voltages",
            _LINES, LINE_PHASES, _THREE_ELEMENTS,
        ),
        Hookup(
            "two-element", _LINES, True, "three-phase without neutral: two line-to-line voltages and two currents",
            ("AB", "BC"), ("A", "C"), (("AB", "A"), ("CB", "C")),
        ),
        Hookup(
            "five-wire", ("A", "B", "C"), False, "three-phase wye with neutral and earth, both measured",
            (*LINE_PHASES, NEUTRAL), (*LINE_PHASES, NEUTRAL), _THREE_ELEMENTS,
        ),
        Hookup(
            "high-leg", ("A", "B", "C"), False,
            "delta with the midpoint of CA as neutral: B to neutral is the high leg, √3 times A and C",
            LINE_PHASES, LINE_PHASES, _THREE_ELEMENTS, ("B",),
        ),
    )
}  # fmt: skip

USUAL_FREQUENCIES_HZ: Final = (50.0, 60.0)

_PREFIXES: Final = {"": 1.0, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3}
_PREFIX_WORDS: Final = {"": 1.0, "micro": 1e-6, "milli": 1e-3, "kilo": 1e3, "mega": 1e6}
_VOLT_UNITS: Final = {f"{prefix}v": factor for prefix, factor in _PREFIXES.items()} | {
    prefix + word: factor for prefix, factor in _PREFIX_WORDS.items() for word in ("volt", "volts")
}
_AMPERE_UNITS: Final = {f"{prefix}a": factor for prefix, factor in _PREFIXES.items()} | {
    prefix + word: factor for prefix, factor in _PREFIX_WORDS.items() for word in ("amp", "amps", "ampere", "amperes")
}


def quantity_of_unit(unit: str) -> tuple[Quantity, float]:
    """The quantity that a unit measures, and the factor that takes a value in it to volts or amperes.

    Parameters
    ----------
    unit : str. As written in a file: ``V``, ``kV``, ``A``, ``mA``, ``kilovolt``, ``amperes`` …, blanks, brackets around
        it and capitals ignored. ``MV`` is read as megavolts, not millivolts.

    Returns
    -------
    (quantity, factor). ``("other", 1.0)`` for anything that is neither a voltage nor a current.
    """
    text = unit.strip().strip("[]()").strip()
    if text == "MV":
        return "voltage", 1e6
    key = text.lower()
    if key in _VOLT_UNITS:
        return "voltage", _VOLT_UNITS[key]
    if key in _AMPERE_UNITS:
        return "current", _AMPERE_UNITS[key]
    return "other", 1.0


_PHASE_WORDS: Final = {
    "A": "A", "B": "B", "C": "C", "R": "A", "S": "B", "T": "C", "L1": "A", "L2": "B", "L3": "C",
    "1": "A", "2": "B", "3": "C", "LA": "A", "LB": "B", "LC": "C", "N": "N", "G": "N", "E": "N", "0": "N",
    "AN": "A", "BN": "B", "CN": "C", "AG": "A", "BG": "B", "CG": "C", "AE": "A", "BE": "B", "CE": "C",
    "L1N": "A", "L2N": "B", "L3N": "C", "1N": "A", "2N": "B", "3N": "C", "RN": "A", "SN": "B", "TN": "C",
    "AB": "AB", "BC": "BC", "CA": "CA", "L12": "AB", "L23": "BC", "L31": "CA", "12": "AB", "23": "BC", "31": "CA",
    "L1L2": "AB", "L2L3": "BC", "L3L1": "CA", "RS": "AB", "ST": "BC", "TR": "CA", "LN": "N", "NG": "N", "NE": "N",
}  # fmt: skip
_NAME_END: Final = re.compile(
    r"(?:^|[^A-Z0-9])(?:[UVIE](L?[123ABCRSTNGE](?:L?[123ABCRSTNGE])?)|(L[123](?:L?[123N])?|[ABCRSTN][ABCRSTN]?))$"
)
_RESIDUAL: Final = re.compile(r"(?:^|[^A-Z0-9])3[UVI][0N]|RESID|NEUTRAL")


def phase_of(phase_field: str, name: str = "") -> str:
    """The phase a channel measures, from its phase field or else from its name.

    Parameters
    ----------
    phase_field : str. What the file says of the phase: ``A``, ``L1``, ``R``, ``ab``, ``1-N``, ``V1``, ``I4`` (the
        fourth input is mostly the neutral's: common practice, no source) … or nothing.
    name : str. The channel's name, used where the field says nothing: ``UA``, ``VL1``, ``LINE ULB``, ``I_a``.

    Returns
    -------
    ``A``, ``B``, ``C``, ``N``, ``AB``, ``BC``, ``CA``, or ``""`` where neither says.
    """
    field = re.sub(r"[^A-Z0-9]", "", phase_field.upper())
    if field:
        bare = field[1:] if field[0] in "VUIE" else field
        return _PHASE_WORDS.get(field) or _PHASE_WORDS.get(bare) or (NEUTRAL if bare == "4" != field else "")
    text = name.strip().upper()
    if _RESIDUAL.search(text):
        return NEUTRAL
    text = re.sub(r"([123ABCRSTNGE])[-/][UV]?([123ABCRSTNGE]|L[123])$", r"\1\2", text)
    match = _NAME_END.search(text)
    return _PHASE_WORDS.get(match.group(1) or match.group(2), "") if match else ""


_FITTING_NUMBERS: Final = ({"1"}, {"1", "2"})
_THREE_NUMBERS: Final = {"1", "2", "3"}


def phases_of(phase_fields: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    """The phases of channels of one quantity that belong together.

    Bare numbers in their phase fields are phases only where they fit a set: 1, 2 and 3, perhaps with a neutral called
    0 or 4; 1 and 2; or 1 alone. Other numbers, such as 0 and 1, count something else, and the names decide.

    Parameters
    ----------
    phase_fields, names : of each channel, see `phase_of`.
    """
    fields = [field.strip() for field in phase_fields]
    numbers = {field for field in fields if field.isdecimal() and len(field) == 1}
    with_neutral = numbers >= _THREE_NUMBERS and numbers - _THREE_NUMBERS in ({"0"}, {"4"}, set())
    fit = with_neutral or numbers in _FITTING_NUMBERS
    return tuple(
        NEUTRAL if with_neutral and field == "4" else phase_of("" if field in numbers and not fit else field, name)
        for field, name in zip(fields, names, strict=True)
    )
