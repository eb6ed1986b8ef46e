"""When samples were taken: stretches of one sampling rate, from the rate table or from the time stamps of the data."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.comtrade.configuration import MAX_RATE_HZ, MIN_RATE_HZ, RateLine
from halfcycle.pipeline.readers.comtrade.stamps import NS_PER_S
from halfcycle.pipeline.readers.contract import Repair

# Rates that differ by less are one rate that a recorder measured or tracked: the sampling clock of a recorder that
# follows the line frequency wanders as the line frequency does, well under 1 % in an interconnected system.
SAME_RATE: Final = 0.005
STAMP_TOLERANCE: Final = 0.01  # time stamps and rate table may differ by this, recorder clocks being what they are
_JITTER_TICKS: Final = 2  # two rounded stamps differ from their true distance by less
_MIN_STRETCH_SAMPLES: Final = 8  # fewer show no rate
MAX_STAMP: Final = 9_999_999_999  # ten digits
STAMP_WRAP: Final = 1 << 32

Elapsed = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RowsAtRate:
    """Rows that follow one another at one rate.

    Attributes
    ----------
    first_row, n_samples : which rows of the data.
    rate_hz : sampling rate. [Hz]
    offset_ns : time of its first row after that of the first row of the file. [ns]
    """

    first_row: int
    n_samples: int
    rate_hz: float
    offset_ns: int


@dataclass(frozen=True, slots=True)
class RecordingTiming:
    """The stretches of a recording in order of time, and what was decided about them.

    `is_stamped`: the time stamps of the data have been compared with it, row by row, and fit.
    """

    stretches: tuple[RowsAtRate, ...]
    notes: tuple[str, ...] = ()
    is_stamped: bool = False

    @property
    def n_rows(self) -> int:
        """Rows in all stretches."""
        return self.stretches[-1].first_row + self.stretches[-1].n_samples


def timing_of_rates(rates: Sequence[RateLine]) -> RecordingTiming:
    """Stretches from a rate table.

    Each sample lasts one interval of its own rate, so the first sample of a rate comes one interval of the rate
    before after the last sample of that one. Neighbouring rates within `SAME_RATE` make one stretch, whose rate is
    all its samples over all their time.

    Parameters
    ----------
    rates : sampling rates, last sample numbers rising.

    Returns
    -------
    RecordingTiming.
    """
    stretches: list[RowsAtRate] = []
    notes: list[str] = []
    elapsed_s = 0.0
    first = 0
    if len(rates) == 1:
        return RecordingTiming((RowsAtRate(0, rates[0].last_sample, rates[0].rate_hz, 0),))
    for group in _groups(rates):
        lengths = np.diff([first, *(rate.last_sample for rate in group)])
        n_samples, length_s = int(lengths.sum()), math.fsum(lengths / [rate.rate_hz for rate in group])
        rate_hz = group[0].rate_hz
        if any(rate.rate_hz != rate_hz for rate in group):
            rate_hz = n_samples / length_s
            notes.append(Repair(
                f"{len(group)} sampling rates within {100 * SAME_RATE:g} % of their midpoint are taken as one rate "
                f"of {rate_hz:.6f} Hz"
            ))  # fmt: skip
        stretches.append(RowsAtRate(first, n_samples, rate_hz, round(elapsed_s * NS_PER_S)))
        elapsed_s += length_s
        first += n_samples
    return RecordingTiming(tuple(stretches), tuple(notes))


def _groups(rates: Sequence[RateLine]) -> list[list[RateLine]]:
    """Neighbouring rates that are one: each within `SAME_RATE` of the one before, and all of their middle."""
    groups: list[list[RateLine]] = []
    low = high = before = 0.0
    for rate in rates:
        low, high = min(low, rate.rate_hz), max(high, rate.rate_hz)
        near = abs(rate.rate_hz - before) <= SAME_RATE * max(rate.rate_hz, before)
        if groups and near and high - low <= SAME_RATE * (high + low):
            groups[-1].append(rate)
        else:
            groups.append([rate])
            low = high = rate.rate_hz
        before = rate.rate_hz
    return groups


def stamp_note(
    timing: RecordingTiming, *, first_stamp: float, last_stamp: float, tick_ns: float, wraps: bool
) -> str | None:
    """What to note where the data's time stamps do not agree with the rate table, which is trusted.

    Parameters
    ----------
    timing : from the rate table.
    first_stamp, last_stamp : stamps of the first and of the last row, NaN where missing.
    tick_ns : what a stamp counts. [ns]
    wraps : bool. Whether stamps are 32-bit numbers, which start again at 0.

    Returns
    -------
    str, or None where they agree or where there are no stamps (all the same).
    """
    last = timing.stretches[-1]
    expected = (last.offset_ns + (last.n_samples - 1) / last.rate_hz * NS_PER_S) / tick_ns
    difference = last_stamp - first_stamp - expected
    if math.isnan(difference):
        return None
    if wraps and expected >= STAMP_WRAP:
        difference = (difference + STAMP_WRAP / 2) % STAMP_WRAP - STAMP_WRAP / 2
    if last_stamp == first_stamp or abs(difference) <= max(STAMP_TOLERANCE * expected, _JITTER_TICKS):
        return None
    spanned_s, expected_s = (ticks * tick_ns / NS_PER_S for ticks in (last_stamp - first_stamp, expected))
    return Repair(
        f"the time stamps of the data span {spanned_s:g} s, the sampling rates imply {expected_s:g} s; "
        f"the sampling rates are used"
    )


def timing_of_stamps(stamps: Elapsed, *, tick_ns: float, wraps: bool, path: Path) -> RecordingTiming:
    """Stretches from the time stamps of the data, for files that state no sampling rate.

    Parameters
    ----------
    stamps : float64, shape (n_samples,). Time stamps as counted; NaN where missing, and beyond ten digits
        as good as missing. [ticks]
    tick_ns : what a stamp counts. [ns]
    wraps : bool. Whether stamps are 32-bit numbers, which start again at 0.
    path : for messages.

    Returns
    -------
    RecordingTiming. A stretch ends where a stamp comes early or late by more than `SAME_RATE` of the interval and more
    than rounding explains.

    Raises
    ------
    MalformedRecord : stamps run backwards, are missing at an end, or show no uniform rate.
    """
    notes = ["no sampling rate is stated; it is taken from the time stamps of the data"]
    known = np.flatnonzero(np.abs(stamps) <= MAX_STAMP)  # not NaN either
    if len(stamps) < _MIN_STRETCH_SAMPLES or len(known) < 2 or known[0] != 0 or known[-1] != len(stamps) - 1:
        raise MalformedRecord(path, "", (
            f"no sampling rate is stated, and only {len(known)} of {len(stamps)} time stamps are present: too few, "
            "or missing at an end"
        ))  # fmt: skip
    steps = np.diff(stamps[known])
    if wraps:
        steps = (steps + STAMP_WRAP / 2) % STAMP_WRAP - STAMP_WRAP / 2
    if steps.min() < 0:
        row = int(known[1:][np.argmax(steps < 0)])
        raise MalformedRecord(path, f"row {row + 1}", "no sampling rate is stated, and the time stamps run backwards")
    elapsed = np.concatenate(([0.0], np.cumsum(steps)))
    if len(known) < len(stamps):
        notes.append(Repair(f"{len(stamps) - len(known)} missing time stamps are interpolated"))
        elapsed = np.interp(np.arange(len(stamps)), known, elapsed)
    stretches = tuple(
        _stretch(elapsed, first, end, tick_ns=tick_ns, path=path) for first, end in _uniform_runs(elapsed, path=path)
    )
    if len(stretches) > 1:
        notes.append(f"the time stamps are split into {len(stretches)} uniform stretches")
    return RecordingTiming(stretches, tuple(notes))


def _uniform_runs(elapsed: Elapsed, *, path: Path) -> list[tuple[int, int]]:
    """Half-open row ranges between which the step of the stamps changes."""
    steps = np.diff(elapsed)
    allowed = np.maximum(_JITTER_TICKS, SAME_RATE * np.minimum(steps[1:], steps[:-1]))
    changes = np.flatnonzero(np.abs(np.diff(steps)) > allowed) + 1
    bounds = [0, *changes.tolist(), len(steps)]
    runs: list[tuple[int, int]] = []
    next_row = 0
    for i, (start, end) in enumerate(itertools.pairwise(bounds)):
        if end - start == 1 and 0 < i < len(bounds) - 2:
            continue  # one odd step between two runs: a gap
        first = max(start, next_row)  # the row at which the rate changes belongs to the run before
        run_steps = steps[start:end]
        step = float(np.median(run_steps))
        if (
            first > next_row
            or end + 1 - first < _MIN_STRETCH_SAMPLES
            or np.abs(run_steps - step).max() > max(_JITTER_TICKS, SAME_RATE * step)
        ):
            raise MalformedRecord(path, f"row {next_row + 1}", "no sampling rate is stated, and from here on the "
                                                               "time stamps are not uniform")  # fmt: skip
        runs.append((first, end + 1))
        next_row = end + 1
    return runs


def _stretch(elapsed: Elapsed, first: int, end: int, *, tick_ns: float, path: Path) -> RowsAtRate:
    n_steps, length_ns = end - 1 - first, float(elapsed[end - 1] - elapsed[first]) * tick_ns
    rate_hz = n_steps * NS_PER_S / length_ns if length_ns > 0 else math.inf
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        reason = (
            f"no sampling rate is stated, and the time stamps imply {rate_hz:g} Hz; allowed are {MIN_RATE_HZ:g} to "
            f"{MAX_RATE_HZ:g} Hz"
        )
        raise MalformedRecord(path, f"row {first + 1}", reason)
    whole_hz = round(rate_hz)
    if whole_hz and abs(n_steps * NS_PER_S / whole_hz - length_ns) <= tick_ns:
        rate_hz = float(whole_hz)  # stamps are rounded to ticks: as good as the measured one, and the likelier
    return RowsAtRate(first, end - first, rate_hz, round(float(elapsed[first]) * tick_ns))
