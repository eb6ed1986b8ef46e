"""Zero crossings of the fundamental, found anew on the waveform so exactly that windows between them leak nothing."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_FARTHEST: Final = 0.02  # of a cycle that a crossing may move: beyond, the phase jumps there, and it stays
_LEAST_SHARE: Final = 0.5  # of the RMS around a crossing that the fundamental must have
_FEWEST_CYCLES: Final = 4  # of a window that fundamental and harmonics are told apart in


def refined_crossings(samples: npt.NDArray[np.generic], places: F64, *, period: float, n_cycles: int) -> F64:
    """Zero crossings, each from the phase of the fundamental in a window around it.

    Parameters
    ----------
    samples : shape (n_samples,). One channel, finite. [any unit]
    places : shape (n,), rising or not. Roughly where it crosses zero, either way. [samples]
    period : of the fundamental, on average. [samples]
    n_cycles : of the window. One for which the samples do not suffice is as much shorter as it must be, on both sides.

    Returns
    -------
    float64, shape (n,). [samples]  A place stays where it was if under four cycles of samples lie around it, if the
    fundamental is weak there, or if it would move by more than a fiftieth of a cycle.

    Source: derived: a Hann window that is centred on the crossing gives its phase, whatever the frequency does evenly
    around it; harmonics lie on its zeros but for the sidelobes' cubes.
    """
    centres = np.rint(places).astype(np.int64)
    room = np.minimum(centres, samples.size - 1 - centres)
    full = int(n_cycles * period / 2)
    found = places.copy()
    inner = room >= full
    if inner.any():
        found[inner] = _moved(samples, places[inner], centres[inner], full, period)
    for i in np.flatnonzero(~inner & (room >= _FEWEST_CYCLES * period / 2)).tolist():
        whole = int(room[i] / (period / 2)) * period / 2  # half cycles to each side
        found[i : i + 1] = _moved(samples, places[i : i + 1], centres[i : i + 1], int(whole), period)
    return found


def _moved(
    samples: npt.NDArray[np.generic], places: F64, centres: npt.NDArray[np.int64], half: int, period: float
) -> F64:
    k = np.arange(-half, half + 1)
    hann = 0.5 + 0.5 * np.cos(np.pi * k / (half + 0.5))
    around = np.lib.stride_tricks.sliding_window_view(samples, 2 * half + 1)[centres - half].astype(np.float32)
    kernel = hann * np.exp(-2j * np.pi * k / period)
    basis = np.stack([kernel.real, kernel.imag], axis=1).astype(np.float32)
    seen = around @ basis
    phase = np.arctan2(seen[:, 1], seen[:, 0]).astype(np.float64) + np.pi / 2
    crossing = centres - period * phase / (2 * np.pi)
    crossing += period / 2 * np.rint((places - crossing) / (period / 2))
    fundamental = np.hypot(seen[:, 0], seen[:, 1]) * (np.sqrt(2) / hann.sum())
    rms = np.sqrt(np.einsum("nk,nk->n", around, around) / around.shape[1])
    usable: Mask = (np.abs(crossing - places) <= _FARTHEST * period) & (fundamental >= _LEAST_SHARE * rms)
    return np.where(usable, crossing, places)
