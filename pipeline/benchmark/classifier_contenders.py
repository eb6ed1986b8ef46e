"""Whoever takes part in a benchmark of classifiers: ours, baselines, and those of other distributions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points
from typing import Protocol, Self

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.features import extract
from halfcycle.classifiers.learned.model import DisturbanceClassifier
from halfcycle.pipeline.synthesis.parametric import primitives_of

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Waves:
    """Windows of one recording.

    Attributes
    ----------
    values : float32, shape (n_windows, n_samples). Ten nominal cycles. [pu of the undisturbed peak]
    rate_hz : [Hz]
    nominal_hz : [Hz]
    """

    values: F32
    rate_hz: float
    nominal_hz: float


@dataclass(frozen=True, slots=True)
class Answers:
    """What a classifier says of windows; what it does not tell is None.

    Attributes
    ----------
    classes : int64, shape (n,). 1 to 29.
    confidence : float64, shape (n,). Probability of that class.
    known : bool, shape (n,). False: like nothing in the training.
    primitives : float64, shape (n, 8). Probability of each of `parametric.PRIMITIVES`.
    """

    classes: Ints
    confidence: F64 | None = None
    known: npt.NDArray[np.bool_] | None = None
    primitives: F64 | None = None


class WindowClassifier(Protocol):
    """What a contender must be able to do."""

    def fit(self, parts: list[tuple[Waves, Ints]]) -> Self:
        """Train on windows of several recordings with their classes."""
        ...

    def judge(self, waves: Waves) -> Answers:
        """Say what windows are."""
        ...


@dataclass(frozen=True, slots=True)
class ClassifierContender:
    """A classifier in a benchmark.

    Attributes
    ----------
    name : in the results.
    make : from a seed to a classifier not yet trained; the same seed must give the same one.
    """

    name: str
    make: Callable[[int], WindowClassifier]


class Halfcycle:
    """Our own: features with names, and a `DisturbanceClassifier`."""

    def __init__(self, seed: int) -> None:
        self.model = DisturbanceClassifier(random_state=seed)

    def fit(self, parts: list[tuple[Waves, Ints]]) -> Self:
        """Features of all windows, classes and primitives."""
        features = np.concatenate([_features(waves) for waves, _ in parts])
        classes = np.concatenate([of_part for _, of_part in parts])
        self.model.fit(features, classes, primitives_of(classes))
        return self

    def judge(self, waves: Waves) -> Answers:
        """Classes, confidence, what is unknown, primitives."""
        found = self.model.judge(_features(waves))
        return Answers(found.classes, found.confidence, found.known, found.primitives)


def _features(waves: Waves) -> F32:
    return extract(waves.values, rate_hz=waves.rate_hz, nominal_hz=waves.nominal_hz)


@cache
def classifier_contenders() -> dict[str, ClassifierContender]:
    """All contenders by name: ours, the baselines, and those of the entry-point group ``halfcycle.classifiers``."""
    from halfcycle.pipeline.benchmark.classifier_baselines import BASELINES

    others = [entry.load() for entry in entry_points(group="halfcycle.classifiers")]
    return {one.name: one for one in (ClassifierContender("halfcycle", Halfcycle), *BASELINES, *others)}
