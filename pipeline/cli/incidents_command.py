"""`halfcycle incidents`: the events of many sites joined, their clocks compared, and where each incident began."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Files, fleet_to_read

if TYPE_CHECKING:
    import pyarrow as pa

    from halfcycle.pipeline.config import Fleet
    from halfcycle.pipeline.incidents.fleet import FleetIncidents
    from halfcycle.pipeline.recall import WaveformPlaces
    from halfcycle.pipeline.report.summary import TextTable

_EPILOG = "Example:  halfcycle incidents events.parquet --out incidents.parquet --clocks clocks.csv"


@typer_app.command("incidents", epilog=_EPILOG)
def incidents_command(
    catalogue: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(help="Catalogue of several sites: .parquet, .csv or .ndjson."),
    ] = None,
    config: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="The fleet's settings, instead of a catalogue: all days of its store."),
    ] = None,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Write one row per incident: .parquet, .csv or .ndjson."),
    ] = None,
    events: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="FILE", help="Write the catalogue with incident ids across all sites and corrected times."
        ),
    ] = None,
    clocks: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Write the clock offset of each recorder, day by day."),
    ] = None,
    topology: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="TOML file of [[sites]]: site, fed_by, group, vector_group."),
    ] = None,
    waveforms: Annotated[
        int, typer.Option(min=0, metavar="N", help="Overlay the waveforms of the first N incidents.")
    ] = 0,
    files: Files = None,
    most: Annotated[int, typer.Option(min=0, metavar="N", help="Number of incidents to print.")] = 20,
) -> int:
    """Join the events of many sites: incidents, clocks, origins.

    One fault that many recorders saw is one incident, with the sites where it most likely began.
    """
    from halfcycle.pipeline.catalogue.tables import write_table, writer_for
    from halfcycle.pipeline.config import Incidents
    from halfcycle.pipeline.incidents.clock_days import clock_notes, clock_table
    from halfcycle.pipeline.incidents.fleet import fleet_incidents
    from halfcycle.pipeline.incidents.tables import incident_table, with_fleet_incidents
    from halfcycle.pipeline.incidents.topology import load_topology
    from halfcycle.pipeline.report.incident_words import clocks_table, incidents_table

    for path in (out, events, clocks):
        if path is not None:
            writer_for(path)
    table, fleet = _catalogue(catalogue, config)
    asked = (fleet and fleet.incidents) or Incidents()
    known = topology or asked.topology
    net = None if known is None else load_topology(known)
    found = fleet_incidents(table, topology=net, reach_s=asked.reach_s)
    rows = incident_table(table, found)
    show.table(incidents_table(rows, most=most))
    if waveforms:
        show.table(_waveforms(table, found, rows, waveforms, _archive(catalogue, fleet, files or [])))
    notes = clock_notes(found.clocks, found.sightings.sites)
    if notes:
        show.table(clocks_table(notes))
    for path, written, what in (
        (out, rows, "incidents"),
        (events, None, "catalogue"),
        (clocks, clock_table(found.clocks, found.sightings.sites), "clocks"),
    ):
        if path is not None:
            write_table(with_fleet_incidents(table, found) if written is None else written, path)
            show.line(f"{what}: {path}")
    return Exit.DONE


def _waveforms(table: pa.Table, found: FleetIncidents, rows: pa.Table, n: int, archive: WaveformPlaces) -> TextTable:
    """What the waveforms of the first incidents of several sites say."""
    from halfcycle.pipeline.incident_waveforms import waveform_evidence
    from halfcycle.pipeline.report.incident_words import ranked, waveforms_table

    chosen = [row for row in ranked(rows) if row["sites"] > 1][:n]
    evidence = waveform_evidence(table, found, [row["incident_id"] for row in chosen], archive)
    return waveforms_table(evidence, {row["incident_id"]: row["start"] for row in chosen})


def _archive(catalogue: Path | None, fleet: Fleet | None, files: list[Path]) -> WaveformPlaces:
    """Where waveforms may lie."""
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.recall import WaveformPlaces

    for folder in files:
        if not folder.is_dir():
            raise ConfigError(f"--files {folder}: no such folder")
    beside = [] if catalogue is None else [catalogue.resolve().parent]
    return WaveformPlaces(tuple(dict.fromkeys([*files, *beside])), fleet)


def _catalogue(catalogue: Path | None, config: Path | None) -> tuple[pa.Table, Fleet | None]:
    """The rows of a catalogue file, or of all days of a fleet, and the fleet."""
    from halfcycle.pipeline.catalogue.reading import read_table
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.nightly.day_states import days_of
    from halfcycle.pipeline.nightly.days import read_catalogue

    if (catalogue is None) == (config is None):
        raise ConfigError("name a catalogue, or a fleet with --config")
    if catalogue is not None:
        return read_table(catalogue), None
    if config is None:
        raise ConfigError("name a fleet with --config")
    fleet = fleet_to_read(config)
    return read_catalogue(fleet, [day for day, _ in days_of(fleet)]), fleet
