"""Measuring points that are one: the voltages of a busbar, recorded again under the name of each of its feeders."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import SignalError

_SAME: Final = 1e-6  # of the peak: rounding of scaled samples
_TELLING_VALUES: Final = 8  # values that a row must take before it can be the same as another


def identical_voltages(samples: npt.ArrayLike, sets: Sequence[Sequence[int]]) -> tuple[tuple[int, ...], ...]:
    """Sets of voltages that are one and the same measurement, such as a busbar's under the name of each feeder.

    Parameters
    ----------
    samples : shape (n_channels, n). Raw or scaled, of a look of a cycle or more; NaN is equal to NaN.
    sets : rows of each set, its phases in one and the same order.

    Returns
    -------
    Places of the sets in groups, each group in order, the groups in order of their first set. A set without content
    (zero, or under eight different values in a row) is the same as no other: two unused inputs are not one point.

    Raises
    ------
    SignalError : samples are not of shape (n_channels, n), or a set names a row that is not there.
    """
    values = np.asarray(samples)
    if values.ndim != 2:
        raise SignalError(f"samples have shape {values.shape}; allowed is (n_channels, n)")
    if bad := [i for rows in sets for i in rows if not 0 <= i < values.shape[0]]:
        raise SignalError(f"a set names row {bad[0]}; allowed are 0 to {values.shape[0] - 1}")
    telling = [bool(rows) and all(np.unique(values[i]).size >= _TELLING_VALUES for i in rows) for rows in sets]
    groups: list[list[int]] = []
    for n, rows in enumerate(sets):
        for group in groups:
            if telling[n] and telling[group[0]] and _sets_are_same(values, sets[group[0]], rows):
                group.append(n)
                break
        else:
            groups.append([n])
    return tuple(tuple(group) for group in groups)


def _sets_are_same(values: npt.NDArray[np.generic], one: Sequence[int], other: Sequence[int]) -> bool:
    pairs = zip(one, other, strict=False)
    return len(one) == len(other) and all(_are_same(values[a], values[b]) for a, b in pairs)


def _are_same(one: npt.NDArray[np.generic], other: npt.NDArray[np.generic]) -> bool:
    if one.dtype.kind in "iu" and other.dtype.kind in "iu":
        return bool(np.array_equal(one, other))
    a, b = one.astype(np.float64), other.astype(np.float64)
    finite = np.isfinite(a)
    if not np.array_equal(finite, np.isfinite(b)) or not finite.any():
        return False
    return bool(np.abs(a[finite] - b[finite]).max() <= _SAME * np.abs(a[finite]).max())
