"""Voltage fluctuation: repeated changes of Urms(1/2) at 0.5 to 25 Hz that go on for seconds.

The measure is the RMS of the modulation over two seconds, anew each second. It says how far the voltage swings, not how
much a lamp's light is felt to flicker: this is no flickermeter, and Pst is not to be had from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.site_thresholds import USUAL
from halfcycle.pipeline.detectors.spans import (
    F64,
    UNSURE,
    ChannelSeries,
    ChannelSpan,
    Excursion,
    Mask,
    Values,
    decimal,
    find_excursions,
    parts_of,
    per_channel,
    stop_of,
)

CATEGORY: Final = "voltage fluctuation"
LOWEST_HZ: Final = 0.5
HIGHEST_HZ: Final = 25.0

_CHUNK = 512  # seconds that are looked at at one go
_NOISE_BAND = (0.6, 0.9)  # of nominal: above the fluctuation, short of where a one-cycle RMS sees nothing
_ABOVE_NOISE = 2.0  # power of a modulation against the noise's in the band; the noise's own estimate errs by a third
_HANN_PEAK = 8 / 3  # largest of a squared Hann window against its mean
_SWING = 2 * np.sqrt(2)  # peak to peak of a sinusoid against its RMS


class VoltageFluctuationSettings(BaseModel):
    """Thresholds of the voltage fluctuation.

    threshold_pct, hysteresis_pct : of the swing, peak to peak in per cent of the voltage. Common practice, no source:
        IEEE Std 1159-2019 Table 2, row 6.0, calls 0.1 to 7 % typical, and the noise of a record may reach its low end.
    minimum_duration_s, minimum_changes : what is shorter, or has fewer ups and downs of at least half the swing, is no
        repeated change. Common practice, no source; two single steps, or a load switched on and off, have two.
    sag_pu, swell_pu : seconds with a half cycle beyond are sags and swells and are not judged, on any channel; where
        they are not set, the site's thresholds count. IEC 61000-4-30 Ed. 3, 4.7 (flagging) and 5.4 (typical ones).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    threshold_pct: float = Field(1.0, gt=0, lt=20)
    hysteresis_pct: float = Field(0.2, ge=0, lt=20)
    minimum_duration_s: float = Field(3.0, ge=0)
    minimum_changes: int = Field(6, ge=1)
    sag_pu: float = Field(USUAL.sag_pu, gt=0, lt=1)
    swell_pu: float = Field(USUAL.swell_pu, gt=1, lt=3)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.hysteresis_pct < self.threshold_pct:
            raise ValueError(f"hysteresis_pct {self.hysteresis_pct} must be below threshold_pct {self.threshold_pct}")
        return self


def find_voltage_fluctuations(
    u_half: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    reference_v: npt.ArrayLike,
    rate_hz: float,
    nominal_frequency_hz: float,
    settings: VoltageFluctuationSettings,
    flags: npt.ArrayLike | None = None,
) -> list[Finding]:
    """Voltage fluctuations in the half-cycle series of one measuring point.

    Parameters
    ----------
    u_half : shape (n_channels, n). Urms(1/2) of the judged voltages. [V]
    starts : shape (n_channels, n) or (n,). Start of each one-cycle window. [samples]
    reference_v : scalar or shape (n_channels,). What sags and swells are told by. [V]
    rate_hz, nominal_frequency_hz : of the samples and of the fundamental. [Hz]
    settings : thresholds.
    flags : uint8, shape (n_channels, n). Marks of `measures.quality`, or None: all half cycles were measured.

    Returns
    -------
    List in order of start; kind ``flicker``. Magnitude is the largest swing, peak to peak of the sinusoid that has the
    modulation's RMS, in per cent of the mean voltage; `oscillation_hz` the strongest modulation then. Start and stop
    are known to a second. Records of under two seconds cannot be judged and give nothing.

    Raises
    ------
    SignalError : shapes that do not fit, NaN in u_half, or a reference that is not above zero.

    Source: derived. IEEE Std 1159-2019 Table 2, row 6.0 for the band (< 25 Hz); IEC 61000-4-15 Ed. 2 states
    modulations peak to peak as well. Of a modulation at the share x of the fundamental, an RMS over one cycle, weighted
    with the squared sine from zero to zero, passes sin(pi x)/(pi x) 4/(4 - x²), which is put right. White noise in the
    samples gives the half-cycle series a spectrum of the shape 1 + cos(pi x), since neighbouring windows share half
    their samples; its level is read off above the band, and a modulation of less than twice its power counts as none.
    """
    series = ChannelSeries.of(u_half, starts, flags, steps=2)
    reference = per_channel(reference_v, series.values.shape[0], "reference_v")
    spectrum = _Spectrum.of(nominal_frequency_hz)
    second = spectrum.second
    n_windows = series.n // second - 1
    if n_windows < 1:
        return []
    judged = _judged(series, reference, settings, second)
    off_pct = decimal(settings.threshold_pct - settings.hysteresis_pct)
    swing_pct = np.stack(
        [spectrum.swings_pct(row, seen, above_pct=off_pct) for row, seen in zip(series.values, judged, strict=True)]
    )
    near = (swing_pct > off_pct) & judged
    found = []
    for windows in find_excursions((swing_pct > settings.threshold_pct) & judged, near, judged & ~near):
        excursion = _in_half_cycles(windows, second, n_windows, series.n)
        if windows.judged_share * (excursion.i_stop - excursion.i_start) < settings.minimum_duration_s * second:
            continue
        extremes = [float(swing_pct[s.channel, s.i_start : s.i_stop].max()) for s in windows.spans]
        magnitude = max(extremes)
        worst = windows.spans[extremes.index(magnitude)]
        inside = series.values[worst.channel, excursion.i_start : excursion.i_stop]
        if _count_changes(inside, magnitude / 100, second) < settings.minimum_changes:
            continue
        strongest = worst.i_start + int(swing_pct[worst.channel, worst.i_start : worst.i_stop].argmax())
        parts = parts_of(excursion, series, extremes)
        found.append(
            Finding(
                kind="flicker",
                category=CATEGORY,
                start=min(part.start for part in parts),
                stop=stop_of(excursion, series),
                magnitude=magnitude,
                magnitude_unit="%",
                parts=parts,
                open_start=excursion.open_start,
                open_stop=excursion.open_stop,
                flags=series.flags_of(excursion.channels, excursion.i_start, excursion.i_stop),
                reference_v=reference[worst.channel],
                oscillation_hz=spectrum.dominating_hz(series, worst.channel, strongest, rate_hz=rate_hz),
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class _Spectrum:
    """Spectrum of two seconds of half-cycle RMS.

    Attributes
    ----------
    second : half cycles in a second.
    hann : float32, shape (2 * second,).
    band, above : bins of the fluctuation, and above it, where only noise is.
    gain : float64, shape (second + 1,). Power of a modulation after the one-cycle mean, of 1 before it.
    noise : float64, shape (second + 1,). Shape of the spectrum of white noise in the samples.
    """

    second: int
    hann: npt.NDArray[np.float32]
    band: slice
    above: slice
    gain: F64
    noise: F64

    @classmethod
    def of(cls, nominal_hz: float) -> _Spectrum:
        second = round(2 * nominal_hz)
        of_nominal = np.arange(second + 1) / second  # bins half a hertz apart, as shares of f0
        hann = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(2 * second) + 0.5) / (2 * second))
        return cls(
            second,
            hann.astype(np.float32),
            slice(round(2 * LOWEST_HZ), round(2 * HIGHEST_HZ) + 1),
            slice(*(round(share * second) for share in _NOISE_BAND)),
            (np.sinc(of_nominal) * 4 / (4 - of_nominal**2)) ** 2,
            1 + np.cos(np.pi * of_nominal),
        )

    def swings_pct(self, u_half: Values, judged: Mask, *, above_pct: float) -> F64:
        """Swing of each window, two seconds long and a second apart; 0 where not judged or surely not above a value.

        Shape (n_windows,), as `judged`. [% of the window's mean]
        """
        swing = np.zeros(judged.size)
        largest = _SWING * np.sqrt(_HANN_PEAK / self.gain[self.band.stop - 1])  # against the standard deviation
        for first in range(0, judged.size, _CHUNK):
            stop = min(first + _CHUNK, judged.size)
            seconds = u_half[first * self.second : (stop + 1) * self.second].reshape(-1, self.second)
            means = seconds.mean(axis=1)
            rest = seconds - means[:, None]
            variance = np.einsum("ij,ij->i", rest, rest) / self.second
            step = (means[1:] - means[:-1]) / 2
            mean = (means[1:] + means[:-1]) / 2
            deviation = np.sqrt((variance[1:] + variance[:-1]) / 2 + step**2)
            likely = np.flatnonzero(judged[first:stop] & (largest * deviation > above_pct / 100 * mean))
            if likely.size:
                halves = rest[likely] - step[likely, None], rest[likely + 1] + step[likely, None]
                power, floor = self._power(np.concatenate(halves, axis=1))
                modulation = power.sum(axis=1)
                modulation[modulation < _ABOVE_NOISE * floor] = 0
                swing[first + likely] = 100 * _SWING * np.sqrt(modulation) / mean[likely]
        return swing

    def dominating_hz(self, series: ChannelSeries, channel: int, window: int, *, rate_hz: float) -> float:
        """Frequency of the strongest modulation of a window, between its bins by a parabola. [Hz]"""
        first = window * self.second
        values = series.values[channel, first : first + 2 * self.second].astype(np.float64)
        power = self._power((values - values.mean())[None])[0][0].clip(np.finfo(np.float64).tiny)
        peak = int(power.argmax())
        shift = 0.0
        if 0 < peak < power.size - 1:
            left, middle, right = np.log(power[peak - 1 : peak + 2])
            shift = float((left - right) / (left - 2 * middle + right) / 2)
        length_s = (series.time(channel, first + 2 * self.second) - series.time(channel, first)) / rate_hz
        return float(self.band.start + peak + shift) / length_s

    def _power(self, deviations: Values) -> tuple[F64, F64]:
        """Mean square of the modulation in each bin of the band, noise taken off, and the noise in the whole band.

        Shapes (n_windows, n_bins) and (n_windows,). [unit² of the deviations]
        """
        from scipy.fft import rfft

        spectra = rfft(deviations * self.hann, axis=1)
        power = (spectra.real**2 + spectra.imag**2).astype(np.float64)
        power *= 2 / (self.hann.size * float((self.hann.astype(np.float64) ** 2).sum()))
        noise = np.median(power[:, self.above] / self.noise[self.above], axis=1) / np.log(2)  # an exponential's median
        floor = noise[:, None] * self.noise[self.band]
        return (power[:, self.band] - floor) / self.gain[self.band], (floor / self.gain[self.band]).sum(axis=1)


def _judged(series: ChannelSeries, reference: list[float], settings: VoltageFluctuationSettings, second: int) -> Mask:
    """Windows without half cycles that were not measured, and without a sag or swell on any channel."""
    n_seconds = series.n // second
    shape = (len(reference), n_seconds)
    calm: Mask = np.ones(n_seconds, np.bool_)
    measured = series.without(UNSURE)
    for c, reference_v in enumerate(reference):
        row = series.values[c] if measured is None else np.where(measured[c], series.values[c], reference_v)
        seconds = row[: n_seconds * second].reshape(n_seconds, second)
        calm &= seconds.min(axis=1) >= settings.sag_pu * reference_v
        calm &= seconds.max(axis=1) <= settings.swell_pu * reference_v
    good: Mask = np.broadcast_to(calm, shape)
    if measured is not None:
        good = good & np.logical_and.reduce(measured[:, : n_seconds * second].reshape(*shape, second), axis=2)
    both: Mask = good[:, 1:] & good[:, :-1]
    return both


def _in_half_cycles(windows: Excursion, second: int, n_windows: int, n: int) -> Excursion:
    """The half cycles of an excursion's windows: the middle second of each, at the record's ends all that is left."""

    def edge(window: int) -> int:
        return 0 if window == 0 else n if window == n_windows else window * second + second // 2

    spans = tuple(ChannelSpan(s.channel, edge(s.i_start), edge(s.i_stop)) for s in windows.spans)
    return replace(windows, i_start=edge(windows.i_start), i_stop=edge(windows.i_stop), spans=spans)


def _count_changes(u_half: Values, swing_pu: float, second: int) -> int:
    """How often the voltage goes from the upper to the lower quarter of its swing, or back."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    values = u_half.astype(np.float64) / float(u_half.mean(dtype=np.float64))
    middle = (maximum_filter1d(values, 2 * second) + minimum_filter1d(values, 2 * second)) / 2
    side = np.sign(values - middle)[np.abs(values - middle) > swing_pu / 4]
    return int(np.count_nonzero(side[1:] != side[:-1]))
