"""`halfcycle screen`: any folder of captures to a catalogue."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import (
    Captures,
    EngineName,
    HookupName,
    NominalFrequency,
    NominalVoltage,
    Scheduler,
    SigningKey,
    Sites,
    Strict,
    Workers,
    Worst,
    wanted_detectors,
)
from halfcycle.pipeline.plain_text import counted

if TYPE_CHECKING:
    from halfcycle.pipeline.screening import Screening

_MOST_SITES = 12
_FILES_OF_A_NOTE = 3
_EPILOG = "Example:  halfcycle screen captures/ --out events.parquet --worst 5"


@typer_app.command("screen", epilog=_EPILOG)
def screen_command(
    paths: Captures,
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="Catalogue: .parquet, .csv or .ndjson.", show_default=False)
    ],
    nominal_voltage: NominalVoltage = None,
    nominal_frequency: NominalFrequency = None,
    hookup: HookupName = None,
    thresholds: Annotated[
        str, typer.Option(metavar="NAME", help="Thresholds: ieee-1159, iec-61000-4-30, or a TOML file.")
    ] = "ieee-1159",
    detect: Annotated[
        str,
        typer.Option(
            metavar="NAMES",
            help="Additional detectors, comma-separated, or all: transient, rapid_voltage_change, voltage_step, "
            "flicker, unbalance, frequency_deviation, harmonics, interharmonics, flat_topping, dc_offset, noise, "
            "notching, inrush. Only by name: current_transient.",
        ),
    ] = "",
    settings: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="TOML of [detectors.*]: detectors with settings."),
    ] = None,
    explain: Annotated[
        bool,
        typer.Option("--explain", help="Add cause, side and dip type of each event."),
    ] = False,
    model: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FOLDER", help="Classify by this model of `halfcycle train`."),
    ] = None,
    worst: Worst = 10,
    workers: Workers = None,
    notes: Annotated[bool, typer.Option("--notes", help="Print anomalies and assumptions, grouped.")] = False,
    sites: Sites = None,
    strict: Strict = False,
    uncertainty: Annotated[
        str, typer.Option(metavar="WORD", help="Add columns of uncertainty: standard, or full (Monte Carlo).")
    ] = "none",
    key: SigningKey = None,
    engine: EngineName = "processes",
    scheduler: Scheduler = None,
) -> int:
    """Find the events in a folder of captures."""
    from halfcycle.pipeline.quick_start import arrow_without_pandas

    arrow_without_pandas()
    from halfcycle.pipeline.catalogue.judge import Terms
    from halfcycle.pipeline.catalogue.tables import set_aside_table, with_accounts, write_table, writer_for
    from halfcycle.pipeline.catalogue.uncertainty import CHOICES
    from halfcycle.pipeline.cluster import spread_with
    from halfcycle.pipeline.config import checked_choice, load_detectors, load_thresholds, signing_key
    from halfcycle.pipeline.detectors.registry import choose
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.events import catalogue_table
    from halfcycle.pipeline.screening import screen
    from halfcycle.pipeline.screening.provenance import ScreeningSettings, write_provenance
    from halfcycle.pipeline.sites.table import SiteTable
    from halfcycle.pipeline.store.manifest import manifest_path
    from halfcycle.pipeline.terms import HOOKUPS

    writer_for(out)
    if nominal_voltage is not None and not math.isfinite(nominal_voltage):
        raise ConfigError(f"--nominal-voltage {nominal_voltage}; it must be a finite number of volts")
    if hookup is not None and hookup not in HOOKUPS:
        raise ConfigError(f"--hookup {hookup!r}; allowed are {', '.join(HOOKUPS)}")
    detectors = choose(wanted_detectors(detect) | ({} if settings is None else load_detectors(settings)))
    folder = _checked(model)
    terms = Terms(
        load_thresholds(thresholds), nominal_voltage, nominal_frequency, hookup, detectors, explain, folder,
        uncertainty=checked_choice(uncertainty, CHOICES),
    )  # fmt: skip
    quarantine = out.with_suffix(".quarantine.csv")
    secret = None if key is None else signing_key(key)
    no_inputs = (out, quarantine, manifest_path(out), *(path for path in (sites, settings, key) if path is not None))
    table = SiteTable.at(sites)
    with (
        spread_with(engine, scheduler=scheduler, workers=workers) as spread,
        show.progress("screening") as advance,
    ):
        result = screen(
            paths, terms=terms, spread=spread, progress=advance, leave_out=no_inputs, strict=strict, sites=table,
        )  # fmt: skip
    write_table(with_accounts(catalogue_table(result.events), result.accounts), out)
    write_provenance(result, out, settings=ScreeningSettings(terms, strict, table), key=secret)
    if result.set_aside:
        write_table(set_aside_table(result.set_aside), quarantine)
    else:
        quarantine.unlink(missing_ok=True)

    _show_events(result, most=worst)
    _show_accounts(result)
    _show_notes(result, all_of_them=notes)
    show.line(f"catalogue: {out}")
    if result.set_aside:
        how = "read without repair" if strict else "read"
        show.line(
            f"set aside: {counted(len(result.set_aside), 'file')} that could not be {how}, listed in {quarantine}"
        )
    show.mishaps(result.n_mishaps)
    if result.is_of_no_site:
        show.warning(
            f'{sites}: no recording is of a site in it; a site names its recordings by stations = ["…"] or files = '
            '["*.cfg"]'
        )
    if result.is_empty:
        show.warning(f"nothing was judged: {_why_nothing(result)}")
    return Exit.QUARANTINED if result.set_aside or result.n_mishaps or result.is_empty else Exit.DONE


def _show_events(result: Screening, *, most: int) -> None:
    from halfcycle.pipeline.report.summary import magnitude_duration_table, other_kinds, worst_table

    if result.events:
        show.table(worst_table(result.events, most=most))
        show.table(magnitude_duration_table(result.events))
    show.line(
        f"{counted(len(result.events), 'event')} in {counted(result.n_captures, 'capture')} of "
        f"{counted(result.n_files, 'file')}; "
        f"{_time(result.judged_s)} judged"
    )
    for text in result.logs[:_MOST_SITES]:
        show.line(text)
    if result.log_s:
        both = f"; {result.n_in_both} of their events also in waveforms or finer logs" if result.n_in_both else ""
        show.line(f"{_time(result.log_s)} of recorders' logs judged in addition{both}")
    others = other_kinds(result.events)
    if others:
        show.line("other events: " + ", ".join(f"{count} {kind}" for kind, count in others))


def _show_notes(result: Screening, *, all_of_them: bool) -> None:
    from halfcycle.pipeline.catalogue.reference import Contradiction

    if result.n_without_waveform:
        files = "1 file holds" if result.n_without_waveform == 1 else f"{result.n_without_waveform} files hold"
        show.line(f"{files} no waveform; the notes state what they hold")
    for reason, seconds, count in result.not_judged_by_reason():
        time = f"{_time(seconds)} in " if seconds else ""
        show.line(f"not judged: {time}{counted(count, 'capture')} or {'point' if count == 1 else 'points'}: {reason}")
    if not all_of_them:  # not to be overlooked: a declared voltage that the recording contradicts
        for text in _by_note([one for one in result.notes if isinstance(one[1], Contradiction)]):
            show.line(text)
    if all_of_them:
        for text in _by_note(result.notes):
            show.line(text)
    elif result.notes:
        show.line(f"{counted(len(result.notes), 'note')} on anomalies and assumptions; --notes prints them")


def _by_note(notes: Sequence[tuple[object, str]]) -> list[str]:
    """A line a note: with its file, or how many files it is about and the first of them."""
    sources: dict[str, list[str]] = {}
    for source, note in notes:
        sources.setdefault(note, []).append(str(source))
    lines = []
    for note, named in sources.items():
        if len(named) <= _FILES_OF_A_NOTE:
            lines += [f"{source}: {note}" for source in named]
        else:
            lines.append(f"{len(named)} files: {note}; the first is {named[0]}")
    return lines


def _show_accounts(result: Screening) -> None:
    """A line a recorder: what its voltages were judged against, and how that is known."""
    lines = [f"{account.site}: {account.line}" for account in result.accounts if account.points]
    for text in lines[:_MOST_SITES]:
        show.line(text)
    if len(lines) > _MOST_SITES:
        show.line(f"and {len(lines) - _MOST_SITES} more sites; the metadata of the catalogue lists all")
    if result.others:
        n = len(result.others)
        show.line(f"{counted(n, 'other file')} passed over: documents, pictures, empty files and the like")


def _why_nothing(result: Screening) -> str:
    reasons = [reason for reason, _, _ in result.not_judged_by_reason()]
    if reasons:
        return "; ".join(reasons[:3])
    return "no recording could be read" if result.set_aside else "no recording found"


def _checked(model: Path | None) -> str | None:
    """The folder of a model that can be used; a wrong one is said before hours of screening."""
    if model is None:
        return None
    from halfcycle.pipeline.catalogue.learned import stored_model

    stored_model(str(model))
    return str(model)


def _time(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
