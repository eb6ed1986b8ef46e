"""Transients from samples to rows: found where they are, and none where a record has only sags, steps or nothing."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.synthesis import (
    Harmonic,
    Impulse,
    Quantisation,
    Stage,
    Synthesis,
    Transient,
    Waveform,
    synthesise,
)

SOURCE = "derived: the exact truth of the synthesised waveform"
START_NS = 1_772_409_600_000_000_000
STEADY = {
    "hookup": "four-wire", "nominal_voltage_v": 230.0, "nominal_frequency_hz": 50.0, "rate_hz": 12_800.0,
    "duration_s": 6.0, "frequency_hz": 50.4, "snr_db": 45.0,
    "harmonics": (Harmonic(order=5, magnitude_pu=0.05), Harmonic(order=7, magnitude_pu=0.03)),
    "quantisation": Quantisation(bits=16, voltage_range_pu=2.0),
}  # fmt: skip


def transients_of(made: Synthesis, cut_at: tuple[int, ...] = ()) -> list[Event]:
    """Transients in the capture, or in the captures that it is cut into."""
    from dataclasses import replace

    header, samples = made.capture.header, made.capture.samples
    pieces = []
    for a, b in zip((0, *cut_at), (*cut_at, header.n_samples), strict=True):
        part = Capture(replace(header, start_ns=header.time_ns(a), n_samples=b - a), samples[:, a:b].copy())
        pieces.append(Piece(part.header, lambda part=part: part, lambda: "d"))
    (record,) = records_of(pieces)
    terms = Terms(Thresholds(), 230.0, 50.0, "four-wire", choose({"transient": {}}))
    return [event for event in judge(record, site="s", terms=terms).events if "transient" in event.kind]


@pytest.mark.slow
@pytest.mark.parametrize("cut_at", [(), (38_405, 38_600, 60_000)])
def test_an_oscillation_is_one_row_with_its_frequency_peak_and_start(cut_at: tuple[int, ...]) -> None:
    ring = Transient(start_s=3.0007, magnitudes_pu=(0.5, 0.25, 0.25), frequency_hz=720.0, decay_s=0.004)
    made = synthesise(Waveform(**STEADY, transients=(ring,)), start_ns=START_NS, seed=3)
    (event,) = transients_of(made, cut_at)
    assert (event.kind, event.category) == ("oscillatory_transient", "low-frequency oscillatory transient")
    assert event.oscillation_hz == pytest.approx(720.0, rel=0.02)
    turn = np.arctan(2 * np.pi * 720.0 * 0.004)  # where exp(-t / decay) * sin(2 pi f t) is largest
    peak = 0.5 * np.exp(-turn / (2 * np.pi * 720.0 * 0.004)) * np.sin(turn)
    assert event.magnitude == pytest.approx(peak, rel=0.05)
    assert (event.start - START_NS) / 1e9 == pytest.approx(3.0007, abs=3 / 12_800)
    assert event.phases == "ABC"


def test_two_impulses_half_a_second_apart_are_two_rows_of_one_kind() -> None:
    impulses = tuple(
        Impulse(start_s=start, peaks_pu=(0.8, 0.0, 0.0), rise_s=0.0002, decay_s=0.0008) for start in (2.0, 2.5)
    )
    made = synthesise(Waveform(**STEADY, impulses=impulses), start_ns=START_NS, seed=4)
    events = transients_of(made)
    assert [event.kind for event in events] == ["impulsive_transient"] * 2
    assert np.diff([event.start for event in events])[0] / 1e9 == pytest.approx(0.5, abs=0.001)
    assert all(event.phases == "A" for event in events)


@pytest.mark.parametrize(
    "stages",
    [
        (),
        (Stage(start_s=2.003, duration_s=0.2, residual_pu=(0.5, 1.0, 1.0)),),
        (Stage(start_s=2.011, duration_s=0.4, residual_pu=(0.3, 0.4, 0.9), phase_jump_deg=(-25.0, 10.0, 0.0)),),
        (Stage(start_s=2.0, duration_s=1.0, residual_pu=(0.0, 0.0, 0.0)),),
    ],
    ids=["steady", "one phase", "with phase jumps", "interruption"],
)
def test_neither_steady_distortion_nor_the_edges_of_a_sag_are_transients(stages: tuple[Stage, ...]) -> None:
    made = synthesise(Waveform(**STEADY, stages=stages), start_ns=START_NS, seed=5)
    assert transients_of(made) == []
