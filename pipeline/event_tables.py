"""How many dips, swells and interruptions a survey held, in the tables that a profile of limits names."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipeline.events import Event, with_identity
from pipeline.indices.cells import count_cells, grid
from pipeline.indices.counted import polyphase
from pipeline.survey.compliance import LimitProfile
from pipeline.survey.event_flags import Passed
from pipeline.survey.stored import Key, StoredTrend, told_key

_LONG_S: Final = 180.0  # an interruption of more than this is a long one: EN 50160:2010, 3 (from memory)
_SIDES: Final = ("dips", "swells")


def counted_events(trends: Sequence[StoredTrend], profile: LimitProfile) -> dict[Key, list[str]]:
    """What the tables of a profile hold, in words, by site and point.

    Parameters
    ----------
    trends : of all intervals; one of a point that tells its events is enough.
    profile : names the tables; none: nothing is counted.

    Returns
    -------
    A line a table and one of interruptions. Where the declared voltage is not told, or trends were read that hold no
    events, the line says so: that is not the same as none.

    Source: EN 50160:2010, tables of dips and swells, interruptions clause 3 (from memory); counted as events of all
    phases of a point together, IEC 61000-4-30, 5.4.
    """
    by_key: dict[Key, list[StoredTrend]] = {}
    for one in trends if profile.event_tables else ():
        by_key.setdefault(told_key(*one.key, one.certificate.origin), []).append(one)
    return {key: _lines(ones, profile) for key, ones in by_key.items()}


def _lines(trends: Sequence[StoredTrend], profile: LimitProfile) -> list[str]:
    known = [one for one in trends if one.trend.passed is not None]
    if not known:
        return [
            "dips, swells and interruptions are not counted: the trend holds no events; waveforms and logs of RMS do"
        ]
    if known[0].trend.nominal_kind != "declared":
        return ["dips, swells and interruptions are not counted: the declared voltage is not told"]
    passed = known[0].trend.passed or ()
    counted = polyphase([_event(one) for one in passed])
    lines = []
    for name in profile.event_tables:
        table = grid(name)
        side = "swell" if name.endswith(_SIDES[1]) else "sag"
        found = count_cells([one for one in counted if one.side == side], table)
        cells = [f"{cell} {n}" for cell, n in found.counts.items() if n]
        cells += [f"{found.outside} in no cell"] if found.outside else []
        lines.append(f"{table.title}: {', '.join(cells) or 'none'} ({table.sources[0]}; a count, not a limit)")
    lost = [one.duration_s for one in passed if one.kind == "interruption"]
    long = sum(duration > _LONG_S for duration in lost)
    lines.append(f"interruptions: {len(lost) - long} of at most 3 min, {long} longer")
    n_open = sum(one.is_open for one in passed)
    return [*lines, *([f"of these {n_open} went on where the record begins or ends"] if n_open else [])]


def _event(one: Passed) -> Event:
    """A row as the tables count it."""
    return with_identity(
        Event(
            site="", kind=one.kind, start=one.start_ns, duration_s=None if one.is_open else one.duration_s,
            observed_s=one.duration_s, magnitude=one.magnitude_pu, phases="", line_to_line=False, reference_v=1.0,
            open_end=one.is_open, capture="",
        )
    )  # fmt: skip
