"""Samples that are no measurement: missing, clipped at the recorder's rails, or stuck at one value.

A record without such samples, the usual case, is cleared by a few cheap looks; only one that shows a sign
of them is searched sample by sample.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.capture import Channel

MISSING: Final = 1
CLIPPED: Final = 2
FLAT: Final = 4
FLAG_WORDS: Final = {MISSING: "missing", CLIPPED: "clipped", FLAT: "flat"}

_STUCK_CYCLES = 0.25  # a sine never holds a value for so long, off its zero
_ZERO_LEVEL = 0.05  # of the largest sample: flat within this band is a lost voltage, which is an event
_CLIP_RUN = 3  # samples in a row at a rail that is known
_PLATEAU_RUN = 4  # samples in a row at an extreme that was not stated to be a rail
_PLATEAU_RATIO = 3.0  # times as long as a sine of that size stays within one count of its peak

Mask = npt.NDArray[np.bool_]
Raw = npt.NDArray[np.int16] | npt.NDArray[np.int32] | npt.NDArray[np.float32]


def sample_flags(raw: Raw, channel: Channel, *, samples_per_cycle: float) -> npt.NDArray[np.uint8] | None:
    """Marks of one channel's samples.

    Parameters
    ----------
    raw : shape (n_samples,). Raw samples of a voltage or current.
    channel : names the missing code and the rails, where they are known.
    samples_per_cycle : of the nominal frequency.

    Returns
    -------
    uint8, shape (n_samples,), sums of `MISSING`, `CLIPPED` and `FLAT`; None where no sample has a mark.

    Source: common practice, no source. Missing codes as IEEE C37.111 has them. Departs: a stretch that is
    flat at zero is taken for a lost voltage, not for a stuck input; the two look alike.
    """
    if raw.size == 0:
        return None
    high, low = raw.max(), raw.min()
    missing = _missing(raw, channel, low=float(low))
    if missing is not None:
        good = raw[~missing]
        high, low = (good.max(), good.min()) if good.size else (raw.dtype.type(0), raw.dtype.type(0))
    clipped = _clipped(raw, channel, low=float(low), high=float(high), samples_per_cycle=samples_per_cycle)
    flat = _flat(raw, channel, level=max(abs(float(low)), abs(float(high))), samples_per_cycle=samples_per_cycle)
    flags: npt.NDArray[np.uint8] | None = None
    for mask, flag in ((missing, MISSING), (clipped, CLIPPED), (flat, FLAT)):
        if mask is not None:
            if flags is None:
                flags = np.zeros(raw.shape, np.uint8)
            flags[mask] |= flag
    if flags is not None and missing is not None:
        flags[missing] = MISSING  # a missing code is no clipped or stuck sample
    return flags


def _missing(raw: Raw, channel: Channel, *, low: float) -> Mask | None:
    if raw.dtype.kind == "f":
        mask = ~np.isfinite(raw) if not np.isfinite(raw.sum(dtype=np.float64)) else None
    elif channel.missing_code is None or (channel.missing_code < 0 and low > channel.missing_code):
        mask = None
    else:
        mask = raw == channel.missing_code
    return mask if mask is not None and mask.any() else None


def _clipped(raw: Raw, channel: Channel, *, low: float, high: float, samples_per_cycle: float) -> Mask | None:
    mask: Mask | None = None
    for extreme, rail, sign in ((high, channel.rail_high, 1), (low, channel.rail_low, -1)):
        if rail is None and raw.dtype.kind == "i":
            info = np.iinfo(raw.dtype)
            rail = info.max if sign > 0 else info.min
        if rail is not None and extreme * sign >= rail * sign:
            at_rail = _in_runs(raw >= rail if sign > 0 else raw <= rail, _CLIP_RUN)
        else:
            first = int(raw.argmax() if sign > 0 else raw.argmin())
            natural = samples_per_cycle * np.arccos(max(1.0 - 1.0 / max(abs(extreme), 1.0), -1.0)) / np.pi
            run = max(_PLATEAU_RUN, int(_PLATEAU_RATIO * natural) + 1)
            if extreme * sign <= 0 or first + run > raw.size or not (raw[first : first + run] == raw[first]).all():
                continue
            at_rail = _in_runs(raw == raw[first], run)
        if at_rail.any():
            mask = at_rail if mask is None else mask | at_rail
    return mask


def _flat(raw: Raw, channel: Channel, *, level: float, samples_per_cycle: float) -> Mask | None:
    run = max(int(_STUCK_CYCLES * samples_per_cycle), 4)
    sparse = raw[:: run // 4]  # any stuck run shows as three equal sparse samples
    if sparse.size < 3:
        return None
    alike = (sparse[2:] == sparse[1:-1]) & (sparse[1:-1] == sparse[:-2])
    if not alike.any():
        return None
    zero = -channel.offset / channel.scale if channel.scale else 0.0
    off_zero = np.abs(sparse[2:][alike].astype(np.float64) - zero) > _ZERO_LEVEL * level
    if not off_zero.any():
        return None
    steady = np.zeros(raw.shape, np.bool_)
    steady[1:] = raw[1:] == raw[:-1]
    steady &= np.abs(raw.astype(np.float64) - zero) > _ZERO_LEVEL * level
    mask = _in_runs(steady, run - 1)
    return mask if mask.any() else None


def _in_runs(mask: Mask, shortest: int) -> Mask:
    """The part of a mask that lies in runs of at least `shortest` samples."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    long = stops - starts >= shortest
    marks = np.zeros(mask.size + 1, np.int32)
    np.add.at(marks, starts[long], 1)
    np.add.at(marks, stops[long], -1)
    return np.cumsum(marks[:-1]) > 0
