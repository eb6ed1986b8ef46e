"""A survey: the chosen quantities of a record in intervals of the clock, as the table of a trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.aggregation import TEN_MINUTES_NS
from halfcycle.pipeline.measures.flicker_severity import Severity, SeverityMeter
from halfcycle.pipeline.measures.flickermeter import (
    LOWEST_RATE_HZ,
    SHORT_TERM_S,
    Flickermeter,
    Lamp,
)
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, Stretch
from halfcycle.pipeline.measures.waveform_indices import deviation_pct
from halfcycle.pipeline.quantities import Quantity
from halfcycle.pipeline.records.points import Point, judged_channels, measured_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Account, Declared, PointAccount, draft
from halfcycle.pipeline.survey.blocks import BlockMeter, Blocks, Wanted, signal_obstacle, together
from halfcycle.pipeline.survey.demand import DemandMeter
from halfcycle.pipeline.survey.event_flags import EventFlags, Passed
from halfcycle.pipeline.survey.flicker import LONG_TERM_S, flicker_columns
from halfcycle.pipeline.survey.intervals import CycleIntervals, Intervals
from halfcycle.pipeline.survey.lamps import lamp_of
from halfcycle.pipeline.survey.notes import with_notes
from halfcycle.pipeline.survey.powers import Channels, elements_of, with_neutral_current
from halfcycle.pipeline.survey.rapid_changes import RapidChanges, largest_change
from halfcycle.pipeline.survey.series import SeriesOfBlocks, Setup
from halfcycle.pipeline.survey.totals import Totals

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_BLOCKS_AT_ONCE: Final = 1500  # five minutes: a few MiB


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
    """

    table: pa.Table
    nominal_voltage_v: float | None
    nominal_kind: str | None = None
    hookup: str = ""
    phases: tuple[str, ...] = ()
    current_phases: tuple[str, ...] = ()
    rates_hz: tuple[float, ...] = ()
    passed: tuple[Passed, ...] | None = None


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
    runs = [_Run(record, point, survey, account) for survey in surveys]
    try:
        for block in record.blocks(point, currents=bool(point.currents)):
            for run in runs:
                run.push(block)
            if all(run.failed for run in runs):
                break
    except SignalError as error:  # of loading: none of them can go on
        for run in runs:
            run.fail(error)
    return tuple(run.finish() for run in runs)


def account_of_record(record: Record, survey: Survey, *, hookup: str) -> Account:
    """The account that one record and what is declared of it make."""
    declared = Declared(survey.nominal_voltage_v, survey.nominal_frequency_hz, hookup)
    return draft(record.header.station, [declared.evidence_of(record)], declared)


class _Run:
    """One survey of a record: the meter and its followers, and the intervals that are complete."""

    def __init__(self, record: Record, point: Point, survey: Survey, account: Account) -> None:
        self._record, self._point, self._survey = record, point, survey
        self._known = account.point(point.name) or PointAccount("", point.phases, point.hookup.line_to_line)
        self._hertz = account.nominal_frequency_hz
        self._live = self._known.live(declared_hookup=account.hookup is not None)
        self._n_u = len(point.voltages)
        self._meter: HalfCycleMeter | None = None
        self._blocks: BlockMeter | None = None
        self._flicker: SeverityMeter | None = None
        self._events: EventFlags | None = None
        self._severities: list[Severity] = []
        self._waiting: list[Blocks] = []  # until there are enough
        self._intervals: Intervals | CycleIntervals | None = None
        self._demand: DemandMeter | None = None
        self._changes: RapidChanges | None = None
        self._reference_v = self._nominal_hz = 0.0
        self._wants_flicker = False
        self._lamp_note = ""
        self._position = 0  # of the next samples in the record
        self._failure: SignalError | None = None

    @property
    def failed(self) -> bool:
        """Whether no further samples can help."""
        return self._failure is not None

    def fail(self, error: SignalError) -> None:
        """Ends it; the first reason counts."""
        self._failure = self._failure or error

    def push(self, raw: npt.NDArray[np.generic]) -> None:
        """Takes the next samples of the record, unless it failed at earlier ones."""
        if self.failed:
            return
        try:
            self._measure(raw)
        except SignalError as error:
            self.fail(error)

    def finish(self) -> Trend | SignalError:
        """The trend, once all was pushed, or why there is none."""
        if self._failure is not None:
            return self._failure
        try:
            return self._trend()
        except SignalError as error:
            return error
        finally:
            self._meter = None  # which holds this run as its follower: nothing of a record outlasts it

    def _measure(self, raw: npt.NDArray[np.generic]) -> None:
        if self._meter is None:
            self._start(raw)
        if self._meter is None or self._blocks is None:
            raise SignalError("no sample")
        self._meter.push(raw)
        self._push_flicker(raw[: self._n_u])
        self._gather(self._blocks.take())

    def _gather(self, found: Sequence[Blocks], *, last: bool = False) -> None:
        """Gives the intervals, and the demand, the next blocks, so many at a time that each is worth a call."""
        self._waiting += found
        if self._intervals is None or not self._waiting:
            return
        if not last and sum(blocks.starts_ns.size for blocks in self._waiting) < _BLOCKS_AT_ONCE:
            return
        blocks, self._waiting = together(self._waiting), []
        self._intervals.add(blocks)
        power = None if self._demand is None else Totals(blocks, self._channels).active_power()
        if self._demand is not None and isinstance(power, np.ndarray):
            up_to = np.minimum(blocks.lengths_ns, TEN_MINUTES_NS - blocks.starts_ns % TEN_MINUTES_NS)
            self._demand.add(power, starts_ns=blocks.starts_ns, lengths_ns=up_to)

    def _trend(self) -> Trend:
        if self._meter is None or self._blocks is None:
            raise SignalError("under one cycle of record; nothing can be measured")
        self._meter.finish()
        self._gather(self._blocks.take(), last=True)
        if self._flicker is not None:
            self._severities += self._flicker.finish()
        return Trend(
            self._table(), self._known.nominal_v, self._known.nominal_kind, self._point.hookup.name, self._point.phases,
            tuple(phase for phase, _ in self._point.currents), (self._record.header.rate_hz,),
            () if self._events is None else self._events.passed(self._record),
        )  # fmt: skip

    def _start(self, raw: npt.NDArray[np.generic]) -> None:
        survey, header = self._survey, self._record.header
        hertz = self._hertz
        if hertz is None:
            raise SignalError("no fundamental between 40 and 70 Hz in the voltages; give the nominal frequency")
        voltages = judged_channels(header, self._point)
        channels = measured_channels(header, self._point) if self._point.currents else voltages
        self._reference_v = self._known.nominal_v or self._known.usual_v or 0.0
        start_ns = self._record.start_ns(0)
        symbols = {quantity.symbol for quantity in survey.quantities}
        no_signal = signal_obstacle(survey.signal_hz, rate_hz=header.rate_hz, nominal_hz=hertz)
        wanted = Wanted(
            spectra=any(quantity.needs_spectrum for quantity in survey.quantities), groups=survey.needs("groups"),
            bands=survey.needs("bands"),
            signal_hz=survey.signal_hz if survey.needs("signal") and not no_signal else None, run_on=survey.of_cycles,
        )  # fmt: skip
        self._blocks = BlockMeter(channels, rate_hz=header.rate_hz, nominal_hz=hertz, start_ns=start_ns, wanted=wanted)
        setup = Setup(
            self._point.phases, self._current_phases, self._point.hookup, self._reference_v, survey.demand_current_a,
            survey.signal_hz, no_signal,
        )  # fmt: skip
        if survey.of_cycles:  # which overlap: energy would count twice
            source = partial(SeriesOfBlocks, setup, [one for one in survey.quantities if one.aggregation != "sum"])
            self._intervals = CycleIntervals(source(), source())
        else:
            self._intervals = Intervals(SeriesOfBlocks(setup, survey.quantities), interval_ns=survey.interval_ns)
        self._demand = DemandMeter(survey.demand_s) if self._has_demand else None
        if survey.needs("changes") and self._known.nominal_v is not None:
            self._changes = RapidChanges(reference_v=self._known.nominal_v, nominal_hz=float(round(hertz)))
        self._meter = HalfCycleMeter(
            channels, rate_hz=header.rate_hz, nominal_hz=hertz, n_leading=self._n_u,
            followers=[self._blocks.follow, self._follow_events], keeps_series=False,
        )  # fmt: skip
        if self._reference_v:
            self._events = EventFlags(survey.thresholds, reference_v=self._reference_v)
        flicker = {"pst": SHORT_TERM_S, "plt": LONG_TERM_S}
        has_flicker = any(survey.interval_s == of_s and symbol in symbols for symbol, of_s in flicker.items())
        self._wants_flicker = has_flicker and header.rate_hz >= LOWEST_RATE_HZ
        self._nominal_hz = float(round(hertz))

    @property
    def _current_phases(self) -> tuple[str, ...]:
        return tuple(phase for phase, _ in self._point.currents)

    @property
    def _channels(self) -> Channels:
        return Channels(self._point.phases, self._current_phases, self._point.hookup)

    @property
    def _has_demand(self) -> bool:
        return self._survey.needs("demand") and bool(self._point.currents) and not self._survey.of_cycles

    def _follow_events(self, stretch: Stretch) -> None:
        """Finds the sags, swells, interruptions and rapid changes of a stretch."""
        voltages = stretch.series.of_channels(self._live)
        if self._events is not None:
            self._events.push(voltages)
        if self._changes is not None and voltages.n:
            self._changes.push(voltages)

    def _push_flicker(self, raw: npt.NDArray[np.generic]) -> None:
        """Gives the flickermeter the next voltages; one that meets missing samples is done, and another begins anew."""
        position, self._position = self._position, self._position + raw.shape[1]
        if not self._wants_flicker:
            return
        if raw.dtype.kind == "f" and not np.isfinite(raw).all():
            self._severities += self._flicker.finish() if self._flicker is not None else []
            self._flicker = None
            return
        if self._flicker is None:
            rate_hz = self._record.header.rate_hz
            lamp, why = lamp_of(
                self._survey.lamp_v, nominal_v=self._reference_v, line_to_line=self._point.hookup.line_to_line,
                nominal_hz=self._nominal_hz,
            )  # fmt: skip
            self._lamp_note = f"{lamp} V, {why}"
            meter = Flickermeter(n_channels=self._n_u, rate_hz=rate_hz, lamp_v=lamp, nominal_hz=self._nominal_hz)
            self._flicker = SeverityMeter(meter, start_ns=self._record.time_ns(position))
        self._severities += self._flicker.push(raw)

    def _table(self) -> pa.Table:
        import pyarrow as pa

        if self._intervals is None or self._intervals.empty:
            raise SignalError("no whole block of 10/12 cycles; nothing can be measured")
        whole = self._intervals.result()
        starts = whole.starts_ns
        values, notes = whole.columns, whole.notes
        for name in [name for name in values if name.startswith(("u_under", "u_over"))]:
            values[name], notes[name] = self._deviation(values[name], notes.get(name, {}))
        nothing = np.zeros(starts.shape, np.bool_)
        flags, interrupted = nothing, nothing
        if self._events is not None:
            flags, interrupted = self._events.of_intervals(starts, self._record, interval_ns=self._survey.interval_ns)
        columns: dict[str, Any] = {
            "start": pa.array(starts, pa.timestamp("ns", tz="UTC")),
            "measured": whole.measured.astype(np.float32),
            "flag": flags,
            "interrupted": interrupted,
        }
        for name, column in values.items():
            columns[name] = column.astype(np.float64 if name.startswith("energy") else np.float32)
        symbols = {quantity.symbol for quantity in self._survey.quantities}
        flicker = flicker_columns(
            self._severities, starts, phases=self._point.phases, interval_s=self._survey.interval_s, symbols=symbols
        )
        further = self._demands(starts, notes) | self._largest_changes(starts, notes)
        notes |= dict.fromkeys(flicker, self._flicker_note())
        return with_notes(pa.table(columns | further | flicker), notes)

    def _deviation(self, values: F64, notes: dict[str, str]) -> tuple[F64, dict[str, str]]:
        """Under- or overdeviation in per cent of the nominal voltage; null where that is not told."""
        if self._known.nominal_v is None:
            return np.full(values.shape, np.nan), {"reason": "the nominal voltage is not told"}
        return deviation_pct(values, u_din_v=self._known.nominal_v), notes

    def _demands(self, starts: I64, notes: dict[str, dict[str, str]]) -> dict[str, F64]:
        """The columns of the demand."""
        if self._demand is None:
            return {}
        found = self._demand.of_intervals(starts, interval_s=self._survey.interval_s)
        lacking = elements_of(self._channels)
        for name in ("demand_block", "demand_sliding"):
            notes[name] = {"reason": lacking} if isinstance(lacking, str) else {"over": f"{self._survey.demand_s} s"}
        symbols = {quantity.symbol for quantity in self._survey.quantities}
        return {name: v for name, v in zip(("demand_block", "demand_sliding"), found, strict=True) if name in symbols}

    def _largest_changes(self, starts: I64, notes: dict[str, dict[str, str]]) -> dict[str, F64]:
        """The column of rapid voltage changes."""
        if not self._survey.needs("changes"):
            return {}
        if self._changes is None:
            notes["rvc"] = {"reason": "the nominal voltage is not told"}
            return {"rvc": np.full(starts.shape, np.nan)}
        found = self._changes.finish()
        times = np.array([self._record.time_ns(change.start) for change in found], np.int64)
        return {"rvc": largest_change(found, times, starts, interval_ns=self._survey.interval_ns)}

    def _flicker_note(self) -> dict[str, str]:
        if not self._wants_flicker:
            return {"reason": f"flicker needs samples at {LOWEST_RATE_HZ:g} Hz"}
        return {"lamp": self._lamp_note} if self._lamp_note else {}
