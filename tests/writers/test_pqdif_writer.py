"""The PQDIF writer: its bytes against the layout of IEEE 1159.3, and there and back through the reader."""

from __future__ import annotations

import struct
import tempfile
import uuid
import zlib
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL
from halfcycle.pipeline.writers import pqdif_layout
from halfcycle.pipeline.writers.pqdif import write_pqdif

START_NS = 1_709_683_198_500_000_001  # 2024-03-05 23:59:58.500000001
CHANNELS = (
    Channel("UA", "voltage", "A", "V", scale=0.1, offset=0.3, point="bus 1"),
    Channel("Strom 2", "current", "N", "A", scale=1 / 3),
    Channel("load", "other", "", "W", scale=2.5e-7),
)


def capture_of(samples: np.ndarray, channels: tuple[Channel, ...] = CHANNELS, **header: Any) -> Capture:
    values: dict[str, Any] = {
        "station": "Mill Lane", "start_ns": START_NS, "rate_hz": 6400.0, "n_samples": samples.shape[1],
        "channels": channels, "sample_type": samples.dtype.name, "nominal_frequency_hz": 50.0,
        "trigger_ns": START_NS + 3_000_000, "source": "r.pqd",
    }  # fmt: skip
    return Capture(Header(**(values | header)), samples)


def some_samples(dtype: type = np.int16, *, n_samples: int = 700) -> np.ndarray:
    return np.random.default_rng(4).integers(-30000, 30000, (3, n_samples)).astype(dtype)


def chain(content: bytes) -> list[tuple[str, bytes]]:
    """Record types and bodies, by the header's layout: signature, type, sizes, link, checksum, reserved."""
    records = []
    at, following = 0, 1
    while following:
        signature, kind = content[at : at + 16], content[at + 16 : at + 32]
        header_size, size, following, checksum = struct.unpack_from("<4I", content, at + 32)
        assert signature == bytes.fromhex("40 14 11 4A 9F E4 CF 11 99 00 50 51 44 49 46 00")
        assert (header_size, content[at + 48 : at + 64]) == (64, bytes(16))
        body = content[at + 64 : at + 64 + size]
        assert size % 4 == 0
        assert checksum == zlib.adler32(body)
        records.append((str(uuid.UUID(bytes_le=kind)), body))
        assert following in (0, at + 64 + size)
        at = at + 64 + size
    assert at == len(content)
    return records


RECORD_TYPES = [
    "89738606-f1c3-11cf-9d89-0080c72e70a3",  # tagContainer
    "89738619-f1c3-11cf-9d89-0080c72e70a3",  # tagRecDataSource
    "b48d858c-f5f5-11cf-9d89-0080c72e70a3",  # tagRecMonitorSettings
    "8973861a-f1c3-11cf-9d89-0080c72e70a3",  # tagRecObservation
]


def check_collection(body: bytes, at: int, taken: list[tuple[int, int]]) -> set[str]:
    """Walk a collection by its layout; elements lie apart, on whole words, within the body. Gives the tags met."""
    (count,) = struct.unpack_from("<I", body, at)
    taken.append((at, at + 4 + 28 * count))
    tags = set()
    sizes = {3: 4, 10: 1, 21: 2, 22: 4, 32: 4, 40: 4, 41: 8, 50: 12, 60: 16}  # physical types
    for i in range(count):
        entry = at + 4 + 28 * i
        tags.add(str(uuid.UUID(bytes_le=body[entry : entry + 16])))
        kind, physical, embedded, reserved = struct.unpack_from("<4b", body, entry + 16)
        link, size = struct.unpack_from("<II", body, entry + 20)
        assert reserved == 0
        if embedded:
            assert (kind, sizes[physical] <= 8) == (2, True)
            continue
        assert link % 4 == size % 4 == 0
        assert link + size <= len(body)
        if kind == 1:
            assert physical == 0
            assert size == 4 + 28 * struct.unpack_from("<I", body, link)[0]
            tags |= check_collection(body, link, taken)
        else:
            taken.append((link, link + size))
            n_bytes = 4 + struct.unpack_from("<I", body, link)[0] * sizes[physical] if kind == 3 else sizes[physical]
            assert size == n_bytes + -n_bytes % 4
    return tags


@pytest.mark.parametrize("compressed", [False, True])
def test_files_are_laid_out_as_the_standard_says(tmp_path: Path, compressed: bool) -> None:
    # IEEE 1159.3: record header, body, collection, element; tagCompressionStyleID 2: later bodies are zlib streams.
    path = write_pqdif([capture_of(some_samples())], tmp_path / "r.pqd", compressed=compressed)
    records = chain(path.read_bytes())
    assert [kind for kind, _ in records] == RECORD_TYPES
    met: set[str] = set()
    for i, (_, stored) in enumerate(records):
        body = stored
        if compressed and i:
            stream = zlib.decompressobj()
            body = stream.decompress(stored)
            assert stream.eof
            assert len(stream.unused_data) < 4
        taken: list[tuple[int, int]] = []
        met |= check_collection(body, 0, taken)
        taken.sort()
        assert all(end <= start for (_, end), (start, _) in pairwise(taken))
        assert taken[-1][1] == len(body)
    assert ("8973861b-f1c3-11cf-9d89-0080c72e70a3" in met) == compressed  # tagCompressionStyleID
    required = {  # of the tag list, for these records and this compression
        "89738607-f1c3-11cf-9d89-0080c72e70a3",  # tagVersionInfo
        "89738608-f1c3-11cf-9d89-0080c72e70a3",  # tagFileName
        "89738609-f1c3-11cf-9d89-0080c72e70a3",  # tagCreation
        "b48d8581-f5f5-11cf-9d89-0080c72e70a3",  # tagDataSourceTypeID
        "b48d8587-f5f5-11cf-9d89-0080c72e70a3",  # tagNameDS
        "b48d858d-f5f5-11cf-9d89-0080c72e70a3",  # tagChannelDefns
        "b48d858e-f5f5-11cf-9d89-0080c72e70a3",  # tagOneChannelDefn
        "b48d8591-f5f5-11cf-9d89-0080c72e70a3",  # tagPhaseID
        "b48d8592-f5f5-11cf-9d89-0080c72e70a3",  # tagQuantityTypeID
        "c690e872-f755-11cf-9d89-0080c72e70a3",  # tagQuantityMeasuredID
        "b48d8598-f5f5-11cf-9d89-0080c72e70a3",  # tagSeriesDefns
        "b48d859a-f5f5-11cf-9d89-0080c72e70a3",  # tagOneSeriesDefn
        "b48d859c-f5f5-11cf-9d89-0080c72e70a3",  # tagValueTypeID
        "b48d859b-f5f5-11cf-9d89-0080c72e70a3",  # tagQuantityUnitsID
        "3d786f9e-f76e-11cf-9d89-0080c72e70a3",  # tagQuantityCharacteristicID
        "b48d85a1-f5f5-11cf-9d89-0080c72e70a3",  # tagStorageMethodID
        "62f28183-f9c4-11cf-9d89-0080c72e70a3",  # tagEffective
        "3d786f85-f76e-11cf-9d89-0080c72e70a3",  # tagTimeInstalled
        "62f28180-f9c4-11cf-9d89-0080c72e70a3",  # tagUseCalibration
        "62f28181-f9c4-11cf-9d89-0080c72e70a3",  # tagUseTransducer
        "62f28182-f9c4-11cf-9d89-0080c72e70a3",  # tagChannelSettingsArray
        "3d786f8a-f76e-11cf-9d89-0080c72e70a3",  # tagObservationName
        "3d786f8b-f76e-11cf-9d89-0080c72e70a3",  # tagTimeCreate
        "3d786f8c-f76e-11cf-9d89-0080c72e70a3",  # tagTimeStart
        "3d786f8d-f76e-11cf-9d89-0080c72e70a3",  # tagTriggerMethodID
        "3d786f91-f76e-11cf-9d89-0080c72e70a3",  # tagChannelInstances
        "b48d858f-f5f5-11cf-9d89-0080c72e70a3",  # tagChannelDefnIdx
        "3d786f93-f76e-11cf-9d89-0080c72e70a3",  # tagSeriesInstances
        "3d786f99-f76e-11cf-9d89-0080c72e70a3",  # tagSeriesValues
    }
    assert required <= met


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.float32])
def test_samples_lie_in_the_file_as_they_are(tmp_path: Path, dtype: type, compressed: bool) -> None:
    samples = some_samples(dtype)
    path = write_pqdif([capture_of(samples)], tmp_path / "r.pqd", compressed=compressed)
    _, body = chain(path.read_bytes())[-1]
    body = zlib.decompressobj().decompress(body) if compressed else body
    for row in samples:
        content = struct.pack("<I", len(row)) + row.astype(np.dtype(dtype).newbyteorder("<")).tobytes()
        assert body.count(content) == 1


def test_the_same_captures_give_the_same_bytes_and_replace_what_was_there(tmp_path: Path) -> None:
    capture = capture_of(some_samples())
    first = write_pqdif([capture], tmp_path / "r.pqd").read_bytes()
    (tmp_path / "r.pqd").write_bytes(first * 3)
    assert write_pqdif([capture], tmp_path / "r.pqd").read_bytes() == first


def test_captures_of_the_same_channels_share_a_data_source(tmp_path: Path) -> None:
    one = capture_of(some_samples())
    later = capture_of(some_samples(), start_ns=START_NS + 10**9, trigger_ns=None)
    other = capture_of(some_samples(), station="Weir", nominal_frequency_hz=None, start_ns=START_NS + 2 * 10**9)
    path = write_pqdif([one, later, other], tmp_path / "r.pqd")
    container, source, set_so, observation = RECORD_TYPES
    kinds = [kind for kind, _ in chain(path.read_bytes())]
    assert kinds == [container, source, set_so, observation, observation, source, observation]
    found = list(read_captures(path))
    assert [capture.header for capture in found] == [one.header, later.header, other.header]


def test_rated_voltages_come_back_where_the_waveform_bears_them_out(tmp_path: Path) -> None:
    t_s = np.arange(1280) / 6400
    wave = np.round(3252.7 * np.sin(2 * np.pi * 50 * t_s)).astype(np.int16)[None]  # 230 V with 0.1 V a count
    for rated, expected in ((230.0, 230.0), (400.0, 400.0), (1000.0, None)):
        capture = capture_of(wave, (Channel("UA", "voltage", "A", "V", scale=0.1, rated=rated),))
        (found,) = read_captures(write_pqdif([capture], tmp_path / "r.pqd"))
        assert found.header.channels[0].rated == expected


samples_of_captures = st.sampled_from(["int16", "int32", "float32"]).flatmap(
    lambda kind: hnp.arrays(kind, st.tuples(st.integers(1, 3), st.integers(1, 9)))
)
plain_text = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=8).map(str.strip)
quantities = st.sampled_from([("voltage", "V"), ("current", "A"), ("other", "W"), ("other", ""), ("other", "°C")])
phases = st.sampled_from(("", *LINE_PHASES, *LINE_TO_LINE_PHASES, NEUTRAL))


@settings(max_examples=80, deadline=None)
@given(
    samples=samples_of_captures,
    rate_hz=st.floats(1e-3, 1e8).map(lambda rate: float(f"{rate:.12g}")),
    start_ns=st.integers(-2_209_161_600_000_000_000, 9_000_000_000_000_000_000),
    trigger=st.none() | st.integers(0, 10**9),
    frequency_hz=st.none() | st.sampled_from([50.0, 60.0, 16.7]),
    station=plain_text,
    channels=st.lists(
        st.builds(
            lambda name, kind, phase, *numbers: Channel(name, kind[0], phase, kind[1], *numbers),
            plain_text, quantities, phases, st.floats(1e-6, 1e6), st.floats(-1e3, 1e3), plain_text,
        ),
        min_size=3, max_size=3,
    ),
    compressed=st.booleans(),
)  # fmt: skip
def test_what_is_written_reads_back_sample_for_sample(
    samples, rate_hz, start_ns, trigger, frequency_hz, station, channels, compressed
) -> None:
    # A nanosecond counts: a double holds the seconds of a day to 1.5e-11.
    # What no recording can have is read as missing; see the tests of the gate.
    finite = samples if samples.dtype.kind == "i" else np.clip(samples, -1e6, 1e6).astype(np.float32)
    capture = capture_of(
        finite,
        tuple(channels[: len(finite)]),
        rate_hz=rate_hz,
        start_ns=start_ns,
        trigger_ns=None if trigger is None else start_ns + trigger,
        nominal_frequency_hz=frequency_hz,
        station=station,
    )
    with tempfile.TemporaryDirectory() as folder:
        (found,) = read_captures(write_pqdif([capture], Path(folder) / "r.pqd", compressed=compressed))
    notes = tuple(note for note in found.header.notes if not note.startswith("without a unit"))
    assert replace(found.header, notes=notes) == capture.header
    np.testing.assert_array_equal(found.samples.view(np.uint8), finite.view(np.uint8))  # every NaN, too


@pytest.mark.parametrize(
    ("channel", "header", "words"),
    [
        ({"unit": "kV"}, {}, "the units of PQDIF"),
        ({"unit": "A"}, {}, "quantity voltage"),
        ({"quantity": "other"}, {}, "quantity other"),
        ({"name": "U\0A"}, {}, "name of channel"),
        ({"name": " UA"}, {}, "name of channel"),
        ({"point": "bus\n"}, {}, "point of channel"),
        ({"missing_code": 5}, {}, "has missing samples"),
        ({}, {"station": "a\x07b"}, "station"),
        ({}, {"start_ns": -3 * 10**18}, "1899-12-30"),
        ({}, {"trigger_ns": -3 * 10**18}, "1899-12-30"),
    ],
)
def test_what_the_format_cannot_hold_is_refused_and_nothing_written(
    tmp_path: Path, channel: dict[str, Any], header: dict[str, Any], words: str
) -> None:
    changed = replace(Channel("UA", "voltage", "A", "V", missing_code=-1), **channel)
    with pytest.raises(StoreError, match=words):
        write_pqdif([capture_of(np.array([[1, 5, 3]], np.int16), (changed,), **header)], tmp_path / "r.pqd")
    assert not (tmp_path / "r.pqd").exists()


def test_infinite_and_empty_captures_and_none_are_refused(tmp_path: Path) -> None:
    channel = (CHANNELS[0],)
    with pytest.raises(StoreError, match="infinite"):
        write_pqdif([capture_of(np.array([[1, np.inf]], np.float32), channel)], tmp_path / "r.pqd")
    for shape in ((0, 5), (1, 0)):
        with pytest.raises(StoreError, match="one sample of one channel"):
            write_pqdif([capture_of(np.zeros(shape, np.int16), channel[: shape[0]])], tmp_path / "r.pqd")
    with pytest.raises(ConfigError, match="at least one capture"):
        write_pqdif([], tmp_path / "r.pqd")


def test_too_much_for_a_record_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pqdif_layout, "MAX_COMPRESSED_BYTES", 3000)
    capture = capture_of(some_samples())
    with pytest.raises(StoreError, match="at most 3000 bytes"):
        write_pqdif([capture], tmp_path / "r.pqd", compressed=True)
    assert not (tmp_path / "r.pqd").exists()
    write_pqdif([capture], tmp_path / "r.pqd")


def test_a_file_that_cannot_be_written_is_a_store_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"r\.pqd cannot be written"):
        write_pqdif([capture_of(some_samples())], tmp_path / "none" / "r.pqd")


def test_a_file_whose_last_record_links_on_is_read_with_a_note(tmp_path: Path) -> None:
    # Source: IEEE 1159.3, record header: the link to the next record is 0 in the last one. Writers that link to the
    # file's end are known (common practice, no source), so such a file is no broken one.
    path = tmp_path / "x.pqd"
    write_pqdif([capture_of(some_samples())], path)
    (whole,) = read_captures(path)
    assert not any("truncated between two records" in note for note in whole.header.notes)
    data = bytearray(path.read_bytes())
    at = 0
    while (following := struct.unpack_from("<I", data, at + 40)[0]) != 0:
        at = following
    struct.pack_into("<I", data, at + 40, len(data))
    path.write_bytes(bytes(data))
    (cut,) = read_captures(path)
    assert any("truncated between two records" in note for note in cut.header.notes)
