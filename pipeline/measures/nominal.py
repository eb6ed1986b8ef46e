"""Nominal frequency worked out from the data, or a clear word why the data does not say."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.terms import USUAL_FREQUENCIES_HZ

F64 = npt.NDArray[np.float64]

_LOOK_SAMPLES = 1 << 17
_LOOK_RATE_HZ = 1600.0
_BAND_HZ: Final = (40.0, 70.0)
_BAND_SHARE = 0.3  # of the power off zero frequency that the band must hold
_UNDECIDED_HZ = 0.5  # around the middle between two usual frequencies


def find_nominal_frequency(samples: npt.ArrayLike, *, rate_hz: float) -> float:
    """The usual system frequency nearest to the fundamental of some voltages.

    Parameters
    ----------
    samples : shape (n_channels, n_samples). Voltages in any unit; only the first 131,072 samples are looked at.
    rate_hz : float > 0. Sampling rate. [Hz]

    Returns
    -------
    One of `terms.USUAL_FREQUENCIES_HZ`. [Hz]

    Raises
    ------
    SignalError : under two cycles, no fundamental between 40 and 70 Hz, or one just between two usual frequencies.

    Source: common practice, no source.
    """
    values = np.atleast_2d(np.asarray(samples))[:, :_LOOK_SAMPLES]
    every = max(1, int(rate_hz // _LOOK_RATE_HZ))
    n = values.shape[1] // every
    if n * every < 2 * rate_hz / USUAL_FREQUENCIES_HZ[0]:
        raise SignalError(
            f"{values.shape[1]} samples at {rate_hz:g} Hz are less than two cycles; no frequency can be found"
        )
    x = values[:, : n * every].astype(np.float32)
    if every > 1:
        x = x.reshape(values.shape[0], n, every) @ np.full(every, 1 / every, np.float32)
    x[~np.isfinite(x)] = 0
    x = (x - x.mean(axis=1, keepdims=True)) * _window(n)
    size = 1 << max(int(np.ceil(np.log2(n))), 12)
    spectra = np.fft.rfft(x, size, axis=1)
    power = (np.square(spectra.real) + np.square(spectra.imag)).sum(axis=0)
    step_hz = rate_hz / every / size
    first, stop = math.ceil(_BAND_HZ[0] / step_hz), math.floor(_BAND_HZ[1] / step_hz) + 1
    band = power[first:stop]
    if not band.sum() > _BAND_SHARE * power.sum():
        raise SignalError("no fundamental between 40 and 70 Hz in the voltages; give the nominal frequency")
    found_hz = (first + int(band.argmax())) * step_hz
    near, far = sorted(USUAL_FREQUENCIES_HZ, key=lambda usual: abs(usual - found_hz))[:2]
    if abs(abs(far - found_hz) - abs(near - found_hz)) < 2 * _UNDECIDED_HZ:
        raise SignalError(
            f"the fundamental is {found_hz:.1f} Hz, between {near:g} and {far:g}; give the nominal frequency"
        )
    return near


@lru_cache(maxsize=16)
def _window(n: int) -> npt.NDArray[np.float32]:
    return np.hanning(n).astype(np.float32)
