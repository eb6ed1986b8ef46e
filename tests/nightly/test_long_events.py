"""An event that lasts for days: one event, in the day where it starts, as long as the data go on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made_fleet import SITE, catalogue_bytes, events_in, loaded, ns, states, write_capture, write_fleet

from pipeline.capture import Capture, Channel, Header
from pipeline.config import Fleet
from pipeline.nightly.run import run_nightly

pytestmark = pytest.mark.slow
RATE_HZ = 400.0  # eight samples a cycle: three days are a hundred million
HOUR_S = 3600


def six_hours(start_ns: int, *, live_from_s: int = 0, live_to_s: int = 6 * HOUR_S) -> Capture:
    """A sine of 230 V between two instants, nothing before and after."""
    n = round(6 * HOUR_S * RATE_HZ)
    cycle = np.round(230 * np.sqrt(2) * 10 * np.sin(2 * np.pi * 50 / RATE_HZ * np.arange(8) + 0.3)).astype(np.int16)
    samples = np.zeros((1, n), np.int16)
    first, stop = round(live_from_s * RATE_HZ), round(live_to_s * RATE_HZ)
    samples[0, first:stop] = np.tile(cycle, -(-n // 8))[first:stop]
    channel = Channel("UA", "voltage", "A", "V", scale=0.1)
    return Capture(Header(SITE, start_ns, RATE_HZ, n, (channel,), "int16", 50.0), samples)


def fill(fleet: Fleet) -> list[Path]:
    """Continuous captures from 1 March 18:00 to 4 March 12:00; no voltage from 1 March 23:00 to 4 March 07:00."""
    paths = []
    for k in range(11):
        start = ns("2026-03-01T18:00:00") + k * 6 * HOUR_S * 10**9
        live = {0: (0, 5 * HOUR_S), 10: (1 * HOUR_S, 6 * HOUR_S)}.get(k, (0, 0))
        capture = six_hours(start, live_from_s=live[0], live_to_s=live[1])
        paths.append(write_capture(capture, fleet.inbox / SITE / f"{k:02}.parquet"))
    return paths


def test_an_interruption_of_days_is_one_event_whichever_file_comes_late(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet"))
    paths = fill(fleet)
    last = paths[-1].rename(tmp_path / "late.parquet")
    run_nightly(fleet)
    first_state = events_in(fleet)
    assert {event.open_end for event in first_state} == {True}
    last.rename(paths[-1])
    run_nightly(fleet)
    events = events_in(fleet)
    assert set(states(fleet).values()) == {"fresh"}
    (interruption,) = [event for event in events if event.kind != "sag" and event.magnitude < 0.1 and not event.part_of]
    assert {event.open_end for event in events} == {False}
    assert abs(interruption.start - ns("2026-03-01T23:00:00")) <= 20_000_000
    assert interruption.duration_s == pytest.approx(56 * HOUR_S, abs=0.04)
    assert all(event.start < ns("2026-03-02T00:00:00") for event in events)

    at_once = loaded(write_fleet(tmp_path / "at once"))
    fill(at_once)
    run_nightly(at_once)
    assert catalogue_bytes(at_once.store) == catalogue_bytes(fleet.store)
