"""Delimited text: a header line with names and units, then rows of numbers, parted by comma, semicolon, tab or blanks.

The header's units stand behind the names, ``v1 (V)``, ``v1 [V]``, ``v1_V``, or in a line of their own below. Numbers
may have a decimal comma where the separator is no comma. A column of times, relative or absolute, gives the rate.
Lines with ``#`` at the top may say ``# key: value``: station, start, rate_hz, frequency, trigger, utc_offset, and
``channels.NAME.KEY`` with the channel keys of a description. Empty cells are missing samples.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from pipeline.capture import Capture
from pipeline.errors import MalformedRecord, ReadError
from pipeline.readers.columns import Block, ColumnFile, captures_of
from pipeline.readers.contract import Reader
from pipeline.readers.description import TIME_UNITS, Column, companions, instant_ns, name_and_unit, validated
from pipeline.terms import Quantity, quantity_of_unit

_HEAD_BYTES: Final = 1 << 20  # comments and header must fit into it
_BLOCK_BYTES: Final = 1 << 21
_BLANKS: Final = " "
_SEPARATORS: Final = ("\t", ";", ",", _BLANKS)
_SUFFIXES: Final = (".csv", ".tsv")
_OTHER_SUFFIXES: Final = (".cfg", ".cff", ".hdr", ".inf", ".toml", ".json", ".ndjson", ".xml", ".html", ".md", ".py")

_LINE: Final = re.compile(rb"([^\r\n]*)(\r\n|\n|\r|\Z)")
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0e-\x1f]")
_OTHER_TEXT: Final = re.compile(rb"\s*[<{]|[^\r\n]*[\r\n]+\s*\d+\s*,\s*\d+A\s*,\s*\d+D")  # markup; a COMTRADE .cfg
_NUMBER: Final = re.compile(r"\s*[+-]?(?:(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?|nan|inf(?:inity)?)\s*", re.IGNORECASE)
_DECIMAL_COMMA: Final = r"(?:^|{0})\s*[+-]?\d*,\d+(?:[eE][+-]?\d+)?\s*(?:{0}|$)"
_BLANK_CELLS: Final = re.compile(r'"[^"]*"|[^\s(\["]+(?:\s*[(\[][^)\]]*[)\]])?')
_COMMENT: Final = re.compile(r"#+\s*([^:=]*[^:=\s])\s*[:=]\s*(.*?)\s*")
_CHANNEL_COMMENT: Final = re.compile(r"#+\s*(channels\.(?:.*)\.(?:quantity|phase|unit|point|rated))\s*:\s*(.*?)\s*")
_CHANNEL_KEY: Final = re.compile(r"channels\.(.*)\.(quantity|phase|unit|point|rated)")
_RATE: Final = re.compile(r"([\d.eE+-]+)\s*(Hz|kHz)?", re.IGNORECASE)
_COMMENT_KEYS: Final = {
    "station": "station", "start": "start", "start_time": "start", "trigger": "trigger", "utc_offset": "utc_offset",
    "rate_hz": "rate_hz", "rate": "rate_hz", "fs": "rate_hz", "sampling_rate": "rate_hz", "sample_rate": "rate_hz",
    "frequency": "nominal_frequency_hz", "nominal_frequency": "nominal_frequency_hz",
    "nominal_frequency_hz": "nominal_frequency_hz",
}  # fmt: skip
_MISSING: Final = [" " * n for n in range(33)] + ["nan", "NaN", "NAN", "-nan", "-NaN"]


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the rows begin and how they are written."""

    separator: str
    decimal: str
    labels: tuple[str, ...]
    units: tuple[str, ...]  # of the line of units, or none
    first_row: tuple[str, ...]
    offset: int  # of the first row [bytes]
    line: int  # of the first row, counted from 1
    comments: dict[str, tuple[str, int]] = field(repr=False)  # key: value and line


def _lines(data: bytes) -> Iterator[tuple[int, str]]:
    """Lines without their ends, and the offset at which each begins. UTF-8, and Latin-1 where a line is not."""
    for match in _LINE.finditer(data):
        if match.start() == match.end():
            return
        try:
            yield match.start(), match[1].decode()
        except UnicodeDecodeError:
            yield match.start(), match[1].decode("latin-1")


def _cells(line: str, separator: str) -> list[str]:
    if separator == _BLANKS:
        return [cell.strip('"') for cell in _BLANK_CELLS.findall(line)]
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]


def _is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None


def _is_instant(cell: str) -> bool:
    try:
        instant_ns(cell)
    except ValueError:
        return False
    return True


def _sniff(data: bytes) -> _Layout:
    """Find header, separator and decimal sign at the head of a file.

    Raises
    ------
    ValueError : it is no table with a header and rows of numbers.
    """
    data = data if not data.startswith(b"\xef\xbb\xbf") else b" " * 3 + data[3:]
    if _CONTROL.search(data) or _OTHER_TEXT.match(data):
        raise ValueError("this is no delimited text")
    comments: dict[str, tuple[str, int]] = {}
    body: list[tuple[int, int, str]] = []  # offset, line number, text
    commented: list[tuple[int, int, str]] = []  # the last comment, which may be the header
    for i, (offset, line) in enumerate(_lines(data)):
        text = line.strip(" ")
        if not body and text.startswith("#"):
            commented = [(offset, i + 1, text.lstrip("# "))]
            if match := _CHANNEL_COMMENT.fullmatch(text) or _COMMENT.fullmatch(text):
                comments[match[1]] = match[2], i + 1
        elif text.strip():
            body.append((offset, i + 1, text))
        if len(body) == 3:
            break
    for lines in (body, commented + body[:2]):
        for separator in _SEPARATORS if len(lines) > 1 else ():
            layout = _layout(lines, separator, comments, data)
            if layout is not None:
                return layout
    raise ValueError("no header line with names above rows of as many numbers, parted by comma, semicolon, tab or "
                     "blanks")  # fmt: skip


def _layout(
    body: list[tuple[int, int, str]], separator: str, comments: dict[str, tuple[str, int]], data: bytes
) -> _Layout | None:
    """The layout with this separator, or None where the first lines do not fit it."""
    try:
        header, *rows = [_cells(text, separator) for _, _, text in body]
    except csv.Error:
        return None
    if any(_is_number(cell) or _is_instant(cell) for cell in header) or not any(header):
        return None
    units: list[str] = []
    if len(rows) == 2 and len(rows[0]) == len(header) and not any(_is_number(cell) for cell in rows[0]):
        units = [cell.strip("()[]") for cell in rows[0]]
        if any(quantity_of_unit(unit)[0] != "other" or unit in TIME_UNITS for unit in units):
            rows, body = rows[1:], body[1:]
        else:
            units = []
    row = rows[0]
    if len(row) != len(header) or not any(_is_number(cell) or _is_instant(cell) for cell in row):
        return None
    if len(header) == 1 and separator != ",":  # one column needs no separator
        return None
    offset, line, _ = body[1]
    pattern = _DECIMAL_COMMA.format(separator)
    has_comma = separator != "," and re.search(pattern, data[offset:].decode("latin-1"), re.MULTILINE)
    decimal = "," if has_comma else "."
    return _Layout(separator, decimal, tuple(header), tuple(units), tuple(row), offset, line, comments)


class _SingleBlanks(io.RawIOBase):
    """A text stream in which runs of blanks and tabs are one blank, and none stand at the ends of a line."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._rest = b""

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        while True:
            if 0 < size <= len(self._rest):  # a line longer than a block
                whole, self._rest = self._rest[:size], self._rest[size:]
                return whole
            chunk = self._stream.read(size - len(self._rest) if size > 0 else size)
            data = self._rest + chunk
            end = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1 if chunk else len(data)
            whole, self._rest = data[:end], data[end:]
            if whole or not chunk:
                return re.sub(rb"^ | (?=[\r\n]|\Z)", b"", re.sub(rb"[ \t]+", b" ", whole), flags=re.MULTILINE)


class _Table(ColumnFile):
    """The columns of a text file, parsed by pyarrow block by block."""

    def __init__(self, path: Path, layout: _Layout) -> None:
        self._layout = layout
        columns = []
        for i, label in enumerate(layout.labels):
            name, unit = name_and_unit(label)
            unit = layout.units[i] if layout.units and unit is None else unit
            kind = np.dtype("datetime64[ns]" if _is_instant(layout.first_row[i]) else np.float64)
            has_zone = kind.kind == "M" and instant_ns(layout.first_row[i])[1]
            columns.append(Column(label, name, unit, kind, has_zone=has_zone))
        document, places = _statements(layout, path)
        super().__init__(path, columns=columns, own=validated(document, path=path, places=places))

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        import pyarrow as pa
        import pyarrow.csv as arrow_csv

        try:
            with self.path.open("rb") as stream:
                stream.seek(self._layout.offset)
                source = _SingleBlanks(stream) if self._layout.separator == _BLANKS else stream
                with arrow_csv.open_csv(source, **self._options(positions)) as batches:
                    for batch in batches:
                        arrays = [batch.column(i) for i in range(len(positions))]
                        yield batch.num_rows, [array.to_numpy(zero_copy_only=False) for array in arrays]
        except pa.ArrowInvalid as error:
            raise self._broken_row(positions, error) from error
        except OSError as error:
            raise ReadError(self.path, "", f"cannot be read ({error.strerror or error})") from error

    def _options(self, positions: Sequence[int]) -> dict[str, Any]:
        import pyarrow as pa
        import pyarrow.csv as arrow_csv

        names = [str(i) for i in range(len(self.columns))]  # the labels need not differ
        kinds: dict[str, pa.DataType] = {"0": pa.binary()}  # only counted, where no column is asked for
        for i in positions:
            column = self.columns[i]
            times = pa.timestamp("ns", tz="UTC" if column.has_zone else None)
            kinds[str(i)] = times if column.kind.kind == "M" else pa.float64()
        return {
            "read_options": arrow_csv.ReadOptions(use_threads=False, block_size=_BLOCK_BYTES, column_names=names),
            "parse_options": arrow_csv.ParseOptions(delimiter=self._layout.separator),
            "convert_options": arrow_csv.ConvertOptions(
                column_types=kinds,
                include_columns=[str(i) for i in positions] or ["0"],
                null_values=_MISSING,
                strings_can_be_null=True,
                decimal_point=self._layout.decimal,
                timestamp_parsers=[arrow_csv.ISO8601],
            ),
        }

    def place(self, i_row: int, column: Column) -> str:
        for i, (line, _) in enumerate(self._rows()):
            if i == i_row:
                return f"line {line}, column {column.label}"
        return f"row {i_row + 1}, column {column.label}"

    def _rows(self) -> Iterator[tuple[int, str]]:
        """Rows as text with their line numbers: slow, to find the place of an error."""
        with self.path.open("rb") as stream:
            stream.seek(self._layout.offset)
            for i, (_, text) in enumerate(_lines(stream.read())):
                if text:
                    yield self._layout.line + i, text

    def _broken_row(self, positions: Sequence[int], error: Exception) -> MalformedRecord:
        n_columns = len(self.columns)
        for line, text in self._rows():
            try:
                cells = _cells(text, self._layout.separator)
            except csv.Error as cause:
                return MalformedRecord(self.path, f"line {line}", str(cause))
            if len(cells) != n_columns:
                return MalformedRecord(self.path, f"line {line}", f"has {len(cells)} cells, the header {n_columns}")
            for i in positions:
                is_time = self.columns[i].kind.kind == "M"
                cell, decimal = cells[i], self._layout.decimal
                wrong_sign = "," if decimal == "." else "."
                good = _is_instant(cell) if is_time else _is_number(cell) and wrong_sign not in cell
                if not good and (cell or is_time):
                    what = "time" if is_time else "number"
                    reason = f"{cell[:40]!r} is no {what}; the decimal sign is {decimal!r}"
                    return MalformedRecord(self.path, f"line {line}, column {self.columns[i].label}", reason)
        return MalformedRecord(self.path, "", f"cannot be parsed ({error})")


def _statements(layout: _Layout, path: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """What the comments say, as in a description, and where they say it."""
    document: dict[str, Any] = {}
    places: dict[str, str] = {}
    for words, (value, line) in layout.comments.items():
        in_channel = _CHANNEL_KEY.fullmatch(words)
        key = _COMMENT_KEYS.get(re.sub(r"[\s-]+", "_", words.lower()))
        if in_channel:
            document.setdefault("channels", {}).setdefault(in_channel[1], {})[in_channel[2]] = (
                _number(value, path, line) if in_channel[2] == "rated" else value
            )
            places[f"channels.{in_channel[1]}.{in_channel[2]}"] = f"line {line}"
        elif key in ("rate_hz", "nominal_frequency_hz"):
            document[key], places[key] = _number(value, path, line), f"line {line}"
        elif key is not None:
            document[key], places[key] = value, f"line {line}"
    return document, places


def _number(text: str, path: Path, line: int) -> float:
    match = _RATE.fullmatch(text)
    try:
        return float(match[1] if match else text) * (1e3 if match and (match[2] or "").lower() == "khz" else 1.0)
    except ValueError as error:
        raise MalformedRecord(path, f"line {line}", f"{text!r} is no number, such as 6400 or 6400 Hz") from error


def _recognises(path: Path, head: bytes) -> bool:
    suffix = path.suffix.lower()
    if suffix in _OTHER_SUFFIXES or _CONTROL.search(head) or _OTHER_TEXT.match(head):
        return False
    if suffix in _SUFFIXES:
        return True
    try:
        _sniff(head)
    except ValueError:
        return False
    return True


def _read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    try:
        layout = _sniff(head)
    except ValueError as error:
        raise MalformedRecord(path, "", str(error)) from error
    yield from captures_of(_Table(path, layout), quantities=quantities)


READER: Final = Reader("delimited text", recognises=_recognises, read=_read, companions=companions)
