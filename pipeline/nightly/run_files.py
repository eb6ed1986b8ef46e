"""A file for each night in the store: when it ran, what it did, what went wrong, how full the disk was."""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any, Final

import numpy as np

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import HalfcycleError, StoreError
from halfcycle.pipeline.nightly.run import RunSummary
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.store.documents import document_at, write_document

_KEPT: Final = 400  # files of runs: more than a year of nights
_NAMED: Final = 100  # of each kind of mishap
_LEAST_RUNS: Final = 4  # from which on the time between them, or the disk, has a course
_LATE: Final = 2.5  # times the usual time between runs
_LEAST_DAYS: Final = 3.0  # that a course of the disk must span
_ENDING: Final = ".json"


@dataclass(frozen=True, slots=True)
class NightRun:
    """A night.

    Attributes
    ----------
    began, ended : UTC.
    state : ``whole``; ``incomplete``: something was set aside or failed; ``failed``: it could not do its job.
    error : of one that failed, in words; else "".
    version : of the code.
    n_files, n_quarantined, n_days, n_events : files taken from the inbox, those set aside, days rebuilt, their events.
    mishaps : in words, what was set aside or failed; the first of them.
    disk_free_bytes, disk_bytes : of the store's disk when the run ended.
    n_months, n_months_left : whose files were written, and left to later nights.
    """

    began: datetime
    ended: datetime
    state: str
    error: str
    version: str
    n_files: int
    n_quarantined: int
    n_days: int
    n_events: int
    mishaps: tuple[str, ...]
    disk_free_bytes: int
    disk_bytes: int
    n_months: int = 0
    n_months_left: int = 0


def recorded(fleet: Fleet, work: Callable[[], RunSummary]) -> RunSummary:
    """Do a night's work, and leave a file of it in the store, however it ends.

    Raises
    ------
    Whatever the work raises.
    """
    began = datetime.now(UTC)
    try:
        summary = work()
    except Exception as error:
        words = str(error) if isinstance(error, HalfcycleError) else f"unexpected {type(error).__name__}: {error}"
        _write(fleet, _run(fleet, began, RunSummary(), error=words or type(error).__name__))
        raise
    _write(fleet, _run(fleet, began, summary))
    return summary


def mishaps_of(summary: RunSummary) -> dict[str, list[str]]:
    """What went wrong in a run: ``failure`` of its work, and what was ``set aside``, in words."""
    failures = [one.words for one in summary.failed]
    failures += summary.unreadable
    failures += [f"{day.site}, {day.day}: its catalogue was damaged" for day in summary.damaged]
    failures += () if summary.survey is None else summary.survey.failures
    failures += () if summary.removed is None else summary.removed.failed
    failures += () if summary.packs is None else summary.packs.failed
    failures += () if summary.months is None else summary.months.failed
    aside = [one.words for one in (*summary.quarantined, *summary.left)]
    aside += [f"{path.name}: {reason}" for path, reason in summary.set_aside]
    return {"failure": failures, "set aside": aside}


def last_runs(fleet: Fleet, most: int = _KEPT) -> list[NightRun]:
    """The latest runs, the oldest first; files that are lost or broken are left out."""
    runs = [_read(path) for path in _paths(fleet)[-most:]]
    return [run for run in runs if run is not None]


def overdue_words(runs: Sequence[NightRun], now: datetime) -> str:
    """Whether a night is overdue, as long as runs are usually apart; "" where it is not, or nothing can be said."""
    if len(runs) < _LEAST_RUNS:
        return ""
    began = [run.began for run in runs[-30:]]
    usual = timedelta(seconds=median((b - a).total_seconds() for a, b in pairwise(began)))
    if now - began[-1] <= max(_LATE * usual, timedelta(hours=1)):
        return ""
    return f"no run since {began[-1]:%Y-%m-%d %H:%M} UTC; the usual interval is {_span(usual)}"


@dataclass(frozen=True, slots=True)
class DiskLeft:
    """How long a disk lasts that fills. days: until it is full; words: the same with how much is free."""

    days: float
    words: str


def disk_left(runs: Sequence[NightRun]) -> DiskLeft | None:
    """How long the store's disk lasts as it has filled in the last runs; None where it does not fill or too few tell.

    Source: derived; a straight line by the median of slopes between runs (Theil and Sen), which one clean-up or one
    large night does not turn.
    """
    known = [run for run in runs[-60:] if run.disk_bytes]
    if len(known) < _LEAST_RUNS or (known[-1].ended - known[0].ended) < timedelta(days=_LEAST_DAYS):
        return None
    days = np.array([(run.ended - known[0].ended).total_seconds() for run in known]) / 86_400
    free = np.array([run.disk_free_bytes for run in known], float)
    i, k = np.triu_indices(len(known), 1)
    apart = days[k] - days[i] > 0
    slope = float(np.median((free[k] - free[i])[apart] / (days[k] - days[i])[apart]))
    if slope >= 0:
        return None
    left = float(free[-1]) / -slope
    words = f"{free[-1] / 1e9:.1f} GB free, {-slope / 1e9:.3g} GB less each day: full in about {math.floor(left)} days"
    return DiskLeft(left, words)


def _span(time: timedelta) -> str:
    hours = time.total_seconds() / 3600
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"


def _run(fleet: Fleet, began: datetime, summary: RunSummary, *, error: str = "") -> NightRun:
    free = total = 0
    with suppress(OSError):
        usage = shutil.disk_usage(fleet.store)
        free, total = usage.free, usage.total
    mishaps = [words[:500] for kind in mishaps_of(summary).values() for words in kind[:_NAMED]]
    state = "failed" if error else "whole" if summary.is_whole else "incomplete"
    return NightRun(
        began, datetime.now(UTC), state, error, code_version(), len(summary.files), len(summary.quarantined),
        len(summary.days), summary.n_events, tuple(mishaps), free, total,
        *((0, 0) if summary.months is None else (len(summary.months.made), len(summary.months.left))),
    )  # fmt: skip


def _folder(fleet: Fleet) -> Path:
    return fleet.store / "runs"


def _paths(fleet: Fleet) -> list[Path]:
    try:
        return sorted(path for path in _folder(fleet).iterdir() if path.suffix == _ENDING and path.name[0].isdigit())
    except OSError:
        return []


def _write(fleet: Fleet, run: NightRun) -> None:
    """Leave a run's file; where the store cannot be written, what the run says of that is enough."""
    document = {**asdict(run), "began": run.began.isoformat(), "ended": run.ended.isoformat()}
    path = _folder(fleet) / f"{run.began:%Y-%m-%dT%H%M%S.%f}Z-{os.getpid()}{_ENDING}"
    with suppress(StoreError, OSError):
        write_document(document, path, _folder(fleet))
        for old in _paths(fleet)[:-_KEPT]:
            old.unlink(missing_ok=True)


def _read(path: Path) -> NightRun | None:
    document: dict[str, Any] = document_at(path)
    try:
        began, ended = (datetime.fromisoformat(document.pop(name)) for name in ("began", "ended"))
        return NightRun(began, ended, **{**document, "mishaps": tuple(document["mishaps"])})
    except (KeyError, TypeError, ValueError):
        return None
