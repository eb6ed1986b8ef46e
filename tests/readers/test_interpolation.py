"""Band-limited interpolation against known sines, and PQDIF channels of different rates as one capture."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pqdif_bytes as made
import pytest

from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.readers.interpolation import MARGIN, interpolated
from halfcycle.pipeline.records.points import points_of

SOURCE = "derived: a sine between its samples is known; the sampling theorem says that its samples tell it"


def reader_of(x: np.ndarray) -> Callable[[int, int], np.ndarray]:
    return lambda start, stop: x[start:stop].copy()


@pytest.mark.parametrize("factor", [2, 3, 4, 8])
@pytest.mark.parametrize("hertz", [50.0, 650.0, 2500.0, 3400.0])
def test_values_between_samples_are_those_of_the_sine(factor: int, hertz: float) -> None:
    # 3,400 Hz is nine tenths of half of 7,680 Hz. Side lobes 90 dB down leave 1e-4 at most.
    slow_hz, n = 7680.0, 600
    x = np.sin(2 * np.pi * hertz * np.arange(n) / slow_hz + 0.4)
    t = np.arange(n * factor) / (slow_hz * factor)
    truth = np.sin(2 * np.pi * hertz * t + 0.4)
    found = interpolated(reader_of(x), n_samples=n, factor=factor, first=0, count=n * factor)
    inner = slice(MARGIN * factor, -MARGIN * factor)
    assert np.abs(found - truth)[inner].max() < 1e-4
    np.testing.assert_allclose(found[::factor], x, atol=1e-12)  # the samples themselves stay
    if hertz == 50.0:  # the edge effect that the docstring states
        assert np.abs(found - truth).max() < 0.05


def test_values_do_not_depend_on_how_they_are_asked_for() -> None:
    x = np.random.default_rng(3).normal(size=500)
    whole = interpolated(reader_of(x), n_samples=500, factor=2, first=0, count=1000)
    edges = [0, 1, 63, 64, 65, 400, 937, 999, 1000]
    parts = [interpolated(reader_of(x), n_samples=500, factor=2, first=a, count=b - a) for a, b in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_a_missing_sample_takes_its_neighbours_in_between_with_it_and_no_more() -> None:
    x = np.sin(2 * np.pi * np.arange(300) / 128)
    x[150] = np.nan
    found = interpolated(reader_of(x), n_samples=300, factor=3, first=0, count=900)
    assert np.flatnonzero(np.isnan(found)).tolist() == [448, 449, 450, 451, 452]
    assert np.isnan(interpolated(reader_of(x * np.nan), n_samples=300, factor=3, first=0, count=9)).all()


# --- PQDIF: one observation, two rates


def save(
    folder: Path, *, slow_hz: float, fast_hz: float, n_fast: int = 1536, n_slow: int = 768, names: str = "UI"
) -> Path:
    def counts(hertz: float, n: int, lag: float) -> list[int]:
        return np.round(10_000 * np.sin(2 * np.pi * 50 * np.arange(n) / hertz - lag)).astype(int).tolist()

    channels, instances = [], []
    for i in range(6):
        fast = i < 3
        hertz, n = (fast_hz, n_fast) if fast else (slow_hz, n_slow)
        more = {} if names[not fast] == "U" else {"measured": 2, "units": 7}
        channels.append(made.channel(f"{names[not fast]}{'ABC'[i % 3]}", phase=i % 3 + 1, **more))
        lag = 2 * math.pi * (i % 3) / 3 + (0.5 if not fast else 0.0)
        instances.append(made.instance(i, made.steps((n, 1 / hertz)), made.stored(21, counts(hertz, n, lag))))
    path = folder / "x.pqd"
    path.write_bytes(made.file(made.container(), made.source(*channels), made.observation(*instances)))
    return path


def test_voltages_and_currents_of_two_rates_are_one_capture(tmp_path: Path) -> None:
    (capture,) = read_captures(save(tmp_path, slow_hz=7680.0, fast_hz=15360.0))
    header = capture.header
    assert (header.rate_hz, header.n_samples, header.sample_type) == (15360.0, 1536, "float32")
    assert [channel.quantity for channel in header.channels] == ["voltage"] * 3 + ["current"] * 3
    (point,) = points_of(header)
    assert point.currents == (("A", 3), ("B", 4), ("C", 5))
    assert any("IA, IB, IC: sampled at 7680 Hz" in note for note in header.notes)
    t = np.arange(1536) / 15360.0
    for i in range(6):
        truth = 10_000 * np.sin(2 * np.pi * 50 * t - 2 * np.pi * (i % 3) / 3 - (0.5 if i > 2 else 0.0))
        inner = slice(None) if i < 3 else slice(2 * MARGIN, -2 * MARGIN)
        # Half a count of rounding where samples are as stored, no more than twice that in between.
        assert np.abs(capture.physical(i) / header.channels[i].scale - truth)[inner].max() <= (0.5 if i < 3 else 1.0)
    assert (header.channels[0].rail_low, header.channels[0].rail_high) == (-32768, 32767)
    (voltages,) = read_captures(tmp_path / "x.pqd", quantities=["voltage"])
    assert voltages.samples.dtype == np.int16  # as stored, where no other rate is asked for


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"slow_hz": 6400.0, "n_slow": 640}, "no whole ratio"),
        ({"n_slow": 700}, "not as long"),
        ({"slow_hz": 960.0, "n_slow": 96}, "sixteen times"),
        ({"names": "UU"}, "two voltages of a phase"),
    ],
)
def test_channels_that_do_not_go_together_stay_captures_of_their_own(
    tmp_path: Path, changes: dict[str, object], why: str
) -> None:
    found = list(read_captures(save(tmp_path, **({"slow_hz": 7680.0, "fast_hz": 15360.0} | changes))))  # type: ignore[arg-type]
    assert [len(capture.header.channels) for capture in found] == [3, 3], why
