"""Quantities of a point in blocks of 10/12 cycles, measured as a `HalfCycleMeter` goes through the record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.measures.aggregation import BLOCKS_IN_LONG, TEN_MINUTES_NS, ClockBlocks, clock_blocks
from halfcycle.pipeline.measures.crossings import refined_crossings
from halfcycle.pipeline.measures.half_cycle import HalfCycles, Stretch, joined
from halfcycle.pipeline.measures.harmonic_spectra import (
    HarmonicSpectra,
    harmonic_spectra,
    highest_signal_hz,
    joined_spectra,
    margin_samples,
)
from halfcycle.pipeline.measures.high_bands import band_rms
from halfcycle.pipeline.measures.quality import MISSING
from halfcycle.pipeline.measures.waveform_indices import EDGE_SAMPLES, WindowValues, window_values

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

FEWEST_SAMPLES_A_CYCLE: Final = 16  # for a spectrum
_OF_WINDOWS: Final = ("mean", "lowest", "highest")
_EXTREMES: Final = ("u_half_min", "u_half_max")


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
    long_numbers : int64, shape (n_blocks,). Of the interval of 150/180 cycles that each lies in, rising with time; the
        odd and the even rows of blocks, which overlap after a ten-minute tick, are told apart by `row_is_odd`.
    row_is_odd : bool, shape (n_blocks,).
    bands : float32, shape (n_channels, n_blocks, n_bands), see `high_bands`; None where it was not asked for. [unit]
    """

    starts_ns: I64
    lengths_ns: I64
    values: WindowValues
    spectra: HarmonicSpectra | None
    u_half_min: F64
    u_half_max: F64
    frequency_hz: F64
    long_numbers: I64
    row_is_odd: npt.NDArray[np.bool_]
    bands: npt.NDArray[np.float32] | None = None

    def kept(self, keep: npt.NDArray[np.bool_]) -> Blocks:
        """Some of the blocks. keep: bool, shape (n_blocks,)."""
        values = self.values
        of_values = WindowValues(
            values.products[keep], values.mean[:, keep], values.lowest[:, keep], values.highest[:, keep]
        )
        return Blocks(
            self.starts_ns[keep], self.lengths_ns[keep], of_values,
            None if self.spectra is None else self.spectra.of_windows(keep), self.u_half_min[:, keep],
            self.u_half_max[:, keep], self.frequency_hz[keep], self.long_numbers[keep], self.row_is_odd[keep],
            None if self.bands is None else self.bands[:, keep],
        )  # fmt: skip


def together(parts: Sequence[Blocks]) -> Blocks:
    """Blocks of the same channels and kinds, one after the other. parts: one at least."""
    if len(parts) == 1:
        return parts[0]
    spectra = [part.spectra for part in parts if part.spectra is not None]
    bands = [part.bands for part in parts if part.bands is not None]
    values = WindowValues(
        np.concatenate([part.values.products for part in parts]),
        *(np.concatenate([getattr(part.values, name) for part in parts], axis=1) for name in _OF_WINDOWS),
    )
    starts_ns, lengths_ns, hertz, numbers, odd = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("starts_ns", "lengths_ns", "frequency_hz", "long_numbers", "row_is_odd")
    )
    low, high = (np.concatenate([getattr(part, name) for part in parts], axis=1) for name in _EXTREMES)
    return Blocks(
        starts_ns, lengths_ns, values, joined_spectra(spectra) if spectra else None, low, high, hertz, numbers, odd,
        np.concatenate(bands, axis=1) if bands else None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of a spectrum is to be measured beside RMS values and products.

    Attributes
    ----------
    spectra : subgroups and phasors.
    groups : groups too.
    bands : above the harmonics.
    signal_hz : frequency of a mains signal; None: none is. [Hz]
    run_on : also the blocks with which the last 150/180 cycles before a ten-minute tick are made whole.
    """

    spectra: bool = False
    groups: bool = False
    bands: bool = False
    signal_hz: float | None = None
    run_on: bool = False


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
        wanted = np.flatnonzero(~blocks.runs_on | self._wanted.run_on)
        ordered = wanted[
            np.argsort((blocks.starts + blocks.lengths)[wanted], kind="stable")
        ]  # those of two rows overlap
        rows = ordered[self._n_done :]
        begin, lengths = blocks.starts[rows] - stretch.start, blocks.lengths[rows]
        inside = (begin >= self._margin) & (begin + lengths <= stretch.raw.shape[1] - self._margin)
        late = begin + lengths > stretch.raw.shape[1] - self._margin  # of which the next stretch has all samples
        rows, inside = rows[~late], inside[~late]
        if inside.any():
            self._measure(stretch, self._known, blocks, rows[inside])
        self._n_done += rows.size
        self._forget(blocks.row[ordered], blocks.first[ordered])

    def take(self) -> list[Blocks]:
        """The blocks that were measured since the last call."""
        found, self._found = self._found, []
        return found

    def _measure(self, stretch: Stretch, series: HalfCycles, blocks: ClockBlocks, rows: I64) -> None:
        step, first = 2 * self._n_cycles, blocks.first[rows]
        held = first[:, None] + np.arange(step)
        flags = np.bitwise_or.reduce(series.flags[:, held], axis=2)
        usable = ~(flags & MISSING).any(axis=0)
        starts = series.starts[0][first] - stretch.start
        lengths = series.starts[0][first + step] - series.starts[0][first]
        if not usable.any():
            return
        starts, lengths, held, rows = starts[usable], lengths[usable], held[usable], rows[usable]
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
                blocks.starts_ns[rows], lengths_ns, values, spectra, u_half.min(axis=2), u_half.max(axis=2),
                np.where(tracked, hertz, np.nan), blocks.long_intervals[rows], blocks.row[rows] % 2 == 1,
                self._bands_of(raw, starts, lengths, scales),
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
        if self._known is None or not row.size or row.max() == row.min():
            return
        now_ns = self._start_ns + int(self._known.starts[0, -1] * 1e9 / self._rate_hz)
        current = row.max()
        if (row[self._n_done :] != current).any() or self._runs_on(row):
            return
        begins = int(first[row == current].min())
        if now_ns // TEN_MINUTES_NS == current:
            self._n_done -= int((row != current).sum())
            self._known = self._known.part(begins, self._known.n)

    def _runs_on(self, row: I64) -> bool:
        """Whether the last 150/180 cycles of a row that is over are still to be made whole."""
        return self._wanted.run_on and bool((row == row.min()).sum() % BLOCKS_IN_LONG)


def signal_obstacle(signal_hz: float | None, *, rate_hz: float, nominal_hz: float) -> str:
    """Why no mains signalling voltage can be measured; "" where it can, or no spectrum can. All: [Hz]

    Source: derived, the sampling theorem.
    """
    if signal_hz is None:
        return "the frequency of the mains signal is not declared"
    if rate_hz < FEWEST_SAMPLES_A_CYCLE * nominal_hz:
        return ""
    highest = highest_signal_hz(rate_hz=rate_hz, n_cycles=round(0.2 * nominal_hz))
    return "" if signal_hz <= highest else f"a mains signal can be measured up to {highest:.0f} Hz"
