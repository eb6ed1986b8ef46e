"""Each hookup told before anybody goes out: what to connect where, in which order, and what the phasors must look like.

The order of work and the cautions are common practice, no source; local codes and rules go before them.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.report.phasor_diagram import Phasor, degrees, phasor_svg
from halfcycle.pipeline.report.summary import TextTable
from halfcycle.pipeline.sites.wiring_pictures import picture_of
from halfcycle.pipeline.terms import HOOKUPS, LINE_PHASES, NEUTRAL, Hookup

CAUTIONS: Final = (
    "Work on or near live parts is for qualified persons only, under local codes and the rules of the site.",
    "De-energise where possible, then verify absence of voltage; wear protective equipment as local rules require.",
    "Use leads, clamps and inputs rated for the voltage, the current and the measurement category of the location.",
    "Never open the secondary of a current transformer under load: short-circuit it first at its shorting terminals.",
    "This drawing shows how a recorder is connected, not that a circuit is safe or dead.",
)
"""What stands below every guide."""

_EXAMPLE_V: Final = {"three-wire": 400.0, "two-element": 400.0, "split-phase": 120.0, "high-leg": 120.0}
_USUAL_V: Final = 230.0
_EXAMPLE_A: Final = 10.0
_EXAMPLE_LAG_DEG: Final = 25.0

_RELATIONS: Final = {
    "single-phase": "the conductor to neutral",
    "split-phase": "each leg to neutral: half of leg to leg",
    "four-wire": "phase to neutral: line to line over √3",
    "five-wire": "phase to neutral: line to line over √3",
    "three-wire": "line to line",
    "two-element": "line to line",
    "high-leg": "A and C to neutral: half of line to line; B is √3 times that",
}
_LOOKS: Final = {
    "single-phase": ("UA has its nominal voltage.",),
    "split-phase": ("UA and UB have the same magnitude and are 180° apart.",),
    "three-wire": (
        "UAB, UBC and UCA have the same magnitude, 120° apart, and add up to zero; UBC lags UAB, UCA leads it.",
        "IA lags UAB by 30° more than the load's angle; so do IB behind UBC and IC behind UCA.",
        "The three currents add up to zero.",
    ),
    "two-element": (
        "UAB and UBC have the same magnitude; UBC lags UAB by 120°.",
        "IA lags UAB by 30° more than the load's angle; IC leads UAB by 90° less the load's angle.",
    ),
    "high-leg": (
        "UA and UC have the same magnitude and are 180° apart; UB, the high leg, is √3 times as large and lags UA "
        "by 90°.",
        "If another phase is the high one, the leads are on the wrong conductors.",
    ),
}
_WYE_LOOK: Final = ("UA, UB and UC have the same magnitude, 120° apart; UB lags UA, UC leads it.",)
_FIVE_LOOK: Final = ("UN, neutral to earth, is a few volts; IN is the sum of the three line currents.",)


@dataclass(frozen=True, slots=True)
class Guide:
    """How to connect a recorder.

    Attributes
    ----------
    hookup : which.
    connections : (input, where its + lead or its clamp goes, where its - lead goes or its arrow points).
    steps : in order.
    expected : phasors at nominal voltage and 10 A that lag by 25 degrees, as an example; the first voltage at zero.
    look : what the phasors must look like.
    """

    hookup: Hookup
    connections: TextTable
    steps: tuple[str, ...]
    expected: tuple[Phasor, ...]
    look: tuple[str, ...]


def hookup_table() -> TextTable:
    """All hookups: what is measured, with how many channels, and which voltage the nominal one is."""
    rows = [
        (one.name, one.meaning, f"{len(one.voltages)} U, {len(one.currents)} I", _RELATIONS[one.name])
        for one in HOOKUPS.values()
    ]
    return TextTable("hookups", ("name", "what is measured", "channels", "nominal voltage"), tuple(rows))


def guide_of(hookup: Hookup, *, nominal_v: float | None = None) -> Guide:
    """The guide for a hookup.

    Parameters
    ----------
    hookup : which.
    nominal_v : of the judged voltages, of the lower legs where there is a high one; None: a usual one, as an example.
        [V]
    """
    return Guide(hookup, _connections(hookup), _steps(hookup), expected_phasors(hookup, nominal_v=nominal_v),
                 _look(hookup))  # fmt: skip


def expected_phasors(hookup: Hookup, *, nominal_v: float | None = None) -> tuple[Phasor, ...]:
    """Phasors of right wiring and a balanced load of 10 A that lags by 25 degrees.

    Parameters
    ----------
    hookup, nominal_v : as of `guide_of`.

    Source: derived, from the hookup's picture; a neutral's voltage and current are zero and left out.
    """
    volts = _EXAMPLE_V.get(hookup.name, _USUAL_V) if nominal_v is None else nominal_v
    picture = picture_of(hookup, [p for p in hookup.voltages if p != NEUTRAL])
    level = volts / (3**0.5 if hookup.line_to_line else 1.0)
    channels = [phase for phase in hookup.voltages if phase in picture.voltages]
    turn = cmath.rect(1.0, -cmath.phase(picture.voltages[channels[0]]))
    lag = cmath.rect(_EXAMPLE_A, -math.radians(_EXAMPLE_LAG_DEG))
    currents = [phase for phase in hookup.currents if phase in picture.star]
    return (
        *(Phasor("voltage", phase, picture.voltages[phase] * level * turn) for phase in channels),
        *(Phasor("current", p, picture.star[p] / abs(picture.star[p]) * lag * turn) for p in currents),
    )


def expected_table(expected: Sequence[Phasor]) -> TextTable:
    """What the phasors must look like, as numbers.

    Parameters
    ----------
    expected : of `expected_phasors`.
    """
    rows = [(one.name, f"{abs(one.value):.4g} {one.unit}", f"{degrees(one.value):.0f}°") for one in expected]
    return TextTable(
        f"expected, for a load that lags by {_EXAMPLE_LAG_DEG:g}°", ("phasor", "RMS", "angle"), tuple(rows)
    )


def guide_svg(guide: Guide) -> str:
    """The guide's drawing: hookup, expected phasors, steps and cautions.

    Parameters
    ----------
    guide : of `guide_of`.
    """
    steps = [f"{k}. {step}" for k, step in enumerate(guide.steps, 1)]
    return phasor_svg(
        guide.expected,
        hookup=guide.hookup,
        title=f"hookup {guide.hookup.name}",
        source=f"expected phasors, for a load that lags by {_EXAMPLE_LAG_DEG:g}°, as an example",
        notes=[*guide.look, "", *steps, "", *(f"Caution: {caution}" for caution in CAUTIONS)],
    )


def _connections(hookup: Hookup) -> TextTable:
    rows = []
    for channel in hookup.voltages:
        first, second = (channel[0], channel[1]) if len(channel) == 2 else (channel, NEUTRAL)
        if channel == NEUTRAL:
            first, second = NEUTRAL, "earth"
        rows.append((f"U{channel}", f"+ lead on {first}", f"- lead on {second}"))
    rows += [(f"I{channel}", f"clamp around {channel} alone", "arrow to the load") for channel in hookup.currents]
    return TextTable("what to connect where", ("input", "where", "and"), tuple(rows))


def _steps(hookup: Hookup) -> tuple[str, ...]:
    lines = ", ".join(LINE_PHASES if hookup.line_to_line else hookup.judged_phases)
    has_neutral = not hookup.line_to_line
    first = "earth and neutral" if NEUTRAL in hookup.voltages else "neutral" if has_neutral else ""
    leads = f"{first} first, then {lines}" if first else f"{lines}, one after the other"
    return (
        "Set hookup, nominal voltage, and the ratios of voltage and current transformers in the recorder.",
        "Identify the phase of each conductor, and the load side.",
        "Plug all leads and clamps into the recorder, and earth it if required, before connecting them to the site.",
        "Have the circuit made safe as local rules require; if it must stay live, only qualified persons proceed.",
        f"Connect the voltage leads: {leads}.",
        "Close each clamp around its conductor, jaws fully shut, arrow towards the load: that side is downstream.",
        "Compare the phasors with those expected; record a few seconds and run `halfcycle inspect` on the file.",
        "Disconnect in reverse order: clamps off the conductors first, and only then from the recorder.",
    )


def _look(hookup: Hookup) -> tuple[str, ...]:
    own = _LOOKS.get(hookup.name, _WYE_LOOK + (_FIVE_LOOK if NEUTRAL in hookup.voltages else ()))
    if hookup.line_to_line or hookup.high_legs:
        return own
    return (
        *own,
        "Each current lags its own voltage by the load's angle: 0 to 40° at most sites, and never more than 90°.",
    )
