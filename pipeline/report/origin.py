"""Where a report comes from: its period, its inputs by digest, its command; without a clock, without absolute paths."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.locales import PLAIN, Manner, written_in
from halfcycle.pipeline.report.times import LocalTime


def origin(
    events: Sequence[Event],
    coverage: Sequence[CoverageSpan],
    *,
    command: Sequence[str],
    inputs: Mapping[str, Path],
    period_ns: tuple[int, int] | None = None,
    manner: Manner = PLAIN,
) -> list[tuple[str, str]]:
    """What a report was made of and how to reproduce it, as (what, value).

    Parameters
    ----------
    events, coverage : of the report.
    command : its words, all that shaped the page among them.
    inputs : files it was made of, by what they are.
    period_ns : that was asked for, half-open; None: that of events and coverage. [ns since 1970-01-01]
    manner : how dates are written.
    """
    clock = LocalTime()
    starts = [event.start for event in events] + [span.start for span in coverage]
    ends = [event.end for event in events] + [span.end for span in coverage]
    first, last = period_ns or (min(starts, default=None), max(ends, default=None))
    period = "no event and no coverage"
    if first is not None and last is not None:
        with written_in(manner):
            period = f"{clock.day(first)} to {clock.day(max(last - 1, first))}"
    rows = [("period", period), ("made with", f"halfcycle {version('halfcycle')}")]
    for name, path in inputs.items():
        rows.append((name, f"{path.name}, SHA-256 {hashlib.sha256(path.read_bytes()).hexdigest()}"))
    rows += [("rows", str(len(events))), ("to reproduce it", shlex.join(command))]
    return rows


def shown_path(path: Path) -> str:
    """A path as a page may name it: as it was given, an absolute one without its folders."""
    return path.name if path.is_absolute() else str(path)
