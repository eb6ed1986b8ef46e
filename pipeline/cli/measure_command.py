"""`halfcycle measure`: the quantities of a survey in intervals of the clock, and whether a site keeps its limits."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from pipeline.cli import show
from pipeline.cli.commands import Exit, typer_app

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
        typer.Argument(help="Capture files, or folders of them.", show_default=False),
    ] = None,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Trend: .parquet, .csv or .ndjson.", show_default=False),
    ] = None,
    store: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Or a store: trends/site=…/date=…/ below it.", show_default=False),
    ] = None,
    interval: Annotated[float, typer.Option(min=1.0, help="Of the UTC clock [s]; 600 has Pst, 7200 has Plt.")] = 600.0,
    quantities: Annotated[str, typer.Option(help="Symbols with commas; uh, ih: all harmonics; else all.")] = "",
    limits: Annotated[str, typer.Option(help="Profile, by name or TOML file: says which limits are met.")] = "",
    nominal_voltage: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=0.001, help="Declared, of the judged voltages [V]; else told from the data."),
    ] = None,
    nominal_frequency: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=40, max=70, help="[Hz]; else told from the data."),
    ] = None,
    hookup: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="See screen; else told from the channels."),
    ] = None,
    demand_current: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(min=0.001, help="Of the total demand distortion [A]."),
    ] = None,
    lamp: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(help="Of the flickermeter, 120 or 230 [V]; else told from the nominal voltage."),
    ] = None,
    show_list: Annotated[bool, typer.Option("--list", help="List the quantities and stop.")] = False,
) -> int:
    """Measure a survey: voltages, currents, power, harmonics, unbalance, flicker; and judge it by limits."""
    from pipeline.catalogue.tables import write_table, writer_for
    from pipeline.errors import ConfigError
    from pipeline.quantities import chosen_quantities
    from pipeline.survey.compliance import load_limit_profile
    from pipeline.survey.files import judge_files, measure_files
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
    with show.progress("measuring") as advance:
        found = measure_files(paths, survey, hookup=hookup, progress=advance)
    if out is not None:
        write_table(_together(found.trends), out)
        show.line(f"trend: {out}")
    failed = _tell(found, interval, store)
    if profile is not None:
        for (site, point), judged in judge_files(paths, profile, survey, hookup=hookup).items():
            _show_assessments(f"{' '.join([site, point]).strip()}: {profile.title}", judged)
    if not found.trends or len(failed) == len(found.trends):
        return Exit.FAILED
    return Exit.QUARANTINED if found.set_aside or failed else Exit.DONE


def _tell(found: Measured, interval: float, store: Path | None) -> list[str]:
    """Write the trends to the store, where there is one, and say what was measured; returns what failed, in words."""
    from pipeline.errors import StoreError
    from pipeline.store.trends import write_trend

    failed: list[str] = []
    for (site, point), trend in found.trends.items():
        name = f"{site} {point}".strip()
        show.line(f"{name}: {trend.table.num_rows} intervals of {interval:g} s")
        try:
            paths = [] if store is None else write_trend(trend.table, store, site=name, interval_s=interval)
        except StoreError as error:
            failed.append(str(error))
            continue
        for path in paths:
            show.line(f"trend: {path}")
    for site, point, reason in found.not_measured:
        show.line(f"not measured: {site} {point}".rstrip() + f": {reason}")
    for reason in [*(reason for _, reason in found.set_aside), *failed]:
        show.warning(reason)
    return failed


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
