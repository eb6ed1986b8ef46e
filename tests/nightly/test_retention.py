"""What is past its age is removed, once all that is made of it is there, and nothing else."""

from __future__ import annotations

import os
from datetime import date, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    digests,
    events_in,
    loaded,
    made_capture,
    states,
    write_capture,
    write_fleet,
)

from halfcycle.pipeline.cli.fleet_commands import report
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.nightly.day_states import look_at_days
from halfcycle.pipeline.nightly.retention import has_expired, remove_expired
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.partitions import Store

SOURCE = "the project's own design: ages count in UTC days from the day of a capture"
EVENTFUL, CALM = date(2026, 3, 1), date(2026, 3, 5)
SURVEY = '[survey]\ninterval_s = 1\nquantities = ["u_rms"]\nlimits = "en-50160-lv"\n'


def fleet_with_two_days(root: Path, retention: str, extra: str = "") -> Fleet:
    """A night's work done: a day with a sag, and one without."""
    fleet = loaded(write_fleet(root, extra=f"[retention]\n{retention}\n{extra}"))
    write_capture(made_capture(f"{EVENTFUL}T12:00:00", sags=[(0.5, 0.2, 0.5)]), fleet.inbox / SITE / "a.csv")
    write_capture(made_capture(f"{CALM}T12:00:00"), fleet.inbox / SITE / "b.csv")
    kept = fleet.model_copy(update={"retention": None})
    run_nightly(kept)
    return fleet


def remove(fleet: Fleet, today: date) -> tuple[int, int, int, int]:
    done = remove_expired(fleet, look_at_days(fleet), today)
    assert done is not None
    assert done.failed == ()
    return done.captures, done.trends, done.catalogues, done.originals


def held(fleet: Fleet) -> list[date]:
    return [day for day in Store(fleet.store).days(SITE) if Store(fleet.store).captures(SITE, day)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("retention", "left"),
    [
        ("calm_waveforms_days = 10", [EVENTFUL]),
        ("event_waveforms_days = 10", [CALM]),
        ("event_waveforms_days = 10\ncalm_waveforms_days = 10", []),
        ("trends_days = 400", [EVENTFUL, CALM]),
    ],
)
def test_waveforms_with_and_without_an_event_have_ages_of_their_own(
    tmp_path: Path, retention: str, left: list[date]
) -> None:
    fleet = fleet_with_two_days(tmp_path, retention)
    before = events_in(fleet), catalogue_bytes(fleet.store)
    assert remove(fleet, EVENTFUL + timedelta(days=10))[0] == 0  # ten days old is not past ten days
    assert remove(fleet, CALM + timedelta(days=11))[0] == 2 - len(left)
    assert held(fleet) == left
    assert (events_in(fleet), catalogue_bytes(fleet.store)) == before
    run_nightly(fleet.model_copy(update={"retention": None}))
    assert (events_in(fleet), catalogue_bytes(fleet.store)) == before
    assert verify(fleet, in_this_process) == []


def test_a_night_removes_says_so_and_is_idle_afterwards(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = fleet_with_two_days(tmp_path, "calm_waveforms_days = 10\nprocessed_days = 3000")
    assert summary_if_idle(fleet) is None
    assert report(run_nightly(fleet), nothing="nothing new") == 0
    assert "older than [retention] allows: 1 capture (" in capsys.readouterr().out
    assert summary_if_idle(fleet) is not None
    assert set(states(fleet).values()) == {"fresh", "frozen"}


def test_nothing_goes_whose_day_or_neighbour_is_still_to_be_judged(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "calm_waveforms_days = 10\nevent_waveforms_days = 10")
    write_capture(made_capture("2026-03-04T12:00:00"), fleet.inbox / SITE / "late.csv")
    run_nightly(fleet, catalogue=False)
    assert states(fleet)[CALM.isoformat()] == "stale"
    assert remove(fleet, CALM + timedelta(days=100))[0] == 1  # of the day that is far from the late one
    assert held(fleet) == [date(2026, 3, 4), CALM]


def test_nothing_goes_whose_trends_are_still_to_be_made(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "calm_waveforms_days = 10")
    with_survey = loaded(write_fleet(tmp_path, extra=f"[retention]\ncalm_waveforms_days = 10\n{SURVEY}"))
    assert remove(with_survey, CALM + timedelta(days=100))[0] == 0
    assert remove(fleet, CALM + timedelta(days=100))[0] == 1


def test_trends_and_verdicts_stand_once_their_waveforms_are_gone(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "calm_waveforms_days = 10", SURVEY)
    before = {kind: digests(fleet.store / kind) for kind in ("trends", "verdicts")}
    assert remove(fleet, CALM + timedelta(days=100))[0] == 1
    run_nightly(fleet.model_copy(update={"retention": None}))
    assert {kind: digests(fleet.store / kind) for kind in ("trends", "verdicts")} == before
    path = Store(fleet.store).trend_path(SITE, CALM, 1.0)
    path.write_bytes(b"PAR1")
    (fleet.store / "verdicts" / f"site={SITE}" / "_made.json").unlink()
    survey = run_nightly(fleet.model_copy(update={"retention": None})).survey
    assert survey is not None
    ((site, _, reason),) = survey.failed
    assert site == SITE
    assert "its waveforms are gone, so it cannot be rebuilt" in reason


def test_trends_go_by_their_age_only_where_no_waveform_could_make_them_anew(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "event_waveforms_days = 10\ntrends_days = 400", SURVEY)
    later = CALM + timedelta(days=500)
    assert remove(fleet, later)[:2] == (1, 0)  # the waveform goes first
    n = len(digests(fleet.store / "trends"))
    removed = remove(fleet, later)[1]
    assert removed > 1
    assert len(digests(fleet.store / "trends")) == n - removed
    assert Store(fleet.store).trend_days(SITE, 1.0) == [CALM]
    (path,) = (fleet.store / "verdicts").rglob("verdicts.parquet")
    before = pq.read_table(path, partitioning=None).to_pylist()
    run_nightly(fleet.model_copy(update={"retention": None}))
    assert Store(fleet.store).trend_days(SITE, 1.0) == [CALM]
    after = pq.read_table(path, partitioning=None).to_pylist()
    assert {"2026-03-01", "2026-W09", "2026-03", "2026"} <= {row["period"] for row in after}
    assert sorted(map(str, after)) == sorted(map(str, before))  # what was judged of all stands


def test_catalogues_go_only_where_no_waveform_is_left(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "event_waveforms_days = 10\ncatalogues_days = 10")
    assert remove(fleet, CALM + timedelta(days=100))[2] == 0
    assert remove(fleet, CALM + timedelta(days=100))[2] == 1
    assert events_in(fleet) == []
    assert states(fleet) == {CALM.isoformat(): "fresh"}


def test_originals_go_by_when_they_came(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "processed_days = 10")
    originals = sorted(path for path in fleet.processed.rglob("*") if path.is_file())
    assert len(originals) == 2
    os.utime(originals[0], (0, 0))  # as a copy that keeps the recorder's own time
    today = date.today()
    assert remove(fleet, today + timedelta(days=9))[3] == 0
    assert remove(fleet, today + timedelta(days=12))[3] == 2


def test_a_file_that_cannot_be_removed_is_named(tmp_path: Path) -> None:
    fleet = fleet_with_two_days(tmp_path, "calm_waveforms_days = 10")
    (path,) = Store(fleet.store).captures(SITE, CALM)
    path.unlink()
    path.mkdir()  # a folder in its place: not even root can unlink it
    states = look_at_days(fleet)
    assert has_expired(fleet, states, CALM + timedelta(days=100))
    done = remove_expired(fleet, states, CALM + timedelta(days=100))
    assert done is not None
    assert [str(path) in words for words in done.failed] == [True]


def test_too_short_an_age_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="calm_waveforms_days"):
        loaded(write_fleet(tmp_path, extra="[retention]\ncalm_waveforms_days = 1\n"))
