"""From what a detector found to a row of the catalogue."""

from __future__ import annotations

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.events import Event, with_identity
from halfcycle.pipeline.measures.quality import FLAG_WORDS
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record


def event_of(finding: Finding, record: Record, point: Point, measured: PointMeasures, *, site: str, kind: str) -> Event:
    """A finding as an event.

    Parameters
    ----------
    finding : in record positions and channel numbers.
    record : that it was found in; gives times and digests.
    point : the measuring point.
    measured : names the phases of the channels.
    site : the site's name.
    kind : of the reference: ``nominal`` or ``sliding``.
    """
    start, stop = record.time_ns(finding.start), record.time_ns(finding.stop)
    observed_s = (stop - start) / 1e9
    of_current = finding.is_of_current
    names = measured.current_phases if of_current else measured.phases
    phases = [names[part.channel] if part.channel < len(names) else "" for part in finding.parts]
    extremes = {phase: part.extreme for phase, part in zip(phases, finding.parts, strict=True) if phase}
    refined = finding.refined_start
    place = record.place(finding.start, finding.stop)
    return with_identity(
        Event(
            site=site,
            point=point.name,
            kind=finding.kind,
            category=finding.category,
            start=start,
            duration_s=None if finding.open_start or finding.open_stop else observed_s,
            observed_s=observed_s,
            magnitude=finding.magnitude,
            magnitude_unit=finding.magnitude_unit,
            phases=phases_word([phase for phase in dict.fromkeys(phases) if phase]),
            line_to_line=measured.line_to_line and not of_current,
            open_start=finding.open_start,
            open_end=finding.open_stop,
            reference_v=measured.scalar_reference_v if finding.reference_v is None else finding.reference_v,
            reference_kind=kind,
            refined_start=None if refined is None else record.time_ns(refined),
            capture=record.digests(finding.start, finding.stop),
            source=place.source,
            first_sample=place.first_sample,
            n_samples=place.n_samples,
            magnitude_a=_of_letter(extremes, "A"),
            magnitude_b=_of_letter(extremes, "B"),
            magnitude_c=_of_letter(extremes, "C"),
            quality=" ".join(word for flag, word in FLAG_WORDS.items() if finding.flags & flag),
            polarity=finding.polarity,
            rise_s=finding.rise_s,
            width_s=finding.width_s,
            oscillation_hz=finding.oscillation_hz,
            decay_s=finding.decay_s,
            n_modes=finding.n_modes,
            energy_pu2s=finding.energy_pu2s,
            repeats=finding.repeats,
            unseen=finding.unseen,
            before=finding.before,
            after=finding.after,
            notes=finding.notes,
        )
    )


def phases_word(phases: list[str]) -> str:
    """The phases involved, as the catalogue writes them: ``A``, ``BC``, ``ABC``; one line-to-line channel as ``AB``."""
    if all(len(phase) == 1 for phase in phases):
        return "".join(phases)
    return phases[0] if len(phases) == 1 else "ABC"


def _of_letter(extremes: dict[str, float], letter: str) -> float | None:
    return next((value for phase, value in extremes.items() if phase.startswith(letter)), None)
