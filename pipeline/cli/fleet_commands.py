"""`halfcycle ingest`, `catalogue` and `nightly`: the fleet's work, night by night."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.interrupts import ended_when_interrupted
from halfcycle.pipeline.cli.options import FirstDay, FleetFile, LastDay, Worst, fleet_to_read
from halfcycle.pipeline.plain_text import counted

if TYPE_CHECKING:
    import pyarrow as pa

    from halfcycle.pipeline.config import Fleet
    from halfcycle.pipeline.nightly.days import Day
    from halfcycle.pipeline.nightly.months import MonthsDone
    from halfcycle.pipeline.nightly.packing import PacksDone
    from halfcycle.pipeline.nightly.retention import Removed
    from halfcycle.pipeline.nightly.run import RunSummary
    from halfcycle.pipeline.nightly.survey import SurveyOutcome


@typer_app.command("ingest", epilog="Example:  halfcycle ingest --config configs/fleet.toml")
def ingest_command(config: FleetFile) -> int:
    """Move new captures from the inbox into the store."""
    from halfcycle.pipeline.cluster import spread_with
    from halfcycle.pipeline.config import load_fleet
    from halfcycle.pipeline.nightly.run import run_nightly

    fleet = load_fleet(config)
    with spread_with(fleet.run.engine, scheduler=fleet.run.scheduler, workers=fleet.run.workers) as spread:
        summary = run_nightly(fleet, spread=spread, catalogue=False)
    return report(summary, nothing="nothing new in the inbox")


@typer_app.command(
    "nightly", epilog='Example:  halfcycle nightly --config configs/fleet.toml --serve --cron "0 2 * * *"'
)
def nightly_command(
    config: FleetFile,
    serve: Annotated[bool, typer.Option("--serve", help="Keep running, on the schedule of --cron.")] = False,
    cron: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="SCHEDULE", help='Schedule of --serve, in UTC: "MINUTE HOUR DAY MONTH WEEKDAY".'),
    ] = None,
) -> int:
    """Run the fleet's nightly flow: ingest, then catalogue."""
    from halfcycle.pipeline.config import load_fleet
    from halfcycle.pipeline.errors import ConfigError, HalfcycleError, PlaceError
    from halfcycle.pipeline.nightly.run import summary_if_idle
    from halfcycle.pipeline.notifying import fleet_name, night, night_that_failed
    from halfcycle.pipeline.publishing import is_published

    if serve != (cron is not None):
        raise ConfigError('--serve and --cron "MINUTE HOUR DAY MONTH WEEKDAY" must be given together')
    fleet = load_fleet(config)
    if cron is not None:
        from halfcycle.pipeline.flows.serving import serve_flow

        serve_flow(config, cron=cron)
        return Exit.DONE
    try:
        idle = summary_if_idle(fleet)
    except HalfcycleError as error:
        idle = None
        if not (fleet.store_at and isinstance(error, PlaceError)):  # what cannot be reached the night tries again
            night_that_failed(fleet, fleet_name(config), error)
    if idle is not None and is_published(fleet):
        found = idle
        idle = night(fleet, fleet_name(config), lambda: found)
        return report(idle, nothing="nothing new: no new file in the inbox, no stale catalogue")
    from halfcycle.pipeline.flows.nightly import run_flow
    from halfcycle.pipeline.report.folder import FRONT

    with ended_when_interrupted():
        summary = run_flow(config)
    done = report(summary, nothing="no new file in the inbox, no stale catalogue")
    if fleet.report is not None:
        show.line(f"report: {fleet.report.folder}, starting with {FRONT}")
    return done


@typer_app.command(
    "catalogue", epilog="Example:  halfcycle catalogue --config configs/fleet.toml --out march.csv --from 2026-03-01"
)
def catalogue_command(
    config: FleetFile,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Write the days' events: .parquet, .csv or .ndjson."),
    ] = None,
    delta: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="TABLE", help="Replace the days' events in this Delta table: a folder or s3://…"),
    ] = None,
    site: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="NAME", help="Restrict to this site. Repeatable."),
    ] = None,
    first: FirstDay = None,
    last: LastDay = None,
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="Rebuild the chosen days even if they are current or judged by other rules."),
    ] = False,
    worst: Worst = 10,
) -> int:
    """Print and write the events of sites and days.

    Days whose catalogue is out of date are rebuilt first.
    """
    from halfcycle.pipeline.catalogue.tables import write_table, writer_for
    from halfcycle.pipeline.cluster import spread_with
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.nightly.days import path_of, read_days
    from halfcycle.pipeline.nightly.incidents import with_kept_incidents
    from halfcycle.pipeline.nightly.run import summary_of, update_days

    if out is not None:
        writer_for(out)
    if first is not None and last is not None and first > last:
        raise ConfigError(f"--from {first:%Y-%m-%d} lies after --to {last:%Y-%m-%d}")
    fleet = fleet_to_read(config)
    sites = _chosen_sites(fleet, site)
    with spread_with(fleet.run.engine, scheduler=fleet.run.scheduler, workers=fleet.run.workers) as spread:
        done = update_days(
            fleet, sites=sites, first=_day(first), last=_day(last), rebuild=rebuild, spread=spread
        )  # fmt: skip
    summary = summary_of(done)
    table, damaged = read_days(fleet, [day for day, _ in done.states])
    table = with_kept_incidents(fleet, table)
    show_set_aside(summary)
    for day in damaged:
        show.warning(f"{path_of(day, fleet)}: its events cannot be read; verify --repair rebuilds them")
    show.line(f"{counted(len(done.built), 'day')} rebuilt, {counted(len(done.states), 'day')} chosen")
    _show_not_judged(summary)
    _other_versions(summary.other_version)
    n_frozen = sum(state == "frozen" for _, state in done.states)
    if n_frozen:
        show.line(f"{counted(n_frozen, 'day')} kept as judged before their waveforms were removed")
    show_catalogue(table, sites, worst=worst)
    if out is not None:
        write_table(table, out)
        show.line(f"catalogue: {out}")
    if delta is not None:
        names = {name for one in fleet.sites if one.name in sites for name in (one.name, *one.formerly)}
        _into_delta(table, delta, names, (_day(first), _day(last)), damaged)
    return Exit.DONE if summary.is_whole and not damaged else Exit.QUARANTINED


def _into_delta(
    table: pa.Table, where: str, sites: set[str], span: tuple[date | None, date | None], damaged: list[Day]
) -> None:
    """Bring a catalogue into a Delta table. span: first and last day chosen; damaged: days that keep what it has."""
    from halfcycle.pipeline.catalogue.delta_table import replace_days
    from halfcycle.pipeline.objects import without_user

    first, last = span
    kept = {(day.site, day.day) for day in damaged}

    def is_chosen(site: str, day: date) -> bool:
        is_within = (first is None or first <= day) and (last is None or day <= last)
        return site in sites and is_within and (site, day) not in kept

    done = replace_days(table, where, is_chosen=is_chosen)
    given = f"{counted(done.days, 'day')} replaced, with {counted(done.rows, 'event')}" if done.days else "unchanged"
    show.line(f"Delta table: {without_user(where)}: {given}")


def show_catalogue(table: pa.Table, sites: list[str], *, worst: int) -> None:
    """Print the tables of a catalogue."""
    from halfcycle.pipeline.events import events_of
    from halfcycle.pipeline.report.summary import magnitude_duration_table, site_table, worst_table

    events = events_of(table)
    show.table(site_table(events, sites))
    if events:
        show.table(worst_table(events, most=worst))
        show.table(magnitude_duration_table(events))


def report(summary: RunSummary, *, nothing: str) -> int:
    """Print what a run did; returns the exit status that says so."""
    for outcome in summary.quarantined:
        show.warning(f"quarantined {outcome.path}: {outcome.reason_alone}")
    for outcome in summary.left:
        show.warning(f"left in the inbox {outcome.path}: {outcome.reason_alone}")
    show_set_aside(summary)
    for words in summary.untold:
        show.warning(words)
    for words in summary.renamed:
        show.line(words)
    surveyed = summary.survey is not None and (summary.survey.days or summary.survey.verdicts)
    joined = summary.joined is not None and summary.joined.n_days
    if not (summary.files or summary.days or summary.failed or joined or surveyed):
        show.line(nothing)
    if summary.n_settling:
        show.line(f"left to settle: {counted(summary.n_settling, 'file')} in the inbox, written moments ago")
    if summary.files:
        states = [outcome.state for outcome in summary.files]
        left = f", {len(summary.left)} left in the inbox" if summary.left else ""
        at_least = "at least " if any(o.state == "stored" and o.reason for o in summary.files) else ""
        show.line(
            f"files: {states.count('stored')} stored, {states.count('known')} already stored, "
            f"{states.count('quarantined')} quarantined{left}; "
            f"{at_least}{counted(sum(o.n_new for o in summary.files), 'new capture')}"
        )
        n_recorded = sum(o.n_recorded for o in summary.files)
        if n_recorded:
            show.line(f"recorded intervals and logs: {n_recorded} site days stored")
        n = states.count("no waveform")
        if n:
            files = "1 file holds" if n == 1 else f"{n} files hold"
            beside = "it" if n == 1 else "each"
            show.line(f"{files} no waveform: moved to processed, with the reason beside {beside} in a .reason.txt")
    if summary.days:
        judged = sum(day.judged_s for day in summary.days)
        not_judged = sum(day.not_judged_s for day in summary.days)
        show.line(
            f"catalogues: {counted(len(summary.days), 'day')} rebuilt with {counted(summary.n_events, 'event')}; "
            f"{judged / 60:.1f} min judged, {not_judged / 60:.1f} min not judged"
        )
        _show_not_judged(summary)
    if summary.n_postponed:
        days = counted(summary.n_postponed, "day")
        show.line(f"left for later nights, as [run] backfill_days limits: {days} judged with other settings")
    _show_beside(summary)
    _other_versions(summary.other_version)
    return Exit.DONE if summary.is_whole else Exit.QUARANTINED


def _show_beside(summary: RunSummary) -> None:
    """What a night did besides catalogues: incidents over sites, trends and verdicts, what was past its age."""
    if summary.joined is not None and summary.joined.n_days:
        n = summary.joined.n_changed
        changed = f"; the incident id changed for {counted(n, 'event')}" if n else ""
        show.line(
            f"incidents: {counted(summary.joined.n_days, 'day')} joined over sites, "
            f"{counted(summary.joined.n_incidents, 'incident')} of several sites{changed}"
        )
        if summary.joined.clocks:
            from halfcycle.pipeline.cli.status_words import clocks_line

            show.line(clocks_line(summary.joined.clocks))
    if summary.survey is not None:
        _show_survey(summary.survey)
    if summary.removed is not None:
        _show_removed(summary.removed)
    if summary.packs is not None:
        _show_packs(summary.packs)
    if summary.months is not None:
        _show_months(summary.months)


def _show_packs(packs: PacksDone) -> None:
    for words in packs.failed:
        show.warning(words)
    if packs.captures:
        show.line(f"brought together in fewer files: {counted(packs.captures, 'capture')} {packs.words}")


def _show_months(months: MonthsDone) -> None:
    for words in months.failed:
        show.warning(words)
    if months.made:
        show.line(f"files of months: {months.words} written{months.left_words}")


def _show_removed(removed: Removed) -> None:
    for words in removed.failed:
        show.warning(words)
    if removed.words:
        show.line(f"older than [retention] allows: {removed.words} removed")


def _show_not_judged(summary: RunSummary) -> None:
    for reason in dict.fromkeys(reason for day in summary.days for reason in day.reasons):
        show.line(f"not judged: {reason}")
    show.mishaps(summary.n_mishaps)


def show_set_aside(summary: RunSummary) -> None:
    """Print what of the store a run could not use, each with its reason."""
    for words in summary.unreadable:
        show.warning(words)
    for day in summary.damaged:
        remade = "rebuilt" if day not in {failure.day for failure in summary.failed} else "not rebuilt"
        show.warning(f"{day.site}, {day.day}: its catalogue was damaged; {remade}")
    for path, reason in summary.set_aside:
        show.warning(f"set aside in the store {path}: {reason}")
    for failure in summary.failed:
        show.warning(failure.words)


def _show_survey(survey: SurveyOutcome) -> None:
    for words in survey.failures:
        show.warning(words)
    if survey.days:
        n_sites = len({site for site, _ in survey.days})
        show.line(f"trends: {counted(len(survey.days), 'day')} of {counted(n_sites, 'site')} measured")
    for site, day, reason in survey.reasons:
        show.line(f"not measured: {site}, {day}: {reason}")
    for site, text in survey.disagreements:
        show.line(f"recorder and waveforms disagree: {site}: {text}")
    for site, period, exceeded, met, unclear in survey.verdicts:
        show.line(
            f"verdicts: {site}, {period}: {counted(exceeded, 'limit')} exceeded, {met} met, {unclear} cannot tell"
        )


def _other_versions(days: tuple[Day, ...]) -> None:
    if days:
        show.line(
            f"{counted(len(days), 'day')} judged by other rules than today's and left unchanged; halfcycle plan says "
            f"by which, catalogue --rebuild rebuilds them: {days[0].site} {days[0].day}"
            + (" …" if len(days) > 1 else "")
        )


def _chosen_sites(fleet: Fleet, names: list[str] | None) -> list[str]:
    from halfcycle.pipeline.errors import ConfigError

    known = [site.name for site in fleet.sites]
    unknown = [name for name in names or [] if name not in known]
    if unknown:
        raise ConfigError(f"--site {unknown[0]!r} is not configured; sites are {', '.join(known)}")
    return names or known


def _day(moment: datetime | None) -> date | None:
    return None if moment is None else moment.date()
