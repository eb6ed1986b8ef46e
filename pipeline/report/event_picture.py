"""One event as a picture: waveforms, RMS on the same axis with its thresholds, currents, phasors before and during."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.report.drawing import (
    LIMIT,
    Axes,
    document,
    line_of,
    phase_colour,
    phase_dash,
    text_of,
)
from halfcycle.pipeline.report.event_words import headline, picture_words
from halfcycle.pipeline.report.phasor_pair import MOMENTS, PHASOR_HEIGHT, PHASOR_WIDTH, phasor_parts
from halfcycle.pipeline.report.slice import BeforeAndDuring, Rms, Slice

WIDTH: Final = 900.0
_LEFT: Final = 74.0
_RIGHT: Final = 112.0
_DASHED_SAMPLES: Final = 1500  # with more of them a dashed wave cannot be read
_A_CYCLE, _MANY_CYCLES = 6.0, 50.0
_PANEL: Final = 150.0
_GAP: Final = 40.0
THRESHOLDS_PU: Final = ((1.1, "110 %"), (0.9, "90 %"), (0.1, "10 %"))
"""Of sags, swells and interruptions: IEEE 1159 and IEC 61000-4-30. Drawn where an event is in pu of its reference."""


def event_svg(
    event: Event,
    cut: Slice,
    *,
    rms: Rms | None,
    phasors: BeforeAndDuring | None,
    with_title: bool = True,
    compact: bool = False,
) -> str:
    """A drawing of an event.

    Parameters
    ----------
    event : the row of the catalogue.
    cut : its waveforms.
    rms : of the same; None where it could not be formed.
    phasors : before and during; None where they could not be.
    with_title : whether the headline stands above.
    compact : waveforms in few bytes, for a file of many events.

    Returns
    -------
    An SVG document: flat, without styles. The event's span is shaded; time counts from the event's start.
    """
    top = 62.0 if with_title else 22.0
    parts: list[str] = []
    if with_title:
        parts += [text_of(20, 26, headline(event), size=16, weight="bold")]
    unit, factor = time_unit(cut)
    panels = _panels(event, cut, rms, top, factor)
    for i, axes in enumerate(panels):
        axes.columns = _columns(event, cut) if compact else 0
        last = i == len(panels) - 1
        axes.frame(
            y_name=_names(event, cut, rms)[i], x_name=f"time from the start of the event [{unit}]" if last else ""
        )
        _fill(i, axes, event, cut, rms, factor)
        parts += axes.parts
    bottom = panels[-1].top + panels[-1].height + 44
    if phasors is not None:
        for k, moment in enumerate(MOMENTS):
            parts += phasor_parts(phasors, moment, left=k * PHASOR_WIDTH, top=bottom)
        bottom += PHASOR_HEIGHT
    return document(parts, width=WIDTH, height=bottom + 10, label=picture_words(event, cut))


def _columns(event: Event, cut: Slice) -> int:
    """Columns in which a compact waveform can still be read."""
    cycles = cut.n / cut.rate_hz * (event.frequency_hz or 50.0)
    return int(min(max(_A_CYCLE * cycles, 120), 220)) if cycles <= _MANY_CYCLES else int(min(cycles, 160))


def _is_band(event: Event, cut: Slice) -> bool:
    """Whether of so many cycles only the envelope can be seen."""
    return cut.n / cut.rate_hz * (event.frequency_hz or 50.0) > _MANY_CYCLES


def time_unit(cut: Slice) -> tuple[str, float]:
    """The unit of the time axis, and how many of it are a second."""
    return ("s", 1.0) if cut.n / cut.rate_hz > 2.0 else ("ms", 1000.0)


def _names(event: Event, cut: Slice, rms: Rms | None) -> list[str]:
    names = []
    if cut.voltages:
        names.append(f"voltage [{_unit(cut, cut.voltages)[0]}]")
    if rms is not None and cut.voltages:
        against = "its mean here" if event.kind == "inrush" else "reference"
        names.append(f"RMS voltage over one cycle, Urms(1/2) [% of {against}]")
    if cut.currents:
        names.append(f"current [{_unit(cut, cut.currents)[0]}]")
    return names or ["no voltage"]


def _kinds(cut: Slice, rms: Rms | None) -> list[str]:
    kinds = ["voltage"] if cut.voltages else []
    kinds += ["rms"] if rms is not None and cut.voltages else []
    return kinds + (["current"] if cut.currents else [])


def _panels(event: Event, cut: Slice, rms: Rms | None, top: float, factor: float) -> list[Axes]:
    times = cut.times_s() * factor
    x0, x1 = float(times[0]), float(times[-1])
    panels = []
    for kind in _kinds(cut, rms):
        if kind == "rms" and rms is not None:
            highest = _highest_pct(event, cut, rms)
            low, high = 0.0, max(120.0, 1.05 * highest)
        else:
            rows = cut.voltages if kind == "voltage" else cut.currents
            per = _unit(cut, rows)[1]
            peak = max((float(np.nanmax(np.abs(cut.physical(i)), initial=0.0)) for i in rows), default=1.0) / per
            low, high = -1.08 * (peak or 1.0), 1.08 * (peak or 1.0)
        panels.append(Axes(_LEFT, top, WIDTH - _LEFT - _RIGHT, _PANEL, x0, x1, low, high))
        top += _PANEL + _GAP
    return panels or [Axes(_LEFT, top, WIDTH - _LEFT - _RIGHT, _PANEL, x0, x1, -1, 1)]


def _fill(i: int, axes: Axes, event: Event, cut: Slice, rms: Rms | None, factor: float) -> None:
    kinds = _kinds(cut, rms)
    if i >= len(kinds):
        return
    behind = len(axes.parts)
    axes.shade(0.0, cut.stop_event / cut.rate_hz * factor)
    shaded = axes.parts[behind:]
    axes.parts[:] = [*shaded, *axes.parts[:behind]]
    rows = cut.currents if kinds[i] == "current" else cut.voltages
    labels = []
    for row in rows:
        phase = cut.channels[row].phase
        if kinds[i] == "rms" and rms is not None:
            x, y = rms.times_s[row] * factor, rms.values[row] / reference_v(event, cut) * 100
            axes.curve(x, y, phase_colour(phase), width=1.8, dash=phase_dash(phase))
        else:
            x, y = cut.times_s() * factor, cut.physical(row) / _unit(cut, rows)[1]
            dash = phase_dash(phase) if x.size < _DASHED_SAMPLES else ""
            band = axes.columns > 0 and _is_band(event, cut)
            axes.curve(x, y, phase_colour(phase), width=1.2, dash=dash, band=band)
        good = y[np.isfinite(y)]
        labels.append((axes.y(float(good[-1])) if good.size else axes.top, cut.channels[row]))
    if kinds[i] == "rms" and event.magnitude_unit == "pu":
        for level, words in THRESHOLDS_PU:
            axes.level(level * 100, words, colour=LIMIT)
    x = axes.left + axes.width + (40 if kinds[i] == "rms" else 8)
    whole = kinds[i] != "rms" and cut.n >= _DASHED_SAMPLES
    for (_, channel), y in zip(labels, _apart([y for y, _ in labels], axes), strict=True):
        dash = "" if whole else phase_dash(channel.phase)
        prefix = "I" if channel.quantity == "current" else "U"
        name = f"{prefix}{channel.phase}" if channel.phase else channel.name[:9]
        axes.parts.append(line_of(x, y - 4, x + 16, y - 4, phase_colour(channel.phase), width=2, dash=dash))
        axes.parts.append(text_of(x + 20, y, name, size=12, colour=phase_colour(channel.phase), weight="bold"))


def reference_v(event: Event, cut: Slice) -> float:
    """What 100 % of the RMS stands for: the event's reference where it is in volts RMS, else its own RMS before. [V]

    Transients are in pu of a peak: there the reference over the square root of two is meant.
    """
    if event.kind.endswith("transient"):
        return event.reference_v / math.sqrt(2)
    if event.kind == "inrush":
        row = cut.physical(cut.voltages[0])
        return float(np.sqrt(np.nanmean(row**2))) or 1.0
    return event.reference_v or 1.0


def _highest_pct(event: Event, cut: Slice, rms: Rms) -> float:
    rows = rms.values[cut.voltages]
    return float(np.nanmax(rows, initial=0.0)) / reference_v(event, cut) * 100


def _unit(cut: Slice, rows: Sequence[int]) -> tuple[str, float]:
    """The unit in which a panel's values are short, and how many base units it is."""
    base = "A" if rows and cut.channels[rows[0]].quantity == "current" else "V"
    peak = max((float(np.nanmax(np.abs(cut.physical(i)), initial=0.0)) for i in rows), default=0.0)
    return (f"k{base}", 1000.0) if peak >= 2000 else (base, 1.0)


def _apart(wanted: Sequence[float], axes: Axes) -> list[float]:
    """Heights for labels near those wanted, 14 px apart at least, within the panel."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    at = axes.top + 10.0
    for rank, i in enumerate(order):
        rest = len(order) - rank - 1
        at = min(max(wanted[i] + 4, at), axes.top + axes.height - 14 * rest)
        placed[i] = at
        at += 14
    return placed
