"""Captures whose stamps do not quite meet: joined where the waveform runs on, and only there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.records.seams import runs_on

SOURCE = "derived: over a seam without a gap the phase of a sine goes on; a gap of t moves it by 2 pi f t"
T0 = 1_772_323_200_000_000_000
RATE_HZ = 3200.0
CHANNELS = tuple(Channel(f"U{p}", "voltage", p, "V", 0.02) for p in "ABC")
N = 1600


def capture(
    begins_s: float,
    *,
    stamped_s: float | None = None,
    hertz: float = 50.0,
    source: str = "a",
    noise: float = 0.0,
    level: float = 1.0,
    step_rad: float = 0.0,
) -> Capture:
    """Half a second of three-phase voltage of which sample 0 is taken at one time and stamped with another."""
    t = begins_s + np.arange(N) / RATE_HZ
    rng = np.random.default_rng(3)
    volts = np.stack([np.sin(2 * np.pi * (hertz * t - k / 3) + step_rad) for k in range(3)]) * 325 * level
    samples = np.rint((volts + rng.normal(0, 1, volts.shape) * noise) / 0.02).astype(np.int16)
    start_ns = T0 + round((begins_s if stamped_s is None else stamped_s) * 1e9)
    return Capture(Header("S", start_ns, RATE_HZ, N, CHANNELS, "int16", source=source), samples)


def n_records(*captures: Capture) -> int:
    return len(records_of([Piece(one.header, lambda one=one: one, one.digest) for one in captures]))  # type: ignore[misc]


@pytest.mark.parametrize("off_s", [-9e-3, -2e-3, -4e-4, 4e-4, 1e-3, 5e-3, 9.9e-3])
@pytest.mark.parametrize("hertz", [49.6, 50.0, 50.4, 60.0])
@pytest.mark.parametrize("noise", [0.0, 5.0])
def test_a_clock_that_is_off_by_less_than_10_ms_does_not_part_what_runs_on(
    off_s: float, hertz: float, noise: float
) -> None:
    # SOURCE.
    first = capture(0.0, hertz=hertz, noise=noise)
    second = capture(0.5, stamped_s=0.5 + off_s, hertz=hertz, noise=noise, source="b")
    assert n_records(first, second) == 1


@pytest.mark.parametrize("gap_s", [4e-4, 1e-3, 5e-3, 9.9e-3, 0.02, 0.1])
@pytest.mark.parametrize("hertz", [49.6, 50.0, 60.0])
def test_a_real_gap_is_never_bridged(gap_s: float, hertz: float) -> None:
    # SOURCE; a gap of a whole cycle is too long to be the clock's.
    assert n_records(capture(0.0, hertz=hertz), capture(0.5 + gap_s, hertz=hertz, source="b")) == 2


@pytest.mark.parametrize("off_s", [0.0101, 0.02, 0.5])
def test_stamps_that_are_further_off_are_believed(off_s: float) -> None:
    assert n_records(capture(0.0), capture(0.5, stamped_s=0.5 + off_s, source="b")) == 2


def test_captures_of_one_file_are_stamped_by_one_clock_and_their_gaps_believed() -> None:
    assert n_records(capture(0.0), capture(0.5, stamped_s=0.503)) == 2


def test_a_seam_within_a_sag_is_joined_and_one_at_a_jump_of_phase_is_not() -> None:
    first, second = capture(0.0, level=0.5), capture(0.5, stamped_s=0.503, source="b", level=0.4)
    assert n_records(first, second) == 1
    assert n_records(first, capture(0.5, stamped_s=0.503, source="b", step_rad=0.5)) == 2


def test_without_a_voltage_or_a_sine_there_is_no_evidence() -> None:
    first, second = capture(0.0), capture(0.5, stamped_s=0.503, source="b")
    assert runs_on(first, second)
    for channels in (tuple(replace(c, quantity="current") for c in CHANNELS), ()):
        assert not runs_on(*(replaced(one, one.samples[: len(channels)], channels=channels) for one in (first, second)))
    noise = np.random.default_rng(1).integers(-9000, 9000, (2, 3, N), dtype=np.int16)
    assert not runs_on(replaced(first, noise[0]), replaced(second, noise[1]))
    assert not runs_on(replaced(first, first.samples[:, :70], n_samples=70), second)


def replaced(one: Capture, samples: np.ndarray, **more: object) -> Capture:
    return Capture(replace(one.header, **more), np.ascontiguousarray(samples))  # type: ignore[arg-type]


def test_missing_samples_near_a_seam_do_not_hide_it() -> None:
    first, second = capture(0.0), capture(0.5, stamped_s=0.503, source="b")
    channels = tuple(replace(c, missing_code=-32768) for c in CHANNELS)
    holed = first.samples.copy()
    holed[1, -20:-10] = -32768
    assert runs_on(replaced(first, holed, channels=channels), replaced(second, second.samples, channels=channels))
