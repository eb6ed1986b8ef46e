"""Methods that tell the side of a sag's cause, each by another part of the voltage and the current.

Current and power count as positive towards downstream; `halfcycle.classifiers.direction` has the convention. Each
method says what it does where power flowed upstream before: it holds as it is, or gives no answer where it cannot tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

UPSTREAM: Final = "upstream"
DOWNSTREAM: Final = "downstream"

_LEAST_CHANGE: Final = 0.001  # of V1 before: a voltage that changes by less has no direction
_LEAST_CURRENT_CHANGE: Final = 0.003  # of I1 before: likewise
_IN_SCATTER: Final = 5.0  # times what the half cycles before scatter by: likewise
_LEAST_ENERGY: Final = 0.02  # of the steady power, over the event: likewise
_ENERGY_KEPT: Final = 0.8  # of its peak, that disturbance energy must end with
_FOLLOWS: Final = 1.3  # added current over what the load before would make of the voltage: up to here upstream
_BEYOND: Final = 3.0  # and from here on downstream
_INSIDE_FIT: Final = 0.3  # of what would change, that a line does not explain: no line
_LOAD_POWER_FACTOR: Final = 0.5  # from which on what flows before is taken for that of a load
_LEAST_NEGATIVE: Final = (0.01, 0.02)  # of V1 and I1 before: less negative sequence has no direction
_LEAST_UNBALANCED: Final = 0.15  # of the change of V1: the change of V2 in an unbalanced event is a third and more
_GONE: Final = 0.05  # of V1 before: what is left of it where all is gone
_MIDDLE_DEG: Final = 60.0  # of impedances as they are, of networks and of sites: resistance, and reactance as large
CLEAR: Final = 0.3
"""Cosine of the angle from there: nearer to a right angle an impedance is neither the site's nor the source's."""
_CALM: Final = 10  # half cycles before the event, that count as before
_LINE_HALF_CYCLES: Final = 12  # of the event, that must lie on it: later phasors may have turned


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


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A phasor before an event and in it, at each half cycle.

    Attributes
    ----------
    before, event : shapes (n,). The last five cycles before it at most; and in it.
    mean, scatter : of what lies before, and how far it scatters, RMS.
    size, event_size : mean magnitudes before it and in it.
    change, moved : the event less that mean, and its RMS.
    """

    before: C128
    event: C128
    mean: complex
    size: float
    event_size: float
    scatter: float
    change: C128
    moved: float

    @classmethod
    def of(cls, series: C128, *, n_before: int, i_start: int, i_stop: int) -> Course:
        """Of a series whose first windows lie before the event, and a range of windows within it."""
        before, event = series[max(0, n_before - _CALM) : n_before], series[i_start:i_stop]
        mean = complex(_mean(before))
        change = event - mean
        sizes = float(_mean(np.abs(before))), float(_mean(np.abs(event)))
        return cls(before, event, mean, *sizes, rms(before - mean), change, rms(change))


def resistance_sign(v1: Course, i1: Course) -> Answer:
    """The sign of the resistance Re(dV1 / dI1): that of the source, turned, if the cause lies downstream.

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]

    Source: T. Tayjasanant, C. Li, W. Xu, "A resistance sign-based method for voltage sag source detection", IEEE Trans.
    Power Delivery 20 (2005), 2544-2551 (from memory): below zero is downstream. Changes alone count, so that power may
    flow either way before. Departs: the impedance is the least squares of the changes against the mean before the
    event; and below zero with a reactance that is not, it is no source's turned round, and gives no answer.
    """
    name = "resistance sign"
    if not (v1.moved > _least(v1, _LEAST_CHANGE) and i1.moved > _least(i1, _LEAST_CURRENT_CHANGE)):
        return Answer(name, None, None)
    impedance = ratio(v1.change, i1.change)
    # A resistance that is small beside the reactance has a sign that noise may turn.
    if abs(impedance.real) < 0.05 * abs(impedance):
        return Answer(name, None, impedance.real)
    if impedance.real > 0:
        return Answer(name, UPSTREAM, impedance.real)
    return Answer(name, DOWNSTREAM if impedance.imag < 0 else None, impedance.real)


def system_trajectory(v1: Course, i1: Course) -> Answer:
    """The slope of |V1| over the current in phase with it, from before the event into it.

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]

    Source: C. Li, T. Tayjasanant, W. Xu, X. Liu, "Method for voltage-sag-source detection by investigating slope of the
    system trajectory", IEE Proc. Gener. Transm. Distrib. 150 (2003), 367-372 (from memory): below zero is downstream.
    Departs: the current has its sign, so that power may flow either way before (the source has |V1 cos(angle)| over
    |I1|, which fold where power turns round). A current that flowed upstream before and flows less that way in the
    event gives no answer: what feeds a sag upstream may be a generator that its voltage no longer lets feed as much.
    """
    name = "slope of the system trajectory"
    if not voltage_falls(v1):
        return Answer(name, None, None)
    voltages, currents = (np.concatenate((x.before, x.event)) for x in (v1, i1))
    current, voltage = _in_phase(voltages, currents), np.abs(voltages)
    if not float(np.ptp(current)) > _least(i1, _LEAST_CURRENT_CHANGE):
        return Answer(name, None, None)
    spread, deviation = current - _mean(current), voltage - _mean(voltage)
    slope = float((spread @ deviation) / (spread @ spread))
    unexplained = float(((deviation - slope * spread) ** 2).sum() / max(float((deviation**2).sum()), 1e-30))
    if unexplained > 1 - _INSIDE_FIT:
        return Answer(name, None, slope)
    if slope < 0 and not _flows_downstream(v1, i1):
        return Answer(name, None, slope)
    return Answer(name, DOWNSTREAM if slope < 0 else UPSTREAM, slope)


def real_current(v1: Course, i1: Course) -> Answer:
    """The change of the current in phase with the voltage at the start of a sag.

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]

    Source: N. Hamzah, A. Mohamed, A. Hussain, "A new approach to locate the voltage sag source using real current
    component", Electric Power Systems Research 72 (2004), 113-123 (from memory): a rise is downstream. Departs: a rise
    that leaves the current flowing upstream gives no answer, as in `system_trajectory`.
    """
    name = "real current component"
    if not voltage_falls(v1):
        return Answer(name, None, None)
    early = float(_mean(_in_phase(v1.event[:4], i1.event[:4])))
    change = early - float(_mean(_in_phase(v1.before, i1.before)))
    if abs(change) <= _least(i1, _LEAST_CURRENT_CHANGE):
        return Answer(name, None, change)
    if change > 0 and not _flows_downstream(v1, i1, early):
        return Answer(name, None, change)
    return Answer(name, DOWNSTREAM if change > 0 else UPSTREAM, change)


def distance(v1: Course, i1: Course) -> Answer:
    """Whether the impedance V1 / I1 becomes smaller in a sag, with an angle that points downstream.

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]

    Source: A. K. Pradhan, A. Routray, "Applying distance relay for voltage sag source detection", IEEE Trans. Power
    Delivery 20 (2005), 529-531 (from memory): |Z| drops and its angle is above zero, downstream. Departs: an impedance
    with both parts below zero is what lies upstream, fed from downstream; one part below zero gives no answer where
    power flowed upstream before, or flows so now.
    """
    name = "distance"
    if not voltage_falls(v1):
        return Answer(name, None, None)
    before, now = i1.mean, complex(_mean(i1.event))
    v_before, v_now = v1.mean, complex(_mean(v1.event))
    fed_back = (v_before * before.conjugate()).real < 0
    if not abs(before) > 0:
        return Answer(name, None, None)
    if not abs(now) > 0.01 * abs(before):  # nothing flows towards the load any more: it does not feed the sag
        return Answer(name, None if fed_back else UPSTREAM, math.inf)
    later = v_now / now
    ratio = abs(later) / abs(v_before / before)
    share = abs(v_now) / abs(v_before)
    # A load of constant power behind an upstream sag takes |Z| down by the square of the voltage.
    if later.real > 0 and later.imag > 0 and ratio < min(0.95, share**2):
        return Answer(name, DOWNSTREAM, ratio)
    is_behind = later.real < 0 and later.imag < 0
    cannot_tell = (later.real < 0 or fed_back) and not is_behind
    return Answer(name, None if cannot_tell else UPSTREAM, ratio)


def load_admittance(v1: Course, i1: Course) -> Answer:
    """Whether the current changes as the load before the event would make it, or far beyond that.

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]

    Source: derived, no source: seen from upstream the load is what it was, and dI = Y dV with Y = I1 / V1 before; a
    cause downstream adds a current. Motors make dI as large as that in the other direction, so that a share of added
    current over Y dV between 1.3 and 3 gives no answer; nor does a larger one that something passive downstream, such
    as a load whose power a generator meets, could draw as well; nor is Y a load's where power flowed upstream before,
    or next to none flowed.
    """
    name = "load admittance"
    v_before, i_before = v1.mean, i1.mean
    apparent = abs(v_before) * abs(i_before)
    if not apparent > 0 or (v_before * i_before.conjugate()).real < _LOAD_POWER_FACTOR * apparent:
        return Answer(name, None, None)
    follows = i_before / v_before * v1.change
    added, expected = rms(i1.change - follows), rms(follows)
    if max(added, expected) <= _least(i1, _LEAST_CURRENT_CHANGE):
        return Answer(name, None, None)
    ratio = added / max(expected, 1e-3 * abs(i_before))
    if ratio <= _FOLLOWS:
        return Answer(name, UPSTREAM, ratio)
    is_passive = float((i1.change @ v1.change.conj()).real) > 0
    return Answer(name, DOWNSTREAM if ratio >= _BEYOND and not is_passive else None, ratio)


def disturbance_power(power: PowerTrace) -> Answer:
    """The energy that the event adds to the steady flow, by its sign at the end.

    Parameters
    ----------
    power : instantaneous power around the event, positive towards downstream.

    Source: A. C. Parsons, W. M. Grady, E. J. Powers, J. C. Soward, "A direction finder for power quality disturbances
    based upon disturbance power and energy", IEEE Trans. Power Delivery 15 (2000), 1081-1086 (from memory): above zero
    is downstream. Departs: the first peak, which the source asks as well, is not; energy that ends below 80 % of its
    peak gives no answer; nor does energy that is added but leaves power flowing upstream, as in `system_trajectory`.
    """
    name = "disturbance power"
    p, cycle = np.asarray(power.power_w, np.float64), power.cycle
    if power.start < cycle or power.stop <= power.start or power.stop > p.size or cycle < 1:
        raise ValueError(f"the event {power.start} to {power.stop} of {p.size} samples has no cycle before it")
    n = power.stop - power.start
    last = p[power.start - cycle : power.start]
    steady = float(_mean(last))
    extra = p[power.start : power.stop] - np.resize(last, n)
    energy = np.cumsum(extra) / power.rate_hz
    final, peak = float(energy[-1]), float(np.abs(energy).max())
    if peak < _LEAST_ENERGY * abs(steady) * n / power.rate_hz or abs(final) < _ENERGY_KEPT * peak:
        return Answer(name, None, final)
    if final > 0 and steady < 0 and not float(p[power.start : power.stop].mean()) > abs(steady):
        return Answer(name, None, final)
    return Answer(name, DOWNSTREAM if final > 0 else UPSTREAM, final)


def negative_sequence(impedance: complex | None) -> Answer:
    """The angle of the impedance dV2 / dI2: that of the source, turned, if an unbalanced cause lies downstream.

    Parameters
    ----------
    impedance : as of `negative_impedance`. [ohm]

    Source: common practice of directional protection, no source. Loads, motors and generators downstream have a passive
    impedance in the negative sequence, whatever power they draw or feed.
    """
    name = "negative sequence"
    if impedance is None:
        return Answer(name, None, None)
    toward = points_to(impedance)
    if abs(toward) < CLEAR:
        return Answer(name, None, toward)
    return Answer(name, UPSTREAM if toward > 0 else DOWNSTREAM, toward)


def negative_impedance(v1: Course, i1: Course, v2: Course, i2: Course) -> complex | None:
    """dV2 / dI2 of an unbalanced event; None where either changes too little, or no one impedance fits. [ohm]

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]
    v2, i2 : negative sequence. [V], [A]

    Where no voltage is left, what changed is the unbalance of before, which says nothing of the event: None.

    Source: derived, the ratio of the negative sequences' phasors.
    """
    if rms(v1.event) < _GONE * rms(v1.before):
        return None
    least_v, least_i = (
        max(share * x.size, _IN_SCATTER * y.scatter)
        for share, x, y in zip(_LEAST_NEGATIVE, (v1, i1), (v2, i2), strict=True)
    )
    if v2.moved < _LEAST_UNBALANCED * v1.moved or not (v2.moved > least_v and i2.moved > least_i):
        return None
    impedance = ratio(v2.change, i2.change)
    return None if rms(v2.change - impedance * i2.change) ** 2 > _INSIDE_FIT * v2.moved**2 else impedance


def points_to(impedance: complex) -> float:
    """Cosine of the angle from an impedance as they are: 1 the site's, so upstream; -1 the source's turned round."""
    return math.cos(float(np.angle(impedance)) - math.radians(_MIDDLE_DEG))


def off_the_line(v1: Course, i1: Course) -> tuple[float, float, complex]:
    """By how much dV = Z dI with one Z all along fails, which whatever happens downstream of a source fulfils.

    Where something upstream lowers the voltage and something downstream answers by switching, as a generator that
    stops, no single Z fits.

    Parameters
    ----------
    v1, i1 : positive sequence. [V], [A]

    Returns
    -------
    (share, size, Z): of the square of dV, and RMS in units of V1 before, of what no Z explains in the first six cycles;
    and the Z that explains most. [ohm]

    Source: derived; the source's voltage, V1 + Zs I1, stays.
    """
    dv, di = v1.change[:_LINE_HALF_CYCLES], i1.change[:_LINE_HALF_CYCLES]
    size = float((di.conj() @ di).real)
    impedance = 0j if size == 0 else complex(di.conj() @ dv) / size
    left = dv - impedance * di
    share = (rms(left) / max(rms(dv), 1e-30)) ** 2
    return share, rms(left) / max(v1.size, 1e-30), impedance


def against_before(impedance: complex, v1: Course, i1: Course) -> float:
    """An impedance of changes in units of V1 / I1 before the event, which is the load's where a load is all there is.

    Of a source it is the share of the voltage that the current before takes.

    Parameters
    ----------
    impedance : as of `off_the_line`. [ohm]
    v1, i1 : positive sequence. [V], [A]
    """
    return abs(impedance) * abs(i1.mean) / max(abs(v1.mean), 1e-30)


def ratio(series: C128, by: C128) -> complex:
    """What explains most of one series by another: of voltages by currents an impedance."""
    return complex((by.conj() @ series) / (by.conj() @ by))


def _in_phase(v: C128, i: C128) -> F64:
    """The part of a current in phase with its voltage, above zero where active power flows downstream."""
    part: F64 = np.abs(i) * np.cos(np.angle(v * i.conj()))
    return part


def _flows_downstream(v: Course, i: Course, event: float | None = None) -> bool:
    """Whether active power flows downstream before the event, or in it by as much as it flowed upstream before.

    The current in phase in the event may be given.
    """
    before = float(_mean(_in_phase(v.before, i.before)))
    if before >= 0:
        return True
    return (float(_mean(_in_phase(v.event, i.event))) if event is None else event) > abs(before)


def _mean(series: npt.NDArray[Any]) -> Any:
    return np.add.reduce(series) / series.size  # of a few values, at a third of the general function's cost


def rms(series: C128) -> float:
    """Root of the mean square of magnitudes."""
    return math.sqrt(float(np.vdot(series, series).real) / series.size)


def _least(series: Course, share: float) -> float:
    """The least change that counts: a share of what was before, and clear of how that scattered."""
    return max(share * series.size, _IN_SCATTER * series.scatter)


def voltage_falls(v1: Course) -> bool:
    """Whether the voltage is lower in the event than before, clear of how it scattered."""
    return v1.size - v1.event_size > _least(v1, _LEAST_CHANGE)
