"""From observations to captures: which channels are waveforms, and which of them go together."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, closing, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Final

from halfcycle.pipeline.capture import Capture, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.kept import has_gone
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.bodies import PqdifRecord
from halfcycle.pipeline.readers.pqdif.channels import kind_of, samples_series
from halfcycle.pipeline.readers.pqdif.logical import (
    DataSource,
    MonitorSettings,
    data_source,
    observation,
    outline,
    settings,
)
from halfcycle.pipeline.readers.pqdif.observed import Found, ObservationReading, ObservedPart, definition_at
from halfcycle.pipeline.readers.pqdif.rated import RatedValues
from halfcycle.pipeline.readers.pqdif.records import RecordFile, record_file
from halfcycle.pipeline.terms import Quantity

MAX_CAPTURE_BYTES: Final = 64 << 20
_READ: Final = (tags.DATA_SOURCE.guid, tags.MONITOR_SETTINGS.guid, tags.OBSERVATION.guid)
_KNOWN: Final = (*_READ, tags.CONTAINER.guid, tags.BLANK.guid)


class PqdifRecording:
    """A file opened for its captures, in the order of their observations' starts.

    Each observation gives one for the channels that share a time axis, cut where samples are missing, where the rate
    changes and where it is long. None where the file holds no waveforms; see `remarks`. The observations are found
    once by their links; what is in one is looked at when a capture of it, or of a later one, is first asked for.

    Parameters
    ----------
    path : of the file.
    quantities : only channels of these quantities; None: all.

    Raises
    ------
    MalformedRecord : the file breaks its format.
    Unsupported : a waveform is stored in a way that is not read.
    ReadError : the file cannot be read.
    """

    def __init__(self, path: Path, quantities: frozenset[Quantity] | None) -> None:
        self._quantities = quantities
        with ExitStack() as stack:
            self._file = stack.enter_context(record_file(path))
            found, others = _look(self._file)
            self._notes = (*others, *self._file.notes)
            self._stack = stack.pop_all()
        self._found = sorted(found, key=lambda one: one.outline.start_ns)
        self._check_notes: list[str | None] = []  # of the observations that were looked at, in order
        self._firsts = [0]  # place of the first capture of each of these, and of the one after them
        self._rated: dict[int, RatedValues] = {}
        self._n_rated = 0  # captures of which the rated values are decided
        self._at_hand: tuple[int, ObservationReading, list[ObservedPart]] | None = None

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        index = first
        while (place := self._place(index)) is not None:
            capture = self._capture(index, *place)
            del place  # nothing of an observation, nor of its samples, stays in memory beside the next one
            yield capture
            del capture
            index += 1

    def _capture(self, index: int, reading: ObservationReading, piece: ObservedPart) -> Capture:
        samples, n_endless = reading.samples(piece, 0, piece.header.n_samples)
        header = piece.header
        if n_endless:
            note = Repair(f"{n_endless} values are infinite or beyond float32; read as missing")
            header = replace(header, notes=(*header.notes, note))
        return Capture(self._stated(index, header, reading, piece, samples), samples)

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a capture."""
        place = self._place(index)
        if place is None:
            raise has_gone(self._file.path, index)
        return place[0].samples(place[1], start, stop)[0]

    def headers(self) -> list[Header] | None:
        """Those of all captures; None where only the samples tell what is to be noted of them."""
        if self._file.compressed:  # their checksums are of all that is in them
            return None
        found: list[Header] = []
        while (place := self._place(len(found))) is not None:
            check_time()
            reading, piece = place
            if piece.header.sample_type == "float32":
                return None
            found.append(self._stated(len(found), piece.header, reading, piece, None))
        return found

    def close(self) -> None:
        """Close the file."""
        self._at_hand = None
        self._stack.close()

    def _stated(
        self, index: int, header: Header, reading: ObservationReading, piece: ObservedPart, samples: SampleArray | None
    ) -> Header:
        """A header with rated values, which the first capture that holds a channel decides: not a later one."""
        while self._n_rated < index:
            before = self._place(self._n_rated)
            if before is not None:
                self._n_rated += 1
                self._stated(self._n_rated - 1, before[1].header, *before, None)
        self._n_rated = max(self._n_rated, index + 1)
        rated = self._rated.setdefault(id(reading.found.source), RatedValues())

        def first_samples(n: int) -> SampleArray:
            return reading.samples(piece, 0, n)[0] if samples is None else samples[:, :n]

        return rated.stated_in(header, reading.definitions(piece), first_samples)

    def _place(self, index: int) -> tuple[ObservationReading, ObservedPart] | None:
        """The observation that a capture is of, and which part of it."""
        while index >= self._firsts[-1] and len(self._firsts) <= len(self._found):
            _, pieces = self._reading(len(self._firsts) - 1)
            self._firsts.append(self._firsts[-1] + len(pieces))
        if index >= self._firsts[-1]:
            return None
        k = bisect_right(self._firsts, index) - 1
        reading, pieces = self._reading(k)
        return reading, pieces[index - self._firsts[k]]

    def _reading(self, k: int) -> tuple[ObservationReading, list[ObservedPart]]:
        """The observation at a place, compared with its checksum when it is looked at for the first time."""
        if self._at_hand is None or self._at_hand[0] != k:
            self._at_hand = None
            is_new = k == len(self._check_notes)
            with nullcontext() if is_new else self._file.again():
                body = self._file.body(self._found[k].record)
                observed = observation(body)
                if is_new:
                    self._check_notes.append(self._file.check(body))
                reading = ObservationReading(
                    path=self._file.path,
                    found=self._found[k],
                    observed=observed,
                    quantities=self._quantities,
                    notes=(*self._notes, *(note for note in (self._check_notes[k],) if note is not None)),
                )
                self._at_hand = k, reading, list(reading.pieces())
        return self._at_hand[1:]


def read_headers(path: Path, quantities: frozenset[Quantity]) -> list[Header] | None:
    """The headers of all captures, where the samples are integers and not compressed; else None."""
    with closing(PqdifRecording(path, quantities)) as recording:
        return recording.headers()


def remarks(path: Path) -> tuple[str, ...]:
    """What a file without waveforms holds instead.

    All of its records are compared with their checksums: a damaged definition may hide a waveform.

    Parameters
    ----------
    path : of the file.

    Returns
    -------
    Remarks in words, one at least; none where the file holds waveforms.

    Raises
    ------
    ReadError : as `read`.
    """
    with record_file(path) as file:
        found, others = _look(file)
        if found:
            return ()
        checked = [note for record in file.records if record.tag in _READ and (note := file.check(file.body(record)))]
        n_unknown = sum(record.tag not in _KNOWN for record in file.records)
    return (
        *(others or ("it holds no observation",)),
        *((f"{n_unknown} record{'s' * (n_unknown > 1)} of unknown type ignored",) if n_unknown else ()),
        *dict.fromkeys(checked),
        *file.notes,
    )


def _look(file: RecordFile) -> tuple[list[Found], tuple[str, ...]]:
    """The observations with waveforms, and what is to be said of all others."""
    found: list[Found] = []
    others: Counter[tuple[str, str]] = Counter()
    source_record: PqdifRecord | None = None
    source: DataSource | None = None
    set_so = MonitorSettings()
    for record in file.records:
        if record.tag == tags.DATA_SOURCE.guid:
            source_record, source, set_so = record, None, MonitorSettings()
        elif record.tag == tags.MONITOR_SETTINGS.guid:
            set_so = settings(file.body(record))
        elif record.tag == tags.OBSERVATION.guid:
            if source_record is None:
                raise MalformedRecord(file.path, record.place, "it is an observation without a preceding data source")
            if source is None:
                source = data_source(file.body(source_record))
            body = file.body(record)
            seen = outline(body)
            definitions = [definition_at(source, i, record, file.path) for i in seen.channels]
            kinds = [kind_of(definition) for definition in definitions if samples_series(definition) is None]
            if len(kinds) < len(definitions):
                found.append(Found(record, seen, source, set_so))
                file.keep(body)
                others.update((kind, "channel") for kind in kinds)
            else:
                others.update((kind, "observation") for kind in set(kinds) or {"empty"})
    return found, tuple(_left_out(n, kind, what) for (kind, what), n in sorted(others.items()))


def _left_out(n: int, kind: str, what: str) -> str:
    word, _, values = kind.partition(", ")
    return f"{n} {word} {what}{'s' * (n > 1)}{f' ({values})' if values else ''} not read as waveforms"
