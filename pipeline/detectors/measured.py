"""What detectors are given of a measuring point: its series, what 1 pu stands for, and the waveform where asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.site_thresholds import USUAL
from halfcycle.pipeline.measures.half_cycle import HalfCycles
from halfcycle.pipeline.measures.waveshape import Waveshape

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PointMeasures:
    """Measures of one point over one record; all positions are samples from the record's start.

    Attributes
    ----------
    half_cycles : of the judged voltages that are live; with the fundamental's phasors.
    currents : Urms(1/2)-like series of the currents, or None where none is measured or wanted.
    phases, current_phases : of the channels of each.
    names, current_names : of the channels of each, as the recorder has them.
    line_to_line : the voltages are between phases.
    reference_v : what 1 pu stands for: scalar, or shape (n_channels, n) where it slides. [V]
    nominal_v : nominal voltage of each judged voltage. [V]
    variations : float64, shape (k, 2). Starts and stops of the sags, swells and interruptions.
    waveshape : spectra and notches of a window every few seconds, none of them in a variation; None where not wanted.
    suspects : spans [first, stop) in which the waveform differs from the cycle before.
    n_samples : length of the record.
    waveform : gives the voltages of positions [first, stop), shape (n_channels, stop - first). [V]
    current_suspects, current_waveform : the same of the currents, where wanted. [A]
    sag_pu, swell_pu : of the thresholds that the site is judged by: what lies beyond is a sag or swell.
    """

    half_cycles: HalfCycles
    currents: HalfCycles | None
    phases: tuple[str, ...]
    current_phases: tuple[str, ...]
    names: tuple[str, ...]
    current_names: tuple[str, ...]
    line_to_line: bool
    reference_v: Any
    nominal_v: float
    variations: F64
    waveshape: Waveshape | None
    suspects: tuple[tuple[int, int], ...]
    n_samples: int
    waveform: Callable[[int, int], F64]
    current_suspects: tuple[tuple[int, int], ...] = ()
    current_waveform: Callable[[int, int], F64] | None = None
    sag_pu: float = USUAL.sag_pu
    swell_pu: float = USUAL.swell_pu

    @property
    def rate_hz(self) -> float:
        """Sampling rate. [Hz]"""
        return self.half_cycles.rate_hz

    @property
    def nominal_hz(self) -> float:
        """Nominal frequency. [Hz]"""
        return self.half_cycles.nominal_hz

    @property
    def scalar_reference_v(self) -> float:
        """The reference voltage as one number: the nominal, or the middle of the sliding one. [V]"""
        return float(np.median(self.reference_v)) if isinstance(self.reference_v, np.ndarray) else self.reference_v
