"""Wiring diagnoses in plain words: what it looks like, what it rests on, what to check, and what else it may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.sites.wiring import Diagnosis, near_factor

CAUTIONS: Final = (
    "These findings come from the recording, not from the installation: nothing here shows that a circuit is safe "
    "or dead.",
    "Work on or near live parts is for qualified persons only, under local codes; de-energise where possible.",
    "Never open the secondary of a current transformer under load.",
)


@dataclass(frozen=True, slots=True)
class Words:
    """How a fault is told.

    Attributes
    ----------
    title : with ``{0}``, ``{1}``, ``{2}`` for the channels or leads that it concerns.
    letter : of their names: U, I, or "" where leads are meant.
    check : what to check.
    doubt : what the phasors cannot tell; "" where they can.
    """

    title: str
    letter: str
    check: str
    doubt: str = ""


WORDS: Final = {
    "rotation_reversed": Words(
        "phase rotation is C-B-A", "",
        "check the order of the phases at the connection, and whether the site is meant to rotate this way",
        "without currents, two exchanged voltage leads look the same",
    ),
    "voltages_swapped": Words(
        "voltage leads of {0} are exchanged", "",
        "check the marking of the voltage leads from the connection to the recorder",
    ),
    "voltages_rotated": Words(
        "voltage leads are rotated: A is on the conductor of {0}, B on that of {1}, C on that of {2}", "",
        "check the marking of the voltage leads from the connection to the recorder",
        "current clamps rotated the other way look the same",
    ),
    "voltage_reversed": Words(
        "voltage {0} is reversed", "U",
        "check the polarity of its two leads, or of its voltage transformer",
        "with a single voltage, a reversed current looks the same",
    ),
    "voltage_wrong_phase": Words(
        "voltage {0} is taken from the conductor of {1}", "U", "check which conductor the lead of {0} is on",
    ),
    "voltage_ratio": Words(
        "voltage {0} has the wrong ratio", "U",
        "check the transformer ratio and the input range set for it, and the fuse and tap of its transformer",
    ),
    "voltage_missing": Words(
        "voltage {0} is missing", "U",
        "check its lead, its clip and its fuse, and whether that phase is energised",
    ),
    "neutral_missing": Words(
        "the star point floats: the neutral lead appears to be missing", "",
        "check the neutral lead and its terminal, and whether the neutral of the site is intact",
        "in a network with an unearthed star point, an earth fault looks the same",
    ),
    "neutral_to_earth": Words(
        "the neutral has a voltage to earth", "",
        "check the neutral and earth leads, and the site's bond between neutral and earth",
        "a network with an insulated or impedance-earthed star point may be like this by design",
    ),
    "currents_swapped": Words(
        "current clamps of {0} are exchanged", "", "check which conductor each current clamp is on",
    ),
    "currents_rotated": Words(
        "current clamps are rotated: A is on the conductor of {0}, B on that of {1}, C on that of {2}", "",
        "check which conductor each current clamp is on",
        "voltage leads rotated the other way look the same",
    ),
    "current_reversed": Words(
        "current clamp {0} is backwards", "I",
        "check that its arrow points to the load, and its polarity at the recorder",
        "reverse power on that phase alone looks the same",
    ),
    "current_wrong_phase": Words(
        "current clamp {0} is on the conductor of {1}", "I", "check which conductor the clamp is on",
    ),
    "current_ratio": Words(
        "current {0} has the wrong ratio", "I",
        "check the ratio and range set for its clamp, and the number of turns through it",
        "a load that is much larger or smaller on that phase looks the same",
    ),
    "current_missing": Words(
        "current {0} is missing", "I", "check that its clamp is closed, plugged in and switched on",
        "a phase without load looks the same",
    ),
    "power_reversed": Words(
        "power flows towards the source on every phase", "",
        "check whether the site generates; if not, check the arrows of all current clamps",
        "export, all clamps backwards, and on some hookups exchanged leads look the same",
    ),
    "nominal_mismatch": Words(
        "voltages do not match the nominal voltage", "",
        "check the nominal voltage, the hookup and the transformer ratio that were given",
    ),
    "hookup_mismatch": Words(
        "voltages do not match this hookup", "", "check which hookup the site has, and give it with --hookup",
    ),
    "unclear": Words(
        "voltages and currents match no usual connection", "",
        "check each lead and clamp in turn; there may be several errors, or a disturbance throughout the recording",
    ),
}  # fmt: skip
"""Every fault that a diagnosis may name."""


@dataclass(frozen=True, slots=True)
class WiringFinding:
    """A diagnosis for people.

    Attributes
    ----------
    what : what it looks like.
    sure : 0 to 1.
    evidence : the numbers, in words.
    check : what to check; never work to be done on live parts.
    doubt : what else it may be; "" where nothing looks the same.
    fault, phases : of the diagnosis.
    """

    what: str
    sure: float
    evidence: str
    check: str
    doubt: str
    fault: str = ""
    phases: tuple[str, ...] = ()


def words_of(diagnosis: Diagnosis) -> WiringFinding:
    """A diagnosis in plain words."""
    words = WORDS[diagnosis.fault]
    names = _names(words, diagnosis.fault, diagnosis.phases)
    what = title_of(diagnosis.fault, diagnosis.phases) + (f" but like {diagnosis.like}" if diagnosis.like else "")
    others = list(dict.fromkeys(title_of(other.kind, other.phases) for other in diagnosis.alternatives))
    doubts = [words.doubt, *([f"equally consistent with the data: {'; '.join(others)}"] if others else [])]
    numbers = [_number(name, value) for name, value in diagnosis.evidence]
    if diagnosis.fault == "nominal_mismatch":
        numbers += [text for text in [near_factor(diagnosis.evidence[0][1])] if text]
    return WiringFinding(
        what,
        diagnosis.sure,
        ", ".join(numbers),
        words.check.format(*names, "", "", ""),
        "; ".join(d for d in doubts if d),
        diagnosis.fault,
        diagnosis.phases,
    )


def title_of(kind: str, phases: tuple[str, ...]) -> str:
    """A fault's title with the channels or leads that it concerns."""
    words = WORDS[kind]
    return words.title.format(*_names(words, kind, phases), "", "", "")


def _names(words: Words, fault: str, phases: tuple[str, ...]) -> list[str]:
    if fault.endswith("swapped"):
        return [" and ".join(phases)]
    if words.letter == "U" and fault == "voltage_missing" and phases and phases[0] in "ABC":
        return [f"U{phases[0]} (or its lead)"]
    if fault.endswith("wrong_phase"):  # the channel, and the conductor that it is on
        return [words.letter + phases[0], *phases[1:]]
    return [words.letter + phase for phase in phases]


def _number(name: str, value: float) -> str:
    what, _, unit = name.rpartition(" ")
    if unit == "deg":
        return f"{what} {value:.0f}°"
    if unit in ("V", "A", "pu"):
        return f"{what} {value:.4g} {unit}"
    return f"{name} {value:.3g}"
