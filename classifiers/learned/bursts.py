"""Decaying oscillations in what is left of windows, each by least squares: where, how fast, how strong, how long.

Source: derived: for white noise the sum of squares that a wave explains is what speaks for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.reference import TURN, Bools, Complexes, Floats, Ints
from halfcycle.classifiers.learned.windows import N_GRID, PER_CYCLE

FRAME: Final = 64  # grid samples
HOP: Final = 32
N_FRAMES: Final = (N_GRID - FRAME) // HOP + 1
BANDS: Final = (2, 11)  # of the frames' frequencies, two cycles' frequency apart: 200 to 1000 Hz at 50 Hz
_STEP: Final = 16  # grid samples summed at once
_N_STEPS: Final = N_GRID // _STEP
_DECAYS: Final = np.array([0.4, 0.9, 2.0])  # cycles
_LEAST_DECAY: Final = 0.2  # cycles
_MOST_DECAY: Final = 10.0
_SEGMENT: Final = np.arange(-20, 29)  # steps from the strongest frame's middle that a span may cover
_SPAN_EDGES: Final = ([*range(0, 10, 2), *range(10, 23)], [*range(19, 30), *range(30, 50, 2)])
_SPANS: Final = np.array([(i, k) for i in _SPAN_EDGES[0] for k in _SPAN_EDGES[1] if 2 <= k - i <= 28])
_SPAN_STARTS: Final = _SPANS[:, 0].astype(np.intp)
_SPAN_ENDS: Final = _SPANS[:, 1].astype(np.intp)
_LENGTH: Final = 512  # grid samples: the longest span, and the reach of its edges
_POWERS: Final = np.stack([np.arange(_LENGTH) ** k for k in range(3)], axis=1).astype(np.float32)


def _frame_spectra() -> Floats:
    """Shape (64, 2 * 12): cosines and sines under a Hann window whose squares add up to one."""
    window = np.hanning(FRAME + 2)[1:-1]
    window /= np.sqrt(np.sum(window**2))
    angle = 2 * np.pi * np.outer(np.arange(FRAME), np.arange(BANDS[1] + 1)) / FRAME
    return np.asarray(np.hstack([np.cos(angle), np.sin(angle)]) * window[:, None], dtype=np.float32)


_SPECTRA: Final = _frame_spectra()
_ORDERS: Final = 2 * np.arange(BANDS[1]) + 1.0  # between two of the frames' frequencies
_WITHIN: Final = np.exp(-1j * TURN * np.outer(_ORDERS, np.arange(_STEP) - (_STEP - 1) / 2))
_DEMODULATE: Final = np.stack([_WITHIN.real, _WITHIN.imag], axis=2).astype(np.float32)  # (orders, 16, 2)
_CENTRES: Final = np.arange(_N_STEPS) * _STEP + (_STEP - 1) / 2
_ACROSS: Final = np.exp(-1j * TURN * np.outer(_ORDERS, _CENTRES)).astype(np.complex64)


@dataclass(frozen=True, slots=True)
class Bursts:
    """The strongest decaying oscillation of each window. Shapes (n,) unless said otherwise.

    Attributes
    ----------
    gain : sum of squares that it explains. [grid samples]
    amplitude : at its start.
    order : its frequency over nominal.
    decay : time constant. [cycles]
    start, end : grid samples.
    wave : float32, shape (n, 1280).
    """

    gain: Floats
    amplitude: Floats
    order: Floats
    decay: Floats
    start: Ints
    end: Ints
    wave: Floats


def frame_power(rest: Floats) -> Floats:
    """Power in frames of half a cycle, a quarter cycle apart.

    Parameters
    ----------
    rest : shape (n, 1280).

    Returns
    -------
    float32, shape (n, 39, 12): by frame and frequency, steps of two cycles' frequency.
    """
    k = BANDS[1] + 1
    halves = rest.reshape(len(rest), -1, HOP)
    spectra = halves[:, :-1] @ _SPECTRA[:HOP] + halves[:, 1:] @ _SPECTRA[HOP:]
    power: Floats = spectra[..., :k] ** 2 + spectra[..., k:] ** 2
    return power


def find_bursts(rest: Floats) -> Bursts:
    """The strongest decaying oscillation between 200 and 1000 Hz (of 50) in each window.

    Parameters
    ----------
    rest : shape (n, 1280).
    """
    n = len(rest)
    band = frame_power(rest)[..., BANDS[0] : BANDS[1]]
    wide = band[..., :-1] + band[..., 1:]
    runs = (wide[:, :-1] + wide[:, 1:]).reshape(n, -1)
    frame, place = np.divmod(np.argmax(runs, axis=1), wide.shape[2])
    order_index = place + BANDS[0]
    pairs = rest.reshape(n, _N_STEPS, _STEP) @ _DEMODULATE[order_index]
    z = (pairs[..., 0] + 1j * pairs[..., 1]) * _ACROSS[order_index]
    middle = (frame + 1) * (HOP // _STEP) + 1
    near = np.abs(np.arange(_N_STEPS) - middle[:, None]) <= 6
    turn = np.angle(np.sum(z[:, 1:] * np.conj(z[:, :-1]) * near[:, 1:], axis=1))
    z = z * np.exp(-1j * turn[:, None] * np.arange(_N_STEPS)).astype(np.complex64)
    first, last, decay = _best_span(z, middle)
    within = (np.arange(_N_STEPS) >= first[:, None]) & (np.arange(_N_STEPS) < last[:, None])
    lagged = z[:, 2:] * np.conj(z[:, :-2]) * (within[:, 2:] & within[:, :-2])
    turn = turn + np.angle(lagged.sum(axis=1)) / 2
    order = _ORDERS[order_index] + turn / (TURN * _STEP)
    return _fit(rest, order.astype(np.float32), decay.astype(np.float32), first * _STEP, last * _STEP)


def _best_span(z: Complexes, middle: Ints) -> tuple[Ints, Ints, npt.NDArray[np.float64]]:
    """First step, step after the last, and decay with which a wave explains most."""
    n = len(z)
    rows = np.arange(n)
    index = middle[:, None] + _SEGMENT
    valid = (index >= 0) & (index < _N_STEPS)
    part = z[rows[:, None], np.clip(index, 0, _N_STEPS - 1)] * valid
    best = np.full(n, -1.0)
    found, decay = np.zeros(n, dtype=np.intp), np.full(n, _DECAYS[0])
    sums = np.zeros((n, len(_SEGMENT) + 1), dtype=np.complex64)
    squares = np.zeros((n, len(_SEGMENT) + 1), dtype=np.float32)
    for tau in _DECAYS:
        fall = np.exp(-_SEGMENT * _STEP / (tau * PER_CYCLE)).astype(np.float32)
        np.cumsum(part * fall, axis=1, out=sums[:, 1:])
        np.cumsum(fall**2 * valid, axis=1, out=squares[:, 1:])
        between = sums[:, _SPAN_ENDS] - sums[:, _SPAN_STARTS]
        square = squares[:, _SPAN_ENDS] - squares[:, _SPAN_STARTS]
        gain = (between.real**2 + between.imag**2) / (square + 1e-6 * fall[0] ** 2)
        place = np.argmax(gain, axis=1)
        better = gain[rows, place] > best
        found, decay = np.where(better, place, found), np.where(better, tau, decay)
        best = np.maximum(best, gain[rows, place])
    first = np.clip(middle + _SEGMENT[0] + _SPAN_STARTS[found], 0, _N_STEPS - 2)
    last = np.clip(middle + _SEGMENT[0] + _SPAN_ENDS[found], first + 2, _N_STEPS)
    return first, last, decay


def _fit(rest: Floats, order: Floats, decay: Floats, start: Ints, end: Ints) -> Bursts:
    """Amplitude, frequency and decay between edges; then the edges to the sample, and the rest again."""
    n = len(rest)
    rate = (1j * TURN * order - 1 / (decay * PER_CYCLE)).astype(np.complex64)
    origin = np.clip(start - 2 * _STEP, 0, N_GRID - _LENGTH)
    index = origin[:, None] + np.arange(_LENGTH)
    part = rest[np.arange(n)[:, None], index]
    start, end = start - origin, np.minimum(end - origin, _LENGTH)
    within = _within(start, end)
    c, s = _running(rate)
    rate = _better_rate(part, c * within, s * within, rate)
    c, s = _running(rate)
    a, b, _ = _amplitudes(part, c * within, s * within)
    full = a[:, None] * c + b[:, None] * s
    start, end = _edge(part, full, start, rising=True), _edge(part, full, end, rising=False)
    end = np.minimum(np.maximum(end, start + _STEP), _LENGTH)
    within = _within(start, end)
    c *= within
    s *= within
    rate = _better_rate(part, c, s, rate)
    c, s = _running(rate)
    c *= within
    s *= within
    a, b, gain = _amplitudes(part, c, s)
    decay = (-1 / (rate.real * PER_CYCLE)).astype(np.float32)
    whole = np.zeros_like(rest)
    whole[np.arange(n)[:, None], index] = a[:, None] * c + b[:, None] * s
    at_start = np.hypot(a, b) * np.exp(rate.real * start)
    return Bursts(gain, at_start, (rate.imag / TURN).astype(np.float32), decay, start + origin, end + origin, whole)


def _within(start: Ints, end: Ints) -> Bools:
    along = np.arange(_LENGTH)
    return np.asarray((along >= start[:, None]) & (along < end[:, None]))


def _running(rate: Complexes) -> tuple[Floats, Floats]:
    """Real and imaginary part of exp(rate k) for k from 0 to 511, shape (n, 512) each."""
    coarse = np.exp(rate[:, None] * (np.arange(_LENGTH // _STEP, dtype=np.float32) * _STEP))[:, :, None]
    fine = np.exp(rate[:, None] * np.arange(_STEP, dtype=np.float32))[:, None, :]
    c = coarse.real * fine.real
    c -= coarse.imag * fine.imag
    s = coarse.real * fine.imag
    s += coarse.imag * fine.real
    return c.reshape(len(rate), _LENGTH), s.reshape(len(rate), _LENGTH)


def _amplitudes(rest: Floats, c: Floats, s: Floats) -> tuple[Floats, Floats, Floats]:
    """Cosine and sine, and the sum of squares that they explain."""
    cc, ss = np.einsum("ij,ij->i", c, c) + 1e-3, np.einsum("ij,ij->i", s, s) + 1e-3
    cs = np.einsum("ij,ij->i", c, s)
    x, y = np.einsum("ij,ij->i", rest, c), np.einsum("ij,ij->i", rest, s)
    determinant = cc * ss - cs**2
    a, b = (ss * x - cs * y) / determinant, (cc * y - cs * x) / determinant
    return a, b, a * x + b * y


def _better_rate(rest: Floats, c: Floats, s: Floats, rate: Complexes) -> Complexes:
    """One step of Gauss and Newton on frequency and decay; waves turning the other way are left out."""
    size = c * c
    size += s * s
    m0, m1, m2 = (size @ _POWERS).T
    real, imag = (rest * c) @ _POWERS[:, :2], (rest * s) @ _POWERS[:, :2]
    z0, z1 = (real - 1j * imag).T
    level = z0 / np.maximum(m0, 1e-6)
    change = (z1 - level * m1) / np.maximum(m2 - m1**2 / np.maximum(m0, 1e-6), 1e-3)
    step = change / np.where(np.abs(level) > 1e-9, level, 1.0)
    fall = np.clip((rate + step).real, -1 / (_LEAST_DECAY * PER_CYCLE), -1 / (_MOST_DECAY * PER_CYCLE))
    turn = np.clip((rate + step).imag, rate.imag - TURN, rate.imag + TURN)
    return np.asarray((fall + 1j * turn).astype(np.complex64))


def _edge(rest: Floats, wave: Floats, near: Ints, *, rising: bool) -> Ints:
    """The sample where the wave begins (or ends) to explain what is left."""
    span = 2 * _STEP
    index = near[:, None] + np.arange(-span, span)
    valid = (index >= 0) & (index < _LENGTH)
    rows = np.arange(len(rest))[:, None]
    index = np.clip(index, 0, _LENGTH - 1)
    r, w = rest[rows, index], wave[rows, index]
    cost = w * (2 * r - w) * valid * np.float32(1 if rising else -1)
    total = np.zeros((len(rest), 2 * span + 1), dtype=np.float32)
    np.cumsum(cost, axis=1, out=total[:, 1:])
    return np.asarray(np.clip(near + np.argmin(total, axis=1) - span, 0, _LENGTH))
