"""Drawings: nothing is lost in thinning, nothing from a file is markup, ticks are round."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.pipeline.report.charts import SEVERITY
from halfcycle.pipeline.report.drawing import INK, Axes, document, printable, text_of, thinned, ticks

SOURCE = "derived: the lowest and highest sample of each column of pixels bound every line through it"
HOSTILE = "</text><script>alert(1)</script>&\"'\x00\ud800]]>"


@given(
    at=st.integers(0, 9999),
    height=st.sampled_from([-50.0, 50.0]),
    n=st.integers(10_000, 30_000),
    columns=st.integers(50, 900),
)
def test_thinning_never_drops_a_spike_of_one_sample(at: int, height: float, n: int, columns: int) -> None:
    # SOURCE.
    y = np.sin(np.arange(n) / 50)
    y[at] = height
    x = np.arange(n, dtype=float)
    points = thinned(x, y, n_columns=columns)
    assert (float(at), height) in points
    assert len(points) <= 2 * columns
    assert [p[0] for p in points] == sorted(p[0] for p in points)


def test_thinning_keeps_the_extremes_of_every_column_as_a_loop_finds_them() -> None:
    # Brute force.
    rng = np.random.default_rng(3)
    y = rng.normal(size=1003)
    x = np.arange(1003, dtype=float)
    got = {p[0] for p in thinned(x, y, n_columns=10)}
    edges = [int(k) for k in np.linspace(0, 1003, 11)]
    for a, b in pairwise(edges):
        values = list(y[a:b])
        assert float(a + values.index(min(values))) in got
        assert float(a + values.index(max(values))) in got


def test_few_points_are_all_kept_and_missing_ones_left_out() -> None:
    y = np.array([1.0, np.nan, 3.0])
    assert thinned(np.arange(3.0), y, n_columns=10) == [(0.0, 1.0), (2.0, 3.0)]


def test_words_from_files_are_text_and_nothing_else() -> None:
    svg = document([text_of(1, 2, HOSTILE)], width=10, height=10, label=HOSTILE)
    root = ElementTree.fromstring(svg)
    assert [element.tag.rpartition("}")[2] for element in root] == ["rect", "text"]
    assert root[1].text == printable(HOSTILE)
    assert root.attrib["aria-label"] == printable(HOSTILE)


@pytest.mark.parametrize(("low", "high"), [(0, 1), (-17, 23), (1e-6, 3e-6), (0, 1e6), (-0.3, 0.3)])
def test_ticks_are_round_and_within(low: float, high: float) -> None:
    found = ticks(low, high)
    assert 2 <= len(found) <= 6
    assert all(low - 1e-9 <= value <= high * (1 + 1e-9) + 1e-12 for value in found)
    step = found[1] - found[0]
    assert round(step / 10 ** np.floor(np.log10(step) + 1e-9), 6) in (1, 2, 5)
    assert ticks(1, 1) == [1]


def test_axes_place_values_linearly_and_by_logarithm() -> None:
    axes = Axes(100, 10, 200, 100, 0.01, 100, 0, 1, log_x=True)
    assert [axes.x(v) for v in (0.01, 1, 100)] == pytest.approx([100, 200, 300])
    assert [axes.y(v) for v in (0, 0.5, 1)] == pytest.approx([110, 60, 10])
    linear = Axes(0, 0, 10, 10, -5, 5, 0, 1)
    assert linear.x(0) == pytest.approx(5)


def test_numbers_on_shades_can_be_read() -> None:
    # WCAG 2.2, 1.4.3: 4.5 to 1, by its formula.
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for k, shade in enumerate(SEVERITY):
        pair = sorted((luminance(shade), luminance("#FFFFFF" if k >= 3 else INK)))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5, shade
