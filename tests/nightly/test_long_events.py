"""An event that lasts for days: one event, in the day where it starts, as long as the data go on.

Days last ten seconds here, from 1970 on, so that a week of waveform is a minute.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from made_fleet import HALF_CYCLE_S, SITE, catalogue_bytes, cut, events_in, loaded, made_capture, states, write_capture
from made_fleet import write_fleet as written_fleet

from halfcycle.pipeline.catalogue import span
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly import building
from halfcycle.pipeline.nightly import days as days_module
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.store import partitions

pytestmark = pytest.mark.slow

DAY_S = 10
SECONDS = 80.0
# From the first day into the sixth; a short one in its course on the third; one on the last day.
LONG, WITHIN, LATER = (5.0, 48.0, 0.7), (25.0, 0.5, 0.4), (75.0, 0.2, 0.5)


@pytest.fixture(autouse=True)
def short_days(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (partitions, days_module, building):
        monkeypatch.setattr(module, "DAY_NS", DAY_S * 10**9)


def fill(root: Path) -> tuple[Fleet, list[Path]]:
    """Files of four seconds each that follow one another."""
    fleet = loaded(written_fleet(root))
    before, after = WITHIN[0] - LONG[0], LONG[0] + LONG[1] - WITHIN[0] - WITHIN[1]
    sags = [(LONG[0], before, LONG[2]), WITHIN, (WITHIN[0] + WITHIN[1], after, LONG[2]), LATER]
    whole = made_capture("1970-01-01T00:00:00", seconds=SECONDS, sags=sags)
    pieces = cut(whole, *range(4, int(SECONDS), 4))
    return fleet, [write_capture(part, fleet.inbox / SITE / f"{i:02}.parquet") for i, part in enumerate(pieces)]


def test_an_event_of_days_is_one_event_in_the_day_where_it_starts(tmp_path: Path) -> None:
    fleet, _ = fill(tmp_path / "fleet")
    summary = run_nightly(fleet)
    assert len(summary.days) == 8
    first, last = events_in(fleet)
    assert first.duration_s == pytest.approx(LONG[1], abs=2 * HALF_CYCLE_S)  # Class A: within one cycle
    assert first.magnitude == pytest.approx(WITHIN[2], abs=0.002)  # Class A: within 0.2 % of Udin
    assert first.stages == 3
    assert last.duration_s == pytest.approx(LATER[1], abs=2 * HALF_CYCLE_S)
    assert not any(event.open_start or event.open_end for event in (first, last))
    assert events_in(fleet, (SITE, "1970-01-01")) == [first]
    assert run_nightly(fleet).days == ()


@pytest.mark.parametrize("late", [3, 9, 12, 13])  # 13 has the end of the event in it
@pytest.mark.long
def test_a_late_file_makes_the_event_whole_that_ended_open_without_it(tmp_path: Path, late: int) -> None:
    at_once, _ = fill(tmp_path / "at once")
    run_nightly(at_once)
    fleet, paths = fill(tmp_path / "late")
    kept = paths[late].rename(tmp_path / "kept.parquet")
    run_nightly(fleet)
    assert any(event.open_end for event in events_in(fleet))
    kept.rename(paths[late])
    run_nightly(fleet)
    assert set(states(fleet).values()) == {"fresh"}
    assert catalogue_bytes(fleet.store) == catalogue_bytes(at_once.store)


@pytest.mark.long
def test_files_that_come_one_by_one_give_the_bytes_of_files_that_come_at_once(tmp_path: Path) -> None:
    at_once, _ = fill(tmp_path / "at once")
    run_nightly(at_once)
    fleet, paths = fill(tmp_path / "one by one")
    waiting = [path.rename(tmp_path / path.name) for path in paths]
    for kept, path in zip(waiting, paths, strict=True):
        kept.rename(path)
        run_nightly(fleet)
    assert catalogue_bytes(fleet.store) == catalogue_bytes(at_once.store)


@pytest.mark.long
def test_a_day_that_is_judged_in_spans_has_the_events_of_one_judged_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once, _ = fill(tmp_path / "at once")
    run_nightly(at_once)
    in_spans, _ = fill(tmp_path / "in spans")
    monkeypatch.setattr(span, "SPAN_SAMPLES", 4000)
    (judged, *_) = run_nightly(in_spans).days
    got, want = events_in(in_spans), events_in(at_once)
    assert [(event.start, event.end, event.stages) for event in got] == [(e.start, e.end, e.stages) for e in want]
    assert [event.magnitude for event in got] == pytest.approx([event.magnitude for event in want], abs=1e-6)
    assert judged.judged_s == pytest.approx(DAY_S)


def test_events_in_the_course_of_one_from_an_earlier_day_are_of_its_incident(tmp_path: Path) -> None:
    """Two recorders of a site: the second sees short sags on later days, while the first one's long sag goes on."""
    config = written_fleet(tmp_path, extra="[thresholds.ieee-1159]\nincident_window_s = 1.0")
    fleet = loaded(config)
    long = made_capture("1970-01-01T00:00:00", seconds=60.0, sags=[(5.0, 41.0, 0.7)], station="one")
    for i, part in enumerate(cut(long, *range(4, 60, 4))):
        write_capture(part, fleet.inbox / SITE / f"one {i}.parquet")
    for second in (22, 41, 52):  # the third comes when all is over
        short = made_capture(f"1970-01-01T00:00:{second}", sags=[(0.5, 0.2, 0.5)], station="two")
        write_capture(short, fleet.inbox / SITE / f"two {second}.parquet")
    run_nightly(fleet)
    events = events_in(fleet)
    ids = [event.event_id for event in events]
    assert [ids.index(event.incident_id) for event in events] == [0, 0, 0, 3]
