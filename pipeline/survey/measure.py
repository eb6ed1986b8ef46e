"""A survey: the chosen quantities of a record in intervals of the clock, as the table of a trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.aggregation import TEN_MINUTES_NS
from halfcycle.pipeline.measures.flickermeter import (
    LOWEST_RATE_HZ,
    SHORT_TERM_S,
    Lamp,
)
from halfcycle.pipeline.measures.waveform_indices import deviation_pct
from halfcycle.pipeline.quantities import Quantity
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Account, Declared, draft
from halfcycle.pipeline.survey.blocks import Blocks, Wanted, signal_obstacle
from halfcycle.pipeline.survey.demand import DemandMeter
from halfcycle.pipeline.survey.event_flags import Passed
from halfcycle.pipeline.survey.flicker import LONG_TERM_S, flicker_columns
from halfcycle.pipeline.survey.intervals import CycleIntervals, Intervals
from halfcycle.pipeline.survey.meters import Known, Metered, Meters, known_of
from halfcycle.pipeline.survey.notes import with_notes
from halfcycle.pipeline.survey.powers import Channels, elements_of, with_neutral_current
from halfcycle.pipeline.survey.rapid_changes import largest_change
from halfcycle.pipeline.survey.series import SeriesOfBlocks, Setup
from halfcycle.pipeline.survey.totals import Totals

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Survey:
    """What is to be measured.

    Attributes
    ----------
    quantities : see `quantities.chosen_quantities`.
    interval_s : of the clock; 1 s and up. Pst needs 600 s, Plt 7200 s. [s]
    nominal_voltage_v, nominal_frequency_hz : None: told from the record. [V], [Hz]
    demand_current_a : of the total demand distortion; None: it is not measured. [A]
    thresholds : of the sags, swells and interruptions that flag an interval.
    lamp_v : of the flickermeter; None: see `lamps.lamp_of`. [V]
    signal_hz : frequency of a mains signal; None: there is none to be measured. [Hz]
    demand_s : length of the demand interval, a multiple of a minute. [s]
    of_cycles : intervals of 150/180 cycles, synchronised anew at each ten-minute tick, in place of the clock's; they
        have no energies and no demand.
    uncertainty : ``standard``: trends say how sure their values are, see `survey.uncertainty`.
    """

    quantities: tuple[Quantity, ...]
    interval_s: float = 600.0
    nominal_voltage_v: float | None = None
    nominal_frequency_hz: float | None = None
    demand_current_a: float | None = None
    thresholds: Thresholds = field(default_factory=Thresholds)
    lamp_v: Lamp | None = None
    signal_hz: float | None = None
    demand_s: int = 900
    of_cycles: bool = False
    uncertainty: Literal["none", "standard"] = "none"

    def needs(self, *what: str) -> bool:
        """Whether one of its quantities is made from one of these."""
        return any(quantity.needs in what for quantity in self.quantities)

    @property
    def interval_ns(self) -> int:
        """The interval. [ns]"""
        return round(self.interval_s * 1e9)


@dataclass(frozen=True, slots=True)
class Trend:
    """A trend.

    Attributes
    ----------
    table : see `measure_record`.
    nominal_voltage_v : of the voltages in it; None: not told. [V]
    nominal_kind : ``declared``, ``stated by the file`` or ``inferred``; None where it is not told.
    hookup, phases, current_phases : how the recorder was connected; "" and none where a trend does not tell.
    rates_hz : sampling rates of the waveforms. [Hz]
    passed : sags, swells and interruptions, lasting ones too; None where a trend that was read does not tell.
    voltages_of : the point of the same busbar at which its voltages are measured; "" where they are in the table.
    """

    table: pa.Table
    nominal_voltage_v: float | None
    nominal_kind: str | None = None
    hookup: str = ""
    phases: tuple[str, ...] = ()
    current_phases: tuple[str, ...] = ()
    rates_hz: tuple[float, ...] = ()
    passed: tuple[Passed, ...] | None = None
    voltages_of: str = ""

    def __reduce__(self) -> tuple[Any, ...]:
        """For another process: of thousands of columns Arrow's stream is written in a fraction of pickle's time."""
        import pyarrow as pa

        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, self.table.schema) as writer:
            writer.write_table(self.table)
        further = [getattr(self, one.name) for one in fields(self) if one.name != "table"]
        return _trend_from, (sink.getvalue().to_pybytes(), *further)


def _trend_from(table: bytes, *further: Any) -> Trend:
    import pyarrow as pa

    return Trend(pa.ipc.open_stream(table).read_all(), *further)


def measure_record(
    record: Record, point: Point, surveys: Sequence[Survey], *, account: Account | None = None
) -> tuple[Trend | SignalError, ...]:
    """The trends of a point over a record, all in one pass.

    Parameters
    ----------
    record : captures that follow one another; each is loaded once.
    point : whose voltages, and currents where there are, are measured.
    surveys : what, in which intervals.
    account : of the site; None: drafted from this record and what the surveys declare.

    Returns
    -------
    For each survey a Trend, its table as `store.trends` has it: ``start``, ``measured``, ``flag``, ``interrupted``
    (holds an interruption), and for each series its value with its least and largest block as ``NAME_min`` and
    ``NAME_max``; fields carry what `notes` says. Intervals in which no block starts are left out. Or why there is none:
    too few samples a cycle, or no frequency to be told. Without a nominal voltage the deviations are null, and sags and
    swells that flag an interval are those against the voltage that is usual there.

    Source: IEC 61000-4-30 Ed. 3, 4.4 and 4.7 [memory].
    """
    point = with_neutral_current(record.header, point)
    if account is None:
        account = account_of_record(record, surveys[0], hookup=point.hookup.name)
    known = known_of(record, point, account)
    runs = [_Run(record, known, survey) for survey in surveys]
    passes = _passes(record, known, runs)
    try:
        for block in record.blocks(point, currents=bool(point.currents)):
            for one in passes:
                one.push(block)
            if all(run.failed for run in runs):
                break
    except SignalError as error:  # of loading: none of them can go on
        for run in runs:
            run.fail(error)
    for one in passes:
        one.finish()
    return tuple(run.finish() for run in runs)


def account_of_record(record: Record, survey: Survey, *, hookup: str) -> Account:
    """The account that one record and what is declared of it make."""
    declared = Declared(survey.nominal_voltage_v, survey.nominal_frequency_hz, hookup)
    return draft(record.header.station, [declared.evidence_of(record)], declared)


def _passes(record: Record, known: Known, runs: Sequence[_Run]) -> list[_Pass]:
    """The runs by what they ask of meters: those that ask alike share them."""
    alike: dict[tuple[object, ...], list[_Run]] = {}
    for run in runs:
        survey = run.survey
        alike.setdefault((survey.thresholds, survey.lamp_v, survey.signal_hz), []).append(run)
    return [_Pass(record, known, of_them) for of_them in alike.values()]


class _Pass:
    """Runs that share their meters, over a record."""

    def __init__(self, record: Record, known: Known, runs: Sequence[_Run]) -> None:
        self._runs = runs
        survey = runs[0].survey
        metered = Metered(
            survey.thresholds, survey.lamp_v, survey.signal_hz, any(run.wants_flicker for run in runs),
            any(run.survey.needs("changes") for run in runs),
        )  # fmt: skip
        self._meters: Meters | None = None
        try:
            self._meters = Meters(record, known, metered, [(run.wanted(), run) for run in runs])
        except SignalError as error:
            self._fail(error)
            return
        for run in runs:
            run.meters = self._meters

    def push(self, raw: npt.NDArray[np.generic]) -> None:
        """Takes the next samples of the record, as long as a run has use for them."""
        if self._meters is None or all(run.failed for run in self._runs):
            return
        try:
            self._meters.push(raw)
        except SignalError as error:
            self._fail(error)

    def finish(self) -> None:
        """All was pushed."""
        if self._meters is None:
            return
        try:
            self._meters.finish()
        except SignalError as error:
            self._fail(error)

    def _fail(self, error: SignalError) -> None:
        for run in self._runs:
            run.fail(error)


class _Run:
    """One survey of a record: takes the blocks of its meters, and makes the trend of its intervals."""

    def __init__(self, record: Record, known: Known, survey: Survey) -> None:
        self._record, self._point, self.survey = record, known.point, survey
        self._known = known
        self.meters: Meters | None = None  # once they are made
        rate_hz = record.header.rate_hz
        hertz = known.hertz or 0.0
        no_signal = signal_obstacle(survey.signal_hz, rate_hz=rate_hz, nominal_hz=hertz) if hertz else ""
        self._no_signal = no_signal
        setup = Setup(
            self._point.phases, self._current_phases, self._point.hookup, known.reference_v, survey.demand_current_a,
            survey.signal_hz, no_signal,
        )  # fmt: skip
        self._intervals: Intervals | CycleIntervals
        if survey.of_cycles:  # which overlap: energy would count twice
            source = partial(SeriesOfBlocks, setup, [one for one in survey.quantities if one.aggregation != "sum"])
            self._intervals = CycleIntervals(source(), source())
        else:
            self._intervals = Intervals(SeriesOfBlocks(setup, survey.quantities), interval_ns=survey.interval_ns)
        self._demand = DemandMeter(survey.demand_s) if self._has_demand else None
        self._failure: SignalError | None = None

    @property
    def failed(self) -> bool:
        """Whether no further samples can help."""
        return self._failure is not None

    @property
    def wants_flicker(self) -> bool:
        """Whether flicker is measured in its intervals."""
        symbols = {quantity.symbol for quantity in self.survey.quantities}
        of_both = {"pinst_min", "pinst_max"}
        flicker = {SHORT_TERM_S: {"pst", *of_both}, LONG_TERM_S: {"plt", *of_both}}
        return not symbols.isdisjoint(flicker.get(self.survey.interval_s, set()))

    def wanted(self) -> Wanted:
        """What it needs of blocks."""
        survey = self.survey
        return Wanted(
            spectra=any(quantity.needs_spectrum for quantity in survey.quantities), groups=survey.needs("groups"),
            bands=survey.needs("bands"),
            signal_hz=survey.signal_hz if survey.needs("signal") and not self._no_signal else None,
            run_on=survey.of_cycles,
        )  # fmt: skip

    def fail(self, error: SignalError) -> None:
        """Ends it; the first reason counts."""
        self._failure = self._failure or error

    def take(self, blocks: Blocks) -> None:
        """Gives the intervals, and the demand, the next blocks, unless it failed at earlier ones."""
        if self.failed:
            return
        try:
            self._intervals.add(blocks)
            power = None if self._demand is None else Totals(blocks, self._channels).active_power()
        except SignalError as error:
            self.fail(error)
            return
        if self._demand is not None and isinstance(power, np.ndarray):
            up_to = np.minimum(blocks.lengths_ns, TEN_MINUTES_NS - blocks.starts_ns % TEN_MINUTES_NS)
            self._demand.add(power, starts_ns=blocks.starts_ns, lengths_ns=up_to)

    def finish(self) -> Trend | SignalError:
        """The trend, once all blocks have come, or why there is none."""
        if self._failure is not None or self.meters is None:
            return self._failure or SignalError("nothing can be measured")
        try:
            table = self._table(self.meters)
        except SignalError as error:
            return error
        of_account, events = self._known.of_account, self.meters.events
        return Trend(
            table, of_account.nominal_v, of_account.nominal_kind, self._point.hookup.name, self._point.phases,
            tuple(phase for phase, _ in self._point.currents), (self._record.header.rate_hz,),
            () if events is None else events.passed(self._record),
        )  # fmt: skip

    @property
    def _current_phases(self) -> tuple[str, ...]:
        return tuple(phase for phase, _ in self._point.currents)

    @property
    def _channels(self) -> Channels:
        return Channels(self._point.phases, self._current_phases, self._point.hookup)

    @property
    def _has_demand(self) -> bool:
        return self.survey.needs("demand") and bool(self._point.currents) and not self.survey.of_cycles

    def _table(self, meters: Meters) -> pa.Table:
        import pyarrow as pa

        if self._intervals.empty:
            raise SignalError("no whole block of 10/12 cycles; nothing can be measured")
        whole = self._intervals.result()
        starts = whole.starts_ns
        values, notes = whole.columns, whole.notes
        for name in [name for name in values if name.startswith(("u_under", "u_over"))]:
            values[name], notes[name] = self._deviation(np.asarray(values[name], np.float64), notes.get(name, {}))
        nothing = np.zeros(starts.shape, np.bool_)
        flags, interrupted = nothing, nothing
        if meters.events is not None:
            flags, interrupted = meters.events.of_intervals(starts, self._record, interval_ns=self.survey.interval_ns)
        columns: dict[str, Any] = {
            "start": pa.array(starts, pa.timestamp("ns", tz="UTC")),
            "measured": whole.measured.astype(np.float32),
            "flag": flags,
            "interrupted": interrupted,
        }
        for name, column in values.items():
            columns[name] = column.astype(np.float64 if name.startswith("energy") else np.float32)
        symbols = {quantity.symbol for quantity in self.survey.quantities}
        flicker = flicker_columns(
            meters.severities, starts, phases=self._point.phases, interval_s=self.survey.interval_s, symbols=symbols
        )
        further = self._demands(starts, notes) | self._largest_changes(meters, starts, notes)
        notes |= dict.fromkeys(flicker, self._flicker_note(meters))
        return with_notes(pa.table(columns | further | flicker), notes)

    def _deviation(self, values: F64, notes: dict[str, str]) -> tuple[F64, dict[str, str]]:
        """Under- or overdeviation in per cent of the nominal voltage; null where that is not told."""
        if self._known.of_account.nominal_v is None:
            return np.full(values.shape, np.nan), {"reason": "the nominal voltage is unknown"}
        return deviation_pct(values, u_din_v=self._known.of_account.nominal_v), notes

    def _demands(self, starts: I64, notes: dict[str, dict[str, str]]) -> dict[str, F64]:
        """The columns of the demand."""
        if self._demand is None:
            return {}
        found = self._demand.of_intervals(starts, interval_s=self.survey.interval_s)
        lacking = elements_of(self._channels)
        for name in ("demand_block", "demand_sliding"):
            notes[name] = {"reason": lacking} if isinstance(lacking, str) else {"over": f"{self.survey.demand_s} s"}
        symbols = {quantity.symbol for quantity in self.survey.quantities}
        return {name: v for name, v in zip(("demand_block", "demand_sliding"), found, strict=True) if name in symbols}

    def _largest_changes(self, meters: Meters, starts: I64, notes: dict[str, dict[str, str]]) -> dict[str, F64]:
        """The column of rapid voltage changes."""
        if not self.survey.needs("changes"):
            return {}
        if meters.changes is None:
            notes["rvc"] = {"reason": "the nominal voltage is unknown"}
            return {"rvc": np.full(starts.shape, np.nan)}
        found = meters.changes.finish()
        times = np.array([self._record.time_ns(change.start) for change in found], np.int64)
        return {"rvc": largest_change(found, times, starts, interval_ns=self.survey.interval_ns)}

    def _flicker_note(self, meters: Meters) -> dict[str, str]:
        if self._record.header.rate_hz < LOWEST_RATE_HZ:
            return {"reason": f"flicker needs samples at {LOWEST_RATE_HZ:g} Hz"}
        return {"lamp": meters.lamp} if meters.lamp else {}
