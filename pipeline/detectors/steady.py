"""Steady states: excursions of the values of windows beyond a limit that last."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from halfcycle.pipeline.detectors.finding import ChannelPart
from halfcycle.pipeline.detectors.spans import F64, ChannelSpan, Mask, Values, decimal, find_excursions
from halfcycle.pipeline.errors import SignalError


class SteadySettings(BaseModel):
    """What makes an excursion of windows a steady state; common practice, no source.

    hysteresis_share : of the limit, by which a value must fall below it for an excursion to end.
    minimum_duration_s : from the first window beyond the limit to the end of the last. Three seconds are the interval
        of very short-time values of IEEE 519-2022, clause 5 (from memory).
    minimum_windows : judged in it, so that two disturbances do not make a steady state where windows are far apart.
    longest_gap_s : between two windows of one excursion; a longer one leaves it open at both sides.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    hysteresis_share: float = Field(0.05, ge=0, lt=1)
    minimum_duration_s: float = Field(3.0, ge=0)
    minimum_windows: int = Field(3, ge=1)
    longest_gap_s: float = Field(10.0, gt=0)


@dataclass(frozen=True, slots=True)
class LastingExcursion:
    """A lasting excursion of a measuring point.

    Attributes
    ----------
    start, stop : of its first and end of its last window. [samples]
    spans : windows of each channel that was beyond, in order of channel.
    times : start and stop of each span. [samples]
    open_start, open_stop : at the first or last window, or next to a long gap or to windows that were not judged.
    """

    start: float
    stop: float
    spans: tuple[ChannelSpan, ...]
    times: tuple[tuple[float, float], ...]
    open_start: bool
    open_stop: bool

    def peak(self, values: Values) -> tuple[int, int]:
        """Channel and window at which values, shape (n_channels, n_windows), are largest in the excursion."""
        best = [(s.channel, s.i_start + int(values[s.channel, s.i_start : s.i_stop].argmax())) for s in self.spans]
        return max(best, key=lambda place: float(values[place]))

    def parts(self, values: Values) -> tuple[ChannelPart, ...]:
        """The channels' parts; the largest of values, shape (n_channels, n_windows), is the extreme of each."""
        return tuple(
            ChannelPart(s.channel, start, stop, float(values[s.channel, s.i_start : s.i_stop].max()))
            for s, (start, stop) in zip(self.spans, self.times, strict=True)
        )


def lasting_excursions(
    values: Values, judged: Mask, *, starts: F64, lengths: F64, rate_hz: float, limit: float, settings: SteadySettings
) -> list[LastingExcursion]:
    """Spans in which values of windows stay above a limit for long enough.

    Parameters
    ----------
    values : shape (n_channels, n_windows).
    judged : bool, shape (n_channels, n_windows). Windows that count; the others neither start nor end anything.
    starts, lengths : shape (n_windows,). Windows in order of time, with or without gaps. [samples]
    rate_hz : of the samples. [Hz]
    limit : exceeded where a value is above it. [unit of values]
    settings : hysteresis, shortest duration, longest gap.

    Returns
    -------
    List in order of start: from the first channel beyond until all are back. Where windows are taken with gaps between
    them, a span ends with the last window in it, not with the next one.

    Raises
    ------
    SignalError : shapes that do not fit, or a judged value that is NaN.

    Source: hysteresis as in IEC 61000-4-30 Ed. 3, 5.4; shortest duration and longest gap: common practice, no source.
    """
    if values.ndim != 2 or judged.shape != values.shape or not starts.shape == lengths.shape == values.shape[1:]:
        raise SignalError(
            f"values have shape {values.shape}, judged {judged.shape}, starts {starts.shape}, lengths {lengths.shape}"
        )
    if np.isnan(values[judged]).any():
        raise SignalError("values hold NaN in windows that are judged")
    beyond = judged & (values > limit)
    near = judged & (values > decimal(limit * (1 - settings.hysteresis_share)))
    back = judged & ~near
    ends = starts + lengths
    gaps = np.flatnonzero(starts[1:] - ends[:-1] > settings.longest_gap_s * rate_hz) + 1
    # Sums of fractional positions are rounded: what lasts just as long as asked for may come out a hair shorter.
    shortest = settings.minimum_duration_s * rate_hz * (1 - 1e-9)
    found = []
    for a, b in pairwise([0, *gaps.tolist(), starts.size]):
        for one in find_excursions(beyond[:, a:b], near[:, a:b], back[:, a:b]):
            spans = tuple(ChannelSpan(span.channel, a + span.i_start, a + span.i_stop) for span in one.spans)
            start, stop = float(starts[a + one.i_start]), float(ends[a + one.i_stop - 1])
            n_judged = one.judged_share * (one.i_stop - one.i_start)
            if one.judged_share * (stop - start) >= shortest and n_judged >= settings.minimum_windows:
                times = tuple((float(starts[span.i_start]), float(ends[span.i_stop - 1])) for span in spans)
                found.append(LastingExcursion(start, stop, spans, times, one.open_start, one.open_stop))
    return found


def unmarked(flags: npt.ArrayLike | None, shape: tuple[int, ...]) -> Mask:
    """Windows without any mark of `measures.quality`; all where there are no marks.

    Raises
    ------
    SignalError : marks of another shape.
    """
    if flags is None:
        return np.ones(shape, np.bool_)
    marks = np.asarray(flags)
    if marks.shape != shape:
        raise SignalError(f"flags have shape {marks.shape}, the windows {shape}")
    clear: Mask = marks == 0
    return clear


def shares_of(values: npt.NDArray[np.floating], fundamental: Values, judged: Mask) -> F64:
    """Values, shape (n_channels, n_windows, n), in % of the fundamental; 0 where windows are not judged.

    Source: definition of a harmonic ratio.
    """
    shares = np.zeros(values.shape)
    np.divide(100.0 * values.astype(np.float64), fundamental[..., None], out=shares, where=judged[..., None])
    return shares
