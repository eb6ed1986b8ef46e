"""Least uncertainties that white noise leaves of frequency, phase and ringing, and what our estimators make of them."""

from __future__ import annotations

from math import degrees, hypot, pi, sqrt
from typing import Final

import numpy as np

_TRACKED_CYCLES: Final = 5.0  # that the tracked frequency rests on
_TRACKED: Final = 1.3  # times the least uncertainty, that tracking by one channel reaches,
_TRACKED_BY_SEVERAL: Final = 1.0  # and by several; Monte Carlo
# By how much the edges of an event disturb the tracked frequency, by its depth [pu]: Monte Carlo.
_DEPTHS_PU: Final = (0.0, 0.17, 0.325, 0.5, 0.7, 0.85, 0.95)
_DISTURBED_HZ: Final = (0.3e-3, 1.6e-3, 3.5e-3, 5.6e-3, 6.3e-3, 8.2e-3, 14e-3)  # tracked by one channel
_DISTURBED_BY_SEVERAL_HZ: Final = (0.05e-3, 0.08e-3, 0.2e-3, 0.43e-3, 0.83e-3, 1.4e-3, 2.2e-3)
_SHORT_CYCLES: Final = 8.0  # of events whose end disturbs it too,
_BY_LENGTH: Final = (1.12, 0.92)  # by how much more, and less, than on average; Monte Carlo
_RUNG: Final = 1.5  # times the least uncertainty that the fit of an oscillation reaches; Monte Carlo


def frequency_u_hz(
    noise_pu: float, *, depth_pu: float, lasted_cycles: float, rate_hz: float, per_cycle: float, n_tracked: int
) -> float:
    """Standard uncertainty of the frequency tracked up to an event. [Hz]

    Parameters
    ----------
    noise_pu : noise over fundamental, both RMS.
    depth_pu, lasted_cycles : by how much the event changes the voltage, and for how long.
    rate_hz, per_cycle : samples a second, and a cycle.
    n_tracked : channels that it is tracked by.

    Source: the Cramér-Rao bound of a sinusoid's frequency, (rate/2π) √(24 σ²/(A² n³)) with A the peak (D. C. Rife and
    R. R. Boorstyn, 1974; from memory), times what the estimator reaches.
    """
    n = _TRACKED_CYCLES * per_cycle
    least = rate_hz / (2 * pi) * sqrt(12 * noise_pu**2 / n**3)
    depth = min(abs(depth_pu), 1.0)
    by_depth = _DISTURBED_HZ if n_tracked == 1 else _DISTURBED_BY_SEVERAL_HZ
    disturbed = float(np.interp(depth, _DEPTHS_PU, by_depth)) * _BY_LENGTH[lasted_cycles > _SHORT_CYCLES]
    reached = _TRACKED if n_tracked == 1 else _TRACKED_BY_SEVERAL
    return hypot(reached * least / sqrt(n_tracked), disturbed)


def phase_u_deg(noise_pu: float, *, per_cycle: float) -> float:
    """Standard uncertainty of the phase of a one-cycle phasor. [degrees]  noise_pu: over its own RMS, both RMS.

    Source: σ/(V √N) rad, by the GUM's law of propagation from N equal and independent samples.
    """
    return degrees(noise_pu / sqrt(per_cycle))


def ringing_u(noise_over_peak: float, *, decay_s: float, rate_hz: float) -> tuple[float, float]:
    """Standard uncertainties of an oscillation's frequency [Hz] and of its time constant [s].

    Parameters
    ----------
    noise_over_peak : noise RMS over the oscillation's first peak.
    decay_s : its time constant. [s]
    rate_hz : of the samples. [Hz]

    Source: Cramér-Rao bound of a decaying sinusoid of unknown phase: of frequency and of 1/decay both
    4 (σ/A) decay^-1.5 rate^-0.5 in rad/s; derived; times what the estimator reaches.
    """
    least = _RUNG * 4 * noise_over_peak / sqrt(rate_hz * decay_s**3)
    return least / (2 * pi), least * decay_s**2
