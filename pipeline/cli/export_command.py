"""`halfcycle export`: captures handed on in another format."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional, cast

import typer

from pipeline.cli import show
from pipeline.cli.commands import Exit, typer_app
from pipeline.cli.options import Captures

_EPILOG = "Example:  halfcycle export night.cfg --out night.pqd"


@typer_app.command("export", epilog=_EPILOG)
def export_command(
    paths: Captures,
    out: Annotated[
        Path,
        typer.Option(
            help="Output; its ending names the format: .pqd, .cfg, .cff, .parquet, .csv, .npz or .mat.",
            show_default=False,
        ),
    ],
    data: Annotated[
        Optional[str],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option(help="COMTRADE data type: ASCII, BINARY, BINARY32 or FLOAT32. Default: by the samples."),
    ] = None,
    revision: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(
            help="COMTRADE revision: 1991, 1999 or 2013. Default: the oldest from 1999 on that can hold the samples."
        ),
    ] = None,
    separator: Annotated[str, typer.Option(help="Column separator of text: , or ; or a tab.")] = ",",
    decimal: Annotated[str, typer.Option(help="Decimal mark of text: . or ,")] = ".",
    sites: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="TOML file of [[sites]]: channels are written as it describes them, in primary values."),
    ] = None,
) -> int:
    """Convert captures to another format, and verify the copy.

    Writes PQDIF, COMTRADE, Parquet, text, NumPy or MATLAB files, reads them back and states the largest error.
    """
    from pipeline.config import load_sites
    from pipeline.errors import ReadError
    from pipeline.exporting import export
    from pipeline.readers import capture_files
    from pipeline.records.archive import Reading
    from pipeline.sites.table import SiteTable
    from pipeline.writers.comtrade import DataKind, Revision

    table = None if sites is None else SiteTable(load_sites(sites))
    reading = Reading(("voltage", "current", "other"), describe=None if table is None else table.described)
    captures, unread = [], 0
    for path in capture_files(paths):
        try:
            captures += list(reading.captures(path))
        except ReadError as error:
            show.warning(str(error))
            unread += 1
    if not captures and unread:
        return Exit.FAILED
    kind = None if data is None else cast(DataKind, data.upper())
    written = export(
        captures, out, data=kind, revision=cast("Revision | None", revision), separator=separator, decimal=decimal
    )
    for one in written:
        exact = (
            "as they were" if one.largest_error == 0 else f"to {one.largest_error:.2g} of each channel's largest value"
        )
        show.line(f"written: {one.path}: {one.n_captures} captures, samples read back {exact}")
    left_out = written[0].left_out
    if left_out:
        show.line(f"left out: {len(left_out)} channels whose unit PQDIF does not have: {', '.join(left_out)}")
    if unread:
        show.line(f"left out: {unread} files that could not be read")
        return Exit.QUARANTINED
    return Exit.DONE
