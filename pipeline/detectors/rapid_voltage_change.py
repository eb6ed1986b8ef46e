"""Rapid voltage changes: from one steady voltage to another, or back to the same, within the limits of sag and swell.

Steady is a second, 100 or 120 half cycles, in which all Urms(1/2) lie about their mean. Where two neighbouring
seconds together span less than the threshold there is nothing to find; only the rest is looked at closely.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import ChannelPart, Finding
from halfcycle.pipeline.detectors.site_thresholds import USUAL
from halfcycle.pipeline.detectors.spans import (
    F64,
    UNSURE,
    ChannelSeries,
    ChannelSpan,
    Excursion,
    Mask,
    decimal,
    find_excursions,
    per_channel,
)
from halfcycle.pipeline.measures.mask_runs import latched, runs

CATEGORY: Final = "rapid voltage change"

_CHUNK = 1 << 18  # half cycles that are looked at closely at one go
_JOIN_SECONDS = 8  # quiet seconds between two stretches that are not worth a stretch of their own


class RapidVoltageChangeSettings(BaseModel):
    """Thresholds of the rapid voltage change.

    threshold_pct : about the mean, in per cent of the reference. 3.3 is the least that IEC 61000-4-30 Ed. 3, 5.11
        considers for low voltage, after the steady change that IEC 61000-3-3 allows; 1 to 6 are considered in all.
    hysteresis_pct : by which the threshold is lower while a change lasts, in per cent of the reference. Half the
        threshold is what IEC 61000-4-30 Ed. 3, 5.11 considers; with less, one step may be found as two.
    sag_pu, swell_pu : a change that reaches beyond is a sag or swell; where they are not set, the sags
        and swells found count. IEC 61000-4-30 Ed. 3, 5.4 (typical).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    threshold_pct: float = Field(3.3, gt=0, lt=10)
    hysteresis_pct: float = Field(1.65, ge=0, lt=10)
    sag_pu: float = Field(USUAL.sag_pu, gt=0, lt=1)
    swell_pu: float = Field(USUAL.swell_pu, gt=1, lt=3)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.hysteresis_pct < self.threshold_pct:
            raise ValueError(f"hysteresis_pct {self.hysteresis_pct} must be below threshold_pct {self.threshold_pct}")
        return self


@dataclass(frozen=True, slots=True)
class _Rules:
    """Settings in the unit of the series: windows in a second, threshold and reduced threshold of each channel. [V]"""

    window: int
    full_v: list[float]
    reduced_v: list[float]
    low_v: list[float]
    high_v: list[float]
    reference_v: list[float]
    bounds_are_set: bool


def find_rapid_voltage_changes(
    u_half: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    reference_v: npt.ArrayLike,
    nominal_frequency_hz: float,
    settings: RapidVoltageChangeSettings,
    flags: npt.ArrayLike | None = None,
    variations: npt.ArrayLike | None = None,
) -> list[Finding]:
    """Rapid voltage changes in the half-cycle series of one measuring point.

    Parameters
    ----------
    u_half : shape (n_channels, n). Urms(1/2) of the judged voltages. [V]
    starts : shape (n_channels, n) or (n,). Start of each one-cycle window. [samples]
    reference_v : scalar or shape (n_channels,). Declared voltage. [V]
    nominal_frequency_hz : a second is twice as many half cycles: 100 at 50 Hz, 120 at 60 Hz. [Hz]
    settings : thresholds.
    flags : uint8, shape (n_channels, n). Marks of `measures.quality`, or None: all half cycles were measured.
    variations : shape (k, 2). Start and stop of the sags and swells that were found; a change that meets one is none.
        None: a change is none where a half cycle lies below `sag_pu` or above `swell_pu`. [samples]

    Returns
    -------
    List in order of start. Magnitude and the parts' extremes are the largest distance from the steady mean before,
    ΔUmax; `before` and `after` are the steady means of the channel on which they lie farthest apart, ΔUss. [%]
    A change whose last second had not settled at the record's end is open and has no `after`.

    Raises
    ------
    SignalError : shapes that do not fit, NaN in u_half, or a reference that is not above zero.

    Source: IEC 61000-4-30 Ed. 3, 5.11 (in part from memory).  A second with half cycles that were not measured is
    neither steady nor unsteady, and after it, as at the record's start, there is no change before all channels have
    been steady by the lower threshold. The start is that of the window that ended the steady state, the stop that of
    the last window outside the settled second; for a clean step the two are the same. ΔUmax is taken over all half
    cycles until the voltage is steady again.
    """
    series = ChannelSeries.of(u_half, starts, flags, steps=2)
    n_channels = series.values.shape[0]
    reference = per_channel(reference_v, n_channels, "reference_v")
    reduced_pct = decimal(settings.threshold_pct - settings.hysteresis_pct)
    rules = _Rules(
        window=round(2 * nominal_frequency_hz),
        full_v=[settings.threshold_pct / 100 * v for v in reference],
        reduced_v=[reduced_pct / 100 * v for v in reference],
        low_v=[settings.sag_pu * v for v in reference],
        high_v=[settings.swell_pu * v for v in reference],
        reference_v=reference,
        bounds_are_set=bool({"sag_pu", "swell_pu"} & settings.model_fields_set),
    )
    if series.n <= rules.window:
        return []
    seen = series.without(UNSURE)
    excluded = None if variations is None else _Excluded.of(variations)
    found = []
    for a, b in _unquiet(series, rules, seen):
        leave, near, back = _steadiness(series, rules, seen, a, b)
        fresh = _not_yet_steady(near, back)
        unsteady: Mask = np.logical_or.reduce(leave | fresh, axis=0)
        for excursion in find_excursions(leave, near, back, starting=unsteady):
            if not fresh[:, excursion.i_start].any():
                finding = _measured(_moved(excursion, a, series.n), series, rules, seen, excluded)
                found += [] if finding is None else [finding]
    return found


@dataclass(frozen=True, slots=True)
class _Excluded:
    """Sags and swells in order of start, with the latest stop up to each."""

    starts: F64
    latest_stop: F64

    @classmethod
    def of(cls, variations: npt.ArrayLike) -> _Excluded:
        spans = np.asarray(variations, np.float64).reshape(-1, 2)
        spans = spans[np.argsort(spans[:, 0], kind="stable")]
        return cls(spans[:, 0], np.maximum.accumulate(spans[:, 1]))

    def meet(self, start: float, stop: float) -> bool:
        """Whether one of them overlaps or touches a stretch."""
        k = int(np.searchsorted(self.starts, stop, side="right"))
        return k > 0 and bool(self.latest_stop[k - 1] >= start)


def _unquiet(series: ChannelSeries, rules: _Rules, seen: Mask | None) -> Iterator[tuple[int, int]]:
    """Stretches of whole seconds outside which every window that ends there is steady by the reduced threshold."""
    window, n = rules.window, series.n
    firsts = np.arange(0, n, window)
    doubtful = np.zeros(firsts.size, np.bool_)
    for c, reduced in enumerate(rules.reduced_v):
        low = np.minimum.reduceat(series.values[c], firsts)
        high = np.maximum.reduceat(series.values[c], firsts)
        low[1:], high[1:] = np.minimum(low[1:], low[:-1]), np.maximum(high[1:], high[:-1])
        doubtful |= high.astype(np.float64) - low > reduced
        if seen is not None:
            blind = ~np.logical_and.reduceat(seen[c], firsts)
            doubtful |= blind | np.concatenate(([False], blind[:-1]))
    start, stop = runs(doubtful)
    if start.size:
        apart = start[1:] - stop[:-1] > _JOIN_SECONDS
        for a, b in zip(start[np.r_[True, apart]].tolist(), stop[np.r_[apart, True]].tolist(), strict=True):
            yield a * window, min(b * window, n)


def _steadiness(series: ChannelSeries, rules: _Rules, seen: Mask | None, a: int, b: int) -> tuple[Mask, Mask, Mask]:
    """Of the windows that end at the half cycles [a, b): unsteady, not steady by the reduced threshold, steady by it.

    Three masks of shape (n_channels, b - a); none is set where a window reaches before the record or was not measured.
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    window = rules.window
    leave, near, back = (np.zeros((series.values.shape[0], b - a), np.bool_) for _ in range(3))
    for c in range(series.values.shape[0]):
        for first in range(max(a, window - 1), b, _CHUNK):
            stop = min(first + _CHUNK, b)
            values = series.values[c, first - window + 1 : stop]
            base = float(values[0])
            sums = np.concatenate(([0.0], np.cumsum(values.astype(np.float64) - base)))
            mean = base + (sums[window:] - sums[:-window]) / window
            whole = slice(window // 2, values.size - window + 1 + window // 2)  # the filters' windows are centred
            farthest = np.maximum(
                maximum_filter1d(values, window)[whole] - mean, mean - minimum_filter1d(values, window)[whole]
            )
            judged = np.ones(stop - first, np.bool_)
            if seen is not None:
                count = np.concatenate(([0], np.cumsum(seen[c, first - window + 1 : stop])))
                judged = count[window:] - count[:-window] == window
            place = slice(first - a, stop - a)
            leave[c, place] = (farthest > rules.full_v[c]) & judged
            near[c, place] = (farthest > rules.reduced_v[c]) & judged
            back[c, place] = (farthest <= rules.reduced_v[c]) & judged
    return leave, near, back


def _not_yet_steady(near: Mask, back: Mask) -> Mask:
    """Where a channel is unsteady and has not been steady since the record's start, or since it was not measured."""
    fresh = np.zeros_like(near)
    for c in range(near.shape[0]):
        for a, b in zip(*latched(~(near[c] | back[c]), back[c]), strict=True):
            fresh[c, a:b] = near[c, a:b]
    return fresh


def _moved(excursion: Excursion, by: int, n: int) -> Excursion:
    """From places in a stretch to places in the record. Only at the record's end may a stretch end unsteady."""
    spans = tuple(ChannelSpan(s.channel, s.i_start + by, s.i_stop + by) for s in excursion.spans)
    stop = excursion.i_stop + by
    return replace(excursion, i_start=excursion.i_start + by, i_stop=stop, spans=spans, open_stop=stop == n)


def _measured(
    excursion: Excursion, series: ChannelSeries, rules: _Rules, seen: Mask | None, excluded: _Excluded | None
) -> Finding | None:
    """The finding of a change; None where it is a sag or swell."""
    first, settled, window = excursion.i_start, excursion.i_stop, rules.window
    left_first = [s.channel for s in excursion.spans if s.i_start == first]
    start = min(series.time(c, first) for c in left_first)
    if (excluded is None or rules.bounds_are_set) and _crosses(series, rules, seen, first - 1, settled + 1):
        return None
    if excluded is not None and excluded.meet(start, max(series.time(c, settled) for c in excursion.enders)):
        return None
    last_outside = max(settled - window, first)
    unmeasured_edge = seen is not None and not seen[list(excursion.enders), last_outside].all()
    stop = max(start, *(series.time(c, settled if excursion.open_stop else last_outside) for c in excursion.enders))
    parts: list[ChannelPart] = []
    means: list[tuple[float, float | None]] = []
    for span in excursion.spans:
        c = span.channel
        before = _steady_mean(series, rules, seen, c, first)
        if before is None:
            continue  # nothing to measure this channel against
        inside = series.values[c, first:settled].astype(np.float64) * (100 / rules.reference_v[c])
        inside = inside if seen is None else inside[seen[c, first:settled]]
        own_stop = span.i_stop if span.i_stop == series.n else max(span.i_stop - window, span.i_start)
        extreme = float(np.abs(inside - before).max())
        parts.append(ChannelPart(c, series.time(c, span.i_start), series.time(c, own_stop), extreme))
        means.append((before, None if excursion.open_stop else _steady_mean(series, rules, seen, c, settled + 1)))
    worst = max(parts, key=lambda part: part.extreme)
    before, after = max(means, key=lambda pair: 0.0 if pair[1] is None else abs(pair[1] - pair[0]))
    return Finding(
        kind="rapid_voltage_change",
        category=CATEGORY,
        start=start,
        stop=stop,
        magnitude=worst.extreme,
        magnitude_unit="%",
        parts=tuple(parts),
        open_stop=excursion.open_stop or unmeasured_edge,
        flags=series.flags_of(excursion.channels, first, settled),
        reference_v=rules.reference_v[worst.channel],
        before=before,
        after=after,
    )


def _steady_mean(series: ChannelSeries, rules: _Rules, seen: Mask | None, channel: int, stop: int) -> float | None:
    """Mean of a channel's last second before a half cycle, in per cent; None where it was not all measured."""
    place = slice(stop - rules.window, stop)
    if seen is not None and not seen[channel, place].all():
        return None
    return 100 * float(series.values[channel, place].mean(dtype=np.float64)) / rules.reference_v[channel]


def _crosses(series: ChannelSeries, rules: _Rules, seen: Mask | None, first: int, stop: int) -> bool:
    """Whether a channel lies beyond the limits of sag or swell in some half cycles."""
    for c, (low_v, high_v) in enumerate(zip(rules.low_v, rules.high_v, strict=True)):
        values = series.values[c, first:stop]
        beyond = (values < low_v) | (values > high_v)
        if (beyond if seen is None else beyond & seen[c, first:stop]).any():
            return True
    return False
