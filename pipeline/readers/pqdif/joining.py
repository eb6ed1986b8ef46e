"""Channels of one observation that were sampled at different rates, as channels of one capture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.readers.interpolation import MARGIN, interpolated
from halfcycle.pipeline.readers.pqdif.physical import StoredVector
from halfcycle.pipeline.readers.pqdif.timing import WaveformTiming
from halfcycle.pipeline.terms import Quantity

MAX_FACTOR: Final = 8  # between rates: a capture of transients at many times the rate stays one of its own
_RATE: Final = 1e-6  # by which rates may be off a whole ratio
_BLOCK: Final = 1 << 16

Measured = frozenset[tuple[Quantity, str]]


def joined_timings(groups: Mapping[WaveformTiming, Measured]) -> dict[WaveformTiming, tuple[WaveformTiming, int]]:
    """Which channels can be brought to the time axis of faster ones.

    Parameters
    ----------
    groups : the time axes of an observation, with quantity and phase of the channels on each.

    Returns
    -------
    For a slow time axis the fast one and how many times as fast it is: where both begin together and last as long, to
    a slow step, their rates are in a whole ratio, and no quantity of a phase is on both.
    """
    found: dict[WaveformTiming, tuple[WaveformTiming, int]] = {}
    by_rate = sorted(groups, key=lambda timing: -timing.stretches[0].rate_hz if timing.stretches else 0.0)
    for i, slow in enumerate(by_rate):
        for fast in by_rate[:i]:
            factor = None if fast in found else _factor(fast, slow)
            taken = groups[fast].union(*(groups[one] for one, (other, _) in found.items() if other == fast))
            if factor is not None and not groups[slow] & taken:
                found[slow] = (fast, factor)
                break
    return found


def _factor(fast: WaveformTiming, slow: WaveformTiming) -> int | None:
    if len(fast.stretches) != 1 or len(slow.stretches) != 1:
        return None
    (one,), (other,) = fast.stretches, slow.stretches
    factor = round(one.rate_hz / other.rate_hz)
    whole = abs(one.rate_hz / other.rate_hz / factor - 1) <= _RATE if factor else False
    together = abs(one.start_ns - other.start_ns) <= 0.5e9 / one.rate_hz
    as_long = abs(one.n_samples - factor * other.n_samples) < factor
    return factor if 1 < factor <= MAX_FACTOR and whole and together and as_long else None


def fill_between(row: npt.NDArray[np.float32], stored: StoredVector, factor: int, first: int) -> int:
    """Fill a row with values between the samples of a slow channel.

    Parameters
    ----------
    row : float32, shape (n_samples,), contiguous.
    stored : the slow samples.
    factor : fast rate over slow rate.
    first : of the values, at the fast rate.

    Returns
    -------
    int. How many values are missing now, as samples are infinite or beyond float32.
    """

    def samples(start: int, stop: int) -> npt.NDArray[np.float64]:
        values: npt.NDArray[np.float64] = stored.array(start, stop - start).astype(np.float64)
        values[np.abs(values) > np.finfo(np.float32).max] = np.nan
        endless.append(int(np.isnan(values).sum()))
        return values

    n_missing = 0
    for at in range(0, len(row), _BLOCK):
        endless: list[int] = []
        part = row[at : at + _BLOCK]
        part[:] = interpolated(samples, n_samples=stored.count, factor=factor, first=first + at, count=len(part))
        n_missing += int(np.isnan(part).sum()) if any(endless) else 0
    return n_missing


def note_on(names: str, *, slow_hz: float, fast_hz: float) -> str:
    """What is to be said of channels that were brought to a faster rate."""
    return (
        f"{names}: sampled at {slow_hz:g} Hz, interpolated to the {fast_hz:g} Hz of the other channels; less "
        f"accurate in the first and last {MARGIN} of their samples"
    )  # fmt: skip
