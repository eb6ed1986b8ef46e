"""A look at all channels of a recording at once: its frequency, phasors cycle by cycle, and where it is steady."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import runs

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]
Mask = npt.NDArray[np.bool_]

_LOOK_CYCLES: Final = 600
_LOOK_RATE_HZ: Final = 6400.0
_BAND_HZ: Final = (40.0, 70.0)
_BAND_SHARE: Final = 0.5  # of a channel's AC power that the band must hold, for it to tell the frequency
_JUMP: Final = 0.08  # of a phasor's size, from one cycle to the next: no steady state
_CALM_CHANNELS: Final = 0.9  # share of the channels that do not jump in a steady state
_MOST_STRETCHES: Final = 6
_ORDERS: Final = 15

Stretch = tuple[int, int]


@dataclass(frozen=True, slots=True)
class ChannelLook:
    """What some channels show, cycle by cycle.

    Attributes
    ----------
    values : float64, shape (n_channels, n). Samples, thinned out to about 6,400 Hz, their means taken off.
    rate_hz : of those. [Hz]
    frequency_hz : of the fundamental; None where no channel has one. [Hz]
    means : float64, shape (n_channels,). Over the look.
    ac_rms : float64, shape (n_channels,). Over the look, without the mean.
    phasors : complex128, shape (n_channels, n_windows). RMS of the fundamental of each cycle, turned back so that a
        steady sine stands still. No columns where there is no fundamental.
    rms : float64, shape (n_channels, n_windows). Of each cycle, without the look's mean.
    """

    values: F64
    rate_hz: float
    frequency_hz: float | None
    means: F64
    ac_rms: F64
    phasors: C128
    rms: F64


def look_at(samples: npt.ArrayLike, *, rate_hz: float) -> ChannelLook:
    """Phasors of all channels, cycle by cycle, at the frequency that they have in common.

    Parameters
    ----------
    samples : shape (n_channels, n). In any unit; NaN counts as zero. The first 600 cycles are looked at.
    rate_hz : sampling rate. [Hz]

    Returns
    -------
    ChannelLook.

    Raises
    ------
    SignalError : samples are not of shape (n_channels, n), or under two cycles of 50 Hz.
    """
    given = np.asarray(samples)
    if given.ndim != 2 or not given.shape[0]:
        raise SignalError(f"samples have shape {given.shape}; allowed is (n_channels, n)")
    if not (np.isfinite(rate_hz) and rate_hz >= 4 * _BAND_HZ[1]):
        raise SignalError(f"{rate_hz:g} Hz is too low to identify channels; at least {4 * _BAND_HZ[1]:g} Hz is needed")
    given = given[:, : int(_LOOK_CYCLES * rate_hz / _BAND_HZ[0])]
    if given.shape[1] < 2 * rate_hz / 50.0:
        raise SignalError(
            f"{given.shape[1]} samples at {rate_hz:g} Hz are less than two cycles; no channel can be identified"
        )
    every = max(1, int(rate_hz // _LOOK_RATE_HZ))
    n = given.shape[1] // every
    x = np.nan_to_num(given[:, : n * every].astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    x = x.reshape(given.shape[0], n, every).mean(axis=2)
    means = x.mean(axis=1)
    x = x - means[:, None]
    ac_rms = np.sqrt(np.mean(x**2, axis=1))
    rate_hz /= every
    frequency_hz = _frequency(x, ac_rms, rate_hz)
    if frequency_hz is None:
        none = np.zeros((x.shape[0], 0))
        return ChannelLook(x, rate_hz, None, means, ac_rms, none.astype(np.complex128), none)
    for _ in range(3):  # the phasors' common turning shows what the frequency lacks
        phasors, rms = _cycles(x, rate_hz, frequency_hz)
        weights = np.where(ac_rms > 0, 1.0 / np.maximum(ac_rms, 1e-300), 0.0)[:, None]
        turning = np.sum((phasors[:, 1:] * phasors[:, :-1].conj()) * weights**2, axis=0)
        correction_hz = float(np.median(np.angle(turning))) / (2 * np.pi) * frequency_hz if turning.size else 0.0
        if abs(correction_hz) > 3.0:
            break
        frequency_hz += correction_hz
    phasors, rms = _cycles(x, rate_hz, frequency_hz)
    return ChannelLook(x, rate_hz, frequency_hz, means, ac_rms, phasors, rms)


def _frequency(x: F64, ac_rms: F64, rate_hz: float) -> float | None:
    """Where the channels that have a fundamental have it in common. [Hz]"""
    size = 1 << max(int(np.ceil(np.log2(x.shape[1]))) + 1, 13)
    power = np.abs(np.fft.rfft(x * np.hanning(x.shape[1]), size, axis=1)) ** 2
    hertz = np.arange(power.shape[1]) * rate_hz / size
    band = (hertz >= _BAND_HZ[0]) & (hertz <= _BAND_HZ[1])
    whole = power.sum(axis=1)
    telling = (ac_rms > 0) & (power[:, band].sum(axis=1) > _BAND_SHARE * whole)
    if not telling.any():
        return None
    together = (power[telling] / whole[telling][:, None]).sum(axis=0)
    return float(hertz[band][together[band].argmax()])


def _cycles(x: F64, rate_hz: float, frequency_hz: float) -> tuple[C128, F64]:
    cycle = rate_hz / frequency_hz
    size = max(round(cycle), 1)
    n = int(x.shape[1] // cycle)
    starts = np.minimum(np.round(np.arange(n) * cycle).astype(np.int64), x.shape[1] - size)
    windows = x[:, starts[:, None] + np.arange(size)]
    turns = np.exp(-2j * np.pi * np.arange(size) / cycle) * np.sqrt(2) / size
    phasors = _products(windows, turns[:, None])[..., 0] * np.exp(-2j * np.pi * starts / cycle)
    return phasors, np.sqrt(np.mean(windows**2, axis=2))


def _products(x: F64, turns: C128) -> C128:
    """x @ turns, without a complex copy of x."""
    both = x @ np.concatenate([turns.real, turns.imag], axis=1)
    n = turns.shape[1]
    products: C128 = both[..., :n] + 1j * both[..., n:]
    return products


def steady_stretches(look: ChannelLook, live: Mask) -> list[Stretch]:
    """Stretches of cycles in which the live channels keep their phasors, in order of time.

    Parameters
    ----------
    look : of the channels.
    live : shape (n_channels,). The channels that count.

    Returns
    -------
    (first, stop) cycles of the six longest and the first; the whole look where nothing is steady.
    """
    n = look.phasors.shape[1]
    p = look.phasors[live]
    sizes = np.maximum(np.abs(p[:, 1:]), np.abs(p[:, :-1]))
    floor = 0.02 * np.abs(p).max(axis=1, keepdims=True)  # a channel that is idle here may do as it likes
    jumps = np.abs(np.diff(p, axis=1)) > _JUMP * np.maximum(sizes, floor)
    calm = jumps.mean(axis=0) <= 1 - _CALM_CHANNELS if len(p) else np.ones(n - 1, bool)
    starts, stops = runs(calm)
    found = [(a, b + 1) for a, b in zip(starts.tolist(), stops.tolist(), strict=True)]
    if not found:
        return [(0, n)]
    longest = sorted(found, key=lambda one: one[0] - one[1])[:_MOST_STRETCHES]
    return sorted({found[0], *longest})


def shapes(look: ChannelLook, stretch: Stretch) -> F64:
    """Harmonics of order 2 to 15 of a stretch over its fundamental, shape (n_channels, 14); zero past the band."""
    cycle = look.rate_hz / (look.frequency_hz or 50.0)
    first, stop = round(stretch[0] * cycle), min(round(stretch[1] * cycle), look.values.shape[1])
    x = look.values[:, first:stop]
    orders = np.arange(1, _ORDERS + 1)
    turns = np.exp(-2j * np.pi * np.outer(np.arange(x.shape[1]), orders) / cycle)
    parts = np.abs(_products(x, turns))
    parts[:, orders > 0.45 * cycle] = 0.0
    lead = np.maximum(parts[:, :1], 1e-300)
    ratios: F64 = parts[:, 1:] / lead
    return ratios
