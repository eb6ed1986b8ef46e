"""An event explained: three-phase type, side of the monitor, cause, and a sentence that says why."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from classifiers.cause import Verdict, find_cause
from classifiers.dip_type import DipType, classify_dip
from classifiers.direction import UNKNOWN, Direction, PowerTrace, find_direction
from classifiers.point_on_wave import LEAST_SAMPLES_PER_CYCLE, PointOnWave, point_on_wave
from pipeline.measures.event_measures import gather_evidence
from pipeline.measures.event_window import (
    EventWindow,
    PhasorSeries,
    at_onset,
    dip_phasors,
    lasting_change,
    phasor_series,
    positive_sequence,
    three_phase_power,
)


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is said of an event beyond what was measured.

    Attributes
    ----------
    dip : its three-phase type; None where it is no sag, or there are not three voltages.
    points : on the wave, and the jump of the phase; None where it is neither sag nor swell.
    direction : None where there are not three currents.
    cause : with its confidence and why.
    why : all of it, in a sentence or two.
    """

    dip: DipType | None
    points: PointOnWave | None
    direction: Direction | None
    cause: Verdict
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
) -> Explanation:
    """Everything the classifiers say of one event.

    Parameters
    ----------
    window : the waveforms around it, in volts and amperes; see `measures.event_window.EventWindow`. Three cycles
        before the event are needed; two seconds after its start tell a motor from a step.
    sag : whether it is a sag, undervoltage or interruption, so that it has a type.
    swell : whether it is a swell or overvoltage.
    repeats, dead_time_s : of the sequence that it belongs to, by `classifiers.reclosing`; None where it is alone.
    notches_per_cycle, notch_depth_pu : where notching was found.

    Returns
    -------
    Explanation. Where nothing can be told its parts are None, or say so.

    Raises
    ------
    SignalError : too little before or after the start, or samples that are not finite.
    """
    window = at_onset(window)
    series = phasor_series(window)
    dip = direction = None
    if sag and series.u.shape[0] == 3:
        dip = classify_dip(*dip_phasors(series, cycle=window.cycle), line_to_line=window.line_to_line)
    points = None
    if (sag or swell) and window.cycle >= LEAST_SAMPLES_PER_CYCLE:
        points = _wave_points(window, series, swell=swell)
    power = three_phase_power(window)
    if series.i is not None and power is not None:
        v1 = positive_sequence(series.u, line_to_line=window.line_to_line)
        i1 = positive_sequence(series.i)
        i_start, i_stop = lasting_change(series, v1, i1)
        first, stop, cycle = round(window.start), min(round(window.stop), power.size), round(window.cycle)
        # A step that is over as it begins has no power of its own.
        trace = PowerTrace(power, window.rate_hz, first, stop, cycle) if cycle <= first < stop else None
        direction = find_direction(v1, i1, n_before=series.n_before, i_start=i_start, i_stop=i_stop, power=trace)
    known = direction is not None and direction.direction != UNKNOWN
    evidence = replace(
        gather_evidence(window),
        repeats=repeats,
        dead_time_s=dead_time_s,
        notches_per_cycle=notches_per_cycle,
        notch_depth_pu=notch_depth_pu,
        direction=direction.direction if direction is not None and known else None,
    )
    cause = find_cause(evidence)
    words = [f"{cause.cause}: {cause.why}"]
    if dip is not None and dip.dip_type is not None:
        words.append(dip.reason)
    if direction is not None and known:
        votes = [answer.method for answer in direction.answers if answer.direction == direction.direction]
        words.append(f"{direction.direction} by {', '.join(votes)}")
    return Explanation(dip, points, direction, cause, "; ".join(words))


def _wave_points(window: EventWindow, series: PhasorSeries, *, swell: bool) -> PointOnWave:
    """Of the phase that lost most, or of a swell gained most."""
    sizes = np.abs(series.u)
    relative = sizes / np.maximum(sizes[:, series.before].mean(axis=1, keepdims=True), 1e-30)
    inside = relative[:, series.i_start : series.i_stop]
    worst = int(inside.max(axis=1).argmax()) if swell else int(inside.min(axis=1).argmin())
    return point_on_wave(
        window.u[worst],
        rate_hz=window.rate_hz,
        frequency_hz=series.frequency_hz,
        start=window.start,
        stop=window.stop if window.stop < window.u.shape[1] else None,
        rising=swell,
    )
