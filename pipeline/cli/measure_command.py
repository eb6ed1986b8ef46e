"""`halfcycle measure`: the quantities of a survey in intervals of the clock, and whether a site keeps its limits."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import (
    EngineName,
    HookupName,
    NominalFrequency,
    NominalVoltage,
    Scheduler,
    SigningKey,
    Sites,
    Strict,
    Workers,
    place,
)
from halfcycle.pipeline.plain_text import counted

if TYPE_CHECKING:
    from halfcycle.pipeline.quantities import Quantity
    from halfcycle.pipeline.survey.files import Measured
    from halfcycle.pipeline.survey.measure import Survey
    from halfcycle.pipeline.survey.stored import StoredTrend

_EPILOG = "Example:  halfcycle measure week/ --out trend.parquet --limits en-50160-lv"


@typer_app.command("measure", epilog=_EPILOG)
def measure_command(
    paths: Annotated[
        Optional[list[Path]],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(metavar="PATH", help="Captures, trends, or folders of them.", parser=place, show_default=False),
    ] = None,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Trend file: .parquet, .csv or .ndjson.", show_default=False),
    ] = None,
    store: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FOLDER", help="Store to write trends to, instead of --out.", show_default=False),
    ] = None,
    interval: Annotated[
        str,
        typer.Option(metavar="S", help="Clock interval, or 150/180 (cycles); Pst needs 600 s, Plt 7200 s."),
    ] = "600",
    quantities: Annotated[
        str,
        typer.Option(metavar="NAMES", help="Symbols, families such as uh, or all; see --list."),
    ] = "",
    limits: Annotated[
        str, typer.Option(metavar="NAME", help="Limit profile to judge by: a name, or a TOML file.")
    ] = "",
    verdicts: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Write all verdicts: .parquet, .csv or .ndjson.", show_default=False),
    ] = None,
    nominal_voltage: NominalVoltage = None,
    nominal_frequency: NominalFrequency = None,
    hookup: HookupName = None,
    demand_current: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=0.001, metavar="A", help="Maximum demand load current, for TDD."),
    ] = None,
    demand_interval: Annotated[int, typer.Option(min=60, metavar="S", help="Demand interval: n × 60 s.")] = 900,
    signal: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=1.0, metavar="HZ", help="Frequency of the mains signalling voltage."),
    ] = None,
    lamp: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(metavar="V", help="Flickermeter lamp, 120 or 230. Default: by voltage."),
    ] = None,
    uncertainty: Annotated[str, typer.Option(metavar="WORD", help="standard: adds uncertainties.")] = "none",
    key: SigningKey = None,
    sites: Sites = None,
    workers: Workers = None,
    engine: EngineName = "processes",
    scheduler: Scheduler = None,
    strict: Strict = False,
    show_list: Annotated[bool, typer.Option("--list", help="List the quantities and stop.")] = False,
) -> int:
    """Measure a survey, and assess it against limits.

    Voltages, currents, power, energy, harmonics, unbalance, frequency and flicker in intervals of the UTC clock.
    """
    from halfcycle.pipeline.catalogue.tables import write_table, writer_for
    from halfcycle.pipeline.cli.survey_words import show_assessments
    from halfcycle.pipeline.cluster import spread_with
    from halfcycle.pipeline.config import checked_choice, signing_key
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.event_tables import counted_events, counts_table, event_tables_path
    from halfcycle.pipeline.quantities import chosen_quantities
    from halfcycle.pipeline.sites.table import SiteTable
    from halfcycle.pipeline.store.manifest import manifest_path
    from halfcycle.pipeline.survey.compliance import load_limit_profile, verdicts_table
    from halfcycle.pipeline.survey.demand import STEP_S
    from halfcycle.pipeline.survey.lamps import LAMPS
    from halfcycle.pipeline.survey.measure import Survey
    from halfcycle.pipeline.survey.road import measure
    from halfcycle.pipeline.survey.uncertainty import CHOICES

    if show_list:
        _list_quantities()
        return Exit.DONE
    if not paths or (out is None and store is None and not limits):
        raise ConfigError("measure needs captures and one of --out, --store and --limits; or --list")
    if verdicts is not None and not limits:
        raise ConfigError("--verdicts needs --limits to judge by")
    for path in (out, verdicts):
        if path is not None:
            writer_for(path)
    profile = load_limit_profile(limits) if limits else None
    chosen = chosen_quantities(name.strip() for name in quantities.split(",") if name.strip())
    if lamp is not None and lamp not in LAMPS:
        raise ConfigError(f"--lamp {lamp}; allowed are {' and '.join(str(of) for of in LAMPS)}")
    if demand_interval % STEP_S:
        raise ConfigError(f"--demand-interval {demand_interval}; it must be a multiple of {STEP_S} s")
    interval_s, of_cycles = _interval(interval)
    survey = Survey(
        chosen, interval_s, nominal_voltage, nominal_frequency, demand_current, lamp_v=LAMPS.get(lamp or 0),
        signal_hz=signal, demand_s=demand_interval, of_cycles=of_cycles,
        uncertainty=checked_choice(uncertainty, CHOICES, of=" of a survey"),
    )  # fmt: skip
    secret = None if key is None else signing_key(key)
    quarantine = None if out is None else out.with_suffix(".quarantine.csv")
    with (
        spread_with(engine, scheduler=scheduler, workers=workers) as spread,
        show.progress("measuring") as advance,
    ):
        found = measure(
            paths,
            survey,
            profile=profile,
            hookup=hookup,
            sites=SiteTable.at(sites),
            spread=spread,
            progress=advance,
            leave_out=[
                path
                for path in (
                    out,
                    quarantine,
                    sites,
                    verdicts,
                    verdicts and event_tables_path(verdicts),
                    key,
                    out and manifest_path(out),
                )
                if path is not None
            ],
            strict=strict,
        )
    _tell(found)
    _write(found, out, store, survey, secret)
    counted = {} if profile is None else counted_events(found.certified, profile)
    for (site, point), judged in found.assessments.items():
        show_assessments(f"{' '.join([site, point]).strip()}: {profile.title if profile else ''}", judged)
        for text in counted[site, point].lines if (site, point) in counted else ():
            show.line(text)
    if verdicts is not None:
        write_table(verdicts_table(found.assessments), verdicts)
        show.line(f"verdicts: {verdicts}")
    if verdicts is not None and counted:
        write_table(counts_table({(*key, ""): one for key, one in counted.items()}), event_tables_path(verdicts))
        show.line(f"dips, swells and interruptions: {event_tables_path(verdicts)}")
    _list_set_aside(found, quarantine)
    if not found.certified:
        show.warning(f"nothing was measured: {'; '.join(_why_nothing(found)[:3])}")
    return Exit.QUARANTINED if found.set_aside or not found.certified else Exit.DONE


def _interval(text: str) -> tuple[float, bool]:
    """Length of the intervals [s], and whether they are of 150/180 cycles."""
    from halfcycle.pipeline.errors import ConfigError

    if text == "150/180":
        return 3.0, True
    try:
        interval_s = float(text)
    except ValueError:
        interval_s = math.nan
    if not 1 <= interval_s < math.inf:
        raise ConfigError(f"--interval {text}; it must be 150/180, or a number of seconds from 1 on")
    return interval_s, False


def _write(found: Measured, out: Path | None, store: Path | None, survey: Survey, key: bytes | None) -> None:
    """Write the trends where they are wanted, those of a file with their provenance."""
    from halfcycle.pipeline.survey.provenance import write_trend_provenance
    from halfcycle.pipeline.survey.written import by_file, store_trends, write_trends

    files = {} if out is None else by_file(found.certified, out, interval_s=survey.interval_s)
    if out is not None:
        write_trends(found.certified, out, interval_s=survey.interval_s, accounts=found.accounts)
    for path, trends in files.items():
        write_trend_provenance(trends, path, survey=survey, key=key)
    for path in [*files, *([] if store is None else store_trends(found.certified, store))]:
        show.line(f"trend: {path}")


def _tell(found: Measured) -> None:
    """Say what was measured and what was not."""
    for account in found.accounts:
        if account.points:
            show.line(f"{account.site}: {account.line}")
    trends: dict[tuple[str, str, str], list[StoredTrend]] = {}
    for one in found.certified:
        trends.setdefault((*one.key, one.certificate.origin), []).append(one)
    for (site, point, origin), ones in trends.items():
        rows = ", ".join(
            f"{counted(one.trend.table.num_rows, 'interval')} of {one.certificate.interval_s:g} s" for one in ones
        )
        show.line(f"{f'{site} {point}'.strip()}: {rows}, {origin}")
        for text in dict.fromkeys(text for one in ones for text in one.certificate.left_out):
            show.line(f"  left out: {text}")
    for text in found.compared:
        show.line(text)
    for finding in found.disagreements:
        show.line(f"  {finding.site}: {finding.text}")
    by_reason: dict[tuple[str, str], list[str]] = {}
    for site, point, reason in found.not_measured:
        by_reason.setdefault((site, reason), []).append(point)
    for (site, reason), points in by_reason.items():
        of_points = f" ({len(points)} captures or points)" if len(points) > 1 else f" {points[0]}".rstrip()
        show.line(f"not measured: {site}{of_points}: {reason}")
    if found.others:
        n = len(found.others)
        show.line(f"{counted(n, 'other file')} passed over: documents, pictures, empty files and the like")


def _list_set_aside(found: Measured, quarantine: Path | None) -> None:
    """Name the recordings that could not be read, in a list beside the trend where there is one."""
    from halfcycle.pipeline.catalogue.tables import set_aside_table, write_table

    if quarantine is not None:
        if found.set_aside:
            write_table(set_aside_table(found.set_aside), quarantine)
        else:
            quarantine.unlink(missing_ok=True)
    for item in found.set_aside if quarantine is None else ():
        show.warning(item.reason)
    if found.set_aside and quarantine is not None:
        show.line(f"set aside: {len(found.set_aside)} files that could not be read, listed in {quarantine}")


def _why_nothing(found: Measured) -> list[str]:
    reasons = list(dict.fromkeys(reason for _, _, reason in found.not_measured))
    return reasons or (["no recording could be read"] if found.set_aside else ["no recording found"])


def _list_quantities() -> None:
    from halfcycle.pipeline.quantities import QUANTITIES
    from halfcycle.pipeline.report.summary import TextTable

    families: dict[str, list[Quantity]] = {}
    for one in QUANTITIES.values():
        families.setdefault(one.family or one.symbol, []).append(one)
    rows = []
    for symbol, members in families.items():
        first, last = members[0], members[-1]
        name = symbol if first is last else f"{first.symbol}–{last.symbol} ({symbol})"
        meaning = first.meaning if first is last else f"{first.meaning} … {last.number}"
        rows.append((name, first.unit, first.of, meaning, "" if first.usual else "on request", first.source))
    heads = ("symbol", "unit", "of each", "meaning", "measured", "source")
    show.table(TextTable(f"the {len(QUANTITIES)} quantities of a survey", heads, tuple(rows)))
