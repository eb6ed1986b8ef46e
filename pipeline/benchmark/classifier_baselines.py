"""What a researcher would reach for to name windows, as baselines: general-purpose libraries on the samples alone."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Final, Self

import numpy as np

from halfcycle.pipeline.benchmark.baselines import library
from halfcycle.pipeline.benchmark.classifier_contenders import F64, Answers, ClassifierContender, Ints, Waves
from halfcycle.pipeline.benchmark.s_transform import s_features

_TRIED_SETTINGS: Final = 8  # the budget of tuning
_SAMPLES: Final = 640  # of a window, 64 a cycle, as in much of the literature


class OnSamples:
    """A scikit-learn-like classifier on windows at 64 samples a cycle.

    Parameters
    ----------
    make : the classifier, from a seed.
    seed : of the classifier.
    three_dimensional : whether it wants shape (n, 1, n_samples).
    by_rms : whether each window is divided by its RMS; else it is per unit of the undisturbed peak.
    """

    def __init__(
        self, make: Callable[[int], Any], seed: int, *, three_dimensional: bool = False, by_rms: bool = True
    ) -> None:
        self._model = make(seed)
        self._three_dimensional, self._by_rms = three_dimensional, by_rms

    def fit(self, parts: list[tuple[Waves, Ints]]) -> Self:
        """Train on all windows together."""
        x = np.concatenate([self._samples(waves) for waves, _ in parts])
        self._model.fit(x, np.concatenate([classes for _, classes in parts]))
        return self

    def judge(self, waves: Waves) -> Answers:
        """Classes, and the probability of each where the classifier has probabilities."""
        x = self._samples(waves)
        if not hasattr(self._model, "predict_proba"):
            return Answers(np.asarray(self._model.predict(x), dtype=np.int64))
        probabilities = self._model.predict_proba(x)
        best = probabilities.argmax(axis=1)
        return Answers(
            np.asarray(self._model.classes_[best], dtype=np.int64), probabilities[np.arange(len(best)), best]
        )

    def _samples(self, waves: Waves) -> F64:
        from scipy.signal import resample

        x: F64 = np.asarray(resample(waves.values, _SAMPLES, axis=1), dtype=np.float64)
        if self._by_rms:
            x /= np.maximum(np.sqrt(np.mean(x * x, axis=1, keepdims=True)), 1e-9)
        return x[:, None, :] if self._three_dimensional else x


def _minirocket(seed: int) -> Any:
    """aeon: MiniRocket's convolutions, and a ridge classifier whose penalty is cross-validated."""
    from sklearn.linear_model import RidgeClassifierCV
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    transform = library("aeon.transformations.collection.convolution_based").MiniRocket(random_state=seed, n_jobs=1)
    return make_pipeline(transform, StandardScaler(with_mean=False), RidgeClassifierCV(np.logspace(-3, 3, 7)))


def _catch22(seed: int) -> Any:
    """aeon: twenty-two features that describe any time series, and a random forest."""
    from sklearn.ensemble import RandomForestClassifier
    from sklearn.pipeline import make_pipeline

    transform = library("aeon.transformations.collection.feature_based").Catch22(
        catch24=True, replace_nans=True, n_jobs=1
    )
    return make_pipeline(transform, RandomForestClassifier(200, random_state=seed))


def _perceptron(seed: int) -> Any:
    """scikit-learn: a multi-layer perceptron on the samples."""
    from sklearn.neural_network import MLPClassifier

    return MLPClassifier((256, 128), early_stopping=True, n_iter_no_change=10, max_iter=200, random_state=seed)


def _s_transform(seed: int) -> Any:
    """The S-transform's contours, and extremely randomised trees: the best of eight settings, validated threefold."""
    from sklearn.ensemble import ExtraTreesClassifier
    from sklearn.model_selection import RandomizedSearchCV
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import FunctionTransformer

    settings = {"max_features": ["sqrt", 0.2, 0.4, 0.7], "min_samples_leaf": [1, 2, 4], "n_estimators": [100, 200]}
    trees = ExtraTreesClassifier(random_state=seed, n_jobs=1)
    search = RandomizedSearchCV(trees, settings, n_iter=_TRIED_SETTINGS, cv=3, random_state=seed, n_jobs=1)
    return make_pipeline(FunctionTransformer(s_features), search)


BASELINES: Final = (
    ClassifierContender("MiniRocket + ridge", partial(OnSamples, _minirocket, three_dimensional=True)),
    ClassifierContender("catch22 + random forest", partial(OnSamples, _catch22, three_dimensional=True)),
    ClassifierContender("S-transform + tuned extra trees", partial(OnSamples, _s_transform, by_rms=False)),
    ClassifierContender("multi-layer perceptron", partial(OnSamples, _perceptron)),
)
