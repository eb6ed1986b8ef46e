"""Quantities of a point in blocks of 10/12 cycles, measured as a `HalfCycleMeter` goes through the record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.capture import Channel
from pipeline.measures.aggregation import TEN_MINUTES_NS, clock_blocks
from pipeline.measures.crossings import refined_crossings
from pipeline.measures.half_cycle import HalfCycles, Stretch, joined
from pipeline.measures.harmonic_spectra import HarmonicSpectra, harmonic_spectra, margin_samples
from pipeline.measures.high_bands import band_rms
from pipeline.measures.quality import MISSING
from pipeline.measures.waveform_indices import EDGE_SAMPLES, WindowValues, window_values

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

FEWEST_SAMPLES_A_CYCLE: Final = 16  # for a spectrum


@dataclass(frozen=True, slots=True)
class Blocks:
    """What some blocks come to; voltages first, then currents.

    Attributes
    ----------
    starts_ns, lengths_ns : int64, shape (n_blocks,). [ns UTC], [ns]
    values : RMS, mean, extremes and products, in units.
    spectra : in units; None where it was not asked for, or the sampling rate is too low.
    u_half_min, u_half_max : float64, shape (n_channels, n_blocks). Of the half cycles that begin in each. [unit]
    frequency_hz : float64, shape (n_blocks,). NaN where it was not measured. [Hz]
    bands : float32, shape (n_channels, n_blocks, n_bands), see `high_bands`; None where it was not asked for. [unit]
    """

    starts_ns: I64
    lengths_ns: I64
    values: WindowValues
    spectra: HarmonicSpectra | None
    u_half_min: F64
    u_half_max: F64
    frequency_hz: F64
    bands: npt.NDArray[np.float32] | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of a spectrum is to be measured beside RMS values and products.

    Attributes
    ----------
    spectra : subgroups and phasors.
    groups : groups too.
    bands : above the harmonics.
    signal_hz : frequency of a mains signal; None: none is. [Hz]
    """

    spectra: bool = False
    groups: bool = False
    bands: bool = False
    signal_hz: float | None = None


class BlockMeter:
    """Follows a `HalfCycleMeter` and measures each block of 10/12 cycles; blocks begin anew at ten-minute ticks.

    Parameters
    ----------
    channels : of the stretches' rows.
    rate_hz, nominal_hz : of the samples and of the fundamental. [Hz]
    start_ns : of the record. [ns UTC]
    wanted : of the spectrum.
    """

    def __init__(
        self, channels: Sequence[Channel], *, rate_hz: float, nominal_hz: float, start_ns: int, wanted: Wanted
    ) -> None:
        self._channels = tuple(channels)
        self._rate_hz, self._start_ns = rate_hz, start_ns
        self._n_cycles = round(0.2 * nominal_hz)
        self._wanted = wanted
        self._spectra = wanted.spectra and rate_hz >= FEWEST_SAMPLES_A_CYCLE * nominal_hz
        margin = margin_samples(rate_hz=rate_hz, n_cycles=self._n_cycles) if self._spectra else 0
        self._margin = max(margin, EDGE_SAMPLES + 1)
        self._known: HalfCycles | None = None  # from the first half cycle of the row of blocks that is under way
        self._n_done = 0  # blocks of that row
        self._found: list[Blocks] = []

    def follow(self, stretch: Stretch) -> None:
        """Measures the blocks that the stretch completes."""
        if not stretch.series.n:
            return
        self._known = stretch.series if self._known is None else joined([self._known, stretch.series])
        blocks = clock_blocks(
            self._known.starts[0], rate_hz=self._rate_hz, start_ns=self._start_ns, n_cycles=self._n_cycles
        )
        rows = np.flatnonzero(~blocks.runs_on)[self._n_done :]
        begin, lengths = blocks.starts[rows] - stretch.start, blocks.lengths[rows]
        inside = (begin >= self._margin) & (begin + lengths <= stretch.raw.shape[1] - self._margin)
        late = begin + lengths > stretch.raw.shape[1] - self._margin  # of which the next stretch has all samples
        rows, inside = rows[~late], inside[~late]
        if inside.any():
            self._measure(stretch, self._known, blocks.first[rows[inside]], blocks.starts_ns[rows[inside]])
        self._n_done += rows.size
        self._forget(blocks.row[~blocks.runs_on], blocks.first[~blocks.runs_on])

    def take(self) -> list[Blocks]:
        """The blocks that were measured since the last call."""
        found, self._found = self._found, []
        return found

    def _measure(self, stretch: Stretch, series: HalfCycles, first: I64, starts_ns: I64) -> None:
        step = 2 * self._n_cycles
        held = first[:, None] + np.arange(step)
        flags = np.bitwise_or.reduce(series.flags[:, held], axis=2)
        usable = ~(flags & MISSING).any(axis=0)
        starts = series.starts[0][first] - stretch.start
        lengths = series.starts[0][first + step] - series.starts[0][first]
        if not usable.any():
            return
        first, starts, lengths, held, starts_ns = (
            first[usable], starts[usable], lengths[usable], held[usable], starts_ns[usable],
        )  # fmt: skip
        starts, lengths = self._synchronised(stretch.raw[0], starts, lengths)
        scales = np.array([channel.scale for channel in self._channels])
        offsets = np.array([channel.offset for channel in self._channels])
        raw = stretch.raw[: len(self._channels)]
        values = window_values(raw, starts=starts, lengths=lengths, scales=scales, offsets=offsets)
        spectra = self._spectra_of(raw, starts, lengths, scales) if self._spectra else None
        tracked = series.tracked[held].mean(axis=1) > 0.5
        hertz = self._rate_hz * self._n_cycles / lengths
        u_half = series.u_half[:, held].astype(np.float64)
        lengths_ns = np.rint(lengths * 1e9 / self._rate_hz).astype(np.int64)
        self._found.append(
            Blocks(
                starts_ns, lengths_ns, values, spectra, u_half.min(axis=2), u_half.max(axis=2),
                np.where(tracked, hertz, np.nan), self._bands_of(raw, starts, lengths, scales),
            )
        )  # fmt: skip

    def _synchronised(self, raw: npt.NDArray[np.generic], starts: F64, lengths: F64) -> tuple[F64, F64]:
        """Blocks from crossing to crossing of the first channel, each crossing found anew on the waveform."""
        edges, place = np.unique(np.concatenate([starts, starts + lengths]), return_inverse=True)
        period = float(np.median(lengths)) / self._n_cycles
        shift = -self._channels[0].offset / self._channels[0].scale if self._channels[0].scale else 0.0
        level = raw if not shift else np.asarray(raw - np.float32(shift), np.float32)  # type: ignore[operator]
        found = refined_crossings(level, edges, period=period, n_cycles=self._n_cycles)[place]
        begin, end = found[: starts.size], found[starts.size :]
        inside = (begin >= self._margin) & (end <= raw.size - self._margin)
        return np.where(inside, begin, starts), np.where(inside, end - begin, lengths)

    def _spectra_of(self, raw: npt.NDArray[np.generic], starts: F64, lengths: F64, scales: F64) -> HarmonicSpectra:
        found = harmonic_spectra(
            raw, rate_hz=self._rate_hz, starts=starts, lengths=lengths, n_cycles=self._n_cycles,
            both_groupings=self._wanted.groups, signal_hz=self._wanted.signal_hz,
        )  # fmt: skip
        return found.scaled(scales)

    def _bands_of(
        self, raw: npt.NDArray[np.generic], starts: F64, lengths: F64, scales: F64
    ) -> npt.NDArray[np.float32] | None:
        if not self._wanted.bands:
            return None
        found = band_rms(raw, rate_hz=self._rate_hz, starts=starts, lengths=lengths)
        return found * np.abs(scales).astype(np.float32)[:, None, None]

    def _forget(self, row: I64, first: I64) -> None:
        """Drop the half cycles of rows that are done: those before the row that is under way."""
        if self._known is None or not row.size or row[-1] == row[0]:
            return
        now_ns = self._start_ns + int(self._known.starts[0, -1] * 1e9 / self._rate_hz)
        current = row[-1]
        if self._n_done < row.size and row[min(self._n_done, row.size - 1)] != current:
            return
        begins = int(first[row == current][0])
        if now_ns // TEN_MINUTES_NS == current:
            self._n_done -= int((row != current).sum())
            self._known = self._known.part(begins, self._known.n)
