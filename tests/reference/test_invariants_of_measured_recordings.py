"""What must not change what is said of a measured record: the letters of its phases, polarity, rate, a little noise.

Source: derived. A network has no first phase, and all its voltages and currents turned over are the same network half a
cycle later; a recorder that samples half as often, or is a little noisier, has recorded the same thing.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import resample_poly

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

RECORDINGS = Path(__file__).parents[3] / "shared" / "data"
RECORDS = tuple(path.stem for path in sorted(RECORDINGS.glob("line-fault-*.npz")))
START_NS = 1_772_409_600_000_000_000
NOMINAL_V = 90e3 / np.sqrt(3)
RATE_HZ, VOLT, AMPERE = 6400.0, 18.310, 4.314  # of the data set's own description
TURNED = str.maketrans("ABC", "BCA")

pytestmark = pytest.mark.skipif(not RECORDS, reason="the measured records are not there")


@cache
def samples(name: str) -> np.ndarray:
    """Three voltages [V] and three currents [A]."""
    with np.load(RECORDINGS / f"{name}.npz") as file:
        rows = [file[one] for one in ("v1", "v2", "v3", "i1", "i2", "i3")]
    return np.stack(rows) * np.array([[VOLT]] * 3 + [[AMPERE]] * 3)


def judged(x: np.ndarray, rate_hz: float = RATE_HZ) -> list[Event]:
    channels = tuple(
        Channel(f"{letter}{p}", "voltage" if letter == "U" else "current", p, "V" if letter == "U" else "A")
        for letter in "UI"
        for p in "ABC"
    )
    header = Header("s", START_NS, rate_hz, x.shape[1], channels, "float32")
    capture = Capture(header, x.astype(np.float32))
    (record,) = records_of([Piece(header, lambda: capture, lambda: "d")])
    terms = Terms(Thresholds(), NOMINAL_V, 50.0, "four-wire", explain=True)
    return list(judge(record, site="s", terms=terms).events)


@cache
def as_recorded(name: str) -> tuple[Event, ...]:
    return tuple(judged(samples(name)))


def said(event: Event) -> tuple[object, ...]:
    """What of a row must stay, but for the letters of phases."""
    return event.kind, event.category, event.stages, event.cause, event.direction, event.line_to_line


def measured(values: tuple[float | None, ...]) -> list[float]:
    return [value for value in values if value is not None]


@pytest.mark.parametrize("name", RECORDS)
def test_phases_that_change_their_letters_change_nothing_but_letters(name: str) -> None:
    # What A was is B now, and so on: the sequence of the phases stays.
    found = judged(samples(name)[[2, 0, 1, 5, 3, 4]])
    before = as_recorded(name)
    assert [said(event) for event in found] == [said(event) for event in before]
    for one, other in zip(before, found, strict=True):
        assert set(one.phases.translate(TURNED)) == set(other.phases)
        turned = (other.magnitude, other.magnitude_b, other.magnitude_c, other.magnitude_a)
        own = (one.magnitude, one.magnitude_a, one.magnitude_b, one.magnitude_c)
        assert [value is None for value in turned] == [value is None for value in own]
        # The frequency is tracked on one of the channels: a quarter of the 0.2 % of class A (IEC 61000-4-30, 5.4).
        assert measured(turned) == pytest.approx(measured(own), abs=5e-4)
        assert (one.duration_s is None) == (other.duration_s is None)
        assert one.duration_s is None or other.duration_s == pytest.approx(one.duration_s, abs=0.01)
        assert (one.dip_type or "")[:1] == (other.dip_type or "")[:1]


@pytest.mark.parametrize("name", RECORDS)
def test_polarity_of_all_channels_together_changes_nothing(name: str) -> None:
    found, before = judged(-samples(name)), as_recorded(name)
    assert [said(event) for event in found] == [said(event) for event in before]
    for one, other in zip(before, found, strict=True):
        # Windows begin at rising zeros, which lie half a cycle off then.
        assert other.magnitude == pytest.approx(one.magnitude, abs=0.02)
        assert abs(other.start - one.start) <= 10_100_000
        assert (one.dip_type, one.phases) == (other.dip_type, other.phases)


@pytest.mark.parametrize("name", RECORDS)
def test_half_the_rate_and_a_little_noise_change_no_kind_no_cause_and_no_side(name: str) -> None:
    x, before = samples(name), as_recorded(name)
    slow = judged(resample_poly(x, 1, 2, axis=1, padtype="line"), RATE_HZ / 2)
    rng = np.random.default_rng(7)
    size = np.sqrt((x[:, :600] ** 2).mean(axis=1, keepdims=True))
    noisy = judged(x + 10 ** (-55 / 20) * size * rng.standard_normal(x.shape))
    for found in (slow, noisy):
        assert [said(event)[:3] for event in found] == [said(event)[:3] for event in before]
        for one, other in zip(before, found, strict=True):
            assert other.magnitude == pytest.approx(one.magnitude, abs=0.02)
            assert other.direction == one.direction
            assert other.cause == one.cause
