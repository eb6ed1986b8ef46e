"""`halfcycle indices`: SARFI, tables of magnitude and duration, energy and severity of a catalogue."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Coverage, JudgedDays

if TYPE_CHECKING:
    from halfcycle.pipeline.indices.table import IndexRow

_EPILOG = "Example:  halfcycle indices events.parquet --judged-days 90 --out indices.csv"


@typer_app.command("indices", epilog=_EPILOG)
def indices_command(
    catalogue: Annotated[Path, typer.Argument(help="Catalogue: .parquet, .csv or .ndjson.", show_default=False)],
    out: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option(metavar="FILE", help="Write all indices: .parquet, .csv or .ndjson."),
    ] = None,
    coverage: Coverage = None,
    judged_days: JudgedDays = None,
    rate_days: Annotated[
        float, typer.Option(metavar="DAYS", min=0.001, help="Period of the rates [days], such as 30 or 365.")
    ] = 30.0,
    window: Annotated[
        float, typer.Option(metavar="S", min=0, help="Aggregation in time: events within this many seconds count once.")
    ] = 60.0,
) -> int:
    """Compute SARFI, EN 50160 tables, energy and severity.

    Rates are given where the time judged is known: --coverage or --judged-days.
    """
    from halfcycle.pipeline.catalogue.reading import read_events
    from halfcycle.pipeline.catalogue.tables import write_table, writer_for
    from halfcycle.pipeline.indices.coverage import read_coverage
    from halfcycle.pipeline.indices.table import index_rows, index_table

    if out is not None:
        writer_for(out)
    rows = index_rows(
        read_events(catalogue),
        coverage=[] if coverage is None else read_coverage(coverage),
        judged_days=judged_days,
        rate_days=rate_days,
        window_s=window,
    )
    _print(rows)
    if out is not None:
        write_table(index_table(rows), out)
        show.line(f"indices: {out}")
    return Exit.DONE


def _print(rows: list[IndexRow]) -> None:
    from halfcycle.pipeline.indices.counted import RULES
    from halfcycle.pipeline.report.index_words import cells_table, contour_table, sarfi_table, severity_table

    if not rows:
        show.line("no site in the catalogue")
        return
    for way in RULES:
        show.table(sarfi_table(rows, basis=way))
    for title in ("EN 50160 dips", "EN 50160 swells"):
        show.table(cells_table(rows, title=title))
    show.table(contour_table(rows))
    show.table(severity_table(rows))
    for basis in dict.fromkeys(row.basis for row in rows if row.rate is not None or row.withheld):
        rule = next(row.rule for row in rows if row.basis == basis and row.rule)
        show.line(f"{basis}: {rule}")
    for reason in dict.fromkeys(row.withheld for row in rows if row.withheld and row.index == "SARFI-X"):
        sites = dict.fromkeys(row.site for row in rows if row.withheld == reason)
        show.line(f"no rates for {', '.join(sites)}: {reason}")
