"""The logical layer of PQDIF: data sources, monitor settings and observations as plain values.

Source: IEEE 1159.3, data-source, monitor-settings and observation records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.bodies import Body
from halfcycle.pipeline.readers.pqdif.physical import Collection, StoredVector

MAX_CHANNELS: Final = 4096
MAX_SERIES: Final = 64  # of a channel
_MAX_FREQUENCY_HZ: Final = 1000.0


@dataclass(frozen=True, slots=True)
class SeriesDefinition:
    """What a series of a channel holds.

    Attributes
    ----------
    value_type, characteristic : GUIDs of tagValueTypeID and tagQuantityCharacteristicID.
    units, method : tagQuantityUnitsID, tagStorageMethodID.
    nominal : tagSeriesNominalQuantity, if stated.
    """

    value_type: bytes | None
    characteristic: bytes | None
    units: int
    method: int
    nominal: float | None


@dataclass(frozen=True, slots=True)
class ChannelDefinition:
    """A channel of a data source.

    Attributes
    ----------
    name, group : as the file has them.
    phase, measured : tagPhaseID; tagQuantityMeasuredID, None in files that do not state it.
    quantity_type : GUID of tagQuantityTypeID.
    series : their definitions, in order.
    """

    name: str
    group: str
    phase: int
    measured: int | None
    quantity_type: bytes | None
    series: tuple[SeriesDefinition, ...]


@dataclass(frozen=True, slots=True)
class DataSource:
    """What has measured.

    Attributes
    ----------
    name : of it, or where it has none its location.
    zone : how the file names its time zone, or ``""``.
    channels : their definitions, in order.
    """

    name: str
    zone: str
    channels: tuple[ChannelDefinition, ...]


@dataclass(frozen=True, slots=True)
class MonitorSettings:
    """How it was set.

    Attributes
    ----------
    nominal_frequency_hz : stated, or None. [Hz]
    ratios : transducer ratios other than 1 by the index of the channel's definition.
    uses_transducers : whether the file says that ratios are to be used.
    calibrated : indices of channel definitions with a calibration that the file says is to be used.
    """

    nominal_frequency_hz: float | None = None
    ratios: tuple[tuple[int, float], ...] = ()
    uses_transducers: bool = False
    calibrated: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Outline:
    """As much of an observation as tells what it is: its start, and the definitions of its channels by index."""

    name: str
    start_ns: int
    channels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SeriesInstance:
    """A series of an observation: real value = stored value * scale + offset.

    Attributes
    ----------
    values : as stored; None where they are those of another series.
    scale, offset : None where not stated.
    shared : channel and series whose values these are, by position; without meaning where there are `values`.
    """

    values: StoredVector | None
    scale: float | None
    offset: float | None
    shared: tuple[int, int]
    place: str


@dataclass(frozen=True, slots=True)
class ChannelInstance:
    """A channel of an observation: its definition's index, its frequency if stated [Hz], its series in order."""

    definition: int
    frequency_hz: float | None
    series: tuple[SeriesInstance, ...]
    place: str


@dataclass(frozen=True, slots=True)
class Observation:
    """Something that was recorded.

    Attributes
    ----------
    name : of it.
    start_ns, trigger_ns : tagTimeStart, tagTimeTriggered. [ns since 1970-01-01]
    channels : in order.
    """

    name: str
    start_ns: int
    trigger_ns: int | None
    channels: tuple[ChannelInstance, ...]


def data_source(body: Body) -> DataSource:
    """Read a data-source record.

    Raises
    ------
    MalformedRecord : naming the place.
    """
    record = Collection(body, 0, body.record.place)
    zone = record.text(tags.TIME_ZONE)
    offset = record.number(tags.UTC_TO_STANDARD_TIME)
    if offset:
        zone = f"{zone} ({tags.UTC_TO_STANDARD_TIME.name} {offset:g})".strip()
    definitions = record.collection(tags.CHANNEL_DEFINITIONS)
    if definitions is None:
        raise record.malformed(tags.CHANNEL_DEFINITIONS, "is missing")
    _check_count(definitions, tags.CHANNEL_DEFINITION, MAX_CHANNELS)
    return DataSource(
        name=record.text(tags.SOURCE_NAME) or record.text(tags.SOURCE_LOCATION),
        zone=zone,
        channels=tuple(_channel_definition(channel) for channel in definitions.collections(tags.CHANNEL_DEFINITION)),
    )


def _channel_definition(channel: Collection) -> ChannelDefinition:
    series = channel.collection(tags.SERIES_DEFINITIONS)
    if series is None:
        raise channel.malformed(tags.SERIES_DEFINITIONS, "is missing")
    _check_count(series, tags.SERIES_DEFINITION, MAX_SERIES)
    return ChannelDefinition(
        name=channel.text(tags.CHANNEL_NAME),
        group=channel.text(tags.GROUP_NAME),
        phase=channel.whole(tags.PHASE) or tags.PHASE_NONE,
        measured=channel.whole(tags.QUANTITY_MEASURED),
        quantity_type=channel.guid(tags.QUANTITY_TYPE),
        series=tuple(
            SeriesDefinition(
                value_type=one.guid(tags.VALUE_TYPE),
                characteristic=one.guid(tags.CHARACTERISTIC),
                units=one.whole(tags.UNITS) or tags.UNIT_NONE,
                method=one.whole(tags.STORAGE_METHOD) or 0,
                nominal=_stated(one, tags.NOMINAL_QUANTITY),
            )
            for one in series.collections(tags.SERIES_DEFINITION)
        ),
    )


def settings(body: Body) -> MonitorSettings:
    """Read a monitor-settings record.

    Raises
    ------
    MalformedRecord : naming the place.
    """
    record = Collection(body, 0, body.record.place)
    frequency_hz = _stated(record, tags.NOMINAL_FREQUENCY)
    channels = record.collection(tags.CHANNEL_SETTINGS)
    ratios: list[tuple[int, float]] = []
    calibrated: list[int] = []
    if channels is not None:
        _check_count(channels, tags.CHANNEL_SETTING, MAX_CHANNELS)
        for channel in channels.collections(tags.CHANNEL_SETTING):
            index = channel.whole(tags.CHANNEL_INDEX) or 0
            system, monitor = (_stated(channel, tag) for tag in (tags.SYSTEM_SIDE_RATIO, tags.MONITOR_SIDE_RATIO))
            if system and monitor and system != monitor:
                ratios.append((index, system / monitor))
            if _stated(channel, tags.CALIBRATION_RATIO) not in (None, 0.0, 1.0) or _stated(
                channel, tags.CALIBRATION_OFFSET
            ):
                calibrated.append(index)
    return MonitorSettings(
        nominal_frequency_hz=frequency_hz if frequency_hz and 0 < frequency_hz <= _MAX_FREQUENCY_HZ else None,
        ratios=tuple(ratios),
        uses_transducers=bool(record.number(tags.USE_TRANSDUCER)),
        calibrated=tuple(calibrated) if record.number(tags.USE_CALIBRATION) else (),
    )


def outline(body: Body) -> Outline:
    """Read as much of an observation record as tells what it is.

    Raises
    ------
    MalformedRecord : naming the place.
    """
    record = Collection(body, 0, body.record.place)
    return Outline(
        record.text(tags.OBSERVATION_NAME),
        _start_ns(record),
        tuple(_definition_index(channel) for channel in _instances(record).collections(tags.CHANNEL_INSTANCE)),
    )


def observation(body: Body) -> Observation:
    """Read an observation record, but for the values of its series.

    Raises
    ------
    MalformedRecord : naming the place.
    """
    record = Collection(body, 0, body.record.place)
    return Observation(
        name=record.text(tags.OBSERVATION_NAME),
        start_ns=_start_ns(record),
        trigger_ns=record.time_ns(tags.TIME_TRIGGERED),
        channels=tuple(_instance(channel) for channel in _instances(record).collections(tags.CHANNEL_INSTANCE)),
    )


def _instances(record: Collection) -> Collection:
    instances = record.collection(tags.CHANNEL_INSTANCES)
    if instances is None:
        raise record.malformed(tags.CHANNEL_INSTANCES, "is missing")
    _check_count(instances, tags.CHANNEL_INSTANCE, MAX_CHANNELS)
    return instances


def _instance(channel: Collection) -> ChannelInstance:
    series = channel.collection(tags.SERIES_INSTANCES)
    if series is None:
        raise channel.malformed(tags.SERIES_INSTANCES, "is missing")
    _check_count(series, tags.SERIES_INSTANCE, MAX_SERIES)
    frequency_hz = _stated(channel, tags.CHANNEL_FREQUENCY)
    return ChannelInstance(
        definition=_definition_index(channel),
        frequency_hz=frequency_hz if frequency_hz and 0 < frequency_hz <= _MAX_FREQUENCY_HZ else None,
        series=tuple(_series(one) for one in series.collections(tags.SERIES_INSTANCE)),
        place=channel.place,
    )


def _series(one: Collection) -> SeriesInstance:
    values = one.vector(tags.SERIES_VALUES)
    shared = (0, 0)
    if values is None:
        channel, series = one.whole(tags.SHARED_CHANNEL), one.whole(tags.SHARED_SERIES)
        if channel is None or series is None:
            raise one.malformed(tags.SERIES_VALUES, "is missing, and no shared series is named")
        shared = (channel, series)
    return SeriesInstance(values, _factor(one, tags.SERIES_SCALE), _factor(one, tags.SERIES_OFFSET), shared, one.place)


@dataclass(frozen=True, slots=True)
class Values:
    """Where the values of a series lie, and what makes them real: stored value * scale + offset.

    Attributes
    ----------
    stored : the values.
    scale, offset : as stated, or 1 and 0.
    """

    stored: StoredVector
    scale: float
    offset: float


def values_of(observed: Observation, i_channel: int, i_series: int, *, path: Path) -> Values:
    """The values of a series, or those of the one that it shares.

    A scale or offset of its own comes before that of the series whose values it shares.

    Raises
    ------
    MalformedRecord : it shares one that is not there, or series share one another in a circle.
    """
    scale = offset = None
    channel, series = i_channel, i_series
    place = observed.channels[i_channel].series[i_series].place
    seen: set[tuple[int, int]] = set()
    while True:
        if channel >= len(observed.channels) or series >= len(observed.channels[channel].series):
            raise MalformedRecord(path, place, f"it shares series {series} of channel {channel}, which does not exist")
        if (channel, series) in seen:
            raise MalformedRecord(path, place, "series share their values in a loop")
        seen.add((channel, series))
        one = observed.channels[channel].series[series]
        scale = one.scale if scale is None else scale
        offset = one.offset if offset is None else offset
        if one.values is not None:
            return Values(one.values, 1.0 if scale is None else scale, 0.0 if offset is None else offset)
        channel, series = one.shared


def _check_count(collection: Collection, tag: tags.Tag, most: int) -> None:
    if collection.count(tag) > most:
        raise collection.malformed(tag, f"there are {collection.count(tag)}; at most {most} are read")


def _definition_index(channel: Collection) -> int:
    index = channel.whole(tags.CHANNEL_INDEX)
    if index is None:
        raise channel.malformed(tags.CHANNEL_INDEX, "is missing")
    return index


def _start_ns(record: Collection) -> int:
    start_ns = record.time_ns(tags.TIME_START)
    if start_ns is None:
        raise record.malformed(tags.TIME_START, "is missing")
    return start_ns


def _factor(collection: Collection, tag: tags.Tag) -> float | None:
    number = collection.number(tag)
    if number is not None and not math.isfinite(number):
        raise collection.malformed(tag, f"is {number}; it must be a finite number")
    return None if number is None else float(number)


def _stated(collection: Collection, tag: tags.Tag) -> float | None:
    """A number that may be left out, or stand there as no number."""
    number = collection.number(tag)
    return float(number) if number is not None and math.isfinite(number) else None
