"""Envelopes of windows: two levels with edges between them, and a slow sine beside them.

Phasors of half cycles, a quarter cycle apart, show both in amplitude and in phase: what harmonics and the other way of
turning leave of a half cycle is nothing.
Source: derived: least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np

from halfcycle.classifiers.learned.reference import BIN, CENTRE, N_BINS, TURN, Bools, Complexes, Floats, Ints
from halfcycle.classifiers.learned.windows import PER_CYCLE

FLICKER_CYCLES: Final = np.arange(0.12, 0.56, 0.02)  # cycles of flicker in a cycle: 6 to 27.5 Hz at 50 Hz
N_HALVES: Final = N_BINS - 1
_ENERGY: Final = BIN / 2  # of a unit phasor in a quarter cycle
_HALF_CENTRE: Final = (CENTRE[1:] + CENTRE[:-1]) / 2
_LEAST_LONG: Final = 7  # quarter cycles from which a region can do without those beside its edges
_MOST_DEVIATION: Final = 0.02  # of the frequency, relative

# Edges between half cycles. What starts with the window is no event: of two levels with one edge, the later is it.
_LEAST_BETWEEN: Final = 3
_PAIRS: Final = np.array(
    [
        (i, k)
        for i in range(1, N_HALVES, 2)
        for k in (*range(i + _LEAST_BETWEEN, N_HALVES, 2), N_HALVES)
        if _LEAST_BETWEEN <= k - i <= N_HALVES - _LEAST_BETWEEN
    ]
).T.astype(np.intp)
_SHARES: Final = (1 / np.arange(1, N_HALVES) + 1 / (N_HALVES - np.arange(1, N_HALVES))).astype(np.float32)
_SHARE: Final = _SHARES[_PAIRS[1] - _PAIRS[0] - 1][:, None]
_BESIDE: Final = np.array([(i, k) for i in range(-1, 2) for k in range(-1, 2)]).T.astype(np.intp)


@dataclass(frozen=True, slots=True)
class _Sines:
    """Cosines and sines of the flicker's frequencies at some places, and their products, as matrices."""

    both: Floats
    squares: Floats

    @classmethod
    def at(cls, cycles: Floats, *, mean_over: float) -> Self:
        """Means over some cycles about each place."""
        damped = np.sinc(FLICKER_CYCLES * mean_over)
        cos = (np.cos(2 * np.pi * np.outer(cycles, FLICKER_CYCLES)) * damped).astype(np.float32)
        sin = (np.sin(2 * np.pi * np.outer(cycles, FLICKER_CYCLES)) * damped).astype(np.float32)
        return cls(np.hstack([cos, sin]), np.hstack([cos**2, cos * sin, sin**2]))


_OF_BINS: Final = _Sines.at((np.arange(N_BINS) + 0.5) * BIN / PER_CYCLE, mean_over=0.0)
_OF_HALVES: Final = _Sines.at((np.arange(N_HALVES) + 1.0) * BIN / PER_CYCLE, mean_over=0.5)


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
    return _modulation(in_phase, weight, _OF_BINS)


def _modulation(in_phase: Floats, weight: Floats, sines: _Sines) -> Modulation:
    f = len(FLICKER_CYCLES)
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-6)
    rest = in_phase - weight * (in_phase.sum(axis=1, keepdims=True) / total)
    first = weight @ sines.both
    squares = weight @ sines.squares
    c, s = first[:, :f], first[:, f:]
    return Modulation(
        rest @ sines.both,
        squares[:, :f] - c * c / total,
        squares[:, f : 2 * f] - c * s / total,
        squares[:, 2 * f :] - s * s / total,
    )


def half_cycles(sums: Complexes) -> Complexes:
    """Phasors of half cycles a quarter cycle apart, at the nominal frequency: complex64, shape (n, 39).

    Parameters
    ----------
    sums : shape (n, 40). Of y exp(-j place) over quarter cycles, the phase zero in the middle of each.
    """
    turned = sums * _TURNS_BACK
    return np.asarray((turned[:, 1:] + turned[:, :-1]) * np.float32(1 / BIN))


_TURNS_BACK: Final = np.exp(-1j * TURN * CENTRE).astype(np.complex64)


def turned_by(halves: Complexes, deviation: Floats) -> Complexes:
    """Phasors as a reference sees them whose frequency is off by `deviation`, shape (n,), relative."""
    angle = (-TURN * deviation[:, None]).astype(np.float32) * _HALF_CENTRE.astype(np.float32)
    turn = np.empty(angle.shape, dtype=np.complex64)
    np.cos(angle, out=turn.real)
    np.sin(angle, out=turn.imag)
    return np.asarray(halves * turn)


def rough_deviation(halves: Complexes) -> Floats:
    """Deviation of the frequency from nominal, relative: the median turn of the phasors in a cycle.

    A jump in phase shows in few of the turns.

    Parameters
    ----------
    halves : shape (n, 39), at the nominal frequency.

    Returns
    -------
    float64, shape (n,), within 2 %.
    """
    products = halves[:, 4:] * np.conj(halves[:, :-4])
    angles = np.angle(products)
    order = np.argsort(angles, axis=1)
    weight = np.take_along_axis(np.abs(products), order, axis=1).cumsum(axis=1)
    middle = np.argmax(weight >= 0.5 * weight[:, -1:], axis=1)
    turn = angles[np.arange(len(angles)), order[np.arange(len(angles)), middle]]
    return np.asarray(np.clip(turn.astype(np.float64) / (2 * np.pi), -_MOST_DEVIATION, _MOST_DEVIATION))


def further_deviation(z: Complexes, first: Ints, last: Ints) -> Floats:
    """By how much more the frequency is off, from the turning of the phasors within both regions, shape (n,)."""
    top, bottom = np.zeros(len(z)), np.zeros(len(z))
    for mask in half_masks(first, last, 2):
        kept = mask.astype(np.float32)
        n = np.maximum(kept.sum(axis=1, keepdims=True), 1.0)
        level = (z * kept).sum(axis=1, keepdims=True) / n
        place = _HALF_CENTRE - (kept @ _HALF_CENTRE)[:, None] / n
        top += ((z * np.conj(level)).imag * kept * place).sum(axis=1)
        bottom += np.abs(level[:, 0]) ** 2 * (kept * place**2).sum(axis=1)
    return np.asarray(np.clip(top / np.maximum(bottom, 1e-12) / TURN, -_MOST_DEVIATION, _MOST_DEVIATION))


def best_step(z: Complexes) -> tuple[Ints, Ints]:
    """The two edges, between half cycles, between which another level fits best, in amplitude or in phase.

    Parameters
    ----------
    z : shape (n, 39).

    Returns
    -------
    First half cycle and the one after the last, shape (n,) each; edge i lies in the middle of quarter cycle i.
    """
    n = len(z)
    # about the common level, whose square would drown small steps in rounding
    about = (z - z.mean(axis=1, keepdims=True)).T
    sums = np.zeros((2, N_HALVES + 1, n), dtype=np.float32)
    np.cumsum(about.real, axis=0, out=sums[0, 1:])
    np.cumsum(about.imag, axis=0, out=sums[1, 1:])
    gain = _squares(sums, (_PAIRS[0], _PAIRS[1]))
    gain *= _SHARE
    best = np.argmax(gain, axis=0)
    # every other pair was tried; now those beside the best one
    first = np.clip(_PAIRS[0, best] + _BESIDE[0][:, None], 1, N_HALVES - _LEAST_BETWEEN)
    most = np.minimum(first + N_HALVES - _LEAST_BETWEEN, N_HALVES)
    last = np.clip(_PAIRS[1, best] + _BESIDE[1][:, None], first + _LEAST_BETWEEN, most)
    columns = np.arange(n)
    gain = _squares(sums, ((first, columns), (last, columns))) * _SHARES[last - first - 1]
    best = np.argmax(gain, axis=0)
    return first[best, columns], last[best, columns]


def _squares(sums: Floats, pairs: tuple[Any, Any]) -> Floats:
    """Squares of sums between two places, of real and imaginary part together; places index `sums` of each."""
    found = 0.0
    for part in sums:
        inside = part[pairs[1]]
        inside -= part[pairs[0]]
        inside *= inside
        found += inside
    return np.asarray(found)


def flicker_wave(index: Ints, a: Floats, b: Floats) -> Floats:
    """a cos + b sin of the flicker frequency of an index at the bins' middles, shape (n, 40)."""
    return _wave(_OF_BINS, index, a, b)


def _wave(sines: _Sines, index: Ints, a: Floats, b: Floats) -> Floats:
    cos, sin = sines.both.T[index], sines.both.T[index + len(FLICKER_CYCLES)]
    wave: Floats = a[:, None] * cos + b[:, None] * sin
    return wave


def half_masks(first: Ints, last: Ints, margin: int) -> tuple[Bools, Bools]:
    """Half cycles outside and inside of an event, `margin` left out astride each edge; shape (n, 39) each."""
    index = np.arange(N_HALVES)
    lower, upper = margin // 2, (margin + 1) // 2
    first, last = first[:, None], last[:, None]
    inside = (index >= first + lower) & (index < last - upper)
    outside = (index < first - upper) | (index >= last + lower)
    return np.asarray(outside), np.asarray(inside)


def bin_masks(first: Ints, last: Ints) -> tuple[Bools, Bools]:
    """Whole quarter cycles outside and inside of an event between half cycles; shape (n, 40) each.

    Those with an edge are left out, and where a region is long their neighbours too.
    """
    index = np.arange(N_BINS)
    inner = (last - first >= _LEAST_LONG).astype(np.intp)[:, None]
    outer = (N_HALVES - last + first >= _LEAST_LONG).astype(np.intp)[:, None]
    first, last = first[:, None], last[:, None]
    inside = (index > first + inner) & (index < last - inner)
    outside = (index < first - outer) | (index > last + outer)
    return np.asarray(outside), np.asarray(inside)


Flicker = tuple[Ints, Floats, Floats]  # index of the frequency, cosine, sine


@dataclass(frozen=True, slots=True)
class _Levels:
    """Phasors turned so that the level of their region is real.

    Attributes
    ----------
    turned : complex64, shape (n, 39).
    turns : complex64, shape (n, 39). What they were turned by.
    kept : float32, shape (n, 39), outside and inside. Not astride an edge.
    """

    turned: Complexes
    turns: Complexes
    kept: tuple[Floats, Floats]

    @classmethod
    def of(cls, z: Complexes, first: Ints, last: Ints) -> Self:
        """Two regions with an edge between them; edges in one place: one region."""
        kept = [mask.astype(np.float32) for mask in half_masks(first, last, 2)]
        turns = []
        for mask in kept:
            level = np.einsum("ij,ij->i", z, mask)
            turns.append(np.conj(level) / np.maximum(np.abs(level), 1e-12))
        _, inside = half_masks(first, last, 0)
        by = np.where(inside, turns[1][:, None], turns[0][:, None])
        return cls(z * by, by, (kept[0], kept[1]))

    def flicker(self) -> Flicker:
        """The slow sine that explains most of the amplitudes."""
        outside, inside = (_modulation(self.turned.real * kept, kept, _OF_HALVES) for kept in self.kept)
        gain, a, b = (outside + inside).gain()
        best = np.argmax(gain, axis=1)
        rows = np.arange(len(best))
        return best, a[rows, best], b[rows, best]

    def without(self, flicker: Flicker) -> Complexes:
        """The phasors less a slow sine of their amplitude, turned as they were."""
        return np.asarray((self.turned - _wave(_OF_HALVES, *flicker)) * np.conj(self.turns))

    def left(self, flicker: Flicker | None, kept: tuple[Floats, Floats] | None = None) -> Floats:
        """Sum of squares that levels and a slow sine leave of what is kept of some regions, shape (n,)."""
        rest = self.turned if flicker is None else self.turned - _wave(_OF_HALVES, *flicker)
        total = np.zeros(len(rest), dtype=np.float32)
        parts = self.kept if kept is None else (kept[0] + kept[1],)
        for part in parts:
            level = np.einsum("ij,ij->i", rest, part) / np.maximum(part.sum(axis=1), 1.0)
            off = (rest - level[:, None]) * part
            total += np.einsum("ij,ij->i", off.real, off.real) + np.einsum("ij,ij->i", off.imag, off.imag)
        return total * np.float32(_ENERGY)


@dataclass(frozen=True, slots=True)
class Envelope:
    """What two edges and a slow sine make of the phasors of a window. Shapes (n,) unless said otherwise.

    Attributes
    ----------
    first, last : edges, of `best_step`.
    index, a, b : of the flicker, as in `flicker_wave`.
    levels : shape (n, 4). Sums of squares that no model, a slow sine, two levels and both leave. [grid samples]
    """

    first: Ints
    last: Ints
    index: Ints
    a: Floats
    b: Floats
    levels: Floats


def envelope_of(z: Complexes) -> Envelope:
    """Edges and the flicker beside them: first the edges and then flicker, and the other way about.

    Parameters
    ----------
    z : shape (n, 39).
    """
    nowhere = np.zeros(len(z), dtype=np.intp)
    whole = _Levels.of(z, nowhere, nowhere)
    only = whole.flicker()
    edges_a = best_step(z)
    step = _Levels.of(z, *edges_a)
    flicker_a = step.flicker()
    edges_c = best_step(step.without(flicker_a))
    edges_b = best_step(whole.without(only))
    later = _Levels.of(z, *edges_b)
    flicker_b = later.flicker()
    edges_b = best_step(later.without(flicker_b))
    ways = ((edges_a, flicker_a), (edges_c, flicker_a), (edges_b, flicker_b))
    regions = (step, _Levels.of(z, *edges_c), _Levels.of(z, *edges_b))
    left = np.stack([one.left(flicker) for one, (_, flicker) in zip(regions, ways, strict=True)])
    best, rows = np.argmin(left, axis=0), np.arange(len(z))
    first, last = (np.stack([edges[i] for edges, _ in ways])[best, rows] for i in range(2))
    index, a, b = (np.stack([flicker[i] for _, flicker in ways])[best, rows] for i in range(3))
    levels = [whole.left(None, step.kept), whole.left(only, step.kept), step.left(None), left[best, rows]]
    return Envelope(first, last, index, a, b, np.stack(levels, axis=1))
