"""`halfcycle export`: captures, or trends, handed on in another format."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional, cast

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Captures
from halfcycle.pipeline.plain_text import counted

if TYPE_CHECKING:
    from halfcycle.pipeline.survey.exported import ExportedTrend

_NAMED = 5
_EPILOG = "Example:  halfcycle export night.cfg --out night.pqd"


@typer_app.command("export", epilog=_EPILOG)
def export_command(
    paths: Captures,
    out: Annotated[
        Path,
        typer.Option(
            metavar="FILE",
            help="Output file. Its extension sets the format: .pqd, .cfg, .cff, .parquet, .csv, .npz or .mat.",
            show_default=False,
        ),
    ],
    data: Annotated[
        Optional[str],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option(
            metavar="TYPE", help="COMTRADE data type: ASCII, BINARY, BINARY32 or FLOAT32. Default: by the samples."
        ),
    ] = None,
    revision: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(
            metavar="YEAR",
            help="COMTRADE revision: 1991, 1999 or 2013. Default: the oldest from 1999 on that can hold the samples.",
        ),
    ] = None,
    separator: Annotated[str, typer.Option(metavar="SIGN", help="Column separator of text: , or ; or a tab.")] = ",",
    decimal: Annotated[str, typer.Option(metavar="SIGN", help="Decimal mark of text: . or ,")] = ".",
    sites: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="FILE", help="TOML file of [[sites]]: channels are written as it describes them, in primary values."
        ),
    ] = None,
) -> int:
    """Convert captures or trends, and verify the copy.

    Writes PQDIF, COMTRADE, Parquet, text, NumPy or MATLAB files, reads them back and states the largest error. Trends,
    of `halfcycle measure` or of a recorder, go to .csv, .parquet or .pqd; logs of RMS row by row to .csv or .parquet.
    """
    from halfcycle.pipeline.errors import ConfigError, ReadError
    from halfcycle.pipeline.exporting import export
    from halfcycle.pipeline.readers import capture_files
    from halfcycle.pipeline.records.archive import Reading, may_hold_both
    from halfcycle.pipeline.sites.table import SiteTable
    from halfcycle.pipeline.survey.exported import export_trends, trends_in
    from halfcycle.pipeline.survey.exported_logs import ENDINGS, export_logs, logs_in
    from halfcycle.pipeline.writers.comtrade import DataKind, Revision

    table = SiteTable.at(sites)
    reading = Reading(("voltage", "current", "other"), describe=table.described if table.sites else None)
    captures, trends, logs, unread = [], [], [], 0
    row_by_row = out.suffix.lower() in ENDINGS
    for path in capture_files(paths):
        try:
            own = list(reading.captures(path)) if may_hold_both(path) else []
            of_rows = [] if own or not row_by_row else logs_in(path, sites=table)
            of_intervals = [] if own or of_rows else trends_in(path, sites=table)
            captures += [] if of_rows or of_intervals else own or list(reading.captures(path))
            trends += of_intervals
            logs += of_rows
        except ReadError as error:
            show.warning(str(error))
            unread += 1
    if not (captures or trends or logs) and unread:
        return Exit.FAILED
    found = [what for what, held in {"captures": captures, "trends": trends, "logs of RMS": logs}.items() if held]
    if len(found) > 1:
        raise ConfigError(f"these are {' and '.join(found)}: export them one by one")
    if trends or logs:
        if (data, revision, separator, decimal) != (None, None, ",", "."):
            raise ConfigError(
                f"--data, --revision, --separator and --decimal apply to captures only; these are {found[0]}"
            )
        if logs:
            for path, n_rows in export_logs(logs, out):
                show.line(f"written: {path}: {counted(n_rows, 'row')}, values read back exactly")
        else:
            _tell_trends(export_trends(trends, out))
        return _left_out(unread)
    kind = None if data is None else cast(DataKind, data.upper())
    written = export(
        captures, out, data=kind, revision=cast("Revision | None", revision), separator=separator, decimal=decimal
    )
    for one in written:
        exact = (
            "exactly"
            if one.largest_error == 0
            else f"within {one.largest_error:.2g} of the largest value of each channel"
        )
        show.line(f"written: {one.path}: {counted(one.n_captures, 'capture')}, samples read back {exact}")
    left_out = written[0].left_out
    if left_out:
        show.line(f"left out: {counted(len(left_out), 'channel')} with a unit that PQDIF lacks: {', '.join(left_out)}")
    return _left_out(unread)


def _left_out(n_unread: int) -> int:
    if not n_unread:
        return Exit.DONE
    show.line(f"left out: {counted(n_unread, 'file')} that could not be read")
    return Exit.QUARANTINED


def _tell_trends(written: Sequence[ExportedTrend]) -> None:
    for one in written:
        exact = (
            "exactly"
            if one.largest_error == 0
            else f"within {one.largest_error:.2g} of the largest value of each column"
        )
        show.line(f"written: {one.path}: {counted(one.n_rows, 'interval')}, values read back {exact}")
        if one.left_out:
            named = f"{', '.join(one.left_out[:_NAMED])}{' …' if len(one.left_out) > _NAMED else ''}"
            show.line(f"left out: {counted(len(one.left_out), 'column')} that PQDIF cannot hold: {named}")
