"""All records below some paths, each with the account of its recorder: the one way from files to sites."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from halfcycle.pipeline.readers import keep_unpacked
from halfcycle.pipeline.records.archive import (
    FileLook,
    Part,
    Reading,
    SetAside,
    batches_of,
    files_below,
    look_at,
    lost_file,
    records_by_site,
    records_of_parts,
    without_unreadable,
)
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.evidence import RecordEvidence
from halfcycle.pipeline.sites.recorders import Seen, accounts_of
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress, Spread, each_outcome


@dataclass(frozen=True, slots=True)
class SiteRecord:
    """One record: the captures that make it, and the account of its recorder."""

    parts: tuple[Part, ...]
    account: Account
    evidence: RecordEvidence


@dataclass(frozen=True, slots=True)
class Inventory:
    """What some paths hold.

    Attributes
    ----------
    records : in order of site and time.
    set_aside : recordings that could not be read.
    others : files that are no recordings.
    without_waveform : sound files without waveforms, and what they hold instead.
    """

    records: tuple[SiteRecord, ...]
    set_aside: tuple[SetAside, ...]
    others: tuple[SetAside, ...]
    without_waveform: tuple[tuple[Path, tuple[str, ...]], ...]


def take_inventory(
    paths: Sequence[Path],
    *,
    reading: Reading,
    sites: SiteTable,
    declared: Declared,
    run: Spread,
    tell: Progress | None = None,
    leave_out: Collection[Path] = (),
) -> Inventory:
    """Look through all files below some paths.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels.
    reading : how files are read.
    sites, declared : what is declared of single sites, and of all of them.
    run : how the work is spread.
    tell : called with (done, all) files.
    leave_out : files that are no inputs although they may lie there.

    Raises
    ------
    ReadError : a path does not exist.
    """
    files = files_below(paths, leave_out=leave_out)
    work = partial(_look_at_files, reading=reading)
    looks = list(each_outcome(run, work, batches_of(files), lost=lost_file, tell=tell))
    records, unread = records_by_site(looks, sites.name_of, reading)
    set_aside = [*(SetAside(look.path, look.reason) for look in looks if look.kind == "damaged"), *unread]
    units = [(site, tuple(dict.fromkeys(parts))) for site, _, parts in records]
    function = partial(_shown_by_units, reading=reading, sites=sites, declared=declared)
    shown = list(each_outcome(run, function, [[unit] for unit in units], lost=_lost_unit))
    set_aside += [item for one in shown for item in one.set_aside]
    known = [(one.parts, one.evidence, site) for one, (site, _) in zip(shown, units, strict=True) if one.evidence]
    seen = [Seen(site, parts[0].path, evidence) for parts, evidence, site in known]
    accounts = accounts_of(seen, lambda site: sites.declared(site, declared))
    return Inventory(
        tuple(SiteRecord(parts, account, shown) for (parts, shown, _), account in zip(known, accounts, strict=True)),
        tuple(dict.fromkeys(set_aside)),
        tuple(SetAside(look.path, look.reason) for look in looks if look.kind == "other"),
        tuple((look.path, look.remarks) for look in looks if look.kind == "no waveform"),
    )


def _look_at_files(paths: Sequence[Path], *, reading: Reading) -> list[FileLook]:
    with keep_unpacked():
        return [look_at(path, reading)[0] for path in paths]


@dataclass(frozen=True, slots=True)
class _Shown:
    """What a record shows, without the files of it that turn out to be unreadable."""

    parts: tuple[Part, ...]
    evidence: RecordEvidence | None
    set_aside: tuple[SetAside, ...] = ()


def _shown_by_units(
    units: Sequence[tuple[str, tuple[Part, ...]]], *, reading: Reading, sites: SiteTable, declared: Declared
) -> list[_Shown]:
    with keep_unpacked():
        return [_shown_by(parts, sites.declared(site, declared), reading) for site, parts in units]


def _shown_by(parts: tuple[Part, ...], declared: Declared, reading: Reading) -> _Shown:
    def work(kept: tuple[Part, ...]) -> _Shown:
        if not kept:
            return _Shown(kept, None)
        record, _ = records_of_parts(kept, reading)[0]
        return _Shown(kept, declared.evidence_of(record))

    found, set_aside = without_unreadable(parts, work)
    return replace(found, set_aside=set_aside)


def _lost_unit(unit: tuple[str, tuple[Part, ...]], reason: str) -> _Shown:
    paths = dict.fromkeys(part.path for part in unit[1])
    lost = tuple(SetAside(path, f"{path.name}: cannot be looked at ({reason})") for path in paths)
    return _Shown(unit[1], None, lost)
