"""From a record to its events: measure, detect, refine, name; judged by the site's account."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from pipeline.catalogue.busbars import busbars_of
from pipeline.catalogue.causes import Clamps, with_causes
from pipeline.catalogue.reference import Reference, reference_of
from pipeline.catalogue.rms_rows import variation_event, with_enclosing
from pipeline.catalogue.rows import event_of
from pipeline.config import Thresholds
from pipeline.detectors.contract import Chosen, Need
from pipeline.detectors.measured import Measured
from pipeline.detectors.rms_variations import find_rms_variations
from pipeline.errors import SignalError
from pipeline.events import Event
from pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from pipeline.records.look import Look, take_look
from pipeline.records.points import Point, judged_channels, points_of
from pipeline.records.record import Record
from pipeline.records.suspects import Suspects
from pipeline.records.whole import measure_whole
from pipeline.sites.account import Account, Declared, draft
from pipeline.sites.evidence import Evidence, is_triggered
from pipeline.terms import Quantity

_CALM_CYCLES = 12.0  # before and after a suspect span, to tell the steady waveform by


@dataclass(frozen=True, slots=True)
class Terms:
    """What a record is judged by; None where it is to be worked out from the data.

    Attributes
    ----------
    thresholds : the profile.
    nominal_voltage_v, nominal_frequency_hz, hookup, clamps_checked : declared; see `sites.account.Declared`.
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
    clamps_checked: bool = False

    @property
    def declared(self) -> Declared:
        """What a person says of the site."""
        return Declared(self.nominal_voltage_v, self.nominal_frequency_hz, self.hookup, self.clamps_checked)

    def evidence_of(self, record: Record, *, judged_next: bool = False) -> Evidence:
        """What a record shows of its site, beside what is declared; `judged_next` as of `evidence.evidence_of`."""
        return self.declared.evidence_of(record, judged_next=judged_next)

    @property
    def needs(self) -> frozenset[Need]:
        """What the detectors need, all together."""
        return frozenset[Need]().union(*(chosen.needs for chosen in self.detectors))

    @property
    def of_currents(self) -> Terms:
        """The same with those detectors alone that look at currents."""
        return replace(self, detectors=tuple(chosen for chosen in self.detectors if "currents" in chosen.needs))

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


def judge(
    record: Record, *, site: str, terms: Terms, within: tuple[int, int] | None = None, account: Account | None = None
) -> Findings:
    """All events of a record.

    Parameters
    ----------
    record : captures that follow one another.
    site : the site's name, as the events carry it.
    terms : thresholds and nominal values.
    within : record positions to which the coverage is limited; None: all of the record. [samples]
    account : of the site; None: drafted from this record alone.

    Returns
    -------
    Findings, with events of the whole record. A point that cannot be judged (no voltage, too few samples a cycle,
    nothing to judge it against) is in the coverage with its reason; that is no error.
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
    if account is None:
        account = draft(site, [terms.evidence_of(record, judged_next=True)], terms.declared)
        notes.append(account.line)
    for busbar in busbars_of(record, points, account):
        notes += [busbar.note] if busbar.note else []
        found = [_of_point(record, busbar.point, terms, account, within, site=site, feeders=busbar.feeders)]
        if "currents" in terms.needs:
            of_currents = terms.of_currents
            found += [
                replace(
                    _of_point(record, feeder, of_currents, account, within, site=site, currents_only=True), coverage=()
                )
                for feeder in busbar.feeders
            ]
        for one in found:
            events += one.events
            coverage += one.coverage
            notes += one.notes
    return Findings(tuple(events), tuple(coverage), tuple(notes))


def _of_point(
    record: Record,
    point: Point,
    terms: Terms,
    account: Account,
    within: tuple[int, int],
    *,
    site: str,
    feeders: Sequence[Point] = (),
    currents_only: bool = False,
) -> Findings:
    """What is found at one point.

    Parameters
    ----------
    record, terms, account, within, site : as for `judge`.
    point : whose voltages are judged, and its currents.
    feeders : points with the same voltages, whose currents tell from which side an event came as well.
    currents_only : leave out what is found in the voltages: they are judged elsewhere.
    """
    try:
        look = _look(record, point, terms, account.nominal_frequency_hz)
        reference = reference_of(point, look, terms.thresholds, account, triggered=is_triggered(record.header))
    except SignalError as error:
        seconds = (within[1] - within[0]) / record.header.rate_hz
        return Findings(coverage=(Coverage(point.name, 0.0, seconds, str(error)),))
    live = reference.live
    found: list[Event] = []
    for first, stop in look.spans(
        reference.thresholds, live, reference_v=reference.volts, sliding_from_v=reference.slides_from_v
    ):
        measured = _measured(record, point, look, reference, first=first, stop=stop)
        if measured.half_cycles.n:
            found += _events(record, point, measured, reference, terms, site=site, currents_only=currents_only)
    if not currents_only:
        found += _transients(record, point, look, reference, terms, site=site)
    if terms.explain and found:
        clamps = [
            Clamps(one, None if (known := account.point(one.name)) is None else known.wiring)
            for one in (point, *feeders)
        ]
        found = with_causes(
            found, record, clamps, frequency_hz=look.nominal_hz, is_marked=partial(look.is_marked, live)
        )
    if terms.model is not None and found and not currents_only:
        found = _named_by_model(found, record, point, look, live, terms.model)
    return Findings(
        tuple(replace(event, nominal_kind=reference.nominal_kind) for event in found),
        (_coverage(record, point, look, live, within),),
        (*point.notes, *reference.words, *_unseen_shapes(point, look, live)),
    )


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


def _look(record: Record, point: Point, terms: Terms, hertz: float | None) -> Look:
    """All measures of the whole record where some detector needs them, else the calm look."""
    least = terms.least_transient_pu
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


def _measured(record: Record, point: Point, look: Look, reference: Reference, *, first: int, stop: int) -> Measured:
    live = reference.live
    series = look.series
    if series is None:
        series = _series(record, point, nominal_hz=look.nominal_hz, first=first, stop=stop)
    voltages = series.of_channels(live)
    empty = _described(record, point, look, reference, voltages)
    n_voltages, n_all = len(point.voltages), series.u_half.shape[0]
    return replace(
        empty,
        currents=series.of_channels(range(n_voltages, n_all)) if n_all > n_voltages else None,
        reference_v=reference.over(voltages),
        waveshape=None if look.waveshape is None else look.waveshape.of_channels(live),
        current_suspects=_suspect_spans(record, look, look.current_suspects),
        current_waveform=partial(_current_waveform, record, point, look.rate_hz / look.nominal_hz)
        if n_all > n_voltages
        else None,
    )


def _described(record: Record, point: Point, look: Look, reference: Reference, voltages: HalfCycles) -> Measured:
    """Voltages with the names of their channels, without any further measures."""
    live = reference.live
    channels = judged_channels(record.header, point)
    return Measured(
        half_cycles=voltages,
        currents=None,
        phases=tuple(point.phases[c] for c in live),
        current_phases=tuple(phase for phase, _ in point.currents),
        names=tuple(channels[c].name for c in live),
        current_names=tuple(record.header.channels[i].name for _, i in point.currents),
        line_to_line=point.hookup.line_to_line,
        reference_v=reference.volts,
        nominal_v=reference.volts,
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


def _events(
    record: Record,
    point: Point,
    measured: Measured,
    reference: Reference,
    terms: Terms,
    *,
    site: str,
    currents_only: bool,
) -> list[Event]:
    series, thresholds = measured.half_cycles, reference.thresholds
    kind = reference.kind
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
    events: list[Event] = []
    if not currents_only:
        events = with_enclosing(
            [
                variation_event(
                    variation,
                    record,
                    point,
                    measured,
                    site=site,
                    kind=kind,
                    interruption_pu=thresholds.interruption_pu,
                )
                for variation in variations
            ]
        )
    spans = np.array([[v.start, v.stop] for v in variations], np.float64).reshape(-1, 2)
    shape = measured.waveshape
    measured = replace(measured, variations=spans, waveshape=None if shape is None else shape.outside(spans))
    for chosen in (one for one in terms.detectors if "waveform" not in one.needs):
        for finding in chosen.detector.find(measured, chosen.settings):
            if currents_only and not finding.is_of_current:
                continue
            events.append(event_of(finding, record, point, measured, site=site, kind=kind))
    return events


def _transients(
    record: Record, point: Point, look: Look, reference: Reference, terms: Terms, *, site: str
) -> list[Event]:
    """What the detectors of the waveform find where it is suspect, a few cycles of calm to each side."""
    if look.suspects is None:
        return []
    events: list[Event] = []
    live = reference.live
    empty = HalfCycleMeter(
        [judged_channels(record.header, point)[c] for c in live], rate_hz=look.rate_hz, nominal_hz=look.nominal_hz
    ).finish()
    measured = replace(
        _described(record, point, look, reference, empty),
        suspects=_suspect_spans(record, look, look.suspects),
    )
    for chosen in (one for one in terms.detectors if "waveform" in one.needs):
        for finding in chosen.detector.find(measured, chosen.settings):
            if not look.is_marked(live, finding.start, finding.stop):
                kind = reference.kind if reference.kind == "pre-event" else "nominal"
                events.append(event_of(finding, record, point, measured, site=site, kind=kind))
    return events


def _coverage(record: Record, point: Point, look: Look, live: list[int], within: tuple[int, int]) -> Coverage:
    first, stop = within
    lost, why = look.unmeasured_samples(live, first, stop)
    lost_s = min(lost, stop - first) / record.header.rate_hz
    seconds = (stop - first) / record.header.rate_hz
    return Coverage(point.name, seconds - lost_s, lost_s, f"{why} samples" if lost else "")
