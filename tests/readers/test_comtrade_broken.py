"""COMTRADE files that are broken on purpose: each is refused in words, with its place."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from comtrade_files import (
    LINES,
    VALUES,
    ascii_rows,
    binary_rows,
    put,
    rates,
    read_lines,
    read_one,
    variant,
)

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers import comtrade as reader_module
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.readers.comtrade import READER, sources


@pytest.mark.parametrize(("changed", "message"), [
    ({1: "Mill Lane,rec 1,199x"}, "line 1: the revision year must have four digits"),
    ({2: "5,3X,2D"}, "line 2: the numbers of channels must read like"),
    ({2: "6,3A,2D"}, "line 2: 6 channels declared, but 3 analogue and 2 digital"),
    ({2: "5,4A,1D"}, "line 6: analogue channel 4 needs at least 10 fields"),
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
    ({11: "31/02/2024,00:00:00"}, "line 11: '31/02/2024' is not a date"),
    ({11: "13/13/2024,00:00:00"}, "line 11: '13/13/2024' is not a date"),
    ({11: "05/03/1700,00:00:00"}, "line 11: year 1700"),
    ({11: "yesterday,00:00:00"}, "line 11: 'yesterday' is not a date"),
    ({11: "05/03/2024,24:00:00"}, "line 11: '24:00:00' is not a time of day"),
    ({11: "05/03/2024,noon"}, "line 11: 'noon' is not a time of day"),
    ({11: "05/03/2024"}, "line 11: the time of the first sample must read like"),
    ({11: ","}, "line 11: the time of the first sample is missing"),
    ({11: "00/00/0000,00:00:00.0"}, "line 11: the time of the first sample is missing"),
    ({11: ""}, "line 12: one of the two lines with the times of the first sample and the trigger is missing"),
    ({12: "31/02/2024,00:00:00"}, "line 12: '31/02/2024' is not a date"),
    ({13: "BINARY64"}, "line 13: the kind of data must be one of ASCII, BINARY, BINARY32, FLOAT32"),
    ({13: "", 14: ""}, "after line 12: the configuration ends before the kind of data"),
    ({9: "0", 10: "0,6", 14: "0"}, "line 14: the time multiplier must be a number"),
    ({1: "Mill Lane,rec 1,2013", 15: "noon,0"}, "line 15: time code 'noon' is not an offset"),
    ({1: "Mill Lane,rec 1,2013", 15: "+26,0"}, r"line 15: time code '\+26' is not an offset"),
])  # fmt: skip
def test_a_broken_configuration_is_refused_with_its_line(tmp_path, changed, message):
    if message is None:  # a rate so low that the recording ends within what nanoseconds hold is no failure
        assert read_lines(tmp_path, changed).header.rate_hz == 1e-6
        return
    with pytest.raises(MalformedRecord, match=message):
        read_lines(tmp_path, changed)


@pytest.mark.parametrize(("kind", "change", "message"), [
    ("BINARY", lambda data: b"", "r.dat: the data hold no samples"),
    ("BINARY", lambda data: data[:-1], "r.dat, byte 80: 95 bytes are 5 rows of 16 bytes and 15 bytes left over"),
    ("BINARY", lambda data: data + b"xx", "r.dat, byte 96: 98 bytes are 6 rows"),
    ("BINARY", lambda data: data + b"x", "r.dat, byte 96: 97 bytes are 6 rows"),
    ("BINARY", lambda data: data[:-16], "r.dat: the configuration declares 6 samples, the data hold 5"),
    ("BINARY32", lambda data: data, "r.dat, byte 88: 96 bytes are 4 rows of 22 bytes"),
    ("ASCII", lambda data: b"", "r.dat, line 1: the data hold no rows of numbers"),
    ("ASCII", lambda data: b"\r\n \r\n", "r.dat, line 1: the data hold no rows of numbers"),
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
    (b"BINARY: 800", b"BINARY: 900", "the DAT section declares 900 bytes, the file holds 800: it is truncated"),
    (b"BINARY: 800", b"BINARY: 700", "700 bytes are 43 rows of 16 bytes and 12 bytes left over"),
    (b"DAT BINARY: 800", b"DAT ASCII", "the configuration states BINARY data, the section line ASCII"),
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


@pytest.mark.slow
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
