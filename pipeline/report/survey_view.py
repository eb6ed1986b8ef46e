"""A survey in a report: the trends of a point against the limits, and the verdicts, as figures, rows and sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.locales import number, own_words, scaled, short_day, short_time
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.report.drawing import LIMIT, Axes, document, line_of, phase_colour, phase_dash, text_of
from halfcycle.pipeline.report.figures import NARROW, WIDE, Figure
from halfcycle.pipeline.report.summary import TextTable
from halfcycle.pipeline.report.times import LocalTime
from halfcycle.pipeline.survey.compliance import (
    Assessment,
    DrawnBound,
    overall,
    series_among,
    told_voltage,
    worst_of_each,
)

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]

_USUAL: Final = ("u_rms", "f", "thd_u", "u2", "pst", "plt", "i_rms", "p_total")
_SAID: Final = 2  # findings in a sentence
_SERIES: Final = 3  # its column among the rows of limits
_HOURS_NS: Final = 3_600_000_000_000
_TICK_HOURS: Final = (1, 2, 3, 6, 12, 24, 48, 168, 336, 720, 2160, 8760)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedPoint:
    """What a survey says of one point.

    Attributes
    ----------
    site, point : where; point "" where the site has one.
    columns : of its trends, by length of their intervals. [s]
    read : gives the named columns of the trend in some intervals, None where there is none, and what could not be read;
        called where a page draws them, so that a fleet's need not be held at once.
    profile : title of the limits that it was judged by; "" where by none.
    assessments : of each limit, series and period.
    bounds : of the limits, in the units of the trends.
    note : what the reader must know of the verdicts; "".
    disagreements : what the recorder's own values show that its waveforms do not, in words.
    """

    site: str
    point: str
    columns: Mapping[float, Sequence[str]]
    read: Callable[[float, Sequence[str]], tuple[pa.Table | None, Sequence[str]]]
    profile: str = ""
    assessments: Sequence[Assessment] = ()
    bounds: Sequence[DrawnBound] = ()
    note: str = ""
    disagreements: Sequence[str] = ()

    @property
    def name(self) -> str:
        """Site and point."""
        return f"{self.site}, {self.point}" if self.point else self.site


def trend_figures(surveyed: Sequence[SurveyedPoint], clock: LocalTime) -> tuple[list[Figure], list[str]]:
    """The trends of the quantities that have a bound, and of the usual ones; one figure for each quantity and point.

    Parameters
    ----------
    surveyed : the points.
    clock : how times are written.

    Returns
    -------
    The figures, and what the reader must know of them.
    """
    figures, notes = [], []
    for k, one in enumerate(surveyed):
        chosen = _chosen(one)
        trends = {}
        for interval_s in sorted({interval_s for interval_s, _ in chosen.values()}):
            wanted = [name for at_s, names in chosen.values() if at_s == interval_s for name in names]
            trends[interval_s], unread = one.read(interval_s, wanted)
            notes += [f"{one.name}: {what}" for what in unread]
        for symbol, (interval_s, names) in chosen.items():
            anchor = f"trend-{k}-{symbol.replace('_', '-')}"
            figure = _figure(one, trends[interval_s], symbol, names, interval_s, clock, anchor=anchor)
            if figure is not None:
                figures.append(figure)
    return figures, notes


def compliance_overview(surveyed: Sequence[SurveyedPoint]) -> TextTable | None:
    """A row for each point that was judged; None where none was. surveyed: the points."""
    rows = []
    for one in surveyed:
        if one.assessments:
            whole = overall(one.assessments)
            names = list(dict.fromkeys(name for name, _, _ in whole.exceeded))
            rows.append(
                (one.name, one.profile, whole.verdict, _some(names), str(whole.n_judged), str(len(whole.not_judged)))
            )
        elif one.note:
            rows.append((one.name, one.profile, "cannot tell", one.note, "", ""))
    heads = ("site", "limits", "verdict", "exceeded", "judged", "could not be judged")
    return TextTable("verdicts by site", heads, tuple(rows)) if rows else None


def compliance_tables(surveyed: Sequence[SurveyedPoint]) -> list[TextTable]:
    """Of each point a row for each limit and series: clause, bounds, value, coverage, verdict of its worst period.

    Parameters
    ----------
    surveyed : the points.
    """
    heads = ("limit", "clause or source", "bounds", "series", "worst period", "value", "within", "coverage", "verdict")
    tables = []
    for one in surveyed:
        worst = [pair for pair in worst_of_each(one.assessments) if pair[0].series]
        rows = [_row(found, verdict) for found, verdict in worst if not _is_one_of_many(found)]
        orders: dict[str, list[Assessment]] = {}
        for found, verdict in worst:
            if _is_one_of_many(found):
                orders.setdefault(verdict, []).append(found)
        rows += [
            (_some([a.name for a in alike]), alike[0].source, "", _some([a.series for a in alike]), "", "–", "–",
             _coverage(alike[0]), verdict)
            for verdict, alike in orders.items()
        ]  # fmt: skip
        without: dict[str, list[Assessment]] = {}
        for assessment in one.assessments:
            if not assessment.series:
                without.setdefault(assessment.reason, []).append(assessment)
        rows += [
            (_some([a.name for a in alike]), "", "", "", "", "–", "–", "none", f"cannot tell: {reason}")
            for reason, alike in without.items()
        ]
        if rows:
            title = f"{one.name}: {one.profile}; {told_voltage(one.assessments)}"
            tables.append(TextTable(title, heads, tuple(_together(rows))))
    return tables


def _together(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Rows of which those that differ in nothing but the series are one."""
    series: dict[tuple[str, ...], list[str]] = {}
    for row in rows:
        series.setdefault((*row[:_SERIES], *row[_SERIES + 1 :]), []).append(row[_SERIES])
    return [(*rest[:_SERIES], "; ".join(dict.fromkeys(names)), *rest[_SERIES:]) for rest, names in series.items()]


def _row(found: Assessment, verdict: str) -> tuple[str, ...]:
    return (
        found.name,
        found.source + (" (from memory)" if found.mark == "memory" else ""),
        own_words(found.bounds),
        found.series or found.quantity,
        found.period,
        "–" if np.isnan(found.percentile) else number(found.percentile, ".4g"),
        f"{_share(found.share_pct)} of {number(found.needed_pct, 'g')} % needed",
        _coverage(found),
        verdict,
    )


def _is_one_of_many(found: Assessment) -> bool:
    """Whether it is of a single order of harmonics and says nothing: those that say the same share a row."""
    return found.verdict == "cannot tell" and found.quantity[:2] in ("uh", "ih")


def _coverage(found: Assessment) -> str:
    return f"{found.n} of {found.n_expected} intervals, {found.n_flagged} flagged"


def _share(share_pct: float) -> str:
    return "–" if np.isnan(share_pct) else f"{number(share_pct, '.1f')} %"


def _some(names: Sequence[str]) -> str:
    """Names, those that are many by their first and how many more."""
    names = list(dict.fromkeys(names))
    return "; ".join(names) if len(names) <= 3 else f"{names[0]}; {names[1]} and {len(names) - 2} more"


def verdict_sentences(surveyed: Sequence[SurveyedPoint]) -> list[str]:
    """Whether the limits are met, a sentence a point that was judged. surveyed: the points."""
    said = []
    for one in surveyed:
        if not one.assessments:
            text = f"{one.point}: {one.note}" if one.point else one.note
            said += [f"{text[:1].upper()}{text[1:]}."] if text else []
            continue
        whole = overall(one.assessments)
        at = f"At {one.point} " if one.point else ""
        if whole.verdict == "exceeded":
            names = [name for name, _, _ in whole.exceeded]
            text = f"{at}the limits of {one.profile} are exceeded: {_some(names)}"
        elif whole.verdict == "met":
            text = f"{at}the limits of {one.profile} that could be judged are met"
        else:
            text = f"{at}whether the limits of {one.profile} are met is undetermined"
        rest = f"; {len(whole.not_judged)} of {len(one.assessments)} could not be judged" if whole.not_judged else ""
        memory = "; some bounds are from memory only" if whole.from_memory else ""
        said.append(text[:1].upper() + text[1:] + rest + memory + ".")
    return said


def disagreement_sentences(surveyed: Sequence[SurveyedPoint]) -> list[str]:
    """Where a recorder's own values disagree with its waveforms, a sentence a point. surveyed: the points."""
    said = []
    for one in (point for point in surveyed if point.disagreements):
        what = (
            f"At {one.point} the recorder's own values disagree" if one.point else "The recorder's own values disagree"
        )
        n_more = len(one.disagreements) - _SAID
        more = f"; and {n_more} more" if n_more > 0 else ""
        said.append(f"{what} with its waveforms: {'; '.join(one.disagreements[:_SAID])}{more}.")
    return said


def disagreement_table(surveyed: Sequence[SurveyedPoint]) -> TextTable | None:
    """A row for each finding; None where recorders and waveforms agree. surveyed: the points."""
    rows = tuple((one.name, text) for one in surveyed for text in one.disagreements)
    return TextTable("recorded values against waveforms", ("site", "finding"), rows) if rows else None


def _chosen(one: SurveyedPoint) -> dict[str, tuple[float, list[str]]]:
    """The quantities to draw, with interval and columns: those with a bound but single orders, then the usual ones."""
    bounded: dict[str, list[float]] = {}
    for bound in one.bounds:
        if bound.quantity[:2] not in ("uh", "ih"):
            bounded.setdefault(bound.quantity, []).append(bound.interval_s)
    found = {}
    for symbol in dict.fromkeys([*bounded, *_USUAL]):
        having = {s: names for s, columns in sorted(one.columns.items()) if (names := series_among(columns, symbol))}
        if having:
            best_s = next((s for s in bounded.get(symbol, ()) if s in having), min(having))
            found[symbol] = best_s, having[best_s]
    return found


def _figure(
    one: SurveyedPoint,
    table: pa.Table | None,
    symbol: str,
    names: Sequence[str],
    interval_s: float,
    clock: LocalTime,
    *,
    anchor: str,
) -> Figure | None:
    if table is None or table.num_rows < 2:
        return None
    held = [name for name in names if name in table.column_names]
    series = {name: np.asarray(table[name].to_numpy(zero_copy_only=False), np.float64) for name in held}
    series = {name: values for name, values in series.items() if np.isfinite(values).any()}
    if not series:
        return None
    quantity = QUANTITIES[symbol]
    bounds = [b for b in one.bounds if b.quantity == symbol and b.interval_s == interval_s]
    low = min(float(np.nanmin(values)) for values in series.values())
    high = max(float(np.nanmax(values)) for values in series.values())
    beyond = sum(int(np.any([b.is_beyond(values) for b in bounds], axis=0).sum()) for values in series.values())
    n = sum(int(np.isfinite(values).sum()) for values in series.values())
    title = f"{one.name}: {quantity.meaning}"
    said = (
        f"{title}, in intervals of {number(interval_s, 'g')} s: from {scaled(low, quantity.unit, digits=4)} to "
        f"{scaled(high, quantity.unit, digits=4)}"
    )
    if bounds:
        limits = ", ".join(dict.fromkeys(own_words(b.words) for b in bounds))
        said += f"; {beyond} of {n} values beyond a bound ({limits}); a limit may allow a share of them"
    starts = table["start"].cast("int64").to_numpy().astype(np.float64)
    rows = tuple(
        (
            name,
            *(number(float(f(values)), ".5g") for f in (np.nanmin, np.nanmean, np.nanmax)),
            str(int(np.isfinite(values).sum())),
        )
        for name, values in series.items()
    )
    unit = f" [{quantity.unit}]" if quantity.unit else ""
    table_of = TextTable(f"{title}{unit}", ("series", "lowest", "mean", "highest", "intervals"), rows)
    wide, narrow = (
        _svg(series, starts, bounds, symbol + unit, said + ".", clock, width=width) for width in (WIDE, NARROW)
    )
    return Figure(anchor, title, said + ".", wide, narrow, table_of)


def _svg(
    series: Mapping[str, F64],
    starts: F64,
    bounds: Sequence[DrawnBound],
    name: str,
    label: str,
    clock: LocalTime,
    *,
    width: float,
) -> str:
    values = np.concatenate([row[np.isfinite(row)] for row in series.values()] + [[b.value for b in bounds]])
    low, high = float(values.min()), float(values.max())
    room = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
    axes = Axes(62, 26, width - 130, 170, starts[0], starts[-1], low - room, high + room, columns=int(width / 3))
    axes.frame(y_name=name, x_name=f"time ({clock.zone})", x_ticks=_ticks(starts, clock, n=8 if width > 600 else 4))
    for bound in bounds:
        y = axes.y(bound.value)
        axes.parts.append(line_of(axes.left, y, axes.left + axes.width, y, LIMIT, width=1.5, dash="6 4"))
    for k, (column, row) in enumerate(series.items()):
        phase = column.rpartition("_")[2].upper()
        phase = phase if phase in ("A", "B", "C", "N", "AB", "BC", "CA") else ""
        axes.curve(starts, row, phase_colour(phase), width=1.4, dash=phase_dash(phase))
        at = axes.top + 12 + 17 * k
        x = axes.left + axes.width + 6
        axes.parts.append(line_of(x, at - 4, x + 14, at - 4, phase_colour(phase), width=2, dash=phase_dash(phase)))
        axes.parts.append(text_of(x + 18, at, phase or "all", size=11, weight="bold", colour=phase_colour(phase)))
    return document(axes.parts, width=width, height=axes.top + axes.height + 44, label=label)


def _ticks(starts: F64, clock: LocalTime, *, n: int) -> list[tuple[float, str]]:
    """Round times of the clock's day, at most so many."""
    span_h = (starts[-1] - starts[0]) / _HOURS_NS
    if span_h < n:
        ends = (starts[0], starts[-1])
        return [(at, clock.exact(int(at), digits=0)) for at in ends]
    step = next((hours for hours in _TICK_HOURS if span_h / hours <= n), _TICK_HOURS[-1])
    if step >= 24:
        first, last = (clock.at(int(at)).date() for at in (starts[0], starts[-1]))
        days = [first + timedelta(days=k) for k in range((last - first).days + 1)]
        marks = [(float(clock.midnight_ns(day)), short_day(day)) for day in days if day.toordinal() * 24 % step == 0]
        return [(at, words) for at, words in marks if starts[0] <= at <= starts[-1]]
    hours = range(int(-(-starts[0] // _HOURS_NS)), int(starts[-1] // _HOURS_NS) + 1)
    moments = [(float(hour * _HOURS_NS), clock.at(hour * _HOURS_NS)) for hour in hours]
    return [(at, short_time(m) if m.hour else short_day(m)) for at, m in moments if m.hour % step == 0]
