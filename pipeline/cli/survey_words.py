"""Verdicts and certificates of a survey as the commands print them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfcycle.pipeline.cli import show

if TYPE_CHECKING:
    from halfcycle.pipeline.survey.compliance import Assessment
    from halfcycle.pipeline.trend_table import Certificate


def show_assessments(title: str, found: Sequence[Assessment]) -> None:
    """The verdicts of a point as a table, of each limit and series its worst period, and what all come to together."""
    from halfcycle.pipeline.report.summary import TextTable
    from halfcycle.pipeline.survey.compliance import overall, told_voltage, worst_of_each

    rows = []
    without: dict[str, list[str]] = {}  # names of limits of which nothing was counted, by reason
    for one, verdict in worst_of_each(found):
        if one.verdict == "cannot tell" and math.isnan(one.share_pct):
            without.setdefault(one.reason, []).append(one.name)
            continue
        rows.append(
            (
                one.name, one.series or one.quantity, one.period, verdict, one.bounds, _percent(one.share_pct),
                f"{one.needed_pct:g} %", _number(one.percentile), f"{one.n} of {one.n_expected}", str(one.n_flagged),
                str(one.n_missing), one.mark,
            )
        )  # fmt: skip
    heads = (
        "limit", "series", "period", "verdict", "bounds", "within", "needed", "percentile", "measured", "flagged",
        "missing", "bound is",
    )  # fmt: skip
    title = f"{title}; {told_voltage(found)}"
    if rows:
        show.table(TextTable(title, heads, tuple(rows)))
    else:
        show.line()
        show.line(title)
    for reason, names in without.items():
        some = list(dict.fromkeys(names))
        some = some if len(some) <= 4 else [f"{some[0]} … {some[-1]} ({len(some)} limits)"]
        show.line(f"cannot tell, {reason}: {'; '.join(some)}")
    whole = overall(found)
    memory = "; based on bounds from memory" if whole.from_memory else ""
    show.line(f"all judged limits together, {told_voltage(found)}: {whole.verdict}{memory}")
    if whole.not_judged:
        show.line(f"{whole.n_judged} limits judged, {len(whole.not_judged)} not judged")


def show_certificate(one: Certificate) -> None:
    """What a trend rests on, in lines, and its quantities as a table."""
    from halfcycle.pipeline.report.summary import TextTable

    show.line()
    show.line(f"site:       {one.site}{f', point {one.point}' if one.point else ''}")
    show.line(f"trend:      intervals of {one.interval_s:g} s, {one.origin}, halfcycle {one.version}")
    for name, text in _statements(one):
        show.line(f"{name + ':':<11} {text}")
    rows = [
        (
            quantity.symbol, quantity.unit, _columns(quantity.columns), quantity.orders or quantity.lamp,
            quantity.reason or quantity.accuracy_class or "none claimed", quantity.uncertainty,
        )
        for quantity in one.quantities
    ]  # fmt: skip
    heads = ("quantity", "unit", "columns", "covers", "class", "uncertainty of the computation")
    show.table(TextTable("quantities", heads, tuple(rows)))


def _statements(one: Certificate) -> list[tuple[str, str]]:
    """(name, text) of what is known."""
    from halfcycle.pipeline.locales import scaled

    volts, hertz = one.nominal_voltage_v, one.nominal_frequency_hz
    told = f" ({one.nominal_told})" if one.nominal_told else ""
    thresholds = one.thresholds or {}
    lines = [
        ("Udin", "unknown" if volts is None else f"{scaled(volts, 'V')}, {one.nominal_kind}{told}"),
        ("frequency", "unknown" if hertz is None else f"{hertz:g} Hz, {one.frequency_kind}"),
        ("hookup", f"{one.hookup}: {', '.join(one.phases)}" if one.hookup else ", ".join(one.phases)),
        ("voltages", f"those of {one.voltages_of}, in whose trend they are" if one.voltages_of else ""),
        ("currents", ", ".join(one.current_phases)),
        ("sampling", f"{one.rate_hz} Hz" if one.rate_hz else ""),
        ("demand", "" if one.demand_current_a is None else f"{one.demand_current_a:g} A"),
        ("flags", ", ".join(f"{name.removesuffix('_pu')} {value:g} pu" for name, value in thresholds.items())),
        ("limits", one.profile),
        ("clock", one.clock),
        ("ratios", one.ratios),
        ("budget", one.budget),
        ("sources", f"{one.n_sources}: {'; '.join(one.sources[:3])}{' …' if len(one.sources) > 3 else ''}"),
    ]
    return [(name, text) for name, text in lines if text]


def _columns(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 4 else f"{names[0]} … {names[-1]} ({len(names)})"


def _percent(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f} %"


def _number(value: float) -> str:
    if math.isnan(value):
        return "–"
    return f"{value:.0f}" if abs(value) >= 1e5 else f"{value:.5g}"
