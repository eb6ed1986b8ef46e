"""The S-transform of windows and what much of the literature on disturbances takes from it: a rival's features."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

ORDERS: Final = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 16.0, 20.0, 26.0)
_CYCLES: Final = 10
_BATCH: Final = 256  # windows at once


def s_transform(x: F64, lines: npt.NDArray[np.int64]) -> C128:
    """The S-transform of windows at some lines of their spectra.

    Parameters
    ----------
    x : shape (n_windows, n).
    lines : of the discrete Fourier transform, above 0.

    Returns
    -------
    complex, shape (n_windows, n_lines, n). A steady sine of amplitude 1 has the size 0.5 on its line.

    Source: R. G. Stockwell et al., "Localization of the complex spectrum: the S transform", IEEE Transactions on Signal
    Processing 44 (1996), in its form by the discrete Fourier transform (from memory).
    """
    n = x.shape[1]
    spectrum = np.fft.fft(x, axis=1)
    m = np.fft.fftfreq(n, 1 / n)
    gauss = np.exp(-2 * np.pi**2 * m**2 / lines[:, None].astype(np.float64) ** 2)
    turned = spectrum[:, (np.arange(n) + lines[:, None]) % n]
    return np.asarray(np.fft.ifft(turned * gauss, axis=2), np.complex128)


def s_features(x: F64) -> F32:
    """Contours of the S-transform in time and in frequency, in numbers.

    Parameters
    ----------
    x : shape (n_windows, n), of ten cycles each.

    Returns
    -------
    float32, shape (n_windows, n_features): of each order's size over time the mean, spread, least, largest, skewness
    and the share of time above the middle between both ends, and the largest over the fundamental's; of the
    fundamental's size its means over cycles and their steps, in order of size.
    """
    parts = [_of_batch(x[first : first + _BATCH]) for first in range(0, len(x), _BATCH)]
    return np.concatenate(parts).astype(np.float32)


def _of_batch(x: F64) -> F64:
    lines = np.unique(np.round(_CYCLES * np.array(ORDERS)).astype(np.int64))
    sizes = np.abs(s_transform(x, lines[lines < x.shape[1] // 2]))
    low, high, mean, spread = sizes.min(axis=2), sizes.max(axis=2), sizes.mean(axis=2), sizes.std(axis=2)
    third = ((sizes - mean[:, :, None]) ** 3).mean(axis=2) / np.maximum(spread, 1e-9) ** 3
    above = (sizes > 0.5 * (low + high)[:, :, None]).mean(axis=2)
    fundamental = sizes[:, int(np.flatnonzero(lines == _CYCLES)[0])]
    share = high / np.maximum(fundamental.max(axis=1), 1e-9)[:, None]
    by_cycle = fundamental.reshape(len(x), _CYCLES, -1).mean(axis=2)
    steps = np.sort(np.diff(by_cycle, axis=1), axis=1)
    return np.concatenate((mean, spread, low, high, third, above, share, steps, np.sort(by_cycle, axis=1)), axis=1)
