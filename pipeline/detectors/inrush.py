"""Inrush and start-up: half-cycle current far above what a load usually draws, and what the voltage did meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.spans import (
    F64,
    UNMEASURED,
    UNSURE,
    ChannelSeries,
    ChannelSpan,
    Excursion,
    Mask,
    Values,
    decimal,
    find_excursions,
    parts_of,
    per_channel,
    stop_of,
)
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.locales import scaled

CATEGORY: Final = "inrush current"

_FEWEST_BLOCKS = 20  # that a short record is cut into
_FLOWING: Final = 0.1  # of an inrush: less before it is nothing that flows
_LEAST_FLOWING: Final = 0.1  # of the time before, in which something flows: no source
_CHUNK = 1 << 14  # blocks whose medians are taken at one go


class InrushSettings(BaseModel):
    """Thresholds of the inrush current.

    threshold_pu, hysteresis_pu : of the rated or usual current. Common practice, no source; motors draw 5 to 7 times
        their rated current as they start.
    minimum_duration_s : 0 takes a single half cycle. Common practice, no source.
    usual_window_s : where no rated current is given, the usual one is the larger of the median over so long before and
        that over so long after; an inrush must be shorter than half of it, begin after the record does, and exceed
        what flowed before it, while something did. Common practice, no source.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    threshold_pu: float = Field(2.0, gt=1)
    hysteresis_pu: float = Field(0.1, ge=0)
    minimum_duration_s: float = Field(0.0, ge=0)
    usual_window_s: float = Field(60.0, gt=0)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.hysteresis_pu < self.threshold_pu:
            raise ValueError(f"hysteresis_pu {self.hysteresis_pu} must be below threshold_pu {self.threshold_pu}")
        return self


@dataclass(frozen=True, slots=True)
class VoltageBeside:
    """The voltages at the same half cycles as the currents.

    u_half : shape (n_voltages, n). Urms(1/2). [V]
    reference_v : scalar or shape (n_voltages,). Declared voltage. [V]
    flags : uint8, shape (n_voltages, n). Marks of `measures.quality`, or None.
    """

    u_half: npt.ArrayLike
    reference_v: npt.ArrayLike
    flags: npt.ArrayLike | None = None


def find_inrush(
    i_half: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    rate_hz: float,
    nominal_frequency_hz: float,
    settings: InrushSettings,
    rated_a: npt.ArrayLike | None = None,
    flags: npt.ArrayLike | None = None,
    peak_a: npt.ArrayLike | None = None,
    voltage: VoltageBeside | None = None,
) -> list[Finding]:
    """Inrush and start-up events in the half-cycle currents of one measuring point.

    Parameters
    ----------
    i_half : shape (n_channels, n). Half-cycle RMS of the currents. [A]
    starts : shape (n_channels, n) or (n,). Start of each one-cycle window. [samples]
    rate_hz, nominal_frequency_hz : of the samples and of the fundamental. [Hz]
    settings : thresholds.
    rated_a : scalar or shape (n_channels,). Rated current; None: what is usual around, see the settings. [A]
    flags : uint8, shape (n_channels, n). Marks of `measures.quality`, or None. A clipped half cycle may start an inrush
        and does not end one.
    peak_a : shape (n_channels, n). Largest instantaneous current of each window, without sign, or None. [A]
    voltage : the voltages beside the currents, or None.

    Returns
    -------
    List in order of start. Magnitude is the highest half-cycle current, `reference_v` the rated or usual current of
    that channel there; notes say the peak and the lowest voltage meanwhile, where known. [A]
    Where the usual current is zero nothing is judged.

    Raises
    ------
    SignalError : shapes that do not fit, NaN among the values, or references that are not above zero.

    Source: common practice, no source; when it starts and ends as IEC 61000-4-30 Ed. 3, 5.4.3 has it for swells.
    """
    currents = ChannelSeries.of(i_half, starts, flags, steps=2)
    beside = _Beside.of(currents, peak_a, voltage)
    if not currents.values.size or (rated_a is None and _surely_usual(currents, settings.threshold_pu)):
        return []
    usual = _Usual.of(currents, rated_a, round(2 * nominal_frequency_hz), settings.usual_window_s)
    if not usual.exceeded(currents, settings.threshold_pu):
        return []
    seen, sure = currents.without(UNMEASURED), currents.without(UNSURE)
    beyond = usual.above(currents, settings.threshold_pu, seen)
    near = usual.above(currents, decimal(settings.threshold_pu - settings.hysteresis_pu), seen)
    back = ~near & usual.known(currents.n)
    if sure is not None:
        back &= sure
    found = []
    for excursion in find_excursions(beyond, near, back):
        places = [_highest(currents, seen, s) for s in excursion.spans]
        extremes = [float(currents.values[s.channel, i]) for s, i in zip(excursion.spans, places, strict=True)]
        parts = parts_of(excursion, currents, extremes)
        start, stop = min(part.start for part in parts), stop_of(excursion, currents)
        if excursion.judged_share * (stop - start) / rate_hz < settings.minimum_duration_s:
            continue
        if rated_a is None and _flowed_before(currents, excursion, extremes, settings, nominal_frequency_hz):
            continue
        worst = extremes.index(max(extremes))
        found.append(
            Finding(
                kind="inrush",
                category=CATEGORY,
                start=start,
                stop=stop,
                magnitude=extremes[worst],
                magnitude_unit="A",
                parts=parts,
                open_start=excursion.open_start,
                open_stop=excursion.open_stop,
                flags=currents.flags_of(excursion.channels, excursion.i_start, excursion.i_stop),
                reference_v=usual.at(excursion.spans[worst].channel, places[worst]),
                notes=beside.notes(excursion),
            )
        )
    return found


def _flowed_before(
    currents: ChannelSeries,
    excursion: Excursion,
    extremes: list[float],
    settings: InrushSettings,
    nominal_frequency_hz: float,
) -> bool:
    """Whether such currents flowed before, or nobody saw what did: the ordinary load before a trip is no inrush.

    Derived: a current that is there as the record begins cannot be told from a load; and what flowed before, while
    anything did, is usual, however long the line was dead since.
    """
    if excursion.i_start == 0:
        return True
    first = max(0, excursion.i_start - round(2 * nominal_frequency_hz * settings.usual_window_s))
    for span, extreme in zip(excursion.spans, extremes, strict=True):
        earlier = currents.values[span.channel, first : excursion.i_start]
        flowing = earlier[earlier > _FLOWING * extreme]
        if flowing.size < _LEAST_FLOWING * earlier.size or extreme > settings.threshold_pu * float(np.median(flowing)):
            return False
    return True


def _surely_usual(currents: ChannelSeries, threshold_pu: float) -> bool:
    """Whether no half cycle can lie above a threshold, as what is usual lies between the least and the largest."""
    lows, highs = currents.values.min(axis=1), currents.values.max(axis=1)
    return bool((highs <= threshold_pu * lows).all())


@dataclass(frozen=True, slots=True)
class _Beside:
    """What is told of an inrush beside its current: instantaneous peaks [A] and voltages [pu]."""

    peak_a: Values | None
    voltage: ChannelSeries | None
    seen: Mask | None
    reference_v: list[float]

    @classmethod
    def of(cls, currents: ChannelSeries, peak_a: npt.ArrayLike | None, voltage: VoltageBeside | None) -> _Beside:
        peaks = None if peak_a is None else np.atleast_2d(np.asarray(peak_a))
        if peaks is not None and peaks.shape != currents.values.shape:
            raise SignalError(f"peak_a has shape {peaks.shape}, i_half {currents.values.shape}")
        if voltage is None:
            return cls(peaks, None, None, [])
        u_half = np.atleast_2d(np.asarray(voltage.u_half))
        if u_half.shape[1] != currents.n:
            raise SignalError(f"there are {u_half.shape[1]} half cycles of voltage and {currents.n} of current")
        series = ChannelSeries.of(u_half, np.zeros(currents.n), voltage.flags, steps=2)
        reference_v = per_channel(voltage.reference_v, u_half.shape[0], "reference_v")
        return cls(peaks, series, series.without(UNSURE), reference_v)

    def notes(self, excursion: Excursion) -> str:
        """Peak and lowest voltage, in words."""
        place = slice(excursion.i_start, excursion.i_stop)
        words = []
        if self.peak_a is not None:
            words.append(f"peak {scaled(float(self.peak_a[list(excursion.channels), place].max()), 'A')}")
        if self.voltage is not None:
            lowest = np.inf
            for c, reference_v in enumerate(self.reference_v):
                values = self.voltage.values[c, place]
                measured = values if self.seen is None else values[self.seen[c, place]]
                lowest = min(lowest, float(measured.min(initial=np.inf)) / reference_v)
            words.append(f"lowest voltage {lowest:.3f} pu" if np.isfinite(lowest) else "voltage not measured")
        return "; ".join(words)


@dataclass(frozen=True, slots=True)
class _Usual:
    """The rated or usual current, constant over blocks of half cycles.

    Attributes
    ----------
    block : half cycles in a block; the last may be shorter.
    current_a : shape (n_channels, n_blocks). NaN where nothing is known, or nothing flows. [A]
    """

    block: int
    current_a: F64

    @classmethod
    def of(cls, currents: ChannelSeries, rated_a: npt.ArrayLike | None, second: int, window_s: float) -> _Usual:
        n_channels, n = currents.values.shape
        if rated_a is not None:
            return cls(n, np.asarray(per_channel(rated_a, n_channels, "rated_a"))[:, None])
        block = min(second, max(n // _FEWEST_BLOCKS, 1))
        n_around = max(round(window_s * second / block), 1)
        seen = currents.without(UNSURE)
        rows = []
        for c in range(n_channels):
            padded = np.full(-(-n // block) * block, np.nan, currents.values.dtype)
            padded[:n] = currents.values[c]
            if seen is not None:
                padded[:n][~seen[c]] = np.nan
            medians = _medians(padded.reshape(-1, block))
            around = _medians(sliding_window_view(medians, min(n_around, medians.size)))
            b = np.arange(medians.size)
            before, after = around[np.maximum(b - n_around, 0)], around[np.minimum(b + 1, around.size - 1)]
            larger = np.fmax(before, after)
            rows.append(np.where(larger > 0, larger, np.nan))
        return cls(block, np.stack(rows))

    def at(self, channel: int, i: int) -> float:
        """At a half cycle. [A]"""
        return float(self.current_a[channel, i // self.block])

    def exceeded(self, currents: ChannelSeries, threshold_pu: float) -> bool:
        """Whether any half cycle, measured or not, lies above a threshold."""
        firsts = np.arange(0, currents.n, self.block)
        for row, current_a in zip(currents.values, self.current_a, strict=True):
            if (np.maximum.reduceat(row, firsts) > threshold_pu * current_a).any():
                return True
        return False

    def above(self, currents: ChannelSeries, threshold_pu: float, seen: Mask | None) -> Mask:
        """Where the measured half cycles lie above a threshold."""
        above = np.zeros(currents.values.shape, np.bool_)
        for row, values, current_a in zip(above, currents.values, self.current_a, strict=True):
            np.greater(values, np.repeat(threshold_pu * current_a, self.block)[: currents.n], out=row)
        return above if seen is None else above & seen

    def known(self, n: int) -> Mask:
        """At which of n half cycles there is a current to compare with."""
        known: Mask = np.repeat(np.isfinite(self.current_a), self.block, axis=1)[:, :n]
        return known


def _medians(rows: Values) -> F64:
    """Median of each row, NaN left out; NaN where a row has nothing else."""
    out = np.full(rows.shape[0], np.nan)
    for first in range(0, rows.shape[0], _CHUNK):
        ordered = np.sort(rows[first : first + _CHUNK], axis=1)  # NaN at the end
        count = np.count_nonzero(~np.isnan(ordered), axis=1)
        index, width = np.arange(ordered.shape[0]), ordered.shape[1]
        middle = (ordered[index, (count - 1).clip(0) // 2].astype(np.float64) + ordered[index, count // 2 % width]) / 2
        out[first : first + _CHUNK] = np.where(count > 0, middle, np.nan)
    return out


def _highest(currents: ChannelSeries, seen: Mask | None, span: ChannelSpan) -> int:
    """Half cycle of the highest measured current in a channel's part."""
    place = slice(span.i_start, span.i_stop)
    values = currents.values[span.channel, place]
    measured = values if seen is None else np.where(seen[span.channel, place], values, -np.inf)
    return span.i_start + int(measured.argmax())
