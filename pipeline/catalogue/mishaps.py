"""The boundary around what is said of one event: whatever goes wrong there is a note on it, and it keeps its row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal

from pipeline.events import Event

What = Literal["not explained", "not named by the model"]
_WHATS: Final[tuple[What, ...]] = ("not explained", "not named by the model")


def noted(event: Event, what: What, work: Callable[[], Event]) -> Event:
    """The event with what some work finds of it; where the work fails, the event with the failure in its notes.

    Parameters
    ----------
    event : as it was measured.
    what : could not be done.
    work : gives the event with more in it.
    """
    try:
        return work()
    except Exception as error:  # a fault of the work must not cost the event that was measured
        failure = f"{what} ({error or type(error).__name__})"
        return replace(event, notes="; ".join(filter(None, (event.notes, failure))))


def has_mishap(event: Event) -> bool:
    """Whether some work on an event failed, as its notes say."""
    return any(f"{what} (" in event.notes for what in _WHATS)
