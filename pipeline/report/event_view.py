"""One event of a report: words, facts, its drawing for paper and its samples for the screen."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from halfcycle.pipeline.errors import HalfcycleError, SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.locales import number, own_words
from halfcycle.pipeline.plain_text import percent
from halfcycle.pipeline.report.drawing import phase_colour, phase_dash, thinned
from halfcycle.pipeline.report.event_picture import THRESHOLDS_PU, event_svg, reference_v
from halfcycle.pipeline.report.event_words import (
    duration_words,
    event_sentences,
    magnitude_words,
    phases_words,
    picture_words,
    shown_words,
    stage_words,
    what_words,
)
from halfcycle.pipeline.report.figures import NARROW, WIDE, Figure
from halfcycle.pipeline.report.packing import Packed, pack
from halfcycle.pipeline.report.phasor_pair import phasor_svg_of
from halfcycle.pipeline.report.slice import BeforeAndDuring, Rms, Slice, nominal_hz, phasors_of, rms_of
from halfcycle.pipeline.report.spectrum import spectrum_of, spectrum_svg, spectrum_words
from halfcycle.pipeline.report.summary import TextTable
from halfcycle.pipeline.report.times import LocalTime

_RMS_COLUMNS: Final = 600  # of each series, its lowest and highest value


@dataclass(frozen=True, slots=True, kw_only=True)
class EventView:
    """An event as the page shows it.

    Attributes
    ----------
    event : the row.
    title, when : what and when, in words.
    sentences : what happened, how bad, from where.
    why : the reasons of cause, side and type; "".
    facts : the row's values.
    picture : drawing for paper; "" where there is none.
    phasors : drawings of the phasors before and during; empty where they could not be formed.
    spectrum : of a transient; None for other kinds.
    words : what the picture shows, for who cannot see it.
    shown : which waveforms it shows.
    meta, samples : JSON of the waveforms' layout, and the samples packed; "" where there are none.
    notes : what limits what is shown.
    missing : why there is no waveform; "".
    measured : its phasors; None where they could not be formed.
    hookup : by which its voltages were judged; "".
    """

    event: Event
    title: str
    when: str
    sentences: tuple[str, ...]
    why: str
    facts: TextTable
    picture: str = ""
    phasors: tuple[str, ...] = ()
    spectrum: Figure | None = None
    words: str = ""
    shown: str = ""
    meta: str = ""
    samples: str = ""
    notes: tuple[str, ...] = ()
    missing: str = ""
    measured: BeforeAndDuring | None = None
    hookup: str = ""


def event_view(
    event: Event, slices: Callable[[Event], Slice], *, clock: LocalTime, most_samples: int, twin: bool = True
) -> EventView:
    """An event with its waveforms, or with the reason why there are none.

    Parameters
    ----------
    event : a row of the catalogue.
    slices : gives the waveforms; raises a HalfcycleError where they are not there.
    clock : how times are written.
    most_samples : that are put in the file.
    twin : draw it for paper, too.
    """
    where = event.site if event.point is None else f"{event.site}, {event.point}"
    view: dict[str, Any] = {
        "event": event,
        "title": f"{where}: {what_words(event)}",
        "when": clock.moment(event.start) + (f" ({beside})" if (beside := clock.beside(event.start)) else ""),
        "sentences": tuple(event_sentences(event, with_time=False)),
        "why": own_words(event.why or ""),
        "facts": _facts(event, clock),
    }
    try:
        whole = slices(event)
    except HalfcycleError as error:
        return EventView(**view, missing=str(error))
    cut = whole.cut(most_samples)
    try:
        nominal = nominal_hz(event, whole)
        rms, phasors = rms_of(whole, nominal=nominal), phasors_of(event, whole, nominal=nominal)
        spectrum = _spectrum(event, whole, nominal)
    except SignalError:
        rms = phasors = spectrum = None
    packed = pack(cut)
    notes = list(cut.notes)
    if not packed.is_exact:
        notes.append("the page holds the samples with a resolution of 1/32,000 of the largest value of each channel")
    return EventView(
        **view,
        picture=event_svg(event, whole, rms=rms, phasors=None, with_title=False, compact=True) if twin else "",
        phasors=() if phasors is None else (phasor_svg_of(phasors, "before"), phasor_svg_of(phasors, "during")),
        spectrum=spectrum,
        measured=phasors,
        hookup=whole.hookup,
        words=picture_words(event, whole),
        shown=shown_words(whole),
        meta=json.dumps(_meta(event, whole, cut, rms, packed), ensure_ascii=True, separators=(",", ":")),
        samples=packed.text,
        notes=tuple(notes),
    )


def _spectrum(event: Event, cut: Slice, nominal: float) -> Figure | None:
    found = spectrum_of(event, cut, nominal=nominal)
    if found is None:
        return None
    wide, narrow = (spectrum_svg(event, cut, found, width=width) for width in (WIDE, NARROW))
    return Figure(f"spectrum-{event.event_id}", "Spectrum", spectrum_words(event, found), wide, narrow)


def _meta(event: Event, whole: Slice, cut: Slice, rms: Rms | None, packed: Packed) -> dict[str, Any]:
    """The layout of an event's waveforms, as the page's script reads it."""
    channels = [
        {
            "name": ("I" if c.quantity == "current" else "U") + c.phase if c.phase else c.name,
            "kind": c.quantity,
            "unit": c.unit or ("A" if c.quantity == "current" else "V"),
            "scale": float(f"{scale:.9g}"),
            "offset": float(f"{offset:.9g}"),
            "colour": phase_colour(c.phase),
            "dash": [int(part) for part in phase_dash(c.phase).split()],
            "weights": predictor.coefficients,
            "shift": predictor.shift,
        }
        for c, scale, offset, predictor in zip(
            cut.channels, packed.scales, packed.offsets, packed.predictors, strict=True
        )
    ]
    series = []
    if rms is not None:
        for i in cut.voltages:
            points = thinned(rms.times_s[i], rms.values[i] / reference_v(event, whole) * 100, n_columns=_RMS_COLUMNS)
            t, v = ([round(scale * point[k]) for point in points] for k, scale in ((0, 1e5), (1, 100.0)))
            series.append({"channel": i, "t": _steps(_steps(t)), "v": _steps(v)})  # times are nearly even
    levels = [[round(100 * level, 3), words] for level, words in THRESHOLDS_PU] if event.magnitude_unit == "pu" else []
    return {
        "rate": cut.rate_hz,
        "start": cut.start,
        "n": cut.n,
        "all": whole.n,
        "bytes": packed.n_bytes,
        "packed": packed.n_packed,
        "stop": cut.stop_event / cut.rate_hz,
        "channels": channels,
        "rms": series,
        "levels": levels,
    }


def _steps(values: list[int]) -> list[int]:
    """Each value as its step from the one before: few digits."""
    return [value - before for before, value in zip([0, *values], values, strict=False)]


def _facts(event: Event, clock: LocalTime) -> TextTable:
    volts = f"{number(event.reference_v, '.6g')} V ({event.reference_kind})"
    rows = [
        ("what", what_words(event)),
        ("start", f"{clock.exact(event.start)} {clock.zone}"),
        ("magnitude", magnitude_words(event)),
        ("duration", duration_words(event)),
        ("phases", phases_words(event)),
        ("100 % is", volts),
    ]
    if clock.zone != "UTC":
        rows.insert(2, ("start in UTC", f"{LocalTime().exact(event.start)} UTC"))
    for letter, magnitude, seconds in (
        ("A", event.magnitude_a, event.duration_a_s),
        ("B", event.magnitude_b, event.duration_b_s),
        ("C", event.magnitude_c, event.duration_c_s),
    ):
        if magnitude is not None:
            lasted = "" if seconds is None else f" for {number(seconds, '.4g')} s"
            name = {"A": "AB", "B": "BC", "C": "CA"}[letter] if event.line_to_line else letter
            rows.append((f"phase {name}", f"{number(magnitude, '.4g')} {event.magnitude_unit}{lasted}"))
    optional = (
        ("stages", stage_words(event) if event.stages > 1 else ""),
        ("phase-angle jump", "" if event.phase_jump_deg is None else f"{number(event.phase_jump_deg, '.1f')}°"),
        ("point on wave, start", "" if event.start_angle_deg is None else f"{event.start_angle_deg:.0f}°"),
        ("type", event.dip_type or ""),
        ("ringing", "" if event.oscillation_hz is None else f"{number(event.oscillation_hz, '.4g')} Hz"),
        ("likely cause", _named(event.cause, event.cause_confidence, "probable")),
        ("learned class", _named(event.learned_class, event.learned_confidence, "probable")),
        ("side", event.direction or ""),
        ("marks", event.quality),
        ("remarks", event.notes),
        ("file", event.source or "not named in the catalogue"),
        ("samples", "" if event.first_sample is None else f"{event.n_samples} from {event.first_sample} on"),
        ("digest", event.capture),
        ("event", event.event_id),
        ("incident", event.incident_id),
    )
    rows += [(name, value) for name, value in optional if value]
    return TextTable("catalogue row", ("what", "value"), tuple(rows))


def _named(name: str | None, confidence: float | None, of_what: str) -> str:
    if not name:
        return ""
    return name if confidence is None or name == "unknown" else f"{name} ({percent(confidence)} {of_what})"
