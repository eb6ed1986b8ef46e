"""COMTRADE samples: against the general-purpose `comtrade` package, and what they are scaled to."""

from __future__ import annotations

import warnings
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import comtrade
import numpy as np
import pytest
from comtrade_files import (
    BINARY_TYPES,
    EPOCH,
    LINES,
    RECORDINGS,
    VALUES,
    ascii_rows,
    at,
    binary_rows,
    has_note,
    put,
    read,
    read_lines,
    read_one,
    variant,
)

from halfcycle.pipeline.readers import comtrade as reader_module
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.records.points import points_of

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


def test_a_secondary_side_with_a_ratio_of_one_is_left_as_it_is_and_noted(tmp_path):
    capture = read_lines(tmp_path, {3: "1,UA,A,,V,0.5,0,0,-32767,32767,1,1,S"})
    assert capture.header.channels[0].scale == 0.5
    assert has_note(capture, "a ratio of 1 stay in secondary volts and amperes (UA)")


def test_a_negative_multiplier_turns_the_wave_and_its_offset_is_added(tmp_path):
    capture = read_lines(tmp_path, {3: "1,UA,A,,V,-0.5,12.5,0,-32767,32767,1,1,P"})
    np.testing.assert_array_equal(capture.physical(0), 12.5 - 0.5 * VALUES[:, 0])


@pytest.mark.parametrize("limits", ["0,0", "100,-100", "-5,5", "32767,-32768", ","])
def test_stated_limits_of_samples_are_not_believed(tmp_path, limits):
    capture = read_lines(tmp_path, {3: f"1,UA,A,,V,0.5,0,0,{limits},1,1,P"})
    np.testing.assert_array_equal(capture.physical(0), 0.5 * VALUES[:, 0])
    assert (capture.header.channels[0].rail_low, capture.header.channels[0].rail_high) == (-32767, 32767)


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
    assert [channel.point for channel in channels] == ["bus 1", "", ""]  # a circuit without a voltage is no point
    channels = read_lines(tmp_path, {5: "3,IA,A,bus 1,A,0.01,0,0,-32767,32767,1,1,P"}).header.channels
    assert [channel.point for channel in channels] == ["bus 1", "bus 1", "bus 1"]  # a current of one belongs to it


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


# --- blank units, and numbers as phases


def test_channels_without_a_unit_are_read_by_names_that_tell_quantity_and_phase(tmp_path: Path) -> None:
    # The names' own meaning: V and U for voltages, I for currents, A or L1 for the first conductor.
    capture = read_lines(
        tmp_path, {3: "1,VA,,,,0.5,0,0,-32767,32767,1,1,P", 4: "2,trip,,,,1,0,0,-32767,32767,1,1,P",
                   5: "3,IL1,,,,0.01,0,0,-32767,32767,1,1,P"},
    )  # fmt: skip
    found = [(c.name, c.quantity, c.phase, c.unit, c.scale) for c in capture.header.channels]
    assert found == [
        ("VA", "voltage", "A", "V", 0.5),
        ("trip", "other", "", "", 1.0),
        ("IL1", "current", "A", "A", 0.01),
    ]
    (note,) = [note for note in capture.header.notes if "without a unit" in note]
    assert isinstance(note, Repair)
    assert note.endswith("(VA, IL1)")


def test_numbers_in_phase_fields_that_make_no_set_say_nothing(tmp_path: Path) -> None:
    # As found: two line-to-line voltages with the phase fields 0 and 1.
    capture = read_lines(
        tmp_path, {3: "1,Uab,0,,V,0.5,0,0,-32767,32767,1,1,P", 4: "2,Ubc,1,,V,0.5,0,0,-32767,32767,1,1,P"}
    )
    assert [channel.phase for channel in capture.header.channels] == ["AB", "BC", "A"]
    (point,) = points_of(capture.header)
    assert (point.hookup.name, point.phases) == ("three-wire", ("AB", "BC", "CA"))


def test_phase_fields_that_name_inputs_are_understood(tmp_path: Path) -> None:
    capture = read_lines(
        tmp_path, {3: "1,ch 1,V1,,ampere,1,0,0,-32767,32767,1,1,P", 4: "2,ch 2,V4,,Volt,1,0,0,-32767,32767,1,1,P",
                   5: "3,ch 3,L1-N,,kilovolt,1,0,0,-32767,32767,1,1,P"},
    )  # fmt: skip
    found = [(c.quantity, c.phase, c.scale) for c in capture.header.channels]
    assert found == [("current", "A", 1.0), ("voltage", "N", 1.0), ("voltage", "A", 1000.0)]
