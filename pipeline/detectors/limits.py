"""Limit rules: any measured variable against a bound of one's own, each excursion a finding of kind ``limit``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import ChannelPart, Finding
from halfcycle.pipeline.detectors.spans import F64, I64, Values, decimal
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import latched

_ROUNDING_S = 1e-9  # by which a duration may fall short of the least one


class LimitRule(BaseModel):
    """One ``[[limits]]`` table: which variable, and what it must not leave.

    name : of the rule, given in the findings' notes.
    variable : the measured variable that is watched, by its name.
    channel, phase : which of the variable's series; both "": all of them.
    above, below : bounds; the excursion lies strictly beyond. At least one.
    measured_as : unit of bounds and hysteresis: ``absolute`` the variable's own, ``pu`` of the reference, or
        ``deviation_pct`` from the reference, in per cent of it (a bound below is negative then).
    reference : of ``pu`` and ``deviation_pct``: the ``nominal`` value, or a ``sliding`` mean of what went before.
    sliding_s : time constant of the sliding mean. IEC 61000-4-30 Ed. 3, 5.4.4: one minute.
    hysteresis : how far back inside an excursion ends. IEC 61000-4-30 Ed. 3, 5.4 leaves it to the user.
    minimum_duration_s : shorter excursions are left out.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(min_length=1)
    variable: str = Field(min_length=1)
    channel: str = ""
    phase: str = ""
    above: float | None = None
    below: float | None = None
    measured_as: Literal["absolute", "pu", "deviation_pct"] = "absolute"
    reference: Literal["nominal", "sliding"] = "nominal"
    sliding_s: float = Field(60.0, gt=0)
    hysteresis: float = Field(0.0, ge=0)
    minimum_duration_s: float = Field(0.0, ge=0)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.above is None and self.below is None:
            raise ValueError(f"limit {self.name!r}: above or below is needed")
        if self.above is not None and self.below is not None and not self.below + 2 * self.hysteresis <= self.above:
            raise ValueError(
                f"limit {self.name!r}: below {self.below} and above {self.above} overlap with the hysteresis"
            )
        if self.measured_as == "absolute" and self.reference == "sliding":
            raise ValueError(f"limit {self.name!r}: a sliding reference needs measured_as pu or deviation_pct")
        if self.channel and self.phase:
            raise ValueError(f"limit {self.name!r}: channel or phase, not both")
        return self


def find_limit_excursions(
    times: npt.ArrayLike,
    values: npt.ArrayLike,
    rule: LimitRule,
    *,
    rate_hz: float,
    nominal: float | None = None,
    unit: str = "",
    channel: int = 0,
) -> list[Finding]:
    """Excursions of one series beyond the bounds of one rule.

    Parameters
    ----------
    times : shape (n,), rising. Start of each value's interval. [samples]
    values : shape (n,). The variable; NaN where it was not measured: that neither starts nor ends an excursion. [unit]
    rule : bounds.
    rate_hz : of the samples. [Hz]
    nominal : above zero; needed where the rule refers to it; the sliding reference's first value where given. [unit]
    unit : of the values.
    channel : number of the channel that they are of.

    Returns
    -------
    List in order of start. Magnitude is the value farthest beyond, measured as the rule's bounds are: [unit], [pu] or
    [%]; `reference_v` what it is measured against, at the start. Too high and too low are separate. An excursion ends
    with the start of the value that is back.

    Raises
    ------
    SignalError : shapes that do not fit, or no nominal value where one is needed.

    Source: common practice, no source; the sliding reference after IEC 61000-4-30 Ed. 3, 5.4.4 (from memory).  Departs:
    it is not held during an excursion, so that a lasting change ends as one when the reference has followed.
    """
    series, instants = np.asarray(values), np.asarray(times, np.float64)
    if series.dtype.kind != "f":
        series = series.astype(np.float64)
    if series.ndim != 1 or instants.shape != series.shape:
        raise SignalError(f"times have shape {instants.shape}, values {series.shape}; expected (n,) for both")
    if nominal is not None and not nominal > 0:
        raise SignalError(f"limit {rule.name!r}: the nominal value is {nominal:g}; it must be above zero")
    if not series.size:
        return []
    scale = _Scale.of(rule, series, instants, rate_hz=rate_hz, nominal=nominal, unit=unit)
    sides = ((rule.above, 1), (rule.below, -1))
    found = [
        finding
        for bound, sign in sides
        if bound is not None
        for finding in _beyond(scale, instants, rule, bound=bound, sign=sign, rate_hz=rate_hz, channel=channel)
    ]
    return sorted(found, key=lambda finding: finding.start)


@dataclass(frozen=True, slots=True)
class _Scale:
    """What is compared, and how bounds become values of it and values of it magnitudes.

    Attributes
    ----------
    measure : shape (n,). The variable, or its ratio to the sliding reference. [unit] or [pu]
    one_pu : what 1 pu is in `measure`; None where bounds are absolute.
    reference : shape (n,), the sliding reference, or None. [unit]
    deviation : bounds and magnitudes are per cent away from the reference.
    unit : of magnitudes.
    """

    measure: Values
    one_pu: float | None
    reference: F64 | None
    deviation: bool
    unit: str

    @classmethod
    def of(
        cls, rule: LimitRule, series: Values, times: F64, *, rate_hz: float, nominal: float | None, unit: str
    ) -> _Scale:
        if rule.measured_as == "absolute":
            return cls(series, None, None, deviation=False, unit=unit)
        deviation = rule.measured_as == "deviation_pct"
        own_unit = "%" if deviation else "pu"
        if rule.reference == "sliding":
            reference = _sliding(series, times, tau=rule.sliding_s * rate_hz, initial=nominal)
            ratio = np.full(series.shape, np.nan)
            np.divide(series, reference, out=ratio, where=reference > 0)
            return cls(ratio, 1.0, reference, deviation=deviation, unit=own_unit)
        if nominal is None:
            raise SignalError(f"limit {rule.name!r}: {rule.measured_as} needs a nominal value of {rule.variable}")
        return cls(series, nominal, None, deviation=deviation, unit=own_unit)

    def limit(self, bound: float) -> float:
        """A bound as a value of the measure."""
        if self.one_pu is None:
            return decimal(bound)
        return decimal((1 + bound / 100 if self.deviation else bound) * self.one_pu)

    def magnitude(self, extreme: float) -> float:
        """A value of the measure as the rule's bounds are measured."""
        if self.one_pu is None:
            return extreme
        pu = extreme / self.one_pu
        return 100 * (pu - 1) if self.deviation else pu

    def reference_at(self, i: int) -> float | None:
        """What 1 pu stands for at a value, if anything. [unit]"""
        return self.one_pu if self.reference is None else float(self.reference[i])


def _beyond(
    scale: _Scale, times: F64, rule: LimitRule, *, bound: float, sign: int, rate_hz: float, channel: int
) -> Iterator[Finding]:
    """Excursions above (sign +1) or below (sign -1) a bound."""
    measure, on, off = scale.measure, scale.limit(bound), scale.limit(bound - sign * rule.hysteresis)
    beyond = measure > on if sign > 0 else measure < on
    if not beyond.any():
        return
    i_start, i_stop = latched(beyond, measure <= off if sign > 0 else measure >= off)
    n = measure.size
    last_step = times[-1] - times[-2] if n > 1 else 0.0
    t_start, t_stop = times[i_start], times[np.minimum(i_stop, n - 1)] + np.where(i_stop == n, last_step, 0.0)
    hidden = np.isnan(measure)
    judged_share = 1 - _within(np.add, hidden.astype(np.int64), i_start, i_stop) / (i_stop - i_start)
    extremes = _within(np.fmax if sign > 0 else np.fmin, measure, i_start, i_stop)
    long_enough = (t_stop - t_start) * judged_share / rate_hz >= rule.minimum_duration_s - _ROUNDING_S
    notes = f"{rule.name}: {rule.variable} {'above' if sign > 0 else 'below'} {bound:g} {scale.unit}".rstrip()
    for k in np.flatnonzero(long_enough).tolist():
        a, b, magnitude = int(i_start[k]), int(i_stop[k]), scale.magnitude(float(extremes[k]))
        start, stop = float(t_start[k]), float(t_stop[k])
        yield Finding(
            kind="limit",
            category="",
            start=start,
            stop=stop,
            magnitude=magnitude,
            magnitude_unit=scale.unit,
            parts=(ChannelPart(channel, start, stop, magnitude),),
            open_start=a == 0 or bool(hidden[a - 1]),
            open_stop=b == n or bool(hidden[b - 1]),
            reference_v=scale.reference_at(a),
            notes=notes,
        )


def _within(reduction: np.ufunc, values: npt.NDArray[Any], i_start: I64, i_stop: I64) -> npt.NDArray[Any]:
    """A ufunc's reduction over each of some stretches [i_start, i_stop), which do not touch."""
    places = np.stack([i_start, i_stop], axis=1).reshape(-1)
    reduced: npt.NDArray[Any] = reduction.reduceat(values, places[:-1] if places[-1] == values.size else places)
    return reduced[::2]


def _sliding(series: Values, times: F64, *, tau: float, initial: float | None) -> F64:
    """First-order mean of the measured values before each value, of a time constant in samples."""
    from scipy.signal import lfilter

    known = np.flatnonzero(~np.isnan(series))
    reference = np.full(series.shape, np.nan)
    if not known.size:
        return reference
    measured = series[known].astype(np.float64)
    first = float(measured[0]) if initial is None else initial
    step = float(np.median(np.diff(times))) if times.size > 1 else tau
    keep = float(np.exp(-step / tau))
    follow, _ = lfilter([1 - keep], [1.0, -keep], measured, zi=[keep * first])
    reference[known] = np.concatenate(([first], follow[:-1]))
    return reference
