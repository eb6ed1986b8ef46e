"""The time axis of a file of columns: sampling rate, and spans of rows without a gap."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.description import (
    Column,
    Description,
    description_path,
    offset_ns,
    ticks_per_second,
)

MAX_JITTER: Final = 0.05  # of a step, in a time column
GAP: Final = 1.5  # a longer step, in median steps, is a gap
GAPS_IN_A_ROW: Final = 3  # are a change of rate, not gaps
MIN_ROUNDED_STEPS: Final = 3  # uneven steps, before they are put down to the rounding of stamps
MIN_SCATTERED: Final = 16  # stamps that show how far they scatter
MAX_STRAY_SHARE: Final = 0.01  # of the steps: so many may be off in stamps that are even otherwise
FEW_STRAYS: Final = 2  # and so many in any file: one stamp is off, and with it the steps on either side
MAX_SCATTER: Final = 0.4  # of a step, of stamps about even times; more, and one lost sample would not show


class TimedColumns(Protocol):
    """As much of a file of columns as its time axis needs."""

    path: Path
    columns: Sequence[Column]

    def blocks(self, positions: Sequence[int]) -> Iterator[tuple[int, list[npt.NDArray[Any]]]]: ...

    def place(self, i_row: int, column: Column) -> str: ...


@dataclass(frozen=True, slots=True)
class RowSpan:
    """Rows without a gap: how many (None: all there are) and when the first was taken. [ns since 1970-01-01]"""

    n_rows: int | None
    start_ns: int


def timing_of(file: TimedColumns, *, said: Description, i_time: int | None) -> tuple[float, list[RowSpan], list[str]]:
    """Sampling rate, spans without gaps, and notes."""
    path, add_to = file.path, description_path(file.path).name
    notes: list[str] = []
    if i_time is None:
        if said.rate_hz is None:
            raise MalformedRecord(path, "", f"no sampling rate and no time column; add rate_hz = ... to {add_to}")
        if said.start_ns is None:
            notes.append("no start given; read as 1970-01-01T00:00:00Z")
        return said.rate_hz, [RowSpan(None, said.start_ns or 0)], notes
    column = file.columns[i_time]
    ticks_per_s = 1e9 if column.kind.kind == "M" else ticks_per_second(column, said=said)
    stamps = _Stamps(file, column, ticks_per_s=ticks_per_s, given_hz=said.rate_hz)
    for _, (times,) in file.blocks((i_time,)):
        check_time()
        stamps.add(times)
    if column.kind.kind != "M":
        start_ns = said.start_ns or 0
        notes += ["no start given; t = 0 read as 1970-01-01T00:00:00Z"] if said.start_ns is None else []
    else:
        start_ns = stamps.base_ns - (offset_ns(said.utc_offset) if said.utc_offset and not column.has_zone else 0)
        if said.start_ns is not None:
            notes.append("the given start is used instead of that of the time column")
            start_ns = said.start_ns
        elif not column.has_zone and said.utc_offset is None:
            notes.append(f"the times have no time zone; read as UTC (set utc_offset in {add_to} to change this)")
    rate_hz = stamps.rate_hz(add_to=add_to)
    notes += stamps.notes()
    ns_per_tick = 1e9 / stamps.ticks_per_s
    return rate_hz, [RowSpan(run.n_rows, start_ns + round(run.first * ns_per_tick)) for run in stamps.runs], notes


@dataclass(slots=True)
class _Run:
    """Stamps without a gap: how many, the first and the last. [ticks]"""

    n_rows: int
    first: float
    last: float


class _Stamps:
    """Checks a time column block by block, and cuts it into spans without gaps.

    Stamps rounded to fewer digits than the sampling needs come in uneven steps; they are taken as evenly spaced where
    no step is off by more than their resolution. A few steps that are off otherwise, by less than half a step, are
    stray: no sample is lost there, so samples are even and the stamps are not. Where a rate is given, it decides, and
    any number of steps may be off.
    """

    def __init__(self, file: TimedColumns, column: Column, *, ticks_per_s: float, given_hz: float | None) -> None:
        self.file, self.column, self.ticks_per_s, self.given_hz = file, column, ticks_per_s, given_hz
        self.runs: list[_Run] = []
        self.base_ns = 0
        self.n_rows = 0
        self.jitter = 0.0  # largest departure from an even step [steps]
        self.resolution = 0.0  # of the stamps [ticks]
        self.step: float | None = None  # [ticks]
        self.slack = 0.0  # what rounding or scatter may add to a step [ticks]
        self.scatter = 0.0  # largest distance of a stamp from even times, where they scatter [ticks]
        self.n_stray = 0
        self.stray_ticks = 0.0  # together
        self.most_stray = 0.0  # by which one is off [steps]

    def add(self, times: npt.NDArray[Any]) -> None:
        """Take the next rows.

        Raises
        ------
        MalformedRecord : a time is missing, goes backwards, or the steps are uneven.
        """
        if not len(times):
            return
        missing = np.isnat(times) if times.dtype.kind == "M" else ~np.isfinite(times)
        if missing.any():
            raise self._malformed(int(np.argmax(missing)), "the time is missing")
        if times.dtype.kind == "M":
            ns = times.astype("datetime64[ns]").view(np.int64)
            self.base_ns = self.base_ns if self.n_rows else int(ns[0])
            times = ns - self.base_ns
        eps = float(np.finfo(times.dtype).eps) if times.dtype.kind == "f" else float(np.finfo(np.float64).eps)
        ticks = times.astype(np.float64)
        if self.n_rows == 0:
            self.runs.append(_Run(1, float(ticks[0]), float(ticks[0])))
            known = ticks
        else:
            known = np.concatenate(([self.runs[-1].last], ticks))
        self._judge(known, eps)
        self.n_rows += len(ticks)

    def _judge(self, known: npt.NDArray[np.float64], eps: float) -> None:
        """Check the steps between stamps of which the first was taken before, or is the file's first."""
        steps = np.diff(known)
        i_first = self.n_rows - (self.n_rows > 0) + 1  # row at the end of the first step
        if not len(steps):
            return
        if steps.min() < 0:
            i = int(np.argmax(steps < 0))
            raise self._malformed(i_first + i - self.n_rows, f"time runs backwards, from {known[i]:.12g} to "
                                  f"{known[i + 1]:.12g}{self._unit()}")  # fmt: skip
        if self.step is None:
            self._measure(known, steps, eps)
        step = self.step or 0.0
        gaps = steps > GAP * step + self.slack
        off = np.where(gaps, 0.0, np.abs(steps - step))
        uneven = off > MAX_JITTER * step + self.slack
        if uneven.any():
            self._take_strays(steps, off, uneven, i_first)
            off = np.where(uneven, 0.0, off)
        self.jitter = max(self.jitter, float(off.max()) / step)
        if self.scatter:
            self._check_scatter(known, gaps, i_first)
        self._cut(known, gaps, i_first)

    def _take_strays(
        self,
        steps: npt.NDArray[np.float64],
        off: npt.NDArray[np.float64],
        uneven: npt.NDArray[np.bool_],
        i_first: int,
    ) -> None:
        """Count steps that are off, or refuse them: where they are off too far, or are too many."""
        step = self.step or 0.0
        places = np.flatnonzero(uneven)
        if self.given_hz is None:
            counts = self.n_stray + np.arange(1, places.size + 1)
            many = counts > FEW_STRAYS + MAX_STRAY_SHARE * max(self.n_rows, steps.size)
            refused = many | (off[places] > MAX_SCATTER * step + self.slack)
            if refused.any():
                i = int(places[np.argmax(refused)])
                raise self._malformed(i_first + i - self.n_rows, f"the time steps by {steps[i]:.6g}{self._unit()}, "
                                      f"where a step is {step:.6g}: samples are not evenly spaced; if they are, set "
                                      f"rate_hz in {description_path(self.file.path).name}")  # fmt: skip
        self.n_stray += places.size
        self.stray_ticks += float(steps[places].sum())
        self.most_stray = max(self.most_stray, float(off[places].max()) / step)

    def _check_scatter(self, known: npt.NDArray[np.float64], gaps: npt.NDArray[np.bool_], i_first: int) -> None:
        """Where single steps say little, the stamps as a whole must still lie about even times."""
        bounds = np.flatnonzero(np.concatenate(([True], gaps, [True])))
        for first, stop in itertools.pairwise(bounds.tolist()):
            scatter, i = _scatter(known[first:stop])
            self.scatter = max(self.scatter, scatter)
            if self.given_hz is None and scatter > MAX_SCATTER * (self.step or 0.0):
                raise self._malformed(i_first - 1 + first + i - self.n_rows, f"the times scatter by {scatter:.6g}"
                                      f"{self._unit()}, where a step is {self.step:.6g}: samples are not evenly "
                                      f"spaced")  # fmt: skip

    def _cut(self, known: npt.NDArray[np.float64], gaps: npt.NDArray[np.bool_], i_first: int) -> None:
        at = 0
        for i in np.flatnonzero(gaps).tolist():
            self.runs[-1].n_rows += i - at
            self.runs[-1].last = float(known[i])
            self.runs.append(_Run(1, float(known[i + 1]), float(known[i + 1])))
            at = i + 1
            before = self.runs[-GAPS_IN_A_ROW - 1 : -1]
            if len(before) == GAPS_IN_A_ROW and all(run.n_rows == 1 for run in before):
                raise self._malformed(i_first + i - self.n_rows, (
                    "consecutive gaps: the sampling rate appears to change; a table with one rate is needed"
                ))  # fmt: skip
        self.runs[-1].n_rows += len(gaps) - at
        self.runs[-1].last = float(known[-1])

    def _measure(self, known: npt.NDArray[np.float64], steps: npt.NDArray[np.float64], eps: float) -> None:
        """Find the step and the resolution from the first rows."""
        self.resolution = _resolution(known, eps)
        step = float(np.median(steps))
        if np.count_nonzero(np.abs(steps - step) > MAX_JITTER * step) >= MIN_ROUNDED_STEPS:
            slack = 1.001 * self.resolution
            ends = np.flatnonzero(np.concatenate(([True], steps > GAP * step + slack, [True])))
            i_longest = int(np.argmax(np.diff(ends)))
            run = known[ends[i_longest] : ends[i_longest + 1]]
            line = np.linspace(run[0], run[-1], len(run))
            if len(run) > 1 and np.abs(run - line).max() <= 1.1 * self.resolution:
                self.slack, step = slack, float(line[1] - line[0])
            elif not self._are_few(steps, step):
                step = self._measure_scatter(known, steps, step)
        if step <= 0:
            raise self._malformed(-self.n_rows, "the time stands still")
        given = self.ticks_per_s / self.given_hz if self.given_hz else step
        self.step = given if abs(given / step - 1) <= MAX_JITTER else step

    def _are_few(self, steps: npt.NDArray[np.float64], step: float) -> bool:
        """Whether the steps that are off are so few that they are stray, and the others even."""
        off = np.where(steps > GAP * step, 0.0, np.abs(steps - step)) > MAX_JITTER * step
        return int(np.count_nonzero(off)) <= FEW_STRAYS + MAX_STRAY_SHARE * steps.size

    def _measure_scatter(
        self, known: npt.NDArray[np.float64], steps: npt.NDArray[np.float64], median_step: float
    ) -> float:
        """The mean step of stamps that scatter about even times; the median one where they do more than scatter."""
        ends = np.flatnonzero(np.concatenate(([True], steps > (GAP + 2 * MAX_SCATTER) * median_step, [True])))
        i_longest = int(np.argmax(np.diff(ends)))
        run = known[ends[i_longest] : ends[i_longest + 1]]
        if len(run) < MIN_SCATTERED:
            return median_step
        scatter, _ = _scatter(run)
        step = float(np.polyfit(np.arange(len(run)), run - run[0], 1)[0])
        if scatter > MAX_SCATTER * step:
            return median_step
        self.scatter, self.slack = scatter, 2 * MAX_SCATTER * step
        self.resolution = max(self.resolution, 2 * scatter)
        return step

    def rate_hz(self, *, add_to: str) -> float:
        """The exact rate: as given, else of the steps that are not stray, rounded as far as they leave it open. [Hz]"""
        given_hz = self.given_hz
        n_steps = sum(run.n_rows - 1 for run in self.runs)
        ticks = sum(run.last - run.first for run in self.runs)
        if n_steps > self.n_stray:
            n_steps, ticks = n_steps - self.n_stray, ticks - self.stray_ticks
        if not n_steps or not ticks:
            if given_hz is None:
                raise MalformedRecord(self.file.path, self.column.label, "too few rows to find the sampling rate; add "
                                      f"rate_hz = ... to {add_to}")  # fmt: skip
            return given_hz
        rate_hz = n_steps * self.ticks_per_s / ticks
        open_hz = rate_hz * (1 + self.n_stray) * self.resolution / ticks
        if given_hz is not None:
            if abs(rate_hz - given_hz) > open_hz + (1e-3 + self.n_stray / n_steps) * rate_hz:
                raise MalformedRecord(self.file.path, self.column.label, f"the time column implies {rate_hz:.6g} Hz, "
                                      f"the rate given is {given_hz:.6g} Hz")  # fmt: skip
            return given_hz
        finest = 6 - math.floor(math.log10(rate_hz))  # decimals, for a millionth of the rate
        roundest = range(-3, 0) if self.slack else ()  # hertz by the thousand, where rounding hides the steps
        for digits in (*roundest, 0, finest):
            rounded_hz = round(rate_hz, digits)
            if rounded_hz > 0 and abs(rounded_hz - rate_hz) <= open_hz:
                return float(rounded_hz)
        return rate_hz

    def notes(self) -> list[str]:
        """What was odd in the column."""
        notes = [f"the time column jumps {len(self.runs) - 1} times"] if len(self.runs) > 1 else []
        if self.n_stray:
            notes.append(Repair(f"time steps that are off by up to {100 * self.most_stray:.2g} %: {self.n_stray}; "
                                f"read as evenly spaced"))  # fmt: skip
        if self.scatter:
            share = 100 * self.scatter / (self.step or 1.0)
            notes.append(Repair(f"times scatter by up to {share:.2g} % of a step; read as evenly spaced"))
        elif self.slack:
            notes.append(f"times are rounded to {self.resolution:.3g}{self._unit()}, a step is {self.step:.6g}")
        elif self.jitter > 1e-3 and self.step and self.jitter * self.step > 1.001 * self.resolution:
            notes.append(Repair(f"the time column's steps vary by up to {100 * self.jitter:.2g} %"))
        return notes

    def _unit(self) -> str:
        return {1.0: " s", 1e3: " ms", 1e6: " us", 1e9: " ns"}[self.ticks_per_s]

    def _malformed(self, i_new: int, reason: str) -> MalformedRecord:
        return MalformedRecord(self.file.path, self.file.place(self.n_rows + i_new, self.column), reason)


def _scatter(ticks: npt.NDArray[np.float64]) -> tuple[float, int]:
    """Largest distance of stamps from evenly spaced times that fit them best, and where it is."""
    if len(ticks) < MIN_SCATTERED:
        return 0.0, 0
    i = np.arange(len(ticks))
    off = np.abs(ticks - np.polyval(np.polyfit(i, ticks - ticks[0], 1), i) - ticks[0])
    return float(off.max()), int(off.argmax())


def _resolution(ticks: npt.NDArray[np.float64], eps: float) -> float:
    """The largest power of ten that all stamps are multiples of, but not under what their type can tell apart."""
    largest = float(np.abs(ticks).max())
    floor = largest * eps
    for exponent in range(9, -16, -1):
        unit = 10.0**exponent
        if floor > 0.01 * unit:
            break
        counts = ticks / unit
        if unit <= largest and np.abs(counts - np.round(counts)).max() <= 4 * floor / unit:
            return unit
    return floor
