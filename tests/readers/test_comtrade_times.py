"""COMTRADE: when samples were taken, by rate tables, time stamps and dates."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from comtrade_files import (
    LINES,
    VALUES,
    ascii_rows,
    at,
    binary_rows,
    has_note,
    put,
    rates,
    read,
    read_lines,
)

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import MalformedRecord


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
    ([0xFFFFFFFF, *range(0, 19000, 1000)], "missing at an end"),
    ([*range(0, 10000, 1000), 30000, *range(50000, 60000, 1000)], "not uniform"),
    ([0, *range(50000, 60000, 1000)], "not uniform"),
    ([*range(0, 10000, 1000), 50000], "not uniform"),
    (np.cumsum(1000 + np.arange(40) * 3), "not uniform"),  # no two steps differ by much, first and last do
])  # fmt: skip
def test_time_stamps_without_a_uniform_rate_are_refused(tmp_path, stamps, words):
    with pytest.raises(MalformedRecord, match=words):
        by_stamps(tmp_path, stamps)


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


# --- time stamps beside a rate table -------------------------------------------------------------------------------


def stamped(folder: Path, stamps: Any, *table: str, kind: str = "BINARY", **lines: str) -> list[Capture]:
    """A recording with a rate table and these time stamps."""
    n_samples = len(stamps)
    values = np.arange(3 * n_samples).reshape(n_samples, 3) % 1000
    changed = {9: str(len(table)), 10: "\r\n".join(table), 13: kind} | {int(k[1:]): line for k, line in lines.items()}
    data = ascii_rows(values.tolist(), stamps=stamps) if kind == "ASCII" else binary_rows(values, stamps=stamps)
    return read(put(folder, LINES | changed, data))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["ASCII", "BINARY"])
@pytest.mark.parametrize(("gap_us", "n_samples"), [(3_000, 40), (2_000_000, 40), (900_000, 40_000)])
def test_a_recording_is_cut_where_its_stamps_jump_ahead_of_its_rate_table(tmp_path, kind, gap_us, n_samples):
    stamps = np.arange(n_samples) * 1000
    stamps[n_samples // 2 + 3 :] += gap_us
    first, second = stamped(tmp_path, stamps, f"1000,{n_samples}", kind=kind)
    assert (first.header.n_samples, second.header.n_samples) == (n_samples // 2 + 3, n_samples // 2 - 3)
    assert second.header.start_ns - first.header.end_ns == gap_us * 1000
    assert has_note(first, "jump ahead of the sampling rates 1 times")
    joined = np.concatenate([first.samples, second.samples], axis=1)
    assert joined[0, :4].tolist() == [0, 3, 6, 9]
    assert joined.shape[1] == n_samples


def test_a_gap_may_be_one_sample_or_at_the_last_row_or_between_two_rates(tmp_path):
    stamps = np.arange(60) * 1000
    stamps[20:] += 1000
    assert [c.header.n_samples for c in stamped(tmp_path, stamps, "1000,60")] == [20, 40]
    stamps = np.arange(60) * 1000
    stamps[59] += 7000
    assert [c.header.n_samples for c in stamped(tmp_path, stamps, "1000,60")] == [59, 1]
    stamps = np.concatenate([np.arange(30) * 1000, 30_000 + 500_000 + np.arange(30) * 4000])
    first, second = stamped(tmp_path, stamps, "1000,30", "250,60")
    assert second.header.start_ns - first.header.end_ns == 500_000_000


def test_stamps_that_jump_all_the_time_are_no_times_and_cut_nothing(tmp_path):
    # Derived: 400 samples are no 130 recordings. One byte too many in a binary row makes such stamps of all later ones.
    stamps = np.cumsum(np.where(np.arange(400) % 3, 1000, 90_000_000))
    (capture,) = stamped(tmp_path, stamps, "1000,400")
    assert capture.header.n_samples == 400
    assert has_note(capture, "which is implausible")
    with pytest.raises(MalformedRecord, match="strict reading"):
        read(tmp_path / "r.cfg", strict=True)


def test_each_of_several_gaps_cuts(tmp_path):
    stamps = np.arange(90) * 1000
    stamps[30:] += 5000
    stamps[60:] += 50_000
    parts = stamped(tmp_path, stamps, "1000,90")
    assert [c.header.n_samples for c in parts] == [30, 30, 30]
    assert [c.header.start_ns - parts[0].header.start_ns for c in parts] == [0, 35_000_000, 115_000_000]


@pytest.mark.slow
@pytest.mark.parametrize("rate_hz", [3200.0, 6400.0, 40_000.0])
@pytest.mark.parametrize("resolution_us", [1, 1000, 10_000])
def test_stamps_that_are_rounded_are_no_gaps(tmp_path, rate_hz, resolution_us):
    stamps = np.floor(np.arange(30_000) * 1e6 / rate_hz / resolution_us).astype(int) * resolution_us
    (capture,) = stamped(tmp_path, stamps, f"{rate_hz},30000")
    assert (capture.header.n_samples, capture.header.rate_hz) == (30_000, rate_hz)
    assert not has_note(capture, "time stamps of the data")


@pytest.mark.parametrize("drift", [-5e-3, 5e-4, 8e-3])
def test_a_clock_that_runs_a_little_off_the_rate_table_is_no_gap(tmp_path, drift):
    stamps = np.rint(np.arange(50_000) * 100 * (1 + drift)).astype(int)
    assert [c.header.n_samples for c in stamped(tmp_path, stamps, "10000,50000")] == [50_000]


@pytest.mark.parametrize(("factor", "unit"), [(1000, "nanoseconds"), (1e-3, "milliseconds")])
def test_stamps_in_another_unit_than_stated_are_taken_in_that_and_noted(tmp_path, factor, unit):
    stamps = np.rint(np.arange(60) * 100_000 * factor).astype(int)
    stamps[30:] += round(500_000 * factor)
    first, second = stamped(tmp_path, stamps, "10,60")
    assert has_note(first, f"are in {unit}, as the sampling rates show")
    assert second.header.start_ns - first.header.end_ns == 500_000_000


@pytest.mark.parametrize("kind", ["ASCII", "BINARY"])
def test_stamps_that_are_all_missing_leave_the_rate_table_alone(tmp_path, kind):
    stamps = [""] * 60 if kind == "ASCII" else np.full(60, 0xFFFFFFFF)
    (capture,) = stamped(tmp_path, stamps, "1000,60", kind=kind)
    assert (capture.header.n_samples, capture.header.rate_hz) == (60, 1000.0)


def test_some_missing_stamps_hide_no_gap(tmp_path):
    stamps = np.arange(60) * 1000
    stamps[30:] += 9000
    stamps[[4, 5, 29, 30, 44]] = 0xFFFFFFFF
    first, second = stamped(tmp_path, stamps, "1000,60")
    assert (first.header.n_samples, second.header.n_samples) == (31, 29)  # the first stamp after the gap is row 32's


def test_stamps_that_jump_back_or_stand_are_noted_and_the_rates_used(tmp_path):
    stamps = np.arange(60) * 1000 + 90_000
    stamps[30:] -= 50_000
    (capture,) = stamped(tmp_path, stamps, "1000,60")
    assert has_note(capture, "jump back 1 times; the sampling rates are used there")


def test_sample_numbers_may_start_at_zero(tmp_path):
    data = np.frombuffer(binary_rows(VALUES), np.uint8).reshape(6, 16).copy()
    data[:, 0] -= 1
    capture = read_lines(tmp_path, {}, data.tobytes())
    np.testing.assert_array_equal(capture.samples, VALUES.T)
    assert not has_note(capture, "numbered")


@pytest.mark.parametrize(("changed", "words"), [
    ({11: "01/01/1970,00:00:12.0", 12: "01/01/1970,00:00:12.0"}, "of 1970: the recorder's clock was not set"),
    ({12: "05/03/2024,23:59:57.000000"}, "the trigger is stamped 1.5 s before the first sample"),
    ({12: "06/03/2024,00:00:58.506000"}, "the trigger is stamped 60 s after the last sample"),
    ({11: "05/03/24,23:59:58.5", 12: "05/03/24,23:59:58.5"}, "years of two digits are read as 1970 to 2069"),
])  # fmt: skip
def test_odd_clocks_are_told(tmp_path, changed, words):
    assert has_note(read_lines(tmp_path, changed), words)
    assert not has_note(read_lines(tmp_path, {}), words)
