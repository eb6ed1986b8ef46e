"""Windows taken apart: one event with two edges, harmonics inside and outside of it, flicker, and what is left.

Within the event the phase may differ as the amplitude does.
Source: derived: least squares, for many windows at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np

from halfcycle.classifiers.learned.cells import Cells
from halfcycle.classifiers.learned.edges import edges_of
from halfcycle.classifiers.learned.envelope import (
    FLICKER_CYCLES,
    Modulation,
    best_step,
    bin_masks,
    envelope_of,
    further_deviation,
    half_cycles,
    modulation,
    rough_deviation,
    turned_by,
)
from halfcycle.classifiers.learned.reference import (
    BIN,
    CENTRE,
    N_BINS,
    ORDERS,
    PLACE,
    TURN,
    Bools,
    Complexes,
    Floats,
    FundamentalReference,
    Ints,
    Orders,
    normal_matrix,
    over_bins,
    raw_sums,
    solve,
    solve_by,
)
from halfcycle.classifiers.learned.windows import CYCLES

_MOST_DEVIATION: Final = 0.02  # of the frequency, relative
_NO_STEP: Final = 0.04  # of the fundamental: an edge of less leaves nothing beside it, and may hide an impulse
_BACKGROUND: Final[Orders] = (9, 11, 13)  # of the supply, taken out where they follow the fundamental
_ALL: Final[Orders] = ORDERS + _BACKGROUND
_WEAK: Final = 0.3  # of the fundamental outside: cycles with less tell nothing about what follows it


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


@dataclass(frozen=True, slots=True)
class Sketch:
    """Windows with their edges, and a first account of their harmonics that the rest of the work corrects.

    Attributes
    ----------
    deviation, start, end, edges, levels : as in `Parts`.
    outside, inside : complex64, shape (n, 4). Of the first account.
    rest : float32, shape (n, 1280). What that leaves.
    cells : of the edges.
    sums : complex64, shape (n, 44, 7). Of `rest` by cells and orders.
    grams : complex64, shape (n, 44, 8). As in `Cells.grams`.
    totals : complex64, shape (n, 2, 8). The same of the regions, outside and inside.
    inverses : float64, shape (n, 2, 8, 8). Of their normal matrices.
    """

    deviation: Floats
    start: Ints
    end: Ints
    edges: Floats
    levels: Floats
    outside: Complexes
    inside: Complexes
    rest: Floats
    cells: Cells
    sums: Complexes
    grams: Complexes
    totals: Complexes
    inverses: Floats

    def less(self, wave: Floats) -> Self:
        """The sketch of windows without a wave of shape (n, 1280); edges stay as they are, and so does `rest`."""
        reference = FundamentalReference(self.deviation, self.cells.bins)
        return replace(self, sums=self.sums - reference.project(self.cells.samples(wave), orders=_ALL))


def sketch(y: Floats) -> Sketch:
    """Find the frequency and the edges of windows.

    Parameters
    ----------
    y : shape (n, 1280), of `windows.to_grid`.
    """
    bins = y.reshape(-1, N_BINS, BIN)
    raw = raw_sums(bins)
    halves = half_cycles(raw[..., 0])
    deviation = rough_deviation(halves)
    z = turned_by(halves, deviation)
    deviation = np.clip(deviation + further_deviation(z, *best_step(z)), -_MOST_DEVIATION, _MOST_DEVIATION)
    z = turned_by(halves, deviation)
    envelope = envelope_of(z)
    reference = FundamentalReference(deviation)
    sums, whole = reference.turned(raw), reference.whole_bins()
    fits = []
    for mask in bin_masks(envelope.first, envelope.last):
        kept = mask[..., None].astype(np.float32)
        fits.append(solve(over_bins(sums * kept), over_bins(whole * kept)))
    start, end, edges, swapped = edges_of(y, deviation, envelope, (fits[0], fits[1]))
    outside, inside = (np.where(swapped[:, None], fits[1 - i], fits[i]) for i in range(2))
    cells = Cells.of(start, end)
    reference = FundamentalReference(deviation, cells.bins)
    rest = cells.less(y, reference.synthesise(cells.of_regions(outside, inside)))
    grams = cells.grams(reference)
    total = over_bins(grams)
    within = over_bins(grams * cells.inside[..., None])
    totals = np.stack([total - within, within], axis=1)
    return Sketch(
        deviation=deviation, start=start, end=end, edges=edges, levels=envelope.levels, outside=outside, inside=inside,
        rest=rest, cells=cells, sums=reference.project(cells.samples(rest), orders=_ALL), grams=grams, totals=totals,
        inverses=np.linalg.inv(normal_matrix(totals.reshape(-1, 8))).reshape(-1, 2, 8, 8),
    )  # fmt: skip


def take_apart(y: Floats) -> Parts:
    """Take windows apart.

    Parameters
    ----------
    y : shape (n, 1280), of `windows.to_grid`.
    """
    return finished(sketch(y))


def finished(known: Sketch) -> Parts:
    """Everything else, where the edges are known.

    Parameters
    ----------
    known : sketch of the windows.
    """
    cells = known.cells
    reference = FundamentalReference(known.deviation, cells.bins)
    totals = over_bins(np.ascontiguousarray(known.sums[..., :4]))
    within = over_bins(known.sums[..., :4] * cells.inside[..., None])
    more = [solve_by(known.inverses[:, i], part) for i, part in enumerate((totals - within, within))]
    fits = (known.outside + more[0], known.inside + more[1])
    extra = cells.of_regions(more[0], more[1])
    first = known.sums[..., 0] - _shown_in_first(known.grams, extra, ORDERS)
    drift, middles = _drift(first, known.grams[..., 0].real, fits, cells)
    centre = CENTRE.astype(np.float32)[cells.bins]
    middle = np.where(cells.inside, middles[1][:, None], middles[0][:, None]).astype(np.float32)
    turning = cells.of_regions(fits[0], fits[1]) * (1j * drift[:, None, None] * np.array(ORDERS)).astype(np.complex64)
    levels = np.zeros((*cells.bins.shape, len(_ALL)), dtype=np.complex64)
    levels[..., :4] = extra + turning * (centre - middle)[..., None]
    background = _background(known.sums[:, :, 4:], cells, fits)
    levels[..., 4:] = background
    first -= _shown_in_first(known.grams, background, _BACKGROUND)
    slow, energy, lines = _slow(first, known.grams, cells, fits)
    line, slope = (cells.of_bins(*pair) for pair in zip(*lines, strict=True))
    levels[..., 0] += line
    turning[..., 0] += slope
    rest = cells.less(known.rest, reference.synthesise(levels, orders=_ALL, slopes=turning))
    step = np.abs(fits[1][:, 0] - fits[0][:, 0]) / np.maximum(np.abs(fits[0][:, 0]), 1e-3)
    usable = cells.usable | (step < _NO_STEP)[:, None]
    rest *= usable
    outside, inside = (
        fit * np.exp(-1j * drift[:, None] * m[:, None] * np.array(ORDERS)).astype(np.complex64)
        for fit, m in zip(fits, middles, strict=True)
    )
    return Parts(
        deviation=known.deviation + drift / TURN, start=known.start, end=known.end, outside=outside, inside=inside,
        n_outside=known.totals[:, 0, 0].real, n_inside=known.totals[:, 1, 0].real,
        modulation_outside=slow[0], modulation_inside=slow[1], energy_outside=energy[0], energy_inside=energy[1],
        edges=known.edges, levels=known.levels, rest=rest, usable=usable,
    )  # fmt: skip


def _shown_in_first(grams: Complexes, coefficients: Complexes, orders: Orders) -> Complexes:
    """What waves of odd orders add to the sums of the fundamental, by cells: shape (n, 44).

    grams : shape (n, 44, 8); coefficients : shape (n, 44, orders).
    """
    found = np.zeros(grams.shape[:2], dtype=np.complex64)
    for i, order in enumerate(orders):
        c = coefficients[..., i]
        found += c * np.conj(grams[..., (order - 1) // 2]) + np.conj(c) * grams[..., (order + 1) // 2]
    found *= np.float32(0.5)
    return found


def _drift(
    first: Complexes, weight: Floats, fits: tuple[Complexes, Complexes], cells: Cells
) -> tuple[Floats, tuple[Floats, Floats]]:
    """How the phase of both regions drifts, shape (n,) in rad a grid sample, and the middles of both.

    first, weight : shape (n, 44). Sums of the fundamental by cells, and grid samples.
    """
    centre = CENTRE.astype(np.float32)[cells.bins]
    top, bottom = np.zeros(len(first)), np.zeros(len(first))
    middles = []
    for fit, there in zip(fits, (~cells.inside, cells.inside), strict=True):
        w = weight * there
        middle = (w * centre).sum(axis=1) / np.maximum(w.sum(axis=1), 1e-6)
        place = centre - middle[:, None]
        # rest ~ Re(j drift C exp(j phase)): projected on C, twice the imaginary part over the count is the drift
        c = fit[:, :1]
        top += (2 * (first * np.conj(c)).imag * there * place).sum(axis=1)
        bottom += (w * place**2).sum(axis=1) * np.abs(c[:, 0]) ** 2
        middles.append(middle)
    return top / np.maximum(bottom, 1e-12), (middles[0], middles[1])


_Line = tuple[Complexes, Complexes]


def _slow(
    first: Complexes, grams: Complexes, cells: Cells, fits: tuple[Complexes, Complexes]
) -> tuple[list[Modulation], list[Floats], list[_Line]]:
    """Flicker outside and inside: the fit, the sum of squares about the level, and lines of one frequency by bins."""
    units = [fit[:, 0] / np.maximum(np.abs(fit[:, 0]), 1e-12) for fit in fits]
    unit = np.where(cells.inside, units[1][:, None], units[0][:, None])
    in_phase = cells.split((first * np.conj(unit)).real)
    weights = cells.split(np.maximum(0.5 * (grams[..., 0].real + (np.conj(grams[..., 1]) * unit**2).real), 0.0))
    slow, energy = [], []
    for one, weight in zip(in_phase, weights, strict=True):
        slow.append(modulation(one, weight))
        mean = one.sum(axis=1, keepdims=True) / np.maximum(weight.sum(axis=1, keepdims=True), 1e-6)
        energy.append(((one - weight * mean) ** 2 / np.maximum(weight, 1.0)).sum(axis=1))
    lines = [
        (level * turn[:, None], slope * turn[:, None])
        for (level, slope), turn in zip(_best_lines(slow), units, strict=True)
    ]
    return slow, energy, lines


_PER_SAMPLE: Final = FLICKER_CYCLES * TURN  # rad of flicker
_FLICKER_BINS: Final = np.outer(_PER_SAMPLE, (np.arange(N_BINS) + 0.5) * BIN)
_BIN_COS: Final = np.cos(_FLICKER_BINS).astype(np.float32)
_BIN_SIN: Final = np.sin(_FLICKER_BINS).astype(np.float32)
# Of a cosine and a sine about the middle of a bin: the mean of the first and the slope of the second.
_MEAN: Final = np.cos(np.outer(_PER_SAMPLE, PLACE)).mean(axis=1).astype(np.float32)
_SLOPE: Final = (np.sin(np.outer(_PER_SAMPLE, PLACE)) @ PLACE / np.sum(PLACE**2)).astype(np.float32)


def _best_lines(fits: list[Modulation]) -> list[tuple[Floats, Floats]]:
    """Slow sines of the frequency that explains most in all regions, as a straight line in each bin.

    Returns levels and slopes a sample, shape (n, 40) each, for each region.
    Source: derived: 25 Hz of 10 % leave 0.04 % beside the lines.
    """
    found = [fitted.gain() for fitted in fits]
    best = np.argmax(sum(gain for gain, _, _ in found), axis=1)
    rows = np.arange(len(best))
    cos, sin = _BIN_COS[best], _BIN_SIN[best]
    mean, slope = _MEAN[best, None], _SLOPE[best, None]
    lines = []
    for _, a, b in found:
        c, s = a[rows, best, None], b[rows, best, None]
        lines.append(((c * cos + s * sin) * mean, (s * cos - c * sin) * slope))
    return lines


def _background(sums: Complexes, cells: Cells, fits: tuple[Complexes, Complexes]) -> Complexes:
    """Orders 9, 11, 13 that last and follow the fundamental, or stay as they are, whichever leaves less.

    sums : shape (n, 44, 3). Of what is left, by cells.

    Returns shape (n, 44, 3).
    """
    n = len(sums)
    ratio = np.abs(fits[1][:, 0]) / np.maximum(np.abs(fits[0][:, 0]), 1e-3)
    ratio = np.clip(ratio, 0, 3)[:, None]
    whole = sums[:, :N_BINS].copy()
    whole[np.arange(n)[:, None], cells.cut] += sums[:, N_BINS:]
    cycles = whole.reshape(n, CYCLES, 4, -1).sum(axis=2) * np.float32(2 / (4 * BIN))
    share = cells.inside[:, :N_BINS].reshape(n, CYCLES, 4).mean(axis=2, dtype=np.float32)
    following, left = _usual(cycles, 1 + (ratio - 1) * share)
    staying, left_staying = _usual(cycles, np.ones_like(share))
    stays = left_staying < left
    found = np.where(stays[:, None], staying, following)
    inside = np.where(stays[:, None], np.float32(1.0), ratio)
    return np.asarray(found[:, None, :] * np.where(cells.inside, inside, np.float32(1.0))[..., None])


def _usual(cycles: Complexes, level: Floats) -> tuple[Complexes, Floats]:
    """Median over the cycles of harmonics per level of the fundamental, shape (n, 3), and the squares that it leaves.

    cycles : shape (n, 10, 3); level : shape (n, 10).
    """
    weak = level < _WEAK
    each = cycles / np.maximum(level, _WEAK)[..., None]
    each[weak] = np.inf + 1j * np.inf
    ordered = np.sort(each.view(np.float32).transpose(0, 2, 1), axis=2)  # real and imaginary parts of each order
    rows, count = np.arange(len(cycles)), np.maximum(CYCLES - weak.sum(axis=1), 1)
    middle = np.float32(0.5) * (ordered[rows, :, (count - 1) // 2] + ordered[rows, :, count // 2])
    middle[~np.isfinite(middle)] = 0.0
    found = np.ascontiguousarray(middle).view(np.complex64)
    off = cycles - found[:, None] * level[..., None]
    return found, np.einsum("ijk,ijk->i", off.real, off.real) + np.einsum("ijk,ijk->i", off.imag, off.imag)
