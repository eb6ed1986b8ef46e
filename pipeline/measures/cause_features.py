"""Numbers of an event that do not depend on its network: what a model of causes is trained on and asked with.

All voltages are per unit of those before the event, all currents of the positive-sequence current before. What a window
does not reach, or channels do not tell, is missing from the result.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.evidence import Evidence
from halfcycle.pipeline.measures.event_parts import Departure, EventParts, LaterHarmonics
from halfcycle.pipeline.measures.event_window import C128, F64, EventWindow, PhasorSeries
from halfcycle.pipeline.measures.mask_runs import runs
from halfcycle.pipeline.measures.phasors import spectrum_from_start, without_fundamental
from halfcycle.pipeline.measures.sequence import symmetrical_components
from halfcycle.pipeline.order_statistics import row_means, row_medians

Numbers = dict[str, float]
Mask = npt.NDArray[np.bool_]

_LONGEST_S: Final = 2.6  # after the start, that is looked at
_AT: Final = (0, 2, 4, 8, 16, 32, 64, 128)  # half cycles after the start
_CURRENTS_AT: Final = (0, 2, 6, 16, 64)
_SAG: Final = 0.9
_DEAD: Final = 0.15
_NOTHING: Final = 0.08  # of the current before
_MOST: Final = 1e6
_TURNS: Final = np.exp(-2j * np.pi / 3 * np.arange(3))
_SIDES: Final = {"upstream": -1.0, "downstream": 1.0}
_NO_NUMBERS: Final = ("repeats", "dead_time_s", "duration_s", "phase_jump_deg")  # the model was not trained with them
_NAMED: Final = {"turn_deg": "phase_jump_deg"}  # as the model's file has it
_OF_EVIDENCE: Final = tuple(field.name for field in fields(Evidence) if field.name not in _NO_NUMBERS)


def cause_features(parts: EventParts, evidence: Evidence) -> Numbers:
    """The numbers of an event.

    Parameters
    ----------
    parts : of the event; all that follows is looked at, other events with it.
    evidence : of the event.

    Returns
    -------
    Finite numbers by name.

    Source: derived.
    """
    window, series = parts.window, parts.whole
    found = _of_evidence(evidence)
    found["seconds_after"] = (window.u.shape[1] - window.start) / window.rate_hz
    before = series.u_before
    longest = series.i_start + math.ceil(2 * _LONGEST_S * series.frequency_hz)
    turned = np.exp(-1j * np.angle(before)) / np.maximum(np.abs(before), 1e-30)
    after = series.u[:, series.i_start : longest] * turned[:, None]
    sizes = np.abs(after)
    found |= _levels(sizes) | _runs_of_sags(sizes) | _before(window, series)
    if after.shape[0] == 3:
        found |= _sequences(after, line_to_line=window.line_to_line)
    found |= _steps(after) | _shape_after(window, series, parts.harmonics)
    has_currents = window.i is not None and series.i is not None and window.i.shape[0] == 3
    if has_currents:
        found |= _of_currents(series)
    found |= _ringing(parts.departure, window, "ui" if has_currents else "u")
    values = np.fromiter(found.values(), np.float64, len(found))
    bounded = dict(zip(found, np.clip(values, -_MOST, _MOST).tolist(), strict=True))
    if np.isfinite(values).all():
        return bounded
    return {name: value for name, value in bounded.items() if math.isfinite(found[name])}


def _of_evidence(evidence: Evidence) -> Numbers:
    found: Numbers = {}
    for name in _OF_EVIDENCE:
        value = getattr(evidence, name)
        if isinstance(value, bool | int | float):
            found[_NAMED.get(name, name)] = float(value)
    if evidence.direction in _SIDES:
        found["side"] = _SIDES[evidence.direction]
    if evidence.phase_steps_pu is not None:
        found["steps_apart_pu"] = max(evidence.phase_steps_pu) - min(evidence.phase_steps_pu)
    return found


def _means_at(rows: F64, at: Sequence[int]) -> dict[str, list[float]]:
    """Of each row the mean over two half cycles, by how many after the start, and over four at the end."""
    n = rows.shape[1]
    first = [k for k in at if k + 1 < n]
    second = [k + 1 for k in first]
    means = (rows[:, first] + rows[:, second]) / 2
    found = dict(zip((f"at{k}" for k in first), means.T.tolist(), strict=True))
    return found if n < 6 else found | {"end": row_means(rows[:, n - 5 : n - 1]).tolist()}


def _levels(sizes: F64) -> Numbers:
    """Lowest, middle and highest phase some half cycles after the start, at the extremes, and at the end."""
    found: Numbers = {}
    ordered = np.sort(sizes, axis=0)
    ordered = ordered[[0, ordered.shape[0] // 2, -1]]
    lowest, highest = int(ordered[0].argmin()), int(ordered[-1].argmax())
    means = _means_at(ordered, _AT)
    means |= {"lowest": ordered[:, lowest].tolist(), "highest": ordered[:, highest].tolist()}
    for name, values in means.items():
        found |= {f"{name}_{row}": value for row, value in zip(("low", "middle", "high"), values, strict=True)}
    return found | {
        "lowest_after": float(lowest), "highest_after": float(highest), "n_after": float(ordered.shape[1])
    }  # fmt: skip


def _runs_of_sags(sizes: F64) -> Numbers:
    """Sags, dead phases and dead points: how long, how many, what lies between; and whether one changes inside."""
    worst, best = sizes.min(axis=0), sizes.max(axis=0)
    found: Numbers = {}
    for name, mask in (
        ("sag", worst < _SAG),
        ("dead_phase", worst < _DEAD),
        ("dead", best < _DEAD),
        ("swell", best > 1.1),
    ):
        first, stop = runs(mask)
        found[f"{name}_n"] = float(first.size)
        if not first.size:
            continue
        found[f"{name}_begins"], found[f"{name}_length"] = float(first[0]), float(stop[0] - first[0])
        found[f"{name}_ends"] = float(stop[0] < mask.size)
        found[f"{name}_share"] = _share_of(mask)
        if first.size > 1:
            found[f"{name}_apart"] = float(first[1] - stop[0])
            found[f"{name}_second_length"] = float(stop[1] - first[1])
    first, stop = runs(worst < _SAG)
    if first.size and stop[0] - first[0] >= 3:
        inside = sizes[:, first[0] : stop[0]]
        n = inside.shape[1]
        early, late = (np.sort(inside[:, int(share * (n - 1))]) for share in (0.25, 0.8))
        found["sag_changes"] = float(np.abs(late - early).max())
        found["sag_deepens"] = float((early - late).max())
        found["sag_more_phases"] = float((late < 0.85).sum() - (early < 0.85).sum())
        found["sag_flat"] = float(row_medians(np.abs(np.diff(worst[first[0] : stop[0]]))[None])[0])
    return found


def _before(window: EventWindow, series: PhasorSeries) -> Numbers:
    mean = np.maximum(series.sizes_before, 1e-30)
    away = series.sizes[:, series.before] - series.sizes_before[:, None]
    moves = np.sqrt(np.einsum("ij,ij->i", away, away) / away.shape[1]) / mean
    found = {
        "before_apart": float(mean.min() / mean.max()), "before_moves": float(moves.max()),
        "samples_a_cycle": window.cycle, "line_to_line": float(window.line_to_line), "voltages": float(mean.size),
    }  # fmt: skip
    if mean.size == 3:
        zero, positive, negative = (abs(complex(x)) for x in symmetrical_components(series.u_before))
        found["before_negative"] = negative / max(positive, 1e-30)
        if not window.line_to_line:
            found["before_zero"] = zero / max(positive, 1e-30)
    return found


def _sequences(after: C128, *, line_to_line: bool) -> Numbers:
    sizes = np.abs(symmetrical_components(after * _TURNS[:, None]))
    zero, positive, negative = sizes
    found: Numbers = {}
    lowest = int(positive.argmin())
    means = _means_at(sizes, _AT)
    means.pop("end", None)
    for name, values in (means | {"lowest": sizes[:, lowest].tolist()}).items():
        mean_zero, found[f"{name}_positive"], found[f"{name}_negative"] = values
        if not line_to_line:
            found[f"{name}_zero"] = mean_zero
    loss = max(1 - float(positive.min()), 0.0)
    found["most_negative"], found["most_positive"] = float(negative.max()), float(positive.max())
    found["negative_of_loss"] = float(negative[lowest]) / max(loss, 0.003)
    if not line_to_line:
        found["most_zero"] = float(zero.max())
    return found


def _steps(after: C128) -> Numbers:
    """What the mean of the phases does: a step, its angle, how it settles."""
    mean = row_means(after.T)
    found: Numbers = {}
    for name, place in (("early", slice(4, 10)), ("later", slice(20, 30))):
        if mean.size >= place.stop:
            value = complex(row_means(mean[place]))
            found[f"step_{name}"], found[f"jump_{name}"] = (
                abs(value) - 1,
                math.degrees(math.atan2(value.imag, value.real)),
            )
            found[f"jump_of_step_{name}"] = math.atan2(value.imag, value.real) / math.copysign(
                max(abs(abs(value) - 1), 5e-4), abs(value) - 1
            )
            found[f"settled_{name}"] = float(np.abs(mean[place] - value).max()) / max(abs(value - 1), 5e-4)
    return found


def _ringing(departure: Departure, window: EventWindow, letters: str) -> Numbers:
    """What departs from the cycle before: the first move, and what is left without a change of the fundamental."""
    n, start = departure.n_cycle, int(window.start)
    if start + 2 * n + 2 > window.u.shape[1] or n < 8:
        return {}
    change, angle = departure.change, departure.angle
    parts = (slice(0, n + 1), slice(n + 1, None))
    rest = np.concatenate([without_fundamental(change[:, part], angle[part]) for part in parts], axis=1)
    quarter = n // 4
    n_quarters = 2 * n // quarter
    squares = row_means((rest[:, : n_quarters * quarter] ** 2).reshape(rest.shape[0], n_quarters, quarter))
    found: Numbers = {}
    for letter in letters:
        x = window.u if letter == "u" or window.i is None else window.i
        rows = slice(departure.n_voltages) if letter == "u" else slice(departure.n_voltages, None)
        peak = max(float(np.abs(x[:, start - n : start]).max()), 1e-30)
        of_letter = _first_move(change[rows], departure.earlier[rows], n, peak)
        of_letter |= _rest(rest[rows, : n + 1], np.sqrt(row_means(squares[rows].T)) / peak, peak, window)
        found |= {f"{letter}_{name}": value for name, value in of_letter.items()}
    return found


def _rest(first: F64, quarters: F64, peak: float, window: EventWindow) -> Numbers:
    """What rings, from its first cycle and its RMS in each quarter of two cycles."""
    rms = quarters.tolist()
    found = {f"rest{i}": math.log10(max(rms[min(i, len(rms) - 1)], 1e-6)) for i in (0, 1, 2, 3, 5, 7)}
    found["damped"] = math.log10(max(rms[2], 1e-6) / max(rms[0], 1e-6))
    largest = np.abs(first).max(axis=1)
    found["ring_most"] = float(largest.max()) / peak
    return found | _spectrum(first[int(largest.argmax())], window)


def _first_move(change: F64, earlier: F64, n: int, peak: float) -> Numbers:
    """The largest change within an eighth of a cycle, against the voltage or current that it changes."""
    first = change[:, : max(3, n // 8) + 1]
    worst = np.unravel_index(int(np.abs(first).argmax()), first.shape)
    was = float(earlier[worst])
    return {
        "first_move": float(np.abs(first).max()) / peak,
        "first_to_zero": -float(first[worst]) * math.copysign(1, was) / peak,
        "collapse": -float(first[worst]) / was if abs(was) > 0.25 * peak else 0.0,
    }


def _spectrum(row: F64, window: EventWindow) -> Numbers:
    """Of what rings, by orders of the fundamental."""
    hertz, size = spectrum_from_start(row, 4, window.rate_hz)
    power = size**2
    power[: np.searchsorted(hertz, 2 * window.frequency_hz)] = 0
    total = max(float(power.sum()), 1e-30)
    strongest = int(power.argmax())
    near = np.abs(hertz - hertz[strongest]) <= 1.5 * window.frequency_hz
    return {
        "ring_order": float(hertz[strongest]) / window.frequency_hz,
        "centre_order": float(power @ hertz / total) / window.frequency_hz,
        "ring_pure": float(power[near].sum()) / total,
        "ring_crest": float(np.abs(row).max()) / max(math.sqrt(float(row @ row) / row.size), 1e-30),
        "above_20": float(power[np.searchsorted(hertz, 20 * window.frequency_hz, side="right") :].sum()) / total,
    }


def _shape_after(window: EventWindow, series: PhasorSeries, harmonics: LaterHarmonics) -> Numbers:
    """Harmonics some cycles after the start, of the voltage and of what the currents gained; how rough the wave is."""
    found: Numbers = {}
    u1 = np.maximum(series.sizes_before, 1e-30)
    rough_before = _rough(window.u, window.start - 3 * window.cycle, window.start - 1)
    has_currents = window.i is not None and window.i.shape[0] == 3
    for name, first, stop in (("soon", 4, 9), ("late", 24, 29)):
        windows = series.i_start + np.arange(first, stop)
        if windows[-1] >= series.starts.size:
            continue
        at = series.starts[windows]
        rough = _rough(window.u, at[0], at[-1] + window.cycle)
        found[f"rougher_{name}"] = math.log10(max(rough, 1e-12) / max(rough_before, 1e-12))
        # As the model was trained: of windows that lie in as many samples as are usual.
        last = min(int(at[-1] + window.cycle) + 3, window.u.shape[1]) - 1 - 1e-6
        windows = windows[at + window.rate_hz / series.frequency_hz <= last]
        if not windows.size:
            continue
        voltages, currents = harmonics.medians(windows)
        found |= {f"u_h{order}_{name}": float((voltages[order] / u1).max()) for order in (2, 3, 5)}
        if has_currents:
            more = _gained(series, first, stop)
            found |= {f"i_h{order}_{name}": float((currents[order] / more).max()) for order in (0, 2, 3)}
    return found


def _gained(series: PhasorSeries, first: int, stop: int) -> F64:
    """By how much currents differ from those before, between half cycles after the start; a little at least. [A]"""
    before = series.i_before
    if series.i is None or before is None:
        return np.full(3, math.nan)
    there = series.i[:, series.i_start + first : series.i_start + stop]
    more: F64 = np.maximum(row_means(np.abs(there - before[:, None])), 0.02 * _sequences_before(before)[1])
    return more


def _sequences_before(before: C128) -> tuple[float, float, float]:
    """Sizes of the three sequences of the currents before, the positive one above nothing. [A]"""
    zero, positive, negative = (abs(complex(x)) for x in symmetrical_components(before))
    return zero, max(positive, 1e-30), negative


def _rough(x: F64, first: float, stop: float) -> float:
    part = x[:, max(int(first), 0) : int(stop)]
    bends = np.diff(part, 2, axis=1)
    return math.sqrt(float(np.vdot(bends, bends)) / bends.size) if part.shape[1] > 3 else math.nan


def _of_currents(series: PhasorSeries) -> Numbers:
    """Currents of that before, in phases and sequences; what is drawn beyond the steady load; even harmonics."""
    before = series.i_before
    if series.i is None or before is None:
        return {}
    zero, usual, negative = _sequences_before(before)
    phase_before = np.maximum(np.abs(before), 0.05 * usual)
    sizes = np.sort(np.abs(series.i[:, series.i_start :]) / phase_before[:, None], axis=0)
    found = {"i_before_negative": negative / usual, "i_before_zero": zero / usual}
    found |= _currents_at(series, sizes, usual)
    found["i_most"], found["i_least"] = float(sizes[2].max()), float(sizes[2].min())
    dead = sizes[2] < _NOTHING
    found["i_dead_share"], found["i_phase_dead_share"] = _share_of(dead), _share_of(sizes[0] < _NOTHING)
    begins, ends = runs(np.ascontiguousarray(dead))
    if begins.size:
        found["i_dead_begins"], found["i_dead_ends"] = float(begins[0]), float(ends[0] < dead.size)
    return found


def _currents_at(series: PhasorSeries, sizes: F64, usual: float) -> Numbers:
    """Some half cycles after the start and at the end."""
    currents, voltages = series.components_of_i, series.components_of_u
    if currents is None:
        return {}
    after = slice(series.i_start, None)
    zero, positive_i, negative = currents
    positive_v = series.u[0] if voltages is None else voltages[1]
    admittance = complex(row_means(positive_i[series.before])) / (
        complex(row_means(positive_v[series.before])) or 1e-30
    )
    added = positive_i[after] - admittance * positive_v[after]
    toward = positive_v[after] * np.conj(added)
    toward /= np.maximum(np.abs(toward), 1e-300)
    found: Numbers = {}
    what = ("low", "middle", "high", "zero", "negative", "added")
    in_sequences = np.abs([zero[after], negative[after], added]) / usual
    rows = np.concatenate((sizes, in_sequences, [toward.real, toward.imag]))
    for name, means in _means_at(rows, _CURRENTS_AT).items():
        found |= {f"i_{name}_{row}": value for row, value in zip(what, means[:6], strict=True)}
        if means[5] > 0.02:
            found[f"i_{name}_watts"], found[f"i_{name}_vars"] = means[6:]
    return found


def _share_of(mask: Mask) -> float:
    return int(np.count_nonzero(mask)) / mask.size
