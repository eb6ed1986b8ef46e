"""Waveforms from their description, with the truth about the events in them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.synthesis.envelope import Envelope, FloatArray, envelope_of
from halfcycle.pipeline.synthesis.parameters import (
    EDGE_TOLERANCE_S,
    Harmonic,
    Interharmonic,
    LostSpan,
    Stage,
    Waveform,
)
from halfcycle.pipeline.synthesis.truth import TrueEvent, impulse_norm, true_events, voltage_envelopes
from halfcycle.pipeline.terms import Quantity

# Where the symmetrical system has each voltage and current against phase A to neutral. [degrees]
_PLACES_DEG: Final = {"A": 0.0, "B": -120.0, "C": 120.0, "AB": 30.0, "BC": -90.0, "CA": 150.0}
_NEGLIGIBLE: Final = 1e-12  # of a decaying exponential, relative to its start


@dataclass(frozen=True, slots=True)
class Synthesis:
    """A synthetic capture and the exact truth about the events in it.

    Examples
    --------
    >>> wave = hc.Waveform(hookup="single-phase", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=1.0)
    >>> hc.synthesise(wave, start_ns=0).truth  # nothing happens
    ()
    """

    capture: Capture
    truth: tuple[TrueEvent, ...]


@dataclass(frozen=True, slots=True)
class _Clock:
    """The instants of the samples and how far the fundamental of phase A to neutral has turned by then.

    Attributes
    ----------
    t_s : float64, shape (n_samples,). From the start of the capture. [s]
    angle : float64, shape (n_samples,). The integral of the frequency, whole turns left out. [rad]
    """

    t_s: FloatArray
    angle: FloatArray


@dataclass(frozen=True, slots=True)
class _Conductor:
    """What one channel measures.

    Attributes
    ----------
    channel : as the capture has it.
    unit_rms : RMS of the fundamental that 1 pu stands for. [unit of the channel]
    steady_rms : RMS of the fundamental outside the stages, which noise refers to. [unit of the channel]
    place_deg : against phase A to neutral, angle errors included. [degrees]
    sign : -1 for the second line of a split-phase supply, which is the first one upside down: its even harmonics
        turn with it, where those of phases that follow one another keep to their angle.
    magnitude, jump_deg : over time; a jump shifts the whole waveshape. [pu], [degrees]
    """

    channel: Channel
    unit_rms: float
    steady_rms: float
    place_deg: float
    sign: float
    magnitude: Envelope
    jump_deg: Envelope
    harmonics: tuple[Harmonic, ...]
    interharmonics: tuple[Interharmonic, ...]


def synthesise(waveform: Waveform, *, start_ns: int, station: str = "", seed: int = 0) -> Synthesis:
    """The samples of a waveform, and its events.

    Parameters
    ----------
    waveform : the description.
    start_ns : time of the first sample. [ns since 1970-01-01]
    station : station name for the capture's header.
    seed : of the noise, 0 or more; each channel has its own stream. Without noise it changes nothing.

    Returns
    -------
    Synthesis. Sample i is the continuous waveform at i / rate, so edges fall between samples where they are said to;
    nothing is low-pass filtered. Voltage channels come first. [V], [A]

    Notes
    -----
    With θ = 2π ∫f dt + place of the phase + jump and m the envelope, a voltage is
    √2 U m (sin θ + Σ a_h sin(h θ + α_h) + Σ a_i sin(2π f_i t + …)) + transients + impulses + dc + noise.

    Examples
    --------
    >>> stage = hc.Stage(start_s=0.5, duration_s=0.1, residual_pu=(0.4, 1.0, 1.0))
    >>> wave = hc.Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=2.0, stages=(stage,))
    >>> made = hc.synthesise(wave, start_ns=0, station="Sorrel Mill")
    >>> made.capture.samples.shape, made.truth[0].kind
    ((3, 12800), 'sag')
    """
    clock = _clock(waveform)
    voltages, currents = _voltages(waveform), _currents(waveform)
    dtype = _sample_type(waveform)
    samples = np.empty((len(voltages) + len(currents), waveform.n_samples), dtype=dtype)
    for i, conductor in enumerate((*voltages, *currents)):
        values = _tones(conductor, clock)
        if i < len(voltages):
            values += waveform.dc_pu / math.sqrt(2)
            _superimpose(values, waveform, clock.t_s, i_phase=i)
        values *= conductor.unit_rms * math.sqrt(2)
        if waveform.snr_db is not None:
            sigma = conductor.steady_rms * 10 ** (-waveform.snr_db / 20)
            values += sigma * np.random.default_rng((seed, i)).standard_normal(values.size)
        samples[i] = _recorded(values, conductor.channel, waveform, clock.t_s, dtype=dtype)
    header = Header(
        station=station,
        start_ns=start_ns,
        rate_hz=waveform.rate_hz,
        n_samples=waveform.n_samples,
        channels=tuple(conductor.channel for conductor in (*voltages, *currents)),
        sample_type=samples.dtype.name,
        nominal_frequency_hz=waveform.nominal_frequency_hz,
    )
    return Synthesis(Capture(header, samples), true_events(waveform, start_ns=start_ns))


def _clock(waveform: Waveform) -> _Clock:
    t_s = np.arange(waveform.n_samples) / waveform.rate_hz
    turns = t_s * (waveform.initial_frequency_hz + waveform.drift_hz_per_s / 2 * t_s)
    # Whole turns go before the sine, which keeps its precision, and its speed, in the last cycle as in the first.
    return _Clock(t_s, 2 * math.pi * ((turns + waveform.phase_deg / 360) % 1.0))


def _voltages(waveform: Waveform) -> list[_Conductor]:
    errors_deg = waveform.angle_errors_deg or (0.0,) * len(waveform.phases)
    conductors = []
    for i, (phase, envelope) in enumerate(zip(waveform.phases, voltage_envelopes(waveform), strict=True)):
        place_deg, sign = _place(waveform.hookup, phase)
        conductors.append(
            _Conductor(
                channel=_channel(f"U{phase}", phase, waveform, unit_rms=waveform.nominal_voltage_v),
                unit_rms=waveform.nominal_voltage_v,
                steady_rms=waveform.nominal_voltage_v * waveform.steady_pu[i],
                place_deg=place_deg + errors_deg[i],
                sign=sign,
                magnitude=envelope,
                jump_deg=envelope_of(waveform.stages, steady=0.0, value=_jump_of(i)),
                harmonics=waveform.harmonics,
                interharmonics=waveform.interharmonics,
            )
        )
    return conductors


def _currents(waveform: Waveform) -> list[_Conductor]:
    load = waveform.load
    if load is None:
        return []
    lags_deg = load.displacement_deg or (0.0,) * len(waveform.conductors)
    conductors = []
    for i, phase in enumerate(waveform.conductors):
        place_deg, sign = _place(waveform.hookup, phase)
        conductors.append(
            _Conductor(
                channel=_channel(f"I{phase}", phase, waveform, unit_rms=max(load.current_a)),
                unit_rms=load.current_a[i],
                steady_rms=load.current_a[i],
                place_deg=place_deg - lags_deg[i],
                sign=sign,
                magnitude=envelope_of(waveform.stages, steady=1.0, value=_current_of(i)),
                jump_deg=envelope_of(waveform.stages, steady=0.0, value=_current_jump_of(i)),
                harmonics=load.harmonics,
                interharmonics=(),
            )
        )
    return conductors


def _place(hookup: str, phase: str) -> tuple[float, float]:
    """Angle [degrees] and sign of a phase in the symmetrical system."""
    if hookup == "split-phase":
        return 0.0, 1.0 if phase == "A" else -1.0
    return _PLACES_DEG[phase], 1.0


def _jump_of(i_phase: int) -> Callable[[Stage], float]:
    return lambda stage: stage.phase_jump_deg[i_phase] if stage.phase_jump_deg else 0.0


def _current_of(i_phase: int) -> Callable[[Stage], float]:
    return lambda stage: stage.current_pu[i_phase] if stage.current_pu else 1.0


def _current_jump_of(i_phase: int) -> Callable[[Stage], float]:
    return lambda stage: stage.current_jump_deg[i_phase] if stage.current_jump_deg else 0.0


def _sample_type(waveform: Waveform) -> np.dtype[Any]:
    if waveform.quantisation is None:
        return np.dtype(np.float32)
    return np.dtype(np.int16 if waveform.quantisation.bits <= 16 else np.int32)


def _channel(name: str, phase: str, waveform: Waveform, *, unit_rms: float) -> Channel:
    is_voltage = name.startswith("U")
    quantity: Quantity = "voltage" if is_voltage else "current"
    unit = "V" if is_voltage else "A"
    quantisation = waveform.quantisation
    if quantisation is None:
        return Channel(name=name, quantity=quantity, phase=phase, unit=unit)
    rail = 2 ** (quantisation.bits - 1) - 1
    range_pu = quantisation.voltage_range_pu if is_voltage else quantisation.current_range_pu
    return Channel(
        name=name,
        quantity=quantity,
        phase=phase,
        unit=unit,
        scale=range_pu * unit_rms * math.sqrt(2) / rail,
        missing_code=int(np.iinfo(_sample_type(waveform)).min),
        rail_low=-rail,
        rail_high=rail,
    )


def _tones(conductor: _Conductor, clock: _Clock) -> FloatArray:
    """Fundamental, harmonics and interharmonics under the envelope, relative to the peak of the unit."""
    place = math.radians(conductor.place_deg)
    angle = clock.angle + place
    if not conductor.jump_deg.is_level:
        angle += np.radians(conductor.jump_deg.at(clock.t_s))
    values = np.sin(angle)
    for harmonic in conductor.harmonics:
        values += harmonic.magnitude_pu * np.sin(harmonic.order * angle + math.radians(harmonic.angle_deg))
    for tone in conductor.interharmonics:
        start = place + math.radians(tone.angle_deg)
        values += tone.magnitude_pu * np.sin(2 * math.pi * ((tone.frequency_hz * clock.t_s) % 1.0) + start)
    values *= conductor.sign * conductor.magnitude.at(clock.t_s)
    return values


def _superimpose(values: FloatArray, waveform: Waveform, t_s: FloatArray, *, i_phase: int) -> None:
    """Adds transients and impulses, relative to the peak of the nominal voltage."""
    for transient in waveform.transients:
        after, since_s = _decay(t_s, transient.start_s, transient.decay_s)
        swing = np.sin(2 * math.pi * transient.frequency_hz * since_s + math.radians(transient.angle_deg))
        values[after] += transient.magnitudes_pu[i_phase] * np.exp(-since_s / transient.decay_s) * swing
    for impulse in waveform.impulses:
        after, since_s = _decay(t_s, impulse.start_s, impulse.decay_s)
        shape = np.exp(-since_s / impulse.decay_s) - np.exp(-since_s / impulse.rise_s)
        values[after] += impulse.peaks_pu[i_phase] * impulse_norm(impulse) * shape


def _decay(t_s: FloatArray, start_s: float, time_constant_s: float) -> tuple[slice, FloatArray]:
    """The samples that an exponential reaches before it is negligible, and the time since its start at each. [s]"""
    end_s = start_s - time_constant_s * math.log(_NEGLIGIBLE)
    after = _samples(t_s, start_s, end_s)
    return after, t_s[after] - start_s


def _samples(t_s: FloatArray, start_s: float, end_s: float) -> slice:
    first, last = np.searchsorted(t_s, (start_s - EDGE_TOLERANCE_S, end_s - EDGE_TOLERANCE_S))
    return slice(int(first), int(last))


def _recorded(
    values: FloatArray, channel: Channel, waveform: Waveform, t_s: FloatArray, *, dtype: np.dtype[Any]
) -> npt.NDArray[Any]:
    """Raw samples of one channel as the recorder has them, shape as given."""
    for samples in _spans(waveform.flat, channel, t_s):
        values[samples] = values[samples.start]
    missing = _spans(waveform.missing, channel, t_s)
    if channel.missing_code is None:
        for samples in missing:
            values[samples] = np.nan
        return values.astype(dtype)
    raw = np.clip(np.rint(values / channel.scale), channel.rail_low, channel.rail_high)
    for samples in missing:
        raw[samples] = channel.missing_code
    return raw.astype(dtype)


def _spans(spans: tuple[LostSpan, ...], channel: Channel, t_s: FloatArray) -> list[slice]:
    concerned = (span for span in spans if not span.channels or channel.name in span.channels)
    found = [_samples(t_s, span.start_s, span.start_s + span.duration_s) for span in concerned]
    return [samples for samples in found if samples.start < samples.stop]
