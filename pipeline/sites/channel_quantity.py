"""Voltages or currents: what the waves of three-phase sets say of it where the recording does not.

Each sign is a vote, the logarithm of how much likelier it makes one than the other. The weights are engineering
judgement: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.sites.channel_look import ChannelLook, Stretch
from halfcycle.pipeline.sites.channel_sets import ThreePhaseSet
from halfcycle.pipeline.terms import Quantity

F64 = npt.NDArray[np.float64]

_STATED: Final = 6.0
_LEAST_TO_TELL: Final = math.log(3.0)  # below, it cannot be told
_DIFFERENCE_RATIO: Final = 0.02  # of one: by which line-to-line voltages may differ from differences of others
_DIFFERENCE_LEFT: Final = 0.03
_FALLS: Final = 0.7  # of its steady size
_RISES: Final = 2.1  # times its steady size, beyond sqrt(3): no voltage to neutral rises so in an earth fault
_SHORTLY: Final = 0.5  # of the look: what is high for longer may as well be back from a sag
_ALIKE_DEG: Final = 1.5
_ALIKE: Final = 0.03
_MOST_OF_VOLTAGES: Final = 2.0  # a linear load's currents look like voltages: from the waves alone it is never sure


@dataclass(frozen=True, slots=True)
class SetQuantity:
    """What a set measures.

    Attributes
    ----------
    quantity : None: it cannot be told.
    confidence : 0 to 1, of the quantity; 0 where it cannot be told.
    evidence : in words.
    """

    quantity: Quantity | None
    confidence: float
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetTraits:
    """What is measured of a set for the vote.

    Attributes
    ----------
    distortion : harmonics over the fundamental, of the middle channel.
    off_balance : of the set.
    variation : standard deviation of its size over a steady stretch, over its mean.
    highest, lowest : of the size of any of its channels anywhere, over its steady size.
    high_share : share of the cycles in which it is beyond half of the highest.
    angle_deg : of the set, 0 to 120: one channel's stands for all. [degrees]
    full_scale_share : steady peak over the channel's range; None: not known.
    """

    distortion: float
    off_balance: float
    variation: float
    highest: float
    lowest: float
    high_share: float
    angle_deg: float
    full_scale_share: float | None


def traits_of(
    look: ChannelLook, one: ThreePhaseSet, *, stretch: Stretch, shapes: F64, full_scales: Mapping[int, float]
) -> SetTraits:
    """What a set's wave looks like.

    Parameters
    ----------
    look : of all channels.
    one : the set.
    stretch : the steady cycles that the set was found in.
    shapes : of all channels there.
    full_scales : largest sample either way of the channels whose range is known. [unit of the channel]
    """
    sizes = np.abs(look.phasors[list(one.members)])
    steady = sizes[:, stretch[0] : stretch[1]]
    level = np.median(steady, axis=1)
    angles = np.angle(np.median(look.phasors[list(one.members), stretch[0] : stretch[1]], axis=1))
    turned = [math.pi if i == one.turned_round else 0.0 for i in one.members]
    middle = np.sum(np.exp(3j * (angles + turned)))  # three times the angle is the same for all three
    inner = sizes / level[:, None]
    ranges = [full_scales[i] for i in one.members if i in full_scales]
    return SetTraits(
        distortion=float(np.median(np.linalg.norm(shapes[list(one.members)], axis=1))),
        off_balance=one.off_balance,
        variation=float(np.median(steady.std(axis=1) / level)),
        highest=float(inner.max()),
        lowest=float(inner.min()),
        high_share=float(np.mean(inner.max(axis=0) > 0.5 * inner.max())),
        angle_deg=float(np.degrees(np.angle(middle)) / 3) % 120.0,
        full_scale_share=float(level.max() * math.sqrt(2) / max(ranges)) if len(ranges) == len(one.members) else None,
    )


def quantities_of_sets(
    traits: Sequence[SetTraits],
    *,
    stated: Sequence[Quantity | None],
    line_to_line: Mapping[int, int],
) -> list[SetQuantity]:
    """Voltages or currents, set by set.

    Parameters
    ----------
    traits : of the sets, in the recording's order.
    stated : what units or names say of each; None: nothing.
    line_to_line : sets that are the differences of the channels of another one, by their places in the list.
    """
    cleanest = min((one.distortion for one in traits), default=0.0)
    rising = any(_rises_shortly(one) for one in traits)
    related = {*line_to_line, *line_to_line.values()}
    ballots = []
    for i, one in enumerate(traits):
        votes = list(_votes(one, cleanest=cleanest, n_sets=len(traits), rising=rising))
        if i == 0:
            votes.append((1.0, "the first set of the recording, usually voltages"))
        if i in related:
            votes.append((4.0, "three channels are the differences of three others, as line-to-line voltages are"))
        ballots.append(votes)
    found = []
    for i, one in enumerate(traits):
        votes = ballots[i]
        alike = [k for k, other in enumerate(traits) if k != i and _are_alike(one, other)]
        if alike:
            pooled = sum(weight for k in (i, *alike) for weight, _ in ballots[k]) / (len(alike) + 1)
            own = sum(weight for weight, _ in votes)
            more = min(0.5 * len(alike), 1.0)
            words = f"keeps a constant angle and ratio to {len(alike)} other sets, as voltages of one bus do"
            votes = [*votes, (pooled - own + more, words)]
        said = stated[i]
        if said in ("voltage", "current"):
            votes = [*votes, (_STATED if said == "voltage" else -_STATED, f"unit or name states {said}")]
        found.append(_decided(votes, said, related=i in related))
    return found


def _are_alike(one: SetTraits, other: SetTraits) -> bool:
    """Whether two sets stand at one angle, and rise and fall as one."""
    apart = abs((one.angle_deg - other.angle_deg + 60.0) % 120.0 - 60.0)
    return (
        apart <= _ALIKE_DEG
        and abs(one.distortion - other.distortion) <= _ALIKE
        and abs(one.highest - other.highest) <= _ALIKE * one.highest
        and abs(one.lowest - other.lowest) <= _ALIKE
    )


def _votes(one: SetTraits, *, cleanest: float, n_sets: int, rising: bool) -> list[tuple[float, str]]:
    votes: list[tuple[float, str]] = []
    percent = f"{100 * one.distortion:.1f} %"
    if one.distortion > 0.12:
        votes.append((-2.0, f"distorted by {percent}, unusual for voltages"))
    elif one.distortion > 0.03 and one.distortion > 2.5 * cleanest:
        votes.append((-1.5, f"distorted by {percent}, the least distorted set by {100 * cleanest:.1f} %"))
    elif n_sets > 1 and one.distortion == cleanest:
        votes.append((0.5, f"the least distorted set ({percent})"))
    if one.off_balance > 0.08:
        votes.append((-2.0, f"out of balance by {100 * one.off_balance:.0f} %, unusual for voltages"))
    elif one.off_balance > 0.04:
        votes.append((-0.7, f"out of balance by {100 * one.off_balance:.0f} %"))
    if one.variation > 0.02:
        votes.append((-1.2, f"its magnitude varies by {100 * one.variation:.0f} % while nothing else happens"))
    if _rises_shortly(one):
        votes.append((-4.0, f"rises to {one.highest:.1f} times its steady size for a while"))
    elif one.highest > _RISES:
        votes.append((-1.0, f"is {one.highest:.1f} times as large for most of the time"))
    elif one.lowest < _FALLS and rising:
        votes.append((0.8, f"falls to {one.lowest:.2f} of its steady size while another set rises"))
    if one.full_scale_share is not None and one.full_scale_share > 0.3:
        votes.append((0.7, f"peaks at {100 * one.full_scale_share:.0f} % of full scale"))
    elif one.full_scale_share is not None and one.full_scale_share < 0.1:
        votes.append((-0.7, f"peaks at {100 * one.full_scale_share:.0f} % of full scale"))
    return votes


def _rises_shortly(one: SetTraits) -> bool:
    return one.highest > _RISES and one.high_share < _SHORTLY


def _decided(votes: Sequence[tuple[float, str]], said: Quantity | None, *, related: bool) -> SetQuantity:
    total = sum(weight for weight, _ in votes)
    words = tuple(text for _, text in votes)
    if said == "other":
        return SetQuantity("other", 0.95, (*words, "its unit is neither a voltage nor a current unit"))
    if said is None and not related:
        total = min(total, _MOST_OF_VOLTAGES)
    if abs(total) < _LEAST_TO_TELL:
        return SetQuantity(None, 0.0, (*words, "voltages or currents: cannot tell"))
    quantity: Quantity = "voltage" if total > 0 else "current"
    against = () if said in (None, quantity) else (f"the waveforms contradict {said}",)
    return SetQuantity(quantity, 1 / (1 + math.exp(-abs(total))), (*words, *against))


def line_to_line_of(look: ChannelLook, sets: Sequence[ThreePhaseSet]) -> dict[int, tuple[int, int]]:
    """Sets whose channels are the differences of another set's, sample by sample and in the same unit.

    Parameters
    ----------
    look : of all channels.
    sets : in the recording's order.

    Returns
    -------
    For each such set: (place of the set of phases, how far the pairs are turned): its first member is the difference of
    that set's members `turned` and `turned` + 1.

    Source: derived: uAB = uA - uB, sqrt(3) times as large and 30 degrees ahead.
    """
    found: dict[int, tuple[int, int]] = {}
    for q, line in enumerate(sets):
        for p, star in enumerate(sets):
            if p == q or line.turned_round is not None or star.turned_round is not None or p in found:
                continue
            for turned in range(3):
                pairs = [(star.members[(turned + k) % 3], star.members[(turned + k + 1) % 3]) for k in range(3)]
                if all(_is_difference(look.values, i, *pair) for i, pair in zip(line.members, pairs, strict=True)):
                    found.setdefault(q, (p, turned))
    return found


def _is_difference(values: F64, i: int, first: int, second: int) -> bool:
    difference = values[first] - values[second]
    power = float(difference @ difference)
    if not power > 0:
        return False
    ratio = float(values[i] @ difference) / power
    if abs(ratio - 1) > _DIFFERENCE_RATIO:
        return False
    left = values[i] - ratio * difference
    return float(left @ left) <= _DIFFERENCE_LEFT**2 * power
