"""The waveform that repeats from cycle to cycle, read at any phase: what a disturbed stretch is compared with.

Some quiet cycles are read on a grid of the fundamental's phase and averaged; the Fourier series of the mean is the
wave, so that it can be carried on to any later (or earlier) instant, scaled, and shifted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.residue import interpolate

F64 = npt.NDArray[np.float64]

_FINE = 8  # table entries for each point of the grid, before the cubic between them
_NEAR = 2  # points of the grid to each side that lend each other their spread
_CHANCE = 1.6  # by which the largest of five RMS of a few cycles may exceed the noise's
_SURE_SLOPE = 4.0  # standard deviations by which the phase must drift before the frequency is corrected
_STRETCH = 256  # cycles that share one correction of the frequency
_ALIVE = 0.1  # of the strongest cycle's power: weaker ones do not tell the frequency


@dataclass(frozen=True, slots=True)
class Wave:
    """One cycle of a waveform.

    Attributes
    ----------
    table : float64, shape (4, n). A cycle on an even grid, phase 0 first, as `cubics` gives it. [unit of the waveform]
    rest : float64, shape (4, n). The same without the fundamental.
    phasor : fundamental: Re(phasor exp(2 pi j turns)). [unit of the waveform, peak]
    n_cycles : cycles that it is the mean of.
    noise_rms : of the samples about it, the mean's own uncertainty set right; None if it is of one cycle only, or of
        cycles that are not known to be quiet.
    spread : float64, shape (n_grid,). RMS of the cycles about it near each phase; 0 if it is of one cycle only.
    """

    table: F64
    rest: F64
    phasor: complex
    n_cycles: int
    noise_rms: float | None
    spread: F64

    def spread_at(self, turns: F64) -> F64:
        """How far the cycles were usually apart at this phase, where that is more than chance. [unit of the wave]"""
        place = np.rint((turns % 1.0) * self.spread.size).astype(np.int64)
        return self.spread.take(place, mode="wrap") / _CHANCE

    def edges_at(self, turns: F64, *, least: float) -> F64:
        """Steps from sample to sample of more than `least` in what is not the fundamental: such as a notch's edges.

        The instant of an edge is known to a sample only, so that far a sample beside it may be off. [unit of the wave]
        """
        values = self.rest[0, ::_FINE]
        step = np.abs(np.diff(values, append=values[0]))
        step[step < least] = 0.0
        near = np.max([np.roll(step, k) for k in (-1, 0, 1, 2)], axis=0)
        if not near.any():
            return np.zeros(turns.shape)
        edges: F64 = near.take(np.rint((turns % 1.0) * near.size).astype(np.int64), mode="wrap")
        return edges

    def at(self, turns: F64, *, advance: npt.ArrayLike = 0.0) -> F64:
        """The wave where the fundamental has gone through some turns, `advance` turns ahead of itself."""
        return read_table(self.table, turns + np.asarray(advance))


def cubics(values: F64) -> F64:
    """Lagrange's cubics through four neighbours of a cycle on an even grid: shape (4, n), the constant terms first.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 25.2 (from memory).
    """
    wrapped = np.concatenate([values[-1:], values, values[:2]])
    before, next_, after = wrapped[:-3], wrapped[2:-1], wrapped[3:]
    return np.stack([
        values,
        next_ - before / 3 - values / 2 - after / 6,
        (before + next_) / 2 - values,
        (after - before) / 6 + (values - next_) / 2,
    ])  # fmt: skip


def read_table(table: F64, turns: F64) -> F64:
    """Values of a cycle that is tabulated as `cubics`, at any phase. turns: any shape."""
    place = turns - np.floor(turns)
    place *= table.shape[1]
    i = np.minimum(place.astype(np.int64), table.shape[1] - 1)
    place -= i
    values: F64 = table[3].take(i)
    for k in (2, 1, 0):
        values *= place
        values += table[k].take(i)
    return values


def phase_turns(frequency_hz: npt.ArrayLike, *, rate_hz: float, n: int) -> F64:
    """Turns of the fundamental by each sample, 0 at the first.

    Parameters
    ----------
    frequency_hz : scalar, or shape (m,): m values spread evenly over the record, one a sample or one a half cycle. [Hz]
    rate_hz : float > 0. [Hz]
    n : samples.

    Returns
    -------
    float64, shape (n,).

    Raises
    ------
    SignalError : a frequency or rate that is not above zero.

    Source: derived, phase as the integral of frequency.
    """
    hertz = np.atleast_1d(np.asarray(frequency_hz, np.float64))
    if hertz.ndim != 1 or not hertz.size or not (hertz > 0).all() or not rate_hz > 0:
        raise SignalError(f"frequency and rate must be above zero; got shape {hertz.shape} and {rate_hz} Hz")
    if hertz.size == 1:
        return np.arange(n, dtype=np.float64) * (float(hertz[0]) / rate_hz)
    if hertz.size != n:
        hertz = np.interp(np.arange(n), (np.arange(hertz.size) + 0.5) * (n / hertz.size) - 0.5, hertz)
    turns = np.concatenate(([0.0], np.cumsum((hertz[1:] + hertz[:-1]) / (2 * rate_hz))))
    return turns[:n]


def steady_turns(u: npt.NDArray[np.generic], turns: F64) -> F64:
    """Phase set right by what most cycles of a record do, whatever some of them do.

    Parameters
    ----------
    u : shape (n_channels, n). [any unit]
    turns : shape (n,). As `phase_turns` gives them.

    Returns
    -------
    float64, shape (n,). The same where the median drift from cycle to cycle is within its own uncertainty.

    Source: derived. A jump of phase changes one difference between cycles, and so no median of many.
    """
    n_cycles = int(turns[-1])
    if n_cycles < 3:
        return turns
    edges = np.searchsorted(turns, np.arange(n_cycles + 1) - 1e-9)
    back = np.exp(-2j * np.pi * turns[: edges[-1]])
    phasors = np.stack([np.add.reduceat(row[: edges[-1]] * back, edges[:-1]) for row in u]) / np.diff(edges)
    products = (phasors[:, 1:] * phasors[:, :-1].conj()).sum(axis=0)
    alive = np.abs(products) > _ALIVE * np.abs(products).max()
    angles = np.angle(products)
    slopes, places = [], []
    for a in range(0, angles.size, _STRETCH):
        part = angles[a : a + _STRETCH][alive[a : a + _STRETCH]]
        if part.size < 2:
            continue
        middle = float(np.median(part))
        error = 1.25 * 1.48 * float(np.median(np.abs(part - middle))) / np.sqrt(part.size)
        slopes.append(middle if abs(middle) > _SURE_SLOPE * error else 0.0)
        places.append(a + min(_STRETCH, angles.size - a) / 2)
    if not any(slopes):
        return turns
    if len(slopes) == 1:
        return turns * (1 + slopes[0] / (2 * np.pi))
    pace = np.diff(turns) * (1 + np.interp(turns[1:], places, slopes) / (2 * np.pi))
    return np.concatenate(([0.0], np.cumsum(pace)))


def cycles_on_grid(u: F64, turns: F64, *, first: int, stop: int, most_cycles: int, newest: bool) -> F64:
    """Whole cycles within [first, stop) on an even grid of phase.

    Parameters
    ----------
    u : shape (n_channels, n). [any unit]
    turns : shape (n,). As `phase_turns` gives them.
    first, stop : samples.
    most_cycles : no more are taken.
    newest : the last ones are taken, else the first.

    Returns
    -------
    float64, shape (n_channels, n_cycles, n_grid); no cycles where there is not a whole one. The grid begins at phase 0.

    Source: derived, with the interpolation of `cubics`.
    """
    span = turns[first:stop]
    n_cycles = min(int(span[-1] - span[0] + 1e-9), most_cycles) if span.size else 0
    if n_cycles < 1:
        return np.zeros((u.shape[0], 0, 0))
    begin = span[-1] - n_cycles if newest else span[0]
    n_grid = int(np.ceil(span.size / (span[-1] - span[0]) / 2)) * 2
    # Points of a grid anchored at phase 0, so that the rows need not be turned.
    shift = int(np.ceil(begin * n_grid - 1e-6))
    grid = np.arange(shift, shift + n_cycles * n_grid) / n_grid
    at = np.interp(grid, span, np.arange(first, stop, dtype=np.float64))
    values = interpolate(u, at).reshape(u.shape[0], n_cycles, n_grid)
    return np.roll(values, shift % n_grid, axis=-1)


def mean_wave(cycles: F64, *, typical: bool = False) -> Wave:
    """The wave of one channel's cycles.

    Parameters
    ----------
    cycles : shape (n_cycles, n_grid), phase 0 first, at least one cycle. [any unit]
    typical : take the median of the cycles and not their mean: for cycles that are not known to be quiet.

    Source: derived, the wave of least squares; the median: common practice, no source.
    """
    n_cycles, n_grid = cycles.shape
    mean = np.median(cycles, axis=0) if typical else cycles.mean(axis=0)
    spectrum = np.fft.rfft(mean)
    spectrum[-1] = 0.0  # half the grid's rate: its phase is not known
    phasor = complex(spectrum[1]) * 2 / n_grid
    table = np.fft.irfft(spectrum, _FINE * n_grid) * _FINE
    spectrum[1] = 0.0
    rest = np.fft.irfft(spectrum, _FINE * n_grid) * _FINE
    noise: float | None = None
    spread = np.zeros(n_grid)
    if n_cycles > 1:
        square = np.square(cycles - mean).sum(axis=0) / (n_cycles - 1)
        noise = None if typical else float(np.sqrt(square.mean()))
        spread = np.sqrt(np.max([np.roll(square, k) for k in range(-_NEAR, _NEAR + 1)], axis=0))
    return Wave(cubics(table), cubics(rest), phasor, n_cycles, noise, spread)


def tuned_turns(turns: F64, cycles: F64) -> F64:
    """Phase set right where the cycles show that the frequency is off, by more than noise would make it seem.

    Parameters
    ----------
    turns : shape (n,). As `phase_turns` gives them.
    cycles : shape (n_channels, n_cycles, n_grid). Quiet cycles read with them, at least 3.

    Returns
    -------
    float64, shape (n,). The same where there is nothing to correct, or there are under 3 cycles.

    Source: derived, a straight line through the phases of the cycles by least squares.
    """
    n_cycles, n_grid = cycles.shape[1:]
    if n_cycles < 3:
        return turns
    unit = np.exp(2j * np.pi * np.arange(n_grid) / n_grid)
    phasors = cycles @ unit.conj() * (2 / n_grid)
    middle = phasors.mean(axis=1)
    power = float((np.abs(middle) ** 2).sum())
    if not power > 0:
        return turns
    # Angle of each cycle against the channels' mean, weighted by their power; its slope by least squares.
    angle = np.angle((phasors * middle[:, None].conj()).sum(axis=0))
    k = np.arange(n_cycles) - (n_cycles - 1) / 2
    slope = float(k @ angle / (k @ k))
    rest = cycles - cycles.mean(axis=1, keepdims=True) - ((phasors - middle[:, None])[..., None] * unit).real
    noise = float(np.sqrt(2 * np.square(rest).mean() * cycles.shape[0] / power / n_grid / (k @ k)))
    if abs(slope) <= _SURE_SLOPE * noise:
        return turns
    tuned: F64 = turns * (1 + slope / (2 * np.pi))
    return tuned
