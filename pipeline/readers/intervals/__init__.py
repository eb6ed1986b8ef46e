"""Values that a recorder made itself, in files that hold no waveform: interval records and logs of RMS values."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers.intervals.parquet import parquet_intervals
from halfcycle.pipeline.readers.intervals.records import IntervalRecords, IntervalSeries, Statistic
from halfcycle.pipeline.readers.intervals.text import interval_text, layout_of
from halfcycle.pipeline.readers.pqdif.tags import SIGNATURE
from halfcycle.pipeline.readers.text_layout import is_text_table

_HEAD_BYTES: Final = 1 << 16
_TEXTS: Final = (".csv", ".tsv", ".txt", ".asc")

__all__ = ["IntervalRecords", "IntervalSeries", "Statistic", "interval_records", "text_intervals"]


def interval_records(path: Path) -> tuple[IntervalRecords, ...]:
    """The interval records in a file, a point each; none where it holds samples or something else.

    Raises
    ------
    ReadError : they cannot be read, with the reason.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    if head.startswith(b"PAR1"):
        return parquet_intervals(path)
    if head.startswith(SIGNATURE):
        from halfcycle.pipeline.readers.pqdif.intervals import pqdif_intervals

        return pqdif_intervals(path)
    return text_intervals(path) if path.suffix.lower() in _TEXTS and is_text_table(head) else ()


def text_intervals(path: Path) -> tuple[IntervalRecords, ...]:
    """The interval records in a text file; none where its rows are samples."""
    layout = layout_of(path)
    return () if layout is None else (interval_text(path, layout),)
