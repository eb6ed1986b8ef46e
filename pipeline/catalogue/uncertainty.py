"""How sure the numbers of a row are: its waveform looked at once more, and what that says of each column."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import hypot, inf, prod, sqrt
from typing import Final, Literal, get_args

import numpy as np

from halfcycle.classifiers.category import duration_range_s
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.detectors.rms_variations import RmsVariation
from halfcycle.pipeline.events import Event, Uncertainty
from halfcycle.pipeline.records.points import Point, judged_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.uncertainty.decisions import probability_within, verdict
from halfcycle.pipeline.uncertainty.edges import Edge
from halfcycle.pipeline.uncertainty.level import LevelEstimate
from halfcycle.pipeline.uncertainty.periodic import fit_periodic
from halfcycle.pipeline.uncertainty.signals import frequency_u_hz, jump_u_deg, peak_u, ringing_u
from halfcycle.pipeline.uncertainty.variation import REACH_CYCLES, HalfCycleValues, Physical, physical_of

Wanted = Literal["none", "standard", "full"]
CHOICES: Final[tuple[Wanted, ...]] = get_args(Wanted)
NOT_INCLUDED: Final = "anti-alias filter, ringing of capacitor voltage transformers, clipping, channel delays"
_TRANSIENTS: Final = frozenset({"impulsive_transient", "oscillatory_transient"})
_STANDARDS_GRID: Final = 0.204  # of a cycle: two instants on a grid of half cycles, where no edge can be told
_STARTS_GRID: Final = 0.144  # of a cycle: one of them: half a cycle over √12
_CALM_CYCLES: Final = 4.0
_JUDGED_CYCLES: Final = 15.0  # of an event, at most, that jump and type are told from,
_LEAD_CYCLES: Final = 7.0  # and before it
_OF_PHASORS: Final = 2 / 3  # of the variance of a phasor, which a sum and a difference of sequence components have
_MEDIAN: Final = 1.57  # times the variance of a mean: of a median
_BEFORE: Final = 0.19  # of one phasor's variance: ten of them, half a cycle apart
_JOINED: Final = 0.024  # of a step, over the samples of a cycle: what joining samples by lines leaves. Monte Carlo
_LOOK_BACK: Final = 120  # windows, 60 cycles: so late may a start be by noise
_MOST_ALIKE: Final = 0.05  # of a value: no noise that is worth judging keeps it so far off
_FIRST: Final = 9  # windows of an event, that tell its level at first
_OF_MEDIAN: Final = 1.4826 / sqrt(2)  # times the median distance of two normal values: their standard deviation
_ALIKE: Final = 4.0  # of those: within what noise explains


def with_uncertainty(
    event: Event,
    variation: RmsVariation,
    record: Record,
    point: Point,
    measured: PointMeasures,
    thresholds: Thresholds,
    *,
    how: Wanted = "standard",
    class_pct: float | None = None,
    clock_u_s: float | None = None,
) -> Event:
    """A sag, swell or interruption with its uncertainties.

    Parameters
    ----------
    event, variation : the row, and what it is of.
    record, point, measured : that it was found in.
    thresholds : that it was judged by.
    how : ``standard``: by closed forms; ``full``: instants, level and probabilities drawn.
    class_pct : accuracy class of the transducers, where it is declared; it cancels against a reference that the record
        itself gives. [%]
    clock_u_s : standard uncertainty of the recorder's clock, where it is declared. [s]

    Returns
    -------
    The event; with no uncertainties where there is no calm waveform beside it.
    """
    series, rate_hz = measured.half_cycles, record.header.rate_hz
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    cycle = rate_hz / float(series.frequency_hz[first.i_start])
    rows = sorted({part.channel for part in variation.channels})
    seen = {row: _seen(variation, measured, row) for row in rows}
    start = min(variation.start, *(float(series.starts[row, one.start]) for row, one in seen.items()))
    low = max(int(start - REACH_CYCLES * cycle), 0)
    high = min(int(variation.stop + REACH_CYCLES * cycle), record.n_samples)
    found = physical_of(
        measured.waveform(low, high)[rows],
        [
            HalfCycleValues(series.starts[row, one] - low, series.u_half[row, one].astype(np.float64))
            for row, one in seen.items()
        ],
        start=start - low,
        stop=variation.stop - low,
        cycle=cycle,
        steps_v=_steps_v(record, point, measured, rows),
        highest=variation.kind == "swell",
        n_tracked=series.u_half.shape[0],
        open_start=variation.open_start,
        open_stop=variation.open_stop,
    )
    if found is None:
        return event
    counted_pct = class_pct if event.reference_kind == "nominal" else None
    limits_pu = _limits_pu(variation.kind, thresholds)
    lengths_s = partial(duration_range_s, event.category, nominal_frequency_hz=series.nominal_hz)
    sure = _instants(event, found, record, low, cycle=cycle, clock_u_s=clock_u_s or 0.0)
    if how == "full":
        from halfcycle.pipeline.catalogue.drawn_uncertainty import with_drawn

        sure = with_drawn(
            event, sure, found, record, low, limits_pu=limits_pu, lengths_s=lengths_s, class_pct=counted_pct,
            clock_u_s=clock_u_s or 0.0,
        )  # fmt: skip
    else:
        sure = _size(event, found, sure, limits_pu=limits_pu, lengths_s=lengths_s, class_pct=counted_pct)
    noise_pu = max(one.sigma for one in found.noise) / event.reference_v
    return replace(
        event,
        uncertainty=replace(
            sure,
            frequency_hz_u=frequency_u_hz(
                noise_pu,
                depth_pu=1 - event.magnitude,
                left_pu=_left_pu(event, series.u_half.shape[0]),
                lasted_cycles=event.observed_s * rate_hz / cycle,
                rate_hz=rate_hz,
                per_cycle=cycle,
                n_tracked=series.u_half.shape[0],
            ),
            noise_pu=noise_pu,
            not_included=NOT_INCLUDED if class_pct is not None else f"{NOT_INCLUDED}, transducers (no class declared)",
        ),
    )


def _left_pu(event: Event, n_tracked: int) -> float:
    """The voltage in an event: root of the mean square of all phases, of which those that are not in it have 1. [pu]"""
    phases = [one for one in (event.magnitude_a, event.magnitude_b, event.magnitude_c) if one is not None]
    phases = phases or [event.magnitude]
    return sqrt((sum(one**2 for one in phases) + max(n_tracked - len(phases), 0)) / max(n_tracked, len(phases)))


def _seen(variation: RmsVariation, measured: PointMeasures, row: int) -> slice:
    """The windows of a channel in an event, and those before that noise alone may have kept within the threshold."""
    parts = [part for part in variation.channels if part.channel == row]
    first, stop = min(part.i_start for part in parts), max(part.i_stop for part in parts)
    rms = measured.half_cycles.u_half[row]
    if first == 0 or abs(rms[first - 1] - rms[first]) > _MOST_ALIKE * rms[first - 1]:
        return slice(first, stop)
    earlier = np.asarray(rms[max(first - _LOOK_BACK, 0) : first], np.float64)
    if earlier.size <= 2 or variation.open_start:
        return slice(first, stop)
    # Of windows that do not overlap, so of their noise; the median passes over steps.
    one = float(np.median(np.abs(earlier[2:] - earlier[:-2]))) * _OF_MEDIAN
    level = np.median(rms[first : min(stop, first + _FIRST)])
    alike = np.abs(earlier - level) <= _ALIKE * one
    return slice(first - int(alike[::-1].argmin() if not alike.all() else 0), stop)


def _steps_v(record: Record, point: Point, measured: PointMeasures, rows: list[int]) -> list[float]:
    """Steps of quantisation, where samples are counts of a channel's scale. [V]"""
    if not record.header.sample_type.startswith("int"):
        return [0.0] * len(rows)
    scales = {channel.name: abs(channel.scale) for channel in judged_channels(record.header, point)}
    return [scales.get(measured.names[row], 0.0) for row in rows]


def _instants(
    event: Event, found: Physical, record: Record, low: int, *, cycle: float, clock_u_s: float
) -> Uncertainty:
    rate_hz = record.header.rate_hz
    begins, ends = found.begins, found.ends
    start_u_s = _STARTS_GRID * cycle / rate_hz if begins is None else begins.u / rate_hz
    corrected = None if begins is None else record.time_ns(low + begins.at)
    refined_u_s = None
    if event.refined_start is not None and corrected is not None:
        # The column is not corrected, so what is known of its bias is in its uncertainty (JCGM 100, F.2.4.5).
        refined_u_s = hypot(start_u_s, (event.refined_start - corrected) / 1e9, clock_u_s)
    lasted = None if begins is None or ends is None else ends.since(begins)
    return Uncertainty(
        start_corrected=corrected,
        start_u_s=None if event.open_start else hypot(start_u_s, clock_u_s),
        refined_start_u_s=refined_u_s,
        duration_corrected_s=None if lasted is None else lasted.at / rate_hz,
        duration_s_u=None if event.duration_s is None else _lasted_u_s(lasted, cycle, rate_hz),
        end_u_s=None if ends is None else hypot(ends.u / rate_hz, clock_u_s),
    )


def _lasted_u_s(lasted: Edge | None, cycle: float, rate_hz: float) -> float:
    return (_STANDARDS_GRID * cycle if lasted is None else lasted.u) / rate_hz


def _limits_pu(kind: str, thresholds: Thresholds) -> tuple[float, float]:
    """Between which a level has to be for the threshold of a kind to have been crossed. [pu]"""
    limits = {
        "sag": (-inf, thresholds.sag_pu),
        "interruption": (-inf, thresholds.interruption_pu),
        "swell": (thresholds.swell_pu, inf),
    }
    return limits[kind]


def _size(
    event: Event,
    found: Physical,
    sure: Uncertainty,
    *,
    limits_pu: tuple[float, float],
    lengths_s: Callable[[], tuple[float, float]],
    class_pct: float | None,
) -> Uncertainty:
    """Magnitude, and what it says of the threshold and the category; as of `drawn_uncertainty.with_drawn`."""
    if found.level is None:
        return sure

    def in_pu(one: LevelEstimate) -> tuple[float, float]:
        level, u = one.volts / event.reference_v, one.u / event.reference_v
        return level, u if class_pct is None else hypot(u, class_pct / 100 / sqrt(3) * level)

    level, u = in_pu(found.level)
    low, high = limits_pu
    # Every phase has to cross the threshold of an interruption, the worst one alone any other.
    deciding = [one for one in found.levels if one is not None] if event.kind == "interruption" else [found.level]
    crossed = prod(probability_within(*in_pu(one), low=low, high=high) for one in deciding)
    in_time = None
    if sure.duration_s_u is not None and event.duration_s is not None:
        length = event.duration_s if sure.duration_corrected_s is None else sure.duration_corrected_s
        shortest, longest = lengths_s()
        in_time = probability_within(length, sure.duration_s_u, low=shortest, high=longest)
    return replace(
        sure,
        magnitude_corrected=level,
        magnitude_u=u,
        event_p=crossed,
        event_verdict=verdict(crossed),
        category_p=None if in_time is None else crossed * in_time,
    )


def with_further_uncertainty(event: Event, record: Record, point: Point, *, nominal_hz: float) -> Event:
    """An event with the uncertainties of what was explained of it, or of a transient.

    Parameters
    ----------
    event : of any kind, with the uncertainties of `with_uncertainty` where it is an RMS variation.
    record, point : that it was found in.
    nominal_hz : frequency. [Hz]
    """
    if event.kind in _TRANSIENTS:
        return _of_transient(event, record, point, nominal_hz=nominal_hz)
    return _with_angles(event, record)


def _with_angles(event: Event, record: Record) -> Event:
    """Jump, points on wave, type."""
    sure = event.uncertainty
    if sure is None or sure.noise_pu is None or not event.frequency_hz:
        return event
    rate_hz = record.header.rate_hz
    per_cycle = rate_hz / event.frequency_hz
    noise = sure.noise_pu / sqrt(per_cycle)  # of one phasor
    level = max(sure.magnitude_corrected or event.magnitude, sure.noise_pu)
    lasted = min(event.observed_s * event.frequency_hz, _JUDGED_CYCLES)
    lead = min(_LEAD_CYCLES, record.position_of(event.start) / per_cycle - 1)
    turned = 360 * event.frequency_hz
    start_u = None if sure.start_corrected is None or sure.start_u_s is None else turned * sure.start_u_s
    end_u = None if sure.end_u_s is None else turned * sure.end_u_s
    m = max(2 * lasted - 1, 1.0)  # windows, half a cycle apart
    of_phasor = noise * sqrt(_OF_PHASORS * (_MEDIAN * (2 * m - 1) / m**2 + _BEFORE))
    between = (1 - level) / per_cycle  # of a step that lies between samples
    of_same = event.dip_type == "A"  # whose PN factor is its characteristic voltage
    return replace(
        event,
        uncertainty=replace(
            sure,
            phase_jump_deg_u=None
            if event.phase_jump_deg is None or lead < 1
            else jump_u_deg(noise, level, lead=lead, lasted=lasted),
            start_angle_deg_u=None if event.start_angle_deg is None else start_u,
            recovery_angle_deg_u=None if event.recovery_angle_deg is None else end_u,
            characteristic_pu_u=None if event.characteristic_pu is None else hypot(of_phasor, _JOINED * between),
            pn_factor_u=None
            if event.pn_factor is None
            else hypot(of_phasor, (_JOINED if of_same else _JOINED / 3) * between),
        ),
    )


def _of_transient(event: Event, record: Record, point: Point, *, nominal_hz: float) -> Event:
    """Peak, frequency and time constant, by the noise of the cycles before."""
    if event.magnitude_unit != "pu" or event.notes.startswith("of the current"):
        return event
    cycle = record.header.rate_hz / nominal_hz
    start = record.position_of(event.start)
    first = int(start - (_CALM_CYCLES + 0.1) * cycle)
    if first < 0:
        return event
    u = record.physical(point, first, min(int(start + cycle / 2), record.n_samples))[: len(point.voltages)]
    n_calm = int(start - 0.1 * cycle) - first
    calm = fit_periodic(u, 0, n_calm, cycle=cycle) if np.isfinite(u).all() else None
    if calm is None:
        return event
    peak_v = sqrt(2) * event.reference_v
    noise_pu = float(calm.noise.max()) / peak_v
    magnitude_u = peak_u(np.abs(u[:, n_calm:] - calm.at(n_calm, u.shape[1])), calm.noise) / peak_v
    hertz_u = decay_u = None
    if event.oscillation_hz is not None and event.decay_s is not None and event.magnitude > 0:
        hertz_u, decay_u = ringing_u(noise_pu / event.magnitude, decay_s=event.decay_s, rate_hz=record.header.rate_hz)
    sure = Uncertainty(
        magnitude_u=magnitude_u, oscillation_hz_u=hertz_u, decay_s_u=decay_u, noise_pu=noise_pu,
        not_included=NOT_INCLUDED,
    )  # fmt: skip
    return replace(event, uncertainty=sure)
