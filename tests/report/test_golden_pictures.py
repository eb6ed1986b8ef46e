"""Charts as they were looked at and found right, to within 0.5 % of their pixels; without words, as fonts differ.

To renew them after a change that was meant, then to look at each:

    PYTHONPATH=tests python -m report.test_golden_pictures
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pytest
from report.made_report import SETTINGS, everything
from report.opened_page import IN_BROWSER

from halfcycle.pipeline.report.content import build_content
from halfcycle.pipeline.report.page import render

pytestmark = IN_BROWSER
GOLDENS: Final = Path(__file__).parent / "goldens"
MOST_DIFFERENT: Final = 0.005  # of all pixels
MOST_OF_INK: Final = 0.1  # of those that are not white: what is thin has few pixels
NOTICED: Final = 48  # levels of 255 by which a pixel must differ: edges are smoothed a little differently elsewhere
NO_WORDS: Final = "<style>text { visibility: hidden; } body { margin: 0; }</style>"
NO_WORDS_ON_CANVAS: Final = "CanvasRenderingContext2D.prototype.fillText = () => {};"

Pixels = npt.NDArray[np.int16]


def drawings() -> dict[str, str]:
    """Drawings of a report that has something for each, by name."""
    made = build_content(everything(), settings=SETTINGS)
    figures = [figure for figure in (made.coverage, made.scatter, *made.timeline) if figure is not None]
    figures += [figure for figure in made.trends if figure.anchor == "trend-0-u-rms"]
    found = {figure.anchor: figure.wide for figure in figures}
    found |= {f"{figure.anchor}-narrow": figure.narrow for figure in figures if "days" not in figure.anchor}
    sag = next(view for view in made.events if view.event.magnitude == 0.5)
    transient = next(view for view in made.events if view.spectrum is not None)
    assert transient.spectrum is not None
    found |= {"event": sag.picture, "phasors": sag.phasors[1], "spectrum": transient.spectrum.wide}
    return found | {"wiring": made.wiring[0].drawing}


def taken(browser: Any, folder: Path) -> Iterator[tuple[str, bytes]]:
    """Pictures of all drawings, and of the waveforms on the screen, as PNG, by name."""
    tab = browser.new_page(viewport={"width": 1000, "height": 800})
    for name, svg in drawings().items():
        tab.set_content(NO_WORDS + svg)
        yield name, tab.query_selector("svg").screenshot()
    tab.add_init_script(NO_WORDS_ON_CANVAS)
    path = folder / "report.html"
    path.write_text(render(build_content(everything(), settings=SETTINGS), settings=SETTINGS), encoding="utf-8")
    tab.goto(path.as_uri())
    tab.wait_for_function("() => document.querySelector('figure.waves').dataset.drawn === 'yes'")
    tab.evaluate("document.querySelector('figure.waves').wave.show([-0.02, 0.06])")
    yield "waveform", tab.query_selector("figure.waves canvas").screenshot()
    tab.close()


def pixels(png: bytes) -> Pixels:
    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(np.int16)


def different(one: Pixels, other: Pixels) -> tuple[float, float]:
    """Shares of pixels that differ: of all, and of those that are not white in one of the two."""
    differs = np.abs(one - other).max(axis=2) > NOTICED
    inked = np.minimum(one, other).min(axis=2) < 255 - NOTICED
    return float(differs.mean()), float(differs.sum() / max(inked.sum(), 1))


@pytest.mark.long
def test_charts_look_as_they_were_found_right(chromium: Any, tmp_path: Path) -> None:
    seen = dict(taken(chromium, tmp_path))
    assert set(seen) == {path.stem for path in GOLDENS.glob("*.png")}
    for name, png in seen.items():
        now, golden = pixels(png), pixels((GOLDENS / f"{name}.png").read_bytes())
        assert now.shape == golden.shape, name
        of_all, of_ink = different(now, golden)
        assert of_all <= MOST_DIFFERENT, f"{name}: {of_all:.2%} of its pixels"
        assert of_ink <= MOST_OF_INK, f"{name}: {of_ink:.1%} of what is drawn"


@pytest.mark.parametrize("name", ["event", "trend-0-u-rms", "hours-chart"])
def test_a_chart_that_is_moved_by_three_pixels_is_found_out(name: str) -> None:
    golden = pixels((GOLDENS / f"{name}.png").read_bytes())
    of_all, of_ink = different(golden, np.roll(golden, 3, axis=0))
    assert of_all > MOST_DIFFERENT
    assert of_ink > MOST_OF_INK


def renew() -> None:
    """Take all pictures anew."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    from halfcycle.pipeline.report.printing import browser

    GOLDENS.mkdir(exist_ok=True)
    for path in GOLDENS.glob("*.png"):
        path.unlink()
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=browser(), args=["--no-sandbox", "--disable-gpu"])
        for name, png in taken(opened, GOLDENS):
            Image.open(io.BytesIO(png)).convert("RGB").save(GOLDENS / f"{name}.png", optimize=True)
        opened.close()
    (GOLDENS / "report.html").unlink()


if __name__ == "__main__":
    renew()
