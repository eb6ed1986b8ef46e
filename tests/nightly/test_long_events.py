"""An event that lasts for days: one event, in the day where it starts, as long as the data go on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made_fleet import SITE, events_in, loaded, ns, states, write_capture, write_fleet

from pipeline.capture import Capture, Channel, Header
from pipeline.config import Fleet
from pipeline.nightly.run import run_nightly

pytestmark = pytest.mark.slow
RATE_HZ = 400.0  # eight samples a cycle, the fewest there may be: a day has 35 million
HOUR_S = 3600
PIECE_S = 4 * HOUR_S


def piece(start_ns: int, *, live_from_s: int, live_to_s: int) -> Capture:
    """Four hours: a sine of 230 V between two instants, nothing before and after."""
    n = round(PIECE_S * RATE_HZ)
    cycle = np.round(230 * np.sqrt(2) * 10 * np.sin(2 * np.pi * 50 / RATE_HZ * np.arange(8) + 0.3)).astype(np.int16)
    samples = np.zeros((1, n), np.int16)
    first, stop = round(live_from_s * RATE_HZ), round(live_to_s * RATE_HZ)
    samples[0, first:stop] = np.tile(cycle, n // 8)[first:stop]
    channel = Channel("UA", "voltage", "A", "V", scale=0.1)
    return Capture(Header(SITE, start_ns, RATE_HZ, n, (channel,), "int16", 50.0), samples)


def fill(fleet: Fleet) -> list[Path]:
    """Continuous captures from 1 March 22:00 to 3 March 02:00; no voltage from 1 March 23:00 to 3 March 01:00."""
    paths = []
    for k in range(7):
        start_ns = ns("2026-03-01T22:00:00") + k * PIECE_S * 10**9
        live_from_s, live_to_s = {0: (0, HOUR_S), 6: (3 * HOUR_S, PIECE_S)}.get(k, (0, 0))
        capture = piece(start_ns, live_from_s=live_from_s, live_to_s=live_to_s)
        paths.append(write_capture(capture, fleet.inbox / SITE / f"{k}.parquet"))
    return paths


def test_an_interruption_over_two_midnights_is_one_event_and_is_whole_when_its_last_file_has_come(
    tmp_path: Path,
) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet"))
    late = fill(fleet)[-1]
    late.rename(tmp_path / "late.parquet")
    run_nightly(fleet)
    assert {event.open_end for event in events_in(fleet)} == {True}
    (tmp_path / "late.parquet").rename(late)
    run_nightly(fleet)
    assert set(states(fleet).values()) == {"fresh"}
    events = events_in(fleet)
    assert {event.open_end for event in events} == {False}
    interruption = min(events, key=lambda event: event.magnitude)
    assert interruption.magnitude < 0.01
    for event in events:  # the interruption, and the undervoltage that it is the depth of
        assert abs(event.start - ns("2026-03-01T23:00:00")) <= 20_000_000
        assert event.duration_s == pytest.approx(26 * HOUR_S, abs=0.04)
