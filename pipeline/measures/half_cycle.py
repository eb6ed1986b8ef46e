"""Urms(1/2): the RMS over one cycle, from each zero crossing of a channel's fundamental, each half cycle anew.

One pass over the samples in cache-sized blocks gives sums of the samples and of their squares on a coarse grid;
the fundamental is tracked on the first, and the second makes the integral of the square between any two
(fractional) sample positions a matter of two look-ups and a few neighbours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.quality import MISSING, sample_flags, sparse_step, window_flags
from halfcycle.pipeline.measures.squares import FEWEST_SAMPLES_A_CYCLE, Sums, sums_of
from halfcycle.pipeline.measures.steady_rms import one_cycle_mean_squares
from halfcycle.pipeline.measures.tracking import (
    BLOCK_HOPS,
    PARTS,
    SMOOTH_HOPS,
    Carry,
    HopGrid,
    Track,
    reference_ticks,
    track_fundamental,
)

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

STRETCH_SAMPLES: Final = 1 << 20  # samples a channel that are tracked at one go
_LAG_HOPS = PARTS + SMOOTH_HOPS + 4  # behind the newest hop, where no later sample changes a value any more
_LEAD_HOPS = 28  # before the first new value: frequency settles in it, and 12 cycles of followers lie in it


@dataclass(frozen=True, slots=True)
class HalfCycles:
    """Half-cycle series of one record; all channels share the count, each has its own windows.

    Attributes
    ----------
    u_half : float32, shape (n_channels, n). RMS of each window. [unit of the channel]
    starts : float64, shape (n_channels, n). Start of each window. [samples from the record's start]
    frequency_hz : float32, shape (n,). Fundamental; the last good one through a loss of voltage. [Hz]
    tracked : bool, shape (n,). The frequency was measured here, not held.
    flags : uint8, shape (n_channels, n). Marks of the samples in each window, see `measures.quality`.
    rate_hz, nominal_hz : of the samples and of the fundamental. [Hz]
    fundamental : complex64, shape (n_tracked_channels, n). Phasor of the fundamental at each half cycle, RMS, all
        channels against the same reference; None where it was not asked for. [unit of the channel]

    Examples
    --------
    >>> u = 325.27 * np.sin(2 * np.pi * 50 * np.arange(6400) / 6400)
    >>> half = hc.measure_half_cycles(u, rate_hz=6400)
    >>> half.nominal_hz, half.u_half.shape == half.starts.shape, round(float(half.frequency_hz[40]), 3)
    (50.0, True, 50.0)
    """

    u_half: F32
    starts: F64
    frequency_hz: F32
    tracked: npt.NDArray[np.bool_]
    flags: U8
    rate_hz: float
    nominal_hz: float
    fundamental: npt.NDArray[np.complex64] | None = None

    @property
    def n(self) -> int:
        """How many half cycles."""
        return int(self.frequency_hz.size)

    def of_channels(self, channels: Sequence[int]) -> HalfCycles:
        """The series of some of the channels; of neighbours without a copy."""
        listed = list(channels)
        in_a_row = bool(listed) and listed == list(range(listed[0], listed[-1] + 1))
        chosen = slice(listed[0], listed[-1] + 1) if in_a_row else listed
        tracked = self.fundamental
        if tracked is not None:
            tracked = tracked[chosen] if max(listed, default=-1) < tracked.shape[0] else None
        return replace(
            self,
            u_half=self.u_half[chosen],
            starts=self.starts[chosen],
            flags=self.flags[chosen],
            fundamental=tracked,
        )

    def part(self, first: int, stop: int) -> HalfCycles:
        """The half cycles [first, stop)."""
        return replace(
            self,
            u_half=self.u_half[:, first:stop],
            starts=self.starts[:, first:stop],
            frequency_hz=self.frequency_hz[first:stop],
            tracked=self.tracked[first:stop],
            flags=self.flags[:, first:stop],
            fundamental=None if self.fundamental is None else self.fundamental[:, first:stop],
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a record as the meter has it in hand, for further measures of the same samples.

    Attributes
    ----------
    raw : shape (n_channels, n). Raw samples.
    flags : of each channel's samples, see `measures.quality`; None where no sample has a mark.
    start : record position of the first sample.
    n_seen : samples at the start that the stretch before had too; at least 14 cycles, but in the first.
    series : half cycles that became known with this stretch, starts in record positions; each comes once.
    """

    raw: Raw
    flags: tuple[U8 | None, ...]
    start: int
    n_seen: int
    series: HalfCycles


class HalfCycleMeter:
    """Takes a record's samples in pieces of any size and gives its half-cycle series.

    The pieces are cut anew into stretches that are anchored at the record's first sample, each begun with the last
    second of the one before; so the series is the same whether a record comes in one piece or in a hundred.

    Parameters
    ----------
    channels : of the samples; their scale and offset turn raw samples into units.
    rate_hz, nominal_hz : of the samples and of the fundamental. [Hz]
    n_leading : the first so many channels are tracked, the others (currents) share their windows, in turn; None: all.
    phasors : give the phasors of the tracked channels too.
    followers : called with each stretch, so that other measures need no pass over the samples of their own.
    keeps_series : give the series at the end; else it goes to the followers alone, and memory does not grow with it.

    Raises
    ------
    SignalError : under `FEWEST_SAMPLES_A_CYCLE` samples a cycle, or no channel.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        *,
        rate_hz: float,
        nominal_hz: float,
        n_leading: int | None = None,
        phasors: bool = False,
        followers: Sequence[Callable[[Stretch], None]] = (),
        keeps_series: bool = True,
    ) -> None:
        if not channels:
            raise SignalError("there is no channel to measure")
        if not nominal_hz > 0:
            raise SignalError(f"the nominal frequency is {nominal_hz:g} Hz; it must be above zero")
        if not rate_hz >= FEWEST_SAMPLES_A_CYCLE * nominal_hz:
            raise SignalError(
                f"sampled at {rate_hz:g} Hz, {rate_hz / nominal_hz:.3g} per cycle; "
                f"an RMS needs at least {FEWEST_SAMPLES_A_CYCLE}"
            )
        self._channels = tuple(channels)
        self._n_leading = len(self._channels) if n_leading is None else n_leading
        self._phasors = phasors
        self._followers = tuple(followers)
        self._keeps_series = keeps_series
        self._n_seen = 0
        self._grid = HopGrid.of(rate_hz, nominal_hz)
        self._pieces: list[Raw] = []
        self._start = 0  # record position of the first buffered sample
        self._buffered = 0
        self._carry: Carry | None = None
        self._peaks = [0.0] * len(self._channels)  # largest sample that a sine of the RMS so far has, in counts
        self._next_tick: int | None = None  # number of the first reference tick that has not been used
        self._results: list[HalfCycles] = []
        block = self._grid.hop_samples * BLOCK_HOPS
        self._stretch = max(STRETCH_SAMPLES // block, 4) * block

    def push(self, samples: Raw) -> None:
        """Takes the next samples, shape (n_channels, n), raw."""
        if samples.ndim != 2 or samples.shape[0] != len(self._channels):
            raise SignalError(f"samples have shape {samples.shape}; expected ({len(self._channels)}, n)")
        while self._buffered + samples.shape[1] >= self._stretch:
            take = self._stretch - self._buffered
            self._take(samples[:, :take])
            samples = samples[:, take:]
            self._measure(last=False)
        if samples.shape[1]:
            self._take(samples)

    def finish(self) -> HalfCycles:
        """The series of all that was pushed, empty where it is not kept; call it once, at the record's end."""
        if self._buffered:
            self._measure(last=True)
        if not self._results:
            return _nothing(len(self._channels), self._grid)
        results, self._results = self._results, []
        return joined(results)

    def _take(self, samples: Raw) -> None:
        self._pieces.append(samples)
        self._buffered += samples.shape[1]

    def _measure(self, *, last: bool) -> None:
        raw = self._pieces[0] if len(self._pieces) == 1 else np.concatenate(self._pieces, axis=1)
        grid = self._grid
        flags, sums = zip(*(self._summed(raw[c], c) for c in range(len(self._channels))), strict=True)
        carry = self._carry
        if carry is not None:
            carry = replace(carry, position=carry.position - self._start)
        track = _track(np.stack([one.sums for one in sums[: self._n_leading]]), grid, carry)
        stop = float(raw.shape[1])
        if not last:
            stop = float(track.positions[-_LAG_HOPS])
        result, self._next_tick = _windows(
            raw, sums, flags, self._channels, track, grid, first_tick=self._next_tick, stop=stop
        )
        if self._phasors:
            result = _with_fundamental(result, track, self._channels, grid)
        self._remember_peaks(result)
        result = replace(result, starts=result.starts + self._start)
        if self._keeps_series:
            self._results.append(result)
        for follow in self._followers:
            follow(Stretch(raw, flags, self._start, self._n_seen, result))
        if last:
            self._pieces, self._buffered = [], 0
            return
        i_carry = int(np.searchsorted(track.positions, stop)) - 1
        block = grid.hop_samples * BLOCK_HOPS
        keep_from = int(max(track.positions[i_carry] - grid.centre - _LEAD_HOPS * grid.hop_samples, 0)) // block * block
        self._carry = Carry(
            self._start + float(track.positions[i_carry]),
            float(track.phase[i_carry]),
            float(track.frequency_hz[i_carry]),
            track.centres,
            tuple(track.offsets[:, i_carry].tolist()),
        )
        self._pieces = [raw[:, keep_from:].copy()]
        self._start += keep_from
        self._buffered = self._n_seen = raw.shape[1] - keep_from

    def _summed(self, row: Raw, c: int) -> tuple[U8 | None, Sums]:
        """Marks and sums of a channel's samples."""
        channel, grid = self._channels[c], self._grid
        per_cycle = grid.rate_hz / grid.nominal_hz
        summed = partial(
            sums_of, row, channel, decimation=grid.decimation, hop=grid.hop_samples,
            sparse_step=sparse_step(per_cycle), with_sums=c < self._n_leading,
        )  # fmt: skip
        marks = partial(sample_flags, row, channel, samples_per_cycle=per_cycle, peak=self._peaks[c])
        if row.dtype.kind == "f":  # first without what is no number
            flags = marks()
            return flags, summed(flags)
        sums = summed(None)
        flags = marks(extremes_at=sums.extremes_at, sparse=sums.sparse)
        if flags is not None and (flags & MISSING).any():
            sums = summed(flags)
        return flags, sums

    def _remember_peaks(self, result: HalfCycles) -> None:
        for c, channel in enumerate(self._channels):
            highest = float(result.u_half[c].max(initial=0.0, where=result.flags[c] == 0))
            if channel.scale:
                self._peaks[c] = max(self._peaks[c], np.sqrt(2.0) * highest / abs(channel.scale))


def _track(sums: F32, grid: HopGrid, carry: Carry | None) -> Track:
    shortest = PARTS * grid.hop
    if sums.shape[1] < shortest:  # a record of under four cycles: fill up with silence
        sums = np.concatenate([sums, np.zeros((sums.shape[0], shortest - sums.shape[1]), np.float32)], axis=1)
    return track_fundamental(sums, grid, carry)


def _windows(
    raw: Raw,
    sums: Sequence[Sums],
    flags: Sequence[U8 | None],
    channels: Sequence[Channel],
    track: Track,
    grid: HopGrid,
    *,
    first_tick: int | None,
    stop: float,
) -> tuple[HalfCycles, int]:
    """The windows from a reference tick on to the last that lies before `stop`, and the number of the next tick."""
    ticks, next_tick = reference_ticks(track, grid, first_tick=first_tick, stop=stop)
    place = track.place_of(ticks)
    hertz = place.between(track.frequency_hz)
    cycle = grid.rate_hz / hertz
    starts = ticks - place.between(track.offsets) * (cycle / (2 * np.pi))
    edge = (raw.shape[1] // grid.decimation) * grid.decimation - 2.0
    whole = (starts.min(axis=0, initial=np.inf) >= 0) & ((starts + cycle).max(axis=0, initial=-np.inf) <= edge)
    tracked = place.between(track.steady.astype(np.float64)) > 0.5
    if not whole.all():
        hertz, cycle, starts, tracked = hertz[whole], cycle[whole], starts[:, whole], tracked[whole]
    leaders = [c % len(track.offsets) for c in range(raw.shape[0])]
    means = one_cycle_mean_squares(raw, sums, flags, channels, starts, leaders, cycle, track, grid)
    u_half = np.sqrt(means, out=means)
    u_half *= np.array([[abs(channel.scale)] for channel in channels], np.float32)
    starts = starts[leaders]
    marks = np.zeros(starts.shape, np.uint8)
    for c, flagged in enumerate(flags):
        if flagged is not None:
            marks[c] = window_flags(flagged, starts[c], cycle)
    result = HalfCycles(u_half, starts, hertz.astype(np.float32), tracked, marks, grid.rate_hz, grid.nominal_hz)
    return result, next_tick


def _with_fundamental(result: HalfCycles, track: Track, channels: Sequence[Channel], grid: HopGrid) -> HalfCycles:
    """The series with the phasors at the middle of each window."""
    middle = (result.starts + 0.5 * grid.rate_hz / result.frequency_hz).mean(axis=0)
    n = track.relative.shape[0]
    scale = np.array([[abs(channel.scale)] for channel in channels[:n]]) / (grid.decimation * np.sqrt(2))
    phasors = track.place_of(middle).between(track.relative) * scale
    return replace(result, fundamental=phasors.astype(np.complex64))


def _nothing(n_channels: int, grid: HopGrid) -> HalfCycles:
    return HalfCycles(
        np.zeros((n_channels, 0), np.float32), np.zeros((n_channels, 0)), np.zeros(0, np.float32),
        np.zeros(0, np.bool_), np.zeros((n_channels, 0), np.uint8), grid.rate_hz, grid.nominal_hz,
    )  # fmt: skip


def joined(results: list[HalfCycles]) -> HalfCycles:
    """Series of the same channels, one after the other; the list is emptied, so that none of it is held twice."""
    first = results[0]
    if len(results) == 1:
        return first
    names = ["starts", "u_half", "flags", "frequency_hz", "tracked"]
    if first.fundamental is not None:
        names.append("fundamental")
    parts = {name: [getattr(one, name) for one in results] for name in names}
    nothing = first.part(0, 0)
    del first
    results.clear()
    return replace(nothing, **{name: np.concatenate(parts.pop(name), axis=-1) for name in names})
