"""Which voltages of a point are waveforms at all: not magnitudes, angles, direct voltages or an open input's noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, SampleArray

F64 = npt.NDArray[np.float64]

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
    lines = _lines(n, samples_per_cycle)
    last = block.shape[1] - n
    for first in dict.fromkeys(last * k // (_WINDOWS - 1) for k in range(_WINDOWS)):
        open_yet = np.flatnonzero(~found)
        raw = block[open_yet, first : first + n]
        values = _values(raw, [channels[c] for c in open_yet.tolist()])
        values *= lines.window
        powers = np.square(values @ lines.turns)
        n_ends = lines.n_ends
        total = (n * np.vecdot(values, values) + np.add.reduce(powers[:, :n_ends], axis=1)) / 2
        found[open_yet] = (total > 0) & (np.add.reduce(powers[:, n_ends:], axis=1) >= _LEAST_SHARE * total)
        if found.all():
            break
    return found


def _values(raw: SampleArray, channels: Sequence[Channel]) -> F64:
    """Samples of some channels in their units, zero where there is no measurement; shape (n_channels, n)."""
    values: F64 = np.multiply(raw, np.array([[channel.scale] for channel in channels]), dtype=np.float64)
    values += np.array([[channel.offset] for channel in channels])
    for row, counts, channel in zip(values, raw, channels, strict=True):
        if channel.missing_code is not None:
            row[counts == channel.missing_code] = 0.0
    finite = np.isfinite(values)
    if not finite.all():
        values[~finite] = 0.0
    return values


@dataclass(frozen=True, slots=True)
class _Lines:
    """What takes windows of n samples to the few lines of their spectrum that are asked for.

    The power of all lines follows from that of the samples: both halves of a spectrum have it n times (Parseval), and
    its ends, at zero and half the sampling rate, stand in both.

    Attributes
    ----------
    window : shape (n,), goes before.
    turns : shape (n, n_ends + 2 n_lines). The lines at zero and, of an even n, at half the sampling rate; and, after
        them, real and imaginary parts of the lines in the band.
    n_ends : 1 or 2.
    """

    window: F64
    turns: F64
    n_ends: int


@lru_cache(maxsize=16)
def _lines(n: int, samples_per_cycle: float) -> _Lines:
    hertz = np.fft.rfftfreq(n, 1 / samples_per_cycle)  # in nominal frequencies
    inside = np.flatnonzero((hertz >= _BAND[0]) & (hertz <= _BAND[1]))
    turns = np.exp(-2j * np.pi / n * (np.outer(np.arange(n), inside) % n))
    signs = np.stack([np.ones(n), 1.0 - 2.0 * (np.arange(n) % 2)], axis=1)
    ends = signs if n % 2 == 0 else signs[:, :1]
    return _Lines(
        np.hanning(n).astype(np.float64), np.concatenate([ends, turns.real, turns.imag], axis=1), ends.shape[1]
    )
