"""One observation of a PQDIF file: its waveforms, brought to their time axes, in pieces that are captures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.pipeline.capture import MAX_CAPTURE_SAMPLES, Channel, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord, Unsupported
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.bodies import PqdifRecord
from halfcycle.pipeline.readers.pqdif.channels import channel_of, notes_on, quantity_of, samples_series, time_series
from halfcycle.pipeline.readers.pqdif.joining import fill_between, joined_timings, note_on
from halfcycle.pipeline.readers.pqdif.logical import (
    ChannelDefinition,
    ChannelInstance,
    DataSource,
    MonitorSettings,
    Observation,
    Outline,
    Values,
    values_of,
)
from halfcycle.pipeline.readers.pqdif.samples import check_numbers, fill, is_moved, moved_offset, sample_type_of
from halfcycle.pipeline.readers.pqdif.timing import SamplesAtRate, WaveformTiming, timing_of
from halfcycle.pipeline.terms import Quantity

MAX_CAPTURE_BYTES: Final = 64 << 20
_READ: Final = (tags.DATA_SOURCE.guid, tags.MONITOR_SETTINGS.guid, tags.OBSERVATION.guid)
_KNOWN: Final = (*_READ, tags.CONTAINER.guid, tags.BLANK.guid)


@dataclass(frozen=True, slots=True)
class Found:
    """An observation with waveforms, and what was said before it of its channels."""

    record: PqdifRecord
    outline: Outline
    source: DataSource
    settings: MonitorSettings


@dataclass(frozen=True, slots=True)
class ObservedPart:
    """A capture of an observation: its header but for rated values, its waveforms, and the first sample in them."""

    header: Header
    waveforms: tuple[ObservedWaveform, ...]
    first: int


@dataclass(frozen=True, slots=True)
class ObservedWaveform:
    """A waveform of an observation: the index of its definition, its samples and the times of its samples.

    `factor` values of it are made of each sample: 1, or more where it joins faster channels.
    """

    definition: int
    samples: Values
    timing: WaveformTiming
    factor: int = 1


def definition_at(source: DataSource, index: int, record: PqdifRecord, path: Path) -> ChannelDefinition:
    """The definition of a channel of an observation, by its index in the data source.

    Raises
    ------
    MalformedRecord : there is none.
    """
    if index >= len(source.channels):
        raise MalformedRecord(path, record.place, f"a channel refers to definition {index}; the data source has "
                                                  f"{len(source.channels)}, counted from 0")  # fmt: skip
    return source.channels[index]


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationReading:
    """An observation on its way to captures."""

    path: Path
    found: Found
    observed: Observation
    quantities: frozenset[Quantity] | None
    notes: tuple[str, ...]
    timings: dict[tuple[object, ...], WaveformTiming] = field(default_factory=dict)
    empty: list[str] = field(default_factory=list)  # names of waveforms without samples

    def pieces(self) -> Iterator[ObservedPart]:
        """The captures of the observation in order of time, without their samples."""
        groups: dict[WaveformTiming, list[ObservedWaveform]] = {}
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

    def _joined(
        self, groups: dict[WaveformTiming, list[ObservedWaveform]]
    ) -> dict[WaveformTiming, list[ObservedWaveform]]:
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

    def _waveform(self, i: int) -> ObservedWaveform | None:
        instance = self.observed.channels[i]
        definition = definition_at(self.found.source, instance.definition, self.found.record, self.path)
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
        return ObservedWaveform(instance.definition, samples, self._timing(i, i_times, samples.stored.count, instance))

    def _timing(self, i: int, i_times: int, n_samples: int, instance: ChannelInstance) -> WaveformTiming:
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

    def _of_stretch(
        self, stretch: SamplesAtRate, timing: WaveformTiming, group: list[ObservedWaveform]
    ) -> Iterator[ObservedPart]:
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
            yield ObservedPart(piece, tuple(wanted), stretch.first + first)

    def _slow_notes(self, slow: list[ObservedWaveform], rate_hz: float) -> Iterator[str]:
        for factor in sorted({waveform.factor for waveform in slow}):
            names = [self.found.source.channels[one.definition].name for one in slow if one.factor == factor]
            yield note_on(", ".join(names), slow_hz=rate_hz / factor, fast_hz=rate_hz)

    def samples(self, piece: ObservedPart, start: int, stop: int) -> tuple[SampleArray, int]:
        """Samples [start, stop) of a capture, and how many values of them were infinite and are missing now."""
        samples = np.empty((len(piece.waveforms), stop - start), piece.header.sample_type)
        n_endless = sum(
            fill(row, waveform.samples.stored, piece.first + start)
            if waveform.factor == 1
            else fill_between(row, waveform.samples.stored, waveform.factor, piece.first + start)
            for row, waveform in zip(samples, piece.waveforms, strict=True)
        )
        return samples, n_endless

    def definitions(self, piece: ObservedPart) -> list[tuple[int, ChannelDefinition]]:
        """Index and definition of each channel of a capture."""
        return [(waveform.definition, self.found.source.channels[waveform.definition]) for waveform in piece.waveforms]


def _channel(
    waveform: ObservedWaveform, definitions: tuple[ChannelDefinition, ...], sample_type: str, *, joined: bool
) -> Channel:
    scale, offset = waveform.samples.scale, waveform.samples.offset
    if is_moved(waveform.samples.stored, sample_type):
        offset = moved_offset(scale, offset)
    channel = channel_of(definitions[waveform.definition], scale=scale, offset=offset)
    kind = waveform.samples.stored.dtype
    if joined and waveform.factor == 1 and kind.kind == "i":  # where float32 does not show any more where counts end
        return replace(channel, rail_low=int(np.iinfo(kind).min), rail_high=int(np.iinfo(kind).max))
    return channel
