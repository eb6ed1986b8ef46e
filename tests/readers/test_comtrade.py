"""The COMTRADE reader against the general-purpose `comtrade` package, real recordings, and files broken on purpose.

The files are built here from the text of the standard (IEEE C37.111, from memory), not by the project's writer.
"""

from __future__ import annotations

import random
import warnings
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import comtrade
import numpy as np
import pytest

from pipeline.capture import Capture
from pipeline.errors import MalformedRecord, ReadError
from pipeline.readers import capture_files, read_captures, reader_of
from pipeline.readers import comtrade as reader_module
from pipeline.readers.comtrade import READER, sources
from pipeline.readers.comtrade.text import decode

RECORDINGS = Path(__file__).parents[3] / "shared" / "data"
BINARY_TYPES = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

# Lines 1 to 14 of the configuration that most tests start from; the tests replace some by number.
LINES = {
    1: "Mill Lane,rec 1,1999",
    2: "5,3A,2D",
    3: "1,UA,A,bus 1,V,0.5,0,0,-32767,32767,1,1,P",
    4: "2,UB,B,bus 1,V,0.25,-3,0,-32767,32767,1,1,P",
    5: "3,IA,A,bay 7,A,0.01,0,0,-32767,32767,1,1,P",
    6: "1,breaker,,,0",
    7: "2,pickup,,,0",
    8: "50",
    9: "1",
    10: "1000,6",
    11: "05/03/2024,23:59:58.500000",
    12: "05/03/2024,23:59:58.503000",
    13: "BINARY",
    14: "1",
}
VALUES = np.array([[10, -20, 30], [1, 2, 3], [-400, 500, -600], [7, 8, 9], [32767, -32767, 0], [5, 6, 7]])


def binary_rows(values: np.ndarray, *, kind: str = "BINARY", n_digital: int = 2, stamps: Any = None) -> bytes:
    n_rows, n_analog = values.shape
    words = (n_digital + 15) // 16
    row = np.dtype([("n", "<u4"), ("t", "<u4"), ("v", BINARY_TYPES[kind], (n_analog,)), ("d", "<u2", (words,))])
    rows = np.zeros(n_rows, row)
    rows["n"] = np.arange(1, n_rows + 1)
    rows["t"] = np.arange(n_rows) * 1000 if stamps is None else stamps
    rows["v"] = values
    rows["d"] = 0xA5C3  # states that would show at once if they were taken for samples
    return rows.tobytes()


def ascii_rows(values: Any, *, n_digital: int = 2, stamps: Any = None) -> bytes:
    states = ["1", "0"] * ((n_digital + 1) // 2)
    stamps = [i * 1000 for i in range(len(values))] if stamps is None else stamps
    rows = [[i + 1, stamps[i], *row, *states[:n_digital]] for i, row in enumerate(values)]
    return "".join(",".join(map(str, row)) + "\r\n" for row in rows).encode()


def put(folder: Path, lines: dict[int, str], data: bytes, *, name: str = "r.cfg", end: str = "\r\n") -> Path:
    path = folder / name
    path.write_bytes("".join(f"{lines[i]}{end}" for i in sorted(lines)).encode())
    (folder / name).with_suffix(".dat").write_bytes(data)
    return path


def read(path: Path, **kwargs: Any) -> list[Capture]:
    return list(read_captures(path, **kwargs))


def read_one(path: Path, **kwargs: Any) -> Capture:
    (capture,) = read(path, **kwargs)
    return capture


def read_lines(folder: Path, changed: dict[int, str], data: bytes | None = None, **kwargs: Any) -> Capture:
    return read_one(put(folder, LINES | changed, binary_rows(VALUES) if data is None else data, **kwargs))


def at(text: str) -> int:
    """Nanoseconds of an ISO time that may have nine decimals."""
    whole, _, fraction = text.partition(".")
    seconds = (datetime.fromisoformat(whole + "+00:00") - EPOCH) // timedelta(seconds=1)
    return seconds * 10**9 + int(fraction.ljust(9, "0") or 0)


def has_note(capture: Capture, words: str) -> bool:
    return any(words in note for note in capture.header.notes)


# --- against the general-purpose package ---------------------------------------------------------------------------

KINDS = {1991: ("ASCII", "BINARY"), 1999: ("ASCII", "BINARY"), 2013: ("ASCII", "BINARY", "BINARY32", "FLOAT32")}
VARIANTS = [
    (revision, kind, n_digital, single)
    for revision, kinds in KINDS.items()
    for kind in kinds
    for n_digital in (0, 2, 16, 33)
    for single in ([False, True] if revision == 2013 else [False])  # the single-file form came with 2013
]


def physical_by_package(path: Path, **kwargs: Any) -> tuple[Any, np.ndarray]:
    """The package scales to the file's own unit and side: volts and the primary side are reckoned here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = comtrade.Comtrade(ignore_warnings=True, use_numpy_arrays=True, use_double_precision=True)
        other.load(str(path), **kwargs)
    values = []
    for channel, row in zip(other.cfg.analog_channels, other.analog, strict=True):
        ratio = channel.primary / channel.secondary if channel.pors.upper() == "S" else 1.0
        values.append(np.array(row) * ratio * (1000.0 if channel.uu == "kV" else 1.0))
    return other, np.array(values)


def variant(folder: Path, revision: int, kind: str, n_digital: int, *, single: bool = False) -> Path:
    rng = np.random.default_rng(n_digital)
    values = rng.integers(-30000, 30000, (50, 3))
    values[values == -1] = 0  # the package takes -1 for a missing value of 1991
    ratio = "" if revision == 1991 else ",110000,110,S"
    lines = [
        f"Mill Lane,rec 1,{revision}" if revision > 1991 else "Mill Lane,rec 1",
        f"{3 + n_digital},3A,{n_digital}D",
    ]
    lines += [
        f"{i},ch {i},A,bus,{unit},0.012345,{i}.5,0,-32767,32767{ratio}" for i, unit in enumerate(("V", "kV", "A"))
    ]
    lines += [f"{i},state {i},0" if revision == 1991 else f"{i},state {i},,,0" for i in range(n_digital)]
    stamp = "03/05/2024" if revision == 1991 else "05/03/2024"
    lines += ["60", "1", "1234.5,50", f"{stamp},10:11:12.250000", f"{stamp},10:11:12.260000", kind]
    lines += [] if revision == 1991 else ["1"]
    lines += ["0,0", "0,0"] if revision == 2013 else []
    data = ascii_rows(values.tolist(), n_digital=n_digital) if kind == "ASCII" else binary_rows(
        values, kind=kind, n_digital=n_digital)  # fmt: skip
    if not single:
        return put(folder, dict(enumerate(lines)), data)
    size = "" if kind == "ASCII" else f": {len(data)}"
    text = "\r\n".join(["--- file type: CFG ---", *lines, "--- file type: INF ---", "", "--- file type: HDR ---",
                        "a note of the crew", f"--- file type: DAT {kind}{size} ---", ""])  # fmt: skip
    path = folder / "r.cff"
    path.write_bytes(text.encode() + data)
    return path


@pytest.mark.parametrize(("revision", "kind", "n_digital", "single"), VARIANTS)
def test_every_variant_has_the_values_that_the_comtrade_package_reads(tmp_path, revision, kind, n_digital, single):
    path = variant(tmp_path, revision, kind, n_digital, single=single)
    capture, (other, values) = read_one(path), physical_by_package(path)
    header = capture.header
    assert header.sample_type == {"BINARY32": "int32", "FLOAT32": "float32"}.get(kind, "int16")
    for i in range(3):  # rtol: two factors rounded in another order
        np.testing.assert_allclose(capture.physical(i), values[i], rtol=1e-12)
    assert (header.rate_hz, header.n_samples) == (other.cfg.sample_rates[0][0], other.total_samples)
    assert header.nominal_frequency_hz == other.frequency
    assert (header.station, [channel.name for channel in header.channels]) == (
        other.station_name,
        other.analog_channel_ids,
    )
    assert header.start_ns == (other.start_timestamp.replace(tzinfo=UTC) - EPOCH) // timedelta(microseconds=1) * 1000
    assert (
        header.trigger_ns == (other.trigger_timestamp.replace(tzinfo=UTC) - EPOCH) // timedelta(microseconds=1) * 1000
    )


REAL = [  # file, text encoding, hours ahead of UTC, (rate, samples) of each capture; the counts from their .cfg
    ("single-pole-reclose", "utf-8", 0, [(1000.0, 11001)]),
    ("fault-failed-reclose", "gb18030", 0, [(3200.0, 1280), (50.0, 36), (3200.0, 1472), (50.0, 289)]),
    ("intermittent-earth-fault", "cp1251", 0, [(2403.43, 5316)]),
    ("load-trip-float32", "utf-8", 9, [(1200.0, 7200)]),
]


@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the recordings lie beside the project, and not here")
@pytest.mark.parametrize(("name", "encoding", "hours", "parts"), REAL)
def test_a_real_recording_has_what_the_comtrade_package_reads(tmp_path, name, encoding, hours, parts):
    path, plain = RECORDINGS / f"{name}.cfg", tmp_path / "plain.cfg"
    plain.write_bytes(path.read_bytes())
    data = path.with_suffix(".dat").read_bytes()  # the package stumbles over blank lines
    plain.with_suffix(".dat").write_bytes(data.replace(b"\n\n", b"\n") if data[:2] == b"1," else data)
    captures, (other, values) = read(path), physical_by_package(plain, encoding=encoding)
    assert [c.header.n_samples for c in captures] == [n for _, n in parts]
    assert [c.header.rate_hz for c in captures] == pytest.approx([rate for rate, _ in parts], rel=1e-5)
    joined = np.concatenate([[c.physical(i) for i in range(len(c.header.channels))] for c in captures], axis=1)
    np.testing.assert_allclose(joined, values, rtol=1e-12)
    start = other.start_timestamp.replace(tzinfo=UTC) - timedelta(hours=hours)
    assert captures[0].header.start_ns // 1000 == (start - EPOCH) // timedelta(microseconds=1)
    assert [ch.name for ch in captures[0].header.channels] == other.analog_channel_ids


@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the recordings lie beside the project, and not here")
def test_the_segments_of_a_real_recording_start_where_its_own_time_stamps_say():
    captures = read(RECORDINGS / "fault-failed-reclose.cfg")
    rows = np.fromfile(
        RECORDINGS / "fault-failed-reclose.dat", np.dtype([("n", "<u4"), ("us", "<u4"), ("w", "<u2", (54,))])
    )
    firsts = np.cumsum([0, *(c.header.n_samples for c in captures[:-1])])
    elapsed_us = [(c.header.start_ns - captures[0].header.start_ns) / 1000 for c in captures]
    # rtol: its clock runs 5e-4 slow against its rate table; one sample at 50 Hz would be 0.04 of the second start
    np.testing.assert_allclose(elapsed_us, rows["us"][firsts], rtol=2e-3)


@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the recordings lie beside the project, and not here")
def test_notes_tell_what_is_odd_in_the_real_recordings():
    assert has_note(read_one(RECORDINGS / "intermittent-earth-fault.cfg"), "83 sampling rates")
    assert has_note(read_one(RECORDINGS / "load-trip-float32.cfg"), "count nanoseconds")
    assert has_note(read(RECORDINGS / "fault-failed-reclose.cfg")[0], "read as gb18030")


# --- scaling, units, channels ------------------------------------------------------------------------------------


def test_primary_samples_are_left_alone_and_secondary_ones_multiplied_by_the_ratio(tmp_path):
    capture = read_lines(tmp_path, {4: "2,UB,B,,V,0.25,-3,0,-32767,32767,110000,110,S",
                                    5: "3,IA,A,,A,0.01,0,0,-32767,32767,600,5,P"})  # fmt: skip
    assert [(ch.scale, ch.offset) for ch in capture.header.channels] == [(0.5, 0.0), (250.0, -3000.0), (0.01, 0.0)]


@pytest.mark.parametrize(("unit", "quantity", "factor", "read_unit"),
                         [("kV", "voltage", 1e3, "V"), ("mV", "voltage", 1e-3, "V"), ("kA", "current", 1e3, "A"),
                          (" v ", "voltage", 1.0, "V"), ("MW", "other", 1.0, "MW")])  # fmt: skip
def test_units_are_turned_to_volts_and_amperes(tmp_path, unit, quantity, factor, read_unit):
    capture = read_lines(tmp_path, {3: f"1,UA,A,,{unit},0.5,2,0,-32767,32767,1,1,P"})
    channel = capture.header.channels[0]
    assert (channel.quantity, channel.unit, channel.scale, channel.offset) == (
        quantity,
        read_unit,
        0.5 * factor,
        2 * factor,
    )


@pytest.mark.parametrize(("unit", "ratio", "rated"), [
    ("V", "110000,110,S", 110e3), ("kV", "110,0.11,P", 110e3), ("V", "1,1,P", None), ("kV", "1,1,P", None),
    ("V", "0,110,S", None), ("V", ",110,S", None),
])  # fmt: skip
def test_the_rated_value_is_the_primary_side_of_a_ratio_that_is_no_bare_one(tmp_path, unit, ratio, rated):
    capture = read_lines(tmp_path, {3: f"1,UA,A,,{unit},0.5,0,0,-32767,32767,{ratio}"})
    assert capture.header.channels[0].rated == rated


@pytest.mark.parametrize("ratio", ["0,110,S", "110000,0,S", ",110,S", "110000,,S"])
def test_a_ratio_with_a_zero_or_absent_member_is_one_and_noted(tmp_path, ratio):
    capture = read_lines(tmp_path, {3: f"1,UA,A,,V,0.5,0,0,-32767,32767,{ratio}"})
    assert capture.header.channels[0].scale == 0.5
    assert has_note(capture, "no ratio above 0 are taken as primary (UA)")


def test_channels_of_1991_have_no_ratio(tmp_path):
    lines = {1: "Mill Lane,rec 1", 11: "03/05/24,23:59:58.5", 12: "03/05/24,23:59:58.503", 14: ""}
    lines |= {i: ",".join(LINES[i].split(",")[:10]) for i in (3, 4, 5)} | {6: "1,breaker,0", 7: "2,pickup,0"}
    capture = read_lines(tmp_path, lines)
    assert [channel.scale for channel in capture.header.channels] == [0.5, 0.25, 0.01]
    assert capture.header.start_ns == at("2024-03-05T23:59:58.5")
    assert not has_note(capture, "primary")


def test_names_phases_and_points_come_from_the_channel_lines(tmp_path):
    channels = read_lines(tmp_path, {4: "2,,L2,,V,0.25,-3,0,-32767,32767,1,1,P"}).header.channels
    assert [channel.name for channel in channels] == ["UA", "A2", "IA"]
    assert [channel.phase for channel in channels] == ["A", "B", "A"]
    assert [channel.point for channel in channels] == ["bus 1", "", ""]  # a current's component is no measuring point


def test_the_phase_is_taken_from_the_name_where_its_field_is_empty(tmp_path):
    assert read_lines(tmp_path, {3: "1,LINE VL3,,,V,0.5,0,0,-32767,32767,1,1,P"}).header.channels[0].phase == "C"


def test_a_line_frequency_of_zero_is_none(tmp_path):
    assert read_lines(tmp_path, {8: "0"}).header.nominal_frequency_hz is None


def test_only_wanted_quantities_are_given(tmp_path):
    path = put(tmp_path, LINES, binary_rows(VALUES))
    capture = read_one(path, quantities={"current"})
    assert [channel.name for channel in capture.header.channels] == ["IA"]
    np.testing.assert_array_equal(capture.samples, VALUES[:, 2:].T)
    nothing = read_one(path, quantities={"other"})
    assert (nothing.samples.shape, nothing.header.n_samples) == ((0, 6), 6)


# --- raw samples and missing ones ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "sample_type", "code", "rails"),
                         [("BINARY", "int16", -0x8000, (-32767, 32767)),
                          ("BINARY32", "int32", -0x80000000, (None, None)),
                          ("FLOAT32", "float32", None, (None, None))])  # fmt: skip
def test_binary_samples_stay_raw_and_their_missing_codes_are_known(tmp_path, kind, sample_type, code, rails):
    values = VALUES.astype(float)
    values[2, 1] = np.nan if code is None else code
    path = put(
        tmp_path,
        LINES | {1: "Mill Lane,rec 1,2013", 13: kind},
        binary_rows(values.astype(BINARY_TYPES[kind]), kind=kind),
    )
    capture = read_one(path)
    channel = capture.header.channels[1]
    assert (capture.header.sample_type, channel.missing_code) == (sample_type, code)
    assert (channel.rail_low, channel.rail_high) == rails
    np.testing.assert_array_equal(capture.samples, values.T)
    assert np.flatnonzero(np.isnan(capture.physical(1))).tolist() == [2]


@pytest.mark.parametrize("odd", [np.inf, -np.inf, np.finfo(np.float32).min])
def test_floats_that_are_no_measurement_are_missing(tmp_path, odd):
    values = VALUES.astype(np.float32)
    values[2, 1] = odd
    path = put(tmp_path, LINES | {1: "Mill Lane,rec 1,2013", 13: "FLOAT32"}, binary_rows(values, kind="FLOAT32"))
    assert np.flatnonzero(np.isnan(read_one(path).samples[1])).tolist() == [2]


@pytest.mark.parametrize(
    ("revision", "mark", "missing"),
    [(1991, "99999", True), (1999, "99999", True), (1999, "", True), (2013, "", True), (2013, "99999", False)],
)
def test_text_marks_missing_samples_as_its_revision_says(tmp_path, revision, mark, missing):
    values = VALUES.astype(object)
    values[2, 1] = mark
    lines = LINES | {1: f"Mill Lane,rec 1,{revision}", 13: "ASCII", 11: "05/05/2024,1:02:03", 12: "05/05/2024,1:02:03"}
    capture = read_one(put(tmp_path, lines, ascii_rows(values)))
    assert np.isnan(capture.physical(1)).tolist() == [False, False, missing, False, False, False]
    assert capture.header.sample_type == ("int16" if missing else "int32")


@pytest.mark.parametrize(("texts", "sample_type", "code"),
                         [(["1", "-32767", "32767"], "int16", -32768), (["1", "-32768", "3"], "int16", None),
                          (["1", "-32768", ""], "int32", -2147483648), (["1", "40000", "3"], "int32", -2147483648),
                          (["1", "2.5", "3"], "float32", None), (["1", "3000000000", "3"], "float32", None),
                          (["+1", "1e3", ".5"], "float32", None)])  # fmt: skip
def test_text_becomes_the_narrowest_sample_type_that_holds_it(tmp_path, texts, sample_type, code):
    path = put(tmp_path, LINES | {10: "1000,3", 13: "ASCII"}, ascii_rows([[text, 0, 0] for text in texts]))
    capture = read_one(path)
    assert (capture.header.sample_type, capture.header.channels[0].missing_code) == (sample_type, code)
    expected = [float(text) * 0.5 if text else np.nan for text in texts]
    np.testing.assert_array_equal(capture.physical(0), expected)


@pytest.mark.parametrize(("revision", "missing"), [(1999, True), (2013, False)])
def test_decimal_text_has_the_same_mark_of_missing_samples(tmp_path, revision, missing):
    rows = ascii_rows([["0.5", 0, 0], ["99999", 0, 0], ["", 0, 0]])
    capture = read_lines(tmp_path, {1: f"Mill Lane,rec 1,{revision}", 10: "1000,3", 13: "ASCII"}, rows)
    assert np.isnan(capture.physical(0)).tolist() == [False, missing, True]


def test_a_long_recording_is_cut_into_pieces_that_follow_exactly(tmp_path, monkeypatch):
    monkeypatch.setattr(reader_module, "MAX_CAPTURE_SAMPLES", 7)
    n_samples, rate_hz = 40, 6400 / 3
    values = np.arange(3 * n_samples).reshape(n_samples, 3)
    path = put(tmp_path, LINES | {10: f"{rate_hz!r},{n_samples}"}, binary_rows(values))
    captures = read(path)
    assert [c.header.n_samples for c in captures] == [7, 7, 7, 7, 7, 5]
    np.testing.assert_array_equal(np.concatenate([c.samples for c in captures], axis=1), values.T)
    start = captures[0].header.start_ns
    assert [c.header.start_ns - start for c in captures] == [round(7 * i * 1e9 / rate_hz) for i in range(6)]


# --- sampling rates ------------------------------------------------------------------------------------------------


def rates(folder: Path, *table: str) -> list[Capture]:
    n_samples = int(table[-1].split(",")[1])
    lines = LINES | {9: str(len(table)), 10: "\r\n".join(table)}
    return read(put(folder, lines, binary_rows(np.arange(3 * n_samples).reshape(n_samples, 3))))


def test_a_change_of_rate_makes_a_new_capture_from_the_sample_after_the_last_of_the_rate(tmp_path):
    first, second, third = rates(tmp_path, "1000,10", "250,14", "1000,30")
    assert [(c.header.rate_hz, c.header.n_samples) for c in (first, second, third)] == [
        (1000, 10),
        (250, 4),
        (1000, 16),
    ]
    assert second.samples[0].tolist() == [30, 33, 36, 39]
    assert second.header.start_ns == first.header.end_ns == first.header.start_ns + 10_000_000
    assert third.header.start_ns == second.header.end_ns == first.header.start_ns + 26_000_000


def test_rates_that_hardly_differ_are_one_of_all_samples_over_all_time(tmp_path):
    capture = rates(tmp_path, "1000,10", "1004,20", "1002,40")[0]
    assert capture.header.n_samples == 40
    assert capture.header.rate_hz == pytest.approx(40 / (10 / 1000 + 10 / 1004 + 20 / 1002), rel=1e-14)
    assert has_note(capture, "3 sampling rates")


def test_a_rate_stated_twice_is_one_and_exact(tmp_path):
    capture = rates(tmp_path, "1000,10", "1000,20")[0]
    assert (capture.header.rate_hz, capture.header.n_samples) == (1000.0, 20)


@pytest.mark.parametrize("table", [["1000,10", "1006,20"], ["1000,10", "1004,20", "1008,30", "1012,40"]])
def test_rates_that_differ_or_creep_away_are_several(tmp_path, table):
    assert len(rates(tmp_path, *table)) == 2


def test_time_stamps_that_contradict_the_rates_are_noted_and_the_rates_used(tmp_path):
    capture = read_lines(tmp_path, {}, binary_rows(VALUES, stamps=np.arange(6) * 7))
    assert capture.header.rate_hz == 1000
    assert has_note(capture, "the sampling rates are used")


def test_time_stamps_may_differ_a_little_from_the_rates_and_start_anywhere(tmp_path):
    for stamps in (np.arange(6) * 1009, 4000 + np.arange(6) * 1000, np.arange(6) * 1000 + [0, 0, 0, 0, 0, 2]):
        assert not has_note(read_lines(tmp_path, {}, binary_rows(VALUES, stamps=stamps)), "time stamps of the data")


def test_time_stamps_of_32_bits_are_compared_with_the_rates_past_their_end(tmp_path):
    stamps = (np.arange(6) * 2_000_000_000) % 2**32
    assert not has_note(read_lines(tmp_path, {10: "0.0005,6"}, binary_rows(VALUES, stamps=stamps)), "time stamps of")
    assert has_note(read_lines(tmp_path, {10: "0.0005,6"}, binary_rows(VALUES, stamps=stamps // 2)), "time stamps of")


def test_time_stamps_that_are_left_out_are_not_noted(tmp_path):
    for stamps in (np.zeros(6), np.full(6, 0xFFFFFFFF)):
        assert not has_note(read_lines(tmp_path, {}, binary_rows(VALUES, stamps=stamps)), "time stamps of the data")


def test_sample_numbers_that_skip_are_noted(tmp_path):
    data = bytearray(binary_rows(VALUES))
    data[5 * 16] = 99
    assert has_note(read_lines(tmp_path, {}, bytes(data)), "numbered from 1 to 99")


# --- no sampling rate: time stamps decide --------------------------------------------------------------------------


def by_stamps(folder: Path, stamps: Any, changed: dict[int, str] | None = None, *, text: bool = False) -> list[Capture]:
    n_samples = len(stamps)
    values = np.arange(3 * n_samples).reshape(n_samples, 3)
    lines = LINES | {9: "0", 10: f"0,{n_samples}", 13: "ASCII" if text else "BINARY"} | (changed or {})
    data = ascii_rows(values.tolist(), stamps=stamps) if text else binary_rows(values, stamps=stamps)
    return read(put(folder, lines, data))


@pytest.mark.parametrize("text", [False, True])
@pytest.mark.parametrize("rate_hz", [50.0, 1000.0, 6400.0, 15360.0, 2401.6])
def test_uniform_time_stamps_give_the_rate(tmp_path, rate_hz, text):
    stamps = np.rint(np.arange(4000) * 1e6 / rate_hz).astype(int)
    (capture,) = by_stamps(tmp_path, stamps, text=text)
    assert capture.header.rate_hz == pytest.approx(rate_hz, rel=0 if rate_hz.is_integer() else 1e-6)
    assert capture.header.n_samples == 4000
    assert has_note(capture, "no sampling rate is stated")


@pytest.mark.parametrize("table", [{9: "0", 10: ""}, {9: "1", 10: "0,20"}, {8: "", 9: "0"}])
def test_the_rate_of_zero_is_understood_in_all_its_spellings(tmp_path, table):
    (capture,) = by_stamps(tmp_path, np.arange(20) * 500, table)
    assert (capture.header.rate_hz, capture.header.n_samples) == (2000.0, 20)


def test_the_multiplier_and_nanoseconds_change_what_a_time_stamp_counts(tmp_path):
    assert by_stamps(tmp_path, np.arange(20) * 5, {14: "100"})[0].header.rate_hz == 2000.0
    assert (
        by_stamps(tmp_path, np.arange(20) * 500_000, {11: "05/03/2024,23:59:58.500000001"})[0].header.rate_hz == 2000.0
    )


def test_a_gap_in_the_time_stamps_cuts_the_recording(tmp_path):
    stamps = np.arange(40) * 1000
    stamps[25:] += 123_000
    first, second = by_stamps(tmp_path, stamps)
    assert [(c.header.rate_hz, c.header.n_samples) for c in (first, second)] == [(1000.0, 25), (1000.0, 15)]
    assert second.header.start_ns - first.header.start_ns == 148_000_000


def test_a_change_of_step_in_the_time_stamps_cuts_the_recording(tmp_path):
    stamps = np.concatenate([np.arange(20) * 1000, 20_000 + np.arange(20) * 4000])
    first, second = by_stamps(tmp_path, stamps)
    assert [(c.header.rate_hz, c.header.n_samples) for c in (first, second)] == [(1000.0, 21), (250.0, 19)]
    assert second.header.start_ns - first.header.start_ns == 24_000_000


def test_time_stamps_of_32_bits_may_start_again_at_zero(tmp_path):
    stamps = (2**32 - 10_000 + np.arange(20) * 1000) % 2**32
    (capture,) = by_stamps(tmp_path, stamps)
    assert (capture.header.rate_hz, capture.header.n_samples) == (1000.0, 20)


def test_missing_time_stamps_are_placed_between_their_neighbours(tmp_path):
    stamps = np.arange(20) * 1000
    stamps[[4, 5, 11]] = 0xFFFFFFFF
    (capture,) = by_stamps(tmp_path, stamps)
    assert capture.header.rate_hz == 1000.0
    assert has_note(capture, "3 missing time stamps")


@pytest.mark.parametrize(("stamps", "words"), [
    (np.cumsum(np.random.default_rng(1).integers(500, 1500, 40)), "not uniform"),
    ([*range(0, 9000, 1000), 3000, 4000, 5000], "row 10: .* run backwards"),
    ([7] * 20, "inf Hz"),
    ([0, 1000, 2000], "too few"),
    ([0xFFFFFFFF, *range(0, 19000, 1000)], "none at an end"),
    ([*range(0, 10000, 1000), 30000, *range(50000, 60000, 1000)], "not uniform"),
    ([0, *range(50000, 60000, 1000)], "not uniform"),
    ([*range(0, 10000, 1000), 50000], "not uniform"),
    (np.cumsum(1000 + np.arange(40) * 3), "not uniform"),  # no two steps differ by much, first and last do
])  # fmt: skip
def test_time_stamps_without_a_uniform_rate_are_refused(tmp_path, stamps, words):
    with pytest.raises(MalformedRecord, match=words):
        by_stamps(tmp_path, stamps)


# --- dates and times -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("revision", "date", "iso"), [
    ("1999", "05/03/2024", "2024-03-05"), ("1991", "05/03/2024", "2024-05-03"), ("1991", "05/03/24", "2024-05-03"),
    ("1991", "05/03/93", "1993-05-03"), ("2013", " 5 / 3 / 2024 ", "2024-03-05"), ("2013", "5-3-2024", "2024-03-05"),
    ("1999", "2024/03/05", "2024-03-05"),
])  # fmt: skip
def test_dates_are_in_the_order_of_their_revision(tmp_path, revision, date, iso):
    capture = read_lines(
        tmp_path, {1: f"Mill Lane,rec 1,{revision}", 11: f"{date},01:02:03.25", 12: f"{date},01:02:04"}
    )
    assert capture.header.start_ns == at(f"{iso}T01:02:03.25")
    assert capture.header.trigger_ns == at(f"{iso}T01:02:04")


@pytest.mark.parametrize(("revision", "start", "trigger", "iso"), [
    ("1991", "25/03/2024", "25/03/2024", "2024-03-25"), ("1999", "03/25/2024", "03/25/2024", "2024-03-25"),
    ("1999", "03/12/2024", "03/13/2024", "2024-03-12"),  # the trigger's date proves the order of both
])  # fmt: skip
def test_a_day_above_twelve_in_the_month_place_proves_the_other_order(tmp_path, revision, start, trigger, iso):
    capture = read_lines(tmp_path, {1: f"Mill Lane,rec 1,{revision}", 11: f"{start},1:2:3", 12: f"{trigger},1:2:3"})
    assert capture.header.start_ns == at(f"{iso}T01:02:03")
    assert has_note(capture, "dates are not in the order")


@pytest.mark.parametrize(("text", "exact"), [
    ("01:02:03", "01:02:03"), ("1:2:3.5", "01:02:03.5"), ("01:02:03.", "01:02:03"),
    ("01:02:03.123456", "01:02:03.123456"), ("01:02:03.123456789", "01:02:03.123456789"),
    ("01:02:03.1234567891234", "01:02:03.123456789"), ("01:02:60.5", "01:03:00.5"),
])  # fmt: skip
def test_seconds_may_have_any_number_of_decimals(tmp_path, text, exact):
    assert read_lines(tmp_path, {11: f"05/03/2024,{text}"}).header.start_ns == at(f"2024-03-05T{exact}")


@pytest.mark.parametrize(("code", "iso"), [
    ("0,0", "2024-03-05T12:00:00"), ("-4,-4", "2024-03-05T16:00:00"), ("+9,+9", "2024-03-05T03:00:00"),
    ("-5h30,-5h30", "2024-03-05T17:30:00"), ("+5:45,x", "2024-03-05T06:15:00"), ("10h,x", "2024-03-05T02:00:00"),
])  # fmt: skip
def test_the_time_code_turns_stamps_into_utc(tmp_path, code, iso):
    lines = {1: "Mill Lane,rec 1,2013", 11: "05/03/2024,12:00:00", 12: "05/03/2024,12:00:00", 15: code, 16: "0,0"}
    capture = read_lines(tmp_path, lines)
    assert capture.header.start_ns == capture.header.trigger_ns == at(iso)
    assert not capture.header.notes


@pytest.mark.parametrize(
    "changed", [{}, {1: "Mill Lane,rec 1,2013"}, {1: "Mill Lane,rec 1,2013", 15: "x,x", 16: "0,0"}]
)
def test_stamps_without_a_time_code_are_utc_and_noted(tmp_path, changed):
    capture = read_lines(tmp_path, changed)
    assert capture.header.start_ns == at("2024-03-05T23:59:58.5")
    assert has_note(capture, "time zone is not stated")


def test_a_clock_that_was_not_locked_is_noted(tmp_path):
    capture = read_lines(tmp_path, {1: "Mill Lane,rec 1,2013", 15: "0,0", 16: "B,3"})
    assert has_note(capture, "time quality B")


@pytest.mark.parametrize("trigger", [",", "00/00/0000,00:00:00.000000"])
def test_a_trigger_without_a_time_is_none(tmp_path, trigger):
    assert read_lines(tmp_path, {12: trigger}).header.trigger_ns is None


# --- files as they come --------------------------------------------------------------------------------------------

PLAIN_ASCII = {13: "ASCII"}


def same_as_plain(folder: Path, capture: Capture) -> bool:
    plain = folder / "plain"
    plain.mkdir()
    expected = read_lines(plain, PLAIN_ASCII, ascii_rows(VALUES))
    assert np.array_equal(expected.samples, VALUES.T)
    return capture.digest() == expected.digest()


@pytest.mark.parametrize(
    "end", ["\r\n", "\n", "\r", "\n\n", "\r\n   \r\n"], ids=["CRLF", "LF", "CR", "blank", "blanks"]
)
def test_lines_end_in_any_way(tmp_path, end):
    data = ascii_rows(VALUES).replace(b"\r\n", end.encode())
    assert same_as_plain(tmp_path, read_lines(tmp_path, PLAIN_ASCII, data, end=end))


def test_the_last_row_may_lack_its_line_end(tmp_path):
    assert same_as_plain(tmp_path, read_lines(tmp_path, PLAIN_ASCII, ascii_rows(VALUES).rstrip()))


def test_fields_may_have_blanks_around_them(tmp_path):
    lines = {i: " " + line.replace(",", "\t, ") + "  " for i, line in (LINES | PLAIN_ASCII).items()}
    assert same_as_plain(tmp_path, read_lines(tmp_path, lines, b"  " + ascii_rows(VALUES).replace(b",", b" ,  ")))


def test_lines_may_end_in_commas(tmp_path):
    lines = {i: line + ",," for i, line in (LINES | PLAIN_ASCII).items()}
    data = ascii_rows(VALUES).replace(b"\r\n", b",\r\n")
    assert same_as_plain(tmp_path, read_lines(tmp_path, lines, data))


def test_some_rows_only_may_end_in_commas(tmp_path):
    first, rest = ascii_rows(VALUES).split(b"\r\n", 1)
    assert same_as_plain(tmp_path, read_lines(tmp_path, PLAIN_ASCII, first + b"\r\n" + rest.replace(b"\r\n", b",\r\n")))


def test_an_end_of_file_mark_ends_text(tmp_path):
    lines = PLAIN_ASCII | {15: "\x1a"}
    assert same_as_plain(tmp_path, read_lines(tmp_path, lines, ascii_rows(VALUES) + b"\x1a"))


def test_an_end_of_file_mark_may_follow_binary_rows(tmp_path):
    capture = read_lines(tmp_path, {}, binary_rows(VALUES) + b"\x1a")
    np.testing.assert_array_equal(capture.samples, VALUES.T)


def test_the_data_kind_may_be_in_small_letters(tmp_path):
    assert same_as_plain(tmp_path, read_lines(tmp_path, {13: "Ascii"}, ascii_rows(VALUES)))


def test_a_blank_line_frequency_is_none(tmp_path):
    capture = read_lines(tmp_path, {8: ""})
    assert (capture.header.nominal_frequency_hz, capture.header.rate_hz) == (None, 1000.0)


def test_the_time_multiplier_may_be_missing(tmp_path):
    assert read_lines(tmp_path, {14: ""}).header.n_samples == 6


def test_a_time_multiplier_that_is_none_is_noted_where_it_does_not_matter(tmp_path):
    assert has_note(read_lines(tmp_path, {14: "none"}), "the time multiplier 'none' is no number")


def test_fields_after_the_last_of_an_analogue_channel_are_noted(tmp_path):
    capture = read_lines(tmp_path, {3: LINES[3] + ",extra"})
    assert capture.header.channels[0].scale == 0.5
    assert has_note(capture, "fields after the first 13")


def test_empty_offsets_are_zero_and_skews_not_applied_and_both_noted_by_channel(tmp_path):
    lines = {i: f"{i - 2},U{i},A,,V,0.5,,12.5,,,1,1,P" for i in (3, 4, 5)}
    capture = read_lines(tmp_path, {2: "6,4A,2D"} | lines | {5: f"{lines[5]}\r\n4,U6,A,,V,0.5,,1,,,1,1,P"},
                         binary_rows(np.ones((6, 4), int)))  # fmt: skip
    assert capture.header.channels[0].offset == 0
    assert has_note(capture, "empty offsets are taken as 0 (U3, U4, U5 and 1 more)")
    assert has_note(capture, "time skews of channels are stated and not applied (U3")


def test_channels_without_a_side_are_primary_and_noted(tmp_path):
    capture = read_lines(tmp_path, {3: "1,UA,A,bus 1,V,0.5,0,0,-32767,32767,110000,110,"})
    assert capture.header.channels[0].scale == 0.5
    assert has_note(capture, "not marked primary or secondary are taken as primary (UA)")


def test_a_digital_channel_may_be_without_a_description(tmp_path):
    assert read_lines(tmp_path, {7: "2,,,,"}).header.n_samples == 6


def test_a_station_name_may_hold_a_comma(tmp_path):
    assert read_lines(tmp_path, {1: "Mill Lane,north,rec 1,1999"}).header.station == "Mill Lane,north"


def test_binary_data_may_hold_what_looks_like_a_section_line(tmp_path):
    path = variant(tmp_path, 2013, "BINARY", 2, single=True)
    content = bytearray(path.read_bytes())
    content[-100:-70] = b"\n--- file type: CFG ---\n".ljust(30)
    path.write_bytes(content)
    assert read_one(path).header.n_samples == 50


def test_sections_may_follow_text_data(tmp_path):
    path = variant(tmp_path, 2013, "ASCII", 2, single=True)
    expected = read_one(path).digest()
    path.write_bytes(path.read_bytes() + b"--- file type: HDR ---\r\na note of the crew\r\n")
    assert read_one(path).digest() == expected


def test_a_byte_order_mark_may_stand_before_the_first_section(tmp_path):
    path = variant(tmp_path, 2013, "BINARY", 2, single=True)
    expected = read_one(path).digest()
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert (reader_of(path), read_one(path).digest()) == (READER, expected)


def test_a_byte_order_mark_is_no_part_of_the_station(tmp_path):
    assert read_lines(tmp_path, {1: "\ufeffMill Lane,rec 1,1999"}).header.station == "Mill Lane"


@pytest.mark.parametrize(("cfg", "dat"), [
    ("r.cfg", "r.dat"), ("R.CFG", "R.DAT"), ("r.CFG", "r.dat"), ("r.cfg", "r.DAT"), ("r.Cfg", "r.Dat"),
    ("Rec.cfg", "rEC.daT"),
])  # fmt: skip
def test_the_data_are_found_in_any_case_and_belong_to_the_configuration(tmp_path, cfg, dat):
    written = put(tmp_path, LINES, binary_rows(VALUES), name="w.cfg")
    path = written.rename(tmp_path / cfg)
    written.with_suffix(".dat").rename(tmp_path / dat)
    (tmp_path / f"{path.stem}.HDR").write_text("a note of the crew")
    (tmp_path / f"{path.stem}.inf").write_text("[private]")
    assert read_one(path).header.n_samples == 6
    assert {p.name for p in READER.companions(path)} == {dat, f"{path.stem}.HDR", f"{path.stem}.inf"}
    assert capture_files([tmp_path]) == [path]


@pytest.mark.parametrize(("text", "encoding", "used"), [
    ("Trafostation Mühle,Gerät,1999", "utf-8", None), ("Trafostation Mühle,Gerät,1999", "latin-1", "latin-1"),
    ("ESTAÇÃO,subestação,1999", "latin-1", "latin-1"), ("主变高压侧,母线,1999", "gb18030", "gb18030"),
    ("Подстанция Заря,рег,1999", "cp1251", "windows-1251"), ("°ÿ°ÿ,pairs that are no Chinese", "latin-1", "latin-1"),
])  # fmt: skip
def test_the_code_page_of_the_text_is_guessed_where_it_is_not_utf_8(text, encoding, used):
    decoded, notes = decode(text.encode(encoding))
    assert decoded == text
    assert [note for note in notes if f"read as {used}," in note] == list(notes)
    assert len(notes) == (used is not None)


def test_a_byte_that_the_guessed_code_page_does_not_have_is_replaced():
    assert decode("Подстанция Заря,рег".encode("cp1251") + b"\x98") == (
        "Подстанция Заря,рег\ufffd",
        ("the text is not UTF-8; read as windows-1251, names may be wrong",),
    )


def test_more_rows_than_declared_are_left_out_and_noted(tmp_path):
    for kind, data in (("BINARY", binary_rows(VALUES)), ("ASCII", ascii_rows(VALUES) + b"the end")):
        capture = read_lines(tmp_path, {10: "1000,4", 13: kind}, data)
        np.testing.assert_array_equal(capture.samples, VALUES[:4].T)
        assert has_note(capture, "4 are declared; the rest are left out")


def test_a_revision_between_the_editions_is_read_as_the_one_before(tmp_path):
    assert has_note(
        read_lines(tmp_path, {1: "Mill Lane,rec 1,2007"}), "2007 is no edition of the standard; read as 1999"
    )


# --- what is a COMTRADE file ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("head", [
    b"time,ua,ub\n0,1.5,2\n1,2,3\n", b"station,device\n2024-01-01,5,3\n", b"a,b\n1,2A\n", b"[section]\nkey=1,2,3\n",
    b"\x93NUMPY\x01\x00", b"PK\x03\x04", b"", b"a,b", b"1,2,3\n4,5,6\n", b"," * 2000 + b"\n" * 2000,
])  # fmt: skip
def test_other_files_are_not_recognised(head):
    assert not READER.recognises(Path("x.csv"), head)


@pytest.mark.parametrize("name", ["r.cfg", "r.CFG", "r.txt"])
def test_a_configuration_is_recognised_by_its_content(tmp_path, name):
    path = put(tmp_path, LINES, binary_rows(VALUES), name=name)
    assert reader_of(path) is READER


def test_a_single_file_is_recognised_by_its_first_section_line(tmp_path):
    assert reader_of(variant(tmp_path, 2013, "FLOAT32", 2, single=True)) is READER
    assert READER.companions(tmp_path / "r.cff") == ()


# --- broken files: expected message, one failure each --------------------------------------------------------------


@pytest.mark.parametrize(("changed", "message"), [
    ({1: "Mill Lane,rec 1,199x"}, "line 1: the revision year must have four digits"),
    ({2: "5,3X,2D"}, "line 2: the numbers of channels must read like"),
    ({2: "6,3A,2D"}, "line 2: 6 channels declared, but 3 analogue and 2 digital"),
    ({2: "5,4A,1D"}, "line 6: analogue channel 4 needs 10 fields"),
    ({2: "5,2A,3D"}, "line 5: digital channel 1 has 3 or 5 fields, this line has 13"),
    ({2: "4,3A,1D"}, "line 7: the line frequency must stand alone"),
    ({2: "6,3A,3D"}, "line 8: digital channel 3 has 3 or 5 fields, this line has 1"),
    ({2: "0,0A,0D"}, "line 2: 0 channels declared"),
    ({2: "9999999,9999997A,2D"}, "line 2: the numbers of channels must read like"),
    ({2: "999999,999997A,2D"}, "line 6: analogue channel 4 needs"),
    ({3: "1,UA,A,bus 1,V,half,0,0,-32767,32767,1,1,P"}, "line 3: the multiplier of analogue channel 1 must"),
    ({3: "1,UA,A,bus 1,V,,0,0,-32767,32767,1,1,P"}, "line 3: the multiplier of analogue channel 1 must"),
    ({3: "1,UA,A,bus 1,V,nan,0,0,-32767,32767,1,1,P"}, "line 3: the multiplier of analogue channel 1 must"),
    ({3: "1,UA,A,bus 1,kV,1e307,0,0,-32767,32767,1,1,P"}, "line 3: the multiplier, offset and ratio"),
    ({3: "1,UA,A,bus 1,V,1,x,0,-32767,32767,1,1,P"}, "line 3: the offset of analogue channel 1 must be a number"),
    ({3: "1,UA,A,bus 1,V,1,0,x,-32767,32767,1,1,P"}, "line 3: the skew of analogue channel 1 must be a number"),
    ({3: "1,UA,A,bus 1,V,1,0,0,low,32767,1,1,P"}, "line 3: the least value of analogue channel 1"),
    ({3: "1,UA,A,bus 1,V,1,0,0,-32767,high,1,1,P"}, "line 3: the greatest value of analogue channel 1"),
    ({3: "1,UA,A,bus 1,V,1,0,0,-32767,32767,x,1,S"}, "line 3: the ratio of UA must be a number"),
    ({8: "fifty"}, "line 8: the line frequency must be a number"),
    ({8: "-50"}, "line 8: the line frequency must be from 0 to 1000 Hz"),
    ({8: "5000"}, "line 8: the line frequency must be from 0 to 1000 Hz"),
    ({9: "one"}, "line 9: the number of sampling rates must be a number"),
    ({9: "1.5"}, "line 9: the number of sampling rates must be a whole number"),
    ({9: "-1"}, "line 9: the number of sampling rates must be a whole number"),
    ({9: "2"}, "line 11: sampling rate 2 of 2 must read like"),
    ({9: "0"}, "line 10: the sampling rate must be from"),
    ({10: "1000"}, "line 10: sampling rate 1 of 1 must read like"),
    ({10: "-1000,6"}, "line 10: the sampling rate must be from"),
    ({10: "1e12,6"}, "line 10: the sampling rate must be from"),
    ({10: "nan,6"}, "line 10: the sampling rate must be a number"),
    ({10: "1000,-6"}, "line 10: the number of the last sample must be a whole number"),
    ({10: "1000,0"}, "line 10: the number of the last sample, 0, must be above"),
    ({9: "2", 10: "1000,6\r\n50,6"}, "line 11: the number of the last sample, 6, must be above"),
    ({9: "2", 10: "1000,3\r\n0,6"}, "line 11: the sampling rate must be from"),
    ({10: "1000,99999999999"}, "line 10: the number of the last sample must be a whole number from 0 to 9999999999"),
    ({10: "1000,9999999999"}, "r.dat: the configuration declares 9999999999 samples, the data hold 6"),
    ({10: "0.000001,6", 11: "01/01/2200,00:00:00"}, None),
    ({11: "31/02/2024,00:00:00"}, "line 11: '31/02/2024' is no date"),
    ({11: "13/13/2024,00:00:00"}, "line 11: '13/13/2024' is no date"),
    ({11: "05/03/1700,00:00:00"}, "line 11: year 1700"),
    ({11: "yesterday,00:00:00"}, "line 11: 'yesterday' is no date"),
    ({11: "05/03/2024,24:00:00"}, "line 11: '24:00:00' is no time of day"),
    ({11: "05/03/2024,noon"}, "line 11: 'noon' is no time of day"),
    ({11: "05/03/2024"}, "line 11: the time of the first sample must read like"),
    ({11: ","}, "line 11: the time of the first sample is missing"),
    ({11: "00/00/0000,00:00:00.0"}, "line 11: the time of the first sample is missing"),
    ({11: ""}, "line 12: of the times of the first sample and the trigger, one has no line"),
    ({12: "31/02/2024,00:00:00"}, "line 12: '31/02/2024' is no date"),
    ({13: "BINARY64"}, "line 13: the kind of data must be one of ASCII, BINARY, BINARY32, FLOAT32"),
    ({13: "", 14: ""}, "after line 12: the configuration ends before the kind of data"),
    ({9: "0", 10: "0,6", 14: "0"}, "line 14: the time multiplier must be a number"),
    ({1: "Mill Lane,rec 1,2013", 15: "noon,0"}, "line 15: time code 'noon' is no offset"),
    ({1: "Mill Lane,rec 1,2013", 15: "+26,0"}, r"line 15: time code '\+26' is no offset"),
])  # fmt: skip
def test_a_broken_configuration_is_refused_with_its_line(tmp_path, changed, message):
    if message is None:  # a rate so low that the recording ends within what nanoseconds hold is no failure
        assert read_lines(tmp_path, changed).header.rate_hz == 1e-6
        return
    with pytest.raises(MalformedRecord, match=message):
        read_lines(tmp_path, changed)


@pytest.mark.parametrize(("kind", "change", "message"), [
    ("BINARY", lambda data: b"", "r.dat: the data hold no samples"),
    ("BINARY", lambda data: data[:-1], "r.dat, byte 80: 95 bytes are 5 rows of 16 bytes and 15 bytes over"),
    ("BINARY", lambda data: data + b"xx", "r.dat, byte 96: 98 bytes are 6 rows"),
    ("BINARY", lambda data: data + b"x", "r.dat, byte 96: 97 bytes are 6 rows"),
    ("BINARY", lambda data: data[:-16], "r.dat: the configuration declares 6 samples, the data hold 5"),
    ("BINARY32", lambda data: data, "r.dat, byte 88: 96 bytes are 4 rows of 22 bytes"),
    ("ASCII", lambda data: b"", "r.dat, line 1: the data hold no row of numbers"),
    ("ASCII", lambda data: b"\r\n \r\n", "r.dat, line 1: the data hold no row of numbers"),
    ("ASCII", lambda data: data[:-9], "r.dat, line 6: a row has 7 fields, this one has 4"),
    ("ASCII", lambda data: data.rstrip()[: data.rstrip().rindex(b"\n")], "declares 6 samples, the data hold 5"),
    ("ASCII", lambda data: data.replace(b"-400", b"-4oo"), r"r.dat, line 3: field 3 must be a number, got '-4oo'"),
    ("ASCII", lambda data: data.replace(b"-400", b"-4 0"), r"r.dat, line 3: field 3 must be a number, got '-4 0'"),
    ("ASCII", lambda data: data.replace(b"-400", b"0x1F"), r"r.dat, line 3: field 3 must be a number, got '0x1F'"),
    ("ASCII", lambda data: data.replace(b"-400", b"1" * 9999 + b"x"), "r.dat, line 3: field 3 must be a number"),
    ("ASCII", lambda data: data.replace(b"-400,", b"-400,7,"), "r.dat, line 3: a row has 7 fields, this one has 8"),
    ("ASCII", lambda data: data.replace(b"3,2000", b"x,2000"), "r.dat, line 3: field 1 must be a number, got 'x'"),
    ("ASCII", lambda data: data.replace(b"3,2000", b"3,soon"), "r.dat, line 3: field 2 must be a number, got 'soon'"),
])  # fmt: skip
def test_broken_data_are_refused_with_their_place(tmp_path, kind: str, change: Callable[[bytes], bytes], message):
    data = ascii_rows(VALUES) if kind == "ASCII" else binary_rows(VALUES)
    with pytest.raises(MalformedRecord, match=message):
        read_lines(tmp_path, {13: kind}, change(data))


def test_missing_data_are_refused(tmp_path):
    path = put(tmp_path, LINES, b"")
    path.with_suffix(".dat").unlink()
    with pytest.raises(MalformedRecord, match=r"r\.cfg: its data file r.dat is missing"):
        read_one(path)


@pytest.mark.parametrize(("old", "new", "message"), [
    (b"--- file type: CFG ---", b"--- file type: HDR ---", "there is no CFG section before the DAT section"),
    (b"--- file type: DAT BINARY: 800 ---", b"--- file type: HDR ---", "there is no DAT section"),
    (b"BINARY: 800", b"BINARY: 900", "the DAT section declares 900 bytes, the file holds 800: it is cut"),
    (b"BINARY: 800", b"BINARY: 700", "700 bytes are 43 rows of 16 bytes and 12 bytes over"),
    (b"DAT BINARY: 800", b"DAT ASCII", "the configuration says BINARY data, the section line ASCII"),
    (b"60\r\n1\r\n", b"sixty\r\n1\r\n", "r.cff, line 9: the line frequency must be a number"),
])  # fmt: skip
def test_a_broken_single_file_is_refused(tmp_path, old, new, message):
    path = variant(tmp_path, 2013, "BINARY", 2, single=True)
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new))
    with pytest.raises(MalformedRecord, match=message):
        read_one(path)


def test_a_single_file_of_text_names_the_line_in_the_whole_file(tmp_path):
    path = variant(tmp_path, 2013, "ASCII", 0, single=True)
    lines = path.read_bytes().split(b"\r\n")
    lines[-3] = b"49,48000,1,x,3"
    path.write_bytes(b"\r\n".join(lines))
    with pytest.raises(MalformedRecord, match=rf"r.cff, line {len(lines) - 2}: field 4 must be a number"):
        read_one(path)


def test_a_recording_that_ends_after_2262_is_refused(tmp_path):
    with pytest.raises(MalformedRecord, match="ends after the year 2262"):
        rates(tmp_path, "0.000001,20000")


def test_data_that_become_shorter_while_they_are_read_are_a_read_error(tmp_path, monkeypatch):
    monkeypatch.setattr(reader_module, "MAX_CAPTURE_SAMPLES", 4)
    path = put(tmp_path, LINES, binary_rows(VALUES))
    captures = read_captures(path)
    assert next(captures).header.n_samples == 4
    path.with_suffix(".dat").write_bytes(binary_rows(VALUES[:5]))
    with pytest.raises(ReadError, match="became shorter while it was read"):
        next(captures)


def test_a_configuration_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(sources, "MAX_CONFIGURATION_BYTES", 200)
    with pytest.raises(MalformedRecord, match="a configuration has at most 200 bytes"):
        read_lines(tmp_path, {})


def test_a_folder_is_no_data_file(tmp_path):
    path = put(tmp_path, LINES, b"")
    path.with_suffix(".dat").unlink()
    path.with_suffix(".DAT").mkdir()
    with pytest.raises(MalformedRecord, match=r"its data file r\.dat is missing"):
        read_one(path)


@pytest.mark.parametrize("kind", ["ASCII", "BINARY"])
def test_data_that_cannot_be_opened_are_a_read_error(tmp_path, monkeypatch, kind):
    path = put(tmp_path, LINES | {13: kind}, binary_rows(VALUES))
    really_open = Path.open

    def open_or_fail(opened: Path, *args: Any, **kwargs: Any) -> Any:
        if opened.suffix == ".dat":
            raise PermissionError(13, "Permission denied")
        return really_open(opened, *args, **kwargs)

    monkeypatch.setattr(Path, "open", open_or_fail)
    with pytest.raises(ReadError, match=r"r\.dat: cannot be read \(Permission denied\)"):
        read_one(path)


TOKENS = (b",", b"\r", b"\n", b"\x1a", b"\0", b"\xff", b"0", b"-1", b"99999999999", b"nan", b"1e308", b"1e-308",
          b"/", b":", b"1991", b"+", b".", b"\n0\n", b",,", b"0,", b"--- file type: DAT BINARY: 5 ---\r\n")  # fmt: skip


def spoiled(content: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(content))
    end = place + chance.choice((0, 1, 2, 20))
    return (content[:place] + chance.choice(TOKENS) + content[end:])[: chance.choice((len(content) + 99, place))]


@pytest.mark.parametrize("kind", ["ASCII", "BINARY", "FLOAT32"])
@pytest.mark.parametrize("by_stamp", [False, True])
def test_whatever_is_wrong_with_a_file_comes_out_as_a_read_error(tmp_path, kind, by_stamp):
    chance = random.Random(f"{kind} {by_stamp}")
    single = variant(tmp_path, 2013, kind, 2, single=True).read_bytes()
    single = single.replace(b"1234.5,50", b"0,50") if by_stamp else single
    outcomes = set()
    for i in range(250):
        path = tmp_path / f"{i}.cff"
        path.write_bytes(spoiled(single, chance))
        try:
            outcomes.add(sum(capture.header.n_samples for capture in READER.read(path, quantities=None)))
        except ReadError as error:
            outcomes.add(type(error))
    assert MalformedRecord in outcomes
    assert 50 in outcomes
