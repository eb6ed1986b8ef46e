"""Features of what harmonics and flicker leave of windows: oscillations, impulses, notches."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from halfcycle.classifiers.learned.bursts import BANDS, N_FRAMES, Bursts
from halfcycle.classifiers.learned.decompose import Parts
from halfcycle.classifiers.learned.reference import BIN, N_BINS, TURN, Floats
from halfcycle.classifiers.learned.windows import CYCLES, N_GRID, PER_CYCLE


def log(energy: Floats, variance: Floats) -> Floats:
    """log(1 + energy over variance), shape (n,). Source: derived."""
    return np.log1p(np.maximum(energy, 0.0) / variance)


def log_ratio(one: Floats, other: Floats, variance: Floats) -> Floats:
    """Logarithm of the ratio of two sums of squares, each with the noise of one sample, shape (n,). Source: derived."""
    return np.log((np.maximum(one, 0) + variance) / (np.maximum(other, 0) + variance))


def left_over(p: Parts, b: Bursts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    """Features of what is left, by name; `amplitude` of the fundamental, `variance` of the noise, shape (n,).

    Source: derived.
    """
    found = _oscillation(p, b, amplitude, variance)
    return found | _bursts(p, b.power, amplitude, variance) | _pulses(p, amplitude, variance)


def _oscillation(p: Parts, b: Bursts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    total = np.einsum("ij,ij->i", p.rest, p.rest)
    return {
        "oscillation_log": log(b.gain, variance),
        "oscillation": np.clip(b.amplitude / amplitude, 0, 5),
        "oscillation_share": b.gain / (total + variance),
        "oscillation_order": b.order,
        "oscillation_decay": np.clip(b.decay, 0, 5),
        "oscillation_cycles": (b.end - b.start) / PER_CYCLE,
        "oscillation_from_start": (b.start - p.start) / PER_CYCLE,
        "oscillation_to_end": (p.end - b.end) / PER_CYCLE,
        "oscillation_outside": np.maximum(
            np.maximum(p.start - b.start, b.end - p.end), np.zeros_like(b.start)
        ) / np.maximum(b.end - b.start, 1),
    }  # fmt: skip


_RUNS: Final = (2, 6)  # frames of half a cycle


def _bursts(p: Parts, power: Floats, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    n = len(amplitude)
    rows = np.arange(n)
    band = power[..., BANDS[0] : BANDS[1]]
    wide = band[..., :-1] + band[..., 1:]
    total = power.sum(axis=2) + variance[:, None]
    sums = np.zeros((n, N_FRAMES + 1, wide.shape[2]), dtype=np.float32)
    np.cumsum(wide, axis=1, out=sums[:, 1:])
    found: dict[str, Floats] = {}
    for run in _RUNS:
        runs = (sums[:, run:] - sums[:, :-run]).reshape(n, -1)
        best = np.argmax(runs, axis=1)
        frame, place = np.divmod(best, wide.shape[2])
        found[f"burst_{run}_log"] = log(runs[rows, best] / run, variance)
        found[f"burst_{run}"] = np.sqrt(runs[rows, best] / run / BIN) / amplitude
        found[f"burst_{run}_order"] = 2 * (place + BANDS[0] + 0.5)
        if run == _RUNS[0]:
            centre = (frame + (run + 1) / 2) * BIN
            own = wide[rows, :, place]
            share = own[rows, frame] / total[rows, frame]
            later = np.minimum(frame + 3, N_FRAMES - 1)
            before = np.maximum(frame - 3, 0)
            found |= {
                "burst_purity": share,
                "burst_later": np.log((own[rows, later] + variance) / (own[rows, frame] + variance)),
                "burst_before": np.log((own[rows, before] + variance) / (own[rows, frame] + variance)),
                "burst_from_start_cycles": (centre - p.start) / PER_CYCLE,
                "burst_to_end_cycles": (p.end - centre) / PER_CYCLE,
                "burst_all_share": runs[rows, best] / (wide.sum(axis=(1, 2)) + variance),
            }
    centres = (np.arange(N_FRAMES) + 1) * BIN
    event = ((centres > p.start[:, None]) & (centres < p.end[:, None])).astype(np.float32)
    strength = band.sum(axis=2)
    n_in = np.maximum(event.sum(axis=1), 1.0)
    n_out = np.maximum(N_FRAMES - event.sum(axis=1), 1.0)
    found["band_inside_log"] = log((strength * event).sum(axis=1) / n_in, variance)
    found["band_outside_log"] = log((strength * (1 - event)).sum(axis=1) / n_out, variance)
    found["band_outside_most_log"] = log((strength * (1 - event)).max(axis=1), variance)
    return found


_RAMP_SAMPLES: Final = 6  # of a ramp with a sudden end: 1 ms at 50 Hz
_RAMP_PEAK: Final = _RAMP_SAMPLES / float(np.sqrt(np.sum(np.arange(1.0, _RAMP_SAMPLES + 1) ** 2)))


def _ramp_filter() -> Floats:
    """Shape (64, 32): from two bins, the sum of products with a ramp of unit sum of squares from each sample on."""
    ramp = np.arange(1.0, _RAMP_SAMPLES + 1)
    ramp /= np.sqrt(np.sum(ramp**2))
    matrix = np.zeros((2 * BIN, BIN), dtype=np.float32)
    for k in range(BIN):
        matrix[k : k + _RAMP_SAMPLES, k] = ramp
    return matrix


_RAMP: Final = np.hstack([_ramp_filter()[:BIN], _ramp_filter()[BIN:]])
_WIDTHS: Final = (2, 4, 6)  # grid samples, of notches


def _pulses(p: Parts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    n = len(amplitude)
    rows = np.arange(n)
    both = (p.rest.reshape(-1, BIN) @ _RAMP).reshape(n, N_BINS, 2 * BIN)
    ramp = both[..., :BIN]
    ramp[:, :-1] += both[:, 1:, BIN:]
    strength = np.abs(ramp).max(axis=2)
    where = np.argmax(strength, axis=1)
    within = np.argmax(np.abs(ramp[rows, where]), axis=1)
    peak, best = ramp[rows, where, within], where * BIN + within
    far = np.abs(np.arange(N_BINS) - where[:, None]) > 1
    second = np.where(far, strength, 0.0).max(axis=1)
    squares = np.square(p.rest)
    energy = np.einsum("ij,ij->i", p.rest, p.rest) / N_GRID
    fourth = np.einsum("ij,ij->i", squares, squares) / N_GRID
    least = 0.1 * variance  # of a window without noise what is left is rounding, whose shape tells nothing
    local = best[:, None] + np.arange(-8, 16)
    near = squares[rows[:, None], np.clip(local, 0, N_GRID - 1)].sum(axis=1)
    found = {
        "impulse_log": log(peak**2, variance),
        "impulse": peak * _RAMP_PEAK / amplitude,
        "impulse_second_log": log(second**2, variance),
        "impulse_lead": np.log((peak**2 + variance) / (second**2 + variance)),
        "impulse_near_log": log(near, variance),
        "impulse_near_share": near / (energy * N_GRID + variance),
        "rest_log": log(energy, variance),
        "rest": np.sqrt(energy) / amplitude,
        "kurtosis": np.log((fourth + 3 * least**2) / (energy + least) ** 2),
    }
    return found | _notches(p, amplitude, variance)


def _sine(p: Parts) -> Floats:
    """Sine of the fundamental in the first cycle, shape (n, 128)."""
    unit = p.outside[:, 0] + p.inside[:, 0]
    from_middle = np.arange(PER_CYCLE, dtype=np.float32) - (N_GRID - 1) / 2
    phase = (TURN * (1 + p.deviation[:, None])).astype(np.float32) * from_middle
    return np.asarray(np.cos(phase + np.angle(unit)[:, None]))


def _notches(p: Parts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    """Means over the cycles, synchronous with the fundamental, of what is left towards zero."""
    n = len(amplitude)
    rows = np.arange(n)
    cycle = PER_CYCLE / (1 + p.deviation)
    starts = np.rint(cycle[:, None] * np.arange(CYCLES)).astype(np.intp)
    starts = np.minimum(starts, N_GRID - PER_CYCLE)
    folded = sliding_window_view(p.rest, PER_CYCLE, axis=1)[rows[:, None], starts]
    folded *= -np.sign(_sine(p))[:, None]
    mean = folded.mean(axis=1)
    spread = np.einsum("ijk,ijk->i", folded, folded) / CYCLES
    found: dict[str, Floats] = {}
    twice = np.concatenate([mean, mean[:, : max(_WIDTHS) + 1]], axis=1)
    sums = np.zeros((n, twice.shape[1] + 1), dtype=np.float32)
    np.cumsum(twice, axis=1, out=sums[:, 1:])
    for width in _WIDTHS:
        run = sums[:, width : width + PER_CYCLE] - sums[:, :PER_CYCLE]
        for count in (1, 2, 4, 6):
            places = (np.arange(count) * PER_CYCLE / count).round().astype(int)
            length = PER_CYCLE // count
            comb = run[:, :length].copy()
            for place in places[1:]:
                comb += run[:, place : place + length]
            top = np.maximum(comb.max(axis=1), 0.0)
            # of 10 cycles, `count` notches of `width` samples each
            found[f"notch_{count}x{width}_log"] = log(10 * top**2 / (count * width), variance)
            if width == _WIDTHS[1]:
                found[f"notch_{count}"] = top / (count * width) / amplitude
    total = np.square(mean).sum(axis=1)
    found["periodic_log"] = log(10 * total / PER_CYCLE, variance)
    found["periodic_share"] = total / (spread + variance)
    strongest = np.argmax(mean, axis=1)
    here = np.sort(folded[rows, :, strongest], axis=1)
    found["periodic_least"] = here[:, 1] / amplitude
    found["periodic_median"] = here[:, 5] / amplitude
    return found
