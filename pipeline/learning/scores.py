"""How well classes, primitives and confidences fit the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.model import Judgement
from halfcycle.pipeline.learning.family import LabelledFeatures
from halfcycle.pipeline.synthesis.parametric import FORMS, JOINED, PRIMITIVES, primitives_of

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Labels = Ints | npt.NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores on one set of windows of the parametric family; NaN: what is scored was not told.

    Attributes
    ----------
    accuracy : share right.
    macro_f1 : over the classes.
    joined_f1 : with the pairs that differ by flicker inside the event alone taken for one class.
    primitive_f1 : shape (8,), in the order of `PRIMITIVES`.
    calibration_error : expected, over ten bins of the confidence.
    rejected : share called unknown.
    """

    accuracy: float
    macro_f1: float
    joined_f1: float
    primitive_f1: F64
    calibration_error: float
    rejected: float


def score(
    said: Ints,
    truth: Ints,
    *,
    confidence: F64 | None = None,
    known: Bools | None = None,
    primitives: F64 | None = None,
) -> Scores:
    """Compare what is said of windows with the truth.

    Parameters
    ----------
    said, truth : shape (n,). Classes, 1 to 29.
    confidence : shape (n,). Probability of the class that is said.
    known : shape (n,). False: called unknown.
    primitives : shape (n, 8). Probability that each is present.
    """
    joined = np.arange(max(FORMS) + 1)
    for kept, other in JOINED:
        joined[other] = kept
    right = said == truth
    return Scores(
        accuracy=float(right.mean()),
        macro_f1=macro_f1(truth, said),
        joined_f1=macro_f1(joined[truth], joined[said]),
        primitive_f1=_primitive_f1(truth, primitives),
        calibration_error=np.nan if confidence is None else calibration_error(reliability_bins(confidence, right)),
        rejected=np.nan if known is None else float(np.mean(~known)),
    )


def macro_f1(truth: Labels | Sequence[str], said: Labels | Sequence[str]) -> float:
    """Mean F1 of the classes that occur, whatever else is said; 0 for a class that nothing is called."""
    from sklearn.metrics import f1_score

    return float(f1_score(truth, said, average="macro", labels=np.unique(truth), zero_division=0.0))


def score_judgement(judgement: Judgement, truth: LabelledFeatures) -> Scores:
    """Scores of what a model says about drawn windows.

    Parameters
    ----------
    judgement : of the features of `truth`.
    truth : of the same windows.
    """
    said = np.asarray(judgement.classes, dtype=np.int64)
    return score(
        said,
        truth.classes,
        confidence=judgement.confidence,
        known=judgement.known,
        primitives=judgement.primitives,
    )


def _primitive_f1(truth: Ints, primitives: F64 | None) -> F64:
    from sklearn.metrics import f1_score

    if primitives is None:
        return np.full(len(PRIMITIVES), np.nan)
    pairs = zip(primitives_of(truth).T, (primitives > 0.5).T, strict=True)
    return np.array([f1_score(there, told, zero_division=np.nan) for there, told in pairs])


def reliability_bins(confidence: F64, right: Bools) -> F64:
    """Count, sum of confidence and count right in ten equal bins of the confidence: float64, shape (10, 3)."""
    place = np.minimum((confidence * 10).astype(int), 9)
    columns = (np.ones(len(place)), confidence, right.astype(np.float64))
    return np.stack([np.bincount(place, weights=column, minlength=10) for column in columns], axis=1)


def coverage(bins: F64) -> F64:
    """What is left where answers below each bin are withheld: float64, shape (10, 2).

    Parameters
    ----------
    bins : of `reliability_bins`, or a sum of them.

    Returns
    -------
    For each bin's lower edge, the share of all that is answered and the share right of these; NaN where nothing is.
    """
    count, right = (bins[::-1, column].cumsum()[::-1] for column in (0, 2))
    share = np.where(count > 0, right / np.maximum(count, 1), np.nan)
    return np.stack([count / max(float(count[0]), 1.0), share], axis=1)


def calibration_error(bins: F64) -> float:
    """Mean distance between confidence and share right over the bins, weighted by their counts.

    Parameters
    ----------
    bins : of `reliability_bins`, or a sum of them.

    Source: M. P. Naeini, G. F. Cooper, M. Hauskrecht, "Obtaining well calibrated probabilities using Bayesian binning",
    AAAI 2015 (from memory).
    """
    return float(np.abs(bins[:, 1] - bins[:, 2]).sum() / max(bins[:, 0].sum(), 1.0))
