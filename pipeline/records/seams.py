"""Seams: whether one capture follows another although their time stamps do not quite meet, told from the waveform."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Header
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.nominal import find_nominal_frequency
from halfcycle.pipeline.measures.squares import FEWEST_SAMPLES_A_CYCLE

STAMP_TOLERANCE_NS: Final = 2_000  # time stamps are often rounded to the microsecond
CLOCK_TOLERANCE_NS: Final = 10_000_000  # under half a cycle at 50 Hz, so that each phase means one time
_FIT_CYCLES: Final = 1.0  # to each side of the seam
_FREQUENCY_CYCLES: Final = 4.0  # to each side, to tell the frequency by
_SAME_PHASE_RAD: Final = 0.1
_LIKELIER: Final = 0.5  # of the phase error that the stamps leave, at most
_SINE_SHARE: Final = 0.7  # of the power around the seam that must be the fundamental's

Phasors = npt.NDArray[np.complex128]


def reaches(before: Header, after: Header) -> bool:
    """Whether no gap lies between two captures, or one so short that it may be the clock's."""
    return after.start_ns - before.end_ns <= max(0.5e9 / before.rate_hz + STAMP_TOLERANCE_NS, CLOCK_TOLERANCE_NS)


def samples_looked_at(rate_hz: float) -> int:
    """Samples to each side of a seam that `runs_on` looks at."""
    return int(_FREQUENCY_CYCLES * rate_hz / 40.0)  # 40 Hz is as slow as a system may be


def runs_on(before: Capture, after: Capture, *, gap_ns: int | None = None) -> bool:
    """Whether the first sample of one capture is the next one after the last sample of another.

    Parameters
    ----------
    before, after : of the same channels and rate; as much of them as `samples_looked_at` is enough.
    gap_ns : between them by their stamps, below zero where they overlap; None: by these headers. [ns]

    Returns
    -------
    bool. True where the fundamental of the voltages runs on over the seam without a step of phase, to within 0.1 rad
    (0.3 ms), and would have a step at least twice as large if there were the gap or overlap that the stamps say.
    False too where there is no voltage, or too little of it to tell.

    Source: common practice, no source.
    """
    rate_hz = before.header.rate_hz
    rows = [i for i, channel in enumerate(before.header.channels) if channel.quantity == "voltage"]
    if not rows:
        return False
    reach = samples_looked_at(rate_hz)
    tail = np.stack([_last(before, i, reach) for i in rows])
    head = np.stack([after.physical(i)[:reach] for i in rows])
    try:
        hertz = find_nominal_frequency(tail, rate_hz=rate_hz)
    except SignalError:
        return False
    n = round(_FIT_CYCLES * rate_hz / hertz)
    if rate_hz < FEWEST_SAMPLES_A_CYCLE * hertz or min(tail.shape[1], head.shape[1]) < 2 * n:
        return False
    hertz = _measured_hz(tail, n, hertz, rate_hz)
    first, share_before = _phasors(tail[:, -n:], -n, hertz / rate_hz)
    second, share_after = _phasors(head[:, :n], 0, hertz / rate_hz)
    if min(share_before, share_after) < _SINE_SHARE:
        return False
    step = float(np.angle(np.sum(second * first.conj())))
    gap_s = (after.header.start_ns - before.header.end_ns if gap_ns is None else gap_ns) / 1e9
    stamped = float(np.angle(np.exp(1j * (step - 2 * np.pi * hertz * gap_s))))
    return abs(step) <= _SAME_PHASE_RAD and abs(step) <= _LIKELIER * abs(stamped)


def _last(capture: Capture, i_channel: int, n: int) -> npt.NDArray[np.float64]:
    return capture.physical(i_channel)[-n:]


def _measured_hz(tail: npt.NDArray[np.float64], n: int, hertz: float, rate_hz: float) -> float:
    """The frequency by the phase that a cycle gains on the one before it. [Hz]"""
    earlier, _ = _phasors(tail[:, -2 * n : -n], 0, hertz / rate_hz)
    later, _ = _phasors(tail[:, -n:], n, hertz / rate_hz)
    gained = float(np.angle(np.sum(later * earlier.conj())))
    return hertz + gained * rate_hz / (2 * np.pi * n)


def _phasors(u: npt.NDArray[np.float64], first: int, cycles_a_sample: float) -> tuple[Phasors, float]:
    """Phasors of the fundamental, angles as of sample 0, by least squares; and its share of all the power."""
    angle = 2 * np.pi * cycles_a_sample * np.arange(first, first + u.shape[1])
    good = np.isfinite(u).all(axis=0)
    if np.count_nonzero(good) < FEWEST_SAMPLES_A_CYCLE:
        return np.zeros(u.shape[0], np.complex128), 0.0
    basis = np.stack([np.cos(angle), -np.sin(angle), np.ones(angle.size)], axis=1)[good]
    solved = np.linalg.lstsq(basis, u[:, good].T, rcond=None)[0]
    rest = u[:, good].T - basis @ solved
    power = float(((u[:, good] - solved[2][:, None]) ** 2).sum())
    share = 1 - float((rest**2).sum()) / power if power else 0.0
    return solved[0] + 1j * solved[1], share
