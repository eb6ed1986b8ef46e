"""NumPy archives against NumPy itself, and a measured record against the facts stated of it."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from reader_contract import check_broken_copies, check_reader_contract

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import MalformedRecord, ReadError, UnknownFormat, Unsupported
from halfcycle.pipeline.readers import columns, numpy_archive, read_captures, reader_of
from halfcycle.pipeline.readers.numpy_archive import READER
from halfcycle.pipeline.writers.numpy_archive import write_npz

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "data"
START_NS = pd.Timestamp("2026-03-02T06:00:00Z").value
RNG = np.random.default_rng(7)
V3 = RNG.integers(-20000, 20000, (3, 500), dtype=np.int16)


def save(folder: Path, description: str = "", **arrays: object) -> Path:
    path = folder / "x.npz"
    np.savez(path, **arrays)
    if description:
        (folder / "x.npz.toml").write_text(description)
    return path


def read_one(path: Path) -> Capture:
    (capture,) = read_captures(path)
    return capture


@pytest.mark.skipif(not SHARED.is_dir(), reason="measured records are not here")
def test_a_measured_record_reads_as_its_index_describes_it(tmp_path: Path) -> None:
    # Facts and estimate from the record's index: RTE fault recording database, ODbL 1.0. 6400 Hz, 3.28 s, 18.310 V and
    # 4.314 A per count; lowest one-cycle RMS, in half-cycle steps, of its value before: 0.976 / 0.519 / 0.570.
    path = tmp_path / "line-fault-3.npz"
    shutil.copyfile(SHARED / path.name, path)
    lines = ["rate_hz = 6400.0", "start = 2026-03-02T06:00:00Z", "nominal_frequency_hz = 50.0"]
    for k in (1, 2, 3):
        lines += [f"[channels.v{k}]", "unit = 'V'", "scale = 18.310", f"[channels.i{k}]", "unit = 'A'", "scale = 4.314"]
    (tmp_path / "line-fault-3.toml").write_text("\n".join(lines))
    with np.load(path) as oracle:
        raw = np.stack([oracle[name] for name in ("v1", "v2", "v3", "i1", "i2", "i3")])
    channels = tuple(
        Channel(f"{q}{k + 1}", quantity, "ABC"[k], unit, scale)
        for q, quantity, unit, scale in (("v", "voltage", "V", 18.310), ("i", "current", "A", 4.314))
        for k in range(3)
    )
    expected = Capture(Header("", START_NS, 6400.0, 21000, channels, "int16", 50.0), raw)
    check_reader_contract(path, expected)
    capture = read_one(path)
    assert capture.header.duration_s == pytest.approx(3.28, abs=0.005)
    squares = np.stack([capture.physical(i) for i in range(3)]) ** 2
    sums = np.cumsum(np.pad(squares, ((0, 0), (1, 0))), axis=1)
    rms = np.sqrt((sums[:, 128::64] - sums[:, :-128:64]) / 128)
    lowest_pu = rms.min(axis=1) / rms[:, 0]  # the index compares with the value before the event
    np.testing.assert_allclose(lowest_pu, [0.976, 0.519, 0.570], atol=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("kind", ["<i2", ">i2", "<i4", ">f4", "<f8", "|i1", "|u1", "<u2", "<u4", "<i8", "<f2"])
def test_the_contract_holds_for_every_number_type(tmp_path: Path, kind: str, compressed: bool) -> None:
    raw = RNG.integers(0, 100, (2, 400)).astype(kind)
    path = tmp_path / "x.npz"
    scalars = {"fs": 3200.0, "start": "2026-03-02T06:00:00Z", "f0": 50, "station": "Harrow Mill"}
    (np.savez_compressed if compressed else np.savez)(path, u1=raw[0], i1=raw[1], **scalars)
    channels = (Channel("u1", "voltage", "A", "V"), Channel("i1", "current", "A", "A"))
    header = Header("Harrow Mill", START_NS, 3200.0, 400, channels, "float32", 50.0)
    check_reader_contract(path, Capture(header, raw.astype(np.float32)))


@pytest.mark.parametrize(
    ("stored", "largest", "sample_type"),
    [
        ("int16", 32767, "int16"), ("int32", 5, "int32"), ("float32", 5, "float32"), ("int8", 127, "int16"),
        ("uint8", 255, "int16"), ("uint16", 65535, "int32"), ("int64", 32767, "int16"), ("int64", 32768, "int32"),
        ("uint32", 2**31 - 1, "int32"), ("uint32", 2**31, "float32"), ("uint64", 2**49, "float32"),
        ("float64", 5, "float32"), ("float16", 5, "float32"),
    ],
)  # fmt: skip
def test_samples_stay_as_stored_or_take_the_smallest_type_that_holds_them(
    tmp_path: Path, stored: str, largest: int, sample_type: str
) -> None:
    values = np.array([0, 1, largest], dtype=stored)
    capture = read_one(save(tmp_path, v1=values, rate_hz=100))
    assert capture.samples.dtype == sample_type
    np.testing.assert_allclose(capture.samples[0].astype(np.float64), values.astype(np.float64), rtol=1e-7)


@pytest.mark.parametrize("low", [-(2**15), -(2**15) - 1, -(2**31), -(2**31) - 1])
def test_negative_wide_integers_take_a_type_that_holds_them(tmp_path: Path, low: int) -> None:
    capture = read_one(save(tmp_path, v1=np.array([0, low, 3]), rate_hz=100))
    bits = [np.iinfo(kind).min <= low for kind in ("int16", "int32")]
    assert capture.samples.dtype == ("int16" if bits[0] else "int32" if bits[1] else "float32")
    assert float(capture.samples[0, 1]) == pytest.approx(low, rel=1e-7)


def test_mixed_types_meet_in_one_that_holds_them(tmp_path: Path) -> None:
    path = save(tmp_path, v1=np.array([1, 2], np.int16), i1=np.array([0.5, np.nan]), rate_hz=100)
    capture = read_one(path)
    np.testing.assert_array_equal(capture.samples, np.array([[1, 2], [0.5, np.nan]], np.float32))
    (voltages,) = read_captures(path, quantities=["voltage"])
    assert voltages.samples.dtype == np.int16


@pytest.mark.parametrize("shape", ["rows", "columns"])
@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("block_rows", [7, 1 << 17])
def test_three_columns_are_phases_a_b_c(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shape: str, order: str, block_rows: int
) -> None:
    monkeypatch.setattr(numpy_archive, "_BLOCK_ROWS", block_rows)
    array = np.array(V3 if shape == "rows" else V3.T, order=order)
    capture = read_one(save(tmp_path, voltage_V=array, rate_hz=6400))
    assert [(c.name, c.phase, c.quantity) for c in capture.header.channels] == [
        ("voltage_1", "A", "voltage"), ("voltage_2", "B", "voltage"), ("voltage_3", "C", "voltage"),
    ]  # fmt: skip
    np.testing.assert_array_equal(capture.samples, V3)


def test_other_numbers_of_columns_have_no_phases_but_may_be_described(tmp_path: Path) -> None:
    path = save(tmp_path, v=V3[:2], rate_hz=6400)
    assert [(c.name, c.phase) for c in read_one(path).header.channels] == [("v_1", ""), ("v_2", "")]
    (tmp_path / "x.toml").write_text("rate_hz = 6400\n[channels.v_2]\nphase = 'BC'\nunit = 'kV'")
    capture = read_one(path)
    assert [(c.name, c.phase, c.scale) for c in capture.header.channels] == [("v_2", "BC", 1e3)]
    np.testing.assert_array_equal(capture.samples, V3[1:2])


def test_a_description_comes_before_what_the_archive_says(tmp_path: Path) -> None:
    path = save(tmp_path, "rate_hz = 800\nstation = 'Harrow Mill'", v1=V3[0], rate_hz=6400, f0=60, station="other")
    header = read_one(path).header
    assert (header.rate_hz, header.station, header.nominal_frequency_hz) == (800.0, "Harrow Mill", 60.0)


def test_missing_codes_and_rails_are_taken_from_the_description(tmp_path: Path) -> None:
    values = np.array([1, -32768, 3], np.int16)
    text = "rate_hz = 800\n[channels.v1]\nmissing_code = -32768\nrail_low = -32767\nrail_high = 32767\n"
    path = save(tmp_path, text, v1=values, i1=np.array([0.5, 1.5, 2.5]))
    capture = read_one(path)
    channel = capture.header.channels[0]
    assert (channel.missing_code, channel.rail_low, channel.rail_high) == (-32768, -32767, 32767)
    np.testing.assert_array_equal(capture.physical(0), [1, np.nan, 3])
    (tmp_path / "x.npz.toml").write_text(text + "[channels.i1]\n")
    mixed = read_one(path)  # held as float32, where NaN is the mark
    assert mixed.header.channels[0].missing_code is None
    np.testing.assert_array_equal(mixed.samples[0], np.array([1, np.nan, 3], np.float32))


@pytest.mark.parametrize("n_gap", [0, 3])
def test_a_time_array_gives_rate_start_and_gaps(tmp_path: Path, n_gap: int) -> None:
    steps = np.arange(500) + np.where(np.arange(500) >= 200, n_gap, 0)
    times = np.datetime64("2026-03-02T06:00:00", "us") + steps * np.timedelta64(500, "us")
    captures = list(read_captures(save(tmp_path, time=times, v1=V3[0])))
    assert [capture.header.rate_hz for capture in captures] == [2000.0] * (1 + bool(n_gap))
    assert captures[0].header.start_ns == START_NS
    if n_gap:
        assert [capture.header.n_samples for capture in captures] == [200, 300]
        assert captures[1].header.start_ns == START_NS + 203 * 500_000


def test_described_times_in_milliseconds_count_from_the_start(tmp_path: Path) -> None:
    text = "time_column = 'clock'\ntime_unit = 'ms'\nstart = 2026-03-02T06:00:00Z\n[channels.v1]"
    path = save(tmp_path, text, clock=np.arange(500, dtype=np.float32) / 4 - 10, v1=V3[0], t=V3[1])
    header = read_one(path).header
    assert (header.rate_hz, header.start_ns) == (4000.0, START_NS - 10_000_000)


def test_long_arrays_come_in_pieces_that_follow_one_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MAX_CAPTURE_SAMPLES", 192)
    monkeypatch.setattr(numpy_archive, "_BLOCK_ROWS", 100)
    pieces = list(read_captures(save(tmp_path, v=V3, rate_hz=6400, start="2026-03-02T06:00:00Z")))
    assert [piece.header.n_samples for piece in pieces] == [192, 192, 116]
    assert [piece.header.start_ns - START_NS for piece in pieces] == [0, 30_000_000, 60_000_000]
    np.testing.assert_array_equal(np.concatenate([piece.samples for piece in pieces], axis=1), V3)


def test_unread_arrays_are_noted_and_their_content_never_looked_at(tmp_path: Path) -> None:
    odd = {"objects": np.array([{}, []], dtype=object), "words": np.array(["a", "b"]), "z": np.ones(500, complex)}
    capture = read_one(save(tmp_path, v1=V3[0], rate_hz=6400, noise=V3[1], cube=np.ones((2, 3, 4)), **odd))
    assert [channel.name for channel in capture.header.channels] == ["v1"]
    notes = " ".join(capture.header.notes)
    assert all(name in notes for name in ("objects", "words", "z", "noise", "cube"))


@pytest.mark.parametrize(
    ("arrays", "description", "file", "place", "words"),
    [
        ({"v1": V3[0]}, "", "x.npz", "", "add rate_hz = ... to x.npz.toml"),
        ({"v1": V3[0], "v2": V3[1, :9], "fs": 1}, "", "x.npz", "v2", "holds 9 samples, but v1 holds 500"),
        ({"x": V3[0], "fs": 1}, "", "x.npz", "", "no column states what it measures"),
        ({"fs": 1}, "", "x.npz", "", "no column states what it measures"),
        ({"v1": V3[0], "fs": -1}, "", "x.npz", "fs", "greater than 0"),
        ({"v1": V3[0], "fs": 1, "start": "soon"}, "", "x.npz", "start", "not a date with a time"),
        ({"v1": V3[0], "fs": 1}, "[channels.w1]", "x.npz.toml", "channels.w1", "the nearest is v1"),
        ({"v1": V3[0], "t": np.full(500, np.nan)}, "", "x.npz", "sample 1 of t", "time is missing"),
        ({"v1": V3[0], "t": np.arange(500)[::-1]}, "", "x.npz", "sample 2 of t", "runs backwards"),
        ({"v1": V3[0], "t": np.full(500, np.datetime64("NaT", "us"))}, "", "x.npz", "sample 1 of t", "is missing"),
        ({"v1": np.array([], np.int16), "fs": 1}, "", "x.npz", "", "holds no samples"),
        ({"v1": V3[0], "d": np.full(500, np.datetime64("2026", "us"))}, "rate_hz = 1\n[channels.d]", "x.npz.toml",
         "channels.d", "not numbers"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_file_and_key(
    tmp_path: Path, arrays: dict[str, np.ndarray], description: str, file: str, place: str, words: str
) -> None:
    with pytest.raises(MalformedRecord) as caught:
        read_one(save(tmp_path, description, **arrays))
    assert (caught.value.path.name, caught.value.place) == (file, place)
    assert words in caught.value.reason


def test_a_header_that_lies_of_its_size_is_refused_without_allocating_it(tmp_path: Path) -> None:
    path = tmp_path / "x.npz"
    with zipfile.ZipFile(path, "w") as archive:
        head = b"{'descr': '<i2', 'fortran_order': False, 'shape': (900000000000000,), }\n"
        archive.writestr("v1.npy", b"\x93NUMPY\x01\x00" + len(head).to_bytes(2, "little") + head + b"\0" * 64)
    with pytest.raises(MalformedRecord, match="v1: holds 64 bytes, but its header says"):
        read_one(path)


def test_a_flipped_bit_is_found_by_the_archive_s_checksum(tmp_path: Path) -> None:
    path = save(tmp_path, v1=V3[0], rate_hz=6400)
    content = bytearray(path.read_bytes())
    content[content.index(V3[0].tobytes()) + 100] ^= 4
    path.write_bytes(content)
    with pytest.raises(MalformedRecord, match="v1: the archive is broken"):
        read_one(path)


def test_an_encrypted_archive_is_unsupported(tmp_path: Path) -> None:
    path = save(tmp_path, v1=V3[0], rate_hz=6400)
    content = bytearray(path.read_bytes())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # the flag word of the ZIP format; bit 0: encrypted
        for i in range(len(content)):
            if content[i : i + 4] == mark:
                content[i + at] |= 1
    path.write_bytes(content)
    with pytest.raises(Unsupported):
        read_one(path)


def test_only_archives_of_arrays_are_recognised(tmp_path: Path) -> None:
    assert reader_of(save(tmp_path, v1=V3[0])) is READER
    book = tmp_path / "book.xlsx"
    with zipfile.ZipFile(book, "w") as archive:
        archive.writestr("sheet.xml", "<a/>")
    with pytest.raises(UnknownFormat):
        reader_of(book)
    assert not READER.recognises(tmp_path / "x.npz", b"")


def test_a_folder_in_place_of_a_file_is_a_read_error(tmp_path: Path) -> None:
    (tmp_path / "x.npz").mkdir()
    with pytest.raises(ReadError, match=r"x\.npz"):
        list(READER.read(tmp_path / "x.npz", quantities=None))


@pytest.mark.parametrize("save_as", [np.savez, np.savez_compressed])
def test_damaged_copies_are_read_or_refused(tmp_path: Path, save_as: Callable[..., None]) -> None:
    save_as(tmp_path / "x.npz", v=V3, t=np.arange(500) / 6400, station="Harrow Mill")
    (tmp_path / "x.npz.toml").write_text('start = 2026-03-02T06:00:00Z\n[channels.v_1]\nunit = "V"\n')
    check_broken_copies(tmp_path / "x.npz")


@settings(max_examples=40, deadline=None)
@given(
    samples=st.sampled_from(["int16", "int32", "float32"]).flatmap(
        lambda kind: hnp.arrays(kind, st.tuples(st.integers(1, 3), st.integers(2, 9)))
    ),
    rate_hz=st.floats(1e-3, 1e7),
    start_ns=st.integers(-(2**62), 2**62),
    station=st.text(st.characters(codec="utf-8"), max_size=8),
    names=st.lists(
        st.text(st.characters(codec="utf-8", exclude_characters="\0/"), min_size=1), min_size=3, max_size=3, unique=True
    ),
    scale=st.floats(1e-6, 1e6),
)
def test_what_is_written_reads_back(tmp_path_factory, samples, rate_hz, start_ns, station, names, scale) -> None:
    finite = samples if samples.dtype.kind == "i" else np.where(np.isinf(samples), 0, samples).astype(np.float32)
    folder = tmp_path_factory.mktemp("round")
    channels = tuple(
        Channel(
            name, "current", "CA", "A", scale, offset=-scale, point=station, missing_code=None, rail_low=-5, rated=2.5
        )
        for name in names[: len(finite)]
    )
    header = Header(
        station, start_ns, rate_hz, finite.shape[1], channels, finite.dtype.name, 60.0, start_ns + 5, source="x.npz"
    )
    write_npz(Capture(header, finite), folder / "x.npz")
    (capture,) = READER.read(folder / "x.npz", quantities=None)
    assert capture.header == header
    np.testing.assert_array_equal(capture.samples, finite)
    first = (folder / "x.npz").read_bytes()
    write_npz(capture, folder / "x.npz")
    assert (folder / "x.npz").read_bytes() == first


@pytest.mark.parametrize("kind", ["<i3", "<f3", "<u16", "<i0", "|b2"])
def test_a_type_of_numbers_that_does_not_exist_is_refused(tmp_path: Path, kind: str) -> None:
    # Derived: there are integers of 1, 2, 4 and 8 bytes.
    import io

    stream = io.BytesIO()
    np.save(stream, np.zeros(60, np.int16))
    content = stream.getvalue().replace(b"'<i2'", f"'{kind}'".encode())
    with zipfile.ZipFile(tmp_path / "x.npz", "w") as archive:
        archive.writestr("v1_V.npy", content)
    with pytest.raises(MalformedRecord, match="v1_V"):
        read_one(tmp_path / "x.npz")


# --- arrays whose sides a description names

EVENTS = np.random.default_rng(4).integers(-3000, 3000, (4, 6, 500)).astype(np.int16)
DESCRIBED = """rate_hz = 3200.0
start = 2026-03-02T06:00:00Z
[channels.data_1]
unit = "kV"
phase = "A"
[channels.data_4]
unit = "A"
phase = "A"
"""


@pytest.mark.parametrize(
    ("layout", "order"),
    [
        ("event,channel,sample", (0, 1, 2)),
        ("event,sample,channel", (0, 2, 1)),
        ("sample,channel,event", (2, 1, 0)),
        ("channel, event, sample", (1, 0, 2)),
    ],
)
@pytest.mark.parametrize("order_in_file", ["C", "F"])
def test_each_event_of_a_described_array_is_a_capture(
    tmp_path: Path, layout: str, order: tuple[int, int, int], order_in_file: str
) -> None:
    array = np.array(EVENTS.transpose(order), order=order_in_file)  # type: ignore[call-overload]
    found = list(read_captures(save(tmp_path, f'layout = "{layout}"\n{DESCRIBED}', data=array)))
    assert len(found) == 4
    for k, capture in enumerate(found):
        np.testing.assert_array_equal(capture.samples, EVENTS[k, [0, 3]])
        assert [(c.quantity, c.phase) for c in capture.header.channels] == [("voltage", "A"), ("current", "A")]
        assert capture.header.start_ns == START_NS + k * 3600 * 10**9
        assert any("events are assumed to begin hours apart" in note for note in capture.header.notes) == (
            len(found) > 1
        )


@pytest.mark.parametrize(("layout", "turned"), [("channel,sample", False), ("sample,channel", True)])
def test_a_described_array_may_have_two_sides_of_any_shape(tmp_path: Path, layout: str, turned: bool) -> None:
    square = EVENTS[0, :, :6]  # six by six: which side is which cannot be told
    path = save(tmp_path, f'layout = "{layout}"\n{DESCRIBED}', data=square.T if turned else square)
    np.testing.assert_array_equal(read_one(path).samples, square[[0, 3]])
    assert read_one(path).header.start_ns == START_NS


@pytest.mark.parametrize(
    ("arrays", "description", "file", "place", "words"),
    [
        ({"data": EVENTS, "fs": 3200}, "", "x.npz", "data", 'layout = "event,channel,sample"'),
        ({"data": EVENTS[0, :, :6], "fs": 3200}, "", "x.npz", "data", "shape (6, 6)"),
        ({"data": EVENTS}, 'layout = "event,sample"', "x.npz.toml", "layout", "data (4, 6, 500)"),
        ({"data": EVENTS, "b": EVENTS}, 'layout = "event,channel,sample"', "x.npz.toml", "layout", "name one as array"),
        ({"data": EVENTS}, 'layout = "event,chanel,sample"', "x.npz.toml", "layout", "must name the array's axes"),
        ({"data": EVENTS}, 'layout = "channel,channel,sample"', "x.npz.toml", "layout", "must name the array's axes"),
        ({"data": EVENTS}, 'rate_hz = 1.0\nlayout = "event,sample,channel"', "x.npz.toml", "layout", "500 channels"),
    ],
)
def test_an_array_that_cannot_be_read_says_why_and_how(
    tmp_path: Path, arrays: dict[str, np.ndarray], description: str, file: str, place: str, words: str
) -> None:
    with pytest.raises(MalformedRecord) as caught:
        list(read_captures(save(tmp_path, description, **arrays)))
    assert (caught.value.path.name, caught.value.place) == (file, place)
    assert words in caught.value.reason


def test_of_several_arrays_the_one_that_is_named_is_read(tmp_path: Path) -> None:
    text = f'layout = "event,channel,sample"\narray = "data"\n{DESCRIBED}'
    assert len(list(read_captures(save(tmp_path, text, data=EVENTS, b=EVENTS[:2])))) == 4
