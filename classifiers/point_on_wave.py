"""Angles of a sag or swell: its phase-angle jump, and the points on wave at which it starts and recovers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

LEAST_SAMPLES_PER_CYCLE: Final = 16.0  # fewer: an angle between samples means nothing
_HIGHEST_ORDER: Final = 13
_BEFORE_CYCLES: Final = 8.0  # most that the voltage before is fitted to: its frequency is continued into the event
_AFTER_CYCLES: Final = 4.0  # likewise after; near the end, as the voltage may still be rising
_LEAST_CYCLES: Final = 1.5  # of either
_MARGIN_CYCLES: Final = 1.0  # that the start and stop given may be off
_LATEST_CYCLES: Final = 15.0  # after the start: later angles hang on the frequency's error
_NEAR_EXTREME: Final = 0.02  # of the voltage before
_LEAST_RESIDUAL: Final = 0.05  # of the voltage before: a lower one has no angle
_SMOOTHED_CYCLES: Final = 1 / 8
_LEAST_DEPARTURE: Final = 0.03  # of the peak
_IN_NOISE: Final = 3.0  # times what is left of the voltage before
_FIRST_SHARE: Final = 0.1  # of the largest departure: an event starts with it
_LAST_SHARE: Final = 0.3  # with it, it starts to recover: a slow tail is less
_GAPS_CYCLES: Final = (0.25, 0.1, 0.05)  # between an edge and what is fitted beside it, pass by pass
_LONGEST_FIT_CYCLES: Final = 2.0
_LEAST_FIT_CYCLES: Final = 0.35
_SHARP: Final = 0.75  # of a change, that a step explains


@dataclass(frozen=True, slots=True)
class PointOnWave:
    """Angles of an event in one channel; None: cannot be told.

    Attributes
    ----------
    phase_jump_deg : of the event's voltage against that before continued, -180 to 180; above zero it leads.
    start_angle_deg : of the fundamental before, at the start, 0 to 360; 0 is its upward zero crossing.
    recovery_angle_deg : of the fundamental after, where the voltage starts to come back, likewise.
    start, recovery : where these lie, between the samples either side. [samples]
    """

    phase_jump_deg: float | None
    start_angle_deg: float | None
    recovery_angle_deg: float | None
    start: float | None
    recovery: float | None


@dataclass(frozen=True, slots=True)
class _Steady:
    """A periodic waveform: amplitudes of cosines and sines of orders from 0, and what is left beside it."""

    turn: float  # [rad per sample]
    weights: F64
    left: float

    def at(self, k: F64) -> F64:
        values: F64 = _basis(k, self.turn, (self.weights.size - 1) // 2) @ self.weights
        return values

    @property
    def phasor(self) -> complex:
        """Peak, against a cosine that starts with sample 0."""
        return complex(self.weights[1], -self.weights[2])

    def angle_deg(self, k: float) -> float:
        """Of the sine, at a position."""
        return float(np.degrees(np.angle(self.phasor) + self.turn * k) + 90) % 360.0


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
    before; no start (recovery) where there are not 2.5 cycles before (after) it, or where the edge is not sharp: a step
    from one periodic waveform to the next at one instant has to explain three quarters of what changes within half a
    cycle either side.

    Raises
    ------
    ValueError : u is no finite row, or there are fewer than 16 samples in a cycle.

    Source: definitions by M. H. J. Bollen, "Understanding Power Quality Problems", 2000, chapters 4 and 5 (from
    memory). The jump is taken at the event's lowest steady part, within 15 cycles of its start. The recovery's angle is
    that of the voltage after: it is what a load or a core meets when the voltage is back, and it needs no frequency
    continued through the event. Estimators, limits and shares are derived.
    """
    values = np.asarray(u, np.float64)
    cycle = rate_hz / frequency_hz
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError(f"u has shape {values.shape}; one row of finite samples is needed")
    if not cycle >= LEAST_SAMPLES_PER_CYCLE:
        raise ValueError(f"{cycle:.3g} samples a cycle; at least {LEAST_SAMPLES_PER_CYCLE:g} are needed")
    n = values.size
    end = float(n) if stop is None else min(stop, float(n))
    before = _before(values, cycle, start)
    if before is None:
        return PointOnWave(None, None, None, None, None)
    cycle = 2 * np.pi / before.turn
    after = None if stop is None else _before(values[::-1], cycle, n - 1 - end, longest=_AFTER_CYCLES)
    first = _departure(values, before, cycle, start, end, share=_FIRST_SHARE)
    last = None
    if after is not None:
        last = _departure(values[::-1], after, cycle, n - 1 - end, n - 1 - start, share=_LAST_SHARE)
    begins = recovers = None
    if first is not None:
        length = (end if last is None else n - 1 - last) - first
        begins = _edge(values, before.turn, first, length)
    if after is not None and last is not None:
        length = n - 1 - last - (start if first is None else first)
        turned = _edge(values[::-1], after.turn, last, length)
        recovers = None if turned is None else n - 1 - turned
    inside = (start if begins is None else begins, end if recovers is None else recovers)
    forward = None if after is None else _forward(values, after, recovers)
    return PointOnWave(
        _jump_deg(values, before, inside, rising=rising),
        None if begins is None else before.angle_deg(begins),
        None if recovers is None or forward is None else forward,
        begins,
        recovers,
    )


def _forward(u: F64, after: _Steady, recovers: float | None) -> float | None:
    """The angle at the recovery of a waveform that was fitted to reversed time: its sine runs backwards."""
    if recovers is None:
        return None
    back = u.size - 1 - recovers
    return float(90 - np.degrees(np.angle(after.phasor) + after.turn * back)) % 360.0


def _basis(k: F64, turn: float, order: int) -> F64:
    angle = np.outer(k, turn * np.arange(1, order + 1))
    columns = np.empty((k.size, 2 * order + 1))
    columns[:, 0] = 1.0
    columns[:, 1::2], columns[:, 2::2] = np.cos(angle), np.sin(angle)
    return columns


def _orders(cycle: float) -> int:
    return min(_HIGHEST_ORDER, int(cycle / 2) - 2)


def _before(u: F64, cycle: float, start: float, *, longest: float = _BEFORE_CYCLES) -> _Steady | None:
    """The periodic waveform before a position, with its frequency; None where there is too little, or no voltage."""
    stop = int(start - _MARGIN_CYCLES * cycle)
    first = max(0, int(stop - longest * cycle))
    if stop - first < _LEAST_CYCLES * cycle:
        return None
    k = np.arange(first, stop, dtype=np.float64)
    turn, middle = 2 * np.pi / cycle, (first + stop) / 2
    order = _orders(cycle)
    for _ in range(4):
        basis = _basis(k, turn, order)
        # A small change of the frequency turns the fundamental by the distance from the middle.
        slopes = (k - middle)[:, None] * basis[:, [2, 1]]
        fitted = np.linalg.lstsq(np.hstack([basis, slopes]), u[first:stop], rcond=None)[0]
        a, b, along_sine, along_cosine = fitted[1], fitted[2], fitted[-2], fitted[-1]
        size = a * a + b * b
        if not size > 0:
            return None
        turn += float(b * along_cosine - a * along_sine) / size
        if not abs(turn * cycle / (2 * np.pi) - 1) < 0.1:
            return None
    return _fitted(u, first, stop, turn, order)


def _fitted(u: F64, first: int, stop: int, turn: float, order: int) -> _Steady:
    basis = _basis(np.arange(first, stop, dtype=np.float64), turn, order)
    weights = np.linalg.lstsq(basis, u[first:stop], rcond=None)[0]
    freedom = max(stop - first - weights.size, 1)
    left = float(np.sqrt(((u[first:stop] - basis @ weights) ** 2).sum() / freedom))
    return _Steady(turn, np.asarray(weights, dtype=np.float64), left)


def _departure(u: F64, before: _Steady, cycle: float, start: float, end: float, *, share: float) -> float | None:
    """Roughly where a waveform departs by a share of its largest departure; None where it hardly does."""
    first = max(0, int(start - 0.75 * cycle))
    stop = int(min(end + cycle, start + _LATEST_CYCLES * cycle, u.size))
    width = max(2, round(_SMOOTHED_CYCLES * cycle))
    if stop - first < 2 * width:
        return None
    k = np.arange(first, stop, dtype=np.float64)
    square = np.cumsum(np.pad((u[first:stop] - before.at(k)) ** 2, (1, 0)))
    size = np.sqrt((square[width:] - square[:-width]) / width)
    peak = abs(before.phasor)
    limit = max(_LEAST_DEPARTURE * peak / np.sqrt(2), _IN_NOISE * before.left, share * float(size.max()))
    if not size.max() > limit:
        return None
    return float(first + int((size > limit).argmax()) + width // 2)


def _edge(u: F64, turn: float, near: float, length: float) -> float | None:
    """Between which samples one periodic waveform gives way to the next, halfway; None where they do not at once.

    The least squares of two waveforms, each fitted a little off the edge on its side, over where one ends and the other
    begins; then both are fitted nearer.
    """
    cycle, k = 2 * np.pi / turn, round(near)
    order = _orders(cycle)
    share = 0.0
    for gap in _GAPS_CYCLES:
        away = max(1, round(gap * cycle))
        first = max(0, k - away - int(_LONGEST_FIT_CYCLES * cycle))
        if k - away - first < cycle:
            return None
        earlier = _fitted(u, first, k - away, turn, order)
        room = min(length - 2 * away, u.size - k - away)
        whole = min(int(room / cycle), int(_LONGEST_FIT_CYCLES)) * cycle
        n_later = int(whole or room)
        if n_later < _LEAST_FIT_CYCLES * cycle:
            return None
        # Of less than a cycle only the fundamental can be told to have changed.
        span = np.arange(k + away, k + away + n_later, dtype=np.float64)
        rest = np.zeros(u.size)
        rest[k + away : k + away + n_later] = u[k + away : k + away + n_later] - earlier.at(span)
        change = _fitted(rest, k + away, k + away + n_later, turn, order if whole else 1)
        low, high = max(0, k - int(0.75 * cycle)), min(u.size, k + int(0.75 * cycle))
        place = np.arange(low, high, dtype=np.float64)
        departed, step = u[low:high] - earlier.at(place), change.at(place)
        # What a step from each sample on leaves over; before it nothing has departed.
        gain = np.append(np.cumsum((departed**2 - (departed - step) ** 2)[::-1])[::-1], 0.0)
        k = low + int(gain.argmax())
        share = _share(departed, step, k - low, round(cycle / 2), min(earlier.left, change.left))
    return k - 0.5 if share >= _SHARP else None


def _share(departed: F64, step: F64, k: int, half: int, noise: float) -> float:
    """How much of a change within half a cycle either side a step explains."""
    sides = departed[max(k - half, 0) : k], (departed - step)[k : k + half]
    over = sum(max(float((side**2).sum()) - side.size * noise**2, 0.0) for side in sides)
    return 1 - over / max(float((step[k : k + half] ** 2).sum()), 1e-300)


def _jump_deg(u: F64, before: _Steady, inside: tuple[float, float], *, rising: bool) -> float | None:
    """The angle of the voltage at its lowest or highest against that before, from windows of one cycle."""
    cycle = 2 * np.pi / before.turn
    size = round(cycle)
    first, stop = int(np.ceil(inside[0])), int(min(inside[1], inside[0] + _LATEST_CYCLES * cycle)) + 1
    starts = np.arange(first, min(stop, u.size) - size + 1, max(1, size // 8))
    if not starts.size:
        return None
    inverse = np.linalg.pinv(_basis(np.arange(size, dtype=np.float64), before.turn, _orders(cycle)))
    windows = np.lib.stride_tricks.sliding_window_view(u, size)[starts]
    relative = windows @ (inverse[1] - 1j * inverse[2]) * np.exp(-1j * before.turn * starts) / before.phasor
    sizes = np.abs(relative)
    chosen = sizes >= sizes.max() - _NEAR_EXTREME if rising else sizes <= sizes.min() + _NEAR_EXTREME
    extreme = complex(relative[chosen].mean())
    if abs(extreme) < max(_LEAST_RESIDUAL, _IN_NOISE * before.left / abs(before.phasor)):
        return None
    return float(np.degrees(np.angle(extreme)))
