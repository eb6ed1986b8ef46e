"""The slow part of a disturbed stretch: states in which the known waveform is scaled and shifted, and ways between.

A sag is no transient: before its edge the samples follow one state of the waveform, after it another, and in a short
way between two states they lie among what the states and the way would have. Only what leaves these bounds is an
excess. So a step of magnitude and phase, sharp or ramped, leaves nothing over, and what rings on it does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.mask_runs import runs
from halfcycle.pipeline.measures.periodic import Wave
from halfcycle.pipeline.measures.state_fit import StateFit
from halfcycle.pipeline.measures.wave_state import FADED, State

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_WINDOW: Final = 0.45  # cycles: just under the shortest sag; a level state must hold for so long
_LONG_WINDOW: Final = 0.45  # cycles, of a state that changes along a straight line
_SHORTEST_CHANGE: Final = 0.9  # cycles: what is unexplained for less, and leads nowhere, may be an impulse
_LEAST_CHANGE: Final = 0.04  # of nominal: a changing state that never goes so far is none
_STAYS_AWAY: Final = 0.35  # of the farthest it goes: a changing state that does not is an impulse's tail
_SHORTEST_AT_END: Final = 0.12  # cycles: where the record breaks off, a state may be seen for less
_HOPS_A_CYCLE: Final = 40, 20  # at which windows of a level, and of a changing state are tried
_COARSE: Final = 0.5  # of a window: the hop at which states are sought first, and then only in what they leave
_FITTED_A_CYCLE: Final = 64  # samples that a state is fitted to; whether it is followed is asked of every sample
_SAMPLED: Final = 1.15  # by which what all samples of a window leave may exceed the bounds kept by those fitted
_APART: Final = 0.025  # of nominal: states that are farther apart are different ones, noise aside
_REACH: Final = 0.12  # cycles: a window that keeps within its bound may reach so far into what is no longer its state
_NOISE_MARGIN: Final = 1.3  # over the noise's RMS, in a window
_OUTLIER: Final = 4.5  # times the noise's RMS, beyond which no sample of a window may lie
_DOUBTFUL: Final = 3.0  # times the noise, and twice the tolerance: a sample so far from its state may be on a way
_SAME: Final = 0.02  # of nominal: two states no farther apart are one
_ANY_ANGLE: Final = np.pi / 3  # a sag's jump seldom exceeds a sixth of a turn: common practice, no source
_FAR_LESS: Final = 0.25  # of the energy that is left where a step comes with an event's first sample
_RAMPED: Final = 3.0  # times what leaves the bounds of states and ways: more than a step without a ramp leaves over
_WAY_POINTS: Final = 13


@dataclass(frozen=True, slots=True)
class SlowPart:
    """What is slow in a stretch of one channel.

    Attributes
    ----------
    excess : float64, shape (n,). Distance of each sample from what states and the ways between them explain.
    states : all that were seen; the first is the waveform before.
    holds : int64, shape (n,). Which of the states each sample follows, where `held`.
    held : bool, shape (n,). Some state is followed here.
    steady : float64, shape (n,). The first state, carried over into the waveform after where the two are the same.
    phasors : complex128, shape (n,). Fundamental of the state that each sample follows, peak.
    """

    excess: F64
    states: tuple[State, ...]
    holds: I64
    held: Mask
    steady: F64
    phasors: C128

    def step(self, start: int, stop: int, *, margin: int) -> float:
        """How far the fundamental goes from where it is before [start, stop) until some samples after it."""
        before = np.flatnonzero(self.held[:start])
        near = slice(max(start - margin, 0), stop + margin)
        seen = self.phasors[near][self.held[near]]
        origin = self.phasors[before[-1]] if before.size else self.states[0].phasor
        return float(np.abs(seen - origin).max(initial=0.0))

    def background(self, u: F64, turns: F64, start: int, stop: int) -> F64:
        """What the stretch would be without an event in [start, stop), which may come with a step.

        One step at most for all that is not explained there, or one for each part of it, if that leaves far less.
        """
        parts = self.unheld(start, stop)
        ground: F64 = u - self.excess
        if not parts:
            return ground
        first, last = parts[0][0], max(stop, parts[-1][1])
        whole, single = ground.copy(), self._stepped(u, turns, first, last)
        if single is not None:
            whole[first:last] = single
        for a, b in parts:
            stepped = self._stepped(u, turns, a, b)
            if stepped is not None:
                ground[a:b] = stepped
        part = slice(first, last)
        far_less = np.square(u[part] - ground[part]).sum() < _FAR_LESS * np.square(u[part] - whole[part]).sum()
        return ground if single is None or far_less else whole

    def _stepped(self, u: F64, turns: F64, first: int, last: int) -> F64 | None:
        """The state before [first, last), and the state after it from its first sample on.

        Or from where that leaves least over, if it is far less. None where even then far more is left than what leaves
        the bounds of states and ways, as on a ramp.
        """
        part = slice(first, last)
        ends = [place for place in (first - 1, last) if 0 <= place < u.size and self.held[place]]
        one, other = (self._carried(ends[i], turns)[part] if ends else self.steady[part] for i in (0, -1))
        if np.square(u[part] - one).sum() < np.square(u[part] - other).sum():
            other = one  # no step
        gain = np.square(u[part] - one) - np.square(u[part] - other)
        left = float(np.square(u[part] - other).sum()) + np.concatenate(([0.0], np.cumsum(gain)))
        best = int(left.argmin())
        change = best if left[best] < _FAR_LESS * left[0] else 0
        between: F64 = np.concatenate([one[:change], other[change:]])
        if np.abs(u[part] - between).max() > _RAMPED * np.abs(self.excess[part]).max():
            return None
        return between

    def unheld(self, start: int, stop: int) -> list[tuple[int, int]]:
        """Stretches in which no state is followed and that have a part in [start, stop)."""
        return [(a, b) for a, b in _stretches(~self.held) if a < stop and b > start]

    def _carried(self, place: int, turns: F64) -> F64:
        """The state at a place, carried over the whole stretch."""
        number = int(self.holds[place])
        if abs(self.phasors[place] - self.states[0].phasor) < _SAME:
            number = 0
        return self.steady if number == 0 else self.states[number].still(float(turns[place])).at(turns)


def slow_part(
    u: F64, turns: F64, *, before: Wave, after: Wave | None, quiet: tuple[int, int], noise_rms: float, tolerance: float
) -> SlowPart:
    """Explain a stretch of one channel by states of its waveform.

    Parameters
    ----------
    u : shape (n,). In units of the nominal peak. [pu]
    turns : shape (n,). Turns of the fundamental, as `periodic.phase_turns` gives them.
    before : the waveform of the quiet cycles before; or after, where there are none before.
    after : that of the quiet cycles after, if there are some on both sides.
    quiet : where the quiet cycles before end, and those after begin. [samples]
    noise_rms : of the samples about a wave. [pu]
    tolerance : RMS by which a window may differ from a state that it follows, beside noise. [pu]

    Returns
    -------
    SlowPart. [pu]

    Source: derived. That a sag moves the voltage from one steady phasor to another is common practice, no source.
    """
    cycle = (u.size - 1) / (turns[-1] - turns[0])
    search = _Search(u, turns, cycle, noise_rms, tolerance)
    steady = State(before).at(turns)
    known = [State(before)]
    if after is not None:
        later = State(after).at(turns)
        apart = float(np.sqrt(np.square(later - steady).mean()))
        limit = np.hypot(_SAME, 2 * noise_rms / np.sqrt(min(before.n_cycles, after.n_cycles)))
        if abs(after.phasor - before.phasor) < limit and apart < limit:
            share = np.clip((np.arange(u.size) - quiet[0]) / max(quiet[1] - quiet[0], 1), 0.0, 1.0)
            steady = steady + share * (later - steady)
        else:
            known.append(State(after))
    search.follow(known, [steady, *(state.at(turns) for state in known[1:])])
    search.level(known)
    search.changing(known)
    search.ways(steady)
    return SlowPart(search.excess, tuple(search.states), search.holds, search.held, steady, search.phasors)


class _Search:
    """The states of one stretch, as they are found."""

    def __init__(self, u: F64, turns: F64, cycle: float, noise_rms: float, tolerance: float) -> None:
        self.u, self.turns, self.cycle = u, turns, cycle
        self.noise_rms, self.tolerance = noise_rms, tolerance
        self.window = min(max(round(_WINDOW * cycle), 4), u.size)
        self.reach = max(round(_REACH * cycle), 2)
        # Largest RMS and largest value of what a window may differ by from a state.
        self.bounds = float(np.hypot(_NOISE_MARGIN * noise_rms, tolerance)), _OUTLIER * noise_rms + 2 * tolerance
        self.states: list[State] = []
        self.held, self.holds = np.zeros(u.size, np.bool_), np.zeros(u.size, np.int64)
        self.excess, self.phasors = np.full(u.size, np.inf), np.zeros(u.size, np.complex128)

    def follow(self, known: Sequence[State], values: Sequence[F64]) -> None:
        """Where the known states are followed."""
        for state, value in zip(known, values, strict=True):
            residue = self.u - value
            self._enter(state, slice(None), residue, _followed(residue, self.window, *self.bounds))

    def level(self, known: Sequence[State]) -> None:
        """States that hold for half a cycle, in what is not explained; each is carried as far as it is followed."""
        fine = max(int(self.cycle / _HOPS_A_CYCLE[0]), 1)
        for hop in (max(int(_COARSE * self.window), fine), fine):
            for start, stop in self._unheld(self.reach):
                at_end = start == 0 or stop == self.u.size
                window = min(self.window, stop - start) if at_end else self.window
                if stop - start >= window >= (_SHORTEST_AT_END * self.cycle if at_end else 1):
                    for first, state in self._pieces(start, stop, known, window, hop, linear=False):
                        if hop == fine or not self.held[first : first + window].all():
                            self._take(state, start, stop, first, window)

    def changing(self, known: Sequence[State]) -> None:
        """States along straight lines, half a cycle at a time, in what is not explained: ramps and recoveries."""
        window = min(round(_LONG_WINDOW * self.cycle), self.u.size)
        fine = max(int(self.cycle / _HOPS_A_CYCLE[1]), 1)
        for hop in (max(int(_COARSE * window), fine), fine):
            for start, stop in self._unheld(window - self.reach, among=self._may_change):
                leads = self._leads(start + 1, stop - 1)
                found = self._pieces(start, stop, known, window, hop, linear=True)
                for group in _touching(found, window):
                    if self._lasts(group, window, known, leads=leads):
                        for first, state in group:
                            self._take(state, first, first + window, first, window)

    def _may_change(self, start: int, stop: int) -> bool:
        """Whether what is unexplained is too long for an impulse, or leads from one state to another."""
        return stop - start >= _SHORTEST_CHANGE * self.cycle or self._leads(start, stop)

    def _leads(self, start: int, stop: int) -> bool:
        """Whether the states before and after [start, stop) are different ones."""
        if start < 1 or stop >= self.u.size or not (self.held[start - 1] and self.held[stop]):
            return False
        return bool(abs(self.phasors[start - 1] - self.phasors[stop]) > max(_APART, self.noise_rms))

    def ways(self, steady: F64) -> None:
        """What lies between two states, where no state is followed, or not well."""
        doubtful = np.abs(self.excess) > _DOUBTFUL * self.noise_rms + 2 * self.tolerance
        for start, stop in _stretches(~self.held | doubtful):
            ends = [place for place in (start - 1, stop) if 0 <= place < self.u.size]
            part = slice(max(start - self.reach, 0), stop + self.reach)
            numbers = [int(self.holds[place]) for place in ends]
            if not any(numbers):
                low = high = steady[part]
            else:
                states = [
                    self.states[i].still(float(self.turns[place])) for i, place in zip(numbers, ends, strict=True)
                ]
                low, high = _between(states[0], states[-1], self.turns[part])
            beyond = self.u[part] - np.clip(self.u[part], low, high)
            nearer = np.abs(beyond) < np.abs(self.excess[part])
            self.excess[part][nearer] = beyond[nearer]

    def _unheld(self, reach: int, *, among: Callable[[int, int], bool] | None = None) -> list[tuple[int, int]]:
        """Stretches in which no state is followed, with so many samples more at both ends."""
        bare = [(a, b) for a, b in _stretches(~self.held) if among is None or among(a, b)]
        joined: list[tuple[int, int]] = []
        for a, b in bare:
            start, stop = max(a - reach, 0), min(b + reach, self.u.size)
            if joined and start <= joined[-1][1]:
                joined[-1] = (joined[-1][0], stop)
            else:
                joined.append((start, stop))
        return joined

    def _take(self, state: State, start: int, stop: int, first: int, window: int) -> None:
        """Enter a state that fits some samples of a window, wherever in [start, stop) all samples follow it."""
        part = slice(start, stop)
        residue = self.u[part] - state.at(self.turns[part])
        followed = _followed(residue, window, *self.bounds)
        own = residue[first - start : first - start + window]
        if np.square(own).mean() <= (_SAMPLED * self.bounds[0]) ** 2 and np.abs(own).max() <= _SAMPLED * self.bounds[1]:
            followed[first - start : first - start + window] = True
        if followed.any():
            self._enter(state, part, residue, followed)

    def _enter(self, state: State, part: slice, residue: F64, followed: Mask) -> None:
        """Enter a state wherever it is followed and nearer than what is there."""
        nearer = followed & (np.abs(residue) < np.abs(self.excess[part]))
        self.excess[part][nearer] = residue[nearer]
        self.holds[part][nearer] = len(self.states)
        self.phasors[part][nearer] = state.ratio_at(self.turns[part][nearer]) * state.wave.phasor
        self.held[part] |= followed
        self.states.append(state)

    def _pieces(
        self, start: int, stop: int, known: Sequence[State], window: int, hop: int, *, linear: bool
    ) -> list[tuple[int, State]]:
        """Windows that a scaled and shifted waveform fits: their first sample and that state."""
        firsts = np.append(np.arange(start, stop - window, hop), stop - window)
        grid = firsts[:, None] + np.arange(0, window, max(int(self.cycle / _FITTED_A_CYCLE), 1))
        fits = [
            StateFit.of(self.u[grid], self.turns[grid], state.wave, self.bounds, linear=linear, turning=turning)
            for state in known
            if abs(state.phasor) >= FADED
            for turning in (True, False)
        ]
        found = []
        for i, first in enumerate(firsts.tolist()):
            rms, state = min(((float(fit.rms[i]), fit.states[i]) for fit in fits), key=lambda one: one[0],
                             default=(np.inf, None))  # fmt: skip
            if state is not None and rms <= self.bounds[0]:
                found.append((first, state))
        return found

    def _lasts(self, group: Sequence[tuple[int, State]], window: int, known: Sequence[State], *, leads: bool) -> bool:
        """Whether some changing states go away from the known ones; and, unless they lead to another, stay away."""
        nearest, farthest = [], []
        for first, state in group:
            phasor = state.ratio_at(self.turns[first : first + window]) * state.wave.phasor
            away = np.min([np.abs(phasor - one.phasor) for one in known], axis=0)
            nearest.append(float(away.min()))
            farthest.append(float(away.max()))
        return max(farthest) >= _LEAST_CHANGE and (leads or max(nearest) >= _STAYS_AWAY * max(farthest))


def _followed(residue: F64, window: int, bound: float, farthest: float) -> Mask:
    """Samples of all windows in which the residue's RMS, and each value, keeps within a bound."""
    total = np.concatenate(([0.0], np.cumsum(np.square(residue))))
    outliers = np.concatenate(([0], np.cumsum(np.abs(residue) > farthest)))
    keeps = (total[window:] - total[:-window] <= window * bound * bound) & (outliers[window:] == outliers[:-window])
    count = np.concatenate(([0], np.cumsum(keeps), np.full(window - 1, keeps.sum())))
    first = np.maximum(np.arange(residue.size) - window + 1, 0)
    followed: Mask = count[1 : residue.size + 1] > count[first]
    return followed


def _stretches(mask: Mask) -> list[tuple[int, int]]:
    starts, stops = runs(mask)
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def _touching(found: Sequence[tuple[int, State]], window: int) -> list[list[tuple[int, State]]]:
    groups: list[list[tuple[int, State]]] = []
    for first, state in found:
        if groups and first <= groups[-1][-1][0] + window:
            groups[-1].append((first, state))
        else:
            groups.append([(first, state)])
    return groups


def _between(one: State, other: State, turns: F64) -> tuple[F64, F64]:
    """Bounds of what two states, and the straight way of size and angle between them, have at each instant.

    To or from next to nothing, which has no angle, the way may turn by a sixth of a turn to either side.
    """
    first, second = one.at(turns), other.at(turns)
    low, high = np.minimum(first, second), np.maximum(first, second)
    small = min(abs(one.phasor), abs(other.phasor)) < FADED
    if small and max(abs(one.phasor), abs(other.phasor)) < FADED:
        return low, high
    if not small:
        whole = other.phasor / one.phasor
        ways = [(one, other, abs(whole), float(np.angle(whole)))]
    elif abs(one.phasor) < abs(other.phasor):
        return _between(other, one, turns)
    else:
        ways = [(one, one, 0.0, angle) for angle in (-_ANY_ANGLE, _ANY_ANGLE)]
    shares = np.linspace(0.0, 1.0, _WAY_POINTS)[1:-1, None]
    for start, end, size, angle in ways:
        ratios = (1 + shares * (size - 1)) * np.exp(1j * shares * angle)
        values = start.with_ratio(start.ratio * ratios, turns)
        if end is not start:
            late = end.with_ratio(end.ratio * ratios / (size * np.exp(1j * angle)), turns)
            values += shares * (late - values)
        low, high = np.minimum(low, values.min(axis=0)), np.maximum(high, values.max(axis=0))
    return low, high
