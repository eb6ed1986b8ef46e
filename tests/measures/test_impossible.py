"""Samples that no channel can have measured, and the rare but real ones that stay."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.measures.impossible import bridged
from halfcycle.pipeline.measures.quality import MISSING, missing_samples, sample_flags, without_missing

SOURCE = "the project's own design: impossible samples are marked and excluded before anything is summed"
CYCLE = 64
VOLTAGE = Channel("U", "voltage", "A", "V")
SINE = (325 * np.sin(2 * np.pi * np.arange(40 * CYCLE) / CYCLE + 0.3)).astype(np.float32)


def missing(raw: Any, channel: Channel = VOLTAGE) -> list[int]:
    mask = missing_samples(raw, channel, samples_per_cycle=CYCLE)
    return [] if mask is None else np.flatnonzero(mask).tolist()


@pytest.mark.parametrize("value", [1e4, -1e6, 1e12])
@pytest.mark.parametrize("width", [1, 3, 6])
def test_spikes_far_beyond_the_voltage_around_them_are_missing(value: float, width: int) -> None:
    # SOURCE.
    raw = SINE.copy()
    raw[1000 : 1000 + width] = value
    assert missing(raw) == list(range(1000, 1000 + width))
    flags = sample_flags(raw, VOLTAGE, samples_per_cycle=CYCLE)
    assert flags is not None
    assert (flags[1000 : 1000 + width] == MISSING).all()


@pytest.mark.parametrize("at", [1000, 1018, 1030])
def test_bursts_of_half_a_cycle_of_the_absurd_are_missing(at: int) -> None:
    # SOURCE. Whatever way the burst lies in the cycles that are told apart.
    raw = SINE.copy()
    raw[at : at + CYCLE // 2] = 1e6
    assert missing(raw) == list(range(at, at + CYCLE // 2))


def test_integers_are_judged_like_floats() -> None:
    # SOURCE.
    raw = np.rint(SINE).astype(np.int32)
    raw[500] = 2_000_000
    assert missing(raw) == [500]


def test_what_lies_beyond_all_physics_is_missing_however_long_it_lasts() -> None:
    # SOURCE: no voltage reaches 100 MV, no current 10 MA.
    raw = SINE.copy()
    raw[640:1280] = 2e8
    assert missing(raw) == list(range(640, 1280))
    assert missing(raw / 10, Channel("I", "current", "A", "A")) == list(range(640, 1280))


def test_rare_but_real_samples_stay() -> None:
    # Common practice, no source: impulses of ten times the peak, a bus that is energised, a fault current.
    impulse = SINE.copy()
    impulse[1000:1003] += 3250
    energised = np.where(np.arange(SINE.size) < 900, np.float32(0.05) * SINE / 325, SINE)
    fault = np.where((np.arange(SINE.size) > 900) & (np.arange(SINE.size) < 932), SINE, SINE / 30000)
    assert missing(impulse) == []
    assert missing(energised) == []
    assert missing(fault, Channel("I", "current", "A", "A")) == []
    assert missing(np.zeros(640, np.float32)) == []


def test_short_gaps_are_bridged_and_long_ones_are_zero() -> None:
    # Derived: a straight line between its neighbours is right for a straight line.
    raw = np.arange(200, dtype=np.int16)
    gaps = np.zeros(200, np.bool_)
    gaps[[50, 51, 80]] = gaps[100:140] = gaps[0] = gaps[199] = True
    found = bridged(np.where(gaps, 9999, raw).astype(np.int16), gaps, zero=0, samples_per_cycle=CYCLE)
    assert found[[50, 51, 80]].tolist() == [50, 51, 80]
    assert not found[100:140].any()
    assert found[0] == found[199] == 0
    np.testing.assert_array_equal(found[~gaps], raw[~gaps])


def test_a_block_without_gaps_is_given_back_as_it_is() -> None:
    # SOURCE: the usual record costs no copy.
    block = np.stack([SINE, SINE])
    assert without_missing(block, [VOLTAGE, VOLTAGE], samples_per_cycle=CYCLE) is block
