"""From named columns of texts or numbers to interval records: which column is what, and which rows are flagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers.intervals.description import ColumnRule, IntervalDescription
from halfcycle.pipeline.readers.intervals.names import ColumnMeaning, Unclear, told_by, unit_of
from halfcycle.pipeline.readers.intervals.records import (
    F64,
    I64,
    IntervalRecords,
    IntervalSeries,
    Mask,
    Statistic,
    step_of,
    without_twins,
)
from halfcycle.pipeline.terms import LINE_PHASES, phase_of

_STATUS_NAMES: Final = frozenset({"flag", "flags", "flagged", "event", "status"})
_GOOD: Final = frozenset({"", "0", "0.0", "ok", "good", "false", "valid", "normal", "-"})


@dataclass(frozen=True, slots=True)
class NamedColumn:
    """One column of a file: its label, the name and unit in it, and its cells."""

    label: str
    name: str
    unit: str | None
    numbers: F64 | None  # None where its cells are not numbers
    texts: Sequence[str]


def records_of(
    columns: Sequence[NamedColumn], times_ns: I64, said: IntervalDescription, notes: Sequence[str] = ()
) -> IntervalRecords:
    """Interval records from columns.

    Parameters
    ----------
    columns : without those of the time.
    times_ns : of each row. [ns UTC]
    said : what a person says.
    notes : of the reading so far.

    Raises
    ------
    ValueError : the times do not rise in steps of one length, or no column tells what it is.
    """
    step_ns = step_of(times_ns)
    series: list[IntervalSeries] = []
    left_out: list[tuple[str, str]] = []
    flagged = np.zeros(times_ns.shape, np.bool_)
    for column in columns:
        found = said.rule_for(column.label, column.name)
        rule, phase = found if found is not None else (ColumnRule(), None)
        if not rule.use:
            left_out.append((column.label, "as described"))
        elif rule.status or (found is None and column.name.strip().lower() in _STATUS_NAMES):
            flagged |= _flagged(column, rule)
        else:
            try:
                series.append(_series(column, rule, phase))
            except Unclear as error:
                left_out.append((column.label, str(error)))
    kept, twins = without_twins(series)
    if not kept:
        reasons = "; ".join(f"{label}: {reason}" for label, reason in [*left_out, *twins][:5])
        raise ValueError(f"no column states which quantity it holds ({reasons}); describe them beside the file")
    starts = times_ns - (step_ns if said.stamps == "end" else 0)
    return IntervalRecords(
        said.station or "", starts, step_ns, _of_one_hookup(kept), flagged, (*left_out, *twins), tuple(notes),
        said.nominal_voltage_v,
    )  # fmt: skip


def _series(column: NamedColumn, rule: ColumnRule, phase: str | None) -> IntervalSeries:
    told = _told(column, rule, phase)
    if column.numbers is None:
        raise Unclear("its cells are not numbers")
    values = column.numbers * (told.factor * rule.scale)
    if told.symbol in ("u_rms", "i_rms") and (values < 0).any():
        raise Unclear("an RMS value below zero")
    return IntervalSeries(told.symbol, told.phase, told.statistic, values, column.label)


def _told(column: NamedColumn, rule: ColumnRule, phase: str | None) -> ColumnMeaning:
    unit = column.unit if rule.unit is None else rule.unit
    if rule.quantity is None:
        told = told_by(column.name, unit)
        told = replace(told, statistic=rule.statistic or told.statistic)
        return told if phase is None else replace(told, phase=_known_phase(phase))
    quantity = QUANTITIES[rule.quantity]
    plain, factor = unit_of(unit)
    if plain and plain != quantity.unit:
        raise Unclear(f"unit {unit!r} does not match {quantity.meaning}")
    spoken = "" if quantity.of == "point" else _known_phase(phase or column.name)
    return ColumnMeaning(quantity.symbol, spoken, rule.statistic or _statistic(column.name), factor)


def _known_phase(text: str) -> str:
    found = phase_of(text) or phase_of("", text)
    if not found:
        raise Unclear(f"{text!r} is not a phase")
    return found


def _statistic(name: str) -> Statistic:
    try:
        return told_by(f"U L1 {name}", "V").statistic
    except Unclear:
        return "average"


def _flagged(column: NamedColumn, rule: ColumnRule) -> Mask:
    good = frozenset(text.lower() for text in rule.good) if rule.status else _GOOD
    found: npt.NDArray[np.bool_] = np.array([text.strip().lower() not in good for text in column.texts], np.bool_)
    return found


def _of_one_hookup(series: Sequence[IntervalSeries]) -> tuple[IntervalSeries, ...]:
    """Series in order of the quantities; voltages to neutral before those between lines."""
    order = {symbol: i for i, symbol in enumerate(QUANTITIES)}
    return tuple(sorted(series, key=lambda one: (order[one.symbol], one.phase not in LINE_PHASES, one.column)))
