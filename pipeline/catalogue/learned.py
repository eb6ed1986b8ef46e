"""What a learned classifier says of the events of a point: class, primitives, and whether it disagrees."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.classifiers.learned.features import extract
from halfcycle.classifiers.learned.stored import ModelError, StoredModel, load
from halfcycle.pipeline.catalogue.event_windows import ten_cycles
from halfcycle.pipeline.catalogue.mishaps import noted
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record

UNKNOWN: Final = "unknown"
# What the rules' kinds are among the primitives; one of them should be there.
_EXPECTED: Final[Mapping[str, frozenset[str]]] = {
    "sag": frozenset({"sag", "interruption"}),
    "interruption": frozenset({"sag", "interruption"}),
    "swell": frozenset({"swell"}),
    "oscillatory_transient": frozenset({"oscillatory transient"}),
    "impulsive_transient": frozenset({"impulse"}),
    "notching": frozenset({"notch"}),
}
_PRESENT: Final = 0.5
_CONFIDENT: Final = 0.9  # of a disagreement


@lru_cache(maxsize=2)
def stored_model(folder: str) -> StoredModel:
    """A model that `halfcycle train` wrote; loaded once a process.

    Raises
    ------
    ConfigError : there is none, or it may not be used.
    """
    try:
        return load(Path(folder))
    except (ModelError, OSError) as error:
        raise ConfigError(f"model {folder}: {error}") from error


def with_learned_classes(
    events: Sequence[Event],
    record: Record,
    point: Point,
    stored: StoredModel,
    *,
    frequency_hz: float,
    is_marked: Callable[[int, int], bool],
) -> list[Event]:
    """Events of one point with what the model calls each, and how sure it is.

    Parameters
    ----------
    events : of the point.
    record, point : that they lie in.
    stored : the model with its names.
    frequency_hz : nominal. [Hz]
    is_marked : whether samples between two record positions are no measurement.

    Returns
    -------
    The events in their order. The window of each phase that takes part begins two and a half cycles before the event;
    of the phases the one counts that the model is surest of; ``unknown`` where all are unlike its training. A
    primitive is there if it is on any phase that the model knows. It disagrees where it is confident that nothing of
    the event's kind is there. Where the model fails on one, as below 20 samples a cycle, its notes say so.
    """
    named = []
    for event in events:
        if event.kind not in _EXPECTED:
            named.append(event)
            continue

        def work(event: Event = event) -> Event:
            windows = _windows(event, record, point, frequency_hz, is_marked)
            return event if windows is None else _named(event, windows, record, stored, frequency_hz)

        named.append(noted(event, "not classified by the model", work))
    return named


def _windows(
    event: Event, record: Record, point: Point, frequency_hz: float, is_marked: Callable[[int, int], bool]
) -> np.ndarray | None:
    """Ten cycles of each phase that takes part, or None where they are not all there."""
    cut = ten_cycles(record, point, event.onset, frequency_hz=frequency_hz)
    if cut is None or is_marked(cut[0], cut[0] + cut[1].shape[1]):
        return None
    whole = point.phases
    rows = [c for c, phase in enumerate(whole) if phase in event.phases or event.line_to_line or len(whole) == 1]
    if not rows:
        return None
    return cut[1][rows]


def _named(event: Event, windows: np.ndarray, record: Record, stored: StoredModel, frequency_hz: float) -> Event:
    features = extract(windows, rate_hz=record.header.rate_hz, nominal_hz=frequency_hz)
    found = stored.model.judge(features)
    names = dict(zip(stored.model.classes_.tolist(), stored.card.class_names, strict=True))
    best = found.surest(np.arange(len(windows)))
    if best is None:
        return replace(event, learned_class=UNKNOWN, learned_confidence=None)
    named = replace(event, learned_class=names[found.classes[best]], learned_confidence=float(found.confidence[best]))
    model = stored.model
    if found.primitives is None or not model.taught_classes_[np.searchsorted(model.classes_, found.classes[best])]:
        return named
    present = dict(zip(stored.card.primitive_names, found.primitives[found.known].max(axis=0).tolist(), strict=True))
    there = {name: share for name, share in present.items() if share > _PRESENT}
    expected = max(present.get(name, 0.0) for name in _EXPECTED[event.kind])
    return replace(
        named,
        learned_primitives="; ".join(there),
        learned_primitive_confidences="; ".join(f"{share:.3f}" for share in there.values()),
        learned_disagrees=expected < 1 - _CONFIDENT,
    )
