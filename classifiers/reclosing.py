"""Similar sags and interruptions in a row: a fault that a recloser feeds again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

DEAD_TIME_S: Final = (0.2, 60.0)  # 0.3 to 3 s for fast shots, 5 to 30 s for slow ones: common practice, no source
_SIMILAR_PU: Final = 0.1  # residual voltages of one fault, fed again
_MOST_SHOTS: Final = 5  # one trip and up to four reclosings: common practice, no source


@dataclass(frozen=True, slots=True)
class Shot:
    """One event as a sequence sees it.

    Attributes
    ----------
    start_s : from any instant. [s]
    duration_s : [s]
    residual_pu : lowest voltage of the worst phase.
    phases : that take part, ``A``, ``BC`` …
    """

    start_s: float
    duration_s: float
    residual_pu: float
    phases: str


@dataclass(frozen=True, slots=True)
class ShotSequence:
    """Which events belong together.

    Attributes
    ----------
    members : places in the list that was given, in order of time; one alone is no sequence.
    dead_time_s : shortest time from an end to the next start; None for one alone. [s]
    """

    members: tuple[int, ...]
    dead_time_s: float | None


def reclosing_sequences(shots: Sequence[Shot]) -> list[ShotSequence]:
    """Groups events of one measuring point into sequences of a recloser.

    Parameters
    ----------
    shots : in order of start.

    Returns
    -------
    Each event in exactly one group, in order. Events follow one another in a group while the same phases take part, the
    residual voltages lie within 0.1 pu of the first one's and 0.2 to 60 s lie between, five at most.

    Source: common practice, no source.
    """
    groups: list[list[int]] = []
    for k, shot in enumerate(shots):
        if groups and len(groups[-1]) < _MOST_SHOTS:
            first, last = shots[groups[-1][0]], shots[groups[-1][-1]]
            gap = shot.start_s - (last.start_s + last.duration_s)
            alike = shot.phases == first.phases and abs(shot.residual_pu - first.residual_pu) <= _SIMILAR_PU
            if alike and DEAD_TIME_S[0] <= gap <= DEAD_TIME_S[1]:
                groups[-1].append(k)
                continue
        groups.append([k])
    return [ShotSequence(tuple(group), _dead_time(shots, group)) for group in groups]


def _dead_time(shots: Sequence[Shot], group: list[int]) -> float | None:
    gaps = [
        shots[later].start_s - (shots[earlier].start_s + shots[earlier].duration_s)
        for earlier, later in pairwise(group)
    ]
    return min(gaps) if gaps else None
