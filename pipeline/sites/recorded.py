"""What recorders wrote themselves, as it concerns a site: in primary values, and the level that it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, Header
from halfcycle.pipeline.detectors.rms_logs import RmsLog
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers.intervals import IntervalRecords, IntervalSeries
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.evidence import DEAD, PointEvidence, RecordEvidence
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.store.partitions import day_of
from halfcycle.pipeline.terms import HIGH_LEG_RATIO, HOOKUPS, LINE_PHASES, LINE_TO_LINE_PHASES

F64 = npt.NDArray[np.float64]

ASSUMED_HZ: Final = 50.0
"""Nominal frequency of a log where nothing tells it: of the cycles by which events are named and rows told apart."""
_USUAL_HZ: Final = (50.0, 60.0)
_NEAR: Final = 0.01  # of a half or whole cycle: a row that long tells the frequency
_MOST: Final = 0.99  # of the rows: what a channel lies below for so long it never shows


def header_of(records: IntervalRecords) -> Header:
    """What a table of sites looks at, of interval records instead of a capture."""
    start_ns = int(records.starts_ns[0])
    return Header(records.station, start_ns, 1 / records.step_s, records.starts_ns.size, (), "float32")


def in_primary(records: IntervalRecords, site: Site | None) -> IntervalRecords:
    """Interval records times the transformer ratios of a site's table, for the day of their start."""
    site = None if site is None else site.on(day_of(int(records.starts_ns[0])))
    if site is None or (site.voltage_ratio == 1.0 and site.current_ratio == 1.0):
        return records
    factors = {
        "V": site.voltage_ratio, "A": site.current_ratio,
        **dict.fromkeys(("W", "var", "VA", "Wh"), site.voltage_ratio * site.current_ratio),
    }  # fmt: skip
    series = (replace(one, values=one.values * factors.get(QUANTITIES[one.symbol].unit, 1.0)) for one in records.series)
    return replace(records, series=tuple(series))


def declared_of(records: IntervalRecords, site: str, sites: SiteTable, otherwise: Declared) -> Declared:
    """What a person says of a site: in its table, for all, or beside the file."""
    said = sites.declared(site, otherwise)
    return said if said.nominal_voltage_v is not None else replace(said, nominal_voltage_v=records.nominal_v)


def judged_voltages(records: IntervalRecords, *, hookup: str | None) -> tuple[tuple[str, ...], RmsLog] | None:
    """The voltages of a recorder's rows that are judged, as a log; None where it has none.

    Parameters
    ----------
    records : of one point.
    hookup : declared; one between lines takes voltages between lines, else those to neutral go before.

    Returns
    -------
    (phases, log). A channel that never shows voltage beside others that do is left out.
    """
    by_column = {one.column: one for one in records.series if one.symbol == "u_rms"}
    phases = list(dict.fromkeys(one.phase for one in by_column.values()))
    neutral, lines = ([phase for phase in phases if phase in kind] for kind in (LINE_PHASES, LINE_TO_LINE_PHASES))
    between = hookup is not None and HOOKUPS[hookup].line_to_line
    chosen = (lines or neutral) if between else (neutral or lines)
    if not chosen:
        return None
    rows = [[_series(by_column, phase, ending) for phase in chosen] for ending in ("_min", "_max")]
    least, largest = (np.array(one, np.float64) for one in rows)
    top = np.array([np.quantile(row[np.isfinite(row)], _MOST) if np.isfinite(row).any() else 0.0 for row in largest])
    live = np.flatnonzero(top > DEAD * top.max()) if top.max() > 0 else np.arange(len(chosen))
    has_extremes = any(f"u_rms_{phase.lower()}_min" in by_column for phase in chosen)
    log = RmsLog(records.starts_ns, records.step_ns, least[live], largest[live], has_extremes)
    return tuple(chosen[k] for k in live), log


def _series(by_column: dict[str, IntervalSeries], phase: str, ending: str) -> F64:
    """An extreme of a phase's voltage, where there is none its average, else the other extreme."""
    column = f"u_rms_{phase.lower()}"
    order = [f"{column}{ending}", column, f"{column}_max", f"{column}_min"]
    first, *others = (by_column[name].values for name in order if name in by_column)
    for other in others:
        first = np.where(np.isfinite(first), first, other)
    return first


def nominal_of(phases: Sequence[str], nominal_v: float, *, hookup: str | None) -> F64:
    """Nominal voltage of each judged voltage, shape (n_channels, 1): that of a declared high leg is higher. [V]"""
    high = () if hookup is None else HOOKUPS[hookup].high_legs
    return np.array([[nominal_v * (HIGH_LEG_RATIO if phase in high else 1.0)] for phase in phases])


def frequency_of_log(records: IntervalRecords) -> float | None:
    """The nominal frequency by the measured one, or by rows of a half or whole cycle; None: not told. [Hz]"""
    measured = [one.values[np.isfinite(one.values)] for one in records.series if one.symbol == "f"]
    for hertz in _USUAL_HZ:
        if any(values.size and abs(float(np.median(values)) - hertz) < hertz / 20 for values in measured):
            return hertz
        if any(abs(records.step_s * hertz / cycles - 1) < _NEAR for cycles in (0.5, 1.0)):
            return hertz
    return None


def evidence_of_log(records: IntervalRecords, phases: Sequence[str], log: RmsLog) -> RecordEvidence:
    """What a log shows of its site: the level at which its voltages lie, and the frequency."""
    middle = np.nanmedian(log.least + log.largest, axis=1) / 2
    channels = tuple(Channel(f"U {phase}", "voltage", phase, "V") for phase in phases)
    point = PointEvidence(
        records.point, tuple(phases), phases[0] in LINE_TO_LINE_PHASES, 1.0, (True,) * len(phases),
        (True,) * len(phases), float(np.sqrt(np.mean(middle**2))),
    )  # fmt: skip
    header = replace(header_of(records), channels=channels)
    return RecordEvidence(header, frequency_of_log(records), (point,))
