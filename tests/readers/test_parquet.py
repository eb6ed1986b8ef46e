"""Parquet: captures in the layout of the store, and plain tables against pandas."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from reader_contract import check_broken_copies, check_reader_contract

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import MalformedRecord, ReadError, StoreError
from halfcycle.pipeline.readers import columns, read_captures, reader_of, stored_parquet
from halfcycle.pipeline.readers.parquet import READER
from halfcycle.pipeline.waveform_table import HEADER_KEY, ROW_GROUP_SAMPLES, schema_of
from halfcycle.pipeline.writers.parquet import write_pack, write_waveform_parquet

START_NS = pd.Timestamp("2026-03-02T06:00:00Z").value
CHANNELS = (
    Channel("U1", "voltage", "A", "V", 0.02, 0.25, "bus 1", -32768, -32767, 32767, 230.0),
    Channel("U1", "voltage", "B", "V", 0.02),
    Channel("I 1.a", "current", "A", "A", 1e-3),
    Channel("", "other", "", "°C"),
)


def capture_of(n: int, *, kind: str = "int16") -> Capture:
    rng = np.random.default_rng(n)
    samples = rng.integers(-20000, 20000, (4, n)).astype(kind)
    return Capture(
        Header("Harrow Mill", START_NS + 5, 6400.5, n, CHANNELS, kind, 50.0, START_NS + 9, "origin.cfg", ("a note",)),
        samples,
    )


def test_no_more_of_a_file_than_some_row_groups_is_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.parquet"
    write_waveform_parquet(capture_of(32 * ROW_GROUP_SAMPLES), path)
    monkeypatch.setattr(stored_parquet, "MAX_CAPTURE_SAMPLES", 2 * ROW_GROUP_SAMPLES)
    pool = pa.default_memory_pool()
    before = pool.bytes_allocated()
    held = [pool.bytes_allocated() - before for _ in read_captures(path)]
    assert len(held) == 16
    assert 0 < max(held) < path.stat().st_size / 4


def read_one(path: Path) -> Capture:
    (capture,) = read_captures(path)
    return capture


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["int16", "int32", "float32"])
@pytest.mark.parametrize("n", [1, 1000, ROW_GROUP_SAMPLES + 1])
def test_the_contract_holds_for_captures_of_the_store(tmp_path: Path, kind: str, n: int) -> None:
    path = tmp_path / "x.parquet"
    capture = capture_of(n, kind=kind)
    write_waveform_parquet(capture, path)
    check_reader_contract(path, capture)
    read = read_one(path)
    assert read.header == replace(capture.header, source="x.parquet")
    np.testing.assert_array_equal(read.samples, capture.samples)
    assert read.digest() == capture.digest()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["int16", "int32", "float32"])
def test_the_contract_holds_for_several_captures_in_a_pack(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "captures-x.parquet"
    captures = []
    for i, n in enumerate((1000, 1, ROW_GROUP_SAMPLES + 1, 500)):
        one = capture_of(n, kind=kind)
        start_ns = one.header.start_ns + i * 3_600_000_000_000
        captures.append(Capture(replace(one.header, start_ns=start_ns, notes=(f"note {i}",)), one.samples))
    write_pack({one.digest(): one.header for one in captures}, captures, path)
    check_reader_contract(path, *captures)
    for read, capture in zip(read_captures(path), captures, strict=True):
        assert read.header == replace(capture.header, source=path.name)
        np.testing.assert_array_equal(read.samples, capture.samples)


def test_a_capture_without_samples_or_channels_reads_back(tmp_path: Path) -> None:
    for n, n_channels in ((0, 4), (0, 0)):
        capture = capture_of(n)
        capture = Capture(replace(capture.header, channels=CHANNELS[:n_channels]), capture.samples[:n_channels])
        write_waveform_parquet(capture, tmp_path / "x.parquet")
        assert read_one(tmp_path / "x.parquet").samples.shape == (n_channels, n)


def test_the_same_capture_gives_the_same_bytes_as_laid_down_in_the_layout(tmp_path: Path) -> None:
    capture = capture_of(ROW_GROUP_SAMPLES * 2 + 7)
    for name in ("a.parquet", "b.parquet"):
        write_waveform_parquet(capture, tmp_path / name)
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
    file = pq.ParquetFile(tmp_path / "a.parquet")  # pyarrow as the oracle of what lies in the file
    assert [file.metadata.row_group(i).num_rows for i in range(3)] == [ROW_GROUP_SAMPLES, ROW_GROUP_SAMPLES, 7]
    chunk = file.metadata.row_group(0).column(0)
    assert "DELTA_BINARY_PACKED" in chunk.encodings
    assert (chunk.compression, chunk.has_dictionary_page) == ("UNCOMPRESSED", False)
    assert file.schema_arrow.equals(schema_of(capture.header, digest=capture.digest()), check_metadata=True)
    np.testing.assert_array_equal(file.read().column(0).to_numpy(), capture.samples[0])


def test_floats_are_plain(tmp_path: Path) -> None:
    write_waveform_parquet(capture_of(100, kind="float32"), tmp_path / "x.parquet")
    encodings = pq.ParquetFile(tmp_path / "x.parquet").metadata.row_group(0).column(0).encodings
    assert "PLAIN" in encodings
    assert not {"DELTA_BINARY_PACKED", "RLE_DICTIONARY", "BYTE_STREAM_SPLIT"} & set(encodings)


def test_a_file_that_cannot_be_written_is_a_store_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"x\.parquet cannot be written"):
        write_waveform_parquet(capture_of(3), tmp_path / "no folder" / "x.parquet")


@pytest.mark.parametrize("row_group", [100, 256, 1000])
def test_long_captures_come_in_pieces_whatever_the_row_groups(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, row_group: int
) -> None:
    monkeypatch.setattr(stored_parquet, "MAX_CAPTURE_SAMPLES", 256)
    capture = capture_of(640)
    table = pa.table([pa.array(row) for row in capture.samples], schema=schema_of(capture.header))
    pq.write_table(table, tmp_path / "x.parquet", row_group_size=row_group)
    pieces = list(read_captures(tmp_path / "x.parquet"))
    assert [piece.header.n_samples for piece in pieces] == [256, 256, 128]
    assert [piece.header.start_ns for piece in pieces] == [capture.header.time_ns(k) for k in (0, 256, 512)]
    np.testing.assert_array_equal(np.concatenate([p.samples for p in pieces], axis=1), capture.samples)


def test_only_wanted_columns_are_decoded(tmp_path: Path) -> None:
    capture = capture_of(5000)
    path = tmp_path / "x.parquet"
    write_waveform_parquet(capture, path)
    chunk = pq.ParquetFile(path).metadata.row_group(0).column(0)  # a voltage: break its page header
    content = bytearray(path.read_bytes())
    content[chunk.data_page_offset : chunk.data_page_offset + 8] = b"\xff" * 8
    path.write_bytes(content)
    (current,) = read_captures(path, quantities=["current"])
    np.testing.assert_array_equal(current.samples, capture.samples[2:3])
    with pytest.raises(MalformedRecord, match=r"x\.parquet, row 1: cannot be decoded"):
        list(read_captures(path, quantities=["voltage"]))


def broken(
    folder: Path, change: dict[str, object], *, channel: dict[str, object] | None = None, n_rows: int = 10
) -> Path:
    capture = capture_of(10)
    schema = schema_of(capture.header)
    document = json.loads(schema.metadata[HEADER_KEY])
    document["header"].update(change)
    document["header"]["channels"][0].update(channel or {})
    schema = schema.with_metadata({HEADER_KEY: json.dumps(document)})
    table = pa.table([pa.array(row[:n_rows]) for row in capture.samples], schema=schema)
    pq.write_table(table, folder / "x.parquet")
    return folder / "x.parquet"


@pytest.mark.parametrize(
    ("change", "channel", "words"),
    [
        ({"n_samples": 11}, {}, "holds 10 rows, the header states 11"),
        ({"n_samples": "10"}, {}, "must be integers"),
        ({"n_samples": -1}, {}, "n_samples -1"),
        ({"start_ns": 2**64}, {}, f"start_ns {2**64}"),
        ({"start_ns": None}, {}, "must be integers"),
        ({"trigger_ns": 1.5}, {}, "must be integers"),
        ({"rate_hz": 0}, {}, "rate_hz 0"),
        ({"rate_hz": float("nan")}, {}, "must be finite"),
        ({"rate_hz": [1]}, {}, "must be finite"),
        ({"sample_type": "int32"}, {}, "holds int16, the header states int32"),
        ({"sample_type": "int8"}, {}, "allowed are int16, int32, float32"),
        ({"sample_type": ["int16"]}, {}, "allowed are int16, int32, float32"),
        ({"station": 5}, {}, "is not text"),
        ({"notes": [1]}, {}, "is not text"),
        ({"notes": None}, {}, "header is broken"),
        ({"channels": [1]}, None, "header is broken"),
        ({"more": 1}, {}, "unexpected keyword argument 'more'"),
        ({}, {"name": "U9"}, "its columns are"),
        ({}, {"phase": "X"}, "phase 'X'"),
        ({}, {"quantity": "power"}, "quantity 'power'"),
        ({}, {"scale": "1"}, "must be finite numbers"),
        ({}, {"rail_low": 1.5}, "must be integers"),
    ],
)
def test_a_header_that_is_broken_or_does_not_fit_is_refused(
    tmp_path: Path, change: dict[str, object], channel: dict[str, object] | None, words: str
) -> None:
    if channel is None:
        path = broken(tmp_path, {})
        metadata = pq.ParquetFile(path).schema_arrow.metadata
        document = json.loads(metadata[HEADER_KEY])
        document["header"].update(change)
        table = pq.read_table(path).replace_schema_metadata({HEADER_KEY: json.dumps(document)})
        pq.write_table(table, path)
    else:
        path = broken(tmp_path, change, channel=channel)
    with pytest.raises(MalformedRecord) as caught:
        read_one(path)
    assert words in caught.value.reason


def test_a_missing_value_in_the_store_s_layout_is_refused(tmp_path: Path) -> None:
    capture = capture_of(3)
    schema = schema_of(capture.header)
    schema = pa.schema([field.with_nullable(True) for field in schema], metadata=schema.metadata)
    pq.write_table(pa.table([pa.array([1, None, 3], pa.int16())] * 4, schema=schema), tmp_path / "x.parquet")
    with pytest.raises(MalformedRecord, match="row 1"):
        read_one(tmp_path / "x.parquet")


def test_a_file_longer_than_a_capture_may_be_comes_in_pieces_that_follow_one_another(tmp_path: Path) -> None:
    n = (1 << 21) + 1000
    angle = 2 * np.pi * 50 * np.arange(n) / 6400
    samples = np.stack([20000 * np.sin(angle - k) for k in range(4)]).astype(np.int16)
    path = tmp_path / "x.parquet"
    write_waveform_parquet(Capture(Header("", 0, 6400.0, n, CHANNELS, "int16"), samples), path)
    read = list(read_captures(path))
    assert len(read) > 1
    np.testing.assert_array_equal(np.concatenate([one.samples for one in read], axis=1), samples)
    assert [one.header.start_ns for one in read[1:]] == [one.header.end_ns for one in read[:-1]]


# Plain tables ------------------------------------------------------------------------------------------------------


def plain(n: int = 640) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    values = pd.DataFrame(rng.normal(0, 230, (n, 3)).astype(np.float32), columns=["va (V)", "vb (V)", "ia (A)"])
    values.insert(0, "t", np.arange(n) / 6400)
    return values


def plain_expected(values: pd.DataFrame, *, start_ns: int = 0) -> Capture:
    channels = (
        Channel("va", "voltage", "A", "V"), Channel("vb", "voltage", "B", "V"), Channel("ia", "current", "A", "A"),
    )  # fmt: skip
    return Capture(
        Header("", start_ns, 6400.0, len(values), channels, "float32"),
        values.iloc[:, -3:].to_numpy(np.float32).T.copy(),
    )


def test_the_contract_holds_for_a_plain_table_with_seconds(tmp_path: Path) -> None:
    values = plain()
    values.to_parquet(tmp_path / "x.parquet")
    assert reader_of(tmp_path / "x.parquet") is READER
    check_reader_contract(tmp_path / "x.parquet", plain_expected(values))


@pytest.mark.parametrize("unit", ["ns", "us"])
@pytest.mark.parametrize("zone", [None, "Europe/Berlin"])
@pytest.mark.parametrize("as_index", [False, True])
def test_the_contract_holds_for_a_plain_table_with_timestamps(
    tmp_path: Path, unit: str, zone: str | None, as_index: bool
) -> None:
    values = plain()
    times = pd.to_datetime(START_NS + np.round(np.arange(640) * 1e9 / 6400).astype(np.int64), utc=True)
    values["t"] = times.tz_convert(zone).as_unit(unit)
    (values.set_index("t") if as_index else values).to_parquet(tmp_path / "x.parquet")
    check_reader_contract(tmp_path / "x.parquet", plain_expected(values, start_ns=START_NS))


def test_a_nameless_index_of_times_is_the_time_column(tmp_path: Path) -> None:
    values = plain().drop(columns="t")
    values.index = pd.date_range("2026-03-02T06:00:00Z", periods=640, freq="1ms")
    values.to_parquet(tmp_path / "x.parquet")
    header = read_one(tmp_path / "x.parquet").header
    assert (header.rate_hz, header.start_ns) == (1000.0, START_NS)


def test_rate_and_start_may_stand_in_the_key_value_metadata(tmp_path: Path) -> None:
    table = pa.table({"v1": pa.array([1, 2, 3], pa.int16()), "note": ["a", "b", "c"]})
    metadata = {"rate_hz": "6400", "start": "2026-03-02T06:00:00Z", "station": "Harrow Mill"}
    pq.write_table(table.replace_schema_metadata(metadata), tmp_path / "x.parquet")
    header = read_one(tmp_path / "x.parquet").header
    assert (header.rate_hz, header.start_ns, header.station) == (6400.0, START_NS, "Harrow Mill")
    assert header.sample_type == "int16"
    assert "note" in " ".join(header.notes)


def test_a_description_beside_a_plain_table_says_rate_and_channels(tmp_path: Path) -> None:
    table = pa.table({"x": pa.array([1, 2, 3], pa.int32()), "v1": [1.0, 2.0, 3.0]})
    pq.write_table(table, tmp_path / "x.parquet")
    (tmp_path / "x.parquet.toml").write_text("rate_hz = 50\n[channels.x]\nunit = 'A'\nphase = 'C'\nscale = 0.5")
    capture = read_one(tmp_path / "x.parquet")
    assert capture.header.channels == (Channel("x", "current", "C", "A", 0.5),)
    np.testing.assert_array_equal(capture.samples, np.array([[1, 2, 3]], np.int32))


@pytest.mark.parametrize("statistics", [True, False])
@pytest.mark.parametrize("kind", ["int16", "int64", "float32", "float64"])
def test_missing_values_are_missing_samples(tmp_path: Path, kind: str, statistics: bool) -> None:
    table = pa.table({"v1": pa.array([1, None, 3], pa.type_for_alias(kind))})
    pq.write_table(
        table.replace_schema_metadata({"rate_hz": "100"}), tmp_path / "x.parquet", write_statistics=statistics
    )
    np.testing.assert_array_equal(read_one(tmp_path / "x.parquet").samples, np.array([[1, np.nan, 3]], np.float32))


def test_a_gap_in_a_plain_table_cuts_it(tmp_path: Path) -> None:
    values = plain().drop(index=range(100, 110))
    values.to_parquet(tmp_path / "x.parquet", row_group_size=64)
    captures = list(read_captures(tmp_path / "x.parquet"))
    assert [capture.header.n_samples for capture in captures] == [100, 530]
    assert captures[1].header.start_ns == round(110 * 1e9 / 6400)


def test_long_plain_tables_come_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MAX_CAPTURE_SAMPLES", 300)
    values = plain()
    values.to_parquet(tmp_path / "x.parquet", row_group_size=64)
    pieces = list(read_captures(tmp_path / "x.parquet"))
    assert [piece.header.n_samples for piece in pieces] == [300, 300, 40]
    np.testing.assert_array_equal(np.concatenate([p.samples for p in pieces], axis=1), plain_expected(values).samples)


@pytest.mark.parametrize(
    ("columns", "place", "words"),
    [
        ({"v1": [1.0, 2.0]}, "", "add rate_hz = ... to x.parquet.toml"),
        ({"x": [1.0, 2.0], "t": [0.0, 1.0]}, "", "no column states what it measures"),
        ({"v1": [1.0, 2.0, 3.0], "t": [0.0, 1.0, 0.5]}, "sample 3 of t", "runs backwards"),
        ({"v1": [1.0, 2.0, 3.0], "t": [0.0, None, 0.5]}, "sample 2 of t", "time is missing"),
        ({"v1": pa.array([], pa.float32()), "t": pa.array([], pa.float64())}, "t", "too few rows"),
        ({"v1": [1.0, 2.0], "t": pa.array([0, 2**60], pa.timestamp("ms"))}, "row 1", "cannot be decoded"),
        ({"words": ["a", "b"]}, "", "no column states what it measures"),
    ],
)
def test_a_wrong_plain_table_is_refused(tmp_path: Path, columns: dict[str, object], place: str, words: str) -> None:
    pq.write_table(pa.table(columns), tmp_path / "x.parquet")
    with pytest.raises(ReadError) as caught:
        read_one(tmp_path / "x.parquet")
    assert caught.value.place == place
    assert words in caught.value.reason


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["int16", "float32", "plain"])
def test_damaged_copies_are_read_or_refused(tmp_path: Path, kind: str) -> None:
    if kind == "plain":
        plain(60).to_parquet(tmp_path / "x.parquet")
    else:
        write_waveform_parquet(capture_of(60, kind=kind), tmp_path / "x.parquet")
    check_broken_copies(tmp_path / "x.parquet", n_copies=400)


@settings(max_examples=30, deadline=None)
@given(
    samples=st.sampled_from(["int16", "int32", "float32"]).flatmap(
        lambda kind: hnp.arrays(
            kind,
            st.tuples(st.integers(0, 3), st.integers(0, 9)),
            elements=st.floats(-1e8, 1e8, width=32) | st.just(math.nan) if kind == "float32" else None,
        )
    ),
    rate_hz=st.floats(1e-6, 1e10),
    start_ns=st.integers(-(2**62), 2**62),
    names=st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=5), min_size=3, max_size=3),
    scale=st.floats(1e-12, 1e6) | st.floats(-1e6, -1e-12) | st.just(0.0),
)
def test_any_capture_reads_back_bit_by_bit(tmp_path_factory, samples, rate_hz, start_ns, names, scale) -> None:
    path = tmp_path_factory.mktemp("round") / "x.parquet"
    channels = tuple(Channel(name, "current", "N", "A", scale, -scale, point=name) for name in names[: len(samples)])
    n_samples = samples.shape[1] if channels else 0
    header = Header(
        names[0], start_ns, rate_hz, n_samples, channels, samples.dtype.name, source=path.name, notes=tuple(names)
    )
    write_waveform_parquet(Capture(header, samples[:, :n_samples]), path)
    capture = read_one(path)
    assert capture.header == header
    assert capture.samples.tobytes() == samples[:, :n_samples].tobytes()  # NaN and signed zeros included
