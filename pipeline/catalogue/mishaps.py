"""The boundaries inside the judging of a record.

What goes wrong while one event is explained or named is a note on it, and it keeps its row. What goes wrong in one
detector is a reason in the coverage, and what the others find stays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final, Literal

from halfcycle.pipeline.detectors.contract import Chosen
from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.errors import ReadError, StoreError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.spread import leave_to_another

What = Literal["not explained", "not classified by the model", "uncertainty not determined"]
_WORDED: Final[dict[What, tuple[str, ...]]] = {
    "not explained": ("not explained",),
    "not classified by the model": ("not classified by the model", "not named by the model"),
    "uncertainty not determined": ("uncertainty not determined", "uncertainty not told"),
}
"""How notes say it: as they do today, then as earlier versions did, whose days are still stored."""
_OF_A_DETECTOR: Final = "detector failed: "


def noted(event: Event, what: What, work: Callable[[], Event]) -> Event:
    """The event with what some work finds of it; where the work fails, the event with the failure in its notes.

    Parameters
    ----------
    event : as it was measured.
    what : could not be done.
    work : gives the event with more in it.

    Raises
    ------
    MemoryError, ImportError : in a worker process, of which another has perhaps more.
    """
    try:
        return work()
    except Exception as error:
        leave_to_another(error)
        # A fault of the work must not cost the event that was measured.
        failure = f"{what} ({error or type(error).__name__})"
        return replace(event, notes="; ".join(filter(None, (event.notes, failure))))


def has_mishap(event: Event) -> bool:
    """Whether some work on an event failed."""
    return bool(mishaps_of(event.notes))


def mishaps_of(notes: str) -> tuple[What, ...]:
    """What could not be done on a row, by its notes, whichever version wrote them. notes: of the row."""
    return tuple(what for what, worded in _WORDED.items() if any(f"{words} (" in notes for words in worded))


def detected(
    detectors: Iterable[Chosen], measured: PointMeasures, event_of: Callable[[Finding], Event | None]
) -> tuple[list[Event], list[str]]:
    """What some detectors find, and what went wrong in those that failed: of these nothing is taken.

    Parameters
    ----------
    detectors : each for itself.
    measured : what they look at.
    event_of : a finding as an event; None: it is none.

    Raises
    ------
    ReadError, StoreError : samples could not be loaded, which is the capture's fault.
    MemoryError, ImportError : in a worker process, of which another has perhaps more.
    """
    events: list[Event] = []
    failures: list[str] = []
    for chosen in detectors:
        try:
            found = [event_of(finding) for finding in chosen.detector.find(measured, chosen.settings)]
        except (ReadError, StoreError):
            raise
        except Exception as error:
            leave_to_another(error)
            # Whether ours or another distribution's: the other detectors have their findings.
            failures.append(f"{_OF_A_DETECTOR}{chosen.detector.name} ({_told(error)})")
        else:
            events += [event for event in found if event is not None]
    return events, failures


def is_of_a_detector(reason: str) -> bool:
    """Whether a reason in the coverage says that a detector failed."""
    return reason.startswith(_OF_A_DETECTOR)


def _told(error: Exception) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
