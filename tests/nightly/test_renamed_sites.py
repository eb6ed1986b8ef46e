"""A site that is renamed keeps its history: the store is as if it always had the new name."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import catalogue_bytes, digests, events_in, loaded, made_capture, states, write_capture, write_fleet

from halfcycle.pipeline.cli.fleet_commands import report
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import events_of
from halfcycle.pipeline.nightly.day_states import look_at_days
from halfcycle.pipeline.nightly.renamed import names_unknown
from halfcycle.pipeline.nightly.retention import remove_expired
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle, update_days
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.spread import in_this_process

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: a night of the new name over the same files makes the same bytes"
OLD, NEW = "Old Mill", "Mill Lane"
DAY = date(2026, 3, 1)
SURVEY = '[survey]\ninterval_s = 1\nquantities = ["u_rms"]\nlimits = "en-50160-lv"\n'
RETENTION = "[retention]\nevent_waveforms_days = 10\n"


def put(fleet: Fleet, site: str, day: date = DAY, seed: int = 1) -> None:
    # Two sags within a minute are one incident; a third runs on over midnight.
    sags = [(0.5, 0.2, 0.5), (1.0, 0.2, 0.6)]
    write_capture(made_capture(f"{day}T12:00:00", sags=sags, seed=seed), fleet.inbox / site / f"{day} {seed}.csv")
    night = made_capture(f"{day}T23:59:58", seconds=4.0, sags=[(1.5, 1.0, 0.7)], seed=seed)
    write_capture(night, fleet.inbox / site / f"{day} {seed} night.csv")


def renamed(root: Path, extra: str = SURVEY) -> Fleet:
    return loaded(write_fleet(root, sites=[NEW], site=f'formerly = ["{OLD}"]\n', extra=extra))


def from_scratch(root: Path, extra: str = SURVEY) -> Fleet:
    fleet = loaded(write_fleet(root, sites=[NEW], extra=extra))
    put(fleet, NEW)
    run_nightly(fleet)
    return fleet


def test_a_renamed_sites_store_is_that_of_the_new_name_from_scratch(tmp_path: Path) -> None:
    before = loaded(write_fleet(tmp_path / "a", sites=[OLD], extra=SURVEY))
    put(before, OLD)
    run_nightly(before)
    fleet, expected = renamed(tmp_path / "a"), from_scratch(tmp_path / "b")
    assert summary_if_idle(fleet) is None
    run_nightly(fleet)
    for kind in ("waveforms", "catalogue", "trends", "verdicts"):
        assert digests(fleet.store / kind) == digests(expected.store / kind), kind
    assert summary_if_idle(fleet) is not None
    assert verify(fleet, in_this_process) == []


def test_no_day_is_judged_again_for_a_new_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = loaded(write_fleet(tmp_path, sites=[OLD], extra=""))
    put(before, OLD)
    run_nightly(before)
    summary = run_nightly(renamed(tmp_path, ""))
    assert summary.days == ()
    assert report(summary, nothing="nothing to judge") == 0
    assert f"the data stored for {OLD} now belong to {NEW}" in capsys.readouterr().out


def test_days_whose_waveforms_are_gone_take_the_new_name_too(tmp_path: Path) -> None:
    before = loaded(write_fleet(tmp_path / "a", sites=[OLD], extra=SURVEY + RETENTION))
    put(before, OLD)
    run_nightly(before.model_copy(update={"retention": None}))
    removed = remove_expired(before, look_at_days(before), DAY + timedelta(days=100))
    assert removed is not None
    assert removed.captures == 2
    fleet, expected = renamed(tmp_path / "a"), from_scratch(tmp_path / "b")
    run_nightly(fleet)
    assert catalogue_bytes(fleet.store) == catalogue_bytes(expected.store)
    (path, other) = ((one.store / "verdicts").rglob("verdicts.parquet") for one in (fleet, expected))
    tables = [pq.read_table(next(p), partitioning=None).to_pylist() for p in (path, other)]
    assert tables[0] == tables[1]
    assert set(states(fleet).values()) == {"frozen"}


def test_a_day_that_came_under_both_names_holds_the_events_of_both(tmp_path: Path) -> None:
    both = loaded(write_fleet(tmp_path, sites=[OLD, NEW], extra=RETENTION))
    put(both, OLD, seed=1)
    write_capture(made_capture(f"{DAY}T15:00:00", sags=[(0.5, 0.2, 0.4)]), both.inbox / NEW / "b.csv")
    run_nightly(both.model_copy(update={"retention": None}))
    n = len(events_in(both))
    assert n == 4
    for path in (both.store / "waveforms" / f"site={OLD}").rglob("*.parquet"):
        path.unlink()  # of these nothing can be made again
    fleet = renamed(tmp_path, "")
    run_nightly(fleet)
    assert len(events_in(fleet)) == n
    assert {event.site for event in events_in(fleet)} == {NEW}
    run_nightly(fleet)
    assert len(events_in(fleet)) == n


def test_a_damaged_catalogue_stays_under_the_old_name_and_is_named(tmp_path: Path) -> None:
    before = loaded(write_fleet(tmp_path, sites=[OLD]))
    put(before, OLD)
    run_nightly(before)
    paths = sorted((before.store / "catalogue").rglob("*.parquet"))
    paths[0].write_bytes(b"PAR1")
    fleet = renamed(tmp_path, "")
    summary = run_nightly(fleet)
    assert not summary.is_whole
    assert any(str(paths[0]) in words for words in summary.unreadable)
    assert len(events_in(fleet)) == 3  # its waveforms are there: the day was judged anew


def test_reading_a_catalogue_brings_the_former_name_along(tmp_path: Path) -> None:
    before = loaded(write_fleet(tmp_path, sites=[OLD]))
    put(before, OLD)
    run_nightly(before)
    fleet = renamed(tmp_path, "")
    update_days(fleet, sites=[NEW], first=None, last=None, rebuild=False)
    (path, *_) = sorted((fleet.store / "catalogue").rglob("*.parquet"))
    assert {event.site for event in events_of(pq.read_table(path, partitioning=None))} == {NEW}


def test_a_name_that_no_site_has_or_had_is_known_as_such(tmp_path: Path) -> None:
    before = loaded(write_fleet(tmp_path, sites=[OLD]))
    put(before, OLD)
    run_nightly(before)
    assert names_unknown(loaded(write_fleet(tmp_path, sites=[NEW]))) == [OLD]
    assert names_unknown(renamed(tmp_path)) == []


def test_a_former_name_belongs_to_one_site(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="belongs to both"):
        loaded(write_fleet(tmp_path, sites=[OLD, NEW], site=f'formerly = ["{OLD}"]\n'))
