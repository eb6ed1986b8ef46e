"""Frequency deviation: the fundamental farther from nominal than a limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.spans import (
    ChannelSeries,
    ChannelSpan,
    Mask,
    decimal,
    find_excursions,
    parts_of,
    stop_of,
)
from halfcycle.pipeline.errors import SignalError

CATEGORY: Final = "power frequency variation"


class FrequencyDeviationSettings(BaseModel):
    """Limits of the frequency, in per cent of nominal.

    limit_pct : to either side. EN 50160:2010, 4.2.1 (from memory): 50 Hz ± 1 %, that is 0.5 Hz, for 99.5 % of a year in
        an interconnected system; an island is allowed 2 %.
    hysteresis_pct : common practice, no source.
    minimum_duration_s : common practice, no source. EN 50160 judges means over 10 s; IEEE Std 1159-2019 Table 2, row
        7.0, has frequency variations of under 10 s, which must be found too.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    limit_pct: float = Field(1.0, gt=0, lt=20)
    hysteresis_pct: float = Field(0.1, ge=0, lt=20)
    minimum_duration_s: float = Field(1.0, ge=0)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.hysteresis_pct < self.limit_pct:
            raise ValueError(f"hysteresis_pct {self.hysteresis_pct} must be below limit_pct {self.limit_pct}")
        return self


def find_frequency_deviations(
    frequency_hz: npt.ArrayLike,
    tracked: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    rate_hz: float,
    nominal_frequency_hz: float,
    settings: FrequencyDeviationSettings,
) -> list[Finding]:
    """Frequency deviations of one measuring point.

    Parameters
    ----------
    frequency_hz : shape (n,). Fundamental at each half cycle. [Hz]
    tracked : bool, shape (n,). Measured there, not held; what was held neither starts nor ends a deviation, does not
        count towards its duration and is not its extreme.
    starts : shape (n_channels, n) or (n,). Start of each channel's one-cycle window; all channels take part. [samples]
    rate_hz, nominal_frequency_hz : of the samples and of the fundamental. [Hz]
    settings : limits.

    Returns
    -------
    List in order of start; too high and too low are separate. Magnitude is the frequency farthest from nominal. [Hz]

    Raises
    ------
    SignalError : shapes that do not fit.

    Source: EN 50160:2010, 4.2.1 (from memory).  Departs: judged at each half cycle, from a frequency over some 0.2 s.
    """
    hertz, known = np.asarray(frequency_hz), np.asarray(tracked, np.bool_)
    times = np.atleast_2d(np.asarray(starts, np.float64))
    if hertz.ndim != 1 or known.shape != hertz.shape or times.shape[1:] != hertz.shape:
        raise SignalError(f"frequency_hz has shape {hertz.shape}, tracked {known.shape}, starts {times.shape}")
    if not hertz.size:
        return []
    on_hz = decimal(nominal_frequency_hz * settings.limit_pct / 100)
    off_hz = decimal(nominal_frequency_hz * (settings.limit_pct - settings.hysteresis_pct) / 100)
    high, low = float(hertz.max()), float(hertz.min())
    found: list[Finding] = []
    if not high <= nominal_frequency_hz + on_hz:
        beyond = (hertz > nominal_frequency_hz + on_hz) & known
        near = (hertz > nominal_frequency_hz + off_hz) & known
        found += _deviations(hertz, times, beyond, near, known, sign=1, rate_hz=rate_hz, settings=settings)
    if not low >= nominal_frequency_hz - on_hz:
        beyond = (hertz < nominal_frequency_hz - on_hz) & known
        near = (hertz < nominal_frequency_hz - off_hz) & known
        found += _deviations(hertz, times, beyond, near, known, sign=-1, rate_hz=rate_hz, settings=settings)
    return sorted(found, key=lambda finding: finding.start)


def _deviations(
    hertz: npt.NDArray[np.floating],
    times: npt.NDArray[np.float64],
    beyond: Mask,
    near: Mask,
    known: Mask,
    *,
    sign: int,
    rate_hz: float,
    settings: FrequencyDeviationSettings,
) -> list[Finding]:
    """Deviations to one side."""
    channels = tuple(range(times.shape[0]))
    windows = ChannelSeries.of(np.broadcast_to(np.float32(0), times.shape), times, None, steps=2)
    found = []
    for excursion in find_excursions(beyond[None], near[None], (known & ~near)[None]):
        a, b = excursion.i_start, excursion.i_stop
        magnitude = sign * float((sign * hertz[a:b][known[a:b]]).max())
        every = replace(excursion, spans=tuple(ChannelSpan(c, a, b) for c in channels), enders=channels)
        parts = parts_of(every, windows, [magnitude] * len(channels))
        start, stop = min(part.start for part in parts), stop_of(every, windows)
        if excursion.judged_share * (stop - start) / rate_hz < settings.minimum_duration_s:
            continue
        found.append(
            Finding(
                kind="frequency_deviation",
                category=CATEGORY,
                start=start,
                stop=stop,
                magnitude=magnitude,
                magnitude_unit="Hz",
                parts=parts,
                open_start=excursion.open_start,
                open_stop=excursion.open_stop,
            )
        )
    return found
