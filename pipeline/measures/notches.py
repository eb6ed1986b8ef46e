"""Notches: brief reductions of the voltage that come again in each cycle, as a converter's commutation makes them.

Successive cycles are averaged, so that noise and whatever does not repeat fall; a smooth wave is fitted to the points
outside the notches; what the average lacks against it, towards zero, are the notches. Which points lie outside is not
known beforehand: two guesses are refined, and the one whose wave passes through more points is taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import runs

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_SMOOTH_ORDERS: Final = (15, 25)  # highest order of the wave beneath the notches: the more only where it is needed
_ROUGH = 0.002  # of the peak: a sigma about the wave of fewer orders beyond which more of them are tried,
_ROUGH_IN_NOISE = 1.5  # if it is beyond so many times the noise as well
_NEEDED = 0.03  # of the points that they must bring nearer to the wave
_POINTS: Final = (128, 512)  # fewest and most points of an averaged cycle
_BATCH_POINTS = 1 << 17  # looked up at one go
EDGES: Final = 0.3  # of the least depth, that is left of a notch above the smooth orders
_EDGES_CLEAR = 5.0  # times the noise of an average, that it must exceed
_SIGMA = 1.4826  # of a normal distribution, times its median absolute deviation
_WIDEST = 0.1  # of a cycle
_GUESS = (0.2, 0.02)  # of the largest valley, and of the peak: what a first guess takes for a notch
_ROUNDS = 6
_GUESS_ROUNDS = 2  # in which the first guess is held to
_OFF = 3.0  # sigmas from the smooth wave, or
_OFF_PEAK = 0.01  # of the peak, whichever is more: such a point lies off the wave
_STIFFNESS = 1e-8  # holds the wave's high orders down where there are no points,
_STIFFNESS_IN_NOISE = 1.6e-3  # the more, the more noise; times its share of the peak squared
_MOST_LOST = 0.6  # of a cycle: a guess that takes more for notches is none
_MOST_OFF = 0.35  # of a cycle off the wave, beyond which there is no wave with notches but another wave
_CLEAR = 8.0  # sigmas by which a notch stands out
_OUTWARD = 0.7  # of the deepest notch that the wave may be exceeded by (ringing)
_OVERSHOOT = 1.2  # of the largest average that the smooth wave may reach
_MOST_DISTORTED = (
    0.2  # total harmonic distortion of the smooth wave: beyond, the steps of another wave look like notches
)
_COUNTED = 0.25  # of the deepest notch: shallower ones are not counted
_ABRUPT = 0.5  # of a notch's depth, by which it begins and ends within two points
_FOOT = 0.1  # of a notch's depth, where it begins and ends
_LEAST_VOLTAGE = 0.25  # of the peak: below it a depth is given against the peak
_PRESENT = 0.5  # of the average depth, that makes a notch present in a cycle


@dataclass(frozen=True, slots=True)
class NotchSeries:
    """Notches in the averaged cycles of some windows; zeros where there are none.

    Attributes
    ----------
    starts, lengths : float64, shape (n_windows,). [samples]
    rate_hz : of the samples. [Hz]
    n_cycles : averaged in each window.
    depth : float32, shape (n_channels, n_windows). Of the deepest notch. [unit of the samples]
    depth_share : float32, shape (n_channels, n_windows). That depth against the smooth wave's value there; against its
        peak where the value is under a quarter of it. [pu]
    area : float32, shape (n_channels, n_windows). Of the deepest notch. [unit of the samples times s]
    width_s : float32, shape (n_channels, n_windows). Area over depth. [s]
    per_cycle : int16, shape (n_channels, n_windows). Notches of at least a quarter of the depth.
    present : float32, shape (n_channels, n_windows). Share of the cycles in which the deepest one is.
    """

    starts: F64
    lengths: F64
    rate_hz: float
    n_cycles: int
    depth: F32
    depth_share: F32
    area: F32
    width_s: F32
    per_cycle: npt.NDArray[np.int16]
    present: F32


@dataclass(frozen=True, slots=True)
class Notch:
    """One notch of an averaged cycle.

    Attributes
    ----------
    i_deepest : point at which the reduction is largest.
    depth : [unit of the average]
    area : [unit of the average times points]
    voltage : magnitude of the smooth wave over the notch. [unit of the average]
    """

    i_deepest: int
    depth: float
    area: float
    voltage: float


def measure_notches(
    u: npt.ArrayLike,
    *,
    rate_hz: float,
    starts: npt.ArrayLike,
    lengths: npt.ArrayLike,
    n_cycles: int,
    least_depth_pu: float = 0.05,
) -> NotchSeries:
    """Notches in the averaged cycle of each of some windows.

    Parameters
    ----------
    u : shape (n_channels, n_samples) or (n_samples,). Voltage, finite, without a constant part worth naming. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    starts, lengths : shape (n_windows,). Windows of `n_cycles` of the fundamental each. [samples]
    n_cycles : averaged, 1 or more.
    least_depth_pu : shallower ones are not looked for. [pu of the fundamental's peak]

    Returns
    -------
    NotchSeries.

    Raises
    ------
    SignalError : shapes that do not fit, a window beyond the samples, or samples that are not finite.

    Source: IEEE 519-1992, 10.3 and figure 10.2: depth of the notch from the sine wave, in per cent of the voltage
    there; area as depth times width [memory].  Departs: in place of the sine wave stands the wave with its harmonics
    up to order 15, or 25 where it needs them, and a notch may be up to a tenth of a cycle wide. Depth and area are
    right to some per cent from three sample intervals of width on; narrower ones come out shallower. Notches that fill
    over a third of the cycle, or lie on a wave of over 20 % distortion, are not recognised.
    """
    values = np.atleast_2d(np.asarray(u))
    begin = np.atleast_1d(np.asarray(starts, np.float64))
    length = np.atleast_1d(np.asarray(lengths, np.float64))
    _check(values, begin, length, n_cycles, rate_hz)
    shape = (values.shape[0], begin.size)
    series = no_notches(begin, length, rate_hz=rate_hz, n_cycles=n_cycles, n_channels=shape[0])
    if begin.size:
        points = _points(float(np.median(length)) / n_cycles)
        step = max(_BATCH_POINTS // (points * n_cycles), 1)
        for a in range(0, begin.size, step):
            batch = slice(a, a + step)
            whole, share = _places(begin[batch], length[batch], n_cycles, points)
            for c in range(shape[0]):
                cycles = _cycles(values[c], whole, share)
                if not np.isfinite(cycles.sum(dtype=np.float64)):
                    raise SignalError("a window holds samples that are not finite")
                for w, found, peak, present_in in _found(cycles, least_depth_pu):
                    deepest = max(found, key=lambda notch: notch.depth)
                    at = c, a + w
                    seconds = length[a + w] / (rate_hz * n_cycles * points)
                    size = deepest.voltage if deepest.voltage > _LEAST_VOLTAGE * peak else peak
                    series.depth[at], series.depth_share[at] = deepest.depth, deepest.depth / size
                    series.area[at], series.width_s[at] = deepest.area * seconds, deepest.area / deepest.depth * seconds
                    series.per_cycle[at], series.present[at] = len(found), present_in
    return series


def no_notches(starts: F64, lengths: F64, *, rate_hz: float, n_cycles: int, n_channels: int) -> NotchSeries:
    """What `measure_notches` gives of windows without any."""
    depth, share, area, width, present = (np.zeros((n_channels, starts.size), np.float32) for _ in range(5))
    count = np.zeros(depth.shape, np.int16)
    return NotchSeries(starts, lengths, rate_hz, n_cycles, depth, share, area, width, count, present)


def _check(values: npt.NDArray[np.generic], starts: F64, lengths: F64, n_cycles: int, rate_hz: float) -> None:
    if values.ndim != 2 or starts.ndim != 1 or starts.shape != lengths.shape:
        raise SignalError(f"u {values.shape}, starts {starts.shape} and lengths {lengths.shape} must agree in shape")
    if n_cycles < 1 or not rate_hz > 0:
        raise SignalError(f"n_cycles is {n_cycles}, rate_hz {rate_hz:g}; expected 1 or more, and a rate")
    if starts.size and not (
        lengths.min() > 0 and starts.min() >= 0 and (starts + lengths).max() <= values.shape[1] - 1
    ):
        raise SignalError(f"windows must have a length and lie within the {values.shape[1]} samples")


def _points(samples_per_cycle: float) -> int:
    fewest, most = _POINTS
    return int(min(max(1 << int(np.ceil(np.log2(samples_per_cycle))), fewest), most))


def _places(starts: F64, lengths: F64, n_cycles: int, points: int) -> tuple[I64, F32]:
    """Sample before each point of the cycles, and the place beyond it; shape (n_windows, n_cycles, points)."""
    n = n_cycles * points
    places = starts[:, None] + (lengths / n)[:, None] * np.arange(float(n))
    whole = places.astype(np.int64)
    share = (places - whole).astype(np.float32)
    shape = starts.size, n_cycles, points
    return whole.reshape(shape), share.reshape(shape)


def _cycles(row: npt.NDArray[np.generic], whole: I64, share: F32) -> F32:
    """The cycles of windows, interpolated between samples, shape (n_windows, n_cycles, points).

    In a straight line: so an edge between two samples stays between them and does not ring.
    """
    here = row.take(whole).astype(np.float32)
    here += share * (row[1:].take(whole).astype(np.float32) - here)
    return here


def _found(cycles: npt.NDArray[np.floating], least_depth_pu: float) -> list[tuple[int, list[Notch], float, float]]:
    """Windows that have notches: index, the notches, the fundamental's peak, share of cycles with the deepest one."""
    averages = cycles.mean(axis=1, dtype=np.float64)
    points = averages.shape[1]
    lines = np.fft.rfft(averages, axis=1)
    peaks = 2.0 * np.abs(lines[:, 1]) / points
    lines[:, : max(_SMOOTH_ORDERS) + 1] = 0
    edges = np.abs(np.fft.irfft(lines, points, axis=1)).max(axis=1)
    # A notch leaves at least its edges above the smooth orders; what a smooth wave and noise explain needs no notch.
    rows = np.flatnonzero((edges > EDGES * least_depth_pu * peaks) & (peaks > 0))
    noises = np.sqrt(np.median(cycles[rows].var(axis=1, dtype=np.float64), axis=1) / cycles.shape[1])
    needed = edges[rows] > _EDGES_CLEAR * noises
    rows, noises = rows[needed], noises[needed]
    if not rows.size:
        return []
    found = []
    for row, wave, sigma in zip(rows.tolist(), *_smooth_waves(averages[rows], peaks[rows], noises), strict=True):
        inward = np.sign(wave) * (wave - averages[row])
        deepest = float(inward.max())
        if deepest < max(least_depth_pu * peaks[row], _CLEAR * sigma) or -float(inward.min()) > _OUTWARD * deepest:
            continue
        notches = _notches(inward, np.abs(wave), max(_COUNTED * deepest, _CLEAR / 2 * sigma))
        if notches:
            i = max(notches, key=lambda notch: notch.depth).i_deepest
            each = np.sign(wave[i]) * (wave[i] - cycles[row, :, i])
            present = float(np.mean(each >= _PRESENT * deepest))
            found.append((row, notches, float(peaks[row]), present))
    return found


def _notches(inward: F64, size: F64, counted: float) -> list[Notch]:
    """The notches of one average; none where one of them is too wide to be one."""
    first = int(np.argmin(inward))  # certainly outside, so that none goes over the end
    turned = np.roll(inward, -first)
    steps = np.roll(turned, -2) - turned
    notches = []
    inside = turned > _FOOT * counted / _COUNTED
    for a, b in np.column_stack(runs(inside)).tolist():
        part = turned[a:b]
        largest = float(part.max())
        if largest < counted:
            continue
        core = part > largest / 2
        depth = float(np.quantile(part[core], 0.75))  # its edges are smeared over a sample interval or two
        edge = steps[max(a - 2, 0) : b + 1]
        if min(float(edge.max()), -float(edge.min())) < _ABRUPT * depth:
            continue
        area = float(part.sum())
        if area > _WIDEST * inward.size * depth:
            return []
        voltage = float(np.roll(size, -first)[a:b][core].mean())
        notches.append(Notch((a + int(part.argmax()) + first) % inward.size, depth, area, voltage))
    return sorted(notches, key=lambda notch: notch.i_deepest)


def _smooth_waves(averages: F64, peaks: F64, noises: F64) -> tuple[F64, F64]:
    """The wave beneath the notches of each average, and the sigma of what is not notch about it.

    The sigma is infinite, so that nothing stands out, where no wave passes through enough of the points.

    Source: to choose the guess with which the most points agree is the idea of Fischler and Bolles (1981),
    doi:10.1145/358669.358692.
    """
    fundamental = _up_to(averages, 1)
    valleys = [_valleys(wave, fundamental, peaks) for wave in (averages, averages - fundamental)]
    few, more = _SMOOTH_ORDERS
    stiffness = _STIFFNESS + _STIFFNESS_IN_NOISE * (noises / peaks) ** 2
    tries = [_refined(averages, guess, peaks, stiffness, few) for guess in valleys]
    costs = _costs(averages, fundamental, peaks, tries)
    largest = np.maximum(tries[0][1], tries[1][1])
    rough = (largest > np.maximum(_ROUGH * peaks, _ROUGH_IN_NOISE * noises)) | np.isinf(costs.min(axis=0))
    if rough.any():
        for guess in valleys:
            waves, sigmas = averages.copy(), np.full(peaks.size, np.inf)
            waves[rough], sigmas[rough] = _refined(averages[rough], guess[rough], peaks[rough], stiffness[rough], more)
            tries.append((waves, sigmas))
        costs = _costs(averages, fundamental, peaks, tries)
        costs[2:] += _NEEDED
    best, rows = costs.argmin(axis=0), np.arange(peaks.size)
    waves, sigmas = np.stack([wave for wave, _ in tries]), np.stack([sigma for _, sigma in tries])
    return waves[best, rows], np.where(np.isinf(costs[best, rows]), np.inf, sigmas[best, rows])


def _costs(averages: F64, fundamental: F64, peaks: F64, tries: list[tuple[F64, F64]]) -> F64:
    """Share of points off each wave tried, infinite where the wave cannot be one; shape (n_tries, n_averages)."""
    waves, sigmas = np.stack([wave for wave, _ in tries]), np.stack([sigma for _, sigma in tries])
    tolerance = np.maximum(_OFF * sigmas.min(axis=0), _OFF_PEAK * peaks)
    off = (np.abs(averages - waves) > tolerance[:, None]).mean(axis=2)
    distortion = np.sqrt(2.0) * (waves - fundamental).std(axis=2)
    wrong = np.isinf(sigmas) | (off > _MOST_OFF) | (distortion > _MOST_DISTORTED * peaks)
    wrong |= np.abs(waves).max(axis=2) > _OVERSHOOT * np.abs(averages).max(axis=1)
    return np.where(wrong, np.inf, off)


def _up_to(averages: F64, order: int) -> F64:
    lines = np.fft.rfft(averages, axis=1)
    lines[:, 0] = 0
    lines[:, order + 1 :] = 0
    return np.fft.irfft(lines, averages.shape[1], axis=1)


def _valleys(waves: F64, fundamental: F64, peaks: F64) -> Mask:
    """Points in valleys narrower than a notch may be: towards zero, by the sign of the fundamental."""
    from scipy.ndimage import grey_closing, grey_opening

    points = waves.shape[1]
    size = (1, int(_WIDEST * points) | 1)
    filled, cut = grey_closing(waves, size=size, mode="wrap"), grey_opening(waves, size=size, mode="wrap")
    depth = np.where(fundamental > 0, filled - waves, waves - cut)
    of_deepest, of_peak = _GUESS
    return _with_neighbours(depth > np.maximum(of_deepest * depth.max(axis=1), of_peak * peaks)[:, None])


def _with_neighbours(mask: Mask) -> Mask:
    """A mask with a hundredth of a cycle to each side of what it has; all clear where it has nearly everything."""
    wider = mask.copy()
    for shift in range(1, max(mask.shape[1] // 128, 1) + 1):
        wider |= np.roll(mask, shift, axis=1) | np.roll(mask, -shift, axis=1)
    wider[wider.mean(axis=1) > _MOST_LOST] = False
    return wider


def _refined(averages: F64, guess: Mask, peaks: F64, stiffness: F64, order: int) -> tuple[F64, F64]:
    """Least squares over the points not left out, and anew without those that are off it; wave and sigma."""
    waves, sigmas = averages.copy(), peaks.copy()
    left_out = guess.copy()
    rows = np.arange(peaks.size)
    for i in range(_ROUNDS):
        waves[rows] = _least_squares(averages[rows], ~left_out[rows], stiffness[rows], order)
        distance = np.abs(averages[rows] - waves[rows])
        ordered = np.sort(np.where(left_out[rows], np.inf, distance), axis=1)
        middle = np.count_nonzero(~left_out[rows], axis=1) // 2
        sigmas[rows] = _SIGMA * ordered[np.arange(rows.size), middle]
        off = _with_neighbours(distance > np.maximum(_OFF * sigmas[rows], _OFF_PEAK * peaks[rows])[:, None])
        if i < _GUESS_ROUNDS:
            off |= guess[rows]
        changed = (off != left_out[rows]).any(axis=1)
        left_out[rows] = off
        if i >= _GUESS_ROUNDS:
            rows = rows[changed]
        if not rows.size:
            break
    return waves, sigmas


@cache
def _orders(order: int) -> tuple[I64, I64, I64, F64]:
    """Of the normal matrix: difference, its sign, and sum of each two orders from 0 on; what holds high orders down."""
    orders = np.arange(order + 1)
    difference = orders[None, :] - orders[:, None]
    stiff = np.diag(1.0 + np.concatenate([orders, orders[1:]]) ** 4.0)
    return np.abs(difference), np.sign(difference), orders[:, None] + orders, stiff


def _least_squares(averages: F64, kept: Mask, stiffness: F64, order: int) -> F64:
    """The wave of so many orders through the points that are kept.

    Products of cosines and sines are those of the sum and the difference of their orders, so the normal matrix comes
    from the Fourier sums of the mask alone.
    """
    points = averages.shape[1]
    difference, sign, total, stiff = _orders(order)
    mask = np.fft.rfft(kept, axis=1)
    cosine, sine = mask.real, -mask.imag
    c_difference, c_sum = cosine[:, difference], cosine[:, total]
    c_s = sine[:, total] + sign * sine[:, difference]
    n = order + 1
    normal = np.empty((averages.shape[0], 2 * n - 1, 2 * n - 1))
    normal[:, :n, :n] = c_difference + c_sum
    normal[:, n:, n:] = (c_difference - c_sum)[:, 1:, 1:]
    normal[:, :n, n:] = c_s[:, :, 1:]
    normal[:, n:, :n] = c_s[:, :, 1:].transpose(0, 2, 1)
    normal /= 2.0
    normal += points * stiffness[:, None, None] * stiff
    sums = np.fft.rfft(averages * kept, axis=1)[:, :n]
    right = np.concatenate([sums.real, -sums.imag[:, 1:]], axis=1)
    found = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    lines = np.zeros((averages.shape[0], points // 2 + 1), np.complex128)
    lines[:, :n] = found[:, :n]
    lines[:, 1:n] = (lines[:, 1:n] - 1j * found[:, n:]) / 2.0
    return np.fft.irfft(lines * points, points, axis=1)
