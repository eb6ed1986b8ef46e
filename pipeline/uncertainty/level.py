"""The level of an event from its one-cycle RMS values: without the bias of the lowest of many, with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

MEAN_OF_WINDOWS: Final = 1.02
"""Times what white noise on fixed windows explains: noise moves the windows, too. Monte Carlo."""

_SURE: Final = 4.0  # times the spread of extremes, by which the range of a flat part may be wider than on average
_ALIKE: Final = 3.0  # times the uncertainty of a difference: levels that close cannot be told apart
_WINDOW: Final = 4.5e-5  # of the level: a window is a little too long or short where an event disturbs the tracked
_WINDOWS: Final = 6.0  # frequency of one channel; it averages out from so many values on. Monte Carlo
_MOVED: Final = 0.5  # steps, by which samples move from cycle to cycle where quantisation averages out. Monte Carlo
_LEAST_FLAT: Final = 2
_LEAST_SPREAD: Final = 4  # values whose spread tells more than their range
_RUN: Final = 3.0  # times the uncertainty of one window: values so close to the extreme belong to it

# Extreme of m values, each over a cycle and half a cycle after the one before, equal but for white noise: its bias and
# its standard deviation in units of one value's. Monte Carlo, 400,000 trials each (JCGM 101); the tests repeat it.
_N_VALUES: Final = (1, 2, 3, 4, 6, 8, 12, 20, 40, 100, 400)
_BIAS: Final = (0.0, 0.398, 0.684, 0.867, 1.119, 1.290, 1.512, 1.774, 2.094, 2.463, 2.944)
_SPREAD: Final = (1.0, 0.916, 0.834, 0.788, 0.722, 0.681, 0.628, 0.573, 0.511, 0.448, 0.386)


@dataclass(frozen=True, slots=True)
class Noise:
    """What makes an RMS value of one window unsure.

    Attributes
    ----------
    sigma : RMS of the noise, per sample. [V]
    step : of quantisation; 0: not known, or none. [V]
    per_window : samples of one window.
    n_tracked : channels that the frequency is tracked by.
    freedom : degrees of freedom that sigma rests on; 0: it is known.
    """

    sigma: float
    step: float
    per_window: float
    n_tracked: int = 1
    freedom: float = 0.0

    def of_windows(self, m: int) -> float:
        """Relative standard uncertainty of the level of m values by the length of their windows."""
        return _WINDOW / self.n_tracked * min(1.0, float(np.sqrt(_WINDOWS / m)))

    def of_window(self, level: float) -> float:
        """Standard uncertainty of one window's RMS at a level: white noise, first and second order. [V]"""
        return float(np.sqrt(self.of_square(level)) / (2 * max(level, self.sigma, 1e-12)))

    def of_square(self, level: float) -> float:
        """Variance of one window's mean square. [V⁴]"""
        return (4 * level**2 * self.sigma**2 + 2 * self.sigma**4) / self.per_window

    def undithered(self, level: float, m: int = 1) -> float:
        """Of quantisation, what noise does not dither, of the level of m values. [V]

        It is not in the noise, which takes windows for independent of one another, where the samples of each cycle lie
        as those of the cycle before; nor is what the RMS of a sinusoid of a few counts is off by.

        Source: per window q/√(12 N), as of noise of its size; of a sinusoid of a few counts the amplitude is off by
        (2q/π) J1(2πA/q), whose root mean square is taken (derived from the quantiser's Fourier series). Both fade with
        normal dither as exp(-2 π² σ²/q²) (Widrow and Kollár, "Quantization Noise", 2008; from memory). Windows are
        independent where samples move by half a step at the zero crossing from one cycle to the next (Monte Carlo).
        """
        if not self.step:
            return 0.0
        own = max(self.sigma**2 - self.step**2 / 12, 0.0)
        counts = max(2 * np.pi * np.sqrt(2) * level / self.step, 1.0)
        of_few = np.sqrt(2) / np.pi / np.sqrt(np.pi * counts)
        moved = abs(self.per_window - round(self.per_window)) * counts / self.per_window
        alike = max(0.0, 1 - moved / _MOVED) * (1 - (2 * m - 1) / m**2) / (12 * self.per_window)
        return float(self.step * np.hypot(of_few, np.sqrt(alike)) * np.exp(-2 * np.pi**2 * own / self.step**2))


@dataclass(frozen=True, slots=True)
class LevelEstimate:
    """A level and its standard uncertainty. [V]  is_flat: it is the mean of a flat part, not an extreme put right."""

    volts: float
    u: float
    is_flat: bool


def level_of(values: npt.ArrayLike, noise: Noise, *, highest: bool = False) -> LevelEstimate | None:
    """The lowest (or highest) level in some half-cycle values of one channel.

    Parameters
    ----------
    values : Urms(1/2) of windows that lie wholly in the event, in order. [V]
    noise : of the record.
    highest : of a swell.

    Returns
    -------
    LevelEstimate. Where all values agree within their noise it is their mean, which the extreme misses by a bias that
    grows with their number; else the extreme, less the bias of an extreme of as many values as lie with it. The noise's
    own power is taken off. None: no value.

    Source: derived; the bias of extremes by Monte Carlo.
    """
    rms = np.asarray(values, np.float64)
    if not rms.size:
        return None
    rms, flat = without_edges(rms, noise)
    extreme = float(rms.max() if highest else rms.min())
    one = noise.of_window(extreme)
    if flat:
        m = rms.size
        square = float(np.mean(rms**2)) - noise.sigma**2
        # Neighbours share half a cycle.
        spread = np.sqrt(noise.of_square(float(np.sqrt(max(square, 0.0)))) * (2 * m - 1) / m**2)
        # Of next to nothing the root of a mean square is not linear: the interval's ends are taken, not the slope.
        ends = np.sqrt(np.maximum([square - 2 * spread, square + 2 * spread], 0.0))
        if square < 2 * spread:
            ends[1] = max(ends[1], extreme)  # the noise may be less where there is no voltage
        volts, u = float(ends.mean()), MEAN_OF_WINDOWS * float(ends[1] - ends[0]) / 4
    else:
        m = _run_length(rms, extreme, _RUN * one)
        bias, share = _of_extreme(m)
        raised = extreme + (-bias if highest else bias) * one
        volts = float(np.sqrt(max(raised**2 - noise.sigma**2, 0.0)))
        u = share * one
    further = noise.undithered(volts, rms.size), noise.of_windows(rms.size) * volts
    return LevelEstimate(volts, float(np.sqrt(u**2 + further[0] ** 2 + further[1] ** 2)), flat)


def without_edges(rms: F64, noise: Noise) -> tuple[F64, bool]:
    """Values without the first and last where these alone are off, and whether what stays is flat.

    A window beside an edge may reach over it.

    Source: derived.
    """
    flat = is_flat(rms, noise)
    if not flat and rms.size > 2 * _LEAST_FLAT and is_flat(rms[1:-1], noise):
        return rms[1:-1], True
    return rms, flat


def is_flat(rms: F64, noise: Noise) -> bool:
    """Whether values differ by no more than their noise explains.

    Source: derived, the range and the spread of normal values.
    """
    lowest, m = float(rms.min()), rms.size
    one, steps, windows = noise.of_window(lowest), noise.undithered(lowest), noise.of_windows(1) * lowest
    bias, share = _of_extreme(m)
    if rms.max() - lowest > (2 * bias + _SURE * share) * one + 2 * steps + 8 * windows:
        return False
    # A drift shows in the spread of all sooner than in the range; that of neighbours with half in common varies so.
    allowed = (one**2 + steps**2 + (4 * windows) ** 2) * (1 + _SURE * np.sqrt(3 / max(m - 1, 1)))
    off = rms - rms.mean()
    return bool(m < _LEAST_SPREAD or off @ off <= allowed * (m - 1))


def worst_level(levels: Sequence[LevelEstimate], *, highest: bool = False) -> LevelEstimate:
    """The lowest (or highest) of some channels' levels; those that cannot be told from it are taken for equal to it.

    Source: JCGM 100:2008, means weighted by the inverse of the variance (from memory).
    """
    alike = alike_levels(levels, highest=highest)
    weights = np.array([1 / max(one.u, 1e-12) ** 2 for one in alike])
    volts = float(weights @ [one.volts for one in alike] / weights.sum())
    return LevelEstimate(volts, float(weights.sum() ** -0.5), all(one.is_flat for one in alike))


def alike_levels(levels: Sequence[LevelEstimate], *, highest: bool = False) -> list[LevelEstimate]:
    """Those that cannot be told from the lowest (or highest). Source: derived."""
    worst = (max if highest else min)(levels, key=lambda one: one.volts)
    return [one for one in levels if abs(one.volts - worst.volts) <= _ALIKE * np.hypot(one.u, worst.u)]


def _run_length(rms: F64, extreme: float, within: float) -> int:
    """How many values in a row lie with the extreme."""
    near = np.abs(rms - extreme) <= within
    at = int(np.abs(rms - extreme).argmin())
    before = np.flatnonzero(~near[:at])
    after = np.flatnonzero(~near[at:])
    first = int(before[-1]) + 1 if before.size else 0
    return (at + int(after[0]) if after.size else rms.size) - first


def _of_extreme(m: int) -> tuple[float, float]:
    """Bias and spread of the extreme of m values, in units of one value's uncertainty."""
    at = np.log(m)
    grid = np.log(_N_VALUES)
    return float(np.interp(at, grid, _BIAS)), float(np.interp(at, grid, _SPREAD))
