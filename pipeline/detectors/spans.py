"""From masks to events: stretches with hysteresis, joined over the channels of a measuring point.

Three masks say of each value of each channel that it is `beyond` the threshold, `near` it (within the hysteresis, or
beyond) or `back`. A value that is none of them was not judged: it neither starts nor ends anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.finding import ChannelPart
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import latched, runs
from halfcycle.pipeline.measures.quality import CLIPPED, FLAT, MISSING

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Values = npt.NDArray[np.floating]

UNMEASURED: Final = MISSING | FLAT
UNSURE: Final = UNMEASURED | CLIPPED  # a clipped value is at least what it reads: it may cross upwards, no more

_DECIMALS = 12  # settings are decimal numbers: 0.1 + 0.02 means 0.12, not the float above it


@dataclass(frozen=True, slots=True)
class ChannelSeries:
    """The values of a measuring point's channels, checked, with the times of their windows.

    Attributes
    ----------
    values : shape (n_channels, n), floating. [the caller's unit]
    starts : float64, shape (n_channels, n). Start of each window. [samples]
    marks : uint8, shape (n_channels, n), marks of `measures.quality`; None where there are none.
    steps : windows from one's start to its end: 2 for one-cycle windows each half cycle, 1 for windows without overlap.
    """

    values: Values
    starts: F64
    marks: U8 | None
    steps: int

    @classmethod
    def of(
        cls, values: npt.ArrayLike, starts: npt.ArrayLike, flags: npt.ArrayLike | None, *, steps: int
    ) -> ChannelSeries:
        """Checked series.

        Parameters
        ----------
        values : shape (n_channels, n) or (n,).
        starts : shape (n_channels, n) or (n,). [samples]
        flags : uint8, shape (n_channels, n) or (n,), or None: all was measured.
        steps : see the class.

        Raises
        ------
        SignalError : shapes that do not fit, or NaN among the values.
        """
        rows = np.atleast_2d(np.asarray(values))
        if rows.dtype.kind != "f":
            rows = rows.astype(np.float64)
        times, marks = np.asarray(starts, np.float64), None
        if rows.ndim != 2 or times.shape not in (rows.shape, rows.shape[1:]):
            raise SignalError(f"values have shape {rows.shape}, starts {times.shape}; expected (n_channels, n)")
        if flags is not None:
            marks = np.atleast_2d(np.asarray(flags, np.uint8))
            if marks.shape != rows.shape:
                raise SignalError(f"flags have shape {marks.shape}, values {rows.shape}")
            marks = marks if marks.any() else None
        if rows.size and np.isnan(rows.max()):
            raise SignalError("the series holds NaN; flag what was not measured")
        return cls(rows, np.broadcast_to(times, rows.shape), marks, steps)

    @property
    def n(self) -> int:
        """How many windows."""
        return int(self.values.shape[1])

    def time(self, channel: int, i: int) -> float:
        """Start of a channel's window; for i = n the end of the last one. [samples]"""
        if i < self.n:
            return float(self.starts[channel, i])
        back = min(self.steps, self.n - 1)
        last = float(self.starts[channel, -1])
        return last + (last - float(self.starts[channel, -1 - back])) * self.steps / back if back else last

    def without(self, bits: int) -> Mask | None:
        """Where none of the marks is set; None stands for everywhere."""
        return None if self.marks is None else (self.marks & bits) == 0

    def flags_of(self, channels: tuple[int, ...], i_start: int, i_stop: int) -> int:
        """All marks of some channels' windows."""
        if self.marks is None:
            return 0
        return int(np.bitwise_or.reduce(self.marks[list(channels), i_start:i_stop], axis=None, initial=0))


@dataclass(frozen=True, slots=True)
class ChannelSpan:
    """Windows [i_start, i_stop) of one channel."""

    channel: int
    i_start: int
    i_stop: int


@dataclass(frozen=True, slots=True)
class Excursion:
    """Windows [i_start, i_stop) from the first channel beyond until all are back.

    Attributes
    ----------
    spans : of each channel that was beyond, in order of channel.
    enders : the channels that were the last to be back.
    open_start, open_stop : at the first or the last window, or next to windows that were not judged.
    judged_share : of the windows, in which at least one channel was judged.
    """

    i_start: int
    i_stop: int
    spans: tuple[ChannelSpan, ...]
    enders: tuple[int, ...]
    open_start: bool
    open_stop: bool
    judged_share: float

    @property
    def channels(self) -> tuple[int, ...]:
        """The channels that were beyond."""
        return tuple(span.channel for span in self.spans)


def find_excursions(beyond: Mask, near: Mask, back: Mask, *, starting: Mask | None = None) -> list[Excursion]:
    """Excursions of a measuring point.

    Parameters
    ----------
    beyond, near, back : shape (n_channels, n). `beyond` lies in `near`; `near` and `back` exclude each other.
    starting : shape (n,). Where an excursion may begin; None: wherever a channel is beyond.

    Returns
    -------
    List in order of start.

    Source: IEC 61000-4-30 Ed. 3, 5.4.2 (from memory), for any quantity: from the first channel beyond until all are
    back; a channel that is near keeps going what another one began.
    """
    on: Mask = np.logical_or.reduce(beyond, axis=0) if starting is None else starting
    if not on.any():
        return []
    blind = ~(near | back)
    any_blind = bool(blind.any())
    held = _held(near, blind) if any_blind else near
    off: Mask = ~np.logical_or.reduce(held, axis=0)
    i_start, i_stop = latched(on, off)
    found = []
    for a, b in zip(i_start.tolist(), i_stop.tolist(), strict=True):
        spans = []
        for c in np.flatnonzero(beyond[:, a:b].any(axis=1)).tolist():
            first = a + int(beyond[c, a:b].argmax())
            spans.append(ChannelSpan(c, first, b - int(held[c, a:b][::-1].argmax())))
        enders = tuple(np.flatnonzero(held[:, b - 1]).tolist())
        open_start = a == 0 or bool((blind[:, a - 1] & beyond[:, a]).any())
        open_stop = b == on.size or bool(blind[list(enders), b - 1].any())
        share = 1 - float(blind[:, a:b].all(axis=0).mean()) if any_blind else 1.0
        found.append(Excursion(a, b, tuple(spans), enders, open_start, open_stop, share))
    return found


def _held(near: Mask, blind: Mask) -> Mask:
    """Where a channel is near, or was so when last judged."""
    held = near.copy()
    for c in range(near.shape[0]):
        i_start, i_stop = runs(blind[c])
        for k in np.flatnonzero((i_start > 0) & near[c, i_start - 1]).tolist():
            held[c, i_start[k] : i_stop[k]] = True
    return held


def parts_of(excursion: Excursion, series: ChannelSeries, extremes: Sequence[float]) -> tuple[ChannelPart, ...]:
    """Each channel's part, with the times of its windows and its extreme."""
    return tuple(
        ChannelPart(s.channel, series.time(s.channel, s.i_start), series.time(s.channel, s.i_stop), extreme)
        for s, extreme in zip(excursion.spans, extremes, strict=True)
    )


def stop_of(excursion: Excursion, series: ChannelSeries) -> float:
    """When the last channel is back. [samples]

    Source: IEC 61000-4-30 Ed. 3, 5.4: a polyphase event ends with its last channel.
    """
    return max(series.time(channel, excursion.i_stop) for channel in excursion.enders)


def decimal(value: float) -> float:
    """A threshold worked out from settings, as the decimal number that it means."""
    return round(value, _DECIMALS)


def per_channel(reference: npt.ArrayLike, n_channels: int, name: str) -> list[float]:
    """One reference a channel from one for all or one each.

    Raises
    ------
    SignalError : a count that does not fit, or one that is not above zero.
    """
    values = np.asarray(reference, np.float64).reshape(-1)
    if values.size not in (1, n_channels):
        raise SignalError(f"{name} has {values.size} values for {n_channels} channels")
    if not (np.isfinite(values).all() and (values > 0).all()):
        raise SignalError(f"{name} must be above zero; got {values.tolist()}")
    return [float(value) for value in np.broadcast_to(values, (n_channels,))]
