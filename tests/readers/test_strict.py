"""Strict reading: what would be put right is refused instead; what is odd but allowed is not."""

from __future__ import annotations

import io
import math
import zipfile
from pathlib import Path

import numpy as np
import pqdif_bytes as made
import pytest
from comtrade_files import LINES, VALUES, ascii_rows, binary_rows, put, read_one

from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

SOURCE = "the project's own design: a repair is noted, or refused in a strict reading"
ASCII = {13: "ASCII"}


@pytest.mark.parametrize(("changed", "data", "words"), [
    ({10: "1000,4"}, binary_rows(VALUES), "6 rows, 4 are declared"),
    (ASCII, ascii_rows(VALUES) + b"the end", "are not data rows"),
    ({}, binary_rows(VALUES, stamps=np.arange(6) * 7), "the sampling rates are used"),
    ({1: "Mill Lane,rec 1,2007"}, binary_rows(VALUES), "not an edition of the standard"),
    ({3: LINES[3] + ",extra"}, binary_rows(VALUES), "fields after the first 13"),
    ({3: "1,UA,A,bus 1,V,0.5,,0,-32767,32767,1,1,P"}, binary_rows(VALUES), "empty offsets are taken as 0"),
    ({3: "1,UA,A,bus 1,V,0.5,0,0,-32767,32767,1,1,"}, binary_rows(VALUES), "not marked primary or secondary"),
    ({3: "1,UA,A,bus 1,V,0.5,0,0,-32767,32767,0,1,S"}, binary_rows(VALUES), "no ratio above 0"),
    ({9: "0", 10: ""}, binary_rows(np.tile(VALUES, (2, 1))), "number of samples is not declared"),
    ({11: "03/25/2024,1:2:3", 12: "03/25/2024,1:2:3"}, binary_rows(VALUES), "dates are not in the order"),
    ({11: "05/03/24,1:2:3", 12: "05/03/24,1:2:3"}, binary_rows(VALUES), "years of two digits"),
    ({14: "none"}, binary_rows(VALUES), "time multiplier 'none'"),
    ({14: ""}, binary_rows(VALUES), "time multiplier is not stated"),
    ({1: "Mühle,rec 1,1999"}, binary_rows(VALUES), "not UTF-8; read as latin-1"),
    ({9: "2", 10: "1000,3\r\n1001,6"}, binary_rows(VALUES), "2 sampling rates"),
])  # fmt: skip
def test_what_is_put_right_in_a_comtrade_file_is_refused_in_a_strict_reading(tmp_path, changed, data, words):
    path = put(tmp_path, LINES | changed, data)
    if not path.read_bytes().isascii():
        path.write_bytes(path.read_text(encoding="utf-8").encode("latin-1"))
    (repair,) = [note for note in read_one(path).header.notes if isinstance(note, Repair)]
    assert words in repair
    with pytest.raises(ReadError, match="needs repair, which strict reading refuses: ") as caught:
        list(read_captures(path, strict=True))
    assert words in caught.value.reason


def test_gaps_and_numbers_and_units_of_stamps_are_repairs_too(tmp_path):
    values = np.arange(180).reshape(60, 3)
    for name, stamps in (("gap", np.arange(60) * 1000 + 5000 * (np.arange(60) > 30)), ("unit", np.arange(60) * 10**6)):
        path = put(tmp_path, LINES | {10: "1000,60"}, binary_rows(values, stamps=stamps), name=f"{name}.cfg")
        with pytest.raises(ReadError, match="strict reading refuses"):
            list(read_captures(path, strict=True))
    data = bytearray(binary_rows(VALUES))
    data[5 * 16] = 99
    with pytest.raises(ReadError, match="numbered from 1 to 99"):
        list(read_captures(put(tmp_path, LINES, bytes(data)), strict=True))


@pytest.mark.parametrize(("text", "words"), [
    ("t,ua (V)\n0,1\n0.1,inf\n0.2,2\n", "values are infinite"),
    ("t,ua (V)\n" + "".join(f"{i + 0.01 * (i % 3)},1\n" for i in range(9)), "steps vary by up to"),
])  # fmt: skip
def test_what_is_put_right_in_a_table_is_refused_in_a_strict_reading(tmp_path, text, words):
    path = tmp_path / "x.csv"
    path.write_text(text)
    assert any(words in note for note in next(read_captures(path)).header.notes)
    with pytest.raises(ReadError, match=words):
        list(read_captures(path, strict=True))


def test_what_is_odd_but_allowed_is_read_strictly_and_noted(tmp_path):
    path = put(tmp_path, LINES | {12: "05/03/2024,23:59:00"}, binary_rows(VALUES))
    (capture,) = read_captures(path, strict=True)
    assert any("time zone is not stated" in note for note in capture.header.notes)
    assert any("before the first sample" in note for note in capture.header.notes)
    nanoseconds = {1: "Mill Lane,rec 1,2013", 11: "05/03/2024,23:59:58.500000000", 15: "+9,+9", 16: "B,3"}
    data = binary_rows(VALUES, stamps=np.arange(6) * 10**6)
    (capture,) = read_captures(put(tmp_path, LINES | nanoseconds, data), strict=True)
    assert any("count nanoseconds" in note for note in capture.header.notes)
    assert any("clock was not locked" in note for note in capture.header.notes)


def test_a_capture_that_was_repaired_and_stored_is_read_strictly(tmp_path):
    repaired = read_one(put(tmp_path, LINES | {10: "1000,4"}, binary_rows(VALUES)))
    write_waveform_parquet(repaired, tmp_path / "x.parquet")
    (stored,) = read_captures(tmp_path / "x.parquet", strict=True)
    assert stored.header.notes == repaired.header.notes


def test_a_strict_reading_of_a_bundle_names_the_member(tmp_path):
    path = put(tmp_path, LINES | {10: "1000,4"}, binary_rows(VALUES))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.write(path, "sub/r.cfg")
        archive.write(path.with_suffix(".dat"), "sub/r.dat")
    bundle = Path(tmp_path, "b.zip")
    bundle.write_bytes(packed.getvalue())
    with pytest.raises(ReadError, match=r"b\.zip, sub/r\.cfg: needs repair, which strict reading refuses"):
        list(read_captures(bundle, strict=True))


VALUE_STEPS = made.steps((8, 0.001))
COUNTS = made.stored(21, [0, 100, -100, 200, 7, -9, 32767, -32768])


def settings(*, used, ratio=1.0, calibration=1.0):
    """Monitor settings of the first channel: a transducer ratio, a calibration, and whether to use them."""
    setting = made.collection(
        "tagOneChannelSetting", made.scalar("tagChannelDefnIdx", 32, 0), made.scalar("tagXDSystemSideRatio", 41, ratio),
        made.scalar("tagXDMonitorSideRatio", 41, 1.0), made.scalar("tagCalRatio", 41, calibration),
    )  # fmt: skip
    flags = [made.scalar("tagUseTransducer", 3, used), made.scalar("tagUseCalibration", 3, used)]
    return "tagRecMonitorSettings", made.body(*flags, made.collection("tagChannelSettingsArray", setting))


def sine(rms):
    return made.stored(40, (rms * math.sqrt(2) * np.sin(2 * np.pi * np.arange(1280) / 128)).tolist())


def pqdif(folder, *records, channel=None, times=VALUE_STEPS, values=COUNTS, zone="UTC", checksum=None):
    """A file of one waveform, with further records before its observation."""
    source = made.source(made.channel("UA") if channel is None else channel, zone=zone)
    observation = made.observation(made.instance(0, times, values))
    path = folder / "x.pqd"
    path.write_bytes(made.file(made.container(), source, *records, observation, **checksum or {}))
    return path


UNEVEN = made.stored(41, [0.001 * (i + 0.01 * (i % 3)) for i in range(8)])
LISTED = made.channel("UA", time_method=1)


@pytest.mark.parametrize(("records", "how", "words"), [
    ([], {"times": made.steps((7, 0.001))}, "one fewer than the samples"),
    ([], {"values": made.stored(40, [1.0, math.inf] * 4)}, "4 values are infinite"),
    ([], {"channel": made.channel("UA", units=0)}, "without a unit, taken as V or A"),
    ([], {"channel": LISTED, "times": UNEVEN}, "steps vary by up to"),
    ([], {"checksum": {"checksum": lambda stored: 7}}, "not Adler-32 and are not compared"),
    ([settings(used=1, ratio=100.0)], {}, "are to be used; values are taken as they are: 100 of UA"),
    ([settings(used=1, calibration=1.02)], {}, "calibrations are stated but not applied: UA"),
    ([], {"channel": made.channel("UA", nominal=325.27), "times": made.steps((1280, 1 / 6400)), "values": sine(230.0)},
     "is the peak of the waveform; the rated value is 230.001 V RMS: UA"),
])  # fmt: skip
def test_what_is_put_right_or_guessed_in_a_pqdif_file_is_refused_in_a_strict_reading(tmp_path, records, how, words):
    path = pqdif(tmp_path, *records, **how)
    (repair,) = [note for note in read_one(path).header.notes if isinstance(note, Repair)]
    assert words in repair
    with pytest.raises(ReadError, match="needs repair, which strict reading refuses: ") as caught:
        list(read_captures(path, strict=True))
    assert words in caught.value.reason


@pytest.mark.parametrize(("records", "how", "words"), [
    ([], {"zone": ""}, "the time zone is not stated"),
    ([], {"zone": "CET"}, "the time zone stated is 'CET'"),
    ([settings(used=0, ratio=100.0)], {}, "are not to be used; values are taken as they are"),
    ([], {"channel": made.channel("UA", units=18)}, "voltages or currents in other units, not judged: UA"),
    ([], {"values": made.stored(41, [0.1] * 8)}, "64-bit samples are read as 32-bit"),
    ([], {"channel": made.channel("UA", nominal=230.0), "times": made.steps((1280, 1 / 6400)), "values": sine(0.0)},
     "neither the RMS nor the peak of the waveform"),
])  # fmt: skip
def test_what_is_odd_but_allowed_in_a_pqdif_file_is_read_strictly_and_noted(tmp_path, records, how, words):
    (capture,) = read_captures(pqdif(tmp_path, *records, **how), strict=True)
    assert [words in note for note in capture.header.notes] == [True]


def test_observations_that_are_left_out_and_waveforms_without_samples_are_no_repair(tmp_path):
    intervals, *observations = made.interval_records()
    source = made.source(made.channel("UA"), made.channel("UB", phase=2))
    empty = made.instance(1, made.stored(41, []), made.stored(21, []))
    waveform = made.observation(made.instance(0, VALUE_STEPS, COUNTS), empty)
    path = tmp_path / "x.pqd"
    path.write_bytes(made.file(made.container(), intervals, *observations, source, waveform))
    (capture,) = read_captures(path, strict=True)
    assert capture.header.notes == (
        "3 interval observations (RMS) not read as waveforms",
        "waveforms without samples: UB",
    )
