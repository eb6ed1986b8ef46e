"""Mean fundamental phasors of several channels against one reference, from windows of whole cycles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]
Mask = npt.NDArray[np.bool_]

_CYCLES: Final = 10  # in a window
_LOW: Final = 0.5  # of the reference's median: windows in which it is lower lie in a loss of voltage
_CALM: Final = 0.1  # by which a voltage may be off its median in a window that counts
_LASTING: Final = 0.2  # by which a current may differ from that of a neighbouring window to count as a load's
_LOADED: Final = 0.1  # of the highest lasting current: windows in which all are lower are without load


@dataclass(frozen=True, slots=True)
class MeanPhasors:
    """Phasors of the fundamental, RMS, the reference channel at zero degrees.

    Attributes
    ----------
    values : complex128, shape (n_channels,). Zero where a channel has no measured window. [unit of the channel]
    steadiness : float64, shape (n_channels,). Length of the mean phasor over the mean length: 1 where the channel keeps
        its angle, near 0 where it holds but noise.
    n_windows : that were used.
    window_s : length of each. [s]
    """

    values: C128
    steadiness: F64
    n_windows: int
    window_s: float


def mean_phasors(
    samples: npt.ArrayLike,
    *,
    rate_hz: float,
    frequency_hz: float,
    reference: int = 0,
    voltages: Sequence[int] = (),
    currents: Sequence[int] = (),
) -> MeanPhasors:
    """Median of the phasors of windows of ten cycles, all turned so that the reference lies at zero degrees.

    Windows in which a voltage is off its usual level are left out, and those without load where there are others.

    Parameters
    ----------
    samples : shape (n_channels, n). A window with NaN is left out for its channel. [unit of the channel]
    rate_hz : sampling rate. [Hz]
    frequency_hz : of the fundamental, measured. [Hz]
    reference : row whose phasor is the reference.
    voltages, currents : rows by which windows are chosen; none: by the reference alone.

    Returns
    -------
    MeanPhasors, with one shorter window where the record has less than ten cycles.

    Raises
    ------
    SignalError : less than a cycle, fewer than four samples a cycle, or the reference has no fundamental.

    Source: derived: the discrete Fourier transform at the fundamental over whole cycles.
    """
    values = np.atleast_2d(np.asarray(samples, np.float64))
    if not (frequency_hz > 0 and rate_hz >= 4 * frequency_hz):
        raise SignalError(f"{rate_hz:g} Hz is too low for phasors at {frequency_hz:g} Hz")
    cycle = rate_hz / frequency_hz
    n_cycles = min(_CYCLES, int(values.shape[1] / cycle + 1e-9))
    if n_cycles < 1:
        raise SignalError(
            f"{values.shape[1]} samples at {rate_hz:g} Hz are less than one cycle; no phasor can be measured"
        )
    size = min(round(n_cycles * cycle), values.shape[1])
    n = values.shape[1] // size
    turns = np.exp(-2j * np.pi * np.arange(size) / cycle) * np.sqrt(2) / size
    windows = values[:, : n * size].reshape(values.shape[0], n, size) @ turns
    windows *= np.exp(-2j * np.pi * ((np.arange(n) * size / cycle) % 1.0))
    lead = windows[reference]
    length = np.abs(lead)
    finite = np.isfinite(lead)
    if not finite.any() or not np.median(length[finite]) > 0:
        raise SignalError("the reference voltage has no fundamental")
    kept = finite & (length >= _LOW * np.median(length[finite]))
    kept = _calm(kept, np.abs(windows[list(voltages)]))
    kept = _loaded(kept, np.abs(windows[list(currents)]))
    turned = windows[:, kept] * (lead[kept].conj() / length[kept])
    means = np.zeros(values.shape[0], np.complex128)
    steady = np.zeros(values.shape[0])
    for c, row in enumerate(turned):
        good = row[np.isfinite(row)]
        if good.size:
            means[c] = complex(np.median(good.real), np.median(good.imag))
            whole = np.abs(good).mean()
            steady[c] = abs(good.mean()) / whole if whole > 0 else 0.0
    return MeanPhasors(means, steady, int(kept.sum()), size / rate_hz)


def _calm(kept: Mask, sizes: F64) -> Mask:
    """Windows in which no voltage is off its median, or all where there is no such window."""
    calm = kept.copy()
    for row in sizes:
        measured = kept & np.isfinite(row)
        if measured.any():
            middle = np.median(row[measured])
            calm &= ~measured | (np.abs(row - middle) <= _CALM * middle)
    return calm if calm.any() else kept


def _loaded(kept: Mask, sizes: F64) -> Mask:
    """Windows in which some current is more than a little of what it is where it lasts; all, if there are none."""
    loaded = np.zeros_like(kept)
    for row in sizes:
        known = np.where(kept & np.isfinite(row), row, 0.0)
        near = np.minimum(
            np.abs(known - np.append(known[1:], 0.0)), np.abs(known - np.insert(known[:-1], 0, 0.0)[: known.size])
        )
        lasting = known[near <= _LASTING * known]
        loaded |= (known > 0) & (known >= _LOADED * lasting.max(initial=0.0))
    return kept & loaded if (kept & loaded).any() else kept
