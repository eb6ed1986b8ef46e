"""The interval values and RMS profiles of a PQDIF file, as interval records.

Source: IEEE 1159.3: value logs and phasors as series of least, largest and average values (tagValueTypeID) of a
characteristic (tagQuantityCharacteristicID), phase and unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers.budget import check_time
from halfcycle.pipeline.readers.intervals.description import IntervalDescription, described_intervals
from halfcycle.pipeline.readers.intervals.names import ColumnMeaning, Unclear
from halfcycle.pipeline.readers.intervals.records import (
    F64,
    I64,
    IntervalRecords,
    IntervalSeries,
    Statistic,
    step_of,
    without_twins,
)
from halfcycle.pipeline.readers.intervals.times import BadTimes, utc_of
from halfcycle.pipeline.readers.pqdif import tags
from halfcycle.pipeline.readers.pqdif.bodies import PqdifRecord
from halfcycle.pipeline.readers.pqdif.channels import kind_of, time_series, zone_note
from halfcycle.pipeline.readers.pqdif.logical import (
    ChannelDefinition,
    DataSource,
    Observation,
    SeriesDefinition,
    data_source,
    observation,
    outline,
    values_of,
)
from halfcycle.pipeline.readers.pqdif.observed import definition_at
from halfcycle.pipeline.readers.pqdif.physical import TIMESTAMP, are_times, nanoseconds
from halfcycle.pipeline.readers.pqdif.records import RecordFile, record_file
from halfcycle.pipeline.readers.pqdif.timing import timing_of
from halfcycle.pipeline.terms import phase_of

_LOGS: Final = (tags.VALUE_LOG, tags.PHASOR)
_STATISTICS: Final[dict[bytes, Statistic]] = {
    tags.VALUE_TYPE_MIN: "least", tags.VALUE_TYPE_MAX: "largest", tags.VALUE_TYPE_AVG: "average",
    tags.VALUE_TYPE_VAL: "average",
}  # fmt: skip
_V, _A = tags.MEASURED_VOLTAGE, tags.MEASURED_CURRENT
_SYMBOLS: Final = {
    # characteristic and unit: symbol of a voltage, of a current, or of either where one of them is None
    (tags.RMS, tags.UNIT_VOLTS): "u_rms", (tags.RMS, tags.UNIT_AMPS): "i_rms",
    (tags.FREQUENCY, tags.UNIT_HZ): "f",
    (tags.ACTIVE_POWER, tags.UNIT_W): "p",
    (tags.REACTIVE_POWER, tags.UNIT_VAR): "q1", (tags.FUNDAMENTAL_REACTIVE_POWER, tags.UNIT_VAR): "q1",
    (tags.APPARENT_POWER, tags.UNIT_VA): "s",
    (tags.POWER_FACTOR, tags.UNIT_NONE): "pf", (tags.DISPLACEMENT_FACTOR, tags.UNIT_NONE): "dpf",
    (tags.FLICKER_PST, tags.UNIT_NONE): "pst", (tags.FLICKER_PLT, tags.UNIT_NONE): "plt",
    (tags.NEGATIVE_OVER_POSITIVE, tags.UNIT_PERCENT): "u2",
}  # fmt: skip
_BY_MEASURED: Final = {
    (tags.TOTAL_THD, tags.UNIT_PERCENT): {_V: "thd_u", _A: "thd_i"},
    (tags.TOTAL_THD_RMS, tags.UNIT_PERCENT): {_V: "thd_r_u", _A: "thd_r_i"},
    (tags.CREST_FACTOR, tags.UNIT_NONE): {_V: "crest_u", _A: "crest_i"},
}  # fmt: skip
_OF_ALL: Final = {"p": "p_total", "q1": "q1_total"}
_NOT_TOLD: Final = (
    "the file does not state whether time stamps are of the start or end of intervals; taken as the start (set "
    "stamps in a description to change this)"
)


@dataclass(slots=True)
class _Column:
    """Values of one series of a definition, over all observations."""

    label: str
    told: ColumnMeaning | None  # None: not 0 where an interval is flagged
    point: str
    times_ns: list[I64] = field(default_factory=list)
    values: list[F64] = field(default_factory=list)

    @property
    def factor(self) -> float:
        """To the unit of the quantity."""
        return 1.0 if self.told is None else self.told.factor


def pqdif_intervals(path: Path) -> tuple[IntervalRecords, ...]:
    """The interval values in a file, by point and length of the interval; none where it holds none that are known.

    Raises
    ------
    ReadError : it is damaged, or values are there that cannot be brought onto intervals.
    """
    said = described_intervals(path) or IntervalDescription()
    found: list[IntervalRecords] = []
    with record_file(path) as file:
        for source, records in _by_source(file):
            found += _of_source(file, source, records, said)
    points = {(one.station, one.point) for one in found}
    alone = {station for station, _ in points if sum(other == station for other, _ in points) == 1}
    return tuple(replace(one, point="") if one.station in alone else one for one in found)


def _by_source(file: RecordFile) -> Iterator[tuple[DataSource, list[PqdifRecord]]]:
    """The data sources that define interval values, each with its observations."""
    source: DataSource | None = None
    of_source: list[PqdifRecord] = []
    for record in file.records:
        if record.tag == tags.DATA_SOURCE.guid:
            if source is not None:
                yield source, of_source
            body = file.body(record)
            of_source, source = [], data_source(body)
            source = source if any(one.quantity_type in _LOGS for one in source.channels) else None
        elif record.tag == tags.OBSERVATION.guid:
            of_source.append(record)
    if source is not None:
        yield source, of_source


def _of_source(
    file: RecordFile, source: DataSource, records: Sequence[PqdifRecord], said: IntervalDescription
) -> list[IntervalRecords]:
    columns: dict[tuple[int, int], _Column] = {}
    left_out: dict[str, str] = {}
    checked: dict[str, None] = {}
    for record in records:
        check_time(record.place)
        body = file.body(record)
        wanted = outline(body).channels
        logs = [definition_at(source, i, record, file.path).quantity_type in _LOGS for i in wanted]
        if any(logs):
            checked |= {note: None} if (note := file.check(body)) is not None else {}
            _take(file.path, source, observation(body), said, columns, left_out)
    notes = (*file.notes, *checked) if columns else ()
    return _records(file.path, source, list(columns.values()), left_out, said, notes)


def _take(
    path: Path, source: DataSource, observed: Observation, said: IntervalDescription,
    columns: dict[tuple[int, int], _Column], left_out: dict[str, str],
) -> None:  # fmt: skip
    """Add the values of an observation to those of its columns."""
    for i, instance in enumerate(observed.channels):
        definition = source.channels[instance.definition]
        i_times = time_series(definition)
        if definition.quantity_type not in _LOGS or i_times is None:
            continue
        times: I64 | None = None
        for k, series in enumerate(definition.series[: len(instance.series)]):
            if k == i_times:
                continue
            label = _label(definition, instance.definition, series)
            try:
                column = columns.get((instance.definition, k)) or _column(definition, series, label, said)
            except Unclear as error:
                left_out[label] = str(error)
                continue
            values = values_of(observed, i, k, path=path)
            if values.stored.dtype.kind not in "iuf" or series.method & tags.METHOD_INCREMENT:
                left_out[label] = "its values are not stored as plain numbers"
                continue
            values.stored.use()
            numbers = values.stored.array().astype(np.float64) * values.scale + values.offset
            if times is None:
                times = _instants(path, definition.series[i_times], observed, i, i_times, numbers.size)
            if numbers.size != times.size:
                raise MalformedRecord(path, values.stored.place, f"{numbers.size} values, but {times.size} times")
            column.times_ns.append(times)
            column.values.append(np.where(np.isfinite(numbers), numbers, np.nan) * column.factor)
            columns[instance.definition, k] = column


def _label(definition: ChannelDefinition, index: int, series: SeriesDefinition) -> str:
    ending = {"least": "least", "largest": "largest"}.get(_STATISTICS.get(series.value_type or b"", ""), "")
    return f"{definition.name or f'channel {index + 1}'} {ending}".rstrip()


def _column(
    definition: ChannelDefinition, series: SeriesDefinition, label: str, said: IntervalDescription
) -> _Column:  # fmt: skip
    """What a series is.

    Raises
    ------
    Unclear : its definition does not say, or says something else than a quantity of a survey.
    """
    if series.characteristic in tags.FLAGGING:
        return _Column(label, None, definition.group)
    found = said.rule_for(label, definition.name)
    if found is not None and not found[0].use:
        raise Unclear("as described")
    statistic = _STATISTICS.get(series.value_type or b"")
    if statistic is None:
        raise Unclear("its value type is none of least, largest, average and value")
    rule, phase = found if found is not None else (None, None)
    symbol = rule.quantity if rule is not None and rule.quantity else _symbol(definition, series)
    spoken = phase_of(phase or "") or tags.PHASES.get(definition.phase, "")
    if definition.phase == tags.PHASE_NONE and not spoken:
        spoken = phase_of("", definition.name)
    elif not spoken and definition.phase not in tags.PHASES_OF_ALL:
        raise Unclear(f"its phase ({tags.PHASE.name} {definition.phase}) is not a line phase")
    symbol = _OF_ALL.get(symbol, symbol) if not spoken else symbol
    quantity = QUANTITIES[symbol]
    if (quantity.of == "point") != (not spoken):
        raise Unclear("its definition states no phase" if not spoken else f"{quantity.meaning} has no phase")
    if symbol == "u_rms" and spoken == "N":
        raise Unclear("the voltage of the neutral is not judged")
    factor = 1.0 if rule is None else rule.scale
    return _Column(label, ColumnMeaning(symbol, spoken, statistic, factor), definition.group)


def _symbol(definition: ChannelDefinition, series: SeriesDefinition) -> str:
    key = (series.characteristic or b"", series.units)
    by_measured = _BY_MEASURED.get(key)
    if by_measured is not None:
        symbol = by_measured.get(definition.measured or tags.MEASURED_NONE)
        if symbol is None:
            raise Unclear("it does not state whether it is of voltage or current")
        return symbol
    if key not in _SYMBOLS:
        raise Unclear(f"{kind_of(definition)} in {tags.UNIT_WORDS.get(series.units) or 'no unit'} is not supported")
    return _SYMBOLS[key]


def _instants(path: Path, series: SeriesDefinition, observed: Observation, i: int, i_times: int, n: int) -> I64:
    """The times of an observation's values. [ns UTC]"""
    times = values_of(observed, i, i_times, path=path)
    stored = times.stored
    if series.method & tags.METHOD_INCREMENT:
        timing = timing_of(times, units=series.units, method=series.method, start_ns=observed.start_ns, n_samples=n,
                           frequency_hz=observed.channels[i].frequency_hz, path=path)  # fmt: skip
        parts: list[I64] = [
            one.start_ns + np.rint(np.arange(one.n_samples) * (1e9 / one.rate_hz)).astype(np.int64)
            for one in timing.stretches
        ]
        return np.concatenate(parts)
    stored.use()
    values = stored.array()
    if stored.dtype == TIMESTAMP:
        if not are_times(values):
            raise MalformedRecord(path, stored.place, "holds something that is not a time")
        stamps: I64 = np.asarray(nanoseconds(values)).astype(np.int64)
        return stamps
    if series.units != tags.UNIT_SECONDS or stored.dtype.kind not in "iuf":
        raise MalformedRecord(path, stored.place, "times of intervals are seconds or time stamps")
    seconds = values.astype(np.float64) * times.scale + times.offset
    if not np.isfinite(seconds).all() or (np.abs(seconds) > 1e9).any():
        raise MalformedRecord(path, stored.place, "holds something that is not a time")
    found: I64 = observed.start_ns + np.rint(seconds * 1e9).astype(np.int64)
    return found


def _records(
    path: Path,
    source: DataSource,
    columns: Sequence[_Column],
    left_out: dict[str, str],
    said: IntervalDescription,
    checked: Sequence[str],
) -> list[IntervalRecords]:
    """Columns as interval records, those of one point and one length together."""
    groups: dict[tuple[str, int], list[tuple[_Column, I64, F64]]] = {}
    notes: dict[str, None] = dict.fromkeys([*checked, *([] if said.time_zone else _zone_notes(source))])
    for column in columns:
        times, values, twice = _in_order(column)
        if twice:
            notes[f"{column.label}: {twice} values occur twice; the first of each time is taken"] = None
        try:
            times = utc_of(times, said.time_zone) if said.time_zone else times
            step_ns = step_of(times)
        except (BadTimes, ValueError) as error:
            left_out[column.label] = str(error)
            continue
        groups.setdefault((column.point, step_ns), []).append((column, times, values))
    shared = tuple(left_out.items())
    if columns and not groups:
        raise ReadError(path, "", f"its interval values cannot be read ({'; '.join(dict.fromkeys(left_out.values()))})")
    notes |= {} if "stamps" in said.model_fields_set else {_NOT_TOLD: None}
    return [
        _joined(ones, step_ns, said, source, shared, tuple(notes), point)
        for (point, step_ns), ones in groups.items()
        if any(column.told is not None for column, _, _ in ones)
    ]


def _zone_notes(source: DataSource) -> list[str]:
    return [] if source.zone.upper() in ("UTC", "GMT", "Z") else [zone_note(source.zone)]


def _in_order(column: _Column) -> tuple[I64, F64, int]:
    """Times that rise, their values, and how many stood there twice."""
    times, values = np.concatenate(column.times_ns), np.concatenate(column.values)
    order = np.argsort(times, kind="stable")
    first = np.concatenate(([True], np.diff(times[order]) > 0))
    kept = order[first]
    return times[kept], values[kept], int(times.size - kept.size)


def _joined(
    ones: Sequence[tuple[_Column, I64, F64]], step_ns: int, said: IntervalDescription, source: DataSource,
    left_out: tuple[tuple[str, str], ...], notes: tuple[str, ...], point: str,
) -> IntervalRecords:  # fmt: skip
    every = np.unique(np.concatenate([times for _, times, _ in ones]))
    series = []
    flagged = np.zeros(every.size, np.bool_)
    for column, times, values in ones:
        row = np.full(every.size, np.nan)
        row[np.searchsorted(every, times)] = values
        told = column.told
        if told is None:
            flagged |= np.isfinite(row) & (row != 0)
            continue
        series.append(IntervalSeries(told.symbol, told.phase, told.statistic, row, column.label))
    kept, twins = without_twins(series)
    order = {symbol: i for i, symbol in enumerate(QUANTITIES)}
    kept = tuple(sorted(kept, key=lambda one: (order[one.symbol], one.column)))
    starts = every - (step_ns if said.stamps == "end" else 0)
    return IntervalRecords(
        said.station or source.name, starts, step_ns, kept, flagged, (*left_out, *twins), notes,
        said.nominal_voltage_v, point,
    )  # fmt: skip
