"""The first look at a record: coarse RMS, samples that are no measurement, and which spans need the full measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.capture import Channel, SampleArray
from pipeline.catalogue.points import Point, judged_channels
from pipeline.catalogue.record import Record
from pipeline.config import Thresholds
from pipeline.errors import SignalError
from pipeline.measures.calm import CalmBand, coarse_rms, half_window, spans_of_unrest, squares_of_halves, unrest
from pipeline.measures.nominal import find_nominal_frequency
from pipeline.measures.quality import FLAG_WORDS, FLAT, MISSING, sample_flags
from pipeline.measures.squares import FEWEST_SAMPLES_A_CYCLE
from pipeline.terms import USUAL_FREQUENCIES_HZ

_MARGIN_S: Final = 1.0  # of record measured around unrest: the frequency settles in half of it


@dataclass(frozen=True, slots=True)
class Look:
    """What a first look at a point's voltages shows.

    Attributes
    ----------
    nominal_hz : given, or worked out from the samples. [Hz]
    rms : float32, shape (n_voltages, n). Coarse RMS on a grid of half cycles. [V]
    half : samples between its values.
    marked : bool, shape (n,). Windows with samples that are no measurement.
    n_samples : length of the record.
    unmeasured : shape (n_halves,). Samples of each half window that are missing or stuck on some voltage.
    why : which of these words apply.
    rate_hz : of the samples. [Hz]
    """

    nominal_hz: float
    rms: npt.NDArray[np.float32]
    half: int
    marked: npt.NDArray[np.bool_]
    n_samples: int
    unmeasured: npt.NDArray[np.int64]
    why: str
    rate_hz: float

    def spans(self, thresholds: Thresholds, nominal_v: float, live: list[int]) -> list[tuple[int, int]]:
        """Record spans that can hold an event; the whole record where it is judged against its own past."""
        everything = [(0, self.n_samples)]
        if thresholds.reference == "sliding":
            return everything
        band = CalmBand.of(
            sag_pu=thresholds.sag_pu, swell_pu=thresholds.swell_pu, hysteresis_pu=thresholds.hysteresis_pu
        )
        outside = unrest(self.rms[live], band=band, reference=nominal_v) | self.marked
        spans = spans_of_unrest(outside, half=self.half, margin=round(_MARGIN_S * self.rate_hz))
        if 2 * sum(stop - first for first, stop in spans) > self.n_samples:
            return everything
        return [(first, min(stop, self.n_samples)) for first, stop in spans]


def take_look(record: Record, point: Point, *, nominal_hz: float | None) -> Look:
    """Look at a point's voltages once, capture by capture.

    Parameters
    ----------
    record : captures that follow one another; each is loaded once.
    point : whose judged voltages are looked at.
    nominal_hz : or None: worked out from the first capture, or else taken from its header. [Hz]

    Raises
    ------
    SignalError : no frequency to be told, too few samples a cycle, or less than one cycle of record.
    """
    channels = judged_channels(record.header, point)
    rate_hz = record.header.rate_hz
    squares: list[npt.NDArray[np.float32]] = []
    bad_halves: list[npt.NDArray[np.int64]] = []
    lost_halves: list[npt.NDArray[np.int64]] = []
    rest: SampleArray | None = None  # samples since the last line of the grid, which is anchored at the record's start
    position = bits = half = 0
    for block in record.blocks(point):
        if rest is None:
            nominal_hz = nominal_hz or _frequency(record, block)
            half = _half_window(rate_hz, nominal_hz)
            rest = block[:, :0]
        to_line = min(half - rest.shape[1], block.shape[1])
        bridge = np.concatenate([rest, block[:, :to_line]], axis=1)
        n_whole = (block.shape[1] - to_line) // half * half
        squares += [squares_of_halves(part, channels, half=half) for part in (bridge, block[:, to_line:])]
        rest = bridge if bridge.shape[1] < half else block[:, to_line + n_whole :]
        flags = _flags_of_any(block, channels, samples_per_cycle=rate_hz / float(nominal_hz or 0))
        if flags is not None:
            bad_halves.append((np.flatnonzero(flags) + position) // half)
            lost_halves.append((np.flatnonzero(flags & (MISSING | FLAT)) + position) // half)
            bits |= int(np.bitwise_or.reduce(flags)) & (MISSING | FLAT)
        position += block.shape[1]
    if rest is None or nominal_hz is None or position < 2 * half:
        raise SignalError("under one cycle of record; nothing can be judged")
    if rest.shape[1]:  # what is left beyond the last line still counts: the last half, wherever it begins
        squares.append(squares_of_halves(_last(record, point, half), channels, half=half))
    rms = coarse_rms(np.concatenate(squares, axis=1), half=half)
    marked = np.zeros(rms.shape[1], np.bool_)
    for halves in bad_halves:
        for shift in (0, 1):
            marked[np.clip(halves - shift, 0, marked.size - 1)] = True
    words = " and ".join(word for flag, word in FLAG_WORDS.items() if bits & flag)
    unmeasured = np.zeros(rms.shape[1] + 2, np.int64)
    for halves in lost_halves:
        unmeasured += np.bincount(halves, minlength=unmeasured.size)
    return Look(nominal_hz, rms, half, marked, position, unmeasured, words, rate_hz)


def _flags_of_any(
    block: SampleArray, channels: Sequence[Channel], *, samples_per_cycle: float
) -> npt.NDArray[np.uint8] | None:
    """The marks of all voltages together, sample by sample; None where there is none."""
    together: npt.NDArray[np.uint8] | None = None
    for row, channel in zip(block, channels, strict=True):
        flags = sample_flags(row, channel, samples_per_cycle=samples_per_cycle)
        if flags is not None:
            together = flags if together is None else together | flags
    return together


def _half_window(rate_hz: float, nominal_hz: float) -> int:
    if rate_hz < FEWEST_SAMPLES_A_CYCLE * nominal_hz:
        raise SignalError(
            f"{rate_hz:g} Hz is {rate_hz / nominal_hz:.3g} samples a cycle; "
            f"an RMS needs at least {FEWEST_SAMPLES_A_CYCLE}"
        )
    return half_window(rate_hz, nominal_hz)


def _last(record: Record, point: Point, n: int) -> SampleArray:
    return record.samples(point, record.n_samples - n, record.n_samples)


def _frequency(record: Record, block: SampleArray) -> float:
    try:
        return find_nominal_frequency(block, rate_hz=record.header.rate_hz)
    except SignalError:
        if record.header.nominal_frequency_hz in USUAL_FREQUENCIES_HZ:
            return float(record.header.nominal_frequency_hz)
        raise
