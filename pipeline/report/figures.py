"""The charts of a report that show many events at once, each with a sentence and a table that say the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.counted import VARIATIONS, polyphase
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.indices.curves import Curve
from halfcycle.pipeline.locales import short_day, table_day
from halfcycle.pipeline.report.charts import (
    MOST_COLUMNS,
    SEVERITY_WORDS,
    Dot,
    coverage_svg,
    days_svg,
    hours_svg,
    magnitude_duration_svg,
)
from halfcycle.pipeline.report.event_words import duration_words, magnitude_words, seconds_words
from halfcycle.pipeline.report.summary import TextTable
from halfcycle.pipeline.report.times import LocalTime

WIDE, NARROW = 900.0, 380.0
_MOST_SITES = 60
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart: its anchor, what it shows in a sentence, its drawing for wide and for narrow pages, its table."""

    anchor: str
    title: str
    sentence: str
    wide: str
    narrow: str
    table: TextTable | None = None


def coverage_figure(spans: Sequence[CoverageSpan]) -> Figure | None:
    """The time judged of each site as bars; None where nothing is known of it. spans: of any sites."""
    if not spans:
        return None
    sites = list(dict.fromkeys(span.site for span in spans))[:_MOST_SITES]
    kept = [span for span in spans if span.site in sites]
    rows = []
    for site in sites:
        mine = [span for span in kept if span.site == site]
        judged, failed = sum(s.judged_s for s in mine), sum(s.not_judged_s for s in mine)
        missing = sum(s.missing_s for s in mine)
        reasons = "; ".join(dict.fromkeys(s.reason for s in mine if s.reason))
        rows.append((site, seconds_words(judged), seconds_words(failed), seconds_words(missing), reasons))
    said = (
        f"Judged and not judged time of {len(sites)} sites: in all {seconds_words(sum(s.judged_s for s in kept))} "
        f"judged, "
        f"{seconds_words(sum(s.not_judged_s for s in kept))} that could not be judged, "
        f"{seconds_words(sum(s.missing_s for s in kept))} without a recording."
    )
    heads = ("site", "judged", "could not be judged", "not recorded", "why not")
    table = TextTable("coverage by site", heads, tuple(rows))
    wide, narrow = (coverage_svg(kept, width=width, label=said) for width in (WIDE, NARROW))
    return Figure("coverage-chart", "Time judged", said, wide, narrow, table)


def scatter_figure(events: Sequence[Event], curve: Curve, ids: set[str], *, most_rows: int) -> Figure | None:
    """Magnitude against duration; None where there is no sag or swell.

    Parameters
    ----------
    events : rows of the catalogue.
    curve : of ride-through.
    ids : of the events that the page shows, to which marks lead.
    most_rows : of its table.
    """
    counted = polyphase(events)
    if not counted:
        return None
    by_id = {event.event_id: event for event in events}
    dots = []
    for one in counted:
        row = by_id[one.event_ids[0]]
        href = next((f"#event-{event_id}" for event_id in one.event_ids if event_id in ids), "")
        kind = "swell" if one.variation == "swell" else "interruption" if one.magnitude_pu < 0.1 else "sag"
        words = f"{row.site}: {magnitude_words(row)} for {duration_words(row)}"
        dots.append(Dot(one.duration_s, one.magnitude_pu, kind, one.is_open, href, words))
    regions = [curve.region(dot.magnitude_pu, dot.duration_s) for dot in dots]
    said = (
        f"{len(dots)} sags, swells and interruptions, phases together: {regions.count('below')} below the "
        f"{curve.title}, "
        f"{regions.count('inside')} within it, {regions.count('above')} above it."
    )
    rows = tuple(
        (dot.words, {"below": "below", "inside": "within", "above": "above"}[region])
        for dot, region in sorted(zip(dots, regions, strict=True), key=lambda pair: pair[0].magnitude_pu)[:most_rows]
    )
    of_all = f", the {most_rows} lowest of {len(dots)}" if len(dots) > most_rows else ""
    table = TextTable(f"events against the {curve.title}{of_all}", ("event", "where"), rows)
    wide, narrow = (magnitude_duration_svg(dots, curve, width=width, label=said) for width in (WIDE, NARROW))
    return Figure("magnitude-duration-chart", "Magnitude against duration", said, wide, narrow, table)


def timeline_figures(events: Sequence[Event], curve: Curve, clock: LocalTime, *, most_rows: int) -> list[Figure]:
    """A calendar of days by site, and histograms of hours and weekdays.

    Parameters
    ----------
    events : rows of the catalogue.
    curve : by which the worst of a day is told.
    clock : whose days and hours they are.
    most_rows : of a table.
    """
    if not events:
        return []
    unit, name_of = _unit_of(events, clock)
    cells: dict[str, dict[str, tuple[int, int]]] = {}
    hours, weekdays = [0] * 24, [0] * 7
    for event in events:
        moment = clock.at(event.start)
        hours[moment.hour] += 1
        weekdays[moment.weekday()] += 1
        day = name_of(moment.date())
        worst, n = cells.setdefault(event.site, {}).get(day, (0, 0))
        cells[event.site][day] = (max(worst, _severity(event, curve)), n + 1)
    first, last = (clock.at(pick(event.start for event in events)).date() for pick in (min, max))
    span = (first + timedelta(days=k) for k in range((last - first).days + 1))
    days = list(dict.fromkeys(name_of(day) for day in span))
    chosen = dict(sorted(cells.items(), key=lambda item: (-sum(n for _, n in item[1].values()), item[0]))[:_MOST_SITES])
    n_days = len({day for of_site in cells.values() for day in of_site})
    said = f"Rows of the catalogue by {unit} ({clock.zone}): {len(events)} in {n_days} of {len(days)} {unit}s."
    if len(cells) > len(chosen):
        said += f" The chart shows the {len(chosen)} sites with the most."
    listed = [(worst, n, site, day) for site in sorted(cells) for day, (worst, n) in sorted(cells[site].items())]
    of_all = ""
    if len(listed) > most_rows:
        of_all = f", the {most_rows} worst of {len(listed)}"
        listed = sorted(listed, key=lambda row: (-row[0], -row[1], row[2:]))[:most_rows]
    rows = tuple(
        (site, table_day(date.fromisoformat(day)) if len(day) == 10 else day, str(n), SEVERITY_WORDS[worst])
        for worst, n, site, day in listed
    )
    table = TextTable(f"rows by site and {unit}{of_all}", ("site", unit, "rows", "worst"), rows)
    labels = {day: short_day(date.fromisoformat(day)) if len(day) == 10 else day for day in days}
    wide, narrow = (days_svg(labels, chosen, width=width, label=said) for width in (WIDE, NARROW))
    calendar = Figure("days-chart", f"{unit.capitalize()}s", said, wide, narrow, table)
    busiest = max(range(24), key=lambda hour: (hours[hour], -hour))
    which = "The only row begins" if len(events) == 1 else f"Most rows, {hours[busiest]} of {len(events)}, begin"
    said = f"{which} between {busiest}:00 and {busiest + 1}:00 ({clock.zone})."
    when = [(f"{hour}:00", str(n)) for hour, n in enumerate(hours) if n]
    when += [(_WEEKDAYS[k], str(n)) for k, n in enumerate(weekdays) if n]
    table = TextTable("rows by hour and by day of the week", ("when", "rows"), tuple(when))
    wide, narrow = (hours_svg(hours, weekdays, width=width, label=said) for width in (WIDE, NARROW))
    return [calendar, Figure("hours-chart", "Hours and days of the week", said, wide, narrow, table)]


def _unit_of(events: Sequence[Event], clock: LocalTime) -> tuple[str, Callable[[date], str]]:
    """The shortest unit of the calendar of which the chart can show all, and what it calls the one of a date."""
    first, last = (clock.at(pick(event.start for event in events)).date() for pick in (min, max))
    n_days = (last - first).days + 1
    if n_days <= MOST_COLUMNS:
        return "day", date.isoformat
    if n_days <= 7 * MOST_COLUMNS - 7:
        return "week", lambda day: (day - timedelta(days=day.weekday())).isoformat()
    if n_days <= 30 * MOST_COLUMNS - 30:
        return "month", lambda day: f"{day:%Y-%m}"
    return "year", lambda day: f"{day:%Y}"


def _severity(event: Event, curve: Curve) -> int:
    """An index into `charts.SEVERITY`."""
    if event.kind not in VARIATIONS or event.magnitude_unit != "pu":
        return 1
    if event.magnitude < 0.1:
        return 4
    if event.magnitude < 0.5:
        return 3
    return 1 if curve.region(event.magnitude, event.observed_s) == "inside" else 2
