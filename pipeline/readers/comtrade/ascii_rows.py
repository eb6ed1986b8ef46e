"""Samples of ASCII data: every row is a sample number, a time stamp, the analogue values and the states.

Source: IEEE C37.111, from memory: before 2013 the value 99999 stands for a missing one, an empty field does in all.
"""

from __future__ import annotations

import re
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
from halfcycle.pipeline.readers.contract import Repair

_MISSING_BEFORE_2013: Final = 99999
_LEADING_FIELDS: Final = 2  # sample number, time stamp
_CSV_BLOCK_BYTES: Final = 1 << 22
_PADDING: Final = b"\x1a\x00 \t\r\n"
_LINE_END: Final = re.compile(rb"\r\n|\n|\r")
_NUMBER: Final = re.compile(rb"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?|[+-]?nan", re.IGNORECASE)
_SHOWN_BYTES: Final = 40

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AsciiRows:
    """Decoded text rows.

    Attributes
    ----------
    n_rows : how many there are.
    missing_code : the raw integer that stands for "no sample"; None where none is free, or NaN does (floats).
    notes : what was put right.
    """

    n_rows: int
    missing_code: int | None
    notes: tuple[str, ...]
    _numbers: Floats
    _stamps: Floats
    _values: SampleArray

    @property
    def stamps_wrap(self) -> bool:
        """Time stamps are decimal numbers, which do not start again at 0."""
        return False

    @property
    def rails(self) -> tuple[int | None, int | None]:
        """Decimal numbers have no ends of their range."""
        return None, None

    @property
    def sample_type(self) -> str:
        """Of the values, see `capture.SAMPLE_TYPES`."""
        return self._values.dtype.name

    def values(self, *, first_row: int, n_rows: int) -> SampleArray:
        """Raw values of the wanted channels, shape (n_columns, n_rows)."""
        return self._values[:, first_row : first_row + n_rows]

    def stamps(self, *, first_row: int, n_rows: int, every: int = 1) -> Floats:
        """Time stamps of some rows, of each or of each so many, NaN where missing. [ticks]"""
        return self._stamps[first_row : first_row + n_rows : every]

    def ends(self, n_rows: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """Sample number and time stamp [ticks] of the first and of the last of some rows, NaN where missing."""
        numbers, stamps, last = self._numbers, self._stamps, n_rows - 1
        return (float(numbers[0]), float(stamps[0])), (float(numbers[last]), float(stamps[last]))


def ascii_rows(data: DataPart, columns: Sequence[int], *, configuration: Configuration) -> AsciiRows:
    """Decode text rows.

    Parameters
    ----------
    data : the bytes.
    columns : analogue channels to decode, from 0.
    configuration : of the recording. Before revision 2013 the value 99999 is a missing one; lines after the declared
        rows are not looked at where they are no rows.

    Returns
    -------
    AsciiRows. Values are int16 where all fit, else int32, else (decimals, larger numbers) float32.

    Raises
    ------
    MalformedRecord : naming the line that is no row of numbers.
    ReadError : the file cannot be read.
    """
    content = _content(data)
    n_numbers = _LEADING_FIELDS + len(configuration.analog)
    n_fields = n_numbers + len(configuration.digital)
    wanted = [_LEADING_FIELDS + column for column in columns]
    table = _parsed(content, wanted, n_fields)
    notes: tuple[str, ...] = ()
    if table is None:  # something is odd: look at each line, tidy it or say what is wrong with it
        content, notes = _tidied(content, data, n_fields, n_numbers, configuration.n_samples)
        table = _parsed(content, wanted, n_fields)
    if table is None:
        raise MalformedRecord(data.path, f"line {data.first_line}", "the data hold no rows of numbers")
    numbers, stamps = (_floats(table.column(str(i))) for i in range(_LEADING_FIELDS))
    code_before_2013 = _MISSING_BEFORE_2013 if configuration.revision < 2013 else None
    values, missing_code = _narrowed([table.column(str(column)) for column in wanted], len(numbers), code_before_2013)
    return AsciiRows(len(numbers), missing_code, notes, numbers, stamps, values)


def _content(data: DataPart) -> bytes:
    try:
        with data.path.open("rb") as stream:
            stream.seek(data.offset)
            return stream.read(data.length).rstrip(_PADDING)
    except OSError as error:
        raise ReadError(data.path, "", f"cannot be read ({error.strerror or error})") from error


def _parsed(content: bytes, wanted: Sequence[int], n_fields: int) -> Any | None:
    """The wanted columns and the leading two as an Arrow table; None where some row or field is not plain."""
    import pyarrow as pa
    from pyarrow import csv

    if b"x" in content or b"X" in content:
        return None  # Arrow takes 0x1F for a number
    names = [str(i) for i in range(n_fields)]
    # Whole numbers are parsed fastest; stamps with decimals do not make the values decimals.
    for leading, kind in ((pa.int64(), pa.int32()), (pa.float64(), pa.int32()), (pa.float64(), pa.float64())):
        types = {names[i]: leading for i in range(_LEADING_FIELDS)} | {names[i]: kind for i in wanted}
        try:
            return csv.read_csv(
                pa.BufferReader(content),
                read_options=csv.ReadOptions(column_names=names, block_size=_CSV_BLOCK_BYTES),
                parse_options=csv.ParseOptions(quote_char=False, newlines_in_values=False),
                convert_options=csv.ConvertOptions(
                    column_types=types, include_columns=list(types), null_values=[""], check_utf8=False
                ),
            )
        except pa.ArrowInvalid:
            continue
    return None


def _tidied(
    content: bytes, data: DataPart, n_fields: int, n_numbers: int, n_declared: int | None
) -> tuple[bytes, tuple[str, ...]]:
    """The rows without blanks, trailing commas, plus signs and what follows those declared; and what to note of it."""
    rows: list[bytes] = []
    notes: tuple[str, ...] = ()
    for i, line in enumerate(_LINE_END.split(content), start=data.first_line):
        check_time(f"line {i}")
        fields = [field.strip() for field in line.split(b",")]
        if fields == [b""]:
            continue
        while len(fields) > n_fields and not fields[-1]:
            fields.pop()
        problem = _problem(fields, n_fields, n_numbers)
        if problem and n_declared is not None and len(rows) >= n_declared:
            notes = (
                Repair(f"the data from line {i} on are not data rows; they are ignored, as no more rows are declared"),
            )
            break
        if problem:
            raise MalformedRecord(data.path, f"line {i}", problem)
        rows.append(b",".join(field.removeprefix(b"+") for field in fields))
    return b"\n".join(rows), notes


def _problem(fields: list[bytes], n_fields: int, n_numbers: int) -> str | None:
    if len(fields) != n_fields:
        return f"a row has {n_fields} fields, this one has {len(fields)}; the file may be truncated here"
    for i, field in enumerate(fields[:n_numbers]):
        if field and _NUMBER.fullmatch(field) is None:
            return f"field {i + 1} must be a number, got '{field[:_SHOWN_BYTES].decode('latin-1')}'"
    return None


def _floats(column: Any) -> Floats:
    """A column as float64, NaN where empty or not finite."""
    values: Floats = np.array(column.to_numpy(zero_copy_only=False), dtype=np.float64)
    values[~np.isfinite(values)] = np.nan
    return values


def _narrowed(columns: Sequence[Any], n_rows: int, code_before_2013: int | None) -> tuple[SampleArray, int | None]:
    """Columns in the narrowest sample type that holds them all, and the code of missing values."""
    import pyarrow as pa

    if any(column.type != pa.int32() for column in columns):
        with np.errstate(over="ignore"):
            decimals = np.stack([_floats(column).astype(np.float32) for column in columns])
        decimals[~np.isfinite(decimals)] = np.nan
        if code_before_2013 is not None:
            decimals[decimals == code_before_2013] = np.nan
        return decimals, None
    narrow, wide = np.iinfo(np.int16), np.iinfo(np.int32)
    values = np.empty((len(columns), n_rows), np.int32)
    missing = np.zeros((len(columns), n_rows), bool)
    for i, column in enumerate(columns):
        values[i] = column.fill_null(wide.min).to_numpy()
        missing[i] = values[i] == wide.min
        if code_before_2013 is not None:
            missing[i] |= values[i] == code_before_2013
    present = values[~missing] if missing.any() else values
    low, high = (int(present.min()), int(present.max())) if present.size else (0, 0)
    if low < narrow.min or high > narrow.max or (low == narrow.min and missing.any()):
        values[missing] = wide.min
        return values, int(wide.min)
    values[missing] = narrow.min
    return values.astype(np.int16), None if low == narrow.min else int(narrow.min)
