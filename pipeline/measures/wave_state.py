"""States of a known waveform: its fundamental scaled and turned by a ratio, level or on its way to another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.periodic import Wave, read_table

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

FADED: Final = 0.05  # of nominal: a state this small has no phase


@dataclass(frozen=True, slots=True)
class State:
    """A known waveform whose fundamental is scaled and turned by a ratio that is level, or goes from one to another.

    Attributes
    ----------
    wave : the known waveform.
    ratio : of the fundamental, at `origin`.
    goal, origin, span : the ratio that is reached after `span` turns, in a straight line of size and of angle; None:
        it is level.
    rest : factor of the harmonics.
    turning : whether the harmonics are shifted in time with the fundamental, or stay where they were.
    """

    wave: Wave
    ratio: complex = 1.0
    goal: complex | None = None
    origin: float = 0.0
    span: float = 1.0
    rest: float = 1.0
    turning: bool = True

    def ratio_at(self, turns: F64) -> C128:
        """The ratio where the fundamental has gone through some turns."""
        if self.goal is None:
            return np.full(turns.shape, self.ratio)
        return way(np.asarray(self.ratio), np.asarray(self.goal), (turns - self.origin) / self.span)

    def at(self, turns: F64) -> F64:
        """Values where the fundamental has gone through some turns."""
        return self.with_ratio(self.ratio_at(turns) if self.goal is not None else np.asarray(self.ratio), turns)

    def with_ratio(self, ratio: C128, turns: F64) -> F64:
        """Values that it would have with other ratios, whose shape must fit that of the turns."""
        size, ahead = np.abs(ratio), np.angle(ratio) / (2 * np.pi)
        if self.turning and self.rest == 1.0:
            values: F64 = size * read_table(self.wave.table, turns + ahead)
            return values
        start = float(np.angle(self.wave.phasor)) / (2 * np.pi)
        values = abs(self.wave.phasor) * np.cos(2 * np.pi * (turns + (ahead + start)))
        values += self.rest * read_table(self.wave.rest, turns + ahead if self.turning else turns)
        values *= size
        return values

    def still(self, turns: float) -> State:
        """The level state that it has at one instant."""
        ratio = complex(self.ratio_at(np.array([turns]))[0])
        return State(self.wave, ratio, rest=self.rest, turning=self.turning)

    @property
    def phasor(self) -> complex:
        """The fundamental at the origin, peak."""
        return self.ratio * self.wave.phasor


def way(first: C128, last: C128, share: F64) -> C128:
    """From one ratio to another: size and angle in straight lines, unless one is too small to have an angle.

    Source: common practice, no source.
    """
    size, angle = np.abs(first), np.angle(last * np.conj(first))
    small = np.minimum(size, np.abs(last)) < FADED
    bent = (size + share * (np.abs(last) - size)) * np.exp(1j * (np.angle(first) + share * angle))
    ratios: C128 = np.where(small, first + share * (last - first), bent)
    return ratios
