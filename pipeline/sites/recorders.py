"""Which records come from one recorder, so that one account holds for them: station or folder, channels, level."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.sites.account import Account, Declared, draft, volts
from halfcycle.pipeline.sites.evidence import RecordEvidence

_APART: Final = math.log(1.35)  # between the levels of two recorders that their files do not tell apart
_FEWEST: Final = 2  # records that show another level, from which on it is another recorder's and no event's,
_SHARE: Final = 0.3  # and of those at the first level


@dataclass(frozen=True, slots=True)
class Seen:
    """What one record shows, and where it was found.

    Attributes
    ----------
    site : by the file: its station, or else the file's own name; or as declared.
    path : of the file, or of the first one.
    evidence : of the record.
    """

    site: str
    path: Path
    evidence: RecordEvidence


def recorder_key(header: Header, path: Path) -> Hashable:
    """What records of one recorder have in common: the station, or without one the folder; and the channels."""
    where = ("station", header.station) if header.station else ("folder", str(path.parent))
    return where, tuple((one.name, one.quantity, one.phase, one.unit, one.point) for one in header.channels)


def accounts_of(seen: Sequence[Seen], declared: Callable[[str], Declared]) -> list[Account]:
    """The account of each record's recorder.

    Parameters
    ----------
    seen : records, in any order.
    declared : what a person says of a site, by its name.

    Returns
    -------
    An account for each record, in the order given; records of one recorder have the same but for the site's name,
    which stays that of each file where files name no station. Records that only their level or frequency tells apart
    (a station name that is a maker's default) are recorders of their own, and their names say so.
    """
    declared = cache(declared)
    groups: dict[Hashable, list[int]] = {}
    for i, one in enumerate(seen):
        key = declared(one.site), recorder_key(one.evidence.header, one.path)
        groups.setdefault(key, []).append(i)
    found: dict[int, Account] = {}
    for members in groups.values():
        clusters = _clusters([seen[i].evidence for i in members])
        for cluster in clusters:
            chosen = [members[k] for k in cluster]
            account = draft("", [seen[i].evidence for i in chosen], declared(seen[chosen[0]].site))
            mark = _mark([seen[i].evidence for i in chosen]) if len(clusters) > 1 else ""
            by_name = cache(account.named)  # one object for records of one name: told apart sooner
            for i in chosen:
                named = f"{seen[i].site} ({mark})" if mark and seen[i].evidence.header.station else seen[i].site
                found[i] = by_name(named)
    return [found[i] for i in range(len(seen))]


def each_once(accounts: Iterable[Account]) -> tuple[Account, ...]:
    """Accounts without repetition, in order of site."""
    apart = {id(account): account for account in accounts}.values()
    return tuple(sorted(dict.fromkeys(apart), key=lambda one: (one.site, one.line)))


def _clusters(evidence: Sequence[RecordEvidence]) -> list[list[int]]:
    """Records by frequency and, within one, by level."""
    known = [one.frequency_hz for one in evidence if one.frequency_hz is not None]
    usual = max(sorted(set(known)), key=known.count) if known else None
    by_frequency: dict[float | None, list[int]] = {}
    for i, one in enumerate(evidence):
        by_frequency.setdefault(one.frequency_hz if one.frequency_hz is not None else usual, []).append(i)
    return [cluster for members in by_frequency.values() for cluster in _by_level(members, evidence)]


def _by_level(members: Sequence[int], evidence: Sequence[RecordEvidence]) -> list[list[int]]:
    levels = _levels(members, evidence)
    ordered = sorted(levels, key=lambda i: levels[i])
    clusters: list[list[int]] = []
    for i in ordered:
        if not clusters or math.log(levels[i] / levels[clusters[-1][-1]]) > _APART:
            clusters.append([])
        clusters[-1].append(i)
    if not clusters:
        return [list(members)]
    largest = max(clusters, key=len)
    kept = [largest]
    for cluster in clusters:
        if cluster is largest:
            continue
        few = len(cluster) < max(_FEWEST, _SHARE * len(largest))
        if few and _scales(evidence[cluster[0]]) == _scales(evidence[largest[0]]):
            largest.extend(cluster)
        else:
            kept.append(cluster)
    for i in members:
        if i not in levels:
            next((one for one in kept if _scales(evidence[one[0]]) == _scales(evidence[i])), largest).append(i)
    return [sorted(cluster) for cluster in kept]


def _levels(members: Sequence[int], evidence: Sequence[RecordEvidence]) -> dict[int, float]:
    """The voltage that each record's first point with one begins with.

    A record that begins in an event lies at the event's level, which tells recorders apart only where no record of the
    same scales begins steadily.
    """
    begins = {i: v for i in members if (v := _first(p.level_v for p in evidence[i].points)) is not None}
    known = {_scales(evidence[i]) for i in begins}
    others = [i for i in members if i not in begins and _scales(evidence[i]) not in known]
    lies = {i: v for i in others if (v := _first(p.elsewhere_v for p in evidence[i].points)) is not None}
    return begins | lies


def _first(levels: Iterable[float | None]) -> float | None:
    return next((level for level in levels if level), None)


def _scales(evidence: RecordEvidence) -> tuple[float, ...]:
    return tuple(channel.scale for channel in evidence.header.channels)


def _mark(evidence: Sequence[RecordEvidence]) -> str:
    """What tells a recorder from another of the same name."""
    levels = sorted(_levels(range(len(evidence)), evidence).values())
    hertz = next((one.frequency_hz for one in evidence if one.frequency_hz is not None), None)
    words = [volts(levels[len(levels) // 2])] if levels else []
    return ", ".join([*words, *([] if hertz is None else [f"{hertz:g} Hz"])]) or "unknown"
