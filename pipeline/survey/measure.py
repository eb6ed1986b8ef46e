"""A survey: the chosen quantities of a record in intervals of the clock, as the table of a trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from pipeline.config import Thresholds
from pipeline.detectors.rms_variations import RmsVariation, VariationsByStretch
from pipeline.errors import SignalError
from pipeline.measures.aggregation import aggregate, touched_by_events
from pipeline.measures.flickermeter import (
    LOWEST_RATE_HZ,
    SHORT_TERM_S,
    Flickermeter,
    Lamp,
    Severity,
    SeverityMeter,
)
from pipeline.measures.half_cycle import HalfCycleMeter, Stretch
from pipeline.measures.waveform_indices import deviation_pct
from pipeline.quantities import Quantity
from pipeline.records.points import Point, judged_channels, measured_channels
from pipeline.records.record import Record
from pipeline.sites.account import Account, Declared, PointAccount, draft
from pipeline.survey.blocks import BlockMeter, Blocks
from pipeline.survey.flicker import LONG_TERM_S, flicker_columns
from pipeline.survey.lamps import lamp_of
from pipeline.survey.notes import joined_notes, with_notes, without_notes
from pipeline.survey.powers import with_neutral_current
from pipeline.survey.series import Setup, series_of_blocks

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_LASTING_S: Final = 60.0  # a sag or swell beyond it is an under- or overvoltage: IEEE 1159-2019, Table 2; EN 50160, 3


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
    """

    quantities: tuple[Quantity, ...]
    interval_s: float = 600.0
    nominal_voltage_v: float | None = None
    nominal_frequency_hz: float | None = None
    demand_current_a: float | None = None
    thresholds: Thresholds = field(default_factory=Thresholds)
    lamp_v: Lamp | None = None

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
    """

    table: pa.Table
    nominal_voltage_v: float | None
    nominal_kind: str | None = None
    hookup: str = ""
    phases: tuple[str, ...] = ()
    current_phases: tuple[str, ...] = ()
    rates_hz: tuple[float, ...] = ()


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
        self._variations: VariationsByStretch | None = None
        self._touching: list[RmsVariation] = []  # so far
        self._severities: list[Severity] = []
        self._waiting: list[Blocks] = []
        self._reference_v = self._nominal_hz = 0.0
        self._wants_flicker = False
        self._lamp_note = ""
        self._position = 0  # of the next samples in the record
        self._parts: list[dict[str, Any]] = []
        self._notes: dict[str, dict[str, str]] = {}
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

    def _measure(self, raw: npt.NDArray[np.generic]) -> None:
        if self._meter is None:
            self._start(raw)
        if self._meter is None or self._blocks is None:
            raise SignalError("no sample")
        self._meter.push(raw)
        self._push_flicker(raw[: self._n_u])
        self._waiting += self._blocks.take()
        self._close(everything=False)

    def _trend(self) -> Trend:
        if self._meter is None or self._blocks is None:
            raise SignalError("under one cycle of record; nothing can be measured")
        self._meter.finish()
        self._waiting += self._blocks.take()
        self._close(everything=True)
        if self._flicker is not None:
            self._severities += self._flicker.finish()
        return Trend(
            self._table(), self._known.nominal_v, self._known.nominal_kind, self._point.hookup.name, self._point.phases,
            tuple(phase for phase, _ in self._point.currents), (self._record.header.rate_hz,),
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
        self._blocks = BlockMeter(
            channels, rate_hz=header.rate_hz, nominal_hz=hertz, start_ns=start_ns,
            spectra=any(quantity.needs_spectrum for quantity in survey.quantities),
        )  # fmt: skip
        self._meter = HalfCycleMeter(
            channels, rate_hz=header.rate_hz, nominal_hz=hertz, n_leading=self._n_u,
            followers=[self._blocks.follow, self._follow_variations], keeps_series=False,
        )  # fmt: skip
        thresholds = survey.thresholds
        self._variations = None if not self._reference_v else VariationsByStretch(
            reference_v=self._reference_v, sag_pu=thresholds.sag_pu, swell_pu=thresholds.swell_pu,
            interruption_pu=thresholds.interruption_pu, hysteresis_pu=thresholds.hysteresis_pu,
        )  # fmt: skip
        flicker = {"pst": SHORT_TERM_S, "plt": LONG_TERM_S}
        wanted = any(survey.interval_s == of_s and symbol in symbols for symbol, of_s in flicker.items())
        self._wants_flicker = wanted and header.rate_hz >= LOWEST_RATE_HZ
        self._nominal_hz = float(round(hertz))

    def _follow_variations(self, stretch: Stretch) -> None:
        """Finds the sags, swells and interruptions that are over by the end of a stretch."""
        if self._variations is not None:
            voltages = stretch.series.of_channels(self._live)
            self._touching += self._variations.push(voltages.u_half, voltages.starts, voltages.flags)

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

    def _close(self, *, everything: bool) -> None:
        """Aggregates the intervals that no later block can start in."""
        if not self._waiting:
            return
        intervals = [blocks.starts_ns // self._survey.interval_ns for blocks in self._waiting]
        last = intervals[-1][-1] + (1 if everything else 0)
        if intervals[0][0] >= last:
            return
        setup = Setup(
            self._point.phases, tuple(phase for phase, _ in self._point.currents), self._point.hookup,
            self._reference_v, self._survey.demand_current_a,
        )  # fmt: skip
        waiting = []
        for blocks, numbers in zip(self._waiting, intervals, strict=True):
            waiting.append((numbers, blocks, series_of_blocks(blocks, setup, self._survey.quantities)))
        numbers = np.concatenate([part[0] for part in waiting])
        done = numbers < last
        lengths = np.concatenate([part[1].lengths_ns for part in waiting])[done]
        starts = np.concatenate([part[1].starts_ns for part in waiting])[done]
        edge = (numbers[done] + 1) * self._survey.interval_ns
        inside = np.minimum(lengths, edge - starts) / self._survey.interval_ns
        share = aggregate(inside, numbers[done], how="sum")
        part: dict[str, Any] = {"number": share.intervals, "measured": np.minimum(share.values, 1.0)}
        for name, series in waiting[0][2].items():
            quantity = series.quantity
            values = np.concatenate([one[2][name].values for one in waiting], axis=-1)[..., done]
            self._notes.setdefault(name, dict(series.notes))
            if quantity.aggregation == "ratio":
                above, below = aggregate(values, numbers[done], how="sum").values
                part[name] = _ratio(above, below)
                values = _ratio(*values)
            else:
                part[name] = aggregate(values, numbers[done], how=quantity.aggregation).values
            if quantity.symbol in ("u_under", "u_over"):
                part[name] = self._deviation(name, part[name])
                continue
            if quantity.aggregation in ("rms", "mean", "ratio"):
                for end in ("min", "max"):
                    self._notes.setdefault(f"{name}_{end}", dict(series.notes))
                part[f"{name}_min"] = aggregate(values, numbers[done], how="min").values
                part[f"{name}_max"] = aggregate(values, numbers[done], how="max").values
        self._parts.append(part)
        self._waiting = [blocks.kept(~(n < last)) for blocks, n in zip(self._waiting, intervals, strict=True)]
        self._waiting = [blocks for blocks in self._waiting if blocks.starts_ns.size]

    def _deviation(self, name: str, values: F64) -> F64:
        """Under- or overdeviation in per cent of the nominal voltage; null where that is not told."""
        if self._known.nominal_v is None:
            self._notes.setdefault(name, {})["reason"] = "the nominal voltage is not told"
            return np.full(values.shape, np.nan)
        return deviation_pct(values, u_din_v=self._known.nominal_v)

    def _table(self) -> pa.Table:
        import pyarrow as pa

        if not self._parts:
            raise SignalError("no whole block of 10/12 cycles; nothing can be measured")
        names = list(self._parts[0])
        joined = {name: np.concatenate([part[name] for part in self._parts]) for name in names}
        starts = joined.pop("number") * self._survey.interval_ns
        flags, interrupted = self._flags(starts)
        columns: dict[str, Any] = {
            "start": pa.array(starts, pa.timestamp("ns", tz="UTC")),
            "measured": joined.pop("measured").astype(np.float32),
            "flag": flags,
            "interrupted": interrupted,
        }
        for name, values in joined.items():
            columns[name] = values.astype(np.float64 if name.startswith("energy") else np.float32)
        symbols = {quantity.symbol for quantity in self._survey.quantities}
        flicker = flicker_columns(
            self._severities, starts, phases=self._point.phases, interval_s=self._survey.interval_s, symbols=symbols
        )
        return with_notes(pa.table(columns | flicker), self._notes | dict.fromkeys(flicker, self._flicker_note()))

    def _flicker_note(self) -> dict[str, str]:
        if not self._wants_flicker:
            return {"reason": f"flicker needs samples at {LOWEST_RATE_HZ:g} Hz"}
        return {"lamp": self._lamp_note} if self._lamp_note else {}

    def _flags(self, starts: I64) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """Intervals that hold a sag, swell or interruption on any phase, and those that hold an interruption.

        A voltage that stays beyond a threshold for over a minute, or from one end of the record to the other, is an
        under- or overvoltage and flags nothing: that is what limits are for.
        """
        found = [*self._touching, *(self._variations.finish() if self._variations is not None else ())]
        rate_hz = self._record.header.rate_hz
        passing = [v for v in found if v.kind == "interruption" or not _is_lasting(v, rate_hz)]
        flags = self._touched(starts, passing)
        return flags, self._touched(starts, [v for v in passing if v.kind == "interruption"])

    def _touched(self, starts: I64, events: Sequence[RmsVariation]) -> npt.NDArray[np.bool_]:
        times = np.array([[self._record.time_ns(v.start), self._record.time_ns(v.stop)] for v in events], np.int64)
        times = times.reshape(-1, 2)
        return touched_by_events(
            starts, starts + self._survey.interval_ns, event_starts_ns=times[:, 0], event_ends_ns=times[:, 1]
        )


def joined_trends(trends: Sequence[Trend]) -> Trend:
    """Trends of one point, of records in any order, in order of time; the nominal voltage is the first one's.

    Of an interval in which two records lie the one that covers more of it is kept: values of parts do not add up.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    notes = joined_notes([trend.table for trend in trends])
    whole = pa.concat_tables([without_notes(trend.table) for trend in trends], promote_options="default")
    order = pc.sort_indices(whole, sort_keys=[("start", "ascending"), ("measured", "descending")])
    whole = whole.take(order)
    starts = whole.column("start").cast(pa.int64()).to_numpy()
    once = whole.filter(np.diff(starts, prepend=starts[:1] - 1) != 0)
    rates_hz = tuple(sorted({rate for trend in trends for rate in trend.rates_hz}))
    return replace(trends[0], table=with_notes(once, notes), rates_hz=rates_hz)


def _is_lasting(variation: RmsVariation, rate_hz: float) -> bool:
    """Whether it is an under- or overvoltage rather than a sag or swell."""
    whole_record = variation.open_start and variation.open_stop
    return whole_record or (variation.stop - variation.start) / rate_hz > _LASTING_S


def _ratio(above: F64, below: F64) -> F64:
    quotient: F64 = np.divide(above, below, out=np.full(below.shape, np.nan), where=below > 0)
    return quotient
