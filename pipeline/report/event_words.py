"""One event in words, as an engineer would tell it to a manager. Every sentence says no more than the row does."""

from __future__ import annotations

from typing import Final

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.locales import number, own_words, scaled
from halfcycle.pipeline.plain_text import percent
from halfcycle.pipeline.report.slice import Slice
from halfcycle.pipeline.report.times import LocalTime

RMS_KINDS: Final = frozenset({"sag", "swell", "interruption", "undervoltage", "overvoltage"})
_KIND_WORDS: Final = {"rapid_voltage_change": "rapid voltage change", "dc_offset": "dc offset"}
_DIP_TYPES: Final = {
    "A": "all three phases dropped equally, as in a three-phase fault or the start of a three-phase load",
    "B": "one phase dropped and the other two did not, as in a single-phase-to-earth fault measured phase to neutral",
    "C": "two phases dropped and moved towards each other, as in a phase-to-phase fault",
    "D": "one phase dropped most and the other two a little, as in a phase-to-phase fault beyond a transformer",
    "E": "two phases dropped equally, as in a two-phase-to-earth fault",
    "F": "one phase dropped most and the other two somewhat, as in a two-phase-to-earth fault beyond a transformer",
    "G": "two phases dropped most and the third somewhat, as in a two-phase-to-earth fault beyond a transformer",
}
_SIDES: Final = {
    "upstream": "upstream of the measuring point, usually the supply: the arrows of the clamps point away from it",
    "downstream": "downstream of the measuring point, usually the load: the arrows of the clamps point to it",
}
_CAUSES: Final = {
    "fault": "a short circuit in the network",
    "fault with reclosing": "a short circuit with automatic reclosing",
    "fault, then trip": "a short circuit, after which a breaker opened",
    "evolving fault": "a short circuit that spread to further phases",
    "fault clearing": "the end of a short circuit",
    "open phase": "an open phase or a blown fuse",
    "disconnection": "the supply being switched off",
    "re-energising": "the supply being switched on again",
    "lightning impulse": "a surge, such as lightning",
    "motor start": "the start of a large motor",
    "transformer energising": "a transformer being switched on",
    "capacitor energising": "a capacitor bank being switched on",
    "back-to-back capacitor energising": "a capacitor bank being switched on beside another",
    "capacitor de-energising": "a capacitor bank being switched off",
    "load switching": "a load being switched",
}


def kind_words(kind: str) -> str:
    """A kind of event in words."""
    return _KIND_WORDS.get(kind, kind.replace("_", " "))


def what_words(event: Event) -> str:
    """What an event is called: its category, else its kind in words."""
    return event.category or kind_words(event.kind)


def headline(event: Event) -> str:
    """One line that names an event: site, what, when, how deep, how long."""
    where = event.site if event.point is None else f"{event.site}, {event.point}"
    what = what_words(event)
    return f"{where}: {what}, {time_words(event.start)}"


def event_sentences(event: Event, *, with_time: bool = True) -> list[str]:
    """What happened, how bad, the likely cause and side, and what limits the reading; a sentence each.

    Parameters
    ----------
    event : a row of the catalogue.
    with_time : begin with when it happened.
    """
    said = [_what_happened(event, with_time=with_time)]
    if event.stages > 1:
        said.append(f"It went through {event.stages} stages: {stage_words(event)}.")
    said += _why_sentences(event)
    if event.open_start or event.open_end:
        ends = " and ".join(
            name for name, is_open in (("began", event.open_start), ("ended", event.open_end)) if is_open
        )
        said.append(f"The record does not show where it {ends}, so it may have lasted longer.")
    if event.quality:
        said.append(f"Some of its samples were flagged ({event.quality}); its values are less certain.")
    return said


def _what_happened(event: Event, *, with_time: bool = True) -> str:
    text = _happened(event)
    return f"On {time_words(event.start)} {text}" if with_time else text[:1].upper() + text[1:]


def _happened(event: Event) -> str:
    lasted = duration_words(event)
    phases = phases_words(event)
    if event.kind in RMS_KINDS and event.magnitude_unit == "pu":
        volts = scaled(event.magnitude * event.reference_v, "V", digits=3)
        of_phases = phases if event.line_to_line else f"the voltage of {phases}"
        verb = "rose to" if event.kind in ("swell", "overvoltage") else "fell to"
        return (
            f"{of_phases} {verb} {number(100 * event.magnitude, '.1f')} % of the "
            f"{_reference_words(event)} ({volts}) for {lasted}: {what_words(event)}."
        )
    size = f"{number(event.magnitude, '.4g')} {event.magnitude_unit}"
    name = what_words(event)
    article = "an" if name[:1] in "aeiou" else "a"
    return f"there was {article} {name} on {phases} of {size} for {lasted}."


def _why_sentences(event: Event) -> list[str]:
    said = []
    if event.cause and event.cause != "unknown":
        share = event.cause_confidence
        backed = "" if share is None else f" ({percent(share)} probable)"
        said.append(f"The likely cause is {cause_words(event.cause)}{backed}.")
    elif event.cause:
        said.append("These waveforms do not show the cause.")
    if event.direction in ("upstream", "downstream"):
        said.append(f"It came from {_SIDES[event.direction]}.")
    elif event.direction:
        said.append("The side it came from is unknown.")
    if event.dip_type:
        letter = event.dip_type[0]
        meaning = _DIP_TYPES.get(letter)
        said.append(f"Its three-phase type is {event.dip_type}" + (f": {meaning}." if meaning else "."))
    return said


def cause_words(cause: str) -> str:
    """A cause in words for a customer."""
    return _CAUSES.get(cause, cause)


def stage_words(event: Event) -> str:
    """The stages of an event: level and duration of each."""
    pairs = zip(event.stage_magnitudes.split(), event.stage_durations_s.split(), strict=False)
    unit = event.magnitude_unit
    return own_words("; ".join(f"{magnitude} {unit} for {seconds} s" for magnitude, seconds in pairs))


def phases_words(event: Event) -> str:
    """The phases involved, in words."""
    if event.line_to_line:
        return (
            "all three line-to-line voltages" if event.phases == "ABC" else f"the line-to-line voltage {event.phases}"
        )
    if event.phases == "ABC":
        return "all three phases"
    if not event.phases:
        return "the measured channel"
    letters = " and ".join(event.phases)
    return f"phase {letters}" if len(event.phases) == 1 else f"phases {letters}"


def duration_words(event: Event) -> str:
    """How long an event lasted, in words."""
    text = seconds_words(event.observed_s)
    return f"at least {text}" if event.open_start or event.open_end else text


def seconds_words(seconds: float) -> str:
    """A length of time in words."""
    if seconds < 1e-3:
        return f"{number(seconds * 1e6, '.3g')} µs"
    if seconds < 1:
        return f"{number(seconds * 1e3, '.3g')} ms"
    if seconds < 120:
        return f"{number(seconds, '.3g')} s"
    minutes = f"{number(seconds / 60, '.3g')} min"
    return minutes if seconds < 7200 else f"{number(seconds / 3600, '.3g')} h"


def time_words(ns: int) -> str:
    """A time in UTC down to the millisecond."""
    return f"{LocalTime().exact(ns)} UTC"


def magnitude_words(event: Event) -> str:
    """The magnitude with its unit; of RMS variations in per cent."""
    if event.magnitude_unit == "pu" and event.kind in RMS_KINDS:
        return f"{number(100 * event.magnitude, '.1f')} %"
    return f"{number(event.magnitude, '.4g')} {event.magnitude_unit}"


def picture_words(event: Event, cut: Slice) -> str:
    """What the picture of an event shows, for who cannot see it."""
    return f"{_what_happened(event)} {shown_words(cut)}"


def shown_words(cut: Slice) -> str:
    """Which waveforms a picture shows, and of how long a time."""
    groups = []
    for quantity in ("voltage", "current"):
        names = [one.phase or one.name for one in cut.channels if one.quantity == quantity]
        if names:
            groups.append(f"{quantity}{'s' * (len(names) > 1)} {', '.join(names)}")
    return f"Waveforms of {' and '.join(groups)} over {seconds_words(cut.n / cut.rate_hz)}."


def _reference_words(event: Event) -> str:
    kinds = {
        "sliding": "voltage before it",
        "pre-event": "voltage before it",
        "inferred": "nominal voltage inferred from the data",
        "stated by the file": "nominal voltage stated by the file",
        "declared": "declared nominal voltage",
    }
    return kinds.get(event.reference_kind, "nominal voltage")
