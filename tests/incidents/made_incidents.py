"""Catalogues of many sites for the tests of incidents, and how well pairs of events are told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from halfcycle.pipeline.events import Event, catalogue_table, with_identity

DAY_S = 86_400
FIRST_NS = 1_767_225_600 * 10**9


def sag(site: str, at_s: float, *, length_s: float = 0.1, low: float = 0.5, phases: str = "A", **more: Any) -> Event:
    """A sag of a site, its start as a waveform shows it. at_s: from the first day's beginning by the site's clock."""
    start = FIRST_NS + round(at_s * 1e9)
    made = Event(
        site=site, kind="sag", start=start, refined_start=start, duration_s=length_s, observed_s=length_s,
        magnitude=low, phases=phases, line_to_line=False, reference_v=230.0, capture="", **more,
    )  # fmt: skip
    return with_identity(made)


def table_of(events: Iterable[Event]) -> pa.Table:
    return catalogue_table(list(events))


def pair_scores(
    said: Sequence[int] | np.ndarray[Any, Any], true: Sequence[int] | np.ndarray[Any, Any]
) -> dict[str, float]:
    """Precision, recall and F1 of pairs of rows that belong together."""

    def pairs(counts: np.ndarray[Any, Any]) -> float:
        return float((counts * (counts - 1) // 2).sum())

    a, b = (np.unique(np.asarray(one), return_inverse=True)[1] for one in (said, true))
    both = pairs(np.unique(np.stack([a, b]), axis=1, return_counts=True)[1])
    precision, recall = both / max(pairs(np.bincount(a)), 1), both / max(pairs(np.bincount(b)), 1)
    return {"precision": precision, "recall": recall, "f1": 2 * precision * recall / max(precision + recall, 1e-9)}


def calibration_error(probability: np.ndarray[Any, Any], right: np.ndarray[Any, Any], bins: int = 10) -> float:
    """Expected calibration error: by tenths of the probability, how far its mean is from the share that is right."""
    place = np.minimum((probability * bins).astype(int), bins - 1)
    return float(
        sum((place == i).mean() * abs(probability[place == i].mean() - right[place == i].mean()) for i in set(place))
    )
