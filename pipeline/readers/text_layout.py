"""How a table in a text file is laid out: separator, header, units, decimal sign, thousands, and how times are written.

All of it is told from the head of the file. What would be a guess is left to the reader to refuse.
"""

from __future__ import annotations

import csv
import datetime
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from halfcycle.pipeline.readers.description import TIME_UNITS, instant_ns
from halfcycle.pipeline.terms import quantity_of_unit

BLANKS: Final = " "
_SEPARATORS: Final = ("\t", ";", ",", BLANKS)
_MOST_PREAMBLE_LINES: Final = 50
_MOST_PREAMBLE_CELLS: Final = 2  # of a line above the header, so that a broken header is not taken for one
_FEWEST_COLUMNS: Final = 3  # of a table below a preamble
_SAMPLED_ROWS: Final = 2000

_LINE: Final = re.compile(rb"([^\r\n]*)(\r\n|\n|\r|\Z)")
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0e-\x1f]")
_OTHER_TEXT: Final = re.compile(rb"\s*[<{]|[^\r\n]*[\r\n]+\s*\d+\s*,\s*\d+A\s*,\s*\d+D")  # markup; a COMTRADE .cfg
_NUMBER: Final = re.compile(r"\s*[+-]?(?:(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?|nan|inf(?:inity)?)\s*", re.IGNORECASE)
_DECIMAL_COMMA: Final = r"(?:^|{0})\s*[+-]?\d*,\d+(?:[eE][+-]?\d+)?\s*(?:{0}|$)"
_BLANK_CELLS: Final = re.compile(r'"[^"]*"|[^\s(\["]+(?:\s*[(\[][^)\]]*[)\]])?')
_COMMENT: Final = re.compile(r"#+\s*([^:=]*[^:=\s])\s*[:=]\s*(.*?)\s*")
_CHANNEL_COMMENT: Final = re.compile(r"#+\s*(channels\.(?:.*)\.(?:quantity|phase|unit|point|rated))\s*:\s*(.*?)\s*")

_BLANK_MARKS: Final = " \u00a0\u2009\u202f"  # blank, no-break, thin, narrow no-break
_GROUPED: Final = re.compile(rf"\s*[+-]?\d{{1,3}}(?:(['\u2019.,{_BLANK_MARKS}])\d{{3}})(?:\1\d{{3}})*(?:([.,])\d*)?\s*")
_DAY_TIME: Final = r"\d{1,2}:\d{2}:\d{2}(?:[.,]\d{1,9})?"
_DOTTED_DATE: Final = re.compile(rf"\s*(\d{{1,2}})\.(\d{{1,2}})\.(\d{{4}})[T ]+{_DAY_TIME}\s*")
_SLASHED_DATE: Final = re.compile(rf"\s*(\d{{1,2}})/(\d{{1,2}})/(\d{{4}})[T ]+{_DAY_TIME}\s*")


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the rows begin and how they are written.

    Attributes
    ----------
    separator, decimal : of cells, and the decimal sign.
    thousands : signs that group the digits of numbers, each of which is left out; "" where there are none.
    labels, units : of the header, and of the line of units below it, or none.
    first_row : its cells.
    offset, line : where the first row stands. [bytes], [lines, counted from 1]
    comments : key: value and line.
    dates : how a column of dates that is not ISO 8601 is written, by its position: ``dmy`` or ``mdy``; "" where the
        rows do not tell which of the two.
    n_preamble : lines above the header that are passed over.
    is_utf8 : whether the head of the file is UTF-8.
    """

    separator: str
    decimal: str
    thousands: str
    labels: tuple[str, ...]
    units: tuple[str, ...]
    first_row: tuple[str, ...]
    offset: int
    line: int
    comments: dict[str, tuple[str, int]] = field(repr=False)
    dates: dict[int, str]
    n_preamble: int = 0
    is_utf8: bool = True


@dataclass(frozen=True, slots=True)
class _Line:
    """A line that is neither blank nor a comment."""

    offset: int
    number: int
    text: str


def lines_of(data: bytes) -> Iterator[tuple[int, str]]:
    """Lines without their ends, and the offset at which each begins. UTF-8, and Latin-1 where a line is not."""
    for match in _LINE.finditer(data):
        if match.start() == match.end():
            return
        try:
            yield match.start(), match[1].decode()
        except UnicodeDecodeError:
            yield match.start(), match[1].decode("latin-1")


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of a line.

    Raises
    ------
    csv.Error : a cell is too long.
    """
    if separator == BLANKS:
        return [cell.strip('"') for cell in _BLANK_CELLS.findall(line)]
    if '"' not in line and len(line) < csv.field_size_limit():  # nothing for csv to tell, which takes ten times as long
        return [cell.strip() for cell in line.split(separator)] if line else []
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]


def is_number(cell: str, *, thousands: str = "") -> bool:
    """Whether a cell holds a number, plain or grouped by the signs given."""
    grouped = _GROUPED.fullmatch(cell) if thousands else None
    return _NUMBER.fullmatch(cell) is not None or (grouped is not None and grouped[1] in thousands)


def is_instant(cell: str) -> bool:
    """Whether a cell holds a date and time as ISO 8601 writes it."""
    try:
        instant_ns(cell)
    except ValueError:
        return False
    return True


def is_other_date(cell: str) -> bool:
    """Whether a cell holds a date and time with its year last: 31.12.2024 or 12/31/2024."""
    dotted, slashed = _DOTTED_DATE.fullmatch(cell), _SLASHED_DATE.fullmatch(cell)
    match = dotted or slashed
    if match is None:
        return False
    first, second, year = (int(match[i]) for i in (1, 2, 3))
    return _is_date(year, second, first) or (slashed is not None and _is_date(year, first, second))


def _is_date(year: int, month: int, day: int) -> bool:
    try:
        datetime.date(year, month, day)
    except ValueError:
        return False
    return True


def is_text_table(head: bytes) -> bool:
    """Whether the first bytes may be those of a table as text at all."""
    return not (_CONTROL.search(head) or _OTHER_TEXT.match(head))


@lru_cache(maxsize=1)  # a file is asked whether it holds intervals, then read
def sniff(data: bytes, *, preamble: bool) -> Layout:
    """Find out how the table at the head of a file is laid out.

    Parameters
    ----------
    data : the head of the file.
    preamble : whether lines with other things may stand above the header.

    Raises
    ------
    ValueError : it is no table with a header and rows of numbers.
    """
    data = data if not data.startswith(b"\xef\xbb\xbf") else b" " * 3 + data[3:]
    if not is_text_table(data):
        raise ValueError("this is not delimited text")
    comments: dict[str, tuple[str, int]] = {}
    body: list[_Line] = []
    commented: list[_Line] = []  # the last comment, which may be the header
    for i, (offset, line) in enumerate(lines_of(data)):
        text = line.strip(" ")
        if not body and text.startswith("#"):
            commented = [_Line(offset, i + 1, text.lstrip("# "))]
            if match := _CHANNEL_COMMENT.fullmatch(text) or _COMMENT.fullmatch(text):
                comments[match[1]] = match[2], i + 1
        elif text.strip():
            body.append(_Line(offset, i + 1, text))
        if len(body) == (_MOST_PREAMBLE_LINES if preamble else 0) + 3:
            break
    tables = [(0, body[:3]), (0, commented + body[:2]), *((n, body[n : n + 3]) for n in range(1, len(body)))]
    for n_before, lines in tables:
        for separator in _SEPARATORS if len(lines) > 1 else ():
            layout = _layout(lines, separator, comments, data, above=body[:n_before])
            if layout is not None:
                return layout
    raise ValueError(
        "no header line with names above rows of as many numbers, separated by comma, semicolon, tab or blanks"
    )  # fmt: skip


def _layout(
    body: list[_Line], separator: str, comments: dict[str, tuple[str, int]], data: bytes, *, above: list[_Line]
) -> Layout | None:
    """The layout with this separator, or None where the first lines do not fit it."""
    try:
        header, *rows = [cells_of(line.text, separator) for line in body]
        before = [cells_of(line.text, separator) for line in above]
    except csv.Error:
        return None
    if any(is_number(cell) or is_instant(cell) or is_other_date(cell) for cell in header) or not any(header):
        return None
    if above and (
        len(header) < _FEWEST_COLUMNS or any(sum(map(bool, cells)) > _MOST_PREAMBLE_CELLS for cells in before)
    ):
        return None
    units: list[str] = []
    if len(rows) == 2 and len(rows[0]) == len(header) and not any(is_number(cell) for cell in rows[0]):
        units = [cell.strip("()[]") for cell in rows[0]]
        if any(quantity_of_unit(unit)[0] != "other" or unit in TIME_UNITS for unit in units):
            rows, body = rows[1:], body[1:]
        else:
            units = []
    row = rows[0]
    if len(row) != len(header) or not any(is_number(cell) or is_instant(cell) or is_other_date(cell) for cell in row):
        return None
    if len(header) == 1 and separator != ",":  # one column needs no separator
        return None
    first = body[1]
    sampled = _sampled_cells(data[first.offset :], separator)
    decimal, thousands = _signs(sampled, separator, data[first.offset :])
    try:
        data.decode()
        is_utf8 = True
    except UnicodeDecodeError as error:
        is_utf8 = error.end >= len(data) - 1  # only the last character is cut
    return Layout(
        separator,
        decimal,
        thousands,
        tuple(header),
        tuple(units),
        tuple(row),
        first.offset,
        first.number,
        comments,
        _dates(row, sampled),
        n_preamble=len(above),
        is_utf8=is_utf8,
    )


def _sampled_cells(data: bytes, separator: str) -> list[list[str]]:
    """The cells of the first rows; those that csv cannot part are passed over."""
    rows: list[list[str]] = []
    for _, line in lines_of(data):
        if len(rows) == _SAMPLED_ROWS:
            break
        try:
            rows.append(cells_of(line, separator))
        except csv.Error:
            continue
    return rows


def _signs(rows: list[list[str]], separator: str, data: bytes) -> tuple[str, str]:
    """The decimal sign, and the signs that group digits, where some number leaves no doubt about them."""
    pattern = _DECIMAL_COMMA.format(separator)
    has_comma = separator != "," and re.search(pattern, data.decode("latin-1"), re.MULTILINE)
    decimal, found = "," if has_comma else ".", set[str]()
    for match in (_GROUPED.fullmatch(cell) for row in rows for cell in row):
        if match is None:
            continue
        group, point = match[1], match[2]
        if group in ".,":
            # 1.234 alone is a decimal number; 1.234,5 and 1.234.567 are not.
            if not (point and point != group) and match[0].count(group) < 2:
                continue
            decimal = "," if group == "." else "."
        found.update(_BLANK_MARKS if group in _BLANK_MARKS else "'\u2019" if group in "'\u2019" else group)
    return decimal, "".join(sorted(found))


def _dates(row: list[str], rows: list[list[str]]) -> dict[int, str]:
    """How the columns of dates with their year last are written."""
    orders: dict[int, str] = {}
    for i, cell in enumerate(row):
        if _DOTTED_DATE.fullmatch(cell):
            orders[i] = "dmy"
        elif _SLASHED_DATE.fullmatch(cell):
            matches = [_SLASHED_DATE.fullmatch(cells[i]) for cells in rows if len(cells) == len(row)]
            firsts, seconds = ({int(match[k]) for match in matches if match} for k in (1, 2))
            orders[i] = "dmy" if max(firsts) > 12 else "mdy" if max(seconds) > 12 else ""
    return orders
