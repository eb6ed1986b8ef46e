"""Upstream or downstream: on which side of the monitor a sag's cause lies, by six methods and their vote.

Downstream is where active power flowed to before the event, whichever way the current is counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

UPSTREAM: Final = "upstream"
DOWNSTREAM: Final = "downstream"
UNKNOWN: Final = "unknown"

_LEAST_CHANGE: Final = 0.001  # of V1 before: a voltage that changes by less has no direction
_LEAST_CURRENT_CHANGE: Final = 0.003  # of I1 before: likewise
_IN_SCATTER: Final = 5.0  # times what the half cycles before scatter by: likewise
_LEAST_ENERGY: Final = 0.02  # of the steady power, over the event: likewise
_ENERGY_KEPT: Final = 0.8  # of its peak, that disturbance energy must end with
_FEWEST_VOTES: Final = 2
_MAJORITY: Final = 0.6  # of those that answer
_FOLLOWS: Final = 1.3  # added current over what the load before would make of the voltage: up to here upstream
_BEYOND: Final = 3.0  # and from here on downstream
_INSIDE_FIT: Final = 0.3  # of what would change, that a line does not explain: no line


@dataclass(frozen=True, slots=True)
class Answer:
    """One method's answer.

    Attributes
    ----------
    method : its name in words.
    direction : ``upstream``, ``downstream``, or None where it cannot tell.
    value : the quantity whose sign it judges; None where it could not be worked out.
    """

    method: str
    direction: str | None
    value: float | None


@dataclass(frozen=True, slots=True)
class Direction:
    """The vote.

    Attributes
    ----------
    direction : ``upstream``, ``downstream`` or ``unknown``.
    confidence : share of the votes for it, less where few answered; 0 for ``unknown``.
    answers : of each method.
    reason : in words.
    """

    direction: str
    confidence: float
    answers: tuple[Answer, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class PowerTrace:
    """Instantaneous three-phase power around an event.

    Attributes
    ----------
    power_w : shape (n,). [W]
    rate_hz : of the samples. [Hz]
    start, stop : samples of the event, half-open; a cycle and more lies before it.
    cycle : samples in a cycle.
    """

    power_w: F64
    rate_hz: float
    start: int
    stop: int
    cycle: int


def find_direction(
    v1: npt.ArrayLike, i1: npt.ArrayLike, *, n_before: int, i_start: int, i_stop: int, power: PowerTrace | None = None
) -> Direction:
    """The side of the monitor that an event's cause lies on.

    Parameters
    ----------
    v1, i1 : complex, shape (n,). Positive-sequence phasors of voltage and current at each half cycle, against the same
        reference of time. Where the active power before is below zero the current is counted the other way. [V], [A]
    n_before : so many half cycles at the beginning lie wholly before the event; the last five cycles of them count.
    i_start, i_stop : half-open range of half cycles whose windows lie within the event, or in what it leaves behind.
    power : for the method of disturbance power, which is asked where the voltage falls; None leaves it out.

    Returns
    -------
    Direction; ``unknown`` where fewer than two methods can tell, or fewer than 60 % of them agree.

    Raises
    ------
    ValueError : shapes or ranges that do not fit.

    Source: each method's; a vote is common practice, no source.
    """
    v, i = np.asarray(v1, np.complex128), np.asarray(i1, np.complex128)
    if v.shape != i.shape or v.ndim != 1 or not 0 < n_before <= i_start < i_stop <= v.size:
        raise ValueError(f"shapes {v.shape} and {i.shape}, {n_before} before and {i_start} to {i_stop} do not fit")
    before = _before(n_before)
    if float((v[before] * i[before].conj()).real.mean()) < 0:
        i = -i
        power = None if power is None else replace(power, power_w=-power.power_w)
    answers = [
        resistance_sign(v, i, n_before=n_before, i_start=i_start, i_stop=i_stop),
        system_trajectory(v, i, n_before=n_before, i_start=i_start, i_stop=i_stop),
        real_current(v, i, n_before=n_before, i_start=i_start, i_stop=i_stop),
        distance(v, i, n_before=n_before, i_start=i_start, i_stop=i_stop),
        load_admittance(v, i, n_before=n_before, i_start=i_start, i_stop=i_stop),
    ]
    if power is not None and _falls(v, n_before, i_start, i_stop):
        answers.append(disturbance_power(power))
    return _vote(tuple(answers))


def resistance_sign(v1: C128, i1: C128, *, n_before: int, i_start: int, i_stop: int) -> Answer:
    """The sign of the resistance Re(dV1 / dI1): that of the source, turned, if the cause lies downstream.

    Parameters
    ----------
    v1, i1, n_before, i_start, i_stop : as of `find_direction`, power before above zero.

    Source: T. Tayjasanant, C. Li, W. Xu, "A resistance sign-based method for voltage sag source detection", IEEE Trans.
    Power Delivery 20 (2005), 2544-2551 (from memory): below zero is downstream. Departs: the impedance is the least
    squares of the changes against the mean before the event.
    """
    name = "resistance sign"
    dv, di = _changes(v1, i1, n_before, i_start, i_stop)
    if not (_changed(dv, v1, n_before, _LEAST_CHANGE) and _changed(di, i1, n_before, _LEAST_CURRENT_CHANGE)):
        return Answer(name, None, None)
    impedance = complex((di.conj() @ dv) / (di.conj() @ di))
    # A resistance that is small beside the reactance has a sign that noise may turn.
    if abs(impedance.real) < 0.05 * abs(impedance):
        return Answer(name, None, impedance.real)
    return Answer(name, DOWNSTREAM if impedance.real < 0 else UPSTREAM, impedance.real)


def system_trajectory(v1: C128, i1: C128, *, n_before: int, i_start: int, i_stop: int) -> Answer:
    """The slope of |V1 cos(angle)| over |I1|, from before the event into it.

    Parameters
    ----------
    v1, i1, n_before, i_start, i_stop : as of `find_direction`, power before above zero.

    Source: C. Li, T. Tayjasanant, W. Xu, X. Liu, "Method for voltage-sag-source detection by investigating slope of the
    system trajectory", IEE Proc. Gener. Transm. Distrib. 150 (2003), 367-372 (from memory): below zero is downstream.
    """
    name = "slope of the system trajectory"
    before = _before(n_before)
    v = np.concatenate([v1[before], v1[i_start:i_stop]])
    i = np.concatenate([i1[before], i1[i_start:i_stop]])
    if not _falls(v1, n_before, i_start, i_stop):
        return Answer(name, None, None)
    current, voltage = np.abs(i), np.abs(np.abs(v) * np.cos(np.angle(v * i.conj())))
    spread = current - current.mean()
    if not float(np.ptp(current)) > _least(i1, n_before, _LEAST_CURRENT_CHANGE):
        return Answer(name, None, None)
    deviation = voltage - voltage.mean()
    slope = float((spread @ deviation) / (spread @ spread))
    unexplained = float(((deviation - slope * spread) ** 2).sum() / max(float((deviation**2).sum()), 1e-30))
    if unexplained > 1 - _INSIDE_FIT:
        return Answer(name, None, slope)
    return Answer(name, DOWNSTREAM if slope < 0 else UPSTREAM, slope)


def real_current(v1: C128, i1: C128, *, n_before: int, i_start: int, i_stop: int) -> Answer:
    """The change of the current in phase with the voltage at the start of a sag.

    Parameters
    ----------
    v1, i1, n_before, i_start, i_stop : as of `find_direction`, power before above zero.

    Source: N. Hamzah, A. Mohamed, A. Hussain, "A new approach to locate the voltage sag source using real current
    component", Electric Power Systems Research 72 (2004), 113-123 (from memory): a rise is downstream.
    """
    name = "real current component"
    if not _falls(v1, n_before, i_start, i_stop):
        return Answer(name, None, None)
    part = np.abs(i1) * np.cos(np.angle(v1 * i1.conj()))
    before, now = float(part[_before(n_before)].mean()), float(part[i_start : min(i_start + 4, i_stop)].mean())
    change = now - before
    if abs(change) <= _least(i1, n_before, _LEAST_CURRENT_CHANGE):
        return Answer(name, None, change)
    return Answer(name, DOWNSTREAM if change > 0 else UPSTREAM, change)


def distance(v1: C128, i1: C128, *, n_before: int, i_start: int, i_stop: int) -> Answer:
    """Whether the impedance V1 / I1 becomes smaller in a sag, with an angle that points downstream.

    Parameters
    ----------
    v1, i1, n_before, i_start, i_stop : as of `find_direction`, power before above zero.

    Source: A. K. Pradhan, A. Routray, "Applying distance relay for voltage sag source detection", IEEE Trans. Power
    Delivery 20 (2005), 529-531 (from memory): |Z| drops and its angle is above zero, downstream.
    """
    name = "distance"
    if not _falls(v1, n_before, i_start, i_stop):
        return Answer(name, None, None)
    calm, event = _before(n_before), slice(i_start, i_stop)
    before, now = complex(i1[calm].mean()), complex(i1[event].mean())
    if not abs(before) > 0:
        return Answer(name, None, None)
    earlier = complex(v1[calm].mean()) / before
    if not abs(now) > 0.01 * abs(before):  # nothing flows towards the load any more: it does not feed the sag
        return Answer(name, UPSTREAM, math.inf)
    later = complex(v1[event].mean()) / now
    ratio = abs(later) / abs(earlier)
    share = abs(complex(v1[event].mean())) / abs(complex(v1[calm].mean()))
    # A load of constant power behind an upstream sag takes |Z| down by the square of the voltage.
    downstream = ratio < min(0.95, share**2) and later.imag > 0
    return Answer(name, DOWNSTREAM if downstream else UPSTREAM, ratio)


def load_admittance(v1: C128, i1: C128, *, n_before: int, i_start: int, i_stop: int) -> Answer:
    """Whether the current changes as the load before the event would make it, or far beyond that.

    Parameters
    ----------
    v1, i1, n_before, i_start, i_stop : as of `find_direction`, power before above zero.

    Source: derived, no source: seen from upstream the load is what it was, and dI = Y dV with Y = I1 / V1 before; a
    cause downstream adds a current. Motors make dI as large as that in the other direction, so that a share of added
    current over Y dV between 1.3 and 3 gives no answer.
    """
    name = "load admittance"
    dv, di = _changes(v1, i1, n_before, i_start, i_stop)
    before = _before(n_before)
    v_before, i_before = complex(v1[before].mean()), complex(i1[before].mean())
    if not (abs(v_before) > 0 and abs(i_before) > 0):
        return Answer(name, None, None)
    follows = i_before / v_before * dv
    added = float(np.sqrt((np.abs(di - follows) ** 2).mean()))
    expected = float(np.sqrt((np.abs(follows) ** 2).mean()))
    if max(added, expected) <= _least(i1, n_before, _LEAST_CURRENT_CHANGE):
        return Answer(name, None, None)
    ratio = added / max(expected, 1e-3 * abs(i_before))
    if _FOLLOWS < ratio < _BEYOND:
        return Answer(name, None, ratio)
    return Answer(name, DOWNSTREAM if ratio >= _BEYOND else UPSTREAM, ratio)


def disturbance_power(power: PowerTrace) -> Answer:
    """The energy that the event adds to the steady flow, by its sign at the end.

    Parameters
    ----------
    power : instantaneous power around the event.

    Source: A. C. Parsons, W. M. Grady, E. J. Powers, J. C. Soward, "A direction finder for power quality disturbances
    based upon disturbance power and energy", IEEE Trans. Power Delivery 15 (2000), 1081-1086 (from memory): above zero
    is downstream. Departs: the first peak, which the source asks as well, is not; energy that ends below 80 % of its
    peak gives no answer.
    """
    name = "disturbance power"
    p, cycle = np.asarray(power.power_w, np.float64), power.cycle
    if power.start < cycle or power.stop <= power.start or power.stop > p.size or cycle < 1:
        raise ValueError(f"the event {power.start} to {power.stop} of {p.size} samples has no cycle before it")
    n = power.stop - power.start
    last = p[power.start - cycle : power.start]
    steady = float(last.mean())
    extra = p[power.start : power.stop] - np.resize(last, n)
    energy = np.cumsum(extra) / power.rate_hz
    final, peak = float(energy[-1]), float(np.abs(energy).max())
    if peak < _LEAST_ENERGY * abs(steady) * n / power.rate_hz or abs(final) < _ENERGY_KEPT * peak:
        return Answer(name, None, final)
    return Answer(name, DOWNSTREAM if final > 0 else UPSTREAM, final)


def _vote(answers: tuple[Answer, ...]) -> Direction:
    votes = [answer.direction for answer in answers if answer.direction is not None]
    n_down = votes.count(DOWNSTREAM)
    winner, n = (DOWNSTREAM, n_down) if 2 * n_down > len(votes) else (UPSTREAM, len(votes) - n_down)
    words = ", ".join(f"{answer.method}: {answer.direction or 'cannot tell'}" for answer in answers)
    if len(votes) < _FEWEST_VOTES or n < max(_MAJORITY * len(votes), _FEWEST_VOTES):
        return Direction(UNKNOWN, 0.0, answers, words)
    return Direction(winner, n / (len(votes) + 1), answers, words)


def _before(n_before: int) -> slice:
    """What counts as before: five cycles at most."""
    return slice(max(0, n_before - 10), n_before)


def _changes(v1: C128, i1: C128, n_before: int, i_start: int, i_stop: int) -> tuple[C128, C128]:
    before = _before(n_before)
    return v1[i_start:i_stop] - v1[before].mean(), i1[i_start:i_stop] - i1[before].mean()


def _least(series: C128, n_before: int, share: float) -> float:
    """The least change that counts: a share of what was before, and clear of how that scattered."""
    before = series[_before(n_before)]
    scatter = float(np.sqrt((np.abs(before - before.mean()) ** 2).mean()))
    return max(share * float(np.abs(before).mean()), _IN_SCATTER * scatter)


def _changed(change: C128, series: C128, n_before: int, share: float) -> bool:
    return float(np.sqrt((np.abs(change) ** 2).mean())) > _least(series, n_before, share)


def _falls(v1: C128, n_before: int, i_start: int, i_stop: int) -> bool:
    before, now = float(np.abs(v1[_before(n_before)]).mean()), float(np.abs(v1[i_start:i_stop]).mean())
    return before - now > _least(v1, n_before, _LEAST_CHANGE)
