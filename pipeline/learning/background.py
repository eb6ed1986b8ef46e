"""Real background from captures: what a calm voltage has beside its fundamental, to lay over drawn windows."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.windows import LEAST_PER_CYCLE
from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.errors import ConfigError, ReadError, SignalError
from halfcycle.pipeline.measures.nominal import find_nominal_frequency
from halfcycle.pipeline.readers import capture_files, read_captures

F64 = npt.NDArray[np.float64]

_CYCLES: Final = 12.0  # of a piece: ten, and one at each end that resampling may spoil
_SPREAD: Final = 0.02  # of the RMS of the cycles of a calm piece
_OFF_LEVEL: Final = 0.1  # of a piece's RMS from the channel's median
_ABRUPT_PU: Final = 0.05  # by which a calm residue differs from a cycle before


def residues(folder: Path) -> list[F64]:
    """Pieces of all calm stretches of the voltages in a folder of captures; files that cannot be read are passed over.

    Returns
    -------
    float64, shape (n_samples,) each: twelve nominal cycles less their fundamental. [pu of the fundamental's peak]

    Raises
    ------
    ConfigError : there is none.
    """
    found: list[F64] = []
    for path in capture_files([folder]):
        try:
            captures = list(read_captures(path))
        except ReadError:
            continue
        for capture in captures:
            for i, channel in enumerate(capture.header.channels):
                if channel.quantity == "voltage" and channel.phase not in ("N", ""):
                    found += _calm_pieces(capture.physical(i), capture.header)
    if not found:
        raise ConfigError(f"{folder}: no undisturbed stretch of twelve cycles in any voltage")
    return found


def laid_over(
    windows: npt.NDArray[np.float32], pieces: list[F64], *, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """Windows with a piece each, drawn at random, at its own size.

    Parameters
    ----------
    windows : shape (n, n_samples), ten cycles. [pu of the undisturbed peak]
    pieces : at any rates.
    rng : drawn from.
    """
    from scipy.signal import resample

    n = windows.shape[1]
    length = round(n * _CYCLES / 10)
    first = (length - n) // 2
    grid = np.stack([resample(piece, length)[first : first + n] for piece in pieces])
    return windows + grid[rng.integers(len(grid), size=len(windows))].astype(np.float32)


def _calm_pieces(u: F64, header: Header) -> list[F64]:
    try:
        nominal_hz = header.nominal_frequency_hz or find_nominal_frequency(u, rate_hz=header.rate_hz)
    except SignalError:  # no waveform at a power frequency
        return []
    cycle = header.rate_hz / nominal_hz
    if cycle < LEAST_PER_CYCLE:
        return []
    n = round(_CYCLES * cycle)
    cut = u[: len(u) // n * n].reshape(-1, n)
    level = np.sqrt(np.mean(cut * cut, axis=1))
    pieces = []
    for piece, rms in zip(cut, level, strict=True):
        if not np.isfinite(rms) or rms < 1e-9 or abs(rms / np.median(level) - 1) > _OFF_LEVEL:
            continue
        cycles = np.array([np.sqrt(np.mean(part**2)) for part in np.array_split(piece, int(_CYCLES))])
        if np.ptp(cycles) > _SPREAD * rms:
            continue
        left = _without_fundamental(piece, cycle)
        if np.abs(left[round(cycle) :] - left[: -round(cycle)]).max() <= _ABRUPT_PU:
            pieces.append(left)
    return pieces


def _without_fundamental(piece: F64, cycle: float) -> F64:
    """Less the sine and the mean that fit best; the turn from half to half tells its frequency."""
    half = round(_CYCLES / 2) * round(cycle)
    place = np.arange(len(piece))
    turning = piece * np.exp(-2j * np.pi * place / cycle)
    advance = np.angle(turning[half : 2 * half].sum() * np.conj(turning[:half].sum()))
    angle = (2 * np.pi / cycle + advance / half) * place
    basis = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
    fitted, *_ = np.linalg.lstsq(basis, piece, rcond=None)
    left: F64 = (piece - basis @ fitted) / np.hypot(fitted[0], fitted[1])
    return left
