"""Rows that a model is trained with when events are labelled: windows drawn, windows labelled, or both, by name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.model import DisturbanceClassifier
from halfcycle.pipeline.learning.family import LabelledFeatures
from halfcycle.pipeline.learning.labelled import LabelledEvents
from halfcycle.pipeline.learning.labels import primitives_of_names
from halfcycle.pipeline.synthesis.parametric import FORMS

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Examples:
    """Features with the names of their classes.

    Attributes
    ----------
    features : float32, shape (n, n_features).
    names : text, shape (n,).
    primitives : float64, shape (n, 8). NaN: not known.
    events : int64, shape (n,). Which event each is a window of; a drawn window is an event of its own.
    """

    features: npt.NDArray[np.float32]
    names: npt.NDArray[np.str_]
    primitives: F64
    events: npt.NDArray[np.int64]


def drawn_examples(drawn: LabelledFeatures) -> Examples:
    """Drawn windows under the names of their classes."""
    names = np.array([FORMS[number].name for number in drawn.classes.tolist()])
    return Examples(drawn.features, names, drawn.primitives.astype(np.float64), np.arange(len(names)))


def event_examples(events: LabelledEvents, chosen: npt.NDArray[np.bool_]) -> Examples:
    """All windows of some events.

    Parameters
    ----------
    events : with their features.
    chosen : bool, shape (n_events,).
    """
    rows = chosen[events.event]
    names = events.labels[events.event[rows]]
    return Examples(events.features[rows], names, primitives_of_names(names), events.event[rows])


def few_of_each(examples: Examples, *, most: int, seed: int) -> Examples:
    """At most so many examples of each class, chosen at random."""
    rng = np.random.default_rng(seed)
    kept = [rng.permutation(np.flatnonzero(examples.names == name))[:most] for name in np.unique(examples.names)]
    rows = np.sort(np.concatenate(kept))
    return Examples(examples.features[rows], examples.names[rows], examples.primitives[rows], examples.events[rows])


def fitted(parts: Sequence[Examples], *, seed: int) -> DisturbanceClassifier:
    """A model trained with all examples of the parts."""
    numbers: list[npt.NDArray[np.int64]] = []
    for part in parts:
        numbers.append(part.events + (int(numbers[-1].max()) + 1 if numbers else 0))
    return DisturbanceClassifier(random_state=seed).fit(
        np.concatenate([part.features for part in parts]),
        np.concatenate([part.names for part in parts]),
        primitives=np.concatenate([part.primitives for part in parts]),
        groups=np.concatenate(numbers),
    )
