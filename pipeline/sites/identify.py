"""Which channel is which, drafted from the waves themselves and whatever the recording says of them.

Power-frequency channels make three-phase sets by balance and rotation; what is left is a neutral, a battery, an unused
input, or cannot be told. A draft is no more than that: what it is less than `SURE` of is for a person to look at.
What the waves cannot tell in principle stays open: which conductor is called A, and whether a lone set of three is
measured to neutral or between phases.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.sites.channel_look import ChannelLook, Stretch, look_at, shapes, steady_stretches
from halfcycle.pipeline.sites.channel_phases import SetPhases, phases_of_sets
from halfcycle.pipeline.sites.channel_quantity import (
    SetQuantity,
    line_to_line_of,
    quantities_of_sets,
    traits_of,
)
from halfcycle.pipeline.sites.channel_sets import ThreePhaseSet, three_phase_sets
from halfcycle.pipeline.terms import NEUTRAL, Quantity, quantity_of_unit

SURE: Final = 0.9
"""Confidence from which on a draft may be used without a person's look at it."""

Role = Literal["phase", "neutral", "dc", "unused", "idle", "unknown"]
ROLES: Final = {
    "phase": "one of a set of phases",
    "neutral": "neutral or residual: the sum of a set",
    "dc": "dc voltage or current, such as a station battery",
    "unused": "unused input: no power-frequency content",
    "idle": "carries power frequency only during disturbances",
    "unknown": "cannot tell",
}

_FUNDAMENTAL_SHARE: Final = 0.5  # of a channel's AC RMS that is its fundamental, where it has power-frequency content
_IDLE: Final = 0.02  # of its own largest cycle: a lone channel with less in the steady state is idle there,
_SILENT: Final = 0.003  # and one with less than this is in no set
_UNUSED: Final = 0.005  # of the largest of its quantity: no more than what an open input picks up
_DC: Final = 10.0  # times its AC RMS: a mean that makes a channel a direct one
_STEADY_DC: Final = 50.0  # times it: steadier than the offset of an open input mostly is
_BATTERY_V: Final = 20.0  # lower than any station battery
_NOISE: Final = 0.5  # correlation of samples that follow one another: below, it is noise
_SUM: Final = 0.97  # correlation of a residual channel with the sum of its set
_NEAR_SUM: Final = 0.02  # by which a set beside the channel may be less like it


@dataclass(frozen=True, slots=True)
class ChannelDraft:
    """What one channel seems to be.

    Attributes
    ----------
    name : as the recording has it.
    role : a key of `ROLES`.
    quantity : ``voltage``, ``current``, ``other``, or None: cannot tell.
    phase : ``A`` … ``CA``, ``N``, or ``""``: cannot tell.
    point : name of the set that it belongs to, or ``""``.
    confidence : 0 to 1, of all of it together.
    evidence : in words.
    """

    name: str
    role: Role
    quantity: Quantity | None
    phase: str
    point: str
    confidence: float
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetDraft:
    """A three-phase set.

    Attributes
    ----------
    point : its name.
    channels : positions of its channels, in order of rotation: each 120 degrees behind the one before.
    quantity : None: cannot tell.
    line_to_line : whether it is measured between phases; None: cannot tell, or currents.
    membership_confidence : 0 to 1, that these channels are a set, in this order of rotation.
    quantity_confidence : 0 to 1; 0 where the quantity cannot be told.
    evidence : in words.
    """

    point: str
    channels: tuple[int, ...]
    quantity: Quantity | None
    line_to_line: bool | None
    membership_confidence: float
    quantity_confidence: float
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Draft:
    """Which channel is which.

    Attributes
    ----------
    channels : in the recording's order.
    sets : the three-phase sets among them, in order of their first channel.
    frequency_hz : of the fundamental, or None where there is none. [Hz]
    """

    channels: tuple[ChannelDraft, ...]
    sets: tuple[SetDraft, ...]
    frequency_hz: float | None


def draft_channels(samples: npt.ArrayLike, channels: Sequence[Channel], *, rate_hz: float) -> Draft:
    """Draft which channel is which.

    Parameters
    ----------
    samples : shape (n_channels, n). Values in the channels' units where those are known, else raw ones.
    channels : what the recording says of each: name, unit, quantity (``other`` where it says none), phase, point, and
        rails in raw counts, which are used with the channel's scale. All of it may be blank.
    rate_hz : sampling rate. [Hz]

    Returns
    -------
    Draft. Quantities and phases that the recording states are kept, and what speaks against them is in the evidence.

    Raises
    ------
    SignalError : shapes do not fit one another, under two cycles, or too slow a rate.

    Source: derived, and common practice for what is usual; see the modules of sets and quantities.
    """
    look = look_at(samples, rate_hz=rate_hz)
    if len(channels) != look.values.shape[0]:
        raise SignalError(f"{look.values.shape[0]} rows of samples for {len(channels)} channels; allowed are as many")
    stated = [stated_quantity(channel) for channel in channels]
    lone = {i: draft for i in range(len(channels)) if (draft := _without_power_frequency(look, i, channels, stated))}
    live = np.array([i not in lone for i in range(len(channels))])
    if look.frequency_hz is None or not live.any():
        return Draft(tuple(lone.get(i) or _unknown(c, stated[i]) for i, c in enumerate(channels)), (), None)
    stretch, sets, idle = _best_sets(look, live, channels, stated)
    form = shapes(look, stretch)
    lines = line_to_line_of(look, sets)
    full_scales = _full_scales(channels)
    quantities = quantities_of_sets(
        [traits_of(look, one, stretch=stretch, shapes=form, full_scales=full_scales) for one in sets],
        stated=[_of_members(one.members, stated) for one in sets],
        line_to_line={q: p for q, (p, _) in lines.items()},
    )
    steady = np.median(look.phasors[:, stretch[0] : stretch[1]], axis=1)
    phases = phases_of_sets(steady, sets, channels=channels, quantities=[q.quantity for q in quantities], lines=lines)
    drafted: dict[int, ChannelDraft] = dict(lone)
    of_sets: list[SetDraft] = []
    for n, (one, quantity, named) in enumerate(zip(sets, quantities, phases, strict=True), start=1):
        of_set, of_channels = _drafted_set(f"set {n}", one, quantity, named, channels, stated)
        of_sets.append(of_set)
        drafted |= of_channels
    for i, channel in enumerate(channels):
        if i not in drafted:
            drafted[i] = _left_over(look, i, channel, stated, of_sets, idle=i in idle, steady=steady)
    return Draft(tuple(drafted[i] for i in range(len(channels))), tuple(of_sets), look.frequency_hz)


def stated_quantity(channel: Channel) -> Quantity | None:
    """Voltage, current or another quantity, as the recording states it by quantity or unit; None where it does not."""
    if channel.quantity != "other":
        return channel.quantity
    if not channel.unit.strip():
        return None
    by_unit: Quantity = quantity_of_unit(channel.unit)[0]
    return by_unit


def _of_members(members: Sequence[int], stated: Sequence[Quantity | None]) -> Quantity | None:
    said = {stated[i] for i in members} - {None}
    return said.pop() if len(said) == 1 else None


def _without_power_frequency(
    look: ChannelLook, i: int, channels: Sequence[Channel], stated: Sequence[Quantity | None]
) -> ChannelDraft | None:
    """Batteries and unused inputs; None for a channel with power-frequency content."""
    channel, mean, ac = channels[i], abs(float(look.means[i])), float(look.ac_rms[i])
    quantity = stated[i]
    kind = [k for k in range(len(channels)) if stated[k] == quantity and quantity in ("voltage", "current")]
    largest = max((float(np.abs(look.phasors[k]).max(initial=0.0)) for k in kind), default=0.0)
    fundamental = float(np.abs(look.phasors[i]).max(initial=0.0))
    if ac == 0 and mean == 0:
        return _lone(channel, "unused", quantity, 0.98, "zero throughout")
    if mean > _DC * ac:
        return _direct(channel, quantity, mean=mean, ac=ac, largest=largest)
    beside = f" beside {largest:.4g}" if largest else ""
    if fundamental < _UNUSED * largest and ac < 2 * _UNUSED * largest:
        words = f"{ac:.2g} of {quantity}, no more than the pick-up of an open input{beside}"
        return _lone(channel, "unused", quantity, 0.9 if quantity == "voltage" else 0.6, words)
    steady = abs(look.phasors[i].mean()) if look.phasors.shape[1] else 0.0
    if steady >= _FUNDAMENTAL_SHARE * ac or 0 < fundamental >= _FUNDAMENTAL_SHARE * look.rms[i].max(initial=0.0):
        return None
    x = look.values[i]
    if float(x[1:] @ x[:-1]) < _NOISE * float(x @ x):
        small = ac < 2 * _UNUSED * largest
        return _lone(channel, "unused", quantity, 0.95 if small else 0.85, f"only noise, {ac:.2g}{beside}")
    return _lone(channel, "unknown", quantity, 0.0, f"AC of {ac:.2g}, but none at power frequency: cannot tell")


def _direct(channel: Channel, quantity: Quantity | None, *, mean: float, ac: float, largest: float) -> ChannelDraft:
    """A channel that stands at one value: a battery, or the offset of an open input."""
    words = f"steady at {mean:.4g}, AC only {ac:.2g}"
    if quantity in ("voltage", "current") and mean < _UNUSED * largest:
        return _lone(channel, "unused", quantity, 0.9, f"{words}, beside {largest:.4g}: the offset of an open input")
    if quantity == "voltage":
        sure = 0.95 if mean >= _BATTERY_V else 0.5
        return _lone(channel, "dc", quantity, sure, f"{words}: a dc voltage, such as a station battery")
    sure = 0.8 if mean > _STEADY_DC * ac > 0 else 0.5
    return _lone(channel, "dc", quantity, sure, f"{words}: a dc quantity, or the offset of an open input")


def _lone(channel: Channel, role: Role, quantity: Quantity | None, confidence: float, words: str) -> ChannelDraft:
    return ChannelDraft(channel.name, role, quantity, "", "", confidence, (words,))


def _unknown(channel: Channel, quantity: Quantity | None) -> ChannelDraft:
    return ChannelDraft(channel.name, "unknown", quantity, channel.phase, "", 0.0, ("cannot tell from the waveforms",))


def _best_sets(
    look: ChannelLook, live: npt.NDArray[np.bool_], channels: Sequence[Channel], stated: Sequence[Quantity | None]
) -> tuple[Stretch, list[ThreePhaseSet], set[int]]:
    """The steady stretch in which most channels make sets, the sets, and the channels that are idle there."""
    largest = np.abs(look.phasors).max(axis=1)

    def fits(members: tuple[int, ...]) -> bool:
        quantities = {stated[i] for i in members} - {None}
        points = {channels[i].point for i in members if stated[i] == "voltage"}
        phases = [channels[i].phase for i in members if channels[i].phase]
        return len(quantities) <= 1 and len(points) <= 1 and len(set(phases)) == len(phases) and "N" not in phases

    best: tuple[float, Stretch, list[ThreePhaseSet], set[int]] | None = None
    for stretch in steady_stretches(look, live):
        part = look.phasors[:, stretch[0] : stretch[1]]
        phasors = np.median(part.real, axis=1) + 1j * np.median(part.imag, axis=1)
        idle = set(np.flatnonzero(live & (np.abs(phasors) < _IDLE * largest)).tolist())
        usable = np.flatnonzero(live & (np.abs(phasors) >= _SILENT * largest)).tolist()
        sets = three_phase_sets(phasors, shapes(look, stretch), usable=usable, fits=fits)
        worth = sum(one.confidence for one in sets)
        if best is None or worth > best[0] + 0.3:
            best = (worth, stretch, sets, idle)
    if best is None:
        return (0, look.phasors.shape[1]), [], set()
    return best[1:]


def _full_scales(channels: Sequence[Channel]) -> dict[int, float]:
    """Largest value either way, of the channels whose rails are known. [unit of the channel]"""
    return {
        i: max(abs(c.rail_low), abs(c.rail_high)) * abs(c.scale)
        for i, c in enumerate(channels)
        if c.rail_low is not None and c.rail_high is not None
    }


def _drafted_set(
    point: str,
    one: ThreePhaseSet,
    quantity: SetQuantity,
    named: SetPhases,
    channels: Sequence[Channel],
    stated: Sequence[Quantity | None],
) -> tuple[SetDraft, dict[int, ChannelDraft]]:
    balance = f"equal within {100 * one.off_balance:.1f} % and 120° apart with {_listed(channels, one.members)}"
    evidence = [balance, f"channels lie {one.layout}"]
    if one.turned_round is not None:
        evidence.append(f"only with {channels[one.turned_round].name or one.turned_round} reversed")
    if one.rivals:
        evidence.append(f"could equally be {' or '.join(_listed(channels, rival) for rival in one.rivals[:3])}")
    evidence += [*named.evidence, *quantity.evidence]
    of_set = SetDraft(
        point, one.members, quantity.quantity, named.line_to_line, one.confidence, quantity.confidence, tuple(evidence)
    )
    of_channels = {}
    for i, phase, sure in zip(one.members, named.phases, named.confidences, strict=True):
        agrees = stated[i] in (None, quantity.quantity)
        confidence = min(one.confidence, quantity.confidence if agrees else 0.3, sure)
        said = quantity.quantity if agrees else stated[i]
        of_channels[i] = ChannelDraft(channels[i].name, "phase", said, phase, point, confidence, tuple(evidence))
    return of_set, of_channels


def _listed(channels: Sequence[Channel], members: Sequence[int]) -> str:
    return ", ".join(channels[i].name or f"channel {i + 1}" for i in members)


def _left_over(
    look: ChannelLook,
    i: int,
    channel: Channel,
    stated: Sequence[Quantity | None],
    sets: Sequence[SetDraft],
    *,
    idle: bool,
    steady: npt.NDArray[np.complex128],
) -> ChannelDraft:
    """A channel with power frequency that is in no set: the sum of one, idle, or unknown."""
    best: tuple[float, SetDraft] | None = None
    for one in sets:
        if channel.phase not in ("", NEUTRAL) or (stated[i] not in (None, one.quantity) and one.quantity is not None):
            continue
        alike = _likeness(look.values[list(one.channels)].sum(axis=0), look.values[i])
        near = _NEAR_SUM if _is_beside(i, one) else 0.0
        if alike > _SUM and (best is None or alike + near > best[0] + _NEAR_SUM * _is_beside(i, best[1])):
            best = (alike, one)
    if best is not None:
        alike, one = best
        beside = _is_beside(i, one)
        evidence = [f"follows the sum of {one.point} to {100 * alike:.1f} %"]
        evidence.append("beside it" if beside else "apart from it")
        likely = 0.92 if beside and alike > 0.99 and stated[i] else 0.75  # sums of voltages and currents look alike
        sure = min(likely, one.quantity_confidence or 0.5)
        single = max(_likeness(look.values[k], look.values[i]) for k in one.channels)
        if 1 - single < 2 * (1 - alike):
            evidence.append("but equally one of its channels")
            sure = min(sure, 0.5)
        quantity = stated[i] or one.quantity
        return ChannelDraft(channel.name, "neutral", quantity, NEUTRAL, one.point, sure, tuple(evidence))
    if idle:
        words = (f"{abs(steady[i]):.2g} in the steady state, {np.abs(look.phasors[i]).max():.4g} at most",)
        return ChannelDraft(channel.name, "idle", stated[i], channel.phase, "", 0.5, words)
    words = (f"power frequency of {abs(steady[i]):.4g}, in no three-phase set and no sum of one: cannot tell",)
    return ChannelDraft(channel.name, "unknown", stated[i], channel.phase, "", 0.0, words)


def _likeness(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> float:
    """Size of the correlation of two waves."""
    power = float(np.sqrt((one @ one) * (other @ other)))
    return abs(float(one @ other)) / power if power > 0 else 0.0


def _is_beside(i: int, one: SetDraft) -> bool:
    return i in (max(one.channels) + 1, min(one.channels) - 1)
