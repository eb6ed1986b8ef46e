"""Voltage and current above the harmonics: bands of 200 Hz from 2 kHz to 9 kHz, of 2 kHz from there to 150 kHz."""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.quantities import BANDS_HZ

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

_HIGHEST: Final = 0.46  # of the sampling rate, up to which a band must lie
_WINDOW_S: Final = 0.14  # fits in ten cycles of 70 Hz
_ENERGY_OF_HANN: Final = 0.375  # mean of its square
_BATCH: Final = 1 << 17  # samples transformed at one go


def bands_reached(rate_hz: float) -> int:
    """How many of the bands, from the first on, a sampling rate reaches. rate_hz: [Hz]

    Source: derived, the sampling theorem.
    """
    return sum(high_hz <= _HIGHEST * rate_hz for _, high_hz in BANDS_HZ)


def band_rms(samples: npt.NDArray[np.generic], *, rate_hz: float, starts: npt.ArrayLike, lengths: npt.ArrayLike) -> F32:
    """RMS in each band that the sampling rate reaches.

    Parameters
    ----------
    samples : shape (n_channels, n_samples). Voltages and currents, finite. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    starts, lengths : shape (n_windows,). Windows of 10/12 cycles within the samples. [samples]

    Returns
    -------
    float32, shape (n_channels, n_windows, n_bands). [unit of the samples]

    Raises
    ------
    SignalError : windows that are too short or do not lie within the samples.

    Source: IEC 61000-4-7:2002, annex B; IEC 61000-4-30 Ed. 3, annex C (from memory).  Departs: a Hann window of 140 ms
    in the middle of the 10/12 cycles takes the place of a rectangular one of all of them. Nothing then leaks from the
    fundamental whatever its frequency, and a tone nearer than 14 Hz to the edge of a band counts in part for the next.
    """
    from scipy.fft import next_fast_len, rfft

    begin, length = (np.atleast_1d(np.asarray(places, np.float64)) for places in (starts, lengths))
    size = next_fast_len(int(_WINDOW_S * rate_hz), real=True)
    first = np.floor(begin + (length - size) / 2).astype(np.int64)
    if length.size and (length.min() < size or first.min() < 0 or first.max() + size > samples.shape[1]):
        raise SignalError(f"windows must hold {size} samples and lie within {samples.shape[1]}")
    n_bands = bands_reached(rate_hz)
    found = np.empty((samples.shape[0], first.size, n_bands), np.float32)
    if not n_bands:
        return found
    hann, edges = _taper(size), np.array([*(low for low, _ in BANDS_HZ[:n_bands]), BANDS_HZ[n_bands - 1][1]])
    lines = np.floor(edges * size / rate_hz + 0.5).astype(np.int64)
    step = max(_BATCH // (size * samples.shape[0]), 1)
    scale = np.float32(2 / (_ENERGY_OF_HANN * size * size))
    tapered = np.empty((samples.shape[0], step, size), np.float32)
    for low in range(0, first.size, step):
        places = first[low : low + step].tolist()
        for k, at in enumerate(places):
            np.multiply(samples[:, at : at + size], hann, out=tapered[:, k], casting="unsafe")
        seen = rfft(tapered[:, : len(places)], axis=2)[:, :, lines[0] : lines[-1]]
        squares = np.square(seen.view(np.float32))  # of real and imaginary parts, in turn
        power = np.add.reduceat(squares, 2 * (lines[:-1] - lines[0]), axis=2)
        found[:, low : low + step] = np.sqrt(power * scale)
    return found


@cache
def _taper(size: int) -> F32:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)).astype(np.float32)
