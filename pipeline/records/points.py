"""Measuring points: which channels of a capture are judged together, and how each judged voltage is formed."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel, Header, SampleArray
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.terms import HIGH_LEG_RATIO, HOOKUPS, LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Hookup

_COLOURS = {"R": "A", "Y": "B", "B": "C"}
_LINE_PAIRS = {"AB": ("A", "B"), "BC": ("B", "C"), "CA": ("C", "A")}


@dataclass(frozen=True, slots=True)
class JudgedVoltage:
    """One judged voltage: a channel of the capture as it is, or a difference or sum of two.

    Attributes
    ----------
    phase : ``A`` … ``C`` or ``AB`` … ``CA``.
    terms : (index of a channel, sign) each; one term with sign +1 is the channel itself.
    """

    phase: str
    terms: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Point:
    """A measuring point of a capture.

    Attributes
    ----------
    name : of the point where the file holds several, else None.
    hookup : how the recorder is connected there.
    voltages : the judged voltages, in order of phase.
    notes : what was taken for granted.
    currents : phases and channels of the currents that belong to it.
    nominal_ratio : nominal voltage of the point's voltages over that which is given for the hookup.
    """

    name: str | None
    hookup: Hookup
    voltages: tuple[JudgedVoltage, ...]
    notes: tuple[str, ...] = ()
    currents: tuple[tuple[str, int], ...] = ()
    nominal_ratio: float = 1.0

    @property
    def phases(self) -> tuple[str, ...]:
        """Phases of the judged voltages."""
        return tuple(voltage.phase for voltage in self.voltages)


def points_of(header: Header, *, hookup: str | None = None) -> tuple[Point, ...]:
    """The measuring points of a capture.

    Parameters
    ----------
    header : its channels' quantities, phases and points decide.
    hookup : a name of `terms.HOOKUPS`, or None: told from the phases that each point has.

    Returns
    -------
    Points in order of their first channel; none where the capture has no voltage that can be judged. The high leg of a
    delta is a point of its own, since it is judged against a nominal voltage of its own.

    Raises
    ------
    SignalError : the hookup needs a voltage that the capture does not have.
    """
    return _points_among(header.channels, hookup)


@lru_cache(maxsize=64)  # the captures of a recorder have the same channels
def _points_among(recorded: tuple[Channel, ...], hookup: str | None) -> tuple[Point, ...]:
    channels = _by_colour(recorded)
    groups = _groups(channels)
    points = []
    for name, phases, notes in groups:
        if hookup is None and not any(phase != "N" for phase in phases):
            continue
        shown = name if len(groups) > 1 else None
        kind = HOOKUPS[hookup] if hookup is not None else _hookup_of(phases)
        currents = _currents(channels, point=name if shown else None)
        lacking = NEUTRAL in kind.voltages and NEUTRAL not in phases
        lack = (f"hookup {kind.name}, but no voltage from neutral to earth is recorded",) if lacking else ()
        points += _by_nominal(Point(shown, kind, _voltages(kind, phases), (*notes, *lack), currents))
    return tuple(points)


def _by_colour(channels: tuple[Channel, ...]) -> tuple[Channel, ...]:
    """Channels with their phases, where voltages are named by the colours red, yellow and blue: there B is blue."""
    letters = [re.sub(r"[^A-Z]", "", channel.name.upper())[-1:] for channel in channels]
    of_voltages = {letter for letter, channel in zip(letters, channels, strict=True) if channel.quantity == "voltage"}
    if not {"R", "Y", "B"} <= of_voltages or of_voltages & {"A", "C"}:
        return channels
    return tuple(
        replace(channel, phase=_COLOURS[letter]) if letter in _COLOURS and channel.quantity != "other" else channel
        for letter, channel in zip(letters, channels, strict=True)
    )


def _by_nominal(point: Point) -> list[Point]:
    """The point, or its high legs and its other legs apart: each against its own nominal voltage."""
    high = [voltage for voltage in point.voltages if voltage.phase in point.hookup.high_legs]
    if not high:
        return [point]
    parts = []
    for words, legs, ratio in (
        ("legs", [voltage for voltage in point.voltages if voltage not in high], 1.0),
        ("high leg", high, HIGH_LEG_RATIO),
    ):
        phases = [voltage.phase for voltage in legs]
        name = " ".join([*([point.name] if point.name else []), words, *phases])
        currents = tuple(current for current in point.currents if current[0] in phases)
        parts.append(replace(point, name=name, voltages=tuple(legs), currents=currents, nominal_ratio=ratio))
    return parts


def _currents(channels: tuple[Channel, ...], *, point: str | None) -> tuple[tuple[str, int], ...]:
    """The first current of each line conductor; where the file holds several points, only those named like it."""
    found: dict[str, int] = {}
    for i, channel in enumerate(channels):
        if channel.quantity == "current" and channel.phase in LINE_PHASES and point in (None, channel.point):
            found.setdefault(channel.phase, i)
    return tuple(sorted(found.items()))


def measured_channels(header: Header, point: Point) -> tuple[Channel, ...]:
    """The channels of the judged voltages and, after them, of the point's currents."""
    voltages = judged_channels(header, point)
    currents = tuple(header.channels[i] for _, i in point.currents)
    if _is_plain(point):
        return voltages + currents
    return voltages + tuple(Channel(c.name, "current", c.phase, "A") for c in currents)


def measured_samples(capture: Capture, point: Point, *, first: int = 0) -> SampleArray:
    """Samples of `measured_channels` from sample `first` on; in volts and amperes where a voltage is a difference."""
    rows = [i for _, i in point.currents]
    if _is_plain(point):
        return _rows(capture, [voltage.terms[0][0] for voltage in point.voltages] + rows, first)
    voltages = judged_samples(capture, point, first=first)
    return np.concatenate([voltages, *(capture.physical(i)[None, first:].astype(np.float32) for i in rows)])


def _is_plain(point: Point) -> bool:
    return all(len(voltage.terms) == 1 for voltage in point.voltages)


def judged_channels(header: Header, point: Point) -> tuple[Channel, ...]:
    """A channel for each judged voltage: its own; where one of them is a difference of two, one in volts for each."""
    if _is_plain(point):
        return tuple(header.channels[voltage.terms[0][0]] for voltage in point.voltages)
    return tuple(Channel(_name(header, voltage), "voltage", voltage.phase, "V") for voltage in point.voltages)


def _name(header: Header, voltage: JudgedVoltage) -> str:
    return header.channels[voltage.terms[0][0]].name if len(voltage.terms) == 1 else f"U{voltage.phase}"


def judged_samples(capture: Capture, point: Point, *, first: int = 0) -> SampleArray:
    """Raw samples of the judged voltages from sample `first` on, shape (n_voltages, n); volts for differences."""
    if _is_plain(point):
        return _rows(capture, [voltage.terms[0][0] for voltage in point.voltages], first)
    return np.stack([_combined(capture, voltage, first) for voltage in point.voltages])


def _rows(capture: Capture, rows: list[int], first: int) -> SampleArray:
    """Some rows from sample `first` on; no copy where they lie side by side."""
    if rows == list(range(rows[0], rows[0] + len(rows))):
        return capture.samples[rows[0] : rows[0] + len(rows), first:]
    return capture.samples[rows, first:]


def _combined(capture: Capture, voltage: JudgedVoltage, first: int) -> npt.NDArray[np.float32]:
    total = np.zeros(capture.header.n_samples - first, np.float32)
    for i, sign in voltage.terms:
        total += np.float32(sign) * capture.physical(i)[first:].astype(np.float32)
    return total


def _groups(channels: tuple[Channel, ...]) -> list[tuple[str, dict[str, int], tuple[str, ...]]]:
    """Voltage channels by point; within a point the second channel of a phase belongs to a second set, and so on."""
    named: dict[str, list[tuple[int, Channel]]] = {}
    for i, channel in enumerate(channels):
        if channel.quantity == "voltage":
            named.setdefault(channel.point, []).append((i, channel))
    groups: list[tuple[str, dict[str, int], tuple[str, ...]]] = []
    notes: tuple[str, ...]
    for point, found in named.items():
        members, notes = found, ()
        if all(not channel.phase for _, channel in found) or _are_numbered([channel for _, channel in found]):
            members, notes = _in_order(found)
        elif unnamed := [channel.name for _, channel in found if not channel.phase]:
            notes = (f"voltages of unknown phase, not judged: {', '.join(unnamed)}",)
        sets: list[dict[str, int]] = []
        for i, channel in members:
            if channel.phase:
                n_before = sum(channel.phase in phases for phases in sets)
                if n_before == len(sets):
                    sets.append({})
                sets[n_before][channel.phase] = i
        many = len(sets) > 1
        groups += [(f"{point} {n + 1}".strip() if many else point, phases, notes) for n, phases in enumerate(sets)]
    return [group for group in groups if any(phase != "N" for phase in group[1])]


def _are_numbered(channels: list[Channel]) -> bool:
    """Whether names run on in sets of three beyond what numbers of phases do: V1 to V6, of which V4 is no phase."""
    matches = [re.fullmatch(r"(.*?)0*(\d+)", channel.name) for channel in channels]
    numbers = [int(match[2]) for match in matches if match]
    return (
        len(channels) % len(LINE_PHASES) == 0
        and numbers == list(range(1, len(channels) + 1))
        and len({match[1] for match in matches if match}) == 1
        and not all(channel.phase for channel in channels)
    )


def _in_order(members: list[tuple[int, Channel]]) -> tuple[list[tuple[int, Channel]], tuple[str, ...]]:
    """Voltages whose phases are not named, taken in their order: one, two, or sets of three."""
    n = len(members)
    if n > len(LINE_PHASES) and n % len(LINE_PHASES):
        raise SignalError(f"the phases of {n} voltages are not named, and they do not form sets of three")
    phases = LINE_PHASES[:n]
    named = [(i, replace(channel, phase=phases[k % len(phases)])) for k, (i, channel) in enumerate(members)]
    return named, (f"phases not named; taken as {', '.join(phases)} in channel order",)


def _hookup_of(phases: dict[str, int]) -> Hookup:
    line = [phase for phase in LINE_PHASES if phase in phases]
    if not line:
        return HOOKUPS["three-wire"]
    return HOOKUPS[{1: "single-phase", 2: "split-phase", 3: "four-wire"}[len(line)]]


def _voltages(hookup: Hookup, phases: dict[str, int]) -> tuple[JudgedVoltage, ...]:
    if not hookup.line_to_line:
        if len(hookup.judged_phases) < len(LINE_PHASES):  # one or two line conductors, whichever they are
            present = [str(phase) for phase in LINE_PHASES if phase in phases][: len(hookup.judged_phases)]
        else:
            present = [phase for phase in hookup.judged_phases if phase in phases]
        if len(present) < len(hookup.judged_phases):
            got = ", ".join(phases) or "none"
            raise SignalError(f"hookup {hookup.name} needs {len(hookup.judged_phases)} voltages to neutral; got {got}")
        return tuple(JudgedVoltage(phase, ((phases[phase], 1),)) for phase in present)
    measured = [phase for phase in LINE_TO_LINE_PHASES if phase in phases]
    if len(measured) == 3 or (measured and len(measured) < 2):
        return tuple(JudgedVoltage(phase, ((phases[phase], 1),)) for phase in measured)
    if len(measured) == 2:
        (missing,) = set(LINE_TO_LINE_PHASES) - set(measured)
        third = JudgedVoltage(missing, tuple((phases[phase], -1) for phase in measured))
        own = [JudgedVoltage(phase, ((phases[phase], 1),)) for phase in measured]
        return tuple(sorted([*own, third], key=lambda voltage: LINE_TO_LINE_PHASES.index(voltage.phase)))
    if all(phase in phases for phase in LINE_PHASES):
        return tuple(
            JudgedVoltage(pair, ((phases[first], 1), (phases[second], -1)))
            for pair, (first, second) in _LINE_PAIRS.items()
        )
    raise SignalError(
        f"hookup {hookup.name} needs line-to-line voltages, or all three to ground; got {', '.join(phases)}"
    )
