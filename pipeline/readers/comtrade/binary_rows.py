"""Samples of binary data: every row is a sample number, a time stamp, the analogue values and 16 states a word.

All numbers are little-endian. Rows are read block by block into one buffer that stays in the cache, and turned there
into rows of one channel each.

Departs: a missing value is 0x8000 in files of 1991 too, not 0xFFFF, which is the everyday value -1.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import SampleArray
from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.comtrade.configuration import Configuration
from halfcycle.pipeline.readers.comtrade.sources import DataPart

_SAMPLE_TYPES: Final = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
_SAMPLE_TYPE_NAMES: Final = {kind: np.dtype(stored).name for kind, stored in _SAMPLE_TYPES.items()}
_MISSING_CODES: Final = {"BINARY": -0x8000, "BINARY32": -0x80000000, "FLOAT32": None}
_RAILS: Final = {"BINARY": (-0x7FFF, 0x7FFF), "BINARY32": (None, None), "FLOAT32": (None, None)}
_MISSING_STAMP: Final = 0xFFFFFFFF
_MISSING_FLOAT: Final = np.finfo(np.float32).min  # some writers put the least float for a missing value

_NUMBER_AND_STAMP: Final = np.dtype("<u4")
_STAMP_OFFSET: Final = 4
_VALUES_OFFSET: Final = 8
_STATES_A_WORD: Final = 16

_BLOCK_BYTES: Final = 1 << 19  # in the cache with what is written from it; fastest here from 1 << 18 to 1 << 20
_MIN_BLOCK_ROWS: Final = 1024
_MAX_BLOCK_BYTES: Final = 1 << 23

_END_OF_FILE_MARK: Final = b"\x1a"


@dataclass(frozen=True, slots=True)
class BinaryRows:
    """Binary rows in a file, decoded when asked for.

    Attributes
    ----------
    data : the bytes.
    kind : ``BINARY``, ``BINARY32`` or ``FLOAT32``.
    row_bytes, n_rows : length of a row [bytes], and how many there are.
    columns : analogue channels to decode, from 0.
    """

    data: DataPart
    kind: str
    row_bytes: int
    n_rows: int
    columns: tuple[int, ...]

    @property
    def stamps_wrap(self) -> bool:
        """Time stamps are 32-bit numbers, which start again at 0."""
        return True

    @property
    def notes(self) -> tuple[str, ...]:
        """Binary rows are as they are: nothing is put right."""
        return ()

    @property
    def missing_code(self) -> int | None:
        """The raw integer that stands for "no sample"."""
        return _MISSING_CODES[self.kind]

    @property
    def rails(self) -> tuple[int | None, int | None]:
        """The raw integers at which the range ends."""
        return _RAILS[self.kind]

    @property
    def sample_type(self) -> str:
        """Of the values, see `capture.SAMPLE_TYPES`."""
        return _SAMPLE_TYPE_NAMES[self.kind]

    def values(self, *, first_row: int, n_rows: int) -> SampleArray:
        """Raw values of the wanted channels, shape (len(columns), n_rows), in the machine's byte order.

        Floats that are infinite or the least of their type become NaN, the mark of a missing float.

        Raises
        ------
        ReadError : the file cannot be read, or has become shorter.
        """
        kind = np.dtype(_SAMPLE_TYPES[self.kind])
        offsets = [_VALUES_OFFSET + kind.itemsize * column for column in self.columns]
        values: SampleArray = self._columns(offsets, kind, first_row, n_rows)
        if self.kind == "FLOAT32":
            for row in values:
                row[~np.isfinite(row) | (row == _MISSING_FLOAT)] = np.nan
        return values

    def states(self, n_digital: int) -> npt.NDArray[np.bool_]:
        """Of all status channels in all rows, shape (n_digital, n_rows).

        Raises
        ------
        ReadError : the file cannot be read, or has become shorter.
        """
        n_words = -(-n_digital // _STATES_A_WORD)
        offsets = [self.row_bytes - 2 * (n_words - k) for k in range(n_words)]
        words = self._columns(offsets, np.dtype("<u2"), 0, self.n_rows)
        bits = np.arange(_STATES_A_WORD, dtype=np.uint16)[None, :, None]
        states: npt.NDArray[np.bool_] = ((words[:, None, :] >> bits) & 1).astype(bool)
        return states.reshape(-1, self.n_rows)[:n_digital]

    def stamps(self, *, first_row: int, n_rows: int, every: int = 1) -> npt.NDArray[np.float64]:
        """Time stamps of some rows, of each or of each so many, NaN where missing. [ticks]

        Raises
        ------
        ReadError : the file cannot be read, or has become shorter.
        """
        if every > 1:
            stamps = self._apart(range(first_row, first_row + n_rows, every), _STAMP_OFFSET, 1)[:, 0]
        else:
            stamps = self._columns([_STAMP_OFFSET], _NUMBER_AND_STAMP, first_row, n_rows)[0]
        known: npt.NDArray[np.float64] = np.where(stamps == _MISSING_STAMP, np.nan, stamps)
        return known

    def _apart(self, rows: range, offset: int, n: int) -> npt.NDArray[Any]:
        """So many of the leading numbers of rows far apart, without reading what lies between; shape (n_rows, n)."""
        n_bytes = n * _NUMBER_AND_STAMP.itemsize
        try:
            with self.data.path.open("rb", buffering=0) as stream:
                first = self.data.offset + offset
                parts = []
                for row in rows:
                    stream.seek(first + row * self.row_bytes)
                    parts.append(stream.read(n_bytes))
        except OSError as error:
            raise ReadError(self.data.path, "", f"cannot be read ({error.strerror or error})") from error
        if len(parts[-1]) < n_bytes:
            raise ReadError(self.data.path, "", "the file became shorter while it was read")
        return np.frombuffer(b"".join(parts), _NUMBER_AND_STAMP).reshape(-1, n)

    def ends(self, n_rows: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """Sample number and time stamp [ticks] of the first and of the last of some rows, NaN where missing.

        Raises
        ------
        ReadError : the file cannot be read, or has become shorter.
        """
        first, last = self._apart(range(0, n_rows, max(n_rows - 1, 1)), 0, 2)[[0, -1]].tolist()
        return _number_and_stamp(*first), _number_and_stamp(*last)

    def _columns(self, offsets: Sequence[int], kind: np.dtype[Any], first_row: int, n_rows: int) -> npt.NDArray[Any]:
        out = np.empty((len(offsets), n_rows), kind.newbyteorder("="))
        if not offsets:
            return out
        block_rows = max(min(max(_BLOCK_BYTES // self.row_bytes, _MIN_BLOCK_ROWS),
                             _MAX_BLOCK_BYTES // self.row_bytes, n_rows), 1)  # fmt: skip
        buffer = np.empty(block_rows * self.row_bytes, np.uint8).data
        try:
            with self.data.path.open("rb", buffering=0) as stream:
                stream.seek(self.data.offset + first_row * self.row_bytes)
                for row in range(0, n_rows, block_rows):
                    check_time(f"row {first_row + row + 1}")
                    rows = min(block_rows, n_rows - row)
                    self._fill(stream, buffer[: rows * self.row_bytes])
                    for i, offset in enumerate(offsets):
                        out[i, row : row + rows] = np.ndarray(rows, kind, buffer, offset, (self.row_bytes,))
        except OSError as error:
            raise ReadError(self.data.path, "", f"cannot be read ({error.strerror or error})") from error
        return out

    def _fill(self, stream: io.RawIOBase, buffer: memoryview) -> None:
        done = 0
        while done < len(buffer):
            count = stream.readinto(buffer[done:])
            if not count:
                raise ReadError(self.data.path, f"byte {stream.tell()}", "the file became shorter while it was read")
            done += count


def binary_rows(data: DataPart, columns: Sequence[int], *, configuration: Configuration) -> BinaryRows:
    """Lay rows over binary data.

    Parameters
    ----------
    data : the bytes.
    columns : analogue channels to decode, from 0.
    configuration : of the recording.

    Returns
    -------
    BinaryRows.

    Raises
    ------
    MalformedRecord : the data are no whole number of rows.
    ReadError : the file cannot be read.
    """
    kind, n_analog, n_digital = configuration.data_kind, len(configuration.analog), len(configuration.digital)
    value_bytes = np.dtype(_SAMPLE_TYPES[kind]).itemsize
    row_bytes = _VALUES_OFFSET + value_bytes * n_analog + 2 * -(-n_digital // _STATES_A_WORD)
    n_rows, rest = divmod(data.length, row_bytes)
    marked = rest == 1 and n_rows == configuration.n_samples and _last_byte(data) == _END_OF_FILE_MARK
    if rest and not marked:
        raise MalformedRecord(
            data.path,
            f"byte {data.offset + n_rows * row_bytes}",
            f"{data.length} bytes are {n_rows} rows of {row_bytes} bytes and {rest} bytes left over; the file is "
            f"truncated, or its rows do not hold {n_analog} analogue and {n_digital} digital channels of {kind}",
        )
    return BinaryRows(data, kind, row_bytes, n_rows, tuple(columns))


def _number_and_stamp(number: int, stamp: int) -> tuple[float, float]:
    return float(number), np.nan if stamp == _MISSING_STAMP else float(stamp)


def _last_byte(data: DataPart) -> bytes:
    try:
        with data.path.open("rb") as stream:
            stream.seek(data.offset + data.length - 1)
            return stream.read(1)
    except OSError as error:
        raise ReadError(data.path, "", f"cannot be read ({error.strerror or error})") from error
