"""`halfcycle status`: how a fleet is doing, site by site."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import FleetFile, fleet_to_read


@typer_app.command("status", epilog="Example:  halfcycle status --config configs/fleet.toml --out status.json")
def status_command(
    config: FleetFile,
    out: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option(metavar="FILE", help="Write the whole status: .json."),
    ] = None,
    day: Annotated[
        Optional[datetime],  # noqa: UP045
        typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="As of the end of this UTC day. Default: today."),
    ] = None,
) -> int:
    """Show the state of a fleet: last captures, clocks, findings.

    Recorders gone silent against their own past, clocks that are off or drift, days not judged, what is set aside. It
    only reads.
    """
    from halfcycle.pipeline.cli.status_words import findings_table, status_document, status_line, status_table
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.nightly.status import fleet_status
    from halfcycle.pipeline.quick_start import arrow_without_pandas
    from halfcycle.pipeline.store.atomic import write_atomically
    from halfcycle.pipeline.store.partitions import today

    arrow_without_pandas()
    if out is not None and out.suffix.lower() != ".json":
        raise ConfigError(f"--out {out}: a status is written as .json")
    fleet = fleet_to_read(config)
    status = fleet_status(fleet, today() if day is None else day.date())
    show.line(status_line(status))
    show.table(status_table(status))
    findings = findings_table(status)
    if findings is None:
        show.line("no findings")
    else:
        show.table(findings)
    if fleet.incidents is None:
        show.line("clocks are compared only if the settings have a table [incidents]")
    if out is not None:
        text = json.dumps(status_document(status), indent=1) + "\n"
        write_atomically(out, lambda aside: _write(aside, text))
        show.line(f"status: {out}")
    return Exit.DONE


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
