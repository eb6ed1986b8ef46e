"""The TOML description beside a data file, and what names of columns say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers.description import (
    Description,
    companions,
    description_path,
    instant_ns,
    load_description,
    name_and_unit,
    phase_of_name,
    quantity_of_name,
)

FULL = """
station = "Harrow Mill"
rate_hz = 6400
start = 2026-03-02T06:00:00Z
nominal_frequency_hz = 50.0
trigger = "2026-03-02T06:00:00.123456789Z"
[channels.v1]
quantity = "voltage"
phase = "L1"
unit = "kV"
scale = 0.018310
offset = 0.5
point = "bus 1"
"""


def described(folder: Path, text: str) -> Description:
    (folder / "x.npz.toml").write_text(text, encoding="utf-8")
    return load_description(folder / "x.npz")


def test_every_documented_key_is_taken(tmp_path: Path) -> None:
    said = described(tmp_path, FULL)
    assert (said.station, said.rate_hz, said.nominal_frequency_hz) == ("Harrow Mill", 6400.0, 50.0)
    # Oracle: pandas.Timestamp, to the nanosecond.
    assert said.start_ns == pd.Timestamp("2026-03-02T06:00:00Z").value
    assert said.trigger_ns == pd.Timestamp("2026-03-02T06:00:00.123456789Z").value
    channel = said.channels["v1"]
    assert (channel.quantity, channel.phase, channel.unit, channel.point) == ("voltage", "A", "kV", "bus 1")
    assert (channel.scale, channel.offset) == (0.018310, 0.5)


def test_no_description_says_nothing(tmp_path: Path) -> None:
    assert load_description(tmp_path / "x.npz") == Description()
    assert companions(tmp_path / "x.npz") == ()


def test_the_description_with_the_full_name_comes_first(tmp_path: Path) -> None:
    data = tmp_path / "x.npz"
    (tmp_path / "x.toml").write_text('station = "short"')
    assert load_description(data).station == "short"
    assert companions(data) == (tmp_path / "x.toml",)
    (tmp_path / "x.npz.toml").write_text('station = "full"')
    assert load_description(data).station == "full"
    assert companions(data) == (description_path(data),) == (tmp_path / "x.npz.toml",)


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("rate = 6400.0", "rate", "rate_hz"),
        ("[channels.v1]\nunits = 'V'", "channels.v1.units", "nearest known one is unit"),
        ("[channels.v1]\nphse = 'A'", "channels.v1.phse", "nearest known one is phase"),
        ("strt = 2026-03-02T06:00:00Z", "strt", "nearest known one is start"),
        ("rate_hz = 0", "rate_hz", "greater than 0"),
        ("rate_hz = nan", "rate_hz", "finite"),
        ("rate_hz = '6400'", "rate_hz", "number"),
        ("start = 2026-03-02T06:00:00", "start", "no time zone"),
        ("start = 2026-03-02", "start", "not a date with a time"),
        ("start = '2026-13-02T06:00:00Z'", "start", "month"),
        ("start = 0001-01-01T00:00:00Z", "start", "1678"),
        ("utc_offset = 'two hours'\nstart = 2026-03-02T06:00:00", "utc_offset", "not an offset"),
        ("time_unit = 'ms'", "time_unit", "without time_column"),
        ("time_column = 't'\ntime_unit = 'h'", "time_unit", "'s', 'ms' or 'us'"),
        ("[channels.v1]\nphase = 'X'", "channels.v1.phase", "allowed are A, B, C, N, AB, BC, CA"),
        ("[channels.v1]\nquantity = 'power'", "channels.v1.quantity", "'voltage', 'current' or 'other'"),
        ("[channels.v1]\nscale = 0", "channels.v1.scale", "scale is 0"),
        ("[channels.v1]\nscale = inf", "channels.v1.scale", "finite"),
        ("station = \nrate_hz = 1", "", "line 1"),
        ("a = " + "[" * 5000, "", "is not valid TOML"),
    ],
)
def test_a_wrong_description_names_file_key_and_reason(tmp_path: Path, text: str, place: str, words: str) -> None:
    with pytest.raises(MalformedRecord) as caught:
        described(tmp_path, text)
    assert caught.value.path == tmp_path / "x.npz.toml"
    assert caught.value.place == place
    assert words in caught.value.reason


def test_a_description_in_another_encoding_is_a_read_error(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_bytes('station = "Mühle"'.encode("utf-16"))
    with pytest.raises(ReadError, match=r"x\.toml"):
        load_description(tmp_path / "x.npz")


@pytest.mark.parametrize("offset", ["+02:00", "-0330"])
def test_a_start_without_zone_is_moved_by_utc_offset(tmp_path: Path, offset: str) -> None:
    said = described(tmp_path, f"start = 2026-03-02T06:00:00.25\nutc_offset = '{offset}'")
    assert said.start_ns == pd.Timestamp(f"2026-03-02T06:00:00.25{offset}").value  # oracle: pandas


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-02T06:00:00Z", "2026-03-02 06:00:00.5+02:00", "1969-12-31T23:59:59.999999999Z",
        "2000-02-29T23:59:59-11:30", "2262-01-01 00:00:00.000000001Z", "1700-01-01T00:00Z",
    ],
)  # fmt: skip
def test_instants_agree_with_pandas_to_the_nanosecond(text: str) -> None:
    assert instant_ns(text) == (pd.Timestamp(text).value, True)


def test_an_instant_without_zone_says_so() -> None:
    expected = np.datetime64("2026-03-02T06:00:00.000156", "ns").astype(np.int64)
    assert instant_ns("2026-03-02 06:00:00.000156") == (expected, False)


@pytest.mark.parametrize(
    ("label", "name", "unit"),
    [
        ("v1 (V)", "v1", "V"), ("v1[kV]", "v1", "kV"), ("Voltage L1 [V]", "Voltage L1", "V"), ("va_V", "va", "V"),
        ("t (ms)", "t", "ms"), ("i1_A", "i1", "A"), ("i_A", "i_A", None), ("v_A", "v_A", None), ("v1", "v1", None),
        ("x (2) (V)", "x (2)", "V"), ("v1 ()", "v1", ""),
    ],
)  # fmt: skip
def test_units_are_split_off_names(label: str, name: str, unit: str | None) -> None:
    # Common practice, no source: spellings of column headers.
    assert name_and_unit(label) == (name, unit)


@pytest.mark.parametrize(
    ("name", "quantity", "phase"),
    [
        ("v1", "voltage", "A"), ("U_L2", "voltage", "B"), ("UL12", "voltage", "AB"), ("vca", "voltage", "CA"),
        ("I_a", "current", "A"), ("i3", "current", "C"), ("IN", "current", "N"), ("v_1", "voltage", "A"),
        ("record.v2", "voltage", "B"), ("Voltage L3", "voltage", "C"), ("phase_b_current", "current", "B"),
        ("u", "voltage", ""), ("current", "current", ""), ("3I0", "current", "N"), ("time", None, ""),
        ("sample", None, ""), ("e", None, ""), ("flag", None, ""), ("temperature", None, ""),
    ],
)  # fmt: skip
def test_names_tell_quantity_and_phase(name: str, quantity: str | None, phase: str) -> None:
    # Common practice, no source: letters U, V, E for voltages, I for currents; phases A B C, R S T, 1 2 3, L1 L2 L3.
    assert quantity_of_name(name) == quantity
    if quantity is not None:
        assert phase_of_name(name) == phase


def test_a_name_that_leaves_no_room_for_a_description_has_none(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 251 + ".csv")
    path.write_text("t (s),UA (V)\n", encoding="utf-8")
    assert companions(path) == ()
