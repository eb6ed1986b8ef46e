"""How a point seems to be wired: the phasors before one of its events, what they say, and a drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.plain_text import percent
from halfcycle.pipeline.report.event_words import time_words
from halfcycle.pipeline.report.phasor_diagram import Phasor, phasor_svg
from halfcycle.pipeline.report.slice import BeforeAndDuring
from halfcycle.pipeline.sites.wiring import check_wiring
from halfcycle.pipeline.sites.wiring_words import words_of
from halfcycle.pipeline.terms import HOOKUPS

_SURE: Final = 0.5  # a sign that is less sure is no verdict


@dataclass(frozen=True, slots=True)
class WiringView:
    """What is told of the wiring of a point.

    Attributes
    ----------
    name : of the point.
    verdict : in a sentence.
    signs : of mistakes, the surest first, each in words.
    drawing : of hookup and phasors.
    """

    name: str
    verdict: str
    signs: tuple[str, ...]
    drawing: str


def wiring_view(
    name: str, phasors: BeforeAndDuring, *, hookup: str, start_ns: int, nominal_v: float | None
) -> WiringView | None:
    """The wiring as the phasors before an event show it; None where phases or hookup are not known.

    Parameters
    ----------
    name : of the point.
    phasors : before and during an event.
    hookup : a name of `terms.HOOKUPS`, or "".
    start_ns : when the event began. [ns since 1970-01-01]
    nominal_v : of the judged voltages, or None. [V]
    """
    if hookup not in HOOKUPS:
        return None
    n = phasors.n_voltages
    found = [
        Phasor("voltage" if i < n else "current", phase, complex(value))
        for i, (phase, value) in enumerate(zip(phasors.phases, phasors.before, strict=True))
    ]
    voltages = {one.phase: one.value for one in found if one.quantity == "voltage"}
    currents = {one.phase: one.value for one in found if one.quantity == "current"}
    try:
        diagnoses = check_wiring(voltages, currents, hookup=HOOKUPS[hookup], nominal_v=nominal_v)
    except (SignalError, KeyError):
        return None
    signs = [words_of(diagnosis) for diagnosis in diagnoses]
    sure = [sign for sign in signs if sign.sure >= _SURE]
    if sure:
        verdict = f"The wiring is doubtful: {sure[0].what} ({percent(sure[0].sure)} confidence)"
    elif signs:
        verdict = "No certain wiring error, but not everything agrees"
    else:
        verdict = "The phasors agree with the hookup: they show no error"
    moment = time_words(start_ns)
    drawing = phasor_svg(
        found, hookup=HOOKUPS[hookup], title=name, source=f"phasors before the event of {moment}", found=signs
    )
    told = tuple(
        f"{one.what} ({percent(one.sure)} confidence): {one.evidence}" + (f"; {one.doubt}" if one.doubt else "")
        for one in signs
    )
    return WiringView(name, f"{verdict} (three cycles before the event of {moment}).", told, drawing)
