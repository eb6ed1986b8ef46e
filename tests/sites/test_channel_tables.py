"""What a site's table says of channels: names and patterns, units that are converted, and headers of all formats."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydantic import BaseModel

from halfcycle.pipeline.capture import Channel, Header
from halfcycle.pipeline.channel_table import ChannelRule, ChannelTable, rule_for
from halfcycle.pipeline.config import checked
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.sites.description import described, unmatched
from halfcycle.pipeline.synthesis import Load, Quantisation, Waveform, synthesise

SOURCE = "derived: 1 kV is 1,000 V; value = (value in the file * scale + offset) in the unit given"
HEADER = Header("", 0, 6400.0, 640, (), "int16")


class _Site(BaseModel):
    channels: ChannelTable = {}


def table(text: str) -> dict[str, ChannelRule]:
    return checked(_Site, tomllib.loads(text), "sites.toml").channels


def with_channels(*names: str, unit: str = "", quantity: str = "other", scale: float = 1.0) -> Header:
    channels = tuple(Channel(name, quantity, "", unit, scale=scale) for name in names)  # type: ignore[arg-type]
    return replace(HEADER, channels=channels)


# --- names and patterns


@pytest.mark.parametrize(
    ("key", "name", "phase", "point"),
    [
        ("V1_L{phase}", "V1_L2", "B", None),
        ("V*_L{phase}", "V17_L3", "C", None),
        ("V*_{phase}", "V17_L3", "C", None),
        ("U{phase}", "UL1-N", "A", None),
        ("U{phase}", "U_L12", None, None),  # no phase is called _L12
        ("{point} U{phase}", "Bus 2 Uab", "AB", "Bus 2"),
        ("{point}_I{phase}", "feeder_3_Ic", "C", "feeder_3"),
        ("ch ?", "ch 4", None, None),
        ("[a]", "[a]", None, None),
    ],
)
def test_a_pattern_finds_phase_and_point_in_a_name(key: str, name: str, phase: str | None, point: str | None) -> None:
    match = rule_for(name, {key: ChannelRule()})
    if (key, name) == ("U{phase}", "U_L12"):
        assert match is None
        return
    assert match is not None
    assert (match.phase, match.point) == (phase, point)


def test_the_exact_name_goes_before_patterns_and_the_first_pattern_before_others() -> None:
    rules = table('[channels."V*"]\nphase = "A"\n[channels."V1*"]\nphase = "B"\n[channels.V12]\nphase = "C"')
    assert [rule_for(name, rules).key for name in ("V12", "V11", "V2")] == ["V12", "V*", "V*"]  # type: ignore[union-attr]
    assert rule_for("I1", rules) is None
    assert rule_for("v12", rules) is None  # capitals count, as they do in names


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[channels."V{phaze}"]', "nearest known one is {phase}"),
        ('[channels."V{phase}{phase}"]', "once"),
        ('[channels."V{phase}"]\nphase = "A"', "also given as"),
        ('[channels."{point}V"]\npoint = "x"', "also given as"),
        ('[channels.""]', "empty"),
        ('[channels.V1]\nphse = "A"', "nearest valid key is 'phase'"),
        ('[channels.V1]\nphase = "Q"', "allowed are A, B, C"),
        ("[channels.V1]\nscale = 0", "every sample would be zero"),
        ('[channels.V1]\nunit = "kvolt"', "neither voltage nor current"),
        ('[channels.V1]\nunit = "kV"\nquantity = "current"', "does not go with unit"),
        ('[channels.V1]\nuse = false\nphase = "A"', "stands alone"),
        ('[channels.V1]\nquantity = "power"', "voltage"),
    ],
)
def test_what_a_table_must_not_say_is_named(text: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        table(text)
    assert words in str(caught.value)
    assert "channels" in str(caught.value)


# --- units, scales, what is left alone


def test_a_channel_without_a_unit_becomes_a_voltage_in_volts() -> None:
    header = with_channels("V1", scale=0.5)
    rules = table('[channels.V1]\nphase = "L1"\nunit = "kV"\nscale = 2\noffset = 0.25\npoint = "bus"')
    (channel,) = described(header, rules).channels
    assert (channel.quantity, channel.phase, channel.unit, channel.point) == ("voltage", "A", "V", "bus")
    assert channel.scale == 0.5 * 2 * 1000
    assert channel.offset == 0.25 * 1000
    raw, in_file = 100, 100 * 0.5
    assert raw * channel.scale + channel.offset == (in_file * 2 + 0.25) * 1000


def test_a_quantity_without_a_unit_is_read_in_volts_or_amperes_with_a_note() -> None:
    found = described(with_channels("x"), table('[channels.x]\nquantity = "current"\nphase = "1"'))
    assert (found.channels[0].quantity, found.channels[0].unit, found.channels[0].phase) == ("current", "A", "A")
    assert any("taken as V or A" in note and "x" in note for note in found.notes)


def test_units_that_contradict_the_file_are_refused() -> None:
    with pytest.raises(ConfigError, match="in V already"):
        described(with_channels("V1", quantity="voltage", unit="V"), table('[channels.V1]\nunit = "kV"'))
    with pytest.raises(ConfigError, match="give the unit"):
        described(with_channels("V1", unit="pu"), table('[channels.V1]\nquantity = "voltage"'))
    # A simulator that calls its voltages amperes: said to be voltages, they are in volts.
    wrong = with_channels("V1", quantity="current", unit="A", scale=3.0)
    (channel,) = described(wrong, table('[channels.V1]\nunit = "V"')).channels
    assert (channel.quantity, channel.unit, channel.scale) == ("voltage", "V", 3.0)


def test_what_is_not_used_is_left_out_and_what_is_not_there_is_named() -> None:
    header = with_channels("V1", "battery", "W", quantity="voltage", unit="V")
    rules = table('[channels.battery]\nuse = false\n[channels."X*"]\nphase = "A"\n[channels.V1]\nphase = "A"')
    found = described(header, rules)
    assert [channel.quantity for channel in found.channels] == ["voltage", "other", "voltage"]
    assert unmatched(header, rules) == ("X*",)
    assert any("absent from the capture: X*" in note for note in found.notes)
    assert found.channels[2] is header.channels[2]
    assert described(header, {}) is header


# --- headers of all formats


FORMATS = ("comtrade", "pqdif", "parquet", "csv", "npz", "mat")
EVERY = ("voltage", "current", "other")


def written(folder: Path, format_name: str) -> Path:
    """A four-wire capture in a format, with names that tell nothing, and where the format can, without units."""
    from halfcycle.pipeline.writers.comtrade import write_comtrade
    from halfcycle.pipeline.writers.parquet import write_waveform_parquet
    from halfcycle.pipeline.writers.pqdif import write_pqdif

    load = Load(current_a=(10.0, 11.0, 12.0))
    wave = Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=3200.0, duration_s=0.2, load=load,
                    quantisation=Quantisation())  # fmt: skip
    capture = synthesise(wave, start_ns=0, station="Harrow Mill").capture
    names = ("x1_L1", "x2_L2", "x3_L3", "y1", "y2", "y3")
    channels = tuple(
        replace(channel, name=name, quantity="other", unit="", phase="", rated=None)
        for name, channel in zip(names, capture.header.channels, strict=True)
    )
    blank = replace(capture, header=replace(capture.header, channels=channels))
    rows = {name: blank.physical(i) for i, name in enumerate(names)}
    path = folder / f"r.{format_name}"
    if format_name == "comtrade":
        write_comtrade(blank, folder / "r.cfg")
        return folder / "r.cfg"
    if format_name == "pqdif":  # in which a channel always says what it measures: here it says the wrong thing
        wrong = tuple(replace(channel, quantity="current", unit="A") for channel in channels)
        return write_pqdif([replace(capture, header=replace(capture.header, channels=wrong))], folder / "r.pqd")
    if format_name == "parquet":
        write_waveform_parquet(blank, path)
    elif format_name == "csv":
        lines = ["t (s)," + ",".join(names)]
        lines += [f"{i / 3200:.7f}," + ",".join(f"{row[i]:.6g}" for row in rows.values()) for i in range(640)]
        path.write_text("\n".join(lines))
    elif format_name == "npz":
        np.savez(path, fs=3200.0, **rows)
    else:
        from scipy.io import savemat

        savemat(path, {"fs": 3200.0, **rows})
    return path


@pytest.mark.parametrize("format_name", FORMATS)
def test_channels_of_every_format_are_judged_once_a_table_describes_them(tmp_path: Path, format_name: str) -> None:
    path = written(tmp_path, format_name)
    (capture,) = read_captures(path, quantities=EVERY)  # type: ignore[arg-type]
    rules = table(
        '[channels."x*_L{phase}"]\nunit = "V"\nscale = 2\n'
        + "".join(f'[channels.y{k}]\nquantity = "current"\nphase = "{k}"\n' for k in (1, 2, 3))
    )
    header = described(capture.header, rules)
    assert [channel.quantity for channel in header.channels] == ["voltage"] * 3 + ["current"] * 3
    assert [channel.phase for channel in header.channels] == ["A", "B", "C"] * 2
    assert unmatched(capture.header, rules) == ()
    (point,) = points_of(header)
    assert (point.hookup.name, point.phases) == ("four-wire", ("A", "B", "C"))
    found = replace(capture, header=header)
    # 2 * 230 V RMS over whole cycles of 50 Hz, within the writers' rounding.
    assert np.sqrt(np.mean(found.physical(0) ** 2)) == pytest.approx(460.0, rel=1e-3)
    assert np.sqrt(np.mean(found.physical(5) ** 2)) == pytest.approx(12.0, rel=1e-3)


def test_columns_that_tell_nothing_are_channels_only_where_others_are_asked_for(tmp_path: Path) -> None:
    from halfcycle.pipeline.errors import MalformedRecord

    path = written(tmp_path, "csv")
    path.write_text(path.read_text().replace("x1_L1", "ua (V)"))
    (asked,) = read_captures(path, quantities=EVERY)  # type: ignore[arg-type]
    assert [(c.name, c.quantity) for c in asked.header.channels][:2] == [("ua", "voltage"), ("x2_L2", "other")]
    (today,) = read_captures(path)
    assert [channel.name for channel in today.header.channels] == ["ua"]
    with pytest.raises(MalformedRecord, match="no column states"):
        list(read_captures(written(tmp_path, "csv")))
