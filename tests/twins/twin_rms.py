"""Urms(1/2) from its definition, one window at a time: the slow twin."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

# A window edge this close to the first or last sample counts as on it: float rounding, no physics. [samples]
_EDGE_SLACK = 1e-6


def urms_half_twin(
    u: FloatArray, rate_hz: float, f_hz: float, phase_rad: Sequence[float]
) -> tuple[FloatArray, FloatArray]:
    """One-cycle RMS from each zero crossing of a fundamental that is known beforehand.

    The fundamental of channel c is proportional to sin(2 pi f t + phase[c]), so that its crossings, rising and
    falling, lie where that angle is a multiple of pi.

    Parameters
    ----------
    u : float64, shape (n_channels, n_samples). Instantaneous values, sample k at k / rate. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    f_hz : float > 0. True frequency of the fundamental. [Hz]
    phase_rad : n_channels floats. True phase of each channel at t = 0. [rad]

    Returns
    -------
    (starts_s, values) : float64, both shape (n_channels, n_half). Start of each window after the first sample [s],
        and its RMS [unit of u]. Each channel has its own starts. Only windows that lie wholly between the first
        and the last sample are given, and as many for each channel as the poorest one has.

    Raises
    ------
    ValueError : u not 2-D or not finite, a frequency not above zero, or not one phase for each channel.

    Source: IEC 61000-4-30 Ed. 3, 5.4.  Departs: crossings come from the truth, not from a filter.
    """
    _check(u, rate_hz, f_hz)
    if len(phase_rad) != u.shape[0]:
        raise ValueError(f"{len(phase_rad)} phases for {u.shape[0]} channels")
    last_s = (u.shape[1] - 1) / rate_hz
    slack_s = _EDGE_SLACK / rate_hz
    crossings_s: list[FloatArray] = []
    for phase in phase_rad:
        times: list[float] = []
        k = math.floor(phase / math.pi) - 1
        while (time_s := (k * math.pi - phase) / (2 * math.pi * f_hz)) <= last_s + slack_s:
            if time_s >= -slack_s:
                times.append(time_s)
            k += 1
        crossings_s.append(np.array(times, dtype=np.float64))
    return urms_between_crossings(u, rate_hz, crossings_s)


def urms_between_crossings(
    u: FloatArray, rate_hz: float, crossings_s: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """RMS from each zero crossing to the second one after it, for crossings given as a list.

    A cubic spline runs through the samples. Its square is a polynomial of degree 6 between two samples, which
    four Gauss-Legendre points integrate exactly, window edges between samples included.

    Parameters
    ----------
    u : float64, shape (n_channels, n_samples). Instantaneous values, sample k at k / rate. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    crossings_s : n_channels arrays, rising. True zero crossings within the record. [s]

    Returns
    -------
    (starts_s, values) : as for `urms_half_twin`.

    Raises
    ------
    ValueError : u not 2-D or not finite, a rate not above zero, or crossings outside the record.
    """
    from scipy.interpolate import CubicSpline

    _check(u, rate_hz, 1.0)
    last = u.shape[1] - 1
    starts: list[list[float]] = []
    values: list[list[float]] = []
    for channel, times_s in zip(u, crossings_s, strict=True):
        curve = CubicSpline(np.arange(last + 1, dtype=np.float64), channel)
        edges = [float(time_s) * rate_hz for time_s in times_s]
        if edges and (edges[0] < -_EDGE_SLACK or edges[-1] > last + _EDGE_SLACK):
            raise ValueError("crossings outside the record")
        edges = [min(max(edge, 0.0), float(last)) for edge in edges]
        starts.append([])
        values.append([])
        for i in range(len(edges) - 2):
            begin, end = edges[i], edges[i + 2]
            starts[-1].append(begin / rate_hz)
            values[-1].append(math.sqrt(_integral_of_square(curve, begin, end) / (end - begin)))
    n_half = min(len(row) for row in values)
    return (
        np.array([row[:n_half] for row in starts], dtype=np.float64),
        np.array([row[:n_half] for row in values], dtype=np.float64),
    )


def urms_half_plain(u: FloatArray, rate_hz: float, f_hz: float) -> tuple[FloatArray, FloatArray]:
    """One-cycle RMS each half cycle over whole samples, windows counted from the first sample.

    For recordings whose zero crossings nobody knows: the same curve as Urms(1/2) to about half a cycle in time.
    In a steady state the value is off by no more than half a sample's share of a cycle.

    Parameters
    ----------
    u : float64, shape (n_channels, n_samples). Instantaneous values. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    f_hz : float > 0. Frequency, nominal or measured. [Hz]

    Returns
    -------
    (starts_s, values) : float64, shapes (n_half,) and (n_channels, n_half). Start of each window after the first
        sample, the same for all channels [s], and its RMS [unit of u].

    Raises
    ------
    ValueError : u not 2-D or not finite, or a frequency not above zero.
    """
    _check(u, rate_hz, f_hz)
    n_channels, n_samples = u.shape
    n_window = round(rate_hz / f_hz)
    firsts: list[int] = []
    while (first := round(len(firsts) * rate_hz / (2 * f_hz))) + n_window <= n_samples:
        firsts.append(first)
    values = np.zeros((n_channels, len(firsts)))
    for i_channel in range(n_channels):
        energy = np.concatenate(([0.0], np.cumsum(u[i_channel] ** 2)))
        for i, first in enumerate(firsts):
            values[i_channel, i] = math.sqrt((energy[first + n_window] - energy[first]) / n_window)
    return np.array(firsts, dtype=np.float64) / rate_hz, values


def _integral_of_square(curve: Callable[[FloatArray], FloatArray], begin: float, end: float) -> float:
    """Integral of the curve's square from begin to end, knots at the whole numbers. [unit squared x samples]"""
    inner = np.arange(math.floor(begin) + 1, math.ceil(end), dtype=np.float64)
    knots = np.concatenate(([begin], inner, [end]))
    middle, half = (knots[1:] + knots[:-1]) / 2, (knots[1:] - knots[:-1]) / 2
    total = 0.0
    for node, weight in zip(*np.polynomial.legendre.leggauss(4), strict=True):
        total += float(np.sum(weight * half * curve(middle + half * node) ** 2))
    return total


def _check(u: FloatArray, rate_hz: float, f_hz: float) -> None:
    if u.ndim != 2:
        raise ValueError(f"u has {u.ndim} dimensions; it must be (n_channels, n_samples)")
    if not np.all(np.isfinite(u)):
        raise ValueError("u is not finite everywhere")
    if not (rate_hz > 0 and f_hz > 0):
        raise ValueError(f"rate {rate_hz} Hz and frequency {f_hz} Hz must be above zero")
