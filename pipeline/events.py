"""Events as the catalogue holds them: one frozen row each, and the schema of the table they make."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.terms import STEADY_KINDS

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """How sure the numbers of a row are; None: not told.

    Columns that end in ``_u`` or ``_u_s`` are standard uncertainties in the unit of the column named before, instants
    in seconds; with a coverage factor of 2 they hold the truth with 95 %. Those of magnitude, start and duration belong
    to the corrected values, `end_u_s` to the corrected start and duration together, those of other columns to these
    themselves. `event_p` is the probability that the voltage
    really crossed the threshold, `category_p` that it did and that the row's category is the right one;
    `event_verdict` is ``inside``, ``outside`` or ``cannot tell``, at a risk of 5 %.
    """

    magnitude_corrected: float | None = None
    magnitude_u: float | None = None
    start_corrected: int | None = None
    start_u_s: float | None = None
    duration_corrected_s: float | None = None
    duration_s_u: float | None = None
    end_u_s: float | None = None
    refined_start_u_s: float | None = None
    frequency_hz_u: float | None = None
    phase_jump_deg_u: float | None = None
    start_angle_deg_u: float | None = None
    recovery_angle_deg_u: float | None = None
    characteristic_pu_u: float | None = None
    pn_factor_u: float | None = None
    oscillation_hz_u: float | None = None
    decay_s_u: float | None = None
    event_p: float | None = None
    event_verdict: str | None = None
    category_p: float | None = None
    noise_pu: float | None = None
    not_included: str | None = None


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

    Examples
    --------
    >>> events = hc.read_events("demo-fleet/events.parquet")
    >>> sorted({event.category for event in events if event.kind == "interruption"})
    ['momentary interruption', 'temporary interruption']
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
    uncertainty: Uncertainty | None = None

    @property
    def end(self) -> int:
        """Last instant at which the event was seen. [ns since 1970-01-01]"""
        return self.start + round(self.observed_s * 1e9)

    @property
    def onset(self) -> int:
        """The start as refined on the waveform, or where that is not, as the threshold has it. [ns since 1970-01-01]"""
        return self.start if self.refined_start is None else self.refined_start


_TIMES = frozenset({"start", "refined_start", "start_corrected"})
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


_OF_UNCERTAINTY: Final = tuple(field.name for field in fields(Uncertainty))
_COLUMNS: Final = tuple(field.name for field in fields(Event) if field.name != "uncertainty")
_TEXTS: Final = frozenset({"event_verdict", "not_included"})


@cache
def catalogue_schema(*, uncertainty: bool = False) -> pa.Schema:
    """The Arrow schema of a catalogue: the columns of `Event` in their order, and if wanted those of `Uncertainty`."""
    import pyarrow as pa

    types = {
        **dict.fromkeys(_TIMES, pa.timestamp("ns", tz="UTC")),
        **dict.fromkeys(_FLAGS, pa.bool_()),
        **dict.fromkeys(_COUNTS, pa.int32()),
        **dict.fromkeys(_POSITIONS, pa.int64()),
        **dict.fromkeys(_NUMBERS, pa.float64()),
    }
    sure = {name: pa.string() if name in _TEXTS else types.get(name, pa.float64()) for name in _OF_UNCERTAINTY}
    own = [pa.field(name, types.get(name, pa.string())) for name in _COLUMNS]
    return pa.schema([*own, *(pa.field(*item) for item in sure.items())] if uncertainty else own)


def says_uncertainty(names: Iterable[str]) -> bool:
    """Whether a table with columns of some names holds those of `Uncertainty`."""
    return any(name in _OF_UNCERTAINTY for name in names)


def default_of(column: str) -> Any:
    """What a row has by default in a column of a catalogue."""
    return None if column in _OF_UNCERTAINTY else Event.__dataclass_fields__[column].default


def value_in(event: Event, column: str) -> Any:
    """What a row has in a column of a catalogue."""
    return getattr(event.uncertainty, column, None) if column in _OF_UNCERTAINTY else getattr(event, column)


def catalogue_table(events: Sequence[Event]) -> pa.Table:
    """Events as a table, in order of start, then site, point and kind; with columns of uncertainty if any has them."""
    import pyarrow as pa

    ordered = sorted(events, key=event_order)
    schema = catalogue_schema(uncertainty=any(event.uncertainty is not None for event in ordered))
    columns = {name: [value_in(event, name) for event in ordered] for name in schema.names}
    return pa.table(columns, schema=schema)


def events_of(table: pa.Table) -> list[Event]:
    """The events of a catalogue table."""
    import pyarrow as pa

    has_sure = says_uncertainty(table.column_names)
    columns = {}
    for field in catalogue_schema(uncertainty=has_sure):
        column = table.column(field.name)
        columns[field.name] = (column.cast(pa.int64()) if field.name in _TIMES else column).to_pylist()
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    if not has_sure:
        return [Event(**row) for row in rows]
    events = []
    for row in rows:
        sure = {name: row.pop(name) for name in _OF_UNCERTAINTY}
        told = any(value is not None for value in sure.values())
        events.append(Event(**row, uncertainty=Uncertainty(**sure) if told else None))
    return events


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
    return going_on_with_incidents(events, window_s=window_s, before={})[0]


def going_on_with_incidents(
    events: Iterable[Event], *, window_s: float, before: Mapping[str, tuple[str, int]]
) -> tuple[list[Event], dict[str, tuple[str, int]]]:
    """As `with_incidents`, where events go on with those that came before them.

    Parameters
    ----------
    events, window_s : as of `with_incidents`.
    before : by site, the id of its last incident and until when events belong to it. [ns since 1970-01-01]

    Returns
    -------
    The events, and what is `before` for those that come after them.
    """
    grouped: list[Event] = []
    state = dict(before)
    for event in sorted(events, key=event_order):
        if event.kind in STEADY_KINDS:
            grouped.append(replace(event, incident_id=event.event_id))
            continue
        incident, until = state.get(event.site, ("", 0))
        if not incident or event.start > until:
            incident, until = event.event_id, event.start + round(window_s * 1e9)
        state[event.site] = (incident, max(until, event.end))
        grouped.append(replace(event, incident_id=incident))
    return grouped, state
