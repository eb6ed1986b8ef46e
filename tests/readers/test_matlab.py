"""MATLAB files against scipy.io, which writes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.io
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from reader_contract import check_broken_copies, check_reader_contract

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import MalformedRecord, Unsupported
from halfcycle.pipeline.readers import read_captures, reader_of
from halfcycle.pipeline.readers.matlab import READER
from halfcycle.pipeline.writers.matlab import write_mat

START_NS = pd.Timestamp("2026-03-02T06:00:00Z").value
RNG = np.random.default_rng(11)
V3 = RNG.integers(-20000, 20000, (3, 500), dtype=np.int16)


def save(folder: Path, description: str = "", *, version: str = "5", **variables: object) -> Path:
    path = folder / "x.mat"
    scipy.io.savemat(path, variables, format=version)
    if description:
        (folder / "x.mat.toml").write_text(description)
    return path


def read_one(path: Path) -> Capture:
    (capture,) = read_captures(path)
    return capture


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("oned_as", ["row", "column"])
def test_the_contract_holds_for_version_5(tmp_path: Path, compressed: bool, oned_as: str) -> None:
    path = tmp_path / "x.mat"
    variables = {"u1": V3[0], "i1": V3[1], "sample_rate": 3200.0, "start": "2026-03-02T06:00:00Z", "f0": 50.0}
    scipy.io.savemat(path, variables, do_compression=compressed, oned_as=oned_as)
    channels = (Channel("u1", "voltage", "A", "V"), Channel("i1", "current", "A", "A"))
    check_reader_contract(path, Capture(Header("", START_NS, 3200.0, 500, channels, "int16", 50.0), V3[:2].copy()))


def test_the_contract_holds_for_version_4(tmp_path: Path) -> None:
    path = save(tmp_path, version="4", u1=V3[0].astype(float), i1=V3[1].astype(float), fs=3200.0)
    channels = (Channel("u1", "voltage", "A", "V"), Channel("i1", "current", "A", "A"))
    expected = Capture(Header("", 0, 3200.0, 500, channels, "float32"), V3[:2].astype(np.float32))
    check_reader_contract(path, expected)


@pytest.mark.parametrize("kind", ["int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "float32", "float64"])
def test_number_types_read_with_their_values(tmp_path: Path, kind: str) -> None:
    values = np.arange(100).astype(kind)
    capture = read_one(save(tmp_path, v1=values, fs=100.0))
    assert (
        capture.samples.dtype == {"i": "int16", "u": "int16", "f": "float32"}[values.dtype.kind] or values.itemsize > 1
    )
    np.testing.assert_array_equal(capture.samples[0].astype(kind), values)


@pytest.mark.parametrize("turned", [False, True])
def test_three_columns_are_phases_a_b_c(tmp_path: Path, turned: bool) -> None:
    capture = read_one(save(tmp_path, U=V3.T if turned else V3, fs=6400.0))
    assert [(c.name, c.phase) for c in capture.header.channels] == [("U_1", "A"), ("U_2", "B"), ("U_3", "C")]
    np.testing.assert_array_equal(capture.samples, V3)


def test_structures_are_read(tmp_path: Path) -> None:
    record = {"v1": V3[0], "i1": V3[1], "fs": 6400.0, "station": "Harrow Mill", "inner": {"v9": V3[2]}}
    capture = read_one(save(tmp_path, record=record))
    assert [(c.name, c.quantity, c.phase) for c in capture.header.channels] == [
        ("record.v1", "voltage", "A"), ("record.i1", "current", "A"),
    ]  # fmt: skip
    assert (capture.header.rate_hz, capture.header.station) == (6400.0, "Harrow Mill")
    np.testing.assert_array_equal(capture.samples, V3[:2])


def test_structures_within_structures_are_read_with_what_they_say_of_the_record(tmp_path: Path) -> None:
    bus = {"v": {"a": V3[0], "b": V3[1], "c": V3[2]}, "name": "bus 1"}
    capture = read_one(save(tmp_path, export={"meta": {"fs": 6400.0, "station": "Harrow Mill"}, "data": {"bus": bus}}))
    assert [(c.name, c.quantity, c.phase) for c in capture.header.channels] == [
        (f"export.data.bus.v.{phase}", "voltage", phase.upper()) for phase in "abc"
    ]
    assert (capture.header.rate_hz, capture.header.station) == (6400.0, "Harrow Mill")
    np.testing.assert_array_equal(capture.samples, V3)


def test_a_time_variable_gives_the_rate(tmp_path: Path) -> None:
    capture = read_one(save(tmp_path, t=np.arange(500) / 12800, v1=V3[0]))
    assert capture.header.rate_hz == 12800.0


def test_described_variables_are_the_only_channels(tmp_path: Path) -> None:
    text = "rate_hz = 800\n[channels.x]\nunit = 'kA'\nscale = 0.5\nphase = 'N'\npoint = 'feeder 2'"
    capture = read_one(save(tmp_path, text, x=V3[0], v1=V3[1]))
    assert capture.header.channels == (Channel("x", "current", "N", "A", 500.0, point="feeder 2"),)


def test_cells_words_and_complex_numbers_are_noted(tmp_path: Path) -> None:
    cell = np.empty(2, dtype=object)
    cell[:] = [V3[0], "word"]
    capture = read_one(save(tmp_path, v1=V3[0], fs=100.0, cell=cell, words=["ab", "cd"], z=V3[0] * 1j))
    assert all(name in " ".join(capture.header.notes) for name in ("cell", "words", "z"))


@pytest.mark.parametrize(
    ("variables", "place", "words"),
    [
        ({"v1": V3[0]}, "", "add rate_hz = ... to x.mat.toml"),
        ({"v1": V3[0], "i1": V3[0, :9], "fs": 1.0}, "i1", "holds 9 samples, but v1 holds 500"),
        ({"x": V3[0], "fs": 1.0}, "", "no column states what it measures"),
        ({"v1": V3[0], "fs": 0.0}, "fs", "greater than 0"),
        ({"v1": V3[0], "t": np.r_[0, 2, 1, np.arange(3, 500)]}, "sample 3 of t", "runs backwards"),
    ],
)
def test_what_is_wrong_is_named_with_its_variable(
    tmp_path: Path, variables: dict[str, object], place: str, words: str
) -> None:
    with pytest.raises(MalformedRecord) as caught:
        read_one(save(tmp_path, **variables))
    assert (caught.value.path.name, caught.value.place) == ("x.mat", place)
    assert words in caught.value.reason


@pytest.mark.parametrize(
    "head",
    [
        # From the published layout of the MAT-file's user block: 116 bytes of text, 8 of offset, version, byte order;
        # the HDF5 superblock's signature follows at byte 512. From memory.
        b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124)
        + b"\x00\x02IM"
        + bytes(384)
        + b"\x89HDF\r\n\x1a\n"
        + bytes(99),
        b"\x89HDF\r\n\x1a\n" + bytes(600),
    ],
)
def test_version_7_3_is_unsupported_in_clear_words(tmp_path: Path, head: bytes) -> None:
    path = tmp_path / "x.mat"
    path.write_bytes(head)
    assert reader_of(path) is READER
    with pytest.raises(Unsupported, match=r"7\.3.*-v7"):
        read_one(path)


def test_recognition_needs_no_ending_for_version_5_but_does_for_version_4(tmp_path: Path) -> None:
    head = save(tmp_path, v1=V3[0]).read_bytes()[:4096]
    assert READER.recognises(tmp_path / "x.bin", head)
    head = save(tmp_path, version="4", v1=V3[0].astype(float)).read_bytes()[:4096]
    assert READER.recognises(tmp_path / "x.mat", head)
    assert not READER.recognises(tmp_path / "x.bin", head)
    assert not READER.recognises(tmp_path / "x.mat", b"some words that are no matrix")


def test_names_that_matlab_refuses_are_made_fit(tmp_path: Path) -> None:
    names = ("U L1", "U-L1", "1", "_x", "a" * 40, "a" * 41)
    channels = tuple(Channel(name, "voltage", "A", "V") for name in names)
    samples = RNG.integers(-99, 99, (6, 20), dtype=np.int32)
    write_mat(Capture(Header("", 0, 100.0, 20, channels, "int32"), samples), tmp_path / "x.mat")
    stored = [name for name, _, _ in scipy.io.whosmat(tmp_path / "x.mat")]
    assert len(set(stored)) == 6
    assert all(name.isidentifier() and len(name) <= 31 and not name.startswith("_") for name in stored)
    np.testing.assert_array_equal(read_one(tmp_path / "x.mat").samples, samples)


@pytest.mark.slow
@pytest.mark.parametrize("options", [{"do_compression": True}, {"do_compression": False}, {"format": "4"}])
def test_damaged_copies_are_read_or_refused(tmp_path: Path, options: dict[str, object]) -> None:
    # SciPy ends the process on some of these when they are given to it unchecked.
    variables: dict[str, object] = {"v1": V3[0, :60] / 7, "t": np.arange(60) / 6400}
    if "format" not in options:
        variables["record"] = {"i1": V3[1, :60], "word": "abc"}
    scipy.io.savemat(tmp_path / "x.mat", variables, **options)
    check_broken_copies(tmp_path / "x.mat", n_copies=400)


def test_objects_are_left_out_and_noted(tmp_path: Path) -> None:
    path = save(tmp_path, v1=V3[0], fs=100.0, odd=V3[1])
    content = bytearray(path.read_bytes())
    # Class 17 is an opaque object, such as a table or a datetime; the class stands behind the flags' tag (6, 8).
    content[content.rindex(bytes((6, 0, 0, 0, 8, 0, 0, 0))) + 8] = 17
    path.write_bytes(content)
    capture = read_one(path)
    assert [channel.name for channel in capture.header.channels] == ["v1"]
    assert "odd" in " ".join(capture.header.notes)


def test_the_same_capture_gives_the_same_bytes(tmp_path: Path) -> None:
    capture = Capture(Header("", 0, 100.0, 500, (Channel("U1", "voltage", "A", "V"),), "int16"), V3[:1].copy())
    for name in ("a.mat", "b.mat"):
        write_mat(capture, tmp_path / name)
    assert (tmp_path / "a.mat").read_bytes() == (tmp_path / "b.mat").read_bytes()
    assert scipy.io.whosmat(tmp_path / "a.mat") == [("U1", (500, 1), "int16")]


@settings(max_examples=30, deadline=None)
@given(
    samples=st.sampled_from(["int16", "int32", "float32"]).flatmap(
        lambda kind: hnp.arrays(
            kind,
            st.tuples(st.integers(1, 3), st.integers(2, 9)),
            elements={"min_value": -1e8, "max_value": 1e8} if kind == "float32" else None,
        )
    ),
    rate_hz=st.floats(1e-3, 1e7),
    start_ns=st.integers(-(2**62), 2**62),
    scale=st.floats(1e-6, 1e6),
)
def test_what_is_written_reads_back(tmp_path_factory, samples, rate_hz, start_ns, scale) -> None:
    path = tmp_path_factory.mktemp("round") / "x.mat"
    channels = tuple(
        Channel(name, "voltage", "BC", "V", scale, 0.5, "bus 1", rail_high=7, rated=3.0)
        for name in ("a", "t", "fs")[: len(samples)]
    )
    shape = samples.shape[1], channels, samples.dtype.name, None, start_ns + 1, "x.mat"
    header = Header("Harrow Mill", start_ns, rate_hz, *shape)
    write_mat(Capture(header, samples), path)
    capture = read_one(path)
    assert capture.header == header
    np.testing.assert_array_equal(capture.samples, samples)
