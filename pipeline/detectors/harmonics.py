"""Harmonics beyond limits that last; and what all detectors of a steady waveshape share: excursions of windows."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from pipeline.detectors.finding import ChannelPart, Finding
from pipeline.detectors.spans import F64, ChannelSpan, Mask, Values, find_excursions, level
from pipeline.errors import ConfigError, SignalError
from pipeline.measures.spectra import Spectra
from pipeline.resources import resource

_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class HarmonicLimits:
    """Limits of the total harmonic distortion and of single orders, of the fundamental. [%]

    Attributes
    ----------
    thd_pct : of the total harmonic distortion up to `thd_highest_order`.
    orders_pct : of each order that has a limit.
    """

    thd_pct: float
    thd_highest_order: int
    orders_pct: tuple[tuple[int, float], ...]


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


class HarmonicSettings(SteadySettings):
    """Limits of harmonics.

    levels : a table of datasets/limits/compatibility-levels.csv, by its name.
    thd_pct : instead of the table's, of the fundamental.
    orders_pct : instead of the table's or beside them, by order, of the fundamental.
    least_fundamental_pu : of nominal; windows with a smaller fundamental are not judged.
    """

    levels: str = "en-50160"
    thd_pct: float | None = Field(None, gt=0)
    orders_pct: dict[int, float] = {}
    least_fundamental_pu: float = Field(0.5, gt=0)


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
    """
    if values.ndim != 2 or judged.shape != values.shape or not starts.shape == lengths.shape == values.shape[1:]:
        raise SignalError(
            f"values have shape {values.shape}, judged {judged.shape}, starts {starts.shape}, lengths {lengths.shape}"
        )
    if np.isnan(values[judged]).any():
        raise SignalError("values hold NaN in windows that are judged")
    beyond = judged & (values > limit)
    near = judged & (values > level(limit * (1 - settings.hysteresis_share)))
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


def compatibility_levels(table: str = "en-50160") -> HarmonicLimits:
    """Limits of a table in datasets/limits/compatibility-levels.csv.

    Parameters
    ----------
    table : ``en-50160``, ``iec-61000-2-2`` or ``iec-61000-2-2-short-term``.

    Raises
    ------
    ConfigError : there is no such table.
    """
    path = resource("datasets", "limits/compatibility-levels.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    mine = [row for row in rows if row["table"] == table]
    if not mine:
        known = ", ".join(dict.fromkeys(row["table"] for row in rows))
        raise ConfigError(f"limits of harmonics {table!r}; allowed are {known}")
    total = next(row for row in mine if row["quantity"] == "thd")
    orders = [(int(row["order"]), float(row["limit_pct"])) for row in mine if row["quantity"] == "harmonic"]
    return HarmonicLimits(float(total["limit_pct"]), int(total["order"]), tuple(sorted(orders)))


def limits_of(settings: HarmonicSettings) -> HarmonicLimits:
    """The limits that settings name: those of their table, with their own in place of it.

    Raises
    ------
    ConfigError : no such table, or an order below 2 or limit not above zero.
    """
    table = compatibility_levels(settings.levels)
    for order, bound in settings.orders_pct.items():
        if order < 2 or not bound > 0:
            raise ConfigError(f"orders_pct: order {order} with limit {bound:g} %; allowed are orders from 2, above 0 %")
    orders = dict(table.orders_pct) | settings.orders_pct
    thd_pct = table.thd_pct if settings.thd_pct is None else settings.thd_pct
    return HarmonicLimits(thd_pct, table.thd_highest_order, tuple(sorted(orders.items())))


def shares_of(values: npt.NDArray[np.floating], fundamental: Values, judged: Mask) -> F64:
    """Values, shape (n_channels, n_windows, n), in % of the fundamental; 0 where windows are not judged."""
    shares = np.zeros(values.shape)
    np.divide(100.0 * values.astype(np.float64), fundamental[..., None], out=shares, where=judged[..., None])
    return shares


def find_harmonics(
    spectra: Spectra,
    *,
    nominal: float,
    limits: HarmonicLimits,
    settings: HarmonicSettings,
    flags: npt.ArrayLike | None = None,
) -> list[Finding]:
    """Spans in which the total harmonic distortion or a single harmonic stays beyond its limit.

    Parameters
    ----------
    spectra : of the judged voltages of one measuring point.
    nominal : what 1 pu stands for. [unit of the spectra]
    limits : see `limits_of`; orders that the spectra do not reach are not judged.
    settings : what makes it last, and the least fundamental.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one, a clipped one too, is
        not judged. None: no marks.

    Returns
    -------
    Findings of kind ``harmonics`` in order of start. Magnitude is the worst total harmonic distortion where that was
    beyond its limit, else the share of the order that went farthest beyond its own, in % of the fundamental; the notes
    name each. The extreme of a channel's part is of the same quantity.

    Source: limits see the table; category of IEEE 1159-2019, Table 2, 5.2 [memory].  Departs: the standards judge 95 %
    of a week's ten-minute values; and the power of broadband noise in the harmonics' lines does not count.
    """
    values = spectra.harmonics_above_noise()
    first = values[..., 0]
    judged = unmarked(flags, first.shape) & (first >= settings.least_fundamental_pu * nominal)
    shares = shares_of(values, first, judged)
    total = np.sqrt((shares[..., 1 : limits.thd_highest_order] ** 2).sum(axis=2))
    orders = [(order, bound) for order, bound in limits.orders_pct if order <= values.shape[2]]
    quantities = [_Quantity("THD", total, limits.thd_pct)]
    quantities += [_Quantity(f"h{order}", shares[..., order - 1], bound) for order, bound in orders]
    ratios = np.max([quantity.values / quantity.limit_pct for quantity in quantities], axis=0)
    found = lasting_excursions(
        ratios, judged, starts=spectra.starts, lengths=spectra.lengths, rate_hz=spectra.rate_hz,
        limit=1.0, settings=settings,
    )  # fmt: skip
    return [_finding(excursion, quantities) for excursion in found]


@dataclass(frozen=True, slots=True)
class _Quantity:
    """What has a limit: its name, its values, shape (n_channels, n_windows), and the limit. [%]"""

    name: str
    values: F64
    limit_pct: float


def _finding(excursion: LastingExcursion, quantities: list[_Quantity]) -> Finding:
    worst = [float(quantity.values[excursion.peak(quantity.values)]) for quantity in quantities]
    beyond = [i for i, quantity in enumerate(quantities) if worst[i] > quantity.limit_pct]
    beyond.sort(key=lambda i: (quantities[i].name != "THD", -worst[i] / quantities[i].limit_pct))
    words = [f"{quantities[i].name} {worst[i]:.3g} % (limit {quantities[i].limit_pct:g} %)" for i in beyond]
    if len(words) > _MOST_NAMED:
        words = [*words[:_MOST_NAMED], f"{len(words) - _MOST_NAMED} more"]
    return Finding(
        kind="harmonics",
        category="harmonics",
        start=excursion.start,
        stop=excursion.stop,
        magnitude=worst[beyond[0]],
        magnitude_unit="%",
        parts=excursion.parts(quantities[beyond[0]].values),
        open_start=excursion.open_start,
        open_stop=excursion.open_stop,
        notes=", ".join(words),
    )
