"""Labelled features drawn from the parametric family of disturbances, and models trained on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from classifiers.learned.features import extract
from classifiers.learned.model import DisturbanceClassifier
from pipeline.synthesis.parametric import FORMS, Conditions, parametric_windows

F64 = npt.NDArray[np.float64]

# One model for all levels of noise, from hardly usable to none; half the windows have a distorted supply.
TRAINING: Final = Conditions(snr_db=(15.0, 60.0), clean_share=0.15, background_thd=(0.0, 0.03), background_share=0.5)
CLEAN: Final = Conditions()
WINDOWS_PER_CLASS: Final = 2000
_AT_ONCE: Final = 250  # windows drawn at once: their samples need not be kept


@dataclass(frozen=True, slots=True)
class LabelledFeatures:
    """Features of drawn windows, with what is true about them.

    Attributes
    ----------
    features : float32, shape (n, n_features).
    classes : int64, shape (n,). 1 to 29.
    primitives : bool, shape (n, 8).
    snr_db : float64, shape (n,). [dB]
    """

    features: npt.NDArray[np.float32]
    classes: npt.NDArray[np.int64]
    primitives: npt.NDArray[np.bool_]
    snr_db: F64


def labelled_features(
    n_per_class: int, *, conditions: Conditions, seed: int, classes: Sequence[int] = tuple(FORMS)
) -> LabelledFeatures:
    """Draw windows and take their features.

    Parameters
    ----------
    n_per_class : at least 1.
    conditions : how the windows are recorded.
    seed : of the draws.
    classes : of 1 to 29.
    """
    parts = []
    for number in classes:
        for i, first in enumerate(range(0, n_per_class, _AT_ONCE)):
            n = min(_AT_ONCE, n_per_class - first)
            drawn = parametric_windows(n, conditions=conditions, seed=1000 * seed + i, classes=(number,))
            found = extract(drawn.values, rate_hz=conditions.rate_hz, nominal_hz=conditions.nominal_hz)
            parts.append(LabelledFeatures(found, drawn.classes, drawn.primitives, drawn.snr_db))
    return LabelledFeatures(
        np.concatenate([part.features for part in parts]),
        np.concatenate([part.classes for part in parts]),
        np.concatenate([part.primitives for part in parts]),
        np.concatenate([part.snr_db for part in parts]),
    )


def train(
    *,
    n_per_class: int = WINDOWS_PER_CLASS,
    conditions: Conditions = TRAINING,
    seed: int = 1,
    classes: Sequence[int] = tuple(FORMS),
    model: DisturbanceClassifier | None = None,
) -> DisturbanceClassifier:
    """Train a model on freshly drawn windows.

    Parameters
    ----------
    n_per_class, conditions, seed, classes : as in `labelled_features`.
    model : an estimator not yet trained; None: one of default settings and this seed.

    Returns
    -------
    The trained model.
    """
    drawn = labelled_features(n_per_class, conditions=conditions, seed=seed, classes=classes)
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
