"""What several measures of one event rest on, found once: its phasors, harmonics after its start, how it departs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.event_window import (
    C128,
    F64,
    EventWindow,
    PhasorSeries,
    dip_phasors,
    phasor_series,
    series_of_part,
)
from halfcycle.pipeline.measures.phasors import earlier_samples, harmonic_phasors
from halfcycle.pipeline.order_statistics import row_medians

ORDERS: Final = (0, 2, 3, 5)
_AT: Final = (*range(4, 13), *range(24, 29))  # half cycles after the start, at which harmonics are taken


@dataclass(frozen=True, slots=True)
class LaterHarmonics:
    """Harmonics in windows of one cycle, some half cycles after an event's start.

    Attributes
    ----------
    sizes : shape (n_orders, n_channels, n_windows). Magnitudes, RMS, of `ORDERS`; voltages, then currents. [V], [A]
    windows : shape (n_windows,). Which of the series they are.
    n_voltages : channels that are voltages.
    """

    sizes: F64
    windows: npt.NDArray[np.int64]
    n_voltages: int

    def medians(self, windows: npt.NDArray[np.int64]) -> tuple[dict[int, F64], dict[int, F64]]:
        """Medians over some of the windows, one at least, of voltages and of currents: by order."""
        chosen = self.sizes[:, :, np.searchsorted(self.windows, windows)]
        middle = row_medians(chosen.reshape(-1, windows.size)).reshape(chosen.shape[:2])
        n = self.n_voltages
        return dict(zip(ORDERS, middle[:, :n], strict=True)), dict(zip(ORDERS, middle[:, n:], strict=True))


@dataclass(frozen=True, slots=True)
class Departure:
    """What the samples from one before an event's start on are more than those a cycle earlier, or, later, two.

    Attributes
    ----------
    change, earlier : shape (n_channels, n_samples). Voltages, then currents. [V], [A]
    angle : shape (n_samples,). Of the fundamental. [rad]
    n_cycle : samples in a cycle, rounded; there are up to two cycles and one sample more.
    n_voltages : channels that are voltages.
    """

    change: F64
    earlier: F64
    angle: F64
    n_cycle: int
    n_voltages: int


@dataclass(frozen=True, slots=True)
class EventParts:
    """One event, and what its measures rest on.

    Attributes
    ----------
    window, whole : set at the event's onset, with all that follows, and its phasors.
    own, series : the same up to the next event.
    harmonics, departure : see there.
    dip : phasors (before, during), see `event_window.dip_phasors`; None of fewer than three voltages.
    """

    window: EventWindow
    whole: PhasorSeries
    own: EventWindow
    series: PhasorSeries
    harmonics: LaterHarmonics
    departure: Departure
    dip: tuple[C128, C128] | None


def event_parts(window: EventWindow, following: float | None = None) -> EventParts:
    """What the measures of an event rest on.

    Parameters
    ----------
    window : set at the event's onset.
    following : where the next event begins; None: nothing follows. [samples]

    Raises
    ------
    SignalError : as of `phasor_series`, in the window or what lies before the next event.

    Source: derived; each part says its own.
    """
    own, whole = _following_cut(window, following), phasor_series(window)
    series = whole if own is window else series_of_part(whole, own)
    dip = dip_phasors(series, cycle=own.cycle) if series.u.shape[0] == 3 else None
    return EventParts(window, whole, own, series, _later_harmonics(window, whole), _departure(window), dip)


def _following_cut(window: EventWindow, following: float | None) -> EventWindow:
    """The window up to the next event, which begins at a sample."""
    if following is None or following >= window.u.shape[1]:
        return window
    last = max(int(following - window.cycle), int(min(window.stop, following)), int(window.start + 2 * window.cycle))
    i = None if window.i is None else window.i[:, :last]
    return replace(window, u=window.u[:, :last], i=i)


def _later_harmonics(window: EventWindow, series: PhasorSeries) -> LaterHarmonics:
    windows = series.i_start + np.array(_AT)
    windows = windows[windows < series.starts.size]
    n_channels = window.u.shape[0] + (0 if window.i is None else window.i.shape[0])
    if not windows.size:
        return LaterHarmonics(np.zeros((len(ORDERS), n_channels, 0)), windows, window.u.shape[0])
    at = series.starts[windows]
    first, stop = int(at[0]), int(at[-1] + window.rate_hz / series.frequency_hz) + 3
    phasors = harmonic_phasors(
        _channels(window, first, stop), rate_hz=window.rate_hz, frequency_hz=series.frequency_hz, starts=at - first,
        orders=ORDERS,
    )  # fmt: skip
    return LaterHarmonics(np.abs(phasors), windows, window.u.shape[0])


def _departure(window: EventWindow) -> Departure:
    cycle, n = window.cycle, round(window.cycle)
    begin = int(window.start) - 1
    first, stop = max(begin - n - 1, 0), min(begin + 2 * n + 1, window.u.shape[1] - 1)
    x = _channels(window, first, stop + 1)
    a, b, later = begin - first, stop - first, min(begin + n + 1, stop) - first
    earlier = np.concatenate((earlier_samples(x, a, later, cycle), earlier_samples(x, later, b, 2 * cycle)), axis=1)
    return Departure(x[:, a:b] - earlier, earlier, 2 * np.pi * np.arange(begin, stop) / cycle, n, window.u.shape[0])


def _channels(window: EventWindow, first: int, stop: int) -> F64:
    """Samples [first, stop) of voltages, then currents."""
    u = window.u[:, first:stop]
    return u if window.i is None else np.concatenate((u, window.i[:, first:stop]))
