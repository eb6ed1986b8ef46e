"""Sags, swells and interruptions: Urms(1/2) against thresholds with hysteresis, per channel and for all phases.

Below or above → latched spans → half-open index pairs → events, vectorised over the whole series. A half cycle that
could not be measured (missing, stuck or clipped samples) neither starts nor ends anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.site_thresholds import USUAL
from halfcycle.pipeline.detectors.spans import decimal
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import latched, runs
from halfcycle.pipeline.measures.quality import CLIPPED, FLAT, MISSING

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
VariationKind = Literal["sag", "swell", "interruption"]

_UNMEASURED = MISSING | FLAT
_QUIET_HALF_CYCLES = 8  # to each side of a cut: more than what the windows of the channels are apart
LASTING_S: Final = 60.0
"""A sag or swell beyond it is an under- or overvoltage: IEEE 1159-2019, Table 2; EN 50160, 3. [s]"""


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

    Examples
    --------
    >>> rms = [1.0] * 10 + [0.0] * 6 + [1.0] * 10
    >>> [one.kind for one in hc.find_rms_variations(rms, np.arange(26) * 0.01)]
    ['interruption', 'sag']
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
    sag_pu: float = USUAL.sag_pu,
    swell_pu: float = USUAL.swell_pu,
    interruption_pu: float = USUAL.interruption_pu,
    hysteresis_pu: float = USUAL.hysteresis_pu,
    flags: npt.ArrayLike | None = None,
    per_window: int = 2,
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
    per_window : windows that begin within the length of one: two of Urms(1/2), one where they follow one another.

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

    Examples
    --------
    >>> (sag,) = hc.find_rms_variations([1.0] * 9 + [0.6] * 4 + [1.0] * 9, np.arange(22))  # times in half cycles
    >>> sag.start, sag.stop, sag.magnitude_pu
    (9.0, 13.0, 0.6)
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
        raise SignalError(
            "thresholds must satisfy interruption < sag < 1 < swell, with the hysteresis not reaching 1 pu"
        )
    if values.size == 0:
        return []
    lowest, highest = values.min(), values.max()
    if np.isnan(lowest):
        raise SignalError("u_half holds NaN; flag half cycles that were not measured")
    found: list[RmsVariation] = []
    if lowest < sag_pu * level.max():
        found += _sags(values, times, marks, level, sag_pu, decimal(sag_pu + hysteresis_pu), per_window)
        if lowest < interruption_pu * level.max():
            back = decimal(interruption_pu + hysteresis_pu)
            found += _interruptions(values, times, marks, level, interruption_pu, back, per_window)
    if highest > swell_pu * level.min():
        found += _swells(values, times, marks, level, swell_pu, decimal(swell_pu - hysteresis_pu), per_window)
    return sorted(found, key=lambda variation: (variation.start, variation.kind))


def is_lasting(variation: RmsVariation, *, seconds: float) -> bool:
    """Whether a sag or swell is an under- or overvoltage: over a minute, or from one end of what was seen to the other.

    Parameters
    ----------
    variation : of any kind; an interruption is none, however long.
    seconds : its length; the minute is that of IEEE Std 1159-2019, Table 2. [s]
    """
    whole = variation.open_start and variation.open_stop
    return variation.kind != "interruption" and (whole or seconds > LASTING_S)


_Series = tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]  # u_half, starts, flags


class VariationsByStretch:
    """What `find_rms_variations` finds in a record whose half cycles come stretch by stretch, against one reference.

    No more of them is kept than since the last time when all channels were within the hysteresis for some cycles: no
    variation spans that, and none before it can change any more.

    Parameters
    ----------
    reference_v : what 1 pu stands for. [V]
    sag_pu, swell_pu, interruption_pu, hysteresis_pu : as for `find_rms_variations`.
    """

    def __init__(
        self, *, reference_v: float, sag_pu: float, swell_pu: float, interruption_pu: float, hysteresis_pu: float
    ) -> None:
        self._settings: dict[str, Any] = {
            "reference": reference_v, "sag_pu": sag_pu, "swell_pu": swell_pu, "interruption_pu": interruption_pu,
            "hysteresis_pu": hysteresis_pu,
        }  # fmt: skip
        level = np.float64(reference_v)  # so that float32 series are compared as in `find_rms_variations`
        self._lowest_v = level * decimal(sag_pu + hysteresis_pu)
        self._highest_v = level * decimal(swell_pu - hysteresis_pu)
        self._kept: list[_Series] = []
        self._n_done = 0  # half cycles before the kept ones

    def push(self, u_half: npt.NDArray[np.floating], starts: F64, flags: npt.NDArray[np.uint8]) -> list[RmsVariation]:
        """Takes the next half cycles, shape (n_channels, n) each; gives the variations that are over."""
        cut = self._last_quiet(u_half, flags)
        self._kept.append((u_half[:, :cut], starts[:, :cut], flags[:, :cut]))
        found = self.finish() if cut else []
        self._kept.append((u_half[:, cut:].copy(), starts[:, cut:].copy(), flags[:, cut:].copy()))
        return found

    def finish(self) -> list[RmsVariation]:
        """The variations in what is kept; called at the record's end."""
        if not self._kept:
            return []
        u_half, starts, flags = (np.concatenate(parts, axis=1) for parts in zip(*self._kept, strict=True))
        n, self._n_done, self._kept = self._n_done, self._n_done + u_half.shape[1], []
        found = find_rms_variations(u_half, starts, flags=flags, **self._settings)
        parts = [tuple(replace(c, i_start=c.i_start + n, i_stop=c.i_stop + n) for c in one.channels) for one in found]
        return [replace(one, channels=channels) for one, channels in zip(found, parts, strict=True)]

    def _last_quiet(self, u_half: npt.NDArray[np.floating], flags: npt.NDArray[np.uint8]) -> int:
        """The middle of the last quiet half cycles of which there are enough; 0 where there are none."""
        quiet = ((u_half >= self._lowest_v) & (u_half <= self._highest_v) & (flags == 0)).all(axis=0)
        firsts, stops = runs(quiet)
        enough = np.flatnonzero(stops - firsts >= 2 * _QUIET_HALF_CYCLES)
        return int(stops[enough[-1]]) - _QUIET_HALF_CYCLES if enough.size else 0


def _sags(
    values: F64, times: F64, marks: npt.NDArray[np.uint8], level: F64, on: float, off: float, per_window: int
) -> list[RmsVariation]:
    seen = (marks & (_UNMEASURED | CLIPPED)) == 0
    beyond, near = (values < on * level) & seen, (values < off * level) & seen
    back = (values >= off * level) & ((marks & _UNMEASURED) == 0)
    return _joined("sag", beyond, near, back, values / level, times, marks, per_window)


def _swells(
    values: F64, times: F64, marks: npt.NDArray[np.uint8], level: F64, on: float, off: float, per_window: int
) -> list[RmsVariation]:
    seen = (marks & _UNMEASURED) == 0
    beyond, near = (values > on * level) & seen, (values > off * level) & seen
    back = (values <= off * level) & ((marks & (_UNMEASURED | CLIPPED)) == 0)
    return _joined("swell", beyond, near, back, values / level, times, marks, per_window)


def _interruptions(
    values: F64, times: F64, marks: npt.NDArray[np.uint8], level: F64, on: float, off: float, per_window: int
) -> list[RmsVariation]:
    """From the last channel's fall below the threshold to the first channel's return."""
    measured = (marks & _UNMEASURED) == 0
    below = (values < on * level) & measured & ((marks & CLIPPED) == 0)
    low = _Spans.of(below, (values >= on * level) & measured, times)
    held = _Spans.of(below, (values >= off * level) & measured, times)
    unseen = _hidden(marks, CLIPPED | _UNMEASURED)
    pu = values / level
    events: list[RmsVariation] = []
    until = -np.inf
    for t_start, channel, i in low.all_at_once(values.shape[0]):
        if t_start < until:
            continue
        ends = [held.around(c, t_start) for c in range(values.shape[0])]
        until, last, stop = min((float(held.t_stop[k]), int(held.channel[k]), int(held.i_stop[k])) for k in ends)
        open_stop = stop == values.shape[1]
        t_stop = _end_of(times, per_window) if open_stop else until + _window_at(times[last], stop, per_window)
        parts = []
        for c in range(values.shape[0]):
            first = max(int(np.searchsorted(times[c], t_start, side="right")) - 1, 0)
            after = int(np.searchsorted(times[c], until)) if not open_stop else stop
            seen_from = first if not unseen[c, first:after].all() else int(held.i_start[ends[c]])
            extreme = _extreme(pu[c, seen_from:after], unseen[c, seen_from:after], lowest=True)
            parts.append(ChannelVariation(c, first, after, t_start, t_stop, extreme))
        events.append(
            RmsVariation(
                "interruption",
                t_start,
                t_stop,
                min(part.extreme_pu for part in parts),
                tuple(parts),
                open_start=i == 0 or bool(unseen[channel, i - 1]),
                open_stop=open_stop or bool(unseen[last, stop - 1]),
                flags=int(np.bitwise_or.reduce([_flags_of(marks, part) for part in parts])),
            )
        )
    return events


def _joined(
    kind: VariationKind,
    beyond: Mask,
    near: Mask,
    back: Mask,
    pu: F64,
    times: F64,
    marks: npt.NDArray[np.uint8],
    per_window: int,
) -> list[RmsVariation]:
    """Events of the point: from the first channel beyond the threshold until all are back, by the hysteresis.

    A channel that is `near`, within the hysteresis, keeps an event going that another one began.
    """
    held = _Spans.of(near, back, times)
    groups = held.together()
    group_start = held.t_start[groups[:-1]]
    crossed = _Spans.of(beyond, back, times)
    unseen = _hidden(marks, _UNMEASURED | CLIPPED if kind == "sag" else _UNMEASURED)
    last = _end_of(times, per_window)
    members: dict[int, list[ChannelVariation]] = {}
    for k in range(crossed.channel.size):
        c, i, stop = int(crossed.channel[k]), int(crossed.i_start[k]), int(crossed.i_stop[k])
        extreme = _extreme(pu[c, i:stop], unseen[c, i:stop], lowest=kind == "sag")
        part = ChannelVariation(c, i, stop, float(crossed.t_start[k]), min(float(crossed.t_stop[k]), last), extreme)
        group = int(np.searchsorted(group_start, part.start, side="right")) - 1
        members.setdefault(group, []).append(part)
    worst = min if kind == "sag" else max
    events = []
    for group, parts in members.items():
        first = min(parts, key=lambda part: part.start)
        end = held.last_to_stop(int(groups[group]), int(groups[group + 1]))
        channel, stop = int(held.channel[end]), int(held.i_stop[end])
        events.append(
            RmsVariation(
                kind,
                first.start,
                min(float(held.t_stop[end]), last),
                worst(part.extreme_pu for part in parts),
                tuple(sorted(parts, key=lambda part: (part.channel, part.start))),
                open_start=first.i_start == 0 or bool(unseen[first.channel, first.i_start - 1]),
                open_stop=stop == pu.shape[1] or bool(unseen[channel, stop - 1]),
                flags=int(np.bitwise_or.reduce([_flags_of(marks, part) for part in parts])),
            )
        )
    return events


@dataclass(frozen=True, slots=True)
class _Spans:
    """Stretches of all channels in which a latch is on, in order of start: half cycles [i_start, i_stop), and times.

    `t_stop` is infinite where the stretch goes on at the last half cycle.
    """

    channel: I64
    i_start: I64
    i_stop: I64
    t_start: F64
    t_stop: F64

    @classmethod
    def of(cls, on: Mask, off: Mask, times: F64) -> _Spans:
        rows = []
        for c in range(on.shape[0]):
            if on[c].any():
                i_start, i_stop = latched(on[c], off[c])
                t_stop = np.append(times[c], np.inf)[i_stop]
                rows.append((np.full(i_start.shape, c), i_start, i_stop, times[c, i_start], t_stop))
        if not rows:
            none, never = np.zeros(0, np.int64), np.zeros(0)
            return cls(none, none, none, never, never)
        columns = [np.concatenate(column) for column in zip(*rows, strict=True)]
        order = np.lexsort((columns[0], columns[3]))
        return cls(*(column[order] for column in columns))

    def together(self) -> I64:
        """Groups of spans that overlap or touch: where in the order each begins, and the number of spans after them."""
        reach = np.maximum.accumulate(self.t_stop)
        apart = self.t_start[1:] > reach[:-1]
        return np.flatnonzero(np.concatenate(([True], apart, [True]))) if reach.size else np.zeros(1, np.int64)

    def last_to_stop(self, first: int, after: int) -> int:
        """Which of some spans, from first up to after, stops last."""
        return first + int(self.t_stop[first:after].argmax())

    def all_at_once(self, n_channels: int) -> Iterator[tuple[float, int, int]]:
        """When all channels come to be on: time, the channel that was the last, its half cycle."""
        change = np.repeat([1, -1], self.channel.size)
        instants = np.concatenate([self.t_start, self.t_stop])
        order = np.lexsort((change, instants))  # at the same instant, off before on
        on = np.cumsum(change[order])
        for k in order[(on == n_channels) & (change[order] > 0)].tolist():
            yield float(self.t_start[k]), int(self.channel[k]), int(self.i_start[k])

    def around(self, channel: int, t: float) -> int:
        """Which span of a channel is on at an instant: the last that began by then."""
        return int(np.flatnonzero((self.channel == channel) & (self.t_start <= t))[-1])


def _extreme(pu: F64, unseen: Mask, *, lowest: bool) -> float:
    """The most extreme of the values that were measured."""
    return float(pu.min(initial=np.inf, where=~unseen) if lowest else pu.max(initial=-np.inf, where=~unseen))


def _window_at(times: F64, i: int, per_window: int) -> float:
    """Length of the window that begins at index i; 0 where it cannot be told."""
    n = min(per_window, times.size - 1)
    i = min(i, times.size - 1 - n)
    return float(times[i + n] - times[i]) * per_window / n if n else 0.0


def _end_of(times: F64, per_window: int) -> float:
    """End of the last window."""
    return max(float(row[-1]) + _window_at(row, row.size - 1, per_window) for row in times)


def _hidden(marks: npt.NDArray[np.uint8], bits: int) -> Mask:
    hidden: Mask = (marks & bits) != 0
    return hidden


def _flags_of(marks: npt.NDArray[np.uint8], part: ChannelVariation) -> int:
    return int(np.bitwise_or.reduce(marks[part.channel, part.i_start : part.i_stop], initial=0))
