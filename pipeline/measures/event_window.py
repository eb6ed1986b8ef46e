"""The waveforms around one event, their phasors at each half cycle, and where it really starts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.phasors import earlier_samples, half_cycle_phasors
from halfcycle.pipeline.measures.sequence import symmetrical_components
from halfcycle.pipeline.order_statistics import row_means, row_medians

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

LEAD_CYCLES: Final = 3.0  # that lie before the event
_MOST_OFF_FREQUENCY: Final = 0.2  # derived: more than the 15 % that Class A of IEC 61000-4-30 measures (from memory)
_STEADY_HALF_CYCLES: Final = 10  # most of them that what lies before is averaged over
_LATEST_CYCLES: Final = 15.0  # after the start: later phasors have turned by the frequency's error
_NEAR_LOWEST_PU: Final = 0.02
_DEPARTURE: Final = 0.01  # of the peak
_DEPARTURE_IN_NOISE: Final = 1.7  # times what the cycle before shows
_ONSET_CYCLES: Final = 1 / 8
_LEFT_BEHIND: Final = 0.3  # of a change within a brief event, that makes it a step


@dataclass(frozen=True, slots=True)
class EventWindow:
    """Waveforms around one event.

    Attributes
    ----------
    u : shape (n_voltages, n). All phases of a measuring point; three where there are three. [V]
    i : shape (3, n), positive towards the load, or None. [A]
    rate_hz, frequency_hz : of the samples, and of the fundamental before the event. [Hz]
    start, stop : of the event; `stop` lies beyond the window where its end was not seen. [samples]
    line_to_line : whether u are AB, BC, CA.

    Examples
    --------
    >>> u = np.sin(2 * np.pi * np.arange(2560) / 128 + np.array([[0.0], [-2.0944], [2.0944]]))
    >>> hc.EventWindow(u, None, rate_hz=6400, frequency_hz=50, start=1280, stop=1920).cycle
    128.0
    """

    u: F64
    i: F64 | None
    rate_hz: float
    frequency_hz: float
    start: float
    stop: float
    line_to_line: bool = False

    @property
    def cycle(self) -> float:
        """Samples in a cycle."""
        return self.rate_hz / self.frequency_hz


@dataclass(frozen=True, eq=False)
class PhasorSeries:
    """Phasors at each half cycle, RMS, against one reference of time that turns with the fundamental.

    What several measures take of them is found once, when it is first asked for.

    Attributes
    ----------
    starts : shape (n,). Of each one-cycle window. [samples]
    frequency_hz : that they turn with. [Hz]
    u, i : shape (n_voltages, n) and (3, n) or None. [V], [A]
    i_start, i_stop : half-open range of the windows that lie wholly within the event.
    n_before : windows at the beginning that lie wholly before the event.
    line_to_line : whether u are of AB, BC, CA.
    """

    starts: F64
    frequency_hz: float
    u: C128
    i: C128 | None
    i_start: int
    i_stop: int
    n_before: int
    line_to_line: bool

    @property
    def before(self) -> slice:
        """Windows that what lies before is averaged over: the last ten at most."""
        return slice(max(0, self.n_before - _STEADY_HALF_CYCLES), self.n_before)

    @cached_property
    def sizes(self) -> F64:
        """Magnitudes of u. [V]"""
        return np.abs(self.u)

    @cached_property
    def u_before(self) -> C128:
        """Mean voltages before, shape (n_voltages,). [V]"""
        return row_means(self.u[:, self.before])

    @cached_property
    def sizes_before(self) -> F64:
        """Mean magnitudes of the voltages before, shape (n_voltages,). [V]"""
        return row_means(self.sizes[:, self.before])

    @cached_property
    def i_before(self) -> C128 | None:
        """Mean currents before, shape (3,), or None. [A]"""
        return None if self.i is None else row_means(self.i[:, self.before])

    @cached_property
    def components_of_u(self) -> tuple[C128, C128, C128] | None:
        """Zero, positive and negative sequence of three voltages as they are; None of fewer. [V]"""
        return symmetrical_components(self.u) if self.u.shape[0] == 3 else None

    @cached_property
    def components_of_i(self) -> tuple[C128, C128, C128] | None:
        """Likewise of the currents. [A]"""
        return symmetrical_components(self.i) if self.i is not None and self.i.shape[0] == 3 else None

    @cached_property
    def v1(self) -> C128:
        """Positive sequence of the voltages, referred to phase A to neutral; see `positive_sequence`. [V]"""
        return positive_sequence(self.u, self.components_of_u, line_to_line=self.line_to_line)

    @cached_property
    def v2(self) -> C128 | None:
        """Negative sequence of three voltages, referred to phase A to neutral; None of fewer. [V]"""
        if self.components_of_u is None:
            return None
        negative = self.components_of_u[2]
        return negative * np.exp(1j * np.pi / 6) / np.sqrt(3) if self.line_to_line else negative

    @cached_property
    def i1(self) -> C128 | None:
        """Positive sequence of the currents; None where there are none. [A]"""
        return None if self.i is None else positive_sequence(self.i, self.components_of_i)


def phasor_series(window: EventWindow) -> PhasorSeries:
    """The phasors of an event's voltages and currents, each half cycle, with its windows set at the event's start.

    Parameters
    ----------
    window : at least three cycles before the event, and one after its start.

    Returns
    -------
    PhasorSeries, turning with the frequency that the windows before the event have.

    Raises
    ------
    SignalError : too little before or after the start, or samples that are not finite.

    Source: definition of the phasor over one cycle; windows set at the event's start: derived.
    """
    _check_room(window)
    frequency = _frequency_before(window)
    if abs(frequency / window.frequency_hz - 1) > _MOST_OFF_FREQUENCY:
        raise SignalError(f"the voltage before the event does not rotate at {window.frequency_hz:g} Hz")
    window = replace(window, frequency_hz=frequency)
    _check_room(window, lead_cycles=LEAD_CYCLES - 1)  # its cycle may be a little longer
    cycle = window.cycle
    lead = int(np.floor(2 * window.start / cycle))
    starts = window.start + np.arange(-lead, _n_after(window) + 1) * cycle / 2
    rows = (window.u,) if window.i is None else (window.u, window.i)
    u, *i = half_cycle_phasors(*rows, rate_hz=window.rate_hz, frequency_hz=frequency, starts=starts)
    before = np.flatnonzero(starts + cycle <= window.start + 1e-6)
    return PhasorSeries(
        starts,
        frequency,
        u,
        i[0] if i else None,
        lead,
        _i_stop(window, starts, lead),
        int(before[-1]) + 1,
        window.line_to_line,
    )


def series_of_part(series: PhasorSeries, part: EventWindow) -> PhasorSeries:
    """The phasors of a window that ends earlier than that of a series, and begins with it.

    Raises
    ------
    SignalError : as of `phasor_series`.
    """
    part = replace(part, frequency_hz=series.frequency_hz)
    _check_room(part, lead_cycles=LEAD_CYCLES - 1)
    kept = slice(series.i_start + _n_after(part) + 1)
    starts = series.starts[kept]
    i = None if series.i is None else series.i[:, kept]
    i_stop = _i_stop(part, starts, series.i_start)
    return replace(series, starts=starts, u=series.u[:, kept], i=i, i_stop=i_stop)


def _n_after(window: EventWindow) -> int:
    """Windows at each half cycle after the event's start that end within its samples."""
    cycle = window.cycle
    return int(np.floor(2 * (window.u.shape[1] - 1 - window.start - cycle) / cycle))


def _i_stop(window: EventWindow, starts: F64, i_start: int) -> int:
    """Behind the last of the windows that lie wholly within the event."""
    stop = min(window.stop, float(window.u.shape[1]))
    within = np.flatnonzero((starts >= window.start - 1e-6) & (starts + window.cycle <= stop + 1e-6))
    return int(within[-1]) + 1 if within.size else i_start + 1


def _check_room(window: EventWindow, lead_cycles: float = LEAD_CYCLES) -> None:
    """Refuse a window with too little before the event's start, or less than a cycle after it."""
    cycle, n = window.cycle, window.u.shape[1]
    if window.start < lead_cycles * cycle or window.start + cycle > n - 1:
        there = f"{window.start / cycle:.1f} and {max(n - 1 - window.start, 0.0) / cycle:.1f}"
        raise SignalError(f"{lead_cycles:g} cycles before its start and one after it are needed; there are {there}")


def dip_phasors(series: PhasorSeries, *, cycle: float) -> tuple[C128, C128]:
    """Phasors before and during a sag, for its three-phase type.

    Parameters
    ----------
    series : of three voltages.
    cycle : samples in one.

    Returns
    -------
    (before, during), each of shape (3,): means over up to five cycles before, and medians over the windows of the first
    15 cycles of the event whose worst phase is within 0.02 of its lowest: one that reaches over the end counts for
    nothing then. [V]

    Source: derived.
    """
    before = series.u_before
    rows = np.arange(series.i_start, series.i_stop)
    early = rows[series.starts[rows] < series.starts[series.i_start] + _LATEST_CYCLES * cycle]
    worst = (series.sizes[:, early] / np.abs(before)[:, None]).min(axis=0)
    chosen = early[worst <= worst.min() + _NEAR_LOWEST_PU]
    during = np.ascontiguousarray(series.u[:, chosen])
    middles = row_medians(np.concatenate((during.real, during.imag)))
    return before, middles[:3] + 1j * middles[3:]


def positive_sequence(
    phasors: C128, components: tuple[C128, C128, C128] | None, *, line_to_line: bool = False
) -> C128:  # fmt: skip
    """Positive sequence, referred to phase A to neutral; of fewer than three channels, the one that changes most.

    Parameters
    ----------
    phasors : complex, shape (n_channels, n). [V or A]
    components : zero, positive and negative sequence of three of them; None of fewer.
    line_to_line : of AB, BC, CA.

    Returns
    -------
    shape (n,). [unit of phasors]

    Source: Fortescue, Trans. AIEE 37, 1918 (from memory).
    """
    if components is None:
        changes: C128 = phasors[int(np.argmax(np.ptp(np.abs(phasors), axis=1)))]
        return changes
    positive = components[1]
    return positive * np.exp(-1j * np.pi / 6) / np.sqrt(3) if line_to_line else positive


def lasting_change(series: PhasorSeries) -> tuple[int, int]:
    """The windows in which an event's direction is judged.

    Parameters
    ----------
    series : of the event.

    Returns
    -------
    (i_start, i_stop), half-open: the windows within the event; of one that is shorter than three cycles and leaves a
    change behind, as a step or a transient does, those from three to six cycles after its start.

    Source: derived.
    """
    inside, later = slice(series.i_start, series.i_stop), slice(series.i_start + 6, series.i_start + 12)
    if series.i_stop - series.i_start > 4 or series.starts.size < later.stop:
        return inside.start, inside.stop
    left = 0.0
    for x in (series.v1, series.i1):
        if x is None:
            continue
        before = row_means(x[series.before])
        most = float(np.abs(x[inside] - before).max())
        left = max(left, float(row_means(np.abs(x[later] - before))) / max(most, 1e-30))
    return (later.start, later.stop) if left > _LEFT_BEHIND else (inside.start, inside.stop)


def at_onset(window: EventWindow) -> EventWindow:
    """The window with its start where a voltage first departs; as it was where none does."""
    onset = find_onset(window)
    return window if onset is None else replace(window, start=onset, stop=max(window.stop, onset + 1.0))


def find_onset(window: EventWindow) -> float | None:
    """The first sample at which the voltages depart from the cycle before, near the event's start.

    Parameters
    ----------
    window : see `EventWindow`.

    Returns
    -------
    Position between one cycle before `start` and one and a half after, or None where nothing departs. [samples]

    Source: the comparison with the cycle before is common practice, no source. All phases and an eighth of a cycle are
    taken together, so that a departure smaller than the noise of a sample is found; then its first sample.
    """
    cycle = window.cycle
    first, stop = int(window.start - cycle), int(window.start + 1.5 * cycle)
    if first - 2 * cycle < 1 or stop > window.u.shape[1]:
        return None
    begin = int(first - cycle)
    change = window.u[:, begin:stop] - earlier_samples(window.u, begin, stop, cycle)
    n_calm, width = first - begin, max(2, round(_ONSET_CYCLES * cycle))
    peak = float(np.abs(window.u[:, begin:first]).max())
    square = np.zeros(stop - begin + 1)
    np.cumsum(row_means(change.T**2), out=square[1:])
    together = np.sqrt((square[width:] - square[:-width]) / width)  # of the samples up to k[width - 1 + i]
    calm = float(together[: n_calm - width].max(initial=0.0))
    beyond = together[n_calm - width + 1 :] > max(_DEPARTURE * peak, _DEPARTURE_IN_NOISE * calm)
    if not beyond.any():
        return None
    last = n_calm + int(beyond.argmax())  # its window is the first that departs
    limit = max(_DEPARTURE * peak, _DEPARTURE_IN_NOISE * float(np.abs(change[:, :n_calm]).max(initial=0.0)))
    samples = (np.abs(change[:, max(last - width + 1, 0) : last + 1]) > limit).any(axis=0)
    back = int(samples.argmax()) if samples.any() else width // 2
    return float(begin + max(last - width + 1, 0) + back)


def three_phase_power(window: EventWindow) -> F64 | None:
    """Instantaneous power towards the load, shape (n,), or None without three currents. [W]

    Line-to-line voltages give it by two wattmeters (currents that add up to zero).

    Source: Blondel's theorem, 1893 (from memory).
    """
    if window.i is None or window.u.shape[0] != 3 or window.i.shape[0] != 3:
        return None
    if window.line_to_line:
        return np.asarray(window.u[0] * window.i[0] - window.u[1] * window.i[2])
    return np.asarray((window.u * window.i).sum(axis=0))


def _frequency_before(window: EventWindow) -> float:
    """The frequency by how the phasors before the event turn."""
    cycle = window.cycle
    starts = window.start - cycle * np.arange(1.0, min(10.0, np.floor(window.start / cycle)) + 0.5, 0.5)[::-1]
    starts = starts[starts >= 0]
    before = window.u[:, : int(window.start) + 2]
    (u,) = half_cycle_phasors(before, rate_hz=window.rate_hz, frequency_hz=window.frequency_hz, starts=starts)
    strongest = u[int(row_means(np.abs(u)).argmax())]
    if not np.abs(strongest).min() > 0:
        raise SignalError("there is no voltage before the event")
    turning = np.cumsum(np.angle(strongest[1:] * strongest[:-1].conj()))  # from the first window on
    away = starts - starts.mean()
    slope = float(away[1:] @ turning) / float(away @ away)  # of the line by least squares [rad per sample]
    return window.frequency_hz + slope * window.rate_hz / (2 * np.pi)
