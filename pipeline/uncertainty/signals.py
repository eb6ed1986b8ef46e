"""Least uncertainties that white noise leaves of frequency, phase and ringing, and what our estimators make of them."""

from __future__ import annotations

from math import degrees, hypot, pi, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

_TRACKED_CYCLES: Final = 5.0  # that the tracked frequency rests on
_NOISE_SHARE: Final = 0.4  # of the least uncertainty, over the voltage left in an event that fills these; Monte Carlo
_LEAST_LEFT_PU: Final = 0.045  # less than which is not tracked
_NOISE_SHORT: Final = 0.75  # times the least uncertainty, of an event shorter than these, whatever is left in it
_FILLED_CYCLES: Final = (4.0, 8.0)  # by events from short to long
# By how much the edges of an event disturb the tracked frequency, in millionths of it, by its length [cycles], a row
# each, and its depth [pu]: Monte Carlo, 12,000 sags at 85 dB.
_LENGTHS_CYCLES: Final = (2.6, 3.9, 5.6, 8.0)
_DEPTHS_PU: Final = (0.0, 0.18, 0.29, 0.43, 0.57, 0.71, 0.84, 0.94)
_DISTURBED: Final = (  # tracked by one channel
    (3.0, 38.0, 84.0, 166.0, 176.0, 150.0, 155.0, 167.0),
    (3.0, 67.0, 107.0, 134.0, 230.0, 140.0, 140.0, 146.0),
    (3.0, 70.0, 84.0, 108.0, 160.0, 140.0, 124.0, 148.0),
    (3.0, 22.0, 41.0, 53.0, 87.0, 87.0, 91.0, 98.0),
)
_DISTURBED_BY_SEVERAL: Final = (
    (0.5, 0.9, 2.9, 11.0, 25.0, 25.0, 35.0, 45.0),
    (0.5, 1.0, 5.4, 13.7, 20.0, 31.0, 35.0, 42.0),
    (0.5, 1.0, 4.1, 12.6, 15.2, 20.3, 31.7, 41.5),
    (0.5, 0.6, 2.4, 7.0, 10.0, 17.0, 22.0, 28.7),
)
_SEEN: Final = 5.0  # times the noise, and
_SEEN_SHARE: Final = 0.1  # of the peak, from which on a transient has begun
_BEFORE_FIRST: Final = 0.29  # of what may have been lost before the first sample; Monte Carlo
_SMOOTHED: Final = 0.5  # of the noise, that a peak which is reached over several samples has; Monte Carlo
_RUNG: Final = (1.72, 1.95)  # times the least uncertainty that the fit of an oscillation reaches, of frequency and
# time constant; Monte Carlo


def frequency_u_hz(
    noise_pu: float, *, depth_pu: float, left_pu: float, lasted_cycles: float, rate_hz: float, per_cycle: float,
    n_tracked: int,
) -> float:  # fmt: skip
    """Standard uncertainty of the frequency tracked up to an event. [Hz]

    Parameters
    ----------
    noise_pu : noise over fundamental, both RMS.
    depth_pu, lasted_cycles : by how much the event changes the voltage, and for how long.
    left_pu : voltage in the event, root of the mean square of the channels that the frequency is tracked by.
    rate_hz, per_cycle : samples a second, and a cycle.
    n_tracked : channels that it is tracked by.

    Source: the Cramér-Rao bound of a sinusoid's frequency, (rate/2π) √(24 σ²/(A² n³)) with A the peak (D. C. Rife and
    R. R. Boorstyn, 1974; from memory), times what the estimator reaches.
    """
    n = _TRACKED_CYCLES * per_cycle
    least = rate_hz / (2 * pi) * sqrt(12 * noise_pu**2 / n**3)
    by_length = [
        float(np.interp(abs(depth_pu), _DEPTHS_PU, row))
        for row in (_DISTURBED if n_tracked == 1 else _DISTURBED_BY_SEVERAL)
    ]
    disturbed = 1e-6 * rate_hz / per_cycle * float(np.interp(lasted_cycles, _LENGTHS_CYCLES, by_length))
    share = _NOISE_SHARE / max(left_pu, _LEAST_LEFT_PU)
    reached = float(np.interp(lasted_cycles, _FILLED_CYCLES, (_NOISE_SHORT, share)))
    return hypot(reached * least / sqrt(n_tracked), disturbed)


def jump_u_deg(of_phasor: float, level: float, *, lead: float, lasted: float) -> float:
    """Standard uncertainty of a jump of the phase. [degrees]

    Parameters
    ----------
    of_phasor : of a one-cycle phasor, over the voltage before: σ/√N.
    level : voltage in the event over that before.
    lead, lasted : before and in the event, from which it is told. [cycles]

    Source: Cramér-Rao bounds of a sinusoid's phase, at the middle of what it is told from σ/√(N M) over its RMS, and of
    its frequency (see `frequency_u_hz`), which the voltage before is continued with; from the middle of the one to the
    middle of the other.
    """
    apart = 1 + (lead + lasted) / 2
    within = max(lasted - 0.5, 1.0)
    return degrees(of_phasor * sqrt(1 / lead + 12 * apart**2 / lead**3 + 1 / (level**2 * within)))


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
    least = 4 * noise_over_peak / sqrt(rate_hz * decay_s**3)
    return _RUNG[0] * least / (2 * pi), _RUNG[1] * least * decay_s**2


def peak_u(rest: npt.NDArray[np.float64], noise: npt.NDArray[np.float64]) -> float:
    """Standard uncertainty of a transient's peak. [unit of the samples]

    Parameters
    ----------
    rest : shape (n_channels, n). How far the waveform is off what it was before, from a little before the transient.
    noise : of each channel, per sample.

    Returns
    -------
    That of the noise; and where the peak may lie before the first sample that is off, some of what may have been lost
    up to that, by the slope after it. Shares by Monte Carlo.

    Source: derived; Monte Carlo as in JCGM 101:2008.
    """
    c = int(rest.max(axis=1).argmax())
    peak = float(rest[c].max())
    seen = int((rest[c] > max(_SEEN * noise[c], _SEEN_SHARE * peak)).argmax())
    lost = 0.0
    if seen + 1 < rest.shape[1]:
        lost = max(2 * float(rest[c, seen]) - float(rest[c, seen + 1]) - peak, 0.0)
    return hypot(_SMOOTHED * float(noise[c]), _BEFORE_FIRST * lost)
