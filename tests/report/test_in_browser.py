"""The report in a real browser: no complaint, no request, every sample decoded and drawn, by keys and on paper."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from report.made_report import HOSTILE, SETTINGS, START, event, everything, material, no_slice, slice_for
from report.opened_page import DRAWN, IN_BROWSER, Opened

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.locales import manner_of
from halfcycle.pipeline.report.content import ReportSettings, build_content
from halfcycle.pipeline.report.page import render
from halfcycle.pipeline.report.printing import print_pdf
from halfcycle.pipeline.report.slice import Slice

pytestmark = IN_BROWSER
FIRST_DRAW_S, ZOOM_S = 3.0, 0.3  # the bars of a million samples
YARDSTICK_MS = 250.0  # that ten million sines take a core of today
YARDSTICK = """() => {
    const begun = performance.now();
    let sum = 0;
    for (let i = 0; i < 1e7; i++) sum += Math.sin(i);
    return performance.now() - begun + 0 * sum;
}"""


def written(
    folder: Path, events: list[Event], slices: Any = slice_for, settings: ReportSettings = SETTINGS, **more: Any
) -> Path:
    path = folder / "report.html"
    made = build_content(material(events, slices=slices, **more), settings=settings)
    path.write_text(render(made, settings=settings), "utf-8")
    return path


@pytest.mark.parametrize("width", [1440, 390])
def test_the_page_opens_without_complaint_or_request_and_fits_its_window(
    chromium: Any, tmp_path: Path, width: int
) -> None:
    events = [event(k * 5000.0, magnitude=0.1 * k, site=f"Site {k % 3}") for k in range(1, 9)]
    spans = [CoverageSpan(f"Site {k}", None, START, START + 10**13, 9000.0, 400.0, "missing samples") for k in range(3)]
    opened = Opened(chromium, written(tmp_path, events, coverage=spans), width=width).scrolled()
    assert opened.complaints == []
    assert len(opened.requests) == 1  # the file itself
    assert opened.tab.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.long
def test_every_sample_is_decoded_as_the_slice_has_it(chromium: Any, tmp_path: Path) -> None:
    # The slice's own samples; the script counts in single precision.
    rng = np.random.default_rng(5)
    raw = {
        "int16": rng.integers(-32767, 32767, (2, 777)).astype(np.int16),
        "int32": rng.integers(-(2**31) + 1, 2**31 - 1, (2, 777)).astype(np.int32),
        "float32": (1e4 * rng.normal(size=(2, 777))).astype(np.float32),
    }
    for name, samples in raw.items():
        channels = tuple(Channel(f"U{p}", "voltage", p, "V", scale=0.25, offset=3.0) for p in "AB")
        cut = Slice(channels, samples, 1600.0, -300.0, 200.0)
        opened = Opened(chromium, written(tmp_path, [event()], lambda _, cut=cut: cut)).scrolled()
        for i in range(2):
            script = f"Array.from(document.querySelector('figure.waves').wave.meta.channels[{i}].values)"
            got = np.array(opened.tab.evaluate(script))
            expected = cut.physical(i)
            error = np.abs(expected).max() * (1 / 60_000 if name == "float32" else 2e-7) + 1e-6
            assert got.shape == expected.shape
            assert np.abs(got - expected).max() <= error, name
        assert opened.complaints == []


def test_keys_and_buttons_zoom_and_bring_back(chromium: Any, tmp_path: Path) -> None:
    opened = Opened(chromium, written(tmp_path, [event()])).scrolled()
    view = "document.querySelector('figure.waves').wave.view.map((end) => Math.round(end * 1e6) / 1e6)"
    whole = opened.tab.evaluate(view)
    picture = "document.querySelector('figure.waves canvas').toDataURL()"
    before = opened.tab.evaluate(picture)
    opened.tab.focus("figure.waves canvas")
    opened.tab.keyboard.press("+")
    closer = opened.tab.evaluate(view)
    assert closer[1] - closer[0] == pytest.approx((whole[1] - whole[0]) / 2, rel=1e-3)
    assert opened.tab.evaluate(picture) != before
    opened.tab.keyboard.press("ArrowRight")
    assert opened.tab.evaluate(view)[0] > closer[0]
    opened.tab.keyboard.press("0")
    assert opened.tab.evaluate(view) == whole
    assert opened.tab.evaluate(picture) == before
    opened.tab.click("button[data-act=in]")
    assert opened.tab.evaluate(view) == closer
    box = opened.tab.query_selector("figure.waves canvas").bounding_box()
    opened.tab.mouse.move(box["x"] + 200, box["y"] + 60)
    assert "UA" in opened.tab.inner_text(".read")
    opened.tab.mouse.down()
    opened.tab.mouse.move(box["x"] + 260, box["y"] + 60)
    opened.tab.mouse.up()
    dragged = opened.tab.evaluate(view)
    assert dragged[1] - dragged[0] < closer[1] - closer[0]
    assert opened.complaints == []


def test_axes_and_what_the_pointer_reads_follow_the_locale(chromium: Any, tmp_path: Path) -> None:
    settings = replace(SETTINGS, manner=manner_of("de_DE"))
    small = replace(slice_for(event()), channels=tuple(Channel(f"U{p}", "voltage", p, "V", scale=4e-4) for p in "ABC"))
    opened = Opened(chromium, written(tmp_path, [event()], lambda _: small, settings)).scrolled()
    drawn = """() => {
        const said = [], pen = CanvasRenderingContext2D.prototype, fill = pen.fillText;
        pen.fillText = function (text, ...place) { said.push(text); return fill.call(this, text, ...place); };
        const wave = document.querySelector('figure.waves').wave;
        wave.draw();
        return said;
    }"""
    said = opened.tab.evaluate(drawn)
    assert {"0,5", "\N{MINUS SIGN}0,5"} <= set(said)  # volts at the axis of waves of 1.2 V
    assert not [text for text in said if re.search(r"[0-9]\.[0-9]", text)]
    box = opened.tab.query_selector("figure.waves canvas").bounding_box()
    opened.tab.mouse.move(box["x"] + 200, box["y"] + 60)
    assert re.match(r".[0-9]+,[0-9]{2} ms: UA .[0-9]+,[0-9]+ V", opened.tab.inner_text(".read"))


def test_a_spike_of_one_sample_is_drawn_whatever_the_zoom(chromium: Any, tmp_path: Path) -> None:
    # A spike upwards in a record of zeros: the pixels above the middle are those of the spike and of nothing else.
    samples = np.zeros((1, 100_000), np.int16)
    samples[0, 61_803] = 30_000
    cut = Slice((Channel("UA", "voltage", "A", "V"),), samples, 50_000.0, -20_000.0, 40_000.0)
    opened = Opened(chromium, written(tmp_path, [event()], lambda _: cut)).scrolled()
    column = """() => {
        const wave = document.querySelector('figure.waves').wave, pen = wave.pen, scale = window.devicePixelRatio;
        const x = Math.round(wave.x((61803 - 20000) / 50000) * scale);
        const seen = pen.getImageData(x - 3, 45 * scale, 7, 20 * scale).data;
        let blue = 0;
        for (let i = 0; i < seen.length; i += 4) if (seen[i + 2] > seen[i] + 40) blue++;
        return blue;
    }"""
    assert opened.tab.evaluate(column) > 5
    without = np.zeros_like(samples)
    without[0, 10] = 30_000  # the same scale, the spike elsewhere
    cut = Slice(cut.channels, without, 50_000.0, -20_000.0, 40_000.0)
    opened = Opened(chromium, written(tmp_path, [event()], lambda _: cut)).scrolled()
    assert opened.tab.evaluate(column) == 0


def test_hostile_words_do_nothing(chromium: Any, tmp_path: Path) -> None:
    channels = (Channel(HOSTILE, "voltage", "", HOSTILE), Channel(HOSTILE, "current", "A", HOSTILE))

    def hostile_slice(_: Event) -> Slice:
        return Slice(channels, np.ones((2, 800), np.int16), 1600.0, -400.0, 100.0, HOSTILE, (HOSTILE,))

    bad = event(
        site=HOSTILE, point=HOSTILE, category=HOSTILE, why=HOSTILE, notes=HOSTILE, cause=HOSTILE, source=HOSTILE
    )
    opened = Opened(chromium, written(tmp_path, [bad], hostile_slice, provenance=[(HOSTILE, HOSTILE)])).scrolled()
    assert opened.complaints == []
    assert len(opened.requests) == 1
    assert opened.tab.evaluate("document.querySelectorAll('script').length") == 3


@pytest.mark.long
def test_a_million_samples_are_drawn_and_zoomed_in_time(chromium: Any, tmp_path: Path) -> None:
    # Six channels of 12 bits with half a count of noise. Size: 200 kB and 1.2 bytes a sample.
    t, rng = np.arange(166_667), np.random.default_rng(2)
    rows = [2000 * np.sin(2 * np.pi * t / 256 + k) + rng.normal(0, 0.5, t.size) for k in range(6)]
    names = [("voltage", p) for p in "ABC"] + [("current", p) for p in "ABC"]
    channels = tuple(Channel(f"{q[0]}{p}", q, p, "V") for q, p in names)  # type: ignore[arg-type]
    cut = Slice(channels, np.rint(rows).astype(np.int16), 12_800.0, -1000.0, 100_000.0)
    settings = type(SETTINGS)(curve=SETTINGS.curve, most_samples=2_000_000)
    path = tmp_path / "big.html"
    path.write_text(
        render(build_content(material([event()], slices=lambda _: cut), settings=settings), settings=settings), "utf-8"
    )
    assert path.stat().st_size <= 200_000 + 1.2 * cut.samples.size
    # Both against how long ten million sines take at the same moment: this machine may have other things to do.
    first_draw, zoom = [], []
    for _ in range(4):
        tab = Opened(chromium, path).tab
        tab.wait_for_function(DRAWN)
        spent = tab.evaluate("Number(document.querySelector('figure.waves').dataset.spent)")
        yardstick = tab.evaluate(YARDSTICK)
        first_draw.append(spent / yardstick)
        zoomed = tab.evaluate(
            """() => {
                const wave = document.querySelector('figure.waves').wave, begun = performance.now();
                wave.zoom(0.7);
                return performance.now() - begun;
            }"""
        )
        zoom.append(zoomed / yardstick)
        tab.close()
    assert min(first_draw) < FIRST_DRAW_S * 1000 / YARDSTICK_MS
    assert min(zoom) < ZOOM_S * 1000 / YARDSTICK_MS


def test_what_can_be_seen_can_be_read_and_reached(chromium: Any, tmp_path: Path) -> None:
    # WCAG 2.2: 1.1.1 names of pictures, 1.3.1 headings in order, 1.4.3 contrast of text of 4.5 to 1, 2.1.1 keys.
    opened = Opened(chromium, written(tmp_path, [event(), event(50, magnitude=0.05)])).scrolled()
    nameless = "[...document.querySelectorAll('svg, canvas')].filter((one) => !one.getAttribute('aria-label')).length"
    assert opened.tab.evaluate(nameless) == 0
    levels = opened.tab.evaluate("[...document.querySelectorAll('h1, h2, h3')].map((one) => Number(one.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert opened.tab.evaluate("document.querySelectorAll('main').length") == 1
    assert opened.tab.evaluate("document.documentElement.lang") == "en"
    assert opened.tab.evaluate("[...document.querySelectorAll('canvas')].every((one) => one.tabIndex === 0)")
    colours = opened.tab.evaluate(
        """() => [...document.querySelectorAll('main *')].filter((one) => one.childNodes.length &&
            [...one.childNodes].some((child) => child.nodeType === 3 && child.textContent.trim())).map((one) =>
            getComputedStyle(one).fill !== 'rgb(0, 0, 0)' && one.namespaceURI.includes('svg')
                ? getComputedStyle(one).fill : getComputedStyle(one).color)"""
    )
    for colour in set(colours):
        assert contrast_to_white(colour) >= 4.5 or colour == "rgb(255, 255, 255)", colour


def contrast_to_white(colour: str) -> float:
    """WCAG 2.2, relative luminance and contrast ratio, by its formula."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


@pytest.mark.long
def test_every_part_is_reached_by_keys_and_seen_to_be(chromium: Any, tmp_path: Path) -> None:
    # WCAG 2.2: 2.1.1 keys, 2.4.1 a way past what repeats, 2.4.7 what has the focus is seen.
    tab = Opened(chromium, written(tmp_path, [event(), event(50, magnitude=0.05)])).scrolled().tab
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.className") == "skip"
    tab.keyboard.press("Enter")
    assert tab.evaluate("location.hash") == "#answer"
    tab.evaluate("document.activeElement.blur(); getSelection().removeAllRanges(); location.hash = ''")
    reached, wanted = [], "a[href], button, canvas, summary, [tabindex='0']"
    shown = f'[...document.querySelectorAll("{wanted}")].filter((one) => one.checkVisibility()).length'
    n = tab.evaluate(shown)
    tab.evaluate("document.querySelector('.skip').focus()")
    for _ in range(n):
        reached.append(tab.evaluate("(document.activeElement.id || '') + document.activeElement.tagName.toLowerCase()"))
        style = "getComputedStyle(document.activeElement)"
        assert tab.evaluate(f"{style}.outlineStyle !== 'none' && parseFloat({style}.outlineWidth) >= 1"), reached[-1]
        tab.keyboard.press("Tab")
    assert len(reached) == n
    assert {"a", "canvas", "button", "summary", "div"} <= set(reached)
    assert reached.count("canvas") == 2
    tab.focus("summary")
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.activeElement.parentElement.open")
    tab.focus("#magnitude-duration-chart .wide svg a")  # a mark of the chart leads to its event
    tab.keyboard.press("Enter")
    assert tab.evaluate("location.hash").startswith("#event-")


def test_nothing_is_wider_than_the_paper(chromium: Any, tmp_path: Path) -> None:
    # A4 with the page's own margins is 182 mm wide: 688 px at 96 to the inch.
    path = tmp_path / "report.html"
    path.write_text(render(build_content(everything(), settings=SETTINGS), settings=SETTINGS), "utf-8")
    tab = Opened(chromium, path, width=688).scrolled().tab
    tab.emulate_media(media="print")
    tab.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    wide = """[...document.querySelectorAll('table, svg, p')].filter((one) => one.checkVisibility() &&
        one.getBoundingClientRect().right > 689).map((one) => one.textContent.slice(0, 80))"""
    assert tab.evaluate(wide) == []


@pytest.mark.long
def test_it_is_printed_with_a_page_an_event_and_without_waveforms_too(tmp_path: Path) -> None:
    for slices in (slice_for, no_slice):
        counts = []
        for n in (1, 3):
            path = written(tmp_path, [event(k * 100.0, magnitude=0.1 * k) for k in range(1, n + 1)], slices)
            print_pdf(path, tmp_path / "report.pdf")
            printed = (tmp_path / "report.pdf").read_bytes()
            assert printed.startswith(b"%PDF")
            counts.append(len(re.findall(rb"/Type\s*/Page\b", printed)))
        assert counts[1] - counts[0] == 2  # a page an event, whatever is before and behind them
        assert counts[0] >= 4
