"""The stages of a multi-stage sag or swell: plateaus of the worst phase's half-cycle RMS."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.order_statistics import median_of

_STEP_PU: Final = 0.05  # levels that differ by less are one stage
_SHORTEST_HALF_CYCLES: Final = 4


@dataclass(frozen=True, slots=True)
class Plateau:
    """One plateau: first half cycle, how many until the next stage, median level. [pu]"""

    i_start: int
    n_half_cycles: int
    level_pu: float


def find_stages(worst_pu: npt.ArrayLike) -> tuple[Plateau, ...]:
    """Plateaus of at least two cycles whose levels differ by 0.05 pu or more from one to the next.

    Parameters
    ----------
    worst_pu : shape (n,). The worst phase's Urms(1/2) during the event. [pu]

    Returns
    -------
    At least one stage; together they cover the event. A shape without plateaus is one stage at its median.

    Source: derived; standards keep a multi-stage sag one event and leave its shape to the trace.
    """
    trace = np.asarray(worst_pu, np.float64)
    n = trace.size
    width = _SHORTEST_HALF_CYCLES
    if n < 2 * width:
        return (Plateau(0, n, median_of(trace)),) if n else ()
    windows = np.lib.stride_tricks.sliding_window_view(trace, width)
    level_windows = np.flatnonzero(windows.max(axis=1) - windows.min(axis=1) < _STEP_PU)
    plateaus: list[tuple[int, int]] = []
    for i in level_windows.tolist():
        if plateaus and i < plateaus[-1][1]:
            plateaus[-1] = (plateaus[-1][0], i + width)
        else:
            plateaus.append((i, i + width))
    stages: list[tuple[int, float]] = []
    for first, stop in plateaus:
        level = median_of(trace[first:stop])
        if not stages or abs(level - stages[-1][1]) >= _STEP_PU:
            stages.append((first, level))
    if not stages:
        return (Plateau(0, n, median_of(trace)),)
    starts = [0] + [first for first, _ in stages[1:]] + [n]
    return tuple(Plateau(a, b - a, level) for a, b, (_, level) in zip(starts, starts[1:], stages, strict=False))
