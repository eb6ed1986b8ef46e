"""Measures of one event that its cause is judged by, from the waveforms around it."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from halfcycle.classifiers.evidence import Evidence
from halfcycle.pipeline.measures.event_parts import Departure, EventParts, LaterHarmonics
from halfcycle.pipeline.measures.event_window import C128, F64, EventWindow, PhasorSeries
from halfcycle.pipeline.measures.phasors import spectrum_from_start, without_fundamental
from halfcycle.pipeline.measures.sequence import symmetrical_components
from halfcycle.pipeline.order_statistics import row_means

Measures = dict[str, Any]

_HARMONIC_CYCLES: Final = (3.0, 5.0)  # after the start, between which second harmonics are taken
_EDGE_SHARE: Final = 0.2  # of the drop, below which an event's edges and a slow tail lie
_RAMP_CYCLES: Final = 0.6  # between a fifth and half of a step, down and up, in a one-cycle window
_LEAST_ADDED: Final = 0.02  # of the current before: less has no power factor


def gather_evidence(parts: EventParts) -> Evidence:
    """All measures of an event that its waveforms allow; notches, repeats, direction and phase-angle jump are for the
    caller to add.

    Parameters
    ----------
    parts : of the event; the longer its window runs on after the start, the more can be told.

    Returns
    -------
    Evidence, None where the window does not reach or a channel is missing.

    Source: derived; each measure's meaning is in `halfcycle.classifiers.evidence`.
    """
    window, series = parts.own, parts.series
    found: Measures = {"duration_s": (window.stop - window.start) / window.rate_hz} if _ends(window) else {}
    found |= _shape(series, window) | _ringing(parts.departure, window)
    found |= _harmonics(parts.harmonics, series, window)
    if parts.dip is not None:
        found |= _unbalance(*parts.dip, line_to_line=window.line_to_line)
    if series.i1 is not None:
        found |= _currents(series, series.v1, series.i1, has_step="step_pu" in found)
    return Evidence(**found)


def _ends(window: EventWindow) -> bool:
    """Whether the event's end lies within the window."""
    return bool(window.stop <= window.u.shape[1])


def _shape(series: PhasorSeries, window: EventWindow) -> Measures:
    v1, size = series.v1, np.abs(series.v1)
    before = float(row_means(size[series.before]))
    relative = series.sizes / series.sizes_before[:, None]
    inside = slice(series.i_start, series.i_stop)
    drop = 1 - size / before
    depth = float(drop[inside].max())
    worst = 1 - relative.min(axis=0)
    early = row_means(v1[series.i_start : series.i_start + 4]) / row_means(v1[series.before])
    found: Measures = {
        "residual_pu": float(1 - worst[inside].max()),
        "depth_pu": max(depth, 0.0),
        "step_jump_deg": float(np.degrees(np.angle(early))),
    }
    lowest = float(worst[series.n_before :].max())
    if lowest > 0.005:
        first = float(worst[series.i_start : series.i_start + 2].max())
        i_low = series.i_start + int(worst[inside].argmax())
        rise = worst[i_low:-3] - worst[i_low + 3 :]
        below = _halves(worst, series, _EDGE_SHARE * lowest) - 2 * _RAMP_CYCLES
        found |= {
            "drop_share": first / lowest,
            "recovery_share": float(rise.max() / lowest) if rise.size else None,
            "rectangularity": min(_halves(worst, series, 0.5 * lowest) / max(below, 1.0), 1.0),
        }
    after = _after(series, window)
    if after is not None:
        steps = row_means(relative[:, after]) - 1
        by_phase = (float(steps[0]), float(steps[1]), float(steps[2])) if steps.size == 3 else None
        found |= {"step_pu": float(row_means(size[after]) / before - 1), "phase_steps_pu": by_phase}
    return found


def _halves(worst: F64, series: PhasorSeries, level: float) -> float:
    """How many half cycles from the start on lie deeper than a level."""
    return float(np.count_nonzero(worst[series.n_before :] > level))


def _after(series: PhasorSeries, window: EventWindow) -> slice | None:
    """The last windows, three cycles at most, where they lie clear of the event."""
    first = int(np.searchsorted(series.starts, min(window.stop, window.u.shape[1]) + window.cycle))
    if series.starts.size - first < 2:
        return None
    return slice(max(first, series.starts.size - 6), series.starts.size)


def _unbalance(before: C128, during: C128, *, line_to_line: bool) -> Measures:
    turns = np.exp(-2j * np.pi / 3 * np.arange(3))
    zero, positive, negative = symmetrical_components(during / before * turns)
    lost = complex(1 - positive)
    share = abs(complex(negative)) / max(abs(lost), abs(complex(negative)), 0.002)
    ratio = during / before
    worst = complex(ratio[int(np.abs(ratio).argmin())])
    turns_deg = [float(np.degrees(np.angle(one))) for one in (complex(positive), worst) if abs(one) > 0.05]
    return {
        "unbalance": share,
        "zero_sequence_pu": None if line_to_line else abs(complex(zero)),
        "turn_deg": max(turns_deg, key=abs, default=None),
    }


def _ringing(departure: Departure, window: EventWindow) -> Measures:
    """What is left of the first cycle of the event without the cycle before and without a change of the fundamental."""
    start, n_voltages = int(window.start), departure.n_voltages
    first = slice(1, departure.n_cycle + 1)
    rest = without_fundamental(departure.change[:, first], departure.angle[first])
    before = slice(start - int(window.cycle), start)
    hertz, ring = _dominating(rest[:n_voltages], window)
    found: Measures = {
        "oscillation_hz": hertz,
        "oscillation_pu": ring / max(float(np.abs(window.u[:, before]).max()), 1e-30),
    }
    if window.i is not None and (peak := float(np.abs(window.i[:, before]).max())) > 0:
        hertz, ring = _dominating(rest[n_voltages:], window)
        found |= {"oscillation_current_hz": hertz, "oscillation_current": ring / peak}
    return found


def _dominating(rest: F64, window: EventWindow) -> tuple[float, float]:
    """Dominating frequency [Hz] and largest value of what rings most."""
    largest = np.abs(rest).max(axis=1)
    worst = int(largest.argmax())
    hertz, lines = spectrum_from_start(rest[worst], 8, window.rate_hz)
    lines[: np.searchsorted(hertz, 2 * window.frequency_hz)] = 0
    return float(hertz[int(lines.argmax())]), float(largest[worst])


def _harmonics(harmonics: LaterHarmonics, series: PhasorSeries, window: EventWindow) -> Measures:
    """Second harmonics and the mean of the currents some cycles after the start."""
    first, last = (window.start + cycles * window.cycle for cycles in _HARMONIC_CYCLES)
    ends = series.starts + window.cycle
    across = (series.starts < window.stop) & (ends > window.stop)  # a step within a window has every harmonic
    at = np.flatnonzero((series.starts >= first - 1e-6) & (series.starts <= last + 1e-6) & ~across)
    if at.size < 3:
        return {}
    voltages, currents = harmonics.medians(at)
    found: Measures = {"second_harmonic_voltage_pu": float((voltages[2] / series.sizes_before).max())}
    before = series.i_before
    if series.i is None or before is None:
        return found
    added = row_means(np.abs(series.i[:, at] - before[:, None]))
    if not added.max() > _LEAST_ADDED * row_means(np.abs(before)):
        return found
    # Of the phases that much is added to: beside one of them, another one's share is of no meaning.
    much = added > 0.3 * added.max()
    second, mean = currents[2] / added, currents[0] / added
    return found | {"second_harmonic": float(second[much].max()), "direct_current": float(mean[much].max())}


def _currents(series: PhasorSeries, v1: C128, i1: C128, *, has_step: bool) -> Measures:
    v_before, i_before = complex(row_means(v1[series.before])), complex(row_means(i1[series.before]))
    if not (abs(i_before) > 0 and abs(v_before) > 0):
        return {}
    admittance = i_before / v_before
    added = i1 - admittance * v1
    inside = slice(series.i_start, series.i_stop)
    i_most = series.i_start + int(np.abs(added[inside]).argmax())
    most = abs(complex(added[i_most])) / abs(i_before)
    found: Measures = {"current_ratio": float(np.abs(i1[inside]).max()) / abs(i_before), "added_current": most}
    if most > _LEAST_ADDED:
        turned = np.angle(v1[i_most] * np.conj(added[i_most]))
        early = float(np.abs(added[series.i_start : series.i_start + 6]).max())
        found |= {
            "added_power_factor": float(np.cos(turned)),
            "added_lagging": bool(np.sin(turned) > 0),
            "added_end_share": float(row_means(np.abs(added[-4:]))) / early,
        }
    if has_step:
        last = slice(-6, None)
        power = row_means(v1[last] * i1[last].conj()) - row_means(np.abs(v1[last]) ** 2) * admittance.conjugate()
        kept = complex(power) / (abs(v_before) * abs(i_before))
        found |= {"kept_power_pu": kept.real, "kept_reactive_pu": kept.imag}
    return found
