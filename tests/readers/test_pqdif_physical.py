"""The physical layer of the PQDIF reader against bytes laid out by hand (IEEE 1159.3), and files that lie."""

from __future__ import annotations

import struct
import time
import tracemalloc
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pqdif_bytes as made
import pytest

from halfcycle.pipeline.errors import MalformedRecord, ReadError, UnknownFormat, Unsupported
from halfcycle.pipeline.readers import read_captures, reader_of
from halfcycle.pipeline.readers.pqdif import READER, bodies, tags
from halfcycle.pipeline.readers.pqdif.bodies import BodyBudget, PlainBody, PqdifRecord
from halfcycle.pipeline.readers.pqdif.physical import Collection
from halfcycle.pipeline.readers.pqdif.sources import FileSource, MemorySource
from halfcycle.pipeline.readers.pqdif.tags import Tag

MOST_S, MOST_BYTES = 2.0, 256 << 20  # the project's own bar for files that lie


def collection_of(content: bytes) -> Collection:
    record = PqdifRecord(0, b"", 0, len(content), 0)
    return Collection(
        PlainBody(MemorySource(Path("x.pqd"), content), record, BodyBudget(1 << 20, compressed=False)), 0, "x"
    )


def tag(name: str) -> Tag:
    return Tag(name, made.guid(made.TAGS[name]))


VALUES, SCALE = tag("tagSeriesValues"), tag("tagSeriesScale")
RAMP = [0, 100, -100, 200, 7, -9, 32767, -32768]


def waveform(*, compressed: bool = False, tail: bytes = b"") -> list[tuple[str, bytes]]:
    """Container, data source and one observation of eight samples."""
    instance = made.instance(0, made.steps((8, 1 / 6400)), made.stored(21, RAMP))
    kind, content = made.observation(instance)
    style = made.container(style=2) if compressed else made.container()
    return [style, made.source(made.channel("UA")), (kind, content + tail)]


def put(folder: Path, content: bytes) -> Path:
    path = folder / "x.pqd"
    path.write_bytes(content)
    return path


def no_captures(path: Path) -> None:
    assert list(read_captures(path)) == []


def refused(folder: Path, content: bytes, words: str, error: type[ReadError] = MalformedRecord) -> None:
    with pytest.raises(error, match=words):
        list(read_captures(put(folder, content)))


def within_the_bar(action: Callable[[], object]) -> None:
    """Run it twice: against the clock, and with its memory traced, which takes its time."""
    start = time.process_time()
    action()
    assert time.process_time() - start < MOST_S
    tracemalloc.start()
    try:
        action()
        assert tracemalloc.get_traced_memory()[1] < MOST_BYTES
    finally:
        tracemalloc.stop()


def test_a_file_is_recognised_by_its_first_record_whatever_its_name(tmp_path: Path) -> None:
    # IEEE 1159.3, record header: the signature GUID 4a111440-e49f-11cf-9900-505144494600 comes first.
    path = tmp_path / "capture.bin"
    path.write_bytes(made.file(*waveform()))
    assert reader_of(path) is READER
    with pytest.raises(UnknownFormat):
        reader_of(put(tmp_path, b"\x41" + made.SIGNATURE[1:] + bytes(48)))
    assert not READER.recognises(path, b"")


def test_tags_are_those_of_the_standard_s_list() -> None:
    # The list of the test was typed from the standard's tag list on its own.
    known = {value.name: value.guid for value in vars(tags).values() if isinstance(value, Tag)}
    assert len(known) > 40
    assert known == {name: made.guid(made.TAGS[name]) for name in known}
    assert made.SIGNATURE == tags.SIGNATURE == made.guid("4a111440-e49f-11cf-9900-505144494600")


# IEEE 1159.3, physical types: identifier, the values, and how they lie in a file.
TYPES = [
    (1, np.array([0, 1], "u1"), bytes([0, 1])),
    (2, np.array([0, 1], "u2"), bytes.fromhex("0000 0100")),
    (3, np.array([0, 1], "u4"), bytes.fromhex("00000000 01000000")),
    (10, np.array([b"A", b"z"], "S1"), b"Az"),
    (11, np.array([0x41, 0x6771], "u2"), bytes.fromhex("4100 7167")),
    (20, np.array([-2, 127], "i1"), bytes.fromhex("fe 7f")),
    (21, np.array([-2, 0x1234], "i2"), bytes.fromhex("feff 3412")),
    (22, np.array([-2, 0x12345678], "i4"), bytes.fromhex("feffffff 78563412")),
    (30, np.array([254, 1], "u1"), bytes.fromhex("fe 01")),
    (31, np.array([0xFFFE, 1], "u2"), bytes.fromhex("feff 0100")),
    (32, np.array([0xFFFFFFFE, 1], "u4"), bytes.fromhex("feffffff 01000000")),
    (40, np.array([1.0, -2.5], "f4"), bytes.fromhex("0000803f 000020c0")),
    (41, np.array([1.0, -2.5], "f8"), bytes.fromhex("000000000000f03f 00000000000004c0")),
    (42, np.array([1 - 2.5j], "c8"), bytes.fromhex("0000803f 000020c0")),
    (43, np.array([1 - 2.5j], "c16"), bytes.fromhex("000000000000f03f 00000000000004c0")),
]


@pytest.mark.parametrize(("physical", "values", "content"), TYPES, ids=[str(kind) for kind, _, _ in TYPES])
def test_vectors_of_every_physical_type_are_what_their_bytes_say(
    physical: int, values: np.ndarray, content: bytes
) -> None:
    whole = collection_of(made.body(made.raw_vector("tagSeriesValues", physical, len(values), content)))
    vector = whole.vector(VALUES)
    assert vector is not None
    assert (vector.count, vector.n_bytes) == (len(values), len(content))
    np.testing.assert_array_equal(vector.array(), values)
    np.testing.assert_array_equal(vector.array(1), values[1:])


def test_vectors_of_time_stamps_and_guids_are_what_their_bytes_say() -> None:
    # IEEE 1159.3: 50 is a day count (u32) and seconds (f64), packed into 12 bytes; 60 has 16.
    stamps = struct.pack("<IdId", 25569, 0.5, 46083, 86399.25)
    guids = made.guid(made.WAVEFORM) + made.guid(made.PHASOR)
    whole = collection_of(
        made.body(made.raw_vector("tagSeriesValues", 50, 2, stamps), made.raw_vector("tagSeriesScale", 60, 2, guids))
    )
    times, names = whole.vector(VALUES), whole.vector(SCALE)
    assert times is not None
    assert names is not None
    assert times.array().tolist() == [(25569, 0.5), (46083, 86399.25)]
    assert [bytes(name) for name in names.array()] == [made.guid(made.WAVEFORM), made.guid(made.PHASOR)]


@pytest.mark.parametrize("embedded", [True, False])
@pytest.mark.parametrize(
    ("physical", "value"),
    [(1, 1), (2, 1), (3, 1), (20, -5), (21, -500), (22, -70000), (30, 200), (31, 60000), (32, 4_000_000_000),
     (40, 0.25), (41, 0.1)],
)  # fmt: skip
def test_scalar_numbers_are_read_embedded_and_linked(physical: int, value: float, embedded: bool) -> None:
    # IEEE 1159.3, tagSeriesScale: any physical type.
    whole = collection_of(made.body(made.scalar("tagSeriesScale", physical, value, embedded=embedded)))
    assert whole.number(SCALE) == value
    assert whole.number(VALUES) is None


@pytest.mark.parametrize(
    ("physical", "content", "count", "words"),
    [
        (10, b"Harrow Mill\0rest", 16, "Harrow Mill"),
        (10, b" without its NUL ", 17, "without its NUL"),
        (10, "Übergabe".encode() + b"\0", 10, "Übergabe"),
        (10, "Übergabe".encode("latin-1") + b"\0", 9, "Übergabe"),
        (11, "станция\0".encode("utf-16-le"), 8, "станция"),
        (10, b"", 0, ""),
    ],
)
def test_texts_end_at_their_nul(physical: int, content: bytes, count: int, words: str) -> None:
    whole = collection_of(made.body(made.raw_vector("tagSeriesValues", physical, count, content)))
    assert whole.text(VALUES) == words


@pytest.mark.parametrize(
    ("day", "seconds", "expected"),
    [
        (25569, 0.0, datetime(1970, 1, 1, tzinfo=UTC)),  # IEEE 1159.3: that day has the number 25569
        (25569 + 365, 3600.0, datetime(1971, 1, 1, 1, tzinfo=UTC)),
        (0, 0.0, datetime(1899, 12, 30, tzinfo=UTC)),  # the first day of spreadsheets
        (46083, 21600.25, datetime(2026, 3, 2, 6, 0, 0, 250_000, tzinfo=UTC)),
    ],
)
def test_time_stamps_count_days_as_spreadsheets_do(day: int, seconds: float, expected: datetime) -> None:
    whole = collection_of(made.body(made.raw_scalar("tagTimeStart", 50, struct.pack("<Id", day, seconds))))
    assert whole.time_ns(tag("tagTimeStart")) == round(expected.timestamp() * 1e6) * 1000


def test_time_stamps_are_exact_to_the_nanosecond() -> None:
    # derived: a double holds seconds of a day to 1.5e-11 s
    for ns in (1, 999_999_999, 86_399_999_999_999, 43_200_123_456_789):
        whole = collection_of(made.body(made.raw_scalar("tagTimeStart", 50, struct.pack("<Id", 25570, ns / 1e9))))
        assert whole.time_ns(tag("tagTimeStart")) == 86_400_000_000_000 + ns


@pytest.mark.parametrize(
    "content",
    [struct.pack("<Id", 25569, bad) for bad in (-1.0, 86_401.5, float("nan"), float("inf"))]
    + [struct.pack("<Id", 0xFFFFFFFF, 0.0)],
)
def test_time_stamps_that_are_no_times_are_refused(content: bytes) -> None:
    whole = collection_of(made.body(made.raw_scalar("tagTimeStart", 50, content)))
    with pytest.raises(MalformedRecord, match="tagTimeStart: is day"):
        whole.time_ns(tag("tagTimeStart"))


@pytest.mark.parametrize(
    ("entry", "ask", "words"),
    [
        (made.scalar("tagSeriesValues", 32, 5), lambda c: c.vector(VALUES), "must be a vector"),
        (made.scalar("tagSeriesValues", 32, 5), lambda c: c.collection(VALUES), "must be a collection"),
        (made.vector("tagSeriesValues", 32, [5]), lambda c: c.number(VALUES), "must be a scalar"),
        (made.scalar("tagSeriesValues", 32, 5), lambda c: c.guid(VALUES), "must be a GUID"),
        (made.scalar("tagSeriesValues", 32, 5), lambda c: c.time_ns(VALUES), "must be a time stamp"),
        (made.identity("tagSeriesValues", made.VAL), lambda c: c.number(VALUES), "not a number"),
        (("tagSeriesValues", "embedded", (60, bytes(8))), lambda c: c.guid(VALUES), "16 bytes; at most 8"),
        (("tagSeriesValues", "embedded", (50, bytes(8))), lambda c: c.time_ns(VALUES), "12 bytes; at most 8"),
        (made.scalar("tagSeriesValues", 41, 1.5), lambda c: c.whole(VALUES), "whole number"),
        (made.scalar("tagSeriesValues", 41, float("nan")), lambda c: c.whole(VALUES), "whole number"),
        (made.vector("tagSeriesValues", 32, [65]), lambda c: c.text(VALUES), "physical type 32"),
        (made.raw_vector("tagSeriesValues", 99, 1, b"1234"), lambda c: c.vector(VALUES), "must be a vector"),
        (made.raw_vector("tagSeriesValues", 21, 5, bytes(8)), lambda c: c.vector(VALUES), "bytes are stated"),
        (made.raw_vector("tagSeriesValues", 10, 70_000, bytes(70_000)), lambda c: c.text(VALUES), "more than 65536"),
    ],
)
def test_elements_that_are_not_what_they_should_be_are_named(
    entry: made.Entry, ask: Callable[[Collection], object], words: str
) -> None:
    with pytest.raises(MalformedRecord, match=words) as caught:
        ask(collection_of(made.body(entry)))
    assert "tagSeriesValues" in caught.value.place


def test_a_link_out_of_its_record_is_refused() -> None:
    content = bytearray(made.body(made.vector("tagSeriesValues", 21, [1, 2])))
    struct.pack_into("<I", content, 4 + 20, len(content))  # the link of the only entry
    with pytest.raises(MalformedRecord, match="would extend to byte"):
        collection_of(bytes(content)).vector(VALUES)


# --- the chain


def test_records_follow_their_links_and_not_their_order_in_the_file(tmp_path: Path) -> None:
    first, second, third = waveform()
    content = made.file(first, third, second)
    offsets = [0, 64 + len(first[1]), 128 + len(first[1]) + len(third[1])]
    changed = bytearray(content)
    for at, following in zip(offsets, (offsets[2], 0, offsets[1]), strict=True):
        struct.pack_into("<I", changed, at + 40, following)
    (capture,) = read_captures(put(tmp_path, bytes(changed)))
    assert capture.samples[0].tolist() == RAMP


def test_the_last_link_may_be_the_file_s_length(tmp_path: Path) -> None:
    # Seen in the wild, instead of 0.
    content = made.file(*waveform())
    content = made.file(*waveform(), last_link=len(content))
    assert len(list(read_captures(put(tmp_path, content)))) == 1


def test_blank_records_and_records_of_unknown_types_are_passed_over(tmp_path: Path) -> None:
    first, second, third = waveform()
    content = made.file(first, ("tagBlank", bytes(40)), second, ("tagSeriesScale", b"what is this"), third)
    assert len(list(read_captures(put(tmp_path, content)))) == 1


def link_at(content: bytes, i_record: int) -> int:
    """Where the header of a record starts, by the links."""
    at = 0
    for _ in range(i_record):
        (at,) = struct.unpack_from("<I", content, at + 40)
    return at


@pytest.mark.parametrize(
    ("field", "i_record", "value", "words"),
    [
        (40, 2, 0xFFFFFFF0, "truncated"),
        (40, 1, "itself", "is before this one"),
        (40, 2, 64, "signature is missing"),
        (36, 2, 0xFFFFFFFF, "truncated"),
        (36, 1, "one more", "lies within"),
        (32, 1, 0, "its header has 0 bytes"),
        (32, 1, 0xFFFFFFFF, "its header has"),
        (0, 2, 0, "signature is missing"),
    ],
)
def test_record_headers_that_lie_are_refused(
    tmp_path: Path, field: int, i_record: int, value: int | str, words: str
) -> None:
    content = bytearray(made.file(*waveform()))
    at = link_at(content, i_record)
    size = struct.unpack_from("<I", content, at + 36)[0]
    number = {"itself": at, "one more": size + 4}.get(value, value) if isinstance(value, str) else value
    struct.pack_into("<I", content, at + field, number)
    refused(tmp_path, bytes(content), words)


def test_links_that_go_in_a_circle_are_refused(tmp_path: Path) -> None:
    content = bytearray(made.file(*waveform()))
    struct.pack_into("<I", content, link_at(content, 2) + 40, link_at(content, 1))
    refused(tmp_path, bytes(content), "is before this one")


def test_there_is_one_container_and_it_comes_first(tmp_path: Path) -> None:
    first, second, third = waveform()
    refused(tmp_path, made.file(second, third), "not a container")
    refused(tmp_path, made.file(first, second, third, first), "second container")


def test_an_observation_before_any_data_source_is_refused(tmp_path: Path) -> None:
    first, _, third = waveform()
    refused(tmp_path, made.file(first, third), "without a preceding data source")


# --- checksums


def test_a_checksum_that_is_wrong_among_right_ones_tells_of_damage(tmp_path: Path) -> None:
    # Adler-32 of the stored bytes matched in 50 of 50 records of a conforming file.
    content = bytearray(made.file(*waveform()))
    content[-3] ^= 1
    refused(tmp_path, bytes(content), "it is damaged")


def test_checksums_of_another_kind_are_noted_and_none_is_no_matter(tmp_path: Path) -> None:
    (capture,) = read_captures(put(tmp_path, made.file(*waveform(), checksum=zlib.crc32)))
    assert any("not Adler-32" in note for note in capture.header.notes)
    (capture,) = read_captures(put(tmp_path, made.file(*waveform(), checksum=lambda stored: 0)))
    assert capture.header.notes == ()


# --- compression


def test_records_compressed_one_by_one_read_as_plain_ones(tmp_path: Path) -> None:
    # IEEE 1159.3, tagCompressionStyleID 2 and tagCompressionAlgorithmID 1: each later body is one zlib stream.
    content = made.file(*waveform(compressed=True), compressed=True)
    assert b"\x78" in content
    (capture,) = read_captures(put(tmp_path, content))
    assert capture.samples[0].tolist() == RAMP


def whole_file(records: list[tuple[str, bytes]]) -> bytes:
    """The file after its container as one zlib stream; links are those of the file before."""
    plain = made.file(made.container(style=1), *records[1:])
    (start,) = struct.unpack_from("<I", plain, 40)
    return plain[:start] + zlib.compress(plain[start:])


def test_a_file_compressed_as_a_whole_reads_as_a_plain_one(tmp_path: Path) -> None:
    # IEEE 1159.3, tagCompressionStyleID 1: deprecated since edition 1.5.
    content = whole_file(waveform())
    (capture,) = read_captures(put(tmp_path, content))
    assert capture.samples[0].tolist() == RAMP
    refused(tmp_path, content[:-5], "zlib stream is truncated")
    refused(tmp_path, content[:-1] + bytes([content[-1] ^ 1]), "not a zlib stream")  # its own checksum


@pytest.mark.parametrize(("style", "algorithm"), [(None, 1), (0, 1), (2, 0), (0, 0)])
def test_without_style_or_algorithm_bodies_are_plain(tmp_path: Path, style: int | None, algorithm: int) -> None:
    content = made.file(made.container(style=style, algorithm=algorithm), *waveform()[1:])
    assert len(list(read_captures(put(tmp_path, content)))) == 1


@pytest.mark.parametrize(
    ("style", "algorithm", "words"), [(2, 64, "algorithm 64"), (1, 64, "algorithm"), (3, 1, "style 3")]
)
def test_other_compression_is_unsupported(tmp_path: Path, style: int, algorithm: int, words: str) -> None:
    content = made.file(made.container(style=style, algorithm=algorithm), *waveform()[1:], compressed=True)
    refused(tmp_path, content, words, Unsupported)


def test_bodies_that_are_no_stream_or_end_early_are_refused(tmp_path: Path) -> None:
    first, second, third = waveform(compressed=True)
    plain = made.file(first, second, third)
    refused(tmp_path, plain, "not a zlib stream")
    cut = made.file(first, (second[0], zlib.compress(second[1])), (third[0], zlib.compress(third[1])[:-6]))
    refused(tmp_path, cut, "zlib stream is truncated")
    flipped = bytearray(zlib.compress(third[1]))
    flipped[-1] ^= 1  # the stream's own Adler-32
    refused(
        tmp_path, made.file(first, (second[0], zlib.compress(second[1])), (third[0], bytes(flipped))), "zlib stream"
    )


# --- what lies about its size


def lying(n_values: int, n_bytes: int) -> bytes:
    """An observation whose only waveform claims more values than are there."""
    values = [made.raw_vector("tagSeriesValues", 21, n_values, bytes(8))]
    _, content = made.observation(made.instance(0, made.steps((n_values, 1 / 6400)), values))
    changed = bytearray(content)
    at = changed.rindex(made.guid(made.TAGS["tagSeriesValues"]))
    struct.pack_into("<I", changed, at + 24, n_bytes)
    return bytes(changed)


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("n_values", [5, 1 << 20, 0x7FFFFFFF, 0xFFFFFFFF])
def test_counts_beyond_the_record_are_refused_without_allocating_them(
    tmp_path: Path, n_values: int, compressed: bool
) -> None:
    first, second, _ = waveform(compressed=compressed)
    content = made.file(first, second, ("tagRecObservation", lying(n_values, 0xFFFFFFFF)), compressed=compressed)
    within_the_bar(
        lambda: refused(tmp_path, content, "would extend to byte|its content reaches to byte|bytes are stated|samples")
    )


@pytest.mark.parametrize("compressed", [False, True])
def test_a_collection_that_claims_billions_of_entries_is_refused(tmp_path: Path, compressed: bool) -> None:
    first, second, (kind, content) = waveform(compressed=compressed)
    content = struct.pack("<I", 0xFFFFFFFF) + content[4:]
    lying_file = made.file(first, second, (kind, content), compressed=compressed)
    within_the_bar(lambda: refused(tmp_path, lying_file, "more entries"))


@pytest.mark.slow
def test_a_stream_that_inflates_to_more_than_its_lengths_need_is_left_where_it_is(tmp_path: Path) -> None:
    # 256 MiB of zeros behind an observation of interval values: nothing asks for them, nothing inflates them.
    squeezed = zlib.compressobj(9)
    kind, content = made.observation(made.instance(0, made.steps((2, 600.0)), made.stored(40, [230.0, 231.0])))
    bomb = squeezed.compress(content)
    bomb += b"".join(squeezed.compress(bytes(1 << 24)) for _ in range(16)) + squeezed.flush()
    first, _, _ = waveform(compressed=True)
    _, source = made.source(made.channel("UA", quantity_type=made.VALUE_LOG, characteristic=made.RMS))
    path = put(tmp_path, made.file(first, ("tagRecDataSource", zlib.compress(source)), (kind, bomb)))
    within_the_bar(lambda: no_captures(path))
    _, source = made.source(made.channel("UA"))  # as a waveform it must be looked at to its end
    content = made.file(first, ("tagRecDataSource", zlib.compress(source)), (kind, bomb))
    within_the_bar(lambda: refused(tmp_path, content, "inflates to more than"))


@pytest.mark.long
def test_bombs_are_refused_within_the_bar(tmp_path: Path) -> None:
    n = 80_000_000  # of samples, in 160 kB
    head = made.observation(made.instance(0, made.steps((n, 1e-6)), made.stored(21, [0] * 4)))[1]
    changed = bytearray(head)
    at = changed.rindex(struct.pack("<I", 4) + bytes(8))
    struct.pack_into("<I", changed, at, n)
    entry = changed.rindex(made.guid(made.TAGS["tagSeriesValues"]))
    struct.pack_into("<I", changed, entry + 24, 4 + 2 * n)
    squeezed = zlib.compressobj(9)
    bomb = squeezed.compress(bytes(changed[: at + 4]))
    bomb += b"".join(squeezed.compress(bytes(1 << 24)) for _ in range(10)) + squeezed.flush()
    first, second, _ = waveform(compressed=True)
    content = made.file(first, ("tagRecDataSource", zlib.compress(second[1])), ("tagRecObservation", bomb))
    within_the_bar(lambda: refused(tmp_path, content, "inflates to more than"))
    whole = made.file(made.container(style=1)) + bomb
    within_the_bar(lambda: refused(tmp_path, whole, "inflates to more than"))


def test_many_small_bombs_are_stopped_by_the_sum_of_them(tmp_path: Path) -> None:
    n = 8 << 20
    values = [made.raw_vector("tagSeriesValues", 21, n, bytes(2 * n))]
    squeezed = zlib.compress(made.observation(made.instance(0, made.steps((n, 1e-6)), values))[1], 9)
    first, second, _ = waveform(compressed=True)
    records = [first, ("tagRecDataSource", zlib.compress(second[1]))] + [("tagRecObservation", squeezed)] * 100
    path = put(tmp_path, made.file(*records))

    def read_all() -> None:
        for capture in read_captures(path):  # one at a time, as screening does
            assert capture.header.n_samples <= n

    def refuse() -> None:
        with pytest.raises(MalformedRecord, match="inflate to more than"):
            read_all()

    within_the_bar(refuse)


@pytest.mark.slow
def test_links_that_lead_many_times_to_the_same_place_are_stopped(tmp_path: Path) -> None:
    # 4000 channel instances, each of which links to the same collection of 60000 series instances.
    channels, series = 4000, 60_000
    head = bytearray(made.body(made.time("tagTimeStart", made.START), made.collection("tagChannelInstances")))
    at = head.index(made.guid(made.TAGS["tagChannelInstances"]))
    struct.pack_into("<II", head, at + 20, len(head), 4 + 28 * channels)
    inner = len(head) + 4 + 28 * channels
    one = made.guid(made.TAGS["tagOneChannelInst"]) + struct.pack("<bbbbII", 1, 0, 0, 0, inner, 4 + 28 * series)
    head += struct.pack("<I", channels) + one * channels
    index = made.guid(made.TAGS["tagChannelDefnIdx"]) + struct.pack("<bbbbII", 2, 32, 1, 0, 0, 0)
    head += struct.pack("<I", series) + index * series
    first, second, _ = waveform()
    content = made.file(first, second, ("tagRecObservation", bytes(head)))
    within_the_bar(lambda: refused(tmp_path, content, "more entries"))


@pytest.mark.slow
def test_channels_that_share_one_another_s_samples_do_not_multiply_them(tmp_path: Path) -> None:
    n, channels = 1 << 20, 2000  # 2 MiB of samples, 4 GiB if each channel had its own
    values = [made.raw_vector("tagSeriesValues", 21, n, bytes(2 * n))]
    instances = [made.instance(0, made.steps((n, 1e-5)), values)]
    instances += [made.instance(0, made.shared(0, 0), made.shared(0, 1))] * channels
    first, second, _ = waveform()
    content = made.file(first, second, made.observation(*instances))
    within_the_bar(lambda: refused(tmp_path, content, "more values"))


@pytest.mark.slow
@pytest.mark.parametrize("compressed", [False, True])
def test_bodies_ask_for_no_more_of_the_file_than_is_asked_of_them(compressed: bool) -> None:
    content = made.body(made.vector("tagSeriesValues", 32, list(range(1_000_000))))
    stored = zlib.compress(content) if compressed else content
    record = PqdifRecord(0, b"", 0, len(stored), 0)
    source = MemorySource(Path("x"), stored)
    budget = BodyBudget(len(stored), compressed=compressed)
    body = (bodies.InflatedBody if compressed else PlainBody)(source, record, budget)
    vector = Collection(body, 0, "x").vector(VALUES)
    assert vector is not None
    assert vector.array(5, 2).tolist() == [5, 6]
    assert body.held_bytes < 1 << 18
    assert vector.array(999_998).tolist() == [999_998, 999_999]
    assert body.held_bytes == (len(content) if compressed else 0)


def test_a_file_that_is_cut_while_it_is_read_is_refused(tmp_path: Path) -> None:
    n = 200_000
    values = [made.raw_vector("tagSeriesValues", 21, n, bytes(2 * n))]
    first, second, _ = waveform()
    observations = [made.observation(made.instance(0, made.steps((n, 1e-5)), values))] * 2
    path = put(tmp_path, made.file(first, second, *observations))
    captures = read_captures(path)
    assert next(captures).header.n_samples == n
    path.write_bytes(path.read_bytes()[:-n])
    with pytest.raises(MalformedRecord, match="earlier than when it was opened"):
        next(captures)


def test_a_disk_that_fails_is_a_read_error(tmp_path: Path) -> None:
    class Failing:
        def seek(self, offset: int) -> int:
            raise OSError(5, "Input/output error")

    source = FileSource(tmp_path / "x.pqd", Failing(), 100)  # type: ignore[arg-type]
    for read in (lambda: source.take(0, 5, "here"), lambda: source.take_into(0, memoryview(bytearray(5)), "here")):
        with pytest.raises(ReadError, match="here: cannot be read") as caught:
            read()
        assert not isinstance(caught.value, MalformedRecord)
