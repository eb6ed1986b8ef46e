"""Screening: a folder of captures from anybody's recorders to one catalogue, without a store and without settings."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from pipeline.capture import Capture, Header
from pipeline.catalogue.judge import Findings, Terms, judge
from pipeline.catalogue.record import Piece, Record, records_of
from pipeline.catalogue.span import judge_span
from pipeline.catalogue.steady import put_together
from pipeline.errors import ReadError
from pipeline.events import Event, with_incidents
from pipeline.readers import capture_at, capture_files, keep_unpacked, known_headers, read_captures, remarks_on
from pipeline.readers.source_digest import source_digest
from pipeline.terms import Quantity
from pipeline.workers import worker_map

if TYPE_CHECKING:
    import pyarrow as pa

_SPAN_SAMPLES: Final = 1 << 24  # a longer record is judged in spans of about this many samples a channel
_BATCH_FILES: Final = 32
_BATCH_BYTES: Final = 64 << 20
_KEPT_CAPTURES: Final = 2  # of a span, in memory while it is judged
_KEEP_BYTES: Final = 256 << 20  # of a file's captures that stay in memory between the first look and the judgement


@dataclass(frozen=True, slots=True)
class SetAside:
    """An input that was not used: its path and the reason, in words."""

    path: Path
    reason: str


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A part of an input that could not be judged: not the same as nothing found there."""

    source: str
    point: str | None
    seconds: float
    reason: str


@dataclass(frozen=True, slots=True)
class Screening:
    """What a screening found.

    Attributes
    ----------
    events : in catalogue order, with incidents.
    n_files, n_captures : that were read.
    n_without_waveform : of these files, those that are sound and hold no waveform; the notes say what they hold.
    judged_s : time judged, summed over measuring points. [s]
    set_aside : files that could not be read.
    not_judged : parts that could not be judged.
    notes : (source, what was odd or decided).
    """

    events: tuple[Event, ...] = ()
    n_files: int = 0
    n_captures: int = 0
    n_without_waveform: int = 0
    judged_s: float = 0.0
    set_aside: tuple[SetAside, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()

    def not_judged_by_reason(self) -> list[tuple[str, float, int]]:
        """(reason, seconds, how many parts) of what was not judged, the longest first."""
        reasons: dict[str, tuple[float, int]] = {}
        for item in self.not_judged:
            seconds, count = reasons.get(item.reason, (0.0, 0))
            reasons[item.reason] = (seconds + item.seconds, count + 1)
        return sorted(((r, s, n) for r, (s, n) in reasons.items()), key=lambda row: -row[1])


def quarantine_table(result: Screening) -> pa.Table:
    """What was set aside, as a table with the columns path and reason."""
    import pyarrow as pa

    return pa.table(
        {
            "path": pa.array([_as_text(str(item.path)) for item in result.set_aside], pa.string()),
            "reason": pa.array([_as_text(item.reason) for item in result.set_aside], pa.string()),
        }
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """A capture of a file: which file, which one in it, and its header."""

    path: Path
    index: int
    header: Header


@dataclass(frozen=True, slots=True)
class _Look:
    """A file's captures, and what was found in those that were judged with it.

    Formats that give headers without their samples are looked at first, so that captures that follow one another are
    judged together at once. Of the others each file is judged as it is read, and again only where another follows it.
    """

    path: Path
    headers: tuple[Header, ...] = ()
    judged: dict[tuple[int, ...], Screening] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()  # of a file without captures
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Reading:
    """How files are read: which quantities of them, and whether without repair."""

    quantities: tuple[Quantity, ...]
    strict: bool

    def load(self, path: Path, index: int) -> Capture:
        """A capture of a file that was looked at before."""
        return capture_at(path, index, quantities=self.quantities, strict=self.strict)


@dataclass(frozen=True, slots=True)
class _Span:
    """Part of a record for one worker."""

    site: str
    parts: tuple[_Part, ...]
    from_ns: int
    to_ns: int


Outcome = TypeVar("Outcome")


def screen(
    paths: Sequence[Path],
    *,
    terms: Terms,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    leave_out: Collection[Path] = (),
    strict: bool = False,
) -> Screening:
    """Find the events in all capture files below some paths.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels.
    terms : thresholds, and nominal values where they are known; the rest is worked out from each record.
    workers : processes; None: as many as cores where the archive is large enough to pay for starting them.
    progress : called with (done, all) files or spans of records.
    leave_out : files that are no inputs although they may lie there, such as the results of an earlier screening.
    strict : set files aside in which something would have to be put right or guessed, as far as they are read.

    Returns
    -------
    Screening. Files that cannot be read are set aside with their reason, the rest goes on.

    Raises
    ------
    ReadError : a path does not exist.
    """
    results_of_ours = {os.path.realpath(path) for path in leave_out}
    files = [path for path in capture_files(paths, in_bundles=True) if os.path.realpath(path) not in results_of_ours]
    reading = _Reading(terms.quantities, strict)
    with worker_map(workers) as run:
        looks = []
        for done in run(partial(_look_at_files, terms=terms, reading=reading), _batches(files)):
            looks += done
            if progress is not None:
                progress(len(looks), len(files))
        results, spans = _plan(looks, reading)
        for i, outcome in enumerate(run(partial(_judge_span, terms=terms, reading=reading), spans)):
            results.append(outcome)
            if progress is not None:
                progress(i + 1, len(spans))
    without = Screening(
        set_aside=tuple(SetAside(look.path, look.reason) for look in looks if look.reason),
        notes=tuple((str(look.path), remark) for look in looks for remark in look.remarks),
    )
    found = _together([without, *results])
    unread = {item.path for item in found.set_aside}
    return replace(
        found,
        events=tuple(with_incidents(put_together(found.events), window_s=terms.thresholds.incident_window_s)),
        n_files=sum(look.path not in unread for look in looks),
        n_captures=sum(len(look.headers) for look in looks if look.path not in unread),
        n_without_waveform=sum(bool(look.remarks) for look in looks),
    )


def _together(results: Sequence[Screening]) -> Screening:
    return Screening(
        events=tuple(event for result in results for event in result.events),
        judged_s=sum(result.judged_s for result in results),
        set_aside=tuple(dict.fromkeys(item for result in results for item in result.set_aside)),
        not_judged=tuple(item for result in results for item in result.not_judged),
        notes=tuple(dict.fromkeys(note for result in results for note in result.notes)),
    )


def _batches(files: Sequence[Path]) -> list[tuple[Path, ...]]:
    batches: list[list[Path]] = []
    n_bytes = 0
    for path in files:
        size = path.stat().st_size if path.exists() else 0
        if not batches or len(batches[-1]) >= _BATCH_FILES or n_bytes + size > _BATCH_BYTES:
            batches.append([])
            n_bytes = 0
        batches[-1].append(path)
        n_bytes += size
    return [tuple(batch) for batch in batches]


def _look_at_files(paths: Sequence[Path], *, terms: Terms, reading: _Reading) -> list[_Look]:
    looks = []
    with keep_unpacked():
        for path in paths:
            try:
                looks.append(_look_at(path, terms, reading))
            except ReadError as error:
                looks.append(_Look(path, reason=str(error)))
    return looks


def _look_at(path: Path, terms: Terms, reading: _Reading) -> _Look:
    known = known_headers(path, quantities=reading.quantities, strict=reading.strict)
    if known:
        return _Look(path, tuple(known))
    headers: list[Header] = []
    kept: dict[int, Capture] = {}
    n_bytes = 0
    for i, capture in enumerate(read_captures(path, quantities=reading.quantities, strict=reading.strict)):
        headers.append(capture.header)
        n_bytes += capture.samples.nbytes
        if n_bytes <= _KEEP_BYTES:
            kept[i] = capture
    if not headers:
        return _Look(path, remarks=remarks_on(path, strict=reading.strict))
    parts = tuple(_Part(path, i, header) for i, header in enumerate(headers))
    judged = {}
    for record in records_of(_piece(part, partial(_kept_or_loaded, kept, part, reading.load)) for part in parts):
        indices = tuple(headers.index((piece.origin or piece).header) for piece in record.pieces)
        site = _site(record.header, path)
        judged[indices] = _as_screening(judge(record, site=site, terms=terms), path)
    return _Look(path, tuple(headers), judged)


def _plan(looks: Sequence[_Look], reading: _Reading) -> tuple[list[Screening], list[_Span]]:
    """What is judged already, and the spans that are still to be."""
    judged = {(look.path, indices): result for look in looks for indices, result in look.judged.items()}
    by_site: dict[str, list[_Part]] = {}
    for look in looks:
        for i, header in enumerate(look.headers):
            by_site.setdefault(_site(header, look.path), []).append(_Part(look.path, i, header))
    results: list[Screening] = []
    spans: list[_Span] = []
    for site, parts_of_site in by_site.items():
        join = partial(_records_of_parts, reading=reading)
        records, set_aside = _without_unreadable(tuple(parts_of_site), join)
        results.append(Screening(set_aside=set_aside))
        for record, parts in records:
            files = {part.path for part in parts}
            done = judged.get((parts[0].path, tuple(part.index for part in parts))) if len(files) == 1 else None
            if done is not None:
                results.append(done)
            else:
                spans += _spans_of(record, parts, site)
    return results, spans


def _records_of_parts(parts: tuple[_Part, ...], reading: _Reading) -> list[tuple[Record, tuple[_Part, ...]]]:
    """The records that captures make, and of which of them."""
    load = lru_cache(maxsize=_KEPT_CAPTURES)(reading.load)
    pieces = [_piece(part, partial(load, part.path, part.index)) for part in parts]
    owners = {id(piece): part for piece, part in zip(pieces, parts, strict=True)}
    return [
        (record, tuple(owners[id(piece.origin or piece)] for piece in record.pieces)) for record in records_of(pieces)
    ]


def _without_unreadable(
    parts: tuple[_Part, ...], work: Callable[[tuple[_Part, ...]], Outcome]
) -> tuple[Outcome, tuple[SetAside, ...]]:
    """What work on captures gives; a file that turns out to be unreadable is set aside and the work done without it."""
    set_aside: list[SetAside] = []
    while True:
        try:
            return work(parts), tuple(set_aside)
        except ReadError as error:
            set_aside.append(SetAside(error.path, str(error)))
            parts = tuple(part for part in parts if part.path != error.path)


def _spans_of(record: Record, parts: tuple[_Part, ...], site: str) -> list[_Span]:
    """A record as spans of a size that a worker can hold, cut between captures."""
    cuts = [0]
    for k in range(len(parts)):
        if record.positions[k + 1] - record.positions[cuts[-1]] > _SPAN_SAMPLES and k > cuts[-1]:
            cuts.append(k)
    times = [record.start_ns(k) for k in cuts] + [record.time_ns(record.n_samples) + 1]
    lasts = [*cuts[1:], len(parts)]
    return [
        _Span(site, parts, start, stop)
        for start, stop, first, last in zip(times, times[1:], cuts, lasts, strict=False)
        if last > first
    ]


def _judge_span(span: _Span, *, terms: Terms, reading: _Reading) -> Screening:
    def work(parts: tuple[_Part, ...]) -> list[Screening]:
        return [
            _as_screening(
                judge_span(record, from_ns=span.from_ns, to_ns=span.to_ns, site=span.site, terms=terms).findings,
                of_record[0].path,
            )
            for record, of_record in _records_of_parts(parts, reading)
        ]

    with keep_unpacked():
        results, set_aside = _without_unreadable(span.parts, work)
    return _together([Screening(set_aside=set_aside), *results])


def _as_screening(findings: Findings, path: Path) -> Screening:
    source = str(path)
    return Screening(
        events=findings.events,
        judged_s=sum(item.judged_s for item in findings.coverage),
        not_judged=tuple(
            NotJudged(source, item.point, item.not_judged_s, item.reason)
            for item in findings.coverage
            if item.not_judged_s > 0
        ),
        notes=tuple((source, note) for note in findings.notes),
    )


def _site(header: Header, path: Path) -> str:
    return header.station or _as_text(path.stem)


def _as_text(text: str) -> str:
    """A text without the marks that stand for bytes of a file's name which are no UTF-8: they are spelled out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _piece(part: _Part, load: Callable[[], Capture]) -> Piece:
    return Piece(part.header, load, partial(source_digest, part.path), path=_as_text(str(part.path)))


def _kept_or_loaded(kept: dict[int, Capture], part: _Part, load: Callable[[Path, int], Capture]) -> Capture:
    return kept[part.index] if part.index in kept else load(part.path, part.index)
