"""Angles of a sag or swell: its phase-angle jump, and the points on wave at which it starts and recovers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.steady_wave import (
    SteadyWave,
    Stretches,
    fit_frequency,
    fit_steady,
    fundamental_of_windows,
    orders_of,
)

F64 = npt.NDArray[np.float64]

LEAST_SAMPLES_PER_CYCLE: Final = 16.0  # fewer: an angle between samples means nothing
_BEFORE_CYCLES: Final = 8.0  # most that the voltage before is fitted to: its frequency is continued into the event
_AFTER_CYCLES: Final = 4.0  # likewise after; near the end, as the voltage may still be rising
_LEAST_CYCLES: Final = 1.5  # of either
_MARGIN_CYCLES: Final = 1.0  # that the start and stop given may be off
_LATEST_CYCLES: Final = 15.0  # after the start: later angles hang on the frequency's error
_NEAR_EXTREME: Final = 0.02  # of the voltage before
_HOPS: Final = 4  # of a window of one cycle, in half a cycle
_LEAST_RESIDUAL: Final = 0.05  # of the voltage before: a lower one has no angle
_SMOOTHED_CYCLES: Final = 1 / 8
_LEAST_DEPARTURE: Final = 0.03  # of the peak
_IN_NOISE: Final = 3.0  # times what is left of the voltage before
_FIRST_SHARE: Final = 0.1  # of the largest departure: an event starts with it
_LAST_SHARE: Final = 0.3  # with it, it starts to recover: a slow tail is less
_GAPS_CYCLES: Final = (0.25, 0.1, 0.05)  # between an edge and what is fitted beside it, pass by pass
_LONGEST_FIT_CYCLES: Final = 2.0
_LEAST_FIT_CYCLES: Final = 0.35
_ABOUT_CYCLES: Final = 0.75  # either side of an edge, that are looked at
_HOLD_CYCLES: Final = 1 / 40  # that a departure lasts at least
_SEEN_CYCLES: Final = 0.25
_POLES_CYCLES: Final = 0.75  # from the first pole of a breaker to the last
_LEAST_SEEN: Final = 0.005  # of the peak
_SHARP: Final = (0.6, 1.4)  # of a change, that comes from one half cycle to the next


@dataclass(frozen=True, slots=True)
class PointOnWave:
    """Angles of an event in one channel; None: cannot be told.

    Attributes
    ----------
    phase_jump_deg : of the event's voltage against that before continued, -180 to 180; above zero it leads.
    start_angle_deg : of the fundamental before, at the start, 0 to 360; 0 is its upward zero crossing.
    recovery_angle_deg : of the fundamental after, where the voltage starts to come back, likewise.
    start, recovery : where these lie, between the samples either side. [samples]

    Examples
    --------
    >>> hc.PointOnWave(-12.0, 90.0, None, 3216.0, None).start_angle_deg  # a fault at the voltage's crest
    90.0
    """

    phase_jump_deg: float | None
    start_angle_deg: float | None
    recovery_angle_deg: float | None
    start: float | None
    recovery: float | None


def point_on_wave(
    u: npt.ArrayLike, *, rate_hz: float, frequency_hz: float, start: float, stop: float | None, rising: bool = False
) -> PointOnWave:
    """Phase-angle jump and points on wave of an event in one channel.

    Parameters
    ----------
    u : shape (n,). Waveform of the phase (or pair of phases) that lost most. [any unit]
    rate_hz : of the samples. [Hz]
    frequency_hz : nominal, or as tracked, within 3 % of the true one. [Hz]
    start, stop : of the event, within a cycle; None where its end was not seen. [samples]
    rising : whether it is a swell, so that its highest part is looked at, and not its lowest.

    Returns
    -------
    PointOnWave. There is no jump where the event has no whole cycle, or its residual is below 0.05 of the voltage
    before; no start (recovery) where there are not 2.5 cycles before (after) it, or where the edge is not sharp:
    between the half cycles either side of it, 0.6 to 1.4 of what changes has to change. A ramp of up to about a cycle
    passes, longer ones and the growing and fading of inrush do not.

    Raises
    ------
    ValueError : u is no finite row, or there are fewer than 16 samples in a cycle.

    Source: definitions by M. H. J. Bollen, "Understanding Power Quality Problems", 2000, chapters 4 and 5 (from
    memory). The jump is taken at the event's lowest steady part, within 15 cycles of its start. The recovery's angle is
    that of the voltage after: it is what a load or a core meets when the voltage is back, and it needs no frequency
    continued through the event. Estimators, limits and shares are derived.

    Examples
    --------
    >>> k = np.arange(6400)  # 128 samples a cycle; half of the voltage is lost at the crest of a cycle
    >>> u = np.sin(2 * np.pi * k / 128) * np.where((k >= 3232) & (k < 4000), 0.5, 1)
    >>> wave = hc.point_on_wave(u, rate_hz=6400, frequency_hz=50, start=3232, stop=4000)
    >>> abs(wave.start_angle_deg - 90) < 3, round(wave.phase_jump_deg)  # within a sample, 2.8 degrees
    (True, 0)
    """
    values = np.asarray(u, np.float64)
    cycle = rate_hz / frequency_hz
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError(f"u has shape {values.shape}; one row of finite samples is needed")
    if not cycle >= LEAST_SAMPLES_PER_CYCLE:
        raise ValueError(f"{cycle:.3g} samples per cycle; at least {LEAST_SAMPLES_PER_CYCLE:g} are needed")
    end = float(values.size) if stop is None else min(stop, float(values.size))
    values = values[: int(end + (_AFTER_CYCLES + 2 * _MARGIN_CYCLES) * cycle) + 2]
    n = values.size
    before = _before(values, cycle, start)
    if before is None:
        return PointOnWave(None, None, None, None, None)
    cycle = 2 * np.pi / before.turn
    backwards = np.ascontiguousarray(values[::-1])
    after = None if stop is None else _before(backwards, cycle, n - 1 - end, longest=_AFTER_CYCLES)
    first = _departure(values, before, cycle, start, end, share=_FIRST_SHARE)
    last = None
    if after is not None:
        last = _departure(backwards, after, cycle, n - 1 - end, n - 1 - start, share=_LAST_SHARE)
    begins = recovers = None
    if first is not None:
        length = (end if last is None else n - 1 - last) - first
        begins = _edge(values, before.turn, first, length, back=True)
    if after is not None and last is not None:
        length = n - 1 - last - (start if first is None else first)
        turned = _edge(backwards, after.turn, last, length, back=False)
        if turned is not None:
            recovers = _first_pole(values, before.turn, n - 1 - turned, start if begins is None else begins)
    unsure = 0.0 if stop is None else cycle
    inside = (start + cycle if begins is None else begins, end - unsure if recovers is None else recovers)
    return PointOnWave(
        _jump_deg(values, before, inside, rising=rising),
        None if begins is None else before.angle_deg(begins),
        None if recovers is None or after is None else _turned_angle_deg(after, n - 1 - recovers),
        begins,
        recovers,
    )


def _turned_angle_deg(after: SteadyWave, back: float) -> float:
    """The angle of the sine of a waveform that was fitted to reversed time, at a position counted from its end."""
    return (180.0 - after.angle_deg(back)) % 360.0


def _before(u: F64, cycle: float, start: float, *, longest: float = _BEFORE_CYCLES) -> SteadyWave | None:
    """The periodic waveform before a position, with its frequency; None where there is too little, or no voltage."""
    stop = int(start - _MARGIN_CYCLES * cycle)
    first = max(0, int(stop - longest * cycle))
    return fit_frequency(u, first, stop, cycle) if stop - first >= _LEAST_CYCLES * cycle else None


def _departure(u: F64, before: SteadyWave, cycle: float, start: float, end: float, *, share: float) -> float | None:
    """Roughly where a waveform departs by a share of its largest departure; None where it hardly does."""
    first = max(0, int(start - 0.75 * cycle))
    stop = int(min(end + cycle, start + _LATEST_CYCLES * cycle, u.size))
    width = max(2, round(_SMOOTHED_CYCLES * cycle))
    if stop - first < 2 * width:
        return None
    square = _sums_before((u[first:stop] - before.at(first, stop)) ** 2)
    size = np.sqrt((square[width:] - square[:-width]) / width)
    peak = abs(before.phasor)
    limit = max(_LEAST_DEPARTURE * peak / np.sqrt(2), _IN_NOISE * before.left, share * float(size.max()))
    if not size.max() > limit:
        return None
    return float(first + int((size > limit).argmax()) + width // 2)


def _edge(u: F64, turn: float, near: float, length: float, *, back: bool) -> float | None:
    """Between which samples one periodic waveform gives way to the next, halfway; None where they do not at once.

    The least squares of two waveforms, each fitted a little off the edge on its side, over where one ends and the other
    begins; then both are fitted nearer. A change that grows from nothing has first samples too small to matter there:
    with `back` the edge is the first of those that stand out of the noise.
    """
    cycle, k = 2 * np.pi / turn, round(near)
    longest, half = int(_LONGEST_FIT_CYCLES * cycle), int(_ABOUT_CYCLES * cycle)
    begin, stop = -half - round(_GAPS_CYCLES[0] * cycle) - 1, 2 * (longest + round(_GAPS_CYCLES[0] * cycle) + 1)

    @cache
    def stretches(n: int, order: int) -> Stretches:
        return Stretches.of(turn, order, n, begin=begin, stop=stop)

    share = noise = size = 0.0
    for gap in _GAPS_CYCLES:
        away = max(1, round(min(gap * cycle, length / 6)))
        first = max(0, k - away - longest)
        if k - away - first < cycle:
            return None
        sides = stretches(k - away - first, orders_of(cycle))
        earlier = sides.fit(u[first : k - away])
        noise, size = earlier.left, abs(earlier.phasor)
        room = min(length - 2 * away, u.size - k - away)
        whole = min(int(room / cycle), int(_LONGEST_FIT_CYCLES)) * cycle
        n_later = int(whole or room)
        if n_later < _LEAST_FIT_CYCLES * cycle:
            return None
        # Of less than a cycle only the fundamental can be told to have changed.
        later = stretches(n_later, orders_of(cycle) if whole else 1)
        begins = k + away
        rest = u[begins : begins + n_later] - sides.at(earlier, begins - first, begins - first + n_later)
        change = later.fit(rest)
        low, high = max(0, k - half), min(u.size, k + half)
        departed = u[low:high] - sides.at(earlier, low - first, high - first)
        step = later.at(change, low - begins, high - begins)
        # What a step from each sample on leaves over; before it nothing has departed.
        gain = _sums_before((step * (2 * departed - step))[::-1])[::-1]
        k = low + int(gain.argmax())
        share = _share(departed, step, k - low, round(cycle / 2))
    if not _SHARP[0] <= share <= _SHARP[1]:
        return None
    floor = max(_IN_NOISE * noise, _LEAST_SEEN * size)
    return (_first_seen(departed, floor, k - low, cycle) + low if back else k) - 0.5


def _first_seen(departed: F64, floor: float, k: int, cycle: float) -> int:
    """The first sample, up to a quarter of a cycle before one that has departed, from which some lie off the noise."""
    hold = max(2, round(_HOLD_CYCLES * cycle))
    first = np.arange(max(0, k - int(_SEEN_CYCLES * cycle)), k)
    n_quiet = _sums_before((np.abs(departed) <= floor).astype(np.float64))
    lasting = n_quiet[np.minimum(first + hold, departed.size)] == n_quiet[first]
    return int(first[lasting.argmax()]) if lasting.any() else k


def _sums_before(values: F64) -> F64:
    """Sums of what lies before each position, the first of them 0; one more than the values."""
    sums = np.zeros(values.size + 1)
    np.cumsum(values, out=sums[1:])
    return sums


def _first_pole(u: F64, turn: float, recovers: float, start: float) -> float:
    """Where the recovery begins, if a part of it comes up to three quarters of a cycle earlier: poles open in turn."""
    cycle = 2 * np.pi / turn
    stop = int(recovers - _POLES_CYCLES * cycle)
    first = int(max(start + 0.25 * cycle, stop - _LONGEST_FIT_CYCLES * cycle))
    if stop - first < cycle:
        return recovers
    during = fit_steady(u, first, stop, turn, orders_of(cycle))
    seen = min(int(recovers + cycle / 2), u.size)
    departed = np.abs(u[stop:seen] - during.at(stop, seen))
    hold = max(2, round(_HOLD_CYCLES * cycle))
    beyond = departed > max(_LAST_SHARE * float(departed.max()), _IN_NOISE * during.left)
    n_beyond = _sums_before(beyond.astype(np.float64))
    lasting = n_beyond[hold:] - n_beyond[:-hold] == hold
    if not lasting.any():
        return recovers
    k = int(lasting.argmax())
    return min(stop + k - 0.5, recovers)


def _share(departed: F64, step: F64, k: int, half: int) -> float:
    """How much of a change comes between the half cycle before and the half cycle after a position."""

    def reached(part: slice) -> float:
        return float(departed[part] @ step[part]) / max(float(step[part] @ step[part]), 1e-300)

    return reached(slice(k, k + half)) - reached(slice(max(k - half, 0), k))


def _jump_deg(u: F64, before: SteadyWave, inside: tuple[float, float], *, rising: bool) -> float | None:
    """The angle of the voltage at its lowest or highest against that before, from windows of one cycle."""
    cycle = 2 * np.pi / before.turn
    size = round(cycle)
    first, stop = int(np.ceil(inside[0])), int(min(inside[1], inside[0] + _LATEST_CYCLES * cycle)) + 1
    hop = max(1, size // (2 * _HOPS))
    starts = np.arange(first, min(stop, u.size) - size + 1, hop)
    if not starts.size:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(u, size)[starts]
    relative = fundamental_of_windows(windows, before.turn) * np.exp(-1j * before.turn * starts) / before.phasor
    # What changes within half a cycle is the beginning of a fault rather than a state, where there is any other.
    steady = np.abs(relative[_HOPS:] - relative[:-_HOPS]) <= _NEAR_EXTREME if starts.size > _HOPS else np.zeros(0, bool)
    if steady.any():
        relative = relative[_HOPS:][steady]
    sizes = np.abs(relative)
    chosen = sizes >= sizes.max() - _NEAR_EXTREME if rising else sizes <= sizes.min() + _NEAR_EXTREME
    extreme = complex(relative[chosen].mean())
    if abs(extreme) < max(_LEAST_RESIDUAL, _IN_NOISE * before.left / abs(before.phasor)):
        return None
    return float(np.degrees(np.angle(extreme)))
