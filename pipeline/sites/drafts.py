"""Recorders as their files show them, drafted as tables of sites for a person to check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.processes import spread_over_processes
from halfcycle.pipeline.readers import capture_at
from halfcycle.pipeline.records.archive import Reading, SetAside
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.drafted_table import Recorder
from halfcycle.pipeline.sites.identify import ChannelDraft, draft_channels
from halfcycle.pipeline.sites.inventory import SiteRecord, take_inventory
from halfcycle.pipeline.sites.recorders import recorder_key
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress
from halfcycle.pipeline.terms import Quantity

_QUANTITIES: Final[tuple[Quantity, ...]] = ("voltage", "current", "other")
_LOOKED_AT_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Recorders:
    """What some paths hold, by recorder.

    Attributes
    ----------
    recorders : in order of site.
    set_aside, others : files that could not be read, and those that are no recordings.
    without_waveform : how many sound files hold no waveform.
    """

    recorders: tuple[Recorder, ...]
    set_aside: tuple[SetAside, ...]
    others: tuple[SetAside, ...]
    without_waveform: int


def look_through(
    paths: Sequence[Path],
    *,
    declared: Declared,
    sites: SiteTable | None = None,
    strict: bool = False,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Recorders:
    """Look through files and group their records by recorder.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels.
    declared : what holds for all of them; the rest is inferred.
    sites : what is declared of single ones.
    strict : set files aside in which something would have to be put right or guessed.
    workers : processes; None: as many as cores where that pays.
    progress : called with (done, all) files.

    Raises
    ------
    ReadError : a path does not exist.
    """
    table = sites or SiteTable()
    reading = Reading(_QUANTITIES, strict, table.described if table.sites else None)
    with spread_over_processes(workers) as run:
        held = take_inventory(paths, reading=reading, sites=table, declared=declared, run=run, tell=progress)
    groups: dict[object, list[SiteRecord]] = {}
    for one in held.records:
        header = one.evidence.header
        name = one.account.site if header.station else ""
        groups.setdefault((name, _essence(one.account), recorder_key(header, one.parts[0].path)), []).append(one)
    found = [_recorder(members) for members in groups.values()]
    ordered = tuple(sorted(found, key=lambda one: (one.account.site, str(one.paths[0]))))
    return Recorders(ordered, held.set_aside, held.others, len(held.without_waveform))


def _essence(account: Account) -> tuple[object, ...]:
    """What records of one recorder share, whatever their files are called."""
    return account.nominal_frequency_hz, account.hookup, account.points


def _recorder(members: Sequence[SiteRecord]) -> Recorder:
    first = members[0]
    header = first.evidence.header
    paths = tuple(dict.fromkeys(part.path for one in members for part in one.parts))
    wiring = [point.wiring for point in first.account.points if point.wiring is not None and point.wiring.words]
    return Recorder(
        first.account,
        header,
        paths,
        _hookup(first.account, header),
        tuple(dict.fromkeys(f"{one.words} ({one.verdict})" for one in wiring)),
        _drafts(first),
    )


def _hookup(account: Account, header: Header) -> str | None:
    try:
        points = points_of(header, hookup=account.hookup)
    except SignalError:
        return account.hookup
    return points[0].hookup.name if points else account.hookup


def _drafts(record: SiteRecord) -> tuple[ChannelDraft, ...]:
    """What channels seem to be that the files do not name: none where every one is known."""
    header, part = record.evidence.header, record.parts[0]
    if any(channel.quantity == "voltage" for channel in header.channels):
        return ()
    capture = capture_at(part.path, part.index, quantities=_QUANTITIES)
    n = min(capture.header.n_samples, max(1, round(_LOOKED_AT_S * header.rate_hz)))
    values = np.stack([capture.physical(i)[:n] for i in range(len(capture.header.channels))])
    try:
        return draft_channels(values, capture.header.channels, rate_hz=header.rate_hz).channels
    except SignalError:
        return ()
