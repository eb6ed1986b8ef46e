"""Named features of windows: what the parts of a window are, each beside what noise alone would make of it.

Features whose name ends in ``_log`` are log(1 + x) of a sum of squares over the noise's variance; they say how surely
something is there. Their companions say how much of it.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.bursts import Bursts, find_bursts
from halfcycle.classifiers.learned.cells import Cells
from halfcycle.classifiers.learned.decompose import Parts, Sketch, finished, sketch
from halfcycle.classifiers.learned.envelope import FLICKER_CYCLES, Modulation
from halfcycle.classifiers.learned.reference import BIN, N_BINS, ORDERS, Floats
from halfcycle.classifiers.learned.residue import left_over, log, log_ratio
from halfcycle.classifiers.learned.windows import N_GRID, PER_CYCLE, to_grid

F32 = npt.NDArray[np.float32]

_BLOCK: Final = 256  # windows taken apart at once: their arrays stay in the cache
_QUIET: Final = 0.3  # quantile of the quarter cycles' energies that noise is told from
_STRONG: Final = 40.0  # sum of squares over the noise's variance from which an oscillation is taken out
_TURNED: Final = 0.15  # of the fundamental: with less left of it in the event its phase tells no jump
_FLOOR: Final = 5e-4  # of the fundamental: more than what the grid itself leaves; 63 dB
_GRAIN: Final = 1e-3  # of a window's RMS: noise of 60 dB
_GRAIN_SEED: Final = 1


def extract(x: npt.ArrayLike, *, rate_hz: float, nominal_hz: float) -> F32:
    """Features of windows of any rate.

    Parameters
    ----------
    x : shape (n_windows, n_samples), ten cycles; any unit.
    rate_hz, nominal_hz : as in `windows.to_grid`.

    Returns
    -------
    float32, shape (n_windows, len(FEATURES)), finite.

    Raises
    ------
    ValueError : as in `windows.to_grid`.

    Source: derived, see the module.
    """
    values = np.asarray(x, dtype=np.float32)
    if values.ndim == 2 and len(values) == 0:
        return np.empty((0, len(FEATURES)), dtype=np.float32)
    sharing = max(PER_CYCLE * nominal_hz / rate_hz, 1.0)
    blocks = []
    for i in range(0, len(values), _BLOCK):
        grid = to_grid(values[i : i + _BLOCK], rate_hz=rate_hz, nominal_hz=nominal_hz)
        grain = _grain(values.shape[1], float(rate_hz), float(nominal_hz))
        blocks.append(features_of(grid, sharing=sharing, grain=grain))
    return np.concatenate(blocks)


@lru_cache(maxsize=16)
def _grain(n: int, rate_hz: float, nominal_hz: float) -> Floats:
    """A little white noise as a recorder of n samples has it, on the grid: shape (1, 1280), the same for every window.

    Measures of evidence compare with noise; without any they would be zeros that no recorded window has.
    Source: dither, common practice, no source.
    """
    noise = np.random.default_rng(_GRAIN_SEED).standard_normal((1, n), dtype=np.float32)
    return to_grid(_GRAIN * noise, rate_hz=rate_hz, nominal_hz=nominal_hz)


def features_of(grid: Floats, *, sharing: float = 1.0, grain: Floats | None = None) -> F32:
    """Features of windows on the grid.

    Parameters
    ----------
    grid : float32, shape (n_windows, 1280).
    sharing : grid samples to one sample of the input, where that had fewer: noise is alike in so many of them.
    grain : shape (1, 1280). Added to each window once its RMS is 1; None: nothing.

    Returns
    -------
    float32, shape (n_windows, len(FEATURES)), finite.

    Source: derived, see the module.
    """
    y = grid - _offset(grid)
    y /= np.maximum(np.sqrt(np.mean(y * y, axis=1, keepdims=True)), 1e-12)
    if grain is not None:
        y += grain
    return np.column_stack(list(_named(*_apart(y, sharing), sharing).values())).astype(np.float32)


def _offset(grid: Floats) -> Floats:
    """What a recorder adds to all of a window, shape (n, 1): the median of means over a cycle.

    Source: derived.
    """
    sums = grid.reshape(-1, BIN) @ np.ones(BIN, dtype=np.float32)
    bins = sums.reshape(-1, N_BINS)
    cycle = sum(bins[:, i : N_BINS - 3 + i] for i in range(4))
    offset: Floats = np.median(cycle, axis=1, keepdims=True) / PER_CYCLE
    return offset


def _apart(y: Floats, sharing: float) -> tuple[Parts, Bursts]:
    """Parts and the strongest oscillation; where that is strong, both again without the other."""
    known = sketch(y)
    parts = finished(known)
    found = find_bursts(parts.rest)
    variance = _variance(parts.rest - found.wave, np.abs(parts.outside[:, 0]), sharing)
    rows = np.flatnonzero(found.gain > _STRONG * variance)
    if len(rows):
        part = finished(_rows(known, rows).less(found.wave[rows]))
        _put_rows(parts, rows, part)
        _put_rows(found, rows, find_bursts(part.rest))
    return parts, found


Record = TypeVar("Record", Parts, Bursts, Modulation, Sketch, Cells)


def _rows(whole: Record, rows: npt.NDArray[np.intp]) -> Record:
    """Some rows of the record."""
    kept: dict[str, Any] = {}
    for field in fields(whole):
        value = getattr(whole, field.name)
        kept[field.name] = _rows(value, rows) if isinstance(value, Cells) else value[rows]
    return replace(whole, **kept)


def _put_rows(whole: Record, rows: npt.NDArray[np.intp], part: Record) -> None:
    """Overwrite some rows of the record, which nobody else holds, with those of another one."""
    for field in fields(whole):
        old, new = getattr(whole, field.name), getattr(part, field.name)
        if isinstance(old, Modulation):
            _put_rows(old, rows, new)
        else:
            old[rows] = new


def _variance(rest: Floats, amplitude: Floats, sharing: float) -> Floats:
    """Variance that white noise of the same density would have on the grid, from the quieter quarter cycles.

    Source: derived: of n independent values' mean square, a quantile is that of chi-squared over n.
    """
    share = _quiet_share(BIN / sharing)
    squares = np.square(rest).reshape(-1, BIN) @ np.ones(BIN, dtype=np.float32)
    bins = np.sort(squares.reshape(-1, N_BINS), axis=1)
    quiet: Floats = bins[:, round(_QUIET * N_BINS)] * np.float32(sharing / (BIN * share))
    return quiet + (_FLOOR * np.maximum(amplitude, 1e-3)) ** 2


@lru_cache(maxsize=16)
def _quiet_share(independent: float) -> float:
    from scipy.stats import chi2

    return float(chi2.ppf((round(_QUIET * N_BINS) + 0.5) / N_BINS, independent) / independent)


def _named(p: Parts, b: Bursts, sharing: float) -> dict[str, Floats]:
    amplitude = np.maximum(np.abs(p.outside[:, 0]), 1e-3)
    calm = p.rest - b.wave * p.usable
    variance = _variance(calm, amplitude, sharing)
    found = {"noise": np.log10(variance / amplitude**2)}
    found |= _step(p, amplitude, variance)
    found |= _harmonics(p, amplitude, variance)
    found |= _flicker(p, amplitude, variance)
    found |= left_over(p, b, amplitude, variance)
    found["calm_log"] = log(np.einsum("ij,ij->i", calm, calm) / N_GRID, variance)
    return found


def _step(p: Parts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    both = p.n_inside * p.n_outside / np.maximum(p.n_inside + p.n_outside, 1.0)
    ratio = p.inside[:, 0] / np.where(np.abs(p.outside[:, 0]) > 1e-3, p.outside[:, 0], 1e-3)
    none, flicker, step, all_ = p.levels.T
    n_bins = float(N_BINS)
    return {
        "change": np.clip(np.abs(ratio) - 1, -1, 5),
        "change_size": np.clip(np.abs(np.abs(ratio) - 1), 0, 5),
        "jump_deg": np.degrees(np.angle(ratio)) * (np.abs(ratio) > _TURNED),
        "duration_cycles": (p.end - p.start) / PER_CYCLE,
        "start_cycles": p.start / PER_CYCLE,
        "end_cycles": p.end / PER_CYCLE,
        "step_log": log(np.abs(p.inside[:, 0] - p.outside[:, 0]) ** 2 * both / 2, variance),
        "edge_least_log": log(p.edges.min(axis=1), variance),
        "edge_most_log": log(p.edges.max(axis=1), variance),
        "edge_least": p.edges.min(axis=1) / (amplitude**2 * BIN),
        "edge_most": p.edges.max(axis=1) / (amplitude**2 * BIN),
        "left_none_log": log(none / n_bins, variance),
        "left_flicker_log": log(flicker / n_bins, variance),
        "left_step_log": log(step / n_bins, variance),
        "left_both_log": log(all_ / n_bins, variance),
        "step_over_none": log_ratio(step, none, variance),
        "flicker_over_none": log_ratio(flicker, none, variance),
        "both_over_flicker": log_ratio(all_, flicker, variance),
        "both_over_step": log_ratio(all_, step, variance),
    }


def _harmonics(p: Parts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    found: dict[str, Floats] = {}
    both = p.n_inside * p.n_outside / np.maximum(p.n_inside + p.n_outside, 1.0)
    ratio = p.inside[:, :1] / np.where(np.abs(p.outside[:, :1]) > 1e-3, p.outside[:, :1], 1e-3)
    share_out = np.abs(p.outside) / amplitude[:, None]
    share_in = np.abs(p.inside) / amplitude[:, None]
    size = np.abs(ratio)
    turned = np.where(size > _TURNED, ratio / np.maximum(size, _TURNED), 1.0) ** np.array(ORDERS)
    fresh = np.abs(p.inside - size * turned * p.outside)  # beyond what follows the fundamental, its jump in phase too
    held = np.abs(p.inside - size * p.outside)  # beyond what follows its size alone, as of a supply that does not jump
    stay = np.abs(p.inside - p.outside)
    added = np.maximum(np.abs(np.abs(p.inside[:, 0]) - np.abs(p.outside[:, 0])), 0.02 * amplitude)
    inside_amplitude = np.maximum(np.abs(p.inside[:, 0]), 0.05 * amplitude)
    for i, order in enumerate(ORDERS[1:], start=1):
        found |= {
            f"outside_{order}": share_out[:, i],
            f"inside_{order}": share_in[:, i],
            f"inside_{order}_of_fundamental": np.abs(p.inside[:, i]) / inside_amplitude,
            f"fresh_{order}": fresh[:, i] / amplitude,
            f"fresh_{order}_of_added": np.clip(fresh[:, i] / added, 0, 3),
            f"held_{order}": held[:, i] / amplitude,
            f"held_{order}_of_added": np.clip(held[:, i] / added, 0, 3),
            f"stay_{order}_of_added": np.clip(stay[:, i] / added, 0, 3),
            f"outside_{order}_log": log(np.abs(p.outside[:, i]) ** 2 * p.n_outside / 2, variance),
            f"inside_{order}_log": log(np.abs(p.inside[:, i]) ** 2 * p.n_inside / 2, variance),
            f"fresh_{order}_log": log(fresh[:, i] ** 2 * both / 2, variance),
            f"held_{order}_log": log(held[:, i] ** 2 * both / 2, variance),
        }
    pair_out, pair_in, pair_fresh, pair_held = (np.abs(c[:, 1:3]) for c in (p.outside, p.inside, fresh, held))
    found |= {
        "outside_distortion": np.hypot(*pair_out.T) / amplitude,
        "inside_distortion": np.hypot(*pair_in.T) / inside_amplitude,
        "fresh_distortion_of_added": np.clip(np.hypot(*pair_fresh.T) / added, 0, 5),
        "outside_distortion_log": log((pair_out**2).sum(1) * p.n_outside / 2, variance),
        "inside_distortion_log": log((pair_in**2).sum(1) * p.n_inside / 2, variance),
        "fresh_distortion_log": log((pair_fresh**2).sum(1) * both / 2, variance),
        "held_distortion_of_added": np.clip(np.hypot(*pair_held.T) / added, 0, 5),
        "held_distortion_log": log((pair_held**2).sum(1) * both / 2, variance),
    }
    return found


def _flicker(p: Parts, amplitude: Floats, variance: Floats) -> dict[str, Floats]:
    rows = np.arange(len(amplitude))
    ratio = (np.abs(p.inside[:, 0]) / amplitude)[:, None]
    inside, outside = p.modulation_inside, p.modulation_outside
    scaled = inside.scaled(ratio)
    found: dict[str, Floats] = {}
    gains = {}
    added = np.maximum(np.abs(np.abs(p.inside[:, 0]) - np.abs(p.outside[:, 0])), 0.02 * amplitude)
    for name, fitted in (
        ("outside", outside), ("inside", inside), ("added", inside + outside), ("factor", scaled + outside),
    ):  # fmt: skip
        gain, a, b = fitted.gain()
        best = np.argmax(gain, axis=1)
        depth = np.hypot(a[rows, best], b[rows, best])
        gains[name] = gain
        found |= {
            f"flicker_{name}_log": log(gain[rows, best], variance),
            f"flicker_{name}": np.clip(depth / amplitude, 0, 1),
            f"flicker_{name}_cycles": FLICKER_CYCLES[best].astype(np.float32),
        }
        if name == "inside":
            found["flicker_inside_of_added"] = np.clip(depth / added, 0, 2)
    found["flicker_inside_evidence"] = _evidence(inside, added, variance)
    free = (gains["inside"] + gains["outside"]).max(axis=1)
    found |= {
        "flicker_both_log": log(free, variance),
        "flicker_added_short": log_ratio(free - gains["added"].max(axis=1), free, variance),
        "flicker_factor_short": log_ratio(free - gains["factor"].max(axis=1), free, variance),
    }
    for name, energy in (("inside", p.energy_inside), ("outside", p.energy_outside)):
        gain = gains[name].max(axis=1)
        found[f"flicker_{name}_left_log"] = log(energy - gain, variance)
        found[f"flicker_{name}_share"] = np.clip(gain / (energy + variance), 0, 1)
    return found


_DEPTHS: Final = (0.06, 0.085)  # of what the event adds: 0.05 to 0.10
_PHASES: Final = np.arange(8) * (np.pi / 4)


def _evidence(fitted: Modulation, added: Floats, variance: Floats) -> Floats:
    """Logarithm of the likelihood ratio of flicker of 5 to 10 % against none, its frequency and phase being anything.

    Source: derived: Gaussian noise; the mean of the likelihood over a grid of depths, frequencies and phases.
    """
    f = len(FLICKER_CYCLES)
    c, s = fitted.right[:, :f], fitted.right[:, f:]
    logs = []
    for depth in _DEPTHS:
        size = (depth * added)[:, None]
        for phase in _PHASES:
            a, b = np.float32(np.cos(phase)), np.float32(np.sin(phase))
            square = a * a * fitted.square_cc + 2 * a * b * fitted.square_cs + b * b * fitted.square_ss
            logs.append(size * (a * c + b * s) - 0.5 * size * size * square)
    every = np.concatenate(logs, axis=1) / variance[:, None]
    top = every.max(axis=1)
    ratio = top + np.log(np.mean(np.exp(every - top[:, None]), axis=1))
    return np.asarray(np.sign(ratio) * np.log1p(np.abs(ratio)))


def _names() -> tuple[str, ...]:
    sine = np.sin(2 * np.pi * np.arange(N_GRID) / PER_CYCLE)[None].astype(np.float32)
    return tuple(_named(*_apart(sine, 1.0), 1.0))


FEATURES: Final = _names()
