"""Fundamental frequency and zero crossings, from phasors that hop along the record by half a cycle.

The record is averaged down to some 32 to 64 values a cycle; each phasor is the sum of eight half-cycle parts under
a four-cycle Hann window, so harmonics and noise fall out, and the parts can be turned to the frequency found
in a first look without touching the samples again. Hops over which the phasors jump (a sag's edge, a phase jump) or
in which there is no sinusoid (a lost voltage) do not count: there the last good frequency is held.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.order_statistics import median_of

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
C64 = npt.NDArray[np.complexfloating]
Mask = npt.NDArray[np.bool_]

PARTS: Final = 8  # half-cycle parts of a phasor's window
BLOCK_HOPS: Final = 48  # hops that share one coarse frequency, about half a second
SMOOTH_HOPS: Final = 10  # hops to each side in the frequency's running mean
_COHERENCE = 0.5  # share of a window's power that the fundamental holds, at least
_AMPLITUDE_STEP = 0.04  # change of power over a hop that the coarse look accepts
_PHASOR_STEP = 0.03  # change of the phasors over a hop that counts as steady, of their size
_FEWEST_STEADY = 4  # steady hops that a mean frequency needs
_LARGEST_DEVIATION = 0.4  # of nominal: a "frequency" farther off is none


@dataclass(frozen=True, slots=True)
class HopGrid:
    """The record-anchored grid on which phasors are formed.

    Attributes
    ----------
    rate_hz, nominal_hz : of the samples and of the fundamental. [Hz]
    decimation : raw samples in one averaged value.
    hop : averaged values in a hop, about half a nominal cycle.
    """

    rate_hz: float
    nominal_hz: float
    decimation: int
    hop: int

    @classmethod
    def of(cls, rate_hz: float, nominal_hz: float) -> HopGrid:
        """The grid for a sampling rate and a nominal frequency. [Hz]"""
        per_cycle = rate_hz / nominal_hz
        decimation = max(1, int(per_cycle // 32))
        return cls(rate_hz, nominal_hz, decimation, max(2, round(per_cycle / decimation / 2)))

    @property
    def hop_samples(self) -> int:
        """Raw samples in a hop."""
        return self.hop * self.decimation

    @property
    def hop_s(self) -> float:
        """Time of a hop. [s]"""
        return self.hop_samples / self.rate_hz

    @property
    def centre(self) -> float:
        """Middle of the first phasor's window. [raw samples]"""
        return (PARTS * self.hop_samples - 1) / 2

    def kernel(self) -> F32:
        """Hann-weighted cosine and minus sine of the eight parts, shape (hop, 2 * PARTS); read-only."""
        return _kernel_of(self)


@lru_cache(maxsize=64)
def _kernel_of(grid: HopGrid) -> F32:
    n = np.arange(PARTS * grid.hop)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (n + 0.5) / n.size)
    angle = 2 * np.pi * grid.nominal_hz * grid.decimation / grid.rate_hz * (n - (n.size - 1) / 2)
    both = np.stack([window * np.cos(angle), -window * np.sin(angle)]) * (2 / window.sum())
    parts = np.ascontiguousarray(both.reshape(2, PARTS, grid.hop).transpose(2, 1, 0).reshape(grid.hop, -1), np.float32)
    parts.flags.writeable = False
    return parts


@dataclass(frozen=True, slots=True)
class Carry:
    """What the tracking of one stretch hands to the next.

    Attributes
    ----------
    position : of the hop at which the reference phase is known. [raw samples of the record]
    phase : of the reference there; grows for ever. [rad]
    frequency_hz : the last good one. [Hz]
    centres : of each channel's phase against the reference, modulo half a turn. [rad]
    offsets : the last good one of each channel, see `Track`. [rad]
    """

    position: float
    phase: float
    frequency_hz: float
    centres: tuple[float, ...]
    offsets: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class HopPlace:
    """Places among hops: the hop before each, and how far on to the next it is, from 0 to 1; shape (n,)."""

    before: npt.NDArray[np.int64]
    share: F64

    def between(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Values of the hops, shape (..., n_hops), taken to the places in a straight line; shape (..., n)."""
        if values.shape[-1] < 2:
            only: npt.NDArray[Any] = values.take(self.before, axis=-1)
            return only
        rise: npt.NDArray[Any] = (values[..., 1:] - values[..., :-1]).take(self.before, axis=-1)
        rise *= self.share
        rise += values.take(self.before, axis=-1)
        return rise


@dataclass(frozen=True, slots=True)
class Track:
    """Tracked fundamental on the hop grid; reference phase and channel offsets are those of a cosine.

    Attributes
    ----------
    positions : float64, shape (n_hops,). Middle of each phasor's window. [raw samples of the stretch]
    phase : float64, shape (n_hops,). Reference phase, never falling. [rad]
    frequency_hz : float64, shape (n_hops,). [Hz]
    offsets : float64, shape (n_channels, n_hops). Channel phase less reference, modulo half a turn. [rad]
    centres : the carried middle of each channel's offsets. [rad]
    steady : bool, shape (n_hops,). The frequency was measured here, not held.
    settled : bool, shape (n_hops,). It was measured over all hops around, none of them left out.
    relative : complex, shape (n_channels, n_hops). Phasors of the averages against the reference, peak values.
    """

    positions: F64
    phase: F64
    frequency_hz: F64
    offsets: F64
    centres: tuple[float, ...]
    steady: Mask
    settled: Mask
    relative: C64

    def place_of(self, at: F64) -> HopPlace:
        """Where positions lie among the hops, shape (n,); before the first and after the last, at these. [samples]"""
        n_hops = self.positions.size
        if n_hops < 2:
            return HopPlace(np.zeros(at.size, np.int64), np.zeros(at.size))
        hop = float(self.positions[1] - self.positions[0])
        place = np.clip((at - self.positions[0]) / hop, 0.0, float(n_hops - 1))
        before = np.minimum(place.astype(np.int64), n_hops - 2)
        return HopPlace(before, place - before)


def track_fundamental(averages: F32, grid: HopGrid, carry: Carry | None) -> Track:
    """Frequency, reference phase and channel phases of a stretch of record.

    Parameters
    ----------
    averages : float32, shape (n_channels, n). Sums of `grid.decimation` samples each; at least `PARTS` hops long.
    grid : see `HopGrid`.
    carry : state at a hop of this stretch, position relative to it, or None at the start of a record.

    Returns
    -------
    Track with n // grid.hop - PARTS + 1 hops.

    Source: derived. IEC 61000-4-30 Ed. 3, 5.1 asks for harmonics and interharmonics to be attenuated before
    the zero crossings are counted; 5.4 leaves the way to follow the fundamental open.
    """
    n_parts = averages.shape[1] // grid.hop
    framed = averages[:, : n_parts * grid.hop].reshape(averages.shape[0], n_parts, grid.hop)
    products = framed @ grid.kernel()
    parts = products.view(np.complex64)  # (channels, parts of the record, PARTS)
    n_hops = n_parts - PARTS + 1
    power = _mean_power(framed, n_hops)
    turn = 2 * np.pi * grid.nominal_hz * grid.hop_s

    first = _combine(parts, n_hops, None)
    coarse_hz = _coarse_frequency(first, power, turn, grid, carry)
    turns = np.exp(-1j * 2 * np.pi * (coarse_hz - grid.nominal_hz)[:, None] * _part_times(grid))
    image = np.repeat(np.interp(coarse_hz, *_image_of(grid)).astype(np.float32), BLOCK_HOPS)[:n_hops]
    turned = _combine(parts, n_hops, turns.astype(np.complex64))
    phasors = turned - image * turned.conj()
    phasors *= 1 / (1 - image * image)
    advance, good = _advance(phasors, power, np.repeat(coarse_hz, BLOCK_HOPS)[:n_hops], grid)
    frequency_hz, steady, settled = _fine_frequency(advance, good, median_of(coarse_hz), grid, carry)

    positions = grid.centre + grid.hop_samples * np.arange(n_hops, dtype=np.float64)
    phase = _reference_phase(phasors, advance, frequency_hz, steady, positions, grid, carry)
    relative = phasors * _unit(-phase)
    offsets, centres = _channel_offsets(relative, power, carry)
    return Track(positions, phase, frequency_hz, offsets, centres, steady, settled, relative)


def reference_ticks(track: Track, grid: HopGrid, *, first_tick: int | None, stop: float) -> tuple[F64, int]:
    """Reference zero crossings before `stop`: positions where the phase is half a turn times their number, plus 1/4.

    From the one with the number `first_tick` on, or from position 0 where None. They are told apart by number, not by
    position: two stretches may place the same one a hair before and a hair after the place where they meet.
    """
    hops, phase = track.positions, track.phase
    pace = 2 * np.pi * track.frequency_hz[[0, -1]] / grid.rate_hz
    first = first_tick
    if first is None:
        first = int(np.ceil((phase[0] - max(hops[0], 0.0) * pace[0]) / np.pi - 0.5))
    high = phase[-1] + max(stop - hops[-1], 0.0) * pace[1]
    final = int(np.floor(high / np.pi - 0.5))
    wanted = np.pi * (np.arange(first, final + 1) + 0.5)
    ticks = np.interp(wanted, phase, hops)
    before, after = wanted < phase[0], wanted > phase[-1]
    ticks[before] = hops[0] + (wanted[before] - phase[0]) / pace[0]
    ticks[after] = hops[-1] + (wanted[after] - phase[-1]) / pace[1]
    n = int(np.searchsorted(ticks, stop))
    return ticks[:n], first + n


@cache
def _image_of(grid: HopGrid) -> tuple[F64, F64]:
    """How much of a fundamental's mirror image at minus its frequency a phasor turned to that frequency lets through.

    The Hann window lets some through where the frequency is off nominal, and it would move the phase by milliradians;
    known, it can be taken out. Returns frequencies [Hz] and the real factors there.
    """
    hertz = grid.nominal_hz * np.linspace(1 - _LARGEST_DEVIATION, 1 + _LARGEST_DEVIATION, 81)
    kernel = grid.kernel().astype(np.float64).reshape(grid.hop, PARTS, 2)
    weights = kernel[..., 0] + 1j * kernel[..., 1]
    places = np.arange(PARTS) * grid.hop + np.arange(grid.hop)[:, None] - (PARTS * grid.hop - 1) / 2
    angle = 2 * np.pi * hertz[:, None, None] * grid.decimation / grid.rate_hz * places
    turns = np.exp(-2j * np.pi * (hertz - grid.nominal_hz)[:, None, None] * _part_times(grid))
    direct = (weights * turns * np.exp(1j * angle)).sum(axis=(1, 2))
    mirror = (weights * turns * np.exp(-1j * angle)).sum(axis=(1, 2))
    return hertz, (mirror / direct).real


def _mean_power(framed: F32, n_hops: int) -> F32:
    """Mean square of the averaged values under each phasor's window."""
    energy = np.einsum("cph,cph->cp", framed, framed)
    total = np.zeros((framed.shape[0], n_hops), np.float32)
    for j in range(PARTS):
        total += energy[:, j : j + n_hops]
    total /= PARTS * framed.shape[2]
    return total


def _part_times(grid: HopGrid) -> F64:
    return (np.arange(PARTS, dtype=np.float64) - (PARTS - 1) / 2) * grid.hop_s


def _combine(parts: C64, n_hops: int, turns: C64 | None) -> C64:
    """Phasors (RMS times sqrt 2) from their parts, each part turned by its block's deviation from nominal."""
    total = parts[:, :n_hops, 0] * (1 if turns is None else np.repeat(turns[:, 0], BLOCK_HOPS)[:n_hops])
    for j in range(1, PARTS):
        piece = parts[:, j : j + n_hops, j]
        total += piece if turns is None else piece * np.repeat(turns[:, j], BLOCK_HOPS)[:n_hops]
    return total


def _coherent(phasors: C64, power: F32) -> Mask:
    """Where the fundamental holds most of the power, all channels together."""
    fundamental = 0.5 * (phasors.real**2 + phasors.imag**2).sum(axis=0)
    coherent: Mask = (fundamental > _COHERENCE * power.sum(axis=0)) & (fundamental > 0)
    return coherent


def _coarse_frequency(phasors: C64, power: F32, turn: float, grid: HopGrid, carry: Carry | None) -> F64:
    """One frequency a block of hops, from the hops over which the power hardly changes."""
    size = (phasors.real**2 + phasors.imag**2).sum(axis=0)
    coherent = _coherent(phasors, power)
    step = (phasors[:, 1:] * phasors[:, :-1].conj()).sum(axis=0) * np.exp(-1j * turn)
    good = coherent[1:] & coherent[:-1] & (np.abs(size[1:] - size[:-1]) < _AMPLITUDE_STEP * size[1:])
    step = np.where(good & (step.real > 0), step, 0)
    n_blocks = -(-size.size // BLOCK_HOPS)
    padded = np.zeros(n_blocks * BLOCK_HOPS, np.complex128)
    padded[: step.size] = step
    sums = padded.reshape(n_blocks, BLOCK_HOPS).sum(axis=1)
    known = sums != 0
    block_hz = grid.nominal_hz + np.angle(sums) / (2 * np.pi * grid.hop_s)
    return _held(block_hz, known, carry.frequency_hz if carry else None, grid.nominal_hz)


def _unit(angle: F64) -> C64:
    """exp(i angle); NumPy's own, of complex numbers, takes several times as long. [rad]"""
    turn = np.empty(angle.shape, np.complex64)
    turn.real = np.cos(angle)
    turn.imag = np.sin(angle)
    return turn


def _advance(phasors: C64, power: F32, coarse_hz: F64, grid: HopGrid) -> tuple[F64, Mask]:
    """Turn of the phasors over each hop, weighted by their power, and where they do nothing but turn. [rad]"""
    coherent = _coherent(phasors, power)
    expected = 2 * np.pi * grid.hop_s * coarse_hz[:-1]
    size = (phasors.real**2 + phasors.imag**2).sum(axis=0)
    step = (phasors[:, 1:] * phasors[:, :-1].conj()).sum(axis=0) * _unit(-expected)
    jump = size[1:] + size[:-1] - 2 * step.real  # square of the difference from the phasors before, turned
    good = coherent[1:] & coherent[:-1] & (jump < _PHASOR_STEP**2 * size[1:])
    beyond = np.angle(step)
    deviation = beyond + 2 * np.pi * grid.hop_s * (coarse_hz[:-1] - grid.nominal_hz)
    good &= np.abs(deviation) < 2 * np.pi * grid.hop_s * _LARGEST_DEVIATION * grid.nominal_hz
    return expected + beyond, good


def _fine_frequency(
    advance: F64, good: Mask, usual_hz: float, grid: HopGrid, carry: Carry | None
) -> tuple[F64, Mask, Mask]:
    """Running mean of the frequency over the good hops; where there were enough of them, and where all were good."""
    n_hops = advance.size + 1
    deviation = advance / (2 * np.pi * grid.hop_s) - grid.nominal_hz
    sums = np.concatenate(([0.0], np.cumsum(np.where(good, deviation, 0.0))))
    counts = np.concatenate(([0], np.cumsum(good)))
    hop = np.arange(n_hops)
    low, high = np.maximum(hop - SMOOTH_HOPS, 0), np.minimum(hop + SMOOTH_HOPS, n_hops - 1)
    count = counts[high] - counts[low]
    known = count >= _FEWEST_STEADY
    mean_hz = grid.nominal_hz + (sums[high] - sums[low]) / np.maximum(count, 1)
    held = _held(mean_hz, known, carry.frequency_hz if carry else None, usual_hz)
    return held, known, count == high - low


def _held(values: F64, known: Mask, before: float | None, never: float) -> F64:
    """Values with each unknown one replaced by the last known before it, the first known at the start."""
    if known.all():
        return values
    if not known.any():
        return np.full(values.shape, never if before is None else before)
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    start = values[known.argmax()] if before is None else before
    return np.where(last >= 0, values[np.maximum(last, 0)], start)


def _reference_phase(
    phasors: C64, advance: F64, frequency_hz: F64, steady: Mask, positions: F64, grid: HopGrid, carry: Carry | None
) -> F64:
    """Phase that advances as the channels' phasors do, weighted by their power; where unsteady, at the held pace."""
    pace = np.pi * (frequency_hz[1:] + frequency_hz[:-1]) * grid.hop_s
    step = np.where(steady[1:] & steady[:-1], advance, pace)
    phase = np.concatenate(([0.0], np.cumsum(np.maximum(step, 0.0))))
    if carry is not None:
        return np.asarray(phase + (carry.phase - np.interp(carry.position, positions, phase)))
    power = (phasors.real**2 + phasors.imag**2) @ steady.astype(np.float64)
    if not power.size or power.max(initial=0.0) == 0:
        return phase
    # Channels of equal size within noise: the first of them leads, whatever the last digits say.
    leader = int(np.argmax(power > 0.9 * power.max()))
    i = int(steady.argmax())
    lead = float(np.angle(phasors[leader, i])) - float(phase[i])
    return phase + lead


def _channel_offsets(relative: C64, power: F32, carry: Carry | None) -> tuple[F64, tuple[float, ...]]:
    """Each channel's phase against the reference, within a quarter turn of its own usual value."""
    size = relative.real**2 + relative.imag**2
    present = (0.5 * size > _COHERENCE * power) & (size > 0)
    if carry is None:
        doubled = (np.where(present, relative, 0) ** 2).sum(axis=1)
        centres = np.where(doubled != 0, np.angle(doubled) / 2, 0.0)
    else:
        centres = np.asarray(carry.centres)
    turned = np.angle((relative * _unit(-centres)[:, None]) ** 2) / 2
    before = [None] * centres.size if carry is None else (np.asarray(carry.offsets) - centres).tolist()
    offsets = np.stack([_held(turned[c], present[c], before[c], 0.0) for c in range(turned.shape[0])])
    return offsets + centres[:, None], tuple(float(centre) for centre in centres)
