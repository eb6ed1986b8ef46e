"""PQDIF waveforms against files made byte by byte (IEEE 1159.3): samples, time axes, channels, what is left out."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pqdif_bytes as made
import pytest
from reader_contract import check_broken_copies, check_reader_contract

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import MalformedRecord, ReadError, Unsupported
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.readers.pqdif import READER
from halfcycle.pipeline.readers.pqdif import observed as observed_module
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

RNG = np.random.default_rng(11)
START_NS = made.START_NS
RAMP = [0, 100, -100, 200, 7, -9, 32767, -32768]


def put(folder: Path, content: bytes) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / "x.pqd"
    path.write_bytes(content)
    return path


def save(folder: Path, channels: Sequence[made.Entry], *instances: made.Entry, compressed: bool = False) -> Path:
    container = made.container(style=2) if compressed else made.container()
    records = [container, made.source(*channels), made.observation(*instances)]
    return put(folder, made.file(*records, compressed=compressed))


def read(path: Path, **kwargs: Any) -> list[Capture]:
    return list(read_captures(path, **kwargs))


def read_one(path: Path) -> Capture:
    (capture,) = read_captures(path)
    return capture


def refused(path: Path, words: str, error: type[ReadError] = MalformedRecord) -> None:
    with pytest.raises(error, match=words):
        list(read_captures(path))


def sine(rms: float, *, n: int = 1280, rate_hz: float = 6400.0, lag: float = 0.0) -> list[float]:
    return (rms * math.sqrt(2) * np.sin(2 * np.pi * 50 * np.arange(n) / rate_hz - lag)).tolist()


def test_a_file_made_by_hand_reads_as_what_was_put_into_it(tmp_path: Path) -> None:
    # A container without elements, a data source and an observation, packed here without any other code: header of
    # 64 bytes, collections of 28-byte entries with tag, element type (1 collection, 2 scalar, 3 vector), physical
    # type (10 CHAR1, 21 INTEGER2, 32 UNS_INTEGER4, 41 REAL8, 50 TIMESTAMP, 60 GUID), embedded, link and size.
    t = {name: made.guid(value) for name, value in made.TAGS.items()}

    def number(tag: str, value: int) -> bytes:
        return t[tag] + struct.pack("<bbbbII", 2, 32, 1, 0, value, 0)

    def link(tag: str, element: int, physical: int, at: int, size: int) -> bytes:
        return t[tag] + struct.pack("<bbbbII", element, physical, 0, 0, at, size)

    count = struct.Struct("<I")
    source = count.pack(2) + link("tagNameDS", 3, 10, 60, 8) + link("tagChannelDefns", 1, 0, 68, 32)
    source += count.pack(4) + b"Bay\0"  # at 60
    source += count.pack(1) + link("tagOneChannelDefn", 1, 0, 100, 144)  # at 68
    source += count.pack(5)  # at 100
    source += link("tagChannelName", 3, 10, 244, 8) + link("tagQuantityTypeID", 2, 60, 252, 16)
    source += number("tagPhaseID", 6) + number("tagQuantityMeasuredID", 1) + link("tagSeriesDefns", 1, 0, 268, 60)
    source += count.pack(3) + b"Ub\0\0" + made.guid("67f6af80-f753-11cf-9d89-0080c72e70a3")  # at 244, 252
    source += count.pack(2) + link("tagOneSeriesDefn", 1, 0, 328, 88) + link("tagOneSeriesDefn", 1, 0, 416, 88)
    source += count.pack(3) + link("tagValueTypeID", 2, 60, 504, 16)  # at 328
    source += number("tagQuantityUnitsID", 2) + number("tagStorageMethodID", 4)
    source += count.pack(3) + link("tagValueTypeID", 2, 60, 520, 16)  # at 416
    source += number("tagQuantityUnitsID", 6) + number("tagStorageMethodID", 3)
    source += made.guid("c690e862-f755-11cf-9d89-0080c72e70a3") + made.guid("67f6af97-f753-11cf-9d89-0080c72e70a3")
    assert len(source) == 536

    observed = count.pack(2) + link("tagTimeStart", 2, 50, 60, 12) + link("tagChannelInstances", 1, 0, 72, 32)
    observed += struct.pack("<Id", 25569 + 1, 0.5)  # at 60: half a second into 1970-01-02
    observed += count.pack(1) + link("tagOneChannelInst", 1, 0, 104, 60)
    observed += count.pack(2) + number("tagChannelDefnIdx", 0) + link("tagSeriesInstances", 1, 0, 164, 60)
    observed += count.pack(2) + link("tagOneSeriesInstance", 1, 0, 224, 32)
    observed += link("tagOneSeriesInstance", 1, 0, 256, 88)
    observed += count.pack(1) + link("tagSeriesValues", 3, 41, 344, 28)
    observed += count.pack(3) + link("tagSeriesValues", 3, 21, 372, 12)  # at 256
    observed += t["tagSeriesScale"] + struct.pack("<bbbbd", 2, 41, 1, 0, 0.5)
    observed += t["tagSeriesOffset"] + struct.pack("<bbbbfI", 2, 40, 1, 0, -1.0, 0)
    observed += struct.pack("<Iddd", 3, 1.0, 4.0, 0.001)  # at 344: one rate, four points, a millisecond apart
    observed += struct.pack("<Ihhhh", 4, 10, -20, 30, 32767)  # at 372
    assert len(observed) == 384

    content = b""
    for tag, body in (("tagContainer", bytes(4)), ("tagRecDataSource", source), ("tagRecObservation", observed)):
        following = 0 if tag == "tagRecObservation" else len(content) + 64 + len(body)
        content += made.SIGNATURE + t[tag] + struct.pack("<IIII", 64, len(body), following, 0) + bytes(16) + body
    capture = read_one(put(tmp_path, content))
    header = capture.header
    assert (header.station, header.start_ns, header.rate_hz) == ("Bay", 86_400_500_000_000, 1000.0)
    assert header.channels == (Channel("Ub", "voltage", "BC", "V", scale=0.5, offset=-1.0),)
    assert capture.samples.dtype == np.int16
    assert capture.samples.tolist() == [[10, -20, 30, 32767]]
    assert capture.physical(0).tolist() == [4.0, -11.0, 14.0, 16382.5]
    assert header.notes == ("the time zone is not stated; time stamps are taken as UTC",)


def three_channels() -> tuple[list[made.Entry], list[made.Entry], np.ndarray]:
    raw = RNG.integers(-20000, 20000, (3, 400)).astype(np.int16)
    channels = [
        made.channel("UA", phase=1, group="bus 1"),
        made.channel("UB", phase=2, group="bus 1"),
        made.channel("IA", phase=1, measured=2, units=7),
    ]
    scale = made.scalar("tagSeriesScale", 41, 0.25)
    instances = [
        made.instance(0, made.steps((400, 1 / 6400)), made.stored(21, raw[0].tolist(), scale=scale)),
        made.instance(1, made.shared(0, 0), made.stored(21, raw[1].tolist(), scale=scale)),
        made.instance(2, made.shared(0, 0), made.stored(21, raw[2].tolist())),
    ]
    return channels, instances, raw


CHANNELS = (
    Channel("UA", "voltage", "A", "V", 0.25, point="bus 1"),
    Channel("UB", "voltage", "B", "V", 0.25, point="bus 1"),
    Channel("IA", "current", "A", "A"),
)


@pytest.mark.parametrize("compressed", [False, True])
def test_the_contract_holds(tmp_path: Path, compressed: bool) -> None:
    channels, instances, raw = three_channels()
    container = made.container(style=2) if compressed else made.container()
    settings = made.body(made.scalar("tagNominalFrequency", 41, 50.0))
    later = made.START + timedelta(seconds=2)
    trigger = made.time("tagTimeTriggered", made.START + timedelta(milliseconds=20), 123)
    records = [
        container,
        made.source(*channels),
        ("tagRecMonitorSettings", settings),
        made.observation(*instances, start=later),
        made.observation(*instances, more=[trigger]),
    ]
    path = put(tmp_path, made.file(*records, compressed=compressed))
    first = Header("Harrow Mill", START_NS, 6400.0, 400, CHANNELS, "int16", 50.0, START_NS + 20_000_123)
    second = Header("Harrow Mill", START_NS + 2_000_000_000, 6400.0, 400, CHANNELS, "int16", 50.0)
    check_reader_contract(path, Capture(first, raw.copy()), Capture(second, raw.copy()))
    assert [capture.header.channels for capture in read(path)] == [CHANNELS, CHANNELS]
    np.testing.assert_array_equal(read(path)[0].samples, raw)


@pytest.mark.slow
@pytest.mark.parametrize("compressed", [False, True])
def test_damaged_copies_are_read_or_refused(tmp_path: Path, compressed: bool) -> None:
    channels, instances, _ = three_channels()
    check_broken_copies(save(tmp_path, channels, *instances, compressed=compressed), n_copies=300)


# Without checksums only the reader's own checks stand between damage and the samples.
@pytest.mark.slow
def test_damaged_copies_without_checksums_are_read_or_refused(tmp_path: Path) -> None:
    channels, instances, _ = three_channels()
    records = [made.container(), made.source(*channels), made.observation(*instances)]
    check_broken_copies(put(tmp_path, made.file(*records, checksum=lambda stored: 0)), n_copies=300)


# --- samples


@pytest.mark.parametrize(
    ("physical", "values", "sample_type"),
    [
        (20, [-128, 127, 5, 0], "int16"),
        (30, [0, 255, 5, 0], "int16"),
        (1, [0, 1, 1, 0], "int16"),
        (21, [-32768, 32767, 5, 0], "int16"),
        (31, [0, 65535, 5, 0], "int32"),
        (2, [0, 1, 1, 0], "int32"),
        (22, [-(2**31), 2**31 - 1, 5, 0], "int32"),
        (40, [0.5, -1.25, 1e12, 0], "float32"),
        (41, [0.5, -1.25, 1e12, 0], "float32"),
    ],
)
def test_samples_of_every_number_type_keep_their_values(
    tmp_path: Path, physical: int, values: list[float], sample_type: str
) -> None:
    instance = made.instance(0, made.steps((4, 0.001)), made.stored(physical, values))
    capture = read_one(save(tmp_path, [made.channel("UA")], instance))
    assert capture.samples.dtype.name == sample_type
    np.testing.assert_array_equal(capture.samples[0], np.array(values).astype(sample_type))
    assert any("64-bit" in note for note in capture.header.notes) == (physical == 41)


@pytest.mark.parametrize("physical", [3, 32])
def test_unsigned_32_bit_samples_keep_their_values_by_an_offset(tmp_path: Path, physical: int) -> None:
    values = [0, 2**32 - 1, 2**31, 5]
    scale, offset = made.scalar("tagSeriesScale", 41, 0.5), made.scalar("tagSeriesOffset", 22, -7)
    instance = made.instance(0, made.steps((4, 0.001)), made.stored(physical, values, scale=scale, offset=offset))
    capture = read_one(save(tmp_path, [made.channel("UA")], instance))
    assert capture.samples.dtype == np.int32
    assert capture.physical(0).tolist() == [0.5 * value - 7 for value in values]


@pytest.mark.parametrize(
    ("kinds", "sample_type", "note"),
    [
        ((21, 22), "int32", ""),
        ((21, 40), "float32", ""),
        ((22, 40), "float32", "to 24 bits"),
        ((21, 41), "float32", "64-bit"),
    ],
)
def test_channels_of_different_types_come_in_one_that_holds_them(
    tmp_path: Path, kinds: tuple[int, int], sample_type: str, note: str
) -> None:
    instances = [
        made.instance(i, made.steps((4, 0.001)), made.stored(kind, [1, -2, 3, 30000])) for i, kind in enumerate(kinds)
    ]
    capture = read_one(save(tmp_path, [made.channel("UA"), made.channel("UB", phase=2)], *instances))
    assert capture.samples.dtype.name == sample_type
    assert capture.samples.tolist() == [[1, -2, 3, 30000]] * 2
    assert note in " ".join(capture.header.notes)


@pytest.mark.parametrize("physical", [40, 41])
def test_infinite_samples_are_missing_and_noted(tmp_path: Path, physical: int) -> None:
    values = [math.inf, 1.0, math.nan, -math.inf]
    capture = read_one(
        save(tmp_path, [made.channel("UA")], made.instance(0, made.steps((4, 0.001)), made.stored(physical, values)))
    )
    np.testing.assert_array_equal(capture.samples[0], np.array([np.nan, 1, np.nan, np.nan], np.float32))
    assert any(note.startswith("2 values are infinite") for note in capture.header.notes)


@pytest.mark.parametrize(
    ("physical", "content", "error", "words"),
    [
        (42, bytes(16), Unsupported, "complex"),
        (43, bytes(32), Unsupported, "complex"),
        (10, b"ab", MalformedRecord, "not a number"),
        (50, bytes(24), MalformedRecord, "not a number"),
        (60, bytes(32), MalformedRecord, "not a number"),
    ],
)
def test_samples_that_are_no_real_numbers_are_refused(
    tmp_path: Path, physical: int, content: bytes, error: type[ReadError], words: str
) -> None:
    values = [made.raw_vector("tagSeriesValues", physical, 2, content)]
    refused(save(tmp_path, [made.channel("UA")], made.instance(0, made.steps((2, 1.0)), values)), words, error)


def test_a_scale_applies_whether_or_not_the_method_says_scaled(tmp_path: Path) -> None:
    # IEEE 1159.3: real value = stored value * tagSeriesScale (default 1) + tagSeriesOffset (default 0).
    scale, offset = made.scalar("tagSeriesScale", 40, 0.5), made.scalar("tagSeriesOffset", 21, 3)
    for method in (1, 3):
        instance = made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP, scale=scale, offset=offset))
        capture = read_one(save(tmp_path, [made.channel("UA", method=method)], instance))
        assert capture.physical(0).tolist() == [value * 0.5 + 3 for value in RAMP]


def test_long_observations_come_in_pieces_that_follow_one_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    channels, instances, raw = three_channels()
    path = save(tmp_path, channels, *instances)
    monkeypatch.setattr(observed_module, "MAX_CAPTURE_SAMPLES", 192)
    pieces = read(path)
    assert [piece.header.n_samples for piece in pieces] == [192, 192, 16]
    assert [piece.header.start_ns - START_NS for piece in pieces] == [0, 30_000_000, 60_000_000]
    np.testing.assert_array_equal(np.concatenate([piece.samples for piece in pieces], axis=1), raw)
    monkeypatch.setattr(observed_module, "MAX_CAPTURE_BYTES", 600)  # 3 channels of 2 bytes
    assert [piece.header.n_samples for piece in read(path)] == [100] * 4


# --- time axes


def timed(folder: Path, times: Sequence[made.Entry], n: int = 8, **kwargs: Any) -> Path:
    values = made.stored(21, list(range(n)))
    return save(folder, [made.channel("UA", **kwargs)], made.instance(0, times, values))


@pytest.mark.parametrize("rate_hz", [6400.0, 15360.0, 12800.0 / 3, 7812.5, 4999.87, 1e6, 256 * 60.0, 256 * 59.997])
@pytest.mark.parametrize("physical", [40, 41])
def test_the_rate_is_the_roundest_that_the_stored_step_stands_for(
    tmp_path: Path, rate_hz: float, physical: int
) -> None:
    times = [made.vector("tagSeriesValues", physical, [1, 8, 1 / rate_hz])]
    found_hz = read_one(timed(tmp_path, times)).header.rate_hz
    if physical == 41 or rate_hz != 12800.0 / 3:
        assert found_hz == pytest.approx(rate_hz, rel=1e-15)
    assert found_hz == pytest.approx(rate_hz, rel=2e-7)  # 24 bits


def test_increments_of_several_rates_make_a_capture_each(tmp_path: Path) -> None:
    # IEEE 1159.3: [number of rates, n1, step1, n2, step2]: n1 points at step1, then n2 points at step2.
    times = made.steps((3, 0.001), (4, 0.0001), (1, 0.0001))
    found = read(timed(tmp_path, times))
    assert [(c.header.rate_hz, c.header.n_samples) for c in found] == [(1000.0, 3), (10000.0, 5)]
    assert [c.header.start_ns - START_NS for c in found] == [0, 3_000_000]
    assert [c.samples[0].tolist() for c in found] == [[0, 1, 2], [3, 4, 5, 6, 7]]


def test_increments_start_at_their_offset_and_are_scaled(tmp_path: Path) -> None:
    offset, scale = made.scalar("tagSeriesOffset", 41, -0.1), made.scalar("tagSeriesScale", 41, 0.001)
    times = [made.vector("tagSeriesValues", 22, [1, 8, 2]), offset, scale]
    header = read_one(timed(tmp_path, times)).header
    assert (header.rate_hz, header.start_ns) == (500.0, START_NS - 100_000_000)


def test_one_increment_fewer_than_samples_counts_the_steps(tmp_path: Path) -> None:
    header = read_one(timed(tmp_path, made.steps((7, 0.001)))).header
    assert (header.rate_hz, header.n_samples) == (1000.0, 8)
    assert any("one fewer" in note for note in header.notes)


@pytest.mark.parametrize("physical", [40, 41])
def test_times_in_seconds_one_by_one_give_rate_start_and_gaps(tmp_path: Path, physical: int) -> None:
    ticks = [*range(40), *range(45, 60)]
    times = made.stored(physical, [tick / 4000 + 0.5 for tick in ticks])
    found = read(timed(tmp_path, times, n=55, time_method=1))
    assert [(c.header.rate_hz, c.header.n_samples) for c in found] == [(4000.0, 40), (4000.0, 15)]
    offsets = [c.header.start_ns - START_NS for c in found]
    assert offsets == pytest.approx([500_000_000, 511_250_000], abs=60)  # 24 bits of half a second
    assert found[1].samples[0].tolist() == list(range(40, 55))


def test_times_may_be_scaled_counts(tmp_path: Path) -> None:
    scale, offset = made.scalar("tagSeriesScale", 41, 1 / 15360), made.scalar("tagSeriesOffset", 41, -0.25)
    header = read_one(
        timed(tmp_path, made.stored(22, list(range(8)), scale=scale, offset=offset), time_method=3)
    ).header
    assert (header.rate_hz, header.start_ns) == (15360.0, START_NS - 250_000_000)


def test_times_in_cycles_are_of_the_nominal_or_the_channel_s_frequency(tmp_path: Path) -> None:
    # IEEE 1159.3, tagQuantityUnitsID 3: cycles; tagNominalFrequency in the monitor settings, tagChannelFrequency.
    times = made.steps((8, 1 / 128))
    refused(timed(tmp_path, times, time_units=3), "no frequency", Unsupported)
    channel, values = made.channel("UA", time_units=3), made.stored(21, RAMP)
    settings = ("tagRecMonitorSettings", made.body(made.scalar("tagNominalFrequency", 41, 50.0)))
    for more, rate_hz in (((), 6400.0), ((made.scalar("tagChannelFrequency", 41, 60.0),), 7680.0)):
        observation = made.observation(made.instance(0, times, values, *more))
        content = made.file(made.container(), made.source(channel), settings, observation)
        header = read_one(put(tmp_path, content)).header
        assert (header.rate_hz, header.nominal_frequency_hz) == (rate_hz, 50.0)


def test_times_may_be_time_stamps(tmp_path: Path) -> None:
    # IEEE 1159.3, tagQuantityUnitsID 1: absolute time stamps; across midnight here.
    seconds = [86399.999 + 0.0005 * i for i in range(4)]
    content = b"".join(struct.pack("<Id", 46083 + int(s >= 86400), s % 86400) for s in seconds)
    times = [made.raw_vector("tagSeriesValues", 50, 4, content)]
    header = read_one(timed(tmp_path, times, n=4, time_units=1, time_method=1)).header
    assert header.rate_hz == 2000.0
    assert header.start_ns == 1_772_495_999_999_000_000  # 2026-03-02 23:59:59.999


@pytest.mark.parametrize(
    ("times", "kwargs", "words"),
    [
        (made.steps((9, 0.001)), {}, "9 times, but 8 samples"),
        (made.steps((5, 0.001)), {}, "5 times, but 8 samples"),
        (made.steps((8, 0.0)), {}, "step above 0"),
        (made.steps((8, -0.001)), {}, "step above 0"),
        (made.steps((8, math.nan)), {}, "step above 0"),
        (made.steps((7.5, 0.001)), {}, "whole number of points"),
        (made.steps((8, 1e-12)), {}, "sampling rate is 1e"),
        (made.steps((8, 1e300)), {}, "sampling rate is 1e-300"),
        (made.steps((4, 1e-320), (4, 1.0)), {}, "sampling rate is inf"),
        ([*made.steps((8, 1e300)), made.scalar("tagSeriesScale", 41, 1e300)], {}, "sampling rate is 0"),
        ([*made.steps((8, 1e-3)), made.scalar("tagSeriesOffset", 41, 1e300)], {}, "outside the years"),
        ([*made.steps((8, 1e-3)), made.scalar("tagSeriesOffset", 41, 9.9e9)], {}, "outside the years"),
        ([*made.steps((8, 1e-3)), made.scalar("tagSeriesScale", 41, math.inf)], {}, "finite number"),
        (
            [*made.stored(41, [0.0, 1.0]), made.scalar("tagSeriesOffset", 41, 1e300)],
            {"time_method": 1},
            "outside the years",
        ),
        (made.stored(41, [1e300, 2e300]), {"time_method": 1}, "outside the years"),
        ([*made.stored(41, [0.0, 1.0]), made.scalar("tagSeriesScale", 41, -1.0)], {"time_method": 1}, "above 0"),
        ([made.vector("tagSeriesValues", 41, [])], {}, "increments are a number of rates"),
        ([made.vector("tagSeriesValues", 41, [2, 8, 0.1])], {}, "increments are a number of rates"),
        ([made.vector("tagSeriesValues", 41, [math.inf, 8, 0.1])], {}, "increments are a number of rates"),
        (made.stored(41, [0.0, 0.1, 0.2, 0.15, 0.3, 0.4, 0.5, 0.6]), {"time_method": 1}, "runs backwards"),
        (made.stored(41, [0.0, 0.1, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7]), {"time_method": 1}, "evenly spaced"),
        (made.stored(41, [0.0, 0.1]), {"time_method": 1}, "2 times, but 8 samples"),
        (made.stored(41, [0.0]), {"time_method": 1}, "too few"),
        (made.stored(41, [0.0] * 8), {"time_method": 1}, "stands still"),
        (made.stored(41, [math.nan] * 8), {"time_method": 1}, "time is missing"),
        ([made.raw_vector("tagSeriesValues", 10, 8, b"01234567")], {"time_method": 1}, "not a number"),
        ([made.raw_vector("tagSeriesValues", 50, 8, b"\xff" * 96)], {"time_method": 1}, "times end here"),
    ],
)
def test_times_that_cannot_be_true_are_refused(
    tmp_path: Path, times: list[made.Entry], kwargs: dict[str, Any], words: str
) -> None:
    path = timed(tmp_path, times, **kwargs)
    with pytest.raises(MalformedRecord, match=words) as caught:
        read(path)
    assert "tagSeries" in caught.value.place


def test_times_in_other_units_are_unsupported(tmp_path: Path) -> None:
    refused(timed(tmp_path, made.steps((8, 0.001)), time_units=17), "tagQuantityUnitsID 17", Unsupported)


# --- which channels go together


def test_channels_with_time_axes_of_their_own_that_are_equal_go_together(tmp_path: Path) -> None:
    channels = [made.channel("UA"), made.channel("UB", phase=2)]
    instances = [made.instance(i, made.steps((8, 0.001)), made.stored(21, RAMP)) for i in (0, 1)]
    assert len(read_one(save(tmp_path, channels, *instances)).header.channels) == 2


def test_channels_of_different_rates_come_in_different_captures(tmp_path: Path) -> None:
    channels = [made.channel("UA"), made.channel("fast"), made.channel("IA", measured=2, units=7)]
    instances = [
        made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP)),
        made.instance(1, made.steps((4, 1e-6)), made.stored(40, [1.5, 2.5, 3.5, 4.5])),
        made.instance(2, made.shared(0, 0), made.stored(21, RAMP)),
    ]
    slow, fast = read(save(tmp_path, channels, *instances))
    assert [channel.name for channel in slow.header.channels] == ["UA", "IA"]
    assert [channel.name for channel in fast.header.channels] == ["fast"]
    assert (slow.header.rate_hz, fast.header.rate_hz) == (1000.0, 1e6)
    assert (slow.samples.dtype, fast.samples.dtype) == (np.int16, np.float32)


def test_an_observation_may_hold_some_channels_in_any_order(tmp_path: Path) -> None:
    # IEEE 1159.3, tagChannelDefnIdx: the definition's position in the data source.
    channels = [made.channel("UA"), made.channel("UB", phase=2), made.channel("UC", phase=3)]
    instances = [
        made.instance(2, made.steps((8, 0.001)), made.stored(21, RAMP)),
        made.instance(0, made.shared(0, 0), made.stored(21, RAMP)),
    ]
    header = read_one(save(tmp_path, channels, *instances)).header
    assert [(channel.name, channel.phase) for channel in header.channels] == [("UC", "C"), ("UA", "A")]


def test_shared_values_take_the_scale_of_the_shared_series_or_their_own(tmp_path: Path) -> None:
    # IEEE 1159.3, tagSeriesShareChannelIdx and tagSeriesShareSeriesIdx: of the channel instance in the observation.
    channels = [made.channel("UA"), made.channel("UB", phase=2), made.channel("UC", phase=3)]
    scale, other = made.scalar("tagSeriesScale", 41, 0.5), made.scalar("tagSeriesScale", 41, 2.0)
    instances = [
        made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP, scale=scale)),
        made.instance(1, made.shared(0, 0), made.shared(0, 1)),
        made.instance(2, made.shared(1, 0), [*made.shared(1, 1), other]),
    ]
    capture = read_one(save(tmp_path, channels, *instances))
    assert [channel.scale for channel in capture.header.channels] == [0.5, 0.5, 2.0]
    assert capture.samples.tolist() == [RAMP] * 3


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (made.shared(5, 0), "does not exist"),
        (made.shared(0, 7), "does not exist"),
        (made.shared(0, 0), "loop"),
        ([], "is missing"),
    ],
)
def test_series_that_share_what_is_not_there_are_refused(tmp_path: Path, share: list[made.Entry], words: str) -> None:
    refused(save(tmp_path, [made.channel("UA")], made.instance(0, share, made.stored(21, RAMP))), words)


def test_definitions_and_series_that_are_not_there_are_refused(tmp_path: Path) -> None:
    instance = made.instance(1, made.steps((8, 0.001)), made.stored(21, RAMP))
    refused(save(tmp_path, [made.channel("UA")], instance), "refers to definition 1")
    series = made.collection("tagSeriesInstances", made.collection("tagOneSeriesInstance", *made.steps((8, 0.001))))
    short = made.collection("tagOneChannelInst", made.scalar("tagChannelDefnIdx", 32, 0), series)
    refused(save(tmp_path, [made.channel("UA")], short), "has 2 series, it has 1")


def test_waveforms_without_samples_are_told_and_one_at_least_has_some(tmp_path: Path) -> None:
    # Seen in a real file: of phase and line-to-line voltages only the latter were populated.
    empty = made.instance(0, made.stored(41, []), made.stored(21, []))
    full = made.instance(1, made.steps((8, 0.001)), made.stored(21, RAMP))
    channels = [made.channel("UA"), made.channel("UAB", phase=5)]
    header = read_one(save(tmp_path, channels, empty, full)).header
    assert [channel.name for channel in header.channels] == ["UAB"]
    assert header.notes == ("waveforms without samples: UA",)
    refused(save(tmp_path, channels, empty), "none of its waveforms holds samples")


# --- what is left out


def log(definition: int) -> made.Entry:
    return made.instance(definition, made.steps((2, 600.0)), made.stored(40, [230.0, 231.0]))


def mixed_channels() -> list[made.Entry]:
    return [
        made.channel("UA"),
        made.channel("UA rms", quantity_type=made.VALUE_LOG, characteristic=made.RMS, value_type=made.AVG),
        made.channel("phasor", quantity_type=made.PHASOR, characteristic=None),
        made.channel("slow", characteristic=made.RMS),
        made.channel("depth", quantity_type=made.MAGNITUDE_DURATION),
    ]


def test_observations_of_other_kinds_are_counted_in_the_notes(tmp_path: Path) -> None:
    waveform = made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP))
    records = [made.container(), made.source(*mixed_channels()), *[made.observation(log(1))] * 3]
    records += [made.observation(waveform, log(2), log(2)), made.observation(log(3)), made.observation(log(4))]
    capture = read_one(put(tmp_path, made.file(*records)))
    assert capture.header.notes == (
        "3 interval observations (RMS) not read as waveforms",
        "1 magnitude-duration observation not read as waveforms",
        "2 phasor channels not read as waveforms",
        "1 waveform observation (RMS) not read as waveforms",
    )


def test_a_file_without_waveforms_has_no_captures_and_is_no_error(tmp_path: Path) -> None:
    records = [made.container(), made.source(*mixed_channels()), *[made.observation(log(1))] * 3]
    path = put(tmp_path, made.file(*records))
    assert read(path) == []
    result = screen([path], terms=Terms(Thresholds()))
    assert (result.n_files, result.n_captures, result.set_aside) == (1, 0, ())


def test_a_container_alone_holds_no_captures(tmp_path: Path) -> None:
    assert read(put(tmp_path, made.file(made.container()))) == []


def test_samples_stored_as_increments_are_unsupported(tmp_path: Path) -> None:
    instance = made.instance(0, made.steps((8, 0.001)), made.stored(41, [1, 8, 0.5]))
    refused(save(tmp_path, [made.channel("UA", method=4)], instance), "stored as increments", Unsupported)


# --- what the channels are


@pytest.mark.parametrize(
    ("measured", "units", "quantity", "unit", "note"),
    [
        (1, 6, "voltage", "V", ""),
        (2, 7, "current", "A", ""),
        (None, 6, "voltage", "V", ""),  # tagQuantityMeasuredID is required since edition 1.5 only
        (None, 7, "current", "A", ""),
        (0, 7, "current", "A", ""),
        (1, 0, "voltage", "V", "without a unit"),
        (2, 0, "current", "A", "without a unit"),
        (1, 20, "other", "pu", "not judged"),
        (1, 7, "other", "A", "not judged"),
        (3, 9, "other", "W", ""),
        (None, 0, "other", "", ""),
        (17, 6, "other", "V", ""),
    ],
)
def test_units_and_measured_quantity_say_what_a_channel_is(
    tmp_path: Path, measured: int | None, units: int, quantity: str, unit: str, note: str
) -> None:
    # IEEE 1159.3, tagQuantityUnitsID 6 volts, 7 amperes, 9 watts, 20 per unit; tagQuantityMeasuredID 1, 2, 3, 17.
    instance = made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP))
    header = read_one(save(tmp_path, [made.channel("x", measured=measured, units=units)], instance)).header
    assert (header.channels[0].quantity, header.channels[0].unit) == (quantity, unit)
    assert len(header.notes) == bool(note)
    assert note in " ".join(header.notes)


@pytest.mark.parametrize(
    ("phase", "name", "expected"),
    [(1, "x", "A"), (2, "x", "B"), (3, "x", "C"), (4, "x", "N"), (5, "x", "AB"), (6, "x", "BC"), (7, "x", "CA"),
     (8, "x", "N"), (9, "UB", ""), (13, "UB", ""), (20, "UB", ""), (40, "UB", ""), (0, "UB", "B"), (0, "x", "")],
)  # fmt: skip
def test_phases_are_those_of_the_standard_s_list(tmp_path: Path, phase: int, name: str, expected: str) -> None:
    # IEEE 1159.3, tagPhaseID; where it says none the name decides.
    instance = made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP))
    header = read_one(save(tmp_path, [made.channel(name, phase=phase)], instance)).header
    assert header.channels[0].phase == expected


def from_source(folder: Path, *records: tuple[str, bytes], **kwargs: Any) -> Header:
    source = made.source(made.channel("UA"), **kwargs)
    observation = made.observation(made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP)))
    return read_one(put(folder, made.file(made.container(), source, *records, observation))).header


@pytest.mark.parametrize(
    ("zone", "more", "note"),
    [
        ("UTC", (), ""),
        ("GMT", (), ""),
        ("", (), "the time zone is not stated; time stamps are taken as UTC"),
        ("CET", (), "time stamps are taken as UTC; the time zone stated is 'CET'"),
        ("", (made.scalar("tagUTCtoLST", 41, -5.0),), "the time zone stated is '(tagUTCtoLST -5)'"),
    ],
)
def test_times_are_taken_as_utc_and_other_zones_are_told(
    tmp_path: Path, zone: str, more: tuple[made.Entry, ...], note: str
) -> None:
    header = from_source(tmp_path, zone=zone, more=more)
    assert header.start_ns == START_NS
    assert note in " ".join(header.notes)
    assert len(header.notes) == bool(note)


def test_the_station_is_the_data_source_s_name_or_else_its_location(tmp_path: Path) -> None:
    assert from_source(tmp_path, name="Harrow Mill").station == "Harrow Mill"
    assert from_source(tmp_path, name="", more=[made.text("tagLocationDS", "Cellar")]).station == "Cellar"


def test_observations_belong_to_the_last_data_source_and_its_settings(tmp_path: Path) -> None:
    observation = made.observation(made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP)))
    settings = ("tagRecMonitorSettings", made.body(made.scalar("tagNominalFrequency", 41, 60.0)))
    first, second = made.source(made.channel("UA"), name="one"), made.source(made.channel("UB"), name="two")
    content = made.file(made.container(), first, settings, observation, second, observation)
    found = [
        (c.header.station, c.header.channels[0].name, c.header.nominal_frequency_hz)
        for c in read(put(tmp_path, content))
    ]
    assert found == [("one", "UA", 60.0), ("two", "UB", None)]


@pytest.mark.parametrize(("used", "words"), [(1, "are to be used"), (0, "are not to be used")])
def test_transducer_ratios_and_calibrations_are_told_and_not_applied(tmp_path: Path, used: int, words: str) -> None:
    setting = made.collection(
        "tagOneChannelSetting",
        made.scalar("tagChannelDefnIdx", 32, 0),
        made.scalar("tagXDSystemSideRatio", 41, 12000.0),
        made.scalar("tagXDMonitorSideRatio", 41, 120.0),
        made.scalar("tagCalRatio", 41, 1.02),
    )
    flags = [made.scalar("tagUseTransducer", 3, used), made.scalar("tagUseCalibration", 3, used)]
    body = made.body(*flags, made.collection("tagChannelSettingsArray", setting))
    header = from_source(tmp_path, ("tagRecMonitorSettings", body))
    assert header.channels[0].scale == 1.0
    assert f"{words}; values are taken as they are: 100 of UA" in " ".join(header.notes)
    assert ("calibrations are stated but not applied: UA" in header.notes) == bool(used)


# --- nominal values


def nominal(folder: Path, waves: Sequence[list[float]], stated: float, phases: Sequence[int]) -> Header:
    channels = [made.channel(f"U{i}", phase=phase, nominal=stated) for i, phase in enumerate(phases)]
    instances = [
        made.instance(i, made.steps((len(wave), 1 / 6400)), made.stored(40, wave)) for i, wave in enumerate(waves)
    ]
    return read_one(save(folder, channels, *instances)).header


@pytest.mark.parametrize(
    ("rms", "stated", "phases", "rated", "note"),
    [
        (34000.0, 48083.0, (5, 6, 7), 34000.0, "peak"),  # as seen in a real file: 48 083 = 34 000 * sqrt 2
        (34000.0, 34000.0, (5, 6, 7), 34000.0, ""),
        (33000.0, 34000.0, (5, 6, 7), 34000.0, ""),
        (230.0, 325.3, (1, 2, 3), 230.0, "peak"),
        (231.0, 400.0, (1, 2, 3), 400.0, ""),  # the system's voltage, line to line
        (231.0, 565.7, (1, 2, 3), 400.0, "peak"),
        (230.0, 1000.0, (1, 2, 3), None, "neither the RMS nor the peak"),
        (400.0, 230.0, (5, 6, 7), None, "neither the RMS nor the peak"),
        (0.0, 230.0, (1, 2, 3), None, "neither the RMS nor the peak"),
    ],
)
def test_the_waveform_tells_whether_a_nominal_value_is_rms_or_peak(
    tmp_path: Path, rms: float, stated: float, phases: tuple[int, ...], rated: float | None, note: str
) -> None:
    # tagSeriesNominalQuantity of instantaneous voltages. derived: the peak of a sine is sqrt(2) times its RMS.
    header = nominal(tmp_path, [sine(rms, lag=k) for k in range(3)], stated, phases)
    for channel in header.channels:
        assert channel.rated == (None if rated is None else pytest.approx(rated, rel=1e-4))
    assert len(header.notes) == bool(note)
    assert note in " ".join(header.notes)


def test_a_phase_that_has_sagged_to_seven_tenths_is_no_proof_of_a_peak(tmp_path: Path) -> None:
    waves = [sine(230.0), sine(230.0 / math.sqrt(2), lag=2), sine(230.0, lag=4)]
    header = nominal(tmp_path, waves, 230.0, (1, 2, 3))
    assert [channel.rated for channel in header.channels] == [230.0, None, 230.0]


def test_a_nominal_value_is_decided_once_for_a_data_source(tmp_path: Path) -> None:
    # So that captures which follow one another have the same channels, whatever happens in them.
    channel = made.channel("UA", nominal=230.0)
    first = made.observation(made.instance(0, made.steps((1280, 1 / 6400)), made.stored(40, sine(230.0))))
    sag = made.instance(0, made.steps((1280, 1 / 6400)), made.stored(40, sine(50.0)))
    second = made.observation(sag, start=made.START + timedelta(milliseconds=200))
    path = put(tmp_path, made.file(made.container(), made.source(channel), first, second))
    assert [capture.header.channels[0].rated for capture in read(path)] == [230.0, 230.0]


def test_nominal_values_of_currents_are_not_taken(tmp_path: Path) -> None:
    channel = made.channel("IA", measured=2, units=7, nominal=100.0)
    instance = made.instance(0, made.steps((1280, 1 / 6400)), made.stored(40, sine(100.0)))
    assert read_one(save(tmp_path, [channel], instance)).header.channels[0].rated is None


# --- as a whole


@pytest.mark.parametrize(
    ("source", "observation", "words"),
    [
        (made.body(made.text("tagNameDS", "x")), None, "tagChannelDefns: is missing"),
        (
            made.body(made.collection("tagChannelDefns", made.collection("tagOneChannelDefn"))),
            None,
            "tagSeriesDefns: is missing",
        ),
        (None, made.body(made.collection("tagChannelInstances")), "tagTimeStart: is missing"),
        (None, made.body(made.time("tagTimeStart", made.START)), "tagChannelInstances: is missing"),
        (None, made.observation(made.collection("tagOneChannelInst"))[1], "tagChannelDefnIdx: is missing"),
        (
            None,
            made.observation(made.collection("tagOneChannelInst", made.scalar("tagChannelDefnIdx", 32, 0)))[1],
            "tagSeriesInstances: is missing",
        ),
        (
            None,
            made.observation(*[made.collection("tagOneChannelInst", made.scalar("tagChannelDefnIdx", 32, 0))] * 4097)[
                1
            ],
            "there are 4097; at most 4096",
        ),
    ],
)
def test_required_elements_that_are_missing_and_too_many_of_one_are_named(
    tmp_path: Path, source: bytes | None, observation: bytes | None, words: str
) -> None:
    # IEEE 1159.3, tag list: these are required.
    _, plain_source = made.source(made.channel("UA"))
    _, plain = made.observation(made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP)))
    records = [("tagRecDataSource", source or plain_source), ("tagRecObservation", observation or plain)]
    refused(put(tmp_path, made.file(made.container(), *records)), words)


def test_a_waveform_without_a_time_series_is_unsupported(tmp_path: Path) -> None:
    values = made.collection(
        "tagOneSeriesDefn", made.identity("tagValueTypeID", made.VAL), made.scalar("tagQuantityUnitsID", 32, 6)
    )
    channel = made.collection(
        "tagOneChannelDefn",
        made.identity("tagQuantityTypeID", made.WAVEFORM),
        made.collection("tagSeriesDefns", values),
    )
    series = made.collection("tagSeriesInstances", made.collection("tagOneSeriesInstance", *made.stored(21, RAMP)))
    instance = made.collection("tagOneChannelInst", made.scalar("tagChannelDefnIdx", 32, 0), series)
    refused(save(tmp_path, [channel], instance), "no series of times", Unsupported)


def test_a_strict_reading_refuses_what_had_to_be_put_right(tmp_path: Path) -> None:
    for repaired in (
        timed(tmp_path / "a", made.steps((7, 0.001))),
        timed(tmp_path / "b", made.steps((8, 0.001)), units=0),
        save(tmp_path / "c", [made.channel("x")], made.instance(0, made.steps((1, 1.0)), made.stored(40, [math.inf]))),
    ):
        assert len(read(repaired)) == 1
        with pytest.raises(MalformedRecord, match="strict reading refuses"):
            read(repaired, strict=True)
    assert len(read(timed(tmp_path / "d", made.steps((8, 0.001))), strict=True)) == 1


def test_observations_come_in_order_of_time(tmp_path: Path) -> None:
    instance = made.instance(0, made.steps((8, 0.001)), made.stored(21, RAMP))
    times = [made.START + timedelta(seconds=s) for s in (5, 1, 3)]
    records = [made.observation(instance, start=time) for time in times]
    found = read(put(tmp_path, made.file(made.container(), made.source(made.channel("UA")), *records)))
    assert all(a.header.start_ns < b.header.start_ns for a, b in pairwise(found))


def test_a_folder_in_place_of_a_file_is_a_read_error(tmp_path: Path) -> None:
    (tmp_path / "x.pqd").mkdir()
    with pytest.raises(ReadError, match=r"x\.pqd"):
        list(READER.read(tmp_path / "x.pqd", quantities=None))


def test_a_sag_in_a_file_with_a_peak_for_its_nominal_value_is_judged_by_the_rms(tmp_path: Path) -> None:
    # derived: 0.4 s in all, the second tenth at half of 34 kV; 48 083 V taken for RMS would be one long undervoltage.
    shape = np.where((np.arange(2560) >= 640) & (np.arange(2560) < 1280), 0.5, 1.0)
    waves = [(shape * sine(34000.0, n=2560, lag=2 * math.pi * k / 3)).tolist() for k in range(3)]
    channels = [made.channel(f"U{i}", phase=5 + i, nominal=48083.0) for i in range(3)]
    instances = [made.instance(i, made.steps((2560, 1 / 6400)), made.stored(40, wave)) for i, wave in enumerate(waves)]
    (event,) = screen([save(tmp_path, channels, *instances)], terms=Terms(Thresholds())).events
    assert (event.kind, event.site, event.phases, event.line_to_line) == ("sag", "Harrow Mill", "ABC", True)
    assert event.magnitude == pytest.approx(0.5, abs=0.005)
    assert event.reference_v == pytest.approx(34000.0, rel=1e-4)
    assert event.duration_s == pytest.approx(0.1, abs=0.02)  # within a cycle, by the windows of one cycle
