"""Which channel of a three-phase set is which phase: as stated, else by rotation against the first set of voltages.

Rotation tells which phase follows which, but not which one is called A: where nothing states it, the first channel is.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.sites.channel_sets import ThreePhaseSet
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, Quantity

C128 = npt.NDArray[np.complex128]

_SAME_PHASE_DEG: Final = 15.0  # apart: voltages of one conductor, seen at two points
_LAGS_DEG: Final = (-30.0, 60.0)  # of a current that flows as the clamps' arrows point; common practice, no source
_LAGS_BACK_DEG: Final = (150.0, 240.0)  # and of one that flows back
_OFF_RANGE: Final = 3.0  # what it costs a reading to lie in neither,
_FLOWS_BACK: Final = 1.5  # in the second one,
_OTHER_ORDER: Final = 5.0  # and not to run as the channels of the voltages do
_ZERO_SEQUENCE: Final = 0.02  # of the level: more of it and voltages are not measured between phases


@dataclass(frozen=True, slots=True)
class SetPhases:
    """Phases of a set's members.

    Attributes
    ----------
    phases : of each member.
    confidences : 0 to 1, of each. Where no one can tell which conductor is called A, the choice itself costs nothing.
    line_to_line : None: cannot tell, or no voltages.
    evidence : in words.
    """

    phases: tuple[str, str, str]
    confidences: tuple[float, float, float]
    line_to_line: bool | None
    evidence: tuple[str, ...]


def phases_of_sets(
    phasors: C128,
    sets: Sequence[ThreePhaseSet],
    *,
    channels: Sequence[Channel],
    quantities: Sequence[Quantity | None],
    lines: Mapping[int, tuple[int, int]],
) -> list[SetPhases]:
    """Phases of all sets.

    Parameters
    ----------
    phasors : complex128, shape (n_channels,). Of one steady state.
    sets : in the recording's order.
    channels : what the recording states of phases.
    quantities : of the sets.
    lines : sets that are the differences of another one, see `line_to_line_of`.

    Returns
    -------
    SetPhases of each, in the same order.

    Source: derived; the range of load angles is common practice, no source.
    """
    found: dict[int, SetPhases] = {}
    stars = {p for p, _ in lines.values()}
    for n, one in enumerate(sets):
        said = [channels[i].phase for i in one.members]
        if any(said):
            found[n] = _stated(said, one)
    order = sorted(range(len(sets)), key=lambda n: (n in lines, quantities[n] != "voltage"))
    reference = next((n for n in order if n in found and quantities[n] == "voltage"), None)
    for n in order:
        if n in found:
            continue
        if n in lines:
            found[n] = _differences(found[lines[n][0]], lines[n][1])
        elif reference is None:
            own = _first(sets[n], is_voltage=quantities[n] == "voltage", is_star=n in stars, phasors=phasors)
            found[n] = own if not found else _alone(own)
            reference = n if quantities[n] == "voltage" else None
        elif quantities[n] is None:
            found[n] = _alone(_first(sets[n], is_voltage=False, is_star=False, phasors=phasors))
        else:
            star = _star(phasors, sets[reference], found[reference])
            level = _level(phasors, sets[n])
            if quantities[n] == "voltage":
                found[n] = _beside(star, level, sets[n], found[reference])
            else:
                same_order = sets[reference].backwards == sets[n].backwards
                named = _current(star, level, found[reference], in_order=same_order)
                found[n] = _unsure(named) if "scattered" in (sets[n].layout, sets[reference].layout) else named
    return [found[n] for n in range(len(sets))]


def _level(phasors: C128, one: ThreePhaseSet) -> list[complex]:
    return [complex(phasors[i]) * (-1 if i == one.turned_round else 1) for i in one.members]


def _star(phasors: C128, one: ThreePhaseSet, named: SetPhases) -> dict[str, complex]:
    """Phasors to neutral by letter; of line-to-line voltages those that go with them: 30 degrees behind."""
    turn = cmath.rect(1.0, -math.pi / 6) if named.line_to_line else 1 + 0j
    return {phase[0]: value * turn for phase, value in zip(named.phases, _level(phasors, one), strict=True) if phase}


def _rotated(letters: Sequence[str], by: int) -> tuple[str, str, str]:
    return letters[by % 3], letters[(by + 1) % 3], letters[(by + 2) % 3]


def _stated(said: Sequence[str], one: ThreePhaseSet) -> SetPhases:
    """Phases as the recording states them, the missing ones by rotation."""
    letters = LINE_TO_LINE_PHASES if any(phase in LINE_TO_LINE_PHASES for phase in said) else LINE_PHASES
    pairs: bool | None = letters is LINE_TO_LINE_PHASES
    for by in range(3):
        ways = ((_rotated(letters, by), True), (tuple(reversed(_rotated(letters, by))), False))
        for way, forwards in ways:
            if all(phase in ("", own) for phase, own in zip(said, way, strict=True)):
                missing = [phase == "" for phase in said]
                if not forwards and sum(missing) > 1:
                    continue
                words = ("phases as stated, confirmed by rotation",) if forwards else (
                    "phases as stated, but rotation is reversed: two are exchanged, or the system rotates A-C-B",
                )  # fmt: skip
                sure = [(0.85 if gap else 0.98) if forwards else 0.6 for gap in missing]
                return SetPhases((way[0], way[1], way[2]), (sure[0], sure[1], sure[2]), pairs, words)
    words = (f"phases are stated as {', '.join(phase or 'none' for phase in said)}, which do not form a set",)
    return SetPhases((said[0], said[1], said[2]), (0.3, 0.3, 0.3), None, words)


def _first(one: ThreePhaseSet, *, is_voltage: bool, is_star: bool, phasors: C128) -> SetPhases:
    """The set by which all others are named: its first channel is A."""
    backwards = "; rotation is reversed in channel order: two leads may be exchanged" * one.backwards
    words = [f"the first channel is taken as A, the others by rotation{backwards}"]
    line_to_line: bool | None = False if is_star else None
    if is_voltage and not is_star:
        values = _level(phasors, one)
        zero = abs(sum(values)) / sum(abs(value) for value in values)
        if zero > _ZERO_SEQUENCE:
            line_to_line = False
            words.append(f"their sum is {100 * zero:.1f} % of their level: phase to neutral, not line to line")
        else:
            words.append("they add up to zero: phase to neutral and line to line cannot be distinguished")
    sure = 0.6 if one.backwards else 0.92
    return SetPhases(("A", "B", "C"), (sure, sure, sure), line_to_line, tuple(words))


def _alone(own: SetPhases) -> SetPhases:
    """The phases of a set that nothing ties to the one that is named already."""
    words = (*own.evidence, "whether its phase A is that of the other sets is unknown")
    return SetPhases(own.phases, (0.5, 0.5, 0.5), own.line_to_line, words)


def _unsure(named: SetPhases) -> SetPhases:
    """Phases that rest on the order of channels which lie in none."""
    words = (*named.evidence, "the channel order does not favour any of these")
    return SetPhases(named.phases, (0.7, 0.7, 0.7), named.line_to_line, words)


def _differences(star: SetPhases, turned: int) -> SetPhases:
    """Line-to-line voltages whose phases are known from those of another set."""
    names = [star.phases[(turned + k) % 3] + star.phases[(turned + k + 1) % 3] for k in range(3)]
    if not set(names) <= set(LINE_TO_LINE_PHASES):
        return SetPhases(("", "", ""), (0.0, 0.0, 0.0), True, ("line to line; phases unknown",))
    words = ("the differences of the other set's channels, sample by sample",)
    sure = min(*star.confidences, 0.97)
    return SetPhases((names[0], names[1], names[2]), (sure, sure, sure), True, words)


def _beside(star: Mapping[str, complex], own: Sequence[complex], one: ThreePhaseSet, reference: SetPhases) -> SetPhases:
    """Another set of voltages: its phases are those of the reference that it stands with."""
    letters = sorted(star)
    by_angle = [(_apart_deg(own[0], star[letter]), letter) for letter in letters]
    apart, first = min(by_angle, key=lambda item: abs(item[0]))
    phases = _rotated(LINE_PHASES, LINE_PHASES.index(first))
    pairs = reference.line_to_line
    if abs(apart) <= _SAME_PHASE_DEG:
        words = (f"agrees with the first set of voltages within {abs(apart):.1f}°",)
        if pairs:
            return SetPhases(_first(one, is_voltage=False, is_star=False, phasors=np.zeros(0, np.complex128)).phases,
                             (0.5, 0.5, 0.5), None, words)  # fmt: skip
        sure = min(*reference.confidences, 0.95)
        return SetPhases(phases, (sure, sure, sure), pairs, words)
    words = (f"{apart:+.0f}° from the first set of voltages: line to line, or beyond a transformer; cannot tell",)
    return SetPhases(("A", "B", "C"), (0.5, 0.5, 0.5), None, words)


def _apart_deg(one: complex, other: complex) -> float:
    return math.degrees(cmath.phase(one / other)) if other else 180.0


def _current(star: Mapping[str, complex], own: Sequence[complex], reference: SetPhases, *, in_order: bool) -> SetPhases:
    """Currents: the phases for which their load angle is usual, and that run as the channels of the voltages do."""
    ways = []
    for by in range(3):
        phases = _rotated(LINE_PHASES, by)
        lag = -_apart_deg(own[0], star[phases[0]]) if phases[0] in star else 0.0
        cost = 0.0 if by == 0 and in_order else _OTHER_ORDER
        ways.append((cost + _lag_cost(lag), phases, lag))
    ways.sort(key=lambda way: way[0])
    weights = [math.exp(-cost) for cost, _, _ in ways]
    sure = min(weights[0] / sum(weights), 0.97, *(max(one, 0.9) for one in reference.confidences))
    if reference.line_to_line is None:
        sure = min(sure, 0.92)
    _, phases, lag = ways[0]
    other = f", {ways[1][2]:+.0f}° if they were {', '.join(ways[1][1])}"
    words = (f"they lag the voltages by {lag:+.0f}° as {', '.join(phases)}{other}",)
    return SetPhases(phases, (sure, sure, sure), None, words)


def _lag_cost(lag_deg: float) -> float:
    if _LAGS_DEG[0] <= lag_deg <= _LAGS_DEG[1]:
        return 0.0
    if _LAGS_BACK_DEG[0] <= lag_deg % 360 <= _LAGS_BACK_DEG[1]:
        return _FLOWS_BACK
    return _OFF_RANGE
