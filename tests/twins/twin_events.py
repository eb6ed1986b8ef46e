"""Sags, swells and interruptions by a plain state machine, and their categories by plain if-chains: the slow twin.

Time stamps, fixed here: an event starts at the START of the first window that crosses the threshold, and ends at the
START of the first window that satisfies the end rule. Stamps at the END of the last window lie one cycle later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Kind = Literal["sag", "swell", "interruption"]


@dataclass(frozen=True)
class TwinEvent:
    """One polyphase event.

    Attributes
    ----------
    kind : ``sag``, ``swell`` or ``interruption``.
    start_s : start of the first window that crossed; of the first window of all where open_start. [s]
    end_s : start of the window that ended it; None where it goes on at the last window. [s]
    extreme_pu : lowest value on any channel (highest for a swell) from start to end. [pu]
    channels : indices of the channels that were ever beyond the threshold during the event, rising.
    open_start, open_end : under way at the first, at the last window.
    """

    kind: Kind
    start_s: float
    end_s: float | None
    extreme_pu: float
    channels: tuple[int, ...]
    open_start: bool
    open_end: bool

    @property
    def duration_s(self) -> float | None:
        """End less start; None where either is unknown. [s]"""
        if self.end_s is None or self.open_start:
            return None
        return self.end_s - self.start_s


def detect_twin(
    values: FloatArray,
    starts_s: FloatArray,
    *,
    sag: float = 0.9,
    swell: float = 1.1,
    interruption: float = 0.1,
    hysteresis: float = 0.02,
) -> list[TwinEvent]:
    """Find sags, swells and interruptions by the polyphase rules, each kind for itself.

    Sag: from any channel < sag until all >= sag + hysteresis. Swell: from any > swell until all <= swell -
    hysteresis. Interruption: from all < interruption until any >= interruption + hysteresis.

    Parameters
    ----------
    values : float64, shape (n_channels, n_half). Urms(1/2). [pu]
    starts_s : float64, shape (n_half,) or (n_channels, n_half). Window starts, rising, common to all channels or each
        channel's own. With own starts the channels report in turn, and the rules look at the latest value of each. [s]
    sag, swell, interruption : floats. Thresholds. [pu]
    hysteresis : float >= 0. [pu]

    Returns
    -------
    Events in order of start; at the same start sag, swell, interruption.

    Raises
    ------
    ValueError : shapes that do not fit, values that are not finite, or a negative hysteresis.

    Source: IEC 61000-4-30 Ed. 3, 5.4 and 5.5.  Departs: end stamped at the start of the window, see above.
    """
    if values.ndim != 2 or starts_s.shape not in (values.shape, values.shape[1:]):
        raise ValueError(f"values have shape {values.shape}, window starts {starts_s.shape}")
    if not (np.all(np.isfinite(values)) and np.all(np.isfinite(starts_s))):
        raise ValueError("values and window starts must be finite")
    if hysteresis < 0:
        raise ValueError(f"hysteresis is {hysteresis} pu; it must not be negative")
    reports = _reports(values, starts_s)
    events: list[TwinEvent] = []
    events += _run("sag", reports, len(values), sag, hysteresis)
    events += _run("swell", reports, len(values), swell, hysteresis)
    events += _run("interruption", reports, len(values), interruption, hysteresis)
    return sorted(events, key=lambda event: event.start_s)


def category_twin(kind: Kind, duration_s: float, f_nominal: float) -> str | None:
    """The IEEE 1159 category of an rms variation by its duration.

    Instantaneous up to and with 30 cycles of the nominal frequency, momentary up to and with 3 s, temporary up to and
    with 60 s. An interruption is momentary from 0.5 cycle on: there is no instantaneous one. Beyond 60 s a sag is an
    undervoltage however deep, a swell an overvoltage, an interruption sustained.

    Parameters
    ----------
    kind : ``sag``, ``swell`` or ``interruption``.
    duration_s : float >= 0. A boundary counts as met within 1 ns, the grain of time stamps. [s]
    f_nominal : float > 0. Nominal, not measured, frequency. [Hz]

    Returns
    -------
    The category in words; None under 0.5 cycle, which is no rms variation.

    Raises
    ------
    ValueError : an unknown kind, a negative duration or a frequency not above zero.

    Source: IEEE Std 1159-2019, Table 2.
    """
    if kind not in ("sag", "swell", "interruption"):
        raise ValueError(f"kind is {kind!r}; allowed are sag, swell, interruption")
    if not (duration_s >= 0 and f_nominal > 0):
        raise ValueError(f"duration {duration_s} s and nominal frequency {f_nominal} Hz")
    grain_s = 1e-9
    category: str | None
    if duration_s < 0.5 / f_nominal - grain_s:
        category = None
    elif duration_s > 60 + grain_s:
        if kind == "sag":
            category = "undervoltage"
        elif kind == "swell":
            category = "overvoltage"
        else:
            category = "sustained interruption"
    elif duration_s > 3 + grain_s:
        category = "temporary " + kind
    elif kind == "interruption" or duration_s > 30 / f_nominal + grain_s:
        category = "momentary " + kind
    else:
        category = "instantaneous " + kind
    return category


@dataclass(frozen=True)
class _Report:
    """What becomes known at one instant: the new value of some channels."""

    time_s: float
    first: bool
    values: dict[int, float]


def _reports(values: FloatArray, starts_s: FloatArray) -> list[_Report]:
    n_channels, n_half = values.shape
    by_time: dict[float, _Report] = {}
    for channel in range(n_channels):
        for i in range(n_half):
            time_s = float(starts_s[i] if starts_s.ndim == 1 else starts_s[channel, i])
            before = by_time.get(time_s, _Report(time_s, first=False, values={}))
            merged = {**before.values, channel: float(values[channel, i])}
            by_time[time_s] = _Report(time_s, before.first or i == 0, merged)
    return [by_time[time_s] for time_s in sorted(by_time)]


def _begins(kind: Kind, known: list[float], n_channels: int, limit: float) -> bool:
    if kind == "sag":
        return any(value < limit for value in known)
    if kind == "swell":
        return any(value > limit for value in known)
    return len(known) == n_channels and all(value < limit for value in known)


def _ends(kind: Kind, known: list[float], n_channels: int, limit: float, hysteresis: float) -> bool:
    # Limits are decimal numbers: 0.1 + 0.02 means 0.12, not the next float above it.
    if kind == "sag":
        return len(known) == n_channels and all(value >= round(limit + hysteresis, 12) for value in known)
    if kind == "swell":
        return len(known) == n_channels and all(value <= round(limit - hysteresis, 12) for value in known)
    return any(value >= round(limit + hysteresis, 12) for value in known)


def _run(kind: Kind, reports: list[_Report], n_channels: int, limit: float, hysteresis: float) -> list[TwinEvent]:
    events: list[TwinEvent] = []
    latest: dict[int, float] = {}
    inside = open_start = False
    start_s = extreme = 0.0
    channels: set[int] = set()
    for report in reports:
        latest.update(report.values)
        known = list(latest.values())
        if not inside and _begins(kind, known, n_channels, limit):
            inside, open_start, start_s = True, report.first, report.time_s
            extreme = known[0]
            channels = set()
        elif inside and _ends(kind, known, n_channels, limit, hysteresis):
            inside = False
            events.append(
                TwinEvent(kind, start_s, report.time_s, extreme, tuple(sorted(channels)), open_start, open_end=False)
            )
        if inside:
            extreme = max(extreme, *known) if kind == "swell" else min(extreme, *known)
            for channel, value in latest.items():
                if (value > limit) if kind == "swell" else (value < limit):
                    channels.add(channel)
    if inside:
        events.append(TwinEvent(kind, start_s, None, extreme, tuple(sorted(channels)), open_start, open_end=True))
    return events
