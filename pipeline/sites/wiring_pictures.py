"""What the voltages of a hookup look like as phasors, and those of hookups that it may be taken for."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.terms import HIGH_LEG_RATIO, LINE_TO_LINE_PHASES, Hookup

Phasors = Mapping[str, complex]

_TURN: Final = cmath.rect(1.0, 2 * math.pi / 3)
_WYE: Final = {"A": 1 + 0j, "B": _TURN**2, "C": _TURN}
_LINES: Final = {pair: _WYE[pair[0]] - _WYE[pair[1]] for pair in LINE_TO_LINE_PHASES}
_SPLIT: Final = {"A": 1 + 0j, "B": -1 + 0j}
_HIGH_LEG: Final = {"A": 1 + 0j, "B": -1j * HIGH_LEG_RATIO, "C": -1 + 0j}
_CENTRE: Final = sum(_HIGH_LEG.values()) / 3


@dataclass(frozen=True, slots=True)
class Picture:
    """What the hookup's voltages look like, with phase A of the star at 1.

    Attributes
    ----------
    voltages : each measured voltage.
    star : voltage of each line conductor to the star point, which load angles refer to.
    line_to_line : of the measured voltages.
    """

    voltages: Phasors
    star: Phasors
    line_to_line: bool

    def reversed(self) -> Picture:
        """The same in the other rotation."""
        return Picture(
            {phase: u.conjugate() for phase, u in self.voltages.items()},
            {phase: u.conjugate() for phase, u in self.star.items()},
            self.line_to_line,
        )


def picture_of(hookup: Hookup, phases: Sequence[str]) -> Picture:
    """The picture of a hookup; of a single voltage, whichever phase it is."""
    if hookup.line_to_line:
        return Picture(_LINES, _WYE, line_to_line=True)
    if hookup.high_legs:
        return Picture(_HIGH_LEG, {phase: u - _CENTRE for phase, u in _HIGH_LEG.items()}, line_to_line=False)
    if len(hookup.judged_phases) == 3:
        return Picture(_WYE, _WYE, line_to_line=False)
    legs = dict(zip(sorted(phases), _SPLIT.values(), strict=False))
    return Picture(legs, legs, line_to_line=False)


def other_pictures(hookup: Hookup, phases: Sequence[str]) -> dict[str, Picture]:
    """Pictures of other hookups that have voltages of the same names, by what they are."""
    names = sorted(phases)
    if hookup.line_to_line or len(names) < 2:
        return {}
    if len(names) == 2:
        legs = {names[0]: 1 + 0j, names[1]: _TURN**2}
        return {"two phases of a wye": Picture(legs, legs, line_to_line=False)}
    if hookup.high_legs:
        return {"a four-wire wye": Picture(_WYE, _WYE, line_to_line=False)}
    high = Picture(_HIGH_LEG, {phase: u - _CENTRE for phase, u in _HIGH_LEG.items()}, line_to_line=False)
    return {"a high-leg delta": high}
