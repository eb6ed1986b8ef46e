"""Logs of RMS in a fleet's store, as a day's catalogue judges them: rows of days and files that follow one another."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.catalogue.rms_logs import JudgedLog, each_event_once, judge_log
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.catalogue_file import Row
from halfcycle.pipeline.nightly.recorded import DayOfRecords, logged_content, read_records, standing_records
from halfcycle.pipeline.readers.intervals import IntervalRecords
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.recorded import declared_of, in_primary
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.store.partitions import Store

I64 = npt.NDArray[np.int64]
TimeSpan = tuple[int, int]
"""From and to. [ns UTC]"""

_LEAST_STEP: Final = 0.5  # steps from one row to the next: what follows more closely is the same row out of two files
_SLACK_NS: Final = 2_100_000_000  # two rows of the coarsest log, and what `each_event_once` allows beside


def log_paths(store: Store, site: str, day: date) -> dict[Path, str]:
    """Stored records of a site and day in which events can be told, and what of them is judged, out of their footers.

    Raises
    ------
    PlaceError : the folder cannot be read.
    """
    found = {path: logged_content(path) for path in standing_records(store, site, day)}
    return {path: content for path, content in found.items() if content is not None}


@dataclass(frozen=True, slots=True)
class StoredLog:
    """Voltages of one point that follow one another, out of several days and files.

    Attributes
    ----------
    records : all of them, each row once.
    files : of the store, from which they are, and the digest of what each was made of.
    file, row : shape (n,). Of each row its file among these, and its number there.
    """

    records: IntervalRecords
    files: tuple[tuple[Path, str], ...]
    file: I64
    row: I64

    def told_of_file(self, event: Event, store: Store) -> Event:
        """An event that names rows of all files together, by the file in which it begins."""
        path, digest = self.files[int(self.file[event.first_sample])]
        source = path.relative_to(store.root).as_posix()
        return replace(event, source=source, capture=digest, first_sample=int(self.row[event.first_sample]))


def stored_logs(paths: Sequence[Path]) -> list[StoredLog]:
    """The logs in some stored records; those of one point, step and phases together.

    Raises
    ------
    DamagedCapture : a file is damaged.
    """
    groups: dict[tuple[str, int, tuple[str, ...]], list[tuple[Path, DayOfRecords]]] = {}
    for path in paths:
        one = read_records(path)
        voltages = tuple(sorted((s for s in one.records.series if s.symbol == "u_rms"), key=lambda s: s.column))
        own = replace(one, records=replace(one.records, series=voltages))
        key = (own.records.point, own.records.step_ns, tuple(series.column for series in voltages))
        groups.setdefault(key, []).append((path, own))
    return [_joined(parts) for _, parts in sorted(groups.items(), key=lambda item: item[0])]


def _joined(held: Sequence[tuple[Path, DayOfRecords]]) -> StoredLog:
    """Days and files as one log; a row that two of them have is that of the one which begins earlier."""
    parts = sorted(held, key=lambda item: (int(item[1].records.starts_ns[0]), item[0].name))
    records = [one.records for _, one in parts]
    first, sizes = records[0], [one.starts_ns.size for one in records]
    starts = np.concatenate([one.starts_ns for one in records])
    order = np.argsort(starts, kind="stable")
    new = np.diff(starts[order], prepend=starts[order[0]] - first.step_ns) >= _LEAST_STEP * first.step_ns
    keep = order[new]
    series = tuple(
        replace(one, values=np.concatenate([part.series[k].values for part in records])[keep])
        for k, one in enumerate(first.series)
    )
    flagged = np.concatenate([one.flagged for one in records])[keep]
    rows = np.concatenate([np.arange(n) for n in sizes])
    return StoredLog(
        replace(first, starts_ns=starts[keep], series=series, flagged=flagged),
        tuple((path, one.digest) for path, one in parts), np.repeat(np.arange(len(parts)), sizes)[keep], rows[keep],
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LogsOfADay:
    """What the logs around a day show.

    Attributes
    ----------
    events : that start in the day: of its waveforms, and of logs where neither a waveform nor a finer log shows them.
    rows : coverage of the logs' time in the day in which no waveform was judged.
    """

    events: list[Event]
    rows: list[Row]


def with_logs(
    logs: Sequence[StoredLog],
    store: Store,
    of_waveforms: Sequence[Event],
    *,
    day: TimeSpan,
    site: Site,
    declared: Declared,
    thresholds: Thresholds,
    accounts: Sequence[Account],
    waveforms: Mapping[str | None, Sequence[TimeSpan]],
    events_between: Callable[[int, int], Sequence[Event]],
) -> LogsOfADay:
    """A day's events of waveforms and of logs, each once.

    Parameters
    ----------
    logs, store : of the day and those around it that were read, and where they lie.
    of_waveforms : events that start in the day.
    day : from and to.
    site, declared, thresholds : by which they are judged.
    accounts : of the recorders whose waveforms were judged.
    waveforms : times of the records, by point.
    events_between : events of waveforms that start in a time outside the day: where an event of a log that starts in
        it goes on there, or comes so near, they may be the same.
    """
    begin, end = day
    judged: list[JudgedLog] = []
    rows: list[Row] = []
    taken = {point: list(spans) for point, spans in waveforms.items()}
    for log in sorted(logs, key=lambda one: one.records.step_ns):
        in_day = _in_day(log.records, day)
        records = in_primary(log.records, site)
        said = declared_of(records, site.name, SiteTable((site,)), declared)
        name = records.point or None
        try:
            found = judge_log(
                records, path=Path(), digest="", site=site.name, declared=said, thresholds=thresholds,
                accounts=accounts,
            )  # fmt: skip
        except SignalError as error:
            rows.append((name, 0.0, float(in_day.sum()) * records.step_s, f"log of RMS: {error}"))
            continue
        if found is None:
            continue
        covered = [span for point, spans in taken.items() if name in (None, point) or point is None for span in spans]
        fresh = in_day & ~_within(records.starts_ns, covered)
        seconds = float(fresh.sum()) * records.step_s
        if found.judged_s:
            rows.append((name, seconds, 0.0, ""))
            taken.setdefault(name, []).extend(_spans(records.starts_ns[in_day], records.step_ns))
        else:
            rows.append((name, 0.0, seconds, found.line))
        judged.append(replace(found, events=tuple(log.told_of_file(event, store) for event in found.events)))
    own = [one for log in judged for one in log.events if begin <= one.start < end]
    earliest = min((one.start for one in own), default=begin) - _SLACK_NS
    latest = max((one.end for one in own), default=end) + _SLACK_NS
    beside = [*(events_between(earliest, begin) if earliest < begin else ())] if own else []
    beside += events_between(end, latest) if own and latest > end else []
    events, _ = each_event_once([*of_waveforms, *beside], judged)
    return LogsOfADay([one for one in events if begin <= one.start < end], [row for row in rows if row[1] or row[2]])


def _in_day(records: IntervalRecords, day: TimeSpan) -> npt.NDArray[np.bool_]:
    """Rows of a day that hold a voltage."""
    known = np.any([np.isfinite(one.values) for one in records.series], axis=0)
    inside: npt.NDArray[np.bool_] = known & (records.starts_ns >= day[0]) & (records.starts_ns < day[1])
    return inside


def _within(starts_ns: I64, spans: Sequence[TimeSpan]) -> npt.NDArray[np.bool_]:
    """Which rows start within one of some spans."""
    inside = np.zeros(starts_ns.shape, np.bool_)
    for begin, end in spans:
        inside[np.searchsorted(starts_ns, begin) : np.searchsorted(starts_ns, end)] = True
    return inside


def _spans(starts_ns: I64, step_ns: int) -> list[TimeSpan]:
    """The times of rows, those without a gap together."""
    if not starts_ns.size:
        return []
    edges = [0, *(np.flatnonzero(np.diff(starts_ns) > 1.5 * step_ns) + 1).tolist(), starts_ns.size]
    return [(int(starts_ns[a]), int(starts_ns[b - 1]) + step_ns) for a, b in pairwise(edges)]


def named(paths: dict[Path, str]) -> list[str]:
    """Names of stored logs, by what of them is judged."""
    return [json.dumps([path.stem, content]) for path, content in sorted(paths.items())]
