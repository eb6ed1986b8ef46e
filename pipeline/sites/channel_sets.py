"""Three-phase sets among channels, by balance and rotation: equal magnitudes, 120 degrees apart, one wave shape."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

# How far from balance a set may be: of channels side by side, evenly spaced, or anywhere; common practice, no source.
_SIDE_BY_SIDE: Final = 0.25
_EVENLY_SPACED: Final = 0.15
_ANYWHERE: Final = 0.08
_TURNED_ROUND: Final = 0.10  # with one of the three turned round
_SHAPE: Final = 0.30  # by which wave shapes of a set may differ, of the fundamental
_SHAPE_COUNTS: Final = 0.5  # as much as a departure from balance
_RIVAL: Final = 0.05  # in cost: sets that the data tell apart no better
_TIGHT: Final = 0.06
_SCATTERED: Final = 0.88  # confidence in channels that lie in no order: never sure, as three of many may fit by chance
_MOST_ANYWHERE: Final = 60  # channels among which sets are looked for in any order
_TURN: Final = np.exp(2j * np.pi / 3)


@dataclass(frozen=True, slots=True)
class ThreePhaseSet:
    """Three channels that turn together.

    Attributes
    ----------
    members : their positions, the first of the recording first, then each 120 degrees behind the one before.
    off_balance : what is not positive sequence, over what is.
    backwards : the channels' order in the recording is the other way round.
    turned_round : position of the one that fits only with its sign changed.
    layout : ``side by side``, ``evenly spaced`` or ``scattered``.
    rivals : other sets that some of the channels could make as well.
    confidence : 0 to 1, that these three and no others are a set.
    """

    members: tuple[int, int, int]
    off_balance: float
    backwards: bool
    turned_round: int | None
    layout: str
    rivals: tuple[tuple[int, int, int], ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class _Candidate:
    channels: tuple[int, int, int]
    off_balance: float
    cost: float
    backwards: bool


Fits = Callable[[tuple[int, ...]], bool]


def three_phase_sets(phasors: C128, shapes: F64, *, usable: Sequence[int], fits: Fits) -> list[ThreePhaseSet]:
    """The three-phase sets among some channels.

    Parameters
    ----------
    phasors : complex128, shape (n_channels,). Of one steady state. [any unit, one to each channel]
    shapes : shape (n_channels, n_orders). Harmonics over the fundamental.
    usable : positions of the channels with power-frequency content, in the recording's order.
    fits : whether what the recording says of some channels lets them be a set.

    Returns
    -------
    Sets that share no channel, in order of their first channel.
    """
    left = list(usable)
    found: list[ThreePhaseSet] = []
    for search in (_side_by_side, _evenly_spaced, _anywhere, _turned_round):
        sets = search(phasors, shapes, left, fits)
        found += sets
        taken = {i for one in sets for i in one.members}
        left = [i for i in left if i not in taken]
    in_order = [one for one in found if one.layout == "side by side" and one.off_balance <= _TIGHT]
    settled = {i for one in in_order for i in one.members} if 4 * len(in_order) > 3 * len(found) else set()
    pool = [i for i in usable if i not in settled]
    if len(pool) <= _MOST_ANYWHERE:
        others = _candidates(combinations(pool, 3), phasors, shapes, limit=_ANYWHERE + _RIVAL, fits=fits)
        found = [one if settled >= set(one.members) else _with_rivals(one, others) for one in found]
    return sorted(found, key=lambda one: min(one.members))


def _with_rivals(one: ThreePhaseSet, others: Sequence[_Candidate]) -> ThreePhaseSet:
    """A set, less sure where channels that lie elsewhere would make one as well with some of its own."""
    rivals = tuple(
        other.channels
        for other in others
        if set(other.channels) & set(one.members)
        and set(other.channels) != set(one.members)
        and other.cost <= one.off_balance + _RIVAL
    )
    return replace(one, rivals=(*one.rivals, *rivals), confidence=min(one.confidence, 0.5)) if rivals else one


def off_balance(values: C128) -> tuple[F64, npt.NDArray[np.bool_]]:
    """Negative and zero sequence over the positive one of triples, shape (n, 3), and whether they turn backwards.

    Source: symmetrical components, C. L. Fortescue, 1918 (from memory).
    """
    zero = np.abs(values.sum(axis=1))
    forwards = np.abs(values @ np.array([1, _TURN, _TURN**2]))
    backwards = np.abs(values @ np.array([1, _TURN**2, _TURN]))
    high, low = np.maximum(forwards, backwards), np.minimum(forwards, backwards)
    return np.hypot(low, zero) / np.maximum(high, 1e-300), backwards > forwards


def _candidates(
    triples: Iterable[tuple[int, int, int]],
    phasors: C128,
    shapes: F64,
    *,
    limit: float,
    fits: Fits,
    signs: tuple[int, int, int] = (1, 1, 1),
) -> list[_Candidate]:
    """Those triples that are within a limit of balance."""
    rows = np.array(list(triples), dtype=np.int64).reshape(-1, 3)
    if not len(rows):
        return []
    off, backwards = off_balance(phasors[rows] * np.array(signs))
    near = np.flatnonzero(off <= limit)
    found = []
    for i in near.tolist():
        channels = (int(rows[i, 0]), int(rows[i, 1]), int(rows[i, 2]))
        apart = max(float(np.linalg.norm(shapes[a] - shapes[b])) for a, b in combinations(channels, 2))
        if apart <= _SHAPE and fits(channels):
            found.append(_Candidate(channels, float(off[i]), float(off[i]) + _SHAPE_COUNTS * apart, bool(backwards[i])))
    return found


def _side_by_side(phasors: C128, shapes: F64, left: list[int], fits: Fits) -> list[ThreePhaseSet]:
    triples = [(a, b, c) for a, b, c in zip(left, left[1:], left[2:], strict=False) if c - a == 2]
    found = _candidates(triples, phasors, shapes, limit=_SIDE_BY_SIDE, fits=fits)
    chosen = _tiling(found)
    return [_set(one, _rivals_beside(one, found, chosen), "side by side") for one in chosen]


def _tiling(found: list[_Candidate]) -> list[_Candidate]:
    """As many as go together without sharing a channel; of those that are as many, the best balanced."""
    by_first = {one.channels[0]: one for one in found}
    if not by_first:
        return []
    end = max(by_first) + 3
    best: dict[int, tuple[int, float, tuple[_Candidate, ...]]] = dict.fromkeys(range(end, end + 3), (0, 0.0, ()))
    for i in range(end - 1, -1, -1):
        best[i] = best[i + 1]
        if i in by_first:
            n, cost, rest = best[i + 3]
            with_this = (n - 1, cost + by_first[i].cost, (by_first[i], *rest))
            best[i] = min(with_this, best[i], key=lambda way: (way[0], way[1]))
    return list(best[0][2])


def _rivals_beside(
    one: _Candidate, found: list[_Candidate], chosen: list[_Candidate]
) -> tuple[tuple[int, int, int], ...]:
    """Other sets that could be there instead without taking away from another chosen one."""
    others = {i for other in chosen if other is not one for i in other.channels}
    return tuple(
        other.channels
        for other in found
        if other is not one
        and set(other.channels) & set(one.channels)
        and not set(other.channels) & others
        and other.cost <= one.cost + _RIVAL
    )


def _evenly_spaced(phasors: C128, shapes: F64, left: list[int], fits: Fits) -> list[ThreePhaseSet]:
    """Sets whose channels are as far from one another in the recording, as where quantities alternate."""
    known = set(left)
    triples = [
        (a, a + step, a + 2 * step)
        for a in left
        for step in range(2, (max(left) - a) // 2 + 1)
        if {a + step, a + 2 * step} <= known
    ]
    found = _candidates(triples, phasors, shapes, limit=_EVENLY_SPACED, fits=fits)
    return [_set(one, rivals, "evenly spaced") for one, rivals in _greedy(found)]


def _anywhere(phasors: C128, shapes: F64, left: list[int], fits: Fits) -> list[ThreePhaseSet]:
    if len(left) > _MOST_ANYWHERE:
        return []
    found = _candidates(combinations(left, 3), phasors, shapes, limit=_ANYWHERE, fits=fits)
    return [_set(one, rivals, "scattered") for one, rivals in _greedy(found)]


def _greedy(found: list[_Candidate]) -> list[tuple[_Candidate, tuple[tuple[int, int, int], ...]]]:
    """The cheapest first, without sharing a channel; each with all that it could be taken for."""
    chosen: list[tuple[_Candidate, tuple[tuple[int, int, int], ...]]] = []
    taken: set[int] = set()
    for one in sorted(found, key=lambda candidate: candidate.cost):
        if taken & set(one.channels):
            continue
        rivals = tuple(
            other.channels
            for other in found
            if other is not one and set(other.channels) & set(one.channels) and other.cost <= one.cost + _RIVAL
        )
        chosen.append((one, rivals))
        taken |= set(one.channels)
    return chosen


def _turned_round(phasors: C128, shapes: F64, left: list[int], fits: Fits) -> list[ThreePhaseSet]:
    triples = [(a, b, c) for a, b, c in zip(left, left[1:], left[2:], strict=False) if c - a == 2]
    found: list[tuple[_Candidate, int]] = []
    for k, signs in enumerate(((-1, 1, 1), (1, -1, 1), (1, 1, -1))):
        candidates = _candidates(triples, phasors, shapes, limit=_TURNED_ROUND, fits=fits, signs=signs)
        found += [(one, one.channels[k]) for one in candidates]
    chosen: list[ThreePhaseSet] = []
    taken: set[int] = set()
    for one, turned in sorted(found, key=lambda item: item[0].cost):
        if not taken & set(one.channels):
            chosen.append(_set(one, (), "side by side", turned=turned))
            taken |= set(one.channels)
    return chosen


def _set(
    one: _Candidate, rivals: tuple[tuple[int, int, int], ...], layout: str, *, turned: int | None = None
) -> ThreePhaseSet:
    a, b, c = one.channels
    return ThreePhaseSet(
        members=(a, c, b) if one.backwards else (a, b, c),
        off_balance=one.off_balance,
        backwards=one.backwards,
        turned_round=turned,
        layout=layout,
        rivals=rivals,
        confidence=_confidence(one, rivals, layout, turned),
    )


def _confidence(one: _Candidate, rivals: tuple[tuple[int, int, int], ...], layout: str, turned: int | None) -> float:
    if turned is not None:
        return 0.7
    if rivals:
        return 0.7 if layout == "side by side" else 0.5
    tight = one.off_balance <= _TIGHT
    if layout == "side by side":
        return 0.99 if tight else 0.95 if one.off_balance <= 2 * _TIGHT else 0.8
    if layout == "evenly spaced":
        return 0.95 if tight else 0.7
    return _SCATTERED if tight else 0.6
