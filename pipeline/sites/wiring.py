"""How the recorder seems to be connected: wiring mistakes told from the mean fundamental phasors.

What the phasors cannot tell in principle stays open, and the findings say so. A current clamp turned round and power
that flows the other way look the same on one phase; on all phases so do export and all clamps turned round; without
currents a reversed rotation and two exchanged voltage leads look the same; with two legs 180 degrees apart, exchanged
clamps, exchanged voltage leads and export all look the same; a phase without load looks like a clamp that is not on.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.sites.wiring_model import Hypothesis, Mistake, explanations, fit_voltages, with_third_line
from halfcycle.pipeline.sites.wiring_pictures import Phasors, Picture, other_pictures, picture_of
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Hookup

_DEAD_VOLTAGE: Final = 0.05  # of the others: a voltage below it is not there
_DEAD_CURRENT: Final = 0.02
_DEAD_NOMINAL: Final = 0.005  # of the nominal, where there is no other to compare with
_OFF_NOMINAL: Final = (0.85, 1.15)
_NEUTRAL_TO_EARTH: Final = 0.1  # of the nominal; some volts are usual
_UNEXPLAINED: Final = 24.0  # left after the best explanation
_AS_GOOD: Final = 3.0  # in cost: explanations that the data tell apart no better
_OTHER_HOOKUP: Final = (20.0, 4.0)  # cost of the stated picture, and of another one that fits instead
_USUAL_FACTORS: Final = {
    3**0.5: "√3: line-to-line against phase-to-neutral",
    3**-0.5: "1/√3: phase-to-neutral against line-to-line",
    2.0: "2: line-to-line of a split phase against one leg, or a ratio too large by two",
    0.5: "1/2: one leg against line-to-line of a split phase, or a ratio too small by two",
    10.0: "10: a ratio or a range",
    0.1: "1/10: a ratio or a range",
    100.0: "100: a ratio or a range",
    0.01: "1/100: a ratio or a range",
    1000.0: "1000: a unit",
    0.001: "1/1000: a unit",
}
_NEAR_FACTOR: Final = 0.07


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is wrong with the wiring, or seems so.

    Attributes
    ----------
    fault : what it is called, a key of `wiring_words.WORDS`.
    phases : of the channels or leads that it concerns; a pair that is exchanged, a wrong one and the one it is on; of a
        rotation the conductors that A, B and C are on.
    sure : 0 to 1; how much the data speak for it, and how far such data can speak for it at all.
    evidence : names and numbers that it rests on; angles in degrees, the rest in pu, V or A as named.
    alternatives : mistakes that explain the data as well.
    like : what the voltages look like instead, where it is the hookup that does not fit.
    """

    fault: str
    phases: tuple[str, ...]
    sure: float
    evidence: tuple[tuple[str, float], ...]
    alternatives: tuple[Mistake, ...] = ()
    like: str = ""


# How sure phasors can make one at best: a load may itself be so.
_CEILINGS: Final = {
    "current_reversed": 0.95, "power_reversed": 0.5, "current_ratio": 0.7, "current_missing": 0.5,
    "neutral_missing": 0.8, "current_wrong_phase": 0.9,
}  # fmt: skip
_CEILING: Final = 0.99


def check_wiring(
    voltages: Phasors,
    currents: Phasors,
    *,
    hookup: Hookup,
    nominal_v: float | None = None,
) -> tuple[Diagnosis, ...]:
    """Tell wiring mistakes from the mean fundamental phasors of a measuring point.

    Parameters
    ----------
    voltages : complex RMS by phase: ``A`` … ``C`` to neutral or ``AB`` … ``CA``, ``N`` for neutral to earth; zero
        where a channel shows nothing. All against one reference. [V]
    currents : complex RMS by conductor, positive towards the load, against the same reference. [A]
    hookup : how the recorder is meant to be connected.
    nominal_v : of the judged voltages (of the lower legs of a high-leg delta), or None: not known. [V]

    Returns
    -------
    Diagnoses, the surest first; none where all fits. At most two mistakes are looked for besides missing channels.

    Raises
    ------
    SignalError : a phasor or the nominal voltage is not finite, or a phase is unknown.

    Source: derived: each mistake is undone and the rest compared with the hookup's picture. Loads are taken to draw
    power at 60 degrees or less; how much of a difference is usual is common practice, no source.
    """
    _check(voltages, currents, nominal_v)
    judged = {p: u for p, u in voltages.items() if p in LINE_TO_LINE_PHASES} if hookup.line_to_line else {
        p: u for p, u in voltages.items() if p in LINE_PHASES
    }  # fmt: skip
    picture = picture_of(hookup, tuple(judged))
    judged = {phase: u for phase, u in judged.items() if phase in picture.voltages}
    i = {phase: value for phase, value in currents.items() if phase in picture.star}
    nominal = None if nominal_v is None else nominal_v / (3**0.5 if hookup.line_to_line else 1.0)
    found = [
        *_missing_voltages(judged, picture, nominal),
        *_missing_currents(i, hookup, with_neutral=currents.get(NEUTRAL)),
    ]
    gone_u = {p for d in found if d.fault == "voltage_missing" for p in d.phases}
    gone_i = {p for d in found if d.fault == "current_missing" for p in d.phases}
    judged = {p: u for p, u in judged.items() if p not in gone_u and not gone_u & set(p)}
    i = {p: value for p, value in i.items() if p not in gone_i}
    other = _other_hookup(judged, picture, hookup, nominal)
    if other is not None:
        found.append(other[0])
        picture = other[1]
    every = explanations(judged, i, picture, nominal=nominal, neutral_current=currents.get(NEUTRAL))
    best = every[0]
    found += _diagnoses(best, every, judged, i, picture)
    found += [] if other else _off_nominal(best, nominal, nominal_v)
    found += _neutral_to_earth(voltages, best, nominal)
    return tuple(sorted(found, key=lambda diagnosis: -diagnosis.sure))


def fundamental_power(voltages: Phasors, currents: Phasors, *, hookup: Hookup) -> complex | None:
    """Active and reactive power of the fundamental, summed as the hookup says.

    Parameters
    ----------
    voltages : complex RMS by phase. [V]
    currents : complex RMS by conductor. [A]
    hookup : its elements are summed.

    Returns
    -------
    P + jQ, Q positive where currents lag; None where a channel that an element needs is not there. [W, var]

    Source: IEEE Std 1459-2010, 3.1.2 (P1, Q1) and 3.2.2, second-hand; two elements: A. Blondel, 1893 (from memory).
    """
    u = with_third_line(voltages) if hookup.line_to_line else dict(voltages)
    if not hookup.line_to_line and len(hookup.elements) < len(LINE_PHASES):  # whichever line conductors there are
        lines = sorted(phase for phase in u if phase in LINE_PHASES)
        elements = tuple((phase, phase) for phase in lines[: len(hookup.elements)])
    else:
        elements = hookup.elements
    total = 0j
    for pair, conductor in elements:
        value = _element_voltage(u, pair, line_to_line=hookup.line_to_line)
        if value is None or conductor not in currents:
            return None
        total += value * currents[conductor].conjugate()
    return total if len(elements) == len(hookup.elements) else None


def _element_voltage(u: Phasors, pair: str, *, line_to_line: bool) -> complex | None:
    if pair in u:
        return u[pair]
    if pair[::-1] in u:
        return -u[pair[::-1]]
    if line_to_line and len(pair) == 1 and all(line in u for line in LINE_TO_LINE_PHASES):
        ahead = next(line for line in LINE_TO_LINE_PHASES if line[0] == pair)
        behind = next(line for line in LINE_TO_LINE_PHASES if line[1] == pair)
        return (u[ahead] - u[behind]) / 3
    return None


def _check(voltages: Phasors, currents: Phasors, nominal_v: float | None) -> None:
    known = {*LINE_PHASES, *LINE_TO_LINE_PHASES, NEUTRAL}
    for phase, value in (*voltages.items(), *currents.items()):
        if phase not in known:
            raise SignalError(f"phase is {phase!r}; allowed are {', '.join(sorted(known))}")
        if not cmath.isfinite(value):
            raise SignalError(f"the phasor of phase {phase} is {value}; it must be finite")
    if nominal_v is not None and not (math.isfinite(nominal_v) and nominal_v > 0):
        raise SignalError(f"the nominal voltage is {nominal_v} V; it must be above zero")


def _missing_voltages(u: Phasors, picture: Picture, nominal: float | None) -> list[Diagnosis]:
    sizes = {phase: abs(value / picture.voltages[phase]) for phase, value in u.items()}
    level = _level(list(sizes.values()), nominal)
    if len(sizes) == 1 or max(sizes.values(), default=0.0) == 0:
        dead = [p for p, size in sizes.items() if size <= _DEAD_NOMINAL * (nominal or 0.0)]
    else:
        dead = [p for p, size in sizes.items() if size < _DEAD_VOLTAGE * level]
    sure = _CEILING if len(dead) < len(sizes) else 0.9
    others = ("others pu", level / (nominal or level or 1.0))
    found = [Diagnosis("voltage_missing", (p,), sure, ((f"U{p} V", abs(u[p])), others)) for p in dead]
    if picture.line_to_line and not found:
        found += [_open_lead(lead, u) for lead in LINE_PHASES if _is_open(lead, with_third_line(u))]
    return found


def _level(sizes: list[float], nominal: float | None) -> float:
    """What most of some values are; of two, the one that is nearer to the nominal."""
    if len(sizes) == 2 and nominal is not None and min(sizes) > 0:
        return min(sizes, key=lambda size: abs(math.log(size / nominal)))
    return median(sizes) if len(sizes) > 2 and median(sizes) > 0 else max(sizes, default=0.0)


def _is_open(lead: str, lines: Phasors) -> bool:
    """Whether a lead hangs between the other two: its line-to-line voltages are halves of the third, opposite."""
    if len(lines) < len(LINE_TO_LINE_PHASES):
        return False
    ahead = next(line for line in lines if line[0] == lead)
    behind = next(line for line in lines if line[1] == lead)
    across = next(line for line in lines if lead not in line)
    size = abs(lines[across])
    return size > 0 and abs(lines[ahead] - lines[behind]) < 0.2 * size and abs(abs(lines[ahead]) / size - 0.5) < 0.15


def _open_lead(lead: str, u: Phasors) -> Diagnosis:
    lines = with_third_line(u)
    across = next(line for line in lines if lead not in line)
    evidence = tuple(
        (f"U{line} pu of U{across}", abs(lines[line]) / abs(lines[across])) for line in lines if lead in line
    )
    return Diagnosis("voltage_missing", (lead,), 0.95, evidence)


def _missing_currents(i: Phasors, hookup: Hookup, *, with_neutral: complex | None) -> list[Diagnosis]:
    sizes = {phase: abs(value) for phase, value in i.items()}
    if not sizes:
        return []
    level = _level(list(sizes.values()), None)
    dead = [phase for phase, size in sizes.items() if size < _DEAD_CURRENT * level or size == 0]
    others = sum(value for phase, value in i.items() if phase not in dead)
    lacking = hookup.line_to_line and len(i) == len(LINE_PHASES) and level > 0 and abs(others) > 0.3 * level
    if with_neutral is not None and len(i) == len(LINE_PHASES) and level > 0:
        lacking = min(abs(others - with_neutral), abs(others + with_neutral)) > 0.3 * level
    return [
        Diagnosis("current_missing", (phase,), 0.95 if lacking else _CEILINGS["current_missing"],
                  ((f"I{phase} A", sizes[phase]), ("others A", level)),
                  (Mistake("current_ratio", (phase,)),) if sizes[phase] else ())
        for phase in dead
    ]  # fmt: skip


def _other_hookup(
    u: Phasors, picture: Picture, hookup: Hookup, nominal: float | None
) -> tuple[Diagnosis, Picture] | None:
    """The picture of another hookup that fits where the stated one does not."""
    own = min(fit_voltages(u, shown, nominal=None).cost for shown in (picture, picture.reversed()))
    if own < _OTHER_HOOKUP[0] or len(u) < min(len(hookup.judged_phases), len(picture.voltages)):
        return None
    for words, other in other_pictures(hookup, tuple(u)).items():
        for shown in (other, other.reversed()):
            fit = fit_voltages(u, shown, nominal=nominal)
            if fit.cost + fit.off_nominal < _OTHER_HOOKUP[1]:
                phases = tuple(u)
                apart = [(f"U{a} to U{b} deg", math.degrees(cmath.phase(u[a] / u[b]))) for a, b in pairwise(phases)]
                same = (Mistake("neutral_missing"),) if len(phases) == len(LINE_PHASES) else ()
                return Diagnosis("hookup_mismatch", phases, 0.8, tuple(apart), same, words), other
    return None


def _diagnoses(best: Hypothesis, every: list[Hypothesis], u: Phasors, i: Phasors, picture: Picture) -> list[Diagnosis]:
    weights = [math.exp(-(item.cost - best.cost) / 2) for item in every]
    rivals = [item for item in every[1:] if item.cost <= best.cost + _AS_GOOD and item.mistakes]
    total = sum(weights)
    found = []
    alternatives = tuple(dict.fromkeys(m for item in rivals for m in item.mistakes if m not in best.mistakes))
    for mistake in best.mistakes:
        held = sum(
            weight
            for item, weight in zip(every, weights, strict=True)
            if mistake in item.mistakes or (item.mistakes and item in rivals)
        )
        certain = _CEILINGS.get(mistake.kind, _CEILING)
        if mistake.kind == "current_reversed" and len(i) == 1:
            certain = _CEILINGS["power_reversed"]
        evidence = (*_voltage_numbers(mistake, best, u, picture), *_current_numbers(mistake, i, every))
        found.append(Diagnosis(mistake.kind, mistake.phases, round(certain * held / total, 3), evidence, alternatives))
    if best.left > _UNEXPLAINED:
        found = [Diagnosis("unclear", (), 0.5, (*_sizes("U", "V", u), *_sizes("I", "A", i), *_angles(every)))]
    return found


def _sizes(letter: str, unit: str, phasors: Phasors) -> tuple[tuple[str, float], ...]:
    return tuple((f"{letter}{phase} {unit}", abs(value)) for phase, value in phasors.items())


def _angles(every: list[Hypothesis]) -> tuple[tuple[str, float], ...]:
    """Load angles as measured, before anything is undone."""
    plain = next((item for item in every if not item.mistakes), None)
    return () if plain is None else tuple((f"load angle {p} deg", angle) for p, angle in plain.load_angles)


def _voltage_numbers(mistake: Mistake, best: Hypothesis, u: Phasors, picture: Picture) -> tuple[tuple[str, float], ...]:
    if not mistake.kind.startswith(("voltage", "rotation", "neutral")):
        return ()
    numbers = []
    level = abs(best.gain) or 1.0
    for phase, value in u.items():
        if len(mistake.phases) == 0 or phase in mistake.phases or any(letter in mistake.phases for letter in phase):
            numbers.append((f"U{phase} pu", abs(value) / level / abs(picture.voltages[phase])))
    first = next(iter(u))
    numbers += [
        (f"U{p} to U{first} deg", math.degrees(cmath.phase(v / u[first])))
        for p, v in u.items()
        if p != first and u[first]
    ]
    if mistake.kind == "neutral_missing":
        numbers.append(("star point off pu", abs(best.offset) / level))
    return tuple(numbers)


def _current_numbers(mistake: Mistake, i: Phasors, every: list[Hypothesis]) -> tuple[tuple[str, float], ...]:
    if not mistake.kind.startswith(("current", "power", "voltages", "voltage_reversed")):
        return ()
    if mistake.kind == "current_ratio":
        return _sizes("I", "A", i)
    return _angles(every)


def _off_nominal(best: Hypothesis, nominal: float | None, nominal_v: float | None) -> list[Diagnosis]:
    if nominal is None or nominal_v is None or not best.gain:
        return []
    ratio = abs(best.gain) / nominal
    if _OFF_NOMINAL[0] <= ratio <= _OFF_NOMINAL[1]:
        return []
    usual = near_factor(ratio)
    evidence = (("voltage over nominal", ratio), ("nominal V", nominal_v))
    return [Diagnosis("nominal_mismatch", (), 0.95 if usual else 0.7, evidence)]


def near_factor(ratio: float) -> str:
    """What a ratio that is off may come from, in words; "" where it is near no usual factor."""
    nearest = min(_USUAL_FACTORS, key=lambda factor: abs(math.log(ratio / factor)))
    return _USUAL_FACTORS[nearest] if abs(math.log(ratio / nearest)) < 2 * _NEAR_FACTOR else ""


def _neutral_to_earth(voltages: Phasors, best: Hypothesis, nominal: float | None) -> list[Diagnosis]:
    level = nominal or abs(best.gain)
    if NEUTRAL not in voltages or not level or abs(voltages[NEUTRAL]) < _NEUTRAL_TO_EARTH * level:
        return []
    evidence = (("UN V", abs(voltages[NEUTRAL])), ("UN pu", abs(voltages[NEUTRAL]) / level))
    return [Diagnosis("neutral_to_earth", (NEUTRAL,), 0.7, evidence)]
