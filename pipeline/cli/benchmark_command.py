"""`halfcycle benchmark`: detectors, ours and others, on suites with exact truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from pipeline.cli import show
from pipeline.cli.commands import Exit, typer_app

benchmark_app = typer.Typer(help="Detectors and classifiers, ours and others, on suites with exact truth.",
                            no_args_is_help=True, rich_markup_mode=None)  # fmt: skip
typer_app.add_typer(benchmark_app, name="benchmark")

_EPILOG = "Example:  halfcycle benchmark detectors --suite detectors-quick --out results"


@benchmark_app.command("detectors", epilog=_EPILOG)
def detectors_command(
    suite: Annotated[str, typer.Option(help="A suite by name, or a TOML file.")] = "detectors-quick",
    out: Annotated[Path, typer.Option(help="Folder for the table, the report and the plots.")] = Path("benchmark"),
    seed: Annotated[
        Optional[int],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option(min=0, help="Instead of the suite's."),
    ] = None,
    contenders: Annotated[str, typer.Option(help="Some of the contenders, by name, with commas; else all.")] = "",
    plots: Annotated[bool, typer.Option("--plots/--no-plots", help="Draw them too; needs the extra bench.")] = True,
) -> int:
    """Run detectors on drawn cases: precision, recall, false alarms, errors of start, duration and magnitude."""
    from pipeline.benchmark.contenders import chosen_contenders
    from pipeline.benchmark.detector_report import plot, sections_of
    from pipeline.benchmark.detector_run import columns_of, run_detectors
    from pipeline.benchmark.results import provenance, write_results
    from pipeline.benchmark.suite import load_detector_suite

    loaded = load_detector_suite(suite)
    chosen = chosen_contenders(name.strip() for name in contenders.split(",") if name.strip())
    with show.progress("cases") as advance:
        result = run_detectors(loaded, chosen, seed=seed, progress=advance)
    origin = provenance(suite=suite, seed=loaded.seed if seed is None else seed)
    name = Path(suite).stem
    paths = [*write_results(columns_of(result), origin, list(sections_of(result)), out, name)]
    if plots:
        paths += plot(result, out, name)
    for row in result.rows:
        if (row.kind, row.group) == ("all", "all"):
            score = row.score
            show.line(
                f"{row.contender}: precision {score.precision:.3f}, recall {score.recall:.3f}, "
                f"{score.false_per_hour:.3g} false alarms an hour, {result.seconds[row.contender]:.1f} s"
            )
    for path in paths:
        show.line(f"written: {path}")
    return Exit.DONE
