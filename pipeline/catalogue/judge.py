"""From a record to its events: measure, find the reference, detect, refine, name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from pipeline.catalogue.causes import with_causes
from pipeline.catalogue.look import Look, take_look
from pipeline.catalogue.points import Point, judged_channels, points_of
from pipeline.catalogue.record import Record
from pipeline.catalogue.rms_rows import variation_event, with_enclosing
from pipeline.catalogue.rows import event_of
from pipeline.catalogue.suspects import Suspects
from pipeline.catalogue.whole import measure_whole
from pipeline.config import Thresholds
from pipeline.detectors.contract import Chosen, Need
from pipeline.detectors.measured import Measured
from pipeline.detectors.rms_variations import find_rms_variations
from pipeline.errors import SignalError
from pipeline.events import Event
from pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from pipeline.measures.nominal import find_nominal_voltage, steady_level
from pipeline.measures.reference import pre_event_voltage, sliding_reference
from pipeline.terms import Quantity

_CALM_CYCLES = 12.0  # before and after a suspect span, to tell the steady waveform by
_ENOUGH = 4000  # half cycles that a level is told from
_OFF_NOMINAL = 0.1  # a steady voltage farther off its nominal is measured against itself
_DEAD = 0.02  # of the other phases' level: a channel that never rises above it is not connected


@dataclass(frozen=True, slots=True)
class Terms:
    """What a record is judged by; None where it is to be worked out from the data.

    Attributes
    ----------
    thresholds : the profile.
    nominal_voltage_v : of each judged voltage; of a high leg, that of the other legs. [V]
    nominal_frequency_hz : [Hz]
    hookup : a name of `terms.HOOKUPS`.
    detectors : those that look for more than RMS variations.
    explain : say what caused each event, from which side, and its three-phase type; reads the currents.
    model : folder of a learned classifier that names events too; None: none.
    """

    thresholds: Thresholds
    nominal_voltage_v: float | None = None
    nominal_frequency_hz: float | None = None
    hookup: str | None = None
    detectors: tuple[Chosen, ...] = ()
    explain: bool = False
    model: str | None = None

    @property
    def needs(self) -> frozenset[Need]:
        """What the detectors need, all together."""
        return frozenset[Need]().union(*(chosen.needs for chosen in self.detectors))

    @property
    def least_transient_pu(self) -> float | None:
        """The least peak that a detector of the waveform looks for; None where there is none."""
        return min(
            (
                float(getattr(chosen.settings, "threshold_pu", 0.1))
                for chosen in self.detectors
                if "waveform" in chosen.needs
            ),
            default=None,
        )

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """What must be read of a capture."""
        return ("voltage", "current") if self.explain or "currents" in self.needs else ("voltage",)


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

    def volts(self, series: HalfCycles) -> Any:
        """What 1 pu stands for: one voltage, or the sliding reference of each channel. [V]"""
        if self.thresholds.reference == "nominal" or not series.n:
            return self.nominal_v
        u_half = series.u_half
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
            look = _look(record, point, terms)
            live, reference, words = _reference(record, point, look, terms)
        except SignalError as error:
            coverage.append(Coverage(point.name, 0.0, seconds, str(error)))
            continue
        notes += [*point.notes, *words, *_unseen_shapes(point, look, live)]
        found: list[Event] = []
        for first, stop in look.spans(reference.thresholds, reference.nominal_v, live):
            measured = _measured(record, point, look, live, reference, first=first, stop=stop)
            if measured.half_cycles.n:
                found += _events(record, point, measured, reference, terms, site=site)
        found += _transients(record, point, look, live, reference, terms, site=site)
        if terms.explain and found:
            is_marked = partial(look.is_marked, live)
            found = with_causes(found, record, point, frequency_hz=look.nominal_hz, is_marked=is_marked)
        if terms.model is not None and found:
            found = _named_by_model(found, record, point, look, live, terms.model)
        events += found
        coverage.append(_coverage(record, point, look, live, within))
    return Findings(tuple(events), tuple(coverage), tuple(notes))


def _unseen_shapes(point: Point, look: Look, live: list[int]) -> list[str]:
    """What to say where no window of a voltage shows its waveshape: crests that are flat to the count look clipped."""
    if look.waveshape is None:
        return []
    hidden = [point.phases[c] for c in live if look.waveshape.flags[c].size and look.waveshape.flags[c].all()]
    if not hidden:
        return []
    return [
        f"clipped or missing samples in every window: harmonics, notches and the like not judged: {', '.join(hidden)}"
    ]


def _named_by_model(
    found: list[Event], record: Record, point: Point, look: Look, live: list[int], model: str
) -> list[Event]:
    from pipeline.catalogue.learned import stored_model, with_learned_classes  # scikit-learn takes a second to import

    is_marked = partial(look.is_marked, live)
    return with_learned_classes(
        found, record, point, stored_model(model), frequency_hz=look.nominal_hz, is_marked=is_marked
    )


def _look(record: Record, point: Point, terms: Terms) -> Look:
    """All measures of the whole record where some detector needs them, else the calm look."""
    hertz, least = terms.nominal_frequency_hz, terms.least_transient_pu
    if terms.needs - {"waveform"}:
        return measure_whole(record, point, nominal_hz=hertz, needs=terms.needs, least_transient_pu=least)
    return take_look(record, point, nominal_hz=hertz, least_transient_pu=least)


def _series(record: Record, point: Point, *, nominal_hz: float, first: int, stop: int) -> HalfCycles:
    """Half-cycle series of a point's voltages between two record positions, window starts from the record's."""
    meter = HalfCycleMeter(judged_channels(record.header, point), rate_hz=record.header.rate_hz, nominal_hz=nominal_hz)
    for block in record.blocks(point, first=first, stop=stop):
        meter.push(block)
    series = meter.finish()
    return replace(series, starts=series.starts + first) if first else series


def _measured(
    record: Record, point: Point, look: Look, live: list[int], reference: _Reference, *, first: int, stop: int
) -> Measured:
    series = look.series
    if series is None:
        series = _series(record, point, nominal_hz=look.nominal_hz, first=first, stop=stop)
    voltages = series.of_channels(live)
    empty = _described(record, point, look, live, reference, voltages)
    n_voltages, n_all = len(point.voltages), series.u_half.shape[0]
    return replace(
        empty,
        currents=series.of_channels(range(n_voltages, n_all)) if n_all > n_voltages else None,
        reference_v=reference.volts(voltages),
        waveshape=None if look.waveshape is None else look.waveshape.of_channels(live),
        current_suspects=_suspect_spans(record, look, look.current_suspects),
        current_waveform=partial(_current_waveform, record, point, look.rate_hz / look.nominal_hz)
        if n_all > n_voltages
        else None,
    )


def _described(
    record: Record, point: Point, look: Look, live: list[int], reference: _Reference, voltages: HalfCycles
) -> Measured:
    """Voltages with the names of their channels, without any further measures."""
    channels = judged_channels(record.header, point)
    return Measured(
        half_cycles=voltages,
        currents=None,
        phases=tuple(point.phases[c] for c in live),
        current_phases=tuple(phase for phase, _ in point.currents),
        names=tuple(channels[c].name for c in live),
        current_names=tuple(record.header.channels[i].name for _, i in point.currents),
        line_to_line=point.hookup.line_to_line,
        reference_v=reference.nominal_v,
        nominal_v=reference.nominal_v,
        variations=np.zeros((0, 2)),
        waveshape=None,
        suspects=(),
        n_samples=record.n_samples,
        waveform=partial(_waveform, record, point, live, look.rate_hz / look.nominal_hz),
    )


def _waveform(record: Record, point: Point, live: list[int], per_cycle: float, first: int, stop: int) -> Any:
    """Live voltages between two record positions, without what is no measurement. [V]"""
    return record.physical(point, first, stop, per_cycle=per_cycle)[live]


def _current_waveform(record: Record, point: Point, per_cycle: float, first: int, stop: int) -> Any:
    """A point's currents between two record positions, without what is no measurement. [A]"""
    return record.physical(point, first, stop, currents=True, per_cycle=per_cycle)[len(point.voltages) :]


def _suspect_spans(record: Record, look: Look, suspects: Suspects | None) -> tuple[tuple[int, int], ...]:
    """Where a waveform is suspect, a few cycles of calm to each side. [samples]"""
    margin = int(_CALM_CYCLES * look.rate_hz / look.nominal_hz)
    return () if suspects is None else tuple(suspects.spans(margin=margin, n_samples=record.n_samples))


def _reference(record: Record, point: Point, look: Look, terms: Terms) -> tuple[list[int], _Reference, list[str]]:
    """The live channels, what 1 pu stands for on them, and in words what was decided."""
    every = list(range(len(point.voltages)))
    nominal_v = None if terms.nominal_voltage_v is None else terms.nominal_voltage_v * point.nominal_ratio
    if terms.hookup is not None and nominal_v is not None:
        return every, _Reference(nominal_v, terms.thresholds), []
    rms = look.rms[:, :: max(1, look.rms.shape[1] // _ENOUGH)]  # a sample of them tells the level as well
    top = np.quantile(rms, 0.99, axis=1)
    is_wave = look.is_wave
    if not any(is_wave):
        if nominal_v is None or top.max() > terms.thresholds.interruption_pu * nominal_v:
            raise SignalError("no waveform at the power frequency: magnitudes, angles, direct voltages or noise only")
        is_wave = (True,) * len(every)  # lost voltages are events where the nominal is known
    dead = [c for c in every if top[c] <= _DEAD * top.max()]
    live = [c for c in every if c not in dead and is_wave[c]]
    words = []
    if dead:
        words.append(f"without voltage throughout, not judged: {', '.join(point.phases[c] for c in dead)}")
    if odd := [point.phases[c] for c in every if c not in dead and not is_wave[c]]:
        words.append(f"no waveform at the power frequency, not judged: {', '.join(odd)}")
    measured = rms[live]
    if nominal_v is None:
        ratio = point.nominal_ratio
        found = find_nominal_voltage(
            measured / ratio, line_to_line=point.hookup.line_to_line, rated_v=_rated(record, point)
        )
        nominal_v = found.volts * ratio
        words.append(found.note if ratio == 1 else f"{found.note}, times {ratio:.4g} on the high leg")
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
    record: Record, point: Point, measured: Measured, reference: _Reference, terms: Terms, *, site: str
) -> list[Event]:
    series, thresholds = measured.half_cycles, reference.thresholds
    kind = thresholds.reference
    variations = find_rms_variations(
        series.u_half,
        series.starts,
        reference=measured.reference_v,
        sag_pu=thresholds.sag_pu,
        swell_pu=thresholds.swell_pu,
        interruption_pu=thresholds.interruption_pu,
        hysteresis_pu=thresholds.hysteresis_pu,
        flags=series.flags,
    )
    events = with_enclosing(
        [variation_event(variation, record, point, measured, site=site, kind=kind) for variation in variations]
    )
    spans = np.array([[v.start, v.stop] for v in variations], np.float64).reshape(-1, 2)
    shape = measured.waveshape
    measured = replace(measured, variations=spans, waveshape=None if shape is None else shape.outside(spans))
    for chosen in (one for one in terms.detectors if "waveform" not in one.needs):
        for finding in chosen.detector.find(measured, chosen.settings):
            events.append(event_of(finding, record, point, measured, site=site, kind=kind))
    return events


def _transients(
    record: Record, point: Point, look: Look, live: list[int], reference: _Reference, terms: Terms, *, site: str
) -> list[Event]:
    """What the detectors of the waveform find where it is suspect, a few cycles of calm to each side."""
    if look.suspects is None:
        return []
    events: list[Event] = []
    empty = HalfCycleMeter(
        [judged_channels(record.header, point)[c] for c in live], rate_hz=look.rate_hz, nominal_hz=look.nominal_hz
    ).finish()
    measured = replace(
        _described(record, point, look, live, reference, empty),
        suspects=_suspect_spans(record, look, look.suspects),
    )
    for chosen in (one for one in terms.detectors if "waveform" in one.needs):
        for finding in chosen.detector.find(measured, chosen.settings):
            if not look.is_marked(live, finding.start, finding.stop):
                events.append(event_of(finding, record, point, measured, site=site, kind="nominal"))
    return events


def _coverage(record: Record, point: Point, look: Look, live: list[int], within: tuple[int, int]) -> Coverage:
    first, stop = within
    lost, why = look.unmeasured_samples(live, first, stop)
    lost_s = min(lost, stop - first) / record.header.rate_hz
    seconds = (stop - first) / record.header.rate_hz
    return Coverage(point.name, seconds - lost_s, lost_s, f"{why} samples" if lost else "")
