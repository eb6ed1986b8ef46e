"""Which events of a catalogue are worth a label next: those that are least sure, and least like what is labelled."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.events import Event, catalogue_table
from halfcycle.pipeline.learning.free_evidence import WeakLabel
from halfcycle.pipeline.terms import STEADY_KINDS

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]

_NAMES: Final = ("kind", "cause", "dip_type", "phases", "learned_class", "direction", "site")
_NUMBERS: Final = (
    "magnitude", "stages", "repeats", "phase_jump_deg", "characteristic_pu", "pn_factor", "start_angle_deg", "n_modes",
)  # fmt: skip
_LOGARITHMS: Final = ("observed_s", "oscillation_hz", "rise_s", "width_s")
_OF_NAMES: Final = {"site": 0.3}  # what a name counts beside a number's standard deviation; others 1
_LEAST_UNSURE: Final = 0.05  # what a sure event counts: it may still be the only one of its kind


@dataclass(frozen=True, slots=True)
class Suggestion:
    """An event that a label is wanted of.

    Attributes
    ----------
    event : of the catalogue.
    unsure : 1 less the least confidence that its row states; 1 where it states none.
    apart : how far it lies from all that are labelled or were suggested before it, in standard deviations;
        infinite for the first where nothing is labelled.
    """

    event: Event
    unsure: float
    apart: float


def suggested(events: Sequence[Event], *, count: int, labelled: Sequence[Event] = ()) -> list[Suggestion]:
    """Events to label next, the most wanted first.

    Parameters
    ----------
    events : of a catalogue. Steady states, parts of other events and rows that name no capture are left out.
    count : how many at most.
    labelled : events that have a label; they are not suggested, nor is what is like them.

    Returns
    -------
    Each is the one for which unsureness times distance from all before it is largest.

    Source: uncertainty sampling after B. Settles, "Active Learning Literature Survey", University of
    Wisconsin-Madison, TR 1648 (2009); the greedy k-centre after O. Sener, S. Savarese, "Active Learning for
    Convolutional Neural Networks: A Core-Set Approach", ICLR 2018 (both from memory).
    """
    known = {event.event_id for event in labelled}
    usable = [event for event in events if _is_usable(event) and event.event_id not in known]
    if not usable or count < 1:
        return []
    places = _places([*usable, *labelled])
    own, others = places[: len(usable)], places[len(usable) :]
    unsure = np.array([unsure_of(event) for event in usable])
    weight = np.maximum(unsure, _LEAST_UNSURE)
    apart = np.full(len(usable), math.inf)
    for place in others:
        apart = np.minimum(apart, np.linalg.norm(own - place, axis=1))
    found: list[Suggestion] = []
    open_ = np.ones(len(usable), dtype=bool)
    for _ in range(min(count, len(usable))):
        # The first of all is the least sure; of equals the one that is most like the others, as it says most of them.
        score = weight * apart if np.isfinite(apart).all() else weight - 1e-6 * _from_middle(own)
        score = np.where(open_, score + 1e-9 * weight, -math.inf)
        k = int(score.argmax())
        found.append(Suggestion(usable[k], float(unsure[k]), float(apart[k])))
        open_[k] = False
        apart = np.minimum(apart, np.linalg.norm(own - own[k], axis=1))
    return found


def suggestion_table(suggestions: Sequence[Suggestion], weak: Mapping[str, WeakLabel]) -> pa.Table:
    """A catalogue of suggested events, in their order, with a column for the label before all others.

    Parameters
    ----------
    suggestions : one at least.
    weak : by event id, what the label is likely to be.

    Returns
    -------
    Columns ``label`` (empty), ``likely_label`` and ``evidence``, ``unsure``, ``apart``, and those of a catalogue.
    """
    import pyarrow as pa

    rows = pa.concat_tables([catalogue_table([one.event]) for one in suggestions], promote_options="permissive")
    likely = [weak.get(one.event.event_id) for one in suggestions]
    leading = {
        "label": [""] * len(suggestions),
        "likely_label": ["" if one is None else one.label for one in likely],
        "evidence": ["" if one is None else one.evidence for one in likely],
        "unsure": [round(one.unsure, 4) for one in suggestions],
        "apart": [round(one.apart, 4) if math.isfinite(one.apart) else None for one in suggestions],
    }
    columns = {name: pa.array(values) for name, values in leading.items()}
    return pa.table(columns | {name: rows.column(name) for name in rows.column_names})


def unsure_of(event: Event) -> float:
    """1 less the least confidence that a row states of its cause and of its learned class; 1 where it states none."""
    stated = [value for value in (event.cause_confidence, event.learned_confidence) if value is not None]
    return 1.0 - min(stated, default=0.0)


def _is_usable(event: Event) -> bool:
    return event.kind not in STEADY_KINDS and event.part_of is None and bool(event.capture and event.source)


def _places(events: Sequence[Event]) -> F64:
    """Events as points: numbers in standard deviations, names as ones and zeros, shape (n, n_columns)."""
    columns: list[F64] = []
    for name in (*_NUMBERS, *_LOGARITHMS):
        values = np.array([_number(getattr(event, name)) for event in events])
        values = np.log10(np.maximum(values, 1e-6)) if name in _LOGARITHMS else values
        there = np.isfinite(values)
        if there.any() and float(values[there].std()) > 0:
            columns.append(np.where(there, (values - values[there].mean()) / values[there].std(), 0.0))
            columns.append(there.astype(np.float64))
    for name in _NAMES:
        texts = np.array([str(getattr(event, name) or "") for event in events])
        share = _OF_NAMES.get(name, 1.0) / math.sqrt(2)  # two different names lie that far apart
        columns += [share * (texts == one) for one in np.unique(texts)]
    return np.stack(columns, axis=1).astype(np.float64)


def _number(value: object) -> float:
    return float(value) if isinstance(value, bool | int | float) else math.nan


def _from_middle(places: F64) -> F64:
    middle: F64 = np.linalg.norm(places - np.median(places, axis=0), axis=1)
    return middle
