"""Piecewise envelopes: continuous functions of time, evaluated at any instant and crossed in closed form."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.synthesis.parameters import EDGE_TOLERANCE_S, Stage

FloatArray = npt.NDArray[np.float64]
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class EnvelopePiece:
    """A stretch of an envelope: level, straight line or exponential, so always monotone.

    Attributes
    ----------
    start_s, end_s : half-open; the first piece starts at minus infinity, the last one never ends. [s]
    first : value at the start.
    goal : value at the end of a straight line; value that an exponential tends to. A level has `first` for its goal.
    time_constant_s : of an exponential; None: straight line or level. [s]
    """

    start_s: float
    end_s: float
    first: float
    goal: float
    time_constant_s: float | None = None

    def at(self, t_s: FloatArray) -> FloatArray:
        """Values at instants within the piece, shape as given."""
        if self.first == self.goal:
            return np.full_like(t_s, self.first)
        if self.time_constant_s is None:
            return self.first + (self.goal - self.first) * ((t_s - self.start_s) / (self.end_s - self.start_s))
        return self.goal + (self.first - self.goal) * np.exp((self.start_s - t_s) / self.time_constant_s)

    def value(self, t_s: float) -> float:
        """Value at one instant within the piece."""
        return float(self.at(np.array([t_s], dtype=np.float64))[0])

    def part_beyond(self, level: float, *, above: bool) -> Interval | None:
        """The part of the piece strictly below (or above) a level; None: there is none. [s]"""
        sign = -1.0 if above else 1.0
        starts_beyond = sign * self.first < sign * level
        ends_beyond = sign * self.value(self.end_s) < sign * level
        if starts_beyond and ends_beyond:
            return self.start_s, self.end_s
        if starts_beyond:
            return self.start_s, self._crossing(level)
        return (self._crossing(level), self.end_s) if ends_beyond else None

    def _crossing(self, level: float) -> float:
        if self.time_constant_s is None:
            return self.start_s + (level - self.first) / (self.goal - self.first) * (self.end_s - self.start_s)
        return self.start_s + self.time_constant_s * math.log((self.first - self.goal) / (level - self.goal))


@dataclass(frozen=True, slots=True)
class Envelope:
    """A piecewise function of time, over all time and without a gap."""

    pieces: tuple[EnvelopePiece, ...]

    @property
    def is_level(self) -> bool:
        """Whether it has the same value at all times."""
        return len({value for piece in self.pieces for value in (piece.first, piece.goal)}) == 1

    def at(self, t_s: FloatArray) -> FloatArray:
        """Values at instants in ascending order, shape as given."""
        values = np.empty_like(t_s)
        for piece in self.pieces:
            first, last = np.searchsorted(t_s, (piece.start_s - EDGE_TOLERANCE_S, piece.end_s - EDGE_TOLERANCE_S))
            values[first:last] = piece.at(t_s[first:last])
        return values

    def spans_beyond(self, level: float, *, above: bool) -> list[Interval]:
        """The spans strictly below (or above) a level, in order of time; they do not touch. [s]"""
        return union(part for piece in self.pieces if (part := piece.part_beyond(level, above=above)))

    def extremes(self, start_s: float, end_s: float) -> tuple[float, float]:
        """Lowest and highest value between two instants, a step's value at the end left out."""
        ends = [
            piece.value(t_s)
            for piece in self.pieces
            if piece.start_s < end_s - EDGE_TOLERANCE_S and piece.end_s > start_s + EDGE_TOLERANCE_S
            for t_s in (max(piece.start_s, start_s), min(piece.end_s, end_s))
        ]
        return min(ends), max(ends)


def envelope_of(stages: tuple[Stage, ...], *, steady: float, value: Callable[[Stage], float]) -> Envelope:
    """The envelope that stages make of a steady value.

    Parameters
    ----------
    stages : in order of time, not overlapping.
    steady : value outside the stages.
    value : of a stage, such as the residual voltage of one phase.

    Returns
    -------
    Envelope in the unit of `steady`.
    """
    pieces: list[EnvelopePiece] = []
    end_s, level = -math.inf, steady
    for stage in stages:
        start_s = stage.start_s
        if start_s - end_s > EDGE_TOLERANCE_S:
            pieces.append(EnvelopePiece(end_s, start_s, steady, steady))
            level = steady
        else:
            start_s = end_s
        if stage.ramp_s > 0:
            pieces.append(EnvelopePiece(start_s, stage.start_s + stage.ramp_s, level, value(stage)))
            start_s = stage.start_s + stage.ramp_s
        goal = value(stage) if stage.recovery_s is None else steady
        pieces.append(EnvelopePiece(start_s, stage.end_s, value(stage), goal, stage.recovery_s))
        end_s, level = stage.end_s, pieces[-1].value(stage.end_s)
    return Envelope((*pieces, EnvelopePiece(end_s, math.inf, steady, steady)))


def union(intervals: Iterable[Interval]) -> list[Interval]:
    """The instants in at least one of several intervals, as intervals that do not touch, in order of time.

    What is no longer than `EDGE_TOLERANCE_S`, gap or interval, is rounding and is none.
    """
    joined: list[Interval] = []
    for start, end in sorted(intervals):
        if joined and start <= joined[-1][1] + EDGE_TOLERANCE_S:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        elif end > start + EDGE_TOLERANCE_S:
            joined.append((start, end))
    return joined


def intersection(one: list[Interval], other: list[Interval]) -> list[Interval]:
    """The instants in both of two sets of intervals, as intervals that do not touch, in order of time."""
    common = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return union(interval for interval in common if interval[0] < interval[1])
