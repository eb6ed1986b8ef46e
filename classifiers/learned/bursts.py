"""Decaying oscillations in what is left of windows, each by least squares: where, how fast, how strong, how long.

Source: derived: for white noise the sum of squares that a wave explains is what speaks for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from halfcycle.classifiers.learned.reference import TURN, Complexes, Floats, Ints
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
_LONGEST: Final = 28  # steps of a span
_POWERS: Final = np.stack([np.arange(_LONGEST) ** k for k in range(3)], axis=1).astype(np.float32)
_NEWTON_STEPS: Final = 2
_FALLS: Final = (-_STEP / (_LEAST_DECAY * PER_CYCLE), -_STEP / (_MOST_DECAY * PER_CYCLE))  # of the logarithm in a step
_TURNS: Final = (-TURN * _STEP, TURN * _STEP)


def _frame_spectra() -> Floats:
    """Shape (32, 4 * 12): cosines and sines under a Hann window whose squares add up to one, of both its halves."""
    window = np.hanning(FRAME + 2)[1:-1]
    window /= np.sqrt(np.sum(window**2))
    angle = 2 * np.pi * np.outer(np.arange(FRAME), np.arange(BANDS[1] + 1)) / FRAME
    whole = np.hstack([np.cos(angle), np.sin(angle)]) * window[:, None]
    return np.asarray(np.hstack([whole[:HOP], whole[HOP:]]), dtype=np.float32)


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
    power : float32, shape (n, 39, 12). Of what it was found in, as of `frame_power`.
    """

    gain: Floats
    amplitude: Floats
    order: Floats
    decay: Floats
    start: Ints
    end: Ints
    wave: Floats
    power: Floats


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
    halves = (rest.reshape(-1, HOP) @ _SPECTRA).reshape(len(rest), -1, 4 * k)
    spectra = halves[:, :-1, : 2 * k] + halves[:, 1:, 2 * k :]
    spectra *= spectra
    power: Floats = spectra[..., :k] + spectra[..., k:]
    return power


def find_bursts(rest: Floats) -> Bursts:
    """The strongest decaying oscillation between 200 and 1000 Hz (of 50) in each window.

    Parameters
    ----------
    rest : shape (n, 1280).
    """
    n = len(rest)
    power = frame_power(rest)
    band = power[..., BANDS[0] : BANDS[1]]
    wide = band[..., :-1] + band[..., 1:]
    runs = (wide[:, :-1] + wide[:, 1:]).reshape(n, -1)
    frame, place = np.divmod(np.argmax(runs, axis=1), wide.shape[2])
    order_index = place + BANDS[0]
    pairs = rest.reshape(n, _N_STEPS, _STEP) @ _DEMODULATE[order_index]
    z = pairs.view(np.complex64)[..., 0] * _ACROSS[order_index]
    middle = (frame + 1) * (HOP // _STEP) + 1
    near = np.abs(np.arange(_N_STEPS) - middle[:, None]) <= 6
    turn = np.angle(np.sum(z[:, 1:] * np.conj(z[:, :-1]) * near[:, 1:], axis=1))
    z *= _turning(turn)
    first, last, decay = _best_span(z, middle)
    turning = TURN * _ORDERS[order_index]
    rate, level = _rate(z, first, last, -_STEP / (decay * PER_CYCLE))
    rate = ((rate + 1j * turn) / _STEP + 1j * turning).astype(np.complex64)
    # what a step's sum makes of the wave's value at the first sample
    sum_of_step = _geometric(rate - 1j * turning, np.full(n, _STEP))
    level = 2 * level * np.exp(1j * first * (_STEP * turning + turn)) / sum_of_step
    return _fit(rest, power, rate, level.astype(np.complex64), first * _STEP, last * _STEP)


def _turning(turn: Floats) -> Complexes:
    """exp(-j turn k) for each step k, shape (n, 80)."""
    angle = -turn[:, None].astype(np.float32) * np.arange(_N_STEPS, dtype=np.float32)
    found = np.empty(angle.shape, dtype=np.complex64)
    np.cos(angle, out=found.real)
    np.sin(angle, out=found.imag)
    return found


def _best_span(z: Complexes, middle: Ints) -> tuple[Ints, Ints, npt.NDArray[np.float64]]:
    """First step, step after the last, and decay with which a wave explains most."""
    n = len(z)
    columns = np.arange(n)
    index = (middle + _SEGMENT[:, None]).astype(np.intp)
    valid = ((index >= 0) & (index < _N_STEPS)).astype(np.float32)
    part = z[columns, np.clip(index, 0, _N_STEPS - 1)] * valid
    best = np.full(n, -1.0, dtype=np.float32)
    found, decay = np.zeros(n, dtype=np.intp), np.full(n, _DECAYS[0])
    sums = np.zeros((3, len(_SEGMENT) + 1, n), dtype=np.float32)
    for tau in _DECAYS:
        fall = np.exp(-_SEGMENT * _STEP / (tau * PER_CYCLE)).astype(np.float32)[:, None]
        np.cumsum(part.real * fall, axis=0, out=sums[0, 1:])
        np.cumsum(part.imag * fall, axis=0, out=sums[1, 1:])
        np.cumsum(fall**2 * valid, axis=0, out=sums[2, 1:])
        real, imag, square = (one[_SPAN_ENDS] - one[_SPAN_STARTS] for one in sums)
        real *= real
        imag *= imag
        real += imag
        square += 1e-6 * fall[0] ** 2
        real /= square
        place = np.argmax(real, axis=0)
        gain = real[place, columns]
        better = gain > best
        found, decay = np.where(better, place, found), np.where(better, tau, decay)
        best = np.maximum(best, gain)
    first = np.clip(middle + _SEGMENT[0] + _SPAN_STARTS[found], 0, _N_STEPS - 2)
    last = np.clip(middle + _SEGMENT[0] + _SPAN_ENDS[found], first + 2, _N_STEPS)
    return first, last, decay


def _fit(rest: Floats, power: Floats, rate: Complexes, level: Complexes, start: Ints, end: Ints) -> Bursts:
    """Edges to the sample of the wave Re(level exp(rate (k - start))), and then its amplitude again."""
    n = len(rest)
    rows = np.arange(n)
    first = _edge(rest, rate, level, start, start, rising=True)
    end = _edge(rest, rate, level, start, end, rising=False)
    start = np.minimum(first, N_GRID - _STEP)
    end = np.minimum(np.maximum(end, start + _STEP), np.minimum(start + _LENGTH, N_GRID))
    origin = np.minimum(start, N_GRID - _LENGTH)
    c, s = _running(rate, origin - start)
    along = np.arange(_LENGTH)
    within = ((along >= (start - origin)[:, None]) & (along < (end - origin)[:, None])).astype(np.float32)
    part = sliding_window_view(rest, _LENGTH, axis=1)[rows, origin] * within
    x, y = np.einsum("ij,ij->i", part, c), np.einsum("ij,ij->i", part, s)
    squares, turning = (_geometric(r, end - start) for r in (2 * rate.real + 0j, 2 * rate))
    cc, ss = 0.5 * (squares.real + turning.real) + 1e-3, 0.5 * (squares.real - turning.real) + 1e-3
    cs = 0.5 * turning.imag
    determinant = cc * ss - cs**2
    a, b = (ss * x - cs * y) / determinant, (cc * y - cs * x) / determinant
    c *= a[:, None].astype(np.float32)
    s *= b[:, None].astype(np.float32)
    c += s
    c *= within
    whole = np.zeros_like(rest)
    sliding_window_view(whole, _LENGTH, axis=1, writeable=True)[rows, origin] = c
    return Bursts(
        gain=(a * x + b * y).astype(np.float32), amplitude=np.hypot(a, b).astype(np.float32),
        order=(rate.imag / TURN).astype(np.float32), decay=(-1 / (rate.real * PER_CYCLE)).astype(np.float32),
        start=start, end=end, wave=whole, power=power,
    )  # fmt: skip


def _geometric(rate: Complexes, n: Ints) -> Complexes:
    """Sum of exp(rate k) for k from 0 to n - 1, shape as given."""
    wide = rate.astype(np.complex128)
    return np.asarray((1 - np.exp(wide * n)) / (1 - np.exp(wide)))


def _running(rate: Complexes, first: Ints) -> tuple[Floats, Floats]:
    """Real and imaginary part of exp(rate k) for 512 k from the first on, shape (n, 512) each."""
    coarse = _exponential(rate, first[:, None].astype(np.float32) + np.arange(0, _LENGTH, _STEP, dtype=np.float32))
    fine = _exponential(rate, np.arange(_STEP, dtype=np.float32))
    pairs = coarse.view(np.float32).reshape(len(rate), -1, 2)
    c = pairs @ np.stack([fine.real, -fine.imag], axis=1)
    s = pairs @ np.stack([fine.imag, fine.real], axis=1)
    return c.reshape(len(rate), _LENGTH), s.reshape(len(rate), _LENGTH)


def _exponential(rate: Complexes, along: Floats) -> Complexes:
    """exp(rate k) of n rates and m k."""
    angle = rate.imag[:, None] * along
    found = np.empty(angle.shape, dtype=np.complex64)
    np.cos(angle, out=found.real)
    np.sin(angle, out=found.imag)
    found *= np.exp(rate.real[:, None] * along)
    return found


def _rate(z: Complexes, first: Ints, last: Ints, start: Floats) -> tuple[Complexes, Complexes]:
    """Rate and level of the wave level exp(rate k) of steps k from the first on that explains most of z up to the last.

    start : shape (n,). The rate that Gauss and Newton begin with.
    """
    index = first[:, None] + np.arange(_LONGEST)
    there = (index < last[:, None]).astype(np.float32)
    part = np.take_along_axis(z, np.minimum(index, _N_STEPS - 1), axis=1) * there
    along = np.arange(_LONGEST, dtype=np.float32)
    rate = start.astype(np.complex64)
    for _ in range(_NEWTON_STEPS):
        wave = _exponential(rate, along)
        m0, m1, m2 = (((wave.real**2 + wave.imag**2) * there) @ _POWERS).T
        z0, z1 = ((part * np.conj(wave)) @ _POWERS[:, :2]).T
        level = z0 / np.maximum(m0, 1e-6)
        change = (z1 - level * m1) / np.maximum(m2 - m1**2 / np.maximum(m0, 1e-6), 1e-3)
        rate += change / np.where(np.abs(level) > 1e-9, level, 1.0)
        rate.real = np.clip(rate.real, *_FALLS)
        rate.imag = np.clip(rate.imag, *_TURNS)
    return rate, level


def _edge(rest: Floats, rate: Complexes, level: Complexes, start: Ints, near: Ints, *, rising: bool) -> Ints:
    """The sample where the wave begins (or ends) to explain what is left."""
    span = 2 * _STEP
    index = near[:, None] + np.arange(-span, span)
    valid = (index >= 0) & (index < N_GRID)
    r = np.take_along_axis(rest, np.clip(index, 0, N_GRID - 1), axis=1)
    at_first = level * np.exp(rate * (near - span - start).astype(np.float32))
    w = (at_first[:, None] * _exponential(rate, np.arange(2 * span, dtype=np.float32))).real
    cost = w * (2 * r - w) * valid * np.float32(1 if rising else -1)
    total = np.zeros((len(rest), 2 * span + 1), dtype=np.float32)
    np.cumsum(cost, axis=1, out=total[:, 1:])
    return np.asarray(np.clip(near + np.argmin(total, axis=1) - span, 0, N_GRID))
