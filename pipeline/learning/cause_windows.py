"""Windows of solved circuits as a detector would cut them, and the numbers of each, for training a model of causes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from halfcycle.classifiers.cause import rule_scores
from halfcycle.classifiers.evidence import Evidence
from halfcycle.pipeline.catalogue.explain import measured, side_of
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.event_parts import event_parts
from halfcycle.pipeline.measures.event_window import EventWindow, at_onset
from halfcycle.pipeline.synthesis.circuit.family import CircuitCase

_LEAD_CYCLES: Final = 8.0
_LINE_SHARE: Final = 0.2  # of the cases, of which only voltages between lines are known
_LEAST_CHANGE_PU: Final = 0.003
_LEAST_RING: Final = 0.03
_OF_CURRENTS: Final = frozenset({
    "current_ratio", "added_current", "added_power_factor", "added_lagging", "added_end_share", "kept_power_pu",
    "kept_reactive_pu", "second_harmonic", "direct_current", "oscillation_current", "oscillation_current_hz",
    "direction",
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Example:
    """The numbers of one window and what it shows.

    Attributes
    ----------
    numbers : as of `measures.cause_features`.
    cause : true.
    group : family of grids.
    has_currents : whether they were known.
    case : number of the case it is of.
    """

    numbers: dict[str, float]
    cause: str
    group: str
    has_currents: bool
    case: int


def examples_of(case: CircuitCase, k: int, seed: int) -> list[Example]:
    """The windows of a case, each with currents and without; none of what nobody would see.

    Parameters
    ----------
    case : with its truth.
    k, seed : its number, and that of its family; the places of the windows are drawn by them.
    """
    rng = np.random.default_rng([seed, k, 1])
    found: list[Example] = []
    for event in case.events:
        cut = window_of(case, event.start_s, rng, line_to_line=bool(rng.random() < _LINE_SHARE))
        if cut is None:
            continue
        try:
            evidence, numbers = numbers_of(*cut)
        except SignalError:
            continue
        if not _is_seen(numbers):
            continue
        if _is_seen_in_currents(numbers) or event.cause_by_voltage is not None:
            found.append(Example(numbers, event.cause, case.group, True, k))
        if event.cause_by_voltage is not None and _is_seen(numbers, currents=False):
            found.append(Example(without_currents(evidence, numbers), event.cause_by_voltage, case.group, False, k))
    return found


def window_of(
    case: CircuitCase, start_s: float, rng: np.random.Generator, *, line_to_line: bool = False
) -> tuple[EventWindow, float | None] | None:
    """The window of something, half a cycle off at most, and where the next sag begins; None: the case is too short."""
    cycle = case.rate_hz / case.nominal_hz
    start = start_s * case.rate_hz + float(rng.uniform(-0.5, 0.5)) * cycle
    first = max(0, int(start - _LEAD_CYCLES * cycle))
    u = case.u_v[:, first:].astype(np.float64)
    u = u - np.roll(u, -1, axis=0) if line_to_line else u
    i = case.i_a[:, first:].astype(np.float64)
    start -= first
    if start < 3.2 * cycle or u.shape[1] < start + 3 * cycle:
        return None
    stop, following = _detected(u, start, cycle, rng)
    return EventWindow(u, i, case.rate_hz, case.nominal_hz, start, stop, line_to_line), following


def numbers_of(window: EventWindow, following: float | None) -> tuple[Evidence, dict[str, float]]:
    """What the rules and the model are asked with, just as an event of a catalogue is."""
    parts = event_parts(at_onset(window), following)
    return measured(parts, side_of(parts.own, parts.series))


def without_currents(evidence: Evidence, numbers: dict[str, float]) -> dict[str, float]:
    """The numbers as they would be, had no current been measured."""
    bare = replace(evidence, **{f.name: None for f in fields(evidence) if f.name in _OF_CURRENTS})
    kept = {
        name: value
        for name, value in numbers.items()
        if not name.startswith("i_") and name != "side" and name not in _OF_CURRENTS
    }
    return kept | rule_scores(bare)


def _detected(u: np.ndarray, start: float, cycle: float, rng: np.random.Generator) -> tuple[float, float | None]:
    """Stop, beyond the end where it is not seen, and the next sag's start; of no sag, a stop soon after the start."""
    n = round(cycle)
    squares = np.cumsum(np.pad(u**2, ((0, 0), (1, 0))), axis=1)
    hops = np.arange(0, u.shape[1] - n, max(n // 2, 1))
    rms = np.sqrt(np.maximum(squares[:, hops + n] - squares[:, hops], 0) / n)
    before = rms[:, (hops + n < start)][:, -8:].mean(axis=1)
    relative = rms / np.maximum(before, 1e-30)[:, None]
    beyond = ((relative < 0.9) | (relative > 1.1)).any(axis=0) & (hops + n > start)
    soon = beyond & (hops < start + 2 * cycle)
    if not soon.any():
        return start + float(rng.uniform(0.3, 5)) * cycle, None
    first = int(soon.argmax())
    inside = np.flatnonzero(~beyond[first:])
    if not inside.size:
        return float(u.shape[1] + 1), None
    stop = float(hops[first + inside[0]])
    again = np.flatnonzero((relative < 0.9).any(axis=0) & (hops > stop + 2 * cycle))
    return max(stop, start + 1), float(hops[again[0]]) if again.size else None


def _is_seen(numbers: dict[str, float], *, currents: bool = True) -> bool:
    moved = max(abs(1 - numbers.get("lowest_low", 1.0)), abs(numbers.get("highest_high", 1.0) - 1))
    if moved > _LEAST_CHANGE_PU + 3 * numbers.get("before_moves", 0.0) or numbers.get("u_ring_most", 0.0) > _LEAST_RING:
        return True
    return currents and _is_seen_in_currents(numbers)


def _is_seen_in_currents(numbers: dict[str, float]) -> bool:
    return (
        numbers.get("i_most", 1.0) > 1.5 or numbers.get("i_least", 1.0) < 0.5 or numbers.get("i_ring_most", 0.0) > 0.5
    )
