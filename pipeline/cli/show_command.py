"""`halfcycle show`: one event in words and as a picture, and its samples as text."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Files, SitesOfCatalogue

if TYPE_CHECKING:
    from halfcycle.pipeline.events import Event
    from halfcycle.pipeline.report.slice import Slice

_EPILOG = "Example:  halfcycle show 3f2a --in events.parquet --out event.svg"


@typer_app.command("show", epilog=_EPILOG)
def show_command(
    event_id: Annotated[
        str, typer.Argument(help="The event_id of a row, or its first characters.", show_default=False)
    ],
    catalogue: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option("--in", metavar="FILE", help="Catalogue: .parquet, .csv or .ndjson."),
    ] = None,
    config: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="The fleet's settings: search its catalogues instead."),
    ] = None,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Picture of the event: .svg or .png."),
    ] = None,
    samples: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="File for the samples shown: .csv."),
    ] = None,
    files: Files = None,
    sites: SitesOfCatalogue = None,
    before: Annotated[float, typer.Option(metavar="CYCLES", min=0, help="Cycles to show before the event.")] = 6.0,
    after: Annotated[float, typer.Option(metavar="CYCLES", min=0, help="Cycles to show after the event.")] = 6.0,
) -> int:
    """Show one event in words, as a picture, as samples."""
    from halfcycle.pipeline.cli.catalogue_source import event_by_id, source_of
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.report.event_words import event_sentences, headline

    if out is not None and out.suffix.lower() not in (".svg", ".png"):
        raise ConfigError(f"{out.name}: the extension of the picture must be .svg or .png")
    if samples is not None and samples.suffix.lower() != ".csv":
        raise ConfigError(f"{samples.name}: the extension of the samples must be .csv")
    source = source_of(catalogue, config, files or (), sites=sites)
    event = event_by_id(source.events, event_id, source.name)
    show.line(headline(event))
    for sentence in event_sentences(event):
        show.line(f"  {sentence}")
    if event.why:
        show.line(f"  Why: {event.why}.")
    show.line(f"  event {event.event_id}, seen in {event.source or 'a file that the catalogue does not name'}")
    cut = source.archive.slice_of(event, before_cycles=before, after_cycles=after)
    show.line(f"  found: {cut.origin}")
    for note in cut.notes:
        show.line(f"  {note}")
    _write(event, cut, out, samples)
    return Exit.DONE


def _write(event: Event, cut: Slice, out: Path | None, samples: Path | None) -> None:
    from halfcycle.pipeline.errors import SignalError
    from halfcycle.pipeline.report.event_picture import event_svg
    from halfcycle.pipeline.report.slice import nominal_hz, phasors_of, rms_of
    from halfcycle.pipeline.store.atomic import write_atomically

    if out is not None:
        try:
            nominal = nominal_hz(event, cut)
            rms, phasors = rms_of(cut, nominal=nominal), phasors_of(event, cut, nominal=nominal)
        except SignalError:
            rms = phasors = None
        svg = event_svg(event, cut, rms=rms, phasors=phasors)
        show.draw(svg, out)
        show.line(f"picture: {out}")
    if samples is not None:
        from halfcycle.pipeline.report.samples import write_samples

        write_atomically(samples, partial(write_samples, event, cut))
        show.line(f"samples: {samples}")
