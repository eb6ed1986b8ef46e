"""From a record to its events: measure, find the reference, detect, refine, name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from classifiers.category import classify_category, is_typical_magnitude, long_duration_kind
from pipeline.catalogue.look import Look, take_look
from pipeline.catalogue.points import Point, judged_channels, points_of
from pipeline.catalogue.record import Record
from pipeline.config import Thresholds
from pipeline.detectors.point_on_wave import LOOK_AHEAD_CYCLES, LOOK_BACK_CYCLES, refine_start
from pipeline.detectors.rms_variations import RmsVariation, find_rms_variations
from pipeline.detectors.stages import find_stages
from pipeline.errors import SignalError
from pipeline.events import Event, with_identity
from pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from pipeline.measures.nominal import find_nominal_voltage, steady_level
from pipeline.measures.quality import FLAG_WORDS
from pipeline.measures.reference import pre_event_voltage, sliding_reference

_OFF_NOMINAL = 0.1  # a steady voltage farther off its nominal is measured against itself
_DEAD = 0.02  # of the other phases' level: a channel that never rises above it is not connected


@dataclass(frozen=True, slots=True)
class Terms:
    """What a record is judged by; None where it is to be worked out from the data.

    Attributes
    ----------
    thresholds : the profile.
    nominal_voltage_v : of each judged voltage. [V]
    nominal_frequency_hz : [Hz]
    hookup : a name of `terms.HOOKUPS`.
    """

    thresholds: Thresholds
    nominal_voltage_v: float | None = None
    nominal_frequency_hz: float | None = None
    hookup: str | None = None


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of a point's record was judged.

    Attributes
    ----------
    point : name, or None.
    judged_s, not_judged_s : time that was and was not. [s]
    reason : why not, in words; "" where all was.
    """

    point: str | None
    judged_s: float
    not_judged_s: float
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Findings:
    """Events of one record, and what was judged of it."""

    events: tuple[Event, ...] = ()
    coverage: tuple[Coverage, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Reference:
    """Nominal voltage, and the profile by which to judge."""

    nominal_v: float
    thresholds: Thresholds

    def volts(self, series: HalfCycles, live: Sequence[int]) -> Any:
        """What 1 pu stands for: one voltage, or the sliding reference of each live channel. [V]"""
        if self.thresholds.reference == "nominal":
            return self.nominal_v
        u_half = series.u_half[live]
        from_nominal = self.thresholds.sliding_start == "nominal"
        return sliding_reference(
            u_half,
            initial_v=self.nominal_v
            if from_nominal
            else pre_event_voltage(u_half, nominal_frequency_hz=series.nominal_hz),
            nominal_frequency_hz=series.nominal_hz,
            sag_pu=self.thresholds.sag_pu,
            swell_pu=self.thresholds.swell_pu,
            hysteresis_pu=self.thresholds.hysteresis_pu,
        )


def judge(record: Record, *, site: str, terms: Terms, within: tuple[int, int] | None = None) -> Findings:
    """All events of a record.

    Parameters
    ----------
    record : captures that follow one another.
    site : the site's name, as the events carry it.
    terms : thresholds and nominal values.
    within : record positions to which the coverage is limited; None: all of the record. [samples]

    Returns
    -------
    Findings, with events of the whole record. A point that cannot be judged (no voltage, too few samples a cycle, no
    nominal voltage to be told) is in the coverage with its reason; that is no error.
    """
    within = within or (0, record.n_samples)
    seconds = (within[1] - within[0]) / record.header.rate_hz
    try:
        points = points_of(record.header, hookup=terms.hookup)
    except SignalError as error:
        return Findings(coverage=(Coverage(None, 0.0, seconds, str(error)),))
    if not points:
        return Findings(coverage=(Coverage(None, 0.0, seconds, "no voltage channel"),))
    events: list[Event] = []
    coverage: list[Coverage] = []
    notes: list[str] = list(dict.fromkeys(note for piece in record.pieces for note in piece.header.notes))
    for point in points:
        try:
            look = take_look(record, point, nominal_hz=terms.nominal_frequency_hz)
            live, reference, words = _reference(record, point, look, terms)
        except SignalError as error:
            coverage.append(Coverage(point.name, 0.0, seconds, str(error)))
            continue
        notes += [*point.notes, *words]
        spans = look.spans(reference.thresholds, reference.nominal_v, live)
        for first, stop in spans:
            series = measure(record, point, nominal_hz=look.nominal_hz, first=first, stop=stop)
            if series.n:
                events += _with_enclosing(_events(record, point, series, live, reference, site=site))
        coverage.append(_coverage(record, point, look, live, within))
    return Findings(tuple(events), tuple(coverage), tuple(notes))


def measure(record: Record, point: Point, *, nominal_hz: float, first: int = 0, stop: int | None = None) -> HalfCycles:
    """Half-cycle series of a point's judged voltages between two record positions, window starts from the record's.

    Raises
    ------
    SignalError : too few samples a cycle.
    """
    meter = HalfCycleMeter(judged_channels(record.header, point), rate_hz=record.header.rate_hz, nominal_hz=nominal_hz)
    for block in record.blocks(point, first=first, stop=stop):
        meter.push(block)
    series = meter.finish()
    return replace(series, starts=series.starts + first) if first else series


def _reference(record: Record, point: Point, look: Look, terms: Terms) -> tuple[list[int], _Reference, list[str]]:
    """The live channels, what 1 pu stands for on them, and in words what was decided."""
    every = list(range(len(point.voltages)))
    if terms.hookup is not None and terms.nominal_voltage_v is not None:
        return every, _Reference(terms.nominal_voltage_v, terms.thresholds), []
    top = np.quantile(look.rms, 0.99, axis=1)
    live = [c for c in every if top[c] > _DEAD * top.max()]
    words = []
    if len(live) < len(every):
        dead = ", ".join(point.phases[c] for c in every if c not in live)
        words.append(f"without voltage throughout, not judged: {dead}")
    measured = look.rms[live]
    nominal_v = terms.nominal_voltage_v
    if nominal_v is None:
        found = find_nominal_voltage(measured, line_to_line=point.hookup.line_to_line, rated_v=_rated(record, point))
        nominal_v = found.volts
        words.append(found.note)
    thresholds = terms.thresholds
    if thresholds.reference == "nominal" and _steady_off_nominal(measured, nominal_v):
        thresholds = thresholds.model_copy(update={"reference": "sliding", "sliding_start": "pre-event"})
        words.append(f"steady voltage away from the nominal {nominal_v:.5g} V; measured against the sliding reference")
    return live, _Reference(nominal_v, thresholds), words


def _rated(record: Record, point: Point) -> float | None:
    """The rated voltage that the file states for a point's channels, where it is one."""
    rated = {channel.rated for channel in judged_channels(record.header, point)}
    return rated.pop() if len(rated) == 1 else None


def _steady_off_nominal(rms: Any, nominal_v: float) -> bool:
    """Whether a record both begins and mostly stays at a level that is not the nominal one."""
    try:
        level = steady_level(np.asarray(rms, np.float64))
    except SignalError:
        return False
    begins = float(np.median(rms[:, :8]))
    return abs(level / nominal_v - 1) > _OFF_NOMINAL and abs(begins / level - 1) < _OFF_NOMINAL


def _events(
    record: Record, point: Point, series: HalfCycles, live: list[int], reference: _Reference, *, site: str
) -> list[Event]:
    everything = len(live) == series.u_half.shape[0]
    thresholds = reference.thresholds
    volts = reference.volts(series, live)
    variations = find_rms_variations(
        series.u_half if everything else series.u_half[live],
        series.starts if everything else series.starts[live],
        reference=volts,
        sag_pu=thresholds.sag_pu,
        swell_pu=thresholds.swell_pu,
        interruption_pu=thresholds.interruption_pu,
        hysteresis_pu=thresholds.hysteresis_pu,
        flags=series.flags if everything else series.flags[live],
    )
    return [
        _event(record, point, series, variation, live, volts, kind=thresholds.reference, site=site)
        for variation in variations
    ]


def _event(
    record: Record,
    point: Point,
    series: HalfCycles,
    variation: RmsVariation,
    live: list[int],
    volts: Any,
    *,
    kind: str,
    site: str,
) -> Event:
    start, stop = record.time_ns(variation.start), record.time_ns(variation.stop)
    observed_s = (stop - start) / 1e9
    worst = (max if variation.kind == "swell" else min)(variation.channels, key=lambda part: part.extreme_pu)
    reference_v = _reference_at(volts, worst.channel, worst.i_start)
    category = classify_category(variation.kind, observed_s, nominal_frequency_hz=series.nominal_hz)
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    involved = sorted({part.channel for part in variation.channels})
    refined = None if variation.open_start else _refined(record, point, series, variation, live)
    stages = find_stages(_worst_trace(series, variation, live, volts))
    extremes, durations = _per_phase(record, variation)
    phases = [point.phases[live[c]] for c in involved]
    half_s = [stage.n_half_cycles / (2 * float(series.frequency_hz[first.i_start])) for stage in stages]
    return with_identity(
        Event(
            site=site,
            point=point.name,
            kind=long_duration_kind(variation.kind, observed_s),
            category=category,
            start=start,
            duration_s=None if variation.open_start or variation.open_stop else observed_s,
            observed_s=observed_s,
            magnitude=variation.magnitude_pu,
            phases=_phases_word(phases),
            line_to_line=point.hookup.line_to_line,
            open_start=variation.open_start,
            open_end=variation.open_stop,
            reference_v=reference_v,
            refined_start=refined,
            capture=record.digests(variation.start, variation.stop),
            worst_phase_kind=_worst_kind(variation, worst.extreme_pu),
            **_by_letter("magnitude", "", phases, [extremes[c] for c in involved]),
            **_by_letter("duration", "_s", phases, [durations[c] for c in involved]),
            stages=len(stages),
            stage_magnitudes=" ".join(f"{stage.level_pu:.3f}" for stage in stages),
            stage_durations_s=" ".join(f"{seconds:.3f}" for seconds in half_s),
            reference_kind=kind,
            frequency_hz=float(series.frequency_hz[first.i_start]),
            quality=" ".join(word for flag, word in FLAG_WORDS.items() if variation.flags & flag),
            notes=""
            if is_typical_magnitude(category, variation.magnitude_pu)
            else "magnitude untypical of the category",
        )
    )


def _reference_at(volts: Any, channel: int, i: int) -> float:
    return float(volts[channel, i]) if isinstance(volts, np.ndarray) else float(volts)


def _worst_kind(variation: RmsVariation, extreme_pu: float) -> str | None:
    """What IEEE 1159 would call the worst phase on its own, where that differs from the point's kind."""
    return "interruption" if variation.kind == "sag" and extreme_pu < 0.1 else None


def _per_phase(record: Record, variation: RmsVariation) -> tuple[dict[int, float], dict[int, float]]:
    worst = max if variation.kind == "swell" else min
    extremes: dict[int, float] = {}
    durations: dict[int, float] = {}
    for part in variation.channels:
        seconds = (part.stop - part.start) / record.header.rate_hz
        extremes[part.channel] = worst(extremes.get(part.channel, part.extreme_pu), part.extreme_pu)
        durations[part.channel] = durations.get(part.channel, 0.0) + seconds
    return extremes, durations


def _by_letter(prefix: str, suffix: str, phases: list[str], values: list[float]) -> dict[str, Any]:
    return {f"{prefix}_{phase[0].lower()}{suffix}": value for phase, value in zip(phases, values, strict=True)}


def _phases_word(phases: list[str]) -> str:
    if all(len(phase) == 1 for phase in phases):
        return "".join(phases)
    return phases[0] if len(phases) == 1 else "ABC"


def _worst_trace(series: HalfCycles, variation: RmsVariation, live: list[int], volts: Any) -> Any:
    low = min(part.i_start for part in variation.channels)
    high = max(part.i_stop for part in variation.channels)
    rows = [live[part.channel] for part in variation.channels]
    trace = series.u_half[rows, low:high].astype(np.float64)
    if isinstance(volts, np.ndarray):
        trace /= volts[[part.channel for part in variation.channels], low:high]
    else:
        trace /= volts
    return trace.max(axis=0) if variation.kind == "swell" else trace.min(axis=0)


def _refined(record: Record, point: Point, series: HalfCycles, variation: RmsVariation, live: list[int]) -> int | None:
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    cycle = series.rate_hz / float(series.frequency_hz[first.i_start])
    low = max(int(variation.start - LOOK_BACK_CYCLES * cycle), 0)
    raw = record.samples(point, low, int(variation.start + LOOK_AHEAD_CYCLES * cycle))
    channels = judged_channels(record.header, point)
    rows = [live[part.channel] for part in variation.channels]
    u = np.stack([raw[row].astype(np.float64) * channels[row].scale + channels[row].offset for row in rows])
    found = refine_start(np.nan_to_num(u), samples_per_cycle=cycle, i_window=variation.start - low)
    return None if found is None else record.time_ns(low + found)


def _with_enclosing(events: list[Event]) -> list[Event]:
    """Interruptions named as part of the sag on the same samples that they lie in."""
    sags = [event for event in events if event.kind in ("sag", "undervoltage")]
    named = []
    for event in events:
        around = next(
            (sag for sag in sags if event.kind == "interruption" and sag.start <= event.start < sag.end),
            None,
        )
        named.append(event if around is None else replace(event, part_of=around.event_id))
    return named


def _coverage(record: Record, point: Point, look: Look, live: list[int], within: tuple[int, int]) -> Coverage:
    first, stop = within
    lost, why = look.unmeasured_samples(live, first, stop)
    lost_s = min(lost, stop - first) / record.header.rate_hz
    seconds = (stop - first) / record.header.rate_hz
    return Coverage(point.name, seconds - lost_s, lost_s, f"{why} samples" if lost else "")
