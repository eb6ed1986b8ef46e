"""The calm look must never hide an event: judged with and without it, a record has the same events."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.measures.calm import CalmBand, coarse_rms, squares_of_halves
from halfcycle.pipeline.records import look as look_module
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import Point, points_of
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.settings import Thresholds

SOURCE = "derived: a span that is left out must hold no half cycle beyond a threshold; the full measure is the judge"
RATE_HZ = 3200.0
NOMINAL_V = 230.0
START_NS = 1_772_409_600_000_000_000


def record(rng: np.random.Generator, *, f_nominal: float, n_pieces: int) -> Record:
    """Six seconds with up to three changes of any depth and length, steady level, pace, distortion and noise."""
    n = round(6 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    angle = 2 * np.pi * f_nominal * (1 + rng.uniform(-0.02, 0.02)) * t + rng.uniform(0, 2 * np.pi)
    level = rng.uniform(0.96, 1.04)
    rows = []
    changes = [
        (
            rng.uniform(0, 6),
            rng.choice([0.2, 0.5, 1, 1.5, 3, 20]) / f_nominal,
            rng.uniform(0.0, 1.3),
            rng.integers(1, 8),
        )
        for _ in range(rng.integers(0, 4))
    ]
    for phase in range(3):
        wave = np.sin(angle - phase * 2 * np.pi / 3)
        wave += 0.04 * np.sin(5 * (angle - phase * 2 * np.pi / 3)) + rng.normal(0, 0.003, n)
        for start, length, to, phases in changes:
            if phases >> phase & 1:
                wave[(t >= start) & (t < start + length)] *= to
        rows.append(np.round(level * wave * 12_000).astype(np.int16))
    samples = np.stack(rows)
    scale = NOMINAL_V * np.sqrt(2) / 12_000
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", scale) for p in "ABC")
    cuts = np.sort(rng.choice(np.arange(1, n), n_pieces - 1, replace=False)) if n_pieces > 1 else []
    pieces = []
    whole = Header("s", START_NS, RATE_HZ, n, channels, "int16")
    for a, b in zip([0, *cuts], [*cuts, n], strict=True):
        header = replace(whole, start_ns=whole.time_ns(int(a)), n_samples=int(b - a))
        capture = Capture(header, samples[:, a:b].copy())
        pieces.append(Piece(header, lambda capture=capture: capture, lambda: "d"))
    (joined,) = records_of(pieces)
    return joined


def essence(events: tuple[Event, ...]) -> list[tuple[object, ...]]:
    return [(e.kind, e.phases, e.open_start, e.open_end) for e in events]


@pytest.mark.slow
@pytest.mark.parametrize("f_nominal", [50.0, 60.0])
@pytest.mark.parametrize("n_pieces", [1, 7])
@pytest.mark.parametrize("reference", ["nominal", "sliding"])
def test_the_calm_look_leaves_out_no_event(
    f_nominal: float, n_pieces: int, reference: Literal["nominal", "sliding"], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Positions agree to half a sample, magnitudes to 2e-4 pu: phasors stand on another grid in each span."""
    rng = np.random.default_rng(int(f_nominal) + n_pieces)
    thresholds = Thresholds(reference=reference, sliding_start="pre-event")
    terms = Terms(thresholds, NOMINAL_V, f_nominal, "four-wire")
    n_events = n_left_out = 0
    for _ in range(40):
        made = record(rng, f_nominal=f_nominal, n_pieces=n_pieces)
        quick = judge(made, site="s", terms=terms).events
        with monkeypatch.context() as everything:
            everything.setattr(look_module.Look, "spans", lambda self, *_, **__: [(0, self.n_samples)])
            full = judge(made, site="s", terms=terms).events
        points = look_module.take_look(made, _point(made), nominal_hz=f_nominal)
        spans = points.spans(
            thresholds, [0, 1, 2], reference_v=NOMINAL_V, sliding_from_v=None if reference == "nominal" else []
        )
        n_left_out += made.n_samples - sum(stop - first for first, stop in spans)
        assert essence(quick) == essence(full)
        for one, other in zip(quick, full, strict=True):
            assert abs(one.start - other.start) < 0.5e9 / RATE_HZ
            assert one.observed_s == pytest.approx(other.observed_s, abs=0.5 / RATE_HZ)
            assert one.magnitude == pytest.approx(other.magnitude, abs=2e-4)
        n_events += len(full)
    assert n_events > 40
    assert n_left_out > 0  # else the look would leave nothing out and the test would say nothing


def _point(made: Record) -> Point:
    return points_of(made.header, hookup="four-wire")[0]


@pytest.mark.parametrize(("sag_pu", "swell_pu"), [(0.9, 1.1), (0.85, 1.1), (0.9, 1.2), (0.7, 1.1), (0.94, 1.06)])
def test_no_cycle_beyond_a_threshold_lies_among_windows_within_the_band(sag_pu: float, swell_pu: float) -> None:
    """Brute force: one-cycle changes to just beyond the threshold, at every sample of the grid, from any calm level."""
    band = CalmBand.of(sag_pu=sag_pu, swell_pu=swell_pu, hysteresis_pu=0.02)
    half, channels = 32, (Channel("u", "voltage", "A", "V"),)
    angle = 2 * np.pi * np.arange(20 * half) / (2 * half)
    for level in np.linspace(band.low_pu, band.high_pu, 5) if band.low_pu < band.high_pu else []:
        for to in (sag_pu - 1e-3, swell_pu + 1e-3):
            for first in range(6 * half, 8 * half):
                u = level * np.sqrt(2) * np.sin(angle)
                u[first : first + 2 * half] *= to / level
                rms = coarse_rms(squares_of_halves(u[None].astype(np.float32), channels, half=half), half=half)
                assert ((rms < band.low_pu) | (rms > band.high_pu)).any()
