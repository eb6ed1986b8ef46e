"""Flickermeter: from the waveform to instantaneous flicker sensation and to short- and long-term severity.

The squared waveform is brought down to some 2 kHz at once, by a triangle whose zeros lie where the rest would fold back
to; all filters run there, so that a sample of a fast record costs little more than its square. State is carried from
piece to piece: the result does not depend on where a record is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.errors import SignalError

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Lamp = Literal[120, 230]

LOWEST_RATE_HZ: Final = 1000.0
SETTLING_S: Final = 60.0  # after the start of a record; IEC 61000-4-15 verifications wait as long at least
SHORT_TERM_S: Final = 600.0
SHORT_TERM_NS: Final = 600 * 10**9
SHORT_TERMS_IN_LONG: Final = 12
_INNER_RATE_HZ = 1600.0  # at which the filters run, at least
_OUTER_RATE_HZ = 400.0  # of the instantaneous sensation that is given, about
_SMOOTHING_S = 0.3
_RMS_TIME_CONSTANT_S = 27.3
_HIGH_PASS_HZ = 0.05
_LOW_PASS_HZ = {50: 35.0, 60: 42.0}
_REFERENCE_HZ = 8.8
_EXACT_HZ = 20.0  # besides 0, where the digital weighting filter has the analogue one's response
_START_S = 2.0  # whose mean the RMS starts from
_CHUNK = 1 << 16  # samples that are squared while they lie in the cache
_PIECE = 1 << 15  # values at the inner rate that the filters take at one go: what they make of them lies in the cache
# Levels exceeded for so many per cent of the time, and the weight that each has in Pst².
_PERCENTS: Final = (0.1, 0.7, 1, 1.5, 2.2, 3, 4, 6, 8, 10, 13, 17, 30, 50, 80)
_WEIGHTS: Final = (0.0314, *[0.0525 / 3] * 3, *[0.0657 / 3] * 3, *[0.28 / 5] * 5, *[0.08 / 3] * 3)


@dataclass(frozen=True, slots=True)
class _LampEye:
    """Weighting filter of a lamp and the eye; angular frequencies over 2 pi. [Hz]

    `reference` is the sinusoidal change of voltage at 8.8 Hz that is just seen, as a share from peak to peak.
    """

    k: float
    damping: float
    w1: float
    w2: float
    w3: float
    w4: float
    reference: float


_LAMPS: Final = {
    230: _LampEye(1.74802, 4.05981, 9.15494, 2.27979, 1.22535, 21.9, 0.00250),
    120: _LampEye(1.6357, 4.167375, 9.077169, 2.939902, 1.394468, 17.31512, 0.00321),
}


def weighting_filter(lamp_v: Lamp) -> tuple[F64, F64, float]:
    """Zeros, poles and gain of the analogue filter of lamp, eye and brain.

    Parameters
    ----------
    lamp_v : voltage of the reference lamp, 120 or 230. [V]

    Returns
    -------
    (zeros, poles, gain) : complex128, [rad/s]; the gain of the highest power of s.

    Source: IEC 61000-4-15:2010, 5.4 and Table 3.
    """
    lamp = _LAMPS[lamp_v]
    turn = 2 * np.pi
    w1, damping = turn * lamp.w1, turn * lamp.damping
    w2, w3, w4 = turn * lamp.w2, turn * lamp.w3, turn * lamp.w4
    pair = -damping + 1j * np.sqrt(w1**2 - damping**2)
    zeros, poles = np.array([0.0, -w2]), np.array([pair, pair.conjugate(), -w3, -w4])
    return zeros, poles, lamp.k * w1 * w3 * w4 / w2


class Flickermeter:
    """Takes voltages in pieces of any size and gives their instantaneous flicker sensation, Pinst.

    Parameters
    ----------
    n_channels : voltages measured side by side.
    rate_hz : of the samples. Only what lies within 40 Hz of half the rate folds back when it is squared. [Hz]
    lamp_v : voltage of the reference lamp, 120 or 230; it chooses the weighting filter. [V]
    nominal_hz : of the system, 50 or 60; it chooses the low-pass of 35 or 42 Hz. [Hz]

    Raises
    ------
    SignalError : no channel, a rate below `LOWEST_RATE_HZ`, another lamp or frequency.

    Source: IEC 61000-4-15:2010, 5.2 to 5.5.  Departs: input ranges need no switch, since values are floats; the meter
    starts as if the voltage had been steady before.

    Examples
    --------
    >>> t = np.arange(20 * 1600) / 1600  # a voltage that fluctuates by 1 % at 8.8 Hz
    >>> u = (1 + 0.005 * np.sin(2 * np.pi * 8.8 * t)) * np.sin(2 * np.pi * 50 * t)
    >>> meter = hc.Flickermeter(n_channels=1, rate_hz=1600, lamp_v=230, nominal_hz=50)
    >>> round(float(meter.push(u[None])[0, -100:].max()))  # Pinst: a fluctuation of 0.25 % makes 1, four times it 16
    16
    """

    def __init__(self, *, n_channels: int, rate_hz: float, lamp_v: Lamp, nominal_hz: float) -> None:
        if n_channels < 1 or not rate_hz >= LOWEST_RATE_HZ:
            raise SignalError(
                f"{n_channels} channels at {rate_hz:g} Hz; a flickermeter needs 1 and at least {LOWEST_RATE_HZ:g}"
            )
        if lamp_v not in _LAMPS or nominal_hz not in _LOW_PASS_HZ:
            raise SignalError(f"a lamp of {lamp_v} V at {nominal_hz:g} Hz; allowed are 120 and 230 V, 50 and 60 Hz")
        self._decimation = max(int(rate_hz // _INNER_RATE_HZ), 1)
        self._inner_hz = rate_hz / self._decimation
        self._every = max(int(self._inner_hz // _OUTER_RATE_HZ), 1)
        self.output_rate_hz: float = self._inner_hz / self._every
        self._filters = _filters(self._inner_hz, self._decimation, lamp_v, int(nominal_hz))
        self._half_cycle = self._inner_hz / (2 * nominal_hz)
        self._rest: Raw = np.zeros((n_channels, 0), np.float32)  # samples that do not fill a block
        self._rise = np.zeros((n_channels, 0), np.float32)  # what the last block gives to the next value
        self._waiting: F32 | None = np.zeros((n_channels, 0), np.float32)  # mean squares until there are enough
        self._before = np.zeros((n_channels, 0), np.float32)  # mean squares of the last half cycle
        self._states: _States | None = None
        self._skip = 0  # values until the next that is given

    @property
    def delay_s(self) -> float:
        """From the record's first sample to the first value of Pinst; the filters' own delay not counted. [s]"""
        return (self._decimation * (1 + int(self._half_cycle)) - 1) / (self._inner_hz * self._decimation)

    def push(self, samples: Raw) -> F32:
        """Pinst of the next samples.

        Parameters
        ----------
        samples : shape (n_channels, n), finite. Voltages in any unit without an offset, or raw samples. [any unit]

        Returns
        -------
        float32, shape (n_channels, m), at `output_rate_hz`; 1 is what half of all people just see. [1]

        Raises
        ------
        SignalError : samples of another number of channels, or not finite.
        """
        if samples.ndim != 2 or samples.shape[0] != self._rest.shape[0]:
            raise SignalError(f"samples have shape {samples.shape}; expected ({self._rest.shape[0]}, n)")
        step = _PIECE * self._decimation
        pieces = [self._pushed(samples[:, a : a + step]) for a in range(0, samples.shape[1], step)]
        return np.concatenate(pieces, axis=1) if pieces else np.zeros((samples.shape[0], 0), np.float32)

    def _pushed(self, samples: Raw) -> F32:
        """Pinst of a piece."""
        mean_square = self._decimated(samples)
        if not np.isfinite(mean_square).all():
            raise SignalError("a flickermeter was given samples that are not finite")
        if self._waiting is not None:
            mean_square = np.concatenate([self._waiting, mean_square], axis=1)
            if mean_square.shape[1] < _START_S * self._inner_hz:
                self._waiting = mean_square
                return np.zeros((samples.shape[0], 0), np.float32)
            self._waiting = None
        level = self._half_cycle_means(mean_square)
        if not level.shape[1]:
            return np.zeros((samples.shape[0], 0), np.float32)
        pinst = self._filtered(mean_square[:, -level.shape[1] :], np.sqrt(level))
        kept = pinst[:, self._skip :: self._every]
        self._skip = (self._skip - pinst.shape[1]) % self._every
        return kept.astype(np.float32)

    def _decimated(self, samples: Raw) -> F32:
        """Mean squares under a triangle of two blocks, one for each block."""
        m = self._decimation
        if self._rest.shape[1]:
            samples = np.concatenate([self._rest, samples], axis=1)
        n = samples.shape[1] // m
        both = np.empty((samples.shape[0], n, 2), np.float32)
        slopes = np.stack([np.arange(1.0, m + 1), np.arange(m - 1.0, -1, -1)], axis=1).astype(np.float32) / m**2
        step = max(_CHUNK // m, 1)
        work = np.empty(step * m, np.float32)
        for c, row in enumerate(samples):
            for a in range(0, n, step):
                b = min(a + step, n)
                part = work[: (b - a) * m]
                np.copyto(part, row[a * m : b * m], casting="unsafe")
                np.multiply(part, part, out=part)
                np.matmul(part.reshape(-1, m), slopes, out=both[c, a:b])
        self._rest = samples[:, n * m :].copy()
        rise = np.concatenate([self._rise, both[:, :, 0]], axis=1)
        first = both.shape[1] - rise.shape[1] + 1  # the first block of all has none before it
        self._rise = rise[:, -1:]
        return np.asarray(rise[:, :-1] + both[:, first:, 1])

    def _half_cycle_means(self, mean_square: F32) -> F64:
        """Mean over the last nominal half cycle, as far as there is a whole one."""
        whole = int(self._half_cycle)
        values = np.concatenate([self._before, mean_square], axis=1).astype(np.float64)
        self._before = values[:, -whole:].astype(np.float32)
        n = max(values.shape[1] - whole, 0)
        if not n:
            return np.zeros((values.shape[0], 0))
        sums = np.cumsum(np.concatenate([np.zeros((values.shape[0], 1)), values], axis=1), axis=1)
        share = self._half_cycle - whole
        means: F64 = (sums[:, whole + 1 :] - sums[:, 1 : n + 1] + share * values[:, :n]) / self._half_cycle
        return means

    def _filtered(self, mean_square: F32, rms: F64) -> F64:
        from scipy.signal import sosfilt

        f = self._filters
        if self._states is None:  # as if this level had been there for ever, and nothing had been seen
            level = rms[:, : int(_START_S * self._inner_hz) - int(self._half_cycle)].mean(axis=1, keepdims=True)
            self._states = _States(
                f.start.rms * level, np.repeat(f.start.band, rms.shape[0], axis=1),
                np.repeat(f.start.smoothing, rms.shape[0], axis=1),
            )  # fmt: skip
        smooth, rms_state = sosfilt(f.rms, rms, axis=1, zi=self._states.rms)
        level = np.square(smooth, out=smooth)
        relative = np.divide(mean_square, level, out=np.ones_like(level), where=level > 0)
        seen, band_state = sosfilt(f.band, relative, axis=1, zi=self._states.band)
        pinst, smoothing_state = sosfilt(f.smoothing, np.square(seen, out=seen), axis=1, zi=self._states.smoothing)
        self._states = _States(rms_state, band_state, smoothing_state)
        return np.asarray(pinst, np.float64)


@dataclass(frozen=True, slots=True)
class _States:
    """States of the filters, each of shape (n_sections, n_channels, 2)."""

    rms: F64
    band: F64
    smoothing: F64


@dataclass(frozen=True, slots=True)
class _Filters:
    """Digital filters as sections: RMS, band and lamp, smoothing with the scale in it; `start` of one steady volt."""

    rms: F64
    band: F64
    smoothing: F64
    start: _States


@cache
def _filters(rate_hz: float, decimation: int, lamp_v: Lamp, nominal_hz: int) -> _Filters:
    from scipy.signal import bilinear, bilinear_zpk, butter, sosfilt_zi, sosfreqz, zpk2sos

    zeros, poles, gain = weighting_filter(lamp_v)
    corner = 2 * np.pi * _HIGH_PASS_HZ
    # A rate for which the bilinear transform bends the axis so little more that it meets `_EXACT_HZ`.
    bent_hz = np.pi * _EXACT_HZ / np.tan(np.pi * _EXACT_HZ / rate_hz)
    weighting = zpk2sos(*bilinear_zpk(np.append(zeros, 0.0), np.append(poles, -corner), gain, bent_hz))
    low_pass = butter(6, _LOW_PASS_HZ[nominal_hz], fs=rate_hz, output="sos")
    side = -(1 - 1 / decimation**2) / 12
    levelled = np.array([[side, 1 - 2 * side, side, 1.0, 0.0, 0.0]])  # makes up for the triangle's fall, to f⁴
    band = np.concatenate([levelled, low_pass, weighting])
    _, response = sosfreqz(band, [_REFERENCE_HZ], fs=rate_hz)
    # (1 + d/2 sin)² is 1 + d sin and a trace: its square after the filter swings about half of (d |H|)².
    swing = 1 / np.sqrt(1 + (4 * np.pi * _REFERENCE_HZ * _SMOOTHING_S) ** 2)
    peak = (_LAMPS[lamp_v].reference * np.abs(response[0])) ** 2 / 2 * (1 + swing)
    b, a = bilinear([1.0], [_SMOOTHING_S, 1.0], rate_hz)
    smoothing = np.array([[*(b / peak), 0.0, *a, 0.0]])
    memory = np.exp(-1 / (rate_hz * _RMS_TIME_CONSTANT_S))
    rms = np.array([[1 - memory, 0.0, 0.0, 1.0, -memory, 0.0]])
    start = _States(sosfilt_zi(rms)[:, None, :], sosfilt_zi(band)[:, None, :], np.zeros((1, 1, 2)))
    return _Filters(rms, band, smoothing, start)


def short_term_severity(pinst: npt.ArrayLike) -> F64:
    """Short-term flicker severity, Pst, of instantaneous sensation over ten minutes.

    Parameters
    ----------
    pinst : shape (..., n), n >= 1, evenly spaced in time. [1]

    Returns
    -------
    float64, shape (...). [1]

    Raises
    ------
    SignalError : no value, or one that is not finite.

    Source: IEC 61000-4-15:2010, 5.7.2.  Departs: levels are taken from the values themselves, not from classes.

    Examples
    --------
    >>> round(float(hc.short_term_severity(np.full(1000, 1.0))), 2)  # steady sensation of 1
    0.71
    """
    values = np.asarray(pinst)
    if values.ndim < 1 or not values.shape[-1] or not np.isfinite(values).all():
        raise SignalError(f"Pinst of shape {values.shape}; expected at least one finite value")
    levels = np.quantile(values, 1 - np.array(_PERCENTS) / 100, axis=-1)
    severity: F64 = np.sqrt(np.tensordot(np.array(_WEIGHTS), levels.astype(np.float64), axes=1))
    return severity


def long_term_severity(pst: npt.ArrayLike) -> F64:
    """Long-term flicker severity, Plt, of twelve short-term ones that follow one another.

    Parameters
    ----------
    pst : shape (..., 12). [1]

    Returns
    -------
    float64, shape (...). [1]

    Raises
    ------
    SignalError : another number than twelve.

    Source: IEC 61000-4-15:2010, 5.7.3.

    Examples
    --------
    >>> round(float(hc.long_term_severity([0.8] * 12)), 3)
    0.8
    """
    values = np.asarray(pst, np.float64)
    if values.ndim < 1 or values.shape[-1] != SHORT_TERMS_IN_LONG:
        raise SignalError(f"Pst of shape {values.shape}; expected (..., {SHORT_TERMS_IN_LONG})")
    severity: F64 = np.cbrt((values**3).mean(axis=-1))
    return severity
