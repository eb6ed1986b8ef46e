"""Samples that no channel can have measured: beyond all physics, or far beyond all around them for a moment.

They are marked like missing samples before anything is summed, so that one of them moves nothing but itself. What is
rare but real stays: an impulse of twenty times the voltage's own peak, a bus that is energised, the current of a fault.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.measures.mask_runs import runs

Mask = npt.NDArray[np.bool_]
F64 = npt.NDArray[np.float64]

# Common practice, no source: lightning surges reach some 10 MV and 300 kA, the highest system voltage is 1.2 MV.
LARGEST_V: Final = 1e8
LARGEST_A: Final = 1e7
_SPIKE: Final = 20.0  # times the voltage's level around it, in up to a tenth of a cycle
_BURST: Final = 500.0  # times that level, in up to a cycle
_LEVEL_QUANTILE: Final = 0.9  # of the sizes: what up to a tenth of the samples cannot move
_SAMPLED: Final = 2048  # samples that show cheaply whether there can be a spike at all
_LONGEST_BRIDGE_CYCLES: Final = 1 / 16


def impossible_samples(
    raw: Raw,
    channel: Channel,
    *,
    samples_per_cycle: float,
    low: float,
    high: float,
    peak: float = 0.0,
    sparse: Raw | None = None,
) -> Mask | None:
    """Which samples of a channel are none that it can have measured.

    Parameters
    ----------
    raw : shape (n,). Raw samples; what is no number is passed over.
    channel : of the samples. Of currents only the absolute bound counts: they rise a thousandfold in faults.
    samples_per_cycle : of the nominal frequency.
    low, high : least and largest of those samples that are numbers. [raw units]
    peak : largest distance from zero that the channel is known to have had before. [raw units]
    sparse : some of the samples, evenly spread, if the caller has them side by side.

    Returns
    -------
    bool, shape (n,); None where there are none.

    Source: common practice, no source. The level around a sample is the 90 % quantile of the sizes in its cycle and
    the two beside it, or in the whole, or the peak known before, whichever is largest.
    """
    zero = -channel.offset / channel.scale if channel.scale else 0.0
    size = max(abs(low - zero), abs(high - zero))
    limit = {"voltage": LARGEST_V, "current": LARGEST_A}.get(channel.quantity, np.inf)
    beyond = size * abs(channel.scale) > limit
    is_voltage = channel.quantity == "voltage"
    if not beyond and not (is_voltage and size > _SPIKE * peak and _stands_out(size, raw, zero, sparse)):
        return None
    sizes = np.abs(raw.astype(np.float64) - zero)
    sizes[~np.isfinite(sizes)] = 0.0
    found = sizes > limit / abs(channel.scale) if channel.scale else np.zeros(raw.shape, np.bool_)
    if is_voltage:
        sizes[found] = 0.0
        found |= _far_beyond_their_surroundings(sizes, max(int(samples_per_cycle), 1), peak)
    return found if found.any() else None


def _stands_out(size: float, raw: Raw, zero: float, sparse: Raw | None) -> bool:
    """Whether a size is a spike by the level of a few samples.

    Where these all lie near zero by chance, that level is too low, which costs a closer look. That the quantile lies
    below a bound is that so many lie below it: counted, nothing needs to be put in order.
    """
    few = raw if sparse is None or not sparse.size else sparse
    few = few[:: max(few.size // _SAMPLED, 1)]
    low, high = zero - size / _SPIKE, zero + size / _SPIKE
    if few.dtype.kind == "f":
        below, n = (few > low) & (few < high), int(np.count_nonzero(np.isfinite(few)))
    else:  # whole numbers are compared with whole numbers: nothing is converted
        below, n = (few > math.floor(low)) & (few < math.ceil(high)), few.size
    return n == 0 or int(np.count_nonzero(below)) > _rank(n)


def _quantile(sizes: F64) -> float:
    return float(np.partition(sizes, _rank(sizes.size))[_rank(sizes.size)]) if sizes.size else 0.0


def _rank(n: int) -> int:
    """Place of the level among n sizes in order, from 0."""
    return int(_LEVEL_QUANTILE * (n - 1))


def _far_beyond_their_surroundings(sizes: F64, cycle: int, peak: float) -> Mask:
    """Spikes, and bursts of up to a cycle, by the level of each cycle."""
    floor = max(peak, _quantile(sizes))
    n_cycles = max(sizes.size // cycle, 1)
    whole = sizes[: n_cycles * cycle].reshape(n_cycles, -1)
    k = _rank(whole.shape[1])
    levels = np.partition(whole, k, axis=1)[:, k]  # what is left of a cycle at the end belongs to the last
    around = np.maximum(floor, levels)
    around[1:] = np.maximum(around[1:], levels[:-1])
    around[:-1] = np.maximum(around[:-1], levels[1:])
    of_cycle = np.minimum(np.arange(sizes.size) // cycle, n_cycles - 1)
    found: Mask = (sizes > _SPIKE * around[of_cycle]) & (around[of_cycle] > 0)  # nothing is far beyond nothing
    for first, stop in _hot_runs(levels, floor):
        beside = max(floor, levels[first - 1], levels[stop])
        inside = slice((first - 1) * cycle, (stop + 1) * cycle)  # its ends may lie in the cycles beside
        burst = sizes[inside] > _BURST * beside
        if beside > 0 and 0 < np.count_nonzero(burst) <= cycle:
            found[inside] |= burst
    return found


def _hot_runs(levels: F64, floor: float) -> list[tuple[int, int]]:
    """Runs of one or two cycles [first, stop) far beyond the floor, with cycles that are not on both sides."""
    hot = zip(*(edges.tolist() for edges in runs(levels > _BURST * floor)), strict=True)
    return [(first, stop) for first, stop in hot if stop - first <= 2 and first > 0 and stop < levels.size]


def bridged(row: Raw, missing: Mask, *, zero: float, samples_per_cycle: float) -> Raw:
    """A copy of a channel's samples with the missing ones put on the straight line between those beside them.

    Parameters
    ----------
    row : shape (n,). Raw samples.
    missing : bool, shape (n,), some of them true.
    zero : what longer gaps, and those at the ends, are filled with: there the voltage counts as lost. [raw units]
    samples_per_cycle : of the nominal frequency; a gap of up to a sixteenth of it is bridged.

    Source: common practice, no source.
    """
    if row.dtype.kind == "i":
        info = np.iinfo(row.dtype)
        zero = min(max(round(zero), info.min), info.max)
    filled = row.copy()
    filled[missing] = zero
    firsts, stops = runs(missing)
    longest = max(_LONGEST_BRIDGE_CYCLES * samples_per_cycle, 1.0)
    short = (stops - firsts <= longest) & (firsts > 0) & (stops < row.size)
    firsts, stops = firsts[short], stops[short]
    if firsts.size:
        widths = stops - firsts
        place = np.arange(widths.sum()) - np.repeat(np.cumsum(widths) - widths, widths)
        share = (place + 1) / np.repeat(widths + 1, widths)
        before = np.repeat(row[firsts - 1].astype(np.float64), widths)
        after = np.repeat(row[stops].astype(np.float64), widths)
        values = before + (after - before) * share
        filled[np.repeat(firsts, widths) + place] = np.rint(values) if row.dtype.kind == "i" else values
    return filled


def measurable(
    block: Raw, channels: Sequence[Channel], masks: Sequence[Mask | None], *, samples_per_cycle: float
) -> Raw:
    """The samples of some channels without those that are no measurement; the same array where all are.

    Parameters
    ----------
    block : shape (n_channels, n). Raw samples.
    channels : of the rows.
    masks : for each channel, which of its samples are none; None: all are.
    samples_per_cycle : of the nominal frequency.

    Source: derived, see `bridged`.
    """
    if all(mask is None or not mask.any() for mask in masks):
        return block
    clean = block.copy()
    for c, (channel, mask) in enumerate(zip(channels, masks, strict=True)):
        if mask is not None and mask.any():
            zero = -channel.offset / channel.scale if channel.scale else 0.0
            clean[c] = bridged(block[c], mask, zero=zero, samples_per_cycle=samples_per_cycle)
    return clean
