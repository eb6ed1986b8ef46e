"""Short-term flicker severity of a record, by ten-minute intervals of the clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.measures.flickermeter import (
    SETTLING_S,
    SHORT_TERM_NS,
    SHORT_TERM_S,
    Flickermeter,
    short_term_severity,
)

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Severity:
    """Short-term severity of one ten-minute interval of the clock.

    Attributes
    ----------
    start_ns : of the interval, a multiple of ten minutes. [ns UTC]
    pst : float64, shape (n_channels,). [1]
    covered_s : of the interval, for which there was a settled Pinst; 600 where it is whole. [s]
    pinst_low, pinst_high : float64, shape (n_channels,). Least and greatest settled Pinst. [1]
    """

    start_ns: int
    pst: F64
    covered_s: float
    pinst_low: F64
    pinst_high: F64


class SeverityMeter:
    """Takes a record's voltages in pieces and gives Pst of each ten-minute interval of the clock.

    Parameters
    ----------
    meter : that has seen no sample yet.
    start_ns : of the record. [ns UTC]
    settling_s : of Pinst that does not count. [s]

    Source: IEC 61000-4-30 Ed. 3, 5.3.3 (from memory): intervals start at ten-minute ticks of UTC.
    """

    def __init__(self, meter: Flickermeter, *, start_ns: int, settling_s: float = SETTLING_S) -> None:
        self._meter = meter
        self._start_ns = start_ns
        self._n_skipped = int(np.ceil(max(settling_s - meter.delay_s, 0.0) * meter.output_rate_hz))
        self._n_seen = 0  # values of Pinst up to the first that is held
        self._held: list[F32] = []

    def push(self, samples: Raw) -> list[Severity]:
        """The intervals that end with the next samples, shape (n_channels, n); those without any value are left out."""
        pinst = self._meter.push(samples)
        done: list[Severity] = []
        while pinst.shape[1]:
            stop = self._first_of(self._interval_of(self._now) + 1) - self._now
            self._held.append(pinst[:, :stop])
            if pinst.shape[1] < stop:
                break
            done += self._closed()
            pinst = pinst[:, stop:]
        return done

    def finish(self) -> list[Severity]:
        """The interval in which the record ends, if it has a value; call it once, at the record's end."""
        return self._closed()

    @property
    def _now(self) -> int:
        return self._n_seen + int(sum(part.shape[1] for part in self._held))

    def _interval_of(self, i: int) -> int:
        """Number of the interval of the clock in which a value of Pinst lies."""
        at_ns = self._start_ns + round((i / self._meter.output_rate_hz + self._meter.delay_s) * 1e9)
        return int(at_ns // SHORT_TERM_NS)

    def _first_of(self, interval: int) -> int:
        """The first value of Pinst in an interval."""
        since_s = (interval * SHORT_TERM_NS - self._start_ns) / 1e9 - self._meter.delay_s
        i = int(np.ceil(since_s * self._meter.output_rate_hz))  # may be one off by rounding
        while self._interval_of(i) < interval:
            i += 1
        while self._interval_of(i - 1) >= interval:
            i -= 1
        return i

    def _closed(self) -> list[Severity]:
        first, stop = self._n_seen, self._now
        settled = np.concatenate(self._held, axis=1) if self._held else np.zeros((1, 0), np.float32)
        settled = settled[:, max(self._n_skipped - first, 0) :]
        self._n_seen, self._held = stop, []
        if not settled.shape[1]:
            return []
        start_ns = self._interval_of(stop - 1) * SHORT_TERM_NS
        covered_s = min(settled.shape[1] / self._meter.output_rate_hz, SHORT_TERM_S)
        low, high = (np.asarray(of(axis=1), np.float64) for of in (settled.min, settled.max))
        return [Severity(start_ns, short_term_severity(settled), covered_s, low, high)]
