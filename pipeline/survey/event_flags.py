"""Which intervals of a trend are flagged: those that hold a sag, swell or interruption on any phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.rms_variations import RmsVariation, VariationsByStretch, is_lasting
from halfcycle.pipeline.measures.aggregation import touched_by_events
from halfcycle.pipeline.measures.half_cycle import HalfCycles
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds

I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Passed:
    """A sag, swell or interruption of a point, whatever its length.

    Attributes
    ----------
    kind : ``sag``, ``swell`` or ``interruption``.
    start_ns, duration_s : of it, as far as it was seen. [ns UTC], [s]
    magnitude_pu : lowest or highest voltage of any phase. [pu]
    is_open : it was under way at an end of what was seen.
    """

    kind: str
    start_ns: int
    duration_s: float
    magnitude_pu: float
    is_open: bool


class EventFlags:
    """Finds the events of a record's judged voltages as its half cycles come.

    Parameters
    ----------
    thresholds : of sags, swells and interruptions.
    reference_v : that they are shares of. [V]
    """

    def __init__(self, thresholds: Thresholds, *, reference_v: float) -> None:
        self._variations = VariationsByStretch(
            reference_v=reference_v, sag_pu=thresholds.sag_pu, swell_pu=thresholds.swell_pu,
            interruption_pu=thresholds.interruption_pu, hysteresis_pu=thresholds.hysteresis_pu,
        )  # fmt: skip
        self._found: list[RmsVariation] = []

    def push(self, voltages: HalfCycles) -> None:
        """Takes the next half cycles."""
        self._found += self._variations.push(voltages.u_half, voltages.starts, voltages.flags)

    def of_intervals(self, starts: I64, record: Record, *, interval_ns: int) -> tuple[Mask, Mask]:
        """Intervals that hold a sag, swell or interruption on any phase, and those that hold an interruption.

        A voltage that stays beyond a threshold for over a minute, or from one end of the record to the other, is an
        under- or overvoltage and flags nothing: that is what limits are for.

        Parameters
        ----------
        starts : of the intervals, once all half cycles have come. [ns UTC]
        record : tells when a sample was taken.
        interval_ns : length of the intervals. [ns]

        Source: IEC 61000-4-30 Ed. 3, 4.7 (from memory).
        """
        self._found += self._variations.finish()
        found = self._found
        passing = [v for v in found if not is_lasting(v, seconds=(v.stop - v.start) / record.header.rate_hz)]
        interruptions = [v for v in passing if v.kind == "interruption"]
        return _touched(starts, record, interval_ns, passing), _touched(starts, record, interval_ns, interruptions)

    def passed(self, record: Record) -> tuple[Passed, ...]:
        """All that was found, once all half cycles have come."""
        self._found += self._variations.finish()
        found = []
        for one in self._found:
            start_ns, stop_ns = record.time_ns(one.start), record.time_ns(one.stop)
            is_open = one.open_start or one.open_stop
            found.append(Passed(one.kind, start_ns, (stop_ns - start_ns) / 1e9, one.magnitude_pu, is_open))
        return tuple(found)


def _touched(starts: I64, record: Record, interval_ns: int, events: Sequence[RmsVariation]) -> Mask:
    times = np.array([[record.time_ns(v.start), record.time_ns(v.stop)] for v in events], np.int64).reshape(-1, 2)
    return touched_by_events(starts, starts + interval_ns, event_starts_ns=times[:, 0], event_ends_ns=times[:, 1])
