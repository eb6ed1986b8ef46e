"""One transient after another in the residue of a few cycles: where each starts, its modes, its peak and its end.

A transient is fitted as a sum of damped modes from its start on, so that noise is averaged out of what is read from
it. Where one sum does not do, the stretch is cut in two at the place from which a second one leaves least over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.oscillation import FEWEST_SAMPLES, DampedModes, damped_modes, modes_of_poles

F64 = npt.NDArray[np.float64]

APART_S: Final = 1.5e-3  # two transients closer than this are one; half a period of the slowest oscillation
_NOVELTY_S = 0.5e-3
_LEAST_POWER = 1e-12  # pu²: a channel whose samples are all zero, as of a record without a recorder, has no noise
_FEWEST_FITTED = 24  # samples
_MOST_MEANS = 144  # that are fitted: the time for it grows with their cube
_SPECTRUM_SHARE = 0.98
_OVERSAMPLING = 8.0  # of the highest frequency of note, after averaging
_SURE = 4.0  # standard deviations of noise
_INSIDE = 0.2  # of the peak: a sample beyond is inside the transient
_GOOD_FIT = 0.15  # of the peak that a good fit may leave over
_FINE = 8  # instants for each sample, at which a fit is read
_BACK_S = 1.0e-3  # before the first sample inside that the start is looked for
_CONTINUOUS = 8.0  # log-likelihood that a start without a step may cost more
_OPPOSITE = 0.15  # of the peak: a swing to the other side that makes it an oscillation
_MOST_BETWEEN = 1.8  # times the largest sample: a fit that goes farther between samples is none
_DIPPED = 0.7  # of the first peak, below which it must have fallen where a second transient starts
_RISES = 1.5  # power over the power before it, where a second one may start
_MOST_CUTS = 5
_CUT_GAIN = 0.4  # of the energy left over by one fit that two may leave
_QUICKEST = 2.0  # decays in a sample's time, at most
_LASTING_CYCLES = 3.0  # a decay slower than this, of twice the fundamental or less, is no transient's


@dataclass(frozen=True, slots=True)
class Shape:
    """One transient as measured; positions in samples of the stretch.

    Attributes
    ----------
    start, stop : from the first departure to the last instant at the decay level.
    peaks : shape (n_channels,). Largest absolute value. [pu]
    channel : the one with the largest peak.
    peak_at, sign : where that peak is, and its sign.
    oscillates : whether it swings to both sides.
    frequency_hz, decay_s, n_modes : of the strongest oscillating mode, and how many there are; None if none.
    rise_s, width_s : 10-90 % rise to the peak and width at 50 % of it.
    energy_pu2s : integral of the square, of that channel.
    values : shape (n_channels, n). The transient alone, over the whole stretch.
    """

    start: float
    stop: float
    peaks: F64
    channel: int
    peak_at: float
    sign: int
    oscillates: bool
    frequency_hz: float | None
    decay_s: float | None
    n_modes: int | None
    rise_s: float
    width_s: float
    energy_pu2s: float
    values: F64


@dataclass(frozen=True, slots=True)
class Residue:
    """What is measured: values of shape (n_channels, n) [pu], noise RMS of each channel [pu], and the settings."""

    values: F64
    noise: F64
    rate_hz: float
    fundamental_hz: float
    threshold_pu: float
    decay_level: float

    def less(self, values: F64) -> Residue:
        """The same with something taken away."""
        return Residue(
            self.values - values, self.noise, self.rate_hz, self.fundamental_hz, self.threshold_pu, self.decay_level
        )


def shapes_in(residue: Residue, start: int, stop: int, *, deepest: int = 6) -> list[Shape]:
    """The transients of an active stretch [start, stop), at least one.

    Source: derived. Departs: transients that start within 1.5 ms of one another are measured as one.
    """
    whole = _shape(residue, start, stop)
    apart = max(int(APART_S * residue.rate_hz), 4)
    if deepest <= 1 or stop - start < 2 * apart:
        return [whole]
    part = slice(start, stop)
    left = residue.values[:, part] - whole.values[:, part]
    allowed = max(_GOOD_FIT * float(whole.peaks.max()), residue.threshold_pu)
    if _peak(left, residue.noise) <= allowed:
        return [whole]
    best = _CUT_GAIN * float(np.square(left).sum())
    chosen: tuple[Shape, Residue, int] | None = None
    for cut in _cuts(residue, start, stop, apart):
        first = _shape(residue, start, cut)
        rest = residue.less(first.values)
        second = _shape(rest, cut, stop)
        if min(first.peaks.max(), second.peaks.max()) < residue.threshold_pu:
            continue
        energy = float(np.square(rest.values[:, part] - second.values[:, part]).sum())
        if energy < best:
            best, chosen = energy, (first, rest, cut)
    if chosen is None:
        return [whole]
    first, rest, cut = chosen
    return [first, *shapes_in(rest, cut, stop, deepest=deepest - 1)]


def _peak(values: F64, noise: F64) -> float:
    """Largest value after what noise may add to it is taken off."""
    return float((np.abs(values).max(axis=1, initial=0.0) - _SURE * noise).max())


def _cuts(residue: Residue, start: int, stop: int, apart: int) -> list[int]:
    """Places where the power rises after a fall: the strongest rises first."""
    power = np.square(residue.values[:, start:stop]).sum(axis=0)
    total = np.concatenate(([0.0], np.cumsum(power)))
    ahead, behind = max(int(_NOVELTY_S * residue.rate_hz), 3), apart
    at = np.arange(behind, power.size - ahead)
    floor = max(float(np.square(residue.noise).sum()), _LEAST_POWER)
    rise = (total[at + ahead] - total[at]) / ahead / ((total[at] - total[at - behind]) / behind + floor)
    size = np.sqrt(power)
    highest = np.maximum.accumulate(size)
    recent = np.array([size[i - behind // 2 : i].max() for i in at]) if at.size else np.zeros(0)
    rise[recent > _DIPPED * highest[at - 1]] = 0.0
    cuts: list[int] = []
    for i in np.argsort(-rise, kind="stable"):
        if rise[i] < _RISES or len(cuts) == _MOST_CUTS:
            break
        place = start + int(at[i])
        if all(abs(place - cut) >= apart // 2 for cut in cuts):
            cuts.append(place)
    return cuts


def _shape(residue: Residue, start: int, stop: int) -> Shape:
    """Measure what begins in [start, stop) as one transient."""
    values, noise, rate = residue.values, residue.noise, residue.rate_hz
    stop = min(max(stop, start + _FEWEST_FITTED), values.shape[1])
    start = max(min(start, stop - _FEWEST_FITTED), 0)
    heights = np.abs(values[:, start:stop])
    channel = int(heights.max(axis=1).argmax())
    x, sigma = values[channel], float(noise[channel])
    highest = float(heights[channel].max())
    inside = start + int((heights[channel] > max(min(_SURE * sigma, 0.7 * highest), _INSIDE * highest)).argmax())
    earliest = max(start - int(_BACK_S * rate), inside - int(_BACK_S * rate) - 2, 0)
    fitted = _fit(residue, inside, stop)
    begin, first = float(inside), inside
    if fitted.n and _left_over(residue, fitted, inside, stop, highest):
        begin, first = _onset(residue, fitted, inside, earliest, channel)
        if first != inside:
            again = _fit(residue, first, stop)
            if again.n and _left_over(residue, again, first, stop, highest):
                fitted = again
                begin, _ = _onset(residue, fitted, first, max(first - 3, 0), channel)
            else:
                fitted = modes_of_poles(values[:, first:stop], rate_hz=rate, frequency_hz=fitted.frequency_hz,
                                        damping_per_s=fitted.damping_per_s)  # fmt: skip
        good = _left_over(residue, fitted, first, stop, highest)
    else:
        good = False
    if not good:
        quiet = np.abs(x[earliest:inside]) <= max(2.5 * sigma, 0.05 * highest)
        begin = float(earliest + int(np.flatnonzero(quiet)[-1]) + 1) if quiet.any() else float(inside)
    return _read(residue, fitted, good, begin, first, stop, channel)


def _fit(residue: Residue, first: int, stop: int) -> DampedModes:
    """Modes of [first, stop) that decay as a transient does."""
    segment = residue.values[:, first:stop]
    if segment.shape[1] < _FEWEST_FITTED:
        segment = np.pad(segment, ((0, 0), (0, _FEWEST_FITTED - segment.shape[1])))
    seen = np.abs(segment).max(axis=1) > _SURE * residue.noise
    if not seen.any():
        seen[:] = True
    noise = float(np.sqrt(np.square(residue.noise[seen]).mean()))
    average = _average(segment[seen], noise, residue.rate_hz)
    used = segment[seen][:, : _MOST_MEANS * average]
    modes = damped_modes(used, rate_hz=residue.rate_hz, noise_rms=noise, average=average)
    slow = (modes.frequency_hz < 2 * residue.fundamental_hz) & (
        modes.damping_per_s * _LASTING_CYCLES < residue.fundamental_hz
    )
    keep = (modes.damping_per_s > 0) & (modes.damping_per_s < _QUICKEST * residue.rate_hz) & ~slow
    return modes_of_poles(
        segment[:, : max(_MOST_MEANS * average, FEWEST_SAMPLES)],
        rate_hz=residue.rate_hz,
        frequency_hz=modes.frequency_hz[keep],
        damping_per_s=modes.damping_per_s[keep],
    )


def _average(segment: F64, noise: float, rate_hz: float) -> int:
    """How many samples may be averaged into one without loss of what is in them."""
    n = int(segment.shape[1])
    power = (np.abs(np.fft.rfft(segment, axis=1)) ** 2).sum(axis=0) - segment.shape[0] * n * noise**2
    total = np.cumsum(np.maximum(power, 0.0))
    if not total[-1] > 0:
        return 1
    highest_hz = (int(np.searchsorted(total, _SPECTRUM_SHARE * total[-1])) + 1) * rate_hz / n
    return max(min(int(rate_hz / (_OVERSAMPLING * highest_hz)), n // _FEWEST_FITTED), 1)


def _left_over(residue: Residue, modes: DampedModes, first: int, stop: int, highest: float) -> bool:
    """Whether the modes leave next to nothing over."""
    part = residue.values[:, first:stop]
    left = part - modes.at(np.arange(part.shape[1]) / residue.rate_hz)
    bound = np.square(1.5 * residue.noise) + np.square(_GOOD_FIT * highest / 2)
    n = min(part.shape[1], 4 * _FEWEST_FITTED)
    near = np.square(left[:, :n]).mean(axis=1) <= bound
    return bool(near.all()) and _peak(left, residue.noise) <= _GOOD_FIT * highest


def _onset(residue: Residue, modes: DampedModes, first: int, earliest: int, channel: int) -> tuple[float, int]:
    """Start (fractional) and first sample of a transient whose modes are known from `first` on.

    The sample from which on zero is worse than the modes; and where nearly as likely, the instant at which they are
    zero: most transients begin without a step.
    """
    rate = residue.rate_hz
    stop = min(first + 3, residue.values.shape[1])
    at = np.arange(earliest, stop)
    part = residue.values[:, earliest:stop]
    model = modes.at((at - first) / rate)
    weights = 1 / np.square(np.maximum(residue.noise, 1e-6))[:, None]
    gain = ((np.square(part) - np.square(part - model)) * weights).sum(axis=0)
    # Cost of a start at each sample, the samples before it being noise: up to a constant. Summed from the end, since
    # a quick decay, carried back, grows beyond measure.
    cost = -np.cumsum(gain[::-1])[::-1]
    k = int(cost.argmin())
    fine = np.arange(earliest * _FINE, (stop - 1) * _FINE + 1) / _FINE
    wave = modes.at((fine - first) / rate)[channel]
    crossings = np.flatnonzero(wave[:-1] * wave[1:] <= 0)
    if crossings.size:
        a, b = wave[crossings], wave[crossings + 1]
        zeros = fine[crossings] + np.where(a != b, a / np.where(a != b, a - b, 1.0), 0.0) / _FINE
        samples = np.minimum(np.ceil(zeros).astype(np.int64) - earliest, at.size - 1)
        likely = cost[samples] - cost[k] <= _CONTINUOUS
        if likely.any():
            zeros, samples = zeros[likely], samples[likely]
            i = int(np.abs(samples - k).argmin())
            return float(zeros[i]), int(samples[i]) + earliest
    return float(at[k]), int(at[k])


def _read(residue: Residue, modes: DampedModes, good: bool, begin: float, first: int, stop: int, channel: int) -> Shape:
    """What is asked of a transient, from its fit where that is good, else from the samples."""
    rate, n = residue.rate_hz, residue.values.shape[1]
    alone = np.zeros_like(residue.values)
    if good:
        fine = np.arange(np.ceil((begin - 0.5 if begin == first else begin) * _FINE), n * _FINE) / _FINE
        curves = modes.at((fine - first) / rate)
        alone[:, first:] = modes.at(np.arange(n - first) / rate)
    else:
        fine = np.arange(int(begin), min(stop, n), dtype=np.float64)
        curves = residue.values[:, int(begin) : min(stop, n)]
        alone[:, int(begin) : stop] = curves
    peaks = np.abs(curves).max(axis=1)
    if good and peaks.max() > _MOST_BETWEEN * np.abs(residue.values[:, int(begin) : stop]).max():
        return _read(residue, modes, False, float(first), first, stop, channel)
    channel = int(peaks.argmax()) if good else channel
    curve = curves[channel]
    i_peak = int(np.abs(curve).argmax())
    peak, sign = float(peaks[channel]), 1 if curve[i_peak] > 0 else -1
    noise = 0.0 if good else _SURE * float(residue.noise[channel])
    lasting = np.flatnonzero(np.abs(curve) >= max(residue.decay_level * peak, noise))
    end = float(fine[lasting[-1]]) if lasting.size else float(fine[i_peak])
    opposite = float((-sign * curve).max())
    swings = modes.frequency_hz > 2 * residue.fundamental_hz
    oscillates = bool(swings.any()) and opposite >= max(_OPPOSITE * peak, noise)
    strongest = int(np.flatnonzero(swings)[0]) if oscillates else 0
    share = np.square(modes.amplitude).sum(axis=0) / np.maximum(np.abs(modes.damping_per_s), 1e-9)
    rise, width = _rise_and_width(fine, sign * curve, i_peak)
    step = float(fine[1] - fine[0]) if fine.size > 1 else 1.0
    square = float(np.square(curve).sum()) * step
    bias = 0.0 if good else float(residue.noise[channel]) ** 2 * fine.size
    return Shape(
        start=begin,
        stop=max(end, begin + 1.0),
        peaks=peaks,
        channel=channel,
        peak_at=float(fine[i_peak]),
        sign=sign,
        oscillates=oscillates,
        frequency_hz=float(modes.frequency_hz[strongest]) if oscillates else None,
        decay_s=float(1 / modes.damping_per_s[strongest]) if oscillates else None,
        n_modes=int((swings & (share >= 0.02 * share[strongest])).sum()) if oscillates else None,
        rise_s=rise / rate,
        width_s=width / rate,
        energy_pu2s=max(square - bias, 0.0) / rate,
        values=alone,
    )


def _rise_and_width(at: F64, curve: F64, i_peak: int) -> tuple[float, float]:
    """10-90 % rise and 50 % width around the peak of a curve that peaks upwards. [samples]"""
    peak = float(curve[i_peak])

    def crossing(level: float, step: int) -> float:
        i = i_peak
        while 0 <= i + step < curve.size and curve[i + step] > level * peak:
            i += step
        if not 0 <= i + step < curve.size:
            return float(at[i]) + step * 0.5 * (float(at[1] - at[0]) if at.size > 1 else 1.0)
        a, b = float(curve[i]), float(curve[i + step])
        if a == b:  # nothing peaks: a curve of zeros
            return float(at[i])
        return float(at[i] + (at[i + step] - at[i]) * (a - level * peak) / (a - b))

    return crossing(0.9, -1) - crossing(0.1, -1), crossing(0.5, 1) - crossing(0.5, -1)


def unseen_words(rate_hz: float) -> str:
    """What a sampling rate could not have seen of a transient. [Hz] Source: the sampling theorem."""
    half, interval_s = rate_hz / 2, 1 / rate_hz
    highest = f"{half / 1e3:.3g} kHz" if half < 1e6 else f"{half / 1e6:.3g} MHz"
    rise = f"{interval_s * 1e6:.3g} µs" if interval_s < 1e-3 else f"{interval_s * 1e3:.3g} ms"
    return f"nothing above {highest}; rise times under {rise}"
