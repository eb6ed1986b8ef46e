"""Whether the waveforms of two sites show one disturbance: what is new in them, laid over one another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.incidents.sightings import FloatArray

_RATE_HZ: Final = 10_000.0  # at which they are compared; lags are found between samples
_REACH_S: Final = 0.03  # either way, beyond what is known of the clocks
_BEFORE_CYCLES: Final = 2.0
_LEAST_CYCLES: Final = 2.0  # of steady voltage before
_ORDERS: Final = 13
SAME: Final = 0.85
"""From here on waveforms speak for one disturbance, and below `OTHER` against it (common practice, no source)."""
OTHER: Final = 0.5


@dataclass(frozen=True, slots=True)
class SagVoltages:
    """Voltages of a site around a sag.

    Attributes
    ----------
    volts : shape (n_channels, n). Three phases, or fewer. [V]
    rate_hz : [Hz]
    start_s : of the first sample, from an instant that both sites share by their corrected clocks. [s]
    event_s, length_s : where the sag starts, likewise, and how long it lasts. [s]
    nominal_hz : [Hz]
    """

    volts: FloatArray
    rate_hz: float
    start_s: float
    event_s: float
    length_s: float
    nominal_hz: float


@dataclass(frozen=True, slots=True)
class WaveformMatch:
    """How well two stretches fit.

    Attributes
    ----------
    correlation : of what is new in them, 0 to 1, of the two voltages that are most alike: transformers turn phases.
    lag_s : how much later the second one shows it than the first. [s]
    """

    correlation: float
    lag_s: float

    @property
    def verdict(self) -> str:
        """``same``, ``other`` or ``unclear``."""
        return "same" if self.correlation >= SAME else "other" if self.correlation < OTHER else "unclear"


@dataclass(frozen=True, slots=True)
class WaveformEvidence:
    """What one site's waveform says of its join with another's.

    Attributes
    ----------
    incident_id, reference_site, site : what is compared.
    match : None where it cannot be.
    why_not : the reason then.
    """

    incident_id: str
    reference_site: str
    site: str
    match: WaveformMatch | None
    why_not: str = ""


def matched(first: SagVoltages, second: SagVoltages) -> WaveformMatch:
    """Compare two stretches.

    Parameters
    ----------
    first, second : of two sites.

    Raises
    ------
    SignalError : one of them has less than two steady cycles before its sag.

    Source: derived. What is new is the voltage less its steady wave before, fitted with harmonics and carried on; its
    phase and line voltages without zero sequence are correlated pair by pair over lags of up to `_REACH_S`.
    """
    begin = min(first.event_s, second.event_s) - _BEFORE_CYCLES / first.nominal_hz - _REACH_S
    length = max(first.length_s, second.length_s) + 2 * _BEFORE_CYCLES / first.nominal_hz + 2 * _REACH_S
    t_s = begin + np.arange(round(length * _RATE_HZ)) / _RATE_HZ
    a, b = (_six(_on(stretch, t_s)) for stretch in (first, second))
    n = len(t_s)
    size = 1 << (2 * n - 1).bit_length()
    spectra = np.fft.rfft(a, size), np.fft.rfft(b, size)
    most = round(_REACH_S * _RATE_HZ)
    strength = np.sqrt(np.square(a).sum(axis=1))[:, None] * np.sqrt(np.square(b).sum(axis=1))[None, :]
    together = np.fft.irfft(np.conj(spectra[0])[:, None, :] * spectra[1][None, :, :], size)
    lags = np.concatenate([together[..., -most:], together[..., : most + 1]], axis=-1)
    share = np.abs(lags) / np.maximum(strength, 1e-12)[..., None]
    i, j, k = np.unravel_index(int(share.argmax()), share.shape)
    return WaveformMatch(float(min(share[i, j, k], 1.0)), (int(k) - most + _between(share[i, j], int(k))) / _RATE_HZ)


def _on(stretch: SagVoltages, t_s: FloatArray) -> FloatArray:
    """What is new in a stretch, per unit of its steady wave, at given instants; 0 where it holds nothing."""
    n = stretch.volts.shape[1]
    if not len(stretch.volts):
        raise SignalError("there is no voltage to compare")
    own_s = stretch.start_s + np.arange(n) / stretch.rate_hz
    before = own_s < stretch.event_s - 0.5 / stretch.nominal_hz
    if before.sum() < _LEAST_CYCLES / stretch.nominal_hz * stretch.rate_hz:
        raise SignalError("two steady cycles before the sag are needed to compare the waveforms")
    volts = np.nan_to_num(stretch.volts)
    hertz = _frequency(volts[:, before], stretch.rate_hz, stretch.nominal_hz)
    orders = np.arange(1, min(_ORDERS, int(stretch.rate_hz / 2 / stretch.nominal_hz)) + 1)
    angle = 2 * np.pi * hertz * own_s[:, None] * orders[None, :]
    base = np.concatenate([np.ones((n, 1)), np.cos(angle), np.sin(angle)], axis=1)
    fit, *_ = np.linalg.lstsq(base[before], volts[:, before].T, rcond=None)
    size = np.sqrt(np.square(fit[1]) + np.square(fit[1 + len(orders)]))
    new = (volts - (base @ fit).T) / np.maximum(size, 1e-9)[:, None]
    return np.stack([np.interp(t_s, own_s, row, left=0.0, right=0.0) for row in new])


def _frequency(volts: FloatArray, rate_hz: float, nominal_hz: float) -> float:
    """Of the steady wave: by how far its phasor turns from the first half to the second. [Hz]"""
    whole = int(volts.shape[1] / 2 // (rate_hz / nominal_hz) * (rate_hz / nominal_hz))
    turn = np.exp(-2j * np.pi * nominal_hz / rate_hz * np.arange(volts.shape[1]))
    first, last = ((volts * turn)[:, part].sum(axis=1) for part in (slice(0, whole), slice(-whole, None)))
    angle = float(np.angle((last * np.conj(first)).sum()))
    return float(nominal_hz + angle / (2 * np.pi) * rate_hz / (volts.shape[1] - whole))


def _six(new: FloatArray) -> FloatArray:
    """Phases without zero sequence and differences of phases, of three; fewer channels as they are."""
    if len(new) != 3:
        return new
    return np.concatenate([new - new.mean(axis=0), (new - np.roll(new, -1, axis=0)) / np.sqrt(3)])


def _between(values: FloatArray, k: int) -> float:
    """How far a parabola through a maximum and the values beside it has its own maximum from it. [steps]"""
    if not 0 < k < len(values) - 1:
        return 0.0
    low, mid, high = (float(value) for value in values[k - 1 : k + 2])
    bend = low - 2 * mid + high
    return 0.5 * (low - high) / bend if bend < 0 else 0.0
