"""When the samples of a waveform were taken, from the time series beside it.

Source: IEEE 1159.3, series values (tagStorageMethodID, tagQuantityUnitsID).  Where the standard's increments leave open
which step lies between the last point of one rate and the first of the next, it is that of the earlier one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import MalformedRecord, Unsupported
from halfcycle.pipeline.readers import time_axis
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.description import Column, Description
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.logical import Values
from halfcycle.pipeline.readers.pqdif.physical import TIMESTAMP, StoredVector, are_times, nanoseconds

MAX_RATES: Final = 1024
MIN_RATE_HZ: Final = 1e-6
MAX_RATE_HZ: Final = 1e9
_BLOCK: Final = 1 << 17
_LAST_NS: Final = np.iinfo(np.int64).max
_LONGEST_S: Final = 1e10
_TOO_FAR: Final = "the times lie outside the years 1677 to 2262"


@dataclass(frozen=True, slots=True)
class SamplesAtRate:
    """Samples that follow one another at one rate.

    Attributes
    ----------
    first, n_samples : which of the series.
    rate_hz : sampling rate. [Hz]
    start_ns : time of its first sample. [ns since 1970-01-01]
    """

    first: int
    n_samples: int
    rate_hz: float
    start_ns: int


@dataclass(frozen=True, slots=True)
class WaveformTiming:
    """The stretches of a waveform in order of time, and what was decided about them."""

    stretches: tuple[SamplesAtRate, ...]
    notes: tuple[str, ...] = ()


def timing_of(
    times: Values, *, units: int, method: int, start_ns: int, n_samples: int, frequency_hz: float | None, path: Path
) -> WaveformTiming:
    """The stretches that a time series makes.

    Parameters
    ----------
    times : the series.
    units : tagQuantityUnitsID: seconds, cycles or time stamps.
    method : tagStorageMethodID.
    start_ns : time that seconds and cycles count from. [ns since 1970-01-01]
    n_samples : of the waveforms that it belongs to.
    frequency_hz : that cycles are of, if known. [Hz]
    path : of the file.

    Returns
    -------
    WaveformTiming. Times that are stored one by one make a stretch up to each gap.

    Raises
    ------
    Unsupported : the times are in other units, or in cycles of no known frequency.
    MalformedRecord : they are no times, run backwards, are uneven, or are not as many as the samples.
    """
    stored = times.stored
    if stored.dtype == TIMESTAMP and not method & tags.METHOD_INCREMENT:
        timing = _listed(times, unit_s=1.0, start_ns=0, path=path)
    elif stored.dtype.kind not in "iuf":
        raise MalformedRecord(path, stored.place, f"times are stored as {stored.dtype}, which is not a number")
    else:
        unit_s = _unit_s(units, frequency_hz, path, stored.place)
        if method & tags.METHOD_INCREMENT:
            timing = _incremental(times, unit_s=unit_s, start_ns=start_ns, n_samples=n_samples, path=path)
        else:
            timing = _listed(times, unit_s=unit_s, start_ns=start_ns, path=path)
    n_times = sum(stretch.n_samples for stretch in timing.stretches)
    if n_times != n_samples:
        raise MalformedRecord(path, stored.place, f"there are {n_times} times, but {n_samples} samples")
    for stretch in timing.stretches:
        _check_rate(stretch.rate_hz, path, stored.place)
        if not abs(stretch.start_ns) + stretch.n_samples / stretch.rate_hz * 1e9 < _LAST_NS:
            raise MalformedRecord(path, stored.place, _TOO_FAR)
    return timing


def _check_rate(rate_hz: float, path: Path, place: str) -> None:
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        raise MalformedRecord(path, place, f"the sampling rate is {rate_hz:g} Hz; allowed are {MIN_RATE_HZ:g} to "
                                           f"{MAX_RATE_HZ:g} Hz")  # fmt: skip


def _unit_s(units: int, frequency_hz: float | None, path: Path, place: str) -> float:
    if units == tags.UNIT_SECONDS:
        return 1.0
    if units != tags.UNIT_CYCLES:
        raise Unsupported(path, place, f"times have tagQuantityUnitsID {units}; read are seconds ({tags.UNIT_SECONDS}) "
                          f"and cycles ({tags.UNIT_CYCLES}) as numbers, and time stamps")  # fmt: skip
    if frequency_hz is None:
        raise Unsupported(path, place, "times are in cycles, and the file states no frequency")
    return 1.0 / frequency_hz


def _incremental(times: Values, *, unit_s: float, start_ns: int, n_samples: int, path: Path) -> WaveformTiming:
    """Stretches from [number of rates, points, step, points, step ...]."""
    place, stored = times.stored.place, times.stored
    numbers = stored.array(0, min(stored.count, 1 + 2 * MAX_RATES)).astype(np.float64)
    n_rates = int(numbers[0]) if len(numbers) and 1 <= numbers[0] <= MAX_RATES else 0
    if not n_rates or len(numbers) < 1 + 2 * n_rates:
        raise MalformedRecord(path, place, f"increments are a number of rates from 1 to {MAX_RATES}, and points and "
                                           f"step of each; there are {stored.count} values")  # fmt: skip
    counts, steps = numbers[1 : 1 + 2 * n_rates : 2], numbers[2 : 2 + 2 * n_rates : 2]
    fine = np.isfinite(counts) & np.isfinite(steps) & (counts >= 1) & (counts == np.floor(counts)) & (counts < 2**53)
    factor = times.scale * unit_s
    with np.errstate(over="ignore", invalid="ignore"):
        steps = steps * factor
    if not fine.all() or not (steps > 0).all():
        raise MalformedRecord(path, place, "increments need a whole number of points and a step above 0")
    precision = float(np.finfo(stored.dtype if stored.dtype.kind == "f" else np.float64).eps)
    notes: tuple[str, ...] = ()
    if counts.sum() == n_samples - 1:  # steps were counted, not points
        counts[-1] += 1
        notes = (Repair("the time increments are one fewer than the samples; taken as the steps between them"),)
    stretches: list[SamplesAtRate] = []
    elapsed_s = times.offset * unit_s
    first = 0
    for count, step in zip(counts.tolist(), steps.tolist(), strict=True):
        if not abs(elapsed_s) < _LONGEST_S:
            raise MalformedRecord(path, place, _TOO_FAR)
        rate_hz = roundest_rate_hz(step, precision)
        _check_rate(rate_hz, path, place)
        before = stretches[-1] if stretches else None
        if before is not None and before.rate_hz == rate_hz:
            stretches[-1] = SamplesAtRate(before.first, before.n_samples + int(count), rate_hz, before.start_ns)
        else:
            stretches.append(SamplesAtRate(first, int(count), rate_hz, start_ns + round(elapsed_s * 1e9)))
        first += int(count)
        elapsed_s += count / rate_hz
    return WaveformTiming(tuple(stretches), notes)


def roundest_rate_hz(step_s: float, precision: float) -> float:
    """The rate of fewest digits that a stored step stands for. [Hz]

    Parameters
    ----------
    step_s : between samples. [s]
    precision : relative, of its type.
    """
    rate_hz = 1.0 / step_s if step_s >= 1.0 / np.finfo(np.float64).max else math.inf
    for digits in range(1, 17):
        rounded = float(f"{rate_hz:.{digits}g}")
        if abs(rounded * step_s - 1.0) <= precision:
            return rounded
    return rate_hz


def _listed(times: Values, *, unit_s: float, start_ns: int, path: Path) -> WaveformTiming:
    """Stretches from times one by one, cut at gaps."""
    axis = _Axis(times, unit_s, path)
    if not abs(times.offset * unit_s) < _LONGEST_S:
        raise MalformedRecord(path, times.stored.place, _TOO_FAR)
    # The offset goes to the start, so that the times keep the precision that they were stored with.
    start_ns = 0 if axis.columns[0].kind.kind == "M" else start_ns + round(times.offset * unit_s * 1e9)
    said = Description() if axis.columns[0].kind.kind == "M" else Description.model_construct(start_ns=start_ns)
    rate_hz, spans, notes = time_axis.timing_of(axis, said=said, i_time=0)
    stretches: list[SamplesAtRate] = []
    first = 0
    for span in spans:
        n_samples = span.n_rows or 0
        stretches.append(SamplesAtRate(first, n_samples, rate_hz, span.start_ns))
        first += n_samples
    return WaveformTiming(tuple(stretches), tuple(notes))


class _Axis:
    """A time series as the time column that `time_axis` reads."""

    def __init__(self, times: Values, unit_s: float, path: Path) -> None:
        self.path = path
        stored = times.stored
        self._stored: StoredVector = stored
        if stored.count < 2:
            raise MalformedRecord(path, stored.place, f"{stored.count} times are too few to find the sampling rate")
        kind = np.dtype("datetime64[ns]") if stored.dtype == TIMESTAMP else np.dtype(np.float64)
        self.columns: Sequence[Column] = [Column("time", "time", "s", kind, stored.count, has_zone=True)]
        self._factor = times.scale * unit_s
        if not self._factor > 0:
            raise MalformedRecord(path, stored.place, f"the scale of the times is {times.scale:g}; it must be above 0")

    def blocks(self, positions: Sequence[int]) -> Iterator[tuple[int, list[npt.NDArray[Any]]]]:
        """The times in seconds, or as dates, block by block."""
        for first in range(0, self._stored.count, _BLOCK):
            part = self._stored.array(first, min(_BLOCK, self._stored.count - first))
            yield len(part), [self._seconds(part, first)]

    def _seconds(self, part: npt.NDArray[Any], first: int) -> npt.NDArray[Any]:
        if part.dtype == TIMESTAMP:
            if not are_times(part):
                raise MalformedRecord(self.path, self.place(first, self.columns[0]), "the times end here")
            return nanoseconds(part).view("datetime64[ns]")
        # Single precision stays what it is, so that it is judged as such.
        factor = part.dtype.type(self._factor) if part.dtype.kind == "f" else self._factor
        with np.errstate(over="ignore", invalid="ignore"):
            seconds: npt.NDArray[Any] = part * factor
            if (np.abs(seconds) >= _LONGEST_S).any():
                raise MalformedRecord(self.path, self.place(first, self.columns[0]), _TOO_FAR)
        return seconds

    def place(self, i_row: int, column: Column) -> str:
        """Where a time stands, for messages."""
        return f"{self._stored.place}, time {i_row + 1}"
