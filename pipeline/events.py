"""Events as the catalogue holds them: one frozen row each, and the schema of the table they make."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import TYPE_CHECKING, Any

from pipeline.terms import STEADY_KINDS

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One event of one measuring point.

    Times are nanoseconds since 1970-01-01 UTC. Start and end are the starts of the Urms(1/2) windows that
    crossed the threshold and that were back within it (IEC 61000-4-30 5.4); `refined_start` is an estimate from the
    waveform. For phases of a line-to-line point read `_a` as AB, `_b` as BC and `_c` as CA. `source` is the file (and
    its member, of a bundle) as it was given, `first_sample` the first sample of the event in that file's capture, and
    `n_samples` how many of them lie in the event; where it runs over several files their names are joined by ``+``, and
    `first_sample` counts in the first. A `direction` of ``downstream`` is the side that the arrows of the current
    clamps point to, whichever way power flowed before.
    """

    event_id: str = ""
    incident_id: str = ""
    site: str
    point: str | None = None
    kind: str
    category: str = ""
    start: int
    duration_s: float | None
    magnitude: float
    magnitude_unit: str = "pu"
    phases: str
    line_to_line: bool
    open_start: bool = False
    open_end: bool = False
    reference_v: float
    refined_start: int | None = None
    dip_type: str | None = None
    cause: str | None = None
    cause_confidence: float | None = None
    direction: str | None = None
    learned_class: str | None = None
    learned_confidence: float | None = None
    capture: str
    observed_s: float
    part_of: str | None = None
    worst_phase_kind: str | None = None
    magnitude_a: float | None = None
    magnitude_b: float | None = None
    magnitude_c: float | None = None
    duration_a_s: float | None = None
    duration_b_s: float | None = None
    duration_c_s: float | None = None
    stages: int = 1
    stage_magnitudes: str = ""
    stage_durations_s: str = ""
    reference_kind: str = "nominal"
    frequency_hz: float | None = None
    quality: str = ""
    polarity: int | None = None
    rise_s: float | None = None
    width_s: float | None = None
    oscillation_hz: float | None = None
    decay_s: float | None = None
    n_modes: int | None = None
    energy_pu2s: float | None = None
    repeats: int | None = None
    unseen: str | None = None
    before: float | None = None
    after: float | None = None
    learned_primitives: str | None = None
    learned_primitive_confidences: str | None = None
    learned_disagrees: bool | None = None
    phase_jump_deg: float | None = None
    start_angle_deg: float | None = None
    recovery_angle_deg: float | None = None
    characteristic_pu: float | None = None
    pn_factor: float | None = None
    why: str | None = None
    nominal_kind: str | None = None
    direction_confidence: float | None = None
    source: str | None = None
    first_sample: int | None = None
    n_samples: int | None = None
    notes: str = ""

    @property
    def end(self) -> int:
        """Last instant at which the event was seen. [ns since 1970-01-01]"""
        return self.start + round(self.observed_s * 1e9)


_TIMES = frozenset({"start", "refined_start"})
_FLAGS = frozenset({"line_to_line", "open_start", "open_end", "learned_disagrees"})
_COUNTS = frozenset({"stages", "polarity", "n_modes", "repeats"})
_POSITIONS = frozenset({"first_sample", "n_samples"})
_NUMBERS = frozenset(
    {
        "duration_s", "magnitude", "reference_v", "cause_confidence", "learned_confidence", "observed_s",
        "magnitude_a", "magnitude_b", "magnitude_c", "duration_a_s", "duration_b_s", "duration_c_s", "frequency_hz",
        "rise_s", "width_s", "oscillation_hz", "decay_s", "energy_pu2s", "before", "after",
        "phase_jump_deg", "start_angle_deg", "recovery_angle_deg", "characteristic_pu", "pn_factor",
        "direction_confidence",
    }
)  # fmt: skip


@cache
def catalogue_schema() -> pa.Schema:
    """The Arrow schema of a catalogue: the columns of `Event` in their order."""
    import pyarrow as pa

    types = {
        **dict.fromkeys(_TIMES, pa.timestamp("ns", tz="UTC")),
        **dict.fromkeys(_FLAGS, pa.bool_()),
        **dict.fromkeys(_COUNTS, pa.int32()),
        **dict.fromkeys(_POSITIONS, pa.int64()),
        **dict.fromkeys(_NUMBERS, pa.float64()),
    }
    return pa.schema([pa.field(column.name, types.get(column.name, pa.string())) for column in fields(Event)])


def catalogue_table(events: Sequence[Event]) -> pa.Table:
    """Events as a table, in order of start, then site, point and kind."""
    import pyarrow as pa

    ordered = sorted(events, key=event_order)
    columns = {field.name: [getattr(event, field.name) for event in ordered] for field in fields(Event)}
    return pa.table(columns, schema=catalogue_schema())


def events_of(table: pa.Table) -> list[Event]:
    """The events of a catalogue table."""
    import pyarrow as pa

    columns = {}
    for field in catalogue_schema():
        column = table.column(field.name)
        columns[field.name] = (column.cast(pa.int64()) if field.name in _TIMES else column).to_pylist()
    rows = zip(*columns.values(), strict=True)
    return [Event(**dict(zip(columns, row, strict=True))) for row in rows]


def event_order(event: Event) -> tuple[Any, ...]:
    """The order of a catalogue's rows."""
    return (event.start, event.site, event.point or "", event.kind, event.phases)


def with_identity(event: Event) -> Event:
    """The event with an id that depends on what it is (site, point, kind, phases, start) and nothing else."""
    words = (event.site, event.point or "", event.kind, event.phases, str(event.line_to_line), str(event.start))
    return replace(event, event_id=hashlib.sha256("\x1f".join(words).encode()).hexdigest()[:16])


def with_incidents(events: Iterable[Event], *, window_s: float) -> list[Event]:
    """Events of each site grouped in time: an incident lasts `window_s` from its first event's start, or as long
    as events overlap.

    Parameters
    ----------
    events : with their ids.
    window_s : float >= 0. Length of an incident's window; it starts at the first event and does not slide. [s]

    Returns
    -------
    The events in catalogue order, each with the incident id of its group: the id of the group's first event.

    Source: the temporal aggregation of IEEE 1564 (value from memory). Departs: an event that
    overlaps an earlier one of the incident belongs to it, however long that one lasts; but a steady state, which may
    last for days, is an incident of its own.
    """
    grouped: list[Event] = []
    state: dict[str, tuple[str, int]] = {}  # site -> (incident, open until)
    for event in sorted(events, key=event_order):
        if event.kind in STEADY_KINDS:
            grouped.append(replace(event, incident_id=event.event_id))
            continue
        incident, until = state.get(event.site, ("", 0))
        if not incident or event.start > until:
            incident, until = event.event_id, event.start + round(window_s * 1e9)
        state[event.site] = (incident, max(until, event.end))
        grouped.append(replace(event, incident_id=incident))
    return grouped
