"""Captures that recorded the same: what changes in them correlates; one must not teach while the other examines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.nominal import find_nominal_frequency

LEAST_CORRELATION: Final = 0.98
"""Of near-duplicates, after alignment: common practice, no source."""
_PER_CYCLE: Final = 32  # points that a signature has of a cycle
_CYCLES: Final = 12  # two before the first strong change, ten after
_BEFORE: Final = 2
_LEAST_CHANGE: Final = 0.02  # of the voltages' RMS; what changes less is noise
_SHIFTS: Final = 2  # points to each side by which two may be misaligned
_CHUNK: Final = 1024  # signatures at once
F32 = npt.NDArray[np.float32]


def signature_of(capture: Capture) -> F32 | None:
    """What changes in a capture's voltages from its first strong change on: each sample less that of the cycle before.

    Returns
    -------
    shape (3 * n,), of length one as a vector; voltages beyond three are left out, missing ones zero. None where
    nothing changes, or no frequency is told.
    """
    rows = [i for i, channel in enumerate(capture.header.channels) if channel.quantity == "voltage"][:3]
    if not rows:
        return None
    u = np.nan_to_num(np.stack([capture.physical(i) for i in rows]))
    rate_hz = capture.header.rate_hz
    try:
        hertz = capture.header.nominal_frequency_hz or find_nominal_frequency(u, rate_hz=rate_hz)
    except SignalError:
        return None
    n = round((u.shape[1] - 1) * hertz * _PER_CYCLE / rate_hz)  # points of a cycle, whatever the rate
    if n < (_CYCLES + 1) * _PER_CYCLE:
        return None
    at = np.arange(n) * rate_hz / (hertz * _PER_CYCLE)
    points = np.stack([np.interp(at, np.arange(u.shape[1]), row) for row in u])
    change = points[:, _PER_CYCLE:] - points[:, :-_PER_CYCLE]
    by_cycle = np.convolve((change**2).sum(axis=0), np.ones(_PER_CYCLE), "valid")
    strongest = float(by_cycle.max())
    if strongest < _PER_CYCLE * len(rows) * (_LEAST_CHANGE * np.sqrt(np.mean(points**2))) ** 2:
        return None
    first_strong = int(np.argmax(by_cycle >= strongest / 2))  # a sag's end may change as much as its start
    first = min(max(first_strong - _BEFORE * _PER_CYCLE, 0), change.shape[1] - _CYCLES * _PER_CYCLE)
    window = np.zeros((3, _CYCLES * _PER_CYCLE), np.float32)
    window[: len(rows)] = change[:, first : first + window.shape[1]]
    size = float(np.linalg.norm(window))
    return (window / size).ravel() if size > 0 else None


def near_duplicates(signatures: Sequence[F32]) -> Iterator[tuple[int, int, float]]:
    """Pairs (i, j > i) of signatures that correlate by `LEAST_CORRELATION` and more, with the correlation."""
    if not signatures:
        return
    whole = np.stack(signatures)
    n_points = whole.shape[1] // 3
    for begin in range(0, len(whole), _CHUNK):
        some = whole[begin : begin + _CHUNK].reshape(-1, 3, n_points)
        best = np.zeros((len(some), len(whole)), np.float32)
        for shift in range(-_SHIFTS, _SHIFTS + 1):
            best = np.maximum(best, np.roll(some, shift, axis=2).reshape(len(some), -1) @ whole.T)
        for i, j in np.argwhere(best >= LEAST_CORRELATION).tolist():
            if j > begin + i:
                yield begin + i, j, float(best[i, j])
