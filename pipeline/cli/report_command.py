"""`halfcycle report`: a catalogue as one HTML file for those who decide."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from pipeline.cli import show
from pipeline.cli.commands import Exit, typer_app
from pipeline.cli.options import Coverage, Files, JudgedDays, SitesOfCatalogue

if TYPE_CHECKING:
    from pipeline.cli.catalogue_source import CatalogueSource
    from pipeline.report.content import Content

_EPILOG = "Example:  halfcycle report events.parquet --out report.html"


@typer_app.command("report", epilog=_EPILOG)
def report_command(
    out: Annotated[
        Path, typer.Option(help="The report, .html; or a folder, for one page per site.", show_default=False)
    ],
    catalogue: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(help="Catalogue: .parquet, .csv or .ndjson.", show_default=False),
    ] = None,
    config: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="The fleet's settings: reports on its catalogues."),
    ] = None,
    from_day: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--from", help="First day (UTC), such as 2026-04-01."),
    ] = None,
    to_day: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--to", help="Last day (UTC)."),
    ] = None,
    files: Files = None,
    sites: SitesOfCatalogue = None,
    coverage: Coverage = None,
    judged_days: JudgedDays = None,
    curve: Annotated[
        str,
        typer.Option(
            help="Ride-through curve: iti, semi-f47, semi-reference, iec-class-2, iec-class-3; for 60 Hz with -60hz."
        ),
    ] = "iti",
    worst: Annotated[int, typer.Option(min=0, help="Number of worst events to show with waveforms.")] = 12,
    title: Annotated[str, typer.Option(help="Title of the report. Default: the names of the sites.")] = "",
    pdf: Annotated[bool, typer.Option("--pdf", help="Write a PDF beside it, with an installed Chromium.")] = False,
    pictures: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Also write every chart as .svg to this folder."),
    ] = None,
    summary: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Also write the summary as Markdown, for an e-mail: .md."),
    ] = None,
) -> int:
    """Write a report for those who decide, as one HTML file.

    It opens offline: the answer first, then charts, indices, the worst events, method and origin.
    """
    from pipeline.cli.catalogue_source import source_of
    from pipeline.errors import ConfigError
    from pipeline.indices.curves import curve as curve_named
    from pipeline.report import markdown
    from pipeline.report.content import Settings, build_content
    from pipeline.report.folder import FRONT, fleet_pages, write_folder
    from pipeline.report.page import render
    from pipeline.store.atomic import write_atomically

    if out.suffix.lower() not in (".html", ".htm", ""):
        raise ConfigError(f"{out.name}: the page's ending must be .html; a folder has none")
    if not out.suffix and (pdf or pictures is not None or summary is not None):
        raise ConfigError("--pdf, --pictures and --summary are of a single page; let --out end in .html")
    settings = Settings(curve=curve_named(curve), title=title, worst=worst, judged_days=judged_days)
    first, last = _day(from_day, "--from"), _day(to_day, "--to")
    source = source_of(catalogue, config, files or (), from_day=first, to_day=last, coverage=coverage, sites=sites)
    zones = {site.name: site.time_zone for site in source.fleet.sites} if source.fleet is not None else {}
    said = _provenance(source, catalogue, settings_words=_settings_words(curve, worst, judged_days))
    if not out.suffix:
        pages = fleet_pages(
            source.events, settings=settings, slices=source.archive.slice_of, coverage=source.coverage, zones=zones,
            provenance=said,
        )  # fmt: skip
        show.line(f"report: {write_folder(pages, out)} pages in {out}, to begin with {FRONT}")
        return Exit.DONE
    content = build_content(
        source.events, settings=settings, slices=source.archive.slice_of, coverage=source.coverage, zones=zones,
        provenance=said,
    )  # fmt: skip
    page = render(content, settings=settings)
    write_atomically(out, lambda aside: _write_text(page, aside))
    for sentence in content.lead:
        show.line(sentence.text)
    missing = sum(bool(view.missing) for view in content.events)
    if missing:
        show.line(f"without a waveform: {missing} of {len(content.events)} events shown; the page says why")
    show.line(f"report: {out} ({len(page.encode()) / 1000:.0f} kB)")
    if pictures is not None:
        _draw(content, pictures)
    if summary is not None:
        text = markdown.summary(content)
        write_atomically(summary, lambda aside: _write_text(text, aside))
        show.line(f"summary: {summary}")
    return _print(out) if pdf else Exit.DONE


def _print(page: Path) -> int:
    from pipeline.report.printing import print_pdf

    target = page.with_suffix(".pdf")
    print_pdf(page, target)
    show.line(f"printed: {target}")
    return Exit.DONE


def _draw(content: Content, folder: Path) -> None:
    """Each chart as a file of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    figures = [figure for figure in (content.coverage, content.scatter, *content.timeline) if figure is not None]
    drawn = {figure.anchor: figure.wide for figure in figures}
    drawn |= {f"event-{view.event.event_id}": view.picture for view in content.events if view.picture}
    for name, svg in drawn.items():
        (folder / f"{name}.svg").write_text(svg, encoding="utf-8")
    show.line(f"pictures: {len(drawn)} in {folder}")


def _write_text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _day(text: str | None, option: str) -> date | None:
    from pipeline.errors import ConfigError

    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"{option} {text!r}; it must be a day such as 2026-04-01") from error


def _settings_words(curve: str, worst: int, judged_days: float | None) -> str:
    words = f"--curve {curve} --worst {worst}"
    return words if judged_days is None else f"{words} --judged-days {judged_days:g}"


def _provenance(source: CatalogueSource, catalogue: Path | None, *, settings_words: str) -> Sequence[tuple[str, str]]:
    """What the page was made of, without a clock and without paths of this machine."""
    from importlib.metadata import version

    from pipeline.report.times import Clock

    clock = Clock()
    starts = [event.start for event in source.events] + [span.start for span in source.coverage]
    ends = [event.end for event in source.events] + [span.end for span in source.coverage]
    period = f"{clock.day(min(starts))} to {clock.day(max(ends) - 1)}" if starts else "no event and no coverage"
    rows = [("period", period), ("made with", f"halfcycle {version('halfcycle')}"), ("settings", settings_words)]
    if catalogue is not None:
        digest = hashlib.sha256(catalogue.read_bytes()).hexdigest()
        rows += [("catalogue", catalogue.name), ("its SHA-256", digest)]
        rows.append(("to make it again", f"halfcycle report {catalogue.name} --out report.html {settings_words}"))
    else:
        rows.append(("to make it again", f"halfcycle report --config fleet.toml --out report.html {settings_words}"))
    rows.append(("rows", str(len(source.events))))
    return rows
