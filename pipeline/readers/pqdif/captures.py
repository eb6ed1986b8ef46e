"""From observations to captures: which channels are waveforms, and which of them go together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from pipeline.capture import MAX_CAPTURE_SAMPLES, Capture, Channel, Header
from pipeline.errors import MalformedRecord, Unsupported
from pipeline.readers.contract import Repair
from pipeline.readers.pqdif import tags
from pipeline.readers.pqdif.bodies import Record
from pipeline.readers.pqdif.channels import channel_of, kind_of, notes_on, quantity_of, samples_series, time_series
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
class _Waveform:
    """A waveform of an observation: the index of its definition, its samples and the times of its samples."""

    definition: int
    samples: Values
    timing: Timing


def read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    """Read a file.

    Parameters
    ----------
    path : of the file.
    quantities : only channels of these quantities; None: all.

    Returns
    -------
    Iterator of captures in the order of their observations' starts: one for the channels of an observation that share
    a time axis, cut where samples are missing, where the rate changes and where it is long. Nothing where the file
    holds no waveforms; see `remarks`.

    Raises
    ------
    MalformedRecord : the file breaks its format.
    Unsupported : a waveform is stored in a way that is not read.
    ReadError : the file cannot be read.
    """
    with record_file(path) as file:
        found, others = _look(file)
        notes = (*others, *file.notes)
        rated: dict[int, RatedValues] = {}
        for one in sorted(found, key=lambda one: one.outline.start_ns):
            yield from _captures(file, one, notes, quantities, rated.setdefault(id(one.source), RatedValues()))


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


def _captures(
    file: RecordFile,
    found: _Found,
    notes: tuple[str, ...],
    quantities: frozenset[Quantity] | None,
    rated: RatedValues,
) -> Iterator[Capture]:
    """The captures of one observation; nothing of it stays in memory afterwards."""
    body = file.body(found.record)
    observed = observation(body)
    check_note = file.check(body)
    reading = _Reading(
        path=file.path,
        found=found,
        observed=observed,
        quantities=quantities,
        rated=rated,
        notes=notes if check_note is None else (*notes, check_note),
    )
    yield from reading.captures()


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
    rated: RatedValues
    notes: tuple[str, ...]
    timings: dict[tuple[object, ...], Timing] = field(default_factory=dict)
    empty: list[str] = field(default_factory=list)  # names of waveforms without samples

    def captures(self) -> Iterator[Capture]:
        """The captures of the observation in order of time."""
        groups: dict[Timing, list[_Waveform]] = {}
        for i in range(len(self.observed.channels)):
            waveform = self._waveform(i)
            if waveform is not None:
                groups.setdefault(waveform.timing, []).append(waveform)
        if not groups:
            raise MalformedRecord(self.path, self.found.record.place, "none of its waveforms holds samples")
        stretches = [(stretch, timing, group) for timing, group in groups.items() for stretch in timing.stretches]
        for stretch, timing, group in sorted(stretches, key=lambda item: item[0].start_ns):
            yield from self._pieces(stretch, timing, group)

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

    def _pieces(self, stretch: Stretch, timing: Timing, group: list[_Waveform]) -> Iterator[Capture]:
        definitions = self.found.source.channels
        wanted = [
            waveform
            for waveform in group
            if self.quantities is None or quantity_of(definitions[waveform.definition]) in self.quantities
        ]
        sample_type, type_notes = sample_type_of([waveform.samples.stored for waveform in wanted])
        header = Header(
            station=self.found.source.name,
            start_ns=stretch.start_ns,
            rate_hz=stretch.rate_hz,
            n_samples=stretch.n_samples,
            channels=tuple(_channel(waveform, definitions, sample_type) for waveform in wanted),
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
            yield self._capture(piece, wanted, stretch.first + first)

    def _capture(self, header: Header, wanted: list[_Waveform], first: int) -> Capture:
        samples = np.empty((len(wanted), header.n_samples), header.sample_type)
        n_endless = sum(
            fill(row, waveform.samples.stored, first) for row, waveform in zip(samples, wanted, strict=True)
        )
        notes = header.notes
        if n_endless:
            notes = (*notes, Repair(f"{n_endless} values are infinite or beyond float32; read as missing"))
        capture = Capture(replace(header, notes=notes), samples)
        definitions = [(waveform.definition, self.found.source.channels[waveform.definition]) for waveform in wanted]
        return self.rated.stated_in(capture, definitions)


def _channel(waveform: _Waveform, definitions: tuple[ChannelDefinition, ...], sample_type: str) -> Channel:
    scale, offset = waveform.samples.scale, waveform.samples.offset
    if is_moved(waveform.samples.stored, sample_type):
        offset = moved_offset(scale, offset)
    return channel_of(definitions[waveform.definition], scale=scale, offset=offset)
