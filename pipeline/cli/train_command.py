"""`halfcycle train`: a learned classifier, stored with its card."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Sites

_EPILOG = "Example:  halfcycle train --out model && halfcycle screen captures/ --out events.csv --model model"


@typer_app.command("train", epilog=_EPILOG)
def train_command(
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for the model and its card.", show_default=False)],
    labels: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Labelled events of your own: CSV with capture, start, label.", show_default=False
        ),
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
    first sample. Events are validated by leaving out one site after the other. Needs the extra learned.
    """
    from halfcycle.pipeline.errors import ConfigError

    if labels is None and not family:
        raise ConfigError("--no-family leaves nothing to train on; give --labels")
    from halfcycle.pipeline.sites.table import SiteTable

    table = SiteTable.at(sites)
    try:
        from halfcycle.classifiers.learned.stored import save
        from halfcycle.pipeline.learning.training import trained_model

        stored = trained_model(
            n_per_class=per_class, seed=seed, labels=labels, family=family, tell=show.line, sites=table
        )
        save(out, stored)
    except ModuleNotFoundError as error:
        raise ConfigError(f"{error}; install halfcycle[learned]") from error
    show.line(f"written: {out}")
    return Exit.DONE
