"""From a record to its events: measure, find the reference, detect, refine, name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from classifiers.category import classify_category, is_typical_magnitude, long_duration_kind
from pipeline.catalogue.points import Point, judged_channels, points_of
from pipeline.catalogue.record import Record
from pipeline.config import Thresholds
from pipeline.detectors.point_on_wave import LOOK_AHEAD_CYCLES, LOOK_BACK_CYCLES, refine_start
from pipeline.detectors.rms_variations import RmsVariation, find_rms_variations
from pipeline.detectors.stages import find_stages
from pipeline.errors import SignalError
from pipeline.events import Event, with_identity
from pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from pipeline.measures.nominal import find_nominal_frequency, find_nominal_voltage, steady_level
from pipeline.measures.quality import FLAG_WORDS, FLAT, MISSING
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
    volts: Any
    kind: str
    note: str = ""


def judge(record: Record, *, site: str, terms: Terms) -> Findings:
    """All events of a record.

    Parameters
    ----------
    record : captures that follow one another.
    site : the site's name, as the events carry it.
    terms : thresholds and nominal values.

    Returns
    -------
    Findings. A point that cannot be judged (no voltage, too few samples a cycle, no nominal voltage to be told) is in
    the coverage with its reason; that is no error.
    """
    try:
        points = points_of(record.header, hookup=terms.hookup)
    except SignalError as error:
        return Findings(coverage=(Coverage(None, 0.0, record.duration_s, str(error)),))
    if not points:
        return Findings(coverage=(Coverage(None, 0.0, record.duration_s, "no voltage channel"),))
    events: list[Event] = []
    coverage: list[Coverage] = []
    notes: list[str] = list(dict.fromkeys(note for piece in record.pieces for note in piece.header.notes))
    for point in points:
        try:
            series = measure(record, point, terms)
            live, reference = _reference(series, point, terms)
        except SignalError as error:
            coverage.append(Coverage(point.name, 0.0, record.duration_s, str(error)))
            continue
        notes += [*point.notes, *([reference.note] if reference.note else [])]
        events += _events(record, point, series, live, reference, site=site, terms=terms)
        coverage.append(_coverage(record, point, series))
    return Findings(tuple(events), tuple(coverage), tuple(notes))


def measure(record: Record, point: Point, terms: Terms) -> HalfCycles:
    """Half-cycle series of a point's judged voltages over a record.

    Raises
    ------
    SignalError : no frequency to be told, or too few samples a cycle.
    """
    meter: HalfCycleMeter | None = None
    for block in record.blocks(point):
        if meter is None:
            hertz = terms.nominal_frequency_hz or _frequency(record, block)
            meter = HalfCycleMeter(
                judged_channels(record.header, point), rate_hz=record.header.rate_hz, nominal_hz=hertz
            )
        meter.push(block)
    if meter is None:
        raise SignalError("the record holds no sample")
    return meter.finish()


def _frequency(record: Record, block: Any) -> float:
    try:
        return find_nominal_frequency(block, rate_hz=record.header.rate_hz)
    except SignalError:
        if record.header.nominal_frequency_hz in (50.0, 60.0):
            return float(record.header.nominal_frequency_hz)
        raise


def _reference(series: HalfCycles, point: Point, terms: Terms) -> tuple[list[int], _Reference]:
    """The live channels and what 1 pu stands for on them."""
    if not series.n:
        raise SignalError("under one cycle of record; nothing can be judged")
    u_half = series.u_half
    thresholds = terms.thresholds
    every = list(range(u_half.shape[0]))
    if terms.hookup is not None and terms.nominal_voltage_v is not None:
        return every, _by_profile(series, terms.nominal_voltage_v, thresholds)
    top = np.quantile(u_half, 0.99, axis=1)
    live = [c for c in every if top[c] > _DEAD * top.max()]
    measured = u_half[live]
    note = (
        ""
        if len(live) == len(every)
        else "without voltage throughout, not judged: " + ", ".join(point.phases[c] for c in every if c not in live)
    )
    if terms.nominal_voltage_v is None:
        nominal = find_nominal_voltage(measured, line_to_line=point.hookup.line_to_line)
        nominal_v, words = nominal.volts, nominal.note
    else:
        nominal_v, words = terms.nominal_voltage_v, ""
    reference = _by_profile(series, nominal_v, thresholds, live)
    if reference.kind == "nominal" and _steady_off_nominal(measured, nominal_v):
        sliding = thresholds.model_copy(update={"reference": "sliding", "sliding_start": "pre-event"})
        reference = _by_profile(series, nominal_v, sliding, live)
        words = f"steady voltage away from the nominal {nominal_v:.5g} V; measured against the sliding reference"
    return live, _Reference(reference.volts, reference.kind, "; ".join(text for text in (words, note) if text))


def _steady_off_nominal(u_half: Any, nominal_v: float) -> bool:
    """Whether a record both begins and mostly stays at a level that is not the nominal one."""
    try:
        level = steady_level(np.asarray(u_half, np.float64))
    except SignalError:
        return False
    begins = float(np.median(u_half[:, :8]))
    return abs(level / nominal_v - 1) > _OFF_NOMINAL and abs(begins / level - 1) < _OFF_NOMINAL


def _by_profile(
    series: HalfCycles, nominal_v: float, thresholds: Thresholds, live: list[int] | None = None
) -> _Reference:
    if thresholds.reference == "nominal":
        return _Reference(nominal_v, "nominal")
    u_half = series.u_half if live is None else series.u_half[live]
    initial = (
        nominal_v
        if thresholds.sliding_start == "nominal"
        else pre_event_voltage(u_half, nominal_frequency_hz=series.nominal_hz)
    )
    volts = sliding_reference(
        u_half,
        initial_v=initial,
        nominal_frequency_hz=series.nominal_hz,
        sag_pu=thresholds.sag_pu,
        swell_pu=thresholds.swell_pu,
        hysteresis_pu=thresholds.hysteresis_pu,
    )
    return _Reference(volts, "sliding")


def _events(
    record: Record,
    point: Point,
    series: HalfCycles,
    live: Sequence[int],
    reference: _Reference,
    *,
    site: str,
    terms: Terms,
) -> list[Event]:
    rows = list(live)
    everything = len(rows) == series.u_half.shape[0]
    thresholds = terms.thresholds
    variations = find_rms_variations(
        series.u_half if everything else series.u_half[rows],
        series.starts if everything else series.starts[rows],
        reference=reference.volts,
        sag_pu=thresholds.sag_pu,
        swell_pu=thresholds.swell_pu,
        interruption_pu=thresholds.interruption_pu,
        hysteresis_pu=thresholds.hysteresis_pu,
        flags=series.flags if everything else series.flags[rows],
    )
    events = [_event(record, point, series, variation, rows, reference, site=site) for variation in variations]
    return _with_enclosing(events)


def _event(
    record: Record,
    point: Point,
    series: HalfCycles,
    variation: RmsVariation,
    live: list[int],
    reference: _Reference,
    *,
    site: str,
) -> Event:
    start, stop = record.time_ns(variation.start), record.time_ns(variation.stop)
    observed_s = (stop - start) / 1e9
    worst = (max if variation.kind == "swell" else min)(variation.channels, key=lambda part: part.extreme_pu)
    reference_v = _reference_at(reference.volts, worst.channel, worst.i_start)
    category = classify_category(variation.kind, observed_s, nominal_frequency_hz=series.nominal_hz)
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    involved = sorted({part.channel for part in variation.channels})
    refined = None if variation.open_start else _refined(record, point, series, variation, live)
    stages = find_stages(_worst_trace(series, variation, live, reference))
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
            reference_kind=reference.kind,
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


def _worst_trace(series: HalfCycles, variation: RmsVariation, live: list[int], reference: _Reference) -> Any:
    low = min(part.i_start for part in variation.channels)
    high = max(part.i_stop for part in variation.channels)
    rows = [live[part.channel] for part in variation.channels]
    trace = series.u_half[rows, low:high].astype(np.float64)
    if isinstance(reference.volts, np.ndarray):
        trace /= reference.volts[[part.channel for part in variation.channels], low:high]
    else:
        trace /= reference.volts
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


def _coverage(record: Record, point: Point, series: HalfCycles) -> Coverage:
    unmeasured = (series.flags & (MISSING | FLAT)) != 0
    if not unmeasured.any():
        return Coverage(point.name, record.duration_s, 0.0)
    share = float(unmeasured.any(axis=0).mean())
    bits = int(np.bitwise_or.reduce(series.flags[unmeasured]))
    words = " and ".join(word for flag, word in FLAG_WORDS.items() if bits & flag)
    return Coverage(point.name, record.duration_s * (1 - share), record.duration_s * share, f"{words} samples")
