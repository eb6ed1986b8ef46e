"""The physical layer of PQDIF: the chain of records, and the elements in a record's body.

All numbers are little-endian. A file states lengths, places and links, and any of them may lie: whatever is taken lies
within its record, the chain neither turns back nor overlaps, and what a file makes a reader do is bounded by its size.

Source: IEEE 1159.3, physical layer.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.pqdif.bodies import Body, PqdifRecord
from halfcycle.pipeline.readers.pqdif.sources import Source
from halfcycle.pipeline.readers.pqdif.tags import CONTAINER, SIGNATURE, Tag

Values = npt.NDArray[Any]

TIMESTAMP: Final = np.dtype([("day", "<u4"), ("seconds", "<f8")])
PHYSICAL_TYPES: Final[dict[int, np.dtype[Any]]] = {
    1: np.dtype("u1"), 2: np.dtype("<u2"), 3: np.dtype("<u4"),  # BOOLEAN1, 2, 4
    10: np.dtype("S1"), 11: np.dtype("<u2"),  # CHAR1, CHAR2
    20: np.dtype("i1"), 21: np.dtype("<i2"), 22: np.dtype("<i4"),
    30: np.dtype("u1"), 31: np.dtype("<u2"), 32: np.dtype("<u4"),
    40: np.dtype("<f4"), 41: np.dtype("<f8"), 42: np.dtype("<c8"), 43: np.dtype("<c16"),
    50: TIMESTAMP, 60: np.dtype("V16"),
}  # fmt: skip
"""How the values of each physical type lie in a file; BOOLEANs come as the unsigned integers that they lie there as."""

_NUMBER_FORMATS: Final = {
    1: "<B", 2: "<H", 3: "<I", 20: "<b", 21: "<h", 22: "<i", 30: "<B", 31: "<H", 32: "<I", 40: "<f", 41: "<d",
}  # fmt: skip
_CHAR1, _CHAR2, _TIMESTAMP, _GUID = 10, 11, 50, 60
_COLLECTION, _SCALAR, _VECTOR = 1, 2, 3

_HEADER: Final = struct.Struct("<16s16sIIII16x")
_ENTRY: Final = struct.Struct("<16sbbbx8s")
_LINK: Final = struct.Struct("<II")
_COUNT: Final = struct.Struct("<I")
_MOST_HEADER_BYTES: Final = 4096  # later editions may add to the header; it has had 64 bytes so far
_MOST_TEXT_BYTES: Final = 1 << 16

_DAY_OF_1970: Final = 25569
_NS_PER_DAY: Final = 86_400_000_000_000
_LAST_DAY: Final = _DAY_OF_1970 + 106_750  # that 64-bit nanoseconds reach, in 2262; day 0 is in 1899
_LONGEST_DAY_S: Final = 86_401.0  # with a leap second


def first_record(source: Source) -> tuple[PqdifRecord, int]:
    """The container, and where its header says that the next record starts; the rest may still be compressed.

    Raises
    ------
    MalformedRecord : the file does not start with a container that lies within it.
    """
    record, following = _record(source, 0)
    if record.tag != CONTAINER.guid:
        raise MalformedRecord(source.path, record.place, "the first record is not a container")
    return record, following


def chain(source: Source) -> tuple[list[PqdifRecord], bool]:
    """The records of a file, in the order of their links, and whether the last links to the end of the file.

    Raises
    ------
    MalformedRecord : a signature is missing, a record is cut, the links turn back, records overlap, the first record is
        no container, or another one is.
    """
    record, following = first_record(source)
    records = [record]
    seen = {0}
    while following not in (0, source.size):  # some files link to their own end instead of 0
        if following > source.size:
            raise MalformedRecord(source.path, record.place, (
                f"the next record should start at byte {following}, but the file ends at {source.size}: it is "
                "truncated"
            ))  # fmt: skip
        if following in seen:
            raise MalformedRecord(source.path, record.place, (
                f"the next record should be at byte {following}, which is before this one"
            ))  # fmt: skip
        seen.add(following)
        record, following = _record(source, following)
        if record.tag == CONTAINER.guid:
            raise MalformedRecord(source.path, record.place, "it is a second container")
        records.append(record)
    for before, after in pairwise(sorted(records, key=lambda record: record.offset)):
        if after.offset < before.end:
            raise MalformedRecord(source.path, after.place, f"it lies within the {before.place}")
    return records, following != 0


def _record(source: Source, offset: int) -> tuple[PqdifRecord, int]:
    place = f"record at byte {offset}"
    signature, tag, header_size, body_size, following, checksum = _HEADER.unpack(
        source.take(offset, _HEADER.size, place)
    )
    if signature != SIGNATURE:
        raise MalformedRecord(source.path, place, "no record starts here: its signature is missing")
    if not _HEADER.size <= header_size <= _MOST_HEADER_BYTES:
        raise MalformedRecord(source.path, place, f"its header has {header_size} bytes; allowed are {_HEADER.size} "
                                                  f"to {_MOST_HEADER_BYTES}")  # fmt: skip
    record = PqdifRecord(offset, tag, offset + header_size, body_size, checksum)
    if record.end > source.size:
        raise MalformedRecord(source.path, place, (
            f"the record ends at byte {record.end}, the file at {source.size}: it is truncated"
        ))  # fmt: skip
    return record, following


class Element(NamedTuple):
    """An entry of a collection: tag, kind and physical type, and its 8 bytes, a value or else a link and a size."""

    tag: bytes
    kind: int
    physical: int
    embedded: int
    union: bytes


@dataclass(frozen=True, slots=True)
class StoredVector:
    """Values of one type, one after another, that are read when they are asked for.

    Attributes
    ----------
    body : that they lie in.
    dtype : of the values as stored.
    count : how many.
    offset : of the first one in the body. [bytes]
    place : for messages.
    """

    body: Body
    dtype: np.dtype[Any]
    count: int
    offset: int
    place: str

    def array(self, first: int = 0, n: int | None = None) -> Values:
        """`n` values from `first` on, or all from there."""
        values = np.empty(self.count - first if n is None else n, self.dtype)
        self.into(values, first)
        return values

    def into(self, values: Values, first: int) -> None:
        """Fill a contiguous array of this type with the values from `first` on."""
        start = self.offset + first * self.dtype.itemsize
        self.body.take_into(start, values.view(np.uint8).data, self.place)

    def use(self) -> None:
        """Count the values towards those that a file of its size may have; see `Budget.use_values`."""
        self.body.budget.use_values(self.n_bytes, self.body, self.place)

    @property
    def n_bytes(self) -> int:
        """Length of all values. [bytes]"""
        return self.count * self.dtype.itemsize


class Collection:
    """A collection; its entries are found by tag.

    All methods that look something up raise MalformedRecord where it is there but is not what it should be.
    """

    __slots__ = ("_entries", "body", "place")

    def __init__(self, body: Body, offset: int, place: str) -> None:
        self.body, self.place = body, place
        check_time(place)
        (count,) = _COUNT.unpack(body.take(offset, _COUNT.size, place))
        body.budget.use_entries(count, body, place)
        content = body.take(offset + _COUNT.size, count * _ENTRY.size, place)
        self._entries: dict[bytes, list[tuple[Any, ...]]] = {}
        for entry in _ENTRY.iter_unpack(content):
            self._entries.setdefault(entry[0], []).append(entry)

    def number(self, tag: Tag) -> int | float | None:
        """A scalar number of whatever type; None where there is none."""
        element = self._first(tag)
        if element is None:
            return None
        code = _NUMBER_FORMATS.get(element.physical)
        if code is None:
            raise self.malformed(tag, f"is of physical type {element.physical}, which is not a number")
        number: int | float = struct.unpack_from(code, self._scalar(tag, element, struct.calcsize(code)))[0]
        return number

    def whole(self, tag: Tag) -> int | None:
        """A scalar that must be a whole number from 0 on; None where there is none."""
        number = self.number(tag)
        if number is None:
            return None
        if not (math.isfinite(number) and number >= 0 and number == math.floor(number)):
            raise self.malformed(tag, f"is {number}; it must be a whole number from 0 on")
        return int(number)

    def guid(self, tag: Tag) -> bytes | None:
        """A scalar GUID as it lies in the file; None where there is none."""
        element = self._first(tag)
        if element is None:
            return None
        if element.physical != _GUID:
            raise self.malformed(tag, f"is of physical type {element.physical}; it must be a GUID")
        return self._scalar(tag, element, 16)

    def time_ns(self, tag: Tag) -> int | None:
        """A scalar time; None where there is none. [ns since 1970-01-01]"""
        element = self._first(tag)
        if element is None:
            return None
        if element.physical != _TIMESTAMP:
            raise self.malformed(tag, f"is of physical type {element.physical}; it must be a time stamp")
        stamps = np.frombuffer(self._scalar(tag, element, TIMESTAMP.itemsize), TIMESTAMP)
        if not are_times(stamps):
            day, seconds = stamps[0]
            raise self.malformed(tag, f"is day {day}, second {seconds:g}: outside the years 1899 to 2262")
        return int(nanoseconds(stamps)[0])

    def text(self, tag: Tag) -> str:
        """A vector of characters up to the first NUL, without outer blanks; ``""`` where there is none."""
        if self._first(tag) is None:
            return ""
        vector = self.vector(tag, physical_types=(_CHAR1, _CHAR2))
        if vector is None or vector.n_bytes > _MOST_TEXT_BYTES:
            raise self.malformed(tag, f"is a text of more than {_MOST_TEXT_BYTES} bytes")
        content = vector.array().tobytes()
        if vector.dtype.itemsize > 1:
            return content.decode("utf-16-le", "replace").split("\0", 1)[0].strip()
        content = content.split(b"\0", 1)[0]
        try:
            return content.decode("utf-8").strip()
        except UnicodeDecodeError:  # an 8-bit code page; the standard names none
            return content.decode("latin-1").strip()

    def vector(self, tag: Tag, *, physical_types: tuple[int, ...] | None = None) -> StoredVector | None:
        """A vector; None where there is none."""
        element = self._first(tag)
        if element is None:
            return None
        dtype = PHYSICAL_TYPES.get(element.physical)
        if element.kind != _VECTOR or element.embedded or dtype is None:
            raise self.malformed(tag, f"is element type {element.kind} of physical type {element.physical}; "
                                   f"it must be a vector")  # fmt: skip
        if physical_types is not None and element.physical not in physical_types:
            raise self.malformed(tag, f"holds values of physical type {element.physical}; "
                                   f"allowed are {', '.join(map(str, physical_types))}")  # fmt: skip
        link, size = _LINK.unpack(element.union)
        place = f"{self.place}, {tag.name}"
        (count,) = _COUNT.unpack(self.body.take(link, _COUNT.size, place))
        if _COUNT.size + count * dtype.itemsize > size:
            raise self.malformed(tag, f"has {count} values of {dtype.itemsize} bytes, but {size} bytes are stated")
        return StoredVector(self.body, dtype, count, link + _COUNT.size, place)

    def collection(self, tag: Tag) -> Collection | None:
        """A collection within this one; None where there is none."""
        element = self._first(tag)
        return self._collection(tag, element, 0) if element else None

    def collections(self, tag: Tag) -> Iterator[Collection]:
        """All collections of a tag, in order: their position is what indices refer to."""
        for i, entry in enumerate(self._entries.get(tag.guid, [])):
            yield self._collection(tag, Element._make(entry), i)

    def count(self, tag: Tag) -> int:
        """How many elements there are of a tag."""
        return len(self._entries.get(tag.guid, []))

    def _collection(self, tag: Tag, element: Element, i: int) -> Collection:
        if element.kind != _COLLECTION or element.embedded:
            raise self.malformed(tag, f"is of element type {element.kind}; it must be a collection")
        return Collection(self.body, _LINK.unpack(element.union)[0], f"{self.place}, {tag.name} {i}")

    def _scalar(self, tag: Tag, element: Element, size: int) -> bytes:
        if element.kind != _SCALAR:
            raise self.malformed(tag, f"is of element type {element.kind}; it must be a scalar")
        if element.embedded and size > len(element.union):
            raise self.malformed(
                tag, f"is marked as embedded, but has {size} bytes; at most {len(element.union)} can be"
            )
        if element.embedded:
            return element.union
        return self.body.take(_LINK.unpack(element.union)[0], size, f"{self.place}, {tag.name}")

    def _first(self, tag: Tag) -> Element | None:
        found = self._entries.get(tag.guid)
        return Element(*found[0]) if found else None

    def malformed(self, tag: Tag, reason: str) -> MalformedRecord:
        """An error that names this place."""
        return MalformedRecord(self.body.path, f"{self.place}, {tag.name}", reason)


def are_times(stamps: Values) -> bool:
    """Whether all time stamps, one at least, are times that nanoseconds reach."""
    days, seconds = stamps["day"], stamps["seconds"]
    return bool(days.max() <= _LAST_DAY and (seconds >= 0).all() and (seconds < _LONGEST_DAY_S).all())


def nanoseconds(stamps: Values) -> npt.NDArray[np.int64]:
    """Time stamps, which must be such as `are_times` takes. [ns since 1970-01-01]"""
    whole = np.floor(stamps["seconds"])
    rest_ns = np.rint((stamps["seconds"] - whole) * 1e9).astype(np.int64)
    days: npt.NDArray[np.int64] = stamps["day"].astype(np.int64) - _DAY_OF_1970
    total: npt.NDArray[np.int64] = days * _NS_PER_DAY + whole.astype(np.int64) * 1_000_000_000 + rest_ns
    return total
