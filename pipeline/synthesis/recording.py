"""How drawn windows are recorded: rate, background of the supply, noise, quantisation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError

FloatArray = npt.NDArray[np.float64]
Range = tuple[float, float]

_ORDERS: Final = (3, 5, 7, 11, 13)  # common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """How the windows are recorded. A range is drawn from evenly, once a window.

    Attributes
    ----------
    rate_hz : samples a second. [Hz]
    nominal_hz : 50 or 60, or any. [Hz]
    n_cycles : length of a window, in nominal cycles.
    snr_db : signal to noise, noise added to the disturbed signal; None: no noise. [dB]
    clean_share : share of the windows that get no noise, where others do.
    frequency_deviation : of the fundamental from nominal, relative.
    nominal_share : share of the windows at exactly nominal frequency, where others deviate.
    background_thd : total of the harmonics that the supply has anyway, relative to its fundamental.
    background_share : share of the windows that have a background.
    unmoved_share : share of the backgrounds that stay as they are in an event; others follow the fundamental.
    open_share : share of the windows whose event runs on beyond their end, as most recorded ones do.
    jump_share : share of the windows whose phase differs within the event.
    jump_deg : by how much. [deg]
    bits : of the recorder's converter; None: not quantised.
    full_scale_pu : of the converter, either way, in units of the undisturbed peak.
    """

    rate_hz: float = 16_000.0
    nominal_hz: float = 50.0
    n_cycles: int = 10
    snr_db: Range | None = None
    clean_share: float = 0.0
    frequency_deviation: Range = (0.0, 0.0)
    nominal_share: float = 0.0
    background_thd: Range = (0.0, 0.0)
    background_share: float = 1.0
    unmoved_share: float = 0.0
    open_share: float = 0.0
    jump_share: float = 0.0
    jump_deg: Range = (0.0, 0.0)
    bits: int | None = None
    full_scale_pu: float = 2.0

    def __post_init__(self) -> None:
        if not (self.rate_hz > 2 * self.nominal_hz > 0 and self.n_cycles >= 3):
            raise ConfigError(
                f"rate_hz {self.rate_hz}, nominal_hz {self.nominal_hz}, n_cycles {self.n_cycles}: more than two "
                "samples a cycle and at least three cycles are needed"
            )
        if self.bits is not None and not 2 <= self.bits <= 24:
            raise ConfigError(f"bits is {self.bits}; 2 to 24 are allowed")

    @property
    def n_samples(self) -> int:
        """Length of a window, to the nearest sample."""
        return round(self.n_cycles * self.rate_hz / self.nominal_hz)


def supply_background(
    frequency_hz: FloatArray, envelope: FloatArray, t_s: FloatArray, *, rng: np.random.Generator, conditions: Conditions
) -> FloatArray:
    """Harmonics of the supply, which follow the envelope of the event or stay as they are.

    Parameters
    ----------
    frequency_hz : shape (n,). Of the fundamental. [Hz]
    envelope : shape (n, n_samples). [pu]
    t_s : shape (n_samples,). [s]
    rng : drawn from.
    conditions : total distortion, shares of the windows, rate.
    """
    n = len(frequency_hz)
    thd = rng.uniform(*conditions.background_thd, n) * (rng.uniform(size=n) < conditions.background_share)
    parts = np.abs(rng.standard_normal((len(_ORDERS), n)))
    parts *= thd / np.sqrt(np.sum(parts**2, axis=0))
    angles = rng.uniform(-math.pi, math.pi, parts.shape)
    y = np.zeros((n, len(t_s)))
    if not thd.any():
        return y
    phase = 2 * np.pi * frequency_hz[:, None] * t_s
    for order, part, angle in zip(_ORDERS, parts, angles, strict=True):
        if order < conditions.rate_hz / conditions.nominal_hz / 2:
            y += part[:, None] * np.sin(order * phase - angle[:, None])
    if conditions.unmoved_share:
        envelope = np.where(rng.uniform(size=(n, 1)) < conditions.unmoved_share, 1.0, envelope)
    return y * envelope


def noise_sigma(clean: FloatArray, snr_db: FloatArray | float) -> FloatArray:
    """Standard deviation of the noise of windows, shape (n,), at their own power. [pu]"""
    return np.asarray(np.sqrt(np.mean(clean**2, axis=1) * 10 ** (-snr_db / 10)))


def recorded(
    clean: FloatArray, *, rng: np.random.Generator, conditions: Conditions
) -> tuple[npt.NDArray[np.float32], FloatArray]:
    """Noise and quantisation; the values and each window's SNR."""
    n = len(clean)
    snr_db, y = np.full(n, np.inf), clean
    if conditions.snr_db is not None:
        noisy = rng.uniform(size=n) >= conditions.clean_share
        snr_db = np.where(noisy, rng.uniform(*conditions.snr_db, n), np.inf)
        y = clean + noise_sigma(clean, snr_db)[:, None] * rng.standard_normal(clean.shape)
    if conditions.bits is not None:
        step = 2 * conditions.full_scale_pu / 2**conditions.bits
        y = np.clip(np.round(y / step) * step, -conditions.full_scale_pu, conditions.full_scale_pu - step)
    return y.astype(np.float32), snr_db
