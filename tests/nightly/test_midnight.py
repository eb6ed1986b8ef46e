"""Days and nights: events and incidents across midnight, leap days and clock changes. All stored times are UTC."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_fleet import (
    HALF_CYCLE_S,
    SITE,
    catalogue_bytes,
    cut,
    events_in,
    loaded,
    made_capture,
    ns,
    write_capture,
    write_fleet,
)

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.run import run_nightly

EVE, NEXT = "2026-03-01", "2026-03-02"
# A start found from half-cycle values lies within a cycle of the true one (IEC 61000-4-30, 5.4.2: the start is that
# of a half-cycle value, which looks back over one cycle).
CYCLE_NS = round(2 * HALF_CYCLE_S * 1e9)


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return loaded(write_fleet(tmp_path / "fleet"))


def run(fleet: Fleet, *captures: Capture) -> list[Event]:
    for i, capture in enumerate(captures):
        write_capture(capture, fleet.inbox / SITE / f"{i:02}.parquet")
    run_nightly(fleet)
    return events_in(fleet)


def in_day(fleet: Fleet, day: str) -> list[Event]:
    return events_in(fleet, (SITE, day))


@pytest.mark.slow
@pytest.mark.parametrize("cuts", [(), (5.0,), (4.9,), (5.1,), (1.0, 4.99, 5.3)])
def test_an_event_over_midnight_is_one_event_in_the_day_where_it_starts(fleet: Fleet, cuts: tuple[float, ...]) -> None:
    whole = made_capture(f"{EVE}T23:59:55", seconds=10.0, sags=[(4.5, 1.2, 0.6)])
    (event,) = run(fleet, *cut(whole, *cuts))
    assert in_day(fleet, EVE) == [event]
    assert in_day(fleet, NEXT) == []
    assert abs(event.start - ns(f"{EVE}T23:59:59.5")) <= CYCLE_NS
    assert event.duration_s == pytest.approx(1.2, abs=2 * HALF_CYCLE_S)  # Class A: duration within one cycle
    assert event.magnitude == pytest.approx(0.6, abs=0.002)  # Class A: residual voltage within 0.2 % of Udin
    assert (event.open_start, event.open_end) == (False, False)


@pytest.mark.parametrize("cuts", [(), (5.0,), (6.0,)])
def test_an_event_after_midnight_is_in_the_new_days_catalogue_wherever_its_capture_began(
    fleet: Fleet, cuts: tuple[float, ...]
) -> None:
    whole = made_capture(f"{EVE}T23:59:55", seconds=10.0, sags=[(6.5, 0.3, 0.6)])
    (event,) = run(fleet, *cut(whole, *cuts))
    assert in_day(fleet, EVE) == []
    assert in_day(fleet, NEXT) == [event]


@pytest.mark.slow
@pytest.mark.parametrize("offset_ms", [-31, -13, -7, -3, -1, 0, 1, 2, 5, 11, 17, 29])
def test_an_event_close_to_midnight_is_in_exactly_one_day(fleet: Fleet, offset_ms: float) -> None:
    whole = made_capture(f"{EVE}T23:59:48", seconds=24.0, sags=[(12.0 + offset_ms / 1e3, 0.2, 0.6)])
    events = run(fleet, *cut(whole, 4.0, 8.0, 12.0, 16.0, 20.0))
    assert len(events) == 1
    assert len(in_day(fleet, EVE)) + len(in_day(fleet, NEXT)) == 1


def test_an_event_in_a_gap_of_the_files_is_open_where_the_data_end(fleet: Fleet) -> None:
    whole = made_capture(f"{EVE}T23:59:55", seconds=10.0, sags=[(4.0, 3.0, 0.6)])
    first, _lost, last = cut(whole, 5.0, 6.0)
    events = run(fleet, first, last)
    assert [(event.open_start, event.open_end, event.duration_s) for event in events] == [
        (False, True, None),
        (True, False, None),
    ]


def test_the_missing_file_that_comes_late_makes_two_halves_one_event(fleet: Fleet) -> None:
    whole = made_capture(f"{EVE}T23:59:55", seconds=10.0, sags=[(4.0, 3.0, 0.6)])
    first, lost, last = cut(whole, 5.0, 6.0)
    run(fleet, first, last)
    write_capture(lost, fleet.inbox / SITE / "late.parquet")
    run_nightly(fleet)
    (event,) = events_in(fleet)
    assert event.duration_s == pytest.approx(3.0, abs=2 * HALF_CYCLE_S)
    assert not event.open_start
    assert not event.open_end


@pytest.mark.parametrize(("first", "stop"), [(1.0, 3.0), (6.0, 8.0)])
def test_time_that_could_not_be_judged_is_told_of_the_day_it_lies_in(fleet: Fleet, first: float, stop: float) -> None:
    capture = made_capture(f"{EVE}T23:59:55", seconds=10.0, missing=[(first, stop - first)])
    write_capture(capture, fleet.inbox / SITE / "a.parquet")
    outcomes = {outcome.day.day.isoformat(): outcome for outcome in run_nightly(fleet).days}
    not_judged = {day: outcome.not_judged_s for day, outcome in outcomes.items()}
    expected = {EVE: 0.0, NEXT: 0.0} | {EVE if first < 5 else NEXT: stop - first}
    assert not_judged == pytest.approx(expected, abs=0.1)
    assert sum(outcome.judged_s for outcome in outcomes.values()) == pytest.approx(8.0, abs=0.1)


# --- Leap days and clock changes --------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("start", "day", "zone"),
    [
        ("2024-02-29T12:00:00", "2024-02-29", "UTC"),
        ("2024-02-29T23:59:59.5", "2024-03-01", "UTC"),
        ("2024-12-31T23:59:59.5", "2025-01-01", "Pacific/Auckland"),
        # The EU's clocks change at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC).
        ("2026-03-29T00:59:59", "2026-03-29", "Europe/Lisbon"),
        ("2026-10-25T00:30:00", "2026-10-25", "Europe/Lisbon"),
        ("2026-10-25T01:30:00", "2026-10-25", "Europe/Lisbon"),
        ("2026-03-28T23:30:00", "2026-03-28", "Europe/Madrid"),
    ],
)
def test_an_event_is_at_its_utc_time_in_its_utc_day_whatever_the_sites_clocks_do(
    tmp_path: Path, start: str, day: str, zone: str
) -> None:
    fleet = loaded(write_fleet(tmp_path, site=f'time_zone = "{zone}"'))
    (event,) = run(fleet, made_capture(start, sags=[(0.6, 0.2, 0.5)]))
    assert abs(event.start - (ns(start) + 600_000_000)) <= CYCLE_NS
    assert in_day(fleet, day) == [event]


def test_an_event_over_the_hour_that_a_site_has_twice_has_its_true_length(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path, site='time_zone = "Europe/Lisbon"'))
    (event,) = run(fleet, made_capture("2026-10-25T00:59:58", seconds=5.0, sags=[(1.0, 2.5, 0.7)]))
    assert event.duration_s == pytest.approx(2.5, abs=2 * HALF_CYCLE_S)


def test_a_comtrade_time_in_local_hours_is_stored_in_utc(tmp_path: Path) -> None:
    """A 2013 configuration names the offset of its clock (IEEE C37.111-2013, 7.4.10, from memory)."""
    fleet = loaded(write_fleet(tmp_path, site='time_zone = "Europe/Lisbon"'))
    path = write_capture(made_capture("2026-03-29T00:30:00", sags=[(0.6, 0.2, 0.5)]), fleet.inbox / SITE / "a.cfg")
    text = path.read_bytes().decode()
    assert "\r\n0,0\r\n" in text
    path.write_bytes(text.replace("\r\n0,0\r\n", "\r\n+1,+1\r\n").encode())
    run_nightly(fleet)
    (event,) = events_in(fleet)
    assert abs(event.start - ns("2026-03-28T23:30:00.6")) <= CYCLE_NS
    assert in_day(fleet, "2026-03-28") == [event]


# --- Incidents --------------------------------------------------------------------------------------------------------
# Events that start within 60 s after the first one of an incident belong to it, and those that overlap one of it.


def incidents(events: list[Event]) -> list[int]:
    """Which event, by its place, each one's incident is named after; -1 if it is named after none."""
    ids = [event.event_id for event in events]
    return [ids.index(event.incident_id) if event.incident_id in ids else -1 for event in events]


def sag_at(day: str, clock: str, seconds: float = 0.2) -> Capture:
    return made_capture(f"{day}T{clock}", seconds=seconds + 1.0, sags=[(0.5, seconds, 0.5)])


def test_an_incident_that_spans_midnight_has_one_id(fleet: Fleet) -> None:
    events = run(fleet, sag_at(EVE, "23:59:30"), sag_at(NEXT, "00:00:10"), sag_at(NEXT, "00:00:50"))
    assert incidents(events) == [0, 0, 2]


def test_midnight_makes_no_difference_to_which_events_are_one_incident(tmp_path: Path) -> None:
    """The same events at night and at noon, 50 s apart: the window of an incident does not slide along with them."""
    clocks = {
        "noon": ("11:58:30", "11:59:20", "12:00:10", "12:00:20"),
        "night": ("23:58:30", "23:59:20", "00:00:10", "00:00:20"),
    }
    found = {}
    for name, times in clocks.items():
        fleet = loaded(write_fleet(tmp_path / name))
        captures = [sag_at(NEXT if clock < "01" else EVE, clock) for clock in times]
        found[name] = incidents(run(fleet, *captures))
    assert found["night"] == found["noon"] == [0, 0, 2, 2]


def test_an_event_that_overlaps_one_from_before_midnight_belongs_to_its_incident(tmp_path: Path) -> None:
    config = write_fleet(tmp_path, extra="[thresholds.ieee-1159]\nincident_window_s = 1.0")
    fleet = loaded(config)
    # A sag of 12 s across midnight in one capture, a short one from another recorder of the site in its course.
    long = made_capture(f"{EVE}T23:59:50", seconds=20.0, sags=[(4.0, 12.0, 0.7)], station="one")
    short = made_capture(f"{NEXT}T00:00:02", seconds=3.0, sags=[(1.0, 0.2, 0.5)], station="two")
    assert incidents(run(fleet, long, short)) == [0, 0]


def test_in_a_continuous_record_the_incident_of_the_new_day_is_named_after_the_event_of_the_old(fleet: Fleet) -> None:
    whole = made_capture(f"{EVE}T23:59:10", seconds=80.0, sags=[(8.0, 0.2, 0.5), (30.3, 0.2, 0.5), (57.7, 0.2, 0.5)])
    events = run(fleet, *cut(whole, *range(7, 80, 7)))
    assert len(in_day(fleet, EVE)) == 2
    assert incidents(events) == [0, 0, 0]


@pytest.mark.parametrize("order", ["old day first", "new day first"])
def test_days_that_come_one_by_one_share_their_incident_in_either_order(tmp_path: Path, order: str) -> None:
    old, new = sag_at(EVE, "23:59:30"), sag_at(NEXT, "00:00:10")
    together, apart = (loaded(write_fleet(tmp_path / name)) for name in ("together", "apart"))
    run(together, old, new)
    for i, capture in enumerate([old, new] if order == "old day first" else [new, old]):
        write_capture(capture, apart.inbox / SITE / f"{i}.parquet")
        run_nightly(apart)
    assert incidents(events_in(apart)) == [0, 0]
    assert catalogue_bytes(apart.store) == catalogue_bytes(together.store)


def test_an_incident_that_is_over_before_midnight_leaves_the_new_day_alone(fleet: Fleet) -> None:
    events = run(fleet, sag_at(EVE, "23:58:30"), sag_at(NEXT, "00:00:10"))
    assert incidents(events) == [0, 1]
