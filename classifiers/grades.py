"""How far a measure lies on one side of limits, from 0 to 1; what is not known stays None."""

from __future__ import annotations


def rising(value: float | None, limits: tuple[float, float]) -> float | None:
    """0 up to the first limit, 1 from the second on, a line between; None stays None.

    Source: Zadeh, Fuzzy Sets, 1965 (from memory).
    """
    low, high = limits
    return None if value is None else min(max((value - low) / (high - low), 0.0), 1.0)


def falling(value: float | None, limits: tuple[float, float]) -> float | None:
    """1 down to the second limit, 0 from the first on. Source: Zadeh, Fuzzy Sets, 1965 (from memory)."""
    none, full = limits
    return None if value is None else rising(-value, (-none, -full))


def between(value: float | None, limits: tuple[float, float]) -> float | None:
    """1 within limits, 0 beyond. Source: definition of an interval."""
    return None if value is None else float(limits[0] <= value <= limits[1])


def weakest(*parts: float | None) -> float:
    """The weakest of the parts that are known; 0 where none is.

    Source: Zadeh, Fuzzy Sets, 1965 (from memory): "and" as the minimum.
    """
    known = [part for part in parts if part is not None]
    return min(known, default=0.0)


def strongest(*parts: float | None) -> float | None:
    """The strongest of the parts that are known.

    Source: Zadeh, Fuzzy Sets, 1965 (from memory): "or" as the maximum.
    """
    known = [part for part in parts if part is not None]
    return max(known) if known else None
