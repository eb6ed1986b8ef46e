"""Rapid voltage changes of a survey, found in the half cycles as they come, a quarter of an hour at a time."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.rapid_voltage_change import RapidVoltageChangeSettings, find_rapid_voltage_changes
from halfcycle.pipeline.measures.half_cycle import HalfCycles, joined

I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]

_AT_A_TIME_S: Final = 900.0
_OVERLAP_S: Final = 60.0  # that is looked at again with what follows: a change, and the second that it settles in


class RapidChanges:
    """Takes the half cycles of a record's judged voltages in pieces.

    Parameters
    ----------
    reference_v : nominal voltage. [V]
    nominal_hz : of the fundamental. [Hz]

    Source: IEC 61000-4-30 Ed. 3, 5.11, see `find_rapid_voltage_changes`.  Departs: a change that lasts for longer than
    a minute over the end of a quarter of an hour may be found in two parts.
    """

    def __init__(self, *, reference_v: float, nominal_hz: float) -> None:
        self._reference_v, self._nominal_hz = reference_v, nominal_hz
        self._held: list[HalfCycles] = []
        self._n_held = 0
        self._done_to = -np.inf  # changes that begin before are found [samples]
        self._found: list[Finding] = []

    def push(self, series: HalfCycles) -> None:
        """Takes the next half cycles."""
        self._held.append(series)
        self._n_held += series.n
        if self._n_held >= 2 * self._nominal_hz * _AT_A_TIME_S:
            self._search(last=False)

    def finish(self) -> list[Finding]:
        """All changes of the record, in order of start."""
        if self._held:
            self._search(last=True)
        return self._found

    def _search(self, *, last: bool) -> None:
        series = joined(self._held)
        overlap = round(2 * self._nominal_hz * _OVERLAP_S)
        cut = np.inf if last or series.n <= overlap else float(series.starts[:, -overlap].min())
        found = find_rapid_voltage_changes(
            series.u_half, series.starts, reference_v=self._reference_v, nominal_frequency_hz=self._nominal_hz,
            settings=RapidVoltageChangeSettings(), flags=series.flags,
        )  # fmt: skip
        self._found += [one for one in found if self._done_to <= one.start < cut]
        self._done_to = cut
        lead = round(4 * self._nominal_hz)  # two steady seconds before a change that begins where the next part does
        self._held = [] if last else [series.part(max(series.n - overlap - lead, 0), series.n)]
        self._n_held = sum(one.n for one in self._held)


def largest_change(found: list[Finding], times_ns: I64, starts_ns: I64, *, interval_ns: int) -> F64:
    """The largest change that begins in each of some intervals, 0 where none does.

    Parameters
    ----------
    found : changes; their magnitude is ΔUmax. [%]
    times_ns : int64, shape (n_found,). When each begins. [ns UTC]
    starts_ns : int64, shape (n,). Of the intervals. [ns UTC]
    interval_ns : their length. [ns]

    Source: as of the changes, IEC 61000-4-30 Ed. 3, 5.11 (from memory).
    """
    largest = np.zeros(starts_ns.shape)
    for change, at in zip(found, times_ns.tolist(), strict=True):
        inside = (starts_ns <= at) & (at < starts_ns + interval_ns)
        largest[inside] = np.maximum(largest[inside], change.magnitude)
    return largest
