"""From RMS variations to rows of the catalogue: category, start on the waveform, stages, values by phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from halfcycle.classifiers.category import classify_category, is_typical_magnitude, long_duration_kind
from halfcycle.pipeline.catalogue.rows import phases_word
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.detectors.point_on_wave import LOOK_AHEAD_CYCLES, LOOK_BACK_CYCLES, refine_start
from halfcycle.pipeline.detectors.rms_variations import RmsVariation
from halfcycle.pipeline.detectors.stages import find_stages
from halfcycle.pipeline.events import Event, with_identity
from halfcycle.pipeline.measures.quality import FLAG_WORDS
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record


def variation_event(
    variation: RmsVariation,
    record: Record,
    point: Point,
    measured: PointMeasures,
    *,
    site: str,
    kind: str,
    interruption_pu: float,
) -> Event:
    """A sag, swell or interruption as an event.

    Parameters
    ----------
    variation : in record positions and channel numbers.
    record : that it was found in; gives times and digests.
    point : the measuring point.
    measured : the series and the waveform that it was found in.
    site : the site's name.
    kind : of the reference: ``nominal`` or ``sliding``.
    interruption_pu : of the profile: a phase whose voltage falls below is lost.
    """
    series = measured.half_cycles
    start, stop = record.time_ns(variation.start), record.time_ns(variation.stop)
    observed_s = (stop - start) / 1e9
    worst = (max if variation.kind == "swell" else min)(variation.channels, key=lambda part: part.extreme_pu)
    category = classify_category(variation.kind, observed_s, nominal_frequency_hz=series.nominal_hz)
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    refined = None if variation.open_start else _refined(variation, measured)
    place = record.place(variation.start, variation.stop)
    stages = find_stages(_worst_trace(variation, measured))
    phases = [measured.phases[c] for c in sorted({part.channel for part in variation.channels})]
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
            phases=phases_word(phases),
            line_to_line=measured.line_to_line,
            open_start=variation.open_start,
            open_end=variation.open_stop,
            reference_v=_reference_at(measured.reference_v, worst.channel, worst.i_start),
            refined_start=None if refined is None else record.time_ns(refined),
            capture=record.digests(variation.start, variation.stop),
            source=place.source,
            first_sample=place.first_sample,
            n_samples=place.n_samples,
            worst_phase_kind=worst_kind(variation, worst.extreme_pu, interruption_pu),
            **by_phase(variation, measured.phases, per_second=record.header.rate_hz),
            stages=len(stages),
            stage_magnitudes=" ".join(f"{stage.level_pu:.3f}" for stage in stages),
            stage_durations_s=" ".join(f"{seconds:.3f}" for seconds in half_s),
            reference_kind=kind,
            frequency_hz=float(series.frequency_hz[first.i_start]),
            quality=" ".join(word for flag, word in FLAG_WORDS.items() if variation.flags & flag),
            notes=""
            if is_typical_magnitude(category, variation.magnitude_pu)
            else "magnitude outside the typical range of the category",
        )
    )


def _reference_at(volts: Any, channel: int, i: int) -> float:
    return float(volts[channel, i]) if isinstance(volts, np.ndarray) else float(volts)


def worst_kind(variation: RmsVariation, extreme_pu: float, interruption_pu: float) -> str | None:
    """What the worst phase would be called on its own, where that differs from the point's kind."""
    return "interruption" if variation.kind == "sag" and extreme_pu < interruption_pu else None


def by_phase(variation: RmsVariation, phases: Sequence[str], *, per_second: float) -> dict[str, Any]:
    """Columns of the worst voltage and the time of each phase that a variation is on.

    Parameters
    ----------
    variation : with its parts.
    phases : of each channel.
    per_second : what a second is in the variation's positions.
    """
    worst = max if variation.kind == "swell" else min
    values: dict[str, Any] = {}
    for part in variation.channels:
        letter = phases[part.channel][0].lower()
        extreme, seconds = f"magnitude_{letter}", f"duration_{letter}_s"
        values[extreme] = worst(values.get(extreme, part.extreme_pu), part.extreme_pu)
        values[seconds] = values.get(seconds, 0.0) + (part.stop - part.start) / per_second
    return values


def _worst_trace(variation: RmsVariation, measured: PointMeasures) -> Any:
    low = min(part.i_start for part in variation.channels)
    high = max(part.i_stop for part in variation.channels)
    rows = [part.channel for part in variation.channels]
    volts = measured.reference_v
    trace = measured.half_cycles.u_half[rows, low:high].astype(np.float64)
    trace /= volts[rows, low:high] if isinstance(volts, np.ndarray) else volts
    return trace.max(axis=0) if variation.kind == "swell" else trace.min(axis=0)


def _refined(variation: RmsVariation, measured: PointMeasures) -> float | None:
    """Point-on-wave start, as a record position."""
    series = measured.half_cycles
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    cycle = series.rate_hz / float(series.frequency_hz[first.i_start])
    low = max(int(variation.start - LOOK_BACK_CYCLES * cycle), 0)
    u = measured.waveform(low, int(variation.start + LOOK_AHEAD_CYCLES * cycle))
    rows = sorted({part.channel for part in variation.channels})
    found = refine_start(np.nan_to_num(u[rows]), samples_per_cycle=cycle, i_window=variation.start - low)
    return None if found is None else low + found


def with_enclosing(events: list[Event]) -> list[Event]:
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
