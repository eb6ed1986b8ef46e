"""Harmonics and interharmonics of a survey, window by window: groups of IEC 61000-4-7 and phasors of each order.

Only the orders that are asked for are measured. A record that is sampled much finer than these need is first brought
down to a lower rate, through a filter that is flat up to the last order and closed where the rest would fold back to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.resampling import MARGIN_SAMPLES, power_make_up, resampled_windows
from halfcycle.pipeline.measures.signalling import signal_rms
from halfcycle.pipeline.measures.spectra import group_powers

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
C64 = npt.NDArray[np.complex64]

_WINDOW_S = 0.2  # nominal length: 10 cycles of 50 Hz, 12 of 60 Hz
_FREQUENCY_RANGE = 1.15  # of nominal, up to which all orders are measured
_HIGHEST = 0.46  # of the sampling rate, up to which lines can be made up for
_ATTENUATION_DB = 74.0  # of what would fold back
_PRODUCTS = 1 << 18  # at one go: lies in the cache, and is too small for a library to start threads for it
_FRAME = 32  # decimated values that one product of matrices gives


@dataclass(frozen=True, slots=True)
class HarmonicSpectra:
    """Harmonics and interharmonics of some windows; all values are RMS.

    Attributes
    ----------
    harmonics : float32, shape (n_channels, n_windows, n_orders). Harmonic (sub)groups of orders 1, 2, …
        [unit of the samples]
    interharmonics : float32, shape as `harmonics`. Interharmonic (centred sub)groups; the first lies below the
        fundamental, number i between orders i and i + 1. [unit of the samples]
    phasors : complex64, shape as `harmonics`. Lines at the orders alone, at the window's start, as a cosine has them;
        all channels against the same reference. [unit of the samples]
    dc : float32, shape (n_channels, n_windows). Mean, with its sign. [unit of the samples]
    groups, gaps : float32, shape as `harmonics`. Harmonic and interharmonic groups beside the subgroups; None where
        they were not asked for. [unit of the samples]
    signal : float32, shape (n_channels, n_windows). Mains signalling voltage; None likewise. [unit of the samples]
    """

    harmonics: F32
    interharmonics: F32
    phasors: C64
    dc: F32
    groups: F32 | None = None
    gaps: F32 | None = None
    signal: F32 | None = None

    def of_windows(self, keep: npt.NDArray[np.bool_]) -> HarmonicSpectra:
        """Of some of the windows. keep: shape (n_windows,)."""
        return HarmonicSpectra(
            self.harmonics[:, keep], self.interharmonics[:, keep], self.phasors[:, keep], self.dc[:, keep],
            None if self.groups is None else self.groups[:, keep], None if self.gaps is None else self.gaps[:, keep],
            None if self.signal is None else self.signal[:, keep],
        )  # fmt: skip

    def scaled(self, scales: npt.ArrayLike) -> HarmonicSpectra:
        """In other units. scales: shape (n_channels,); one below zero turns a channel round."""
        signed = np.asarray(scales, np.float32)[:, None, None]
        size = np.abs(signed)
        return HarmonicSpectra(
            self.harmonics * size, self.interharmonics * size, self.phasors * signed, self.dc * signed[..., 0],
            None if self.groups is None else self.groups * size, None if self.gaps is None else self.gaps * size,
            None if self.signal is None else self.signal * size[..., 0],
        )  # fmt: skip


def joined_spectra(parts: Sequence[HarmonicSpectra]) -> HarmonicSpectra:
    """Those of further windows after those before; of the same channels, all with groups and signal or none."""
    first = parts[0]
    return HarmonicSpectra(
        np.concatenate([part.harmonics for part in parts], axis=1),
        np.concatenate([part.interharmonics for part in parts], axis=1),
        np.concatenate([part.phasors for part in parts], axis=1),
        np.concatenate([part.dc for part in parts], axis=1),
        None if first.groups is None else np.concatenate([_there(part.groups) for part in parts], axis=1),
        None if first.gaps is None else np.concatenate([_there(part.gaps) for part in parts], axis=1),
        None if first.signal is None else np.concatenate([_there(part.signal) for part in parts], axis=1),
    )


def _there(values: F32 | None) -> F32:
    if values is None:
        raise ValueError("some windows have groups and a signal, others have none")
    return values


def harmonic_spectra(
    samples: npt.NDArray[np.generic],
    *,
    rate_hz: float,
    starts: npt.ArrayLike,
    lengths: npt.ArrayLike,
    n_cycles: int,
    highest_order: int = 50,
    grouping: Literal["subgroups", "groups"] = "subgroups",
    both_groupings: bool = False,
    signal_hz: float | None = None,
) -> HarmonicSpectra:
    """Harmonics and interharmonics of windows that begin and end between the samples.

    Parameters
    ----------
    samples : shape (n_channels, n_samples). Voltages and currents, finite. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    starts, lengths : shape (n_windows,). `n_cycles` of the fundamental each, `margin_samples` from the ends. [samples]
    n_cycles : in a window, even: 10 at 50 Hz, 12 at 60 Hz.
    highest_order : the last one wanted; there are fewer where a frequency 15 % above nominal would put it beyond 0.46
        of the sampling rate.
    grouping : ``subgroups`` (IEC 61000-4-30 class A) or ``groups``.
    both_groupings : groups too, beside subgroups.
    signal_hz : of a mains signal to be measured; None: none is. [Hz]

    Returns
    -------
    HarmonicSpectra. Each window's values depend on its own samples and those within the margin alone.

    Raises
    ------
    SignalError : windows that come too near to the ends, too few samples a cycle, samples that are not finite, shapes
        that do not fit, n_cycles odd or below 8.

    Source: IEC 61000-4-7:2002 + A1:2008, 4.4 and 5.5 [memory]; IEC 61000-4-30 Ed. 3, 5.8 and 5.9.  Departs: the window
    is as long as the tracked cycles, to a fraction of a sample, so that nothing of a harmonic leaks to other lines.
    """
    begin, length = (np.atleast_1d(np.asarray(places, np.float64)) for places in (starts, lengths))
    plan = _plan(rate_hz, n_cycles, highest_order)
    _check(samples, begin, length, plan.margin)
    m, n_orders = plan.decimation, plan.n_orders
    if m > 1:
        samples, begin, length = _decimated(samples, plan), begin / m, length / m
    if length.size and _HIGHEST * length.min() < n_orders * n_cycles + n_cycles // 2:
        raise SignalError(
            f"windows of {length.min():g} samples are too short for order {n_orders} of {n_cycles} cycles"
        )
    n_lines = n_orders * n_cycles + n_cycles // 2 + 1
    shape = (samples.shape[0], begin.size, n_orders)
    found = HarmonicSpectra(
        np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.complex64),
        np.empty(shape[:2], np.float32),
        np.empty(shape, np.float32) if both_groupings else None,
        np.empty(shape, np.float32) if both_groupings else None,
        None if signal_hz is None else np.empty(shape[:2], np.float32),
    )  # fmt: skip
    for rows, resampled in resampled_windows(samples, begin, length):
        power = _fill(found, rows, resampled, length[rows], n_cycles, n_lines, grouping)
        if found.signal is not None and signal_hz is not None:
            places = length[rows] * m * signal_hz / rate_hz
            found.signal[:, rows] = signal_rms(power, places, n_cycles=n_cycles)
    return found


def _fill(
    found: HarmonicSpectra, rows: npt.NDArray[np.int64], resampled: F32, lengths: F64, n_cycles: int, n_lines: int,
    grouping: str,
) -> F32:  # fmt: skip
    """Fills in some windows, and gives the power of their lines."""
    from scipy.fft import rfft

    points, n_orders = resampled.shape[2], found.harmonics.shape[2]
    make_up = power_make_up(lengths, points=points, n_lines=n_lines) * np.float32(2 / points**2)
    lines = rfft(resampled, axis=2)[:, :, :n_lines]
    squares = np.square(lines.view(np.float32))
    power: F32 = squares[..., ::2] + squares[..., 1::2]
    power *= make_up
    power[:, :, 0] /= 2
    groups = group_powers(power.reshape(-1, n_lines), n_cycles=n_cycles, n_orders=n_orders, grouping=grouping)
    shape = (power.shape[0], rows.size, n_orders)
    found.harmonics[:, rows], found.interharmonics[:, rows] = (np.sqrt(part).reshape(shape) for part in groups)
    if found.groups is not None and found.gaps is not None:
        groups = group_powers(power.reshape(-1, n_lines), n_cycles=n_cycles, n_orders=n_orders, grouping="groups")
        found.groups[:, rows], found.gaps[:, rows] = (np.sqrt(part).reshape(shape) for part in groups)
    at_orders = slice(n_cycles, n_orders * n_cycles + 1, n_cycles)
    found.phasors[:, rows] = lines[:, :, at_orders] * np.sqrt(make_up[:, at_orders])
    found.dc[:, rows] = lines[:, :, 0].real * np.sqrt(make_up[:, 0] / 2)
    return power


def highest_signal_hz(*, rate_hz: float, n_cycles: int, highest_order: int = 50) -> float:
    """Up to where a mains signal can be measured at nominal frequency; parameters as for `harmonic_spectra`. [Hz]"""
    return (_plan(rate_hz, n_cycles, highest_order).n_orders + 0.3) * n_cycles / _WINDOW_S


def margin_samples(*, rate_hz: float, n_cycles: int, highest_order: int = 50) -> int:
    """How far from the ends of what is given windows must stay.

    Parameters
    ----------
    rate_hz, n_cycles, highest_order : as for `harmonic_spectra`.

    Returns
    -------
    int; under half a nominal cycle from 64 samples a cycle on. [samples]
    """
    return _plan(rate_hz, n_cycles, highest_order).margin


def _check(samples: npt.NDArray[np.generic], starts: F64, lengths: F64, margin: int) -> None:
    if samples.ndim != 2 or starts.ndim != 1 or starts.shape != lengths.shape:
        raise SignalError(f"samples {samples.shape}, starts {starts.shape}, lengths {lengths.shape}; they must agree")
    last = samples.shape[1] - margin
    if not ((lengths > 0).all() and (starts >= margin).all() and (starts + lengths <= last).all()):
        raise SignalError(f"windows must have a length and lie between samples {margin} and {last}")


@dataclass(frozen=True, slots=True, eq=False)
class _Phase:
    """What every `decimation`-th sample from one on gives: `kernels` for a frame from `first` frames' values on."""

    first: int
    kernels: tuple[F32, ...]  # of the frame's own samples, of the next frame's, …


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """Which orders a rate allows, and how it is brought down first: by `decimation`, with a filter by its phases.

    The filter closes half-way to where it folds, so of the phase that holds its middle all other taps are zero.
    """

    n_orders: int
    decimation: int
    margin: int
    middle: np.float32
    phases: tuple[_Phase, ...]  # from the second sample of each `decimation` on


@cache
def _plan(rate_hz: float, n_cycles: int, highest_order: int) -> _Plan:
    if n_cycles < 8 or n_cycles % 2 or not rate_hz > 0 or highest_order < 1:
        raise SignalError(
            f"{n_cycles} cycles to order {highest_order} at {rate_hz:g} Hz; expected an even number from 8"
        )
    nominal_hz = n_cycles / _WINDOW_S
    n_orders = min(highest_order, int(_HIGHEST * rate_hz / (nominal_hz * _FREQUENCY_RANGE) - 0.5))
    if n_orders < 1:
        raise SignalError(f"{rate_hz:g} Hz is too low for a harmonic of {nominal_hz:g} Hz")
    wanted_hz = (n_orders + 0.5) * nominal_hz * _FREQUENCY_RANGE
    m = int(_HIGHEST * rate_hz / wanted_hz)
    if m == 1:
        return _Plan(n_orders, 1, MARGIN_SAMPLES, np.float32(1), ())
    taps = _low_pass(wanted_hz / rate_hz, 1 / m - wanted_hz / rate_hz)
    middle = taps.size // 2
    margin = middle + m * (MARGIN_SAMPLES + 1)
    return _Plan(n_orders, m, margin, np.float32(taps[middle]), tuple(_phase(taps, p, m) for p in range(1, m)))


def _phase(taps: F64, p: int, m: int) -> _Phase:
    """The taps of samples p, p + m, …, as matrices."""
    middle = taps.size // 2
    first = -((middle + p) // m)
    own = taps[middle + p + first * m :: m]
    n_frames = -(-(_FRAME + own.size - 1) // _FRAME)
    kernel = np.zeros((n_frames * _FRAME, _FRAME), np.float32)
    for k in range(_FRAME):
        kernel[k : k + own.size, k] = own
    return _Phase(first, tuple(kernel.reshape(n_frames, _FRAME, _FRAME)))


def _low_pass(flat_to: float, closed_from: float) -> F64:
    """Taps of a filter of odd length that is flat and closed at given shares of the rate."""
    from scipy.signal import firwin, kaiserord

    n_taps, beta = kaiserord(_ATTENUATION_DB, 2 * (closed_from - flat_to))
    return np.asarray(firwin(n_taps | 1, flat_to + closed_from, window=("kaiser", beta)), np.float64)


def _decimated(samples: npt.NDArray[np.generic], plan: _Plan) -> F32:
    """Every so many-th value of the filtered samples, shape (n_channels, ceil(n / decimation)); zeros lie beyond."""
    m = plan.decimation
    n_values = -(-samples.shape[1] // m)
    n_frames = -(-n_values // _FRAME)
    out = np.empty((samples.shape[0], n_frames * _FRAME), np.float32)
    step = _PRODUCTS // _FRAME**2
    for row, values in zip(samples, out, strict=True):
        of_phases = [row[p::m] for p in range(m)]
        for a in range(0, n_frames, step):
            part = values[a * _FRAME : min(a + step, n_frames) * _FRAME]
            np.multiply(_stretch(of_phases[0], a * _FRAME, part.size), plan.middle, out=part)
            for phase, own in zip(plan.phases, of_phases[1:], strict=True):
                more = (len(phase.kernels) - 1) * _FRAME
                frames = _stretch(own, a * _FRAME + phase.first, part.size + more).reshape(-1, _FRAME)
                for k, kernel in enumerate(phase.kernels):
                    part += (frames[k : k + part.size // _FRAME] @ kernel).ravel()
    return out[:, :n_values]


def _stretch(values: npt.NDArray[np.generic], first: int, n: int) -> F32:
    """Values from a place on, zeros beyond their ends."""
    found = np.zeros(n, np.float32)
    low, high = max(first, 0), min(first + n, values.size)
    if low < high:
        found[low - first : high - first] = values[low:high]
    return found


def parts_at_crossing(phasors: npt.NDArray[np.complex64]) -> npt.NDArray[np.float32]:
    """Phasors of harmonics as they stand where their own fundamental rises through zero, as a sine has them.

    Parameters
    ----------
    phasors : shape (..., n_orders). Orders 1, 2, … at one instant, as a cosine has them. [any unit]

    Returns
    -------
    shape (2, ..., n_orders): real and imaginary parts, whose angle is that in sin(h θ + angle), where θ runs from that
    crossing; 0 for order 1. [the same unit]

    Source: derived.
    """
    first = phasors[..., :1]
    size = np.abs(first)
    back = np.divide(first.conj(), size, out=np.zeros_like(first), where=size > 0)
    # As a cosine has it, order n stands 90 degrees before a sine, and goes n times as far as the fundamental.
    step = back * np.complex64(-1j)
    turns = np.multiply.accumulate(np.broadcast_to(step, phasors.shape), axis=-1)
    at_crossing = phasors * turns * np.complex64(1j)
    return np.stack([at_crossing.real, at_crossing.imag])
