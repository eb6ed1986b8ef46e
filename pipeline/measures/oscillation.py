"""Damped sinusoids in a short stretch of samples, by the matrix pencil: finer than any bin of a transform.

A stretch that is a sum of damped sinusoids has a Hankel matrix whose rank is the number of its poles; its leading
singular vectors, shifted by one sample, give the poles as eigenvalues, and least squares the amplitudes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

FEWEST_SAMPLES: Final = 8
_PENCIL = 0.4  # of the samples: columns of the Hankel matrix; noise is least between a third and a half
_NOISE_MARGIN = 1.3  # over the largest singular value that noise alone is expected to have
_DEAD_POLE = 1e-3  # a mode that is gone by the next sample is none
_REAL_POLE = 1e-6  # imaginary part of a pole, of its size, under which it does not oscillate


@dataclass(frozen=True, slots=True)
class DampedModes:
    """A sum of damped sinusoids A exp(-d t) cos(2 pi f t + p), t = 0 at the first sample; the strongest first.

    Attributes
    ----------
    frequency_hz : float64, shape (n_modes,). 0 for a mode that only decays. [Hz]
    damping_per_s : float64, shape (n_modes,). Below zero for one that grows. [1/s]
    amplitude : float64, shape (n_channels, n_modes). At the first sample. [unit of the samples]
    phase_rad : float64, shape (n_channels, n_modes). [rad]
    """

    frequency_hz: F64
    damping_per_s: F64
    amplitude: F64
    phase_rad: F64

    @property
    def n(self) -> int:
        """How many modes."""
        return int(self.frequency_hz.size)

    def at(self, t_s: npt.ArrayLike) -> F64:
        """The sum at instants after (or before) the first sample [s], shape (n_channels, n_instants)."""
        t = np.asarray(t_s, np.float64)
        turning = np.exp((-self.damping_per_s + 2j * np.pi * self.frequency_hz)[:, None] * t)
        values: F64 = ((self.amplitude * np.exp(1j * self.phase_rad)) @ turning).real
        return values

    def chosen(self, modes: npt.ArrayLike) -> DampedModes:
        """Some of the modes, by number or mask."""
        pick = np.asarray(modes)
        return DampedModes(
            self.frequency_hz[pick], self.damping_per_s[pick], self.amplitude[:, pick], self.phase_rad[:, pick]
        )


def damped_modes(
    x: npt.ArrayLike, *, rate_hz: float, noise_rms: float | None = None, most_poles: int = 12, average: int = 1
) -> DampedModes:
    """The damped sinusoids that a stretch of samples is made of.

    Parameters
    ----------
    x : shape (n,) or (n_channels, n). Samples; channels share frequencies and dampings. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    noise_rms : RMS of white noise in x, which tells how many poles stand out; None: judged from the smaller half of
        the singular values. [unit of x]
    most_poles : a sinusoid takes two, a plain decay one.
    average : samples that are averaged into one to find the poles of a slow oscillation sooner; a damped sinusoid
        stays one under it. No frequency above 1 / (2 average) of the rate is told from its image.

    Returns
    -------
    DampedModes; none where nothing stands out of the noise.

    Raises
    ------
    SignalError : x not finite, under 8 (averaged) samples, or a rate, noise, number of poles or average out of range.

    Source: Hua and Sarkar, IEEE Trans. ASSP 38(5), 1990, 814-824, doi:10.1109/29.56027.  Departs: the channels'
    Hankel matrices are stacked; the largest singular value of noise is sigma (sqrt(rows) + sqrt(columns)), the limit
    for independent elements, which those of a Hankel matrix are not quite: hence a margin.
    """
    values = _checked(x, rate_hz)
    if most_poles < 1 or average < 1 or (noise_rms is not None and not noise_rms >= 0):
        raise SignalError(f"noise {noise_rms}, {most_poles} poles or an average of {average} is out of range")
    n_means = values.shape[1] // average
    if n_means < FEWEST_SAMPLES:
        raise SignalError(f"{values.shape[1]} samples give {n_means} means; {FEWEST_SAMPLES} are needed")
    means = values[:, : n_means * average].reshape(values.shape[0], n_means, average).mean(axis=2)
    poles = _poles(means, None if noise_rms is None else noise_rms / np.sqrt(average), most_poles)
    return _with_amplitudes(values, np.asarray(np.log(poles) / average, np.complex128), rate_hz)


def modes_of_poles(
    x: npt.ArrayLike, *, rate_hz: float, frequency_hz: npt.ArrayLike, damping_per_s: npt.ArrayLike
) -> DampedModes:
    """Amplitudes and phases of modes whose frequencies and dampings are known.

    Parameters
    ----------
    x : shape (n,) or (n_channels, n). Samples. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    frequency_hz, damping_per_s : shape (n_modes,). [Hz], [1/s]

    Returns
    -------
    DampedModes, by least squares.

    Raises
    ------
    SignalError : x not finite, under 8 samples, a rate not above zero, or shapes that do not fit.
    """
    values = _checked(x, rate_hz)
    hertz, damping = np.atleast_1d(frequency_hz), np.atleast_1d(damping_per_s)
    if hertz.shape != damping.shape or hertz.ndim != 1:
        raise SignalError(f"frequencies of shape {hertz.shape} do not match dampings of shape {damping.shape}")
    return _with_amplitudes(values, (-damping + 2j * np.pi * hertz) / rate_hz, rate_hz)


def _checked(x: npt.ArrayLike, rate_hz: float) -> F64:
    values = np.atleast_2d(np.asarray(x, np.float64))
    if values.ndim != 2 or values.shape[1] < FEWEST_SAMPLES or not np.isfinite(values).all():
        raise SignalError(f"x of shape {np.shape(x)} must be finite, with {FEWEST_SAMPLES} samples or more")
    if not rate_hz > 0:
        raise SignalError(f"the rate is {rate_hz} Hz; it must be above zero")
    return values


def _poles(values: F64, noise_rms: float | None, most_poles: int) -> C128:
    """Poles in units of one sample, one of each conjugate pair."""
    from scipy.linalg import eigvals, lstsq, svd

    columns = max(int(_PENCIL * values.shape[1]), FEWEST_SAMPLES // 2)
    windows = np.lib.stride_tricks.sliding_window_view(values, columns, axis=1)
    hankel = windows.reshape(-1, columns)
    _, sizes, right = svd(hankel, full_matrices=False, check_finite=False)
    if noise_rms is None:
        limit = 4 * float(np.median(sizes[sizes.size // 2 :]))
    else:
        limit = noise_rms * (np.sqrt(hankel.shape[0]) + np.sqrt(columns)) * _NOISE_MARGIN
    limit = max(float(limit), float(sizes[0]) * max(hankel.shape) * float(np.finfo(np.float64).eps))
    order = min(int((sizes > limit).sum()), most_poles, columns - 1)
    if not order:
        return np.zeros(0, np.complex128)
    signal = right[:order].T
    shift = lstsq(signal[:-1], signal[1:], check_finite=False)[0]
    found: C128 = np.asarray(eigvals(shift, check_finite=False), np.complex128)
    found = found[np.abs(found) > _DEAD_POLE]
    real = np.abs(found.imag) <= _REAL_POLE * np.abs(found)
    return np.concatenate([found[~real & (found.imag > 0)], found[real].real.astype(np.complex128)])


def _with_amplitudes(values: F64, logs: C128, rate_hz: float) -> DampedModes:
    """Least-squares amplitudes of poles, given by their logarithm for each sample; the modes in order of energy."""
    from scipy.linalg import lstsq

    # Growing poles may overflow a long stretch: counted from its end, and in columns of size 1, they do not.
    growth = np.maximum(logs.real * (values.shape[1] - 1), 0.0)
    turning = np.exp(logs[:, None] * np.arange(values.shape[1]) - growth[:, None])
    size = np.sqrt((np.abs(turning) ** 2).sum(axis=1))
    turning /= size[:, None]
    swings = np.abs(np.sin(logs.imag)) > _REAL_POLE  # a real pole, also one below zero, has no part in quadrature
    parts = np.concatenate([turning.real, -turning.imag[swings]])
    heights = np.zeros((values.shape[0], logs.size), np.complex128)
    if logs.size:
        solved = lstsq(parts.T, values.T, check_finite=False)[0].T
        heights += solved[:, : logs.size]
        heights[:, swings] += 1j * solved[:, logs.size :]
    energy = (np.abs(heights) ** 2).sum(axis=0)
    with np.errstate(over="ignore"):  # what grows beyond all numbers began with nothing
        heights /= size * np.exp(growth)
    order = np.argsort(-energy, kind="stable")
    heights, logs = heights[:, order], logs[order]
    return DampedModes(
        np.abs(logs.imag) * rate_hz / (2 * np.pi),
        -logs.real * rate_hz,
        np.abs(heights),
        np.asarray(np.angle(heights), dtype=np.float64),
    )
