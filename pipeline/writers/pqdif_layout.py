"""The physical layout of PQDIF for writing: elements, bodies, record headers, compression.

Source: IEEE 1159.3, edition 1.5, physical layout and tag list.
"""

from __future__ import annotations

import struct
import uuid
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import StoreError

MAX_COMPRESSED_BYTES: Final = 96 << 20
"""Of one record before it is compressed: what our own reader inflates."""
HEADER_BYTES: Final = 64
DAY_OF_1970: Final = 25569
"""Days are counted from 1899-12-30."""
NS_PER_DAY: Final = 86_400_000_000_000

LARGEST: Final = 0xFFFFFFFF
"""Byte of a file that its links reach."""

UINT4: Final = 32
BOOLEAN4: Final = 3
_REAL8, _TIMESTAMP, _GUID, _CHAR1 = 41, 50, 60, 10
_SAMPLE_TYPES: Final = {"int16": (21, "<i2"), "int32": (22, "<i4"), "float32": (40, "<f4")}
_COLLECTION, _SCALAR, _VECTOR = 1, 2, 3
_ENTRY_BYTES: Final = 28

_SIGNATURE: Final = "4a111440-e49f-11cf-9900-505144494600"
_TAGS: Final = {
    "tagVersionInfo": "89738607-f1c3-11cf-9d89-0080c72e70a3",
    "tagFileName": "89738608-f1c3-11cf-9d89-0080c72e70a3",
    "tagCreation": "89738609-f1c3-11cf-9d89-0080c72e70a3",
    "tagCompressionStyleID": "8973861b-f1c3-11cf-9d89-0080c72e70a3",
    "tagCompressionAlgorithmID": "8973861c-f1c3-11cf-9d89-0080c72e70a3",
    "tagContainer": "89738606-f1c3-11cf-9d89-0080c72e70a3",
    "tagRecDataSource": "89738619-f1c3-11cf-9d89-0080c72e70a3",
    "tagRecMonitorSettings": "b48d858c-f5f5-11cf-9d89-0080c72e70a3",
    "tagRecObservation": "8973861a-f1c3-11cf-9d89-0080c72e70a3",
    "tagOneChannelDefn": "b48d858e-f5f5-11cf-9d89-0080c72e70a3",
    "tagDataSourceTypeID": "b48d8581-f5f5-11cf-9d89-0080c72e70a3",
    "tagNameDS": "b48d8587-f5f5-11cf-9d89-0080c72e70a3",
    "tagTimeZoneDS": "b48d858a-f5f5-11cf-9d89-0080c72e70a3",
    "tagChannelDefns": "b48d858d-f5f5-11cf-9d89-0080c72e70a3",
    "tagValueTypeID": "b48d859c-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityUnitsID": "b48d859b-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityCharacteristicID": "3d786f9e-f76e-11cf-9d89-0080c72e70a3",
    "tagStorageMethodID": "b48d85a1-f5f5-11cf-9d89-0080c72e70a3",
    "tagSeriesNominalQuantity": "0fa118c8-cb4a-11d2-b30b-fe25cb9a1760",
    "tagGroupName": "b48d8594-f5f5-11cf-9d89-0080c72e70a3",
    "tagChannelName": "b48d8590-f5f5-11cf-9d89-0080c72e70a3",
    "tagPhaseID": "b48d8591-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityTypeID": "b48d8592-f5f5-11cf-9d89-0080c72e70a3",
    "tagQuantityMeasuredID": "c690e872-f755-11cf-9d89-0080c72e70a3",
    "tagSeriesDefns": "b48d8598-f5f5-11cf-9d89-0080c72e70a3",
    "tagOneSeriesDefn": "b48d859a-f5f5-11cf-9d89-0080c72e70a3",
    "tagOneChannelSetting": "3d786f9a-f76e-11cf-9d89-0080c72e70a3",
    "tagChannelDefnIdx": "b48d858f-f5f5-11cf-9d89-0080c72e70a3",
    "tagEffective": "62f28183-f9c4-11cf-9d89-0080c72e70a3",
    "tagTimeInstalled": "3d786f85-f76e-11cf-9d89-0080c72e70a3",
    "tagUseCalibration": "62f28180-f9c4-11cf-9d89-0080c72e70a3",
    "tagUseTransducer": "62f28181-f9c4-11cf-9d89-0080c72e70a3",
    "tagNominalFrequency": "0fa118c3-cb4a-11d2-b30b-fe25cb9a1760",
    "tagChannelSettingsArray": "62f28182-f9c4-11cf-9d89-0080c72e70a3",
    "tagSeriesShareChannelIdx": "8973861f-f1c3-11cf-9d89-0080c72e70a3",
    "tagSeriesShareSeriesIdx": "89738620-f1c3-11cf-9d89-0080c72e70a3",
    "tagSeriesValues": "3d786f99-f76e-11cf-9d89-0080c72e70a3",
    "tagSeriesScale": "3d786f96-f76e-11cf-9d89-0080c72e70a3",
    "tagSeriesOffset": "3d786f97-f76e-11cf-9d89-0080c72e70a3",
    "tagOneSeriesInstance": "3d786f94-f76e-11cf-9d89-0080c72e70a3",
    "tagOneChannelInst": "3d786f92-f76e-11cf-9d89-0080c72e70a3",
    "tagSeriesInstances": "3d786f93-f76e-11cf-9d89-0080c72e70a3",
    "tagObservationName": "3d786f8a-f76e-11cf-9d89-0080c72e70a3",
    "tagTimeCreate": "3d786f8b-f76e-11cf-9d89-0080c72e70a3",
    "tagTimeStart": "3d786f8c-f76e-11cf-9d89-0080c72e70a3",
    "tagTriggerMethodID": "3d786f8d-f76e-11cf-9d89-0080c72e70a3",
    "tagTimeTriggered": "3d786f8e-f76e-11cf-9d89-0080c72e70a3",
    "tagChannelInstances": "3d786f91-f76e-11cf-9d89-0080c72e70a3",
}

Body = list[bytes | memoryview]


@dataclass(frozen=True, slots=True)
class Scalar:
    """A scalar: its physical type and its bytes."""

    physical: int
    content: bytes


@dataclass(frozen=True, slots=True)
class Vector:
    """A vector: the physical type of its values, how many, and their bytes."""

    physical: int
    count: int
    content: bytes | memoryview


@dataclass(frozen=True, slots=True)
class Tree:
    """A collection: names of tags and what stands under each, in order."""

    entries: tuple[tuple[str, Scalar | Vector | Tree], ...]


def whole(value: int) -> Scalar:
    """An unsigned whole number."""
    return Scalar(UINT4, struct.pack("<I", value))


def real(value: float) -> Scalar:
    """A real number of 64 bits."""
    return Scalar(_REAL8, struct.pack("<d", value))


def guid_scalar(text: str) -> Scalar:
    """A GUID."""
    return Scalar(_GUID, uuid.UUID(text).bytes_le)


def text_vector(text: str) -> Vector:
    """A text in UTF-8, up to a NUL."""
    content = text.encode() + b"\0"
    return Vector(_CHAR1, len(content), content)


def time_scalar(time_ns: int) -> Scalar:
    """A time stamp, from one in ns since 1970-01-01."""
    days, rest_ns = divmod(time_ns, NS_PER_DAY)
    return Scalar(_TIMESTAMP, struct.pack("<Id", days + DAY_OF_1970, rest_ns / 1e9))


def reals(values: Sequence[float]) -> Vector:
    """Real numbers of 64 bits."""
    return Vector(_REAL8, len(values), struct.pack(f"<{len(values)}d", *values))


def samples_vector(row: npt.NDArray[Any]) -> Vector:
    """Samples of one of the types of a capture, shape (n_samples,), without a copy where they lie one after another."""
    physical, kind = _SAMPLE_TYPES[row.dtype.name]
    return Vector(physical, len(row), np.ascontiguousarray(row, kind).view(np.uint8).data)


def laid_out(tree: Tree) -> Body:
    """The bytes of a record's body, in parts: each collection, and after it what its entries link to."""
    parts: Body = []
    _put(tree, parts, 0)
    return parts


def _put(tree: Tree, parts: Body, offset: int) -> int:
    """Append a collection that starts at `offset`, and give where it and what belongs to it ends."""
    at = len(parts)
    parts.append(b"")
    end = offset + 4 + _ENTRY_BYTES * len(tree.entries)
    entries = [struct.pack("<I", len(tree.entries))]
    for tag, thing in tree.entries:
        key = uuid.UUID(_TAGS[tag]).bytes_le
        if isinstance(thing, Tree):
            size = 4 + _ENTRY_BYTES * len(thing.entries)
            entries.append(struct.pack("<16sbbbxII", key, _COLLECTION, 0, 0, end, size))
            end = _put(thing, parts, end)
        elif isinstance(thing, Scalar) and len(thing.content) <= 8:
            entries.append(struct.pack("<16sbbbx8s", key, _SCALAR, thing.physical, 1, thing.content))
        else:
            head = struct.pack("<I", thing.count) if isinstance(thing, Vector) else b""
            size = len(head) + len(thing.content)
            padding = -size % 4
            kind = _VECTOR if isinstance(thing, Vector) else _SCALAR
            entries.append(struct.pack("<16sbbbxII", key, kind, thing.physical, 0, end, size + padding))
            parts += [head, thing.content, bytes(padding)]
            end += size + padding
    parts[at] = b"".join(entries)
    return end


def record_header(tag: str, size: int, following: int, checksum: int) -> bytes:
    """The header of a record.

    Parameters
    ----------
    tag : name of its type.
    size : of its body as stored. [bytes]
    following : where the next record starts in the file; 0 after the last. [bytes]
    checksum : Adler-32 of its body as stored.
    """
    signature, kind = uuid.UUID(_SIGNATURE).bytes_le, uuid.UUID(_TAGS[tag]).bytes_le
    return struct.pack("<16s16sIIII16x", signature, kind, HEADER_BYTES, size, following, checksum)


def write_records(records: Sequence[tuple[str, Body]], path: Path) -> None:
    """Write a file: records, each a tag and a body, linked in order.

    Raises
    ------
    StoreError : the file would be too large, or cannot be written.
    """
    sizes = [sum(len(part) for part in body) for _, body in records]
    ends = list(accumulate(HEADER_BYTES + size for size in sizes))
    if ends[-1] > LARGEST:
        raise StoreError(f"{path.name} would have {ends[-1]} bytes; links of PQDIF reach only to {LARGEST}")
    try:
        with path.open("wb") as stream:
            for (tag, body), size, following in zip(records, sizes, [*ends[:-1], 0], strict=True):
                stream.write(record_header(tag, size, following, adler(body)))
                stream.writelines(body)
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error


def adler(parts: Body) -> int:
    """The Adler-32 sum of the parts of a body."""
    total = 1
    for part in parts:
        total = zlib.adler32(part, total)
    return total


def as_zlib_stream(parts: Body) -> Body:
    """A body compressed, and padded to whole words.

    Raises
    ------
    StoreError : it is longer than our own reader takes.
    """
    n_bytes = sum(len(part) for part in parts)
    if n_bytes > MAX_COMPRESSED_BYTES:
        raise StoreError(f"a compressed record holds at most {MAX_COMPRESSED_BYTES} bytes, got {n_bytes}")
    stream = zlib.compressobj()
    stored: Body = [stream.compress(part) for part in parts]
    stored.append(stream.flush())
    padding = -sum(len(part) for part in stored) % 4
    return [*stored, bytes(padding)]
