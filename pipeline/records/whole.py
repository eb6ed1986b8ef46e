"""One pass over a whole record: half cycles, waveshape, marks and suspect places, for all detectors together."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import numpy as np

from halfcycle.pipeline.detectors.contract import Need
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, Stretch
from halfcycle.pipeline.measures.quality import without_missing
from halfcycle.pipeline.measures.waveshape import WaveshapeMeter, sparse_every
from halfcycle.pipeline.records.look import Look, frequency_of, half_of
from halfcycle.pipeline.records.marks import Marks
from halfcycle.pipeline.records.points import Point, judged_channels, measured_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.records.suspects import Suspects
from halfcycle.pipeline.records.waves import are_waves

_LEAST_CURRENT_PU: Final = 0.1  # of the current's own peak: less is not searched for transients


def measure_whole(
    record: Record,
    point: Point,
    *,
    nominal_hz: float | None,
    needs: Collection[Need],
    least_transient_pu: float | None = None,
) -> Look:
    """Measure all of a record, each capture loaded once.

    Parameters
    ----------
    record : captures that follow one another.
    point : whose voltages, and currents where needed, are measured.
    nominal_hz : or None: worked out from the first capture, or else taken from its header. [Hz]
    needs : of the detectors: ``currents``, ``waveshape``, ``current_waveform``.
    least_transient_pu : note where a transient of this peak may be, in pu of the voltage's own peak; None: do not.

    Returns
    -------
    Look with `series`, and `waveshape` where it is needed.

    Raises
    ------
    SignalError : no frequency to be told, too few samples a cycle, or less than one cycle of record.
    """
    voltages = judged_channels(record.header, point)
    n_voltages, rate_hz = len(voltages), record.header.rate_hz
    currents = "currents" in needs and bool(point.currents)
    channels = measured_channels(record.header, point) if currents else voltages
    marks = Marks(n_voltages)
    meter: HalfCycleMeter | None = None
    per_cycle: float | None = None
    shape: WaveshapeMeter | None = None
    suspects: Suspects | None = None
    of_currents: Suspects | None = None
    is_wave = np.zeros(n_voltages, np.bool_)
    position = half = 0

    def follow_marks(stretch: Stretch) -> None:
        fresh = [flags if flags is None else flags[stretch.n_seen :] for flags in stretch.flags[:n_voltages]]
        marks.add(fresh, position=stretch.start + stretch.n_seen, half=half)

    for raw in record.blocks(point, currents=currents):
        if meter is None or per_cycle is None:
            nominal_hz = nominal_hz or frequency_of(record, raw[:n_voltages], voltages)
            per_cycle, half = rate_hz / nominal_hz, half_of(rate_hz, nominal_hz)
            followers = [follow_marks]
            if "waveshape" in needs:
                every = sparse_every(record.duration_s)
                shape = WaveshapeMeter(voltages, rate_hz=rate_hz, nominal_hz=nominal_hz, every=every)
                followers.append(shape.follow)
            meter = HalfCycleMeter(
                channels, rate_hz=rate_hz, nominal_hz=nominal_hz, n_leading=n_voltages, phasors=True,
                followers=followers,
            )  # fmt: skip
        meter.push(raw)  # which marks what is no measurement; the rest of the looks see the samples without
        block = without_missing(raw, channels, samples_per_cycle=per_cycle)
        if not is_wave.all():
            is_wave |= are_waves(block[:n_voltages], voltages, samples_per_cycle=per_cycle)
        if least_transient_pu is not None and block.shape[1]:
            if suspects is None:
                suspects = Suspects.of_first(block[:n_voltages], voltages, per_cycle, least_transient_pu)
            suspects.add(block[:n_voltages], position=position)
        if currents and "current_waveform" in needs and block.shape[1]:
            if of_currents is None:
                of_currents = Suspects.of_first(block[n_voltages:], channels[n_voltages:], per_cycle, _LEAST_CURRENT_PU)
            of_currents.add(block[n_voltages:], position=position)
        position += block.shape[1]
    series = None if meter is None else meter.finish()
    if series is None or nominal_hz is None or not series.n:
        raise SignalError("less than one cycle recorded; nothing can be judged")
    marked, unmeasured = marks.in_halves(position // half + 2)
    return Look(
        nominal_hz,
        np.asarray(series.u_half[:n_voltages]),
        half,
        (marked[:, 1:] | marked[:, :-1])[:, : max(position // half - 1, 1)],
        position,
        unmeasured,
        tuple(marks.bits),
        rate_hz,
        tuple(is_wave.tolist()),
        suspects,
        series,
        None if shape is None else shape.finish(),
        of_currents,
    )
