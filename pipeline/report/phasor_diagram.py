"""How the recorder is connected and the phasors it measured, as a drawing (SVG) and as a table for the terminal."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

from pipeline.plain_text import plain
from pipeline.report.summary import TextTable
from pipeline.terms import LINE_PHASES, NEUTRAL, Hookup

# A palette that is told apart with any kind of colour vision: M. Okabe and K. Ito, "Color Universal Design", 2008 (from
# memory); letters and the kind of line say the same once more.
_COLOURS: Final = {"A": "#0072B2", "B": "#D55E00", "C": "#009E73", "N": "#555555"}
_INK: Final = "#222222"
_FAINT: Final = "#BBBBBB"
_FONT: Final = "font-family='sans-serif'"

_WIDTH: Final = 900
_HEIGHT: Final = 470
_CENTRE: Final = (655.0, 245.0)
_RADIUS: Final = 165.0
_CURRENT_REACH: Final = 0.62  # of the radius: the longest current, inside the voltages
_SHORTEST: Final = 4.0  # px: no arrow is drawn below
_LINE_LEFT: Final = 70.0
_LINE_RIGHT: Final = 400.0
_FIRST_LINE_Y: Final = 130.0
_LINE_STEP: Final = 62.0


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
                f"{abs(phasor.value) / nominal_v:.3f}" if in_pu and nominal_v else "",
                f"{degrees(phasor.value):.1f}°" if shown else "no steady angle",
                f"{degrees(own / phasor.value):.1f}°" if lags and own else "",
            )
        )
    heads = ("phasor", "RMS", "pu", "angle", "current lags by")
    kept = [k for k in range(len(heads)) if k in (0, 1, 3) or any(row[k] for row in rows)]
    return TextTable(title, tuple(heads[k] for k in kept), tuple(tuple(row[k] for k in kept) for row in rows))


def scaled(value: float, unit: str, *, digits: int = 5) -> str:
    """A value with its unit, volts and amperes and their products in k, M or G where that is shorter."""
    if unit in ("V", "A", "W", "var"):
        for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
            if abs(value) >= factor:
                return f"{value / factor:.{digits}g} {prefix}{unit}"
    return f"{value:.{digits}g} {unit}".rstrip()


def degrees(value: complex) -> float:
    """Angle of a phasor, above -180 and up to 180, zero without a sign. [degrees]"""
    angle = round(math.degrees(cmath.phase(value)), 6)
    return 180.0 if angle == -180.0 else angle + 0.0


def phasor_svg(phasors: Sequence[Phasor], *, hookup: Hookup, title: str, notes: Sequence[str] = ()) -> str:
    """A drawing of the hookup, left, and of the phasors, right.

    Parameters
    ----------
    phasors : measured, all against one reference.
    hookup : how the recorder is meant to be connected.
    title : above the drawing.
    notes : lines of text below it.

    Returns
    -------
    An SVG document. Angles count from the right, anticlockwise; voltages are whole lines with full heads, currents
    dashed ones with open heads, each kind to a scale of its own.
    """
    height = _HEIGHT + 20 * len(notes)
    parts = [
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {_WIDTH} {height}' width='{_WIDTH}' height='{height}' "
        f"role='img' aria-label='{escape(plain(title), {chr(39): '&apos;'})}'>",
        f"<rect width='{_WIDTH}' height='{height}' fill='#FFFFFF'/>",
        _text(30, 36, title, size=18, weight="bold"),
        _text(30, 60, f"{hookup.name}: {hookup.meaning}", size=13),
        *_schematic(hookup),
        *_diagram(phasors),
        *(_text(30, _HEIGHT - 6 + 20 * k, note, size=12) for k, note in enumerate(notes)),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


# --- the hookup


def _schematic(hookup: Hookup) -> list[str]:
    conductors = _conductors(hookup)
    y = {name: _FIRST_LINE_Y + _LINE_STEP * k for k, name in enumerate(conductors)}
    out = [
        _text(_LINE_LEFT, _FIRST_LINE_Y - 30, "supply", size=12),
        _text(_LINE_RIGHT, _FIRST_LINE_Y - 30, "load", size=12, anchor="end"),
    ]
    for name in conductors:
        colour = _COLOURS.get(name, _INK)
        dash = "6 4" if name == "E" else ""
        out.append(_line(_LINE_LEFT, y[name], _LINE_RIGHT, y[name], colour, width=2.5, dash=dash))
        out.append(_text(_LINE_LEFT - 10, y[name] + 5, name, size=15, anchor="end", colour=colour, weight="bold"))
        if name in hookup.high_legs:
            out.append(_text(_LINE_RIGHT, y[name] - 8, "high leg", size=11, anchor="end", colour=colour))
    for clamp in hookup.currents:
        out += _clamp(_LINE_LEFT + 60, y[clamp], f"I{clamp}", _COLOURS[clamp])
    x = _LINE_LEFT + 130.0
    for channel in hookup.voltages:
        first, second = channel[0], channel[1] if len(channel) == 2 else "N"
        if channel == NEUTRAL:
            second = "E"
        out += _voltmeter(x, y[first], y[second], f"U{channel}", _COLOURS[first])
        x += 62.0
    return out


def _conductors(hookup: Hookup) -> tuple[str, ...]:
    lines = LINE_PHASES if hookup.line_to_line else hookup.judged_phases
    if hookup.line_to_line:
        return lines
    return (*lines, NEUTRAL, "E") if NEUTRAL in hookup.voltages else (*lines, NEUTRAL)


def _clamp(x: float, y: float, name: str, colour: str) -> list[str]:
    """A ring round the conductor, and an arrow towards the load."""
    return [
        f"<ellipse cx='{x:.1f}' cy='{y:.1f}' rx='7' ry='15' fill='none' stroke='{colour}' stroke-width='2'/>",
        _line(x + 12, y - 10, x + 30, y - 10, colour, width=1.5),
        _head(x + 34, y - 10, 0.0, colour, filled=False),
        _text(x - 10, y - 17, name, size=12, anchor="end", colour=colour),
    ]


def _voltmeter(x: float, y_first: float, y_second: float, name: str, colour: str) -> list[str]:
    """A pair of leads from one conductor to another, a dot at each, the plus at the first."""
    middle = (y_first + y_second) / 2
    up = 1 if y_second > y_first else -1
    return [
        _line(x, y_first, x, y_second, _INK, width=1.2),
        _dot(x, y_first, colour),
        _dot(x, y_second, _INK),
        f"<rect x='{x - 20:.1f}' y='{middle - 11:.1f}' width='40' height='22' rx='4' fill='#FFFFFF' stroke='{colour}' "
        "stroke-width='1.5'/>",
        _text(x, middle + 5, name, size=12, anchor="middle", colour=colour),
        _text(x + 6, y_first + 14 * up + (4 if up > 0 else 2), "+", size=12),
    ]


# --- the phasors


def _diagram(phasors: Sequence[Phasor]) -> list[str]:
    x, y = _CENTRE
    out = [f"<circle cx='{x}' cy='{y}' r='{_RADIUS}' fill='none' stroke='{_FAINT}' stroke-width='1'/>"]
    for angle in range(0, 360, 30):
        end = cmath.rect(_RADIUS, math.radians(angle))
        out.append(_line(x, y, x + end.real, y - end.imag, _FAINT, width=1 if angle % 90 == 0 else 0.5, dash="2 4"))
        at = cmath.rect(_RADIUS + 46, math.radians(angle))
        if angle % 90 == 0:
            out.append(_text(x + at.real, y - at.imag + 4, f"{angle}°", size=11, anchor="middle", colour="#777777"))
    for quantity, reach in (("voltage", 1.0), ("current", _CURRENT_REACH)):
        shown = [phasor for phasor in phasors if phasor.quantity == quantity and phasor.steady]
        longest = max((abs(phasor.value) for phasor in shown), default=0.0)
        if longest > 0:
            out += [part for phasor in shown for part in _arrow(phasor, phasor.value / longest * reach * _RADIUS)]
            line = f"longest {quantity}: {scaled(longest, shown[0].unit)}"
            line += " (dashed)" if quantity == "current" else ""
            out.append(_text(30, _HEIGHT - (32 if quantity == "current" else 50), line, size=12))
    return out


def _arrow(phasor: Phasor, tip: complex) -> list[str]:
    if abs(tip) < _SHORTEST:
        return []
    x, y = _CENTRE
    colour = _COLOURS.get(phasor.phase[0], _INK)
    is_voltage = phasor.quantity == "voltage"
    aside = cmath.rect(16.0, cmath.phase(tip))
    label = tip + (aside if is_voltage else aside * 1j)  # where an arrow lies on another one, both can be read
    return [
        _line(
            x, y, x + tip.real, y - tip.imag, colour, width=2.5 if is_voltage else 1.8, dash="" if is_voltage else "7 4"
        ),
        _head(x + tip.real, y - tip.imag, cmath.phase(tip), colour, filled=is_voltage),
        _text(x + label.real, y - label.imag + 4, phasor.name, size=13, anchor="middle", colour=colour, weight="bold"),
    ]


# --- pieces of SVG


def _head(x: float, y: float, angle: float, colour: str, *, filled: bool) -> str:
    corners = [cmath.rect(10.0, angle + math.pi + side) for side in (0.35, -0.35)]
    (ax, ay), (bx, by) = ((x + corner.real, y - corner.imag) for corner in corners)
    shape = f"{ax:.1f},{ay:.1f} {x:.1f},{y:.1f} {bx:.1f},{by:.1f}"
    if filled:
        return f"<polygon points='{shape}' fill='{colour}'/>"
    return f"<polyline points='{shape}' fill='none' stroke='{colour}' stroke-width='1.8'/>"


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, *, width: float, dash: str = "") -> str:
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    ends = f"x1='{x1:.1f}' y1='{y1:.1f}' x2='{x2:.1f}' y2='{y2:.1f}'"
    return f"<line {ends} stroke='{colour}' stroke-width='{width:g}'{dashed}/>"


def _dot(x: float, y: float, colour: str) -> str:
    return f"<circle cx='{x:.1f}' cy='{y:.1f}' r='4' fill='{colour}'/>"


def _text(
    x: float, y: float, text: str, *, size: int, anchor: str = "start", colour: str = _INK, weight: str = "normal"
) -> str:
    return (
        f"<text x='{x:.1f}' y='{y:.1f}' font-size='{size}' {_FONT} text-anchor='{anchor}' fill='{colour}' "
        f"font-weight='{weight}'>{escape(plain(text))}</text>"
    )
