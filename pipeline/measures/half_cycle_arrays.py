"""Half-cycle series of NumPy arrays that are there as a whole; `half_cycle` measures records piece by piece."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from halfcycle.pipeline.measures.nominal import find_nominal_frequency
from halfcycle.pipeline.measures.squares import rms_between

F64 = npt.NDArray[np.float64]


def half_cycle_rms(
    u: npt.ArrayLike,
    *,
    rate_hz: float,
    nominal_frequency_hz: float | None = None,
    crossings: npt.ArrayLike | None = None,
) -> F64:
    """One-cycle RMS refreshed each half cycle, Urms(1/2).

    Parameters
    ----------
    u : shape (n_channels, n_samples) or (n_samples,). Instantaneous voltage or current. [V or A]
    rate_hz : float > 0. Sampling rate. [Hz]
    nominal_frequency_hz : float > 0. The fundamental is tracked around it; worked out from `u` where None. [Hz]
    crossings : float64, shape (n_crossings,) or (n_channels, n_crossings). Zero crossings of the fundamental, half a
        cycle apart, where the caller knows them; windows then run from each to the next but one. [samples]

    Returns
    -------
    float64, shape (n_channels, n_half_cycles). [unit of u]  Zero columns if under one cycle.

    Raises
    ------
    SignalError : u not finite, not 1-D or 2-D, under 8 samples a cycle, or no frequency to be found in it.

    Source: IEC 61000-4-30 Ed. 3, 3 and 5.4.  Departs: a window is one cycle of the tracked frequency long, so that
    a phase jump makes no window too short or too long.

    Examples
    --------
    >>> t = np.arange(6400) / 6400
    >>> u = np.where((t > 0.4) & (t < 0.6), 0.5, 1) * 230 * np.sqrt(2) * np.sin(2 * np.pi * 50 * t)
    >>> rms = hc.half_cycle_rms(u, rate_hz=6400)
    >>> round(float(rms.max())), round(float(rms.min()))
    (230, 115)
    """
    values = np.atleast_2d(np.asarray(u))
    if values.ndim != 2 or not np.isfinite(values.astype(np.float64)).all():
        raise SignalError(f"u must be finite and 1-D or 2-D; got shape {np.shape(u)}")
    if crossings is not None:
        edges = np.atleast_2d(np.asarray(crossings, np.float64))
        if edges.ndim != 2 or edges.shape[0] not in (1, values.shape[0]):
            raise SignalError(f"crossings have shape {np.shape(crossings)}; expected (n,) or ({values.shape[0]}, n)")
        edges = np.broadcast_to(edges, (values.shape[0], edges.shape[1]))
        return np.stack([rms_between(row.astype(np.float64), edge) for row, edge in zip(values, edges, strict=True)])
    return measure_half_cycles(values, rate_hz=rate_hz, nominal_frequency_hz=nominal_frequency_hz).u_half.astype(
        np.float64
    )


def measure_half_cycles(u: npt.ArrayLike, *, rate_hz: float, nominal_frequency_hz: float | None = None) -> HalfCycles:
    """The whole half-cycle series of an array: RMS [unit of u], window starts [samples], frequency [Hz].

    Parameters, errors and source as for `half_cycle_rms`; samples of NaN are allowed and flag their windows.

    Examples
    --------
    >>> u = 230 * np.sqrt(2) * np.sin(2 * np.pi * 50.02 * np.arange(12800) / 6400)
    >>> round(float(hc.measure_half_cycles(u, rate_hz=6400).frequency_hz[100]), 2)
    50.02
    """
    values = np.atleast_2d(np.asarray(u))
    if values.dtype not in (np.dtype(np.int16), np.dtype(np.int32)):
        values = values.astype(np.float32)
    if nominal_frequency_hz is None:
        nominal_frequency_hz = find_nominal_frequency(values, rate_hz=rate_hz)
    channels = [Channel(f"u{i + 1}", "voltage", "", "V") for i in range(values.shape[0])]
    meter = HalfCycleMeter(channels, rate_hz=rate_hz, nominal_hz=nominal_frequency_hz)
    meter.push(values)
    return meter.finish()
