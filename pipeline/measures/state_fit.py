"""The state of a known waveform that comes nearest to some samples: the fundamental, and the harmonics after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.periodic import Wave, read_table
from halfcycle.pipeline.measures.wave_state import State, way

F64 = npt.NDArray[np.float64]

_ROUNDS: Final = 4
_MOST_REST: Final = 2.0  # times the known harmonics


@dataclass(frozen=True, slots=True)
class StateFit:
    """States of a wave that come nearest to some windows, and the RMS left; infinite where a bound is passed."""

    states: list[State]
    rms: F64

    @classmethod
    def of(
        cls, values: F64, turns: F64, wave: Wave, bounds: tuple[float, float], *, linear: bool, turning: bool
    ) -> StateFit:
        """Fit each window by itself.

        Parameters
        ----------
        values, turns : shape (n_windows, n). Samples, and turns of the fundamental by each. [pu]
        wave : the known waveform.
        bounds : largest RMS and largest value of what a state may leave over. [pu]
        linear : the ratio goes along a straight line from the window's start to its end; else it is level.
        turning : the harmonics are shifted with the fundamental.

        Source: derived. Each round solves for the fundamental alone and turns the harmonics after it.
        """
        n = len(values)
        since = turns - turns[:, :1]
        ahead = since.mean(axis=0)
        share = ahead / ahead[-1]
        carrier = wave.phasor * np.exp(2j * np.pi * ahead)
        columns = [carrier.real, -carrier.imag]
        if linear:
            columns = [*((1 - share) * column for column in columns), *(share * column for column in columns)]
        solver = np.linalg.pinv(np.array(columns).T)
        back = np.exp(-2j * np.pi * turns[:, 0])
        rest, spread = wave.rest, float(np.abs(wave.rest[0]).max())
        ratio, goal = np.zeros(n, np.complex128), np.zeros(n, np.complex128)
        factor, rms = np.ones(n), np.full(n, np.inf)
        left, at = values, np.arange(n)
        for i in range(_ROUNDS):
            solved = left @ solver.T
            ratio[at] += (solved[:, 0] + 1j * solved[:, 1]) * back[at]
            goal[at] = goal[at] + (solved[:, 2] + 1j * solved[:, 3]) * back[at] if linear else ratio[at]
            along = way(ratio[at, None], goal[at, None], share) if linear else ratio[at, None]
            bare = (along * (carrier / back[at, None])).real
            size = np.abs(along)
            harmonics = size * read_table(rest, turns[at] + (np.angle(along) / (2 * np.pi) if turning else 0.0))
            power = np.square(harmonics).sum(axis=1)
            least = ((values[at] - bare) * harmonics).sum(axis=1) / np.maximum(power, np.finfo(np.float64).tiny)
            factor[at] = np.clip(np.where(power > 0, least, 0.0), 0.0, _MOST_REST)
            left = values[at] - bare - factor[at, None] * harmonics
            rms[at] = np.sqrt(np.square(left).mean(axis=1))
            if i == _ROUNDS - 1:
                rms[at[np.abs(left).max(axis=1) > bounds[1]]] = np.inf
                break
            # What is far off even with the harmonics at their largest will not come near.
            near = rms[at] <= bounds[0] + 2 * spread * size.max(axis=1) / 2**i
            rms[at[~near]] = np.inf
            at, left = at[near], left[near]
        states = [
            State(wave, complex(ratio[i]), complex(goal[i]) if linear else None, float(turns[i, 0]),
                  float(turns[i, -1] - turns[i, 0]), float(factor[i]), turning)
            for i in range(n)
        ]  # fmt: skip
        return cls(states, rms)
