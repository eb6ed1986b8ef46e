"""Sides in a site's own words: whether an event came from the side that the site declares as its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.terms import Side

OWN: Final = "from the site's own side"
OTHER: Final = "not from the site's own side"


def with_own_side(events: Sequence[Event], own_side: Side | None) -> list[Event]:
    """Events whose reasons say which of the two sides is the site's own.

    Parameters
    ----------
    events : of one site.
    own_side : as declared; None: not declared, and nothing is said.

    Returns
    -------
    The events in their order. Their direction stays that of the clamps' arrows; where it is not told, nothing is said.
    """
    if own_side is None:
        return list(events)
    return [event if event.direction is None else _said(event, own_side) for event in events]


def _said(event: Event, own_side: Side) -> Event:
    words = OWN if event.direction == own_side else OTHER
    return replace(event, why="; ".join(filter(None, (event.why, words))))
