"""From findings about the wiring to what puts a recording right, or to the word that it cannot be put right.

What is wrong with leads and clamps is linear: each right voltage or current is a sum of recorded ones. Where several
explanations fit and differ in the sides that they give, or none is sure, nothing is put right and sides are withheld.
All clamps backwards and power that flows back look alike: unless the clamps are declared, sides are withheld then. What
no phasor shows is a site that feeds back through clamps that are all backwards: it looks right. So a side must also fit
a load where nobody has declared the clamps; see `halfcycle.classifiers.direction`. What is left is a site whose
generation meets its load to a few per cent: there a side may be wrong, unless the clamps are declared.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.sites.phasors import mean_phasors
from halfcycle.pipeline.sites.wiring import Diagnosis, check_wiring, fundamental_power
from halfcycle.pipeline.sites.wiring_model import Mistake, exchanged, exchanged_lines, fit_voltages, turned_back
from halfcycle.pipeline.sites.wiring_pictures import Phasors, picture_of
from halfcycle.pipeline.sites.wiring_words import title_of
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Hookup

F64 = npt.NDArray[np.float64]
WiringVerdict = Literal["right", "put right", "withheld"]

LEAST_SURE: Final = 0.88  # of a finding by which anything is put right
_STEADY: Final = 0.7  # of a mean phasor: below it is noise
_AGREE: Final = 0.8  # of records that show the same wiring: common practice, no source
_USUAL_LAG_DEG: Final = (-25.0, 70.0)  # of currents behind voltages; beyond it sites that feed back look like rotations
_SAME: Final = 1e-6
_NO_MATTER: Final = frozenset({"neutral_missing", "neutral_to_earth", "nominal_mismatch"})  # all phases alike, or zero
_OF_INPUTS: Final = frozenset({"current_missing", "current_ratio"})  # which no declaration of the clamps denies
_OF_LOADS: Final = frozenset({"power_reversed", "currents_rotated"})  # told by the angle alone that a load may have
_BOTH: Final = frozenset({"hookup_mismatch", "unclear"})
_DECLARED: Final = "currents lie as those of rotated clamps would, but the clamps are declared right"
_TURN: Final = np.exp(2j * np.pi / 3)


@dataclass(frozen=True, slots=True)
class Wiring:
    """What is to be made of a point's recorded voltages and currents.

    Attributes
    ----------
    verdict : ``right``: they are as recorded; ``put right``: by the matrices; ``withheld``: sides are not to be told.
    words : why, for people; "" where all is right and nothing is to be said.
    sure : 0 to 1.
    voltages, currents : square matrices that take recorded channels, in the order of the point's, to right ones; None:
        as they are.
    lost : of ``voltages`` and ``currents``, what cannot be put right.
    by_load : that clamps point to the load is told by power that flows there alone; nobody has declared it.
    """

    verdict: WiringVerdict = "right"
    words: str = ""
    sure: float = 1.0
    voltages: tuple[tuple[float, ...], ...] | None = None
    currents: tuple[tuple[float, ...], ...] | None = None
    lost: frozenset[str] = frozenset()
    by_load: bool = False

    @property
    def effect(self) -> tuple[object, ...]:
        """What it does to a recording; verdicts of equal effect differ in words and sureness alone."""
        return self.verdict, self.voltages, self.currents, self.lost, self.by_load

    def corrected_voltages(self, u: F64) -> F64:
        """Right voltages from recorded ones, shape (n_voltages, n). [V]"""
        return _turned(self.voltages, u)

    def corrected_currents(self, i: F64) -> F64:
        """Right currents from recorded ones, shape (n_currents, n). [A]"""
        return _turned(self.currents, i)


def wiring_of(
    found: Sequence[Diagnosis],
    voltages: Phasors,
    currents: Phasors,
    *,
    hookup: Hookup,
    clamps_declared: bool = False,
) -> Wiring:
    """What findings of `check_wiring` say about the use of the recording.

    Parameters
    ----------
    found : of `check_wiring`.
    voltages, currents : the phasors that it was given, each in the order of the channels. [V], [A]
    hookup : how the recorder is meant to be connected.
    clamps_declared : whether somebody has declared that each clamp is round its conductor with its arrow to the load.
        Then power that flows the other way, or next to none, or currents that lag by as much as rotated ones would,
        are what they look like; another finding that contradicts leaves the currents in doubt.

    Returns
    -------
    Wiring. Voltages and currents of the neutral are left out of its matrices.

    Source: derived; which sureness (0.88) and which lags (-25 to 70 degrees) are enough: common practice, no source.
    """
    plan = _Plan.of(voltages, currents, hookup)
    told = [one for one in found if not (clamps_declared and one.fault in _OF_LOADS)]
    told.sort(key=lambda one: _rank(one.fault))
    names = "; ".join(_titles(told))
    lost: set[str] = set()
    for one in told:
        if one.fault in _NO_MATTER:
            continue
        lost |= _concerned(one.fault) if one.sure < LEAST_SURE or _others_differ(one, plan) else set()
        if clamps_declared and one.fault.startswith("current") and one.fault not in _OF_INPUTS:
            lost.add("currents")
        plan = plan.without(Mistake(one.fault, one.phases))
    lost |= plan.lost
    serious = [one for one in told if one.fault not in _NO_MATTER]
    if len(serious) > 1:  # two mistakes at once explain much, also what is none
        lost |= {part for one in serious for part in _concerned(one.fault)}
    if not lost and not clamps_declared and (odd := _odd_lag(plan, currents)):
        lost, names = {"currents"}, "; ".join([*_titles(told), odd])
    if lost:
        return Wiring("withheld", f"wiring in doubt ({names})", lost=frozenset(lost))
    if not serious:
        if clamps_declared and any(one.fault == "currents_rotated" for one in found):
            names = "; ".join([*_titles(told), _DECLARED])
        return Wiring("right", names, by_load=not clamps_declared)
    sure = min(one.sure for one in serious)
    words = f"determined with the wiring corrected ({names}, confidence {100 * sure:.0f} %)"
    return Wiring("put right", words, sure, _rows(plan.u), _rows(plan.i), by_load=not clamps_declared)


def told_wiring(
    u: F64,
    i: F64 | None,
    *,
    phases: tuple[Sequence[str], Sequence[str]],
    rate_hz: float,
    frequency_hz: float,
    hookup: Hookup,
    nominal_v: float | None = None,
    clamps_declared: bool = False,
) -> Wiring:
    """What calm waveforms say about the wiring.

    Parameters
    ----------
    u, i : shape (n_voltages, n) and (n_currents, n) or None, before any event. [V], [A]
    phases : of the voltages and of the currents.
    rate_hz, frequency_hz : of the samples, and of the fundamental. [Hz]
    hookup, nominal_v : as of `check_wiring`.
    clamps_declared : as of `wiring_of`.

    Raises
    ------
    SignalError : as of `mean_phasors` and `check_wiring`.
    """
    n = len(u)
    rows = u if i is None else np.concatenate([u, i])
    mean = mean_phasors(
        rows, rate_hz=rate_hz, frequency_hz=frequency_hz, reference=int(np.argmax((u**2).mean(axis=1))),
        voltages=range(n),
    )  # fmt: skip
    values = [
        complex(value) if kept else 0j for value, kept in zip(mean.values, mean.steadiness >= _STEADY, strict=True)
    ]
    voltages = dict(zip(phases[0], values[:n], strict=True))
    currents = dict(zip(phases[1], values[n:], strict=True)) if i is not None else {}
    found = check_wiring(voltages, currents, hookup=hookup, nominal_v=nominal_v)
    return wiring_of(found, voltages, currents, hookup=hookup, clamps_declared=clamps_declared)


def agreed(verdicts: Sequence[Wiring]) -> Wiring | None:
    """What several records of one recorder say of its wiring, together.

    Parameters
    ----------
    verdicts : of each record.

    Returns
    -------
    The verdict that at least four records of five share, as sure as they are on the middle; sides are withheld where
    they share none, and None where there is no verdict at all. Factors that bring a voltage to its level differ a
    little from record to record and count as one.
    """
    if not verdicts:
        return None
    groups: dict[tuple[object, ...], list[Wiring]] = {}
    for one in verdicts:
        groups.setdefault(_rounded(one), []).append(one)
    shared = max(groups.values(), key=len)
    if len(shared) < _AGREE * len(verdicts):
        words = "; ".join(dict.fromkeys(one.words for one in verdicts if one.words))
        return Wiring("withheld", f"records disagree on the wiring ({words})", lost=frozenset({"currents"}))
    return sorted(shared, key=lambda one: one.sure)[len(shared) // 2]


def _rounded(one: Wiring) -> tuple[object, ...]:
    matrices = [
        None if m is None else tuple(tuple(round(v, 1) for v in row) for row in m) for m in (one.voltages, one.currents)
    ]
    return one.verdict, *matrices, one.lost


@dataclass(frozen=True, slots=True)
class _Plan:
    """Matrices by which recorded channels are put right so far, and what they cannot give."""

    u_phases: tuple[str, ...]
    i_phases: tuple[str, ...]
    phasors: Phasors
    hookup: Hookup
    u: F64
    i: F64
    lost: frozenset[str] = frozenset()

    @classmethod
    def of(cls, voltages: Phasors, currents: Phasors, hookup: Hookup) -> _Plan:
        """Nothing put right yet."""
        judged = LINE_TO_LINE_PHASES if hookup.line_to_line else LINE_PHASES
        u, i = tuple(p for p in voltages if p in judged), tuple(p for p in currents if p in LINE_PHASES)
        return cls(u, i, voltages, hookup, np.eye(len(u)), np.eye(len(i)))

    def without(self, mistake: Mistake) -> _Plan:
        """The plan that undoes one more mistake."""
        kind, phases = mistake.kind, mistake.phases
        on_u = self._voltage_matrix(kind, phases)
        on_i = self._current_matrix(kind, phases)
        lost = set(self.lost)
        lost |= {"voltages"} if on_u is None else set()
        lost |= {"currents"} if on_i is None else set()
        return _Plan(
            self.u_phases, self.i_phases, self.phasors, self.hookup,
            self.u if on_u is None else on_u @ self.u, self.i if on_i is None else on_i @ self.i, frozenset(lost),
        )  # fmt: skip

    def _voltage_matrix(self, kind: str, phases: tuple[str, ...]) -> F64 | None:
        names = self.u_phases
        out = np.eye(len(names))
        if kind in _BOTH or kind == "voltage_wrong_phase":
            return None
        if kind == "voltage_reversed":
            out[names.index(phases[0]), names.index(phases[0])] = -1.0
        elif kind == "voltage_missing":
            return self._rebuilt(phases[0])
        elif kind == "voltage_ratio":
            factor = self._factor(phases[0])
            if factor is None:
                return None
            out[names.index(phases[0]), names.index(phases[0])] = factor
        elif kind == "voltages_swapped" and NEUTRAL in phases:
            lead = names.index(next(phase for phase in phases if phase != NEUTRAL))
            out[:, lead] = -1.0
        elif kind == "rotation_reversed":
            out = self._reordered(names, ("B", "C"))
        elif kind == "voltages_swapped":
            out = self._reordered(names, phases)
        elif kind == "voltages_rotated":
            out = self._reordered(names, turned_back(phases))
        return out

    def _current_matrix(self, kind: str, phases: tuple[str, ...]) -> F64 | None:
        names = self.i_phases
        out = np.eye(len(names))
        if not names or not kind.startswith(("current", "power", "rotation")):
            return None if kind in _BOTH else out
        if kind == "rotation_reversed":
            out = _matrix(names, lambda row: exchanged(row, ("B", "C"))) if len(names) == 3 else out
        elif kind == "current_reversed":
            out[names.index(phases[0]), names.index(phases[0])] = -1.0
        elif kind in ("currents_swapped", "currents_rotated"):
            order = phases if kind == "currents_swapped" else turned_back(phases)
            out = _matrix(names, lambda row: exchanged(row, order))
        else:  # that three currents add up to zero holds before an earth fault, and not in it
            return None
        return out

    def _reordered(self, names: tuple[str, ...], order: tuple[str, ...]) -> F64:
        undo = exchanged_lines if self.hookup.line_to_line else exchanged
        return _matrix(names, lambda row: undo(row, order))

    def _rebuilt(self, phase: str) -> F64 | None:
        """A line-to-line voltage from the other two."""
        if phase not in self.u_phases or not self.hookup.line_to_line or len(self.u_phases) < len(LINE_TO_LINE_PHASES):
            return None
        k = self.u_phases.index(phase)
        out = np.eye(len(self.u_phases))
        out[k] = -1.0
        out[k, k] = 0.0
        return out

    def _factor(self, phase: str) -> float | None:
        """What brings a voltage to the level of the others."""
        picture = picture_of(self.hookup, self.u_phases)
        others = {p: self.phasors[p] for p in self.u_phases if p != phase}
        level = abs(fit_voltages(others, picture, nominal=None).gain)
        size = abs(self.phasors[phase])
        return level * abs(picture.voltages[phase]) / size if level > 0 and size > 0 else None


def _odd_lag(plan: _Plan, currents: Phasors) -> str:
    """What to say where currents, once put right, are not those of a load; "" where they are."""
    u = dict(zip(plan.u_phases, plan.u @ np.array([plan.phasors[p] for p in plan.u_phases]), strict=True))
    i = dict(zip(plan.i_phases, plan.i @ np.array([currents[p] for p in plan.i_phases]), strict=True))
    power = fundamental_power(u, i, hookup=plan.hookup)
    if power is None or power == 0:
        return ""
    lag = float(np.degrees(np.angle(power)))
    if _USUAL_LAG_DEG[0] <= lag <= _USUAL_LAG_DEG[1]:
        return ""
    return f"currents lag by {lag:.0f}°, so clamps may be rotated, or power reversed"


def _others_differ(one: Diagnosis, plan: _Plan) -> bool:
    """Whether an explanation that fits as well would give other sides than the one that is named."""
    own = plan.without(Mistake(one.fault, one.phases))
    return any(not _same_sides(own, plan.without(other)) for other in one.alternatives)


def _same_sides(one: _Plan, other: _Plan) -> bool:
    """Whether two plans give the same sequences of voltages and currents, but for a turn of all of them together."""
    if one.lost or other.lost or len(one.u) != 3 or len(one.i) != 3:
        return False
    for turn in (_TURN, _TURN.conjugate()):
        sums = np.array([1.0, turn, turn**2])
        mine, its = (np.concatenate([sums @ plan.u, sums @ plan.i]) for plan in (one, other))
        if abs(abs(np.vdot(mine, its)) - np.linalg.norm(mine) * np.linalg.norm(its)) > _SAME:
            return False
    return True


def _rank(fault: str) -> int:
    """When a mistake is undone: what is where first, and the network's own rotation last."""
    return 2 if fault == "rotation_reversed" else 0 if fault.endswith(("swapped", "rotated")) else 1


def _concerned(fault: str) -> set[str]:
    """What a finding makes doubtful."""
    if fault.startswith(("current", "power")):
        return {"currents"}
    return {"voltages", "currents"}  # voltages in doubt leave nothing to hold currents against


def _matrix(names: tuple[str, ...], undo: Callable[[Phasors], dict[str, complex]]) -> F64:
    """The matrix of a linear rearrangement, found column by column."""
    columns = []
    for name in names:
        row = {other: complex(other == name) for other in names}
        done = undo(row)
        columns.append([done[other].real for other in names])
    return np.array(columns).T


def _titles(found: Sequence[Diagnosis]) -> list[str]:
    return [title_of(one.fault, one.phases) for one in found]


def _turned(matrix: tuple[tuple[float, ...], ...] | None, values: F64) -> F64:
    return values if matrix is None else np.asarray(np.array(matrix) @ values)


def _rows(matrix: F64) -> tuple[tuple[float, ...], ...] | None:
    if np.array_equal(matrix, np.eye(len(matrix))):
        return None
    return tuple(tuple(float(value) for value in row) for row in matrix)
