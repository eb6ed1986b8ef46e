"""The status of a fleet: what was last seen and judged, whose recorder went silent, whose clock is off or drifts."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_fleet import digests, loaded, made_capture, write_capture, write_fleet
from scipy.stats import betabinom

from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.nightly.status import FleetStatus, fleet_status, silence_probability

FIRST = date(2026, 3, 1)
SITES = ("Ferry Lane", "Quarry Road", "Tram Depot", "Weir Bridge", "Mill Street")


def day(n: int) -> date:
    return FIRST + timedelta(days=n)


def at(n: int, hour: int, ahead_s: float = 0.0) -> str:
    moment = datetime(FIRST.year, FIRST.month, FIRST.day, hour, tzinfo=UTC) + timedelta(days=n, seconds=ahead_s)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f")


def findings(status: FleetStatus, site: str, what: str) -> list[str]:
    return [one.words for one in status.findings if (one.site, one.what) == (site, what)]


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight days of five sites with a sag each: one drifts by 0.1 s a day, one is an hour ahead, one ends early."""
    root = tmp_path_factory.mktemp("fleet")
    config = write_fleet(root, sites=(*SITES, "Not Built"), extra="[incidents]\n")
    rng = np.random.default_rng(3)
    for n in range(8):
        length_s = float(rng.uniform(0.08, 0.4))
        for k, site in enumerate(SITES[1:] if n > 4 else SITES):
            ahead_s = {"Tram Depot": 0.1 * (n + 0.5), "Weir Bridge": 3600.0}.get(site, 0.0)
            capture = made_capture(at(n, 12, ahead_s), sags=[(0.3, length_s, 0.4 + 0.08 * k)], seed=n)
            write_capture(capture, root / "inbox" / site / f"{n}.csv")
    run_nightly(loaded(config))
    return config


@pytest.mark.slow
def test_a_recorder_that_drifts_is_a_finding_with_its_interval(config: Path) -> None:
    # By hand: 0.1 s a day.
    status = fleet_status(loaded(config), day(7))
    site = {one.site: one for one in status.sites}["Tram Depot"]
    assert site.clock is not None
    value, low, high = site.clock.drift_s_a_day
    assert value == pytest.approx(0.1, abs=0.01)
    assert 0 < low <= 0.1 <= high
    assert any("drifts by 0.10" in words for words in findings(status, "Tram Depot", "clock"))
    assert findings(status, "Quarry Road", "clock") == []


def test_a_recorder_in_another_time_zone_is_a_finding(config: Path) -> None:
    status = fleet_status(loaded(config), day(7))
    assert findings(status, "Weir Bridge", "clock") == [f"1 h ahead: a time zone (as of {day(7)})"]


def test_a_recorder_that_is_silent_against_its_own_past_is_a_finding(config: Path) -> None:
    # By hand: captures on each of five days, then none; the others go on.
    fleet = loaded(config)
    assert findings(fleet_status(fleet, day(6)), "Ferry Lane", "silent") == []
    said = findings(fleet_status(fleet, day(9)), "Ferry Lane", "silent")
    assert said == [f"no capture for 4 days since {day(4)}; the longest silence before was 0 days"]
    assert findings(fleet_status(fleet, day(8)), "Quarry Road", "silent") == []


def test_a_site_that_never_had_a_capture_is_named_and_last_days_are_told(config: Path) -> None:
    status = fleet_status(loaded(config), day(7))
    by_name = {one.site: one for one in status.sites}
    assert [name for name, one in by_name.items() if findings(status, name, "no capture")] == ["Not Built"]
    assert (by_name["Quarry Road"].last_capture, by_name["Quarry Road"].last_judged) == (day(7), day(7))
    assert by_name["Ferry Lane"].last_capture == day(4)
    assert by_name["Quarry Road"].days == 8
    assert by_name["Not Built"].clock is None


def test_the_status_of_a_past_day_knows_nothing_of_what_came_after(config: Path) -> None:
    by_name = {one.site: one for one in fleet_status(loaded(config), day(3)).sites}
    assert by_name["Quarry Road"].last_capture == day(3)
    assert by_name["Quarry Road"].last_judged == day(3)
    assert by_name["Tram Depot"].clock is not None
    assert by_name["Tram Depot"].clock.day == day(3)


def test_a_status_only_reads(config: Path) -> None:
    before = digests(config.parent)
    fleet_status(loaded(config), day(7))
    assert digests(config.parent) == before


def test_what_is_set_aside_waits_or_is_to_be_judged_is_counted(tmp_path: Path) -> None:
    config = write_fleet(tmp_path, sites=SITES[:2])
    (tmp_path / "inbox" / SITES[0]).mkdir()
    (tmp_path / "inbox" / SITES[0] / "bad.csv").write_text("no,such\nwave,form\n")
    write_capture(made_capture(at(0, 6)), tmp_path / "inbox" / "nobody.csv")
    run_nightly(loaded(config))
    write_capture(made_capture(at(0, 6)), tmp_path / "inbox" / SITES[1] / "a.csv")
    run_nightly(loaded(config), catalogue=False)
    write_capture(made_capture(at(1, 6)), tmp_path / "inbox" / SITES[1] / "b.csv")
    status = fleet_status(loaded(config), day(1))
    assert [one.set_aside for one in status.sites] == [1, 0]
    assert status.set_aside_elsewhere == 1
    assert status.inbox == 1
    assert [one.to_judge for one in status.sites] == [0, 1]
    assert findings(status, SITES[1], "not judged")
    assert not status.has_clocks


@pytest.mark.parametrize(("n", "span", "silent"), [(30, 30, 2), (10, 30, 15), (3, 90, 40), (5, 5, 0)])
def test_the_probability_of_a_silence_is_that_of_a_beta_binomial(n: int, span: int, silent: int) -> None:
    # Source: SciPy's beta-binomial distribution at none of the days; Jeffreys' prior is beta(1/2, 1/2).
    days = sorted({day(round(k * (span - 1) / (n - 1))) for k in range(n)})
    expected = float(betabinom.pmf(0, silent, n + 0.5, span - n + 0.5))
    assert silence_probability(days, silent) == pytest.approx(expected, rel=1e-9)


def test_two_days_with_captures_are_no_past() -> None:
    assert silence_probability([day(0), day(1)], 100) is None
