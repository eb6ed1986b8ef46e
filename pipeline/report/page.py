"""A report as one HTML file that needs nothing else: no request, no font, no clock; what comes from files is text."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.locales import written_in
from halfcycle.pipeline.report.charts import SEVERITY_WORDS
from halfcycle.pipeline.report.content import Content, ReportSettings
from halfcycle.pipeline.report.drawing import printable
from halfcycle.pipeline.report.phasor_pair import PHASOR_NOTE

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_TEMPLATES: Final = Path(__file__).resolve().parent / "templates"
_OF_A_FILE: Final = re.compile(r" xmlns='[^']*'|<rect( [xy]='0')* width='\d+' height='\d+' fill='#FFFFFF'/>\n")
_INDENT: Final = re.compile(r"^ +", re.MULTILINE)
_UNIT: Final = re.compile(r"\d (?:%|m?s|min|h|k?V|k?A|pu|Hz|UTC)(?![\w])")
CAUTIONS: Final = (
    "This is an analysis of recordings after the fact. It is no protection and must not be used for switching or "
    "for protection settings.",
    "It does not show whether a circuit is safe or dead. Work on or near live parts is for qualified persons only, "
    "under local codes; de-energise where possible.",
    "Inferred values (causes, sides, nominal voltages) are marked and may be wrong; whatever could not be judged is "
    "stated.",
)
_PLACES: Final = {
    "coverage": "measured", "magnitude-duration": "chart", "events": "events", "compliance": "limits",
    "method": "method",
}  # fmt: skip


def render(content: Content, *, settings: ReportSettings, up: str = "") -> str:
    """The page.

    Parameters
    ----------
    content : all that it says.
    settings : of which the curve's title is named.
    up : the page of the whole fleet, where this is one of its sites'.

    Returns
    -------
    HTML. Style and script are in it, and its policy allows these two by their digests and nothing else.
    """
    with written_in(content.manner):
        return _rendered(content, settings, up)


def _rendered(content: Content, settings: ReportSettings, up: str) -> str:
    style, script = (_INDENT.sub("", _read(name)) for name in ("page.css", "page.js"))
    origin = {row[0]: row[1] for row in content.provenance.rows}
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            c=content,
            style=_markup(style),
            script=_markup(script),
            style_hash=_digest(style),
            script_hash=_digest(script),
            period=origin.get("period", ""),
            cautions=CAUTIONS,
            up=up,
            decimal=content.manner.decimal,
            phasor_note=PHASOR_NOTE,
            curve_title=settings.curve.title,
            severity_words=", ".join(SEVERITY_WORDS),
            foot=f"Made with {origin.get('made with', 'halfcycle')}.",
        )
    )


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        finalize=lambda value: _UNIT.sub(_together, printable(value)) if type(value) is str else value,
    )  # fmt: skip
    environment.filters["drawing"] = _drawing
    environment.filters["data"] = _data
    environment.filters["place"] = _place
    return environment


def _together(found: re.Match[str]) -> str:
    """A number and its unit, which no line may part."""
    return found[0].replace(" ", "\N{NO-BREAK SPACE}")


def _data(text: str) -> Markup:
    """JSON or base64 within a script element: nothing in it may end the element or start another."""
    return _markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _drawing(svg: str) -> Markup:
    """A drawing of ours within the page, without what it needs as a file of its own."""
    return _markup(_OF_A_FILE.sub("", svg))


def _place(href: str) -> str:
    """What a link to a part of the page is called."""
    name = href.lstrip("#")
    return "waveform" if name.startswith("event-") else _PLACES.get(name, name)


def _markup(text: str) -> Markup:
    """Our own text, which is markup already."""
    from markupsafe import Markup

    return Markup(text)


@cache
def _read(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    """What a policy names an inline element by."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
