"""A slice of waveforms around one event: what a report draws, and knows no file of."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, SampleArray
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.locales import number
from halfcycle.pipeline.measures.event_window import EventWindow, PhasorSeries, phasor_series
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, HalfCycles
from halfcycle.pipeline.measures.nominal import find_nominal_frequency

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Slice:
    """Waveforms around one event.

    Attributes
    ----------
    channels : voltages first, then currents; scale and offset turn samples into units.
    samples : shape (n_channels, n). Raw.
    rate_hz : [Hz]
    start : of the first sample, in samples from the event's start: negative. [samples]
    stop_event : of the event's end, in samples from its start. [samples]
    origin : where it was read, for people.
    notes : what the reader must know of it.
    hookup : a name of `terms.HOOKUPS`, by which the voltages were judged; "" where it is not known.
    """

    channels: tuple[Channel, ...]
    samples: SampleArray
    rate_hz: float
    start: float
    stop_event: float
    origin: str = ""
    notes: tuple[str, ...] = ()
    hookup: str = ""

    @property
    def n(self) -> int:
        """Samples of each channel."""
        return int(self.samples.shape[1])

    @property
    def voltages(self) -> list[int]:
        """Indices of the voltages."""
        return [i for i, channel in enumerate(self.channels) if channel.quantity == "voltage"]

    @property
    def currents(self) -> list[int]:
        """Indices of the currents."""
        return [i for i, channel in enumerate(self.channels) if channel.quantity == "current"]

    def times_s(self) -> F64:
        """Time of each sample from the event's start. [s]"""
        times: F64 = (np.arange(self.n, dtype=np.float64) + self.start) / self.rate_hz
        return times

    def physical(self, i: int) -> F64:
        """A channel in its unit, missing samples as NaN. i: index of the channel. [unit of the channel]"""
        channel, raw = self.channels[i], self.samples[i]
        with np.errstate(invalid="ignore"):
            values: F64 = raw.astype(np.float64) * channel.scale + channel.offset
        if channel.missing_code is not None:
            values[raw == channel.missing_code] = np.nan
        return values

    def cut(self, most_samples: int) -> Slice:
        """The first samples of the slice. most_samples: of all channels together."""
        most = max(most_samples // max(len(self.channels), 1), 1)
        if self.n <= most:
            return self
        spans = [number(length_s, ".3g") for length_s in (most / self.rate_hz, self.n / self.rate_hz)]
        note = f"the page holds the samples of the first {spans[0]} s of {spans[1]} s; the RMS is of the whole"
        return replace(self, samples=self.samples[:, :most], notes=(*self.notes, note))


@dataclass(frozen=True, slots=True)
class Rms:
    """Urms(1/2) of a slice's channels.

    Attributes
    ----------
    times_s : shape (n_channels, n). Middle of each one-cycle window, from the event's start. [s]
    values : shape (n_channels, n). [unit of the channel]
    """

    times_s: F64
    values: F64


def nominal_hz(event: Event, cut: Slice) -> float:
    """The frequency near which the fundamental lies. [Hz]

    Parameters
    ----------
    event : says it where it was measured.
    cut : else it is told from these waveforms.

    Raises
    ------
    SignalError : neither says it.
    """
    if event.frequency_hz is not None and 40 <= event.frequency_hz <= 70:
        return 60.0 if event.frequency_hz > 55 else 50.0
    return find_nominal_frequency(np.stack([cut.physical(i) for i in cut.voltages]), rate_hz=cut.rate_hz)


def rms_of(cut: Slice, *, nominal: float) -> Rms | None:
    """Urms(1/2) of all channels; None where there are too few samples.

    Parameters
    ----------
    cut : the slice.
    nominal : frequency. [Hz]
    """
    try:
        meter = HalfCycleMeter(
            cut.channels, rate_hz=cut.rate_hz, nominal_hz=nominal, n_leading=len(cut.voltages) or None
        )
        meter.push(np.ascontiguousarray(cut.samples))
        series: HalfCycles = meter.finish()
    except SignalError:
        return None
    if not series.n:
        return None
    middle = series.starts + cut.rate_hz / series.frequency_hz.astype(np.float64) / 2
    return Rms((middle + cut.start) / cut.rate_hz, series.u_half.astype(np.float64))


@dataclass(frozen=True, slots=True)
class BeforeAndDuring:
    """Phasors of each channel, RMS, before the event and where it is worst, by one reference.

    Attributes
    ----------
    phases : of the voltages, then of the currents.
    n_voltages : how many of them are voltages.
    before, during : complex, shape (n,), turned so that the first voltage lies at zero degrees before. [V], [A]
    """

    phases: tuple[str, ...]
    n_voltages: int
    before: npt.NDArray[np.complex128]
    during: npt.NDArray[np.complex128]


def phasors_of(event: Event, cut: Slice, *, nominal: float) -> BeforeAndDuring | None:
    """Phasors before and during an event; None where its surroundings do not hold enough.

    Parameters
    ----------
    event : whose kind says whether the lowest or the highest voltage is the worst.
    cut : the slice, at least three cycles of it before the event.
    nominal : frequency. [Hz]
    """
    volts = np.stack([cut.physical(i) for i in cut.voltages]) if cut.voltages else np.zeros((0, cut.n))
    amperes = np.stack([cut.physical(i) for i in cut.currents]) if cut.currents else None
    start = -cut.start
    try:
        window = EventWindow(volts, amperes, cut.rate_hz, nominal, start, start + cut.stop_event)
        series = phasor_series(window)
    except SignalError:
        return None
    if not series.n_before or not volts.size:
        return None
    worst = _worst_window(series, is_swell=event.kind in ("swell", "overvoltage"))
    both = series.u if series.i is None else np.concatenate([series.u, series.i])
    before = both[:, series.before].mean(axis=1)
    turn = np.exp(-1j * np.angle(before[0]))
    indices = [*cut.voltages, *cut.currents]
    phases = tuple(cut.channels[i].phase or cut.channels[i].name for i in indices)
    return BeforeAndDuring(phases, len(cut.voltages), before * turn, both[:, worst] * turn)


def _worst_window(series: PhasorSeries, *, is_swell: bool) -> int:
    sizes: Any = np.abs(series.u[:, series.i_start : series.i_stop])
    against = sizes / np.maximum(np.abs(series.u[:, series.before]).mean(axis=1, keepdims=True), 1e-12)
    at = against.max(axis=0).argmax() if is_swell else against.min(axis=0).argmin()
    return series.i_start + int(at)
