"""Which voltages of a point are waveforms at all: not magnitudes, angles, direct voltages or an open input's noise."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, SampleArray

_WINDOW_CYCLES: Final = 4
_WINDOWS: Final = 8  # of a block, evenly spread: one that is a waveform will do, whatever happens to the others
_BAND: Final = (0.5, 1.5)  # of the nominal frequency
_LEAST_SHARE: Final = 0.5  # of the power, that to zero frequency counted, which a waveform has in the band


def are_waves(block: SampleArray, channels: Sequence[Channel], *, samples_per_cycle: float) -> npt.NDArray[np.bool_]:
    """Whether each channel has, in some window of a block, most of its power near the nominal frequency.

    Parameters
    ----------
    block : shape (n_channels, n_samples). Raw samples.
    channels : of the rows.
    samples_per_cycle : of the nominal frequency.

    Returns
    -------
    bool, shape (n_channels,). True for all where the block is shorter than a window: that tells nothing.

    Source: common practice, no source. White noise has under a third of its power in the band from eight samples a
    cycle on; a fundamental with a total harmonic distortion of 100 % has half.
    """
    n = round(_WINDOW_CYCLES * samples_per_cycle)
    found = np.full(len(channels), block.shape[1] < n)
    if block.shape[1] < n:
        return found
    inside, window = _band_and_window(n, samples_per_cycle)
    last = block.shape[1] - n
    for first in dict.fromkeys(last * k // (_WINDOWS - 1) for k in range(_WINDOWS)):
        open_yet = np.flatnonzero(~found)
        raw = block[open_yet, first : first + n]
        values = np.empty(raw.shape)
        for row, counts, c in zip(values, raw, open_yet.tolist(), strict=True):
            row[:] = counts.astype(np.float64) * channels[c].scale + channels[c].offset
            if channels[c].missing_code is not None:
                row[counts == channels[c].missing_code] = np.nan
        values[~np.isfinite(values)] = 0.0
        power = np.abs(np.fft.rfft(values * window, axis=1)) ** 2
        total = power.sum(axis=1)
        found[open_yet] = (total > 0) & (power[:, inside].sum(axis=1) >= _LEAST_SHARE * total)
        if found.all():
            break
    return found


@lru_cache(maxsize=16)
def _band_and_window(n: int, samples_per_cycle: float) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float64]]:
    """Which bins of a spectrum of n samples lie in the band, and the window that goes before it."""
    hertz = np.fft.rfftfreq(n, 1 / samples_per_cycle)  # in nominal frequencies
    window = np.hanning(n).astype(np.float64)
    return (hertz >= _BAND[0]) & (hertz <= _BAND[1]), window
