"""The instants at which the waveform leaves what it was, and becomes what it stays: finer than a half cycle."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

_LEAST_DEPARTURE: Final = 0.06  # of the peak voltage
_NOISE_FACTOR: Final = 3.0  # over the largest departure seen in the cycle before
_HOLD_CYCLES: Final = 1 / 40  # a departure lasts at least so long, else it is an impulse
_HOLD_SHARE: Final = 0.75
LOOK_BACK_CYCLES: Final = 3.0
LOOK_AHEAD_CYCLES: Final = 1.6


def refine_start(u: npt.ArrayLike, *, samples_per_cycle: float, i_window: float) -> float | None:
    """Point-on-wave start of a variation.

    Parameters
    ----------
    u : shape (n_channels, n). Voltages of the phases that take part, around the start. [any unit]
    samples_per_cycle : float. Of the fundamental just before the start.
    i_window : float. Start of the Urms(1/2) window that crossed first. [samples]; the waveform departs within it.

    Returns
    -------
    Position of the first sample off the cycle before, or None where there are not 2.5 cycles before it, or the
    waveform leaves too slowly to have such an instant. [samples]

    Source: derived; the comparison with the cycle before is common practice, no source.
    """
    values = np.atleast_2d(np.asarray(u, np.float64))
    cycle = samples_per_cycle
    first = int(np.floor(i_window - 0.5 * cycle))
    stop = min(int(np.ceil(i_window + (LOOK_AHEAD_CYCLES - 0.1) * cycle)), values.shape[1])
    calm_from = int(np.floor(first - cycle))
    if calm_from - cycle < 1 or stop - first < 4:
        return None
    grid = np.arange(calm_from, stop)
    earlier = np.stack([np.interp(grid - cycle, np.arange(values.shape[1]), row) for row in values])
    departure = np.abs(values[:, calm_from:stop] - earlier)
    n_calm = first - calm_from
    peak = np.abs(values[:, calm_from:first]).max(axis=1, initial=0.0)
    noise = departure[:, :n_calm].max(axis=1, initial=0.0)
    limit = np.maximum(_LEAST_DEPARTURE * peak.max(initial=0.0), _NOISE_FACTOR * noise)
    beyond = departure[:, n_calm:] > limit[:, None]
    hold = max(2, round(_HOLD_CYCLES * cycle))
    padded = np.zeros((beyond.shape[0], beyond.shape[1] + 1 + hold), np.bool_)
    padded[:, 1 : 1 + beyond.shape[1]] = beyond
    count = np.cumsum(padded, axis=1)
    lasting = beyond & (count[:, hold : hold + beyond.shape[1]] - count[:, : beyond.shape[1]] >= _HOLD_SHARE * hold)
    if not lasting.any():
        return None
    i = int(lasting.any(axis=0).argmax())
    channel = int(lasting[:, i].argmax())
    # Near a zero crossing a departure grows from nothing: go back to where it rose out of the noise.
    floor = max(2.0 * noise[channel] / _NOISE_FACTOR, 0.01 * peak[channel])
    while i > 0 and departure[channel, n_calm + i - 1] > floor:
        i -= 1
    return float(first + i)


def refine_end(u: npt.ArrayLike, *, samples_per_cycle: float, i_end: float) -> float | None:
    """Point-on-wave end of a variation: `refine_start` of the waveform read backwards.

    Parameters
    ----------
    u : shape (n_channels, n). Voltages of the phases that take part, around the end. [any unit]
    samples_per_cycle : float. Of the fundamental after the end.
    i_end : float. The latest that the end may be; the waveform becomes what it stays within a cycle before. [samples]

    Returns
    -------
    Position behind the last sample off the cycle after, or None where there are not 2.5 cycles after it, or the
    waveform comes back too slowly to have such an instant. [samples]

    Source: as of `refine_start`.
    """
    values = np.atleast_2d(np.asarray(u, np.float64))
    n = values.shape[1]
    found = refine_start(values[:, ::-1], samples_per_cycle=samples_per_cycle, i_window=n - i_end)
    return None if found is None else n - found
