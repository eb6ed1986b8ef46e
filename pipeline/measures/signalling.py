"""Mains signalling voltage at a frequency that is known, from the lines of a transform around it."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

_AROUND: Final = (-1, 0, 1, 2)  # lines, from the one at or below the frequency
_LEAST_SEEN: Final = 0.3  # of the tone's power that these lines must hold


def signal_rms(power: F32, places: npt.ArrayLike, *, n_cycles: int) -> F64:
    """RMS of a steady tone between the lines of transforms.

    Parameters
    ----------
    power : shape (n_channels, n_windows, n_lines). Of the lines, each the square of an RMS. [unit²]
    places : shape (n_windows,). Of the tone among the lines: its frequency times the window's length. [lines]
    n_cycles : of the fundamental in a window; lines at its harmonics do not count.

    Returns
    -------
    float64, shape (n_channels, n_windows). [unit]  NaN where the tone lies on a harmonic, or outside the lines.

    Source: IEC 61000-4-30 Ed. 3, 5.10 (from memory): the line nearest to the carrier, or the four nearest together.
    Departs: what a tone between the lines leaves outside these four is made up for, as its place is known; with the
    four alone it would read up to 5 % low (calculated).
    """
    at = np.asarray(places, np.float64)
    lines = np.floor(at).astype(np.int64)[:, None] + _AROUND
    inside = (lines >= 1) & (lines < power.shape[2]) & (lines % n_cycles != 0)
    share = np.where(inside, np.sinc(at[:, None] - lines) ** 2, 0.0)
    held = np.take_along_axis(power, lines.clip(0, power.shape[2] - 1)[None], axis=2) * inside
    seen = share.sum(axis=1)
    rms: F64 = np.sqrt(held.sum(axis=2) / np.where(seen > _LEAST_SEEN, seen, np.nan))
    return rms
