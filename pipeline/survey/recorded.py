"""Trends that a recorder made itself, as trends with certificates: beside what is measured from waveforms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from halfcycle.pipeline.detectors.rms_logs import RmsLog, find_in_log
from halfcycle.pipeline.detectors.rms_variations import is_lasting
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.readers.intervals import IntervalRecords, IntervalSeries
from halfcycle.pipeline.readers.intervals.records import F64, Mask
from halfcycle.pipeline.resources import code_version
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.recorded import (
    ASSUMED_HZ,
    declared_of,
    frequency_of_log,
    header_of,
    in_primary,
    judged_voltages,
    nominal_of,
)
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.certificate import certified_quantities, listed_sources, sources_of
from halfcycle.pipeline.survey.coarser import coarser
from halfcycle.pipeline.survey.event_flags import Passed
from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.stored import StoredTrend
from halfcycle.pipeline.trend_table import Certificate

if TYPE_CHECKING:
    import pyarrow as pa

BUDGET: Final = "values, definitions and uncertainty are those of the recorder; nothing is claimed here"
_USUAL_S: Final = 600.0
_ROUNDING: Final = 1e-4
CLOCK: Final = "time stamps of the recorder; clock synchronisation unknown"


def recorded_trends(
    path: Path,
    *,
    sites: SiteTable,
    declared: Declared,
    thresholds: Thresholds,
    interval_s: float,
    strict: bool = False,
) -> list[StoredTrend]:
    """The interval records in a file as trends; none where it holds samples.

    Parameters
    ----------
    path : of the file.
    sites, declared : what a person says of single sites and of all; transformer ratios stand there.
    thresholds : by which a least or largest value shows a sag, swell or interruption that flags its interval.
    interval_s : logs of RMS become a trend in these intervals; interval records stay as they are. [s]
    strict : refuse files in which something would have to be put right.

    Raises
    ------
    ReadError : the file cannot be read.
    """
    found = []
    for one in intervals_in(path, strict=strict):
        header = header_of(one)
        site, name = sites.site(header, path), sites.name_of(header, path)
        found.append(
            recorded_trend(
                one, name=name, site=site, said=declared_of(one, name, sites, declared), thresholds=thresholds,
                interval_s=interval_s, sources=sources_of([path]),
            )
        )  # fmt: skip
    return found


def recorded_trend(
    records: IntervalRecords, *, name: str, site: Site | None, said: Declared, thresholds: Thresholds,
    interval_s: float, sources: Sequence[tuple[str, str]],
) -> StoredTrend:  # fmt: skip
    """What a recorder computed of one point as a trend with its certificate.

    Parameters
    ----------
    records : as the file had them.
    name, site, said : of the site; its table, and what a person says of it.
    thresholds, interval_s : see `recorded_trends`.
    sources : name and digest of each file.
    """
    volts, kind = said.nominal_voltage_v, "declared"
    records = in_primary(records, site)
    series = records.series
    table, passed = _table(records, volts, thresholds, said.hookup)
    phases = tuple(dict.fromkeys(one.phase for one in series if one.symbol == "u_rms"))
    currents = tuple(dict.fromkeys(one.phase for one in series if one.symbol == "i_rms"))
    hookup = said.hookup or ""
    trend = Trend(table, volts, kind if volts is not None else None, hookup, phases, currents, (), passed)
    step_s = records.step_s
    if records.is_rms_log:
        for to_s in (interval_s, _USUAL_S):
            made = coarser(trend, from_s=_exact(step_s, to_s), to_s=to_s)
            if made is not None:
                trend, step_s = made, to_s
                break
    certificate = Certificate(
        name, records.point, "recorded by the instrument", step_s, nominal_voltage_v=volts,
        nominal_kind=kind if volts is not None else "unknown", nominal_told="" if volts is None else "by a person",
        nominal_frequency_hz=said.nominal_frequency_hz, hookup=hookup, phases=phases, current_phases=currents,
        thresholds={name: getattr(thresholds, name) for name in ("sag_pu", "swell_pu", "interruption_pu")},
        version=code_version(), clock="; ".join([CLOCK, *records.notes]), ratios=_ratios(site), budget=BUDGET,
        sources=listed_sources(sources), n_sources=len(sources),
        left_out=tuple(f"{label}: {reason}" for label, reason in records.left_out),
        quantities=certified_quantities(trend.table, computed=False),
    )  # fmt: skip
    return StoredTrend(trend, certificate)


def _exact(step_s: float, to_s: float) -> float:
    """The step of rows that are a whole share of an interval but for the rounding of stamps, such as 8.333 ms."""
    whole = to_s / max(round(to_s / step_s), 1)
    return whole if abs(whole / step_s - 1) < _ROUNDING else step_s


def _ratios(site: Site | None) -> str:
    if site is None or (site.voltage_ratio == 1.0 and site.current_ratio == 1.0):
        return "as applied by the recorder"
    return f"values in the file times {site.voltage_ratio:g} (voltages) and {site.current_ratio:g} (currents)"


def _table(
    records: IntervalRecords, volts: float | None, thresholds: Thresholds, hookup: str | None
) -> tuple[pa.Table, tuple[Passed, ...] | None]:
    """The columns of a trend, and the events in a log; None where the rows show none."""
    import pyarrow as pa

    known = np.any([np.isfinite(one.values) for one in records.series], axis=0)
    flagged, interrupted, passed = _flags(records, volts, thresholds, hookup)
    columns = {
        "start": pa.array(records.starts_ns, pa.timestamp("ns", tz="UTC")),
        "measured": known.astype(np.float32),
        "flag": records.flagged | flagged,
        "interrupted": interrupted,
    }
    return pa.table(columns | {one.column: one.values.astype(_kind(one)) for one in records.series}), passed


def _kind(one: IntervalSeries) -> type[np.floating]:
    return np.float64 if one.symbol.startswith("energy") else np.float32


def _flags(
    records: IntervalRecords, volts: float | None, thresholds: Thresholds, hookup: str | None
) -> tuple[Mask, Mask, tuple[Passed, ...] | None]:
    """Intervals in which a sag, swell or interruption was, those in which it was an interruption, and the events."""
    if volts is None:
        return np.zeros(records.starts_ns.size, np.bool_), np.zeros(records.starts_ns.size, np.bool_), None
    log = judged_voltages(records, hookup=hookup) if records.shows_events else None
    if log is None:
        by_column = {one.column: one for one in records.series}
        return (*_by_extremes(by_column, volts, thresholds, records.starts_ns.size), None)
    nominal_v = nominal_of(log[0], volts, hookup=hookup)
    return _by_events(log[1], nominal_v, thresholds, frequency_of_log(records) or ASSUMED_HZ)


def _by_events(
    log: RmsLog, nominal_v: F64, thresholds: Thresholds, frequency_hz: float
) -> tuple[Mask, Mask, tuple[Passed, ...]]:
    """Rows of a log that its events touch; as of waveforms, under- and overvoltages flag nothing. And the events."""
    limits = {one: getattr(thresholds, one) for one in ("sag_pu", "swell_pu", "interruption_pu", "hysteresis_pu")}
    flagged = np.zeros(log.starts_ns.size, np.bool_)
    interrupted = flagged.copy()
    passed = []
    for one in find_in_log(log, reference_v=nominal_v, thresholds=limits, frequency_hz=frequency_hz):
        rows = slice(min(part.i_start for part in one.channels), max(part.i_stop for part in one.channels))
        flagged[rows] |= not is_lasting(one, seconds=(one.stop - one.start) / 1e9)
        interrupted[rows] |= one.kind == "interruption"
        start_ns, seconds = int(log.starts_ns[0]) + round(one.start), (one.stop - one.start) / 1e9
        passed.append(Passed(one.kind, start_ns, seconds, one.magnitude_pu, one.open_start or one.open_stop))
    return flagged, interrupted, tuple(passed)


def _by_extremes(
    series: Mapping[str, IntervalSeries], volts: float, thresholds: Thresholds, n: int
) -> tuple[Mask, Mask]:
    """Intervals whose least or largest voltage shows what passed, and those in which it was interrupted.

    An average beyond a threshold is an under- or overvoltage and flags nothing, as in `measure.measure_record`. An
    interruption is one of all phases: IEC 61000-4-30 Ed. 3, 5.5 [memory]. Departs: the least values of the phases need
    not be of one time, so an interruption is seen where they are all below its threshold.
    """
    flagged, low = np.zeros(n, np.bool_), []
    for column, one in series.items():
        if one.symbol != "u_rms" or one.statistic != "average":
            continue
        average = one.values / volts
        least, largest = (_of(series, f"{column}_{end}", average, volts) for end in ("min", "max"))
        passing_low = (least < thresholds.sag_pu) & (average >= thresholds.sag_pu)
        flagged |= passing_low | ((largest > thresholds.swell_pu) & (average <= thresholds.swell_pu))
        low.append(least < thresholds.interruption_pu)
    interrupted = np.all(low, axis=0) if low else np.zeros(n, np.bool_)
    return flagged | interrupted, interrupted


def _of(series: Mapping[str, IntervalSeries], column: str, otherwise: F64, volts: float) -> F64:
    one = series.get(column)
    return otherwise if one is None else np.where(np.isfinite(one.values), one.values / volts, otherwise)
