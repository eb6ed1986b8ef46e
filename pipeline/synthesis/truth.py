"""The events that a synthetic waveform holds, from its description alone: no sample is looked at.

RMS variations are judged on the RMS envelope of the description, noise left out, by the rules of IEC 61000-4-30:2015,
5.4 and 5.5: a sag or swell starts with the first phase beyond the threshold and lasts until all phases are back by the
hysteresis, an interruption starts with the last phase and lasts until the first is back. A sag that deepens into an
interruption is listed, and the interruption too. Where one lasts longer than a minute the kind is that of
IEEE 1159-2019, Table 2: undervoltage, overvoltage.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from typing import Final

from halfcycle.pipeline.synthesis.envelope import Envelope, Interval, envelope_of, intersection, union
from halfcycle.pipeline.synthesis.parameters import EDGE_TOLERANCE_S, Impulse, Stage, Transient, Waveform
from halfcycle.pipeline.terms import HOOKUPS

SAG_PU: Final = 0.9
SWELL_PU: Final = 1.1
INTERRUPTION_PU: Final = 0.1
HYSTERESIS_PU: Final = 0.02
LONG_S: Final = 60.0

# A transient never ends; common practice, no source: it is counted as over at this part of its start or peak.
TRANSIENT_END: Final = 0.05


@dataclass(frozen=True, slots=True)
class TrueStage:
    """One stage of an RMS variation.

    Attributes
    ----------
    start_ns : [ns since 1970-01-01]
    duration_s : [s]
    phase_values_pu : lowest (of a swell: highest) RMS voltage of each judged phase within the stage.
    """

    start_ns: int
    duration_s: float
    phase_values_pu: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class TrueEvent:
    """One event as it really is.

    Attributes
    ----------
    kind : one of `terms.EVENT_KINDS`.
    start_ns : the instant in continuous time, not a sample's. [ns since 1970-01-01]
    duration_s : up to the end of the capture where the event runs on. [s]
    magnitude_pu : residual voltage, swell maximum; of a transient the greatest excursion of what is superimposed,
        relative to the peak of the nominal voltage.
    phases : those beyond the threshold at some time; of a transient those it appears on.
    phase_values_pu : the same quantity as `magnitude_pu` for each judged phase, in the hookup's order.
    line_to_line : whether the phases are line-to-line voltages.
    open_start, open_end : under way at the first / last instant of the capture.
    stages : of an RMS variation, those that overlap it; a single one for a plain event.
    frequency_hz : of an oscillatory transient. [Hz]
    """

    kind: str
    start_ns: int
    duration_s: float
    magnitude_pu: float
    phases: tuple[str, ...]
    phase_values_pu: tuple[float, ...]
    line_to_line: bool
    open_start: bool = False
    open_end: bool = False
    stages: tuple[TrueStage, ...] = ()
    frequency_hz: float | None = None


def voltage_envelopes(waveform: Waveform) -> tuple[Envelope, ...]:
    """The fundamental voltage of each judged phase over time. [pu of the nominal voltage]"""

    def residual_of(i_phase: int) -> Callable[[Stage], float]:
        return lambda stage: stage.residual_pu[i_phase]

    return tuple(
        envelope_of(waveform.stages, steady=steady, value=residual_of(i)) for i, steady in enumerate(waveform.steady_pu)
    )


def true_events(waveform: Waveform, *, start_ns: int) -> tuple[TrueEvent, ...]:
    """The events of a waveform.

    Parameters
    ----------
    waveform : the description.
    start_ns : time of the first sample. [ns since 1970-01-01]

    Returns
    -------
    Events in order of start, then of kind.

    Source: IEC 61000-4-30:2015, 5.4 and 5.5, with thresholds 0.9, 1.1 and 0.1 and hysteresis 0.02 of the nominal
    voltage.  Departs: envelopes are continuous, so times are exact where Urms(1/2) has half-cycle steps.
    """
    rms, length_s = _Rms.of(waveform), waveform.n_samples / waveform.rate_hz
    found = [
        *_rms_variations(waveform, rms, start_ns, level_pu=SAG_PU, kinds=("sag", "undervoltage")),
        *_rms_variations(waveform, rms, start_ns, level_pu=SWELL_PU, kinds=("swell", "overvoltage"), above=True),
        *_rms_variations(waveform, rms, start_ns, level_pu=INTERRUPTION_PU, kinds=("interruption", "interruption")),
        *(_oscillatory(waveform, one, start_ns) for one in waveform.transients if 0 <= one.start_s < length_s),
        *(_impulsive(waveform, one, start_ns) for one in waveform.impulses if 0 <= one.start_s < length_s),
    ]
    return tuple(sorted(found, key=lambda event: (event.start_ns, event.kind)))


@dataclass(frozen=True, slots=True)
class _Rms:
    """From fundamental to RMS voltage: harmonics and interharmonics follow the fundamental, the constant part does not.

    Source: derived: mean squares of tones of different frequency add up (Parseval).
    """

    envelopes: tuple[Envelope, ...]
    shape: float
    dc_pu: float

    @classmethod
    def of(cls, waveform: Waveform) -> _Rms:
        magnitudes = [tone.magnitude_pu for tone in waveform.harmonics]
        magnitudes += [tone.magnitude_pu for tone in waveform.interharmonics]
        shape = 1.0 + sum(magnitude**2 for magnitude in magnitudes)
        return cls(voltage_envelopes(waveform), shape, waveform.dc_pu)

    def spans_beyond(self, level_pu: float, *, above: bool) -> list[list[Interval]]:
        """For each phase the spans in which its RMS voltage is strictly below (or above) a level. [s]"""
        square = (level_pu**2 - self.dc_pu**2) / self.shape
        level = math.copysign(math.sqrt(abs(square)), square)  # below zero: the constant part alone reaches the level
        return [envelope.spans_beyond(level, above=above) for envelope in self.envelopes]

    def extremes(self, start_s: float, end_s: float, *, above: bool) -> tuple[float, ...]:
        """Lowest (or highest) RMS voltage of each phase between two instants. [pu]"""
        values = (envelope.extremes(start_s, end_s)[1 if above else 0] for envelope in self.envelopes)
        return tuple(math.sqrt(value**2 * self.shape + self.dc_pu**2) for value in values)


def _rms_variations(
    waveform: Waveform, rms: _Rms, start_ns: int, *, level_pu: float, kinds: tuple[str, str], above: bool = False
) -> list[TrueEvent]:
    """The events beyond one threshold; `kinds` are those of up to a minute and of longer."""
    in_all_phases = level_pu == INTERRUPTION_PU
    # Levels are decimal numbers: 0.1 + 0.02 means 0.12, not the double above it.
    release_pu = round(level_pu - HYSTERESIS_PU if above else level_pu + HYSTERESIS_PU, 12)
    by_phase = rms.spans_beyond(level_pu, above=above)
    beyond = _of_phases(by_phase, in_all=in_all_phases)
    events = []
    for release_start_s, release_end_s in _of_phases(rms.spans_beyond(release_pu, above=above), in_all=in_all_phases):
        starts_s = [start for start, _ in beyond if release_start_s <= start < release_end_s]
        capture = (0.0, waveform.n_samples / waveform.rate_hz)
        inside = intersection([(min(starts_s), release_end_s)] if starts_s else [], [capture])
        if not inside or not intersection(beyond, inside):
            continue  # never beyond the threshold, or not while the capture lasts
        ((start_s, end_s),) = inside
        values = rms.extremes(start_s, end_s, above=above)
        events.append(
            TrueEvent(
                kind=kinds[1] if end_s - start_s > LONG_S + EDGE_TOLERANCE_S else kinds[0],
                start_ns=start_ns + round(start_s * 1e9),
                duration_s=end_s - start_s,
                magnitude_pu=max(values) if above else min(values),
                phases=tuple(
                    phase
                    for phase, spans in zip(waveform.phases, by_phase, strict=True)
                    if intersection(spans, [(start_s, end_s)])
                ),
                phase_values_pu=values,
                line_to_line=HOOKUPS[waveform.hookup].line_to_line,
                open_start=min(starts_s) <= 0.0,
                open_end=release_end_s >= capture[1],
                stages=_stages(waveform, rms, (start_s, end_s), start_ns, above=above),
            )
        )
    return events


def _of_phases(spans: list[list[Interval]], *, in_all: bool) -> list[Interval]:
    if in_all:
        return reduce(intersection, spans)
    return union(span for phase in spans for span in phase)


def _stages(waveform: Waveform, rms: _Rms, span: Interval, start_ns: int, *, above: bool) -> tuple[TrueStage, ...]:
    overlaps = [intersection([(stage.start_s, stage.end_s)], [span]) for stage in waveform.stages]
    return tuple(
        TrueStage(
            start_ns=start_ns + round(start_s * 1e9),
            duration_s=end_s - start_s,
            phase_values_pu=rms.extremes(start_s, end_s, above=above),
        )
        for overlap in overlaps
        for start_s, end_s in overlap
    )


def _oscillatory(waveform: Waveform, transient: Transient, start_ns: int) -> TrueEvent:
    peak = transient_peak(transient)
    return _superimposed(
        waveform,
        kind="oscillatory_transient",
        start_ns=start_ns + round(transient.start_s * 1e9),
        duration_s=-transient.decay_s * math.log(TRANSIENT_END),
        peaks_pu=tuple(abs(magnitude) * peak for magnitude in transient.magnitudes_pu),
        frequency_hz=transient.frequency_hz,
    )


def _impulsive(waveform: Waveform, impulse: Impulse, start_ns: int) -> TrueEvent:
    return _superimposed(
        waveform,
        kind="impulsive_transient",
        start_ns=start_ns + round(impulse.start_s * 1e9),
        duration_s=_impulse_duration_s(impulse),
        peaks_pu=tuple(abs(peak) for peak in impulse.peaks_pu),
        frequency_hz=None,
    )


def _superimposed(
    waveform: Waveform,
    *,
    kind: str,
    start_ns: int,
    duration_s: float,
    peaks_pu: tuple[float, ...],
    frequency_hz: float | None,
) -> TrueEvent:
    return TrueEvent(
        kind=kind,
        start_ns=start_ns,
        duration_s=duration_s,
        magnitude_pu=max(peaks_pu),
        phases=tuple(phase for phase, peak in zip(waveform.phases, peaks_pu, strict=True) if peak > 0),
        phase_values_pu=peaks_pu,
        line_to_line=HOOKUPS[waveform.hookup].line_to_line,
        frequency_hz=frequency_hz,
    )


def transient_peak(transient: Transient) -> float:
    """Greatest excursion of a transient over its magnitude: at its start, or where its derivative is zero first.

    Source: derived: d/dt exp(-t / decay) sin(w t + angle) = 0 where tan(w t + angle) = w decay.
    """
    omega = 2 * math.pi * transient.frequency_hz
    angle = math.radians(transient.angle_deg)
    turn = (math.atan(omega * transient.decay_s) - angle) % math.pi
    later = math.exp(-turn / omega / transient.decay_s) * abs(math.sin(turn + angle))
    return max(abs(math.sin(angle)), later)


def impulse_norm(impulse: Impulse) -> float:
    """The factor n with which the double exponential peaks at 1.

    Source: derived: d/dt (exp(-t / decay) - exp(-t / rise)) = 0 at t = ln(decay / rise) rise decay / (decay - rise).
    """
    peak_s = _impulse_peak_s(impulse)
    return 1.0 / (math.exp(-peak_s / impulse.decay_s) - math.exp(-peak_s / impulse.rise_s))


def _impulse_peak_s(impulse: Impulse) -> float:
    rise_s, decay_s = impulse.rise_s, impulse.decay_s
    return math.log(decay_s / rise_s) * rise_s * decay_s / (decay_s - rise_s)


def _impulse_duration_s(impulse: Impulse) -> float:
    """When the tail has fallen to `TRANSIENT_END` of the peak, by bisection: the tail falls all the way."""
    norm = impulse_norm(impulse)
    early, late = _impulse_peak_s(impulse), impulse.decay_s * math.log(norm / TRANSIENT_END)
    for _ in range(60):
        middle = (early + late) / 2
        level = norm * (math.exp(-middle / impulse.decay_s) - math.exp(-middle / impulse.rise_s))
        early, late = (middle, late) if level > TRANSIENT_END else (early, middle)
    return late
