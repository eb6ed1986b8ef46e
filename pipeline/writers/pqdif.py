"""Captures out as PQDIF: one data source for each set of channels, one waveform observation for each capture.

Source: IEEE 1159.3, edition 1.5: physical layout, tags and value lists.
"""

from __future__ import annotations

import struct
import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.terms import phase_of
from halfcycle.pipeline.writers.pqdif_layout import (
    BOOLEAN4,
    DAY_OF_1970,
    LARGEST,
    NS_PER_DAY,
    UINT4,
    Body,
    Scalar,
    Tree,
    Vector,
    as_zlib_stream,
    guid_scalar,
    laid_out,
    real,
    reals,
    samples_vector,
    text_vector,
    time_scalar,
    whole,
    write_records,
)

_UNITS: Final = {
    "": 0, "V": 6, "A": 7, "VA": 8, "W": 9, "var": 10, "ohm": 11, "S": 12, "V/A": 13, "J": 14, "Hz": 15, "°C": 16,
    "°": 17, "dB": 18, "%": 19, "pu": 20, "samples": 21, "varh": 22, "Wh": 23, "VAh": 24, "m/s": 25, "mph": 26,
    "bar": 27, "Pa": 28, "N": 29, "Nm": 30, "rpm": 31, "rad/s": 32, "m": 33, "Wb turns": 34, "T": 35, "Wb": 36,
    "V/V": 37, "A/A": 38, "A/V": 39, "m/s²": 40, "m/s³": 41, "rad/s²": 42, "rad/s³": 43, "sabin": 44,
}  # fmt: skip
_QUANTITIES: Final = {"V": "voltage", "A": "current"}
_PHASES: Final = {"A": 1, "B": 2, "C": 3, "N": 4, "AB": 5, "BC": 6, "CA": 7}
_PHASE_NONE: Final = 0
_PHASE_GENERAL: Final = 19  # a phase of no name, where the channel's name would otherwise be taken to tell one
_MEASURED: Final = {"voltage": 1, "current": 2, "other": 0}
_SECONDS: Final = 2
_VALUES, _SCALED, _INCREMENT = 1, 2, 4
_RECORD_LEVEL: Final = 2
_ZLIB: Final = 1
_TRIGGERED_BY_NONE, _TRIGGERED_BY_CHANNEL = 0, 1
_VERSION: Final = (1, 5, 1, 0)  # and the oldest one that readers must know; from memory

_WAVEFORM: Final = "67f6af80-f753-11cf-9d89-0080c72e70a3"
_VALUE_TYPE_TIME: Final = "c690e862-f755-11cf-9d89-0080c72e70a3"
_VALUE_TYPE_VAL: Final = "67f6af97-f753-11cf-9d89-0080c72e70a3"
_INSTANTANEOUS: Final = "a6b31add-b451-11d1-ae17-0060083a2628"
_NO_CHARACTERISTIC: Final = "a6b31adf-b451-11d1-ae17-0060083a2628"
_TYPE_MEASURE: Final = "e6b51730-f747-11cf-9d89-0080c72e70a3"


def write_pqdif(captures: Sequence[Capture], path: Path, *, compressed: bool = False) -> Path:
    """Write captures without loss; the same captures give the same bytes.

    Raw samples are written as they are, scale and offset beside them; one time axis, in increments, serves all channels
    of a capture. Captures of one station and the same channels that follow one another share a data source. Notes,
    rails and the name of the source have no place in the format; a rated value is written as the nominal one, in RMS.
    A rate of more than 15 digits may come back with another last one, as the format holds the step between samples.

    Parameters
    ----------
    captures : one or more, in the order to be written.
    path : of the file; an existing one is replaced. To do so atomically is the caller's part.
    compressed : each record but the container by zlib.

    Returns
    -------
    Path. The one given.

    Raises
    ------
    ConfigError : there is no capture.
    StoreError : a capture holds what the format cannot hold, or the file cannot be written.

    Source: IEEE 1159.3, edition 1.5.
    """
    if not captures:
        raise ConfigError("a PQDIF file needs at least one capture")
    for capture in captures:
        _check(capture)
    records: list[tuple[str, Body]] = []
    for tag, tree in _records(captures, path.name, compressed=compressed):
        body = laid_out(tree)
        records.append((tag, as_zlib_stream(body) if compressed and records else body))
    write_records(records, path)
    return path


# --- what the format cannot hold


def holds(channel: Channel) -> bool:
    """Whether PQDIF has the channel's unit, and its quantity in that unit."""
    return channel.unit in _UNITS and channel.quantity == _QUANTITIES.get(channel.unit, "other")


def _check(capture: Capture) -> None:
    header, samples = capture.header, capture.samples
    if not header.channels or not header.n_samples:
        raise StoreError("a PQDIF observation needs at least one sample of one channel")
    if samples.nbytes > LARGEST // 2:
        raise StoreError(f"a PQDIF observation holds at most {LARGEST // 2} bytes of samples, got {samples.nbytes}")
    _check_text(header.station, "station")
    for time_ns in (header.start_ns, header.trigger_ns or 0):
        if time_ns < -DAY_OF_1970 * NS_PER_DAY:
            raise StoreError(f"times of PQDIF begin on 1899-12-30; the capture has {time_ns} ns since 1970")
    for row, channel in zip(samples, header.channels, strict=True):
        _check_text(channel.name, f"name of channel {channel.name}")
        _check_text(channel.point, f"point of channel {channel.name}")
        if not holds(channel):
            raise StoreError(f"channel {channel.name} is of quantity {channel.quantity} in unit {channel.unit!r}; the "
                             f"units of PQDIF are {', '.join(filter(None, _UNITS))}")  # fmt: skip
        if channel.missing_code is not None and row.dtype.kind == "i" and (row == channel.missing_code).any():
            raise StoreError(
                f"channel {channel.name} has missing samples, which PQDIF can mark only in floating-point values"
            )
        if row.dtype.kind == "f" and np.isinf(row).any():
            raise StoreError(f"channel {channel.name} has infinite samples, which would be read as missing")


def _check_text(text: str, what: str) -> None:
    if text != text.strip() or any(unicodedata.category(sign) in ("Cc", "Cs") for sign in text):
        raise StoreError(
            f"PQDIF allows no control characters, or leading or trailing blanks in the {what}, got {text!r}"
        )


# --- records


def _records(captures: Sequence[Capture], name: str, *, compressed: bool) -> Iterator[tuple[str, Tree]]:
    first = captures[0].header
    entries: list[tuple[str, Scalar | Vector | Tree]] = [
        ("tagVersionInfo", Vector(UINT4, 4, struct.pack("<4I", *_VERSION))),
        ("tagFileName", text_vector(name)),
        ("tagCreation", time_scalar(first.start_ns)),
    ]
    if compressed:
        entries += [("tagCompressionStyleID", whole(_RECORD_LEVEL)), ("tagCompressionAlgorithmID", whole(_ZLIB))]
    yield "tagContainer", Tree(tuple(entries))
    said: tuple[object, ...] = ()
    for i, capture in enumerate(captures):
        header = capture.header
        now = (header.station, header.channels, header.nominal_frequency_hz)
        if now != said:
            yield "tagRecDataSource", _data_source(header)
            if header.nominal_frequency_hz is not None:
                yield "tagRecMonitorSettings", _settings(header, header.nominal_frequency_hz)
            said = now
        yield "tagRecObservation", _observation(capture, f"capture {i + 1}")


def _data_source(header: Header) -> Tree:
    definitions = tuple(("tagOneChannelDefn", _definition(channel)) for channel in header.channels)
    return Tree(
        (
            ("tagDataSourceTypeID", guid_scalar(_TYPE_MEASURE)),
            ("tagNameDS", text_vector(header.station)),
            ("tagTimeZoneDS", text_vector("UTC")),
            ("tagChannelDefns", Tree(definitions)),
        )
    )


def _definition(channel: Channel) -> Tree:
    times = Tree(
        (
            ("tagValueTypeID", guid_scalar(_VALUE_TYPE_TIME)),
            ("tagQuantityUnitsID", whole(_SECONDS)),
            ("tagQuantityCharacteristicID", guid_scalar(_NO_CHARACTERISTIC)),
            ("tagStorageMethodID", whole(_INCREMENT)),
        )
    )
    nominal = () if channel.rated is None else (("tagSeriesNominalQuantity", real(channel.rated)),)
    samples = Tree(
        (
            ("tagValueTypeID", guid_scalar(_VALUE_TYPE_VAL)),
            ("tagQuantityUnitsID", whole(_UNITS[channel.unit])),
            ("tagQuantityCharacteristicID", guid_scalar(_INSTANTANEOUS)),
            ("tagStorageMethodID", whole(_VALUES | (_SCALED if _is_scaled(channel) else 0))),
            *nominal,
        )
    )
    unnamed = _PHASE_GENERAL if phase_of("", channel.name) else _PHASE_NONE
    group = (("tagGroupName", text_vector(channel.point)),) if channel.point else ()
    return Tree(
        (
            ("tagChannelName", text_vector(channel.name)),
            ("tagPhaseID", whole(_PHASES.get(channel.phase, unnamed))),
            ("tagQuantityTypeID", guid_scalar(_WAVEFORM)),
            ("tagQuantityMeasuredID", whole(_MEASURED[channel.quantity])),
            *group,
            ("tagSeriesDefns", Tree((("tagOneSeriesDefn", times), ("tagOneSeriesDefn", samples)))),
        )
    )


def _settings(header: Header, nominal_frequency_hz: float) -> Tree:
    channels = tuple(
        ("tagOneChannelSetting", Tree((("tagChannelDefnIdx", whole(i)),))) for i in range(len(header.channels))
    )
    no = Scalar(BOOLEAN4, bytes(4))
    return Tree(
        (
            ("tagEffective", time_scalar(header.start_ns)),
            ("tagTimeInstalled", time_scalar(header.start_ns)),
            ("tagUseCalibration", no),
            ("tagUseTransducer", no),
            ("tagNominalFrequency", real(nominal_frequency_hz)),
            ("tagChannelSettingsArray", Tree(channels)),
        )
    )


def _observation(capture: Capture, name: str) -> Tree:
    header = capture.header
    instances: list[tuple[str, Tree]] = []
    for i, (row, channel) in enumerate(zip(capture.samples, header.channels, strict=True)):
        if i:
            times = Tree((("tagSeriesShareChannelIdx", whole(0)), ("tagSeriesShareSeriesIdx", whole(0))))
        else:
            times = Tree((("tagSeriesValues", reals((1.0, header.n_samples, 1.0 / header.rate_hz))),))
        scaled = (("tagSeriesScale", real(channel.scale)), ("tagSeriesOffset", real(channel.offset)))
        samples = Tree(((*scaled,) if _is_scaled(channel) else ()) + (("tagSeriesValues", samples_vector(row)),))
        series = Tree((("tagOneSeriesInstance", times), ("tagOneSeriesInstance", samples)))
        instances.append(("tagOneChannelInst", Tree((("tagChannelDefnIdx", whole(i)), ("tagSeriesInstances", series)))))
    triggered = header.trigger_ns is not None
    return Tree(
        (
            ("tagObservationName", text_vector(name)),
            ("tagTimeCreate", time_scalar(header.start_ns)),
            ("tagTimeStart", time_scalar(header.start_ns)),
            ("tagTriggerMethodID", whole(_TRIGGERED_BY_CHANNEL if triggered else _TRIGGERED_BY_NONE)),
            *((("tagTimeTriggered", time_scalar(header.trigger_ns)),) if header.trigger_ns is not None else ()),
            ("tagChannelInstances", Tree(tuple(instances))),
        )
    )


def _is_scaled(channel: Channel) -> bool:
    return (channel.scale, channel.offset) != (1.0, 0.0)
