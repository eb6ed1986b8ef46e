"""What a recorder's clock was like when it was last seen with others: zone, offset, drift, and when it was set."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from halfcycle.pipeline.incidents.clock_days import CLASS_A_S, clock_words

if TYPE_CHECKING:
    import pyarrow as pa

_NEAR_DAYS: Final = 10  # between two days of which the second may show a step
Interval = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class ClockState:
    """A recorder's clock on the last day that tells it.

    Attributes
    ----------
    day : that day.
    zone_s : whole or half hours ahead. [s]
    offset_s : ahead besides, with its 95 % interval: (value, low, high). [s]
    drift_s_a_day : likewise. [s/day]
    events : seen together with other sites on that day.
    stepped_on, step_s : the last day on which the clock was elsewhere than the days before let expect, zone included,
        and by how much it went ahead; None where it never was.
    """

    day: date
    zone_s: float
    offset_s: Interval
    drift_s_a_day: Interval
    events: int
    stepped_on: date | None = None
    step_s: float | None = None

    @property
    def findings(self) -> list[str]:
        """In words, what is the matter with it; none where all is well."""
        said = clock_words(self.zone_s, self.offset_s, self.drift_s_a_day)
        if self.stepped_on is not None and self.step_s is not None:
            way = "ahead" if self.step_s > 0 else "back"
            size = abs(self.step_s)
            words = f"{size / 3600:g} h" if size >= 900 and size % 900 < 1e-6 else f"{size:.3f} s"
            said.append(f"jumped {words} {way} on {self.stepped_on}")
        return said


def clock_states(table: pa.Table) -> dict[str, ClockState]:
    """The last state of each site's clock, by name. table: of `clock_days.clock_table`, in any order of rows."""
    rows = sorted(table.to_pylist(), key=lambda row: (row["site"], row["date"]))
    states: dict[str, ClockState] = {}
    for row in rows:
        before = states.get(row["site"])
        now = ClockState(
            row["date"], row["zone_s"], (row["offset_s"], row["offset_low_s"], row["offset_high_s"]),
            _drift(row), row["events"],
        )  # fmt: skip
        states[row["site"]] = now if before is None else _after(before, now)
    return states


def _drift(row: dict[str, Any]) -> Interval:
    """A day's drift. Tables of an earlier version of the code have no interval: nothing is sure then."""
    low, high = row.get("drift_low_s_a_day"), row.get("drift_high_s_a_day")
    if low is None or high is None:
        return row["drift_s_a_day"], -math.inf, math.inf
    return row["drift_s_a_day"], low, high


def _after(before: ClockState, now: ClockState) -> ClockState:
    """A state with the step that led to it, or else the last one before.

    A step is what neither the intervals of both days nor the drift between them explain.
    """
    days = (now.day - before.day).days
    zone_s = now.zone_s - before.zone_s
    step_s = now.offset_s[0] - before.offset_s[0]
    wander_s = sum(max(abs(one) for one in state.drift_s_a_day) for state in (before, now)) / 2 * days
    allowed_s = sum((state.offset_s[2] - state.offset_s[1]) / 2 for state in (before, now)) + wander_s + CLASS_A_S
    stepped = zone_s != 0 or (days <= _NEAR_DAYS and abs(step_s) > allowed_s)
    on, by = (now.day, zone_s or step_s) if stepped else (before.stepped_on, before.step_s)
    return ClockState(now.day, now.zone_s, now.offset_s, now.drift_s_a_day, now.events, on, by)
