"""How far recorders' clocks are off, told from what they saw together."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from twins.twin_fleet import twin_fleet

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.incidents.clock_days import NOTE_DRIFT_S_A_DAY, clock_notes, clock_table
from halfcycle.pipeline.incidents.clock_states import clock_states
from halfcycle.pipeline.incidents.fleet import FleetIncidents, fleet_incidents
from halfcycle.pipeline.synthesis.fleet.clocks import ClockMix
from halfcycle.pipeline.synthesis.fleet.drawn import FleetPlan, drawn_fleet
from incidents.made_incidents import DAY_S, FIRST_NS, sag, table_of

RIGHT = ("Abbey", "Brook", "Croft", "Dene")


def fleet_with(offset_s: object, *, n: int = 20, step_s: float = 40_000.0) -> FleetIncidents:
    """Four sites whose clocks are right, and one that is ahead by what a function says at each true time [s]."""
    rng = np.random.default_rng(2)
    events = []
    for k in range(n):
        t, length = 1000.0 + k * step_s, float(rng.uniform(0.06, 0.4))
        events += [sag(site, t + rng.normal(0, 5e-4), length_s=length) for site in RIGHT]
        events.append(sag("Wharf", t + offset_s(t), length_s=length))  # type: ignore[operator]
    return fleet_incidents(table_of(events))


def days_of(found: FleetIncidents, site: str) -> list[dict[str, object]]:
    return [row for row in clock_table(found.clocks, found.sightings.sites).to_pylist() if row["site"] == site]


@pytest.mark.parametrize("ahead_s", [0.0, 0.03, -1.2, 4.0])
def test_a_constant_offset_is_found_and_lies_in_its_interval(ahead_s: float) -> None:
    found = fleet_with(lambda t: ahead_s)
    for row in days_of(found, "Wharf"):
        assert row["offset_s"] == pytest.approx(ahead_s, abs=0.002)
        assert row["offset_low_s"] <= ahead_s <= row["offset_high_s"]
        assert row["zone_s"] == 0


def test_a_drifting_clock_is_followed_and_noted() -> None:
    # 0.1 s a day from -0.5 s on.
    found = fleet_with(lambda t: -0.5 + 0.1 * t / DAY_S)
    rows = days_of(found, "Wharf")
    middle = rows[len(rows) // 2]
    day = (np.datetime64(middle["date"]) - np.datetime64(FIRST_NS, "ns").astype("datetime64[D]")).astype(int)
    assert middle["drift_s_a_day"] == pytest.approx(0.1, abs=0.01)
    assert -0.5 + 0.1 * day <= middle["offset_s"] + 0.01
    assert middle["offset_s"] <= -0.5 + 0.1 * (day + 1) + 0.01
    assert "drifts by 0.1" in clock_notes(found.clocks, found.sightings.sites)["Wharf"]


def test_stated_drifts_hold_the_truth_and_hardly_ever_name_a_clock_that_is_steady() -> None:
    # The truth is the generator's: clocks that wander by 5 ms from day to day, follow satellites, or are off for good.
    mix = ClockMix(zone_share=0.0)
    fleet = drawn_fleet(FleetPlan(n_sites=80, n_areas=4, n_feeders=3, n_days=20, clocks=mix), seed=4)
    clocks = fleet_incidents(fleet.table).clocks
    held = (clocks.drift_low_s_a_day <= 0) & (clocks.drift_high_s_a_day >= 0)
    assert len(held) > 500
    assert held.mean() >= 0.95
    assert np.mean(~held & (np.abs(clocks.drift_s_a_day) > NOTE_DRIFT_S_A_DAY)) <= 0.01


def test_a_clock_that_is_set_between_two_days_has_stepped_and_does_not_drift() -> None:
    # By hand: 0.8 s ahead until the fifth day, right from then on.
    found = fleet_with(lambda t: 0.8 if t < 5 * DAY_S else 0.0)
    states = clock_states(clock_table(found.clocks, found.sightings.sites))
    wharf = states["Wharf"]
    assert wharf.stepped_on is not None
    assert wharf.stepped_on.toordinal() == date(2026, 1, 6).toordinal()
    assert wharf.step_s == pytest.approx(-0.8, abs=0.01)
    assert "jumped 0.800 s back on 2026-01-06" in wharf.findings
    assert not any("drifts" in words for words in wharf.findings)
    assert states["Abbey"].findings == []


@pytest.mark.parametrize("hours", [1.0, -1.0, 5.5, -8.0])
def test_a_clock_in_another_zone_is_told_from_one_that_is_off(hours: float) -> None:
    found = fleet_with(lambda t: hours * 3600 + 0.4)
    rows = days_of(found, "Wharf")
    assert {row["zone_s"] for row in rows} == {hours * 3600}
    assert rows[0]["offset_s"] == pytest.approx(0.4, abs=0.002)
    assert found.n == 20
    assert "time zone" in clock_notes(found.clocks, found.sightings.sites)["Wharf"]


def test_summer_time_that_a_recorder_keeps_to_begins_on_its_day() -> None:
    found = fleet_with(lambda t: 3600.0 if t > 5 * DAY_S else 0.0, step_s=20_000.0, n=44)
    zones = [row["zone_s"] for row in days_of(found, "Wharf")]
    assert zones[:4] == [0.0] * 4
    assert zones[-4:] == [3600.0] * 4


def test_clocks_that_are_right_are_not_noted() -> None:
    found = fleet_with(lambda t: 0.004)
    assert clock_notes(found.clocks, found.sightings.sites) == {}


def test_stated_intervals_of_the_twin_fleet_hold() -> None:
    # Derived: of some 200 intervals of 95 % at least 90 % hold the truth; the median error is far below 5 ms.
    fleet = twin_fleet(8, n_stations=5, n_behind=3, n_days=10, n_faults=120)
    events = [Event(**row) for row in fleet.rows]  # type: ignore[arg-type]
    found = fleet_incidents(table_of(events))
    true: dict[tuple[str, int], list[float]] = {}
    for event, offset in zip(events, fleet.offset_of_row, strict=True):
        true.setdefault((event.site, event.start // (DAY_S * 10**9)), []).append(offset)
    clocks = found.clocks
    errors, held = [], []
    for k in range(len(clocks.site)):
        offset = float(np.mean(true[found.sightings.sites[clocks.site[k]], int(clocks.day[k])])) - clocks.zone_s[k]
        errors.append(abs(clocks.offset_s[k] - offset))
        held.append(clocks.low_s[k] <= offset <= clocks.high_s[k])
    assert np.median(errors) < 0.002
    assert np.mean(held) >= 0.9
