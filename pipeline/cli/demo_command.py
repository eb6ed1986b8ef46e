"""`halfcycle demo`: a small fleet of invented sites, from its recorders' files to its catalogue."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.interrupts import ended_when_interrupted
from halfcycle.pipeline.cli.options import Worst
from halfcycle.pipeline.plain_text import counted


@typer_app.command("demo", epilog="Example:  halfcycle demo --out demo-fleet")
def demo_command(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for the fleet; created, or added to.")] = Path(
        "demo-fleet"
    ),
    worst: Worst = 10,
) -> int:
    """Build a demo fleet, run the nightly flow, show the catalogue.

    One file of the fleet is damaged on purpose, to show what becomes of such a file; after a nightly run
    the exit status would be 3 for it, here it is 0.
    """
    from halfcycle.pipeline.catalogue.tables import write_table
    from halfcycle.pipeline.cli.fleet_commands import report, show_catalogue
    from halfcycle.pipeline.config import load_fleet
    from halfcycle.pipeline.demo import build_demo_fleet, write_demo_config
    from halfcycle.pipeline.flows.nightly import run_flow
    from halfcycle.pipeline.nightly.day_states import days_of
    from halfcycle.pipeline.nightly.days import read_catalogue

    show.warning(f"building the demo fleet in {out}/ …")
    built = build_demo_fleet(out)
    config = write_demo_config(out)
    show.warning(
        f"{counted(len(built.files), 'file')} of {counted(len({event.site for event in built.events}), 'site')}; "
        "running the nightly flow …"
    )
    with ended_when_interrupted():
        summary = run_flow(config)
    report(summary, nothing="nothing new")
    fleet = load_fleet(config)
    table = read_catalogue(fleet, [day for day, _ in days_of(fleet)])
    show_catalogue(table, [site.name for site in fleet.sites], worst=worst)
    catalogue = out / "events.parquet"
    write_table(table, catalogue)
    show.line(f"catalogue: {catalogue}")
    show.line(f"next:      halfcycle nightly --config {config}")
    return Exit.DONE
