"""Settings of a site that change at a date: each day is judged by those of its own, and only days they concern anew."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    cut,
    events_in,
    loaded,
    made_capture,
    states,
    write_capture,
    write_fleet,
)

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet, load_sites
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.store.partitions import day_of

BEFORE, AFTER = "2026-03-01", "2026-03-02"
RATIO = f"[[sites.changes]]\nvalid_from = {AFTER}\nvoltage_ratio = 2.0\n"


def put(fleet: Fleet, capture: Capture, name: str) -> None:
    write_capture(capture, fleet.inbox / SITE / name)


def with_sag(day: str, volts: float) -> Capture:
    return made_capture(f"{day}T12:00:00", volts=volts, sags=[(0.5, 0.2, 0.5)])


def test_each_day_is_judged_with_the_ratio_it_has(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path, site=RATIO))
    put(fleet, with_sag(BEFORE, 230.0), "a.csv")
    put(fleet, with_sag(AFTER, 115.0), "b.csv")  # the transducer was replaced: the files hold half the volts
    run_nightly(fleet)
    found = events_in(fleet)
    assert [event.kind for event in found] == ["sag", "sag"]
    assert [event.magnitude for event in found] == pytest.approx([0.5, 0.5], abs=0.005)


def test_a_change_makes_anew_the_days_from_its_date_on_and_no_others(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path))
    put(fleet, with_sag(BEFORE, 230.0), "a.csv")
    put(fleet, with_sag(AFTER, 230.0), "b.csv")
    run_nightly(fleet)
    changed = loaded(write_fleet(tmp_path, site=f'[[sites.changes]]\nvalid_from = {AFTER}\nthresholds = "low"\n',
                                 extra="[thresholds.low]\nsag_pu = 0.45\n"))  # fmt: skip
    assert states(changed) == {BEFORE: "fresh", AFTER: "stale"}
    run_nightly(changed)
    assert [day_of(event.start).isoformat() for event in events_in(changed)] == [BEFORE]


def test_a_record_over_midnight_is_read_with_the_ratio_of_each_of_its_captures(tmp_path: Path) -> None:
    """The same volts in all: what is stored of them doubles with the ratio's half, so no event comes of the change."""
    first, _ = cut(made_capture(f"{BEFORE}T23:59:58", seconds=4.0), 2.0)
    _, second = cut(made_capture(f"{BEFORE}T23:59:58", seconds=4.0, volts=115.0), 2.0)
    fleet = loaded(write_fleet(tmp_path, site=RATIO))
    for i, capture in enumerate((first, second)):
        put(fleet, capture, f"{i}.csv")
    run_nightly(fleet)
    assert events_in(fleet) == []


def test_a_change_to_come_changes_nothing(tmp_path: Path) -> None:
    plain, changing = (loaded(write_fleet(tmp_path / n, site=site)) for n, site in (("a", ""), ("b", RATIO)))
    for fleet in (plain, changing):
        put(fleet, with_sag(BEFORE, 230.0), "a.csv")
        run_nightly(fleet)
    assert catalogue_bytes(plain.store) == catalogue_bytes(changing.store)


@pytest.mark.parametrize(
    ("site", "words"),
    [
        (f"{RATIO}{RATIO}", "two have the same valid_from"),
        ('[[sites.changes]]\nvalid_from = 2026-03-02\nthresholds = "none such"\n', "none such"),
        ("[[sites.changes]]\nvoltage_ratio = 2.0\n", "valid_from"),
        ("[[sites.changes]]\nvalid_from = 2026-03-02\nstations = []\n", "stations"),
    ],
)
def test_a_change_that_says_nothing_clear_is_refused(tmp_path: Path, site: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        loaded(write_fleet(tmp_path, site=site))


def test_a_table_for_screening_takes_changes_of_ratios_and_channels_alone(tmp_path: Path) -> None:
    path = write_fleet(tmp_path, site=RATIO)
    assert load_sites(path)[0].changes[0].voltage_ratio == 2.0
    path = write_fleet(tmp_path, site=f"[[sites.changes]]\nvalid_from = {AFTER}\nnominal_voltage_v = 400.0\n")
    with pytest.raises(ConfigError, match="nominal_voltage_v applies only to the nightly runs of a fleet"):
        load_sites(path)
