"""Training of the model of causes on solved circuits, and its calibration on families of grids left out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.cause_model import F64, CauseModel, tempered
from halfcycle.pipeline.learning.cause_windows import Example

FOLDS: Final = 4
_TREES: Final = 120
_LEAVES: Final = 400
_ASKED: Final = 40  # numbers that each node chooses from
_KNOTS: Final = 12
_TEMPERATURES: Final = np.geomspace(0.4, 4, 60)
_MOST_SURE: Final = 0.995  # that an answer may be, whatever the circuits say: networks are richer


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Answers for each example by a model that knew none of its family of grids.

    Attributes
    ----------
    causes : names.
    shares : shape (n, n_causes). After the temperature.
    sure : shape (n,). Probability of the likeliest, by a calibration that knew none of its family either.
    truth : shape (n,). Places of the true causes.
    has_currents : shape (n,).
    """

    causes: tuple[str, ...]
    shares: F64
    sure: F64
    truth: npt.NDArray[np.int64]
    has_currents: npt.NDArray[np.int64]


def train(examples: Sequence[Example], *, seed: int) -> tuple[CauseModel, LeftOut]:
    """A model of all examples, calibrated on what models that left families of grids out say of those.

    Parameters
    ----------
    examples : of several families.
    seed : of the forest and the folds.

    Source: P. Geurts et al., "Extremely randomized trees", Machine Learning 63 (2006); temperature scaling after
    C. Guo et al., "On Calibration of Modern Neural Networks", ICML 2017; isotonic regression after B. Zadrozny,
    C. Elkan, KDD 2002 (all from memory).
    """
    causes = tuple(sorted({example.cause for example in examples}))
    features = tuple(sorted({name for example in examples for name in example.numbers}))
    table = np.array([[e.numbers.get(name, np.nan) for name in features] for e in examples])
    truth = np.array([causes.index(example.cause) for example in examples])
    has_currents = np.array([int(example.has_currents) for example in examples])
    folds = _folds([example.group for example in examples], seed)
    plain = np.empty((truth.size, len(causes)))
    for fold in range(FOLDS):
        out = folds == fold
        plain[out] = _shares(_fitted(table[~out], truth[~out], seed), table[out], len(causes))
    temperature, knots = _calibrated(plain, truth, has_currents)
    shares, sure = np.empty_like(plain), np.empty(truth.size)
    for fold in range(FOLDS):
        out = folds == fold
        without = _calibrated(plain[~out], truth[~out], has_currents[~out])
        for known in (0, 1):
            mine = out & (has_currents == known)
            shares[mine] = tempered(plain[mine], float(without[0][known]))
            sure[mine] = np.interp(shares[mine].max(axis=1), *without[1][known])
    trees = _arrays(_fitted(table, truth, seed))
    model = CauseModel(features=features, causes=causes, temperature=temperature, knots=knots, **trees)
    return model, LeftOut(causes, shares, sure, truth, has_currents)


def _fitted(table: F64, truth: npt.NDArray[np.int64], seed: int) -> Any:
    from sklearn.ensemble import ExtraTreesClassifier

    counts = np.bincount(truth)
    weights = (counts.max() / np.maximum(counts, 1)) ** 0.5
    forest = ExtraTreesClassifier(
        _TREES, max_leaf_nodes=_LEAVES, min_samples_leaf=2, max_features=_ASKED, random_state=seed, n_jobs=1
    )
    return forest.fit(table.astype(np.float32), truth, sample_weight=weights[truth])


def _shares(forest: Any, table: F64, n_causes: int) -> F64:
    """Shares of the causes that the forest knows; 0 of others."""
    shares = np.zeros((table.shape[0], n_causes))
    shares[:, forest.classes_] = forest.predict_proba(table.astype(np.float32))
    return shares


def _folds(groups: Sequence[str], seed: int) -> npt.NDArray[np.int64]:
    names = sorted(set(groups))
    order = np.random.default_rng(seed).permutation(len(names))
    fold_of = {names[place]: i % FOLDS for i, place in enumerate(order)}
    return np.array([fold_of[group] for group in groups])


def _calibrated(plain: F64, truth: npt.NDArray[np.int64], has_currents: npt.NDArray[np.int64]) -> tuple[F64, F64]:
    """Temperature and knots, each without currents and with."""
    from sklearn.isotonic import IsotonicRegression

    temperature, knots = np.ones(2), np.zeros((2, 2, _KNOTS))
    for known in (0, 1):
        mine = has_currents == known
        losses = [
            -np.log(tempered(plain[mine], t)[np.arange(mine.sum()), truth[mine]] + 1e-12).mean() for t in _TEMPERATURES
        ]
        temperature[known] = _TEMPERATURES[int(np.argmin(losses))]
        shares = tempered(plain[mine], float(temperature[known]))
        best, right = shares.max(axis=1), shares.argmax(axis=1) == truth[mine]
        line = IsotonicRegression(y_min=0.02, y_max=_MOST_SURE, out_of_bounds="clip").fit(best, right)
        x = np.quantile(best, np.linspace(0, 1, _KNOTS))
        knots[known] = x + 1e-9 * np.arange(_KNOTS), np.maximum.accumulate(_smooth(line, x))
    return temperature, knots


def _smooth(line: Any, x: F64) -> F64:
    """Isotonic steps, averaged about each knot."""
    edges = np.concatenate(([x[0]], (x[1:] + x[:-1]) / 2, [x[-1]]))
    return np.array([line.predict(np.linspace(a, b, 20)).mean() for a, b in pairwise(edges)])


def _arrays(forest: Any) -> dict[str, Any]:
    """The trees of the fitted forest as plain arrays."""
    roots, parts, shares, n, n_leaves = [], [], [], 0, 0
    for estimator in forest.estimators_:
        tree = estimator.tree_
        leaf = tree.children_left < 0
        place = np.cumsum(leaf) - 1 + n_leaves
        roots.append(n)
        parts.append((
            np.where(leaf, -1, tree.feature), np.where(leaf, 0.0, tree.threshold),
            np.where(leaf, place, n + tree.children_left), np.where(leaf, place, n + tree.children_right),
            tree.missing_go_to_left.astype(bool),
        ))  # fmt: skip
        of_leaves = tree.value[leaf, 0, :]
        shares.append(np.round(255 * of_leaves / of_leaves.sum(axis=1, keepdims=True)))
        n, n_leaves = n + leaf.size, n_leaves + int(leaf.sum())
    feature, threshold, left, right, missing_left = (np.concatenate(part) for part in zip(*parts, strict=True))
    return {
        "roots": np.array(roots, np.int32), "feature": feature.astype(np.int32),
        "threshold": threshold.astype(np.float32), "left": left.astype(np.int32), "right": right.astype(np.int32),
        "missing_left": missing_left, "shares": np.concatenate(shares).astype(np.uint8),
    }  # fmt: skip
