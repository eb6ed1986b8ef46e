"""Delimited text against pandas and against what its writer was given."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reader_contract import check_broken_copies, check_reader_contract

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError, MalformedRecord, ReadError
from halfcycle.pipeline.readers import columns, delimited, read_captures, reader_of
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.delimited import READER
from halfcycle.pipeline.terms import Quantity
from halfcycle.pipeline.writers.delimited import write_delimited

RATE_HZ = 6400.0
START_NS = pd.Timestamp("2026-03-02T06:00:00Z").value


def three_phase(n: int = 640, *, seed: int = 1) -> np.ndarray:
    """Rows of three voltages [V] and one current [A]: sines with noise, so that no two rows are alike."""
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * 50 * np.arange(n)[:, None] / RATE_HZ - np.array([0, 2, 4, 0.3]) * np.pi / 3
    return np.sqrt(2) * np.array([230, 230, 230, 10]) * np.sin(angle) + rng.normal(0, 0.5, (n, 4))


def table(n: int = 640) -> pd.DataFrame:
    values = pd.DataFrame(three_phase(n), columns=["va (V)", "vb (V)", "vc (V)", "ia (A)"])
    values.insert(0, "t (s)", np.arange(n) / RATE_HZ)
    return values


def expected_of(values: pd.DataFrame, *, start_ns: int = 0, rate_hz: float = RATE_HZ, station: str = "") -> Capture:
    labels = list(values.columns[1:])
    channels = tuple(
        Channel(
            label[:2], "voltage" if label[0] == "v" else "current", label[1].upper(), "V" if label[0] == "v" else "A"
        )
        for label in labels
    )
    samples = values[labels].to_numpy().T.astype(np.float32)
    return Capture(Header(station, start_ns, rate_hz, samples.shape[1], channels, "float32"), samples)


def read_text(folder: Path, text: str | bytes, name: str = "x.csv", *, quantities: tuple[Quantity, ...] | None = None):
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return list(read_captures(path, quantities=quantities))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("separator", "decimal", "name"),
    [(",", ".", "x.csv"), (";", ",", "x.csv"), (";", ".", "x.txt"), ("\t", ",", "x.tsv"), ("\t", ".", "x.asc"),
     (" ", ".", "x.dat")],
)  # fmt: skip
def test_the_contract_holds_for_what_pandas_writes(tmp_path: Path, separator: str, decimal: str, name: str) -> None:
    values = table()
    header = separator.join(label.replace(" ", "") for label in values.columns)
    body = values.to_csv(sep=separator, decimal=decimal, index=False, header=False)
    path = tmp_path / name
    path.write_text(f"{header}\n{body}")
    assert reader_of(path) is READER
    check_reader_contract(path, expected_of(values), may_be_shorter=[path.suffix])


@pytest.mark.slow
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_byte_order_mark_and_line_ends_change_nothing(tmp_path: Path, line_end: str, mark: bytes) -> None:
    values = table()
    text = values.to_csv(index=False, lineterminator=line_end)
    (tmp_path / "x.csv").write_bytes(mark + text.encode())
    check_reader_contract(tmp_path / "x.csv", expected_of(values), may_be_shorter=[".csv"])


def test_values_are_those_of_pandas_read_csv(tmp_path: Path) -> None:
    text = table().round(4).to_csv(index=False)
    (capture,) = read_text(tmp_path, text)
    oracle = pd.read_csv(io.StringIO(text))
    np.testing.assert_array_equal(capture.samples, oracle.iloc[:, 1:].to_numpy().T.astype(np.float32))


def test_blanks_may_be_aligned_in_columns(tmp_path: Path) -> None:
    values = table().round(6)
    text = values.rename(columns={"t (s)": "Time (s)"}).to_string(index=False)
    (capture,) = read_text(tmp_path, text, "x.txt")
    oracle = pd.read_csv(io.StringIO(text), sep=r"\s+", skiprows=1, header=None)
    np.testing.assert_array_equal(capture.samples, oracle.iloc[:, 1:].to_numpy().T.astype(np.float32))


def test_blank_separated_text_longer_than_a_block_reads_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", 1 << 10)
    values = table(3000)
    text = values.rename(columns=lambda label: label.replace(" ", "")).to_string(index=False)
    (capture,) = read_text(tmp_path, text, "x.txt")
    assert capture.header.n_samples == 3000
    np.testing.assert_allclose(capture.samples[0], values["va (V)"], atol=1e-4)  # to_string keeps six digits or more


def test_a_second_line_may_hold_the_units(tmp_path: Path) -> None:
    (capture,) = read_text(tmp_path, "time;U L1;U L2;I1\nms;kV;V;mA\n0;1,5;2;3\n0,5;2,5;3;4\n1,0;3,5;4;5\n")
    assert capture.header.rate_hz == 2000.0
    assert [(c.unit, c.phase, c.scale) for c in capture.header.channels] == [
        ("V", "A", 1e3), ("V", "B", 1.0), ("A", "A", 1e-3)
    ]  # fmt: skip
    np.testing.assert_allclose(capture.physical(0), [1500, 2500, 3500])


def test_comments_at_the_top_say_what_columns_do_not(tmp_path: Path) -> None:
    text = (
        "# Station: Harrow Mill\n# start: 2026-03-02T08:00:00+02:00\n# sampling rate: 6.4 kHz\n# frequency = 50 Hz\n"
        "# a free remark\n# channels.va.point: bus 1\nva (V),vb (V)\n1,2\n3,4\n"
    )
    (capture,) = read_text(tmp_path, text)
    header = capture.header
    assert (header.station, header.start_ns, header.rate_hz) == ("Harrow Mill", START_NS, 6400.0)
    assert header.nominal_frequency_hz == 50.0
    assert [channel.point for channel in header.channels] == ["bus 1", ""]


def test_the_header_may_be_the_last_comment_as_numpy_writes_it(tmp_path: Path) -> None:
    values = table(64)
    np.savetxt(tmp_path / "x.txt", values.to_numpy(), header="t va vb vc ia")
    (capture,) = read_captures(tmp_path / "x.txt")
    np.testing.assert_allclose(capture.samples, values.iloc[:, 1:].to_numpy().T, rtol=1e-6)
    assert "without a unit" in " ".join(capture.header.notes)


@pytest.mark.parametrize(
    ("label", "per_second"),
    [("t", 1), ("time_s", 1), ("Time (ms)", 1e3), ("time_us", 1e6), ("t [us]", 1e6), ("timestamp", 1)],
)
def test_relative_times_in_all_units_give_the_rate(tmp_path: Path, label: str, per_second: float) -> None:
    rows = "".join(f"{k * per_second / 3200!r},{k}\n" for k in range(200))
    (capture,) = read_text(tmp_path, f"{label},va\n{rows}")
    assert capture.header.rate_hz == 3200.0
    assert capture.header.start_ns == 0
    assert "no start given" in " ".join(capture.header.notes)


@pytest.mark.parametrize(
    ("form", "zone"), [("%Y-%m-%d %H:%M:%S.%f", ""), ("%Y-%m-%dT%H:%M:%S.%f", "Z"), ("%Y-%m-%dT%H:%M:%S.%f", "+00:00")]
)
def test_absolute_times_give_rate_and_start(tmp_path: Path, form: str, zone: str) -> None:
    times = pd.to_datetime(START_NS + np.round(np.arange(5000) * 1e9 / 6400).astype(np.int64))  # to microseconds
    rows = "".join(f"{moment.strftime(form)}{zone},{k % 7}\n" for k, moment in enumerate(times))
    (capture,) = read_text(tmp_path, f"timestamp,va (V)\n{rows}")
    assert capture.header.rate_hz == 6400.0  # a step is 156.25 us: stamps of whole microseconds leave 0.25 us open
    assert capture.header.start_ns == START_NS
    assert ("no time zone" in " ".join(capture.header.notes)) == (not zone)


def test_times_without_zone_are_moved_by_the_described_offset(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_text('utc_offset = "+02:00"')
    (capture,) = read_text(tmp_path, "time,va\n2026-03-02 08:00:00.000,1\n2026-03-02 08:00:00.001,2\n")
    assert capture.header.start_ns == START_NS
    assert capture.header.rate_hz == 1000.0


def test_stamps_far_coarser_than_the_sampling_still_give_its_rate(tmp_path: Path) -> None:
    # 6400 Hz with stamps of whole milliseconds: 0.15625 ms a step, so most steps are zero.
    rows = "".join(f"{int(k / 6.4)},{k % 5}\n" for k in range(64000))
    (capture,) = read_text(tmp_path, f"t (ms),va\n{rows}")
    assert capture.header.n_samples == 64000
    # The last stamp is open by 1 ms of 10 s: a relative error of 1e-4 at most.
    assert capture.header.rate_hz == pytest.approx(6400.0, rel=1e-4)
    assert "rounded to" in " ".join(capture.header.notes)


@pytest.mark.parametrize(("rate_hz", "digits"), [(6400.0, 6), (2400.5, 6), (12800.0, 5), (980.0, 3), (1000.0, 3)])
def test_rounded_stamps_give_the_round_rate(tmp_path: Path, rate_hz: float, digits: int) -> None:
    n = 20000
    rows = "".join(f"{k / rate_hz:.{digits}f},{k % 5}\n" for k in range(n))
    (capture,) = read_text(tmp_path, f"t,va\n{rows}")
    assert capture.header.n_samples == n
    tolerance = 10.0**-digits / (n / rate_hz)  # of the record's length, by the stamps' digits
    assert capture.header.rate_hz == pytest.approx(rate_hz, rel=tolerance)
    assert capture.header.rate_hz == rate_hz or rate_hz * tolerance > 0.1


def test_an_uneven_rate_is_kept_exactly(tmp_path: Path) -> None:
    rows = "".join(f"{k / 3333.37!r},{k % 5}\n" for k in range(1000))
    (capture,) = read_text(tmp_path, f"t,va\n{rows}")
    assert capture.header.rate_hz == pytest.approx(3333.37, rel=1e-12)


@pytest.mark.parametrize("jitter", [0.01, 0.04])
def test_small_jitter_is_noted_and_the_mean_rate_taken(tmp_path: Path, jitter: float) -> None:
    times = np.arange(2000) / 1000 + np.where(np.arange(2000) % 2, jitter / 2, 0) / 1000
    rows = "".join(f"{t:.9f},1\n" for t in times)
    (capture,) = read_text(tmp_path, f"t,va\n{rows}")
    # By definition (n - 1)/(t_last - t_first); these stamps are whole microseconds, which leaves 1 us of 2 s open.
    assert capture.header.rate_hz == pytest.approx(1999 / (times[-1] - times[0]), rel=1e-6 / 2)
    assert "steps vary" in " ".join(capture.header.notes)


@pytest.mark.parametrize("n_short", [1, 3, 40])
@pytest.mark.parametrize("block_bytes", [1 << 12, 1 << 21])
def test_a_few_short_steps_are_noted_and_the_rate_is_that_of_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_short: int, block_bytes: int
) -> None:
    # As found: 8,000 steps of which one is 11 % short. No sample is lost in less than half a step.
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", block_bytes)
    steps = np.full(8000, 1.0)
    steps[np.arange(n_short) * 190 + 120] = 0.89
    rows = "".join(f"{t:.4f},1\n" for t in np.concatenate(([0.0], np.cumsum(steps))) / 6.4)
    (capture,) = read_text(tmp_path, f"t (ms),va\n{rows}")
    assert (capture.header.rate_hz, capture.header.n_samples) == (6400.0, 8001)
    (note,) = [note for note in capture.header.notes if isinstance(note, Repair)]
    assert f"up to 11 %: {n_short}" in note


def test_one_stray_stamp_is_noted(tmp_path: Path) -> None:
    times = np.arange(100) / 1000
    times[70] += 0.2e-3
    rows = "".join(f"{t:.7f},1\n" for t in times)
    (capture,) = read_text(tmp_path, f"t,va\n{rows}")
    assert (capture.header.rate_hz, capture.header.n_samples) == (1000.0, 100)
    assert any(isinstance(note, Repair) and "up to 20 %: 2" in note for note in capture.header.notes)


def uneven_rows() -> str:
    steps = np.where(np.arange(400) < 200, 1.0, np.where(np.arange(400) < 230, 0.88, 1.0))
    return "".join(f"{t:.7f},1\n" for t in np.concatenate(([0.0], np.cumsum(steps))) / 1000)


def test_many_uneven_steps_are_refused_with_their_line_unless_a_rate_is_given(tmp_path: Path) -> None:
    with pytest.raises(MalformedRecord, match=r"line 20\d, column t.*not evenly spaced.*rate_hz in x.csv.toml"):
        read_text(tmp_path, f"t,va\n{uneven_rows()}")
    (tmp_path / "x.csv.toml").write_text("rate_hz = 1000.0\n")
    (capture,) = read_text(tmp_path, f"t,va\n{uneven_rows()}")
    assert (capture.header.rate_hz, capture.header.n_samples) == (1000.0, 401)
    assert any(isinstance(note, Repair) and ": 30;" in note for note in capture.header.notes)


@pytest.mark.parametrize("block_bytes", [1 << 9, 1 << 21])
def test_a_gap_cuts_the_record_in_two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block_bytes: int) -> None:
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", block_bytes)
    times = np.concatenate([np.arange(300), np.arange(302, 500)]) / 1000
    rows = "".join(f"{t:.3f},{k}\n" for k, t in enumerate(times))
    captures = read_text(tmp_path, f"# start: 2026-03-02T06:00:00Z\nt,va\n{rows}")
    assert [capture.header.n_samples for capture in captures] == [300, 198]
    assert [capture.header.rate_hz for capture in captures] == [1000.0, 1000.0]
    assert [capture.header.start_ns - START_NS for capture in captures] == [0, 302_000_000]
    assert captures[1].samples[0, 0] == 300.0
    check_reader_contract(tmp_path / "x.csv", *captures, may_be_shorter=[".csv"])


def test_a_change_of_rate_is_refused_with_its_line(tmp_path: Path) -> None:
    times = np.concatenate([np.arange(100), 100 + 2 * np.arange(100)])
    rows = "".join(f"{t},1\n" for t in times)
    with pytest.raises(MalformedRecord, match=r"line 10\d, column t \(ms\).*rate appears to change"):
        read_text(tmp_path, f"t (ms),va\n{rows}")


def test_long_files_come_in_pieces_that_follow_one_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MAX_CAPTURE_SAMPLES", 250)
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", 1 << 10)
    values = table(640)
    pieces = read_text(tmp_path, values.to_csv(index=False))
    assert [piece.header.n_samples for piece in pieces] == [250, 250, 140]
    assert [piece.header.start_ns for piece in pieces] == [0, round(250e9 / RATE_HZ), round(500e9 / RATE_HZ)]
    np.testing.assert_array_equal(np.concatenate([p.samples for p in pieces], axis=1), expected_of(values).samples)


def test_empty_cells_are_missing_samples(tmp_path: Path) -> None:
    (capture,) = read_text(tmp_path, "t (ms),va (V),vb (V)\n0,1,\n1,,2\n2,nan,  \n3,4,5\n")
    np.testing.assert_array_equal(capture.samples, [[1, np.nan, np.nan, 4], [np.nan, 2, np.nan, 5]])


def test_infinite_values_are_missing_and_noted(tmp_path: Path) -> None:
    (capture,) = read_text(tmp_path, "t (ms),va (V)\n0,1\n1,inf\n2,1e300\n3,4\n")
    np.testing.assert_array_equal(capture.samples, [[1, np.nan, np.nan, 4]])
    assert "2 values are infinite or beyond float32" in " ".join(capture.header.notes)


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("t,va\n0,1\n1,x\n2,3\n", "line 3, column va", "'x' is not a valid number"),
        ("t,va\n0,1\n\n1,2\n2,1;5\n", "line 5, column va", "not a valid number"),
        ("t;va\n0;1,5\n1;2.5\n", "line 3, column va", "decimal mark is ','"),
        ("# x: y\nt,va,vb\n0,1,2\n1,2\n", "line 4", "has 2 cells, the header 3"),
        ("t,va\n0,1\n1,2\n2,3,4\n", "line 4", "has 3 cells, the header 2"),
        ("t,va\n0,1\n2,2\n1,3\n", "line 4, column t", "time runs backwards"),
        ("t,va\n0,1\n\n2,2\n1,3\n", "line 5, column t", "time runs backwards"),
        ("t,va\n1,1\n1,2\n1,3\n", "line 2, column t", "stands still"),
        ("t,va\n0,1\n,2\n2,3\n", "line 3, column t", "time is missing"),
        ("time,va\n2026-03-02 06:00:00,1\nlater,2\n", "line 3, column time", "'later' is not a valid time"),
        ("time,va\n2026-03-02 06:00:00,1\n2026-03-02 05:00:00,2\n", "line 3, column time", "time runs backwards"),
        ("t,va\n0,1\n", "t", "too few rows"),
        ("va,vb\n0,1\n1,2\n", "", "add rate_hz = ... to x.csv.toml"),
        ("t,va\n", "", "no header line"),
        ("0,1\n1,2\n", "", "no header line"),
        ("", "", "the file is empty"),
        ("t,x,y\n0,1,2\n1,2,3\n", "", "no column states what it measures"),
        ("# start: yesterday\nt,va\n0,1\n1,2\n", "line 1", "not a date with a time"),
        ("\n# rate_hz: fast\nt,va\n0,1\n1,2\n", "line 2", "not a number"),
        ("# rate_hz: 3200\nt (ms),va\n0,1\n1,2\n2,3\n", "t (ms)", "implies 1000 Hz, the rate given is 3200 Hz"),
        ("# channels.va.phase: X\nt,va\n0,1\n1,2\n", "line 1", "allowed are A, B, C"),
    ],
)
def test_a_wrong_file_is_refused_with_line_and_column(tmp_path: Path, text: str, place: str, words: str) -> None:
    with pytest.raises(ReadError) as caught:
        read_text(tmp_path, text)
    assert caught.value.path.name == "x.csv"
    assert caught.value.place == place
    assert words in caught.value.reason


def test_an_unwanted_column_is_not_parsed(tmp_path: Path) -> None:
    text = "t (ms),va (V),status\n0,1,ok\n1,2,late\n2,3,ok\n"
    (capture,) = read_text(tmp_path, text)
    assert [channel.name for channel in capture.header.channels] == ["va"]
    assert "status" in " ".join(capture.header.notes)
    (capture,) = read_text(tmp_path, text.replace("2,late", "zwei,late"), quantities=("current",))
    assert capture.samples.shape == (0, 3)


def test_a_description_renames_nothing_but_says_the_rest(tmp_path: Path) -> None:
    (tmp_path / "x.csv.toml").write_text(
        'rate_hz = 800\nstart = 2026-03-02T06:00:00Z\n[channels.ch2]\nunit = "kV"\nphase = "B"\nscale = 2\noffset = 1\n'
    )
    (capture,) = read_text(tmp_path, "ch1,ch2\n1,2\n3,4\n5,6\n")
    (channel,) = capture.header.channels
    assert (channel.name, channel.quantity, channel.phase, channel.unit) == ("ch2", "voltage", "B", "V")
    np.testing.assert_array_equal(capture.physical(0), [5000, 9000, 13000])  # (2 x + 1) kV by hand
    assert (capture.header.rate_hz, capture.header.start_ns) == (800.0, START_NS)


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ('rate_hz = 800\n[channels."va (V)"]\n[channels.vx]', "channels.vx", "no such column; the nearest is va (V)"),
        ("rate_hz = 800\n[channels.va]\nunit = 'A'\nquantity = 'voltage'", "channels.va", "does not match unit 'A'"),
        ("time_column = 'tt'", "time_column", "no such column; the nearest is t"),
    ],
)
def test_a_description_that_does_not_fit_is_refused(tmp_path: Path, text: str, place: str, words: str) -> None:
    (tmp_path / "x.toml").write_text(text)
    with pytest.raises(MalformedRecord) as caught:
        read_text(tmp_path, "t,va (V)\n0,1\n1,2\n")
    assert (caught.value.path.name, caught.value.place) == ("x.toml", place)
    assert words in caught.value.reason


@pytest.mark.parametrize(
    ("name", "head"),
    [
        ("x.cfg", b"Harrow Mill,1,1999\r\n12,8A,4D\r\n1,VA,A,,kV,0.1,0,0,-32767,32767,1,1,P\r\n"),
        ("x.txt", b"Harrow Mill,1,1999\r\n12,8A,4D\r\n1,VA,A,,kV,0.1,0,0,-32767,32767,1,1,P\r\n"),
        ("x.dat", b"1,0,10,-20,30\r\n2,156,11,-21,31\r\n"),
        ("x.toml", b"rate_hz = 6400\n[channels.v1]\n"),
        ("x.txt", b"rate_hz = 6400\nstart = 2026-03-02T06:00:00Z\n[channels.v1]\n"),
        ("x.json", b'{"t": [0, 1], "va": [1, 2]}'),
        ("x.txt", b'{"t": [0, 1],\n"va": [1, 2]}\n'),
        ("x.xml", b"<?xml version='1.0'?>\n<a>\n"),
        ("x.csv", b"<html><body>1,2\n3,4"),
        ("x.csv", b"PK\x03\x04\x14\x00\x00\x00"),
        ("x.txt", b"Dear all,\nplease find the records below.\nYours\n"),
        ("x.csv", "t,va\n0,1\n".encode("utf-16")),
        ("x", b"\x7fELF\x02\x01\x01\x00\x00"),
    ],
)
def test_other_formats_are_not_taken_for_text_tables(tmp_path: Path, name: str, head: bytes) -> None:
    assert not READER.recognises(tmp_path / name, head)


@pytest.mark.parametrize("head", [b"t,va\n0,1\n", b"t (ms)\tu1 [V]\n0\t1\n", "t;U (µV)\n0;1,5\n".encode("latin-1")])
@pytest.mark.parametrize("name", ["x.csv", "x.txt", "x.dat", "x"])
def test_text_tables_are_recognised_whatever_their_ending(tmp_path: Path, name: str, head: bytes) -> None:
    assert READER.recognises(tmp_path / name, head)


def test_latin_1_units_are_read(tmp_path: Path) -> None:
    (capture,) = read_text(tmp_path, "t (ms);U1 (µV)\n0;1,5\n1;2\n2;3\n".encode("latin-1"))
    assert capture.header.channels[0].scale == 1e-6


@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", ".")])
def test_what_is_written_reads_back(tmp_path: Path, separator: str, decimal: str) -> None:
    samples = (three_phase(500) * 50).astype(np.int16).T.copy()
    samples[1, 7] = -32768
    channels = (
        Channel("U1", "voltage", "A", "V", scale=0.02, offset=0.25, rated=230.0),
        Channel("Line, two", "voltage", "B", "V", scale=0.02, missing_code=-32768),
        Channel('odd "name" (2)', "other", "", "", scale=0.5, point="feeder 3: west"),
        Channel("I_A", "current", "A", "A", scale=1e-3),
    )
    header = Header("Harrow Mill", START_NS + 156, 6399.987654321, 500, channels, "int16", 50.0, START_NS + 10**7)
    capture = Capture(header, samples)
    path = tmp_path / "x.csv"
    write_delimited(capture, path, separator=separator, decimal=decimal)
    check_reader_contract(path, capture, may_be_shorter=[".csv"])
    assert next(read_captures(path)).header.channels[0].rated == 230.0


@pytest.mark.parametrize(("separator", "decimal"), [(",", ","), ("|", "."), (";", "·")])
def test_the_writer_refuses_signs_that_cannot_be_read(tmp_path: Path, separator: str, decimal: str) -> None:
    header = Header("", 0, RATE_HZ, 1, (Channel("U1", "voltage", "A", "V"),), "float32")
    with pytest.raises(ConfigError, match="allowed separators"):
        write_delimited(
            Capture(header, np.ones((1, 1), np.float32)), tmp_path / "x", separator=separator, decimal=decimal
        )


@pytest.mark.slow
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_damaged_copies_are_read_or_refused(tmp_path: Path, separator: str) -> None:
    write_delimited(expected_of(table(80)), tmp_path / "x.csv", separator=separator)
    check_broken_copies(tmp_path / "x.csv")


@settings(max_examples=40, deadline=None)
@given(
    values=st.lists(st.floats(width=32, allow_infinity=False, allow_nan=True), min_size=2, max_size=30),
    rate_hz=st.floats(100, 1e6),
    start_ns=st.integers(-(2**61), 2**62),
    name=st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=12),
    separator_and_decimal=st.sampled_from([(",", "."), (";", ","), ("\t", ",")]),
)
def test_round_trip_of_any_capture(tmp_path_factory, values, rate_hz, start_ns, name, separator_and_decimal) -> None:
    path = tmp_path_factory.mktemp("round") / "x.csv"
    channel = Channel(name, "voltage", "B", "V")
    header = Header("", start_ns, rate_hz, len(values), (channel,), "float32", source="x.csv")
    separator, decimal = separator_and_decimal
    write_delimited(Capture(header, np.array([values], np.float32)), path, separator=separator, decimal=decimal)
    (capture,) = READER.read(path, quantities=None)
    assert capture.header == header
    np.testing.assert_array_equal(capture.samples, np.array([values], np.float32))  # nine digits are enough for float32


def test_a_layout_beside_a_table_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.csv.toml").write_text('layout = "channel,sample"\n')
    with pytest.raises(MalformedRecord, match="only to arrays of a NumPy archive"):
        read_text(tmp_path, "t,va\n0,1\n1,2\n")


@pytest.mark.parametrize(("ending", "noted"), [("\n", False), ("\r\n", False), ("", True)])
def test_a_text_that_ends_within_its_last_line_is_noted(tmp_path: Path, ending: str, noted: bool) -> None:
    # Derived: 1234.5 that is cut to 123 is a number too; only the end of the line that is not there shows it.
    path = tmp_path / "x.csv"
    path.write_bytes(b"t (s),U1 (V)\n0,1\n0.001,2\n0.002,123" + ending.encode())
    (capture,) = read_captures(path)
    assert any("the last line has no line end" in note for note in capture.header.notes) == noted
