"""Measuring points that are one: the voltages of a busbar, recorded again under the name of each of its feeders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.records.points import Point, judged_channels
from halfcycle.pipeline.records.record import Record

_SAME: Final = 1e-6  # of the peak: rounding of scaled samples
_AT_ONCE: Final = 1 << 20  # samples of each channel that are compared in their units
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
    groups: list[list[int]] = []
    for n, rows in enumerate(sets):
        for group in groups:
            if _sets_are_same(values, sets[group[0]], rows) and _is_telling(values, rows):
                group.append(n)
                break
        else:
            groups.append([n])
    return tuple(tuple(group) for group in groups)


def have_same_voltages(record: Record, one: Point, other: Point) -> bool:
    """Whether two points of a record have the same voltages from its first sample to its last.

    Raises
    ------
    ReadError : a capture cannot be read.
    """
    if one.phases != other.phases:
        return False
    pairs = zip(judged_channels(record.header, one), judged_channels(record.header, other), strict=True)
    if all(replace(theirs, name=ours.name, point=ours.point) == ours for ours, theirs in pairs):
        blocks = zip(record.blocks(one), record.blocks(other), strict=True)
        return all(np.array_equal(a, b, equal_nan=a.dtype.kind == "f") for a, b in blocks)
    spans = [(first, first + _AT_ONCE) for first in range(0, record.n_samples, _AT_ONCE)]
    return all(
        _are_same(ours, theirs)
        for span in spans
        for ours, theirs in zip(record.physical(one, *span), record.physical(other, *span), strict=True)
    )


def _is_telling(values: npt.NDArray[np.generic], rows: Sequence[int]) -> bool:
    return bool(rows) and all(np.unique(values[i]).size >= _TELLING_VALUES for i in rows)


def _sets_are_same(values: npt.NDArray[np.generic], one: Sequence[int], other: Sequence[int]) -> bool:
    pairs = zip(one, other, strict=False)
    return len(one) == len(other) and all(_are_same(values[a], values[b]) for a, b in pairs)


def _are_same(one: npt.NDArray[np.generic], other: npt.NDArray[np.generic]) -> bool:
    if one.dtype.kind in "iu" and other.dtype.kind in "iu":
        return bool(np.array_equal(one, other))
    a, b = one.astype(np.float64), other.astype(np.float64)
    finite = np.isfinite(a)
    if not np.array_equal(finite, np.isfinite(b)):
        return False
    return not finite.any() or bool(np.abs(a[finite] - b[finite]).max() <= _SAME * np.abs(a[finite]).max())
