"""`halfcycle train`: a learned classifier, stored with its card; or which events to label next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Sites

if TYPE_CHECKING:
    from halfcycle.pipeline.cli.catalogue_source import CatalogueSource
    from halfcycle.pipeline.events import Event
    from halfcycle.pipeline.readers.contract import StatusChange

_OF_TRAINING = {"family": "--family", "per_class": "--per-class", "seed": "--seed"}
_EPILOG = "Example:  halfcycle train --out model && halfcycle screen captures/ --out events.csv --model model"


@typer_app.command("train", epilog=_EPILOG)
def train_command(
    context: typer.Context,
    out: Annotated[
        Path,
        typer.Option(
            metavar="FOLDER", help="Folder for the model and its card; with --suggest, a CSV file.", show_default=False
        ),
    ],
    labels: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Labelled events of your own: CSV with capture, start, label, or a catalogue with a column label.",
            show_default=False,
        ),
    ] = None,
    suggest: Annotated[
        Path | None,
        typer.Option(
            metavar="CATALOGUE", help="Do not train: write which of its events to label next.", show_default=False
        ),
    ] = None,
    count: Annotated[int, typer.Option(metavar="N", min=1, help="How many events to suggest.")] = 20,
    files: Annotated[
        list[Path] | None,
        typer.Option(metavar="FOLDER", help="Folder of a catalogue's waveforms, if moved.", show_default=False),
    ] = None,
    sites: Sites = None,
    family: Annotated[bool, typer.Option(help="Train on synthetic disturbances too.")] = True,
    per_class: Annotated[
        int, typer.Option(metavar="N", min=20, help="Synthetic windows for each of the 29 classes.")
    ] = 2000,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Random seed of the windows and the trees.")] = 1,
) -> int:
    """Train the learned classifier. Takes minutes.

    It learns from synthetic disturbances, labelled captures, or both.

    The table of labels may have the columns site and phases too; a start is a UTC time, or seconds from the capture's
    first sample. A catalogue written as CSV serves as well, once it has a column label: rows without a label are passed
    over. Events are validated by leaving out one site after the other. Needs the extra learned.

    With --suggest, the events of a catalogue whose labels would teach most are written as such a catalogue: those that
    are least sure and least like the others. A label that a breaker's contact or a reclosing makes likely stands beside
    the empty one.
    """
    from halfcycle.pipeline.errors import ConfigError

    given = [name for name in _OF_TRAINING if _is_given(context, name)]
    if suggest is not None and given:
        raise ConfigError(f"--suggest trains nothing: {_OF_TRAINING[given[0]]} has no meaning beside it")
    if suggest is None and _is_given(context, "count"):
        raise ConfigError("--count says how many events --suggest writes; give both")
    if suggest is not None:
        return _suggest(suggest, out, count=count, labels=labels, files=files or [], sites=sites)
    if labels is None and not family:
        raise ConfigError("--no-family leaves nothing to train on; give --labels")
    from halfcycle.pipeline.recall import WaveformPlaces
    from halfcycle.pipeline.sites.table import SiteTable

    table = SiteTable.at(sites)
    folders = tuple(files or ()) + (() if labels is None else (labels.resolve().parent,))
    try:
        from halfcycle.classifiers.learned.stored import save
        from halfcycle.pipeline.learning.training import trained_model

        stored = trained_model(
            n_per_class=per_class, seed=seed, labels=labels, find=WaveformPlaces(folders).file_with, family=family,
            tell=show.line, sites=table,
        )  # fmt: skip
        save(out, stored)
    except ModuleNotFoundError as error:
        raise ConfigError(f"{error}; install halfcycle[learned]") from error
    show.line(f"written: {out}")
    return Exit.DONE


def _is_given(context: typer.Context, name: str) -> bool:
    source = context.get_parameter_source(name)
    return source is not None and source.name == "COMMANDLINE"


def _suggest(
    catalogue: Path, out: Path, *, count: int, labels: Path | None, files: list[Path], sites: Path | None
) -> int:
    """Write the table of what to label next."""
    from halfcycle.pipeline.catalogue.tables import write_table
    from halfcycle.pipeline.cli.catalogue_source import source_of
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.learning.free_evidence import weak_labels
    from halfcycle.pipeline.learning.labels import labelled_ids
    from halfcycle.pipeline.learning.suggestions import suggested, suggestion_table

    if out.suffix.lower() != ".csv":
        raise ConfigError(f"{out.name}: labels are filled in by hand; with --suggest the extension must be .csv")
    known = frozenset[str]() if labels is None else labelled_ids(labels)
    source = source_of(catalogue, None, files, sites=sites)
    labelled = [event for event in source.events if event.event_id in known]
    found = suggested(source.events, count=count, labelled=labelled)
    if not found:
        raise ConfigError(f"{catalogue}: no event with a waveform is left to label")
    weak = weak_labels(source.events, _status_by_event([one.event for one in found], source))
    write_table(suggestion_table(found, weak), out)
    likely = sum(one.event.event_id in weak for one in found)
    show.line(f"{len(found)} of {len(source.events)} events to label, {likely} of them with a likely label")
    show.line(f"written: {out}")
    return Exit.DONE


def _status_by_event(events: list[Event], source: CatalogueSource) -> dict[str, tuple[StatusChange, ...]]:
    """What changed in the status channels of each event's files; nothing of files that are not there."""
    from halfcycle.pipeline.errors import ReadError
    from halfcycle.pipeline.readers import status_changes

    found: dict[str, tuple[StatusChange, ...]] = {}
    for event in events:
        try:
            files = source.archive.files_of(event)
            found[event.event_id] = tuple(change for path in files for change in status_changes(path))
        except ReadError as error:
            show.warning(f"no status channels of event {event.event_id}: {error}")
    return found
