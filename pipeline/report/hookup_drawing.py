"""How the recorder is connected, as a drawing: conductors, clamps and voltage leads, and what was found wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.report import svg
from halfcycle.pipeline.sites.wiring_model import turned_back
from halfcycle.pipeline.sites.wiring_words import WiringFinding
from halfcycle.pipeline.terms import LINE_PHASES, NEUTRAL, Hookup

LEFT: Final = 60.0
RIGHT: Final = 440.0
TOP: Final = 160.0
STEP: Final = 64.0
_CLAMP_STEP: Final = 34.0
_METER_STEP: Final = 52.0
_SURE: Final = 0.8
_SHORT_WORD: Final = 5  # signs


@dataclass(frozen=True, slots=True)
class _Clamp:
    conductor: str
    word: str = ""
    backwards: bool = False


@dataclass(frozen=True, slots=True)
class _Meter:
    first: str
    second: str
    word: str = ""


def hookup_parts(hookup: Hookup, found: Sequence[WiringFinding] = (), currents: Sequence[str] = ()) -> list[str]:
    """The pieces of the drawing, supply left and load right.

    Parameters
    ----------
    hookup : how the recorder is meant to be connected.
    found : what seems wrong; it is drawn as found, and marked with a word.
    currents : conductors whose current is measured, besides those that the hookup needs.
    """
    conductors = conductors_of(hookup)
    y = {name: TOP + STEP * k for k, name in enumerate(conductors)}
    parts = [
        svg.text(LEFT, TOP - 52, "supply (upstream)", size=12),
        svg.text(RIGHT, TOP - 52, "load (downstream)", size=12, anchor="end"),
    ]
    for name in conductors:
        colour = svg.COLOURS.get(name, svg.INK)
        parts.append(svg.line(LEFT, y[name], RIGHT, y[name], colour, width=2.5, dash=svg.DASHES[name]))
        parts.append(svg.text(LEFT - 10, y[name] + 5, name, size=15, anchor="end", colour=colour, weight="bold"))
        if name in hookup.high_legs:
            parts.append(svg.text(RIGHT, y[name] - 8, "high leg", size=11, anchor="end", colour=colour))
    clamps, meters = _clamps(hookup, found, currents), _meters(hookup, found)
    x = LEFT + 36.0
    for channel, clamp in clamps.items():
        parts += _clamp_parts(x, y[clamp.conductor], channel, clamp)
        x += _CLAMP_STEP
    x += 22.0
    for channel, meter in meters.items():
        parts += _meter_parts(x, y, channel, meter)
        x += _METER_STEP
    return parts


def conductors_of(hookup: Hookup) -> tuple[str, ...]:
    """The conductors of a hookup, as they are drawn from above."""
    if hookup.line_to_line:
        return LINE_PHASES
    lines = hookup.judged_phases
    return (*lines, NEUTRAL, "E") if NEUTRAL in hookup.voltages else (*lines, NEUTRAL)


def _clamps(hookup: Hookup, found: Sequence[WiringFinding], currents: Sequence[str]) -> dict[str, _Clamp]:
    more = [conductor for conductor in currents if conductor in conductors_of(hookup)]
    clamps = {channel: _Clamp(channel) for channel in dict.fromkeys([*hookup.currents, *more])}
    for one in found:
        for channel, clamp in _clamps_found(one, hookup).items():
            if channel in clamps and clamp.conductor in conductors_of(hookup):
                clamps[channel] = clamp
    return clamps


def _clamps_found(one: WiringFinding, hookup: Hookup) -> dict[str, _Clamp]:
    """Clamps as a finding has them, each with its word."""
    phases, doubt = one.phases, "" if one.sure >= _SURE else "?"
    if one.fault == "current_reversed":
        return {phases[0]: _Clamp(phases[0], f"backwards{doubt}", backwards=True)}
    if one.fault == "power_reversed":
        return {p: _Clamp(p, "backwards?") for p in hookup.currents}  # or power flows back, as the note says
    if one.fault in ("currents_swapped", "currents_rotated"):
        on = _places(one)
        return {channel: _Clamp(place, f"on {place}{doubt}") for channel, place in on.items()}
    if one.fault == "current_wrong_phase":
        return {phases[0]: _Clamp(phases[1], f"on {phases[1]}{doubt}")}
    if one.fault in ("current_missing", "current_ratio"):
        return {phases[0]: _Clamp(phases[0], "no signal" if one.fault == "current_missing" else f"ratio{doubt}")}
    return {}


def _meters(hookup: Hookup, found: Sequence[WiringFinding]) -> dict[str, _Meter]:
    meters = {channel: _Meter(*_ends(channel)) for channel in hookup.voltages}
    for one in found:
        doubt = "" if one.sure >= _SURE else "?"
        if one.fault in ("voltages_swapped", "voltages_rotated"):
            on = _places(one)
            meters = {
                channel: _Meter(
                    on.get(meter.first, meter.first), on.get(meter.second, meter.second),
                    _word(channel, on, doubt) if {meter.first, meter.second} & set(on) else meter.word,
                ) if channel != NEUTRAL else meter
                for channel, meter in meters.items()
            }  # fmt: skip
        elif one.fault in ("voltage_reversed", "voltage_ratio", "voltage_missing", "voltage_wrong_phase"):
            meters |= _meter_found(one, meters, doubt)
        elif one.fault == "neutral_missing":
            meters = {c: _Meter(m.first, m.second, f"N lead off{doubt}") for c, m in meters.items()}
    return meters


def _word(channel: str, on: dict[str, str], doubt: str) -> str:
    return f"on {on[channel]}{doubt}" if channel in on else f"leads{doubt}"


def _meter_found(one: WiringFinding, meters: dict[str, _Meter], doubt: str) -> dict[str, _Meter]:
    channel = one.phases[0]
    if channel not in meters:  # a lead of line-to-line voltages
        return {c: _Meter(m.first, m.second, "no signal") for c, m in meters.items() if channel in (m.first, m.second)}
    meter = meters[channel]
    if one.fault == "voltage_reversed":
        return {channel: _Meter(meter.second, meter.first, f"reversed{doubt}")}
    if one.fault == "voltage_wrong_phase":
        return {channel: _Meter(one.phases[1], meter.second, f"on {one.phases[1]}{doubt}")}
    return {channel: _Meter(meter.first, meter.second, "no signal" if one.fault == "voltage_missing" else "ratio")}


def _places(one: WiringFinding) -> dict[str, str]:
    """Conductor that each lead or clamp is on, where they are exchanged or rotated."""
    order = one.phases
    if one.fault.endswith("rotated"):
        order = turned_back(one.phases)
        return {there: here for here, there in zip(order, [*order[1:], order[0]], strict=True)}
    return {order[0]: order[1], order[1]: order[0]}


def _ends(channel: str) -> tuple[str, str]:
    if channel == NEUTRAL:
        return NEUTRAL, "E"
    return channel[0], channel[1] if len(channel) == 2 else NEUTRAL


def _clamp_parts(x: float, y: float, channel: str, clamp: _Clamp) -> list[str]:
    """A ring round the conductor, and an arrow towards the load, or as it was found."""
    colour = svg.COLOURS[channel]
    tip, tail = (x - 15, x + 13) if clamp.backwards else (x + 15, x - 13)
    arrow = svg.MARK if clamp.backwards else colour
    parts = [
        svg.ring(x, y, colour, across=7, down=14),
        svg.line(tail, y - 20, tip, y - 20, arrow, width=1.8),
        svg.head(tip, y - 20, math.pi if clamp.backwards else 0.0, arrow, filled=False),
        svg.text(x, y - 26, f"I{channel}", size=12, anchor="middle", colour=colour, weight="bold"),
    ]
    if clamp.word:
        parts += [
            svg.ring(x, y, svg.MARK, across=13, down=19, width=1.5),
            # What is longer ends below the ring: the next clamp's name stands to the right of it.
            svg.text(x + 13, y + 31, clamp.word, size=11, anchor="end", colour=svg.MARK, weight="bold")
            if len(clamp.word) > _SHORT_WORD
            else svg.text(x, y + 31, clamp.word, size=11, anchor="middle", colour=svg.MARK, weight="bold"),
        ]
    return parts


def _meter_parts(x: float, y: dict[str, float], channel: str, meter: _Meter) -> list[str]:
    """A pair of leads from one conductor to another, a dot at each, the plus at the first."""
    first, second = y.get(meter.first, TOP), y.get(meter.second, TOP)
    middle, down = (first + second) / 2, 1 if second >= first else -1
    colour = svg.COLOURS[channel[0]]
    parts = [
        svg.line(x, first, x, second, svg.INK, width=1.2),
        svg.dot(x, first, colour),
        svg.dot(x, second, svg.INK),
        svg.box(x, middle, 40, 22, svg.MARK if meter.word else colour),
        svg.text(x, middle + 5, f"U{channel}", size=12, anchor="middle", colour=colour, weight="bold"),
        svg.text(x + 6, first + (16 if down > 0 else -8), "+", size=13),
    ]
    if meter.word:
        parts.append(svg.text(x, middle + 24, meter.word, size=11, anchor="middle", colour=svg.MARK, weight="bold"))
    return parts
