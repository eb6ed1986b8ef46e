"""Nominal frequency and voltage worked out from the data, or a clear word why the data does not say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import SignalError
from pipeline.terms import USUAL_FREQUENCIES_HZ, USUAL_LINE_TO_LINE_V, USUAL_PHASE_TO_NEUTRAL_V

F64 = npt.NDArray[np.float64]

_LOOK_SAMPLES = 1 << 17
_LOOK_RATE_HZ = 1600.0
_BAND_HZ: Final = (40.0, 70.0)
_BAND_SHARE = 0.3  # of the power off zero frequency that the band must hold
_UNDECIDED_HZ = 0.5  # around the middle between two usual frequencies
_SNAP = 0.08  # of a usual voltage: farther off is not that voltage
_SNAP_RATED = 0.12  # of a rated value that the file states: one that is so near is the system's
_LEAST_V = 30.0  # no system or transformer secondary in use lies lower
_STEADY_SPREAD = 0.03  # of the level: half cycles within it are steady
_STEADY_SHARE = 0.4  # of the half cycles that must be steady
_PHASES_APART = 0.1  # of the level by which steady phases may differ
_BEGINNING = (20, 1 / 20)  # half cycles at least, and share of the record, that show how it begins
_BEGINS_STEADY = 0.01  # of the level, between the highest and the lowest of a phase there
_CLEARLY_NEARER = 0.01  # to a usual voltage, that the beginning must be to stand for the rest


def find_nominal_frequency(samples: npt.ArrayLike, *, rate_hz: float) -> float:
    """The usual system frequency nearest to the fundamental of some voltages.

    Parameters
    ----------
    samples : shape (n_channels, n_samples). Voltages in any unit; only the first 131,072 samples are looked at.
    rate_hz : float > 0. Sampling rate. [Hz]

    Returns
    -------
    One of `terms.USUAL_FREQUENCIES_HZ`. [Hz]

    Raises
    ------
    SignalError : under two cycles, no fundamental between 40 and 70 Hz, or one just between two usual frequencies.

    Source: common practice, no source.
    """
    values = np.atleast_2d(np.asarray(samples))[:, :_LOOK_SAMPLES]
    every = max(1, int(rate_hz // _LOOK_RATE_HZ))
    n = values.shape[1] // every
    if n * every < 2 * rate_hz / USUAL_FREQUENCIES_HZ[0]:
        raise SignalError(f"{values.shape[1]} samples at {rate_hz:g} Hz are under two cycles; no frequency can be told")
    x = values[:, : n * every].astype(np.float32).reshape(values.shape[0], n, every).mean(axis=2)
    x = np.where(np.isfinite(x), x, np.float32(0))
    x = (x - x.mean(axis=1, keepdims=True)) * np.hanning(n).astype(np.float32)
    size = 1 << max(int(np.ceil(np.log2(n))), 12)
    power = (np.abs(np.fft.rfft(x, size, axis=1)) ** 2).sum(axis=0)
    hertz = np.arange(power.size) * rate_hz / every / size
    band = (hertz >= _BAND_HZ[0]) & (hertz <= _BAND_HZ[1])
    if not power[band].sum() > _BAND_SHARE * power.sum():
        raise SignalError("no fundamental between 40 and 70 Hz in the voltages; give the nominal frequency")
    found_hz = float(hertz[band][power[band].argmax()])
    near, far = sorted(USUAL_FREQUENCIES_HZ, key=lambda usual: abs(usual - found_hz))[:2]
    if abs(abs(far - found_hz) - abs(near - found_hz)) < 2 * _UNDECIDED_HZ:
        raise SignalError(
            f"the fundamental is {found_hz:.1f} Hz, between {near:g} and {far:g}; give the nominal frequency"
        )
    return near


@dataclass(frozen=True, slots=True)
class NominalVoltage:
    """A nominal voltage and how it was found.

    Attributes
    ----------
    volts : of each judged channel. [V]
    level_v : steady voltage it was snapped from. [V]
    note : the finding in words.
    """

    volts: float
    level_v: float
    note: str


def find_nominal_voltage(u_half: npt.ArrayLike, *, line_to_line: bool, rated_v: float | None = None) -> NominalVoltage:
    """The usual system voltage nearest to a record's steady level.

    That is the level at which the record mostly is; or the one that it begins with, where it is steady there and
    clearly nearer to a usual voltage, or steady nowhere else: a recorder that waits for an event begins before it.

    Parameters
    ----------
    u_half : shape (n_channels, n_half_cycles). Urms(1/2) of the judged voltages of one point. [V]
    line_to_line : the channels measure between phases.
    rated_v : the rated voltage that the file states for the channels, if any; believed where it, or it over or times
        sqrt(3), lies near the level, and passed over where not. [V]

    Returns
    -------
    NominalVoltage. Phase-to-neutral levels snap to usual phase-to-neutral voltages and to 1/sqrt(3) of the usual
    line-to-line ones.

    Raises
    ------
    SignalError : no steady level, phases that differ, or no usual voltage within 8 % of it.

    Source: common practice, no source.
    """
    values = np.atleast_2d(np.asarray(u_half, np.float64))
    kind = "line-to-line" if line_to_line else "phase-to-neutral"
    if line_to_line:
        usual = np.asarray(USUAL_LINE_TO_LINE_V)
    else:
        usual = np.unique(np.concatenate([np.asarray(USUAL_LINE_TO_LINE_V) / np.sqrt(3), USUAL_PHASE_TO_NEUTRAL_V]))
    level = _level(values, usual)
    if rated_v is not None and rated_v >= _LEAST_V:
        stated = min(
            (rated_v, rated_v * np.sqrt(3) if line_to_line else rated_v / np.sqrt(3)), key=lambda v: abs(v / level - 1)
        )
        if abs(stated / level - 1) <= _SNAP_RATED:
            return NominalVoltage(float(stated), level, f"nominal {stated:.5g} V {kind}, as rated in the file")
    if level < _LEAST_V:
        raise SignalError(f"no voltage above {_LEAST_V:g} V: channels not in use; else give the nominal voltage")
    distance = np.abs(usual / level - 1)
    nearest = float(usual[distance.argmin()])
    if distance.min() > _SNAP:
        raise SignalError(
            f"the steady voltage of {level:.5g} V is near no usual system voltage; give the nominal voltage"
        )
    return NominalVoltage(nearest, level, f"nominal {nearest:.5g} V {kind}, from a steady {level:.5g} V")


def _level(u_half: F64, usual: F64) -> float:
    """The steady level that tells the nominal voltage: that of most of the record, or that of its beginning. [V]"""
    fewest, share = _BEGINNING
    first = u_half[:, : max(fewest, int(share * u_half.shape[1]))]
    try:
        beginning = steady_level(first)
    except SignalError:
        return steady_level(u_half)
    if float(np.median(np.ptp(first, axis=1))) > _BEGINS_STEADY * beginning:
        return steady_level(u_half)
    try:
        level = steady_level(u_half)
    except SignalError:
        return beginning
    off = [float(np.abs(usual / one - 1).min()) for one in (beginning, level)]
    apart = abs(beginning / level - 1) > _SNAP
    return beginning if apart and off[0] + _CLEARLY_NEARER < off[1] else level


def steady_level(u_half: F64) -> float:
    """The voltage at which a record's phases mostly are. [V]

    Raises
    ------
    SignalError : there is none: too few half cycles, no voltage, no steady part, or phases at different levels.
    """
    if u_half.shape[1] < 4:
        raise SignalError("under two cycles of voltage; no steady level can be told")
    levels = np.median(u_half, axis=1)
    level = float(np.median(levels))
    if not level > 0:
        raise SignalError("the voltages are zero for most of the record; give the nominal voltage")
    steady = np.abs(u_half - levels[:, None]) <= _STEADY_SPREAD * np.maximum(levels[:, None], 0.5 * level)
    if steady.mean() < _STEADY_SHARE:
        raise SignalError("the voltage is steady for too little of the record; give the nominal voltage")
    if np.sum(np.abs(levels - level) > _PHASES_APART * level) * 2 > levels.size:
        raise SignalError("the phases stay at different voltages; give the nominal voltage")
    return level
