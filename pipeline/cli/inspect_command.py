"""`halfcycle inspect`: what a capture file holds, and how the recorder seems to have been connected."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Diagram, HookupName, NominalVoltage, Strict, place
from halfcycle.pipeline.plain_text import counted, percent

if TYPE_CHECKING:
    from halfcycle.pipeline.inspection import ChannelView, Inspection, PointView
    from halfcycle.pipeline.report.summary import TextTable

_MOST_CAPTURES = 12
_EPILOG = "Example:  halfcycle inspect feeder.cfg --hookup four-wire --diagram feeder.svg"


@typer_app.command("inspect", epilog=_EPILOG)
def inspect_command(
    file: Annotated[
        Path,
        typer.Argument(help="A capture file, a trend, or a folder of captures.", parser=place, show_default=False),
    ],
    hookup: HookupName = None,
    nominal_voltage: NominalVoltage = None,
    diagram: Diagram = None,
    sites: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="FILE",
            help="For a file: TOML file of [[sites]] to apply. For a folder: file to write a draft of [[sites]] to.",
        ),
    ] = None,
    strict: Strict = False,
) -> int:
    """Describe a capture file or folder, and check the wiring."""
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.inspection import inspect
    from halfcycle.pipeline.sites.table import SiteTable
    from halfcycle.pipeline.survey.stored import is_trend

    _check(hookup, nominal_voltage, diagram)
    if file.is_dir():
        if diagram is not None:
            raise ConfigError("--diagram draws one file; give a file instead of a folder")
        return _inspect_folder(file, sites, hookup=hookup, nominal_voltage=nominal_voltage, strict=strict)
    if is_trend(file):
        return _inspect_trend(file)
    table = SiteTable.at(sites)
    found = inspect(file, hookup=hookup, nominal_voltage_v=nominal_voltage, strict=strict, sites=table)
    drawn = [] if diagram is None else _draw(found, diagram)  # before anything is printed: who reads along may hang up
    if not found.headers:
        _show_no_waveform(found)
    else:
        _show_file(found)
    for point in found.points:
        if point.frequency_hz is not None:
            _show_point(point)
    _show_unmeasured([point for point in found.points if point.frequency_hz is None])
    if found.headers and not found.points:
        show.line("no measuring point: no voltage that can be judged")
    if any(point.findings for point in found.points):
        _show_cautions()
    for path in drawn:
        show.line(f"diagram: {path}")
    return Exit.DONE


def _inspect_trend(file: Path) -> int:
    """What the numbers of a trend rest on."""
    from halfcycle.pipeline.cli.survey_words import show_certificate
    from halfcycle.pipeline.survey.stored import certificates_at

    show.line(f"file:       {file}")
    for certificate in certificates_at(file):
        show_certificate(certificate)
    return Exit.DONE


def _check(hookup: str | None, nominal_voltage: float | None, diagram: Path | None) -> None:
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.terms import HOOKUPS

    if hookup is not None and hookup not in HOOKUPS:
        raise ConfigError(f"--hookup {hookup!r}; allowed are {', '.join(HOOKUPS)}")
    if nominal_voltage is not None and not math.isfinite(nominal_voltage):
        raise ConfigError(f"--nominal-voltage {nominal_voltage}; it must be a finite number of volts")
    if diagram is not None and diagram.suffix.lower() not in (".svg", ".png"):
        raise ConfigError(f"--diagram {diagram.name}: the ending must be .svg or .png")


def _inspect_folder(
    folder: Path, out: Path | None, *, hookup: str | None, nominal_voltage: float | None, strict: bool
) -> int:
    """The recorders whose files lie in a folder; their sites as a table, where a file for it is named."""
    from halfcycle.pipeline.sites.account import Declared
    from halfcycle.pipeline.sites.drafted_table import drafted_tables
    from halfcycle.pipeline.sites.drafts import look_through
    from halfcycle.pipeline.store.atomic import write_text_atomically

    declared = Declared(nominal_voltage_v=nominal_voltage, hookup=hookup)
    with show.progress("looking through") as advance:
        found = look_through([folder], declared=declared, strict=strict, progress=advance)
    for one in found.recorders:
        files = counted(len(one.paths), "file")
        show.line(f"{one.account.site}: {files}; {one.account.line}")
        for finding in one.findings:
            show.line(f"  wiring: {finding}")
        if one.drafts:
            show.line("  the files do not state which channels are voltages; the table holds a draft")
    if found.without_waveform:
        show.line(f"{found.without_waveform} intact files hold no waveform")
    if found.others:
        show.line(f"{len(found.others)} other files passed over: documents, pictures, empty files and the like")
    for item in found.set_aside:
        show.warning(item.reason)
    if out is not None and found.recorders:
        write_text_atomically(out, drafted_tables(found.recorders))
        show.line(f"sites: {out}; check it, then pass it to screen, measure, inspect or export with --sites")
    if not found.recorders:
        show.warning("no recording found")
    return Exit.QUARANTINED if found.set_aside or not found.recorders else Exit.DONE


def _show_no_waveform(found: Inspection) -> None:
    show.line(f"file:     {found.path} ({found.format})")
    show.line("holds no waveform, so there is nothing to judge; it holds:")
    for note in found.notes:
        show.line(f"  - {note}")


def _show_file(found: Inspection) -> None:
    header = found.headers[found.shown]
    stations = list(dict.fromkeys(one.station for one in found.headers if one.station))
    show.line(f"file:     {found.path} ({found.format})")
    show.line(f"station:  {', '.join(stations) or 'not named in the file'}")
    if header.nominal_frequency_hz is not None:
        show.line(f"stated:   {header.nominal_frequency_hz:g} Hz")
    show.table(_captures_table(found))
    show.table(_channels_table(found))
    if found.notes:
        show.line("anomalies, assumptions and repairs:")
        for note in found.notes:
            show.line(f"  - {note}")
    else:
        show.line("no anomalies in the file")


def _captures_table(found: Inspection) -> TextTable:
    from halfcycle.pipeline.catalogue.tables import iso_utc
    from halfcycle.pipeline.locales import scaled
    from halfcycle.pipeline.report.summary import TextTable

    hertz = next((point.frequency_hz for point in found.points if point.frequency_hz), None)
    rows = []
    for i, header in enumerate(found.headers[:_MOST_CAPTURES]):
        cycle = hertz or header.nominal_frequency_hz
        trigger = "" if header.trigger_ns is None else f"{(header.trigger_ns - header.start_ns) / 1e9:+.4g} s"
        rows.append(
            (
                f"{i + 1}{' *' if i == found.shown and len(found.headers) > 1 else ''}",
                iso_utc(header.start_ns),
                _duration(header.duration_s),
                scaled(header.rate_hz, "Hz", digits=7),
                "" if cycle is None else f"{header.rate_hz / cycle:.4g}",
                str(header.n_samples),
                str(len(header.channels)),
                trigger,
            )
        )
    n = len(found.headers)
    title = counted(n, "capture")
    title += f", first {_MOST_CAPTURES} shown" if n > _MOST_CAPTURES else ""
    title += "; details below are of the one marked *" if n > 1 else ""
    heads = ("no.", "start (UTC)", "duration", "rate", "per cycle", "samples", "channels", "trigger at")
    kept = [k for k in range(len(heads)) if heads[k] != "trigger at" or any(row[k] for row in rows)]
    return TextTable(title, tuple(heads[k] for k in kept), tuple(tuple(row[k] for k in kept) for row in rows))


def _channels_table(found: Inspection) -> TextTable:
    from halfcycle.pipeline.report.summary import TextTable

    heads = ("channel", "measures", "phase", "point", "RMS", "minimum", "maximum", "range", "resolution", "missing")
    rows = [_channel_row(view) for view in found.channels]
    kept = [k for k in range(len(heads)) if k < 3 or any(row[k] for row in rows)]
    return TextTable(
        counted(len(rows), "channel"), tuple(heads[k] for k in kept), tuple(tuple(row[k] for k in kept) for row in rows)
    )


def _channel_row(view: ChannelView) -> tuple[str, ...]:
    from halfcycle.pipeline.locales import scaled

    channel = view.channel
    limits = view.range
    low, high, rms = (
        "" if value is None else scaled(value, channel.unit) for value in (view.lowest, view.highest, view.rms)
    )
    return (
        channel.name,
        channel.quantity,
        channel.phase or "?",
        channel.point,
        rms or "no sample",
        low,
        high,
        "" if limits is None else " … ".join(scaled(limit, channel.unit, digits=4) for limit in limits),
        "" if channel.scale == 1 and channel.offset == 0 else scaled(channel.scale, channel.unit, digits=4),
        str(view.n_missing) if view.n_missing else "",
    )


def _show_point(point: PointView) -> None:
    from halfcycle.pipeline.locales import scaled
    from halfcycle.pipeline.report.phasor_diagram import phasor_table

    name = "" if point.name is None else f" {point.name}"
    show.line()
    show.line(f"measuring point{name}: {point.hookup.name}, {point.hookup.meaning}")
    for note in point.notes:
        show.line(f"  - {note}")
    if point.nominal_v is not None and not any(note.startswith("nominal ") for note in point.notes):
        show.line(f"nominal:   {scaled(point.nominal_v, 'V')}")
    show.line(f"frequency: {point.frequency_hz:.3f} Hz")
    show.line(f"fundamental phasors, median over {_duration(point.looked_s)} of steady state:")
    show.table(phasor_table(point.phasors, title="", nominal_v=point.nominal_v))
    if point.power is not None:
        active, reactive = scaled(point.power.real, "W", digits=4), scaled(point.power.imag, "var", digits=4)
        show.line(f"fundamental power: {active}, {reactive} (positive: to the load, lagging)")
    if not any(phasor.quantity == "current" for phasor in point.phasors):
        show.line("no currents belong to this measuring point, so the clamps cannot be checked")
    if not point.findings:
        show.line("wiring: no sign of an error")
    for finding in point.findings:
        show.line(f"wiring: {finding.what} (confidence {percent(finding.sure)})")
        show.line(f"    evidence: {finding.evidence}")
        show.line(f"    action:   {finding.check}")
        if finding.doubt:
            show.line(f"    but:      {finding.doubt}")


def _show_unmeasured(points: list[PointView]) -> None:
    """Points that were not measured, together where the reason is the same."""
    reasons: dict[str, list[str]] = {}
    for point in points:
        reasons.setdefault("; ".join(point.notes), []).append(point.name or point.hookup.name)
    for reason, names in reasons.items():
        show.line()
        show.line(f"measuring point{'s' * (len(names) > 1)} {', '.join(names)}: {reason}")


def _show_cautions() -> None:
    from halfcycle.pipeline.sites.wiring_words import CAUTIONS

    show.line()
    show.line("caution:")
    for caution in CAUTIONS:
        show.line(f"  - {caution}")


def _draw(found: Inspection, path: Path) -> list[Path]:
    """One drawing a measuring point, numbered where there are several."""
    from halfcycle.pipeline.report.event_words import time_words
    from halfcycle.pipeline.report.phasor_diagram import phasor_svg

    drawn = [point for point in found.points if point.phasors]
    paths = []
    for i, point in enumerate(drawn):
        target = path if len(drawn) == 1 else path.with_name(f"{path.stem}-{i + 1}{path.suffix}")
        station = found.headers[found.shown].station or found.path.stem
        title = station if point.name is None else f"{station}, {point.name}"
        notes = [f"{finding.what} (confidence {percent(finding.sure)})" for finding in point.findings]
        svg = phasor_svg(
            point.phasors, hookup=point.hookup, title=title, found=point.findings,
            source=f"{found.path.name}, {time_words(found.headers[found.shown].start_ns)}",
            notes=notes or ["no sign of a wiring error"],
        )  # fmt: skip
        show.draw(svg, target)
        paths.append(target)
    if not drawn:
        show.warning("no diagram: no measuring point with measurable phasors")
    return paths


def _duration(seconds: float) -> str:
    if seconds < 1:
        return f"{1000 * seconds:.4g} ms"
    return f"{seconds:.4g} s" if seconds < 7200 else f"{seconds / 3600:.4g} h"
