"""How a row came about, in steps: each with its values, the thresholds crossed, and the evidence for what is named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.tables import iso_utc
from halfcycle.pipeline.events import Event, Uncertainty
from halfcycle.pipeline.locales import number
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.why.trace import Trace

_SHOWN: Final = 2  # windows before and after one that is told of
_DETECTORS: Final = {
    "impulsive_transient": ("transient", "current_transient"),
    "oscillatory_transient": ("transient", "current_transient"),
    "rapid_voltage_change": ("rapid_voltage_change", "voltage_step"),
}
_FLAT: Final = "harmonics"  # flat topping is a row of this kind


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what it is, and its lines."""

    name: str
    lines: tuple[str, ...]


def steps_of(event: Event, *, terms: Terms, accounts: Sequence[Account], trace: Trace | None) -> list[Step]:
    """The steps from the samples to a row.

    Parameters
    ----------
    event : the row.
    terms : that it was judged by.
    accounts : of the sites, with its own among them.
    trace : its measures, where it is a sag, swell or interruption of a waveform.

    Returns
    -------
    In the order in which they were taken.
    """
    account = next((one for one in accounts if one.site == event.site), None)
    steps = [Step("source", _source(event))]
    if account is not None:
        steps.append(Step("account of the site", (account.line,)))
    steps.append(Step("reference", _reference(event, trace)))
    if trace is not None:
        steps += _variation_steps(event, trace)
    else:
        steps += _finding_steps(event, terms)
    steps.append(Step("category", (event.category or event.kind,)))
    if event.why or event.cause:
        steps.append(Step("explanation", _explanation(event)))
    if event.learned_class:
        steps.append(Step("learned classifier", _learned(event)))
    if event.uncertainty is not None:
        steps.append(Step("uncertainty", _sureness(event.uncertainty)))
    if event.notes or event.quality:
        steps.append(Step("notes", tuple(filter(None, (event.notes, event.quality)))))
    return steps


def _source(event: Event) -> tuple[str, ...]:
    where = "" if event.first_sample is None else f", samples {event.first_sample} and {event.n_samples} on"
    return (f"{event.source or 'not named'}{where}", f"digest {event.capture}")


def _reference(event: Event, trace: Trace | None) -> tuple[str, ...]:
    unit = "A" if event.kind == "inrush" else "V"
    kind = f"{event.reference_kind} reference"
    known = f"; nominal voltage {event.nominal_kind}" if event.nominal_kind else ""
    lines = (f"1 pu is {_figure(event.reference_v)} {unit}: {kind}{known}",)
    return lines if trace is None else (*lines, *trace.reference.words)


def _variation_steps(event: Event, trace: Trace) -> list[Step]:
    variation, measured = trace.variation, trace.measured
    series, limits = measured.half_cycles, trace.reference.thresholds
    on, sign = {
        "sag": (limits.sag_pu, "<"),
        "swell": (limits.swell_pu, ">"),
        "interruption": (limits.interruption_pu, "<"),
    }[variation.kind]
    off = on + (limits.hysteresis_pu if sign == "<" else -limits.hysteresis_pu)
    back = "≥" if sign == "<" else "≤"
    first = min(variation.channels, key=lambda part: (part.start, part.channel))
    worst = (max if sign == ">" else min)(variation.channels, key=lambda part: part.extreme_pu)
    values = _pu(trace)
    seen = values[worst.channel, worst.i_start : worst.i_stop]
    at = worst.i_start + int(seen.argmax() if sign == ">" else seen.argmin())
    when = iso_utc(trace.record.time_ns(float(series.starts[worst.channel, at])))
    n_windows = worst.i_stop - worst.i_start
    named = "highest" if sign == ">" else "lowest"
    steps = [
        Step(
            "thresholds",
            (f"{variation.kind} {sign} {_figure(on)} pu on {_rule(variation.kind)}; ends at {back} {_figure(off)} pu",),
        ),
        Step("start", (*_windows(trace, first.channel, first.i_start), f"start {iso_utc(event.start)}")),
        Step(
            "magnitude",
            (
                f"{named} Urms(1/2) of {n_windows} on phase {measured.phases[worst.channel]}, in the window from "
                f"{when}: {_at(trace, worst.channel, at)}",
                f"magnitude {_figure(event.magnitude)} {event.magnitude_unit}",
            ),
        ),
    ]
    steps.append(Step("end", _end(event, trace, back=back, off=off)))
    hertz = float(series.frequency_hz[first.i_start])
    steps.append(Step("frequency", (f"tracked in the first window: {_figure(hertz)} Hz",)))
    if event.refined_start is not None:
        late_ms = (event.refined_start - event.start) / 1e6
        first_off = f"first sample that differs from the preceding cycle: {iso_utc(event.refined_start)}"
        steps.append(Step("refined start", (f"{first_off}, {number(late_ms, '+.3f')} ms from start",)))
    if event.stages > 1:
        levels = zip(event.stage_magnitudes.split(), event.stage_durations_s.split(), strict=False)
        steps.append(Step("stages", tuple(f"{level} pu for {seconds} s" for level, seconds in levels)))
    return steps


def _rule(kind: str) -> str:
    return "every phase" if kind == "interruption" else "any phase"


def _end(event: Event, trace: Trace, *, back: str, off: float) -> tuple[str, ...]:
    variation = trace.variation
    if variation.open_stop:
        return (f"in progress at the end of the record: no duration; observed for {_figure(event.observed_s)} s",)
    told = [
        f"phase {trace.measured.phases[part.channel]}: {_at(trace, part.channel, part.i_stop)} {back} {_figure(off)}"
        for part in variation.channels
        if part.i_stop < trace.measured.half_cycles.n
    ]
    ends = (
        "the end of the first window that returned"
        if variation.kind == "interruption"
        else "the start of the window in which the last phase returned"
    )
    lasted = (
        f"observed for {_figure(event.observed_s)} s"
        if event.duration_s is None
        else f"duration {_figure(event.duration_s)} s"
    )
    return (*told, f"{lasted}, from the start of the first window beyond the threshold to {ends}")


def _windows(trace: Trace, channel: int, i: int) -> tuple[str, ...]:
    """The windows of a channel up to the one that crossed first, and after it."""
    series = trace.measured.half_cycles
    lines = []
    for k in range(max(i - _SHOWN, 0), min(i + _SHOWN, series.n)):
        when = iso_utc(trace.record.time_ns(float(series.starts[channel, k])))
        mark = "  ← first beyond threshold" if k == i else ""
        lines.append(f"phase {trace.measured.phases[channel]}, window from {when}: {_at(trace, channel, k)}{mark}")
    return tuple(lines)


def _at(trace: Trace, channel: int, k: int) -> str:
    volts = float(trace.measured.half_cycles.u_half[channel, k])
    return f"{_figure(volts)} V = {_figure(float(_pu(trace)[channel, k]))} pu"


def _pu(trace: Trace) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    measured = trace.measured
    return np.asarray(measured.half_cycles.u_half / measured.reference_v, np.float64)


def _finding_steps(event: Event, terms: Terms) -> list[Step]:
    """Of what other detectors find: what they were set to, and what they measured."""
    names = (*_DETECTORS.get(event.kind, (event.kind,)), *(("flat_topping",) if event.kind == _FLAT else ()))
    steps = []
    for chosen in terms.detectors:
        if chosen.detector.name in names:
            settings = chosen.settings.model_dump(mode="json")
            steps.append(
                Step(f"detector {chosen.detector.name}", tuple(f"{key} = {value}" for key, value in settings.items()))
            )
    when = [f"start {iso_utc(event.start)}"]
    when.append(
        f"observed for {_figure(event.observed_s)} s"
        if event.duration_s is None
        else f"duration {_figure(event.duration_s)} s"
    )
    if event.refined_start is not None:
        when.append(f"refined start {iso_utc(event.refined_start)}")
    steps.append(Step("time", tuple(when)))
    named = (
        "polarity", "rise_s", "width_s", "oscillation_hz", "decay_s", "n_modes", "energy_pu2s", "repeats", "before",
        "after", "unseen",
    )  # fmt: skip
    values = [f"{name} {_shown(getattr(event, name))}" for name in named if getattr(event, name) is not None]
    by_phase = [
        f"phase {letter}: {_figure(value)} {event.magnitude_unit}"
        for letter, value in zip("ABC", (event.magnitude_a, event.magnitude_b, event.magnitude_c), strict=True)
        if value is not None
    ]
    steps.append(Step("magnitude", (f"{_figure(event.magnitude)} {event.magnitude_unit}", *by_phase, *values)))
    return steps


def _explanation(event: Event) -> tuple[str, ...]:
    lines = []
    if event.cause is not None:
        lines.append(f"cause {event.cause}, probability {_figure(event.cause_confidence)}")
    if event.direction is not None:
        lines.append(f"side {event.direction}, confidence {_figure(event.direction_confidence)}")
    if event.dip_type is not None:
        lines.append(
            f"type {event.dip_type}: characteristic {_figure(event.characteristic_pu)} pu, PN "
            f"{_figure(event.pn_factor)}"
        )
    for name, unit in (("phase_jump_deg", "°"), ("start_angle_deg", "°"), ("recovery_angle_deg", "°")):
        if (value := getattr(event, name)) is not None:
            lines.append(f"{name.removesuffix('_deg').replace('_', ' ')} {_figure(value)}{unit}")
    return (*lines, *(f"evidence: {part}" for part in (event.why or "").split("; ") if part))


def _sureness(sure: Uncertainty) -> tuple[str, ...]:
    values = {field.name: getattr(sure, field.name) for field in fields(sure)}
    instants = {name: iso_utc(value) for name, value in values.items() if name == "start_corrected" and value}
    words = {"not_included": "not included"}
    told = {name: value for name, value in (values | instants).items() if value is not None}
    return tuple(f"{words.get(name, name)} {_shown(value, uncertain=_is_u(name))}" for name, value in told.items())


def _is_u(name: str) -> bool:
    return name.endswith(("_u", "_u_s"))


def _shown(value: object, *, uncertain: bool = False) -> str:
    """A value as text: uncertainties with two significant digits (JCGM 100, 7.2.6), other floats with seven."""
    if isinstance(value, float):
        return number(value, ".2g") if uncertain else _figure(value)
    return str(value)


def _learned(event: Event) -> tuple[str, ...]:
    lines = [f"{event.learned_class}, {_figure(event.learned_confidence)}"]
    if event.learned_primitives:
        lines.append(f"primitives {event.learned_primitives}: {event.learned_primitive_confidences}")
    return tuple(lines)


def _figure(value: float | None) -> str:
    return "unknown" if value is None else number(value, ".7g")


def _lasted(event: Event) -> str:
    if event.duration_s is None:
        return f"observed for {_figure(event.observed_s)} s"
    return f"duration {_figure(event.duration_s)} s"
