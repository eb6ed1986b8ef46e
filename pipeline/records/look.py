"""The first look at a record: coarse RMS, samples that are no measurement, and which spans need the full measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, Header, SampleArray
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.calm import (
    CalmBand,
    coarse_rms,
    half_window,
    spans_of_unrest,
    squares_of_halves,
    unrest,
)
from halfcycle.pipeline.measures.half_cycle import HalfCycles
from halfcycle.pipeline.measures.impossible import measurable
from halfcycle.pipeline.measures.nominal import find_nominal_frequency
from halfcycle.pipeline.measures.quality import (
    FLAG_WORDS,
    MISSING,
    missing_samples,
    sample_flags,
    sparse_step,
    without_missing,
)
from halfcycle.pipeline.measures.squares import FEWEST_SAMPLES_A_CYCLE, sums_of
from halfcycle.pipeline.measures.waveshape import Waveshape
from halfcycle.pipeline.records.marks import Marks
from halfcycle.pipeline.records.points import Point, judged_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.records.suspects import Suspects
from halfcycle.pipeline.records.waves import are_waves
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.terms import USUAL_FREQUENCIES_HZ

_ABOUT_HZ: Final = 50.0  # before the nominal frequency is known
_MARGIN_S: Final = 1.0  # of record measured around unrest: the frequency settles in half of it


@dataclass(frozen=True, slots=True)
class Look:
    """What a first look at a point's voltages shows.

    Attributes
    ----------
    nominal_hz : given, or worked out from the samples. [Hz]
    rms : float32, shape (n_voltages, n). Coarse RMS on a grid of half cycles; Urms(1/2) where there are `series`. [V]
    half : samples between the lines of the grid.
    marked : bool, shape (n_voltages, n). Windows of the grid with samples that are no measurement, or clipped.
    n_samples : length of the record.
    unmeasured : shape (n_voltages, n + 2). Samples of each half window that are missing or stuck.
    bits : for each voltage, which of these marks there are.
    suspects : where the waveform differs from the cycle before; None where that was not asked for.
    rate_hz : of the samples. [Hz]
    is_wave : for each voltage, whether it is a waveform anywhere; see `are_waves`.
    series : half cycles of the whole record, voltages and, where wanted, currents after them; None: not measured yet.
    waveshape : of the voltages, where wanted.
    current_suspects : as `suspects`, of the currents, where wanted.
    """

    nominal_hz: float
    rms: npt.NDArray[np.float32]
    half: int
    marked: npt.NDArray[np.bool_]
    n_samples: int
    unmeasured: npt.NDArray[np.int64]
    bits: tuple[int, ...]
    rate_hz: float
    is_wave: tuple[bool, ...]
    suspects: Suspects | None = None
    series: HalfCycles | None = None
    waveshape: Waveshape | None = None
    current_suspects: Suspects | None = None

    def spans(
        self, thresholds: Thresholds, live: list[int], *, reference_v: float, sliding_from_v: Sequence[float] | None
    ) -> list[tuple[int, int]]:
        """Record spans that can hold an event.

        Parameters
        ----------
        thresholds : the profile.
        live : the voltages that count.
        reference_v : what 1 pu stands for. [V]
        sliding_from_v : of a sliding reference, where it begins on each live voltage; empty: with the record. None: the
            reference is fixed. [V]

        Returns
        -------
        (first, stop) each. A record that is judged against its own past is measured whole, unless it is so steady that
        nothing in it can be an event against anything in it.
        """
        everything = [(0, self.n_samples)]
        if self.series is not None:
            return everything
        band = CalmBand.of(
            sag_pu=thresholds.sag_pu, swell_pu=thresholds.swell_pu, hysteresis_pu=thresholds.hysteresis_pu
        )
        if sliding_from_v is not None:
            return [] if self._is_steady(live, band, sliding_from_v) else everything
        outside = unrest(self.rms[live], band=band, reference=reference_v) | self.marked[live].any(axis=0)
        spans = spans_of_unrest(outside, half=self.half, margin=round(_MARGIN_S * self.rate_hz))
        if 2 * sum(stop - first for first, stop in spans) > self.n_samples:
            return everything
        return [(first, min(stop, self.n_samples)) for first, stop in spans]

    def _is_steady(self, live: list[int], band: CalmBand, starts_v: Sequence[float]) -> bool:
        """Whether no voltage can leave the band, whatever value that it had before is the reference."""
        rms = self.rms[live]
        low, high = rms.min(axis=1), rms.max(axis=1)
        if len(starts_v):
            low, high = np.minimum(low, starts_v), np.maximum(high, starts_v)
        calm = (low >= band.low_pu * high) & (high <= band.high_pu * low)
        return bool(calm.all() and not self.marked[live].any())

    def unmeasured_samples(self, live: list[int], first: int, stop: int) -> tuple[int, str]:
        """How many samples between two record positions are no measurement on some live voltage, and why, in words."""
        counts = self.unmeasured[live, first // self.half : -(-stop // self.half)].sum(axis=1)
        bits = int(np.bitwise_or.reduce([self.bits[c] for c in live]))
        return int(counts.max()), " and ".join(word for flag, word in FLAG_WORDS.items() if bits & flag)

    def is_marked(self, live: list[int], start: float, stop: float) -> bool:
        """Whether samples between two record positions are no measurement, or clipped, on some live voltage."""
        first, last = int(start) // self.half - 1, int(stop) // self.half + 1
        return bool(self.marked[live, max(first, 0) : last].any())


def take_look(
    record: Record, point: Point, *, nominal_hz: float | None, least_transient_pu: float | None = None
) -> Look:
    """Look at a point's voltages once, capture by capture.

    Parameters
    ----------
    record : captures that follow one another; each is loaded once.
    point : whose judged voltages are looked at.
    nominal_hz : or None: worked out from the first capture, or else taken from its header. [Hz]
    least_transient_pu : note where a transient of this peak may be, in pu of the voltage's own peak; None: do not.

    Raises
    ------
    SignalError : no frequency to be told, too few samples a cycle, or less than one cycle of record.
    """
    channels = judged_channels(record.header, point)
    rate_hz = record.header.rate_hz
    marks = Marks(len(channels))
    is_wave = np.zeros(len(channels), np.bool_)
    peaks = np.zeros(len(channels))  # largest sample so far, about, in counts
    scales = np.array([abs(channel.scale or 1.0) for channel in channels])
    squares: list[npt.NDArray[np.float32]] = []
    rest: SampleArray | None = None  # samples since the last line of the grid, which is anchored at the record's start
    suspects: Suspects | None = None
    position = half = 0
    per_cycle = 0.0
    for raw in record.blocks(point):
        if rest is None:
            nominal_hz = nominal_hz or frequency_of(record, raw, channels)
            half, rest = half_of(rate_hz, nominal_hz), raw[:, :0]
        per_cycle = rate_hz / float(nominal_hz or 0)
        if raw.shape[1] and not rest.shape[1]:
            both = [
                _summed(row, channel, peak, half, per_cycle)
                for row, channel, peak in zip(raw, channels, peaks.tolist(), strict=True)
            ]
            flags = [marked for marked, _ in both]
            block = _measured(raw, channels, flags, per_cycle)
            squares.append(np.stack([summed for _, summed in both]))
            rest = block[:, block.shape[1] // half * half :]
        else:
            flags = _flags(raw, channels, per_cycle, peaks)
            block = _measured(raw, channels, flags, per_cycle)
            to_line = min(half - rest.shape[1], block.shape[1])
            bridge = np.concatenate([rest, block[:, :to_line]], axis=1)
            n_whole = (block.shape[1] - to_line) // half * half
            squares += [squares_of_halves(part, channels, half=half) for part in (bridge, block[:, to_line:])]
            rest = bridge if bridge.shape[1] < half else block[:, to_line + n_whole :]
        if not is_wave.all():
            is_wave |= are_waves(block, channels, samples_per_cycle=per_cycle)
        marks.add(flags, position=position, half=half)
        if squares[-1].shape[1]:
            peaks = np.maximum(peaks, np.sqrt(2.0 * squares[-1].max(axis=1) / half) / scales)
        if least_transient_pu is not None and block.shape[1]:
            if suspects is None:
                suspects = Suspects.of_first(block, channels, per_cycle, least_transient_pu)
            suspects.add(block, position=position)
        position += block.shape[1]
    if rest is None or nominal_hz is None or position < 2 * half:
        raise SignalError("less than one cycle recorded; nothing can be judged")
    if rest.shape[1]:  # what is left beyond the last line still counts: the last half, wherever it begins
        last = block[:, -half:] if block.shape[1] >= half else _last(record, point, half, per_cycle, peaks)
        squares.append(squares_of_halves(last, channels, half=half))
    rms = coarse_rms(np.concatenate(squares, axis=1), half=half)
    marked, unmeasured = marks.in_halves(rms.shape[1] + 2)
    windows = (marked[:, 1:] | marked[:, :-1])[:, : rms.shape[1]]
    bits, waves = tuple(marks.bits), tuple(is_wave.tolist())
    return Look(nominal_hz, rms, half, windows, position, unmeasured, bits, rate_hz, waves, suspects)


def _summed(
    row: SampleArray, channel: Channel, peak: float, half: int, per_cycle: float
) -> tuple[npt.NDArray[np.uint8] | None, npt.NDArray[np.float32]]:
    """Marks of a channel's samples and, as `squares_of_halves` has them, sums of their squares, in one pass."""
    summed = partial(sums_of, row, channel, decimation=1, hop=half, sparse_step=sparse_step(per_cycle), with_sums=False)
    flags: npt.NDArray[np.uint8] | None = None
    with np.errstate(over="ignore", invalid="ignore"):  # what is impossible, or no number, is summed anew
        sums = summed(None)
    flags = sample_flags(
        row, channel, samples_per_cycle=per_cycle, peak=peak, extremes_at=sums.extremes_at, sparse=sums.sparse
    )
    if flags is not None and (flags & MISSING).any():
        sums = summed(flags)
    return flags, sums.squares * np.float32(channel.scale**2)


def _flags(
    block: SampleArray, channels: Sequence[Channel], per_cycle: float, peaks: npt.NDArray[np.float64]
) -> list[npt.NDArray[np.uint8] | None]:
    """Marks of the samples of each channel."""
    return [
        sample_flags(row, channel, samples_per_cycle=per_cycle, peak=peak)
        for row, channel, peak in zip(block, channels, peaks.tolist(), strict=True)
    ]


def _measured(
    block: SampleArray, channels: Sequence[Channel], flags: Sequence[npt.NDArray[np.uint8] | None], per_cycle: float
) -> SampleArray:
    """A block without its samples that are missing or impossible, so that they move nothing but themselves."""
    masks = [None if marked is None else (marked & MISSING) != 0 for marked in flags]
    return measurable(block, channels, masks, samples_per_cycle=per_cycle)


def half_of(rate_hz: float, nominal_hz: float) -> int:
    """Samples in half a window of the grid.

    Raises
    ------
    SignalError : too few samples a cycle.
    """
    if rate_hz < FEWEST_SAMPLES_A_CYCLE * nominal_hz:
        raise SignalError(
            f"sampled at {rate_hz:g} Hz, {rate_hz / nominal_hz:.3g} per cycle; "
            f"an RMS needs at least {FEWEST_SAMPLES_A_CYCLE}"
        )
    return half_window(rate_hz, nominal_hz)


def _last(record: Record, point: Point, n: int, per_cycle: float, peaks: npt.NDArray[np.float64]) -> SampleArray:
    """The last n samples, without those that are missing or impossible."""
    last = record.samples(point, record.n_samples - n, record.n_samples)
    channels = judged_channels(record.header, point)
    masks = [
        missing_samples(row, channel, samples_per_cycle=per_cycle, peak=peak)
        for row, channel, peak in zip(last, channels, peaks.tolist(), strict=True)
    ]
    return measurable(last, channels, masks, samples_per_cycle=per_cycle)


def frequency_of(record: Record, block: SampleArray, channels: Sequence[Channel]) -> float:
    """Nominal frequency by a record's first samples, or else by its header. [Hz]

    Raises
    ------
    SignalError : neither tells it.
    """
    bridged = without_missing(block, channels, samples_per_cycle=record.header.rate_hz / _ABOUT_HZ)
    return nominal_frequency(record.header, bridged)


def nominal_frequency(header: Header, samples: npt.NDArray[np.generic]) -> float:
    """Nominal frequency by samples without gaps, or else by the header; errors as for `frequency_of`. [Hz]"""
    try:
        return find_nominal_frequency(samples, rate_hz=header.rate_hz)
    except SignalError:
        if header.nominal_frequency_hz in USUAL_FREQUENCIES_HZ:
            return float(header.nominal_frequency_hz)
        raise
