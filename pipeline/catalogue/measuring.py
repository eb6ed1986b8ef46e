"""What is measured at a point before anything is detected: the look, and the series and waveforms of its spans."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from halfcycle.pipeline.catalogue.reference import Reference
from halfcycle.pipeline.detectors.contract import Need
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from halfcycle.pipeline.records.kept import look_kept
from halfcycle.pipeline.records.look import Look
from halfcycle.pipeline.records.points import Point, judged_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.records.suspects import Suspects
from halfcycle.pipeline.records.whole import measure_whole

_CALM_CYCLES = 12.0  # before and after a suspect span, to tell the steady waveform by


def looked_at(
    record: Record,
    point: Point,
    *,
    nominal_hz: float | None,
    needs: frozenset[Need],
    least_transient_pu: float | None,
) -> Look:
    """All measures of the whole record where some detector needs them, else the calm look."""
    if needs - {"waveform"}:
        return measure_whole(record, point, nominal_hz=nominal_hz, needs=needs, least_transient_pu=least_transient_pu)
    return look_kept(record, point, nominal_hz=nominal_hz, least_transient_pu=least_transient_pu)


def _series(record: Record, point: Point, *, nominal_hz: float, first: int, stop: int) -> HalfCycles:
    """Half-cycle series of a point's voltages between two record positions, window starts from the record's."""
    meter = HalfCycleMeter(judged_channels(record.header, point), rate_hz=record.header.rate_hz, nominal_hz=nominal_hz)
    for block in record.blocks(point, first=first, stop=stop):
        meter.push(block)
    series = meter.finish()
    return replace(series, starts=series.starts + first) if first else series


def measures_of(
    record: Record, point: Point, look: Look, reference: Reference, *, first: int, stop: int
) -> PointMeasures:
    """What detectors of series look at, between two record positions."""
    live = reference.live
    series = look.series
    if series is None:
        series = _series(record, point, nominal_hz=look.nominal_hz, first=first, stop=stop)
    voltages = series.of_channels(live)
    empty = described(record, point, look, reference, voltages)
    n_voltages, n_all = len(point.voltages), series.u_half.shape[0]
    return replace(
        empty,
        currents=series.of_channels(range(n_voltages, n_all)) if n_all > n_voltages else None,
        reference_v=reference.over(voltages),
        waveshape=None if look.waveshape is None else look.waveshape.of_channels(live),
        current_suspects=suspect_spans(record, look, look.current_suspects),
        current_waveform=partial(_current_waveform, record, point, look.rate_hz / look.nominal_hz)
        if n_all > n_voltages
        else None,
    )


def described(record: Record, point: Point, look: Look, reference: Reference, voltages: HalfCycles) -> PointMeasures:
    """Voltages with the names of their channels, without any further measures."""
    live = reference.live
    channels = judged_channels(record.header, point)
    return PointMeasures(
        half_cycles=voltages,
        currents=None,
        phases=tuple(point.phases[c] for c in live),
        current_phases=tuple(phase for phase, _ in point.currents),
        names=tuple(channels[c].name for c in live),
        current_names=tuple(record.header.channels[i].name for _, i in point.currents),
        line_to_line=point.hookup.line_to_line,
        reference_v=reference.volts,
        nominal_v=reference.volts,
        variations=np.zeros((0, 2)),
        waveshape=None,
        suspects=(),
        n_samples=record.n_samples,
        waveform=partial(_waveform, record, point, live, look.rate_hz / look.nominal_hz),
        sag_pu=reference.thresholds.sag_pu,
        swell_pu=reference.thresholds.swell_pu,
    )


def _waveform(record: Record, point: Point, live: list[int], per_cycle: float, first: int, stop: int) -> Any:
    """Live voltages between two record positions, without what is no measurement. [V]"""
    return record.physical(point, first, stop, per_cycle=per_cycle)[live]


def _current_waveform(record: Record, point: Point, per_cycle: float, first: int, stop: int) -> Any:
    """A point's currents between two record positions, without what is no measurement. [A]"""
    return record.physical(point, first, stop, currents=True, per_cycle=per_cycle)[len(point.voltages) :]


def suspect_spans(record: Record, look: Look, suspects: Suspects | None) -> tuple[tuple[int, int], ...]:
    """Where a waveform is suspect, a few cycles of calm to each side. [samples]"""
    margin = int(_CALM_CYCLES * look.rate_hz / look.nominal_hz)
    return () if suspects is None else tuple(suspects.spans(margin=margin, n_samples=record.n_samples))
