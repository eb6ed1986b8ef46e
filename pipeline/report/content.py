"""What a report holds, worked out from the catalogue and the waveforms; how it looks is the page's part."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.counted import VARIATIONS, WINDOW_S
from halfcycle.pipeline.indices.curves import Curve
from halfcycle.pipeline.indices.table import IndexRow, index_rows
from halfcycle.pipeline.locales import PLAIN, Manner, own_words, scaled, written_in
from halfcycle.pipeline.report.answer import Sentence, SiteAnswer, lead, site_answer
from halfcycle.pipeline.report.event_view import EventView, event_view
from halfcycle.pipeline.report.event_words import duration_words, magnitude_words, what_words
from halfcycle.pipeline.report.figures import Figure, coverage_figure, scatter_figure, timeline_figures
from halfcycle.pipeline.report.incident_matrix import incident_figures
from halfcycle.pipeline.report.index_words import (
    cells_table,
    contour_table,
    curve_table,
    months_table,
    sarfi_table,
    severity_table,
)
from halfcycle.pipeline.report.material import Material
from halfcycle.pipeline.report.phasor_pair import MOMENTS
from halfcycle.pipeline.report.summary import TextTable, worst_events
from halfcycle.pipeline.report.survey_view import (
    SurveyedPoint,
    compliance_overview,
    compliance_tables,
    disagreement_table,
    trend_figures,
)
from halfcycle.pipeline.report.times import LocalTime
from halfcycle.pipeline.report.wiring_view import WiringView, wiring_view

_TWINS = 40
_WIRED = 24  # points whose wiring is drawn
_REFERENCES = {"pre-event": "before the event", "sliding": "before the event, sliding"}


@dataclass(frozen=True, slots=True)
class ReportSettings:
    """What a report is to show.

    Attributes
    ----------
    title : of the page; "" for one made of the sites.
    curve : of ride-through.
    worst : events to show with their waveforms.
    most_samples : of one event that are in the file.
    most_shown : events with their waveforms on all pages of a fleet's folder together; each site has its share.
    window_s, rate_days, judged_days : as for `indices.table.index_rows`.
    most_rows : of a table of events.
    manner : how numbers, dates and times are written.
    """

    curve: Curve
    title: str = ""
    worst: int = 12
    most_samples: int = 4_000_000
    most_shown: int = 800
    window_s: float = WINDOW_S
    rate_days: float = 30.0
    judged_days: float | None = None
    most_rows: int = 2000
    manner: Manner = PLAIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """All that a page says."""

    title: str
    lead: tuple[Sentence, ...]
    answers: tuple[SiteAnswer, ...]
    measured: TextTable
    coverage: Figure | None
    wiring: tuple[WiringView, ...]
    scatter: Figure | None
    indices: tuple[TextTable, ...]
    rules: tuple[str, ...]
    timeline: tuple[Figure, ...]
    events: tuple[EventView, ...]
    all_events: TextTable
    anchors: tuple[str, ...]
    left_out: str
    trends: tuple[Figure, ...]
    trend_notes: tuple[str, ...]
    compliance: tuple[TextTable, ...]
    disagreements: TextTable | None
    limits: TextTable | None
    method: tuple[str, ...]
    provenance: TextTable
    clock: LocalTime = field(default_factory=LocalTime)
    manner: Manner = PLAIN


def build_content(
    material: Material,
    *,
    settings: ReportSettings,
    pages: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Content:
    """Work out a report.

    Parameters
    ----------
    material : what it is made of.
    settings : what is to be shown.
    pages : by site, the file of a page of its own; None where all is on this one.
    progress : called with how many events are drawn, and how many there are to draw.
    """
    with written_in(settings.manner):
        return _built(material, settings, pages, progress)


def _built(
    material: Material,
    settings: ReportSettings,
    pages: Mapping[str, str] | None,
    progress: Callable[[int, int], None] | None,
) -> Content:
    events, coverage, sites = material.events, material.coverage, material.sites
    clock = _clock(sites, material.zones)
    alone = material.by_site()
    shown = _shown(events, settings.worst)
    views = []
    for k, event in enumerate(shown):
        if progress is not None:
            progress(k, len(shown))
        views.append(
            event_view(
                event,
                material.slices,
                clock=_clock([event.site], material.zones),
                most_samples=settings.most_samples,
                twin=k < _TWINS,
            )
        )
    ids = {view.event.event_id for view in views}
    rows = index_rows(
        events,
        sites=sites,
        coverage=coverage,
        period_ns=material.period_ns,
        judged_days=settings.judged_days,
        rate_days=settings.rate_days,
        window_s=settings.window_s,
    )
    listed = sorted(events, key=lambda event: (event.start, event.site))[-settings.most_rows :]
    trends, trend_notes = ([], []) if pages else trend_figures(material.surveyed, clock)
    return Content(
        title=settings.title or _title(sites),
        lead=tuple(
            lead(events, sites, curve=settings.curve, clock=clock, coverage=coverage, surveyed=material.surveyed)
        ),
        answers=tuple(
            site_answer(
                alone[site].events, site, curve=settings.curve, coverage=alone[site].coverage,
                surveyed=alone[site].surveyed,
                clock=_clock([site], material.zones), anchor=f"site-{k}", shown=ids, page=(pages or {}).get(site, ""),
            )
            for k, site in enumerate(sites)
        ),
        measured=_measured(alone),
        coverage=coverage_figure(coverage),
        wiring=_wiring(views),
        scatter=scatter_figure(events, settings.curve, ids, most_rows=settings.most_rows),
        indices=_index_tables(rows),
        rules=tuple(dict.fromkeys(f"{row.basis}: {row.rule}" for row in rows if row.index == "SARFI-X")),
        timeline=(
            *timeline_figures(events, settings.curve, clock, most_rows=settings.most_rows),
            *incident_figures(events, clock),
        ),
        events=tuple(views),
        all_events=_all_events(listed, clock),
        anchors=tuple(f"#event-{event.event_id}" if event.event_id in ids else "" for event in listed),
        left_out="" if len(listed) == len(events) else f"The last {len(listed)} of {len(events)} rows are listed.",
        trends=tuple(trends),
        trend_notes=tuple(trend_notes),
        compliance=_compliance(material.surveyed, brief=pages is not None),
        disagreements=disagreement_table(material.surveyed),
        limits=_limits(events, clock),
        method=_method(settings, rows),
        provenance=TextTable("sources of this report", ("what", "value"), tuple(material.provenance)),
        clock=clock,
        manner=settings.manner,
    )  # fmt: skip


def drawings(content: Content) -> dict[str, str]:
    """Every chart of a page for wide screens, as SVG documents by names that do as names of files."""
    figures = [content.coverage, content.scatter, *content.timeline, *content.trends]
    figures += [view.spectrum for view in content.events]
    drawn = {figure.anchor: figure.wide for figure in figures if figure is not None}
    for view in content.events:
        drawn |= {f"event-{view.event.event_id}": view.picture} if view.picture else {}
        moments = zip(MOMENTS, view.phasors, strict=False)
        drawn |= {f"event-{view.event.event_id}-phasors-{moment}": svg for moment, svg in moments}
    return drawn | {f"wiring-{k}": wiring.drawing for k, wiring in enumerate(content.wiring, start=1)}


def _title(sites: Sequence[str]) -> str:
    if len(sites) == 1:
        return f"Voltage events at {sites[0]}"
    return f"Voltage events at {len(sites)} sites" if sites else "Voltage events"


def _clock(sites: Sequence[str], zones: Mapping[str, str]) -> LocalTime:
    """One zone where all sites share it, else UTC."""
    known = {zones.get(site, "UTC") for site in sites}
    return LocalTime(known.pop()) if len(known) == 1 else LocalTime()


def _shown(events: Sequence[Event], most: int) -> list[Event]:
    """The worst events: RMS variations by voltage missing times time, then the largest of the other kinds."""
    ranked = worst_events(events, most=len(events))
    others = [event for event in events if event.kind not in VARIATIONS]
    others.sort(key=lambda event: (-abs(event.magnitude), event.start, event.event_id))
    by_kind: dict[str, list[Event]] = {}
    for event in others:
        by_kind.setdefault(event.kind, []).append(event)
    mixed = [
        e
        for rank in range(max(map(len, by_kind.values()), default=0))
        for k in by_kind
        for e in by_kind[k][rank : rank + 1]
    ]
    n_others = min(len(mixed), max(most // 3, most - len(ranked)))
    return [*ranked[: most - n_others], *mixed[:n_others]]


def _measured(alone: Mapping[str, Material]) -> TextTable:
    rows = []
    for site, material in alone.items():
        mine = material.events
        variations = [event for event in mine if event.kind in VARIATIONS]
        volts = sorted({(scaled(event.reference_v, "V"), event.reference_kind) for event in variations})
        how = sorted({"line to line" if event.line_to_line else "phase to neutral" for event in variations})
        points = sorted({event.point for event in mine if event.point})
        rows.append(
            (
                site,
                "; ".join(f"{v} ({_REFERENCES.get(kind, kind)})" for v, kind in volts[:3])
                + (" …" if len(volts) > 3 else ""),
                ", ".join(how),
                str(len(points) or 1),
                str(len(mine)),
                str(len({event.incident_id for event in mine})),
            )
        )
    heads = ("site", "100 % is", "voltages", "measuring points", "rows", "incidents")
    return TextTable("sites, and their 100 % voltage", heads, tuple(rows))


def _wiring(views: Sequence[EventView]) -> tuple[WiringView, ...]:
    """The wiring of each point, by the earliest of its events that are shown."""
    found: dict[str, WiringView] = {}
    for view in sorted(views, key=lambda view: view.event.start):
        event = view.event
        name = event.site if event.point is None else f"{event.site}, {event.point}"
        if view.measured is None or name in found or len(found) == _WIRED:
            continue
        nominal_v = event.reference_v if event.reference_kind == "nominal" else None
        wiring = wiring_view(
            name, view.measured, hookup=view.hookup, start_ns=event.start, nominal_v=nominal_v
        )  # fmt: skip
        if wiring is not None:
            found[name] = wiring
    return tuple(found[name] for name in sorted(found))


def _index_tables(rows: Sequence[IndexRow]) -> tuple[TextTable, ...]:
    if not rows:
        return ()
    return (
        *(sarfi_table(rows, basis=basis) for basis in ("per phase", "polyphase", "time-aggregated")),
        curve_table(rows),
        cells_table(rows, title="EN 50160 dips"),
        cells_table(rows, title="EN 50160 swells"),
        contour_table(rows),
        months_table(rows),
        severity_table(rows),
    )


def _all_events(events: Sequence[Event], clock: LocalTime) -> TextTable:
    rows = tuple(
        (
            event.site + (f", {event.point}" if event.point else ""),
            clock.exact(event.start),
            what_words(event),
            magnitude_words(event),
            duration_words(event),
            event.phases + (" line to line" if event.line_to_line else ""),
            event.cause or "",
            event.direction or "",
        )
        for event in events
    )
    heads = ("site", f"start ({clock.zone})", "what", "magnitude", "duration", "phases", "likely cause", "side")
    return TextTable("all rows", heads, rows)


def _limits(events: Sequence[Event], clock: LocalTime) -> TextTable | None:
    rows = tuple(
        (event.site, clock.exact(event.start), event.category or "limit", event.notes, magnitude_words(event),
         duration_words(event), "exceeded")
        for event in events
        if event.kind == "limit"
    )  # fmt: skip
    heads = ("site", f"start ({clock.zone})", "limit", "clause and value", "reached", "for", "verdict")
    return TextTable("limits", heads, rows) if rows else None


def _compliance(surveyed: Sequence[SurveyedPoint], *, brief: bool) -> tuple[TextTable, ...]:
    """Verdicts: an overview of the points where there are several, and each limit where the page has room for it."""
    overview = compliance_overview(surveyed) if brief or len(surveyed) > 1 else None
    return (*(() if overview is None else (overview,)), *(() if brief else compliance_tables(surveyed)))


def _method(settings: ReportSettings, rows: Sequence[IndexRow]) -> tuple[str, ...]:
    withheld = dict.fromkeys(f"{row.site}: {row.withheld}" for row in rows if row.index == "SARFI-X" and row.withheld)
    reasons = list(dict.fromkeys(text.partition(": ")[2] for text in withheld))
    said = [
        "Urms(1/2) is the RMS voltage over one cycle, refreshed each half cycle (IEC 61000-4-30). A sag is below 90 "
        "% of the reference, a swell above 110 %, an interruption below 10 %, unless the catalogue was made with "
        "other thresholds. IEC standards call a sag a dip.",
        "Start and end are the starts of the one-cycle windows that first crossed the threshold and first returned, "
        "so both may differ by up to one cycle from those of the voltage itself.",
        f"Events lie inside the {settings.curve.title} where they are on its line. Its corners: "
        + "; ".join(settings.curve.sources)
        + ".",
        "SARFI-X counts events of at most 60 s below X % (above X % for X over 100). EN 50160 tables count by "
        "residual voltage "
        "and duration; a value on an edge counts in the cell of the longer duration and of the higher voltage.",
        own_words(
            "Events near the edge of a cell belong to two: a cell's number in brackets is the sum of the probabilities "
            "that events lie in it, given where it differs from the count. Standard uncertainties are taken to be "
            "0.2 % of the reference for the voltage and 0.2 cycles for the duration."
        ),
        "Rates are counts over judged time; intervals are exact 95 % intervals of a Poisson mean. Sags come in "
        "clusters: where "
        "the dispersion is above 1 they are too narrow.",
        "Causes, sides and types are inferred from the waveform; the percentage of a cause is how often such "
        "answers are right on simulated networks, and is no proof. Side: the arrows of the current clamps point "
        "downstream.",
        "Waveforms hold every sample of the span shown; where a picture has fewer columns than samples, each column "
        "shows "
        "its lowest and its highest sample, so no spike is lost.",
    ]
    if reasons:
        said.append("Rates are withheld: " + "; ".join(reasons) + ".")
    return tuple(said)
