"""A first, coarse look: where in a record a voltage may have reached a threshold, and where it cannot have.

RMS over windows of about one nominal cycle on a fixed grid, half a window apart, costs a tenth of Urms(1/2). Of
whatever a one-cycle window at any position holds, three quarters at least lie within one of these. So while they stay
well within the thresholds no Urms(1/2) can have crossed one, and only the rest of the record needs the full measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw

F32 = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_CACHE_BLOCK = 1 << 16
_RIPPLE_PU: Final = 0.015  # of a window that is not quite a cycle, to 2 % off nominal; farther off it shows as unrest
_SHARED: Final = 0.75  # of a cycle that lies within one window of the grid, whatever its position


@dataclass(frozen=True, slots=True)
class CalmBand:
    """Coarse RMS within which no one-cycle RMS can have crossed a threshold. [pu]"""

    low_pu: float
    high_pu: float

    @classmethod
    def of(cls, *, sag_pu: float, swell_pu: float, hysteresis_pu: float) -> CalmBand:
        """The band for some thresholds; empty (low above high) where they leave none.

        A voltage within the band that falls to the sag threshold for just one cycle leaves at least three quarters of
        that change of its mean square in a window of the grid; likewise a rise. An event is over before the band
        begins. Source: derived.
        """
        return cls(*_edges(sag_pu, swell_pu, hysteresis_pu))


@lru_cache(maxsize=64)  # a record after another is judged by the same profile
def _edges(sag_pu: float, swell_pu: float, hysteresis_pu: float) -> tuple[float, float]:
    low, high = sag_pu, swell_pu
    for _ in range(4):  # each edge depends a little on the other
        low = np.sqrt((1 - _SHARED) * high**2 + _SHARED * sag_pu**2) + _RIPPLE_PU
        high = np.sqrt((1 - _SHARED) * low**2 + _SHARED * swell_pu**2) - _RIPPLE_PU
    low = max(low, sag_pu + hysteresis_pu + _RIPPLE_PU)
    high = min(high, swell_pu - hysteresis_pu - _RIPPLE_PU)
    return float(low), float(high)


def half_window(rate_hz: float, nominal_hz: float) -> int:
    """Samples in half a window of the grid. Source: derived, see `CalmBand`."""
    return max(1, round(rate_hz / nominal_hz / 2))


def squares_of_halves(raw: Raw, channels: Sequence[Channel], *, half: int) -> F32:
    """Sums of the squares of each `half` samples.

    Parameters
    ----------
    raw : shape (n_channels, n). Raw samples; missing ones make a value meaningless, so look for them first.
    channels : of the samples.
    half : samples in half a window.

    Returns
    -------
    float32, shape (n_channels, n // half). [unit² of the channel]

    Source: definition of the mean square.
    """
    n_halves = raw.shape[1] // half
    squares = np.empty((raw.shape[0], n_halves), np.float32)
    step = max(_CACHE_BLOCK // half, 1) * half
    work = np.empty(step, np.float32)
    for c, channel in enumerate(channels):
        offset = channel.offset / channel.scale if channel.scale else 0.0
        for a in range(0, n_halves * half, step):
            part = work[: min(step, n_halves * half - a)]
            np.copyto(part, raw[c, a : a + part.size], casting="unsafe")
            if offset:
                part += np.float32(offset)
            rows = part.reshape(-1, half)
            np.vecdot(rows, rows, out=squares[c, a // half : a // half + rows.shape[0]])
    squares *= np.array([[channel.scale**2] for channel in channels], np.float32)
    return squares


def coarse_rms(squares: F32, *, half: int) -> F32:
    """RMS over windows of two halves, half a window apart; shape (n_channels, n_halves - 1). [unit of the channel]

    Source: definition of the RMS value.
    """
    rms: F32 = np.sqrt((squares[:, 1:] + squares[:, :-1]) * np.float32(0.5 / half))
    return rms


def unrest(rms: F32, *, band: CalmBand, reference: float) -> Mask:
    """Windows in which some channel is outside the band; shape (n_windows,).

    Parameters
    ----------
    rms : float32, shape (n_channels, n_windows). Of `coarse_rms`. [V]
    band : see `CalmBand`.
    reference : what 1 pu stands for. [V]

    Source: derived, see `CalmBand`.
    """
    low, high = np.float32(band.low_pu * reference), np.float32(band.high_pu * reference)
    outside: Mask = np.logical_or.reduce((rms < low) | (rms > high), axis=0)
    return outside


def spans_of_unrest(outside: Mask, *, half: int, margin: int) -> list[tuple[int, int]]:
    """Sample spans [first, stop) that hold all windows of unrest with a margin to each side, joined where they meet.

    Parameters
    ----------
    outside : shape (n_windows,). Of `unrest`.
    half : samples in half a window.
    margin : samples added before and after.
    """
    found = np.flatnonzero(outside)
    if not found.size:
        return []
    breaks = np.flatnonzero(np.diff(found) * half > 2 * margin + 2 * half)
    firsts = found[np.concatenate(([0], breaks + 1))] * half - margin
    stops = (found[np.concatenate((breaks, [found.size - 1]))] + 2) * half + margin
    return [(max(int(first), 0), int(stop)) for first, stop in zip(firsts, stops, strict=True)]
