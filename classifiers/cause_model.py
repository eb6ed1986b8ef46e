"""A model of causes as plain arrays: a forest, their calibration, and how sure an answer must be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import repeat
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I32 = npt.NDArray[np.int32]

_LEAST_SHARE: Final = 1e-4


@dataclass(frozen=True, eq=False)
class CauseModel:
    """Trees whose leaves hold shares of causes, and what makes probabilities of their mean.

    Attributes
    ----------
    features : names of the numbers, in the order of the trees.
    causes : names.
    roots : shape (n_trees,). First node of each tree.
    feature : shape (n_nodes,). What a node asks; -1 at a leaf.
    threshold : shape (n_nodes,). Of a node.
    left, right : shape (n_nodes,). Where at most the threshold leads, and more than it; of a leaf, its row of shares.
    missing_left : shape (n_nodes,). Whether a number that is missing leads to the left.
    shares : shape (n_leaves, n_causes). Of the examples that came to a leaf, 255 for all of them.
    temperature : shape (2,). What logarithms of shares are divided by, without currents and with.
    knots : shape (2, 2, k). (share, probability of being right) of the likeliest cause, without currents and with:
        lines between. Beyond them it stays.
    """

    features: tuple[str, ...]
    causes: tuple[str, ...]
    roots: I32
    feature: I32
    threshold: F32
    left: I32
    right: I32
    missing_left: npt.NDArray[np.bool_]
    shares: npt.NDArray[np.uint8]
    temperature: F64
    knots: F64

    @classmethod
    def read(cls, path: Path) -> CauseModel:
        """From a file of `write`."""
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
        names = {name: tuple(str(one) for one in arrays.pop(name)) for name in ("features", "causes")}
        arrays["feature"] = arrays["feature"].astype(np.int32)
        return cls(**names, **arrays)  # type: ignore[arg-type]

    def write(self, path: Path) -> None:
        """To a file of NumPy arrays, without pickles; the same model gives the same bytes."""
        arrays = {name: np.asarray(getattr(self, name)) for name in self.__dataclass_fields__}
        arrays["feature"] = arrays["feature"].astype(np.int16)
        np.savez_compressed(path, **arrays)  # type: ignore[arg-type]

    def row(self, numbers: Mapping[str, float]) -> F32:
        """The numbers in the order of the trees; NaN for one that is missing."""
        return np.fromiter(map(numbers.get, self.features, repeat(np.nan)), np.float32, len(self.features))

    def mean_shares(self, row: F32) -> F64:
        """Mean over the trees of the shares at the leaves that a row comes to, shape (n_causes,)."""
        walk = self._walk
        missing = np.isnan(row)
        # Each number twice: as it is asked where one that is missing leads to the left, and where to the right.
        twice = np.concatenate((np.where(missing, -np.inf, row), np.where(missing, np.inf, row)))
        node = walk.roots
        for _ in range(walk.depth):
            beyond = twice.take(walk.asked.take(node)) > walk.threshold.take(node)
            node = walk.onward.take(2 * node + beyond)
        mean: F64 = self.shares.take(walk.row.take(node), axis=0).mean(axis=0) / 255.0
        return mean

    @cached_property
    def _walk(self) -> _Walk:
        return _Walk.of(self)

    def probabilities(self, numbers: Mapping[str, float]) -> dict[str, float]:
        """Probability of each cause, likeliest first; together at most 1, the rest is for what the model does not know.

        The likeliest is right as often as it says, on grids that were left out of its training.
        """
        has_currents = int(any(name.startswith("i_") for name in numbers))
        shares = tempered(self.mean_shares(self.row(numbers)), float(self.temperature[has_currents]))
        best = int(shares.argmax())
        sure = float(np.interp(shares[best], *self.knots[has_currents]))
        rest = 1 - float(shares[best])
        scaled = shares * (min(1 - sure, rest) / rest if rest > 0 else 0.0)
        scaled[best] = sure
        order = np.argsort(-scaled, kind="stable")
        return {self.causes[i]: float(scaled[i]) for i in order}


@dataclass(frozen=True, slots=True, eq=False)
class _Walk:
    """The trees as tables that all of them are walked down by at once.

    Attributes
    ----------
    roots : shape (n_trees,).
    asked : shape (n_nodes,). Place in a row of the numbers twice, the second time with what is missing at infinity.
    threshold : shape (n_nodes,).
    onward : shape (2 n_nodes,). Of each node where at most the threshold leads, and more than it; of a leaf, itself.
    row : shape (n_nodes,). Of a leaf, its shares.
    depth : steps from a root to the deepest leaf.
    """

    roots: npt.NDArray[np.intp]
    asked: npt.NDArray[np.intp]
    threshold: F32
    onward: npt.NDArray[np.intp]
    row: npt.NDArray[np.intp]
    depth: int

    @classmethod
    def of(cls, model: CauseModel) -> _Walk:
        leaf, own = model.feature < 0, np.arange(model.feature.size)
        place = np.where(leaf, 0, model.feature + len(model.features) * ~model.missing_left)
        onward = np.stack((np.where(leaf, own, model.left), np.where(leaf, own, model.right)), axis=1)
        level, depth = model.roots[~leaf[model.roots]], 0
        while level.size:
            below = onward[level].ravel()
            level, depth = below[~leaf[below]], depth + 1
        row = np.where(leaf, model.left, 0).astype(np.intp)
        return cls(model.roots.astype(np.intp), place.astype(np.intp), model.threshold, onward.ravel(), row, depth)


def tempered(shares: F64, temperature: float) -> F64:
    """Shares that a temperature makes flatter (above 1) or steeper, adding up to 1 over the last axis.

    Source: Guo, Pleiss, Sun and Weinberger, On Calibration of Modern Neural Networks, 2017 (from memory).
    """
    powers = np.maximum(shares, _LEAST_SHARE) ** (1 / temperature)
    again: F64 = powers / powers.sum(axis=-1, keepdims=True)
    return again
