"""`halfcycle report`: a catalogue as one HTML file for decision-makers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Coverage, Files, JudgedDays, SitesOfCatalogue

if TYPE_CHECKING:
    from halfcycle.pipeline.cli.catalogue_source import CatalogueSource
    from halfcycle.pipeline.report.content import Content, ReportSettings
    from halfcycle.pipeline.report.material import Material
    from halfcycle.pipeline.report.survey_view import SurveyedPoint

Page = tuple[str, str]  # name, HTML
_BESIDE: Final = frozenset({"out", "pdf", "pictures", "summary"})  # what leaves the page as it is
_EPILOG = "Example:  halfcycle report events.parquet --out report.html"


@typer_app.command("report", epilog=_EPILOG)
def report_command(
    context: typer.Context,
    catalogue: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(help="Catalogue: .parquet, .csv or .ndjson.", show_default=False),
    ] = None,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="PATH", help="The report, .html; or a folder, for one page per site (else the fleet's own)."
        ),
    ] = None,
    config: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="The fleet's settings: reports on its catalogues."),
    ] = None,
    from_day: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--from", metavar="YYYY-MM-DD", help="First day (UTC), such as 2026-04-01."),
    ] = None,
    to_day: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--to", metavar="YYYY-MM-DD", help="Last day (UTC)."),
    ] = None,
    files: Files = None,
    sites: SitesOfCatalogue = None,
    coverage: Coverage = None,
    trend: Annotated[
        Optional[list[Path]],  # noqa: UP045
        typer.Option(metavar="FILE", help="Trend of `halfcycle measure`. Repeatable."),
    ] = None,
    limits: Annotated[str, typer.Option(metavar="NAME", help="Limit profile to judge the trends by.")] = "",
    judged_days: JudgedDays = None,
    curve: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Ride-through curve: iti, semi-f47, semi-reference, iec-class-2 and -3, iec-class-2-60hz and -3-60hz.",
        ),
    ] = "iti",
    worst: Annotated[int, typer.Option(metavar="N", min=0, help="Number of worst events shown with waveforms.")] = 12,
    title: Annotated[
        str, typer.Option(metavar="TEXT", help="Title of the report. Default: the names of the sites.")
    ] = "",
    locale: Annotated[
        str,
        typer.Option(metavar="NAME", help="Locale of numbers, dates and times, such as de_DE."),
    ] = "",
    pdf: Annotated[bool, typer.Option("--pdf", help="Also write a PDF, printed by an installed Chromium.")] = False,
    pictures: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FOLDER", help="Also write every chart to this folder: .svg, .png."),
    ] = None,
    summary: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Also write the summary for an e-mail: .md."),
    ] = None,
) -> int:
    """Write a report for decision-makers as one HTML file.

    It opens offline: the answer first, then charts, indices, the worst events, method and origin.
    """
    from halfcycle.pipeline.cli.catalogue_source import source_of
    from halfcycle.pipeline.config import load_sites
    from halfcycle.pipeline.indices.curves import curve as curve_named
    from halfcycle.pipeline.locales import manner_of
    from halfcycle.pipeline.publishing import period_ns_of, surveyed_points
    from halfcycle.pipeline.report.content import ReportSettings
    from halfcycle.pipeline.report.folder import FRONT, fleet_pages, write_folder
    from halfcycle.pipeline.report.material import Material
    from halfcycle.pipeline.report.origin import origin

    first, last = _day(from_day, "--from"), _day(to_day, "--to")
    settings = ReportSettings(
        curve=curve_named(curve), title=title, worst=worst, judged_days=judged_days, manner=manner_of(locale)
    )
    given = {"catalogue": catalogue, "fleet": config, "coverage": coverage, "sites": sites}
    source = source_of(catalogue, config, files or (), from_day=first, to_day=last, coverage=coverage, sites=sites)
    out = _target(out, source, is_page_asked_for=pdf or pictures is not None or summary is not None)
    given_trends = surveyed_points(trend or (), limits, sites=None if sites is None else load_sites(sites))
    period = period_ns_of(first, last)
    material = Material(
        events=source.events,
        slices=source.archive.slice_of,
        coverage=source.coverage,
        expected=source.expected,
        zones=source.zones,
        surveyed=(*_stored_survey(source, first, last), *given_trends),
        provenance=origin(
            source.events,
            source.coverage,
            command=_command(context, "report.html" if out.suffix else "report"),
            inputs={name: path for name, path in given.items() if path is not None}
            | {f"trend {k}": path for k, path in enumerate(trend or (), start=1)},
            period_ns=period,
            manner=settings.manner,
        ),
        period_ns=period,
    )
    if out.suffix:
        return _write_page(material, settings, out, pdf=pdf, pictures=pictures, summary=summary)
    with show.progress("pages") as tell:
        n = write_folder(_told(fleet_pages(material, settings=settings), len(material.sites) + 1, tell), out)
    show.line(f"report: {n} pages in {out}, starting with {FRONT}")
    return Exit.DONE


def _stored_survey(source: CatalogueSource, first: date | None, last: date | None) -> tuple[SurveyedPoint, ...]:
    """The trends in a fleet's store, where the events are those of its store, too."""
    from halfcycle.pipeline.publishing import fleet_surveyed

    return () if source.fleet is None or source.is_file else fleet_surveyed(source.fleet, first=first, last=last)


def _target(out: Path | None, source: CatalogueSource, *, is_page_asked_for: bool) -> Path:
    """Where the report goes: what was asked for, else the folder of the fleet's settings."""
    from halfcycle.pipeline.errors import ConfigError

    if out is None:
        if source.fleet is None or source.fleet.report is None:
            raise ConfigError("--out must name a page (.html) or a folder; only a fleet with [report] needs none")
        out = source.fleet.report.folder
    elif out.suffix.lower() not in (".html", ".htm", ""):
        raise ConfigError(f"{out.name}: the extension of a page must be .html; a folder has none")
    if not out.suffix and is_page_asked_for:
        raise ConfigError("--pdf, --pictures and --summary apply to a single page; let --out end in .html")
    return out


def _command(context: typer.Context, out: str) -> list[str]:
    """The command with every option that was given and shapes the page; paths as given, absolute ones by name."""
    from halfcycle.pipeline.report.origin import shown_path

    words = ["halfcycle", "report"]
    for option in context.command.params:
        name = option.name or ""
        source = context.get_parameter_source(name)
        if name in _BESIDE or source is None or source.name != "COMMANDLINE":
            continue
        value = context.params[name]
        for one in value if isinstance(value, list | tuple) else [value]:
            text = shown_path(one) if isinstance(one, Path) else f"{one:g}" if isinstance(one, float) else str(one)
            words += [text] if option.param_type_name == "argument" else [option.opts[0], text]
    return [*words, "--out", out]


def _told(pages: Iterator[Page], n: int, tell: Callable[[int, int], None]) -> Iterator[Page]:
    """Pages, with a word of how many are done."""
    for done, page in enumerate(pages):
        tell(done, n)
        yield page


def _write_page(
    material: Material, settings: ReportSettings, out: Path, *, pdf: bool, pictures: Path | None, summary: Path | None
) -> int:
    from halfcycle.pipeline.report import markdown
    from halfcycle.pipeline.report.content import build_content
    from halfcycle.pipeline.report.page import render
    from halfcycle.pipeline.store.atomic import write_atomically

    with show.progress("events") as tell:
        content = build_content(material, settings=settings, progress=tell)
    page = render(content, settings=settings)
    write_atomically(out, lambda aside: _write_text(page, aside))
    for sentence in content.lead:
        show.line(sentence.text)
    missing = sum(bool(view.missing) for view in content.events)
    if missing:
        show.line(f"without a waveform: {missing} of {len(content.events)} events shown; the page states why")
    show.line(f"report: {out} ({len(page.encode()) / 1000:.0f} kB)")
    if pictures is not None:
        _draw(content, pictures)
    if summary is not None:
        text = markdown.summary(content)
        write_atomically(summary, lambda aside: _write_text(text, aside))
        show.line(f"summary: {summary}")
    return _print(out) if pdf else Exit.DONE


def _print(page: Path) -> int:
    from halfcycle.pipeline.report.printing import print_pdf

    target = page.with_suffix(".pdf")
    print_pdf(page, target)
    show.line(f"printed: {target}")
    return Exit.DONE


def _draw(content: Content, folder: Path) -> None:
    """Each chart as files of its own."""
    from importlib.util import find_spec

    from halfcycle.pipeline.report.content import drawings
    from halfcycle.pipeline.report.picture import write_png, write_svg

    folder.mkdir(parents=True, exist_ok=True)
    drawn = drawings(content)
    has_png = find_spec("matplotlib") is not None
    for name, svg in drawn.items():
        write_svg(svg, folder / f"{name}.svg")
        if has_png:
            write_png(svg, folder / f"{name}.png")
    endings = "as .svg and .png" if has_png else "as .svg; with matplotlib (the extra bench) as .png, too"
    show.line(f"pictures: {len(drawn)} in {folder}, {endings}")


def _write_text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _day(text: str | None, option: str) -> date | None:
    from halfcycle.pipeline.errors import ConfigError

    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"{option} {text!r}; it must be a day such as 2026-04-01") from error
