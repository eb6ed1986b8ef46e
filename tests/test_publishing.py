"""The pages that a fleet's [report] asks for: published once, again when something changed, and never half."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

import pytest
from made_fleet import SITE, halfcycle, made_capture, names, write_capture, write_fleet

from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.publishing import front_address, is_published, publish, worst_of
from halfcycle.pipeline.report.folder import FRONT, page_name, write_folder

QUIET = "Quiet Lane"
EXTRA = '[report]\nfolder = "pages"\ndays = 2\n'
SURVEY = '[survey]\ninterval_s = 10\nquantities = ["u_rms", "f"]\nlimits = "en-50160-lv"\n'


def fleet_at(root: Path, *days: str, extra: str = EXTRA) -> Path:
    config = write_fleet(root, sites=(SITE, QUIET), extra=extra)
    for day in days:
        arrives(root, day)
    return config


def arrives(root: Path, day: str) -> None:
    write_capture(
        made_capture(f"{day}T12:00:00", seconds=4.0, sags=[(1.0, 0.3, 0.5)]), root / "inbox" / SITE / f"{day}.parquet"
    )
    run_nightly(load_fleet(root / "fleet.toml"))


def test_pages_of_the_last_days_are_published_once_and_anew_when_a_day_comes(tmp_path: Path) -> None:
    config = fleet_at(tmp_path, "2026-03-01", "2026-03-05", "2026-03-06")
    fleet = load_fleet(config)
    assert not is_published(fleet)
    made = publish(fleet, config)
    assert made is not None
    assert made.n_pages == 3  # the fleet's, and one of each site, also of that without a recording
    assert is_published(fleet)
    front = (tmp_path / "pages" / FRONT).read_text(encoding="utf-8")
    assert "Between 5 March 2026 and 6 March 2026, 2 events were found at 2 sites" in front  # days = 2
    assert "Quiet Lane" in front
    assert publish(fleet, config) is None
    arrives(tmp_path, "2026-03-07")
    assert not is_published(fleet)
    assert publish(fleet, config) is not None
    assert "Between 6 March 2026 and 7 March 2026" in (tmp_path / "pages" / FRONT).read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".pages")] == []


def test_a_change_of_settings_publishes_anew_and_without_the_table_nothing_is_published(tmp_path: Path) -> None:
    config = fleet_at(tmp_path, "2026-03-01")
    publish(load_fleet(config), config)
    config.write_text(config.read_text().replace("days = 2", 'days = 2\ncurve = "semi-f47"'), encoding="utf-8")
    assert not is_published(load_fleet(config))
    publish(load_fleet(config), config)
    assert "SEMI F47" in (tmp_path / "pages" / FRONT).read_text(encoding="utf-8")
    without = fleet_at(tmp_path / "other", "2026-03-01", extra="")
    assert is_published(load_fleet(without))
    assert publish(load_fleet(without), without) is None
    assert front_address(load_fleet(without)) == ""


def test_the_command_that_a_page_names_makes_the_same_page(tmp_path: Path) -> None:
    config = fleet_at(tmp_path, "2026-03-01", "2026-03-02")
    publish(load_fleet(config), config)
    published = (tmp_path / "pages" / FRONT).read_text(encoding="utf-8")
    (said,) = re.findall(r"<td>halfcycle (report [^<]*)</td>", published)
    done = halfcycle(*shlex.split(said), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert names(tmp_path / "report") == names(tmp_path / "pages")
    for name in (FRONT, page_name(SITE), page_name(QUIET)):
        assert (tmp_path / "report" / name).read_bytes() == (tmp_path / "pages" / name).read_bytes()


def surveyed_fleet_at(root: Path) -> Path:
    """Two sites, one with two days of 40 s, surveyed in intervals of 10 s."""
    config = write_fleet(root, sites=(SITE, QUIET), extra=EXTRA + SURVEY)
    for day in ("2026-03-01", "2026-03-02"):
        capture = made_capture(f"{day}T12:00:00", seconds=40.0, sags=[(1.0, 0.3, 0.5)])
        write_capture(capture, root / "inbox" / SITE / f"{day}.parquet")
    run_nightly(load_fleet(config))
    return config


def published(root: Path, name: str) -> str:
    """A page, with plain blanks between numbers and units."""
    return (root / "pages" / name).read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.slow
def test_stored_trends_and_verdicts_are_in_the_pages_and_anew_when_they_change(tmp_path: Path) -> None:
    config = surveyed_fleet_at(tmp_path)
    fleet = load_fleet(config)
    publish(fleet, config)
    front, site, quiet = (published(tmp_path, name) for name in (FRONT, page_name(SITE), page_name(QUIET)))
    assert 'id="trend-0-u-rms"' in site
    assert "in intervals of 10 s: from" in site
    assert "EN 50160, low voltage; declared voltage 230 V" in site  # a row for each limit
    assert "of 60480 intervals" in site  # of a whole week by the calendar, in tens of seconds: 7 * 8640
    assert "(of a day)" not in site
    assert "verdicts by site" in front
    assert "Trends of the survey" not in front
    assert "Trends of the survey" not in quiet
    (said,) = re.findall(r"<td>halfcycle (report [^<]*)</td>", front)
    assert halfcycle(*shlex.split(said), cwd=tmp_path).returncode == 0
    for name in (FRONT, page_name(SITE)):
        assert (tmp_path / "report" / name).read_bytes() == (tmp_path / "pages" / name).read_bytes()
    assert is_published(fleet)
    made = tmp_path / "store" / "trends" / f"site={SITE}" / "date=2026-03-01" / "_made.json"
    made.unlink()
    run_nightly(fleet)
    assert not is_published(fleet)


def test_a_trend_that_is_damaged_costs_its_day_and_stale_verdicts_are_named(tmp_path: Path) -> None:
    config = surveyed_fleet_at(tmp_path)
    fleet = load_fleet(config)
    folder = tmp_path / "store" / "trends" / f"site={SITE}" / "date=2026-03-01"
    (folder / "interval=10s.parquet").write_bytes(b"PAR1")
    publish(fleet, config)
    site = published(tmp_path, page_name(SITE))
    assert "the trend of 2026-03-01 in intervals of 10 s cannot be read" in site
    assert 'id="trend-0-u-rms"' in site
    (folder / "_made.json").write_text("{}", encoding="utf-8")
    publish(fleet, config)
    site = published(tmp_path, page_name(SITE))
    assert "verdicts are older than its trends" in site


def test_the_worst_events_of_a_night_have_their_place_in_the_pages(tmp_path: Path) -> None:
    served = EXTRA + 'address = "https://pq.example/fleet/"\n'
    config = fleet_at(tmp_path, "2026-03-01", extra=served)
    fleet = load_fleet(config)
    publish(fleet, config)
    ((event, address),) = worst_of(fleet, [day for day, _ in days_of(fleet)], most=5)
    assert address == f"https://pq.example/fleet/{page_name(SITE)}#event-{event.event_id}"
    assert f'id="event-{event.event_id}"' in (tmp_path / "pages" / page_name(SITE)).read_text(encoding="utf-8")
    assert front_address(fleet) == "https://pq.example/fleet/index.html"


def test_a_folder_that_holds_other_things_stops_the_publishing_and_stays(tmp_path: Path) -> None:
    config = fleet_at(tmp_path, "2026-03-01")
    (tmp_path / "pages").mkdir()
    (tmp_path / "pages" / "dear.txt").write_text("x")
    with pytest.raises(ConfigError, match="something other"):
        publish(load_fleet(config), config)
    assert names(tmp_path / "pages") == ["dear.txt"]


def test_pages_that_cannot_be_written_are_an_error_and_the_former_ones_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_folder([(FRONT, "old")], tmp_path / "out", sign="s")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        write_folder([(FRONT, "new")], tmp_path / "out", sign="t")
    assert (tmp_path / "out" / FRONT).read_text() == "old"


def test_a_run_killed_between_two_names_leaves_a_folder_that_the_next_one_finds(tmp_path: Path) -> None:
    # Where two folders cannot change names in one step: killed after the former one was set aside.
    write_folder([(FRONT, "old")], tmp_path / "out")
    (tmp_path / "out").rename(tmp_path / ".out.old")
    (tmp_path / ".out.new").mkdir()

    def stops() -> list[tuple[str, str]]:
        assert (tmp_path / "out" / FRONT).read_text() == "old"  # back before anything new is made
        return [(FRONT, "new")]

    def pages():  # type: ignore[no-untyped-def]
        yield from stops()

    write_folder(pages(), tmp_path / "out")
    assert (tmp_path / "out" / FRONT).read_text() == "new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


@pytest.mark.parametrize("can", [True, False])
def test_there_is_a_folder_at_every_instant_where_the_system_can_exchange_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, can: bool
) -> None:
    from halfcycle.pipeline.report import folder

    write_folder([(FRONT, "old"), ("gone.html", "x")], tmp_path / "out")
    if not can:
        monkeypatch.setattr(folder, "exchanged", lambda one, other: False)
    write_folder([(FRONT, "new")], tmp_path / "out")
    assert [path.name for path in (tmp_path / "out").iterdir() if path.suffix == ".html"] == [FRONT]
    assert (tmp_path / "out" / FRONT).read_text() == "new"


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('[report]\nfolder = "store/pages"\n', "must not lie in store"),
        ("[report]\ndays = -1\n", "report.days"),
        ('[report]\nfoldr = "x"\n', "folder"),
        ('[report]\nlocale = "de_XX"\n', "locale 'de_XX' is not known; name a language and a territory"),
    ],
)
def test_wrong_settings_are_said(tmp_path: Path, lines: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        load_fleet(write_fleet(tmp_path, extra=lines))


def test_a_locale_of_the_settings_is_that_of_the_pages_and_of_the_command_they_name(tmp_path: Path) -> None:
    config = fleet_at(tmp_path, "2026-03-01", extra=EXTRA + 'locale = "de_DE"\n')
    publish(load_fleet(config), config)
    front = published(tmp_path, FRONT)
    assert "On 1. März 2026, 1 event was found at 2 sites" in front
    (said,) = re.findall(r"<td>halfcycle (report [^<]*)</td>", front)
    assert halfcycle(*shlex.split(said), cwd=tmp_path).returncode == 0
    assert (tmp_path / "report" / FRONT).read_bytes() == (tmp_path / "pages" / FRONT).read_bytes()
