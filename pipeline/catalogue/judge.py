"""From a record to its events: measure, detect, refine, name; judged by the site's account."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from halfcycle.pipeline.catalogue.busbars import busbars_of
from halfcycle.pipeline.catalogue.measuring import described, looked_at, measures_of, suspect_spans
from halfcycle.pipeline.catalogue.mishaps import detected, is_of_a_detector, noted
from halfcycle.pipeline.catalogue.own_side import with_own_side
from halfcycle.pipeline.catalogue.reference import Reference, reference_of
from halfcycle.pipeline.catalogue.rms_rows import variation_event, with_enclosing
from halfcycle.pipeline.catalogue.rows import event_of
from halfcycle.pipeline.catalogue.uncertainty import Wanted, with_further_uncertainty, with_uncertainty
from halfcycle.pipeline.detectors.contract import Chosen, Need
from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.detectors.rms_variations import RmsVariation, find_rms_variations
from halfcycle.pipeline.detectors.transients import TransientSettings
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter
from halfcycle.pipeline.records.look import Look
from halfcycle.pipeline.records.points import Point, judged_channels, points_of
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Account, Declared, draft
from halfcycle.pipeline.sites.evidence import RecordEvidence, is_triggered
from halfcycle.pipeline.terms import Quantity, Side


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
    uncertainty : ``none``; ``standard`` or ``full``: how sure the numbers of each row are, by closed forms or drawn.
    voltage_class_pct, clock_u_s : declared accuracy class of the voltage transducers, and standard uncertainty of the
        recorder's clock; they go into uncertainties alone. [%], [s]
    own_side : declared side that the site calls its own; the reasons of an event say whether it came from there.
    """

    thresholds: Thresholds
    nominal_voltage_v: float | None = None
    nominal_frequency_hz: float | None = None
    hookup: str | None = None
    detectors: tuple[Chosen, ...] = ()
    explain: bool = False
    model: str | None = None
    clamps_checked: bool = False
    uncertainty: Wanted = "none"
    voltage_class_pct: float | None = None
    clock_u_s: float | None = None
    own_side: Side | None = None

    @property
    def declared(self) -> Declared:
        """What a person says of the site."""
        return Declared(self.nominal_voltage_v, self.nominal_frequency_hz, self.hookup, self.clamps_checked)

    def evidence_of(self, record: Record, *, judged_next: bool = False) -> RecordEvidence:
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
                float(getattr(chosen.settings, "threshold_pu", TransientSettings().threshold_pu))
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
    judged_s, not_judged_s : time that was and was not; both 0 of a detector that failed. [s]
    reason : why not, or which detector failed, in words; "" where all was judged.
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
                _without_time(_of_point(record, feeder, of_currents, account, within, site=site, currents_only=True))
                for feeder in busbar.feeders
            ]
        for one in found:
            events += one.events
            coverage += one.coverage
            notes += one.notes
    return Findings(tuple(events), tuple(coverage), tuple(notes))


def _without_time(found: Findings) -> Findings:
    """Findings in the currents of a feeder: its time is counted with the busbar's voltages, its failures are not."""
    return replace(found, coverage=tuple(row for row in found.coverage if is_of_a_detector(row.reason)))


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
        look, reference = against(record, point, terms, account)
    except SignalError as error:
        seconds = (within[1] - within[0]) / record.header.rate_hz
        return Findings(coverage=(Coverage(point.name, 0.0, seconds, str(error)),))
    live = reference.live
    found: list[Event] = []
    failures: list[str] = []
    for part in measured_parts(record, point, look, reference):
        events, failed = _events(record, point, part, reference, terms, site=site, currents_only=currents_only)
        found += events
        failures += failed
    if not currents_only:
        events, failed = _transients(record, point, look, reference, terms, site=site)
        found += events
        failures += failed
    if terms.explain and found:
        from halfcycle.pipeline.catalogue.causes import Clamps, with_causes

        clamps = [
            Clamps(one, None if (known := account.point(one.name)) is None else known.wiring)
            for one in (point, *feeders)
        ]
        found = with_causes(
            found, record, clamps, frequency_hz=look.nominal_hz, is_marked=partial(look.is_marked, live)
        )
        found = with_own_side(found, terms.own_side)
    if terms.uncertainty != "none":
        rest = partial(with_further_uncertainty, record=record, point=point, nominal_hz=look.nominal_hz)
        found = [noted(event, "uncertainty not determined", partial(rest, event)) for event in found]
    if terms.model is not None and found and not currents_only:
        found = _named_by_model(found, record, point, look, live, terms.model)
    return Findings(
        tuple(replace(event, nominal_kind=reference.nominal_kind) for event in found),
        (
            _coverage(record, point, look, live, within),
            *(Coverage(point.name, 0.0, 0.0, failure) for failure in dict.fromkeys(failures)),
        ),
        (*point.notes, *reference.words, *_unseen_shapes(point, look, live)),
    )


def against(record: Record, point: Point, terms: Terms, account: Account) -> tuple[Look, Reference]:
    """The look at a point of a record, and what it is judged against; as for `judge`.

    Raises
    ------
    SignalError : it cannot be judged; it says why.
    """
    look = looked_at(
        record,
        point,
        nominal_hz=account.nominal_frequency_hz,
        needs=terms.needs,
        least_transient_pu=terms.least_transient_pu,
    )
    return look, reference_of(point, look, terms.thresholds, account, triggered=is_triggered(record.header))


def measured_parts(record: Record, point: Point, look: Look, reference: Reference) -> Iterator[PointMeasures]:
    """The measures of a point, of each part of a record in which its voltages may have crossed a threshold."""
    for first, stop in look.spans(
        reference.thresholds, reference.live, reference_v=reference.volts, sliding_from_v=reference.slides_from_v
    ):
        part = measures_of(record, point, look, reference, first=first, stop=stop)
        if part.half_cycles.n:
            yield part


def variations_in(measured: PointMeasures, thresholds: Thresholds) -> list[RmsVariation]:
    """The sags, swells and interruptions in some measures."""
    series = measured.half_cycles
    return find_rms_variations(
        series.u_half,
        series.starts,
        reference=measured.reference_v,
        sag_pu=thresholds.sag_pu,
        swell_pu=thresholds.swell_pu,
        interruption_pu=thresholds.interruption_pu,
        hysteresis_pu=thresholds.hysteresis_pu,
        flags=series.flags,
    )


def _unseen_shapes(point: Point, look: Look, live: list[int]) -> list[str]:
    """What to say where no window of a voltage shows its waveshape: crests that are flat to the count look clipped."""
    if look.waveshape is None:
        return []
    hidden = [point.phases[c] for c in live if look.waveshape.flags[c].size and look.waveshape.flags[c].all()]
    if not hidden:
        return []
    return [
        "clipped or missing samples in every window: harmonics, notches and other waveform measures not judged: "
        f"{', '.join(hidden)}"
    ]


def _named_by_model(
    found: list[Event], record: Record, point: Point, look: Look, live: list[int], model: str
) -> list[Event]:
    from halfcycle.pipeline.catalogue.learned import (  # scikit-learn takes a second to import
        stored_model,
        with_learned_classes,
    )

    is_marked = partial(look.is_marked, live)
    return with_learned_classes(
        found, record, point, stored_model(model), frequency_hz=look.nominal_hz, is_marked=is_marked
    )


def _events(
    record: Record,
    point: Point,
    measured: PointMeasures,
    reference: Reference,
    terms: Terms,
    *,
    site: str,
    currents_only: bool,
) -> tuple[list[Event], list[str]]:
    """RMS variations and what the detectors of series find; and which of these failed."""
    thresholds, kind = reference.thresholds, reference.kind
    variations = variations_in(measured, thresholds)
    events: list[Event] = []
    if not currents_only:
        rows = [
            variation_event(
                variation, record, point, measured, site=site, kind=kind, interruption_pu=thresholds.interruption_pu
            )
            for variation in variations
        ]
        if terms.uncertainty != "none":
            sure = partial(
                with_uncertainty, record=record, point=point, measured=measured, thresholds=thresholds,
                how=terms.uncertainty, class_pct=terms.voltage_class_pct, clock_u_s=terms.clock_u_s,
            )  # fmt: skip
            rows = [
                noted(row, "uncertainty not determined", partial(sure, row, variation))
                for row, variation in zip(rows, variations, strict=True)
            ]
        events = with_enclosing(rows)
    spans = np.array([[v.start, v.stop] for v in variations], np.float64).reshape(-1, 2)
    shape = measured.waveshape
    measured = replace(measured, variations=spans, waveshape=None if shape is None else shape.outside(spans))

    def as_event(finding: Finding) -> Event | None:
        if currents_only and not finding.is_of_current:
            return None
        return event_of(finding, record, point, measured, site=site, kind=kind)

    found, failures = detected((one for one in terms.detectors if "waveform" not in one.needs), measured, as_event)
    return events + found, failures


def _transients(
    record: Record, point: Point, look: Look, reference: Reference, terms: Terms, *, site: str
) -> tuple[list[Event], list[str]]:
    """What the detectors of the waveform find where it is suspect, a few cycles of calm to each side; which failed."""
    if look.suspects is None:
        return [], []
    live = reference.live
    empty = HalfCycleMeter(
        [judged_channels(record.header, point)[c] for c in live], rate_hz=look.rate_hz, nominal_hz=look.nominal_hz
    ).finish()
    measured = replace(
        described(record, point, look, reference, empty),
        suspects=suspect_spans(record, look, look.suspects),
    )
    kind = reference.kind if reference.kind == "pre-event" else "nominal"

    def as_event(finding: Finding) -> Event | None:
        if look.is_marked(live, finding.start, finding.stop):
            return None
        return event_of(finding, record, point, measured, site=site, kind=kind)

    return detected((one for one in terms.detectors if "waveform" in one.needs), measured, as_event)


def _coverage(record: Record, point: Point, look: Look, live: list[int], within: tuple[int, int]) -> Coverage:
    first, stop = within
    lost, why = look.unmeasured_samples(live, first, stop)
    lost_s = min(lost, stop - first) / record.header.rate_hz
    seconds = (stop - first) / record.header.rate_hz
    return Coverage(point.name, seconds - lost_s, lost_s, f"{why} samples" if lost else "")
