"""By how much transformers turn the labels of unbalanced dips, as their vector groups say."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from halfcycle.pipeline.incidents.sightings import IntArray

STEPS: Final = 6  # of 60 degrees
UNKNOWN: Final = -1
_VECTOR_GROUP: Final = re.compile(r"(YN|Y|D|ZN|Z)(yn|y|d|zn|z)([0-9]|1[01])")
_STARS: Final = "Yy"


def step_of(vector_group: str) -> int | None:
    """By how many steps a transformer turns labels on its way to the lower voltage; None: there is no such group.

    Parameters
    ----------
    vector_group : such as ``Dyn11``.

    Source: derived. A clock number of h turns positive sequence by -30 h degrees and negative sequence by as much the
    other way, so the angle of V2 over the loss of V1 by 60 h degrees; odd clock numbers make type C of type D, and
    belong to groups with one star winding beside a delta or zigzag one (IEC 60076-1, from memory).
    """
    found = _VECTOR_GROUP.fullmatch(vector_group)
    if found is None:
        return None
    high, low, hour = found[1], found[2], int(found[3])
    is_odd = (high[0] in _STARS) != (low[0] in _STARS)
    return hour % STEPS if hour % 2 == is_odd else None


def turned_back(label: IntArray, turn: IntArray) -> IntArray:
    """Labels as they are before the transformers.

    Parameters
    ----------
    label : of `Sightings`, shape (n,); balanced and untold ones stay as they are.
    turn : steps that each one is turned by, or `UNKNOWN`, which leaves it as it is. Shape (n,).
    """
    return np.where((label >= 0) & (turn > 0), (label - turn) % STEPS, label)
