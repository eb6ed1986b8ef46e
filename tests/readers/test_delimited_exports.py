"""Delimited text as programs in several countries export it: grouped digits, dates, lines above the header, jitter."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from reader_contract import check_broken_copies

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers import read_captures

RATE_HZ = 3200.0
N = 320
T_S = np.arange(N) / RATE_HZ
VOLTS = np.stack([32_500 * np.sin(2 * np.pi * (50 * T_S - k / 3)) for k in range(3)]).round(3)
START = datetime(2024, 3, 25, 10, 59, 59, 950_000)
START_NS = pd.Timestamp("2024-03-25T10:59:59.95Z").value


def number(value: float, *, decimal: str = ".", group: str = "") -> str:
    return f"{value:,.3f}".translate({ord(","): group, ord("."): decimal})


def table(times: list[str], *, separator: str = ",", decimal: str = ".", group: str = "", quote: str = "") -> str:
    rows = [["Time", "UA", "UB", "UC"], ["s", "V", "V", "V"]]
    for i, time in enumerate(times):
        rows.append([time, *(quote + number(u, decimal=decimal, group=group) + quote for u in VOLTS[:, i])])
    return "\n".join(separator.join(row) for row in rows) + "\n"


def seconds(decimal: str = ".") -> list[str]:
    return [f"{t:.7f}".replace(".", decimal) for t in T_S]


def dates(form: str, *, late_s: np.ndarray | None = None) -> list[str]:
    late_s = np.zeros(N) if late_s is None else late_s
    return [(START + timedelta(seconds=t + late)).strftime(form) for t, late in zip(T_S, late_s, strict=True)]


def read(folder: Path, text: str, *, encoding: str = "utf-8") -> Capture:
    path = folder / "x.csv"
    path.write_bytes(text.encode(encoding))
    (capture,) = read_captures(path)
    return capture


def has_note(capture: Capture, words: str) -> bool:
    return any(words in note for note in capture.header.notes)


def is_right(capture: Capture) -> bool:
    got = np.stack([capture.physical(i) for i in range(3)])
    return bool(np.abs(got - VOLTS).max() <= 32_500 * 2**-24) and capture.header.rate_hz == RATE_HZ  # float32


@pytest.mark.parametrize(
    ("separator", "decimal", "group", "encoding"),
    [
        (";", ",", "", "utf-8"), (";", ",", ".", "utf-8"), ("\t", ",", ".", "utf-8"), (";", ".", ",", "utf-8"),
        ("\t", ".", ",", "utf-8"), (";", ",", "'", "utf-8"), (",", ".", "'", "utf-8"), (";", ".", "\u2019", "utf-8"),
        (";", ",", " ", "utf-8"), ("\t", ",", "\u00a0", "utf-8"), (";", ",", "\u202f", "utf-8"),
        (";", ",", "\u00a0", "cp1252"),
    ],
)  # fmt: skip
def test_grouped_digits_are_read_with_either_decimal_sign(
    tmp_path: Path, separator: str, decimal: str, group: str, encoding: str
) -> None:
    text = table(seconds(decimal), separator=separator, decimal=decimal, group=group)
    capture = read(tmp_path, text, encoding=encoding)
    assert is_right(capture)
    assert has_note(capture, "digits of numbers are grouped") == bool(group)


def test_quoted_numbers_may_be_grouped_by_the_separator(tmp_path: Path) -> None:
    assert is_right(read(tmp_path, table(seconds(), group=",", quote='"')))


def test_a_single_point_is_a_decimal_one(tmp_path: Path) -> None:
    """1.234 may be a thousand in one country; without a number that proves it, it is not."""
    capture = read(tmp_path, "t;ua\n0,0;1.234\n0,1;-2.5\n0,2;1.111\n".replace("0,", "0."))
    assert capture.physical(0).tolist() == pytest.approx([1.234, -2.5, 1.111])


def test_a_number_that_is_grouped_wrongly_is_refused_with_its_place(tmp_path: Path) -> None:
    text = table(seconds(","), separator=";", decimal=",", group=".").replace("\n", "\r\n")
    lines = text.split("\r\n")
    lines[9] = lines[9].rpartition(";")[0] + ";1.23.456,0"
    with pytest.raises(MalformedRecord, match=r"line 10, column UC: '1\.23\.456,0' is not a valid number"):
        read(tmp_path, "\r\n".join(lines))


@pytest.mark.parametrize(
    ("form", "separator", "decimal"),
    [
        ("%d.%m.%Y %H:%M:%S,%f", ";", ","), ("%d.%m.%Y %H:%M:%S.%f", ";", ","), ("%m/%d/%Y %H:%M:%S.%f", ",", "."),
        ("%d/%m/%Y %H:%M:%S.%f", ",", "."), ("%d.%m.%YT%H:%M:%S.%f", "\t", "."), ("%Y-%m-%d %H:%M:%S.%f", ";", ","),
    ],
)  # fmt: skip
def test_dates_with_the_year_last_are_read_where_their_order_is_beyond_doubt(
    tmp_path: Path, form: str, separator: str, decimal: str
) -> None:
    capture = read(tmp_path, table(dates(form), separator=separator, decimal=decimal))
    assert is_right(capture)
    assert capture.header.start_ns == START_NS


def test_dates_that_may_be_in_either_order_are_refused(tmp_path: Path) -> None:
    text = table(dates("%d/%m/%Y %H:%M:%S.%f")).replace("25/03/2024", "05/03/2024")
    with pytest.raises(MalformedRecord, match=r"05/03/2024 .* the day or the month; write the year first"):
        read(tmp_path, text)


def test_a_date_that_does_not_exist_is_refused_with_its_place(tmp_path: Path) -> None:
    times = dates("%d.%m.%Y %H:%M:%S.%f")
    times[9] = "31.02.2024 10:00:00"
    with pytest.raises(MalformedRecord, match=r"line 12, column Time: '31\.02\.2024 10:00:00' is not a valid time"):
        read(tmp_path, table(times, separator=";"))


def test_lines_above_the_header_are_passed_over_and_noted(tmp_path: Path) -> None:
    text = "Exported by the crew;;;\nStation;Mill Lane;;\n\n" + table(seconds(","), separator=";", decimal=",")
    capture = read(tmp_path, text)
    assert is_right(capture)
    assert has_note(capture, "2 lines above the header are skipped")


def test_a_header_with_too_few_names_is_not_passed_over(tmp_path: Path) -> None:
    with pytest.raises(MalformedRecord, match="no header line"):
        read(tmp_path, table(seconds()).replace("Time,UA,UB,UC", "Time,UA,UB"))


@pytest.mark.parametrize("sigma_us", [5, 20, 35])
def test_times_that_scatter_about_even_ones_are_read_as_even_and_noted(tmp_path: Path, sigma_us: float) -> None:
    late_s = np.clip(np.random.default_rng(3).normal(0, sigma_us, N), -110, 110) * 1e-6  # 0.35 of a step at most
    capture = read(tmp_path, table(dates("%Y-%m-%d %H:%M:%S.%f", late_s=late_s)))
    assert is_right(capture)
    assert abs(capture.header.start_ns - START_NS) < 120_000
    assert has_note(capture, "times scatter by up to")


def test_a_lost_sample_shows_among_times_that_scatter(tmp_path: Path) -> None:
    late_s = np.clip(np.random.default_rng(3).normal(0, 20, N), -60, 60) * 1e-6
    late_s[N // 2 :] += 1 / RATE_HZ
    with pytest.raises(MalformedRecord, match="not evenly spaced"):
        read(tmp_path, table(dates("%Y-%m-%d %H:%M:%S.%f", late_s=late_s)))


def test_a_long_gap_among_times_that_scatter_cuts_the_recording(tmp_path: Path) -> None:
    late_s = np.clip(np.random.default_rng(3).normal(0, 20, N), -60, 60) * 1e-6
    late_s[200:] += 2.5
    (tmp_path / "x.csv").write_text(table(dates("%Y-%m-%d %H:%M:%S.%f", late_s=late_s)))
    first, second = read_captures(tmp_path / "x.csv")
    assert (first.header.n_samples, second.header.n_samples) == (200, 120)
    assert second.header.start_ns - first.header.end_ns == pytest.approx(2.5e9, abs=200_000)


def test_times_that_scatter_too_far_are_refused(tmp_path: Path) -> None:
    late_s = np.random.default_rng(3).normal(0, 80, N) * 1e-6
    with pytest.raises(MalformedRecord, match=r"not evenly spaced|runs backwards"):
        read(tmp_path, table(dates("%Y-%m-%d %H:%M:%S.%f", late_s=late_s)))


def test_a_header_that_is_not_utf_8_is_noted(tmp_path: Path) -> None:
    text = table(seconds()).replace("Time,UA,UB,UC", "Zeit,UA Mühle,Spannung L2,Spannung L3")
    capture = read(tmp_path, text, encoding="cp1252")
    assert capture.header.channels[0].name == "UA Mühle"
    assert has_note(capture, "not UTF-8")


def test_damaged_exports_are_read_or_refused(tmp_path: Path) -> None:
    text = "Exported;;;\n" + table(dates("%d.%m.%Y %H:%M:%S,%f"), separator=";", decimal=",", group=".")
    (tmp_path / "x.csv").write_text(text)
    check_broken_copies(tmp_path / "x.csv")
