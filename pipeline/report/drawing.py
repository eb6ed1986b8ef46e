"""Charts as flat SVG: axes, lines, marks and words, thinned so that no extreme is lost; the same on screen and paper.

Elements lie side by side in the document, without groups or styles, so that `picture.write_png` can draw them too.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.locales import number as written

F64 = npt.NDArray[np.float64]

INK: Final = "#1F2933"
MUTED: Final = "#52606D"
GRID: Final = "#D9DEE4"
SHADE: Final = "#F3EFE2"
LIMIT: Final = "#9A3B26"

# A palette that is told apart with any kind of colour vision: M. Okabe and K. Ito, "Color Universal Design", 2008 (from
# memory). Letters at the lines and kinds of dash say the same once more.
PHASE_COLOURS: Final = {"A": "#0072B2", "B": "#C04F00", "C": "#00785A", "N": "#52606D"}
PHASE_DASHES: Final = {"A": "", "B": "7 3", "C": "2 2", "N": "9 3 2 3"}


def phase_colour(phase: str) -> str:
    """The colour of a phase, of a line-to-line voltage that of its first one."""
    return PHASE_COLOURS.get(phase[:1], INK)


def phase_dash(phase: str) -> str:
    """The dashes of a phase, "" for a whole line."""
    return PHASE_DASHES.get(phase[:1], "")


def px(length: float) -> str:
    """A length in tenths of a pixel, in few bytes."""
    return f"{length:.1f}".removesuffix(".0")


def line_of(x: float, y: float, x2: float, y2: float, colour: str, *, width: float = 1.0, dash: str = "") -> str:
    """A straight line from (x, y) to (x2, y2)."""
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    wide = "" if width == 1 else f" stroke-width='{width:g}'"
    ends = f"x1='{px(x)}' y1='{px(y)}' x2='{px(x2)}' y2='{px(y2)}'"
    return f"<line {ends} stroke='{colour}'{wide}{dashed}/>"


def polyline_of(points: Sequence[tuple[float, float]], colour: str, *, width: float = 1.2, dash: str = "") -> str:
    """A line through points; nothing for fewer than two."""
    if len(points) < 2:
        return ""
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    text = " ".join(f"{px(x)},{px(y)}" for x, y in points)
    return f"<polyline points='{text}' fill='none' stroke='{colour}' stroke-width='{width:g}'{dashed}/>"


def path_of(points: Sequence[tuple[float, float]], colour: str, *, width: float = 1.2, dash: str = "") -> str:
    """A line through points in few bytes: whole pixels, each as a step from the last; nothing for fewer than two."""
    whole = [(round(x), round(y)) for x, y in points]
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(whole)]
    kept = [f"{x} {y}" for x, y in steps if (x, y) != (0, 0)]
    if not kept:
        return ""
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    text = f"M{whole[0][0]} {whole[0][1]}l{' '.join(kept)}".replace(" -", "-")
    return f"<path d='{text}' fill='none' stroke='{colour}' stroke-width='{width:g}'{dashed}/>"


def band_of(highs: Sequence[tuple[float, float]], lows: Sequence[tuple[float, float]], colour: str) -> str:
    """A band between two lines of as many points, in few bytes; nothing for fewer than two."""
    if len(highs) < 2:
        return ""
    whole = [(round(x), round(y)) for x, y in [*highs, *reversed(lows)]]
    steps = " ".join(f"{b[0] - a[0]} {b[1] - a[1]}" for a, b in pairwise(whole))
    text = f"M{whole[0][0]} {whole[0][1]}l{steps}z".replace(" -", "-")
    return f"<path d='{text}' fill='{colour}' fill-opacity='0.45' stroke='{colour}' stroke-width='0.7'/>"


def rect_of(x: float, y: float, width: float, height: float, *, fill: str = "none", stroke: str = "none") -> str:
    """A rectangle."""
    place = f"x='{px(x)}' y='{px(y)}' width='{px(width)}' height='{px(height)}'"
    edge = "" if stroke == "none" else f" stroke='{stroke}'"
    return f"<rect {place} fill='{fill}'{edge}/>"


def cells_of(cells: Sequence[tuple[float, float]], width: float, height: float, *, fill: str, stroke: str) -> str:
    """Rectangles of one size and look as one path, by their upper left corners; nothing for none."""
    if not cells:
        return ""
    text = "".join(f"M{px(x)} {px(y)}h{px(width)}v{px(height)}h-{px(width)}z" for x, y in cells)
    return f"<path d='{text}' fill='{fill}' stroke='{stroke}'/>"


def text_of(
    x: float, y: float, text: str, *, size: float = 12, anchor: str = "start", colour: str = INK, weight: str = "normal"
) -> str:
    """Words; anything in them is text and nothing else."""
    placed = "" if anchor == "start" else f" text-anchor='{anchor}'"
    heavy = "" if weight == "normal" else f" font-weight='{weight}'"
    hue = "" if colour == INK else f" fill='{colour}'"
    given = f"x='{px(x)}' y='{px(y)}' font-size='{size:g}'{placed}{hue}{heavy}"
    return f"<text {given}>{escape(printable(text))}</text>"


_UNPRINTABLE: Final = re.compile("[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def printable(text: str) -> str:
    """Text without characters that XML does not allow."""
    return _UNPRINTABLE.sub("\ufffd", text)


def document(parts: Sequence[str], *, width: float, height: float, label: str, role: str = "img") -> str:
    """An SVG document of flat parts. label: what the picture shows, in words; role: ``group`` where it holds links."""
    said = escape(printable(label), {"'": "&apos;", '"': "&quot;"})
    head = (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:g} {height:g}' width='{width:g}' "
        f"height='{height:g}' font-family='sans-serif' fill='{INK}' role='{role}' aria-label='{said}'>"
    )
    body = "\n".join(part for part in parts if part)
    return f"{head}\n{rect_of(0, 0, width, height, fill='#FFFFFF')}\n{body}\n</svg>\n"


def ticks(low: float, high: float, *, about: int = 5) -> list[float]:
    """Round values within a range, about so many."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low]
    step = 10.0 ** math.floor(math.log10((high - low) / about))
    step *= next((m for m in (1, 2, 5, 10) if (high - low) / (step * m) <= about), 10)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def thinned(x: F64, y: F64, *, n_columns: int) -> list[tuple[float, float]]:
    """Points whose line looks like that of all: of each column of pixels the lowest and the highest, in their order.

    Parameters
    ----------
    x, y : shape (n,), x rising. Samples that are not finite are left out.
    n_columns : of pixels.

    Returns
    -------
    Every point where there are at most two a column. No spike is lost, however narrow.
    """
    good = np.isfinite(y)
    x, y = x[good], y[good]
    if x.size <= 2 * n_columns:
        return list(zip(x.tolist(), y.tolist(), strict=True))
    wide = -(-x.size // n_columns)
    full = -(-x.size // wide) * wide
    rows = np.pad(y, (0, full - x.size), mode="edge").reshape(-1, wide)
    firsts = np.arange(0, full, wide)
    kept = np.unique(np.concatenate([firsts + rows.argmin(axis=1), firsts + rows.argmax(axis=1)]))
    kept = kept[kept < x.size]
    return list(zip(x[kept].tolist(), y[kept].tolist(), strict=True))


@dataclass(slots=True)
class Axes:
    """A panel with a linear or logarithmic x and a linear y.

    Attributes
    ----------
    left, top, width, height : of the panel. [px]
    x0, x1, y0, y1 : values at its edges.
    log_x : whether x runs by its logarithm.
    columns : draw in few bytes, curves in so many columns and whole pixels; 0: as fine as the panel.
    parts : what was drawn.
    """

    left: float
    top: float
    width: float
    height: float
    x0: float
    x1: float
    y0: float
    y1: float
    log_x: bool = False
    columns: int = 0
    parts: list[str] = field(default_factory=list)

    def x(self, value: float) -> float:
        """Where a value lies across. [px]"""
        if self.log_x:
            value, low, high = math.log10(max(value, 1e-12)), math.log10(self.x0), math.log10(self.x1)
        else:
            low, high = self.x0, self.x1
        return self.left + (value - low) / ((high - low) or 1.0) * self.width

    def y(self, value: float) -> float:
        """Where a value lies up and down; values outside stay at the edge. [px]"""
        share = (value - self.y0) / ((self.y1 - self.y0) or 1.0)
        return self.top + self.height * (1 - min(max(share, -0.02), 1.02))

    def frame(
        self,
        *,
        y_name: str,
        x_name: str = "",
        x_ticks: Sequence[tuple[float, str]] | None = None,
        y_ticks: Sequence[tuple[float, str]] | None = None,
    ) -> None:
        """Grid, ticks and names of the axes; ticks are (value, words), None: round values."""
        rows = y_ticks if y_ticks is not None else [(v, number(v)) for v in ticks(self.y0, self.y1, about=6)]
        columns = x_ticks if x_ticks is not None else [(v, number(v)) for v in ticks(self.x0, self.x1, about=8)]
        self._grid([self.y(value) for value, _ in rows], [self.x(value) for value, _ in columns])
        for value, word in rows:
            self.parts.append(text_of(self.left - 7, self.y(value) + 4, word, size=11, anchor="end", colour=MUTED))
        for value, word in columns:
            x = self.x(value)
            if x_name:
                below = self.top + self.height + 16
                self.parts.append(text_of(x, below, word, size=11, anchor="middle", colour=MUTED))
        self.parts.append(rect_of(self.left, self.top, self.width, self.height, stroke=MUTED))
        if y_name:
            self.parts.append(text_of(self.left, self.top - 7, y_name, size=12, weight="bold"))
        if x_name:
            below = self.top + self.height + 33
            middle = self.left + self.width / 2
            self.parts.append(text_of(middle, below, x_name, size=11, anchor="middle", colour=MUTED))

    def _grid(self, ys: Sequence[float], xs: Sequence[float]) -> None:
        """Lines across and down the panel."""
        if self.columns:
            across = "".join(f"M{px(self.left)} {px(y)}h{px(self.width)}" for y in ys)
            down = "".join(f"M{px(x)} {px(self.top)}v{px(self.height)}" for x in xs)
            self.parts.append(f"<path d='{across}{down}' fill='none' stroke='{GRID}'/>")
            return
        self.parts += [line_of(self.left, y, self.left + self.width, y, GRID) for y in ys]
        self.parts += [line_of(x, self.top, x, self.top + self.height, GRID) for x in xs]

    def curve(self, x: F64, y: F64, colour: str, *, width: float = 1.2, dash: str = "", band: bool = False) -> None:
        """A line through samples, thinned to what the panel can show; as a band: from the lowest to the highest."""
        inside = (x >= self.x0) & (x <= self.x1)
        n_columns = min(int(self.width), self.columns or int(self.width))
        if band and x[inside].size > 2 * n_columns:
            self.parts.append(band_of(*self._envelope(x[inside], y[inside], n_columns), colour))
            return
        placed = [(self.x(a), self.y(b)) for a, b in thinned(x[inside], y[inside], n_columns=n_columns)]
        draw = path_of if self.columns else polyline_of
        self.parts.append(draw(placed, colour, width=width, dash=dash))

    def _envelope(self, x: F64, y: F64, n_columns: int) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
        """Highest and lowest of each column, where it has samples."""
        highs, lows = [], []
        for first, stop in pairwise(np.linspace(0, x.size, n_columns + 1).astype(int).tolist()):
            good = y[first:stop][np.isfinite(y[first:stop])]
            if good.size:
                at = self.x(float(x[first] + x[stop - 1]) / 2)
                highs.append((at, self.y(float(good.max()))))
                lows.append((at, self.y(float(good.min()))))
        return highs, lows

    def level(self, value: float, words: str, *, colour: str = LIMIT, dash: str = "5 4") -> None:
        """A horizontal line with words at its right end; nothing where it lies outside."""
        if self.y0 < value < self.y1:
            y = self.y(value)
            self.parts.append(line_of(self.left, y, self.left + self.width, y, colour, width=1, dash=dash))
            self.parts.append(text_of(self.left + self.width + 5, y + 4, words, size=10, colour=colour))

    def shade(self, x0: float, x1: float, *, fill: str = SHADE) -> None:
        """A band from x0 to x1, as far as it lies within."""
        a, b = max(self.x(x0), self.left), min(self.x(x1), self.left + self.width)
        if b > a:
            self.parts.append(rect_of(a, self.top, b - a, self.height, fill=fill))


def number(value: float) -> str:
    """A tick's words: as short as it can be."""
    if value == 0 or abs(value) < 1e-12:
        return "0"
    if abs(value) >= 1e4:
        return f"{written(value / 1000, 'g')} k"
    return written(value, ".6g").replace("-", "−")
