"""Captures handed on: each format gives the samples back, or says within what bound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline import exporting
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.exporting import export, quantised
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.writers.numpy_archive import write_npz

SOURCE = "what is read back against what was written; half a step of rounding, derived"
START_NS = 1_772_409_600_000_000_000
LOSSLESS = {".cfg", ".cff", ".parquet", ".npz", ".mat", ".pqd"}


def capture(sample_type: str = "int16", *, start_ns: int = START_NS, n: int = 3200) -> Capture:
    rng = np.random.default_rng(3)
    angle = 2 * np.pi * 50 * np.arange(n) / 3200
    rows = [9000 * np.sin(angle - p * 2.094) + rng.normal(0, 9, n) for p in range(3)]
    rows.append(700 * np.sin(angle - 0.4))
    if sample_type == "float32":
        samples = (np.stack(rows) * np.array([[0.036], [0.036], [0.036], [0.01]])).astype(np.float32)
        scales = (1.0, 1.0, 1.0, 1.0)
    else:
        samples = np.round(np.stack(rows) * (1 if sample_type == "int16" else 50_000)).astype(sample_type)
        scales = (0.036, 0.036, 0.036, 0.01)
    channels = tuple(
        Channel(name, "voltage" if name[0] == "U" else "current", name[1], "V" if name[0] == "U" else "A", scale)
        for name, scale in zip(("UA", "UB", "UC", "IA"), scales, strict=True)
    )
    return Capture(Header("Mill Lane", start_ns, 3200.0, n, channels, sample_type, 50.0), samples)


@pytest.mark.parametrize("ending", sorted(LOSSLESS | {".csv"}))
@pytest.mark.parametrize("sample_type", ["int16", "int32", "float32"])
def test_every_format_gives_the_samples_back_without_loss_or_to_seven_digits(
    tmp_path: Path, ending: str, sample_type: str
) -> None:
    made = capture(sample_type)
    (written,) = export([made], tmp_path / f"night{ending}")
    assert written.largest_error <= (1e-7 if ending in LOSSLESS else 1e-6)
    (again,) = read_captures(written.path)
    assert again.header.start_ns == made.header.start_ns
    assert again.header.rate_hz == pytest.approx(made.header.rate_hz)
    assert [c.phase for c in again.header.channels] == ["A", "B", "C", "A"]
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".aside")]


@pytest.mark.parametrize(("data", "step"), [("BINARY", 1 / 32_000), ("ASCII", 1 / 90_000), ("BINARY32", 1 / 2e9)])
def test_floats_in_whole_numbers_are_rounded_by_half_a_step_at_most(tmp_path: Path, data: str, step: float) -> None:
    (written,) = export([capture("float32")], tmp_path / "r.cfg", data=data)  # type: ignore[arg-type]
    assert 0 < written.largest_error <= step / 2 * 1.01 + 1e-7


def test_missing_samples_stay_missing_when_rounded() -> None:
    made = capture("float32")
    samples = made.samples.copy()
    samples[1, 100:140] = np.nan
    rounded = quantised(Capture(made.header, samples), 32_000)
    assert rounded.header.sample_type == "int16"
    assert np.isnan(rounded.physical(1)[100:140]).all()
    assert np.isfinite(rounded.physical(0)).all()


def test_several_captures_are_numbered_where_a_file_holds_one_and_together_where_it_holds_many(tmp_path: Path) -> None:
    made = [capture(), capture(start_ns=START_NS + 60_000_000_000)]
    paths = [one.path.name for one in export(made, tmp_path / "r.cfg")]
    assert paths == ["r-001.cfg", "r-002.cfg"]
    (together,) = export(made, tmp_path / "r.pqd")
    assert (together.n_captures, len(list(read_captures(together.path)))) == (2, 2)


def test_what_cannot_be_done_is_said_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="allowed extensions"):
        export([capture()], tmp_path / "r.xyz")
    with pytest.raises(ConfigError, match="apply to COMTRADE"):
        export([capture()], tmp_path / "r.csv", data="ASCII")
    with pytest.raises(ConfigError, match="apply to text"):
        export([capture()], tmp_path / "r.cfg", decimal=",")
    with pytest.raises(ConfigError, match="no capture"):
        export([], tmp_path / "r.csv")
    with pytest.raises(ConfigError, match="revision"):
        export([capture()], tmp_path / "r.cfg", revision=1984)  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def test_a_capture_without_voltage_can_be_handed_on_too(tmp_path: Path) -> None:
    made = capture()
    header = replace(made.header, channels=made.header.channels[3:])
    (written,) = export([Capture(header, made.samples[3:])], tmp_path / "r.parquet")
    assert written.largest_error == 0


def test_captures_of_several_recorders_in_any_order_are_compared_each_with_itself(tmp_path: Path) -> None:
    early, late = capture(), capture("float32", start_ns=START_NS + 60_000_000_000)
    fewer = Capture(
        replace(early.header, station="Quarry", channels=early.header.channels[:2], start_ns=START_NS + 5),
        early.samples[:2],
    )
    (written,) = export([late, fewer, early], tmp_path / "r.pqd")
    assert written.largest_error == 0
    assert [one.header.station for one in read_captures(written.path)] == ["Mill Lane", "Quarry", "Mill Lane"]


def test_a_channel_in_a_unit_that_the_format_lacks_is_left_out_and_named(tmp_path: Path) -> None:
    made = capture()
    channels = (*made.header.channels[:3], replace(made.header.channels[3], name="trip", quantity="other", unit="one"))
    (written,) = export([Capture(replace(made.header, channels=channels), made.samples)], tmp_path / "r.pqd")
    (again,) = read_captures(written.path)
    assert written.left_out == ("trip",)
    assert [channel.name for channel in again.header.channels] == ["UA", "UB", "UC"]
    with pytest.raises(StoreError, match="no unit for any channel: trip"):
        export([Capture(replace(made.header, channels=channels[3:]), made.samples[3:])], tmp_path / "s.pqd")


def test_missing_samples_of_whole_numbers_are_exported_as_such(tmp_path: Path) -> None:
    made = capture()
    samples = made.samples.copy()
    samples[0, 10:20] = -32768
    channels = (replace(made.header.channels[0], missing_code=-32768), *made.header.channels[1:])
    (written,) = export([Capture(replace(made.header, channels=channels), samples)], tmp_path / "r.pqd")
    (again,) = read_captures(written.path)
    assert np.flatnonzero(np.isnan(again.physical(0))).tolist() == list(range(10, 20))
    assert written.largest_error < 1e-7  # a float32 holds seven digits


def test_samples_that_come_back_different_are_an_error_and_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "halfcycle.pipeline.exporting.write_npz",
        lambda made, path: write_npz(Capture(made.header, made.samples + 30), path),
    )
    with pytest.raises(StoreError, match="differ by"):
        export([capture()], tmp_path / "r.npz")
    assert list(tmp_path.iterdir()) == []


def test_an_error_beyond_the_formats_resolution_is_an_error_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: an export hands on what it was given, or says that it did not.
    def off_by_a_thousandth(captures: Sequence[Capture], path: Path) -> None:
        (made,) = captures
        write_npz(Capture(made.header, (made.samples * 1.001).astype(made.samples.dtype)), path)

    monkeypatch.setattr(exporting, "_writer", lambda *_: (off_by_a_thousandth, False))
    with pytest.raises(StoreError, match=r"differ by 0\.001 of the largest value, beyond the resolution"):
        exporting.export([capture()], tmp_path / "a.npz")
    assert list(tmp_path.iterdir()) == []
