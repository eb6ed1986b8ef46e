"""One event of a busbar, explained by the currents of each feeder: one answer, and each feeder's side in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from halfcycle.classifiers.direction import UNKNOWN
from halfcycle.classifiers.direction_methods import DOWNSTREAM
from halfcycle.pipeline.catalogue.explain import Explanation


def by_feeder(found: Sequence[tuple[str, Explanation]]) -> Explanation:
    """The explanation of an event that the currents of several feeders of one busbar tell of.

    Parameters
    ----------
    found : (name of a feeder, what its currents and the voltages say) each, at least one.

    Returns
    -------
    Explanation. Downstream of any feeder is downstream, and explained by that one; what is upstream of all of them is
    upstream, as sure as the least sure of them; else the side is not told, as it may lie behind a feeder that tells
    none. `why` names the side of each.
    """
    if len(found) == 1:
        return found[0][1]
    sides = [(name, *_side(one)) for name, one in found]
    every = [one for _, one in found]
    behind = [one for one in every if _side(one)[0] == DOWNSTREAM]
    if behind:
        lead = max(behind, key=lambda one: _side(one)[1])
    elif all(side != UNKNOWN for _, side, _ in sides):
        lead = min(every, key=lambda one: _side(one)[1])
    else:
        lead = replace(max(every, key=lambda one: one.cause.confidence), direction=None)
    words = ", ".join(
        f"{name} unknown" if side == UNKNOWN else f"{side} of {name} ({100 * sure:.0f} %)" for name, side, sure in sides
    )
    return replace(lead, why=f"{lead.why}; by feeder: {words}")


def _side(one: Explanation) -> tuple[str, float]:
    return (UNKNOWN, 0.0) if one.direction is None else (one.direction.direction, one.direction.confidence)
