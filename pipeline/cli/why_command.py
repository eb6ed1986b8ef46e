"""`halfcycle why`: how a row of a catalogue came about, and whether it comes about again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Files, SigningKey

if TYPE_CHECKING:
    from halfcycle.pipeline.cli.catalogue_source import CatalogueSource
    from halfcycle.pipeline.events import Event
    from halfcycle.pipeline.why.again import Again, Origin

_EPILOG = "Example:  halfcycle why 3f2a events.parquet"


@typer_app.command("why", epilog=_EPILOG)
def why_command(
    event_id: Annotated[
        str, typer.Argument(help="The event_id of a row, its first characters, or all.", show_default=False)
    ],
    catalogue: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(
            help="Catalogue written by `screen`, with its provenance beside it. Default: those of the fleet.",
            show_default=False,
        ),
    ] = None,
    config: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="The fleet's settings: search its catalogues instead."),
    ] = None,
    files: Files = None,
    key: SigningKey = None,
) -> int:
    """Trace a row to its source, and reproduce it."""
    from halfcycle.pipeline.cli.catalogue_source import event_by_id, source_of

    source = source_of(catalogue, config, files or ())
    rows = source.events if event_id == "all" else [event_by_id(source.events, event_id, source.name)]
    origin = _origin(source, catalogue, key)
    ending = ".parquet" if catalogue is None else catalogue.suffix.lower()
    outcomes = [_told(row, origin, ending, in_full=event_id != "all") for row in rows]
    if event_id == "all":
        show.line(f"{sum(outcomes)} of {len(rows)} rows reproduced, byte for byte")
    return Exit.DONE if all(outcomes) and origin is not None else Exit.QUARANTINED


def _origin(source: CatalogueSource, catalogue: Path | None, key: Path | None) -> Origin | None:
    """From what the rows can be made again; None, and a warning, where that is not known."""
    from halfcycle.pipeline.config import signing_key
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.screening.provenance import read_provenance
    from halfcycle.pipeline.store.manifest import manifest_path, read_manifest, sha256_of
    from halfcycle.pipeline.why.again import FleetOrigin, ScreeningOrigin

    secret = None if key is None else signing_key(key)
    if source.fleet is not None:
        return FleetOrigin(source.archive, key=secret)
    known = None if catalogue is None else read_provenance(catalogue)
    if known is None or catalogue is None:
        beside = "" if catalogue is None else f" ({manifest_path(catalogue)} is missing)"
        show.warning(f"{source.name}: no provenance{beside}: its rows can be explained, not reproduced")
        return None
    if not known.is_sound:
        show.warning(f"{manifest_path(catalogue)}: was changed after it was written: its digest differs")
    if known.catalogue_sha256 != sha256_of(catalogue):
        show.warning(
            f"{catalogue}: was changed after it was written: its digest differs from the one in its provenance"
        )
    if secret is not None:
        manifest = read_manifest(catalogue)
        if manifest is None or not manifest.is_signed_by(secret):
            raise ConfigError(f"{manifest_path(catalogue)}: is not signed with the key in {key}")
        show.line(f"signed with the key in {key}")
    return ScreeningOrigin(known, catalogue, source.archive)


def _told(row: Event, origin: Origin | None, ending: str, *, in_full: bool) -> bool:
    """Tell of a row; whether it came about again as it is. in_full: with all steps; else only where it did not."""
    from halfcycle.pipeline.errors import HalfcycleError
    from halfcycle.pipeline.report.event_words import headline

    again, failure = None, ""
    try:
        again = None if origin is None else origin.again(row)
    except HalfcycleError as error:
        failure = str(error)
    if in_full:
        show.line(headline(row))
        _show_steps(row, again)
    lines, is_same = _outcome(row, again, failure, ending)
    if in_full or not is_same:
        for line in lines:
            show.line(line if in_full else f"{row.event_id}: {line}")
    return is_same


def _show_steps(row: Event, again: Again | None) -> None:
    from halfcycle.pipeline.catalogue.judge import Terms
    from halfcycle.pipeline.settings import Thresholds
    from halfcycle.pipeline.why.steps import steps_of
    from halfcycle.pipeline.why.trace import trace_of

    trace = None if again is None else trace_of(row, again.records, again.accounts, again.terms)
    terms, accounts = (Terms(Thresholds()), ()) if again is None else (again.terms, again.accounts)
    for step in steps_of(row, terms=terms, accounts=accounts, trace=trace):
        show.line(f"  {step.name}")
        for line in step.lines:
            show.line(f"    {line}")


def _outcome(row: Event, again: Again | None, failure: str, ending: str) -> tuple[list[str], bool]:
    """What making a row again came to, in lines; and whether it is the same."""
    from halfcycle.pipeline.why.comparing import as_written, differences

    if again is None:
        return ([f"not reproduced: {failure}"] if failure else ["not reproduced"]), False
    altered = [f"the catalogue: {again.altered}"] if again.altered else []
    lines = [*altered, *again.changes, f"reproduced: {again.reached}"]
    found = again.row(row)
    if found is None:
        return [*lines, "the row is no longer produced"], False
    (written,) = as_written([found], ending)
    differing = differences(row, written)
    if not differing:
        return [*lines, "identical, byte for byte"], not altered
    return [*lines, *(f"{one.column}: was {one.was!r}, is {one.now!r}" for one in differing)], False
