"""The gate between readers and everything else: what passes is finite and bounded, whichever reader it comes from."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halfcycle.pipeline import gate
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import MalformedRecord, ReaderFault, ReadError, SignalError
from halfcycle.pipeline.readers import known_headers, read_captures, readers
from halfcycle.pipeline.readers.contract import Reader, Repair, no_companions
from halfcycle.pipeline.terms import Quantity

SOURCE = "the project's own design: values are finite and bounded, impossible samples are marks and never numbers"
MAGIC = b"third-party\n"
CHANNEL = Channel("u1", "voltage", "A", "V", scale=0.5)
HEADER = Header("Mill Lane", 1_700_000_000_000_000_000, 6400.0, 8, (CHANNEL,), "float32", 50.0)
SAMPLES = np.arange(8, dtype=np.float32)[None]

BAD_HEADERS: dict[str, dict[str, Any]] = {
    "rate of almost nothing": {"rate_hz": 5e-324},
    "rate beyond all": {"rate_hz": 1e300},
    "rate as text": {"rate_hz": "6400"},
    "time before all calendars": {"start_ns": -(2**70)},
    "time as a number with decimals": {"start_ns": 1.5e18},
    "trigger beyond all calendars": {"trigger_ns": 2**80},
    "nominal frequency as a list": {"nominal_frequency_hz": []},
    "nominal frequency that is no number": {"nominal_frequency_hz": math.nan},
    "station as a list": {"station": ["Mill"]},
    "station without end": {"station": "M" * 1_000_000},
    "notes as text": {"notes": "odd"},
    "channels as a list": {"channels": [CHANNEL]},
    "end beyond all calendars": {"start_ns": 2**63 - 10},
}
BAD_CHANNELS: dict[str, dict[str, Any]] = {
    "scale beyond all": {"scale": 1e200},
    "scale of almost nothing": {"scale": 1e-200},
    "scale that is no number": {"scale": math.nan},
    "scale of a thousand digits": {"scale": 10**1000},
    "offset beyond all": {"offset": 1e20},
    "offset that leaves nothing of the samples": {"scale": 1e-6, "offset": 1e7},
    "phase as a list": {"phase": ["A"]},
    "unknown quantity": {"quantity": "power"},
    "name as a number": {"name": 7},
    "rated value as a list": {"rated": []},
    "missing code as text": {"missing_code": "-1"},
}


@pytest.mark.parametrize("change", BAD_HEADERS.values(), ids=list(BAD_HEADERS))
def test_a_header_with_a_value_that_no_recording_can_have_is_refused_by_name(change: dict[str, Any]) -> None:
    # SOURCE.
    with pytest.raises(MalformedRecord, match=r"x\.rec.*no recording can have"):
        gate.check_header(replace(HEADER, **change), Path("x.rec"))


@pytest.mark.parametrize("change", BAD_CHANNELS.values(), ids=list(BAD_CHANNELS))
def test_a_channel_with_a_value_that_none_can_have_is_refused_by_number(change: dict[str, Any]) -> None:
    # SOURCE.
    header = replace(HEADER, channels=(CHANNEL, replace(CHANNEL, **change)))
    with pytest.raises(MalformedRecord, match=r"x\.rec, channel 2.*no recording can have"):
        gate.check_header(header, Path("x.rec"))


@pytest.mark.parametrize("change", [{"missing_code": True}, {"scale": True}], ids=["code", "scale"])
def test_a_channel_that_passed_lets_none_pass_that_only_equals_it(change: dict[str, Any]) -> None:
    # SOURCE. That True equals 1 and has its hash is Python's.
    good = replace(CHANNEL, missing_code=1, scale=1.0)
    gate.check_header(replace(HEADER, channels=(good,)), Path("x.rec"))
    alike = replace(good, **change)
    assert alike == good
    with pytest.raises(MalformedRecord, match="channel 1"):
        gate.check_header(replace(HEADER, channels=(alike,)), Path("x.rec"))


def test_too_many_channels_are_refused() -> None:
    # SOURCE.
    with pytest.raises(MalformedRecord, match="number of channels"):
        gate.check_header(replace(HEADER, channels=(CHANNEL,) * (gate.MOST_CHANNELS + 1)), Path("x.rec"))


@pytest.mark.parametrize(
    "change",
    [
        {"rate_hz": 1e-3, "n_samples": 0}, {"rate_hz": 1e9}, {"nominal_frequency_hz": None}, {"start_ns": -1},
        {"channels": ()}, {"channels": (replace(CHANNEL, scale=-36.6, offset=1200.0, rail_low=-2048),)},
        {"channels": (replace(CHANNEL, scale=0.0),)}, {"channels": (replace(CHANNEL, quantity="other", scale=1e12),)},
    ],
)  # fmt: skip
def test_what_is_rare_but_possible_passes(change: dict[str, Any]) -> None:
    # SOURCE.
    gate.check_header(replace(HEADER, **change), Path("x.rec"))


@pytest.mark.parametrize("value", [1e16, -1e20, 3e38, math.inf, -math.inf])
def test_samples_that_no_channel_can_have_are_missing_and_counted(value: float) -> None:
    # SOURCE. The second channel shows that a channel is judged by its own unit.
    channels = (CHANNEL, replace(CHANNEL, name="f", quantity="other", unit="Hz", phase=""))
    samples = np.tile(SAMPLES, (2, 1))
    samples[0, 3] = samples[1, 3] = value
    given = Capture(replace(HEADER, channels=channels), samples)
    found = gate.passed(given, Path("x.rec"), as_note=Repair)
    assert np.isnan(found.samples[0, 3])
    assert bool(np.isnan(found.samples[1, 3])) == (abs(value) > 1e30)
    np.testing.assert_array_equal(np.delete(found.samples, 3, axis=1), np.delete(samples, 3, axis=1))
    assert "1 samples of u1" in found.header.notes[0]
    assert isinstance(found.header.notes[0], Repair)
    assert given.samples[0, 3] == np.float32(value), "the capture that was given has changed"


def test_samples_that_are_possible_or_missing_pass_as_they_are() -> None:
    # SOURCE: 10 MV of a lightning surge is possible, and no number is a missing sample already.
    samples = SAMPLES.copy()
    samples[0, :3] = 2e7, -2e7, np.nan
    given = Capture(HEADER, samples)
    assert gate.passed(given, Path("x.rec")) is given


def _third_party(monkeypatch: pytest.MonkeyPatch, **functions: Any) -> None:
    def no_captures(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
        yield from ()

    given = {"recognises": lambda path, head: head == MAGIC, "read": no_captures, "companions": no_companions}
    reader = Reader("third party", **{**given, **functions})
    known = {**readers(), reader.name: reader}
    monkeypatch.setattr("halfcycle.pipeline.readers.recognition.readers", lambda: {"third party": reader, **known})


def _raising(error: Exception) -> Callable[..., Any]:
    def fail(*_: Any, **__: Any) -> Any:
        raise error

    return fail


@pytest.mark.parametrize("function", ["recognises", "read", "read_headers", "remarks"])
@pytest.mark.parametrize(
    "error", [TypeError("odd"), IndexError("far"), RecursionError(), MemoryError(), SignalError("x")]
)
def test_whatever_a_reader_of_others_raises_is_a_read_error_with_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, function: str, error: Exception
) -> None:
    # SOURCE: the project's own design; a bad input is set aside with its reason and the rest goes on.
    from halfcycle.pipeline.readers import remarks_on

    path = tmp_path / "x.rec"
    path.write_bytes(MAGIC)
    _third_party(monkeypatch, **{function: _raising(error)})
    call: dict[str, Callable[[], Any]] = {
        "recognises": lambda: list(read_captures(path)),
        "read": lambda: list(read_captures(path)),
        "read_headers": lambda: known_headers(path, quantities=("voltage",)),
        "remarks": lambda: remarks_on(path),
    }
    with pytest.raises(ReadError, match=r"x\.rec") as caught:
        call[function]()
    foreign = not isinstance(error, (MemoryError, SignalError))
    assert isinstance(caught.value, ReaderFault) == foreign


def test_captures_and_headers_of_readers_of_others_go_through_the_gate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    path = tmp_path / "x.rec"
    path.write_bytes(MAGIC)
    wild = replace(HEADER, channels=(replace(CHANNEL, scale=1e200),))
    spiked = SAMPLES.copy()
    spiked[0, 2] = 1e30
    _third_party(
        monkeypatch,
        read=lambda path, quantities: iter([Capture(HEADER, spiked), Capture(wild, SAMPLES.copy())]),
        read_headers=lambda path, quantities: [HEADER, wild],
    )
    captures = read_captures(path)
    assert np.isnan(next(captures).samples[0, 2])
    with pytest.raises(MalformedRecord, match=r"x\.rec, channel 1, scale"):
        next(captures)
    with pytest.raises(MalformedRecord, match=r"x\.rec, channel 1, scale"):
        known_headers(path, quantities=("voltage",))
    with pytest.raises(ReadError, match="strict reading"):
        next(read_captures(path, strict=True))
