"""Distributions propagated by drawing (JCGM 101): of levels that are extremes, of instants that are no normal ones.

What is drawn rests on a seed alone, so the same record gives the same numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.uncertainty.edges import COVERED, Edge
from halfcycle.pipeline.uncertainty.level import MEAN_OF_WINDOWS, LevelEstimate, Noise, alike_levels, without_edges

F64 = npt.NDArray[np.float64]

N_DRAWS: Final = 10_000
"""So many leave 0.5 % of a standard uncertainty, and 0.005 of a probability, to chance (JCGM 101, 7.2)."""

_REACH: Final = 8.0  # times the uncertainty of a window: values farther from the extreme cannot come to be it
_MOST_WINDOWS: Final = 200  # of those; more add nothing to an extreme that these do not show


@dataclass(frozen=True, slots=True)
class Interval:
    """Middle and half of the half-width of the interval that holds a drawn quantity with 95.45 %: with k = 2 its ends.

    Source: JCGM 101:2008, 7.7: the probabilistically symmetric coverage interval.
    """

    at: float
    u: float


def interval_of(draws: F64) -> Interval:
    """The interval that holds so many of some draws, as many below it as above. draws : shape (n,)."""
    low, high = np.quantile(draws, [(1 - COVERED) / 2, (1 + COVERED) / 2])
    return Interval(float(low + high) / 2, float(high - low) / 4)


def draw_edge(edge: Edge, rng: np.random.Generator) -> F64:
    """Instants of an edge, shape (N_DRAWS,), by its distribution over the samples. [samples]"""
    if edge.shares is None:
        return edge.at + edge.deviation * rng.standard_normal(N_DRAWS)
    positions, share = edge.shares
    return np.interp(rng.random(N_DRAWS), share, positions)


def draw_level(values: npt.ArrayLike, noise: Noise, rng: np.random.Generator, *, highest: bool = False) -> F64 | None:
    """Levels that half-cycle values of one channel may be of.

    Parameters
    ----------
    values, noise, highest : as of `level.level_of`.
    rng : from which all draws of a row come.

    Returns
    -------
    Shape (N_DRAWS,), in volts; None: no value.

    Source: JCGM 101:2008, 6.4: the noise's own size by its degrees of freedom (6.4.9, scaled), windows normal and
    neighbours with half a cycle in common, quantisation rectangular. Of an extreme the error of the same extreme of as
    many values drawn about the record's own shape is taken off, one draw each.
    """
    rms = np.asarray(values, np.float64)
    if not rms.size:
        return None
    rms, flat = without_edges(rms, noise)
    spread = np.sqrt(noise.freedom / rng.chisquare(noise.freedom, N_DRAWS)) if noise.freedom else np.ones(N_DRAWS)
    drawn = _flat(rms, noise, spread, rng) if flat else _extreme(rms, noise, spread, rng, highest)
    typical = float(np.median(drawn))
    drawn *= 1 + noise.of_windows(rms.size) * rng.standard_normal(N_DRAWS)
    steps = noise.undithered(typical, rms.size)
    if steps:
        drawn += np.sqrt(3) * steps * rng.uniform(-1, 1, N_DRAWS)
    return np.maximum(drawn, 0.0)


def _flat(rms: F64, noise: Noise, spread: F64, rng: np.random.Generator) -> F64:
    """Of a flat part: the root of its mean square less the noise's own; negative squares are no voltage."""
    m = rms.size
    squares = float(np.mean(rms**2)) - (noise.sigma * spread) ** 2
    level = float(np.sqrt(max(squares.mean(), 0.0)))
    of_mean = MEAN_OF_WINDOWS * np.sqrt(noise.of_square(level) * (2 * m - 1) / m**2)
    drawn = squares + of_mean * spread * rng.standard_normal(N_DRAWS)
    return np.asarray(np.sqrt(np.maximum(drawn, 0.0)), np.float64)


def _extreme(rms: F64, noise: Noise, spread: F64, rng: np.random.Generator, highest: bool) -> F64:
    """Of a shape that is not flat: its extreme, less what noise makes of that."""
    sign = -1.0 if highest else 1.0
    lowest = float((sign * rms).min())
    one = noise.of_window(abs(lowest))
    near = np.flatnonzero(sign * rms <= lowest + _REACH * one)
    near = np.sort(near[np.argsort(sign * rms[near], kind="stable")[:_MOST_WINDOWS]])
    shape = sign * rms[near]
    halves = np.union1d(near, near + 1)  # a window is two half cycles, of which its neighbours have one each
    noises = rng.standard_normal((N_DRAWS, halves.size))
    first, second = np.searchsorted(halves, near), np.searchsorted(halves, near + 1)
    errors = (noises[:, first] + noises[:, second]) / np.sqrt(2)
    off = (shape + one * spread[:, None] * errors).min(axis=1) - shape.min()
    raised = np.maximum(sign * (lowest - off), 0.0)
    return np.asarray(np.sqrt(np.maximum(raised**2 - (noise.sigma * spread) ** 2, 0.0)), np.float64)


def draw_worst(
    levels: Sequence[LevelEstimate | None], draws: Sequence[F64 | None], *, highest: bool = False, every: bool = False
) -> F64 | None:
    """The lowest (or highest) of some channels' levels.

    Parameters
    ----------
    levels, draws : of each channel; None: not told.
    highest : of a swell.
    every : the threshold is one that every channel has to cross: the one that crosses it least counts.

    Returns
    -------
    Shape (N_DRAWS,); channels that cannot be told apart are taken for equal. None where none is told.
    """
    pairs = [(one, drawn) for one, drawn in zip(levels, draws, strict=True) if one is not None and drawn is not None]
    if not pairs:
        return None
    if every:
        return np.asarray((np.min if highest else np.max)([drawn for _, drawn in pairs], axis=0), np.float64)
    alike = alike_levels([one for one, _ in pairs], highest=highest)
    weights = np.array([1 / max(one.u, 1e-12) ** 2 if one in alike else 0.0 for one, _ in pairs])
    return np.asarray(weights @ np.stack([drawn for _, drawn in pairs]) / weights.sum(), np.float64)
