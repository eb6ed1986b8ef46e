"""Three-phase waveforms with disturbances, made from complex envelopes on an integrated phase, with their exact truth.

1 pu is the RMS of the undisturbed fundamental, so an undisturbed sine peaks at sqrt(2) pu. The fundamental of phase c
is sqrt(2) Im(envelope[c] exp(j (theta + phase[c]))), theta the integral of 2 pi f(t), phases at 0, -120, +120 degrees.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Triple = tuple[float, float, float]

_GRID_SLACK = 1e-6  # a stage edge this close to a sample counts as on it: float rounding [samples]


@dataclass(frozen=True)
class Stage:
    """A stretch of time in which phases have another level: dip, swell or interruption, by the levels.

    Attributes
    ----------
    start_s, duration_s : the stretch [start, start + duration). [s]
    levels_pu : level of each phase in it, 1 for a phase that takes no part. [pu of the undisturbed fundamental]
    jump_deg : advance of each phase's angle in it. [degrees]
    recovery_s : after it, level and angle run back in straight lines for so long; 0: at once. [s]
    """

    start_s: float
    duration_s: float
    levels_pu: Triple
    jump_deg: Triple = (0.0, 0.0, 0.0)
    recovery_s: float = 0.0

    @property
    def end_s(self) -> float:
        """Where the levels end. [s]"""
        return self.start_s + self.duration_s

    @property
    def restored_s(self) -> float:
        """Where nothing is left of it. [s]"""
        return self.end_s + self.recovery_s

    def touches(self, i_phase: int) -> bool:
        """Whether a phase takes part."""
        return self.levels_pu[i_phase] != 1.0 or self.jump_deg[i_phase] != 0.0


@dataclass(frozen=True)
class Component:
    """A harmonic, or an interharmonic where the order is broken; it follows the level of its phase.

    Attributes
    ----------
    order : multiple of the fundamental's frequency.
    ratio : amplitude, relative to the fundamental.
    phase_deg : angle where the angle of its phase's fundamental (jumps left out) is zero. [degrees of its own]
    """

    order: float
    ratio: float
    phase_deg: float = 0.0


@dataclass(frozen=True)
class Truth:
    """What is true of a waveform.

    Attributes
    ----------
    f_hz : frequency at t = 0. [Hz]
    phase_rad : angle of each phase's fundamental at t = 0, sine convention. [rad]
    envelope_pu : shape (3, n). Level (modulus) and jump (angle) of each fundamental at each sample. [pu]
    crossings_s : for each phase, the zero crossings of its fundamental as if it never jumped. [s]
    stages : the disturbances in order of start.
    stage_rms_pu : for each stage, RMS of each phase in it over a long time, components and noise included. [pu]
    """

    f_hz: float
    phase_rad: Triple
    envelope_pu: ComplexArray
    crossings_s: tuple[FloatArray, ...]
    stages: tuple[Stage, ...]
    stage_rms_pu: tuple[Triple, ...]


def three_phase(
    *,
    rate_hz: float,
    length_s: float,
    f_hz: float,
    stages: Sequence[Stage] = (),
    phase_deg: float = 0.0,
    drift_hz_per_s: float = 0.0,
    components: Sequence[Component] = (),
    noise_pu: float = 0.0,
    seed: int = 0,
) -> tuple[FloatArray, Truth]:
    """Make a waveform. Edges are as sharp as the samples: no filter rounds them.

    Parameters
    ----------
    rate_hz : float > 0. Sampling rate. [Hz]
    length_s : float > 0. Length, rounded to whole samples. [s]
    f_hz : float > 0. Frequency at t = 0, on or off nominal. [Hz]
    stages : disturbances; they may overlap in time on different phases only.
    phase_deg : float. Angle of phase A at t = 0. [degrees]
    drift_hz_per_s : float. Slope of the frequency. [Hz/s]
    components : harmonics and interharmonics on all phases.
    noise_pu : float >= 0. RMS of white Gaussian noise on each phase. [pu]
    seed : int. Of the noise.

    Returns
    -------
    (u, truth) : float64, shape (3, n_samples) [pu], and `Truth`.

    Raises
    ------
    ValueError : a rate, length, frequency, level or time out of its range, or two stages at once on one phase.
    """
    n = round(rate_hz * length_s)
    f_end_hz = f_hz + drift_hz_per_s * length_s
    if not (rate_hz > 0 and n > 1 and f_hz > 0 and f_end_hz > 0 and noise_pu >= 0):
        raise ValueError("rate, length and frequency must be above zero, noise not below it")
    ordered = tuple(sorted(stages, key=lambda stage: stage.start_s))
    _refuse_impossible(ordered)
    time_s = np.arange(n) / rate_hz
    f_t = f_hz + drift_hz_per_s * time_s
    # The trapezoid rule integrates a straight line exactly.
    steps = math.pi * (f_t[1:] + f_t[:-1]) / rate_hz
    theta = np.concatenate(([0.0], np.cumsum(steps)))
    angles = [math.radians(phase_deg + shift) for shift in (0.0, -120.0, 120.0)]
    phase_rad = (angles[0], angles[1], angles[2])
    envelope = np.ones((3, n), dtype=np.complex128)
    for stage in ordered:
        for i_phase in range(3):
            if stage.touches(i_phase):
                envelope[i_phase] *= _stage_envelope(stage, i_phase, n, rate_hz)
    u = np.zeros((3, n))
    for i_phase in range(3):
        carrier = envelope[i_phase] * np.exp(1j * (theta + phase_rad[i_phase]))
        u[i_phase] = math.sqrt(2) * carrier.imag
        for part in components:
            turning = np.exp(1j * (part.order * (theta + phase_rad[i_phase]) + math.radians(part.phase_deg)))
            u[i_phase] += math.sqrt(2) * part.ratio * np.abs(envelope[i_phase]) * turning.imag
    if noise_pu > 0:
        u += np.random.default_rng(seed).normal(0.0, noise_pu, u.shape)
    truth = Truth(
        f_hz=f_hz,
        phase_rad=phase_rad,
        envelope_pu=envelope,
        crossings_s=tuple(_crossings(theta + phase, time_s) for phase in phase_rad),
        stages=ordered,
        stage_rms_pu=tuple(_stage_rms(stage, components, noise_pu) for stage in ordered),
    )
    return u, truth


def write_plain_csv(path: Path, u_volts: FloatArray, rate_hz: float) -> None:
    """Write a waveform as a plain table: columns ``time_s``, ``UA (V)``, ``UB (V)``, ``UC (V)``.

    Parameters
    ----------
    path : file to write.
    u_volts : float64, shape (1 to 3, n_samples). Instantaneous voltages, written to 1 µV. [V]
    rate_hz : float > 0. Sampling rate; times start at 0 and are written in full. [Hz]

    Raises
    ------
    ValueError : u_volts is not 2-D or has not 1 to 3 rows.
    OSError : the file cannot be written.
    """
    if u_volts.ndim != 2 or not 1 <= len(u_volts) <= 3:
        raise ValueError(f"u_volts has shape {u_volts.shape}; allowed are 1 to 3 rows")
    header = ["time_s", *(f"U{phase} (V)" for phase in "ABC"[: len(u_volts)])]
    lines = [",".join(header)]
    for k, row in enumerate(u_volts.T):
        lines.append(",".join([repr(k / rate_hz), *(f"{value:.6f}" for value in row)]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _refuse_impossible(stages: Sequence[Stage]) -> None:
    for stage in stages:
        if stage.start_s < 0 or stage.duration_s <= 0 or stage.recovery_s < 0 or min(stage.levels_pu) < 0:
            raise ValueError(f"{stage} has a time or level out of range")
    for i_phase in range(3):
        mine = [stage for stage in stages if stage.touches(i_phase)]
        for earlier, later in itertools.pairwise(mine):
            if later.start_s < earlier.restored_s - 1e-9:
                raise ValueError(f"two stages at once on phase {'ABC'[i_phase]}: {earlier} and {later}")


def _stage_envelope(stage: Stage, i_phase: int, n: int, rate_hz: float) -> ComplexArray:
    level, jump = stage.levels_pu[i_phase], math.radians(stage.jump_deg[i_phase])
    first = math.ceil(stage.start_s * rate_hz - _GRID_SLACK)
    after = math.ceil(stage.end_s * rate_hz - _GRID_SLACK)
    restored = math.ceil(stage.restored_s * rate_hz - _GRID_SLACK)
    effect = np.zeros(n)  # 1 in the stage, 0 outside, between them on the way back
    effect[first:after] = 1.0
    if stage.recovery_s > 0:
        k = np.arange(after, min(restored, n))
        effect[after:restored] = 1.0 - (k / rate_hz - stage.end_s) / stage.recovery_s
    moduli = 1.0 + (level - 1.0) * effect
    result: ComplexArray = moduli * np.exp(1j * jump * effect)
    return result


def _stage_rms(stage: Stage, components: Sequence[Component], noise_pu: float) -> Triple:
    distortion = math.sqrt(1.0 + sum(part.ratio**2 for part in components))
    a, b, c = (math.hypot(level * distortion, noise_pu) for level in stage.levels_pu)
    return a, b, c


def _crossings(angle: FloatArray, time_s: FloatArray) -> FloatArray:
    multiples = np.arange(math.ceil(angle[0] / math.pi - 1e-9), math.floor(angle[-1] / math.pi + 1e-9) + 1)
    found: FloatArray = np.interp(multiples * math.pi, angle, time_s)
    return found
