"""COMTRADE files as they come: line ends, capitals, code pages, and which files are COMTRADE at all."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest
from comtrade_files import (
    LINES,
    VALUES,
    ascii_rows,
    binary_rows,
    has_note,
    put,
    read_lines,
    read_one,
    variant,
)

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.readers import capture_files, reader_of
from halfcycle.pipeline.readers.comtrade import READER
from halfcycle.pipeline.readers.comtrade.text import decode

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
    assert has_note(read_lines(tmp_path, {14: "none"}), "the time multiplier 'none' is not a number")


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
    assert has_note(capture, "time skews of channels are stated but not applied (U3")


def test_channel_lines_that_were_read_before_say_the_same_again(tmp_path):
    odd = {3: "1,UA,A,bus 1,V,0.5,,12.5,-32767,32767,110000,110,"}
    first, again = (read_lines(tmp_path, odd | {1: f"{station},rec 1,1999"}) for station in ("Mill Lane", "Quay"))
    assert (first.header.station, again.header.station) == ("Mill Lane", "Quay")
    assert again.header.channels == first.header.channels
    assert again.header.notes == first.header.notes
    assert len(first.header.notes) > 3
    older = read_lines(tmp_path, odd | {1: "Mill Lane,rec 1,1991"})  # in 1991 channels had no side to be marked with
    assert not has_note(older, "not marked primary or secondary")


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


def test_bytes_beyond_the_data_that_a_single_file_declares_are_left_out_and_noted(tmp_path):
    path = variant(tmp_path, 2013, "BINARY", 2, single=True)
    expected = read_one(path).digest()
    path.write_bytes(path.read_bytes() + bytes(32))
    capture = read_one(path)
    assert capture.digest() == expected
    assert has_note(capture, "32 bytes follow the 800 that the DAT section declares")


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


@pytest.mark.parametrize("age_s", [0.0, 60.0])
def test_a_file_that_comes_later_belongs_to_its_configuration_too(tmp_path, age_s):
    """Whether the folder has just changed or was at rest: a change of it is seen by its time."""
    path = put(tmp_path, LINES, binary_rows(VALUES))
    then = time.time() - age_s
    os.utime(tmp_path, (then, then))
    before = {p.name for p in READER.companions(path)}
    assert before == {p.name for p in READER.companions(path)} == {f"{path.stem}.dat"}
    path.with_suffix(".hdr").write_text("written by hand")
    assert {p.name for p in READER.companions(path)} == before | {f"{path.stem}.hdr"}


@pytest.mark.parametrize(("text", "encoding", "used"), [
    ("Trafostation Mühle,Gerät,1999", "utf-8", None), ("Trafostation Mühle,Gerät,1999", "latin-1", "latin-1"),
    ("ESTAÇÃO,subestação,1999", "latin-1", "latin-1"), ("主变高压侧,母线,1999", "gb18030", "gb18030"),
    ("Подстанция Заря,рег,1999", "cp1251", "windows-1251"), ("°ÿ°ÿ,pairs that are no Chinese", "latin-1", "latin-1"),
    ("Mühle – Süd,„Gerät“,1999", "cp1252", "windows-1252"), ("Beauséjour d\u2019Été,1999", "cp1252", "windows-1252"),
    ("Göteborg,25 €,1999", "cp1252", "windows-1252"), ("Mühle Süd,Gerät,1999", "cp437", "cp437"),
    ("ÜBERGABE GRÖSSE,rec,1999", "cp437", "cp437"), ("Ñandú Norte,25 °C,1999", "cp437", "cp437"),
    ("Måløy Sør,rec,1999", "cp850", "cp850"), ("Måløy Sør,rec,1999", "latin-1", "latin-1"),
    ("ua,25 °C,±5 µV", "latin-1", "latin-1"), ("東京変電所,rec,1999", "utf-8", None),
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


def test_text_after_the_declared_rows_is_left_out_and_noted(tmp_path):
    capture = read_lines(tmp_path, PLAIN_ASCII, ascii_rows(VALUES) + b"the end")
    np.testing.assert_array_equal(capture.samples, VALUES.T)
    assert has_note(capture, "the data from line 7 on are not data rows")


def test_more_rows_than_declared_are_left_out_and_noted(tmp_path):
    for kind, data in (("BINARY", binary_rows(VALUES)), ("ASCII", ascii_rows(VALUES) + b"the end")):
        capture = read_lines(tmp_path, {10: "1000,4", 13: kind}, data)
        np.testing.assert_array_equal(capture.samples, VALUES[:4].T)
        assert has_note(capture, "4 are declared; the excess rows are ignored")


def test_a_revision_between_the_editions_is_read_as_the_one_before(tmp_path):
    assert has_note(
        read_lines(tmp_path, {1: "Mill Lane,rec 1,2007"}), "2007 is not an edition of the standard; read as 1999"
    )


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
