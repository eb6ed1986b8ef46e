"""`halfcycle measure`: the quantities of a survey in intervals of the clock, and whether a site keeps its limits."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from pipeline.cli import show
from pipeline.cli.commands import Exit, typer_app
from pipeline.cli.options import HookupName, NominalFrequency, NominalVoltage, Sites, Strict, Workers

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.survey.compliance import Assessment
    from pipeline.survey.files import Measured
    from pipeline.survey.measure import Trend

_EPILOG = "Example:  halfcycle measure week/ --out trend.parquet --limits en-50160-lv"


@typer_app.command("measure", epilog=_EPILOG)
def measure_command(
    paths: Annotated[
        Optional[list[Path]],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(metavar="PATH", help="Capture files, or folders of them.", show_default=False),
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
        float, typer.Option(min=1.0, metavar="S", help="Interval of the UTC clock; Pst needs 600 s, Plt 7200 s.")
    ] = 600.0,
    quantities: Annotated[
        str,
        typer.Option(
            metavar="NAMES", help="Quantities by symbol, comma-separated; uh and ih for all harmonics. Default: all."
        ),
    ] = "",
    limits: Annotated[
        str, typer.Option(metavar="NAME", help="Judge by a limit profile: its name, or a TOML file.")
    ] = "",
    nominal_voltage: NominalVoltage = None,
    nominal_frequency: NominalFrequency = None,
    hookup: HookupName = None,
    demand_current: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=0.001, metavar="A", help="Maximum demand load current, for TDD."),
    ] = None,
    lamp: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(metavar="V", help="Lamp of the flickermeter, 120 or 230. Default: by the nominal voltage."),
    ] = None,
    sites: Sites = None,
    workers: Workers = None,
    strict: Strict = False,
    show_list: Annotated[bool, typer.Option("--list", help="List the quantities and stop.")] = False,
) -> int:
    """Measure a survey, and judge it by limits.

    Voltages, currents, power, energy, harmonics, unbalance, frequency and flicker in intervals of the UTC clock.
    """
    from pipeline.catalogue.tables import with_accounts, write_table, writer_for
    from pipeline.config import load_sites
    from pipeline.errors import ConfigError
    from pipeline.quantities import chosen_quantities
    from pipeline.sites.table import SiteTable
    from pipeline.survey.compliance import load_limit_profile
    from pipeline.survey.files import measure_files
    from pipeline.survey.lamps import LAMPS
    from pipeline.survey.measure import Survey

    if show_list:
        _list_quantities()
        return Exit.DONE
    if not paths or (out is None and store is None and not limits):
        raise ConfigError("measure needs captures and one of --out, --store and --limits; or --list")
    if out is not None:
        writer_for(out)
    profile = load_limit_profile(limits) if limits else None
    chosen = chosen_quantities(name.strip() for name in quantities.split(",") if name.strip())
    if lamp is not None and lamp not in LAMPS:
        raise ConfigError(f"--lamp {lamp}; allowed are {' and '.join(str(of) for of in LAMPS)}")
    survey = Survey(chosen, interval, nominal_voltage, nominal_frequency, demand_current, lamp_v=LAMPS.get(lamp or 0))
    quarantine = None if out is None else out.with_suffix(".quarantine.csv")
    with show.progress("measuring") as advance:
        found = measure_files(
            paths,
            survey,
            profile=profile,
            hookup=hookup,
            sites=None if sites is None else SiteTable(load_sites(sites)),
            workers=workers,
            progress=advance,
            leave_out=[path for path in (out, quarantine, sites) if path is not None],
            strict=strict,
        )
    if out is not None:
        write_table(with_accounts(_together(found.trends), found.accounts), out)
        show.line(f"trend: {out}")
    _tell(found, interval, store)
    for (site, point), judged in found.assessments.items():
        _show_assessments(f"{' '.join([site, point]).strip()}: {profile.title if profile else ''}", judged)
    _list_set_aside(found, quarantine)
    if not found.trends:
        show.warning(f"nothing was measured: {'; '.join(_why_nothing(found)[:3])}")
    return Exit.QUARANTINED if found.set_aside or not found.trends else Exit.DONE


def _tell(found: Measured, interval: float, store: Path | None) -> None:
    """Write the trends to the store, where there is one, and say what was measured and what was not."""
    from pipeline.store.trends import write_trend

    for account in found.accounts:
        if account.points:
            show.line(f"{account.site}: {account.line}")
    for (site, point), trend in found.trends.items():
        name = f"{site} {point}".strip()
        show.line(f"{name}: {trend.table.num_rows} intervals of {interval:g} s")
        for path in [] if store is None else write_trend(trend.table, store, site=name, interval_s=interval):
            show.line(f"trend: {path}")
    by_reason: dict[tuple[str, str], list[str]] = {}
    for site, point, reason in found.not_measured:
        by_reason.setdefault((site, reason), []).append(point)
    for (site, reason), points in by_reason.items():
        of_points = f" ({len(points)} captures or points)" if len(points) > 1 else f" {points[0]}".rstrip()
        show.line(f"not measured: {site}{of_points}: {reason}")
    if found.others:
        n = len(found.others)
        show.line(f"{n} other file{'s' * (n > 1)} passed over: documents, pictures, empty files and the like")


def _list_set_aside(found: Measured, quarantine: Path | None) -> None:
    """Name the recordings that could not be read, in a list beside the trend where there is one."""
    from pipeline.catalogue.tables import set_aside_table, write_table

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
    return reasons or (["no recording could be read"] if found.set_aside else ["there is no recording"])


def _show_assessments(title: str, found: list[Assessment]) -> None:
    from pipeline.report.summary import TextTable
    from pipeline.survey.compliance import overall, told_voltage

    rows = [
        (
            one.name, one.series or one.quantity, one.period, ": ".join(filter(None, (one.verdict, one.reason))),
            one.bounds, _percent(one.share_pct), f"{one.needed_pct:g} %", _number(one.percentile),
            f"{one.n} of {one.n_expected}", str(one.n_flagged), str(one.n_missing), one.mark,
        )
        for one in found
    ]  # fmt: skip
    heads = (
        "limit", "series", "period", "verdict", "bounds", "within", "needed", "percentile", "measured", "flagged",
        "missing", "bound is",
    )  # fmt: skip
    show.table(TextTable(f"{title}; {told_voltage(found)}", heads, tuple(rows)))
    whole = overall(found)
    memory = "; it rests on bounds from memory" if whole.from_memory else ""
    show.line(f"all limits that could be judged together, {told_voltage(found)}: {whole.verdict}{memory}")
    if whole.not_judged:
        show.line(f"beside that {len(whole.not_judged)} could not be judged, {whole.n_judged} could")


def _list_quantities() -> None:
    from pipeline.quantities import QUANTITIES
    from pipeline.report.summary import TextTable

    rows = [
        (one.symbol, one.unit, one.of, one.meaning, one.source)
        for one in QUANTITIES.values()
        if one.symbol[:2] not in ("uh", "ih") or one.symbol[2:] in ("01", "50")
    ]
    show.table(TextTable("quantities of a survey", ("symbol", "unit", "of each", "meaning", "source"), tuple(rows)))


def _together(trends: dict[tuple[str, str], Trend]) -> pa.Table:
    """All trends in one table, site and point first."""
    import pyarrow as pa

    tables = []
    for (site, point), trend in trends.items():
        table = trend.table
        named = table.add_column(0, "point", pa.array([point or None] * table.num_rows, pa.string()))
        tables.append(named.add_column(0, "site", pa.array([site] * table.num_rows, pa.string())))
    nothing = pa.table({"site": pa.array([], pa.string())})
    return pa.concat_tables(tables, promote_options="default") if tables else nothing


def _percent(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f} %"


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.5g}"
