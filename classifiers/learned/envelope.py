"""Envelopes of windows: two levels with edges between them, and a slow sine, from sums over quarter cycles.

Source: derived: least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.classifiers.learned.reference import BIN, N_BINS, Floats, Ints
from halfcycle.classifiers.learned.windows import PER_CYCLE

FLICKER_CYCLES: Final = np.arange(0.12, 0.56, 0.02)  # cycles of flicker in a cycle: 6 to 27.5 Hz at 50 Hz

# Edges on whole quarter cycles. What starts with the window is no event: of two levels with one edge, the later is it.
_PAIRS: Final = np.array(
    [(i, k) for i in range(1, N_BINS) for k in range(i + 3, N_BINS + 1) if k - i <= N_BINS - 3]
).T.astype(np.intp)
_BIN_CYCLES: Final = (np.arange(N_BINS) + 0.5) * BIN / PER_CYCLE
_FLICKER_COS: Final = np.cos(2 * np.pi * np.outer(_BIN_CYCLES, FLICKER_CYCLES)).astype(np.float32)
_FLICKER_SIN: Final = np.sin(2 * np.pi * np.outer(_BIN_CYCLES, FLICKER_CYCLES)).astype(np.float32)
_FLICKER_SQUARES: Final = np.hstack([_FLICKER_COS**2, _FLICKER_COS * _FLICKER_SIN, _FLICKER_SIN**2])
_FLICKER: Final = np.hstack([_FLICKER_COS, _FLICKER_SIN])


@dataclass(frozen=True, slots=True)
class Modulation:
    """Least-squares fit of a level and one slow sine to the envelope in a region, for each flicker frequency.

    Attributes
    ----------
    right, square_cc, square_cs, square_ss : of the normal equations, after the level; shapes (n, 2 F) and (n, F).
    """

    right: Floats
    square_cc: Floats
    square_cs: Floats
    square_ss: Floats

    def __add__(self, other: Modulation) -> Modulation:
        return Modulation(
            self.right + other.right,
            self.square_cc + other.square_cc,
            self.square_cs + other.square_cs,
            self.square_ss + other.square_ss,
        )

    def scaled(self, ratio: Floats) -> Modulation:
        """The fit of a sine that is `ratio`, shape (n, 1), as large here."""
        square = ratio * ratio
        return Modulation(self.right * ratio, self.square_cc * square, self.square_cs * square, self.square_ss * square)

    def gain(self) -> tuple[Floats, Floats, Floats]:
        """What each frequency takes off the sum of squares, and its cosine and sine; shape (n, F) each."""
        f = len(FLICKER_CYCLES)
        c, s = self.right[:, :f], self.right[:, f:]
        ridge = 1e-3 * (self.square_cc + self.square_ss) + 1e-6
        cc, ss = self.square_cc + ridge, self.square_ss + ridge
        determinant = cc * ss - self.square_cs**2
        a = (ss * c - self.square_cs * s) / determinant
        b = (cc * s - self.square_cs * c) / determinant
        return a * c + b * s, a, b


def modulation(in_phase: Floats, weight: Floats) -> Modulation:
    """Prepare the fit of a level and a slow sine.

    Parameters
    ----------
    in_phase : shape (n, 40). Sums of y s over a bin's part of the region, s the sine of the fundamental.
    weight : shape (n, 40). Sums of s squared.
    """
    f = len(FLICKER_CYCLES)
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-6)
    rest = in_phase - weight * (in_phase.sum(axis=1, keepdims=True) / total)
    first = weight @ _FLICKER
    squares = weight @ _FLICKER_SQUARES
    c, s = first[:, :f], first[:, f:]
    return Modulation(
        rest @ _FLICKER,
        squares[:, :f] - c * c / total,
        squares[:, f : 2 * f] - c * s / total,
        squares[:, 2 * f :] - s * s / total,
    )


def best_step(in_phase: Floats, weight: Floats) -> tuple[Ints, Ints]:
    """The two edges, in whole bins, between which another level fits best.

    Parameters
    ----------
    in_phase, weight : shape (n, 40), over whole bins.

    Returns
    -------
    First bin and bin after the last, shape (n,) each.
    """
    n = len(in_phase)
    # about the common level, whose square would drown small steps in rounding
    level = in_phase.sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
    about = in_phase - weight * level
    s = np.zeros((N_BINS + 1, n), dtype=np.float32)
    q = np.zeros_like(s)
    np.cumsum(about.T, axis=0, out=s[1:])
    np.cumsum(weight.T, axis=0, out=q[1:])
    inside, square = s[_PAIRS[1]], q[_PAIRS[1]]
    inside -= s[_PAIRS[0]]
    square -= q[_PAIRS[0]]
    outside, rest = s[-1] - inside, q[-1] - square
    inside *= inside
    inside /= square
    outside *= outside
    outside /= rest
    inside += outside
    best = np.argmax(inside, axis=0)
    return _PAIRS[0, best], _PAIRS[1, best]


def flicker_wave(index: Ints, a: Floats, b: Floats) -> Floats:
    """a cos + b sin of the flicker frequency of an index at the bins' middles, shape (n, 40)."""
    wave: Floats = a[:, None] * _FLICKER_COS.T[index] + b[:, None] * _FLICKER_SIN.T[index]
    return wave


def bin_masks(first: Ints, last: Ints, margin: int) -> tuple[Floats, Floats]:
    """Whole bins outside and inside of an event, those at the edges left out; shape (n, 40) each."""
    bins = np.arange(N_BINS)
    first, last = first[:, None], last[:, None]
    inside = (bins >= first + margin) & (bins < last - margin)
    outside = (bins < first - margin) | (bins >= last + margin)
    return outside.astype(np.float32), inside.astype(np.float32)


def coarse_edges(in_phase: Floats, weight: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """Edges in whole bins and the flicker beside them: first the edges and then flicker, and the other way about.

    Returns first, last, the flicker's wave (n, 40), and what is left by no model, flicker, two levels, and both (n, 4).
    """
    rows = np.arange(len(in_phase))

    def left(first: Ints, last: Ints, wave: Floats, *, step: bool) -> Floats:
        rest = in_phase - weight * wave
        outside, inside = bin_masks(first, last, 0)
        keep_out, keep_in = bin_masks(first, last, 1)
        model = np.zeros_like(rest)
        if step:
            for part in (outside, inside):
                w = weight * part
                model += w * ((rest * part).sum(1) / w.sum(1))[:, None]
        else:
            model = weight * (rest.sum(1) / weight.sum(1))[:, None]
        keep = np.maximum(keep_out, keep_in)
        squares: Floats = ((rest - model) ** 2 / weight * keep).sum(1)
        return squares

    def flicker(first: Ints | None, last: Ints | None) -> Floats:
        if first is None or last is None:
            fitted = modulation(in_phase, weight)
        else:
            outside, inside = bin_masks(first, last, 1)
            fitted = modulation(in_phase * outside, weight * outside) + modulation(in_phase * inside, weight * inside)
        gain, a, b = fitted.gain()
        best = np.argmax(gain, axis=1)
        return flicker_wave(best, a[rows, best], b[rows, best])

    none = np.zeros_like(weight)
    first_a, last_a = best_step(in_phase, weight)
    wave_a = flicker(first_a, last_a)
    first_c, last_c = best_step(in_phase - weight * wave_a, weight)
    only = flicker(None, None)
    first_b, last_b = best_step(in_phase - weight * only, weight)
    wave_b = flicker(first_b, last_b)
    first_b, last_b = best_step(in_phase - weight * wave_b, weight)
    ways = [
        (first_a, last_a, wave_a, left(first_a, last_a, wave_a, step=True)),
        (first_c, last_c, wave_a, left(first_c, last_c, wave_a, step=True)),
        (first_b, last_b, wave_b, left(first_b, last_b, wave_b, step=True)),
    ]
    first, last, wave, both = ways[0]
    for other_first, other_last, other_wave, other in ways[1:]:
        better = other < both
        first, last = np.where(better, other_first, first), np.where(better, other_last, last)
        wave, both = np.where(better[:, None], other_wave, wave), np.minimum(both, other)
    levels = np.stack(
        [
            left(first, last, none, step=False),
            left(first, last, only, step=False),
            left(first_a, last_a, none, step=True),
            both,
        ],
        axis=1,
    )
    return first, last, wave, levels
