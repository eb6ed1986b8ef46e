"""How sure the numbers of a row are: its waveform looked at once more, and what that says of each column."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf, sqrt
from typing import Final, Literal

import numpy as np

from halfcycle.classifiers.category import duration_range_s
from halfcycle.pipeline.detectors.measured import Measured
from halfcycle.pipeline.detectors.rms_variations import RmsVariation
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event, Uncertainty
from halfcycle.pipeline.records.points import Point, judged_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.uncertainty.decisions import probability_within, verdict
from halfcycle.pipeline.uncertainty.edges import Edge
from halfcycle.pipeline.uncertainty.periodic import fit_periodic
from halfcycle.pipeline.uncertainty.signals import frequency_u_hz, phase_u_deg, ringing_u
from halfcycle.pipeline.uncertainty.variation import REACH_CYCLES, Physical, Windows, physical_of

Wanted = Literal["none", "standard"]
NOT_INCLUDED: Final = "anti-alias filter, ringing of capacitor voltage transformers, clipping, channel delays"
_TRANSIENTS: Final = frozenset({"impulsive_transient", "oscillatory_transient"})
_STANDARDS_GRID: Final = 0.204  # of a cycle: two instants on a grid of half cycles, where no edge can be told
_STARTS_GRID: Final = 0.144  # of a cycle: one of them: half a cycle over √12
_CALM_CYCLES: Final = 4.0


def checked_choice(word: str) -> Wanted:
    """A word of a command or of settings as what is wanted.

    Raises
    ------
    ConfigError : it is neither ``none`` nor ``standard``.
    """
    if word not in ("none", "standard"):
        raise ConfigError(f"uncertainty {word!r}; allowed are none, standard")
    return "none" if word == "none" else "standard"


def with_uncertainty(
    event: Event,
    variation: RmsVariation,
    record: Record,
    point: Point,
    measured: Measured,
    thresholds: Thresholds,
    *,
    class_pct: float | None = None,
    clock_u_s: float | None = None,
) -> Event:
    """A sag, swell or interruption with its uncertainties.

    Parameters
    ----------
    event, variation : the row, and what it is of.
    record, point, measured : that it was found in.
    thresholds : that it was judged by.
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
    low = max(int(variation.start - REACH_CYCLES * cycle), 0)
    high = min(int(variation.stop + REACH_CYCLES * cycle), record.n_samples)
    rows = sorted({part.channel for part in variation.channels})
    found = physical_of(
        measured.waveform(low, high)[rows],
        [_windows(variation, measured, row, low) for row in rows],
        start=variation.start - low,
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
    sure = _instants(event, found, record, low, cycle=cycle, clock_u_s=clock_u_s or 0.0)
    sure = _size(event, variation, found, sure, thresholds, class_pct=class_pct, nominal_hz=series.nominal_hz)
    noise_pu = max(one.sigma for one in found.noise) / event.reference_v
    return replace(
        event,
        uncertainty=replace(
            sure,
            frequency_hz_u=frequency_u_hz(
                noise_pu,
                depth_pu=1 - event.magnitude,
                lasted_cycles=event.observed_s * rate_hz / cycle,
                rate_hz=rate_hz,
                per_cycle=cycle,
                n_tracked=series.u_half.shape[0],
            ),
            noise_pu=noise_pu,
            not_included=NOT_INCLUDED if class_pct is not None else f"{NOT_INCLUDED}, transducers (no class declared)",
        ),
    )


def _windows(variation: RmsVariation, measured: Measured, row: int, low: int) -> Windows:
    parts = [part for part in variation.channels if part.channel == row]
    first, stop = min(part.i_start for part in parts), max(part.i_stop for part in parts)
    series = measured.half_cycles
    return Windows(series.starts[row, first:stop] - low, series.u_half[row, first:stop].astype(np.float64))


def _steps_v(record: Record, point: Point, measured: Measured, rows: list[int]) -> list[float]:
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
    )


def _lasted_u_s(lasted: Edge | None, cycle: float, rate_hz: float) -> float:
    return (_STANDARDS_GRID * cycle if lasted is None else lasted.u) / rate_hz


def _size(
    event: Event,
    variation: RmsVariation,
    found: Physical,
    sure: Uncertainty,
    thresholds: Thresholds,
    *,
    class_pct: float | None,
    nominal_hz: float,
) -> Uncertainty:
    """Magnitude, and what it says of the threshold and the category."""
    if found.level is None:
        return sure
    level, u = found.level.volts / event.reference_v, found.level.u / event.reference_v
    if class_pct is not None and event.reference_kind == "nominal":
        u = hypot(u, class_pct / 100 / sqrt(3) * level)
    limits = {
        "sag": (-inf, thresholds.sag_pu),
        "interruption": (-inf, thresholds.interruption_pu),
        "swell": (thresholds.swell_pu, inf),
    }
    low, high = limits[variation.kind]
    crossed = probability_within(level, u, low=low, high=high)
    in_time = None
    if sure.duration_s_u is not None and event.duration_s is not None:
        length = event.duration_s if sure.duration_corrected_s is None else sure.duration_corrected_s
        shortest, longest = duration_range_s(event.category, nominal_frequency_hz=nominal_hz)
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
    return _with_angles(event)


def _with_angles(event: Event) -> Event:
    """Jump, points on wave, type."""
    sure = event.uncertainty
    if sure is None or sure.noise_pu is None or not event.frequency_hz or not event.n_samples or not event.observed_s:
        return event
    per_cycle = event.n_samples / event.observed_s / event.frequency_hz
    level = max(sure.magnitude_corrected or event.magnitude, sure.noise_pu)
    of_phasor = sure.noise_pu / sqrt(per_cycle)
    jump_u = hypot(
        phase_u_deg(sure.noise_pu / level, per_cycle=per_cycle), phase_u_deg(sure.noise_pu, per_cycle=per_cycle)
    )
    turned = 360 * event.frequency_hz
    start_u = None if sure.start_corrected is None or sure.start_u_s is None else turned * sure.start_u_s
    length_u = None if sure.duration_corrected_s is None or sure.duration_s_u is None else turned * sure.duration_s_u
    return replace(
        event,
        uncertainty=replace(
            sure,
            phase_jump_deg_u=None if event.phase_jump_deg is None else jump_u,
            start_angle_deg_u=None if event.start_angle_deg is None else start_u,
            recovery_angle_deg_u=None if event.recovery_angle_deg is None else length_u,
            characteristic_pu_u=None if event.characteristic_pu is None else of_phasor,
            pn_factor_u=None if event.pn_factor is None else of_phasor,
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
    u = record.physical(point, first, int(start - 0.1 * cycle))[: len(point.voltages)]
    calm = fit_periodic(u, 0, u.shape[1], cycle=cycle) if np.isfinite(u).all() else None
    if calm is None:
        return event
    noise_pu = float(calm.noise.max()) / (sqrt(2) * event.reference_v)
    hertz_u = decay_u = None
    if event.oscillation_hz is not None and event.decay_s is not None and event.magnitude > 0:
        hertz_u, decay_u = ringing_u(noise_pu / event.magnitude, decay_s=event.decay_s, rate_hz=record.header.rate_hz)
    sure = Uncertainty(
        magnitude_u=noise_pu, oscillation_hz_u=hertz_u, decay_s_u=decay_u, noise_pu=noise_pu,
        not_included=f"{NOT_INCLUDED}; peak between samples",
    )  # fmt: skip
    return replace(event, uncertainty=sure)
