"""`halfcycle benchmark`: detectors and classifiers, ours and others, on suites with exact truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import (
    EngineName,
    NominalFrequency,
    NominalVoltage,
    Scheduler,
    Sites,
    Workers,
    wanted_detectors,
)

benchmark_app = typer.Typer(help="Score detectors and classifiers on synthetic suites.",
                            no_args_is_help=True, rich_markup_mode=None)  # fmt: skip
typer_app.add_typer(benchmark_app, name="benchmark", short_help="Score detectors and classifiers on synthetic suites")

_Seed = Annotated[
    Optional[int],  # noqa: UP045  (typer reads the annotation at run time)
    typer.Option(metavar="N", min=0, help="Random seed, in place of the suite's."),
]

_DETECTORS_EPILOG = "Example:  halfcycle benchmark detectors --suite detectors-quick --out results"


@benchmark_app.command("detectors", epilog=_DETECTORS_EPILOG)
def detectors_command(
    suite: Annotated[str, typer.Option(metavar="NAME", help="A suite: its name, or a TOML file.")] = "detectors-quick",
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for the table, the report and the plots.")] = Path(
        "benchmark"
    ),
    seed: _Seed = None,
    contenders: Annotated[str, typer.Option(metavar="NAMES", help="Contenders, comma-separated. Default: all.")] = "",
    plots: Annotated[bool, typer.Option("--plots/--no-plots", help="Draw plots; needs the extra bench.")] = True,
    workers: Workers = None,
    engine: EngineName = "processes",
    scheduler: Scheduler = None,
) -> int:
    """Score detectors on synthetic cases.

    Precision, recall, false alarms per hour; errors of start, duration and magnitude.
    """
    from halfcycle.pipeline.benchmark.contenders import chosen
    from halfcycle.pipeline.benchmark.contenders import contenders as known
    from halfcycle.pipeline.benchmark.detector_report import plot, sections_of
    from halfcycle.pipeline.benchmark.detector_run import columns_of, run_detectors
    from halfcycle.pipeline.benchmark.results import provenance, write_results
    from halfcycle.pipeline.benchmark.suite import load_detector_suite
    from halfcycle.pipeline.cluster import spread_with

    loaded = load_detector_suite(suite)
    taking_part = chosen(_names(contenders), known())
    with (
        spread_with(engine, scheduler=scheduler, workers=workers) as spread,
        show.progress("cases") as advance,
    ):
        result = run_detectors(loaded, taking_part, seed=seed, progress=advance, spread=spread)
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
                f"{score.false_per_hour:.3g} false alarms per hour, {result.seconds[row.contender]:.1f} s"
            )
    for path in paths:
        show.line(f"written: {path}")
    return Exit.DONE


_CLASSIFIERS_EPILOG = "Example:  halfcycle benchmark classifiers --suite classifiers-quick --out results"


@benchmark_app.command("classifiers", epilog=_CLASSIFIERS_EPILOG)
def classifiers_command(
    suite: Annotated[
        str, typer.Option(metavar="NAME", help="A suite: its name, or a TOML file.")
    ] = "classifiers-quick",
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Folder for the tables, the report and the plots.")
    ] = Path("benchmark"),
    seeds: Annotated[
        str, typer.Option(metavar="N,N", help="Random seeds, comma-separated, in place of the suite's.")
    ] = "",
    contenders: Annotated[str, typer.Option(metavar="NAMES", help="Contenders, comma-separated. Default: all.")] = "",
    plots: Annotated[bool, typer.Option("--plots/--no-plots", help="Draw plots; needs the extra bench.")] = True,
) -> int:
    """Score classifiers on synthetic windows.

    Accuracy, macro F1, confusion, calibration, noise, other recorders, speed.
    """
    from halfcycle.pipeline.benchmark.classifier_contenders import classifier_contenders
    from halfcycle.pipeline.benchmark.classifier_report import plot, sections_of, summary
    from halfcycle.pipeline.benchmark.classifier_run import columns_of, confusion_columns, run_classifiers
    from halfcycle.pipeline.benchmark.classifier_suite import load_classifier_suite
    from halfcycle.pipeline.benchmark.contenders import chosen
    from halfcycle.pipeline.benchmark.results import provenance, write_results, write_table

    loaded = load_classifier_suite(suite)
    taking_part = chosen(_names(contenders), classifier_contenders())
    wanted = _seeds(seeds) or loaded.seeds
    with show.progress("steps") as advance:
        result = run_classifiers(loaded, taking_part, seeds=wanted, progress=advance)
    origin = provenance(suite=suite, seed=wanted)
    name = Path(suite).stem
    paths = [*write_results(columns_of(result), origin, list(sections_of(result)), out, name)]
    paths.append(out / f"{name}-confusion.parquet")
    write_table(confusion_columns(result), origin, paths[-1])
    if plots:
        paths += plot(result, out, name)
    for line in summary(result):
        show.line(line)
    for path in paths:
        show.line(f"written: {path}")
    return Exit.DONE


_CIRCUITS_EPILOG = "Example:  halfcycle benchmark circuits --suite circuits-quick --out results"


@benchmark_app.command("circuits", epilog=_CIRCUITS_EPILOG)
def circuits_command(
    suite: Annotated[
        str, typer.Option(metavar="NAME", help="A suite of circuits: its name, or a TOML file.")
    ] = "circuits-quick",
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for the table and the report.")] = Path(
        "benchmark"
    ),
    seed: _Seed = None,
    workers: Workers = None,
    engine: EngineName = "processes",
    scheduler: Scheduler = None,
) -> int:
    """Score causes and sides on solved circuits.

    From samples to catalogue rows, with currents and by voltages alone: macro F1, calibration, each cause, sides.
    """
    from halfcycle.pipeline.benchmark.circuit_run import columns_of, run_circuits, sections_of, summary_of
    from halfcycle.pipeline.benchmark.circuits import load_circuit_suite
    from halfcycle.pipeline.benchmark.results import provenance, write_results
    from halfcycle.pipeline.cluster import spread_with

    loaded = load_circuit_suite(suite)
    with spread_with(engine, scheduler=scheduler, workers=workers) as spread, show.progress("circuits") as advance:
        answers = run_circuits(loaded, seed=seed, spread=spread, progress=advance)
    origin = provenance(suite=suite, seed=loaded.seed if seed is None else seed)
    sections = list(sections_of(answers))
    paths = write_results(columns_of(answers), origin, sections, out, Path(suite).stem)
    for line in summary_of(answers):
        show.line(line)
    for path in paths:
        show.line(f"written: {path}")
    return Exit.DONE


_MEASURED_EPILOG = "Example:  halfcycle benchmark measured recordings --sites sites.toml --out results"


@benchmark_app.command("measured", epilog=_MEASURED_EPILOG)
def measured_command(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of recordings, in any format that is read.")],
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for the split, the table and the report.")] = Path(
        "benchmark"
    ),
    sites: Sites = None,
    nominal_voltage: NominalVoltage = None,
    nominal_frequency: NominalFrequency = None,
    by: Annotated[str, typer.Option(metavar="NAME", help="Not parted by the split: site, folder or file.")] = "site",
    test_share: Annotated[
        float, typer.Option(metavar="SHARE", min=0.0, max=1.0, help="Share of captures to test on.")
    ] = 0.3,
    detect: Annotated[str, typer.Option(metavar="NAMES", help="Additional detectors, as of screen --detect.")] = "",
    labels: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Table of labelled events, to score: see train --labels.")
    ] = None,
    seed: _Seed = None,
    workers: Workers = None,
    engine: EngineName = "processes",
    scheduler: Scheduler = None,
) -> int:
    """Examine a set of recordings, and split it to train and test on.

    Each capture is judged as it is, and with phases renamed, polarity reversed, half the rate, a little noise, and cut
    in two: kinds, causes and sides must stay. The split keeps groups together, leaves out what is nearly the same in
    both sets, and has a digest. Labelled events are looked for, and compared by name.
    """
    from halfcycle.pipeline.benchmark.measured_labels import (
        answered,
        label_sections,
        label_summary,
        labels_of,
        write_answers,
    )
    from halfcycle.pipeline.benchmark.measured_set import (
        GROUPS,
        columns_of,
        examine,
        sections_of,
        summary_of,
        write_split,
    )
    from halfcycle.pipeline.benchmark.results import provenance, write_results
    from halfcycle.pipeline.catalogue.explain import cause_model
    from halfcycle.pipeline.catalogue.judge import Terms
    from halfcycle.pipeline.cluster import spread_with
    from halfcycle.pipeline.config import checked_choice
    from halfcycle.pipeline.detectors.registry import choose
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.settings import Thresholds
    from halfcycle.pipeline.sites.table import SiteTable

    group = checked_choice(by, GROUPS)
    causes = cause_model().causes
    wanted = [] if labels is None else labels_of(labels)
    detectors = choose(wanted_detectors(detect))
    terms = Terms(Thresholds(), nominal_voltage, nominal_frequency, detectors=detectors, explain=True)
    with spread_with(engine, scheduler=scheduler, workers=workers) as spread, show.progress("files") as advance:
        result = examine(
            folder, terms=terms, sites=SiteTable.at(sites), by=group, test_share=test_share, seed=seed or 0,
            spread=spread, progress=advance, no_recording=labels,
        )  # fmt: skip
    failed = [row.capture for row in result.captures if row.capture.failed]
    if len(failed) == len(result.captures):
        reason = f": {failed[0].path}: {failed[0].failed}" if failed else ""
        raise ConfigError(f"{folder}: no recording that can be judged{reason}")
    answers, unscored = answered(wanted, result, causes=causes)
    name = folder.resolve().name
    origin = provenance(suite=name, seed=seed or 0) | {"by": by, "test_share": test_share}
    sections = [*sections_of(result), *(label_sections(answers, causes=causes) if answers else ())]
    paths = [*write_results(columns_of(result), origin, sections, out, name), out / f"{name}.split.csv"]
    write_split(result, folder, paths[-1], origin)
    told = list(summary_of(result))
    if answers:
        paths.append(out / f"{name}.labels.csv")
        write_answers(answers, paths[-1])
        told.append(label_summary(answers))
    for line in told:
        show.line(line)
    for reason in unscored:
        show.warning(f"{labels}, {reason}")
    for one in failed:
        show.warning(f"{one.path}: {one.failed}")
    for path in paths:
        show.line(f"written: {path}")
    return Exit.QUARANTINED if failed or unscored else Exit.DONE


_EXPORT_EPILOG = "Example:  halfcycle benchmark export --suite detectors-quick --out cases"


@benchmark_app.command("export", epilog=_EXPORT_EPILOG)
def export_command(
    suite: Annotated[
        str, typer.Option(metavar="NAME", help="A suite of detectors or of circuits: its name, or a TOML file.")
    ] = "detectors-quick",
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for waveforms and truth.")] = Path("cases"),
    seed: _Seed = None,
) -> int:
    """Write a suite's cases as files, with their truth.

    Waveforms in Parquet; cases.csv with digests of the samples, truth.csv, and suite.json with the digest of all. Of
    circuits, the truth is the cause with currents and without, the side of the monitor, and the instant.
    """
    from halfcycle.pipeline.benchmark.circuits import export_circuits, load_circuit_suite
    from halfcycle.pipeline.benchmark.export import export_cases
    from halfcycle.pipeline.benchmark.results import provenance
    from halfcycle.pipeline.benchmark.suite import is_of_circuits, load_detector_suite

    with show.progress("cases") as advance:
        if is_of_circuits(suite):
            circuits = load_circuit_suite(suite)
            origin = provenance(suite=suite, seed=circuits.seed if seed is None else seed)
            digest = export_circuits(circuits, out, origin=origin, seed=seed, progress=advance)
        else:
            loaded = load_detector_suite(suite)
            origin = provenance(suite=suite, seed=loaded.seed if seed is None else seed)
            digest = export_cases(loaded, out, origin=origin, seed=seed, progress=advance)
    show.line(f"written: {out}, SHA-256 of all cases {digest}")
    return Exit.DONE


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _seeds(text: str) -> tuple[int, ...]:
    from halfcycle.pipeline.errors import ConfigError

    if not all(part.isdecimal() for part in _names(text)):
        raise ConfigError(f"--seeds {text}: comma-separated whole numbers of 0 or more are needed")
    return tuple(int(part) for part in _names(text))
