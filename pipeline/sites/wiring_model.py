"""What the fundamental phasors look like on right wiring, and after each mistake that may have been made.

A hypothesis is a set of mistakes. It is undone in the measured phasors, and what is then left is compared with the
hookup's own picture: the squares of the differences, each over what is usual, plus a charge for every mistake that was
supposed. The cheapest hypothesis explains the measurement best. The charges and what is usual are engineering
judgement: common practice, no source.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from halfcycle.pipeline.sites.wiring_pictures import Phasors, Picture
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL

_ROOT_3: Final = math.sqrt(3.0)
# What is usual on right wiring: one standard deviation, and where more of a difference says no more.
_VOLTAGE_PU: Final = 0.1
_NOMINAL: Final = 0.1
_SPREAD_DEG: Final = 25.0
_RANGE_DEG: Final = 60.0  # a load's angle lies within it,
_BEYOND_DEG: Final = (10.0, 7.0)  # give or take: machines without load lag, and what leads is as far out seldom
_USUAL_DEG: Final = (-15.0, 40.0)  # most lie here: beyond it clamps are as soon rotated as all turned round
_CURRENT: Final = 0.32  # of the logarithm
_SUM: Final = 0.15  # of the mean current: what currents that must add up to zero may lack
_SAME: Final = 0.05  # by which two channels on one conductor differ
_CAP: Final = 60.0
_CAP_RANGE: Final = 25.0
_CAP_USUAL: Final = 4.0
_CAP_NOMINAL: Final = 25.0
_HOPELESS: Final = 30.0  # behind the best: one in three million

CHARGES: Final = {
    "rotation_reversed": 8.0, "voltages_swapped": 9.0, "voltage_reversed": 9.0, "voltage_wrong_phase": 10.0,
    "voltage_ratio": 11.0, "neutral_missing": 8.0, "currents_swapped": 9.0, "current_reversed": 9.0,
    "current_wrong_phase": 10.0, "current_ratio": 10.0, "power_reversed": 9.0, "currents_rotated": 10.0,
    "voltages_rotated": 11.0,
}  # fmt: skip
ROTATIONS: Final = (("B", "C", "A"), ("C", "A", "B"))
"""The conductors that A, B and C are on where all three are moved on by one, either way."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """A mistake and the phases of the channels, or of the leads, that it concerns; a rotation's are of `ROTATIONS`."""

    kind: str
    phases: tuple[str, ...] = ()

    @property
    def charge(self) -> float:
        """What supposing it costs."""
        return CHARGES[self.kind]


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """A hypothesis and how well it fits.

    Attributes
    ----------
    mistakes : none on right wiring.
    cost : what is left, squared over what is usual, and the charges.
    left : what voltages and currents differ from the picture by; the rest is charges, and the nominal voltage.
    gain : voltage of the star's phase A, of the picture that fits best. [V]
    offset : of the star point, where that was left free. [V]
    load_angles : (conductor, by how much its current lags behind its voltage) after the mistakes are undone. [degrees]
    """

    mistakes: tuple[Mistake, ...]
    cost: float
    left: float
    gain: complex
    offset: complex
    load_angles: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class _Fit:
    cost: float
    gain: complex
    offset: complex = 0j
    off_nominal: float = 0.0


def fit_voltages(voltages: Phasors, picture: Picture, *, nominal: float | None, floating: bool = False) -> _Fit:
    """How well voltages fit a picture: a gain, and an offset where the star point floats.

    Parameters
    ----------
    voltages : measured. [V]
    picture : of the hookup.
    nominal : of the star's phase A, or None. [V]
    floating : the star point may lie anywhere within the triangle of the line conductors, or not far outside.
    """
    if not voltages:
        return _Fit(0.0, 0j)
    phases = list(voltages)
    z = [voltages[phase] / picture.voltages[phase] for phase in phases]
    level = math.sqrt(sum(abs(value) ** 2 for value in z) / len(z))
    if level == 0:
        return _Fit(0.0, 0j)
    gain, offset = sum(z) / len(z), 0j
    if floating:
        ones = np.array([[1.0, 1 / picture.voltages[phase]] for phase in phases])
        gain, offset = (complex(value) for value in np.linalg.lstsq(ones, np.array(z), rcond=None)[0])
        if not _lies_within(gain, offset, n=len(z)):
            return _Fit(math.inf, gain, offset)
    left = sum(
        abs(value - gain - offset / picture.voltages[phase]) ** 2 for value, phase in zip(z, phases, strict=True)
    )
    cost = min(left / (level * _VOLTAGE_PU) ** 2, _CAP)
    if picture.line_to_line and len(voltages) == len(LINE_TO_LINE_PHASES):
        cost = min(cost + (abs(sum(voltages.values())) / (_ROOT_3 * level * _VOLTAGE_PU)) ** 2, _CAP)
    off = 0.0 if nominal is None or not gain else min((math.log(abs(gain) / nominal) / _NOMINAL) ** 2, _CAP_NOMINAL)
    return _Fit(cost, gain, offset, off)


def _lies_within(gain: complex, offset: complex, *, n: int) -> bool:
    if not gain:
        return False
    where = offset / gain
    return abs(where) < 1.3 if n > 2 else abs(where.real) < 0.98 and abs(where.imag) < 0.2


def explanations(
    voltages: Phasors, currents: Phasors, picture: Picture, *, nominal: float | None, neutral_current: complex | None
) -> list[Hypothesis]:
    """All hypotheses of at most two mistakes, the cheapest first.

    Parameters
    ----------
    voltages : measured and not missing, by the phases of the picture. [V]
    currents : measured and not missing, by line conductor. [A]
    picture : of the hookup.
    nominal : of the star's phase A, or None. [V]
    neutral_current : where it is measured. [A]
    """
    found: list[Hypothesis] = []
    best = math.inf
    turned = len(picture.star) == 3 and len(voltages) > 1
    current_sets = list(_current_mistakes(currents, picture))
    left_of: dict[int, tuple[dict[str, complex], float]] = {}  # of the currents, by the place of the set
    for rotation in ((), (Mistake("rotation_reversed"),)) if turned else ((),):
        shown = picture.reversed() if rotation else picture
        for of_voltages in _voltage_mistakes(voltages, picture):
            so_far = (*rotation, *of_voltages)
            undone = None if len(so_far) > 2 else _undo_voltages(voltages, of_voltages, shown)
            if undone is None:
                continue
            floating = any(mistake.kind == "neutral_missing" for mistake in of_voltages)
            fit = fit_voltages(undone[0], shown, nominal=nominal, floating=floating)
            before, charged = fit.cost + undone[1] + fit.off_nominal, sum(mistake.charge for mistake in so_far)
            for k, of_currents in enumerate(current_sets):
                if len(so_far) + len(of_currents) > 2:
                    continue
                fixed = before + sum((mistake.charge for mistake in of_currents), charged)
                if fixed > best + _HOPELESS:
                    continue
                if k not in left_of:
                    left_of[k] = _currents_left(currents, of_currents, picture, neutral_current)
                cost, angles = _with_angles(*left_of[k], of_currents, shown, fit.gain)
                left = fit.cost + undone[1] + cost
                found.append(Hypothesis((*so_far, *of_currents), fixed + cost, left, fit.gain, fit.offset, angles))
                best = min(best, fixed + cost)
    return sorted(found, key=lambda item: item.cost)


def _voltage_mistakes(voltages: Phasors, picture: Picture) -> Iterator[tuple[Mistake, ...]]:
    phases = [phase for phase in picture.voltages if phase in voltages]
    leads = LINE_PHASES if picture.line_to_line else tuple(phases)
    yield ()
    yield from ((Mistake("voltage_reversed", (phase,)),) for phase in phases)
    if len(phases) < 2:
        return
    yield from ((Mistake("voltages_swapped", pair),) for pair in combinations(leads, 2))
    yield from ((Mistake("voltage_ratio", (phase,)),) for phase in phases)
    if len(leads) == 3:
        yield from ((Mistake("voltages_rotated", order),) for order in ROTATIONS)
    if not picture.line_to_line:
        yield from ((Mistake("voltages_swapped", (phase, NEUTRAL)),) for phase in phases)
        yield (Mistake("neutral_missing"),)
        yield from ((Mistake("voltage_wrong_phase", (a, b)),) for a in phases for b in phases if a != b)


def _current_mistakes(currents: Phasors, picture: Picture) -> Iterator[tuple[Mistake, ...]]:
    phases = [phase for phase in LINE_PHASES if phase in currents]
    reversals = [Mistake("current_reversed", (phase,)) for phase in phases]
    yield ()
    yield from ((mistake,) for mistake in reversals)
    if not phases:
        return
    yield (Mistake("power_reversed"),)
    if len(phases) < 2:
        return
    swaps = [Mistake("currents_swapped", pair) for pair in combinations(phases, 2)]
    yield from ((swap,) for swap in swaps)
    yield from ((Mistake("current_ratio", (phase,)),) for phase in phases)
    yield from ((Mistake("current_wrong_phase", (a, b)),) for a in phases for b in phases if a != b)
    yield from ((swap, mistake) for swap in swaps for mistake in reversals)
    if len(phases) == 3:
        yield from combinations(reversals, 2)
        yield from ((Mistake("currents_rotated", order),) for order in ROTATIONS)
    elif picture.line_to_line:  # the third conductor carries what the two lack to zero
        (third,) = set(LINE_PHASES) - set(phases)
        yield from ((Mistake("current_wrong_phase", (phase, third)),) for phase in phases)


def _undo_voltages(
    voltages: Phasors, mistakes: Sequence[Mistake], picture: Picture
) -> tuple[dict[str, complex], float] | None:
    """Voltages without the mistakes, and what it costs that channels on one conductor differ; None: cannot be."""
    u, cost = dict(voltages), 0.0
    for mistake in mistakes:
        if mistake.kind == "voltage_reversed":
            (phase,) = mistake.phases
            u[phase] = -u[phase]
        elif mistake.kind == "voltages_swapped" and NEUTRAL in mistake.phases:
            lead = mistake.phases[0]
            u = {phase: -u[lead] if phase == lead else value - u[lead] for phase, value in u.items()}
        elif mistake.kind == "voltages_swapped":
            u = exchanged_lines(u, mistake.phases) if picture.line_to_line else exchanged(u, mistake.phases)
        elif mistake.kind == "voltages_rotated":
            order = turned_back(mistake.phases)
            u = exchanged_lines(u, order) if picture.line_to_line else exchanged(u, order)
        elif mistake.kind == "voltage_ratio":
            (phase,) = mistake.phases
            level = fit_voltages({p: v for p, v in u.items() if p != phase}, picture, nominal=None).gain
            if not level or not u[phase]:
                return None
            u[phase] *= abs(level * picture.voltages[phase] / u[phase])
        elif mistake.kind == "voltage_wrong_phase":
            wrong, right = mistake.phases
            cost += _difference(u[wrong], u[right])
            del u[wrong]
    return u, cost


def exchanged(values: Phasors, phases: Sequence[str]) -> dict[str, complex]:
    """Values moved back: what stands at the second of some phases belongs to the first, and so on around."""
    out = dict(values)
    for here, there in zip(phases, [*phases[1:], phases[0]], strict=True):
        out[here] = values[there]
    return out


def turned_back(conductors: Sequence[str]) -> tuple[str, ...]:
    """The order in which `exchanged` undoes a rotation: each phase after the one whose conductor it is on."""
    on = dict(zip(LINE_PHASES, conductors, strict=True))
    return "A", next(phase for phase in on if on[phase] == "A"), on["A"]


def exchanged_lines(values: Phasors, leads: Sequence[str]) -> dict[str, complex]:
    """Line-to-line voltages with their leads moved back likewise."""
    full = with_third_line(values)
    there = dict(zip(leads, [*leads[1:], leads[0]], strict=True))
    return {
        pair: _between(full, there.get(pair[0], pair[0]), there.get(pair[1], pair[1])) for pair in LINE_TO_LINE_PHASES
    }


def with_third_line(values: Phasors) -> dict[str, complex]:
    """Three line-to-line voltages, the third of two from their sum of zero."""
    full = dict(values)
    missing = [pair for pair in LINE_TO_LINE_PHASES if pair not in full]
    if len(missing) == 1:
        full[missing[0]] = -sum(full.values())
    return full


def _between(lines: Phasors, first: str, second: str) -> complex:
    return lines[first + second] if first + second in lines else -lines.get(second + first, 0j)


def _difference(one: complex, other: complex) -> float:
    size = max(abs(one), abs(other))
    return min((abs(one - other) / (size * _SAME)) ** 2, _CAP) if size else _CAP


def _currents_left(
    currents: Phasors, mistakes: Sequence[Mistake], picture: Picture, neutral: complex | None
) -> tuple[dict[str, complex], float]:
    """Currents after mistakes are undone, and what is then odd in them, whatever the voltages are."""
    if not currents:
        return {}, 0.0
    i, cost = _undo_currents(currents, mistakes, picture)
    sizes = [math.log(abs(value)) for value in i.values()]
    middle = sum(sizes) / len(sizes)
    cost += min(sum((size - middle) ** 2 for size in sizes) / _CURRENT**2, _CAP)
    mean = sum(abs(value) for value in i.values()) / len(i)
    lacking: float | None = None
    if picture.line_to_line and len(i) == 3:
        lacking = abs(sum(i.values()))
    elif neutral is not None and len(i) == 3:  # which way round the neutral is taken differs from recorder to recorder
        lacking = min(abs(sum(i.values()) - neutral), abs(sum(i.values()) + neutral))
    if lacking is not None:
        cost += min((lacking / (mean * _SUM)) ** 2, _CAP)
    return i, cost


def _with_angles(
    i: Phasors, cost: float, mistakes: Sequence[Mistake], picture: Picture, gain: complex
) -> tuple[float, tuple[tuple[str, float], ...]]:
    """What is odd in currents together with what is in their angles, and these. [degrees]"""
    if not i or not gain:
        return cost, ()
    angles = {phase: cmath.phase(gain * picture.star[phase] / value) for phase, value in i.items()}
    common = cmath.phase(sum(cmath.rect(1.0, angle) for angle in angles.values()))
    apart = [math.degrees(math.remainder(angle - common, 2 * math.pi)) for angle in angles.values()]
    cost += min(sum((angle / _SPREAD_DEG) ** 2 for angle in apart), _CAP)
    lag = math.degrees(common)
    late, early = max(lag - _RANGE_DEG, 0.0), max(-lag - _RANGE_DEG, 0.0)
    cost += min((late / _BEYOND_DEG[0]) ** 2 + (early / _BEYOND_DEG[1]) ** 2, _CAP_RANGE)
    if any(mistake.kind == "power_reversed" for mistake in mistakes):
        beyond = max(lag - _USUAL_DEG[1], _USUAL_DEG[0] - lag, 0.0)
        cost += min((beyond / _BEYOND_DEG[0]) ** 2, _CAP_USUAL)
    return cost, tuple((phase, math.degrees(angle)) for phase, angle in angles.items())


def _undo_currents(
    currents: Phasors, mistakes: Sequence[Mistake], picture: Picture
) -> tuple[dict[str, complex], float]:
    i, cost = dict(currents), 0.0
    for mistake in mistakes:
        if mistake.kind == "current_reversed":
            (phase,) = mistake.phases
            i[phase] = -i[phase]
        elif mistake.kind == "power_reversed":
            i = {phase: -value for phase, value in i.items()}
        elif mistake.kind == "currents_swapped":
            i = exchanged(i, mistake.phases)
        elif mistake.kind == "currents_rotated":
            i = exchanged(i, turned_back(mistake.phases))
        elif mistake.kind == "current_ratio":
            (phase,) = mistake.phases
            others = [value for p, value in i.items() if p != phase]
            zero_sum = picture.line_to_line and len(i) == 3
            size = abs(sum(others)) if zero_sum else math.exp(sum(math.log(abs(o)) for o in others) / len(others))
            i[phase] *= size / abs(i[phase])
        elif mistake.kind == "current_wrong_phase":
            wrong, right = mistake.phases
            if right in i:
                cost += _difference(i[wrong], i[right])
                del i[wrong]
            else:
                i[wrong] = -sum(i.values())
    return {phase: value for phase, value in i.items() if value} or dict(currents), cost
