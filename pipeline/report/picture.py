"""Our own drawings as files: SVG as it is, PNG through matplotlib, which the extra ``bench`` installs."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from halfcycle.pipeline.errors import ConfigError

_DOTS_PER_UNIT: Final = 2.0
_POINTS_PER_INCH: Final = 72.0
_FAMILY: Final = "DejaVu Sans"  # comes with matplotlib
_ANCHORS: Final = {"start": "left", "middle": "center", "end": "right"}


def write_svg(svg: str, path: Path) -> None:
    """Write an SVG document as it is."""
    path.write_text(svg, encoding="utf-8")


def write_png(svg: str, path: Path) -> None:
    """Draw an SVG that is made of lines, circles, ellipses, rectangles, polygons, polylines, straight paths and text.

    Parameters
    ----------
    svg : a drawing of ours; links in it are drawn as what they hold.
    path : of the PNG.

    Raises
    ------
    ConfigError : matplotlib is not installed.
    """
    try:
        import matplotlib.figure as figures
    except ImportError as error:
        raise ConfigError("a PNG needs matplotlib; install halfcycle[bench], or ask for .svg") from error
    root = ElementTree.fromstring(svg)  # our own text, not a file from elsewhere
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    figure = figures.Figure(figsize=(width / _POINTS_PER_INCH, height / _POINTS_PER_INCH))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, width), ylim=(height, 0))
    axes.set_axis_off()
    for order, element in enumerate(root.iter()):
        kind = element.tag.rpartition("}")[2]
        inherited = {"fill": root.attrib.get("fill", "#000000")} if kind == "text" else {}
        _draw(axes, kind, inherited | element.attrib, element.text or "", order)
    figure.savefig(path, dpi=_DOTS_PER_UNIT * _POINTS_PER_INCH, format="png")


def drawable(text: str) -> tuple[list[str], str]:
    """Families of installed fonts that have the letters of a text, and the text with what none has as ``\\uXXXX``.

    Parameters
    ----------
    text : in any script.
    """
    families, missing = _fonts_for(text)
    return families, "".join(ascii(c)[1:-1] if c in missing else c for c in text)


def letters_without_font(svg: str) -> str:
    """The letters of a drawing's texts that no installed font has, in order: `write_png` spells these out."""
    text = "".join(ElementTree.fromstring(svg).itertext())
    return "".join(sorted(_fonts_for(text)[1]))


def _fonts_for(text: str) -> tuple[list[str], set[str]]:
    """Families of installed fonts that have the letters of a text, and the letters that none has."""
    missing = _without(_FAMILY, set(text) - {"\n"})
    families = [_FAMILY]
    for family in _families() if missing else ():
        left = _without(family, missing)
        if left != missing:
            families.append(family)
            missing = left
        if not missing:
            break
    return families, missing


def _without(family: str, letters: set[str]) -> set[str]:
    """The letters that a family's regular face does not have."""
    return {letter for letter in letters if ord(letter) not in _codes(family)}


@cache
def _families() -> dict[str, str]:
    """Installed families by name, and the file of their regular face; none that only draws boxes."""
    from matplotlib import font_manager

    fonts = font_manager.fontManager.ttflist
    regular = {
        font.name: font.fname
        for font in fonts
        if (font.style, font.weight, font.stretch) == ("normal", 400, "normal") and not font.name.startswith("Last ")
    }
    return dict(sorted(regular.items()))


@cache
def _codes(family: str) -> frozenset[int]:
    from matplotlib import font_manager

    return frozenset(font_manager.get_font(_families()[family]).get_charmap())


def _draw(axes: Any, kind: str, given: dict[str, str], text: str, order: int) -> None:
    from matplotlib import colors, patches

    def number(name: str) -> float:
        return float(given.get(name, 0))

    stroke, fill = given.get("stroke", "none"), given.get("fill", "none")
    width = float(given.get("stroke-width", stroke != "none"))  # what is not said is 1
    style: dict[str, Any] = {"edgecolor": stroke, "facecolor": fill, "linewidth": width, "zorder": order}
    lengths = re.findall(r"[\d.]+", given.get("stroke-dasharray", ""))
    dashes = [float(length) / max(width, 0.1) for length in lengths]
    line_style: Any = (0, dashes) if dashes else "-"
    points = [tuple(map(float, pair.split(","))) for pair in given.get("points", "").split()]
    if kind == "text":
        families, shown = drawable(text)
        axes.text(
            number("x"), number("y"), shown, fontsize=number("font-size"), color=fill, zorder=order, family=families,
            weight=given.get("font-weight", "normal"), ha=_ANCHORS[given.get("text-anchor", "start")], va="baseline",
            parse_math=False,
        )  # fmt: skip
    elif kind in ("line", "polyline"):
        x, y = zip(*points, strict=True) if points else ((number("x1"), number("x2")), (number("y1"), number("y2")))
        axes.plot(x, y, color=stroke, linewidth=width, linestyle=line_style, zorder=order)
    elif kind == "polygon":
        axes.add_patch(patches.Polygon(points, closed=True, **style))
    elif kind == "path":
        style["facecolor"] = colors.to_rgba(fill, number("fill-opacity") or None) if fill != "none" else "none"
        axes.add_patch(patches.PathPatch(_path(given["d"]), linestyle=line_style, **style))
    elif kind == "rect":
        axes.add_patch(patches.Rectangle((number("x"), number("y")), number("width"), number("height"), **style))
    elif kind in ("circle", "ellipse"):
        across, down = (number("r"), number("r")) if kind == "circle" else (number("rx"), number("ry"))
        axes.add_patch(patches.Ellipse((number("cx"), number("cy")), 2 * across, 2 * down, **style))


def _path(steps: str) -> Any:
    """The straight path of an SVG's steps: M, and l, h, v and z, which are relative."""
    from matplotlib.path import Path as Outline

    points: list[tuple[float, float]] = []
    codes: list[Any] = []
    x = y = 0.0
    for letter, words in re.findall(r"([Mlhvz])([^Mlhvz]*)", steps):
        numbers = [float(word) for word in re.findall(r"-?[\d.]+", words)]
        pairs = list(zip(numbers[::2], numbers[1::2], strict=True)) if letter in "Ml" else []
        moves = {"h": [(one, 0.0) for one in numbers], "v": [(0.0, one) for one in numbers]}.get(letter, pairs)
        if letter == "z":
            points.append((x, y))  # which is not looked at
            codes.append(Outline.CLOSEPOLY)
            continue
        for across, down in moves:
            x, y = (across, down) if letter == "M" else (x + across, y + down)
            points.append((x, y))
            codes.append(Outline.MOVETO if letter == "M" else Outline.LINETO)
    return Outline(points, codes)
