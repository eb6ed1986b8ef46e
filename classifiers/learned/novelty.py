"""How unlike the classes of a training a sample is: three scores, each the higher the stranger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.floating[Any]]

_CLIP: Final = 6.0  # standard deviations
_SHRINKAGE: Final = 0.01  # of the scatter within classes, towards a multiple of the unit matrix
_RIDGE: Final = 0.1  # of the covariance of a class, where the scatter within classes is 1
_QUANTILE: Final = 0.01
_MOST_EXCESS: Final = 3.0  # of one feature
_CERTAIN: Final = 0.995


@dataclass(frozen=True, slots=True)
class Novelty:
    """What the scores need of a training.

    Attributes
    ----------
    mean, scale : shape (n_features,).
    axes : shape (n_features, k). Discriminant axes, on which the scatter within classes is 1.
    centres : shape (n_classes, k).
    whiteners : shape (n_classes, k, k).
    low, high : shape (n_classes, n_features). Range of each feature in each class.
    width : shape (n_classes, n_features). What an excess is measured in.
    combinations : bool, shape (m, n_primitives), which occur together; None: not known.
    """

    mean: Floats
    scale: Floats
    axes: Floats
    centres: Floats
    whiteners: Floats
    low: Floats
    high: Floats
    width: Floats
    combinations: npt.NDArray[np.bool_] | None

    @classmethod
    def fit(cls, x: Floats, code: npt.NDArray[np.intp], present: npt.NDArray[np.bool_] | None) -> Self:
        """Learn.

        Parameters
        ----------
        x : float32, shape (n, n_features).
        code : shape (n,). Index of the class, each at least once.
        present : bool, shape (n, n_primitives), or None.
        """
        wide = x.astype(np.float64)
        mean, scale = wide.mean(axis=0), wide.std(axis=0)
        scale = np.where(scale > 0, scale, 1.0)
        z = np.clip((wide - mean) / scale, -_CLIP, _CLIP)
        n_classes = int(code.max()) + 1
        means = np.stack([z[code == i].mean(axis=0) for i in range(n_classes)])
        within = z - means[code]
        scatter = within.T @ within / len(z)
        d = len(scatter)
        scatter = (1 - _SHRINKAGE) * scatter + _SHRINKAGE * max(np.trace(scatter) / d, 1e-6) * np.eye(d)
        values, vectors = np.linalg.eigh(scatter)
        whiten = vectors / np.sqrt(np.maximum(values, 1e-12))
        _, singular, directions = np.linalg.svd((means - means.mean(axis=0)) @ whiten, full_matrices=False)
        kept = singular > 1e-9 * max(singular[0], 1e-12)
        axes = whiten @ directions[kept].T
        t = z @ axes
        centres, whiteners = means @ axes, []
        for i in range(n_classes):
            off = t[code == i] - centres[i]
            covariance = off.T @ off / len(off) + _RIDGE * np.eye(axes.shape[1])
            whiteners.append(np.linalg.inv(np.linalg.cholesky(covariance)).T)
        low, high = (
            np.stack([np.quantile(x[code == i], q, axis=0) for i in range(n_classes)]).astype(np.float32)
            for q in (_QUANTILE, 1 - _QUANTILE)
        )
        width = (0.5 * (high - low) + 0.1 * x.std(axis=0) + 1e-6).astype(np.float32)
        combinations = None if present is None else np.unique(present, axis=0)
        return cls(mean, scale, axes, centres, np.stack(whiteners), low, high, width, combinations)

    def distance(self, x: Floats) -> Floats:
        """Least distance from a class in its own covariance, on the discriminant axes; its logarithm.

        Parameters
        ----------
        x : float32, shape (n, n_features).

        Returns
        -------
        float64, shape (n,).
        """
        t = np.clip((x - self.mean) / self.scale, -_CLIP, _CLIP) @ self.axes
        least = np.full(len(x), np.inf)
        for centre, whitener in zip(self.centres, self.whiteners, strict=True):
            off = (t - centre) @ whitener
            least = np.minimum(least, np.einsum("ij,ij->i", off, off))
        return np.asarray(np.log1p(least))

    def excess(self, x: Floats, best: npt.NDArray[np.intp]) -> Floats:
        """By how much features lie outside their range in a class.

        Parameters
        ----------
        x : float32, shape (n, n_features).
        best : shape (n,). Index of the class.

        Returns
        -------
        float64, shape (n,).
        """
        over = np.maximum(x - self.high[best], 0) + np.maximum(self.low[best] - x, 0)
        return np.asarray(np.minimum(over / self.width[best], _MOST_EXCESS).sum(axis=1, dtype=np.float64))

    def disagreement(self, present: Floats) -> Floats:
        """How improbable the likeliest combination of primitives is that occurs.

        Parameters
        ----------
        present : shape (n, n_primitives). Probability of each.

        Returns
        -------
        float64, shape (n,). Minus its logarithm; 0 for a training without primitives.
        """
        if self.combinations is None:
            return np.zeros(len(present))
        sure = np.clip(present, 1 - _CERTAIN, _CERTAIN)
        there = self.combinations.astype(np.float64)
        likelihood = np.log(sure) @ there.T + np.log(1 - sure) @ (1 - there).T
        return -np.asarray(likelihood.max(axis=1))
