"""A survey: the chosen quantities of a record in intervals of the clock, as the table of a trend."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
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
    SHORT_TERMS_IN_LONG,
    Flickermeter,
    Lamp,
    Severity,
    SeverityMeter,
    long_term_severity,
)
from pipeline.measures.half_cycle import HalfCycleMeter, Stretch
from pipeline.measures.nominal import find_nominal_frequency, find_nominal_voltage
from pipeline.measures.waveform_indices import deviation_pct
from pipeline.quantities import Quantity
from pipeline.records.points import Point, judged_channels, measured_channels
from pipeline.records.record import Record
from pipeline.survey.blocks import BlockMeter, Blocks
from pipeline.survey.lamps import lamp_of
from pipeline.survey.notes import joined_notes, with_notes, without_notes
from pipeline.survey.powers import with_neutral_current
from pipeline.survey.series import Setup, series_of_blocks

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_LONG_TERM_S: Final = SHORT_TERM_S * SHORT_TERMS_IN_LONG
_LEAST_COVERED: Final = 0.9  # of ten minutes that a Pst needs: common practice, no source
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
    """A trend, and the nominal voltage of the voltages in it. [V]"""

    table: pa.Table
    nominal_voltage_v: float


def measure_record(record: Record, point: Point, surveys: Sequence[Survey]) -> tuple[Trend | SignalError, ...]:
    """The trends of a point over a record, all in one pass.

    Parameters
    ----------
    record : captures that follow one another; each is loaded once.
    point : whose voltages, and currents where there are, are measured.
    surveys : what, in which intervals.

    Returns
    -------
    For each survey a Trend, its table as `store.trends` has it: ``start``, ``measured``, ``flag``, ``interrupted``
    (holds an interruption), and for each series its value with its least and largest block as ``NAME_min`` and
    ``NAME_max``; fields carry what `notes` says. Intervals in which no block starts are left out. Or why there is none:
    too few samples a cycle, no frequency or nominal voltage to be told.

    Source: IEC 61000-4-30 Ed. 3, 4.4 and 4.7 [memory].
    """
    point = with_neutral_current(record.header, point)
    runs = [_Run(record, point, survey) for survey in surveys]
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


class _Run:
    """One survey of a record: the meter and its followers, and the intervals that are complete."""

    def __init__(self, record: Record, point: Point, survey: Survey) -> None:
        self._record, self._point, self._survey = record, point, survey
        self._n_u = len(point.voltages)
        self._meter: HalfCycleMeter | None = None
        self._blocks: BlockMeter | None = None
        self._flicker: SeverityMeter | None = None
        self._variations: VariationsByStretch | None = None
        self._touching: list[RmsVariation] = []  # so far
        self._severities: list[Severity] = []
        self._waiting: list[Blocks] = []
        self._nominal_v = self._nominal_hz = 0.0
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
        return Trend(self._table(), self._nominal_v)

    def _start(self, raw: npt.NDArray[np.generic]) -> None:
        survey, header = self._survey, self._record.header
        hertz = survey.nominal_frequency_hz or find_nominal_frequency(raw[: self._n_u], rate_hz=header.rate_hz)
        voltages = judged_channels(header, self._point)
        channels = measured_channels(header, self._point) if self._point.currents else voltages
        stated_v = survey.nominal_voltage_v
        self._nominal_v = self._nominal_of(raw, hertz) if stated_v is None else stated_v * self._point.nominal_ratio
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
        self._variations = VariationsByStretch(
            reference_v=self._nominal_v, sag_pu=thresholds.sag_pu, swell_pu=thresholds.swell_pu,
            interruption_pu=thresholds.interruption_pu, hysteresis_pu=thresholds.hysteresis_pu,
        )  # fmt: skip
        flicker = {"pst": SHORT_TERM_S, "plt": _LONG_TERM_S}
        wanted = any(survey.interval_s == of_s and symbol in symbols for symbol, of_s in flicker.items())
        self._wants_flicker = wanted and header.rate_hz >= LOWEST_RATE_HZ
        self._nominal_hz = float(round(hertz))

    def _follow_variations(self, stretch: Stretch) -> None:
        """Finds the sags, swells and interruptions that are over by the end of a stretch."""
        if self._variations is not None:
            voltages = stretch.series.of_channels(range(self._n_u))
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
                self._survey.lamp_v, nominal_v=self._nominal_v, line_to_line=self._point.hookup.line_to_line,
                nominal_hz=self._nominal_hz,
            )  # fmt: skip
            self._lamp_note = f"{lamp} V, {why}"
            meter = Flickermeter(n_channels=self._n_u, rate_hz=rate_hz, lamp_v=lamp, nominal_hz=self._nominal_hz)
            self._flicker = SeverityMeter(meter, start_ns=self._record.time_ns(position))
        self._severities += self._flicker.push(raw)

    def _nominal_of(self, raw: npt.NDArray[np.generic], hertz: float) -> float:
        header = self._record.header
        channels = judged_channels(header, self._point)
        meter = HalfCycleMeter(channels, rate_hz=header.rate_hz, nominal_hz=hertz)
        meter.push(raw[: self._n_u])
        u_half = meter.finish().u_half
        found = find_nominal_voltage(u_half, line_to_line=self._point.hookup.line_to_line, rated_v=None)
        return found.volts

    def _close(self, *, everything: bool) -> None:
        """Aggregates the intervals that no later block can start in."""
        if not self._waiting:
            return
        intervals = [blocks.starts_ns // self._survey.interval_ns for blocks in self._waiting]
        last = intervals[-1][-1] + (1 if everything else 0)
        if intervals[0][0] >= last:
            return
        setup = Setup(
            self._point.phases, tuple(phase for phase, _ in self._point.currents), self._point.hookup, self._nominal_v,
            self._survey.demand_current_a,
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
                part[name] = deviation_pct(part[name], u_din_v=self._nominal_v)
                continue
            if quantity.aggregation in ("rms", "mean", "ratio"):
                for end in ("min", "max"):
                    self._notes.setdefault(f"{name}_{end}", dict(series.notes))
                part[f"{name}_min"] = aggregate(values, numbers[done], how="min").values
                part[f"{name}_max"] = aggregate(values, numbers[done], how="max").values
        self._parts.append(part)
        self._waiting = [blocks.kept(~(n < last)) for blocks, n in zip(self._waiting, intervals, strict=True)]
        self._waiting = [blocks for blocks in self._waiting if blocks.starts_ns.size]

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
        flicker = dict(self._flicker_columns(starts))
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

    def _flicker_columns(self, starts: I64) -> Iterator[tuple[str, npt.NDArray[np.float32]]]:
        symbols = {quantity.symbol for quantity in self._survey.quantities}
        whole = {
            severity.start_ns: severity.pst
            for severity in self._severities
            if severity.covered_s >= _LEAST_COVERED * SHORT_TERM_S
        }
        nothing = np.full(self._n_u, np.nan)
        if self._survey.interval_s == SHORT_TERM_S and "pst" in symbols:
            rows = np.array([whole.get(int(start), nothing) for start in starts])
            yield from self._by_phase("pst", rows)
        if self._survey.interval_s == _LONG_TERM_S and "plt" in symbols:
            short_ns = round(SHORT_TERM_S * 1e9)
            terms = np.array(
                [
                    [whole.get(int(start) + k * short_ns, nothing) for k in range(SHORT_TERMS_IN_LONG)]
                    for start in starts
                ]
            )
            yield from self._by_phase("plt", long_term_severity(np.moveaxis(terms, 1, -1)))

    def _by_phase(self, symbol: str, rows: F64) -> Iterator[tuple[str, npt.NDArray[np.float32]]]:
        for c, phase in enumerate(self._point.phases):
            yield f"{symbol}_{phase.lower()}", rows[:, c].astype(np.float32)


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
    return Trend(with_notes(once, notes), trends[0].nominal_voltage_v)


def _is_lasting(variation: RmsVariation, rate_hz: float) -> bool:
    """Whether it is an under- or overvoltage rather than a sag or swell."""
    whole_record = variation.open_start and variation.open_stop
    return whole_record or (variation.stop - variation.start) / rate_hz > _LASTING_S


def _ratio(above: F64, below: F64) -> F64:
    quotient: F64 = np.divide(above, below, out=np.full(below.shape, np.nan), where=below > 0)
    return quotient
