"""Small lasting steps of the voltage, as of tap changers and loads, against what the voltage does anyway.

The mean of half a second after an instant less that before it is compared with how much such differences are spread
elsewhere in the record. A step is sudden, lasts, and is much larger than that spread; a drift or a flicker is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import ChannelPart, Finding
from halfcycle.pipeline.detectors.rapid_voltage_change import CATEGORY
from halfcycle.pipeline.detectors.spans import UNSURE, ChannelSeries, Mask, per_channel

F64 = npt.NDArray[np.float64]

_GAP: Final = 2  # half cycles about the instant that the step itself fills
_QUICK_S: Final = 0.1  # within so long of it, most of the step has happened
_SHARE: Final = 0.7  # of a step, that has happened then and is still there later
_LAST_S: Final = 1.0  # that a step lasts
_AROUND_S: Final = 60.0  # within which the spread is taken
_SPREADS: Final = 0.6745  # of a normal distribution's deviation, which half of all values lie within


class VoltageStepSettings(BaseModel):
    """What counts as a step.

    least_pct : in per cent of the reference. Tap changers step by 0.6 to 2.5 %: common practice, no source.
    most_pct : larger ones are for `rapid_voltage_change`; its default threshold.
    significance : so many standard deviations of what the voltage does anyway. Derived: of normal differences that are
        independent each half second, one in 1e9 h lies beyond 8; real voltages have longer tails.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    least_pct: float = Field(0.4, gt=0, lt=10)
    most_pct: float = Field(3.3, gt=0, lt=10)
    significance: float = Field(8.0, ge=3)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.least_pct < self.most_pct:
            raise ValueError(f"least_pct {self.least_pct} must be below most_pct {self.most_pct}")
        return self


@dataclass(frozen=True, slots=True)
class _Step:
    """A step at the half cycle i, in per cent, with the levels of the channel that steps most."""

    i: int
    sizes: F64
    before: float
    after: float


def find_voltage_steps(
    u_half: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    reference_v: npt.ArrayLike,
    nominal_frequency_hz: float,
    settings: VoltageStepSettings,
    flags: npt.ArrayLike | None = None,
    variations: npt.ArrayLike | None = None,
) -> list[Finding]:
    """Steps in the half-cycle series of one measuring point, of all its channels together.

    Parameters
    ----------
    u_half : shape (n_channels, n). Urms(1/2) of the judged voltages. [V]
    starts : shape (n_channels, n) or (n,). Start of each one-cycle window. [samples]
    reference_v : scalar or shape (n_channels,). Declared voltage. [V]
    nominal_frequency_hz : [Hz]
    settings : what counts.
    flags : uint8, shape (n_channels, n). Marks of `measures.quality`, or None: all half cycles were measured.
    variations : shape (k, 2). Start and stop of the sags and swells that were found; no step is looked for within a
        second of one. None: there are none. [samples]

    Returns
    -------
    Findings of kind ``rapid_voltage_change`` in order of start; magnitude is the step of the channel that steps most,
    `before` and `after` its levels. [%] A record needs two seconds.

    Raises
    ------
    SignalError : shapes that do not fit, NaN in u_half, or a reference that is not above zero.

    Source: derived; a test of two means against the spread of such differences, by its median absolute deviation.
    """
    series = ChannelSeries.of(u_half, starts, flags, steps=2)
    second = round(2 * nominal_frequency_hz)
    half = second // 2
    if series.n < 2 * second:
        return []
    reference = np.asarray(per_channel(reference_v, series.values.shape[0], "reference_v"))
    levels = 100 * series.values.astype(np.float64) / reference[:, None]
    blind = _blind(series, variations, second)
    mean = levels.mean(axis=0)
    differences = _differences(mean, half)
    usable = _clear(blind, half)
    spread = _spread(np.where(usable, differences, np.nan), second)
    limit = np.maximum(settings.least_pct, settings.significance * spread)
    with np.errstate(invalid="ignore"):
        beyond = usable & (np.abs(differences) >= limit)
    found = []
    for i in _peaks(np.where(beyond, np.abs(differences), 0.0), second):
        step = _judged(levels, mean, i, second)
        if step is not None and settings.least_pct <= np.abs(step.sizes).max() < settings.most_pct:
            found.append(_finding(step, series, reference))
    return found


def _differences(x: F64, width: int) -> F64:
    """Mean of `width` values from just after each place on, less that up to just before it; NaN at the ends."""
    sums = np.concatenate(([0.0], np.cumsum(x - x[0])))
    means = (sums[width:] - sums[:-width]) / width  # of the values from each place on
    out = np.full(x.size, np.nan)
    first, stop = width + _GAP, x.size - width - _GAP + 1
    k = np.arange(first, max(stop, first))
    out[k] = means[k + _GAP - 1] - means[k - _GAP - width + 1]
    return out


def _blind(series: ChannelSeries, variations: npt.ArrayLike | None, second: int) -> Mask:
    """Half cycles that were not measured, or lie in a sag or swell or within a second of one."""
    seen = series.without(UNSURE)
    blind: Mask = np.zeros(series.n, np.bool_) if seen is None else np.logical_not(seen.all(axis=0))
    for start, stop in np.asarray([] if variations is None else variations, np.float64).reshape(-1, 2):
        first, last = np.searchsorted(series.starts[0], (start, stop))
        blind[max(int(first) - second, 0) : int(last) + second] = True
    return blind


def _clear(blind: Mask, width: int) -> Mask:
    """Places about which all half cycles of a difference are usable."""
    count = np.concatenate(([0], np.cumsum(blind)))
    clear = np.zeros(blind.size, np.bool_)
    reach = width + _GAP
    k = np.arange(reach, blind.size - reach + 1)
    clear[k] = count[k + reach - 1] == count[k - reach]
    return clear


def _spread(differences: F64, second: int) -> F64:
    """Standard deviation of the differences around each place, by their median absolute value."""
    block = round(_AROUND_S * second)
    n_blocks = max(round(differences.size / block), 1)
    out = np.empty(differences.size)
    for part in np.array_split(np.arange(differences.size), n_blocks):
        sizes = np.abs(differences[part])
        sizes = sizes[~np.isnan(sizes)]
        out[part] = np.median(sizes) / _SPREADS if sizes.size else np.inf
    return out


def _peaks(sizes: F64, apart: int) -> list[int]:
    """The largest of each stretch beyond the limit, and the largest only within `apart`."""
    left = np.flatnonzero(sizes > 0)
    taken: list[int] = []
    while left.size:
        largest = int(left[sizes[left].argmax()])
        taken.append(largest)
        left = left[np.abs(left - largest) >= apart]
    return sorted(taken)


def _judged(levels: F64, mean: F64, i: int, second: int) -> _Step | None:
    """The step about a place, where it is sudden and lasts; None where it is a drift, a dent or a wobble."""
    quick, last = round(_QUICK_S * second), round(_LAST_S * second)
    near = slice(max(i - second // 2, quick + _GAP), min(i + second // 2, mean.size - quick - _GAP))
    sudden = _differences(mean, quick)[near]
    if not sudden.size:
        return None
    at = near.start + int(np.nanargmax(np.abs(sudden)))
    before = levels[:, max(at - _GAP - last, 0) : at - _GAP + 1]
    after = levels[:, at + _GAP : at + _GAP + last]
    if min(before.shape[1], after.shape[1]) < second // 2:
        return None
    sizes = after.mean(axis=1) - before.mean(axis=1)
    whole = float(sizes.mean())
    quick_size = float(mean[at + _GAP : at + _GAP + quick].mean() - mean[at - _GAP - quick + 1 : at - _GAP + 1].mean())
    ends = after[:, -(after.shape[1] // 4) :].mean() - before.mean()
    if min(quick_size / whole, ends / whole) < _SHARE if whole else True:
        return None
    most = int(np.abs(sizes).argmax())
    return _Step(at, sizes, float(before[most].mean()), float(after[most].mean()))


def _finding(step: _Step, series: ChannelSeries, reference: F64) -> Finding:
    least = 0.5 * np.abs(step.sizes).max()
    parts = tuple(
        ChannelPart(c, series.time(c, step.i), series.time(c, step.i), float(abs(size)))
        for c, size in enumerate(step.sizes)
        if abs(size) >= least
    )
    worst = max(parts, key=lambda part: part.extreme)
    return Finding(
        kind="rapid_voltage_change", category=CATEGORY, start=worst.start, stop=worst.start, magnitude=worst.extreme,
        magnitude_unit="%", parts=parts, flags=series.flags_of(tuple(p.channel for p in parts), step.i, step.i + 1),
        reference_v=float(reference[worst.channel]), before=step.before, after=step.after, notes="a small lasting step",
    )  # fmt: skip
