"""Windows taken apart: one event with two edges, harmonics inside and outside of it, flicker, and what is left.

Source: derived: least squares, for many windows at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.classifiers.learned.envelope import (
    FLICKER_CYCLES,
    Modulation,
    bin_masks,
    coarse_edges,
    modulation,
)
from halfcycle.classifiers.learned.reference import (
    BIN,
    CENTRE,
    EVEN,
    N_BINS,
    PLACE,
    TURN,
    Bools,
    Complexes,
    Floats,
    FundamentalReference,
    Ints,
    Orders,
    over_bins,
    solve,
)
from halfcycle.classifiers.learned.windows import CYCLES, N_GRID, PER_CYCLE

GUARD: Final = 4  # grid samples left out either side of an edge
_LEAST_EVENT: Final = 80  # grid samples: shorter ones would have both edges in one place
_MOST_DEVIATION: Final = 0.02  # of the frequency, relative
_NEAR_END: Final = 24  # grid samples: an edge this close to an end of the window may be none
_NO_STEP: Final = 0.04  # of the fundamental: an edge of less leaves nothing beside it, and may hide an impulse
_SPAN: Final = 40  # grid samples either side of a coarse edge
_BACKGROUND: Final[Orders] = (9, 11, 13)  # of the supply, taken out where they follow the fundamental
_WEAK: Final = 0.3  # of the fundamental outside: cycles with less tell nothing about what follows it
_FIRST: Final[Orders] = (1,)


@dataclass(frozen=True, slots=True)
class Parts:
    """What windows are made of, by least squares. Shapes (n,) unless said otherwise.

    Attributes
    ----------
    deviation : of the frequency from nominal, relative.
    start, end : of the event, grid samples; the two edges between which another level fits best, whether there is an
        event or not.
    outside, inside : complex64, shape (n, 4). Orders 1, 3, 5, 7 in both regions.
    n_outside, n_inside : grid samples used.
    modulation_outside, modulation_inside : fits of a slow sine to the envelope of both regions.
    energy_outside, energy_inside : sums of squares of the envelope about its level. [grid samples]
    edges : shape (n, 2). By how much each edge explains the samples within a quarter cycle better than one a quarter
        cycle off does. [grid samples]
    levels : shape (n, 4). Sums of squares of the envelope that no model, a slow sine, two levels and both leave.
    rest : float32, shape (n, 1280). What harmonics and flicker leave; zero at edges of more than a small step.
    usable : bool, shape (n, 1280). Not at such an edge.
    reference : float32, shape (n, 1280). Sine of the fundamental, amplitude 1.
    """

    deviation: Floats
    start: Ints
    end: Ints
    outside: Complexes
    inside: Complexes
    n_outside: Floats
    n_inside: Floats
    modulation_outside: Modulation
    modulation_inside: Modulation
    energy_outside: Floats
    energy_inside: Floats
    edges: Floats
    levels: Floats
    rest: Floats
    usable: Bools
    reference: Floats


@dataclass(frozen=True, slots=True)
class _Regions:
    """Outside and inside of the events, without their edges, by bins; the bins at an edge sample by sample.

    Attributes
    ----------
    whole : bool, shape (n, 40) each. Bins that lie in the region as a whole.
    bins : shape (n, 4). The two bins at each edge.
    masks : float32, shape (n, 4, 32) each. Of those bins, the samples in the region.
    at_in : bool, shape (n, 4, 32). Of those bins, the samples inside, edges as they are.
    is_in : bool, shape (n, 1280). Inside, edges as they are.
    usable : bool, shape (n, 1280). In one of the regions.
    """

    whole: tuple[Bools, Bools]
    bins: Ints
    masks: tuple[Floats, Floats]
    at_in: Bools
    is_in: Bools
    usable: Bools

    @classmethod
    def of(cls, start: Ints, end: Ints) -> _Regions:
        """The regions that two edges make."""
        edges = np.stack([start, end], axis=1)
        first = np.clip((edges - GUARD) // BIN, 0, N_BINS - 2)
        bins = np.stack([first, first + 1], axis=2).reshape(len(start), 4)
        at = bins[:, :, None] * BIN + np.arange(BIN)
        grid = np.arange(N_GRID)
        a, b = start[:, None], end[:, None]
        is_in = (grid >= a) & (grid < b)
        usable = np.ones(is_in.shape, dtype=bool)
        beside = edges[:, :, None] + np.arange(-GUARD, GUARD)
        usable[np.arange(len(start))[:, None, None], np.clip(beside, 0, N_GRID - 1)] = False
        at_in = (at >= a[:, :, None]) & (at < b[:, :, None])
        at_usable = np.abs(2 * at - 2 * edges.repeat(2, axis=1)[:, :, None] + 1) > 2 * GUARD
        order = np.arange(N_BINS)
        lone = np.ones((len(start), N_BINS), dtype=bool)
        lone[np.arange(len(start))[:, None], bins] = False
        inside = (order * BIN >= a) & (order * BIN < b) & lone
        return cls(
            whole=(~inside & lone, inside),
            bins=bins,
            masks=((at_usable & ~at_in).astype(np.float32), (at_usable & at_in).astype(np.float32)),
            at_in=at_in,
            is_in=is_in,
            usable=usable,
        )

    def split(
        self, sums: Complexes, y: Floats | None, reference: FundamentalReference, orders: Orders
    ) -> tuple[Complexes, Complexes]:
        """Sums over bins, shape (n, 40, orders), of the part outside and the part inside; no y: of ones."""
        rows = np.arange(len(sums))[:, None]
        at_edges = None if y is None else y.reshape(-1, N_BINS, BIN)[rows, self.bins]
        parts = []
        for whole, mask in zip(self.whole, self.masks, strict=True):
            part = sums * whole[..., None]
            values = mask if at_edges is None else at_edges * mask
            part[rows, self.bins] = reference.project_bins(values, self.bins, orders=orders)
            parts.append(part)
        return parts[0], parts[1]

    def left(self, y: Floats, fits: tuple[Complexes, Complexes], reference: FundamentalReference) -> Floats:
        """What the harmonics of each region leave of y, shape (n, 1280)."""
        coefficients = np.where(self.whole[1][..., None], fits[1][:, None], fits[0][:, None])
        outside, inside = (reference.synthesise_bins(fit[:, None], self.bins) for fit in fits)
        return self._left(y, reference.synthesise(coefficients), outside, inside)

    def without_flicker(
        self,
        y: Floats,
        fits: tuple[Complexes, Complexes],
        slopes: tuple[Complexes, Complexes],
        reference: FundamentalReference,
    ) -> Floats:
        """What amplitudes of the fundamental that run in a line through each bin leave of y, shape (n, 1280)."""
        inside = self.whole[1][..., None]
        wave = reference.synthesise(
            np.where(inside, fits[1], fits[0]), orders=_FIRST, slopes=np.where(inside, slopes[1], slopes[0])
        )
        at_edges = [
            reference.synthesise_bins(
                np.take_along_axis(fit, self.bins[..., None], axis=1), self.bins, orders=_FIRST,
                slopes=np.take_along_axis(slope, self.bins[..., None], axis=1),
            )
            for fit, slope in zip(fits, slopes, strict=True)
        ]  # fmt: skip
        return self._left(y, wave, *at_edges)

    def _left(self, y: Floats, wave: Floats, outside: Floats, inside: Floats) -> Floats:
        rows = np.arange(len(wave))[:, None]
        wave.reshape(-1, N_BINS, BIN)[rows, self.bins] = np.where(self.at_in, inside, outside)
        return np.subtract(y, wave, out=wave)


def estimate_deviation(y: Floats) -> Floats:
    """Deviation of the fundamental's frequency from nominal, relative, from how its phasor turns.

    Parameters
    ----------
    y : shape (n, 1280).

    Returns
    -------
    float64, shape (n,), within 2 %.
    """
    deviation = np.zeros(len(y))
    plain = FundamentalReference(deviation).project(y, orders=_FIRST)[..., 0]
    sums = np.zeros((len(y), N_BINS + 1), dtype=np.complex64)
    np.cumsum(plain, axis=1, out=sums[:, 1:])
    cycle = sums[:, 4:] - sums[:, :-4]
    smooth = cycle[:, :-2] + cycle[:, 2:]  # half a cycle apart: what an edge or a harmonic leaves changes sign
    for lag in (4, 16):
        turn = np.exp(-1j * 2 * np.pi * deviation * lag / 4)
        products = np.sum(smooth[:, lag:] * np.conj(smooth[:, :-lag]), axis=1) * turn
        deviation = deviation + np.angle(products) / (2 * np.pi * lag / 4)
        deviation = np.clip(deviation, -_MOST_DEVIATION, _MOST_DEVIATION)
    return deviation


def take_apart_again(y: Floats, before: Parts) -> Parts:
    """Take windows apart whose event and frequency are known.

    Parameters
    ----------
    y : shape (n, 1280).
    before : parts of windows that differ from these by something short.
    """
    reference = FundamentalReference(before.deviation)
    return _finish(y, reference, reference.project(y), before.start, before.end, before.edges, before.levels)


def take_apart(y: Floats) -> Parts:
    """Take windows apart.

    Parameters
    ----------
    y : shape (n, 1280), of `windows.to_grid`.
    """
    reference = FundamentalReference(estimate_deviation(y))
    sums, whole = reference.project(y), reference.whole_bins()
    everywhere = solve(over_bins(sums), over_bins(whole))
    unit = everywhere[:, :1] / np.maximum(np.abs(everywhere[:, :1]), 1e-12)
    weight = (BIN / 2 + 0.5 * (np.conj(whole[..., 1]) * unit**2).real).astype(np.float32)
    harmonics = everywhere.copy()
    harmonics[:, 0] = 0
    calm = reference.synthesise(harmonics[:, None])
    np.subtract(y, calm, out=calm)
    in_phase = (reference.project(calm, orders=_FIRST)[..., 0] * np.conj(unit)).real
    first, last, wave, levels = coarse_edges(in_phase, weight)
    fits = []
    for mask in bin_masks(first, last, 1):
        fits.append(solve(over_bins(sums * mask[..., None]), over_bins(whole * mask[..., None])))
    steady = reference.synthesise((wave * unit)[..., None], orders=_FIRST)
    np.subtract(y, steady, out=steady)
    out_wave, in_wave = (reference.synthesise(fit[:, None]) for fit in fits)
    start, end, edges = _edges(steady, out_wave, in_wave, first, last)
    return _finish(y, reference, sums, start, end, edges, levels)


def _edges(y: Floats, out_wave: Floats, in_wave: Floats, first: Ints, last: Ints) -> tuple[Ints, Ints, Floats]:
    """Both edges to the sample, and how clear they are.

    Where only one edge is seen, the short end of the window decides which side of it is the event.
    """
    start, clear_start = _fine_edge(y, out_wave, in_wave, first * BIN)
    end, clear_end = _fine_edge(y, in_wave, out_wave, last * BIN)
    head, clear_head = _fine_edge(y, in_wave, out_wave, np.zeros_like(first))
    tail, clear_tail = _fine_edge(y, out_wave, in_wave, np.full_like(last, N_GRID))
    swap_end = (end > N_GRID - _NEAR_END) & (clear_head > clear_end) & (start > BIN)
    swap_start = ~swap_end & (start < _NEAR_END) & (clear_tail > clear_start) & (end < N_GRID - BIN)
    new_start = np.where(swap_end, head, np.where(swap_start, end, start))
    new_end = np.where(swap_end, start, np.where(swap_start, tail, end))
    clear_new_start = np.where(swap_end, clear_head, np.where(swap_start, clear_end, clear_start))
    clear_new_end = np.where(swap_end, clear_start, np.where(swap_start, clear_tail, clear_end))
    new_start = np.minimum(new_start, N_GRID - _LEAST_EVENT)
    new_end = np.maximum(new_end, new_start + _LEAST_EVENT)
    return new_start, new_end, np.stack([clear_new_start, clear_new_end], axis=1)


def _fine_edge(y: Floats, before: Floats, after: Floats, coarse: Ints) -> tuple[Ints, Floats]:
    """The sample at which one model gives way to another, and how clearly.

    y, before, after : shape (n, 1280); coarse: shape (n,), grid samples.
    """
    index = coarse[:, None] + np.arange(-_SPAN, _SPAN)
    valid = (index >= 0) & (index < N_GRID)
    index = np.clip(index, 0, N_GRID - 1)
    rows = np.arange(len(y))[:, None]
    u, v, x = before[rows, index], after[rows, index], y[rows, index]
    cost = (v - u) * (2 * x - u - v) * valid
    total = np.zeros((len(y), 2 * _SPAN + 1), dtype=np.float32)
    np.cumsum(cost, axis=1, out=total[:, 1:])
    place = np.argmin(total, axis=1)
    row = np.arange(len(y))
    early, late = total[row, np.maximum(place - BIN, 0)], total[row, np.minimum(place + BIN, 2 * _SPAN)]
    return np.clip(coarse + place - _SPAN, 0, N_GRID), np.minimum(early, late) - total[row, place]


def _finish(
    y: Floats, reference: FundamentalReference, sums: Complexes, start: Ints, end: Ints, edges: Floats, levels: Floats
) -> Parts:
    """Everything else, where the edges are known."""
    regions = _Regions.of(start, end)
    grams = regions.split(reference.whole_bins(), None, reference, EVEN)
    totals = [over_bins(gram) for gram in grams]
    parts = regions.split(sums, y, reference, (1, 3, 5, 7))
    fits = (solve(over_bins(parts[0]), totals[0]), solve(over_bins(parts[1]), totals[1]))
    rest = regions.left(y, fits, reference)
    reference = FundamentalReference(_refined(rest, reference, regions, grams, fits))
    rest = regions.left(y, fits, reference)
    parts = regions.split(reference.project(rest), rest, reference, (1, 3, 5, 7))
    fits = (fits[0] + solve(over_bins(parts[0]), totals[0]), fits[1] + solve(over_bins(parts[1]), totals[1]))
    rest = regions.left(y, fits, reference)
    step = np.abs(fits[1][:, 0] - fits[0][:, 0]) / np.maximum(np.abs(fits[0][:, 0]), 1e-3)
    usable = regions.usable | (step < _NO_STEP)[:, None]
    rest *= usable
    rest -= _background(rest, reference, regions, fits)
    unit = fits[0][:, :1] + fits[1][:, :1]
    unit = unit / np.maximum(np.abs(unit), 1e-12)
    sine = reference.synthesise(unit[:, :, None], orders=_FIRST)
    slow, energy = [], []
    for part, gram in zip(
        regions.split(reference.project(rest, orders=_FIRST), rest, reference, _FIRST), grams, strict=True
    ):
        in_phase = (part[..., 0] * np.conj(unit)).real
        weight = np.maximum(0.5 * (gram[..., 0].real + (np.conj(gram[..., 1]) * unit**2).real), 0.0)
        slow.append(modulation(in_phase, weight))
        mean = in_phase.sum(axis=1, keepdims=True) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-6)
        energy.append(((in_phase - weight * mean) ** 2 / np.maximum(weight, 1.0)).sum(axis=1))
    lines = [_best_line(fitted) for fitted in slow]
    turned = [((level * unit)[..., None], (slope * unit)[..., None]) for level, slope in lines]
    rest = regions.without_flicker(rest, (turned[0][0], turned[1][0]), (turned[0][1], turned[1][1]), reference)
    rest *= usable
    return Parts(
        deviation=reference.deviation, start=start, end=end, outside=fits[0], inside=fits[1],
        n_outside=totals[0][:, 0].real, n_inside=totals[1][:, 0].real,
        modulation_outside=slow[0], modulation_inside=slow[1], energy_outside=energy[0], energy_inside=energy[1],
        edges=edges, levels=levels, rest=rest, usable=usable, reference=sine,
    )  # fmt: skip


_PER_SAMPLE: Final = FLICKER_CYCLES * TURN  # rad of flicker
_FLICKER_BINS: Final = np.outer(_PER_SAMPLE, (np.arange(N_BINS) + 0.5) * BIN)
_BIN_COS: Final = np.cos(_FLICKER_BINS).astype(np.float32)
_BIN_SIN: Final = np.sin(_FLICKER_BINS).astype(np.float32)
# Of a cosine and a sine about the middle of a bin: the mean of the first and the slope of the second.
_MEAN: Final = np.cos(np.outer(_PER_SAMPLE, PLACE)).mean(axis=1).astype(np.float32)
_SLOPE: Final = (np.sin(np.outer(_PER_SAMPLE, PLACE)) @ PLACE / np.sum(PLACE**2)).astype(np.float32)


def _best_line(fitted: Modulation) -> tuple[Floats, Floats]:
    """The slow sine that explains most, as a straight line in each bin: levels and slopes a sample, shape (n, 40).

    Source: derived: 25 Hz of 10 % leave 0.04 % beside the lines.
    """
    gain, a, b = fitted.gain()
    best = np.argmax(gain, axis=1)
    rows = np.arange(len(gain))
    c, s = a[rows, best, None], b[rows, best, None]
    cos, sin = _BIN_COS[best], _BIN_SIN[best]
    return (c * cos + s * sin) * _MEAN[best, None], (s * cos - c * sin) * _SLOPE[best, None]


def _background(
    rest: Floats, reference: FundamentalReference, regions: _Regions, fits: tuple[Complexes, Complexes]
) -> Floats:
    """Orders 9, 11, 13 that last and follow the fundamental, by their median over the cycles."""
    n = len(rest)
    ratio = np.abs(fits[1][:, 0]) / np.maximum(np.abs(fits[0][:, 0]), 1e-3)
    ratio = np.clip(ratio, 0, 3)[:, None]
    share = regions.is_in.reshape(n, CYCLES, PER_CYCLE).mean(axis=2, dtype=np.float32)
    level = 1 + (ratio - 1) * share
    weak = level < _WEAK
    cycles = reference.project(rest, orders=_BACKGROUND).reshape(n, CYCLES, 4, -1).sum(axis=2) * (2 / PER_CYCLE)
    each = cycles / np.maximum(level, _WEAK)[..., None]
    ordered = np.sort(np.where(weak[..., None], np.inf, np.stack([each.real, each.imag])), axis=2)
    count = np.maximum(CYCLES - weak.sum(axis=1), 1)
    rows = np.arange(n)
    middle = 0.5 * (ordered[:, rows, (count - 1) // 2] + ordered[:, rows, count // 2])
    middle = np.where(np.isfinite(middle), middle, 0.0).astype(np.float32)
    wave = reference.synthesise((middle[0] + 1j * middle[1])[:, None, :], orders=_BACKGROUND)
    wave *= np.where(regions.is_in, ratio, np.float32(1.0))
    return wave


def _refined(
    rest: Floats,
    reference: FundamentalReference,
    regions: _Regions,
    grams: tuple[Complexes, Complexes],
    fits: tuple[Complexes, Complexes],
) -> Floats:
    """The deviation corrected by how the phase of what is left drifts within both regions."""
    parts = regions.split(reference.project(rest, orders=_FIRST), rest, reference, _FIRST)
    top, bottom = np.zeros(len(rest)), np.zeros(len(rest))
    for part, gram, fit in zip(parts, grams, fits, strict=True):
        c = fit[:, :1]
        # rest ~ Re(j drift C exp(j phase)): projected on C, twice the imaginary part over the count is the drift
        drift = 2 * (part[..., 0] * np.conj(c)).imag
        weight = gram[..., 0].real
        middle = (weight * CENTRE).sum(axis=1, keepdims=True) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-6)
        place = CENTRE - middle
        top += (drift * place).sum(axis=1)
        bottom += (weight * place**2).sum(axis=1) * np.abs(c[:, 0]) ** 2
    change = top / np.maximum(bottom, 1e-12) / TURN
    return np.asarray(np.clip(reference.deviation + change, -_MOST_DEVIATION, _MOST_DEVIATION))
