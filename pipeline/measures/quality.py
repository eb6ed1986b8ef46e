"""Samples that are no measurement: missing or impossible, clipped at the recorder's rails, or stuck at one value.

A record without such samples, the usual case, is cleared by a few cheap looks; only one that shows a sign
of them is searched sample by sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.measures.impossible import impossible_samples, measurable
from halfcycle.pipeline.measures.mask_runs import runs

MISSING: Final = 1
CLIPPED: Final = 2
FLAT: Final = 4
FLAG_WORDS: Final = {MISSING: "missing", CLIPPED: "clipped", FLAT: "flat"}

_STUCK_CYCLES = 0.25  # a sine never holds a value for so long, off its zero
_HALF_WAVE_CYCLES = 0.6  # of a cycle at nominal frequency; the fundamental may be slower by 15 %
_ZERO_LEVEL = 0.05  # of the largest sample: flat within this band is a lost voltage, which is an event
_CLIP_RUN = 3  # samples in a row at a rail that is known
_PLATEAU_RUN = 4  # samples in a row at an extreme that was not stated to be a rail
_ABRUPT_COUNTS = 20.0  # by which a clipped peak falls, over half a plateau's length beyond it; a rounded one: 3 to 15
_COARSE = 0.12  # of the largest sample: with counts that large a sine may hold a value for a quarter of a cycle
_LATTICE_COUNTS = 8.0  # differences up to so many counts show whether there are counts at all
_OFF_LATTICE = 0.2  # of a count

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Extremes:
    """Least and largest sample that is a measurement, and where each is first."""

    low: float
    high: float
    low_at: int
    high_at: int


def sample_flags(
    raw: Raw,
    channel: Channel,
    *,
    samples_per_cycle: float,
    peak: float = 0.0,
    extremes_at: tuple[int, int] | None = None,
    sparse: Raw | None = None,
) -> npt.NDArray[np.uint8] | None:
    """Marks of one channel's samples.

    Parameters
    ----------
    raw : shape (n_samples,). Raw samples of a voltage or current.
    channel : names the missing code and the rails, where they are known.
    samples_per_cycle : of the nominal frequency.
    peak : largest distance from zero that the channel is known to have had before. [raw units]
    extremes_at : where the least and the largest sample are first, if the caller knows. [samples]
    sparse : every `sparse_step`-th sample from the first on, if the caller has them side by side.

    Returns
    -------
    uint8, shape (n_samples,), sums of `MISSING`, `CLIPPED` and `FLAT`; None where no sample has a mark.

    Source: common practice, no source. Missing codes as IEEE C37.111 has them. Departs: a stretch that is
    flat at zero is taken for a lost voltage, not for a stuck input; the two look alike.
    """
    if raw.size == 0:
        return None
    low_at, high_at = (int(raw.argmin()), int(raw.argmax())) if extremes_at is None else extremes_at
    high, low = raw[high_at], raw[low_at]
    missing = missing_samples(
        raw, channel, samples_per_cycle=samples_per_cycle, low=float(low), high=float(high), peak=peak, sparse=sparse
    )
    if missing is not None:
        good = raw[~missing]
        high, low = (good.max(), good.min()) if good.size else (raw.dtype.type(0), raw.dtype.type(0))
        high_at, low_at = int((raw == high).argmax()), int((raw == low).argmax())
    zero = -channel.offset / channel.scale if channel.scale else 0.0
    level = max(abs(float(low) - zero), abs(float(high) - zero), peak)
    band = _ZERO_LEVEL * level
    extremes = _Extremes(float(low), float(high), low_at, high_at)
    clipped = _clipped(raw, channel, extremes, zero=zero, band=band, samples_per_cycle=samples_per_cycle)
    sparse = raw[:: sparse_step(samples_per_cycle)].copy() if sparse is None else sparse
    flat = _flat(raw, sparse, extremes, zero=zero, band=band, samples_per_cycle=samples_per_cycle)
    if clipped is not None and flat is not None:  # what was cut off is flat too, but not for longer than half a wave
        flat &= ~clipped | _in_runs(flat & clipped, int(_HALF_WAVE_CYCLES * samples_per_cycle) + 1)
    flags: npt.NDArray[np.uint8] | None = None
    for mask, flag in ((missing, MISSING), (clipped, CLIPPED), (flat, FLAT)):
        if mask is not None:
            if flags is None:
                flags = np.zeros(raw.shape, np.uint8)
            flags[mask] |= flag
    if flags is not None and missing is not None:
        flags[missing] = MISSING  # a missing code is no clipped or stuck sample
    return flags


def window_flags(
    flags: npt.NDArray[np.uint8], starts: npt.NDArray[np.float64], lengths: npt.NDArray[np.float64]
) -> npt.NDArray[np.uint8]:
    """All marks that occur within each of some windows.

    Parameters
    ----------
    flags : shape (n_samples,). Marks of one channel's samples.
    starts, lengths : shape (n,). Of the windows. [samples]

    Source: derived.
    """
    first = np.clip(np.floor(starts).astype(np.int64), 0, flags.size)
    final = np.clip(np.ceil(starts + lengths).astype(np.int64), 0, flags.size)
    marks = np.zeros(starts.size, np.uint8)
    for bit in (1, 2, 4):
        count = np.concatenate(([0], np.cumsum((flags & bit) != 0)))
        marks[count[final] > count[first]] |= bit
    return marks


def missing_samples(
    raw: Raw,
    channel: Channel,
    *,
    samples_per_cycle: float,
    low: float | None = None,
    high: float | None = None,
    peak: float = 0.0,
    sparse: Raw | None = None,
) -> Mask | None:
    """Which samples hold no measurement: missing in the file, or impossible.

    Parameters
    ----------
    raw, channel, samples_per_cycle, peak, sparse : as for `sample_flags`.
    low, high : the least and the largest sample, no numbers where one sample is none; None: looked for. [raw units]

    Returns
    -------
    bool, shape (n_samples,); None where there are none.

    Source: common practice, no source.
    """
    if raw.size == 0:
        return None
    low = float(raw[raw.argmin()]) if low is None else low  # places of extremes are found sooner than extremes
    high = float(raw[raw.argmax()]) if high is None else high
    absent = _absent(raw, channel, low=low, high=high)
    if absent is not None:
        good = raw[~absent]
        low, high = (float(good.min()), float(good.max())) if good.size else (0.0, 0.0)
        if absent.all():
            return absent
        raw, sparse = (raw, sparse) if raw.dtype.kind == "f" else (np.where(absent, good[good.size // 2], raw), None)
    impossible = impossible_samples(
        raw, channel, samples_per_cycle=samples_per_cycle, low=low, high=high, peak=peak, sparse=sparse
    )
    if absent is None or impossible is None:
        return impossible if absent is None else absent
    return absent | impossible


def without_missing(block: Raw, channels: Sequence[Channel], *, samples_per_cycle: float) -> Raw:
    """The samples of some channels without those that hold no measurement, for looks that need no marks.

    Parameters
    ----------
    block : shape (n_channels, n). Raw samples.
    channels : of the rows.
    samples_per_cycle : of the nominal frequency.

    Returns
    -------
    The same array where all are measurements, else a copy; see `impossible.bridged`.
    """
    masks = [
        missing_samples(row, channel, samples_per_cycle=samples_per_cycle)
        for row, channel in zip(block, channels, strict=True)
    ]
    return measurable(block, channels, masks, samples_per_cycle=samples_per_cycle)


def _absent(raw: Raw, channel: Channel, *, low: float, high: float) -> Mask | None:
    if raw.dtype.kind == "f":
        mask = None if np.isfinite(low) and np.isfinite(high) else ~np.isfinite(raw)
    elif channel.missing_code is None or (channel.missing_code < 0 and low > channel.missing_code):
        mask = None
    else:
        mask = raw == channel.missing_code
    return mask if mask is not None and mask.any() else None


def _clipped(
    raw: Raw, channel: Channel, extremes: _Extremes, *, zero: float, band: float, samples_per_cycle: float
) -> Mask | None:
    mask: Mask | None = None
    low, high = extremes.low, extremes.high
    rail_low, rail_high = channel.rail_low, channel.rail_high
    if raw.dtype.kind == "i":
        least, most = _range_of(raw.dtype)
        rail_low = least if rail_low is None else rail_low
        rail_high = most if rail_high is None else rail_high
    for extreme, at, rail, sign in ((high, extremes.high_at, rail_high, 1), (low, extremes.low_at, rail_low, -1)):
        if rail is not None and extreme * sign >= rail * sign:
            count = _count(_around(raw, at, samples_per_cycle))
            rounded = samples_per_cycle * _peak_share(count, (high - low) / 2)  # a sine that just reaches the rail
            at_rail = _in_runs(raw >= rail if sign > 0 else raw <= rail, max(_CLIP_RUN, int(rounded) + 2))
        elif (extreme - zero) * sign > band and _is_cut_off(raw, at, samples_per_cycle):
            at_rail = _in_runs(raw == raw.dtype.type(extreme), _PLATEAU_RUN)
        else:
            continue
        if at_rail.any():
            mask = at_rail if mask is None else mask | at_rail
    return mask


@lru_cache(maxsize=16)
def _range_of(kind: np.dtype[Any]) -> tuple[int, int]:
    """The least and the largest whole number of a type."""
    info = np.iinfo(kind)
    return int(info.min), int(info.max)


def _peak_share(count: float, amplitude: float) -> float:
    """Share of a cycle for which a sine stays within one count of its peak."""
    return float(np.arccos(1.0 - count / max(amplitude, count)) / np.pi) if count else 0.0


def _is_cut_off(raw: Raw, first: int, samples_per_cycle: float) -> bool:
    """Whether the extreme that is reached at `first` is a plateau with the steep flanks of a peak that was cut off.

    A rounded peak of a signal with few counts stays at its extreme for long too, but leaves it slowly.
    """
    cycle = int(samples_per_cycle) + 1
    near = raw[first : first + cycle + cycle // 2]
    at_extreme = near == raw[first]
    if np.count_nonzero(at_extreme) < _PLATEAU_RUN:
        return False
    starts, stops = runs(at_extreme)
    longest = int((stops - starts).argmax())
    start, stop = first + int(starts[longest]), first + int(stops[longest])
    if stop - start < _PLATEAU_RUN:
        return False
    beyond = (stop - start + 1) // 2
    places = [i for i in (start - beyond, stop - 1 + beyond) if 0 <= i < raw.size]
    falls = [abs(float(raw[i]) - float(raw[first])) for i in places]
    return bool(falls) and min(falls) > _ABRUPT_COUNTS * _count(_around(raw, start, samples_per_cycle))


def _count(raw: Raw) -> float:
    """The step between neighbouring values of a stretch; 0 where its values do not lie on such steps."""
    steps = np.abs(np.diff(raw.astype(np.float64)))
    steps = steps[(steps > 0) & np.isfinite(steps)]
    if not steps.size:
        return 0.0
    least = float(steps.min())
    few = steps[steps < (_LATTICE_COUNTS + 0.5) * least] / least
    for part in (1, 2, 3):  # the least step seen may be two or three counts
        if float(np.abs(few * part - np.rint(few * part)).max()) < _OFF_LATTICE:
            return least / part
    return 1.0 if raw.dtype.kind == "i" else 0.0


def _around(raw: Raw, i: int, samples_per_cycle: float) -> Raw:
    """Two cycles to each side of a sample."""
    two = int(2 * samples_per_cycle) + 1
    return raw[max(i - two, 0) : i + two]


def sparse_step(samples_per_cycle: float) -> int:
    """Samples from one to the next that are so far apart that three of them lie in any stuck run. Source: derived."""
    return _stuck_run(samples_per_cycle) // 3


def _stuck_run(samples_per_cycle: float) -> int:
    return max(int(_STUCK_CYCLES * samples_per_cycle), 4)


def _flat(
    raw: Raw, sparse: Raw, extremes: _Extremes, *, zero: float, band: float, samples_per_cycle: float
) -> Mask | None:
    run = _stuck_run(samples_per_cycle)
    if sparse.size < 3:
        return None
    same = sparse[1:] == sparse[:-1]
    alike = same[1:] & same[:-1]
    if not alike.any():
        return None
    off_zero = np.abs(sparse[2:][alike].astype(np.float64) - zero) > band
    if not off_zero.any():
        return None
    largest_at = extremes.high_at if abs(extremes.high - zero) >= abs(extremes.low - zero) else extremes.low_at
    if _count(_around(raw, largest_at, samples_per_cycle)) > _COARSE * band / _ZERO_LEVEL:
        return None
    steady = np.zeros(raw.shape, np.bool_)
    steady[1:] = raw[1:] == raw[:-1]
    steady &= np.abs(raw.astype(np.float64) - zero) > band
    mask = _in_runs(steady, run - 1)
    return mask if mask.any() else None


def _in_runs(mask: Mask, shortest: int) -> Mask:
    """The part of a mask that lies in runs of at least `shortest` samples."""
    starts, stops = runs(mask)
    long = stops - starts >= shortest
    marks = np.zeros(mask.size + 1, np.int32)
    np.add.at(marks, starts[long], 1)
    np.add.at(marks, stops[long], -1)
    return np.cumsum(marks[:-1]) > 0
