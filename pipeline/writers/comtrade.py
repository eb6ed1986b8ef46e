"""Captures out as COMTRADE: a .cfg and .dat pair, or a single .cff.

Source: IEEE C37.111-1991, -1999 (IEC 60255-24:2001) and -2013 (IEC 60255-24:2013), from memory.
"""

from __future__ import annotations

import datetime
import math
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.terms import quantity_of_unit

Revision = Literal[1991, 1999, 2013]
DataKind = Literal["ASCII", "BINARY", "BINARY32", "FLOAT32"]

_LINE_END: Final = "\r\n"
_DEVICE: Final = "halfcycle"
_BLOCK_ROWS: Final = 1 << 16
_NS_PER_S: Final = 1_000_000_000
_FIRST_DAY: Final = datetime.datetime(1970, 1, 1)

_MOST_CHANNELS: Final = 999_999
_LAST_BINARY_STAMP: Final = 0xFFFFFFFE  # 0xFFFFFFFF means a missing one
_LAST_ASCII_STAMP: Final = 9_999_999_999
_ASCII_RANGE_BEFORE_2013: Final = (-99999, 99998)  # 99999 means a missing one
_VALUE_TYPES: Final = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
_MISSING_CODES: Final = {"BINARY": -0x8000, "BINARY32": -0x80000000}
_NARROWER_TYPES: Final = {"BINARY": ("int16",), "BINARY32": ("int16", "int32")}
_LIMITS: Final = {
    "ASCII": (-99999, 99998),
    "BINARY": (-0x7FFF, 0x7FFF),
    "BINARY32": (-0x7FFFFFFF, 0x7FFFFFFF),
    "FLOAT32": (-3.4028235e38, 3.4028235e38),
}
_LEAST_FLOAT: Final = np.finfo(np.float32).min  # read as a missing value by some

_Values = npt.NDArray[Any]


def write_comtrade(
    capture: Capture,
    path: Path,
    *,
    revision: Revision = 1999,
    data: DataKind = "BINARY",
    digital_channels: int = 0,
) -> Path:
    """Write a capture without loss, or not at all.

    Parameters
    ----------
    capture : Capture. Its raw samples are written as they are, scale and offset beside them; in FLOAT32 data integers
        become floats of the same value. Notes, the name of the source, rails, rated values and points
        that no voltage has have no place in the format.
    path : Path. Ends in .cfg (the samples go to the .dat beside it), or in .cff with revision 2013. Existing files
        are replaced.
    revision : 1991, 1999 or 2013. Nanosecond times, BINARY32 and FLOAT32 data and decimal ASCII data need 2013.
    data : ``ASCII``, ``BINARY`` (16 bits), ``BINARY32`` or ``FLOAT32``.
    digital_channels : int. Digital channels to write beside the analogue ones, all of them in state 0.

    Returns
    -------
    Path. The one given.

    Raises
    ------
    ConfigError : options that do not fit one another.
    StoreError : the capture holds what this variant of the format cannot hold, or a file cannot be written.

    Source: IEEE C37.111-2013, from memory.  Departs: dates of revision 1991 have years of four digits.
    """
    _check_options(path, revision, data, digital_channels)
    _check_header(capture, digital_channels)
    values, missing = _values(capture, revision, data)
    clock = _Clock(capture, revision, data)
    text = _LINE_END.join(_configuration(capture, clock, revision, data, digital_channels)) + _LINE_END
    blocks = _rows(values, missing, clock, revision, data, digital_channels)
    try:
        if path.suffix.lower() == ".cff":
            size = "" if data == "ASCII" else f": {_row_bytes(values, digital_channels) * values.shape[1]}"
            sections = f"--- file type: CFG ---{_LINE_END}{text}--- file type: DAT {data}{size} ---{_LINE_END}"
            _write(path, sections.encode(), blocks)
        else:
            _write(path.with_suffix(".DAT" if path.suffix.isupper() else ".dat"), b"", blocks)
            _write(path, text.encode(), iter(()))
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error
    return path


def _write(path: Path, head: bytes, blocks: Iterator[bytes]) -> None:
    with path.open("wb") as stream:
        stream.write(head)
        stream.writelines(blocks)


def _check_options(path: Path, revision: Revision, data: DataKind, digital_channels: int) -> None:
    if revision not in get_args(Revision):
        raise ConfigError(f"revision is {revision}; allowed are {', '.join(map(str, get_args(Revision)))}")
    if data not in get_args(DataKind):
        raise ConfigError(f"data is {data}; allowed are {', '.join(get_args(DataKind))}")
    if data in ("BINARY32", "FLOAT32") and revision < 2013:
        raise ConfigError(f"{data} data need revision 2013, got {revision}")
    if path.suffix.lower() not in (".cfg", ".cff"):
        raise ConfigError(f"the path must end in .cfg or .cff, got {path.name}")
    if path.suffix.lower() == ".cff" and revision < 2013:
        raise ConfigError(f"a .cff file needs revision 2013, got {revision}")
    if not 0 <= digital_channels <= _MOST_CHANNELS:
        raise ConfigError(f"digital_channels must be from 0 to {_MOST_CHANNELS}, got {digital_channels}")


def _check_header(capture: Capture, digital_channels: int) -> None:
    header = capture.header
    if not 0 < len(header.channels) + digital_channels <= _MOST_CHANNELS or not header.n_samples:
        raise StoreError("COMTRADE needs at least one sample of one channel")
    _check_text(header.station, "station")
    for channel in header.channels:
        for name in ("name", "phase", "point", "unit"):
            _check_text(getattr(channel, name), f"{name} of channel {channel.name}")
        if quantity_of_unit(channel.unit)[0] != channel.quantity:
            raise StoreError(
                f"channel {channel.name} is of quantity {channel.quantity}, but its unit {channel.unit!r} implies "
                f"{quantity_of_unit(channel.unit)[0]}"
            )  # fmt: skip


def _check_text(text: str, what: str) -> None:
    odd = any(sign in ",\ufeff" or unicodedata.category(sign) in ("Cc", "Cs") for sign in text)
    if odd or text != text.strip():
        raise StoreError(
            f"COMTRADE allows no commas, control characters, or leading or trailing blanks in the {what}, got {text!r}"
        )


class _Clock:
    """Times as COMTRADE writes them: microseconds, or nanoseconds where they are needed."""

    def __init__(self, capture: Capture, revision: Revision, data: DataKind) -> None:
        header = capture.header
        times = [time for time in (header.start_ns, header.trigger_ns) if time is not None]
        fine = any(time % 1000 for time in times)
        if fine and revision < 2013:
            raise StoreError(f"revision {revision} holds whole microseconds only; the capture starts at "
                             f"{header.start_ns} ns, triggered at {header.trigger_ns} ns")  # fmt: skip
        self._decimals = 9 if fine else 6
        self._month_first = revision == 1991
        unit_per_s = 10**self._decimals
        last = (header.n_samples - 1) / header.rate_hz * unit_per_s
        self.multiplier = max(1, math.ceil(last / (_LAST_ASCII_STAMP if data == "ASCII" else _LAST_BINARY_STAMP)))
        if self.multiplier > 1 and revision == 1991:
            raise StoreError(f"revision 1991 has no multiplier for time stamps, which {header.duration_s:g} s need")
        self._stamp_per_sample = unit_per_s / header.rate_hz / self.multiplier

    def stamps(self, first_row: int, n_rows: int) -> npt.NDArray[np.int64]:
        """Time stamps of some rows."""
        exact = np.arange(first_row, first_row + n_rows) * self._stamp_per_sample
        rounded: npt.NDArray[np.int64] = np.rint(exact).astype(np.int64)
        return rounded

    def text(self, time_ns: int | None) -> str:
        """Date and time; both empty where there is none."""
        if time_ns is None:
            return ","
        seconds, rest_ns = divmod(time_ns, _NS_PER_S)
        time = _FIRST_DAY + datetime.timedelta(seconds=seconds)
        order = "%m/%d" if self._month_first else "%d/%m"
        return f"{time:{order}}/{time.year:04d},{time:%H:%M:%S}.{f'{rest_ns:09d}'[: self._decimals]}"


def _configuration(
    capture: Capture, clock: _Clock, revision: Revision, data: DataKind, digital_channels: int
) -> Iterator[str]:
    header = capture.header
    n_analog = len(header.channels)
    yield f"{header.station},{_DEVICE}" + (f",{revision}" if revision > 1991 else "")
    yield f"{n_analog + digital_channels},{n_analog}A,{digital_channels}D"
    for i, channel in enumerate(header.channels, start=1):
        yield _analog_line(i, channel, revision, data)
    for i in range(1, digital_channels + 1):
        yield f"{i},D{i},0" if revision == 1991 else f"{i},D{i},,,0"
    yield "" if header.nominal_frequency_hz is None else repr(float(header.nominal_frequency_hz))
    yield "1"
    yield f"{float(header.rate_hz)!r},{header.n_samples}"
    yield clock.text(header.start_ns)
    yield clock.text(header.trigger_ns)
    yield data
    if revision > 1991:
        yield str(clock.multiplier)
    if revision >= 2013:
        yield "0,0"  # stamps are UTC, and so is the site's time as far as is known
        yield "0,0"


def _analog_line(number: int, channel: Channel, revision: Revision, data: DataKind) -> str:
    low, high = _LIMITS[data]
    line = (f"{number},{channel.name},{channel.phase},{channel.point},{channel.unit},{float(channel.scale)!r},"
            f"{float(channel.offset)!r},0,{low},{high}")  # fmt: skip
    return line if revision == 1991 else f"{line},1,1,P"


def _values(capture: Capture, revision: Revision, data: DataKind) -> tuple[_Values, npt.NDArray[np.bool_]]:
    """Values in the type that is written, and which of them are missing; both of shape (channels, samples)."""
    samples = capture.samples
    missing = np.isnan(samples)
    for i, channel in enumerate(capture.header.channels):
        if channel.missing_code is not None:
            missing[i] |= samples[i] == channel.missing_code
    if data == "ASCII":
        return _ascii_values(samples, missing, revision), missing
    if data == "FLOAT32":
        values = samples.astype(np.float32)
        if (values.astype(np.float64) != samples)[~missing].any():
            raise StoreError("FLOAT32 data hold integers exactly up to 16777216 only; the capture has larger ones")
        if np.isinf(values[~missing]).any() or (values[~missing] == _LEAST_FLOAT).any():
            raise StoreError("infinite samples and the lowest float cannot be written: they would be read as missing")
        values[missing] = np.nan
        return values.astype(_VALUE_TYPES[data]), missing
    if samples.dtype.name not in _NARROWER_TYPES[data]:
        raise StoreError(f"{data} data cannot hold {samples.dtype.name} samples, "
                         f"only {' and '.join(_NARROWER_TYPES[data])} ones")  # fmt: skip
    code = _MISSING_CODES[data]
    if (samples[~missing] == code).any():
        raise StoreError(f"{data} data cannot hold the sample {code}: it marks a missing sample")
    values = samples.astype(_VALUE_TYPES[data])
    values[missing] = code
    return values, missing


def _ascii_values(samples: _Values, missing: npt.NDArray[np.bool_], revision: Revision) -> _Values:
    """The samples, checked to be such as decimal text holds."""
    present = samples[~missing]
    if samples.dtype.kind == "f":
        if revision < 2013:
            raise StoreError(f"ASCII data of revision {revision} hold integers only, got float samples")
        if not np.isfinite(present).all():
            raise StoreError("infinite samples cannot be written as text")
    elif revision < 2013 and present.size:
        low, high = _ASCII_RANGE_BEFORE_2013
        if present.min() < low or present.max() > high:
            raise StoreError(f"ASCII data of revision {revision} hold samples from {low} to {high}, "
                             f"the capture has {present.min()} to {present.max()}")  # fmt: skip
    return samples


def _rows(
    values: _Values,
    missing: npt.NDArray[np.bool_],
    clock: _Clock,
    revision: Revision,
    data: DataKind,
    digital_channels: int,
) -> Iterator[bytes]:
    for first_row in range(0, values.shape[1], _BLOCK_ROWS):
        block = values[:, first_row : first_row + _BLOCK_ROWS]
        numbers = np.arange(first_row + 1, first_row + block.shape[1] + 1)
        stamps = clock.stamps(first_row, block.shape[1])
        if data == "ASCII":
            gone = "99999" if revision == 1991 else ""
            texts = np.where(missing[:, first_row : first_row + _BLOCK_ROWS], gone, block.astype(str))
            columns = [numbers.astype(str), stamps.astype(str), *texts]
            states = ",0" * digital_channels
            yield "".join(f"{','.join(row)}{states}{_LINE_END}" for row in zip(*columns, strict=True)).encode()
        else:
            yield _binary_block(numbers, stamps, block, digital_channels).tobytes()


def _row_bytes(values: _Values, digital_channels: int) -> int:
    return 8 + values.itemsize * len(values) + 2 * -(-digital_channels // 16)


def _binary_block(
    numbers: npt.NDArray[Any], stamps: npt.NDArray[np.int64], block: _Values, digital_channels: int
) -> npt.NDArray[np.void]:
    row = np.dtype([
        ("number", "<u4"), ("stamp", "<u4"), ("values", block.dtype, (len(block),)),
        ("states", "<u2", (-(-digital_channels // 16),)),
    ])  # fmt: skip
    rows = np.zeros(len(numbers), row)
    rows["number"], rows["stamp"], rows["values"] = numbers, stamps, block.T
    return rows
