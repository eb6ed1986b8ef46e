"""PQDIF files byte by byte, from the layout and the lists of IEEE 1159.3 alone; nothing of the project is used here."""

from __future__ import annotations

import struct
import uuid
import zlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

# Record types and tags, with their GUIDs as the standard's tag list prints them.
TAGS = {
    "tagContainer": "89738606-f1c3-11cf-9d89-0080c72e70a3",
    "tagRecDataSource": "89738619-f1c3-11cf-9d89-0080c72e70a3",
    "tagRecMonitorSettings": "b48d858c-f5f5-11cf-9d89-0080c72e70a3",
    "tagRecObservation": "8973861a-f1c3-11cf-9d89-0080c72e70a3",
    "tagBlank": "89738618-f1c3-11cf-9d89-0080c72e70a3",
    "tagFileName": "89738608-f1c3-11cf-9d89-0080c72e70a3",
    "tagCompressionStyleID": "8973861b-f1c3-11cf-9d89-0080c72e70a3",
    "tagCompressionAlgorithmID": "8973861c-f1c3-11cf-9d89-0080c72e70a3",
    "tagNameDS": "b48d8587-f5f5-11cf-9d89-0080c72e70a3",
    "tagLocationDS": "b48d8589-f5f5-11cf-9d89-0080c72e70a3",
    "tagTimeZoneDS": "b48d858a-f5f5-11cf-9d89-0080c72e70a3",
    "tagUTCtoLST": "6acec12e-43b1-4336-af8f-1dd289e4e168",
    "tagChannelDefns": "b48d858d-f5f5-11cf-9d89-0080c72e70a3",
    "tagOneChannelDefn": "b48d858e-f5f5-11cf-9d89-0080c72e70a3",
    "tagChannelName": "b48d8590-f5f5-11cf-9d89-0080c72e70a3",
    "tagPhaseID": "b48d8591-f5f5-11cf-9d89-0080c72e70a3",
    "tagGroupName": "b48d8594-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityTypeID": "b48d8592-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityMeasuredID": "c690e872-f755-11cf-9d89-0080c72e70a3",
    "tagSeriesDefns": "b48d8598-f5f5-11cf-9d89-0080c72e70a3",
    "tagOneSeriesDefn": "b48d859a-f5f5-11cf-9d89-0080c72e70a3",
    "tagValueTypeID": "b48d859c-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityUnitsID": "b48d859b-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityCharacteristicID": "3d786f9e-f76e-11cf-9d89-0080c72e70a3",
    "tagStorageMethodID": "b48d85a1-f5f5-11cf-9d89-0080c72e70a3",
    "tagSeriesNominalQuantity": "0fa118c8-cb4a-11d2-b30b-fe25cb9a1760",
    "tagNominalFrequency": "0fa118c3-cb4a-11d2-b30b-fe25cb9a1760",
    "tagUseTransducer": "62f28181-f9c4-11cf-9d89-0080c72e70a3",
    "tagUseCalibration": "62f28180-f9c4-11cf-9d89-0080c72e70a3",
    "tagChannelSettingsArray": "62f28182-f9c4-11cf-9d89-0080c72e70a3",
    "tagOneChannelSetting": "3d786f9a-f76e-11cf-9d89-0080c72e70a3",
    "tagChannelDefnIdx": "b48d858f-f5f5-11cf-9d89-0080c72e70a3",
    "tagXDSystemSideRatio": "62f2818a-f9c4-11cf-9d89-0080c72e70a3",
    "tagXDMonitorSideRatio": "62f2818b-f9c4-11cf-9d89-0080c72e70a3",
    "tagCalRatio": "62f2818f-f9c4-11cf-9d89-0080c72e70a3",
    "tagCalOffset": "62f2818e-f9c4-11cf-9d89-0080c72e70a3",
    "tagObservationName": "3d786f8a-f76e-11cf-9d89-0080c72e70a3",
    "tagTimeStart": "3d786f8c-f76e-11cf-9d89-0080c72e70a3",
    "tagTimeTriggered": "3d786f8e-f76e-11cf-9d89-0080c72e70a3",
    "tagChannelInstances": "3d786f91-f76e-11cf-9d89-0080c72e70a3",
    "tagOneChannelInst": "3d786f92-f76e-11cf-9d89-0080c72e70a3",
    "tagChannelFrequency": "2747d442-2bd0-11d2-ae42-0060083a2628",
    "tagSeriesInstances": "3d786f93-f76e-11cf-9d89-0080c72e70a3",
    "tagOneSeriesInstance": "3d786f94-f76e-11cf-9d89-0080c72e70a3",
    "tagSeriesScale": "3d786f96-f76e-11cf-9d89-0080c72e70a3",
    "tagSeriesOffset": "3d786f97-f76e-11cf-9d89-0080c72e70a3",
    "tagSeriesShareChannelIdx": "8973861f-f1c3-11cf-9d89-0080c72e70a3",
    "tagSeriesShareSeriesIdx": "89738620-f1c3-11cf-9d89-0080c72e70a3",
    "tagSeriesValues": "3d786f99-f76e-11cf-9d89-0080c72e70a3",
}
WAVEFORM = "67f6af80-f753-11cf-9d89-0080c72e70a3"
VALUE_LOG = "67f6af82-f753-11cf-9d89-0080c72e70a3"
PHASOR = "67f6af81-f753-11cf-9d89-0080c72e70a3"
MAGNITUDE_DURATION = "67f6af8b-f753-11cf-9d89-0080c72e70a3"
TIME = "c690e862-f755-11cf-9d89-0080c72e70a3"
VAL = "67f6af97-f753-11cf-9d89-0080c72e70a3"
AVG = "67f6af9a-f753-11cf-9d89-0080c72e70a3"
INSTANTANEOUS = "a6b31add-b451-11d1-ae17-0060083a2628"
NO_CHARACTERISTIC = "a6b31adf-b451-11d1-ae17-0060083a2628"
RMS = "a6b31ae5-b451-11d1-ae17-0060083a2628"

SIGNATURE = bytes.fromhex("40 14 11 4A 9F E4 CF 11 99 00 50 51 44 49 46 00")  # as the layout prints it
FORMATS = {
    1: "B", 2: "H", 3: "I", 11: "H", 20: "b", 21: "h", 22: "i", 30: "B", 31: "H", 32: "I", 40: "f", 41: "d",
}  # fmt: skip

Entry = tuple[str, str, Any]


def guid(text: str) -> bytes:
    """u32, u16, u16 in little-endian order, then 8 bytes in order."""
    whole = uuid.UUID(text)
    return struct.pack("<IHH", *whole.fields[:3]) + whole.bytes[8:]


def collection(tag: str, *entries: Entry) -> Entry:
    return tag, "collection", entries


def scalar(tag: str, physical: int, value: Any, *, embedded: bool = True) -> Entry:
    return tag, "embedded" if embedded else "scalar", (physical, struct.pack(f"<{FORMATS[physical]}", value))


def raw_scalar(tag: str, physical: int, content: bytes) -> Entry:
    return tag, "scalar", (physical, content)


def identity(tag: str, value: str) -> Entry:
    return raw_scalar(tag, 60, guid(value))


def stamp(when: datetime, nanoseconds: int = 0) -> bytes:
    """Day count of spreadsheets, in which 1970-01-01 is 25569, and seconds since midnight."""
    days = (when.date() - datetime(1970, 1, 1).date()).days + 25569
    seconds = (when.hour * 60 + when.minute) * 60 + when.second
    return struct.pack("<Id", days, (seconds * 1_000_000_000 + when.microsecond * 1000 + nanoseconds) / 1e9)


def time(tag: str, when: datetime, nanoseconds: int = 0) -> Entry:
    return raw_scalar(tag, 50, stamp(when, nanoseconds))


def raw_vector(tag: str, physical: int, count: int, content: bytes) -> Entry:
    return tag, "vector", (physical, struct.pack("<I", count) + content)


def vector(tag: str, physical: int, values: Sequence[Any]) -> Entry:
    return raw_vector(tag, physical, len(values), struct.pack(f"<{len(values)}{FORMATS[physical]}", *values))


def text(tag: str, words: str, encoding: str = "utf-8") -> Entry:
    content = words.encode(encoding) + b"\0"
    return raw_vector(tag, 10, len(content), content)


def body(*entries: Entry) -> bytes:
    """A record's body: collections level by level, values in the order in which they are met."""
    content = bytearray(4 + 28 * len(entries))
    waiting: list[tuple[int, Sequence[Entry]]] = [(0, entries)]
    while waiting:
        at, members = waiting.pop(0)
        struct.pack_into("<I", content, at, len(members))
        for i, (tag, kind, thing) in enumerate(members):
            code, physical = {"collection": (1, 0), "vector": (3, 0)}.get(kind, (2, 0))
            is_embedded = kind == "embedded"
            if kind == "collection":
                link, size = len(content), 4 + 28 * len(thing)
                waiting.append((link, thing))
                content += bytes(size)
            else:
                physical, value = thing
                link, size = len(content), len(value) + -len(value) % 4
                if not is_embedded:
                    content += value + bytes(size - len(value))
            union = value.ljust(8, b"\0") if is_embedded else struct.pack("<II", link, size)
            entry = guid(TAGS[tag]) + struct.pack("<bbbb", code, physical, is_embedded, 0) + union
            content[at + 4 + 28 * i : at + 32 + 28 * i] = entry
    return bytes(content)


def file(
    *records: tuple[str, bytes],
    compressed: bool = False,
    checksum: Callable[[bytes], int] = zlib.adler32,
    last_link: int | None = None,
) -> bytes:
    """A chain of records: the tag of each, and its body before it is compressed."""
    content = bytearray()
    for i, (tag, plain) in enumerate(records):
        stored = zlib.compress(plain) if compressed and i else plain
        following = len(content) + 64 + len(stored) if i < len(records) - 1 else last_link or 0
        content += SIGNATURE + guid(TAGS[tag])
        content += struct.pack("<IIII", 64, len(stored), following, checksum(stored)) + bytes(16)
        content += stored
    return bytes(content)


def container(*, style: int | None = None, algorithm: int = 1) -> tuple[str, bytes]:
    entries = [text("tagFileName", "made.pqd")]
    if style is not None:
        entries += [scalar("tagCompressionStyleID", 32, style), scalar("tagCompressionAlgorithmID", 32, algorithm)]
    return "tagContainer", body(*entries)


def channel(
    name: str,
    *,
    phase: int = 1,
    measured: int | None = 1,
    units: int = 6,
    quantity_type: str = WAVEFORM,
    characteristic: str | None = INSTANTANEOUS,
    value_type: str = VAL,
    method: int = 1,
    time_units: int = 2,
    time_method: int = 4,
    nominal: float | None = None,
    group: str = "",
) -> Entry:
    """A channel's definition with the series TIME and VAL."""
    times = [identity("tagValueTypeID", TIME), scalar("tagQuantityUnitsID", 32, time_units)]
    times += [scalar("tagStorageMethodID", 32, time_method), identity("tagQuantityCharacteristicID", NO_CHARACTERISTIC)]
    values = [identity("tagValueTypeID", value_type), scalar("tagQuantityUnitsID", 32, units)]
    values += [scalar("tagStorageMethodID", 32, method)]
    values += [] if characteristic is None else [identity("tagQuantityCharacteristicID", characteristic)]
    values += [] if nominal is None else [scalar("tagSeriesNominalQuantity", 41, nominal)]
    entries = [text("tagChannelName", name), scalar("tagPhaseID", 32, phase)]
    entries += [identity("tagQuantityTypeID", quantity_type)]
    entries += [] if measured is None else [scalar("tagQuantityMeasuredID", 32, measured)]
    entries += [text("tagGroupName", group)] if group else []
    series = collection(
        "tagSeriesDefns", collection("tagOneSeriesDefn", *times), collection("tagOneSeriesDefn", *values)
    )
    return collection("tagOneChannelDefn", *entries, series)


def source(
    *channels: Entry, name: str = "Harrow Mill", zone: str = "UTC", more: Sequence[Entry] = ()
) -> tuple[str, bytes]:
    entries = [text("tagNameDS", name), text("tagTimeZoneDS", zone), *more]
    return "tagRecDataSource", body(*entries, collection("tagChannelDefns", *channels))


def steps(*rates: tuple[int, float]) -> list[Entry]:
    """A time series in increments: number of rates, points and step of each."""
    return [vector("tagSeriesValues", 41, [len(rates), *(number for rate in rates for number in rate)])]


def shared(channel_index: int, series_index: int) -> list[Entry]:
    return [
        scalar("tagSeriesShareChannelIdx", 32, channel_index),
        scalar("tagSeriesShareSeriesIdx", 32, series_index),
    ]


def stored(
    physical: int, values: Sequence[Any], *, scale: Entry | None = None, offset: Entry | None = None
) -> list[Entry]:
    return [vector("tagSeriesValues", physical, values), *(entry for entry in (scale, offset) if entry is not None)]


def instance(definition: int, times: Sequence[Entry], values: Sequence[Entry], *more: Entry) -> Entry:
    series = collection(
        "tagSeriesInstances", collection("tagOneSeriesInstance", *times), collection("tagOneSeriesInstance", *values)
    )
    return collection("tagOneChannelInst", scalar("tagChannelDefnIdx", 32, definition), series, *more)


START = datetime(2026, 3, 2, 6, 0, 0, 250_000, tzinfo=UTC)
START_NS = 1_772_431_200_250_000_000  # of it


def observation(*instances: Entry, start: datetime = START, more: Sequence[Entry] = ()) -> tuple[str, bytes]:
    entries = [text("tagObservationName", "made"), time("tagTimeStart", start), *more]
    return "tagRecObservation", body(*entries, collection("tagChannelInstances", *instances))


def interval_records(n_observations: int = 3) -> list[tuple[str, bytes]]:
    """A data source of RMS values in intervals, as trend recorders have it, and observations of them."""
    definition = channel("UA rms", quantity_type=VALUE_LOG, characteristic=RMS, value_type=AVG)
    values = instance(0, steps((2, 600.0)), stored(40, [230.0, 231.0]))
    return [source(definition), *[observation(values)] * n_observations]


def interval_file() -> bytes:
    """A sound file of three observations in which there is no waveform."""
    return file(container(), *interval_records())


def magnitude_records(n_observations: int = 3) -> list[tuple[str, bytes]]:
    """A data source of magnitudes with durations, and observations of them."""
    definition = channel("UA rms", quantity_type=MAGNITUDE_DURATION, characteristic=RMS, value_type=AVG)
    values = instance(0, steps((2, 600.0)), stored(40, [230.0, 231.0]))
    return [source(definition), *[observation(values)] * n_observations]


def magnitude_file() -> bytes:
    """A sound file of three observations in which there is neither a waveform nor a trend."""
    return file(container(), *magnitude_records())
