"""A sag, swell or interruption on the waveform: when it really began and ended, how deep it was, how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.uncertainty.edges import Edge, find_edge
from halfcycle.pipeline.uncertainty.level import LevelEstimate, Noise, level_of, worst_level
from halfcycle.pipeline.uncertainty.periodic import Periodic, fit_periodic

F64 = npt.NDArray[np.float64]

_CALM_CYCLES: Final = 4.0  # before the start and after the end, that are fitted
_LEAST_CALM_CYCLES: Final = 1.5
_AWAY_CYCLES: Final = 1.05  # by which a window that crossed may begin before or after the waveform's step
_BACK_CYCLES: Final = 0.65  # by which the step back may lie after the start of the first window back
_DURING_CYCLES: Final = 3.0
_GAP_CYCLES: Final = 0.15  # between a rough edge and what is fitted beside it
_SHARE: Final = 0.02  # of the largest squared departure, that shows roughly where a waveform departs
_BESIDE_CYCLES: Final = (0.3, 0.15)  # before and after a rough edge, where it may lie
REACH_CYCLES: Final = _CALM_CYCLES + _AWAY_CYCLES + 0.5
"""Of waveform that is wanted before the first window beyond and after the first one back."""


@dataclass(frozen=True, slots=True)
class HalfCycleValues:
    """Half-cycle values of one channel in an event: where each window begins [samples], and its RMS [V]."""

    starts: F64
    rms: F64


@dataclass(frozen=True, slots=True)
class Physical:
    """What an event was on the waveform; None: it cannot be told.

    Attributes
    ----------
    begins, ends : edges. [samples of the waveform given]
    level : lowest or highest. [V]
    levels : of each channel. [V]
    noise : of each channel.
    inside : RMS values of the windows of each channel that lie wholly within. [V]
    """

    begins: Edge | None
    ends: Edge | None
    level: LevelEstimate | None
    levels: tuple[LevelEstimate | None, ...]
    noise: tuple[Noise, ...]
    inside: tuple[F64, ...]


def physical_of(
    u: F64,
    windows: Sequence[HalfCycleValues],
    *,
    start: float,
    stop: float,
    cycle: float,
    steps_v: Sequence[float],
    highest: bool = False,
    n_tracked: int = 1,
    open_start: bool = False,
    open_stop: bool = False,
) -> Physical | None:
    """An event on the waveform.

    Parameters
    ----------
    u : shape (n_channels, n). Waveform of the channels that take part, `REACH_CYCLES` around the event where there is
        as much. [V]
    windows : of each channel, from the first window beyond its threshold to the last.
    start, stop : of the first window beyond and of the first one back. [samples of u]
    cycle : samples of a cycle.
    steps_v : of quantisation, of each channel; 0: not known. [V]
    highest : of a swell.
    n_tracked : channels that the frequency is tracked by.
    open_start, open_stop : under way at the first or last sample.

    Returns
    -------
    Physical; None where there is no calm cycle and a half before or after it to tell its noise by, or a sample missing.

    Source: derived.
    """
    if not np.isfinite(u).all():
        return None
    before = None if open_start else _calm(u, start - _AWAY_CYCLES * cycle, cycle, later=False)
    after = None if open_stop else _calm(u, stop + _BACK_CYCLES * cycle, cycle, later=True)
    calm = before if before is not None else after
    if calm is None:
        return None
    noise = tuple(Noise(float(s), q, cycle, n_tracked, calm.freedom) for s, q in zip(calm.noise, steps_v, strict=True))
    low, high = _rough_edges(u, before, after, start=start, stop=stop, cycle=cycle)
    gap = _GAP_CYCLES * cycle
    begins = ends = None
    longest = _DURING_CYCLES * cycle
    if before is not None and low is not None:
        until = (high if high is not None else stop - _AWAY_CYCLES * cycle) - gap
        during = _fitted(u, low + gap, min(low + gap + longest, until), cycle)
        begins = None if during is None else find_edge(u, before, during, **_near(low, cycle, turned=False))
    if after is not None and high is not None:
        since = (low if low is not None else start + _AWAY_CYCLES * cycle) + gap
        during = _fitted(u, max(high - gap - longest, since), high - gap, cycle)
        ends = None if during is None else find_edge(u, during, after, **_near(high, cycle, turned=True))
    first = begins.at - 0.5 if begins is not None else start + _AWAY_CYCLES * cycle
    last = ends.at + 0.5 if ends is not None else stop - _AWAY_CYCLES * cycle
    inside = tuple(one.rms[(one.starts >= first) & (one.starts + cycle <= last)] for one in windows)
    levels = tuple(
        level_of(values, of_channel, highest=highest) for values, of_channel in zip(inside, noise, strict=True)
    )
    known = [level for level in levels if level is not None]
    return Physical(begins, ends, worst_level(known, highest=highest) if known else None, levels, noise, inside)


def _calm(u: F64, edge: float, cycle: float, *, later: bool) -> Periodic | None:
    """The waveform before or after an event, up to or from a position."""
    if later:
        first, stop = int(np.ceil(edge)), min(int(edge + _CALM_CYCLES * cycle), u.shape[1])
    else:
        first, stop = max(int(edge - _CALM_CYCLES * cycle), 0), int(edge)
    return fit_periodic(u, first, stop, cycle=cycle) if stop - first >= _LEAST_CALM_CYCLES * cycle else None


def _fitted(u: F64, first: float, stop: float, cycle: float) -> Periodic | None:
    return fit_periodic(u, int(np.ceil(first)), int(stop), cycle=cycle) if stop - first > 2 else None


def _near(rough: float, cycle: float, *, turned: bool) -> dict[str, int]:
    before, after = _BESIDE_CYCLES[::-1] if turned else _BESIDE_CYCLES
    return {"low": int(rough - before * cycle), "high": int(np.ceil(rough + after * cycle)) + 1}


def _rough_edges(
    u: F64, before: Periodic | None, after: Periodic | None, *, start: float, stop: float, cycle: float
) -> tuple[float | None, float | None]:
    """Roughly the first position off what was before, and the last off what comes after."""
    away = _AWAY_CYCLES * cycle
    low = high = None
    if before is not None:
        first, last = max(int(start - away), 0), min(int(start + 1.5 * cycle), u.shape[1])
        off = _departed(u, before, first, last, cycle)
        low = first + float(off.argmax()) if off.any() else None
    if after is not None:
        first, last = max(int(stop - 1.5 * cycle), 0), min(int(stop + _BACK_CYCLES * cycle), u.shape[1])
        off = _departed(u, after, first, last, cycle)
        high = last - float(off[::-1].argmax()) if off.any() else None
    return low, high


def _departed(u: F64, calm: Periodic, first: int, last: int, cycle: float) -> npt.NDArray[np.bool_]:
    """Where a waveform is off a periodic one by much of what it comes to be off."""
    if last - first < 4:
        return np.zeros(0, np.bool_)
    square = ((u[:, first:last] - calm.at(first, last)) ** 2).sum(axis=0)
    width = max(2, round(cycle / 64))
    smooth = np.convolve(square, np.full(width, 1 / width), mode="same")
    floor = 9.0 * float((calm.noise**2).sum())
    off: npt.NDArray[np.bool_] = smooth > max(_SHARE * float(smooth.max()), floor)
    return off
