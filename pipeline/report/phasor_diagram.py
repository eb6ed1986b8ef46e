"""The phasors that a recorder measured, beside how it is connected: as a drawing (SVG), and as a table to read."""

from __future__ import annotations

import cmath
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.locales import number, scaled
from halfcycle.pipeline.report import svg
from halfcycle.pipeline.report.hookup_drawing import STEP, TOP, conductors_of, hookup_parts
from halfcycle.pipeline.report.summary import TextTable
from halfcycle.pipeline.sites.wiring_words import WiringFinding
from halfcycle.pipeline.terms import NEUTRAL, Hookup

_WIDTH: Final = 960.0
_CENTRE: Final = (715.0, 275.0)
_RADIUS: Final = 165.0
_CURRENT_REACH: Final = 0.62  # of the radius: the longest current, inside the voltages
_DEGREES_OUT: Final = 54.0  # px beyond the circle: clear of the longest label of a voltage that lies there
_SHORTEST: Final = 16.0  # px: shorter arrows are drawn as long as this, and marked
_FOOT_Y: Final = 518.0
_ROW: Final = 19.0
_NOTE_CHARACTERS: Final = 125


@dataclass(frozen=True, slots=True)
class Phasor:
    """One measured phasor.

    Attributes
    ----------
    quantity : ``voltage`` or ``current``.
    phase : ``A`` …, ``AB`` …, ``N``.
    value : complex RMS. [V or A]
    steady : whether the channel keeps its angle; where not, the value is no phasor.
    """

    quantity: str
    phase: str
    value: complex
    steady: bool = True

    @property
    def name(self) -> str:
        """U or I, and the phase."""
        return ("U" if self.quantity == "voltage" else "I") + self.phase

    @property
    def unit(self) -> str:
        """V or A."""
        return "V" if self.quantity == "voltage" else "A"


def phasor_table(phasors: Sequence[Phasor], *, title: str, nominal_v: float | None = None) -> TextTable:
    """Phasors as rows: size, per unit of nominal where it is known, angle, and how far each current lags.

    Parameters
    ----------
    phasors : all against one reference.
    title : of the table.
    nominal_v : of the voltages. [V]
    """
    voltages = {phasor.phase: phasor.value for phasor in phasors if phasor.quantity == "voltage"}
    rows = []
    for phasor in phasors:
        in_pu = nominal_v and phasor.quantity == "voltage" and phasor.phase != NEUTRAL
        shown = phasor.steady and abs(phasor.value) > 0
        own = voltages.get(phasor.phase) if phasor.quantity == "current" else None
        lags = shown and own and phasor.phase != NEUTRAL
        rows.append(
            (
                phasor.name,
                scaled(abs(phasor.value), phasor.unit),
                number(abs(phasor.value) / nominal_v, ".3f") if in_pu and nominal_v else "",
                f"{number(degrees(phasor.value), '.1f')}°" if shown else "no steady angle",
                f"{number(degrees(own / phasor.value), '.1f')}°" if lags and own else "",
            )
        )
    heads = ("phasor", "RMS", "pu", "angle", "current lags by")
    kept = [k for k in range(len(heads)) if k in (0, 1, 3) or any(row[k] for row in rows)]
    return TextTable(title, tuple(heads[k] for k in kept), tuple(tuple(row[k] for k in kept) for row in rows))


def degrees(value: complex) -> float:
    """Angle of a phasor, above -180 and up to 180, zero without a sign. [degrees]"""
    angle = round(math.degrees(cmath.phase(value)), 6)
    return 180.0 if angle == -180.0 else angle + 0.0


def phasor_svg(
    phasors: Sequence[Phasor],
    *,
    hookup: Hookup,
    title: str,
    source: str = "",
    found: Sequence[WiringFinding] = (),
    notes: Sequence[str] = (),
) -> str:
    """A drawing of the hookup, left, of the phasors, right, and of what each phasor is, below.

    Parameters
    ----------
    phasors : measured, or expected, all against one reference.
    hookup : how the recorder is meant to be connected.
    title : above the drawing.
    source : the line below it: file and date.
    found : what seems wrong with the wiring; clamps and leads are drawn as found, and marked.
    notes : lines of text at the end.

    Returns
    -------
    An SVG document. Angles count from the right, anticlockwise; voltages have full heads and thick lines, currents open
    heads and thin ones, each kind to a scale of its own. Every phase has its label, its colour and its dashes.
    """
    legend, foot = _legend(phasors, max(_FOOT_Y, TOP + STEP * len(conductors_of(hookup)) + 30))
    lines = [line for note in notes for line in textwrap.wrap(note, _NOTE_CHARACTERS) or [""]]
    parts = [
        svg.text(30, 36, title, size=18, weight="bold"),
        svg.text(30, 57, source, size=13),
        svg.text(30, 77, f"{hookup.name}: {hookup.meaning}", size=13),
        *hookup_parts(hookup, found, [one.phase for one in phasors if one.quantity == "current"]),
        *(_diagram(phasors) if phasors else []),
        *legend,
        *(svg.text(30, foot + _ROW * (k + 1), line, size=12) for k, line in enumerate(lines)),
    ]
    return svg.document(parts, width=_WIDTH, height=foot + _ROW * (len(lines) + 1) + 6, title=title)


def _diagram(phasors: Sequence[Phasor]) -> list[str]:
    x, y = _CENTRE
    out = [f"<circle cx='{x}' cy='{y}' r='{_RADIUS}' fill='none' stroke='{svg.FAINT}' stroke-width='1'/>"]
    for angle in range(0, 360, 30):
        end = cmath.rect(_RADIUS, math.radians(angle))
        width = 1 if angle % 90 == 0 else 0.5
        out.append(svg.line(x, y, x + end.real, y - end.imag, svg.FAINT, width=width, dash="2 4"))
        at = cmath.rect(_RADIUS + _DEGREES_OUT, math.radians(angle))
        if angle % 90 == 0:
            out.append(svg.text(x + at.real, y - at.imag + 4, f"{angle}°", size=11, anchor="middle", colour="#777777"))
    longest = {quantity: _longest(phasors, quantity) for quantity in ("voltage", "current")}
    for phasor in (one for one in phasors if _is_drawn(one)):
        reach = _RADIUS * (1.0 if phasor.quantity == "voltage" else _CURRENT_REACH)
        out += _arrow(phasor, phasor.value / longest[phasor.quantity] * reach)
    return out


def _longest(phasors: Sequence[Phasor], quantity: str) -> float:
    return max((abs(one.value) for one in phasors if one.quantity == quantity and _is_drawn(one)), default=1.0)


def _is_drawn(phasor: Phasor) -> bool:
    return phasor.steady and abs(phasor.value) > 0


def _arrow(phasor: Phasor, tip: complex) -> list[str]:
    x, y = _CENTRE
    colour, dash = _look(phasor)
    is_short = abs(tip) < _SHORTEST
    if is_short:
        tip *= _SHORTEST / abs(tip)
    is_voltage = phasor.quantity == "voltage"
    aside = cmath.rect(14.0 + 4.0 * len(phasor.name) * is_voltage, cmath.phase(tip))
    label = tip + (aside if is_voltage else aside * 1j)  # where an arrow lies on another one, both can be read
    width = 2.8 if is_voltage else 1.6
    name = phasor.name + ("*" if is_short else "")
    return [
        svg.line(x, y, x + tip.real, y - tip.imag, colour, width=width, dash=dash),
        svg.head(x + tip.real, y - tip.imag, cmath.phase(tip), colour, filled=is_voltage),
        svg.text(x + label.real, y - label.imag + 4, name, size=13, anchor="middle", colour=colour, weight="bold"),
    ]


def _look(phasor: Phasor) -> tuple[str, str]:
    """Colour and dashes, by the first conductor."""
    return svg.COLOURS.get(phasor.phase[:1], svg.INK), svg.DASHES.get(phasor.phase[:1], "")


def _legend(phasors: Sequence[Phasor], top: float) -> tuple[list[str], float]:
    """Every phasor with its line, size and angle, drawn or not, in two columns; and where they end."""
    parts = []
    columns = [[one for one in phasors if one.quantity == quantity] for quantity in ("voltage", "current")]
    for left, column in zip((30.0, 500.0), columns, strict=True):
        for k, phasor in enumerate(column):
            y = top + _ROW * k
            colour, dash = _look(phasor)
            is_voltage = phasor.quantity == "voltage"
            parts += [
                svg.line(left, y - 4, left + 52, y - 4, colour, width=2.8 if is_voltage else 1.6, dash=dash),
                svg.head(left + 58, y - 4, 0.0, colour, filled=is_voltage),
                svg.text(left + 68, y, phasor.name, size=12, colour=colour, weight="bold"),
                svg.text(left + 110, y, _described(phasor, phasors), size=12),
            ]
    return parts, top + _ROW * max((len(column) for column in columns), default=0)


def _described(phasor: Phasor, phasors: Sequence[Phasor]) -> str:
    size = scaled(abs(phasor.value), phasor.unit)
    if abs(phasor.value) == 0:
        return f"{size}: nothing measured, not drawn"
    if not phasor.steady:
        return f"{size}: no steady angle, not drawn"
    reach = _RADIUS * (1.0 if phasor.quantity == "voltage" else _CURRENT_REACH)
    is_short = abs(phasor.value) / _longest(phasors, phasor.quantity) * reach < _SHORTEST
    return f"{size} at {number(degrees(phasor.value), '.1f')}°" + (" * not to scale, drawn longer" if is_short else "")
