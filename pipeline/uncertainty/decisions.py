"""Decisions where a value is near a limit: how probable each answer is, and which answer that allows (JCGM 106)."""

from __future__ import annotations

from math import erf, inf, sqrt
from typing import Final, Literal

Conformity = Literal["inside", "outside", "cannot tell"]

RISK: Final = 0.05
"""Of a wrong answer; with it the guard band is 1.64 standard uncertainties wide."""


def probability_within(value: float, u: float, *, low: float = -inf, high: float = inf) -> float:
    """How probable it is that a quantity lies between two limits.

    Parameters
    ----------
    value, u : estimate and standard uncertainty; the error is normal. [one unit]
    low, high : limits, either of which may be infinite. [the same unit]

    Source: JCGM 106:2012, 7.2 to 7.4, of a normal distribution and a flat prior.
    """
    return max(_normal((high - value) / u if u > 0 else _side(high - value)) - _normal(
        (low - value) / u if u > 0 else _side(low - value)
    ), 0.0)  # fmt: skip


def verdict(probability: float, *, risk: float = RISK) -> Conformity:
    """What may be said with a risk of being wrong: ``inside``, ``outside``, or ``cannot tell``.

    Source: JCGM 106:2012, 8.3: a guarded decision.
    """
    if probability >= 1 - risk:
        return "inside"
    return "outside" if probability <= risk else "cannot tell"


def _side(distance: float) -> float:
    return inf if distance >= 0 else -inf


def _normal(z: float) -> float:
    """The distribution function of a standard normal variable."""
    return 0.5 * (1 + erf(z / sqrt(2)))
