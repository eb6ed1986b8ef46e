"""From observations to captures: which channels are waveforms, and which of them go together."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, closing, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from pipeline.capture import MAX_CAPTURE_SAMPLES, Capture, Channel, Header, SampleArray
from pipeline.errors import MalformedRecord, Unsupported
from pipeline.readers.contract import Repair
from pipeline.readers.kept import has_gone
from pipeline.readers.pqdif import tags
from pipeline.readers.pqdif.bodies import Record
from pipeline.readers.pqdif.channels import channel_of, kind_of, notes_on, quantity_of, samples_series, time_series
from pipeline.readers.pqdif.joining import fill_between, joined_timings, note_on
from pipeline.readers.pqdif.logical import (
    ChannelDefinition,
    ChannelInstance,
    DataSource,
    Observation,
    Outline,
    Settings,
    Values,
    data_source,
    observation,
    outline,
    settings,
    values_of,
)
from pipeline.readers.pqdif.rated import RatedValues
from pipeline.readers.pqdif.records import RecordFile, record_file
from pipeline.readers.pqdif.samples import check_numbers, fill, is_moved, moved_offset, sample_type_of
from pipeline.readers.pqdif.timing import Stretch, Timing, timing_of
from pipeline.terms import Quantity

MAX_CAPTURE_BYTES: Final = 64 << 20
_READ: Final = (tags.DATA_SOURCE.guid, tags.MONITOR_SETTINGS.guid, tags.OBSERVATION.guid)
_KNOWN: Final = (*_READ, tags.CONTAINER.guid, tags.BLANK.guid)


@dataclass(frozen=True, slots=True)
class _Found:
    """An observation with waveforms, and what was said before it of its channels."""

    record: Record
    outline: Outline
    source: DataSource
    settings: Settings


@dataclass(frozen=True, slots=True)
class _Piece:
    """A capture of an observation: its header but for rated values, its waveforms, and the first sample in them."""

    header: Header
    waveforms: tuple[_Waveform, ...]
    first: int


@dataclass(frozen=True, slots=True)
class _Waveform:
    """A waveform of an observation: the index of its definition, its samples and the times of its samples.

    `factor` values of it are made of each sample: 1, or more where it joins faster channels.
    """

    definition: int
    samples: Values
    timing: Timing
    factor: int = 1


class Recording:
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
        self._at_hand: tuple[int, _Reading, list[_Piece]] | None = None

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        index = first
        while (place := self._place(index)) is not None:
            capture = self._capture(index, *place)
            del place  # nothing of an observation, nor of its samples, stays in memory beside the next one
            yield capture
            del capture
            index += 1

    def _capture(self, index: int, reading: _Reading, piece: _Piece) -> Capture:
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
        self, index: int, header: Header, reading: _Reading, piece: _Piece, samples: SampleArray | None
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

    def _place(self, index: int) -> tuple[_Reading, _Piece] | None:
        """The observation that a capture is of, and which part of it."""
        while index >= self._firsts[-1] and len(self._firsts) <= len(self._found):
            _, pieces = self._reading(len(self._firsts) - 1)
            self._firsts.append(self._firsts[-1] + len(pieces))
        if index >= self._firsts[-1]:
            return None
        k = bisect_right(self._firsts, index) - 1
        reading, pieces = self._reading(k)
        return reading, pieces[index - self._firsts[k]]

    def _reading(self, k: int) -> tuple[_Reading, list[_Piece]]:
        """The observation at a place, compared with its checksum when it is looked at for the first time."""
        if self._at_hand is None or self._at_hand[0] != k:
            self._at_hand = None
            is_new = k == len(self._check_notes)
            with nullcontext() if is_new else self._file.again():
                body = self._file.body(self._found[k].record)
                observed = observation(body)
                if is_new:
                    self._check_notes.append(self._file.check(body))
                reading = _Reading(
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
    with closing(Recording(path, quantities)) as recording:
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
        *((f"{n_unknown} record{'s' * (n_unknown > 1)} of unknown types left out",) if n_unknown else ()),
        *dict.fromkeys(checked),
        *file.notes,
    )


def _look(file: RecordFile) -> tuple[list[_Found], tuple[str, ...]]:
    """The observations with waveforms, and what is to be said of all others."""
    found: list[_Found] = []
    others: Counter[tuple[str, str]] = Counter()
    source_record: Record | None = None
    source: DataSource | None = None
    set_so = Settings()
    for record in file.records:
        if record.tag == tags.DATA_SOURCE.guid:
            source_record, source, set_so = record, None, Settings()
        elif record.tag == tags.MONITOR_SETTINGS.guid:
            set_so = settings(file.body(record))
        elif record.tag == tags.OBSERVATION.guid:
            if source_record is None:
                raise MalformedRecord(file.path, record.place, "it is an observation, with no data source before it")
            if source is None:
                source = data_source(file.body(source_record))
            body = file.body(record)
            seen = outline(body)
            definitions = [_definition(source, i, record, file.path) for i in seen.channels]
            kinds = [kind_of(definition) for definition in definitions if samples_series(definition) is None]
            if len(kinds) < len(definitions):
                found.append(_Found(record, seen, source, set_so))
                file.keep(body)
                others.update((kind, "channel") for kind in kinds)
            else:
                others.update((kind, "observation") for kind in set(kinds) or {"empty"})
    return found, tuple(_left_out(n, kind, what) for (kind, what), n in sorted(others.items()))


def _left_out(n: int, kind: str, what: str) -> str:
    word, _, values = kind.partition(", ")
    return f"{n} {word} {what}{'s' * (n > 1)}{f' ({values})' if values else ''} not read as waveforms"


def _definition(source: DataSource, index: int, record: Record, path: Path) -> ChannelDefinition:
    if index >= len(source.channels):
        raise MalformedRecord(path, record.place, f"a channel is to have definition {index}; the data source has "
                                                  f"{len(source.channels)}, counted from 0")  # fmt: skip
    return source.channels[index]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """An observation on its way to captures."""

    path: Path
    found: _Found
    observed: Observation
    quantities: frozenset[Quantity] | None
    notes: tuple[str, ...]
    timings: dict[tuple[object, ...], Timing] = field(default_factory=dict)
    empty: list[str] = field(default_factory=list)  # names of waveforms without samples

    def pieces(self) -> Iterator[_Piece]:
        """The captures of the observation in order of time, without their samples."""
        groups: dict[Timing, list[_Waveform]] = {}
        for i in range(len(self.observed.channels)):
            waveform = self._waveform(i)
            if waveform is not None:
                groups.setdefault(waveform.timing, []).append(waveform)
        if not groups:
            raise MalformedRecord(self.path, self.found.record.place, "none of its waveforms holds samples")
        groups = self._joined(groups)
        stretches = [(stretch, timing, group) for timing, group in groups.items() for stretch in timing.stretches]
        for stretch, timing, group in sorted(stretches, key=lambda item: item[0].start_ns):
            yield from self._of_stretch(stretch, timing, group)

    def _joined(self, groups: dict[Timing, list[_Waveform]]) -> dict[Timing, list[_Waveform]]:
        """Waveforms by time axis, slow ones with the fast ones that they go with."""
        if len(groups) == 1:
            return groups
        definitions = self.found.source.channels
        measured = {
            timing: frozenset(
                (channel.quantity, channel.phase)
                for channel in (channel_of(definitions[one.definition], scale=1.0, offset=0.0) for one in group)
            )
            for timing, group in groups.items()
        }
        for slow, (fast, factor) in joined_timings(measured).items():
            groups[fast] += [replace(one, timing=fast, factor=factor) for one in groups.pop(slow)]
        return {timing: sorted(group, key=lambda one: one.definition) for timing, group in groups.items()}

    def _waveform(self, i: int) -> _Waveform | None:
        instance = self.observed.channels[i]
        definition = _definition(self.found.source, instance.definition, self.found.record, self.path)
        i_samples, i_times = samples_series(definition), time_series(definition)
        if i_samples is None:
            return None
        if i_times is None:
            raise Unsupported(self.path, instance.place, f"waveform {definition.name} has no series of times")
        for i_series in (i_samples, i_times):
            if i_series >= len(instance.series):
                raise MalformedRecord(self.path, instance.place, f"its definition has {len(definition.series)} series, "
                                                                 f"it has {len(instance.series)}")  # fmt: skip
        samples = values_of(self.observed, i, i_samples, path=self.path)
        check_numbers(samples.stored, self.path)
        if definition.series[i_samples].method & tags.METHOD_INCREMENT:
            raise Unsupported(self.path, samples.stored.place, "the samples are stored as increments")
        if not samples.stored.count:
            self.empty.append(definition.name or f"channel {instance.definition + 1}")
            return None
        samples.stored.use()
        return _Waveform(instance.definition, samples, self._timing(i, i_times, samples.stored.count, instance))

    def _timing(self, i: int, i_times: int, n_samples: int, instance: ChannelInstance) -> Timing:
        """The timing of a channel; a time axis that channels share is looked at once."""
        series = self.found.source.channels[instance.definition].series[i_times]
        times = values_of(self.observed, i, i_times, path=self.path)
        frequency_hz = instance.frequency_hz or self.found.settings.nominal_frequency_hz
        key = (times.stored.offset, times.stored.dtype, times.stored.count, times.scale, times.offset,
               series.units, series.method, n_samples, frequency_hz)  # fmt: skip
        if key not in self.timings:
            times.stored.use()
            self.timings[key] = timing_of(
                times,
                units=series.units,
                method=series.method,
                start_ns=self.observed.start_ns,
                n_samples=n_samples,
                frequency_hz=frequency_hz,
                path=self.path,
            )
        return self.timings[key]

    def _of_stretch(self, stretch: Stretch, timing: Timing, group: list[_Waveform]) -> Iterator[_Piece]:
        definitions = self.found.source.channels
        wanted = [
            waveform
            for waveform in group
            if self.quantities is None or quantity_of(definitions[waveform.definition]) in self.quantities
        ]
        sample_type, type_notes = sample_type_of([waveform.samples.stored for waveform in wanted])
        if slow := [waveform for waveform in wanted if waveform.factor > 1]:
            sample_type = "float32"
            type_notes = (*type_notes, *self._slow_notes(slow, stretch.rate_hz))
        header = Header(
            station=self.found.source.name,
            start_ns=stretch.start_ns,
            rate_hz=stretch.rate_hz,
            n_samples=stretch.n_samples,
            channels=tuple(_channel(waveform, definitions, sample_type, joined=bool(slow)) for waveform in wanted),
            sample_type=sample_type,
            nominal_frequency_hz=self.found.settings.nominal_frequency_hz,
            trigger_ns=self.observed.trigger_ns,
            source=self.path.name,
            notes=(
                *self.notes,
                *notes_on(self.found.source, self.found.settings, [waveform.definition for waveform in wanted]),
                *((f"waveforms without samples: {', '.join(self.empty)}",) if self.empty else ()),
                *timing.notes,
                *type_notes,
            ),
        )
        row_bytes = len(wanted) * np.dtype(sample_type).itemsize
        longest = max(1, min(MAX_CAPTURE_SAMPLES, MAX_CAPTURE_BYTES // max(row_bytes, 1)))
        for first in range(0, stretch.n_samples, longest):
            n_samples = min(longest, stretch.n_samples - first)
            piece = replace(header, start_ns=header.time_ns(first), n_samples=n_samples)
            yield _Piece(piece, tuple(wanted), stretch.first + first)

    def _slow_notes(self, slow: list[_Waveform], rate_hz: float) -> Iterator[str]:
        for factor in sorted({waveform.factor for waveform in slow}):
            names = [self.found.source.channels[one.definition].name for one in slow if one.factor == factor]
            yield note_on(", ".join(names), slow_hz=rate_hz / factor, fast_hz=rate_hz)

    def samples(self, piece: _Piece, start: int, stop: int) -> tuple[SampleArray, int]:
        """Samples [start, stop) of a capture, and how many values of them were infinite and are missing now."""
        samples = np.empty((len(piece.waveforms), stop - start), piece.header.sample_type)
        n_endless = sum(
            fill(row, waveform.samples.stored, piece.first + start)
            if waveform.factor == 1
            else fill_between(row, waveform.samples.stored, waveform.factor, piece.first + start)
            for row, waveform in zip(samples, piece.waveforms, strict=True)
        )
        return samples, n_endless

    def definitions(self, piece: _Piece) -> list[tuple[int, ChannelDefinition]]:
        """Index and definition of each channel of a capture."""
        return [(waveform.definition, self.found.source.channels[waveform.definition]) for waveform in piece.waveforms]


def _channel(
    waveform: _Waveform, definitions: tuple[ChannelDefinition, ...], sample_type: str, *, joined: bool
) -> Channel:
    scale, offset = waveform.samples.scale, waveform.samples.offset
    if is_moved(waveform.samples.stored, sample_type):
        offset = moved_offset(scale, offset)
    channel = channel_of(definitions[waveform.definition], scale=scale, offset=offset)
    kind = waveform.samples.stored.dtype
    if joined and waveform.factor == 1 and kind.kind == "i":  # where float32 does not show any more where counts end
        return replace(channel, rail_low=int(np.iinfo(kind).min), rail_high=int(np.iinfo(kind).max))
    return channel
