"""Pieces of our drawings: lines, arrows and text, as SVG; the look that all of them share."""

from __future__ import annotations

import cmath
import math
from typing import Final
from xml.sax.saxutils import escape

from halfcycle.pipeline.plain_text import plain
from halfcycle.pipeline.report.drawing import px

# A palette that is told apart with any kind of colour vision: M. Okabe and K. Ito, "Color Universal Design", 2008 (from
# memory). Labels and dashes say the same once more.
COLOURS: Final = {"A": "#0072B2", "B": "#D55E00", "C": "#009E73", "N": "#555555"}
DASHES: Final = {"A": "", "B": "14 4", "C": "9 3 2 3", "N": "2 3", "E": "6 4"}
INK: Final = "#222222"
FAINT: Final = "#BBBBBB"
MARK: Final = "#A3004F"  # what was found wrong; always with a word beside it
# The first that has a letter draws it; what none has is drawn by whatever font the viewer falls back on.
_FONTS: Final = (
    '"DejaVu Sans", "Noto Sans", "Liberation Sans", Arial, "Noto Sans CJK SC", "Noto Sans Arabic", sans-serif'
)


def document(parts: list[str], *, width: float, height: float, title: str) -> str:
    """An SVG document of pieces, on white."""
    label = escape(plain(title), {"'": "&apos;"})
    head = (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:g} {height:g}' width='{width:g}' "
        f"height='{height:g}' font-family='{_FONTS}' fill='{INK}' role='img' aria-label='{label}'>"
    )
    paper = f"<rect width='{width:g}' height='{height:g}' fill='#FFFFFF'/>"
    return "\n".join([head, paper, *parts, "</svg>"]) + "\n"


def line(x1: float, y1: float, x2: float, y2: float, colour: str, *, width: float, dash: str = "") -> str:
    """A straight line."""
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    ends = f"x1='{px(x1)}' y1='{px(y1)}' x2='{px(x2)}' y2='{px(y2)}'"
    return f"<line {ends} stroke='{colour}' stroke-width='{width:g}'{dashed}/>"


def head(x: float, y: float, angle: float, colour: str, *, filled: bool) -> str:
    """An arrow's head with its tip at a point; angles anticlockwise from the right. [rad]"""
    corners = [cmath.rect(10.0, angle + math.pi + side) for side in (0.35, -0.35)]
    (ax, ay), (bx, by) = ((x + corner.real, y - corner.imag) for corner in corners)
    shape = f"{px(ax)},{px(ay)} {px(x)},{px(y)} {px(bx)},{px(by)}"
    if filled:
        return f"<polygon points='{shape}' fill='{colour}'/>"
    return f"<polyline points='{shape}' fill='none' stroke='{colour}' stroke-width='1.8'/>"


def dot(x: float, y: float, colour: str, *, radius: float = 4.0, filled: bool = True) -> str:
    """A small disc, or a ring."""
    fill = colour if filled else "#FFFFFF"
    return (
        f"<circle cx='{px(x)}' cy='{px(y)}' r='{radius:g}' fill='{fill}' stroke='{colour}' "
        f"stroke-width='{0 if filled else 1.5:g}'/>"
    )


def ring(x: float, y: float, colour: str, *, across: float, down: float, width: float = 2.0) -> str:
    """An ellipse round something."""
    return (
        f"<ellipse cx='{px(x)}' cy='{px(y)}' rx='{across:g}' ry='{down:g}' fill='none' stroke='{colour}' "
        f"stroke-width='{width:g}'/>"
    )


def box(x: float, y: float, width: float, height: float, colour: str) -> str:
    """A white box with rounded corners round a centre."""
    return (
        f"<rect x='{px(x - width / 2)}' y='{px(y - height / 2)}' width='{width:g}' height='{height:g}' rx='4' "
        f"fill='#FFFFFF' stroke='{colour}' stroke-width='1.5'/>"
    )


def text(
    x: float, y: float, words: str, *, size: int, anchor: str = "start", colour: str = INK, weight: str = "normal"
) -> str:
    """Words in any script; what XML does not allow is shown by a replacement character."""
    placed = "" if anchor == "start" else f" text-anchor='{anchor}'"
    heavy = "" if weight == "normal" else f" font-weight='{weight}'"
    hue = "" if colour == INK else f" fill='{colour}'"
    given = f"x='{px(x)}' y='{px(y)}' font-size='{size}'{placed}{hue}{heavy}"
    return f"<text {given}>{escape(plain(words))}</text>"
