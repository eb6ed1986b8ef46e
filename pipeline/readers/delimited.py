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
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.columns import Block, ColumnFile, captures_of
from halfcycle.pipeline.readers.contract import Reader, Repair
from halfcycle.pipeline.readers.description import Column, companions, instant_ns, name_and_unit, validated
from halfcycle.pipeline.readers.intervals import text_intervals
from halfcycle.pipeline.readers.intervals.text import layout_of
from halfcycle.pipeline.readers.text_layout import (
    BLANKS,
    Layout,
    cells_of,
    is_instant,
    is_number,
    is_other_date,
    is_text_table,
    lines_of,
    sniff,
)
from halfcycle.pipeline.terms import Quantity
from halfcycle.pipeline.trend_table import certificate_path, certificates_of, has_certificate, remark_of

_HEAD_BYTES: Final = 1 << 20  # comments and header must fit into it
_BLOCK_BYTES: Final = 1 << 21
_SUFFIXES: Final = (".csv", ".tsv")
_OTHER_SUFFIXES: Final = (".cfg", ".cff", ".hdr", ".inf", ".toml", ".json", ".ndjson", ".xml", ".html", ".md", ".py")

_CHANNEL_KEY: Final = re.compile(r"channels\.(.*)\.(quantity|phase|unit|point|rated)")
_RATE: Final = re.compile(r"([\d.eE+-]+)\s*(Hz|kHz)?", re.IGNORECASE)
_COMMENT_KEYS: Final = {
    "station": "station", "start": "start", "start_time": "start", "trigger": "trigger", "utc_offset": "utc_offset",
    "rate_hz": "rate_hz", "rate": "rate_hz", "fs": "rate_hz", "sampling_rate": "rate_hz", "sample_rate": "rate_hz",
    "frequency": "nominal_frequency_hz", "nominal_frequency": "nominal_frequency_hz",
    "nominal_frequency_hz": "nominal_frequency_hz",
}  # fmt: skip
_MISSING: Final = [" " * n for n in range(33)] + ["nan", "NaN", "NAN", "-nan", "-NaN"]


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

    def __init__(self, path: Path, layout: Layout) -> None:
        self._layout = layout
        columns = []
        for i, label in enumerate(layout.labels):
            name, unit = name_and_unit(label)
            unit = layout.units[i] if layout.units and unit is None else unit
            is_time = is_instant(layout.first_row[i]) or i in layout.dates
            kind = np.dtype("datetime64[ns]" if is_time else np.float64)
            has_zone = is_time and i not in layout.dates and instant_ns(layout.first_row[i])[1]
            columns.append(Column(label, name, unit, kind, has_zone=has_zone))
        document, places = _statements(layout, path)
        own = validated(document, path=path, places=places)
        super().__init__(path, columns=columns, own=own, notes=[*_notes(layout), *_note_on_end(path)])

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        import pyarrow as pa
        import pyarrow.csv as arrow_csv

        try:
            with self.path.open("rb") as stream:
                stream.seek(self._layout.offset)
                source = _SingleBlanks(stream) if self._layout.separator == BLANKS else stream
                with arrow_csv.open_csv(source, **self._options(positions)) as batches:
                    for batch in batches:
                        check_time()
                        arrays = [self._values(i, batch.column(k)) for k, i in enumerate(positions)]
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
            if i in self._layout.dates or (self._layout.thousands and column.kind.kind == "f"):
                kinds[str(i)] = pa.binary()
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

    def _values(self, i: int, array: Any) -> Any:
        """A column of a batch as numbers or times, where it was read as text.

        Raises
        ------
        pyarrow.ArrowInvalid : it holds something else.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        if not pa.types.is_binary(array.type):
            return array
        try:
            text = pc.utf8_trim_whitespace(array.cast(pa.string()))
        except pa.ArrowInvalid:  # not UTF-8
            cells = [None if cell is None else cell.decode("latin-1") for cell in array.to_pylist()]
            text = pc.utf8_trim_whitespace(pa.array(cells, pa.string()))
        if i in self._layout.dates:
            return self._instants(i, text)
        marks, point = re.escape(self._layout.thousands), re.escape(self._layout.decimal)
        grouped = pc.match_substring_regex(text, rf"^[+-]?\d{{1,3}}(?:[{marks}]\d{{3}})+(?:{point}\d*)?$")
        text = pc.if_else(grouped, pc.replace_substring_regex(text, f"[{marks}]", ""), text)
        if self._layout.decimal == ",":
            text = pc.replace_substring(text, ",", ".")
        return text.cast(pa.float64())

    def _instants(self, i: int, text: Any) -> Any:
        """Dates with their year last as times: the seconds, and what there is of decimals behind them."""
        import pyarrow as pa
        import pyarrow.compute as pc

        column, order = self.columns[i], self._layout.dates[i]
        if not order:
            reason = (
                f"dates such as {self._layout.first_row[i]} may begin with the day or the month; write the year first"
            )
            raise MalformedRecord(self.path, self.place(0, column), reason)
        text = pc.replace_substring_regex(pc.replace_substring(text, "T", " "), r"\s+", " ")
        decimals = pc.struct_field(pc.extract_regex(text, r":\d\d[.,](?P<ns>\d{1,9})$"), "ns")
        ns = pc.fill_null(pc.utf8_rpad(decimals, 9, "0").cast(pa.int64()), 0)
        whole = pc.replace_substring_regex(text, r"(:\d\d)[.,]\d{1,9}$", r"\1")
        whole = pc.replace_substring(whole, "/", ".")
        days = "%d.%m.%Y" if order == "dmy" else "%m.%d.%Y"
        seconds = pc.strptime(whole, format=f"{days} %H:%M:%S", unit="s")
        fields = pc.extract_regex(whole, r"^(?P<dmy>\d+)\.(?P<mdy>\d+)\.")
        if not pc.all(pc.equal(pc.day(seconds), pc.struct_field(fields, order).cast(pa.int64()))).as_py():
            raise pa.ArrowInvalid("a day that does not exist in its month")  # which would be taken for one of the next
        return pc.add(pc.multiply_checked(seconds.cast(pa.int64()), 1_000_000_000), ns).cast(pa.timestamp("ns"))

    def place(self, i_row: int, column: Column) -> str:
        for i, (line, _) in enumerate(self._rows()):
            if i == i_row:
                return f"line {line}, column {column.label}"
        return f"row {i_row + 1}, column {column.label}"

    def _rows(self) -> Iterator[tuple[int, str]]:
        """Rows as text with their line numbers: slow, to find the place of an error."""
        with self.path.open("rb") as stream:
            stream.seek(self._layout.offset)
            for i, (_, text) in enumerate(lines_of(stream.read())):
                check_time(f"line {self._layout.line + i}")
                if text:
                    yield self._layout.line + i, text

    def _broken_row(self, positions: Sequence[int], error: Exception) -> MalformedRecord:
        n_columns = len(self.columns)
        for line, text in self._rows():
            try:
                cells = cells_of(text, self._layout.separator)
            except csv.Error as cause:
                return MalformedRecord(self.path, f"line {line}", str(cause))
            if len(cells) != n_columns:
                return MalformedRecord(self.path, f"line {line}", f"has {len(cells)} cells, the header {n_columns}")
            for i in positions:
                is_time = self.columns[i].kind.kind == "M"
                cell, decimal, thousands = cells[i], self._layout.decimal, self._layout.thousands
                wrong_sign = "" if thousands else "," if decimal == "." else "."
                good = (
                    is_instant(cell) or is_other_date(cell)
                    if is_time
                    else is_number(cell, thousands=thousands) and not (wrong_sign and wrong_sign in cell)
                )
                if not good and (cell or is_time):
                    what = "time" if is_time else "number"
                    reason = f"{cell[:40]!r} is not a valid {what}; the decimal mark is {decimal!r}"
                    return MalformedRecord(self.path, f"line {line}, column {self.columns[i].label}", reason)
        return MalformedRecord(self.path, "", f"cannot be parsed ({error})")


def _statements(layout: Layout, path: Path) -> tuple[dict[str, Any], dict[str, str]]:
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
        raise MalformedRecord(path, f"line {line}", f"{text!r} is not a number such as 6400 or 6400 Hz") from error


def _notes(layout: Layout) -> list[str]:
    """What was odd in how a table is written."""
    notes: list[str] = []
    if layout.n_preamble:
        notes.append(f"{layout.n_preamble} lines above the header are skipped")
    if layout.thousands:
        notes.append("digits of numbers are grouped; group separators are removed")
    if not layout.is_utf8:
        notes.append(Repair("the text is not UTF-8; read as latin-1, names may be wrong"))
    return notes


def _note_on_end(path: Path) -> list[str]:
    """A note where the text ends within a line, which may be cut inside a number: nothing else would show that."""
    with path.open("rb") as stream:
        stream.seek(0, io.SEEK_END)
        stream.seek(max(stream.tell() - 1, 0))
        ends_line = stream.read(1) in (b"\n", b"\r")
    return [] if ends_line else ["the last line has no line end; if the file is truncated, the last row may be wrong"]


def _recognises(path: Path, head: bytes) -> bool:
    suffix = path.suffix.lower()
    if suffix in _OTHER_SUFFIXES or not is_text_table(head):
        return False
    if suffix in _SUFFIXES:
        return True
    try:
        sniff(head, preamble=False)
    except ValueError:
        return False
    return True


def _read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    if has_certificate(path) or layout_of(path) is not None:  # a trend or interval records: see `_remarks`
        return
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    try:
        layout = sniff(head, preamble=path.suffix.lower() in _SUFFIXES)
    except ValueError as error:
        raise MalformedRecord(path, "", str(error)) from error
    yield from captures_of(_Table(path, layout), quantities=quantities)


def _remarks(path: Path) -> tuple[str, ...]:
    """What a file without waveforms holds: a trend has its certificate beside it, others are interval records."""
    beside = certificate_path(path)
    if not has_certificate(path):
        return tuple(one.remark for one in text_intervals(path))
    try:
        certificates = certificates_of(beside.read_text(encoding="utf-8"))
        with path.open("rb") as stream:
            n_rows = sum(1 for _ in stream) - 1
    except (OSError, ValueError) as error:
        raise MalformedRecord(beside, "", f"cannot be read ({error})") from error
    return (remark_of(certificates, n_rows),)


def _companions(path: Path) -> tuple[Path, ...]:
    return (*companions(path), *((certificate_path(path),) if has_certificate(path) else ()))


READER: Final = Reader("delimited text", recognises=_recognises, read=_read, companions=_companions, remarks=_remarks)
