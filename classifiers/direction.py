"""Upstream or downstream: on which side of the monitor a sag's cause lies, by seven methods and their vote.

Downstream is the side that the arrows of the current clamps point to, the load's; upstream is the other. Current and
power count as positive towards downstream, and whichever way power flowed before does not turn the sides round: a site
that feeds power back has its sides where it had them. A method that cannot tell where power flows back gives no answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.direction_methods import (
    CLEAR,
    DOWNSTREAM,
    UPSTREAM,
    Answer,
    Course,
    PowerTrace,
    against_before,
    distance,
    disturbance_power,
    load_admittance,
    negative_impedance,
    negative_sequence,
    off_the_line,
    points_to,
    real_current,
    resistance_sign,
    system_trajectory,
    voltage_falls,
)

UNKNOWN: Final = "unknown"

_FEWEST_VOTES: Final = 2
_MAJORITY: Final = 0.6  # of those that answer
# How sure a vote is. Of some 2,100 solved cases of every cause, with generation and without, none was wrong; but only
# 32 of them were split, which tells no more than nine in ten, and circuits are simpler than networks.
_AGREED: Final = 0.95
_FEW: Final = 0.9
_SPLIT: Final = 0.8
_MANY_VOTES: Final = 4
_OFF_LINE: Final = (0.1, 0.04)  # share and size of what no line explains: then less sure, and where both, not told
_NO_LINE: Final = (
    "voltage and current do not change as behind a source impedance, so a downstream cause alone does not explain "
    "the event"
)
_NO_SOURCE: Final = "the ratio of the voltage and current changes is no plausible source impedance"
_AGAINST: Final = "the negative sequence contradicts this"
TURNED: Final = "positive- and negative-sequence changes suggest that phases are interchanged"
_TURN: Final = math.radians(120.0)
# What a load, and a source that feeds it, can be; common practice, no source. A current takes at most 6 % of its
# source's voltage; a source's impedance is less resistive than a load of power factor 0.85; a load with its motors
# answers a sag with at least 0.15 times the impedance that it had before.
_WEAKEST_SOURCE: Final = 0.06
_MOST_RESISTIVE: Final = math.acos(0.85)
_STIFFEST_LOAD: Final = 0.15
_NOT_BY_LOAD: Final = "the impedance of the changes matches no plausible load, so the clamps may point to the source"
_NEAR_TURN: Final = math.radians(35.0)


@dataclass(frozen=True, slots=True)
class Direction:
    """The vote.

    Attributes
    ----------
    direction : ``upstream``, ``downstream`` or ``unknown``.
    confidence : 0 to 1, of being right; 0 for ``unknown``. In solved circuits each level is right as often at least.
    answers : of each method.
    reason : in words.

    Examples
    --------
    >>> hc.Direction("unknown", 0.0, (), "too few methods can tell").direction
    'unknown'
    """

    direction: str
    confidence: float
    answers: tuple[Answer, ...]
    reason: str


def find_direction(
    v1: npt.ArrayLike,
    i1: npt.ArrayLike,
    *,
    n_before: int,
    i_start: int,
    i_stop: int,
    power: PowerTrace | None = None,
    negative: tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
    by_load: bool = False,
) -> Direction:
    """The side of the monitor that an event's cause lies on.

    Parameters
    ----------
    v1, i1 : complex, shape (n,). Positive-sequence phasors of voltage and current at each half cycle, against the same
        reference of time; the current is positive towards downstream, where the clamps' arrows point to. [V], [A]
    n_before : so many half cycles at the beginning lie wholly before the event; the last five cycles of them count.
    i_start, i_stop : half-open range of half cycles whose windows lie within the event, or in what it leaves behind.
    power : for the method of disturbance power, which is asked where the voltage falls; None leaves it out.
    negative : negative-sequence phasors of voltage and current, as v1 and i1; None leaves that method out.
    by_load : that clamps point downstream was told by the power that flows there alone. Generation behind clamps that
        are all backwards looks alike, so the changes must be those of a load and its source, too.

    Returns
    -------
    Direction, the same whichever way power flowed before; ``unknown`` where fewer than two methods can tell, where
    fewer than 60 % of them agree, where the negative sequence contradicts this, and for ``downstream`` where voltage
    and current do not change as behind a plausible source impedance; where both sequences change as if clamps were
    rotated; and, if `by_load`, where voltage and current change by an impedance that no source (for ``downstream``) or
    no load (for ``upstream``) of this size has.

    Raises
    ------
    ValueError : shapes or ranges that do not agree.

    Source: each method's; a vote is common practice, no source.

    Examples
    --------
    >>> z = 0.1 + 0.4j  # of the source, ohm; behind the recorder a load and then a fault
    >>> i1 = np.where(np.arange(40) < 20, 10 + 0j, 10 - 100j)
    >>> side = hc.find_direction(240 - z * i1, i1, n_before=20, i_start=20, i_stop=38)
    >>> side.direction
    'downstream'
    """
    v, i = np.asarray(v1, np.complex128), np.asarray(i1, np.complex128)
    if v.shape != i.shape or v.ndim != 1 or not 0 < n_before <= i_start < i_stop <= v.size:
        raise ValueError(f"shapes {v.shape} and {i.shape}, {n_before} before and {i_start} to {i_stop} do not agree")
    span = partial(Course.of, n_before=n_before, i_start=i_start, i_stop=i_stop)
    voltage, current = span(v), span(i)
    methods = (resistance_sign, system_trajectory, real_current, distance, load_admittance)
    answers = [method(voltage, current) for method in methods]
    if power is not None and voltage_falls(voltage):
        answers.append(disturbance_power(power))
    z2 = None
    if negative is not None:
        v2, i2 = (np.asarray(x, np.complex128) for x in negative)
        if v2.shape != v.shape or i2.shape != v.shape:
            raise ValueError(f"shapes {v2.shape} and {i2.shape} of the negative sequence do not agree with {v.shape}")
        z2 = negative_impedance(voltage, current, span(v2), span(i2))
        answers.append(negative_sequence(z2))
    found = _vote(tuple(answers))
    share, size, z1 = off_the_line(voltage, current)
    if found.direction == DOWNSTREAM and share > _OFF_LINE[0]:
        if size > _OFF_LINE[1]:
            return _open(found, _NO_LINE)
        found = replace(found, confidence=min(found.confidence, _SPLIT))
    elif found.direction == DOWNSTREAM and not _is_sources(z1):
        return _open(found, _NO_SOURCE)
    if by_load and not _fits_a_load(found.direction, z1, against_before(z1, voltage, current)):
        return _open(found, _NOT_BY_LOAD)
    doubt = _doubt(found.direction, z1, z2)
    return found if doubt is None else _open(found, doubt)


def _open(found: Direction, reason: str) -> Direction:
    return replace(found, direction=UNKNOWN, confidence=0.0, reason=f"{reason}; {found.reason}")


def _doubt(direction: str, z1: complex, z2: complex | None) -> str | None:
    """What the negative sequence says against a side: it knows nothing of the power that flows."""
    if z2 is None or direction == UNKNOWN:
        return None
    if _are_turned(z1, z2):
        return TURNED
    return None if _is_sources(z2) == (direction == DOWNSTREAM) else _AGAINST


def _fits_a_load(direction: str, impedance: complex, size: float) -> bool:
    """Whether an impedance of changes, and its size against V1 / I1 before, are those of a load, or of its source."""
    if direction == DOWNSTREAM:
        return size <= _WEAKEST_SOURCE and float(np.angle(-impedance)) >= _MOST_RESISTIVE
    return direction != UPSTREAM or size >= _STIFFEST_LOAD


def _is_sources(impedance: complex) -> bool:
    """Whether an impedance of changes is that of a source, turned round."""
    return points_to(impedance) < -CLEAR


def _are_turned(z1: complex, z2: complex) -> bool:
    """Whether the impedances of both sequences, which are much alike on either side, lie a third of a turn apart.

    Voltages moved on by one phase against currents turn by it in the positive sequence, and back in the negative one.
    """
    apart = abs(float(np.angle(z2 * z1.conjugate())))
    return z1 != 0 and abs(apart - _TURN) < _NEAR_TURN


def _vote(answers: tuple[Answer, ...]) -> Direction:
    votes = [answer.direction for answer in answers if answer.direction is not None]
    n_down = votes.count(DOWNSTREAM)
    winner, n = (DOWNSTREAM, n_down) if 2 * n_down > len(votes) else (UPSTREAM, len(votes) - n_down)
    words = ", ".join(f"{answer.method}: {answer.direction or 'cannot tell'}" for answer in answers)
    if len(votes) < _FEWEST_VOTES or n < max(_MAJORITY * len(votes), _FEWEST_VOTES):
        return Direction(UNKNOWN, 0.0, answers, words)
    confidence = _SPLIT if n < len(votes) else _FEW if n < _MANY_VOTES else _AGREED
    return Direction(winner, confidence, answers, words)
