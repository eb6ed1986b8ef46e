"""Sags, swells and interruptions: Urms(1/2) against thresholds with hysteresis, per channel and for all phases.

Below or above → latched spans → half-open index pairs → events, vectorised over the whole series. A half cycle that
could not be measured (missing, stuck or clipped samples) neither starts nor ends anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.errors import SignalError
from pipeline.measures.quality import CLIPPED, FLAT, MISSING

F64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
VariationKind = Literal["sag", "swell", "interruption"]

_UNMEASURED = MISSING | FLAT


@dataclass(frozen=True, slots=True)
class ChannelVariation:
    """One channel's part of a variation: half cycles [i_start, i_stop) and its most extreme value. [pu]"""

    channel: int
    i_start: int
    i_stop: int
    start: float
    stop: float
    extreme_pu: float


@dataclass(frozen=True, slots=True)
class RmsVariation:
    """One sag, swell or interruption of a measuring point.

    Attributes
    ----------
    kind : ``sag``, ``swell`` or ``interruption``.
    start, stop : of the windows that crossed and that were back, see `find_rms_variations`; where `open_stop`, the end
        of the last window. [unit of `starts`]
    magnitude_pu : residual voltage (lowest), or the swell's maximum, over all channels. [pu]
    channels : each channel that crossed the threshold, in order of channel.
    open_start, open_stop : under way at the first half cycle seen, still under way at the last; also where the edge
        lies among half cycles that could not be measured.
    flags : all marks of the half cycles in it.
    """

    kind: VariationKind
    start: float
    stop: float
    magnitude_pu: float
    channels: tuple[ChannelVariation, ...]
    open_start: bool
    open_stop: bool
    flags: int


def find_rms_variations(
    u_half: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    reference: npt.ArrayLike = 1.0,
    sag_pu: float = 0.9,
    swell_pu: float = 1.1,
    interruption_pu: float = 0.1,
    hysteresis_pu: float = 0.02,
    flags: npt.ArrayLike | None = None,
) -> list[RmsVariation]:
    """Sags, swells and interruptions in the half-cycle series of one measuring point.

    A sag begins on the first channel that falls below its threshold and ends when all are back above it by the
    hysteresis, a swell likewise; an interruption begins when all channels are below and ends with the first that is
    back. So with one of three phases lost there is a sag and no interruption; with all lost there are both.

    Parameters
    ----------
    u_half : shape (n_channels, n). Urms(1/2) of the judged voltages. [unit of reference]
    starts : shape (n_channels, n) or (n,). Start of each one-cycle window. [any unit of time]
    reference : scalar, or shape (n_channels, 1) or (n_channels, n). What 1 pu stands for.
    sag_pu, swell_pu, interruption_pu, hysteresis_pu : thresholds and hysteresis. [pu]
    flags : uint8, shape (n_channels, n). Marks of `measures.quality`, or None: all half cycles were measured.

    Returns
    -------
    List in order of start; empty where nothing was found.

    Raises
    ------
    SignalError : shapes that do not fit, NaN in u_half, or thresholds out of order.

    Source: IEC 61000-4-30 Ed. 3, 5.4.1, 5.4.2, 5.5.1.  Departs: a sag's or swell's end is stamped with the start of
    the window that is back, so that its duration is free of the window's length (the standard's wording puts
    it at the window's end: one cycle longer). An interruption ends with the end of the window that is back: that
    window begins almost a cycle before the voltage does.
    """
    values = np.atleast_2d(np.asarray(u_half))
    times = np.broadcast_to(np.asarray(starts, np.float64), values.shape)
    marks = np.zeros(values.shape, np.uint8) if flags is None else np.asarray(flags, np.uint8)
    level = np.asarray(reference, np.float64)
    if marks.shape != values.shape:
        raise SignalError(f"flags have shape {marks.shape}, u_half {values.shape}")
    if (
        not 0 <= interruption_pu < sag_pu < 1 < swell_pu
        or not 0 <= hysteresis_pu < min(1 - sag_pu, swell_pu - 1) + 1e-9
    ):
        raise SignalError("thresholds must rise: interruption < sag < 1 < swell, with the hysteresis short of 1 pu")
    if values.size == 0:
        return []
    lowest, highest = values.min(), values.max()
    if np.isnan(lowest):
        raise SignalError("u_half holds NaN; flag half cycles that were not measured")
    found: list[RmsVariation] = []
    if lowest < sag_pu * level.max():
        found += _sags(values, times, marks, level, sag_pu, sag_pu + hysteresis_pu)
        if lowest < interruption_pu * level.max():
            found += _interruptions(values, times, marks, level, interruption_pu, interruption_pu + hysteresis_pu)
    if highest > swell_pu * level.min():
        found += _swells(values, times, marks, level, swell_pu, swell_pu - hysteresis_pu)
    return sorted(found, key=lambda variation: (variation.start, variation.kind))


def _sags(
    values: F64, times: F64, marks: npt.NDArray[np.uint8], level: F64, on: float, off: float
) -> list[RmsVariation]:
    below = (values < on * level) & ((marks & (_UNMEASURED | CLIPPED)) == 0)
    back = (values >= off * level) & ((marks & _UNMEASURED) == 0)
    return _joined("sag", below, back, values / level, times, marks)


def _swells(
    values: F64, times: F64, marks: npt.NDArray[np.uint8], level: F64, on: float, off: float
) -> list[RmsVariation]:
    above = (values > on * level) & ((marks & _UNMEASURED) == 0)
    back = (values <= off * level) & ((marks & (_UNMEASURED | CLIPPED)) == 0)
    return _joined("swell", above, back, values / level, times, marks)


def _interruptions(
    values: F64, times: F64, marks: npt.NDArray[np.uint8], level: F64, on: float, off: float
) -> list[RmsVariation]:
    below = (values < on * level) & ((marks & (_UNMEASURED | CLIPPED)) == 0)
    back = (values >= off * level) & ((marks & _UNMEASURED) == 0)
    latched = np.stack([latch(b, r) for b, r in zip(below, back, strict=True)])
    unseen = _hidden(marks, CLIPPED | _UNMEASURED)
    pu = values / level
    events = []
    for i, stop in _spans(latched.all(axis=0)):
        parts = tuple(_part(c, i, stop, pu, times, lowest=True) for c in range(values.shape[0]))
        ended = [c for c in range(values.shape[0]) if stop < latched.shape[1] and not latched[c, stop]]
        events.append(
            RmsVariation(
                "interruption",
                max(part.start for part in parts),
                min((float(times[c, stop]) + _cycle_at(times[c], stop) for c in ended), default=_end_of(times)),
                min(part.extreme_pu for part in parts),
                parts,
                open_start=i == 0 or bool(unseen[:, i - 1].any()),
                open_stop=stop == latched.shape[1] or bool(unseen[:, stop - 1].any()),
                flags=int(np.bitwise_or.reduce(marks[:, i:stop], axis=None)),
            )
        )
    return events


def _joined(
    kind: VariationKind, on: Mask, off: Mask, pu: F64, times: F64, marks: npt.NDArray[np.uint8]
) -> list[RmsVariation]:
    """Per-channel spans that overlap in time, joined into events of the point."""
    n = pu.shape[1]
    parts = sorted(
        (
            _part(c, i, stop, pu, times, lowest=kind == "sag")
            for c in range(pu.shape[0])
            if on[c].any()
            for i, stop in _spans(latch(on[c], off[c]))
        ),
        key=lambda part: (part.start, part.channel),
    )
    groups: list[list[ChannelVariation]] = []
    until = -np.inf
    for part in parts:
        if groups and part.start <= until:
            groups[-1].append(part)
        else:
            groups.append([part])
            until = -np.inf
        until = max(until, part.stop)
    unseen = _hidden(marks, _UNMEASURED | CLIPPED if kind == "sag" else _UNMEASURED)
    worst = min if kind == "sag" else max
    events = []
    for group in groups:
        first = min(group, key=lambda part: part.start)
        final = max(group, key=lambda part: part.stop)
        events.append(
            RmsVariation(
                kind,
                first.start,
                final.stop,
                worst(part.extreme_pu for part in group),
                tuple(sorted(group, key=lambda part: (part.channel, part.start))),
                open_start=first.i_start == 0 or bool(unseen[first.channel, first.i_start - 1]),
                open_stop=final.i_stop == n or bool(unseen[final.channel, final.i_stop - 1]),
                flags=int(np.bitwise_or.reduce([_flags_of(marks, part) for part in group])),
            )
        )
    return events


def latch(on: Mask, off: Mask) -> Mask:
    """State of a switch that `on` closes and `off` opens; where neither is set it stays as it was, open at first."""
    index = np.arange(on.size)
    last_on = np.maximum.accumulate(np.where(on, index, -1))
    last_off = np.maximum.accumulate(np.where(off, index, -1))
    return last_on > last_off


def _spans(state: Mask) -> Iterator[tuple[int, int]]:
    """Half-open index pairs of the true stretches."""
    padded = np.zeros(state.size + 2, np.int8)
    padded[1:-1] = state
    edges = np.flatnonzero(np.diff(padded))
    return zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _part(channel: int, i: int, stop: int, pu: F64, times: F64, *, lowest: bool) -> ChannelVariation:
    piece = pu[channel, i:stop]
    ends = float(times[channel, stop]) if stop < pu.shape[1] else _end_of(times)
    extreme = piece.min() if lowest else piece.max()
    return ChannelVariation(channel, i, stop, float(times[channel, i]), ends, float(extreme))


def _cycle_at(times: F64, i: int) -> float:
    """Length of the window that begins at index i: one cycle, two half cycles."""
    i = max(min(i, times.size - 3), 0)
    return float(times[min(i + 2, times.size - 1)] - times[i])


def _end_of(times: F64) -> float:
    """End of the last window: one cycle, two half cycles, after its start."""
    if times.shape[1] < 3:
        return float(times.max())
    return float(times[:, -1].max() + (times[:, -1] - times[:, -3]).mean())


def _hidden(marks: npt.NDArray[np.uint8], bits: int) -> Mask:
    return (marks & bits) != 0


def _flags_of(marks: npt.NDArray[np.uint8], part: ChannelVariation) -> int:
    return int(np.bitwise_or.reduce(marks[part.channel, part.i_start : part.i_stop], initial=0))
