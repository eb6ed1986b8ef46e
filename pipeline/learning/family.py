"""Labelled features drawn from the parametric family of disturbances, and models trained on them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.features import extract
from halfcycle.classifiers.learned.model import DisturbanceClassifier
from halfcycle.pipeline.synthesis.parametric import FORMS, DrawnWindows, parametric_windows
from halfcycle.pipeline.synthesis.recording import Conditions


@dataclass(frozen=True, slots=True)
class TrainingPart:
    """A share of the windows to train with, and how they are recorded."""

    share: float
    conditions: Conditions


CLEAN: Final = Conditions()
WINDOWS_PER_CLASS: Final = 2000
_AT_ONCE: Final = 250  # windows drawn at once: their samples need not be kept
SEEDS_APART: Final = 10_000  # of two trainings; parts and chunks lie between

# From hardly usable noise to none, half of it on a distorted supply, whose harmonics follow an event or do not, the
# frequency off as networks' is, or nominal as of a generator of tests; some events run on, and in a fifth of them the
# phase jumps, as faults on lines and behind transformers make it.
_USUAL: Final = Conditions(
    snr_db=(15.0, 60.0), clean_share=0.2, background_thd=(0.0, 0.05), background_share=0.5, unmoved_share=0.35,
    open_share=0.15, frequency_deviation=(-0.01, 0.01), nominal_share=0.2, jump_deg=(-40.0, 40.0), jump_share=0.2,
)  # fmt: skip

# One model for all recorders. What rate and converter do to a window is learned from examples of them.
TRAINING: Final = (
    TrainingPart(0.45, _USUAL),
    TrainingPart(0.12, replace(_USUAL, rate_hz=1600.0)),
    TrainingPart(0.12, replace(_USUAL, rate_hz=3200.0)),
    TrainingPart(0.10, replace(_USUAL, rate_hz=6400.0)),
    TrainingPart(0.07, replace(_USUAL, rate_hz=30_000.0)),
    TrainingPart(0.07, replace(_USUAL, rate_hz=7680.0, nominal_hz=60.0)),
    TrainingPart(0.07, replace(_USUAL, clean_share=0.6, bits=8)),
)


@dataclass(frozen=True, slots=True)
class LabelledFeatures:
    """Features of drawn windows, with what is true about them.

    Attributes
    ----------
    features : float32, shape (n, n_features).
    classes : int64, shape (n,). 1 to 29.
    primitives : bool, shape (n, 8).
    """

    features: npt.NDArray[np.float32]
    classes: npt.NDArray[np.int64]
    primitives: npt.NDArray[np.bool_]


def training_windows(
    n_per_class: int,
    *,
    parts: Sequence[TrainingPart] = TRAINING,
    seed: int,
    classes: Sequence[int] = tuple(FORMS),
) -> Iterator[DrawnWindows]:
    """Windows to train with, some hundred at once.

    Parameters
    ----------
    n_per_class : of all parts together, to within rounding; each part has one at least.
    parts : their shares are scaled to one.
    seed : 0 or more; two seeds have no window in common.
    classes : of 1 to 29.
    """
    whole = sum(part.share for part in parts)
    for i, part in enumerate(parts):
        n_of_part = max(1, round(n_per_class * part.share / whole))
        for k, first in enumerate(range(0, n_of_part, _AT_ONCE)):
            n = min(_AT_ONCE, n_of_part - first)
            drawn_from = SEEDS_APART * seed + 100 * i + k
            yield parametric_windows(n, conditions=part.conditions, seed=drawn_from, classes=classes)


def features_of_windows(drawn: DrawnWindows) -> LabelledFeatures:
    """The features of drawn windows."""
    conditions = drawn.conditions
    found = extract(drawn.values, rate_hz=conditions.rate_hz, nominal_hz=conditions.nominal_hz)
    return LabelledFeatures(found, drawn.classes, drawn.primitives)


def joined(parts: Sequence[LabelledFeatures]) -> LabelledFeatures:
    """Several sets as one."""
    return LabelledFeatures(
        np.concatenate([part.features for part in parts]),
        np.concatenate([part.classes for part in parts]),
        np.concatenate([part.primitives for part in parts]),
    )


def labelled_features(
    n_per_class: int, *, conditions: Conditions, seed: int, classes: Sequence[int] = tuple(FORMS)
) -> LabelledFeatures:
    """Draw windows of one recording and take their features.

    Parameters
    ----------
    n_per_class : at least 1.
    conditions : how the windows are recorded.
    seed : of the draws.
    classes : of 1 to 29.
    """
    part = (TrainingPart(1.0, conditions),)
    return training_features(n_per_class, parts=part, seed=seed, classes=classes)


def training_features(
    n_per_class: int,
    *,
    parts: Sequence[TrainingPart] = TRAINING,
    seed: int,
    classes: Sequence[int] = tuple(FORMS),
) -> LabelledFeatures:
    """Draw windows to train with and take their features; see `training_windows`."""
    drawn = training_windows(n_per_class, parts=parts, seed=seed, classes=classes)
    return joined([features_of_windows(windows) for windows in drawn])


def train(
    *,
    n_per_class: int = WINDOWS_PER_CLASS,
    parts: Sequence[TrainingPart] = TRAINING,
    seed: int = 1,
    classes: Sequence[int] = tuple(FORMS),
    model: DisturbanceClassifier | None = None,
) -> DisturbanceClassifier:
    """Train a model on freshly drawn windows.

    Parameters
    ----------
    n_per_class, parts, seed, classes : as in `training_windows`.
    model : an estimator not yet trained; None: one of default settings and this seed.

    Returns
    -------
    The trained model.
    """
    drawn = training_features(n_per_class, parts=parts, seed=seed, classes=classes)
    estimator = DisturbanceClassifier(random_state=seed) if model is None else model
    return estimator.fit(drawn.features, drawn.classes, drawn.primitives)


def at_noise(snr_db: float | None, *, conditions: Conditions = CLEAN) -> Conditions:
    """Conditions of a test at one level of noise.

    Parameters
    ----------
    snr_db : None: no noise. [dB]
    conditions : everything else.
    """
    return replace(conditions, snr_db=None if snr_db is None else (snr_db, snr_db), clean_share=0.0)
