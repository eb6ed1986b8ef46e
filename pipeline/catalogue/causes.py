"""What caused the events of a point, from which side, and their three-phase type: beside what was measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from halfcycle.classifiers.direction import UNKNOWN
from halfcycle.classifiers.reclosing import Shot, ShotSequence, reclosing_sequences
from halfcycle.pipeline.catalogue.explain import Explanation, explain
from halfcycle.pipeline.catalogue.feeders import by_feeder
from halfcycle.pipeline.catalogue.mishaps import noted
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.measures.event_window import EventWindow
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.wiring_correction import Wiring

_SAGS: Final = frozenset({"sag", "undervoltage", "interruption"})
_SWELLS: Final = frozenset({"swell", "overvoltage"})
_EXPLAINED: Final = _SAGS | _SWELLS | {"rapid_voltage_change", "oscillatory_transient", "inrush"}
_OF_CURRENTS: Final = frozenset({"inrush"})
_LEAD_CYCLES: Final = 8.0  # before an event, that tell what was steady; three at least
_TAIL_S: Final = 2.6  # after its start, that tell a motor from a step, and show trips and reclosings
_DEAD_PU: Final = 0.2  # lowest voltage of a sag or interruption that leaves a phase dead
_OUTAGE_NS: Final = 3_000_000_000  # after its end, that what is energised belongs to it: no source
_DIGITS_OF_A_PROBABILITY: Final = 4  # sums of many trees: their last digits hang on the order of summing
_AFTER_CYCLES: Final = 5.0  # after its end


@dataclass(frozen=True, slots=True)
class Clamps:
    """A point whose currents tell sides, and what is known of its wiring; None: it is taken for right."""

    point: Point
    wiring: Wiring | None = None


def with_causes(
    events: Sequence[Event],
    record: Record,
    clamps: Sequence[Clamps],
    *,
    frequency_hz: float,
    is_marked: Callable[[int, int], bool],
) -> list[Event]:
    """Events of one point with dip type, direction, cause, confidence and why, where they can be told.

    Parameters
    ----------
    events : of the point, of any kinds.
    record : in which they were found.
    clamps : of the point, and after it of the feeders that have the same voltages and currents of their own; see
        `feeders.by_feeder`. Of what a current shows the point's own alone tell.
    frequency_hz : nominal. [Hz]
    is_marked : whether samples between two record positions are no measurement, or clipped.

    Returns
    -------
    The events in their order. Of what has too little record before it, or samples without a measurement, `why` says
    that alone; where explaining one fails, its notes say so.
    """
    shots = [event for event in events if event.kind in _SAGS and event.part_of is None]
    sequences = _sequences(shots)
    outages = [event for event in events if event.kind in _SAGS and event.magnitude < _DEAD_PU]
    telling = [one for one in clamps if len(one.point.currents) == 3] or clamps[:1]
    explained = []
    for event in events:
        if event.kind not in _EXPLAINED:
            explained.append(event)
            continue
        if event.open_start:
            explained.append(_not_explained(event, "its start was not recorded"))
            continue
        following = [other.start for other in shots if other.start > event.end]
        next_ns = min(following, default=None)

        of_event = clamps[:1] if event.kind in _OF_CURRENTS else telling

        after_outage = any(0 <= event.start - other.end < _OUTAGE_NS for other in outages)

        def work(
            event: Event = event,
            next_ns: int | None = next_ns,
            of_event: Sequence[Clamps] = of_event,
            after_outage: bool = after_outage,
        ) -> Event:
            found, reasons = [], []
            sequence = sequences.get(event.event_id)
            for one in of_event:
                cut = _window(event, record, one.point, frequency_hz, next_ns, is_marked)
                if cut is None:
                    reasons.append("samples around it are clipped, or no measurement")
                    continue
                try:
                    told = _told(event, *cut, sequence, one.wiring, after_outage=after_outage)
                except SignalError as error:
                    reasons.append(str(error))
                else:
                    found.append((str(one.point.name), told))
            return _explained(event, by_feeder(found)) if found else _not_explained(event, reasons[0])

        explained.append(noted(event, "not explained", work))
    return explained


def _sequences(shots: Sequence[Event]) -> dict[str, ShotSequence]:
    """For each event of a sequence of a recloser, that sequence."""
    ordered = sorted(shots, key=lambda event: event.start)
    as_shots = [Shot(event.start / 1e9, event.observed_s, event.magnitude, event.phases) for event in ordered]
    return {
        ordered[i].event_id: sequence
        for sequence in reclosing_sequences(as_shots)
        if len(sequence.members) > 1
        for i in sequence.members
    }


def _window(
    event: Event,
    record: Record,
    point: Point,
    frequency_hz: float,
    following_ns: int | None,
    is_marked: Callable[[int, int], bool],
) -> tuple[EventWindow, float | None] | None:
    """The waveforms around an event, and where in them the next one begins; None where they are not all there."""
    rate_hz = record.header.rate_hz
    cycle = rate_hz / frequency_hz
    i_start, i_stop = record.position_of(event.onset), record.position_of(event.end)
    first = max(0, int(i_start - _LEAD_CYCLES * cycle))
    last = min(i_start + round(_TAIL_S * rate_hz), record.n_samples)
    if i_stop < last:
        last = max(last, i_stop + int(_AFTER_CYCLES * cycle))
    last = min(last, record.n_samples)
    following = None if following_ns is None else float(record.position_of(following_ns) - first)
    if is_marked(first, last):
        if following is None or following >= last - first:
            return None
        last = min(last, max(int(following + first - cycle), i_stop))
        if is_marked(first, last):
            return None
    currents = len(point.currents) == 3
    values = record.physical(point, first, last, currents=currents)
    n_voltages = len(point.voltages)
    window = EventWindow(
        values[:n_voltages],
        values[n_voltages:] if currents else None,
        rate_hz,
        frequency_hz,
        float(i_start - first),
        float(i_stop - first) if not event.open_end else float(last - first + 1),
        point.hookup.line_to_line,
    )
    return window, following


def _told(
    event: Event,
    window: EventWindow,
    following: float | None,
    sequence: ShotSequence | None,
    wiring: Wiring | None,
    *,
    after_outage: bool,
) -> Explanation:
    """What is said of an event by one point's currents.

    Raises
    ------
    SignalError : there is too little before or after it.
    """
    return explain(
        window,
        sag=event.kind in _SAGS,
        swell=event.kind in _SWELLS,
        repeats=None if sequence is None else len(sequence.members),
        dead_time_s=None if sequence is None else sequence.dead_time_s,
        wiring=wiring,
        following=following,
        after_outage=after_outage,
    )


def _not_explained(event: Event, reason: str) -> Event:
    return replace(event, why=f"not explained: {reason}")


def _explained(event: Event, found: Explanation) -> Event:
    side = None if found.direction is None or found.direction.direction == UNKNOWN else found.direction
    points = found.points
    return replace(
        event,
        dip_type=_dip_type(found),
        direction=None if side is None else side.direction,
        direction_confidence=None if side is None else side.confidence,
        cause=found.cause.cause,
        cause_confidence=round(found.cause.confidence, _DIGITS_OF_A_PROBABILITY),
        phase_jump_deg=None if points is None else points.phase_jump_deg,
        start_angle_deg=None if points is None else points.start_angle_deg,
        recovery_angle_deg=None if points is None or event.open_end else points.recovery_angle_deg,
        characteristic_pu=_size(None if found.dip is None else found.dip.characteristic_voltage),
        pn_factor=_size(None if found.dip is None else found.dip.pn_factor),
        why=found.why,
    )


def _size(value: complex | None) -> float | None:
    return None if value is None else abs(value)


def _dip_type(found: Explanation) -> str | None:
    """The type with its symmetrical phase, as ``Ca``."""
    if found.dip is None or found.dip.dip_type is None:
        return None
    return f"{found.dip.dip_type}{(found.dip.phase or '').lower()}"
