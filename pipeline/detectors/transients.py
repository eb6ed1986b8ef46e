"""Impulsive and oscillatory transients: what a waveform has beside the cycles before and after, and the slow part.

A cheap look at every sample names the stretches that differ from the cycle before. In each, quiet cycles before and
after give the waveform; what neither that nor a sag's step explains, and noise does not, is an event.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from halfcycle.classifiers.transient_category import transient_category
from halfcycle.pipeline.detectors.finding import ChannelPart, Finding
from halfcycle.pipeline.detectors.transient_shape import APART_S, Residue, Shape, shapes_in, unseen_words
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.mask_runs import runs
from halfcycle.pipeline.measures.periodic import Wave, cycles_on_grid, mean_wave, phase_turns, steady_turns, tuned_turns
from halfcycle.pipeline.measures.residue import (
    BLOCKS_A_CYCLE,
    FEWEST_SAMPLES_A_CYCLE,
    SampleSpan,
    candidate_blocks,
    candidate_spans,
)
from halfcycle.pipeline.measures.slow_part import SlowPart, slow_part

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

FEWEST_CYCLES: Final = 3
_GUARD = 18  # samples that keep the reading between samples clear of an event
_MOST_CYCLES = 6  # of which a waveform is the mean
_STRETCH_CYCLES = 256  # over which one delay serves
_LONGEST_IMPULSE_CYCLES = 1.0  # what stands on one side for longer is the charge of a dead line, or a shift: no source
_NARROWEST = 2.0  # samples: an impulse this narrow, at the threshold, is still a candidate
_QUIET_MARGIN = (
    1.45  # over the loudest blocks of quiet cycles, for blocks of 16 samples; noise is less varied in longer
)
_SAME_PLACE_TURNS = 0.02
_LONGEST_GAP = 2.1  # turns, from one to the next of a recurring transient, which may come each half cycle
_ALIKE = 0.5  # of the peak: how far the peaks of a recurring transient may lie apart
_LEAST_EXCESS = 0.8  # of the threshold, beside what states and ways explain
_CHANCE = 2.0  # standard deviations of noise that are taken off the largest excess
_DEAD = 0.1  # of the stretch's own fundamental: cycles of less do not tell its waveform
_ALIVE = 0.5  # of the stretch's peak: what its typical cycle must have to tell it
_SHARE_OF_STEP = 0.25  # of a sag's step, which what rings on it must reach
_EXACT = 0.08  # of the threshold: RMS by which a state may be off where there is hardly any noise
_SLOW_TOLERANCE = 0.15  # of the threshold


class TransientSettings(BaseModel):
    """What counts as a transient.

    Attributes
    ----------
    threshold_pu : least peak of the residue. [pu of the nominal peak]
    noise_factor : what is no noise: as rare as a sample this many standard deviations off.
    decay_level : part of its peak at which a transient is over.
    steady_cycles : what recurs at the same point on wave for so many cycles, from the first on, is the steady state.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    threshold_pu: float = Field(default=0.1, gt=0)
    noise_factor: float = Field(default=7.0, ge=3)
    decay_level: float = Field(default=0.1, gt=0, lt=1)
    steady_cycles: int = Field(default=5, ge=3)


def find_transients(
    u: npt.ArrayLike,
    *,
    rate_hz: float,
    frequency_hz: npt.ArrayLike,
    nominal_peak: float,
    settings: TransientSettings | None = None,
) -> list[Finding]:
    """Transients in the voltages (or currents) of one measuring point.

    Parameters
    ----------
    u : shape (n_channels, n) or (n,). Instantaneous values, three cycles or more. [V]
    rate_hz : float > 0. Sampling rate. [Hz]
    frequency_hz : of the fundamental: scalar, or values spread evenly over the record (one a sample, or one a half
        cycle). Where it is off, the cycles before a transient set it right. [Hz]
    nominal_peak : what 1 pu stands for: the peak of the nominal voltage; of currents, such as the rated current, or the
        RMS before an event, times the root of two. Voltages and currents are asked for apart. [V] or [A]
    settings : None: the defaults.

    Returns
    -------
    Findings of kind ``oscillatory_transient`` and ``impulsive_transient`` in order of start; empty where nothing was
    found. Magnitudes are peaks of the residue in pu of `nominal_peak`. What comes again at the same point on wave is
    one finding, from the first to the last, with the number of `repeats`.

    Raises
    ------
    SignalError : u not finite, not 1-D or 2-D, under 3 cycles, under 16 samples per cycle; rate or peak not above zero.

    Source: categories of IEEE Std 1159-2019, Table 2; the method is derived. IEC 61000-4-30 leaves transients to
    informative text, with the comparison of cycles and a threshold among the methods (from memory).

    Examples
    --------
    >>> wave = np.sin(np.pi * np.arange(6400) / 64) + 0.5 * (np.arange(6400) == 3000)
    >>> (one,) = hc.find_transients(wave, rate_hz=6400, frequency_hz=50, nominal_peak=1)  # a spike at sample 3000
    """
    chosen = TransientSettings() if settings is None else settings
    values = np.atleast_2d(np.asarray(u))
    if values.ndim != 2 or not np.isfinite(values.sum(dtype=np.float64)):
        raise SignalError(f"u must be finite and 1-D or 2-D; got shape {np.shape(u)}")
    if not (rate_hz > 0 and nominal_peak > 0):
        raise SignalError(f"rate {rate_hz} Hz and nominal peak {nominal_peak} V must be above zero")
    turns = phase_turns(frequency_hz, rate_hz=rate_hz, n=values.shape[1])
    if not values.size or turns[-1] < FEWEST_CYCLES - 0.05:
        raise SignalError(f"{values.shape[1]} samples are fewer than {FEWEST_CYCLES} cycles")
    if (values.shape[1] - 1) / turns[-1] < FEWEST_SAMPLES_A_CYCLE:
        raise SignalError(f"there are fewer than {FEWEST_SAMPLES_A_CYCLE} samples per cycle")
    record = _Record(values, steady_turns(values, turns), rate_hz, nominal_peak, chosen)
    found: list[Finding] = []
    spans = _active(record)
    for i, (start, stop) in enumerate(spans):
        first = spans[i - 1][1] if i else 0
        last = spans[i + 1][0] if i + 1 < len(spans) else values.shape[1]
        found += _judge(record, first, start, stop, last)
    return _trains(sorted(found, key=lambda one: one.start), record)


@dataclass(frozen=True, slots=True)
class _Record:
    values: npt.NDArray[np.generic]
    turns: F64
    rate_hz: float
    nominal_peak: float
    settings: TransientSettings

    @property
    def cycle(self) -> float:
        """Mean length of a cycle. [samples]"""
        return float((self.turns.size - 1) / self.turns[-1])


def _active(record: _Record) -> list[SampleSpan]:
    """Stretches that hold whatever differs from the cycle before, on any channel; quiet for some cycles between."""
    n_channels, n = record.values.shape
    cycle = record.cycle
    block = max(round(cycle / BLOCKS_A_CYCLE), 2)
    least = record.settings.threshold_pu * record.nominal_peak * min(np.sqrt(_NARROWEST / block), 1.0) / 2
    factor = 1 + (_QUIET_MARGIN - 1) * np.sqrt(16 / block)
    spans: list[SampleSpan] = []
    origin = int(np.ceil(cycle)) + 1
    for c in range(n_channels):
        levels = _levels(record, record.values[c], block, origin)
        pairs = candidate_spans(levels, blocks_a_cycle=BLOCKS_A_CYCLE, least=least, noise_factor=factor)
        for a, b in pairs:
            start = origin + int(a) * block
            # In the second cycle it may be the first one that was different.
            start = 0 if start < 2 * cycle + block else start - int(cycle / 4)
            spans.append((start, min(origin + int(b) * block + int(cycle / 4), n)))
        tail = origin + levels.size * block
        if tail < n and spans and spans[-1][1] >= tail:
            spans[-1] = (spans[-1][0], n)
    return _merged(spans, apart=int((record.settings.steady_cycles - 1) * cycle))


def _levels(record: _Record, row: npt.NDArray[np.generic], block: int, origin: int) -> F32:
    """Levels of all blocks from `origin` on, the delay following the frequency."""
    n_blocks = (row.size - origin) // block
    step = max(int(_STRETCH_CYCLES * record.cycle) // block, 1)
    parts = []
    for a in range(0, n_blocks, step):
        b = min(a + step, n_blocks)
        start, stop = origin + a * block, origin + b * block
        pace = (record.turns[stop - 1] - record.turns[start - 1]) / (stop - start)
        delay = min(1 / pace, float(start))
        parts.append(candidate_blocks(row[start - int(np.ceil(delay)) : stop], delay=delay, block=block))
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)


def _merged(spans: list[SampleSpan], *, apart: int) -> list[SampleSpan]:
    merged: list[SampleSpan] = []
    for start, stop in sorted(spans):
        if merged and start - merged[-1][1] < apart:
            merged[-1] = (merged[-1][0], max(merged[-1][1], stop))
        else:
            merged.append((start, stop))
    return merged


def _judge(record: _Record, first: int, start: int, stop: int, last: int) -> list[Finding]:
    """Events of the active stretch [start, stop), quiet from `first` before it and up to `last` after it."""
    reach = int((_MOST_CYCLES + 1) * record.cycle) + 2 * _GUARD
    first, last = max(first, start - reach), min(last, stop + reach)
    u = record.values[:, first:last].astype(np.float64) / record.nominal_peak
    turns = record.turns[first:last]
    quiet = max(start - first - _GUARD, 0), min(stop - first + _GUARD, u.shape[1])
    sides = _quiet_cycles(u, turns, quiet)
    for cycles in sides:  # those before tell the frequency, or else those after
        if cycles.shape[1] >= 3:
            tuned = tuned_turns(turns, cycles)
            if tuned is not turns:
                turns, sides = tuned, _quiet_cycles(u, tuned, quiet)
            break
    befores, afters = _waves(u, turns, quiet, sides)
    slow, noises = [], []
    for c in range(u.shape[0]):
        before, after = befores[c] if befores else None, afters[c] if afters else None
        known = before or after
        if known is None:
            return []
        noise = _noise(u[c], turns, [wave for wave in (before, after) if wave is not None])
        slow.append(
            slow_part(u[c], turns, before=known, after=after if before else None, quiet=quiet, noise_rms=noise,
                      tolerance=_SLOW_TOLERANCE * record.settings.threshold_pu)
        )  # fmt: skip
        noises.append(noise)
    return _events(record, u, turns, slow, np.array(noises), first)


def _quiet_cycles(u: F64, turns: F64, quiet: SampleSpan) -> list[F64]:
    """The last quiet cycles before and the first ones after, shape (n_channels, n_cycles, n_grid) each."""
    return [
        cycles_on_grid(u, turns, first=a, stop=b, most_cycles=_MOST_CYCLES, newest=newest)
        for a, b, newest in ((0, quiet[0], True), (quiet[1], u.shape[1], False))
    ]


def _waves(u: F64, turns: F64, quiet: SampleSpan, sides: Sequence[F64]) -> tuple[list[Wave], list[Wave]]:
    """Each channel's waveform before and after. For the only one, if of a dead line, or none, the stretch's typical."""
    befores, afters = ([mean_wave(one) for one in cycles] if cycles.shape[1] else [] for cycles in sides)
    if befores and afters:
        return befores, afters
    first, stop = quiet if befores or afters else (0, u.shape[1])
    cycles = cycles_on_grid(u, turns, first=first, stop=stop, most_cycles=4 * _MOST_CYCLES, newest=True)
    typical = [mean_wave(one, typical=True) for one in cycles] if cycles.shape[1] else []
    known = befores or afters or typical
    for c, mine in enumerate(typical):
        is_alive = abs(mine.phasor) > _ALIVE * np.abs(cycles[c]).max()  # for most of the stretch
        if is_alive and abs(known[c].phasor) < _DEAD * abs(mine.phasor):
            known[c] = mine
    return ([], known) if afters else (known, [])


def _noise(u: F64, turns: F64, waves: Sequence[Wave]) -> float:
    """RMS of the samples about the waveform; from third differences where there are no two quiet cycles."""
    measured = [wave.noise_rms for wave in waves if wave.noise_rms is not None]
    if measured:
        return max(measured)
    third = np.diff(u - waves[0].at(turns), 3)
    return float(np.median(np.abs(third)) / 0.6745 / np.sqrt(20.0))


def _events(record: _Record, u: F64, turns: F64, slow: list[SlowPart], noise: F64, first: int) -> list[Finding]:
    """Findings of a judged stretch whose first sample is number `first` of the record."""
    settings, rate = record.settings, record.rate_hz
    usual = []
    masks = np.zeros(u.shape, np.bool_)
    for c, part in enumerate(slow):
        wave = part.states[0].wave
        usual.append(noise[c] * np.sqrt(1 + 1 / wave.n_cycles))
        spread = np.maximum(max(usual[c], _EXACT * settings.threshold_pu), wave.spread_at(turns))
        spread = np.maximum(spread, wave.edges_at(turns, least=settings.threshold_pu / 2))
        masks[c] = _stands_out(part.excess, spread, settings.noise_factor, int(record.cycle / 4))
        masks[c] &= np.abs(part.excess).max() > settings.threshold_pu / 2
    apart = int(APART_S * rate)
    starts, stops = runs(np.asarray(masks.any(axis=0)))
    found: list[Finding] = []
    taken = np.zeros_like(u)
    spans = _merged(list(zip(starts.tolist(), stops.tolist(), strict=True)), apart=apart)
    earliest = 0
    for span in spans:
        start, stop = span
        ground = u - np.stack([part.excess for part in slow])
        for c, part in enumerate(slow):
            if masks[c, slice(*span)].any():
                ground[c] = part.background(u[c], turns, *span)
                start = min([start, *(a for a, _ in part.unheld(*span) if a >= earliest)])
        earliest = stop
        hertz = float(turns[-1] - turns[0]) * rate / (turns.size - 1)
        residue = Residue(u - ground - taken, np.array(usual), rate, hertz, settings.threshold_pu, settings.decay_level)
        if np.abs(residue.values[:, start:stop]).max() < settings.threshold_pu:
            continue
        steps = [part.step(*span, margin=int(record.cycle / 2)) for part in slow]
        least = np.maximum(settings.threshold_pu, _SHARE_OF_STEP * np.array(steps))
        for shape in shapes_in(residue, start, stop):
            taken += shape.values
            if not shape.oscillates and shape.stop - shape.start > _LONGEST_IMPULSE_CYCLES * record.cycle:
                continue
            reach = slice(max(int(shape.start), 0), int(shape.stop) + 2)
            excess = np.array([np.abs(part.excess[reach]).max(initial=0.0) for part in slow]) - _CHANCE * noise
            if ((shape.peaks >= least) & (excess >= _LEAST_EXCESS * least)).any():
                found.append(_finding(record, shape, ground[shape.channel], first))
    return found


def _stands_out(excess: F64, spread: F64, factor: float, longest: int) -> Mask:
    """Samples in a window, of one sample or more, whose energy is more than noise has."""
    from scipy.special import chdtri, ndtr

    rarity = 2 * float(ndtr(-factor))
    total = np.concatenate(([0.0], np.cumsum(np.square(excess / spread))))
    count = np.zeros(excess.size + 1, np.int64)
    window = 1
    while window <= max(min(longest, excess.size), 1):
        first = np.flatnonzero(total[window:] - total[:-window] > float(chdtri(window, rarity)))
        np.add.at(count, first, 1)
        np.add.at(count, first + window, -1)
        window *= 2
    stands: Mask = np.cumsum(count)[:-1] > 0
    return stands


def _finding(record: _Record, shape: Shape, ground: F64, first: int) -> Finding:
    settings, rate = record.settings, record.rate_hz
    kind = "oscillatory_transient" if shape.oscillates else "impulsive_transient"
    duration_s = (shape.stop - shape.start) / rate
    category = transient_category(kind, oscillation_hz=shape.frequency_hz, rise_s=shape.rise_s, duration_s=duration_s)
    at = min(max(round(shape.peak_at), 0), ground.size - 1)
    start, stop = first + shape.start, first + shape.stop
    return Finding(
        kind=kind,
        category=category,
        start=start,
        stop=min(stop, float(record.turns.size)),
        magnitude=float(shape.peaks.max()),
        magnitude_unit="pu",
        parts=tuple(
            ChannelPart(c, start, min(stop, float(record.turns.size)), float(peak))
            for c, peak in enumerate(shape.peaks)
            if peak >= settings.threshold_pu
        ),
        open_start=start <= 0.5,
        open_stop=stop >= record.turns.size - 1,
        reference_v=record.nominal_peak,
        polarity=shape.sign if ground[at] >= 0 else -shape.sign,
        rise_s=None if shape.oscillates else shape.rise_s,
        width_s=None if shape.oscillates else shape.width_s,
        oscillation_hz=shape.frequency_hz,
        decay_s=shape.decay_s,
        n_modes=shape.n_modes,
        energy_pu2s=shape.energy_pu2s,
        repeats=0,
        unseen=unseen_words(rate),
    )


def _trains(found: list[Finding], record: _Record) -> list[Finding]:
    """Findings, those that come again at the same point on wave taken as one, with how often each came again.

    Without those that recur from the record's first cycles on: that is its steady state.
    """
    places = np.interp([one.start for one in found], np.arange(record.turns.size), record.turns)
    trains: list[list[int]] = []
    for i, one in enumerate(found):
        for train in trains:
            last = found[train[-1]]
            since = float(places[i] - places[train[-1]])
            if (
                since <= _LONGEST_GAP
                and abs(2 * since - round(2 * since)) <= 2 * _SAME_PLACE_TURNS
                and last.kind == one.kind
                and abs(last.magnitude - one.magnitude) <= _ALIKE * last.magnitude
            ):
                train.append(i)
                break
        else:
            trains.append([i])
    steady = record.settings.steady_cycles
    return [
        _train([found[i] for i in train])
        for train in trains
        if not (places[train[0]] < steady and places[train[-1]] - places[train[0]] > steady - 1.5)
    ]


def _train(members: Sequence[Finding]) -> Finding:
    """One finding of a transient and its recurrences."""
    first, stop = members[0], members[-1].stop
    if len(members) == 1:
        return first
    parts: dict[int, ChannelPart] = {}
    for part in sorted((part for one in members for part in one.parts), key=lambda part: (part.channel, part.start)):
        known = parts.get(part.channel, part)
        parts[part.channel] = replace(known, stop=part.stop, extreme=max(known.extreme, part.extreme))
    return replace(
        first,
        stop=stop,
        magnitude=max(one.magnitude for one in members),
        parts=tuple(parts.values()),
        open_stop=members[-1].open_stop,
        energy_pu2s=sum(one.energy_pu2s or 0.0 for one in members),
        repeats=len(members) - 1,
        notes=f"comes {len(members)} times at the same point on wave",
    )
