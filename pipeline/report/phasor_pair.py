"""Phasors of an event before it began and where it was worst: two drawings to one scale, and the same in words."""

from __future__ import annotations

import cmath
import math
from typing import Final, Literal

import numpy as np

from halfcycle.pipeline.locales import scaled
from halfcycle.pipeline.report.drawing import GRID, INK, MUTED, document, line_of, phase_colour, px, text_of
from halfcycle.pipeline.report.phasor_diagram import degrees
from halfcycle.pipeline.report.slice import BeforeAndDuring

Moment = Literal["before", "during"]
MOMENTS: Final[tuple[Moment, ...]] = ("before", "during")

PHASOR_WIDTH: Final = 430.0
PHASOR_HEIGHT: Final = 240.0
PHASOR_NOTE: Final = (
    "Phasors: voltages solid, currents dashed to their own scale; angles relative to the first voltage before the "
    "event."
)
_TITLES: Final = {"before": "phasors before", "during": "phasors during, at the worst instant"}
_LEFT: Final = 116.0
_RADIUS: Final = 82.0
_LABELLED: Final = 14.0  # px: arrows that are shorter have their words in the list alone


def phasor_svg_of(phasors: BeforeAndDuring, moment: Moment) -> str:
    """One of the two drawings by itself.

    Parameters
    ----------
    phasors : before and during.
    moment : which.
    """
    parts = phasor_parts(phasors, moment, left=0, top=0)
    return document(parts, width=PHASOR_WIDTH, height=PHASOR_HEIGHT, label=phasor_words(phasors, moment))


def phasor_words(phasors: BeforeAndDuring, moment: Moment) -> str:
    """The phasors in words. moment: which."""
    return f"{_TITLES[moment]}: {'; '.join(words for _, words in _listed(phasors, moment))}"


def phasor_parts(phasors: BeforeAndDuring, moment: Moment, *, left: float, top: float) -> list[str]:
    """The parts of a drawing.

    Parameters
    ----------
    phasors : before and during; the largest of both gives the scale.
    moment : which.
    left, top : where it goes; it takes `PHASOR_WIDTH` by `PHASOR_HEIGHT`. [px]
    """
    x, y = left + _LEFT, top + 44 + _RADIUS
    parts = [text_of(x, top + 20, _TITLES[moment], size=12, anchor="middle", weight="bold")]
    for radius in (0.5, 1.0):
        circle = f"cx='{px(x)}' cy='{px(y)}' r='{px(radius * _RADIUS)}'"
        parts.append(f"<circle {circle} fill='none' stroke='{GRID}'/>")
    parts += [line_of(x - _RADIUS, y, x + _RADIUS, y, GRID), line_of(x, y - _RADIUS, x, y + _RADIUS, GRID)]
    sizes = np.maximum(np.abs(phasors.before), np.abs(phasors.during))
    n = phasors.n_voltages
    largest = [float(sizes[:n].max(initial=0.0)), float(sizes[n:].max(initial=0.0))]
    values = phasors.before if moment == "before" else phasors.during
    for i, (phase, value) in enumerate(zip(phasors.phases, values, strict=True)):
        scale = largest[i >= n]
        tip = complex(value) / scale * _RADIUS * (0.62 if i >= n else 1.0) if scale > 0 else 0j
        if abs(tip) > 3:
            parts += _arrow(x, y, tip, phase, is_current=i >= n)
    for row, (phase, words) in enumerate(_listed(phasors, moment)):
        parts.append(text_of(x + _RADIUS + 26, top + 58 + 17 * row, words, size=12, colour=phase_colour(phase)))
    if not any(largest):
        parts.append(text_of(x, y, "no phasor", size=11, anchor="middle", colour=MUTED))
    return parts


def _listed(phasors: BeforeAndDuring, moment: Moment) -> list[tuple[str, str]]:
    """Of each phasor its phase, and name, size and angle in words; the angle of what is next to nothing is not told."""
    values = phasors.before if moment == "before" else phasors.during
    listed = []
    for i, (phase, value) in enumerate(zip(phasors.phases, values, strict=True)):
        is_current = i >= phasors.n_voltages
        of_kind = np.abs(phasors.before[phasors.n_voltages :] if is_current else phasors.before[: phasors.n_voltages])
        size = scaled(abs(complex(value)), "A" if is_current else "V", digits=3)
        told = abs(complex(value)) > 0.005 * float(of_kind.max(initial=0.0))
        angle = f", {round(degrees(complex(value))) + 0}°" if told else ""
        listed.append((phase, f"{'I' if is_current else 'U'}{phase[:8]} {size}{angle}"))
    return listed


def _arrow(x: float, y: float, tip: complex, phase: str, *, is_current: bool) -> list[str]:
    colour = phase_colour(phase)
    ex, ey = x + tip.real, y - tip.imag
    back = [cmath.rect(8.0, cmath.phase(tip) + math.pi + side) for side in (0.4, -0.4)]
    shape = " ".join(f"{px(a)},{px(b)}" for a, b in [(ex, ey), *((ex + c.real, ey - c.imag) for c in back)])
    words = phase[:2] if abs(tip) > _LABELLED else ""
    label = tip + cmath.rect(11.0, cmath.phase(tip)) * (1j if is_current else 1)
    dash = "5 3" if is_current else ""
    return [
        line_of(x, y, ex, ey, colour, width=1.6 if is_current else 2.2, dash=dash),
        f"<polygon points='{shape}' fill='{'#FFFFFF' if is_current else colour}' stroke='{colour}'/>",
        text_of(x + label.real, y - label.imag + 4, words, size=10, anchor="middle", colour=INK) if words else "",
    ]
