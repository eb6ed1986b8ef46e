"""The window of ten cycles in which the learned classifier sees an event."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record

CYCLES: Final = 10
LEAD_CYCLES: Final = 2.5  # of the window before the event


def ten_cycles(
    record: Record, point: Point, start_ns: int, *, frequency_hz: float, lead_cycles: float = LEAD_CYCLES
) -> tuple[int, npt.NDArray[np.float64]] | None:
    """Ten cycles of a point's voltages around the start of an event.

    Parameters
    ----------
    record, point : that the event lies in.
    start_ns : of the event. [ns since 1970-01-01]
    frequency_hz : nominal. [Hz]
    lead_cycles : by which the window begins before the event; near the record's ends it moves into the record.

    Returns
    -------
    The record position of the window's first sample, and its samples, shape (n_voltages, n); None where the record is
    under ten cycles long. Whether all of them are measurements is for the caller to ask. [samples], [V]
    """
    cycle = record.header.rate_hz / frequency_hz
    start = record.position_of(start_ns)
    first = max(0, min(int(start - lead_cycles * cycle), record.n_samples - int(np.ceil(CYCLES * cycle))))
    stop = first + round(CYCLES * cycle)
    if stop > record.n_samples:
        return None
    return first, record.physical(point, first, stop)
