"""Charts of many events: magnitude against duration, days, hours, coverage. Each has a wide and a narrow form."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.indices.curves import Corner, Curve
from halfcycle.pipeline.locales import own_words
from halfcycle.pipeline.report.drawing import (
    GRID,
    INK,
    LIMIT,
    MUTED,
    Axes,
    cells_of,
    document,
    line_of,
    px,
    rect_of,
    text_of,
)
from halfcycle.pipeline.report.times import LocalTime

SAG: Final = "#0072B2"
SWELL: Final = "#C04F00"
INTERRUPTION: Final = "#1F2933"
JUDGED: Final = "#3E7CB1"
NOT_JUDGED: Final = "#C04F00"
SEVERITY: Final = ("#FFFFFF", "#D6E4F0", "#8FB8DA", "#3A75A8", "#12436D")
SEVERITY_WORDS: Final = ("no event", "inside the curve", "below the curve", "under half the voltage", "interruption")
_DURATIONS: Final = ((0.001, "1 ms"), (0.01, "10 ms"), (0.1, "0.1 s"), (1.0, "1 s"), (10.0, "10 s"), (100.0, "100 s"),
                     (1000.0, "17 min"), (10000.0, "2.8 h"))  # fmt: skip
MOST_COLUMNS: Final = 62  # of a calendar
_COLOURS: Final = {"sag": SAG, "swell": SWELL, "interruption": INTERRUPTION}
_NEAR_PX: Final = 2.0  # marks that lie nearer to one another are one
_MOST_TOLD: Final = 500  # marks that say under the pointer what they are


@dataclass(frozen=True, slots=True)
class Dot:
    """An event on the chart of magnitude against duration.

    Attributes
    ----------
    duration_s, magnitude_pu : where it lies.
    kind : ``sag``, ``swell`` or ``interruption``: its mark.
    is_open : drawn hollow, as it may have lasted longer.
    href : where it leads, or "".
    words : what it is.
    """

    duration_s: float
    magnitude_pu: float
    kind: str
    is_open: bool
    href: str
    words: str


def magnitude_duration_svg(dots: Sequence[Dot], curve: Curve, *, width: float, label: str) -> str:
    """Events by magnitude and duration, with a ride-through curve.

    Parameters
    ----------
    dots : events; those that would lie on one another are drawn once.
    curve : whose lower, and upper, side is drawn.
    width : of the drawing. [px]
    label : what it shows, in words.
    """
    longest = max([10.0, *(dot.duration_s for dot in dots)]) * 1.6
    highest = max([1.45 if curve.upper else 1.25, *(dot.magnitude_pu * 1.05 for dot in dots)])
    left, right = 50.0, 14.0
    tall = 0.5 * width if width > 600 else 0.95 * width
    axes = Axes(left, 26, width - left - right, tall, 0.002, longest, 0, highest, log_x=True, columns=1)
    x_ticks = [(value, own_words(words)) for value, words in _DURATIONS if axes.x0 <= value <= axes.x1]
    if width < 600:
        x_ticks = x_ticks[::2]
    y_ticks = [(k / 5, f"{20 * k}") for k in range(int(highest * 5) + 1)]
    lower = _outline(curve.lower, axes)
    below = [(axes.left, axes.y(0)), *lower, (lower[-1][0], axes.y(0))]
    parts = [_polygon(below, "#F6E9E4")]
    axes.frame(y_name="voltage [% of reference]", x_name="duration", x_ticks=x_ticks, y_ticks=y_ticks)
    parts += axes.parts
    parts.append(_stroke(lower))
    if curve.upper:
        parts.append(_stroke(_outline(curve.upper, axes)))
    parts.append(text_of(axes.left + axes.width - 8, axes.y(0.05), f"below: {curve.title}", size=11, anchor="end",
                         colour=LIMIT))  # fmt: skip
    marks: dict[tuple[str, bool, int, int], tuple[Dot, float, float]] = {}
    for dot in dots:
        x, y = axes.x(max(dot.duration_s, axes.x0)), axes.y(dot.magnitude_pu)
        marks.setdefault((dot.kind, dot.is_open, round(x / _NEAR_PX), round(y / _NEAR_PX)), (dot, x, y))
    told = [mark for mark in marks.values() if mark[0].href or len(marks) <= _MOST_TOLD]
    parts += _crowd([mark for mark in marks.values() if not mark[0].href and len(marks) > _MOST_TOLD])
    parts += [_mark(*mark) for mark in told]
    role = "group" if any(dot.href for dot in dots) else "img"
    return document(parts, width=width, height=axes.top + axes.height + 44, label=label, role=role)


def _crowd(marks: Sequence[tuple[Dot, float, float]]) -> list[str]:
    """Marks that are too many to say each what it is, those that look alike as one path."""
    shapes = {"swell": "l5.5 10h-11z", "interruption": "h9v9h-9z", "sag": "a4.5 4.5 0 1 0 .01 0z"}
    corners = {"swell": (0.0, -6.0), "interruption": (-4.5, -4.5), "sag": (0.0, -4.5)}
    paths: dict[tuple[str, bool], list[str]] = {}
    for dot, x, y in marks:
        dx, dy = corners[dot.kind]
        paths.setdefault((dot.kind, dot.is_open), []).append(f"M{px(x + dx)} {px(y + dy)}{shapes[dot.kind]}")
    drawn = []
    for (kind, is_open), steps in paths.items():
        colour = _COLOURS[kind]
        fill = "#FFFFFF" if is_open else colour
        drawn.append(f"<path d='{''.join(steps)}' fill='{fill}' stroke='{colour}' stroke-width='1.6'/>")
    return drawn


def _outline(corners: Sequence[Corner], axes: Axes) -> list[tuple[float, float]]:
    return [(axes.x(min(max(t, axes.x0), axes.x1)), axes.y(min(y, axes.y1))) for t, y in corners if t < math.inf] + [
        (axes.x(axes.x1), axes.y(corners[-1][1]))
    ]


def _stroke(points: Sequence[tuple[float, float]]) -> str:
    text = " ".join(f"{px(x)},{px(y)}" for x, y in points)
    return f"<polyline points='{text}' fill='none' stroke='{LIMIT}' stroke-width='2'/>"


def _polygon(points: Sequence[tuple[float, float]], fill: str) -> str:
    text = " ".join(f"{px(x)},{px(y)}" for x, y in points)
    return f"<polygon points='{text}' fill='{fill}'/>"


def _mark(dot: Dot, x: float, y: float) -> str:
    from xml.sax.saxutils import escape

    from halfcycle.pipeline.report.drawing import printable

    colour = _COLOURS[dot.kind]
    style = f"fill='#FFFFFF' stroke='{colour}' stroke-width='1.6'" if dot.is_open else f"fill='{colour}'"
    more = 0.0 if dot.is_open else 0.8  # as large as with its edge
    if dot.kind == "swell":
        low, half = px(y + 4 + more), 5.5 + 1.5 * more
        shape = f"<polygon points='{px(x)},{px(y - 6 - 2 * more)} {px(x + half)},{low} {px(x - half)},{low}' {style}>"
        end = "</polygon>"
    elif dot.kind == "interruption":
        half = 4.5 + more
        side = f"width='{2 * half:g}' height='{2 * half:g}'"
        shape, end = f"<rect x='{px(x - half)}' y='{px(y - half)}' {side} {style}>", "</rect>"
    else:
        shape, end = f"<circle cx='{px(x)}' cy='{px(y)}' r='{4.5 + more:g}' {style}>", "</circle>"
    title = f"<title>{escape(printable(dot.words))}</title>"
    if not dot.href:
        return f"{shape}{title}{end}"
    return f"<a href='{escape(dot.href, {chr(39): '%27'})}'>{title}{shape}{end}</a>"


def days_svg(
    days: Mapping[str, str], rows: Mapping[str, Mapping[str, tuple[int, int]]], *, width: float, label: str
) -> str:
    """A calendar: a row a site, a column a day, the worst of the day by shade and the count as a number.

    Parameters
    ----------
    days : ISO dates, or months or years, without gaps, each with its label; the last `MOST_COLUMNS` are drawn.
    rows : by site: (index into `SEVERITY`, events) of each day that has some.
    width : of the drawing. [px]
    label : what it shows, in words.
    """
    shown = list(days)[-MOST_COLUMNS:]
    left = 150.0 if width > 600 else 96.0
    step = min((width - left - 12) / max(len(shown), 1), 44.0)
    height, top, gap = 26.0, 34.0, 1.0 if step > 8 else 0.4
    parts: list[str] = []
    squares: list[list[tuple[float, float]]] = [[] for _ in SEVERITY]
    counts: list[str] = []
    every = max(1, math.ceil(46 / step))
    for k, day in enumerate(shown):
        if k % every == 0:
            parts.append(text_of(left + k * step + 2, top - 8, days[day], size=10, colour=MUTED))
    for r, (site, cells) in enumerate(rows.items()):
        y = top + r * height
        parts.append(text_of(left - 8, y + 17, _fitted(site, 20 if width > 600 else 13), size=11, anchor="end"))
        for k, day in enumerate(shown):
            severity, count = cells.get(day, (0, 0))
            squares[severity].append((left + k * step + gap, y + 1))
            if count and step >= 12:
                colour = "#FFFFFF" if severity >= 3 else INK
                counts.append(
                    text_of(left + (k + 0.5) * step, y + 17, str(count), size=11, anchor="middle", colour=colour)
                )
    parts += [
        cells_of(places, step - 2 * gap, height - 3, fill=fill, stroke=GRID)
        for places, fill in zip(squares, SEVERITY, strict=True)
    ]
    parts += counts
    return document(parts, width=width, height=top + len(rows) * height + 6, label=label)


def hours_svg(hours: Sequence[int], weekdays: Sequence[int], *, width: float, label: str) -> str:
    """Events by hour of the day and by day of the week.

    Parameters
    ----------
    hours, weekdays : 24 and 7 counts; weeks begin on Monday.
    width : of the drawing. [px]
    label : what it shows, in words.
    """
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    wide = width > 600
    first = Axes(40, 28, (width - 120) * 0.68 if wide else width - 54, 130, 0, 24, 0, max([1, *hours]) * 1.15,
                 columns=1)  # fmt: skip
    left, top = (first.left + first.width + 50, 28.0) if wide else (40.0, 228.0)
    second = Axes(left, top, width - left - 14, 130, 0, 7, 0, max([1, *weekdays]) * 1.15, columns=1)
    hour_ticks = [(h + 0.5, f"{h}") for h in range(0, 24, 3)]
    first.frame(y_name="events by hour of the day", x_name="hour", x_ticks=hour_ticks, y_ticks=_whole(first.y1))
    day_ticks = [(k + 0.5, name) for k, name in enumerate(names)]
    second.frame(y_name="by day of the week", x_name=" ", x_ticks=day_ticks, y_ticks=_whole(second.y1))
    for axes, counts in ((first, hours), (second, weekdays)):
        for k, n in enumerate(counts):
            if n:
                x, y = axes.x(k + 0.12), axes.y(n)
                axes.parts.append(rect_of(x, y, axes.x(k + 0.88) - x, axes.y(0) - y, fill=JUDGED))
    return document([*first.parts, *second.parts], width=width, height=second.top + 176, label=label)


def coverage_svg(spans: Sequence[CoverageSpan], *, width: float, label: str) -> str:
    """A bar a site over time: how much of each span was judged, could not be, or was not recorded.

    Parameters
    ----------
    spans : of any sites; points of one site are drawn over one another.
    width : of the drawing. [px]
    label : what it shows, in words.
    """
    by_site: dict[str, list[CoverageSpan]] = {}
    for span in spans:
        by_site.setdefault(span.site, []).append(span)
    sites = list(by_site)
    left = 150.0 if width > 600 else 96.0
    start, end = min(span.start for span in spans), max(span.end for span in spans)
    across, height, top, clock = width - left - 16, 26.0, 26.0, LocalTime()
    parts = [
        text_of(left, top - 8, f"{clock.exact(start, digits=-1)} UTC", size=10, colour=MUTED),
        text_of(left + across, top - 8, f"{clock.exact(end, digits=-1)} UTC", size=10, colour=MUTED, anchor="end"),
    ]
    for r, site in enumerate(sites):
        y, full = top + r * height, height - 6
        parts.append(text_of(left - 8, y + 15, _fitted(site, 20 if width > 600 else 13), size=11, anchor="end"))
        for first, stop, judged, failed in _alike(by_site[site]):
            x = left + (first - start) / (end - start) * across
            wide = max((stop - first) / (end - start) * across, 1.0)
            if judged:
                parts.append(rect_of(x, y + full - judged * full, wide, judged * full, fill=JUDGED))
            if failed:
                parts.append(rect_of(x, y, wide, failed * full, fill=NOT_JUDGED))
        parts.append(rect_of(left, y, across, full, stroke=MUTED))
        parts.append(line_of(left, y + full, left + across, y + full, MUTED))
    return document(parts, width=width, height=top + len(sites) * height + 6, label=label)


def _alike(spans: Sequence[CoverageSpan]) -> list[tuple[int, int, float, float]]:
    """Start, end, judged and failed share of spans; those that follow one another and look alike are one."""
    found: list[tuple[int, int, float, float]] = []
    for span in spans:
        length_s = (span.end - span.start) / 1e9 or 1.0
        judged, failed = (
            0.0 if part_s <= 0 else min(max(round(40 * part_s / length_s) / 40, 0.075), 1.0)
            for part_s in (span.judged_s, span.not_judged_s)
        )
        if found and found[-1][1:] == (span.start, judged, failed):
            found[-1] = (found[-1][0], span.end, judged, failed)
        else:
            found.append((span.start, span.end, judged, failed))
    return found


def _whole(highest: float) -> list[tuple[float, str]]:
    step = max(1, math.ceil(highest / 5))
    return [(float(n), str(n)) for n in range(0, int(highest) + 1, step)]


def _fitted(text: str, n: int) -> str:
    return text if len(text) <= n else text[: n - 1] + "…"
