"""An estimator for labelled features: calibrated classes, the primitives present, and what is like none of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, check_random_state, validate_data

from halfcycle.classifiers.learned.novelty import Novelty

F64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_LEAST_HELD_OUT: Final = 5  # samples of each class that are held out; with fewer the trees' own samples calibrate
_FLOOR: Final = 1e-3  # probability of a class that no tree names
_EXPONENTS: Final = np.geomspace(0.25, 8.0, 81)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a model says about windows.

    Attributes
    ----------
    classes : shape (n,). The most probable class, known or not.
    confidence : float64, shape (n,). Its calibrated probability among the known classes.
    known : bool, shape (n,). False: like no class of the training.
    primitives : float64, shape (n, n_primitives), or None if trained without. Probability that each is present.
    """

    classes: npt.NDArray[Any]
    confidence: F64
    known: Bools
    primitives: F64 | None

    def surest(self, rows: npt.NDArray[np.intp]) -> int | None:
        """Of some windows the known one of the highest confidence; None where none is known."""
        sure = np.where(self.known[rows], self.confidence[rows], -1.0)
        best = int(sure.argmax())
        return int(rows[best]) if sure[best] >= 0 else None


class DisturbanceClassifier(ClassifierMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Extremely randomised trees with calibrated probabilities, a head of primitives, and a reject option.

    Parameters
    ----------
    n_trees : of the classes.
    n_primitive_trees : of the primitives.
    max_features : share of the features that a split looks at.
    calibration_share : share of each class that is held out of the trees, to calibrate.
    false_rejection : share of windows of known classes that are called unknown.
    n_jobs : processors that grow the trees.
    random_state : of the trees and of what is held out.

    Source: P. Geurts, D. Ernst, L. Wehenkel, "Extremely randomized trees", Machine Learning 63, 2006; one exponent on
    the probabilities as in C. Guo et al., "On calibration of modern neural networks", ICML 2017 (both from memory).
    """

    def __init__(
        self,
        *,
        n_trees: int = 120,
        n_primitive_trees: int = 60,
        max_features: float = 0.3,
        calibration_share: float = 0.2,
        false_rejection: float = 0.05,
        n_jobs: int | None = None,
        random_state: int | None = None,
    ) -> None:
        self.n_trees = n_trees
        self.n_primitive_trees = n_primitive_trees
        self.max_features = max_features
        self.calibration_share = calibration_share
        self.false_rejection = false_rejection
        self.n_jobs = n_jobs
        self.random_state = random_state

    def fit(
        self,
        X: npt.ArrayLike,
        y: npt.ArrayLike,
        primitives: npt.ArrayLike | None = None,
        groups: npt.ArrayLike | None = None,
    ) -> Self:
        """Train.

        Parameters
        ----------
        X : shape (n, n_features).
        y : shape (n,). Classes.
        primitives : bool or float, shape (n, n_primitives): which are present; a row of NaN is not known. None, or no
            row that is known: the head is left out.
        groups : shape (n,). Samples alike, such as overlapping windows of one event: of a class's groups some are held
            out as a whole, one at least where there are several. None: each sample is a group.

        Returns
        -------
        The estimator.

        Raises
        ------
        ValueError : shares out of range, or arrays that do not fit one another.
        """
        self._check_parameters()
        features, targets = validate_data(self, X, y, dtype=np.float32)
        check_classification_targets(targets)
        self.classes_, code = np.unique(targets, return_inverse=True)
        present, told = _known_primitives(primitives, n=len(code))
        rng = check_random_state(self.random_state)
        grow, calibrate = (
            self._split(code, rng) if groups is None else self._split_groups(code, np.asarray(groups), rng)
        )
        seed = int(rng.randint(2**31 - 1))
        self.trees_ = ExtraTreesClassifier(
            self.n_trees, max_features=self.max_features, n_jobs=self.n_jobs, random_state=seed
        ).fit(features[grow], code[grow])
        taught = grow[told[grow]]
        self.primitive_trees_: ExtraTreesClassifier | None = None
        self.taught_classes_ = np.bincount(code[told], minlength=len(self.classes_)) > 0
        if len(taught):
            self.primitive_trees_ = ExtraTreesClassifier(
                self.n_primitive_trees, max_features=self.max_features, min_samples_leaf=2, n_jobs=self.n_jobs,
                random_state=seed + 1,
            ).fit(features[taught], present[taught].astype(int))  # fmt: skip
            self.of_classes_ = self._of_classes(self.primitive_trees_, features, code, present, told)
        self.exponent_ = _best_exponent(_shares(self.trees_, features[calibrate]), code[calibrate])
        self.novelty_ = Novelty.fit(features[grow], code[grow], present[taught] if len(taught) else None)
        scores, best = self._scores(features[calibrate])
        self.tails_ = np.sort(scores, axis=0)
        self.limits_ = self._limits(self._surprise(scores), best)
        return self

    def predict(self, X: npt.ArrayLike) -> npt.NDArray[Any]:
        """The most probable class of each sample, known or not.

        Parameters
        ----------
        X : shape (n, n_features).
        """
        best = np.argmax(self.predict_proba(X), axis=1)
        return np.asarray(self.classes_[best])

    def predict_proba(self, X: npt.ArrayLike) -> F64:
        """Calibrated probabilities of the classes, in the order of `classes_`.

        Parameters
        ----------
        X : shape (n, n_features).

        Returns
        -------
        float64, shape (n, n_classes); rows add up to 1.
        """
        checked = self._checked(X)
        return _sharpened(_shares(self.trees_, checked), self.exponent_)

    def predict_primitives(self, X: npt.ArrayLike) -> F64:
        """Probability that each primitive is present.

        Parameters
        ----------
        X : shape (n, n_features).

        Returns
        -------
        float64, shape (n, n_primitives).

        Raises
        ------
        ValueError : trained without primitives.
        """
        checked = self._checked(X)
        if self.primitive_trees_ is None:
            raise ValueError("the model was trained without primitives")
        probabilities = _sharpened(_shares(self.trees_, checked), self.exponent_)
        return self._blended(probabilities, self._primitives(self.primitive_trees_, checked))

    def known(self, X: npt.ArrayLike) -> Bools:
        """Whether each sample is like the class it would be given; the reject option is where it is not.

        Parameters
        ----------
        X : shape (n, n_features).
        """
        checked = self._checked(X)
        scores, best = self._scores(checked)
        return np.asarray(self._surprise(scores) <= self.limits_[best])

    def judge(self, X: npt.ArrayLike) -> Judgement:
        """Everything at once, which is quicker than one after the other.

        Parameters
        ----------
        X : shape (n, n_features).

        Returns
        -------
        Judgement.
        """
        checked = self._checked(X)
        raw = _shares(self.trees_, checked)
        present = None if self.primitive_trees_ is None else self._primitives(self.primitive_trees_, checked)
        probabilities = _sharpened(raw, self.exponent_)
        best = np.argmax(probabilities, axis=1)
        surprise = self._surprise(self.novelty_scores(checked, raw, present))
        confidence = probabilities[np.arange(len(best)), best]
        blended = None if present is None else self._blended(probabilities, present)
        return Judgement(self.classes_[best], confidence, np.asarray(surprise <= self.limits_[best]), blended)

    def novelty_scores(self, X: npt.NDArray[np.float32], raw: F64, present: F64 | None) -> F64:
        """The scores that the reject option adds up, before they are put on one scale.

        Parameters
        ----------
        X : float32, shape (n, n_features), checked.
        raw : shape (n, n_classes). Share of the trees for each class.
        present : shape (n, n_primitives), or None.

        Returns
        -------
        float64, shape (n, 3 or 4): how little the trees agree, distance from the classes, how far features are out of
        the class's range, and how little the primitives are those of any class: 0 for a class whose own are not known.
        """
        best = np.argmax(raw, axis=1)
        scores = [1 - raw.max(axis=1), self.novelty_.distance(X), self.novelty_.excess(X, best)]
        if present is not None:
            scores.append(self.novelty_.disagreement(present) * self.taught_classes_[best])
        return np.stack(scores, axis=1)

    def _scores(self, X: npt.NDArray[np.float32]) -> tuple[F64, npt.NDArray[np.intp]]:
        """Scores, and the index of the class that each sample would be given."""
        present = None if self.primitive_trees_ is None else self._primitives(self.primitive_trees_, X)
        raw = _shares(self.trees_, X)
        return self.novelty_scores(X, raw, present), np.argmax(raw, axis=1)

    def _limits(self, surprise: F64, best: npt.NDArray[np.intp]) -> F64:
        """For each class the surprise beyond which what looks like it is unknown; one limit for classes seldom seen.

        Source: split conformal prediction, V. Vovk, A. Gammerman, G. Shafer, "Algorithmic learning in a random world",
        2005 (from memory): the limit is the value of rank (n + 1) (1 - share) among n.
        """
        limits = np.full(len(self.classes_), _ranked(surprise, 1 - self.false_rejection))
        for i in range(len(limits)):
            own = surprise[best == i]
            if (len(own) + 1) * self.false_rejection >= 1:
                limits[i] = _ranked(own, 1 - self.false_rejection)
        return limits

    def _surprise(self, scores: F64) -> F64:
        """Sum of minus the logarithms of the shares of the calibration that score higher.

        Trees of the classes and of the primitives hesitate together between two classes that are both known, which
        makes nothing strange: of the two the larger one counts.
        """
        n = len(self.tails_)
        above = [n - np.searchsorted(tail, column) for column, tail in zip(scores.T, self.tails_.T, strict=True)]
        agreement, distance, excess, *primitives = -np.log((np.array(above) + 0.5) / (n + 1))
        return np.asarray(distance + excess + np.max([agreement, *primitives], axis=0))

    def _blended(self, probabilities: F64, present: F64) -> F64:
        """Mean of what the classes say about the primitives and what their own trees say."""
        return np.asarray(0.5 * (probabilities @ self.of_classes_ + present))

    def _of_classes(
        self, trees: Any, X: npt.NDArray[np.float32], code: npt.NDArray[np.intp], present: Bools, told: Bools
    ) -> F64:
        """Share of each class that has each primitive; of a class of which none is known, as the head sees it."""
        shares = []
        for i in range(len(self.classes_)):
            own = code == i
            rows = own & told
            shares.append(present[rows].mean(axis=0) if rows.any() else self._primitives(trees, X[own]).mean(axis=0))
        return np.stack(shares)

    def _primitives(self, trees: Any, X: npt.NDArray[np.float32]) -> F64:
        several = trees.n_outputs_ > 1
        classes = trees.classes_ if several else [trees.classes_]
        if max(map(len, classes)) < 2:
            return np.tile([float(there[0]) for there in classes], (len(X), 1))
        shares = _shares(trees, X)
        total = shares[..., 1] if several else shares[:, 1:]
        for i, there in enumerate(classes):
            if len(there) < 2:
                total[:, i] = there[0]
        return total

    def _split(
        self, code: npt.NDArray[np.intp], rng: np.random.RandomState
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Indices that grow the trees and indices that calibrate."""
        counts = np.bincount(code)
        every = np.arange(len(code))
        if round(self.calibration_share * counts.min()) < _LEAST_HELD_OUT:
            return every, every
        held = np.zeros(len(code), dtype=bool)
        for i, count in enumerate(counts):
            chosen = rng.permutation(np.flatnonzero(code == i))[: round(self.calibration_share * count)]
            held[chosen] = True
        return every[~held], every[held]

    def _split_groups(
        self, code: npt.NDArray[np.intp], groups: npt.NDArray[Any], rng: np.random.RandomState
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """As `_split`, but of each class whole groups."""
        if groups.shape != code.shape:
            raise ValueError(f"groups of shape {groups.shape} do not match {len(code)} samples")
        every = np.arange(len(code))
        held = np.zeros(len(code), dtype=bool)
        for i in range(int(code.max()) + 1):
            own = np.flatnonzero(code == i)
            names = np.unique(groups[own])
            if len(names) > 1:
                chosen = rng.permutation(names)[: max(1, round(self.calibration_share * len(names)))]
                held[own[np.isin(groups[own], chosen)]] = True
        return (every[~held], every[held]) if held.any() else (every, every)

    def _checked(self, X: npt.ArrayLike) -> npt.NDArray[np.float32]:
        check_is_fitted(self)
        checked: npt.NDArray[np.float32] = validate_data(self, X, dtype=np.float32, reset=False)
        return checked

    def _check_parameters(self) -> None:
        for name in ("calibration_share", "false_rejection"):
            value = getattr(self, name)
            if not 0 < value < 1:
                raise ValueError(f"{name} is {value}; it must lie between 0 and 1")


def _known_primitives(primitives: npt.ArrayLike | None, *, n: int) -> tuple[Bools, Bools]:
    """Which primitives are present, shape (n, n_primitives), and of which samples that is known, shape (n,)."""
    if primitives is None:
        return np.zeros((n, 0), dtype=bool), np.zeros(n, dtype=bool)
    values = np.asarray(primitives, dtype=np.float64)
    if values.ndim != 2 or len(values) != n:
        raise ValueError(f"primitives of shape {values.shape} do not match {n} samples")
    lacking = np.isnan(values)
    if (lacking.any(axis=1) != lacking.all(axis=1)).any():
        raise ValueError("some primitives of a sample are NaN; either all of them are known, or none")
    told: Bools = np.logical_not(lacking.any(axis=1))
    return np.nan_to_num(values).astype(bool), told


def _shares(trees: Any, X: npt.NDArray[np.float32]) -> F64:
    """Mean over trees of the shares of classes in the leaves that samples come to, shape (n[, outputs], classes).

    The same as `predict_proba` of the trees, which looks at all samples again for each tree and output.
    """
    first, *others = (tree.tree_ for tree in trees.estimators_)
    total: F64 = first.predict(X)
    for tree in others:
        total += tree.predict(X)
    total /= len(trees.estimators_)
    return total


def _ranked(values: F64, share: float) -> float:
    """The value that a further one exceeds with a probability of one less the share."""
    rank = math.ceil((len(values) + 1) * share - 1e-9)
    return float(np.sort(values)[min(rank, len(values)) - 1])


def _sharpened(raw: F64, exponent: float) -> F64:
    powers = np.maximum(raw, _FLOOR) ** exponent
    result: F64 = powers / powers.sum(axis=1, keepdims=True)
    return result


def _best_exponent(raw: F64, code: npt.NDArray[np.intp]) -> float:
    """The exponent with which the probabilities of the true classes are largest."""
    rows = np.arange(len(code))
    losses = [-np.log(_sharpened(raw, exponent)[rows, code]).mean() for exponent in _EXPONENTS]
    return float(_EXPONENTS[int(np.argmin(losses))])
