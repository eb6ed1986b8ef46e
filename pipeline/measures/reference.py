"""The sliding reference voltage: what the voltage has been over the last minute, events left out."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

FILTER_FACTOR: Final = 0.9967  # IEC 61000-4-30 Ed. 3, 5.4.4 (from memory); one minute at 200 ms a step


def window_cycles(nominal_frequency_hz: float) -> int:
    """Cycles of the 10/12-cycle window: 10 at 50 Hz, 12 at 60 Hz. Source: IEC 61000-4-30 Ed. 3, 4.4."""
    return 12 if nominal_frequency_hz > 55 else 10


def pre_event_voltage(u_half: npt.ArrayLike, *, nominal_frequency_hz: float) -> F64:
    """RMS of each channel over a record's first 10/12 cycles, or what there is of them.

    Parameters
    ----------
    u_half : shape (n_channels, n), n >= 1. Urms(1/2). [V]
    nominal_frequency_hz : decides between 10 and 12 cycles. [Hz]

    Returns
    -------
    shape (n_channels,). [V]

    Source: common practice, no source.
    """
    first = np.asarray(u_half, np.float64)[:, : 2 * window_cycles(nominal_frequency_hz) : 2]
    mean_square: F64 = (first**2).mean(axis=1)
    return np.sqrt(mean_square)


def sliding_reference(
    u_half: npt.ArrayLike,
    *,
    initial_v: npt.ArrayLike,
    nominal_frequency_hz: float,
    sag_pu: float,
    swell_pu: float,
    hysteresis_pu: float,
) -> F64:
    """Sliding reference voltage Usr at each half cycle.

    Parameters
    ----------
    u_half : shape (n_channels, n). Urms(1/2). [V]
    initial_v : scalar or shape (n_channels,). Value before the first 10/12-cycle window. [V]
    nominal_frequency_hz : decides between 10 and 12 cycles a window. [Hz]
    sag_pu, swell_pu, hysteresis_pu : thresholds; a window that holds an event on any channel does not count. [pu]

    Returns
    -------
    shape (n_channels, n). Each window is judged by the reference that the windows before it made. [V]

    Source: IEC 61000-4-30 Ed. 3, 5.4.4 (from memory): Usr(n) = 0.9967 Usr(n-1) + 0.0033 U(10/12), held while flagged.
    """
    values = np.asarray(u_half, np.float64)
    n_channels, n = values.shape
    size = 2 * window_cycles(nominal_frequency_hz)
    n_windows = n // size
    whole = values[:, : n_windows * size].reshape(n_channels, n_windows, size)
    rms = np.sqrt((whole[..., ::2] ** 2).mean(axis=2)).T.tolist()
    lowest, highest = whole.min(axis=2).T.tolist(), whole.max(axis=2).T.tolist()
    usr = np.broadcast_to(np.asarray(initial_v, np.float64), (n_channels,)).tolist()
    per_window = []
    in_sag = in_swell = False
    for w in range(n_windows):
        per_window.append(list(usr))
        flagged = in_sag or in_swell
        flagged = flagged or any(
            low < sag_pu * u or high > swell_pu * u for low, high, u in zip(lowest[w], highest[w], usr, strict=True)
        )
        if flagged:
            pu = whole[:, w] / np.asarray(usr)[:, None]
            in_sag = _still(in_sag, (pu < sag_pu).any(axis=0), (pu >= sag_pu + hysteresis_pu).all(axis=0))
            in_swell = _still(in_swell, (pu > swell_pu).any(axis=0), (pu <= swell_pu - hysteresis_pu).all(axis=0))
        else:
            usr = [FILTER_FACTOR * u + (1 - FILTER_FACTOR) * r for u, r in zip(usr, rms[w], strict=True)]
    per_window.append(list(usr))
    return np.repeat(np.asarray(per_window).T, size, axis=1)[:, :n]


def _still(before: bool, begins: npt.NDArray[np.bool_], ends: npt.NDArray[np.bool_]) -> bool:
    """Whether an event is under way after a window in which some half cycles begin one and some end it."""
    decisive = np.flatnonzero(begins | ends)
    return bool(begins[decisive[-1]]) if decisive.size else before
