"""An event explained: three-phase type, side of the monitor, cause, and a sentence that says why."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import entry_points
from typing import Final

import numpy as np

from halfcycle.classifiers.cause import UNKNOWN as UNKNOWN_CAUSE
from halfcycle.classifiers.cause import Cause, rule_scores
from halfcycle.classifiers.cause_model import CauseModel
from halfcycle.classifiers.cause_naming import name_cause
from halfcycle.classifiers.dip_type import DipType, classify_dip
from halfcycle.classifiers.direction import TURNED, UNKNOWN, Direction, find_direction
from halfcycle.classifiers.direction_methods import PowerTrace
from halfcycle.classifiers.earth_fault import earth_fault_direction
from halfcycle.classifiers.evidence import Evidence
from halfcycle.classifiers.first_departure import first_departure_direction
from halfcycle.classifiers.point_on_wave import LEAST_SAMPLES_PER_CYCLE, PointOnWave, point_on_wave
from halfcycle.pipeline.measures.cause_features import cause_features
from halfcycle.pipeline.measures.event_measures import gather_evidence
from halfcycle.pipeline.measures.event_parts import EventParts, event_parts
from halfcycle.pipeline.measures.event_window import (
    EventWindow,
    PhasorSeries,
    at_onset,
    lasting_change,
    series_of_part,
    three_phase_power,
)
from halfcycle.pipeline.measures.phasors import earlier_samples
from halfcycle.pipeline.resources import resource
from halfcycle.pipeline.sites.wiring_correction import Wiring

_LEAST_BEFORE_TRIP: Final = 6  # half cycles that a fault lasts before it is cleared: common practice, no source
_RISE, _CUT_OFF = 1.5, 0.1  # of the current before; of what the event drew


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is said of an event beyond what was measured.

    Attributes
    ----------
    dip : its three-phase type; None where it is no sag, or there are not three voltages.
    points : on the wave, and the jump of the phase; None where it is neither sag nor swell.
    direction : None where there are not three currents, or the wiring is in doubt.
    cause : with its confidence and why.
    why : all of it, in a sentence or two.

    Examples
    --------
    >>> [field for field in hc.Explanation.__slots__]
    ['dip', 'points', 'direction', 'cause', 'why']
    """

    dip: DipType | None
    points: PointOnWave | None
    direction: Direction | None
    cause: Cause
    why: str


def explain(
    window: EventWindow,
    *,
    sag: bool,
    swell: bool = False,
    repeats: int | None = None,
    dead_time_s: float | None = None,
    notches_per_cycle: int | None = None,
    notch_depth_pu: float | None = None,
    wiring: Wiring | None = None,
    following: float | None = None,
    after_outage: bool = False,
) -> Explanation:
    """Everything the classifiers say of one event.

    Parameters
    ----------
    window : the waveforms around it, in volts and amperes; see `measures.event_window.EventWindow`. Three cycles
        before the event are needed; two to three seconds after its start tell a motor from a step, and show a trip
        or a reclosing.
    sag : whether it is a sag, undervoltage or interruption, so that it has a type.
    swell : whether it is a swell or overvoltage.
    repeats, dead_time_s : of its sequence, by `halfcycle.classifiers.reclosing`; None where it is alone.
    notches_per_cycle, notch_depth_pu : where notching was found.
    wiring : what is known of leads and clamps; None: they are taken for right. Channels are put right where it says
        how; where currents are in doubt they are left out, and where voltages are, type, side and cause are withheld.
    following : where the next event begins; type, side and size are told from what lies before it, the cause from all
        that the window has. None: nothing follows. [samples]
    after_outage : whether a phase was dead a moment before.

    Returns
    -------
    Explanation. Where nothing can be told its parts are None, or say so.

    Raises
    ------
    SignalError : too little before or after the start, or samples that are not finite.

    Examples
    --------
    >>> stage = hc.Stage(start_s=0.5, duration_s=0.12, residual_pu=(0.4, 1.0, 1.0))
    >>> wave = hc.Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=2.0, stages=(stage,))
    >>> capture = hc.synthesise(wave, start_ns=0).capture
    >>> u = np.array([capture.physical(i) for i in range(3)])
    >>> window = hc.EventWindow(u, None, rate_hz=6400, frequency_hz=50, start=3200, stop=3968)
    >>> told = hc.explain(window, sag=True)
    >>> told.dip.dip_type, told.cause.cause, told.direction is None  # there are no currents
    ('B', 'fault', True)
    """
    wiring = Wiring() if wiring is None else wiring
    window = at_onset(_put_right(window, wiring))
    parts = event_parts(window, following)
    own, series = parts.own, parts.series
    dip = None
    is_told = "voltages" not in wiring.lost
    if is_told and sag and parts.dip is not None:
        dip = classify_dip(*parts.dip, line_to_line=window.line_to_line)
    points = None
    if (sag or swell) and window.rate_hz / series.frequency_hz >= LEAST_SAMPLES_PER_CYCLE:
        points = _wave_points(own, series, swell=swell)
    over_all = side_of(own, series, wiring) if is_told else None
    direction = over_all
    if is_told and (of_earth_fault := _side_of_earth_fault(series, wiring)) is not None:
        direction = of_earth_fault
    elif is_told and (before_trip := _before_a_trip(own, series)) is not None:
        direction = side_of(before_trip, series_of_part(series, before_trip), wiring)
    if direction is not None and direction.direction == UNKNOWN:
        direction = _side_of_first_departure(own, series, wiring, direction.reason) or direction
    known = direction is not None and direction.direction != UNKNOWN
    if is_told:
        jump_deg = None if points is None else points.phase_jump_deg
        evidence, numbers = measured(parts, over_all, phase_jump_deg=jump_deg)  # as the model was trained
        evidence = replace(
            evidence, repeats=repeats, dead_time_s=dead_time_s, notches_per_cycle=notches_per_cycle,
            notch_depth_pu=notch_depth_pu,
        )  # fmt: skip
        cause = _surest(name_cause(cause_model(), evidence, numbers, after_outage=after_outage), evidence)
    else:
        cause = Cause(UNKNOWN_CAUSE, 0.0, "withheld")
    words = [f"{cause.cause}: {cause.why}"]
    if dip is not None and dip.dip_type is not None:
        words.append(dip.reason)
    if direction is not None and known:
        votes = [answer.method for answer in direction.answers if answer.direction == direction.direction]
        words.append(f"{direction.direction} by {', '.join(votes)}")
    if wiring.words:
        left_out = "; currents not used, side withheld" if "currents" in wiring.lost and is_told else ""
        words.append(wiring.words + left_out)
    return Explanation(dip, points, direction, cause, "; ".join(words))


def measured(
    parts: EventParts, direction: Direction | None, *, phase_jump_deg: float | None = None
) -> tuple[Evidence, dict[str, float]]:
    """What the rules judge by, of the event alone, and what the model is asked with, of all that follows.

    Parameters
    ----------
    parts : of the event, with its start at its first sample.
    direction : of the event, where it was found.
    phase_jump_deg : of the event; the model does not know it.
    """
    side = None if direction is None or direction.direction == UNKNOWN else direction.direction
    evidence = replace(gather_evidence(parts), direction=side, phase_jump_deg=phase_jump_deg)
    return evidence, cause_features(parts, evidence) | rule_scores(evidence)


@cache
def further_rules() -> tuple[Callable[[Evidence], Cause | None], ...]:
    """Rules of other distributions, by the entry-point group ``halfcycle.causes``; None where one does not apply."""
    return tuple(entry.load() for entry in entry_points(group="halfcycle.causes"))


def _surest(cause: Cause, evidence: Evidence) -> Cause:
    """The model's cause, or that of a further rule which is surer; of equals the model's, then in order of entry."""
    told = [verdict for rule in further_rules() if (verdict := rule(evidence)) is not None]
    return max([cause, *told], key=lambda verdict: verdict.confidence)


@cache
def cause_model() -> CauseModel:
    """The model that is shipped."""
    return CauseModel.read(resource("datasets", "causes/model.npz"))


def _before_a_trip(window: EventWindow, series: PhasorSeries) -> EventWindow | None:
    """The window up to where a current that the event drew is cut off; None where none is.

    What follows is a disconnection, whose side is that of the breaker, not of the fault.

    Source: derived.
    """
    if series.i is None:
        return None
    sizes = np.abs(series.i)
    inside = sizes[:, series.i_start : series.i_stop]
    if inside.shape[1] <= _LEAST_BEFORE_TRIP:
        return None
    drawn = inside[:, :_LEAST_BEFORE_TRIP].max(axis=1)
    rose = drawn > _RISE * sizes[:, series.before].mean(axis=1)
    gone = (inside < _CUT_OFF * drawn[:, None])[rose].any(axis=0)
    gone[:_LEAST_BEFORE_TRIP] = False
    if not gone.any():
        return None
    last = int(series.starts[series.i_start + int(gone.argmax()) - 1])
    i = None if window.i is None else window.i[:, :last]
    return replace(window, u=window.u[:, :last], i=i, stop=min(window.stop, float(last)))


def side_of(window: EventWindow, series: PhasorSeries, wiring: Wiring | None = None) -> Direction | None:
    """The side of an event; None where there are not three currents."""
    v1, v2, components = series.v1, series.v2, series.components_of_i
    if window.i is None or v2 is None or components is None:
        return None
    _, i1, i2 = components
    i_start, i_stop = lasting_change(series)
    first, stop, cycle = round(window.start), min(round(window.stop), window.u.shape[1]), round(window.cycle)
    trace = None
    if cycle <= first < stop:  # a step that is over as it begins has no power of its own
        about = slice(first - cycle, stop)
        power = three_phase_power(replace(window, u=window.u[:, about], i=window.i[:, about]))
        trace = None if power is None else PowerTrace(power, window.rate_hz, cycle, power.size, cycle)
    direction = find_direction(
        v1, i1, n_before=series.n_before, i_start=i_start, i_stop=i_stop, power=trace,
        negative=(v2, i2), by_load=wiring is not None and wiring.by_load,
    )  # fmt: skip
    return direction if wiring is None else replace(direction, confidence=min(direction.confidence, wiring.sure))


def _side_of_earth_fault(series: PhasorSeries, wiring: Wiring) -> Direction | None:
    """The side by the zero sequence; None where it does not tell, or nobody has declared where the clamps point to.

    With generation behind clamps that are all backwards the zero sequence looks as it does on the other side.
    """
    voltages, currents = series.components_of_u, series.components_of_i
    if voltages is None or currents is None or series.line_to_line or wiring.by_load:
        return None
    (v0, v1, _), (i0, i1, _) = voltages, currents
    found = earth_fault_direction(
        v0, i0, v1, i1, n_before=series.n_before, i_start=series.i_start, i_stop=series.i_stop
    )  # fmt: skip
    return None if found is None else replace(found, confidence=min(found.confidence, wiring.sure))


def _side_of_first_departure(
    window: EventWindow, series: PhasorSeries, wiring: Wiring, reason: str
) -> Direction | None:
    """The side by the first milliseconds, where the vote leaves it open; None where they do not tell either.

    As with earth faults somebody must have declared where the clamps point to, and nothing may speak against it.
    """
    if window.i is None or series.components_of_i is None or series.line_to_line or wiring.by_load:
        return None
    if series.v2 is None or reason.startswith(TURNED):
        return None
    cycle, start = window.rate_hz / series.frequency_hz, int(window.start) - 1
    begin = max(start - int(cycle), math.ceil(cycle))
    stop = min(start + math.ceil(cycle / 8) + 1, window.u.shape[1] - 1)
    changes = [x[:, begin:stop] - earlier_samples(x, begin, stop, cycle) for x in (window.u, window.i)]
    found = first_departure_direction(*changes, n_before=start - begin, cycle=cycle)
    return None if found is None else replace(found, confidence=min(found.confidence, wiring.sure))


def _put_right(window: EventWindow, wiring: Wiring) -> EventWindow:
    currents = window.i if "currents" not in wiring.lost else None
    return replace(
        window,
        u=wiring.corrected_voltages(window.u) if "voltages" not in wiring.lost else window.u,
        i=None if currents is None else wiring.corrected_currents(currents),
    )


def _wave_points(window: EventWindow, series: PhasorSeries, *, swell: bool) -> PointOnWave:
    """Of the phase that lost most, or of a swell gained most."""
    inside = series.sizes[:, series.i_start : series.i_stop] / np.maximum(series.sizes_before, 1e-30)[:, None]
    worst = int(inside.max(axis=1).argmax()) if swell else int(inside.min(axis=1).argmin())
    return point_on_wave(
        window.u[worst],
        rate_hz=window.rate_hz,
        frequency_hz=series.frequency_hz,
        start=window.start,
        stop=window.stop if window.stop < window.u.shape[1] else None,
        rising=swell,
    )
