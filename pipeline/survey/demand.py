"""Demand of a point: mean active power over intervals of the clock, and over ones that slide on by a minute."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.measures.energy import block_demand, sliding_demand

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

STEP_S: Final = 60  # by which the sliding window moves on
_STEP_NS: Final = STEP_S * 10**9
_LEAST_MEASURED: Final = 0.9  # of a minute, and of the minutes of a demand interval: common practice, no source


class DemandMeter:
    """Takes the active power of blocks as they come.

    Parameters
    ----------
    interval_s : of the demand, a multiple of a minute: 900 or 1800 are usual. [s]

    Raises
    ------
    ConfigError : it is no such multiple.

    Source: common practice, no source: intervals of the clock, and a window that moves on by a minute.
    """

    def __init__(self, interval_s: int) -> None:
        if interval_s < STEP_S or interval_s % STEP_S:
            raise ConfigError(f"the demand interval is {interval_s:g} s; it must be a multiple of {STEP_S} s")
        self._n_steps = interval_s // STEP_S
        self._work: dict[int, float] = {}  # of each minute, [W s]
        self._seconds: dict[int, float] = {}

    def add(self, power: F64, *, starts_ns: I64, lengths_ns: I64) -> None:
        """Takes further blocks. power: mean of each, shape (n_blocks,) [W]; lengths_ns: up to the next block. [ns]"""
        found = block_demand(power, starts_ns=starts_ns, lengths_s=lengths_ns / 1e9, block_s=STEP_S)
        for start, mean, seconds in zip(found.starts_ns.tolist(), found.mean, found.measured_s, strict=True):
            if seconds > 0:
                minute = start // _STEP_NS
                self._work[minute] = self._work.get(minute, 0.0) + float(mean * seconds)
                self._seconds[minute] = self._seconds.get(minute, 0.0) + float(seconds)

    def of_intervals(self, starts_ns: I64, *, interval_s: float) -> tuple[F64, F64]:
        """Demand that ends in some intervals.

        Parameters
        ----------
        starts_ns : of the intervals, shape (n,). [ns UTC]
        interval_s : length of the intervals. [s]

        Returns
        -------
        (block, sliding), shape (n,) each: mean power of the last demand interval of the clock that ends in each, its
        end included; the highest mean of a sliding one that does. NaN where none of it was measured for 90 %. [W]
        """
        block, sliding = (np.full(starts_ns.shape, np.nan) for _ in range(2))
        if not self._work:
            return block, sliding
        ends, means = self._windows()
        stops_ns = starts_ns + round(interval_s * 1e9)
        first, stop = (np.searchsorted(ends * _STEP_NS, edge, side="right") for edge in (starts_ns, stops_ns))
        of_clock = ends % self._n_steps == 0
        for i in np.flatnonzero(stop > first).tolist():
            inside, clock = means[first[i] : stop[i]], of_clock[first[i] : stop[i]]
            known = ~np.isnan(inside)
            sliding[i] = inside[known].max() if known.any() else np.nan
            block[i] = inside[known & clock][-1] if (known & clock).any() else np.nan
        return block, sliding

    def _windows(self) -> tuple[I64, F64]:
        """Minute at whose beginning each sliding window ends, and its mean power; NaN where too little was measured."""
        first, last = min(self._work), max(self._work)
        minutes = np.arange(first, last + 1)
        seconds = np.array([self._seconds.get(int(minute), 0.0) for minute in minutes])
        work = np.array([self._work.get(int(minute), 0.0) for minute in minutes])
        enough = seconds >= _LEAST_MEASURED * STEP_S
        means = sliding_demand(np.where(enough, work / np.where(enough, seconds, 1.0), np.nan), n_blocks=self._n_steps)
        return first + self._n_steps + np.arange(means.size, dtype=np.int64), means
