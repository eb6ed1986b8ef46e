"""Interval records and logs of RMS values as delimited text, in whatever layout a recorder's export has."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers.description import TIME_UNITS, name_and_unit
from halfcycle.pipeline.readers.intervals.columns import NamedColumn, records_of
from halfcycle.pipeline.readers.intervals.description import IntervalDescription, described_intervals
from halfcycle.pipeline.readers.intervals.records import I64, IntervalRecords
from halfcycle.pipeline.readers.intervals.times import BadTimes, instants_of
from halfcycle.pipeline.readers.text_layout import BLANKS, Layout, cells_of, lines_of, sniff

SHORTEST_STEP_S: Final = 0.0065
"""Rows nearer than this are samples: logs of RMS have one a half cycle at most, of 60 Hz 8.3 ms."""
_LONGEST_STEP_S: Final = 10_800.0
_HEAD_BYTES: Final = 1 << 20
_ROWS_LOOKED_AT: Final = 3
_CLOCK: Final = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?(?:\s*([AaPp])[Mm])?(?:Z|[+-]\d\d:\d\d)?\s*$"
)
_DATE: Final = re.compile(r"\s*\d{1,4}[-./]\d{1,2}[-./]\d{2,4}(?:[T\s].*)?")
_TIME_NAME: Final = re.compile(r"(?i)(?:t|time|zeit|seconds|elapsed)(?:[_ ](?:s|ms|us))?")
_RATES: Final = frozenset({"rate_hz", "rate", "fs", "sampling_rate", "sample_rate"})
_EMPTY: Final = frozenset({"", "-", "--", "---", "nan", "n/a", "na", "null", "none"})


def layout_of(path: Path) -> Layout | None:
    """The layout of a text file where its rows follow one another so slowly that they are no samples; else None.

    Raises
    ------
    ReadError : it, or the description beside it, cannot be read.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    described = described_intervals(path) is not None
    try:
        layout = sniff(head, preamble=True)
    except ValueError as error:
        if described:
            raise MalformedRecord(path, "", str(error)) from error
        return None
    if described:
        return layout
    if _RATES & {re.sub(r"[\s-]+", "_", key.lower()) for key in layout.comments}:  # it says that they are samples
        return None
    rows = _first_rows(head[layout.offset :], layout)
    return layout if len(rows) > 1 and _are_slow(rows) else None


def interval_text(path: Path, layout: Layout) -> IntervalRecords:
    """The interval records in a text file.

    Parameters
    ----------
    path, layout : of the file; see `layout_of`.

    Raises
    ------
    ReadError : what is wrong, with the row and column.
    """
    said = described_intervals(path) or IntervalDescription()
    cells = _cells(path, layout)
    labels = [*layout.labels]
    units = [*layout.units] or [""] * len(labels)
    try:
        times, used, notes = _times(labels, units, cells, said, layout)
        columns = [
            _column(path, labels[i], units[i], cells[i], layout) for i in range(len(labels)) if i not in used
        ]  # fmt: skip
        if "station" in layout.comments and said.station is None:
            said = said.model_copy(update={"station": layout.comments["station"][0]})
        return records_of(columns, times, said, notes)
    except BadTimes as error:
        raise MalformedRecord(path, "time", str(error)) from error
    except ValueError as error:
        raise MalformedRecord(path, "", str(error)) from error


def _first_rows(data: bytes, layout: Layout) -> list[list[str]]:
    rows = []
    for _, line in lines_of(data):
        if line.strip():
            rows.append(cells_of(line, layout.separator))
        if len(rows) == _ROWS_LOOKED_AT:
            break
    return [row for row in rows if len(row) == len(layout.labels)]


def _are_slow(rows: Sequence[Sequence[str]]) -> bool:
    """Whether the times of the first rows lie apart as those of interval records do."""
    times = [_clock_s(row) for row in rows]
    known = [time for time in times if time is not None]
    if len(known) < len(rows):
        return False
    steps = [(after - before) % 86_400 for before, after in pairwise(known)]
    return all(SHORTEST_STEP_S <= step <= _LONGEST_STEP_S for step in steps)


def _clock_s(row: Sequence[str]) -> float | None:
    """The time of day of a row; None where it has none. Relative times may be those of samples. [s]"""
    for cell in row:
        if match := _CLOCK.search(cell):
            hours, minutes, seconds, decimals, half = match.groups()
            whole = (int(hours) % 12 + 12 * (half in "Pp")) if half else int(hours)
            return whole * 3600 + int(minutes) * 60 + int(seconds or 0) + float(f"0.{decimals or 0}")
    return None


def _relative(label: str, unit: str) -> float | None:
    """How many units of a column of relative times make a second; None: it is none."""
    name, own = name_and_unit(label)
    scale = TIME_UNITS.get(own or unit or "s")
    return scale if _TIME_NAME.fullmatch(name) else None


def _cells(path: Path, layout: Layout) -> list[list[str]]:
    """The cells of all rows, by column."""
    import pyarrow as pa
    import pyarrow.csv as arrow_csv

    names = [str(i) for i in range(len(layout.labels))]
    try:
        data = path.read_bytes()[layout.offset :]
        if layout.separator == BLANKS:
            data = re.sub(rb"^ | (?=[\r\n]|\Z)", b"", re.sub(rb"[ \t]+", b" ", data), flags=re.MULTILINE)
        if not layout.is_utf8:
            data = data.decode("latin-1").encode()
        table = arrow_csv.read_csv(
            pa.BufferReader(data),
            read_options=arrow_csv.ReadOptions(column_names=names, use_threads=False),
            parse_options=arrow_csv.ParseOptions(delimiter=layout.separator),
            convert_options=arrow_csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string())),
        )
    except OSError as error:
        raise ReadError(path, "", f"cannot be read ({error.strerror or error})") from error
    except pa.ArrowInvalid as error:
        raise MalformedRecord(path, "", f"cannot be parsed ({error})") from error
    return [["" if cell is None else cell.strip() for cell in column.to_pylist()] for column in table.columns]


def _times(
    labels: Sequence[str], units: Sequence[str], cells: Sequence[Sequence[str]], said: IntervalDescription,
    layout: Layout,
) -> tuple[I64, set[int], tuple[str, ...]]:  # fmt: skip
    """The time of each row, the columns that it stands in, and notes."""
    first = [column[0] if column else "" for column in cells]
    chosen = [i for i, label in enumerate(labels) if said.time_column in (label, name_and_unit(label)[0])]
    if said.time_column is not None and not chosen:
        raise BadTimes(f"the description names a column {said.time_column!r}, which does not exist")
    zone = said.time_zone or (layout.comments["utc_offset"][0] if "utc_offset" in layout.comments else None)
    for i in chosen or range(len(labels)):
        if not _DATE.fullmatch(first[i]):
            continue
        if _CLOCK.search(first[i]):
            return (*_parted(instants_of(cells[i], zone=zone, order=said.dates), {i}),)
        clock = next((k for k in range(len(labels)) if k != i and _CLOCK.fullmatch(first[k])), None)
        if clock is None:
            raise BadTimes(f"{labels[i]!r} has dates, but no column has the time of day")
        both = [f"{date} {time}" for date, time in zip(cells[i], cells[clock], strict=True)]
        return (*_parted(instants_of(both, zone=zone, order=said.dates), {i, clock}),)
    for i in chosen or range(len(labels)):
        scale = _relative(labels[i], units[i])
        if scale is not None:
            values = _numbers(cells[i], layout)
            if values is None or np.isnan(values).any():
                raise BadTimes(f"{labels[i]!r} holds something that is not a number")
            return (
                np.rint(values * (1e9 / scale)).astype(np.int64),
                {i},
                ("the times are relative and no start is given",),
            )
    raise BadTimes("there is no time column")


def _parted(found: tuple[I64, tuple[str, ...]], used: set[int]) -> tuple[I64, set[int], tuple[str, ...]]:
    return found[0], used, found[1]


def _column(path: Path, label: str, unit: str, cells: Sequence[str], layout: Layout) -> NamedColumn:
    name, own = name_and_unit(label)
    return NamedColumn(label, name, own or unit or None, _numbers(cells, layout), cells)


def _numbers(cells: Sequence[str], layout: Layout) -> Any:
    """Cells as numbers, NaN where there is none; None where one is something else."""
    marks = str.maketrans(dict.fromkeys(layout.thousands))
    texts = [cell.translate(marks) if layout.thousands else cell for cell in cells]
    if layout.decimal == ",":
        if any("." in text for text in texts):
            return None
        texts = [text.replace(",", ".") for text in texts]
    try:
        return np.array([float("nan") if text.lower() in _EMPTY else float(text) for text in texts], np.float64)
    except ValueError:
        return None
